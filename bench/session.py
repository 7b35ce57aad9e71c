"""A run from claim to sealed file: the frame, the loop, the recorder and the request socket put together."""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.alerts import Alerts
from bench.clock import Clock
from bench.errors import BenchError, FrameFault
from bench.frame import Command, Frame, FrameReading
from bench.journal import Event, Row
from bench.outcome import Outcome, Prepared, Sink
from bench.ownlimits import write_limits
from bench.readiness import LiveFit
from bench.recorder import Recorder, finish
from bench.resume import Interrupted, acknowledge, rebuilt
from bench.runner import prepare, run_program
from bench.start import run_header
from bench.station import Said
from bench.status import Mailbox, RequestServer, Snapshot, socket_path
from bench.steps import Program, own_limits_of, stations_of
from models.batch import Batch
from models.errors import InputError

RESET_TICKS = 5  # how often a drive is asked to clear its fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """What came out, and what became of the files."""

    outcome: Outcome
    sealed: bool
    trouble: str | None  # with the live HDF5 file or the sealing; the journal has everything


_ALERTS = {"fault": "fault", "waits": "waiting", "end": "waiting"}  # event -> kind of alert


class Announcing:
    """Passes rows and events on to the recorder, and what a person must know of to the alerts."""

    def __init__(self, sink: Sink, alerts: Alerts, name: str) -> None:
        self._sink, self._alerts, self._name = sink, alerts, name
        self._told: set[tuple[str, str]] = set()  # a fault and a wait are told once, however often they are handed over

    def record(self, rows: Sequence[Row], events: Sequence[Event] = ()) -> bool:
        kept = self._sink.record(rows, events)
        for e in events:  # also where the disk takes none: then above all
            kind = _ALERTS.get(e.kind)
            if kind is None or (e.kind, e.message) in self._told:
                continue
            self._told.add((e.kind, e.message))
            if e.kind == "end" and e.message.startswith("finished"):
                kind = "finished"
            self._alerts.tell(kind, f"{self._name}: {e.message}")
        return kept


def new_token() -> int:
    """Who we are to the frame: a register holds 1 to 65535."""
    return 1 + secrets.randbelow(65535)


async def begin_run(
    frame: Frame,
    clock: Clock,
    program: Program,
    out: Path,
    *,
    frame_text: str,
    frame_where: str,
    mailbox: Mailbox,
    alerts: Alerts,
    on_tick: Callable[[Snapshot], None] | None = None,
    recorder_options: dict[str, Any] | None = None,
    batch: Mapping[str, Any] | None = None,
) -> Session:
    """A new run; nothing is written before the frame has been claimed and found fit.

    ``batch``: content of the BATCH.json that the program's [ready] names; needed where a hold waits for it.

    Raises
    ------
    FrameFault, LineTrouble
        The frame cannot be moved, or does not answer.
    DiskFull, InputError, OSError
        The record cannot be begun.
    """
    if program.waits_until_ready:
        if batch is None:
            raise InputError(f"{program.where}: a hold until ready needs its batch file, key 'ready.batch'")
        Batch.from_dict(batch)
    socket_path(out)  # a folder that others may enter is refused before anything is claimed
    token = new_token()
    prepared = await prepare(frame, program, token)
    try:
        header = run_header(
            program,
            frame.facts,
            frame_text=frame_text,
            frame_where=frame_where,
            token=token,
            start_utc=prepared.reading.at_utc,
        )
        if program.waits_until_ready:
            header["ready_batch"] = dict(batch or {})
        recorder = Recorder.create(out, header, **(recorder_options or {}))
    except BaseException:
        await _give_back(frame)
        raise
    begun = Event(
        time_s=0.0,
        utc=prepared.reading.at_utc,
        station="",
        kind="run",
        message=f"{program.name} begun; {len(program.spokes)} spokes",
        data={},
    )
    limits = _of_frame(prepared.said, 0.0, begun.utc)
    return await _go(frame, clock, program, recorder, prepared, [begun, *limits], mailbox, alerts, on_tick)


