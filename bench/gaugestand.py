"""A spoke held at a length while a person reads a gauge on it: attended, one station, drive off while hands are near.

One short loop. Between readings the spoke is moved by the same pure functions, under the same limits, as in a run. For
a reading the drive is switched off, so nothing of the program's can move it; the guard may be open then; load and
position are watched. Nothing moves again before the load is back, every interlock is closed, and the person has said
so.

Long because levels, holds, hands and the way back to rest are one sequence that is read whole.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Protocol

from bench.clock import Clock
from bench.conduct import steer
from bench.errors import BenchError, FrameFault
from bench.faults import RULES, Fault
from bench.frame import Command, Frame, FrameReading
from bench.framelimits import check_frame, device_dt_s, first_frame_watch
from bench.gaugeprogram import Level
from bench.limits import Violation, check_station, first_watch
from bench.machine import ENDED, StationState
from bench.outcome import Sink
from bench.ownlimits import begin_limited
from bench.runlog import RunLog
from bench.start import frame_reasons
from bench.station import Station, Tick, ask, react, wants_tick_s
from bench.steps import Program

S = StationState
MEAN_S = 1.0  # a load is the mean over so long
KEPT_S = 20.0  # of the trace: a person may take hours over a reading
GAVE_WAY_MM = 0.02  # a drive that is off and moves by more does not hold by itself
BACK_SHARE = 0.3  # of what the gauge added may still be on when it is said to be off
MOST_ADDED = 0.5  # of the load: more is no gauge
LAST_TICKS = 3


class Asks(Enum):
    """What is waited for while the drive is off."""

    READING = "put the gauge on, read it, type what it shows"
    CLEAR = "gauge off, hands away, guard closed"
    LEAVE = "gauge off, hands away, guard closed; then the spoke is unloaded"


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a person sees at each tick while the drive is off."""

    asks: Asks
    level: Level
    number: int  # 1, 2, ... of all levels
    of: int
    load_N: float  # mean over the last second
    before_N: float  # with the gauge off
    guard_closed: bool
    why_not: tuple[str, ...] = ()  # what stands against moving again, once it was said to be clear


@dataclass(frozen=True, slots=True, kw_only=True)
class Moving:
    """What a person sees at each tick while the spoke is being moved."""

    what: str  # name of the step
    load_N: float
    set_load_N: float
    left_s: float | None  # of the step, where known


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a person says."""

    kind: str  # reading, clear, skip, stop, void (the reading before this one)
    reading: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One reading with its loads."""

    level: Level
    at_utc: float
    load_before_N: float  # gauge off: mean of before and after
    load_N: float  # under the gauge
    spread_N: float  # highest less lowest over the mean
    reading: float


