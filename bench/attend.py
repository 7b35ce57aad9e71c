"""Staying with runs while nobody is there, moving nothing: alerts when one falls silent, rows when one was cut off.

This is what a computer starts by itself after a power cut. It never claims a frame, never writes to one, and gives way
to `longhold resume`.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from pathlib import Path

from bench.alerts import Alerts, silent_for_s
from bench.clock import Clock
from bench.errors import BenchError
from bench.frame import Frame, FrameReading
from bench.journal import GAP_BEFORE, Event, is_being_written
from bench.live import LiveRun
from bench.record import journal_path
from bench.recorder import Recorder, finish
from bench.resume import Interrupted, read_interrupted, rebuilt
from bench.runlog import rows_of
from bench.station import Station
from bench.status import Mailbox, RequestServer
from models.errors import InputError

LOOK_S = 5.0
RECORD_S = 10.0  # between two rows of a run that nobody moves
AGAIN_S = 60.0  # before a frame that did not answer is tried again
WAY_S = 900.0  # how long a person who resumes is left alone with the run

OpenFrame = Callable[[Interrupted], AbstractAsyncContextManager[Frame]]


@dataclass(slots=True)
class Attendant:
    """Stays with one run until it has ended; ``say`` gets a line for each thing that happens."""

    run: Path
    open_frame: OpenFrame
    clock: Clock
    alerts: Alerts
    mailbox: Mailbox
    say: Callable[[str], None]
    live: LiveRun | None = None
    quiet_told: bool = False
    cut_told: bool = False
    way_until_s: float = -math.inf

    async def stay(self) -> None:
        """Until nothing more can come of the run, or a stop is asked for."""
        while not self.mailbox.stop and journal_path(self.run).exists():
            try:
                await self.look()
            except (InputError, OSError) as error:
                self.say(f"{self.run}: {error}")
            await self.sleep(LOOK_S)

    async def sleep(self, seconds: float) -> None:
        """Until then, or until a stop is asked for."""
        task = asyncio.current_task()
        self.mailbox.sleeper = task
        try:
            if not self.mailbox.stop:
                await self.clock.sleep_until(self.clock.now_s() + seconds)
        except asyncio.CancelledError:
            if task is None or not self.mailbox.stop or task.uncancel() > 0:
                raise
        finally:
            self.mailbox.sleeper = None

    async def look(self) -> None:
        """One look: a run that is written must grow; one that is not is recorded from here."""
        if is_being_written(journal_path(self.run)):
            self.heartbeat()
        elif self.clock.now_s() >= self.way_until_s:
            await self.record()

    def heartbeat(self) -> None:
        """Tell once when a run that should be going on has written nothing for too long."""
        if self.live is None:
            self.live = LiveRun(self.run)
        status = self.live.refresh().status
        self.cut_told = False
        tick_s = float(self.live.meta.header.get("hold_tick_s", 1.0))
        quiet_s = silent_for_s(status.last_utc, self.clock.utc(), tick_s)
        if quiet_s is None:
            if self.quiet_told:
                self.say(f"{self.run}: writes again")
            self.quiet_told = False
        elif not self.quiet_told:
            self.quiet_told = True
            words = f"{self.live.meta.name}: has written nothing for {quiet_s:.0f} s although its process is there"
            self.say(f"{self.run}: {words}")
            self.alerts.tell("silent", words)

    async def record(self) -> None:
        """Record what the frame shows of a run that was cut off, until somebody asks for it; nothing is moved."""
        run = read_interrupted(self.run)
        self.live = None
        box = Mailbox()
        try:
            async with self.open_frame(run) as frame, RequestServer(self.run, box, gives_way=True):
                reading = await frame.read()
                at_s = max(reading.at_utc - float(run.header["start_utc"]), run.last_s)
                stations = rebuilt(run, frame.facts, reading, at_s)
                self.tell_cut(run, stations)
                with Recorder.reopen(self.run) as recorder:
                    await self.rows(run, frame, stations, reading, recorder, box)
            finish(self.run, keep_journal=True)
        except BenchError as error:
            self.tell_cut(run, [])
            self.say(f"{self.run}: the frame cannot be read: {error}")
            self.way_until_s = self.clock.now_s() + AGAIN_S

    def tell_cut(self, run: Interrupted, stations: list[Station]) -> None:
        """Once: that a run was cut off, and what is still under load."""
        if self.cut_told:
            return
        self.cut_told = True
        loaded = ", ".join(f"{s.name} {s.watch.load_N:.0f} N" for s in stations if s.under_load)
        left = f"still under load: {loaded}" if loaded else "load not known" if not stations else "no load"
        how = "was cut off" if run.ended is None else f"ended ({run.ended})"
        words = f"{run.program.name}: {how}; {left}; a person is needed at the frame: longhold resume {self.run}"
        self.say(f"{self.run}: {words}")
        self.alerts.tell("waiting", words)

    async def rows(
        self,
        run: Interrupted,
        frame: Frame,
        stations: list[Station],
        reading: FrameReading,
        recorder: Recorder,
        box: Mailbox,
    ) -> None:
        """Rows until somebody else takes the run up."""
        start_utc = float(run.header["start_utc"])
        flags, events = GAP_BEFORE, [_event(reading, start_utc, "recording", "recorded on, nothing is moved")]
        lost = False
        while not self.mailbox.stop:
            if not lost:
                at_s = max(reading.at_utc - start_utc, run.last_s)
                rows = rows_of(stations, reading, at_s, reading.air_temperature_C, flags, set_load_N=0.0)
                recorder.record(rows, events)
                flags, events = 0, []
            await self.sleep(RECORD_S)
            if box.stop:
                self.way_until_s = self.clock.now_s() + WAY_S
                self.say(f"{self.run}: gives way to a person who resumes it")
                return
            try:
                reading = await frame.read()
                lost = False
            except BenchError as error:
                if not lost:
                    self.say(f"{self.run}: the frame cannot be read: {error}")
                    events.append(_event(reading, start_utc, "note", f"no good answer: {error}"))
                    flags = GAP_BEFORE
                lost = True


def _event(reading: FrameReading, start_utc: float, kind: str, message: str) -> Event:
    return Event(time_s=reading.at_utc - start_utc, utc=reading.at_utc, station="", kind=kind, message=message, data={})


def unfinished(path: Path) -> list[Path]:
    """Runs that have a journal: the run itself, or those of a folder."""
    if path.is_dir():
        return sorted(j.with_name(j.name.removesuffix(".journal")) for j in path.glob("*.journal"))
    return [path] if journal_path(path).exists() else []


async def attend(
    path: Path,
    open_frame: OpenFrame,
    clock: Clock,
    alerts: Alerts,
    mailbox: Mailbox,
    say: Callable[[str], None],
) -> None:
    """Stay with a run, or with every unfinished run of a folder, present and to come, until a stop is asked for.

    With a single run it returns once nothing more can come of it.
    """
    staying: dict[Path, asyncio.Task[None]] = {}
    boxes: dict[Path, Mailbox] = {}
    folder = path.is_dir()
    own = Attendant(path, open_frame, clock, alerts, mailbox, say)
    if not folder:
        await own.stay()
        return
    async with asyncio.TaskGroup() as group:
        while not mailbox.stop:
            for run in unfinished(path):
                if run not in staying or staying[run].done():
                    boxes[run] = Mailbox()
                    attendant = Attendant(run, open_frame, clock, alerts, boxes[run], say)
                    staying[run] = group.create_task(attendant.stay())
            await own.sleep(LOOK_S)
        for box in boxes.values():
            box.stop_now()
