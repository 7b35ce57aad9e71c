"""The log of a run in progress: events and rows on their way to the recorder, and the figures of its holds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from bench.figures import HoldError
from bench.frame import FrameReading
from bench.journal import GAP_BEFORE, OFFSET_UNKNOWN, Event, Row
from bench.limits import SETTLED_S
from bench.machine import STATE_CODE, StationState
from bench.outcome import Sink
from bench.station import Said, Station
from bench.steps import Program, StepKind

S = StationState
MOST_WAITING = 1000  # events kept while the disk takes none


class RunLog:
    """Stamps events and rows with the time of the last reading and hands them to the sink."""

    def __init__(self, sink: Sink, program: Program, stations: int, *, resumed: bool) -> None:
        self._sink, self._program = sink, program
        self.at_s, self.utc = 0.0, 0.0
        self.changed = True  # a state or step changed: the next reading is recorded in any case
        self.holds = [HoldError() for _ in range(stations)]
        self._events: list[Event] = []
        self._recorded_s = -math.inf
        self._gap = GAP_BEFORE if resumed else 0

    def event(self, station: str, kind: str, message: str, data: dict[str, Any] | None = None) -> None:
        """Something happened; station '' is the frame or the run."""
        self._events.append(
            Event(time_s=self.at_s, utc=self.utc, station=station, kind=kind, message=message, data=data or {})
        )

    def say(self, station: Station, said: Sequence[Said]) -> None:
        """What a station has to say."""
        for s in said:
            self.event(station.name, s.kind, s.message, s.data)

    def measure(self, stations: Sequence[Station], dt_s: float) -> None:
        """Hold error and overshoot of this reading."""
        for station, figures in zip(stations, self.holds, strict=True):
            if station.state not in (S.RAMPING, S.HOLDING) or station.set_load_N < 100.0:
                continue
            step = self._program.steps[station.step]
            if step.kind is StepKind.CHORD:
                continue
            load = station.watch.load_N
            rising = station.state is S.HOLDING or station.set_load_N >= station.reference_N
            figures.seen(load, station.set_load_N if rising else 0.0)
            since = self.at_s - max(station.reached_s or self.at_s, station.step_began_s)
            if station.state is S.HOLDING and since > SETTLED_S:
                figures.settled(load, station.set_load_N, dt_s)

    def record(
        self, stations: Sequence[Station], reading: FrameReading, temperature_C: float | None, every_s: float
    ) -> bool:
        """Record this reading where it is due (``every_s`` since the last) or where anything happened."""
        # a hold's wish grows by a hundredth from reading to reading: nearly due is due
        if not (self.at_s - self._recorded_s >= 0.9 * every_s or self.changed or self._events):
            return True
        rows = rows_of(stations, reading, self.at_s, temperature_C, self._gap)
        kept = self.flush(rows)
        if kept:
            self._recorded_s, self.changed, self._gap = self.at_s, False, 0
        return kept

    def flush(self, rows: Sequence[Row] = ()) -> bool:
        """Hand everything over; False where the disk takes no more: events wait for room, rows are lost."""
        if self._sink.record(rows, self._events):
            self._events = []
            return True
        del self._events[:-MOST_WAITING]
        return False


def rows_of(
    stations: Sequence[Station],
    reading: FrameReading,
    at_s: float,
    temperature_C: float | None,
    flags: int,
    *,
    set_load_N: float | None = None,
) -> list[Row]:
    """One reading as rows of the journal; ``set_load_N`` where nobody holds what the stations were set to."""
    rows = []
    for i, station in enumerate(stations):
        r = reading.stations[station.index]
        elongation, raw = station.elongation_mm(r)
        rows.append(
            Row(
                station=i,
                step=station.step,
                flags=STATE_CODE[station.state] | (OFFSET_UNKNOWN if station.offset_unknown else 0) | flags,
                time_s=at_s,
                utc=reading.at_utc,
                frame_ms=reading.frame_ms & 0xFFFFFFFF,
                load_N=r.load_N,
                position_mm=r.position_mm,
                elongation_mm=elongation,
                elongation_raw_mm=raw,
                temperature_C=math.nan if temperature_C is None else temperature_C,
                set_load_N=station.set_load_N if set_load_N is None else set_load_N,
            )
        )
    return rows