class Person(Protocol):
    """Looks at each tick, and answers when ready; must not wait."""

    def look(self, now: Standing) -> Answer | None: ...

    def see(self, now: Moving) -> Answer | None:
        """Only ``stop`` can be said here."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Stood:
    """What came of it."""

    points: tuple[Point, ...]
    stiffness_N_per_mm: float | None  # of spoke and frame, as learned on the ramps: a few percent softer than at once
    ended: str  # done, or why not
    load_N: float  # at the end


class GaugeStand:
    """Carries the program out on a claimed frame, and stands still at each level."""

    def __init__(
        self,
        frame: Frame,
        clock: Clock,
        program: Program,
        levels: Sequence[Level],
        person: Person,
        sink: Sink,
        token: int,
        *,
        settle_s: float,
        on_points: Callable[[tuple[Point, ...]], None] | None = None,
    ) -> None:
        self.frame, self.clock, self.program, self.person = frame, clock, program, person
        self.levels = {level.step: level for level in levels}
        self.number = {level.step: i for i, level in enumerate(levels, start=1)}
        self.token, self.settle_s, self.on_points = token, settle_s, on_points
        self.points: list[Point] = []
        self.log = RunLog(sink, program, 1, resumed=False)
        self.asks: Asks | None = None
        self.level: Level | None = None  # at which it stands
        self.reading: FrameReading | None = None
        self.trace: list[tuple[float, float]] = []  # time, load, since the drive went off; the last KEPT_S of it
        self.before_N = self.under_N = self.at_mm = 0.0
        self.draft: Point | None = None
        self.stiffness: list[float] = []
        self.silent_since_s: float | None = None
        self.told: set[Fault] = set()

    async def run(self) -> Stood:
        """From a slack spoke to a slack spoke, unless something ends it before.

        Raises
        ------
        FrameFault
            The frame may not be moved, or a limit was broken; says what load is still on.
        LineTrouble
            The frame fell silent for longer than its deadman.
        """
        await self.frame.claim(self.token)
        try:
            (self.station,), first, limits = await begin_limited(self.frame, self.program, self.token)
            self.now0_s = first.now_s
            self.log.utc = first.at_utc
            self.watch = first_frame_watch(first)
            self.log.event("", "run", f"{self.program.name} begun; attended")
            for said in limits:
                self.log.event("", said.kind, said.message, said.data)
            after = 0
            while after < LAST_TICKS:
                await self._tick()
                after = after + 1 if self.station.state in ENDED else 0
        except BaseException:
            await self._still()
            raise
        finally:
            if self.reading is not None:
                on = self.station.watch.load_N
                under = f"; the spoke is still under {on:.0f} N" if self.station.under_load else ""
                self.log.event("", "end", f"{self.station.ended or 'cut short'}{under}")
            self.log.flush()
            with contextlib.suppress(BenchError):  # its deadman gives it back
                await self.frame.release()
        load = self.station.watch.load_N
        ended = self.station.ended or "done"
        if self.station.state in (S.KEPT, S.DRIVE_OFF):
            raise FrameFault(f"the calibration stopped: {ended}; the spoke is still under {load:.0f} N")
        k = sum(self.stiffness) / len(self.stiffness) if self.stiffness else None
        return Stood(points=tuple(self.points), stiffness_N_per_mm=k, ended=ended, load_N=load)

    async def _tick(self) -> None:
        began_s = self.clock.now_s()
        try:
            reading = await self.frame.read()
            self.silent_since_s = None
            at_s = reading.now_s - self.now0_s
            dt_s = device_dt_s(self.watch.frame_ms, reading.frame_ms)
            self.log.at_s, self.log.utc = at_s, reading.at_utc
            if self.asks is None:
                await self._move(reading, at_s, dt_s)
            else:
                await self._stand(reading, at_s)
            self.reading = reading
            self.log.record([self.station], reading, reading.air_temperature_C, self.program.hold_tick_s)
        except FrameFault:
            raise
        except BenchError:
            self.silent_since_s = began_s if self.silent_since_s is None else self.silent_since_s
            if self.clock.now_s() - self.silent_since_s > self.frame.facts.deadman_ms / 1000.0:
                raise
        period = self.program.motion_tick_s if self.asks else wants_tick_s(self.station, self.program, self.log.at_s)
        await self.clock.sleep_until(began_s + (period or self.program.motion_tick_s))

    async def _move(self, reading: FrameReading, at_s: float, dt_s: float) -> None:
        """One tick of a run: limits, then the program."""
        station, tick_s = self.station, self.program.motion_tick_s
        self.watch, frame_level = check_frame(
            self.watch,
            reading,
            self.frame.facts,
            self.program.limits,
            token=self.token,
            cabinet_C=None,
            at_s=at_s,
        )
        latched = tuple(v for v in frame_level if RULES[v.fault].latches)
        self._tell(frame_level)
        watch, violations = check_station(
            station.watch,
            reading.stations[station.index],
            station.asked,
            station.facts,
            self.program.limits,
            station=station.index,
            at_s=at_s,
            dt_s=dt_s,
            lag_s=2.0 * tick_s,
        )
        station = replace(station, watch=watch)
        if violations or latched:
            station, said = react(station, violations)
            station, _ = react(station, latched)
            self.log.say(station, said)
        said_stop = self.person.see(
            Moving(
                what=self.program.steps[station.step].name,
                load_N=watch.load_N,
                set_load_N=station.set_load_N,
                left_s=self._left_s(station, at_s),
            )
        )
        if said_stop is not None and said_stop.kind == "stop":
            station, said = ask(station, "ease off", at_s)
            self.log.say(station, said)
        level = self.levels.get(station.step)
        held_s = 0.0 if station.reached_s is None else at_s - max(station.reached_s, station.step_began_s)
        if (
            station.state is S.HOLDING
            and level is not None
            and not violations
            and station.ask is None
            and held_s >= self.settle_s
        ):
            await self._drive_off(station, level, reading)
            return
        tick = Tick(at_s=at_s, dt_s=dt_s, lag_s=2.0 * tick_s, delay_s=0.0, tick_s=tick_s)
        was = station.step
        station, command, said = steer(station, reading.stations[station.index], self.program, tick)
        self.log.say(station, said)
        self.log.changed = self.log.changed or station.step != was
        self.station = station
        await self.frame.write([] if command is None else [command])

    def _left_s(self, station: Station, at_s: float) -> float | None:
        step = self.program.steps[station.step]
        if station.reached_s is None:
            return None
        longest = self.settle_s if station.step in self.levels else step.duration_s
        return max(longest - (at_s - max(station.reached_s, station.step_began_s)), 0.0)

    def _tell(self, violations: Sequence[Violation]) -> None:
        for v in violations:
            if v.fault not in self.told:
                self.told.add(v.fault)
                self.log.event("", "fault" if RULES[v.fault].latches else "note", v.message(None))

    # standing --------------------------------------------------------------------------------------------------------

    async def _drive_off(self, station: Station, level: Level, reading: FrameReading) -> None:
        x = reading.stations[station.index].position_mm
        self.stiffness.append(station.k)
        self.station = replace(station, enable=False, target_mm=None)
        self.asks, self.level, self.trace, self.at_mm = Asks.READING, level, [], x
        self.log.event(station.name, "gauge", f"drive off at {station.watch.load_N:.1f} N: the gauge may go on")
        await self.frame.write([self._command(x, enable=False)])

    def _command(self, x: float, *, enable: bool) -> Command:
        low, high = self.station.facts.travel_mm
        target = min(max(x, low), high)
        return Command(station=self.station.index, enable=enable, target_mm=target, speed_mm_per_s=0.01)

    def _mean(self, at_s: float) -> tuple[float, float]:
        """Load over the last second, and how far it spread."""
        late = [load for t, load in self.trace if t > at_s - MEAN_S]
        return sum(late) / len(late), max(late) - min(late)

    async def _stand(self, reading: FrameReading, at_s: float) -> None:
        """The drive is off; load and position are watched, and the deadman is fed so that the frame stays ours."""
        assert self.asks is not None and self.level is not None
        s, station = reading.stations[self.station.index], self.station
        self.watch = first_frame_watch(reading)
        name = station.name
        if s.load_fault or not math.isfinite(s.load_N):
            raise FrameFault(f"station {name}: the load cell reports a fault: check its plug and cable")
        if not s.position_valid or not abs(s.position_mm - self.at_mm) <= GAVE_WAY_MM:
            raise FrameFault(
                f"station {name} moved by {s.position_mm - self.at_mm:+.3f} mm with its drive off: it does not hold by "
                f"itself, so no gauge can be calibrated on it; {s.load_N:.0f} N are on"
            )
        self.trace = [at for at in self.trace if at[0] > at_s - KEPT_S] + [(at_s, s.load_N)]
        self.station = replace(station, watch=replace(station.watch, load_N=s.load_N, position_mm=s.position_mm))
        load, spread = self._mean(at_s)
        if self.trace[-1][0] - self.trace[0][0] < MEAN_S:
            self.before_N = load
            await self.frame.write([])
            return
        if load < (1.0 - MOST_ADDED) * self.before_N or load > self.program.limits.max_load_N:
            raise FrameFault(
                f"station {name}: {load:.0f} N while the gauge is read at {self.before_N:.0f} N: look at the spoke and "
                "its ends"
            )
        why = () if self.asks is Asks.READING else self._why_not(reading, load)
        answer = self.person.look(
            Standing(
                asks=self.asks,
                level=self.level,
                number=self.number[station.step],
                of=len(self.levels),
                load_N=load,
                before_N=self.before_N,
                guard_closed=reading.guard_closed,
                why_not=why,
            )
        )
        await self._hear(answer, reading, at_s, load, spread, why)

    async def _hear(
        self,
        answer: Answer | None,
        reading: FrameReading,
        at_s: float,
        load: float,
        spread: float,
        why: tuple[str, ...],
    ) -> None:
        kind = None if answer is None else answer.kind
        if self.asks is not Asks.READING:
            if kind == "clear" and not why:
                await self._go_on(reading, at_s, load)
                return
        elif kind == "void" and self.points:
            gone = self.points.pop()
            self.log.event(self.station.name, "gauge", f"reading {gone.reading:g} at {gone.load_N:.1f} N is void")
            self._keep()
        elif kind == "reading" and answer is not None and self.level is not None:
            self.draft = Point(
                level=self.level,
                at_utc=reading.at_utc,
                load_before_N=self.before_N,
                load_N=load,
                spread_N=spread,
                reading=answer.reading,
            )
            self.under_N, self.asks = load, Asks.CLEAR
        elif kind in ("skip", "stop"):
            self.under_N, self.asks = load, Asks.CLEAR if kind == "skip" else Asks.LEAVE
        await self.frame.write([])

    def _why_not(self, reading: FrameReading, load: float) -> tuple[str, ...]:
        """What stands against moving again."""
        why = frame_reasons(reading, self.frame.facts, self.program, reading.owner_token)
        if reading.owner_token not in (0, self.token):
            why.append(f"another controller (token {reading.owner_token}) holds the frame")
        added = self.under_N - self.before_N
        noise = max(3.0 * self.station.facts.load_noise_N, 1.0)
        if added > 4.0 * noise and load - self.before_N > BACK_SHARE * added + noise:
            why.append(f"the gauge is still on: {load:.0f} N, without it {self.before_N:.0f} N")
        return tuple(why)

    async def _go_on(self, reading: FrameReading, at_s: float, load: float) -> None:
        if self.draft is not None:
            point = replace(self.draft, load_before_N=0.5 * (self.before_N + load))
            self.points.append(point)
            words = f"reads {point.reading:g} at {point.load_N:.1f} N, {point.load_before_N:.1f} N without the gauge"
            self.log.event(self.station.name, "gauge", words)
            self._keep()
        if reading.owner_token != self.token:
            await self.frame.claim(self.token)
        s, stop = reading.stations[self.station.index], self.asks is Asks.LEAVE
        x = s.position_mm
        station = replace(
            self.station,
            watch=replace(first_watch(s, at_s), state=self.station.state),
            ask=None if stop else "end step",
            span_mm=(x, x),
            span_before_mm=(x, x),
        )
        if stop:
            station, said = ask(station, "ease off", at_s)
            self.log.say(station, said)
        self.station, self.asks, self.draft = station, None, None
        await self.frame.write([])

    def _keep(self) -> None:
        if self.on_points is not None:
            self.on_points(tuple(self.points))

    async def _still(self) -> None:
        """Motion ends, the load stays on; a drive that is off stays off."""
        if self.reading is None or not self.station.enable:
            return
        r = self.reading.stations[self.station.index]
        if r.enabled and math.isfinite(r.position_mm):
            with contextlib.suppress(BenchError):
                await self.frame.write([self._command(r.position_mm, enable=True)])
