"""A rehearsal: the program on the simulated twin of a frame, through the shipped loop, in virtual time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from bench.clock import VirtualClock
from bench.framefile import FrameFile
from bench.journal import Event, Row
from bench.outcome import Outcome
from bench.plantframe import PlantFrame, make_plant
from bench.readiness import InProcess
from bench.runner import prepare, run_program
from bench.start import run_header
from bench.status import Snapshot
from bench.steps import Program, check_against, lines_of
from models.batch import Batch
from models.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class StationRehearsal:
    """What one station went through."""

    name: str
    spoke: str
    peak_load_N: float
    travel_used_mm: float
    elongation_mm: float  # largest, of the spoke
    ended: str | None
    why: str | None  # why its last hold ended
    hold_rms_percent: float | None
    overshoot_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsal:
    """How the whole went."""

    outcome: Outcome
    stations: tuple[StationRehearsal, ...]
    events: tuple[Event, ...]

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "state": self.outcome.state.value,
            "hours": self.outcome.run_s / 3600.0,
            "message": self.outcome.message,
            "stations": [{k: getattr(s, k) for k in StationRehearsal.__slots__} for s in self.stations],
        }


class _Extremes:
    """A sink that keeps only how far each station went: memory does not grow with the night."""

    def __init__(self, stations: int) -> None:
        self.peak_N = [0.0] * stations
        self.low_mm = [float("inf")] * stations
        self.high_mm = [float("-inf")] * stations
        self.elongation_mm = [0.0] * stations
        self.events: list[Event] = []
        self.fit: InProcess | None = None

    def record(self, rows: Sequence[Row], events: Sequence[Event] = ()) -> bool:
        for r in rows:
            i = r.station
            self.peak_N[i] = max(self.peak_N[i], r.load_N)
            self.low_mm[i] = min(self.low_mm[i], r.position_mm)
            self.high_mm[i] = max(self.high_mm[i], r.position_mm)
            if r.elongation_mm > self.elongation_mm[i]:  # NaN while slack is never larger
                self.elongation_mm[i] = r.elongation_mm
        self.events.extend(events)
        if self.fit is not None:
            self.fit.heard(rows)
        return True


async def rehearse(
    program: Program,
    file: FrameFile,
    *,
    batch: Batch | None = None,
    fit: Batch | None = None,
    seed: int = 0,
    start_utc: float = 0.0,
    on_tick: Callable[[Snapshot], None] | None = None,
) -> Rehearsal:
    """Run the program on simulated spokes of ``batch`` (an invented one if left out).

    ``fit``: the batch that holds until ready are judged by.

    Raises
    ------
    InputError
        If the frame cannot carry the program out.
    """
    check_against(program, file.facts)
    if program.waits_until_ready and fit is None:
        raise InputError(f"{program.where}: a hold until ready needs its batch file, key 'ready.batch'")
    row = [1] * len(file.facts.stations)
    for line in lines_of(program, file.facts):
        row[line.index] = line.spokes
    plant = make_plant(file, seed=seed, batch=batch, in_series=row, bar_mm_per_N=program.bar_mm_per_N)

    async def advance(dt_s: float) -> None:
        plant.advance(dt_s)

    clock = VirtualClock(start_utc, advance)
    sink = _Extremes(len(program.spokes))
    async with PlantFrame(plant, clock, bus_s=file.simulation.answer_s) as frame:
        prepared = await prepare(frame, program, 1)
        if program.waits_until_ready and fit is not None:
            header = run_header(
                program, file.facts, frame_text=file.text, frame_where=str(file.path), token=1, start_utc=1.0
            )
            sink.fit = InProcess(program, fit, header)
        outcome = await run_program(frame, clock, program, sink, prepared, readiness=sink.fit, on_tick=on_tick)
    return Rehearsal(
        outcome=outcome,
        stations=tuple(
            StationRehearsal(
                name=s.name,
                spoke=s.spoke,
                peak_load_N=sink.peak_N[i],
                travel_used_mm=sink.high_mm[i] - sink.low_mm[i],
                elongation_mm=sink.elongation_mm[i],
                ended=s.ended,
                why=s.why,
                hold_rms_percent=s.figures["hold_rms_percent"],
                overshoot_percent=s.figures["overshoot_percent"],
            )
            for i, s in enumerate(outcome.stations)
        ),
        events=tuple(sink.events),
    )
