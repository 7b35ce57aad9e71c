"""What a run file says beyond its rows: break loads, zero drifts, slack clocks, why holds ended, nights on a chord."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.journal import STATE_MASK
from bench.machine import STATE_CODE, StationState
from bench.program import program_from_text
from bench.record import Run, StationRecord
from bench.steps import StepKind

Floats = NDArray[np.float64]
POINTS_PER_DECADE = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakLoad:
    """One spoke pulled to break: the highest load that it bore."""

    station: str
    spoke: str
    load_N: float
    elongation_mm: float | None  # at that load
    rate_N_per_s: float
    broke: bool  # False: it bore this load and was taken off


@dataclass(frozen=True, slots=True, kw_only=True)
class StationResult:
    """What is known of one station at the end of its run."""

    station: str
    spokes: tuple[str, ...]
    holds: tuple[str, ...]  # why each hold ended, in order
    zero_drift_N: float | None  # None where it was not checked
    slack_since_utc: float | None  # None where it still bore load


@dataclass(frozen=True, slots=True, kw_only=True)
class ChordNight:
    """One spare spoke (or line of them) that lived as in a wheel: its tension from when it was left alone."""

    station: str
    spokes: tuple[str, ...]
    followup: float
    began_s: float  # run time
    began_utc: float
    time_h: Floats  # (n,) since then, log-spaced
    tension_N: Floats  # (n,)
    temperature_C: Floats  # (n,) of the air; NaN where not measured


def break_loads(run: Run) -> list[BreakLoad]:
    """Every pull to break of a run."""
    return [
        BreakLoad(
            station=e.station,
            spoke=run.stations[e.station].spoke,
            load_N=float(e.data["load_N"]),
            elongation_mm=e.data.get("elongation_mm"),
            rate_N_per_s=float(e.data["rate_N_per_s"]),
            broke=e.kind == "broke",
        )
        for e in run.events
        if e.kind in ("broke", "held") and e.station in run.stations and "load_N" in e.data
    ]


def station_results(run: Run) -> list[StationResult]:
    """Each station's ends, drift and slack clock."""
    out = []
    for name, record in run.stations.items():
        holds: list[str] = []
        drift: float | None = None
        slack: float | None = None
        for e in run.events:
            if e.station != name:
                continue
            if e.kind in ("step", "done") and e.data.get("held") and (not holds or holds[-1] != e.data["held"]):
                holds.append(str(e.data["held"]))
            elif e.kind == "zero" and "drift_N" in e.data:
                drift = float(e.data["drift_N"])
            elif e.kind == "slack":
                slack = e.utc
            elif e.kind == "reached":
                slack = None
        out.append(
            StationResult(
                station=name, spokes=record.spokes, holds=tuple(holds), zero_drift_N=drift, slack_since_utc=slack
            )
        )
    return out


def chord_nights(run: Run) -> list[ChordNight]:
    """Every chord hold of a run, station by station."""
    program = program_from_text(run.meta.program_text, "the run's program")
    nights = []
    for record in run.stations.values():
        for n, step in enumerate(program.steps):
            if step.kind is StepKind.CHORD:
                night = _night(record, n, step.followup)
                if night is not None:
                    nights.append(night)
    return nights


def _night(record: StationRecord, step: int, followup: float) -> ChordNight | None:
    c = record.columns
    held = (c["step"] == step) & ((c["flags"] & STATE_MASK) == STATE_CODE[StationState.HOLDING])
    if np.count_nonzero(held) < 2:
        return None
    t, load, th = (c[name][held].astype(np.float64) for name in ("time", "load", "temperature"))
    since = t - t[0]
    edges = _edges(float(since[-1]))
    bins = np.clip(np.searchsorted(edges, since, side="right") - 1, 0, edges.size - 1)
    counts = np.bincount(bins, minlength=edges.size)
    some = counts > 0
    mean_h = np.bincount(bins, since, minlength=edges.size)[some] / counts[some] / 3600.0
    mean_N = np.bincount(bins, load, minlength=edges.size)[some] / counts[some]
    mean_C = np.bincount(bins, th, minlength=edges.size)[some] / counts[some]
    return ChordNight(
        station=record.name,
        spokes=record.spokes,
        followup=followup,
        began_s=float(t[0]),
        began_utc=float(c["utc"][held][0]),
        time_h=mean_h,
        tension_N=mean_N,
        temperature_C=mean_C,
    )


def _edges(longest_s: float) -> Floats:
    """Bins that grow with time: a few to a decade, from a few seconds on."""
    decades = max(np.log10(max(longest_s, 10.0) / 3.0), 0.1)
    grown = 3.0 * np.logspace(0.0, decades, max(2, int(POINTS_PER_DECADE * decades) + 1))
    return np.concatenate([[0.0], grown])