async def resume_run(
    frame: Frame,
    clock: Clock,
    run: Interrupted,
    answers: dict[str, str],
    *,
    mailbox: Mailbox,
    alerts: Alerts,
    on_tick: Callable[[Snapshot], None] | None = None,
    recorder_options: dict[str, Any] | None = None,
) -> Session:
    """Go on with a run that was cut off; ``answers`` are a person's (see `bench.resume.acknowledge`).

    Raises
    ------
    FrameFault, LineTrouble
        The frame cannot be moved, or does not answer; nothing was changed.
    InputError
        Another process writes this run.
    """
    socket_path(run.path)
    token = int(run.header["token"])
    await frame.claim(token)
    try:
        reading = await _reset_drives(frame, clock, run, answers)
        at_s = reading.at_utc - float(run.header["start_utc"])
        clock_back = at_s < run.last_s
        at_s = run.last_s + 1.0 if clock_back else at_s
        before = rebuilt(run, frame.facts, reading, at_s)
        stations, said = acknowledge(before, run.program, frame.facts, reading, token, answers)
        moves = any(answer != "leave" for answer in answers.values())
        limits = own_limits_of(run.program, frame.facts) if moves else {}
        after, written = await write_limits(frame, limits, reading)
        recorder = Recorder.reopen(run.path, **(recorder_options or {}))
    except BaseException:
        await _give_back(frame)
        raise
    gap = f"resumed after a gap of {at_s - run.last_s:.0f} s"
    if clock_back:
        gap += " (unknown: the computer's clock was set back)"
    events = [
        Event(time_s=at_s, utc=reading.at_utc, station="", kind="resumed", message=gap, data={"from_s": run.last_s})
    ]
    events += [
        Event(time_s=at_s, utc=reading.at_utc, station=name, kind=s.kind, message=s.message, data=s.data)
        for name, s in said
    ]
    events += _of_frame(written, at_s, reading.at_utc)
    base_s = at_s + after.now_s - reading.now_s
    prepared = Prepared(stations=tuple(stations), reading=after, base_s=base_s, token=token, resumed=True)
    return await _go(frame, clock, run.program, recorder, prepared, events, mailbox, alerts, on_tick)


def _of_frame(said: Sequence[Said], at_s: float, utc: float) -> list[Event]:
    return [Event(time_s=at_s, utc=utc, station="", kind=s.kind, message=s.message, data=s.data) for s in said]


async def _reset_drives(frame: Frame, clock: Clock, run: Interrupted, answers: dict[str, str]) -> FrameReading:
    """Clear the drive faults of the stations that a person has named; nothing moves, the drives stay off.

    Raises
    ------
    FrameFault
        If a fault does not clear: it must be cleared at the drive.
    """
    reading = await frame.read()
    named = {name for name, answer in answers.items() if answer != "leave"}
    at = {s["name"]: i for s, i in zip(run.header["stations"], stations_of(run.program, frame.facts), strict=True)}
    for _ in range(RESET_TICKS):
        faulty = [n for n in named if n in at and reading.stations[at[n]].drive_fault]
        if not faulty:
            return reading
        commands = []
        for name in faulty:
            low, high = frame.facts.stations[at[name]].travel_mm
            x = min(max(reading.stations[at[name]].position_mm, low), high)
            commands.append(Command(station=at[name], enable=False, target_mm=x, speed_mm_per_s=0.01, fault_reset=True))
        await frame.write(commands)
        await clock.sleep_until(clock.now_s() + run.program.motion_tick_s)
        reading = await frame.read()
    raise FrameFault(f"nothing was moved: the drive fault of station {', '.join(sorted(faulty))} does not clear")


async def _give_back(frame: Frame) -> None:
    try:
        await frame.release()
    except BenchError:  # the deadman gives it back
        return


async def _go(
    frame: Frame,
    clock: Clock,
    program: Program,
    recorder: Recorder,
    prepared: Prepared,
    events: list[Event],
    mailbox: Mailbox,
    alerts: Alerts,
    on_tick: Callable[[Snapshot], None] | None,
) -> Session:
    with recorder:
        recorder.record([], events)
        async with contextlib.AsyncExitStack() as stack:
            await stack.enter_async_context(RequestServer(recorder.path, mailbox))
            fit: LiveFit | None = None
            if program.waits_until_ready and program.ready is not None:
                fit = await stack.enter_async_context(LiveFit(recorder.path, program.ready))
            sink = Announcing(recorder, alerts, program.name)
            outcome = await run_program(
                frame, clock, program, sink, prepared, mailbox=mailbox, readiness=fit, on_tick=on_tick
            )
    trouble = recorder.trouble
    try:
        finish(recorder.path, keep_journal=not outcome.finished)
    except OSError as error:
        words = f"{recorder.path} could not be sealed ({error.strerror or error}); its journal beside it has everything"
        return Session(outcome=outcome, sealed=False, trouble=words)
    return Session(outcome=outcome, sealed=True, trouble=trouble)
