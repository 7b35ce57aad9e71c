"""A gauge calibrated on the frame: prompts, the table of readings kept as they come, what does not fit said at once."""

from __future__ import annotations

import asyncio
import contextlib
import queue
import sys
import threading
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from bench.gaugestand import Answer, Asks, Moving, Person, Point, Standing, Stood
from tui import format as show
from tui.out import write_whole

if TYPE_CHECKING:
    from bench.framefile import FrameFile
    from bench.gaugeprogram import Level
    from bench.steps import Program

FITS_SHARE = 0.025  # of the readings' span: an odd one lies farther from the others' curve
FITS_SD = 5.0
LEAST_KNOWN = 4  # readings before one can be odd
BEYOND = 0.02  # of the load: outside what was read so far
TABLE = "load_before_N,load_N,reading,direction,series,load_spread_N,at_utc"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What to calibrate on."""

    station: str
    spoke: str
    batch: str
    gauge_length_mm: float
    EA_N: float
    loads_N: tuple[float, ...]
    series: int
    bed_N: float
    bed_min: float
    settle_s: float
    break_load_N: float | None


def odd(points: Sequence[Point], load_N: float, reading: float) -> str | None:
    """Why a reading does not fit those before it; None where it does, or where too little is known to say."""
    if len(points) < LEAST_KNOWN:
        return None
    load = np.array([p.load_N for p in points])
    read = np.array([p.reading for p in points])
    if float(np.ptp(load)) < 50.0 or float(np.ptp(read)) == 0.0:
        return None
    levels = np.unique(np.round(load / 25.0)).size
    curve = np.polynomial.Polynomial.fit(load, read, min(2, levels - 1))
    sd = float(np.sqrt(np.mean((curve(load) - read) ** 2)))
    rises = float(read[load.argmax()] - read[load.argmin()]) > 0
    if load_N > (1 + BEYOND) * load.max() or load_N < (1 - BEYOND) * load.min():
        nearest = float(read[load.argmax() if load_N > load.max() else load.argmin()])
        if (reading > nearest) is (rises if load_N > load.max() else not rises):
            return None
        return f"{reading:g} at {load_N:.0f} N goes the other way than the readings so far (next to it: {nearest:g})"
    likely = float(curve(load_N))
    if abs(reading - likely) <= max(FITS_SD * sd, FITS_SHARE * float(np.ptp(read))):
        return None
    return f"{reading:g} does not fit: at {load_N:.0f} N the readings so far give about {likely:.4g}"


def table_text(points: Sequence[Point]) -> str:
    """The readings as `longhold gauge calibrate READINGS.csv` takes them."""
    rows = [
        f"{p.load_before_N:.2f},{p.load_N:.2f},{p.reading:g},{'up' if p.level.rising else 'down'},{p.level.series},"
        f"{p.spread_N:.2f},{show.utc(p.at_utc, seconds=True).replace(' ', 'T')}"
        for p in points
    ]
    return "\n".join([TABLE, *rows]) + "\n"


class Typing:
    """What was typed since the last look: one line a reading, checked before it counts."""

    def __init__(self) -> None:
        self.points: tuple[Point, ...] = ()
        self.insisted: float | None = None  # an odd reading, typed once

    def hear(self, line: str, now: Standing) -> tuple[Answer | None, str]:
        """The answer that a line is, or None and what to say to it."""
        word = line.strip().lower().replace(",", ".")
        if now.asks is not Asks.READING:
            if word in ("", "y", "yes", "clear"):
                why = "; ".join(now.why_not)
                return (None, f"not yet: {why}") if why else (Answer(kind="clear"), "")
            return None, "press Enter once the gauge is off, hands are away and the guard is closed"
        if word in ("q", "stop"):
            return Answer(kind="stop"), "no more readings; the spoke is unloaded once it is clear"
        if word in ("s", "skip"):
            return Answer(kind="skip"), "left out"
        if word in ("-", "undo"):
            if not self.points:
                return None, "there is no reading before this one"
            return Answer(kind="void"), f"the reading before, {self.points[-1].reading:g}, is void"
        try:
            value = float(word)
        except ValueError:
            return None, "a number is needed (or s: skip, -: the one before was wrong, q: stop)"
        if not np.isfinite(value):
            return None, "a number is needed"
        why_odd = odd(self.points, now.load_N, value)
        if why_odd is not None and self.insisted != value:
            self.insisted = value
            return None, f"{why_odd}; read it again, or type the same again to keep it"
        self.insisted = None
        return Answer(kind="reading", reading=value), ""


class Prompts:
    """A person at a plain prompt; lines come from a thread, so that the frame is looked at all the while."""

    def __init__(
        self, say: Callable[[str], None], lines: Callable[[], str] | None = None, typing: Typing | None = None
    ) -> None:
        self.typing = typing or Typing()
        self._say = say
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._shown: object = None
        self._moving = ""
        read = sys.stdin.readline if lines is None else lines
        self._thread = threading.Thread(target=self._listen, args=(read,), daemon=True)
        self._thread.start()

    def _listen(self, read: Callable[[], str]) -> None:
        while True:
            line = read()
            self._lines.put(line or "q\n")
            if not line:
                return

    def _next(self) -> str | None:
        with contextlib.suppress(queue.Empty):
            return self._lines.get_nowait()
        return None

    def see(self, now: Moving) -> Answer | None:
        if now.what != self._moving:
            self._moving = now.what
            self._say(f"{now.what} ... (q and Enter: unload and stop)")
        line = self._next()
        return Answer(kind="stop") if line is not None and line.strip().lower() in ("q", "stop") else None

    def look(self, now: Standing) -> Answer | None:
        if (now.number, now.asks) != self._shown:
            self._shown = (now.number, now.asks)
            self._say(prompt(now))
        line = self._next()
        if line is None:
            return None
        answer, words = self.typing.hear(line, now)
        if words:
            self._say(f"  {words}")
        return answer


def prompt(now: Standing) -> str:
    """What to do now, in words."""
    way = "rising" if now.level.rising else "falling"
    if now.asks is Asks.READING:
        return (
            f"[{now.number}/{now.of}] {now.level.load_N:.0f} N, {way}, series {now.level.series}: {now.load_N:.1f} N, "
            "drive off.\n  Put the gauge on, read it, leave it on, and type what it shows "
            "(s: skip, -: the one before was wrong, q: stop):"
        )
    after = "the spoke is unloaded then" if now.asks is Asks.LEAVE else "the next load comes then"
    return (
        f"  under the gauge {now.load_N:.1f} N ({show.signed(now.load_N - now.before_N)} N).\n"
        f"  Take it off, hands away, close the guard, then press Enter; {after}:"
    )


class InventedGauge:
    """A person and a gauge that do not exist, for a rehearsal on the simulated frame."""

    def __init__(self, plant: object, station: int, seed: int, say: Callable[[str], None]) -> None:
        self._plant, self._station, self._say = plant, station, say
        self._rng = np.random.default_rng([seed, 9])
        self._on, self._since_s = False, 0.0
        self.path_mm = 0.06

    def shows(self, load_N: float) -> float:
        """An invented dial: div, to a tenth."""
        return round(4.0 + 0.0215 * load_N - 2.6e-6 * load_N**2 + 0.04 * float(self._rng.standard_normal()), 1)

    def _put(self, on: bool) -> None:
        from bench.cues import Cue
        from bench.plant import Plant

        assert isinstance(self._plant, Plant)
        self._plant.cue(Cue.FITTING_SLIPS, self._station, -self.path_mm if on else self.path_mm)
        self._on, self._since_s = on, self._plant.time_s

    def see(self, now: Moving) -> Answer | None:
        return None

    def look(self, now: Standing) -> Answer | None:
        from bench.plant import Plant

        assert isinstance(self._plant, Plant)
        waited = self._plant.time_s - self._since_s > 3.0
        if now.asks is Asks.READING and not self._on:
            self._put(True)
        elif now.asks is Asks.READING and waited:
            reading = self.shows(now.load_N)
            self._say(f"[{now.number}/{now.of}] {now.load_N:.1f} N under the (invented) gauge: reads {reading:g}")
            self._put(False)
            return Answer(kind="reading", reading=reading)
        elif now.asks is not Asks.READING and waited and not now.why_not:
            return Answer(kind="clear")
        return None


async def on_the_frame(
    file: FrameFile,
    program: Program,
    levels: Sequence[Level],
    person: Person,
    run_file: Path,
    settle_s: float,
    on_points: Callable[[tuple[Point, ...]], None],
) -> Stood:
    """Read the gauge at every level on the real (or the served simulated) frame; everything is recorded."""
    from bench.clock import RealClock
    from bench.gaugestand import GaugeStand
    from bench.modbusframe import ModbusFrame
    from bench.recorder import Recorder, finish
    from bench.session import new_token
    from bench.start import run_header

    clock, token = RealClock(), new_token()
    async with ModbusFrame(file, clock) as frame:
        header = run_header(
            program, frame.facts, frame_text=file.text, frame_where=str(file.path), token=token, start_utc=clock.utc()
        )
        with Recorder.create(run_file, header) as recorder:
            stand = GaugeStand(
                frame, clock, program, levels, person, recorder, token, settle_s=settle_s, on_points=on_points
            )
            stood = await stand.run()  # if it fails the journal stays, and 'longhold resume' can ease the spoke off
    finish(run_file, keep_journal=False)
    return stood


async def rehearsed(
    file: FrameFile,
    program: Program,
    levels: Sequence[Level],
    settle_s: float,
    seed: int,
    say: Callable[[str], None],
    on_points: Callable[[tuple[Point, ...]], None],
) -> Stood:
    """The same on the simulated twin in virtual time, with an invented gauge that reads itself."""
    from bench.clock import RealClock, VirtualClock
    from bench.gaugestand import GaugeStand
    from bench.plantframe import PlantFrame, make_plant
    from bench.steps import stations_of

    plant = make_plant(file, seed=seed)
    (station,) = stations_of(program, file.facts)

    async def advance(dt_s: float) -> None:
        plant.advance(dt_s)

    clock = VirtualClock(RealClock().utc(), advance)
    async with PlantFrame(plant, clock) as frame:
        person = InventedGauge(plant, station, seed, say)
        stand = GaugeStand(frame, clock, program, levels, person, _Nowhere(), 1, settle_s=settle_s, on_points=on_points)
        return await stand.run()


class _Nowhere:
    """A sink for what need not be kept."""

    def record(self, rows: object, events: object = ()) -> bool:
        return True


def on_a_screen(stand: Callable[[Person], Awaitable[Stood]], name: str, unit: str, typing: Typing) -> Stood:
    """The same with a screen; raises what ended it."""
    from tui.guide import Guide
    from tui.screens.gauge import GaugeScreen

    screen = GaugeScreen(stand, name=name, unit=unit, typing=typing)
    Guide(screen).run()
    if screen.failed is not None:
        raise screen.failed
    if screen.stood is None:
        raise KeyboardInterrupt
    return screen.stood


def calibrate_on_frame(
    frame_path: Path,
    asked: Asked,
    *,
    unit: str,
    table: Path,
    run_file: Path,
    rehearse: bool,
    seed: int,
    screen: bool,
) -> Stood:
    """Check, warn, go through the loads; the table is on disk after every reading.

    Raises
    ------
    InputError
        The frame cannot carry it out.
    FrameFault, LineTrouble
        It ended before its end; the readings taken are kept.
    """
    from bench.framefile import read_frame_file
    from bench.gaugeprogram import gauge_program
    from bench.program import program_from_text
    from bench.steps import check_against
    from tui.cautions import MOTION
    from tui.out import say

    file = read_frame_file(frame_path)
    text, levels = gauge_program(
        station=asked.station,
        spoke=asked.spoke,
        batch=asked.batch,
        gauge_length_mm=asked.gauge_length_mm,
        EA_N=asked.EA_N,
        loads_N=asked.loads_N,
        series=asked.series,
        bed_N=asked.bed_N,
        bed_min=asked.bed_min,
        settle_s=asked.settle_s,
        break_load_N=asked.break_load_N,
    )
    program = program_from_text(text, "the gauge's program")
    check_against(program, file.facts)
    typing = Typing()

    def keep(points: tuple[Point, ...]) -> None:
        typing.points = points
        write_whole(table, table_text(points))

    if rehearse:
        say("REHEARSAL on the simulated twin: spoke, loads and gauge are invented; nothing real is touched")
        return asyncio.run(rehearsed(file, program, levels, asked.settle_s, seed, say, keep))
    say(MOTION)
    say(
        "For each reading the drive is switched off and the guard may be opened; nothing moves again before the gauge\n"
        "is off, the guard is closed and you have pressed Enter. The spoke stays under load all the while: eye\n"
        "protection on, never in line with it.\n"
    )

    def stand(person: Person) -> Coroutine[None, None, Stood]:
        return on_the_frame(file, program, levels, person, run_file, asked.settle_s, keep)

    if screen:
        click.pause("read the above, then press a key to begin ...")
        return on_a_screen(stand, f"{asked.spoke}, station {asked.station}", unit, typing)
    return asyncio.run(stand(Prompts(click.echo, typing=typing)))
