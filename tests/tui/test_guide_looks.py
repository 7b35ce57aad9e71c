"""Guided work: every screen without colour, and the large digits."""

from __future__ import annotations

from typing import Any

import pytest
from textual.app import App

from planner.wheel import Wheel
from tests.tui.guides import Bench, placing_screen, plan_app, press, settle, sheet_screen, turns_screen, typed
from tests.tui.test_monitor import colours_on
from tui.screens.big import big


@pytest.mark.parametrize("which", ["readings", "turns", "placing", "plan"])
async def test_without_colour_every_guided_screen_is_grey_and_says_the_same(
    which: str, wheel: Wheel, monkeypatch: pytest.MonkeyPatch
) -> None:
    def app() -> App[Any]:
        match which:
            case "readings":
                return sheet_screen(wheel)[0]
            case "turns":
                return turns_screen()[0]
            case "placing":
                return placing_screen(Bench())[0]
            case _:
                return plan_app()

    keys = typed(931, 1500, 933) if which == "readings" else ["3"] if which == "plan" else ["x"]

    async def look() -> tuple[str, set[Any]]:
        shown = app()
        async with shown.run_test(size=(80, 24)) as pilot:
            await settle(pilot)
            seen = await press(pilot, *keys)
            return seen, colours_on(shown)

    in_colour, _ = await look()
    monkeypatch.setenv("NO_COLOR", "1")
    plain, colours = await look()
    assert plain == in_colour
    assert colours and all(c.red == c.green == c.blue for c in colours)


def test_large_digits_are_five_lines_of_even_width() -> None:
    rows = big("12.5")
    assert len(rows) == 5 and len(big("+3/8")) == 5
    assert [len(r) for r in big("8")] == [6] * 5
    assert big("8") != big("0") != big("6")
