"""`longhold frame check --interlocks`: a person opens and closes each interlock, and the frame shows what it does."""

from __future__ import annotations

import asyncio

import click

from bench.clock import RealClock
from bench.framecheck import Check
from bench.framefile import FrameFile
from bench.interlocks import provable, try_interlock
from bench.modbusframe import ModbusFrame
from tui.out import say

TOKEN = 0x4C48  # as in every check of a frame


def by_hand(file: FrameFile, station: int) -> list[Check]:
    """Every interlock that the frame shows, one after the other; only after a typed yes."""
    name = file.facts.stations[station].name
    phrase = f"energise {name}"
    say(
        f"\nStation {name}: nothing may hang on it. Its drive takes power and stands still, while you open and close "
        "each interlock by hand: the frame itself must take the power away, and keep it away."
    )
    answer = click.prompt(f"Type '{phrase}' to begin; anything else leaves it out", default="", err=True)
    if answer.strip() != phrase:
        return [Check(what=f"{name}: interlocks", good=None, says="left out")]
    return asyncio.run(_all(file, station))


async def _all(file: FrameFile, station: int) -> list[Check]:
    clock = RealClock()
    checks: list[Check] = []
    async with ModbusFrame(file, clock) as frame:
        for lock in provable(file.facts):
            await frame.claim(TOKEN)  # again for each: who switches the panel to local takes the frame
            try:
                checks.append(await try_interlock(frame, clock, station, lock, say))
            finally:
                await frame.release()
    return checks
