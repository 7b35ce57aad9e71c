"""One simulated bench night of a hidden batch, as the run table (CSV) that a frame would leave behind.

The frame is imperfect in the ways that frames are: the load wanders inside the controller's band, cell and encoder have
noise and steps, the room swings by a kelvin or two and the frame's own expansion is corrected only in part, the zero
drifts by microns, the frame's give is known to a few percent, the seated length is not quite the same for each spoke.
"""

from __future__ import annotations

import csv
import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.blind.hidden import HiddenBatch, HiddenSpokes, draw_spokes

Floats = NDArray[np.float64]
SEAT_N, TARE_N = 20.0, 15.0
RAMP_N_PER_S = 15.0
CABINET_LAG_S = 900.0


@dataclass(frozen=True, kw_only=True)
class Segment:
    """Go to a load, stay there."""

    name: str
    load_N: float
    hours: float
    cabinet_C: float | None = None  # None: as the room is


@dataclass(frozen=True, kw_only=True)
class Record:
    """One spoke's rows."""

    time_s: Floats
    load_N: Floats
    elongation_mm: Floats
    temperature_C: Floats
    step: list[str]


def programs(rng: np.random.Generator) -> tuple[str, list[list[Segment]]]:
    """One of three sensible nights, four stations; 10 to 14 hours."""
    kind = str(rng.choice(["two levels", "stretch and again", "split levels"]))
    high = float(rng.choice([1400.0, 1500.0, 1550.0]))
    stretch = float(rng.uniform(0.85, 1.15))

    def night(first: float, h1: float, rest: float, second: float, h2: float, rest2: float) -> list[Segment]:
        return [
            Segment(name="seat", load_N=SEAT_N, hours=2.0 / 60.0),
            Segment(name="hold", load_N=first, hours=h1 * stretch),
            Segment(name="recover", load_N=TARE_N, hours=rest * stretch),
            Segment(name="hold 2", load_N=second, hours=h2 * stretch),
            Segment(name="recover 2", load_N=TARE_N, hours=rest2 * stretch),
        ]

    if kind == "two levels":
        return kind, [night(1000.0, 4.0, 2.0, high, 4.5, 1.5)] * 4
    if kind == "stretch and again":
        return kind, [night(high, 5.5, 2.0, 1000.0, 3.5, 1.0)] * 4
    return kind, [night(1000.0, 4.5, 2.0, high, 4.0, 1.5)] * 2 + [night(high, 5.0, 2.0, 1000.0, 4.0, 1.0)] * 2


def from_program(text: str) -> list[list[Segment]]:
    """The nights that a PROGRAM.toml asks of its stations (the kinds of step that a batch test has)."""
    program = tomllib.loads(text)
    out = []
    for step in program["steps"]:
        if step["kind"] == "seat":
            out.append(Segment(name="seat", load_N=float(step["load_N"]), hours=2.0 / 60.0))
        elif step["kind"] == "hold":
            out.append(Segment(name="hold", load_N=float(step["load_N"]), hours=float(step["hours"])))
        elif step["kind"] == "recover":
            out.append(Segment(name="recover", load_N=float(step["tare_N"]), hours=float(step["hours"])))
        elif step["kind"] != "unload":
            raise ValueError(f"a step of kind {step['kind']} in a batch test: teach the trial's frame to do it")
    return [out] * len(program["stations"])


