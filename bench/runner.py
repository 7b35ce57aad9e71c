"""The one loop: read, hold against the limits, go on with the program, write, record, sleep.

Long because the order of what happens in a tick is the safety argument, and is read in one place.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Callable
from dataclasses import replace

from bench.cabinet import Cabinet
from bench.clock import Clock
from bench.conduct import steer
from bench.errors import BenchError
from bench.faults import RULES, Fault, Reaction
from bench.figures import Lateness
from bench.frame import Command, Frame, FrameReading
from bench.framelimits import FrameWatch, check_frame, device_dt_s, fault_of, first_frame_watch
from bench.limits import Violation, check_station, clock_text
from bench.machine import ENDED, RunEvent, RunState, StationState, run_after
from bench.outcome import Outcome, Prepared, Readiness, Sink, outcome_of
from bench.ownlimits import begin_limited
from bench.runlog import RunLog
from bench.start import proved_again
from bench.station import Said, Station, Tick, ask, react, wants_tick_s
from bench.status import Mailbox, Snapshot, snapshot_of
from bench.steps import Program, loop_tick_s

S = StationState
LAMP_OFF, LAMP_RUNS, LAMP_PERSON = 0, 1, 2
TICKS_AFTER_END = 3  # a last look after the last command


async def prepare(frame: Frame, program: Program, token: int) -> Prepared:
    """Claim the frame, look whether a new run may begin, and write its limits to the frame; nothing moves.

    Raises
    ------
    FrameFault
        Another controller or the local panel holds it, or something stands against moving: all reasons at once.
    LineTrouble
        It does not answer.
    """
    await frame.claim(token)
    try:
        stations, reading, said = await begin_limited(frame, program, token)
    except BaseException:
        with contextlib.suppress(BenchError):
            await frame.release()
        raise
    return Prepared(stations=tuple(stations), reading=reading, base_s=0.0, token=token, said=said)


async def run_program(
    frame: Frame,
    clock: Clock,
    program: Program,
    sink: Sink,
    prepared: Prepared,
    *,
    mailbox: Mailbox | None = None,
    readiness: Readiness | None = None,
    on_tick: Callable[[Snapshot], None] | None = None,
) -> Outcome:
    """Carry a program out on a prepared frame, to its end, a trip, a stop or silence; the frame is given back.

    Raises
    ------
    asyncio.CancelledError
        If cancelled from outside. On this and on any other error motion is stopped first, the load stays on.
    """
    runner = _Runner(frame, clock, program, sink, prepared, mailbox, readiness, on_tick)
    try:
        return await runner.run()
    except BaseException:  # cancelled, or our own mistake: whatever it is, nothing goes on moving
        await runner.stop_motion()
        raise
    finally:
        with contextlib.suppress(BenchError):
            await frame.release()


class _Runner:
    def __init__(
        self,
        frame: Frame,
        clock: Clock,
        program: Program,
        sink: Sink,
        prepared: Prepared,
        mailbox: Mailbox | None,
        readiness: Readiness | None,
        on_tick: Callable[[Snapshot], None] | None,
    ) -> None:
        self.frame, self.clock, self.program = frame, clock, program
        self.watched = mailbox is not None
        self.mailbox, self.readiness, self.on_tick = mailbox or Mailbox(), readiness, on_tick
        self.facts = frame.facts
        self.token = prepared.token
        self.stations = list(prepared.stations)
        self.reading = prepared.reading
        self.base_s, self.now0_s = prepared.base_s, prepared.reading.now_s
        self.log = RunLog(sink, program, len(prepared.stations), resumed=prepared.resumed)
        self.log.at_s, self.log.utc = prepared.base_s, prepared.reading.at_utc
        self.watch: FrameWatch = first_frame_watch(prepared.reading)
        self.state = RunState.CHECKING
        self.frame_faults: set[Fault] = set()
        self.lateness = Lateness()
        self.longest_tick_s = loop_tick_s(program, self.facts)
        self.period_s = program.motion_tick_s
        self.busy_s = 0.0
        self.trouble_since_s: float | None = None
        self.after_end = 0
        self.cabinet = Cabinet(program)

    # the loop --------------------------------------------------------------------------------------------------------

    async def run(self) -> Outcome:
        self.state = run_after(self.state, RunEvent.PROVED)
        await self._lamp(LAMP_RUNS)
        due_s = self.clock.now_s()
        while self.state is RunState.RUNNING:
            now_s = self.clock.now_s()
            self.lateness.add(now_s - due_s, self.period_s)
            if now_s - due_s > self.facts.deadman_ms / 3000.0:
                self._note(Fault.LATE, now_s - due_s, self.facts.deadman_ms / 3000.0, "s")
            await self._pass(now_s)
            due_s = max(due_s + self.period_s, self.clock.now_s())
            if self.mailbox.stop and self.state is RunState.RUNNING:
                await self._stopped()
            elif self.state is RunState.RUNNING:
                await self._sleep(due_s)
        return await self._end()

    async def _pass(self, began_s: float) -> None:
        try:
            reading = await self.frame.read()
            await self._act(reading)
        except BenchError as error:
            self._no_answer(error)
            return
        self.trouble_since_s = None
        self.busy_s = max(self.clock.now_s() - began_s, 0.8 * self.busy_s)

    async def _act(self, reading: FrameReading) -> None:
        """Limits, program, commands and record from one fresh reading."""
        at_s = self.base_s + reading.now_s - self.now0_s
        dt_s = at_s - self.log.at_s
        device_s = device_dt_s(self.watch.frame_ms, reading.frame_ms)
        interval_s = max(self.period_s, self.busy_s)
        tick = Tick(
            at_s=at_s,
            dt_s=dt_s,
            lag_s=interval_s + self.busy_s,
            delay_s=self.busy_s,
            tick_s=interval_s,
            temperature_done=self.cabinet.soaked(self.stations, reading, at_s),
        )
        self.log.at_s, self.log.utc, self.reading = at_s, reading.at_utc, reading
        everyone = self._frame_level(reading)
        self._take_requests()
        commands: list[Command] = []
        let_go = False
        for i, station in enumerate(self.stations):
            r = reading.stations[station.index]
            watch, violations = check_station(
                station.watch,
                r,
                station.asked,
                station.facts,
                station.limits,
                station=station.index,
                at_s=at_s,
                dt_s=device_s if dt_s > 0 else 0.0,
                lag_s=tick.lag_s,
            )
            before = station
            station = replace(station, watch=watch)
            if violations or everyone:
                station, said = react(station, violations)
                station, _ = react(station, everyone)
                self.log.say(station, said)
                let_go = let_go or any(v.fault is Fault.LET_GO for v in violations)
            station, command, said = steer(station, r, self.program, tick)
            self.log.say(station, said)
            if command is not None:
                commands.append(command)
            self.log.changed = self.log.changed or station.state is not before.state or station.step != before.step
            self.stations[i] = station
            if any(s.kind in ("seated", "reached") for s in said):
                self._prove_again(i)
        if let_go and not self.facts.stations_shielded:
            self._neighbours()
        await self._heat()
        await self.frame.write(commands)
        self._record(reading, dt_s)
        self._whether_ended()
        self.period_s = self._next_period()
        if self.on_tick is not None or self.watched:
            late_s = self.lateness.percentile_s(99)
            self.mailbox.snapshot = snapshot_of(self.stations, self.program, self.log.at_s, late_s)
            if self.on_tick is not None:
                self.on_tick(self.mailbox.snapshot)

    # what a reading leads to -----------------------------------------------------------------------------------------

    def _frame_level(self, reading: FrameReading) -> tuple[Violation, ...]:
        """Faults of the frame as a whole; logged once, followed by every station."""
        self.watch, violations = check_frame(
            self.watch,
            reading,
            self.facts,
            self.program.limits,
            token=self.token,
            cabinet_C=self.cabinet.allowed_C(reading),
            at_s=self.log.at_s,
        )
        for v in violations:
            if v.fault not in self.frame_faults or v.fault is Fault.CLOCK_STEP:
                self._log_frame_fault(v)
        return tuple(v for v in violations if RULES[v.fault].latches)

    def _log_frame_fault(self, v: Violation, words: str = "") -> None:
        self.frame_faults.add(v.fault)
        kind = "fault" if RULES[v.fault].latches else "note"
        message = v.message(None) + (f" ({words})" if words else "")
        self.log.event("", kind, message, {"fault": v.fault.value, "measured": v.measured})

    def _note(self, fault: Fault, measured: float, limit: float, unit: str) -> None:
        if fault not in self.frame_faults:
            self._log_frame_fault(
                Violation(fault=fault, station=None, measured=measured, limit=limit, unit=unit, since_s=self.log.at_s)
            )

    def _everyone(self, v: Violation, words: str = "") -> None:
        if v.fault not in self.frame_faults:
            self._log_frame_fault(v, words)
        self.stations = [react(s, (v,))[0] for s in self.stations]
        self.log.changed = True

    def _prove_again(self, i: int) -> None:
        """With the stiffness that was learned on the way: what was proved with the expected one must still hold."""
        station = self.stations[i]
        violations, said = proved_again(station, self.program, self.facts, self.log.at_s)
        self.log.say(station, said)
        self.stations[i], said = react(station, violations)
        self.log.say(station, said)

    def _neighbours(self) -> None:
        for i, station in enumerate(self.stations):
            if Fault.LET_GO in station.faults or not station.under_load:
                continue
            v = Violation(
                fault=Fault.NEIGHBOUR, station=station.index, measured=0.0, limit=0.0, unit="", since_s=self.log.at_s
            )
            self.stations[i], said = react(station, (v,))
            self.log.say(self.stations[i], said)

    def _no_answer(self, error: BenchError) -> None:
        """Silence, a stale answer, or a refusal: nothing is written, so the drive's own deadman runs out."""
        now_s = self.clock.now_s()
        words = str(error)
        if self.trouble_since_s is None:
            self.trouble_since_s = now_s
            self.log.event("", "note", f"no good answer: {words}")
        waited_s = now_s - self.trouble_since_s
        self.log.at_s = self.base_s + now_s - self.now0_s
        self.log.utc = self.clock.utc()
        fault = fault_of(error)
        if fault is Fault.RESTARTED:
            waited_s = math.inf
        limit_s = self.facts.deadman_ms / 1000.0
        if waited_s >= limit_s:
            measured = 0.0 if math.isinf(waited_s) else waited_s
            since = self.log.at_s - measured
            v = Violation(fault=fault, station=None, measured=measured, limit=limit_s, unit="s", since_s=since)
            self._everyone(v, words)
            self.state = run_after(self.state, RunEvent.SILENCE)
        self.period_s = self.program.motion_tick_s
        if not self.log.flush():
            self._disk_full()

    def _take_requests(self) -> None:
        while self.mailbox.requests:
            name, what = self.mailbox.requests.popleft()
            for i, station in enumerate(self.stations):
                if name in (None, station.name):
                    self.stations[i], said = ask(station, what, self.log.at_s)
                    self.log.say(station, said)
        if self.readiness is not None:
            self._ask_whether_ready(self.readiness)

    def _ask_whether_ready(self, readiness: Readiness) -> None:
        """Holds that wait for the live fit: ask it, and end those that it finds ready."""
        waits = {s.name: i for i, s in enumerate(self.stations) if s.waits_until_ready(self.program)}
        if waits:
            readiness.ask(self.log.at_s, list(waits))
        for v in readiness.verdicts():
            data = {"probability": v.probability, "loss_percent": v.loss_percent}
            if v.ready and v.station in waits:
                i = waits[v.station]
                self.log.say(self.stations[i], [Said(kind="ready", message=v.says, data=data)])
                self.stations[i] = replace(self.stations[i], ask="ready")
            else:
                self.log.event(v.station, "live fit" if v.station else "note", v.says, data)

    async def _heat(self) -> None:
        """Ask the cabinet for what the program wants of it."""
        if not self.facts.has_cabinet:
            return
        safe = not self.frame_faults & {Fault.CABINET, Fault.TEMPERATURE}
        wanted = self.cabinet.wanted_C(self.stations, safe=safe)
        if wanted != self.cabinet.asked_C:
            await self.frame.set_cabinet_C(wanted)
            self.cabinet.asked_C = wanted
            self.log.event("", "cabinet", "cabinet off" if wanted is None else f"cabinet asked for {wanted:g} degC")

    def _whether_ended(self) -> None:
        if not all(s.state in ENDED or s.state is S.CUT_OFF for s in self.stations):
            self.after_end = 0
            return
        self.after_end += 1
        watch_s = self.program.log_after_trip_s if any(s.under_load for s in self.stations) else 0.0
        last = max(s.step_began_s for s in self.stations)
        if self.after_end <= TICKS_AFTER_END or self.log.at_s - last < watch_s:
            return
        done = all(s.state is S.DONE for s in self.stations)
        asked = not any(_latched(s) for s in self.stations)  # eased off, or left as they stand
        event = RunEvent.ALL_DONE if done else RunEvent.STOP if asked else RunEvent.NONE_CAN_GO_ON
        self.state = run_after(self.state, event)

    def _next_period(self) -> float:
        want = min(self._wants(), default=self.program.motion_tick_s if self.after_end <= TICKS_AFTER_END else 1e9)
        return min(max(want, self.program.motion_tick_s), self.longest_tick_s)

    def _record(self, reading: FrameReading, dt_s: float) -> None:
        self.log.measure(self.stations, dt_s)
        inside = reading.cabinet_temperature_C if self.cabinet.asked_C is not None else None
        air = inside if inside is not None else reading.air_temperature_C
        every_s = min(self._wants(), default=self.program.hold_tick_s)
        if not self.log.record(self.stations, reading, air, every_s):
            self._disk_full()

    def _disk_full(self) -> None:
        """The disk takes no more: what was acknowledged is kept, every spoke is eased off."""
        if Fault.DISK_FULL not in self.frame_faults:
            at_s = self.log.at_s
            self._everyone(
                Violation(fault=Fault.DISK_FULL, station=None, measured=0.0, limit=1.0, unit="", since_s=at_s)
            )

    def _wants(self) -> list[float]:
        wants = (wants_tick_s(s, self.program, self.log.at_s) for s in self.stations)
        return [w for w in wants if w is not None]

    # the end ---------------------------------------------------------------------------------------------------------

    async def _sleep(self, when_s: float) -> None:
        task = asyncio.current_task()
        self.mailbox.sleeper = task
        try:
            if not self.mailbox.stop and not self.mailbox.requests:
                await self.clock.sleep_until(when_s)
        except asyncio.CancelledError:
            if task is None or not (self.mailbox.stop or self.mailbox.requests) or task.uncancel() > 0:
                raise
        finally:
            self.mailbox.sleeper = None

    async def stop_motion(self) -> None:
        """Every drive stops where it stands; the load stays as it is."""
        stops = (s.stop_where_it_stands(self.reading.stations[s.index]) for s in self.stations)
        with contextlib.suppress(BenchError):
            await self.frame.write([c for c in stops if c is not None])

    async def _stopped(self) -> None:
        with contextlib.suppress(BenchError):
            self.reading = await self.frame.read()
        await self.stop_motion()
        self.state = run_after(self.state, RunEvent.STOP)
        self.log.event("", "stopped", f"stopped by a person: motion has ended{self._loads()}")

    def _loads(self) -> str:
        loaded = [f"{s.name} {s.watch.load_N:.0f} N" for s in self.stations if s.under_load]
        return f"; spokes still under load: {', '.join(loaded)}" if loaded else ""

    async def _lamp(self, lamp: int) -> None:
        with contextlib.suppress(BenchError):
            await self.frame.set_lamp(lamp)

    async def _end(self) -> Outcome:
        finished = self.state is RunState.FINISHED
        await self._lamp(LAMP_OFF if finished and not self._loads() else LAMP_PERSON)
        if self.cabinet.asked_C is not None:
            with contextlib.suppress(BenchError):
                await self.frame.set_cabinet_C(None)
        for s in self.stations:
            if s.drift_N is None and s.under_load:
                self.log.event(s.name, "zero", "zero of the load cell not checked: the load is still on")
        message = f"{self.state.value} after {clock_text(self.log.at_s)}{self._loads()}"
        figures = {s.name: h.as_dict() for s, h in zip(self.stations, self.log.holds, strict=True)}
        self.log.event("", "ticks", f"{self.lateness.ticks} ticks", {**self.lateness.as_dict(), "holds": figures})
        self.log.event("", "end", message, {"ended": self.state.value})
        self.log.flush()
        return outcome_of(
            self.state, message, self.log.at_s, self.stations, self.log.holds, self.lateness.as_dict(), self.log.utc
        )


def _latched(station: Station) -> bool:
    return any(RULES[f].reaction is not Reaction.NOTE for f in station.faults)
