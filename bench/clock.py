"""The only file that touches the computer's clocks: monotonic for control, UTC for the record, virtual time."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from typing import Protocol


class Clock(Protocol):
    """Time as the controller sees it."""

    def now_s(self) -> float:
        """Monotonic time, s: for control."""
        ...

    def utc(self) -> float:
        """UTC, s since 1970: for the record."""
        ...

    async def sleep_until(self, when_s: float) -> None:
        """Return at ``when_s`` of the monotonic clock, or at once if it has passed."""
        ...


class RealClock:
    """The computer's own clocks."""

    def now_s(self) -> float:
        return time.monotonic()

    def utc(self) -> float:
        return time.time()

    async def sleep_until(self, when_s: float) -> None:
        await asyncio.sleep(max(0.0, when_s - time.monotonic()))


class VirtualClock:
    """A clock that jumps: a night passes as fast as it can be computed.

    ``on_advance`` is awaited with the seconds that passed, so that a simulated frame (in this process or behind a
    side channel) lives the same time.
    """

    def __init__(self, start_utc: float, on_advance: Callable[[float], Awaitable[None]] | None = None) -> None:
        self._now_s = 0.0
        self._start_utc = start_utc
        self._on_advance = on_advance

    def now_s(self) -> float:
        return self._now_s

    def utc(self) -> float:
        return self._start_utc + self._now_s

    async def sleep_until(self, when_s: float) -> None:
        passed = when_s - self._now_s
        if passed > 0:
            self._now_s = when_s
            if self._on_advance is not None:
                await self._on_advance(passed)
        await asyncio.sleep(0)