def _times(segments: Sequence[Segment]) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Internal grid: time, asked load, segment; dense after each change, never more than 60 s apart."""
    time, load, which = [0.0], [SEAT_N], [0]
    now, at = 0.0, SEAT_N
    for i, s in enumerate(segments):
        ramp_s = abs(s.load_N - at) / RAMP_N_PER_S
        if ramp_s > 0:
            for x in np.linspace(0.0, 1.0, 25)[1:]:
                time.append(now + x * ramp_s)
                load.append(at + x * (s.load_N - at))
                which.append(i)
            now += ramp_s
        rest = s.hours * 3600.0
        t = np.unique(np.concatenate([np.geomspace(0.5, rest, 160), np.arange(60.0, rest, 60.0)]))
        time += list(now + t)
        load += [s.load_N] * t.size
        which += [i] * t.size
        now, at = now + rest, s.load_N
    return np.array(time), np.array(load), np.array(which)


def sample_times(end_s: float, changes_s: Sequence[float], kind: str) -> Floats:
    """When the recorder writes: at 1 Hz, at 0.1 Hz, or at 10 Hz for a minute after each change and slowly later."""
    if kind == "1 Hz":
        return np.arange(0.0, end_s, 1.0)
    if kind == "0.1 Hz":
        return np.arange(0.0, end_s, 10.0)
    parts = [np.arange(0.0, end_s, 30.0)]
    for c in changes_s:
        parts += [
            np.arange(c, c + 60.0, 0.1),
            np.arange(c + 60.0, c + 600.0, 1.0),
            np.arange(c + 600.0, c + 3600.0, 10.0),
        ]
    t = np.unique(np.round(np.concatenate(parts), 1))
    return t[t < end_s]


def _wander(rng: np.random.Generator, time_s: Floats, sd: float, tau_s: float) -> Floats:
    """A slow random walk that is pulled back: sd 1, correlated over tau_s."""
    z = rng.standard_normal(time_s.size)
    out = np.empty(time_s.size)
    out[0] = z[0]
    keep = np.exp(-np.diff(time_s) / tau_s)
    for i in range(1, time_s.size):
        out[i] = keep[i - 1] * out[i - 1] + math.sqrt(1.0 - keep[i - 1] ** 2) * z[i]
    return sd * out


def _in_cabinet(time_s: Floats, air_C: Floats, asked_C: Sequence[float | None]) -> Floats:
    """The temperature about spoke and frame: that of the room, or on its way to what the cabinet is asked for."""
    out = air_C.copy()
    for k in range(1, time_s.size):
        if asked_C[k] is not None or abs(out[k - 1] - air_C[k - 1]) > 0.3:
            to = air_C[k] if asked_C[k] is None else asked_C[k]
            out[k] = to + (out[k - 1] - to) * math.exp(-(time_s[k] - time_s[k - 1]) / CABINET_LAG_S)
    return out


def run_night(
    batch: HiddenBatch, segments: Sequence[Sequence[Segment]], sampling: str, gauge_length_mm: float, seed: int
) -> tuple[list[Record], HiddenSpokes]:
    """Each station's record of one new spoke of the batch."""
    rng = np.random.default_rng([seed, 22])
    spokes = draw_spokes(batch, rng, len(segments))
    swing = rng.uniform(0.3, 2.0)
    phase, middle = rng.uniform(0.0, 2.0 * math.pi), 20.0 + rng.normal(0.0, 1.0)
    frame_error = rng.normal(0.0, 1.5e-3)  # mm/K left after the frame's own expansion is corrected
    give_error = rng.normal(0.0, 0.07) * 1.5e-5  # mm/N, of a frame that gives 0.015 mm at 1000 N
    noise_mm, noise_N = rng.uniform(1e-3, 2e-3), rng.uniform(1.0, 2.0)
    tick_mm, tick_N = float(rng.choice([0.5e-3, 1e-3])), float(rng.choice([0.1, 0.5]))
    cell_gain = 1.0 + rng.normal(0.0, 0.002)
    out = []
    for i, program in enumerate(segments):
        time, asked, which = _times(program)
        one = spokes.take([i])
        load = asked * (1.0 + np.where(asked > 100.0, _wander(rng, time, 0.001, 300.0), 0.0))
        air = middle + swing * np.sin(2.0 * math.pi * time / 86400.0 + phase) + _wander(rng, time, 0.15, 1800.0)
        air = _in_cabinet(time, air, [program[s].cabinet_C for s in which])
        state = one.step(one.virgin(), 0.0, np.zeros(1), load[:1], float(air[0]))
        strain = np.empty(time.size)
        strain[0] = one.strain(state, load[:1], float(air[0]))[0]
        for k in range(1, time.size):
            state = one.step(
                state,
                float(time[k] - time[k - 1]),
                load[k - 1 : k],
                load[k : k + 1],
                float(0.5 * (air[k] + air[k - 1])),
            )
            strain[k] = one.strain(state, load[k : k + 1], float(air[k]))[0]
        # the zero: the encoder is set when the spoke is seated at 20 N, and the elastic part of 20 N is put back as known roughly
        zero = (
            strain[0]
            - one.elastic_strain(np.array([SEAT_N]))[0] * rng.uniform(0.6, 1.4)
            + rng.normal(0.0, 0.01) / gauge_length_mm
        )
        drift = rng.normal(0.0, 1.5e-3) * time / 43200.0 + _wander(rng, time, 1e-3, 7200.0)
        y = gauge_length_mm * (strain - zero) + drift + frame_error * (air - middle) + give_error * load
        loaded = np.flatnonzero(asked > 500.0)
        if rng.random() < batch.slip_probability:
            y = y + np.where(time >= time[int(rng.choice(loaded))], rng.uniform(0.03, 0.08), 0.0)
        changes = [float(time[np.flatnonzero(which == s)[0]]) for s in range(len(program))]
        t = sample_times(float(time[-1]), changes, sampling)
        measured_N = np.interp(t, time, load) * cell_gain + noise_N * rng.standard_normal(t.size)
        measured_mm = np.interp(t, time, y) + noise_mm * rng.standard_normal(t.size)
        thermometer = np.interp(t, time, air) + rng.normal(0.0, 0.2) + 0.03 * rng.standard_normal(t.size)
        index = which[np.minimum(np.searchsorted(time, t, side="left"), time.size - 1)]
        out.append(
            Record(
                time_s=t,
                load_N=np.round(measured_N / tick_N) * tick_N,
                elongation_mm=np.round(measured_mm / tick_mm) * tick_mm,
                temperature_C=np.round(thermometer, 2),
                step=[program[s].name for s in index],
            )
        )
    return out, spokes


