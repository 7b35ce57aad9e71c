"""Proves interlocks without load: a person opens each by hand; the drive must drop, and stay off once it is closed.

The drive of one empty station is energised at a standstill. What takes its power away is then the frame's own chain,
not this program: the deadman is fed all the while, and the command to stay energised is left standing.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass

from bench.clock import Clock
from bench.errors import BenchError, FrameFault
from bench.frame import Command, Frame, FrameFacts, FrameReading
from bench.framecheck import MOST_UNLOADED_N, Check

WAIT_S = 60.0  # for a person's hand
DROPS_WITHIN_S = 1.0
WATCH_S = 2.0  # after it has closed again


@dataclass(frozen=True, slots=True, kw_only=True)
class Interlock:
    """One contact that a person can open by hand."""

    role: str  # of the register that shows it
    name: str
    opens: str  # what the person does
    closes: str
    is_open: Callable[[FrameReading, int], bool]  # reading, station -> whether it is open
    drops: bool  # the drive must lose its power while it is open


INTERLOCKS = (
    Interlock(
        role="estop_chain",
        name="emergency stop",
        opens="press the emergency stop",
        closes="release the emergency stop",
        is_open=lambda r, _: not r.estop_closed,
        drops=True,
    ),
    Interlock(
        role="guard",
        name="guard",
        opens="open the guard",
        closes="close the guard",
        is_open=lambda r, _: not r.guard_closed,
        drops=True,
    ),
    Interlock(
        role="local_remote",
        name="local panel",
        opens="switch the panel to local",
        closes="switch the panel back to remote",
        is_open=lambda r, _: r.local,
        drops=False,
    ),
    Interlock(
        role="limit_high",
        name="travel switch at the pulled end",
        opens="press the travel switch at the pulled end by hand",
        closes="let it go",
        is_open=lambda r, i: r.stations[i].limit_high,
        drops=False,
    ),
    Interlock(
        role="limit_low",
        name="travel switch at the slack end",
        opens="press the travel switch at the slack end by hand",
        closes="let it go",
        is_open=lambda r, i: r.stations[i].limit_low,
        drops=False,
    ),
)


def provable(facts: FrameFacts) -> list[Interlock]:
    """The interlocks that this frame shows."""
    return [lock for lock in INTERLOCKS if lock.role not in facts.absent]


async def try_interlock(
    frame: Frame, clock: Clock, station: int, lock: Interlock, say: Callable[[str], None], *, wait_s: float = WAIT_S
) -> Check:
    """Let a person open and close one interlock of a claimed frame, the drive of one empty station energised.

    Whatever happens, the drive is switched off at the end.
    """
    walk = _Walk(frame, clock, station)
    try:
        good, says = await _tried(walk, lock, say, wait_s)
    except FrameFault as fault:
        good, says = False, str(fault)
    finally:
        with contextlib.suppress(BenchError):
            await walk.off()
    return Check(what=f"{frame.facts.stations[station].name}: {lock.name}", good=good, says=says)


async def _tried(walk: _Walk, lock: Interlock, say: Callable[[str], None], wait_s: float) -> tuple[bool | None, str]:
    first = await walk.look()
    load_N = first.stations[walk.station].load_N
    if not abs(load_N) <= MOST_UNLOADED_N:
        return (False, f"it carries {load_N:.0f} N: take the spoke off first")
    if lock.is_open(first, walk.station):
        return (False, "reads open before it was touched: close it, or is its contact inverted?")
    if not await walk.until(lambda r: r.stations[walk.station].enabled, DROPS_WITHIN_S, energise=True):
        return (False, "the drive does not take power: look at its panel")
    say(f"now {lock.opens} (within {wait_s:.0f} s)")
    if not await walk.until(lambda r: lock.is_open(r, walk.station), wait_s, energise=True):
        return (False, f"read closed for {wait_s:.0f} s: not opened, not wired, or the wrong register")
    opened_s, dropped = walk.at_s, True
    drops = lock.drops and "enabled" not in walk.facts.absent
    if drops:
        dropped = await walk.until(lambda r: not r.stations[walk.station].enabled, DROPS_WITHIN_S)
    after_s = walk.at_s - opened_s
    say(f"it reads open; now {lock.closes}")
    closed = await walk.until(lambda r: not lock.is_open(r, walk.station), wait_s)
    again = drops and dropped and closed and await walk.until(lambda r: r.stations[walk.station].enabled, WATCH_S)
    if walk.moved_mm > walk.allowed_mm:
        return (False, f"the drive moved {walk.moved_mm:.4f} mm although nothing asked it to")
    if not dropped:
        return (False, f"it reads open and the drive keeps its power for {DROPS_WITHIN_S:g} s: do not use this frame")
    if not closed:
        return (False, f"it reads open still after {wait_s:.0f} s: not closed, or it sticks")
    if again:
        return (False, "the drive took power again by itself once it was closed: do not use this frame")
    if not lock.drops:
        return (True, "reads open while it is open, closed again after")
    if not drops:
        return (None, "reads open and closed; whether the drive lost its power cannot be read: look at the drive")
    return (True, f"the drive lost its power within {after_s:.2f} s and stayed off once it was closed again")


class _Walk:
    """Ticks on one station: reads, feeds the deadman, and sees whether anything moves."""

    def __init__(self, frame: Frame, clock: Clock, station: int) -> None:
        self._frame, self._clock, self.station = frame, clock, station
        self.facts = frame.facts
        self.allowed_mm = 2.0 * frame.facts.stations[station].step_mm + 0.005
        self.at_s = clock.now_s()
        self.moved_mm = 0.0
        self._start_mm: float | None = None

    async def look(self) -> FrameReading:
        reading = await self._frame.read()
        self.at_s, x = reading.now_s, reading.stations[self.station].position_mm
        self._start_mm = x if self._start_mm is None else self._start_mm
        self.moved_mm = max(self.moved_mm, abs(x - self._start_mm))
        return reading

    async def until(self, seen: Callable[[FrameReading], bool], within_s: float, *, energise: bool = False) -> bool:
        """Tick until that is seen; False where it was not in time."""
        end_s = self._clock.now_s() + within_s
        while True:
            await self._frame.write([self._stay(enable=True)] if energise else ())
            await self._clock.sleep_until(self._clock.now_s() + self.facts.tick_s)
            if seen(await self.look()):
                return True
            if self._clock.now_s() >= end_s:
                return False

    async def off(self) -> None:
        await self._frame.write([self._stay(enable=False)])

    def _stay(self, *, enable: bool) -> Command:
        facts = self.facts.stations[self.station]
        low, high = facts.travel_mm
        x = min(max(self._start_mm if self._start_mm is not None else low, low), high)
        return Command(
            station=self.station, enable=enable, target_mm=x, speed_mm_per_s=min(0.01, facts.max_speed_mm_per_s)
        )
