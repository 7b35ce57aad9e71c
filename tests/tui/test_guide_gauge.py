"""Guided work: reading a gauge on the frame, on the screen."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from textual.pilot import Pilot

from bench.cues import Cue
from tests.tui.guides import Bench, approved, press, seen_on
from tests.tui.test_monitor import SIZES
from tui.guide import Guide
from tui.screens.gauge import GaugeScreen


async def gauge_screen() -> tuple[Guide[str], GaugeScreen, Bench]:
    from bench.gaugestand import GaugeStand
    from bench.program import program_from_text
    from tests.tui.test_gauge_frame import Kept, program
    from tui.gaugebench import Typing

    bench, typing = Bench(), Typing()
    text, levels = program()

    def keep(points: Any) -> None:
        typing.points = points

    async def stand(person: Any) -> Any:
        loop = GaugeStand(bench.frame, bench.clock, program_from_text(text, "g"), levels, person, Kept(), 7,
                          settle_s=5.0, on_points=keep)  # fmt: skip
        return await loop.run()

    screen = GaugeScreen(stand, name="T7-01, station A", unit="div", typing=typing)
    bench.ticks = 0
    return Guide(screen), screen, bench


async def until(pilot: Pilot[Any], bench: Bench, screen: GaugeScreen, words: str) -> str:
    """Let the frame live, a piece at a time, until the screen says so; the end is said by 'ended'."""
    seen = ""
    for _ in range(200):
        bench.give(150)
        while not bench.used_up.is_set() and screen.stood is None and screen.failed is None:
            await asyncio.sleep(0)
        if screen.stood is not None:
            seen = f"ended: {screen.stood.ended}"
        else:
            screen.show()
            await pilot.pause()
            seen = seen_on(pilot.app)
        if words in seen:
            return seen
    raise AssertionError(f"'{words}' never came: {seen}")


async def test_a_gauge_is_read_on_the_screen_and_nothing_is_taken_while_the_spoke_moves() -> None:
    app, screen, bench = await gauge_screen()
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, bench, screen, "The spoke is being moved")
        assert "the spoke is being moved: wait" in await press(pilot, "enter")
        await press(pilot, "1", "2")
        assert screen.typed == ""
        seen = await until(pilot, bench, screen, "Put the gauge on")
        assert "1 of 7: 300 N, rising" in seen and "drive off" in seen
        assert "! type what the gauge shows" in await press(pilot, "enter")
        await press(pilot, "1", "2", "full_stop", "5", "enter")
        await until(pilot, bench, screen, "Take the gauge off")
        bench.plant.cue(Cue.GUARD)
        await until(pilot, bench, screen, "not yet: the guard is open")
        assert "! not yet: the guard is open" in await press(pilot, "enter")
        bench.plant.clear(Cue.GUARD)
        await until(pilot, bench, screen, "guard closed")
        await press(pilot, "enter")
        await until(pilot, bench, screen, "1 reading so far")
        await until(pilot, bench, screen, "2 of 7")
        await press(pilot, "q")
        await until(pilot, bench, screen, "Take the gauge off")
        await press(pilot, "enter")
        await until(pilot, bench, screen, "ended")
    assert screen.stood is not None and screen.stood.ended == "eased off at a person's request"
    assert [p.reading for p in screen.stood.points] == [12.5]
    assert float(bench.plant.spokes.load_N[0]) < 1.0


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
async def test_reading_a_gauge_looks_as_it_was_approved(size: tuple[int, int]) -> None:
    app, screen, bench = await gauge_screen()
    async with app.run_test(size=size) as pilot:
        await until(pilot, bench, screen, "Put the gauge on")
        await until(pilot, bench, screen, "without the gauge")
        seen = await press(pilot, "1", "2", "full_stop", "5")
    # the load flickers with the cell's noise, so its large figures are left out
    lines = seen.splitlines()
    approved("guide-gauge", size, "\n".join([lines[0], *lines[9:]]) + "\n")
