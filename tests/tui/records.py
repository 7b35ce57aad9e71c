"""An invented run for the monitor's tests: spokes of the golden batch, four steps, no bench code involved."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from models.history import LoadHistory
from models.simulate import strain_under_load
from tests.golden import GAUGE_LENGTH_MM, default_chain
from tui.screens.view import Floats, Note, Record, Trace

STARTED_UTC = 1_767_380_400.0  # 2026-01-02 19:00 UTC
STEPS = ("seat", "ramp", "hold", "recover")
STEP_S = (60.0, 120.0, 8 * 3600.0, 1800.0)
LOOKED_AT_S = (400.0, 1000.0, 2000.0, 3000.0, 20_000.0)  # moments at which the tests look: there is a row at each
LOAD_N = 1500.0


@cache
def _night() -> tuple[Floats, Floats, Floats]:
    """Time, load and strain of a golden spoke through all four steps."""
    ends = np.cumsum(STEP_S)
    late = ends[2] + np.geomspace(1.0, STEP_S[3], 200)
    time = np.unique(
        np.concatenate([np.arange(0.0, 200.0, 2.0), np.geomspace(200.0, ends[3], 500), late, ends, LOOKED_AT_S])
    )
    load = np.interp(time, [0, 60, 180, ends[2], ends[2] + 100, ends[3]], [20, 20, LOAD_N, LOAD_N, 15, 15])
    strain, _ = strain_under_load(default_chain(), LoadHistory.of(time, load, 23.0))
    return time, load, strain


def trace(name: str, spoke: str, scale: float, until_s: float) -> Trace:
    """One station: seat at 20 N, ramp, hold, recover at 15 N; elongation of a golden spoke times ``scale``."""
    time, load, strain = _night()
    noise = np.random.default_rng(int(scale * 1000)).normal(0.0, 0.4, time.size)
    n = int(np.searchsorted(time, until_s, side="right"))
    time, load, strain, noise = time[:n], load[:n], strain[:n], noise[:n]
    step = np.minimum(np.searchsorted(np.cumsum(STEP_S), time, side="right"), 3)
    asked = np.where(step == 0, 20.0, np.where(step == 3, 15.0, LOAD_N))
    return Trace(
        name=name,
        spoke=spoke,
        gauge_length_mm=GAUGE_LENGTH_MM,
        time_s=time,
        load_N=load + noise,
        set_load_N=asked,
        elongation_mm=scale * GAUGE_LENGTH_MM * strain,
        temperature_C=23.0 + 0.3 * np.sin(time / 7000.0),
        step=step,
        step_names=STEPS,
        step_s=STEP_S,
    )


def note(time_s: float, station: str, kind: str, message: str) -> Note:
    return Note(at_utc=STARTED_UTC + time_s, time_s=time_s, station=station, kind=kind, message=message)


def record(until_s: float = math.inf, *, ended: bool = False, fault: bool = False, stations: int = 4) -> Record:
    """A run as it stood at ``until_s``."""
    traces = tuple(
        trace("ABCDEFGHIJKLMNOP"[i], f"K07-{i + 1:02d}", 1.0 + 0.03 * (i % 5 - 1), until_s) for i in range(stations)
    )
    notes = [
        note(0.0, "", "run", "night at 1500 N begun; 4 spokes"),
        *(note(60.0, t.name, "step", "seat done, ramp begun") for t in traces),
        *(note(180.0, t.name, "step", "ramp done, hold begun") for t in traces),
    ]
    if fault:
        notes.append(
            note(
                9000.0,
                "B",
                "fault",
                "load 1688 N is over the limit of 1650 N since 02:30:00; do: look at the spoke and its ends, "
                "then acknowledge at the frame",
            )
        )
    return Record(
        title="Night at 1500 N",
        demo=True,
        started_utc=STARTED_UTC,
        ended=ended,
        traces=traces,
        notes=tuple(n for n in notes if n.time_s <= until_s),
    )
