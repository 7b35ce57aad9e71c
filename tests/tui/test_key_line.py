"""The line of keys: it stays in place while a touch is on its way, and changes where another key is offered."""

from __future__ import annotations

from pathlib import Path

from textual import events
from textual.pilot import Pilot
from textual.widgets._footer import FooterKey

from tests.tui.records import record
from tests.tui.test_monitor import monitor


def keys_of(pilot: Pilot[None]) -> dict[str, FooterKey]:
    return {key.description: key for key in pilot.app.screen.query(FooterKey)}


async def test_a_page_that_comes_to_the_front_by_a_touch_keeps_its_keys_under_the_finger(tmp_path: Path) -> None:
    async with monitor(tmp_path, record()).run_test(size=(80, 24)) as pilot:
        await pilot.press("2")
        await pilot.pause()
        before = keys_of(pilot)
        assert {"all", "one", "log"} <= set(before)
        for event in (events.AppBlur(), events.AppFocus()):
            pilot.app.post_message(event)
            await pilot.pause()
        pilot.app.screen.refresh_bindings()
        await pilot.pause()
        after = keys_of(pilot)
        assert all(after[words] is key for words, key in before.items()), "rebuilt"


async def test_a_key_that_no_longer_helps_is_taken_away_and_comes_back(tmp_path: Path) -> None:
    async with monitor(tmp_path, record(), now_s=0.0).run_test(size=(120, 40)) as pilot:
        await pilot.pause()
        assert "ask" in " ".join(keys_of(pilot))
        await pilot.press("left")
        await pilot.pause()
        assert "ask" not in " ".join(keys_of(pilot))
        await pilot.press("end")
        await pilot.pause()
        assert "ask" in " ".join(keys_of(pilot))
