"""What goes into the loop and what comes out of it, as values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from bench.faults import Fault
from bench.figures import HoldError
from bench.frame import FrameReading
from bench.journal import Event, Row
from bench.machine import RunState, StationState
from bench.ready import Verdict
from bench.station import Said, Station


class Sink(Protocol):
    """Where rows and events go."""

    def record(self, rows: Sequence[Row], events: Sequence[Event] = ()) -> bool:
        """False where nothing more can be kept."""
        ...


class Readiness(Protocol):
    """Tells, from outside the loop, whether a spoke is ready for its wheel; never waits."""

    def ask(self, at_s: float, stations: Sequence[str]) -> None:
        """These stations hold until they are ready, at this run time."""
        ...

    def verdicts(self) -> list[Verdict]:
        """What has been found since the last call; a verdict without a station is on the live fit itself."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A claimed frame, looked at and found fit to begin (or to go on)."""

    stations: tuple[Station, ...]
    reading: FrameReading
    base_s: float  # run time of that reading
    token: int
    resumed: bool = False
    said: tuple[Said, ...] = ()  # for the log, of the frame


@dataclass(frozen=True, slots=True, kw_only=True)
class StationOutcome:
    """How one station came out."""

    name: str
    spoke: str
    state: StationState
    ended: str | None
    load_N: float
    under_load: bool
    faults: tuple[Fault, ...]
    figures: dict[str, Any]
    why: str | None  # why its last hold ended
    drift_N: float | None  # of the load cell's zero over the run; None where the load is still on, or nobody knows
    slack_since_s: float | None  # run time at which its load came off; None where it bears load
    spokes: int = 1  # in series on it
    break_load_N: float | None = None  # of a pull to break
    break_elongation_mm: float | None = None
    cell_serial: str | None = None  # of the load cell that all loads come from
    cell_calibrated_on: str | None = None
    cell_uncertainty_percent: float | None = None  # k = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How the run came out."""

    state: RunState
    message: str
    run_s: float
    stations: tuple[StationOutcome, ...]
    lateness: dict[str, Any]
    utc: float = 0.0  # of the end

    @property
    def still_under_load(self) -> bool:
        """Whether any spoke still bears load."""
        return any(s.under_load for s in self.stations)

    @property
    def spoke_failed(self) -> bool:
        """Whether a spoke is to be rejected: it let go, or its fitting slips."""
        return any(f in s.faults for s in self.stations for f in (Fault.LET_GO, Fault.SLIP))

    @property
    def finished(self) -> bool:
        """Nothing more can come of this run."""
        return self.state is RunState.FINISHED and not self.still_under_load


def outcome_of(
    state: RunState,
    message: str,
    run_s: float,
    stations: Sequence[Station],
    holds: Sequence[HoldError],
    lateness: dict[str, Any],
    utc: float,
) -> Outcome:
    """Put together at the end of the loop."""
    return Outcome(
        state=state,
        message=message,
        run_s=run_s,
        stations=tuple(
            StationOutcome(
                name=s.name,
                spoke=s.spoke,
                state=s.state,
                ended=s.ended,
                load_N=s.watch.load_N,
                under_load=s.under_load,
                faults=tuple(f for f in Fault if f in s.faults),
                figures=h.as_dict(),
                why=s.why,
                drift_N=s.drift_N,
                slack_since_s=s.off_s,
                spokes=s.spokes,
                break_load_N=s.peak_N if s.broke else None,
                break_elongation_mm=s.peak_mm if s.broke and math.isfinite(s.peak_mm) else None,
                cell_serial=s.facts.cell_serial,
                cell_calibrated_on=s.facts.cell_calibrated_on,
                cell_uncertainty_percent=s.facts.cell_uncertainty_percent,
            )
            for s, h in zip(stations, holds, strict=True)
        ),
        lateness=lateness,
        utc=utc,
    )
