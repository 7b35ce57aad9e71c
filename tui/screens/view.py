"""What the monitor shows, worked out from a run's record up to one moment: pure functions and plain values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]  # times are 64 bit, measured values as the run file keeps them
HELD_WITHIN = 0.005  # of the set load: what a hold keeps to after settling
HELD_WITHIN_N = 2.0  # but never asked closer than this
CREEP_OVER = 10.0**0.5  # the rate per decade is taken over the last half decade of a hold
CREEP_AFTER_S = 60.0  # no rate is shown before a hold is this old
CREEP_ROWS = 300  # at most, in that half decade
CHUNK = 8192  # rows looked at in one piece
REACHED_WITHIN = 0.02  # of the set load: the way there is over
LEAST_HELD_N = 5.0  # below this a spoke is slack
QUIET_AFTER_S = 30.0  # a run that wrote nothing for so long is called quiet


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One station's record."""

    name: str  # as painted on the frame
    spoke: str  # physical label
    gauge_length_mm: float
    time_s: Floats  # (n,) since the start of the run
    load_N: Floats  # (n,)
    set_load_N: Floats  # (n,) NaN where no load is asked for
    elongation_mm: Floats  # (n,)
    temperature_C: Floats  # (n,) NaN where not measured
    step: NDArray[np.integer[Any]]  # (n,) index into step_names
    step_names: tuple[str, ...]
    step_s: tuple[float | None, ...]  # how long each step is planned to take; None where it ends on something else


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One line of the event log."""

    at_utc: float
    time_s: float  # since the start of the run
    station: str  # empty: the frame or the run itself
    kind: str
    message: str
    data: Mapping[str, Any] = field(default_factory=dict)  # numbers behind the message


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One run as far as it has been read."""

    title: str
    demo: bool  # invented data, and to be marked so
    started_utc: float
    ended: bool  # True once the file is sealed: nothing more will come
    written: bool = True  # a process still writes it; where this is False before the end, the run was cut off
    traces: tuple[Trace, ...]
    notes: tuple[Note, ...]
    allowed_loss_percent: float | None = None  # in the wheel, of a spoke that is held until it is ready

    @property
    def end_s(self) -> float:
        """Time of the last row of any station, s."""
        return max((float(t.time_s[-1]) for t in self.traces if t.time_s.size), default=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault that stands, in plain words."""

    station: str
    what: str  # measured, limit, unit, since when
    to_do: str  # empty where the record does not say
    since_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """One station at one moment."""

    name: str
    spoke: str
    step: str  # empty before the first row
    load_N: float | None
    set_load_N: float | None
    off_set_percent: float | None  # load against set; None where nothing is asked for
    held: bool | None  # within 0.5 % of the set load; None on the way to it, and where nothing is asked for
    elongation_mm: float | None
    strain_percent: float | None
    creep_mm_per_decade: float | None  # None while it cannot be told
    temperature_C: float | None
    step_since_s: float | None  # how long the step has run
    step_left_s: float | None  # None where the step has no planned length, or takes longer than planned
    reached_s: float | None  # run time at which the load was reached; None on the way, and while slack
    fault: Fault | None


def rows_until(trace: Trace, at_s: float) -> int:
    """How many rows had been written by ``at_s``."""
    return int(np.searchsorted(trace.time_s, at_s, side="right"))


def step_start(trace: Trace, n: int) -> int:
    """First row of the present step; steps only go forward."""
    return int(np.searchsorted(trace.step[:n], trace.step[n - 1], side="left"))


def level_start(trace: Trace, n: int) -> int:
    """First row of the present load level: since then the set load and the step have not changed."""
    first, stop = step_start(trace, n), n
    now = trace.set_load_N[n - 1]
    while stop > first:
        start = max(first, stop - CHUNK)
        part = trace.set_load_N[start:stop]
        other = np.flatnonzero(~np.isnan(part) if np.isnan(now) else part != now)
        if other.size:
            return start + int(other[-1]) + 1
        stop = start
    return first


def hold_start(trace: Trace, n: int) -> int | None:
    """First row at which the load of the present level was reached; None on the way there, and where it is slack."""
    if n == 0 or not trace.set_load_N[n - 1] >= LEAST_HELD_N:
        return None
    want = float(trace.set_load_N[n - 1])
    for start in range(level_start(trace, n), n, CHUNK):
        off = np.abs(trace.load_N[start : min(start + CHUNK, n)] - want)
        near = np.flatnonzero(off <= max(REACHED_WITHIN * want, 5.0))
        if near.size:
            return start + int(near[0])
    return None


def last_hold(trace: Trace, n: int) -> tuple[int, int] | None:
    """Rows (start, stop) of the hold that is going on, else of the last one before; None where none was reached."""
    stop = n
    while stop > 0:
        start = hold_start(trace, stop)
        if start is not None:
            return start, stop
        stop = level_start(trace, stop)
    return None


def slack_since(notes: Sequence[Note], station: str, at_s: float) -> float | None:
    """Run time since when a spoke hangs slack after its load; None while it bears, or never bore."""
    since = None
    for note in notes:
        if note.time_s > at_s:
            break
        if note.station == station and note.kind == "slack":
            since = note.time_s
        elif note.station == station and note.kind == "reached":
            since = None
    return since


def creep_per_decade(time_s: Floats, elongation_mm: Floats) -> float | None:
    """Slope of elongation against the logarithm of the time since the hold began, mm per decade.

    By least squares over at most a few hundred rows, evenly taken from the last half decade; ``time_s`` starts with the
    hold. None while the hold is younger than a minute or has fewer than five rows in that half decade.
    """
    if not time_s.size or time_s[-1] - time_s[0] < CREEP_AFTER_S:
        return None
    begin = float(time_s[0])
    late = int(np.searchsorted(time_s, begin + (float(time_s[-1]) - begin) / CREEP_OVER))
    every = max(1, (time_s.size - late) // CREEP_ROWS)
    y = np.asarray(elongation_mm[late::every], dtype=np.float64)
    known = np.isfinite(y)
    if np.count_nonzero(known) < 5:
        return None
    x = np.log10(np.asarray(time_s[late::every], dtype=np.float64)[known] - begin)
    x = x - x.mean()
    return float((x * y[known]).sum() / (x * x).sum())


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def station_at(trace: Trace, faults: Sequence[Fault], at_s: float) -> Now:
    """One station as it stood at ``at_s``."""
    n = rows_until(trace, at_s)
    fault = next((f for f in faults if f.station == trace.name), None)
    if n == 0:
        return Now(
            name=trace.name,
            spoke=trace.spoke,
            step="",
            load_N=None,
            set_load_N=None,
            off_set_percent=None,
            held=None,
            elongation_mm=None,
            strain_percent=None,
            creep_mm_per_decade=None,
            temperature_C=None,
            step_since_s=None,
            step_left_s=None,
            reached_s=None,
            fault=fault,
        )
    i = n - 1
    load, want = _finite(trace.load_N[i]), _finite(trace.set_load_N[i])
    start = hold_start(trace, n)
    off = 100.0 * (load - want) / want if load is not None and want and start is not None else None
    step = int(trace.step[i])
    since = float(trace.time_s[i] - trace.time_s[step_start(trace, n)])
    planned = trace.step_s[step] if step < len(trace.step_s) else None
    elongation = _finite(trace.elongation_mm[i])
    return Now(
        name=trace.name,
        spoke=trace.spoke,
        step=trace.step_names[step] if step < len(trace.step_names) else f"step {step + 1}",
        load_N=load,
        set_load_N=want,
        off_set_percent=off,
        held=None
        if off is None or load is None or not want
        else abs(load - want) <= max(HELD_WITHIN * want, HELD_WITHIN_N),
        elongation_mm=elongation,
        strain_percent=None if elongation is None else 100.0 * elongation / trace.gauge_length_mm,
        creep_mm_per_decade=None
        if start is None
        else creep_per_decade(trace.time_s[start:n], trace.elongation_mm[start:n]),
        temperature_C=_finite(trace.temperature_C[i]),
        step_since_s=since,
        step_left_s=None if planned is None or since > planned else planned - since,
        reached_s=None if start is None else float(trace.time_s[start]),
        fault=fault,
    )


def standing_faults(notes: Sequence[Note], at_s: float) -> list[Fault]:
    """Faults that had been raised and not cleared by ``at_s``, newest first; one a station."""
    standing: dict[str, Fault] = {}
    for note in notes:
        if note.time_s > at_s:
            break
        if note.kind == "fault":
            what, _, to_do = note.message.partition("; do: ")
            standing.pop(note.station, None)
            standing[note.station] = Fault(station=note.station, what=what, to_do=to_do, since_s=note.time_s)
        elif note.kind in ("cleared", "acknowledged", "resumed"):
            for name in [note.station] if note.station else list(standing):
                standing.pop(name, None)
    return list(standing.values())[::-1]


def notes_until(notes: Sequence[Note], at_s: float) -> list[Note]:
    """The event log as it stood at ``at_s``."""
    return [n for n in notes if n.time_s <= at_s]