LAYOUTS = ("full", "bare", "reordered")


def write_csv(path: Path, records: Sequence[Record], gauge_length_mm: float, layout: str) -> list[str]:
    """Write one table; returns the options that the fit then needs."""
    columns = {
        "full": ["time_s", "spoke", "station", "step", "load_N", "elongation_mm", "temperature_C", "gauge_length_mm"],
        "bare": ["spoke", "time_s", "load_N", "elongation_mm", "temperature_C"],
        "reordered": ["elongation_mm", "load_N", "note", "temperature_C", "time_s", "spoke", "gauge_length_mm"],
    }[layout]
    with path.open("w", newline="", encoding="utf-8") as f:
        writer = csv.writer(f)
        writer.writerow(columns)
        for i, r in enumerate(records):
            fixed = {
                "spoke": f"K{i + 1:02d}",
                "station": str(i + 1),
                "gauge_length_mm": f"{gauge_length_mm:g}",
                "note": "",
            }
            rows = {
                "time_s": [f"{v:.1f}" for v in r.time_s],
                "load_N": [f"{v:.1f}" for v in r.load_N],
                "elongation_mm": [f"{v:.4f}" for v in r.elongation_mm],
                "temperature_C": [f"{v:.2f}" for v in r.temperature_C],
                "step": r.step,
            }
            n = r.time_s.size
            writer.writerows(zip(*[rows.get(c) or [fixed[c]] * n for c in columns], strict=True))
    return [] if "gauge_length_mm" in columns else ["--gauge-length-mm", f"{gauge_length_mm:g}"]
