"""Requests to a live run from the first screen: asked twice, and sent to the station that was chosen."""

from __future__ import annotations

import asyncio
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from models.errors import InputError
from tests.tui.records import STARTED_UTC, record
from tests.tui.test_home import folder as folder
from tests.tui.test_monitor import PICTURES, SIZES, Fixed, press, screen_text
from tui.monitor import Monitor
from tui.screens.attach import Attachment
from tui.screens.request import REQUESTS


class Run:
    """What would be sent."""

    def __init__(self, says_no: str = "") -> None:
        self.asked: list[tuple[str, str, str | None]] = []
        self.says_no = says_no

    async def send(self, path: Path, what: str, station: str | None) -> dict[str, Any]:
        self.asked.append((path.name, what, station))
        if self.says_no:
            raise InputError(self.says_no)
        return {"ok": True}


def asking(folder: Path, sent: Run, **changed: Any) -> Monitor:
    path = folder / "night-1.h5"
    path.touch()
    shown = replace(record(20_000.0), **changed)
    attached = Attachment(path, lambda _p: Fixed(shown))
    return Monitor([attached], poll_s=None, now_utc=lambda: STARTED_UTC + 20_000.0, send=sent.send)


async def type_out(pilot: Pilot[None], *keys: str) -> str:
    seen = await press(pilot, *keys)
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()
    return seen


async def test_a_request_is_asked_twice_and_goes_to_the_chosen_station(tmp_path: Path) -> None:
    sent = Run()
    async with asking(tmp_path, sent).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        seen = await press(pilot, "down", "a")
        assert "Ask the run for station B" in seen and "No limit can be changed here" in seen
        seen = await press(pilot, "enter")
        assert "Sure? Type B and Enter" in seen and sent.asked == []
        await type_out(pilot, "B", "enter")
    assert sent.asked == [("night-1.h5", "pause", "B")]


async def test_the_wrong_name_asks_nothing_and_escape_leaves_at_any_time(tmp_path: Path) -> None:
    sent = Run()
    async with asking(tmp_path, sent).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        seen = await press(pilot, "a", "enter", "B", "enter")
        assert "'B' is not A: nothing was asked" in seen
        assert "Sure?" in await press(pilot, "enter")  # an empty line is no yes
        assert "K07-01" in await press(pilot, "escape")
        await press(pilot, "a", "escape")
        seen = await press(pilot, "a", "enter", "q", "1", "h", "enter")
        assert "'q1h' is not A" in seen  # keys of the monitor are letters here
    assert sent.asked == []


async def test_every_request_that_a_run_knows_is_offered_and_no_other(tmp_path: Path) -> None:
    from bench.status import REQUESTS as KNOWN

    assert sorted(name for name, _ in REQUESTS) == sorted(KNOWN)
    for k, (name, _) in enumerate(REQUESTS):
        sent = Run()
        async with asking(tmp_path, sent).run_test(size=(80, 24)) as pilot:
            await pilot.pause()
            await type_out(pilot, "a", *["down"] * k, "tab", "enter", *"ALL", "enter")
        assert sent.asked == [("night-1.h5", name, None)]


async def test_a_run_that_says_no_is_quoted(tmp_path: Path) -> None:
    sent = Run("night-1.h5: no run of this name is going on here")
    async with asking(tmp_path, sent).run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        await type_out(pilot, "a", "enter", "A", "enter")
        await pilot.pause()
        assert "no run of this name is going on here" in " ".join(screen_text(pilot.app).split())


@pytest.mark.parametrize("changed", [{"ended": True}, {"written": False}], ids=["ended", "cut off"])
async def test_only_a_live_run_can_be_asked(tmp_path: Path, changed: dict[str, Any]) -> None:
    async with asking(tmp_path, Run(), **changed).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        before = screen_text(pilot.app)
        assert await press(pilot, "a") == before


async def test_nothing_is_asked_while_looking_back(tmp_path: Path) -> None:
    async with asking(tmp_path, Run()).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        back = await press(pilot, "left")
        assert await press(pilot, "a") == back


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("sure", [False, True], ids=["first", "second"])
async def test_both_questions_look_as_they_were_approved(tmp_path: Path, sure: bool, size: tuple[int, int]) -> None:
    async with asking(tmp_path, Run()).run_test(size=size) as pilot:
        await pilot.pause()
        seen = await press(pilot, "a", "down", *(["enter"] if sure else []))
    approved = PICTURES / f"request-{'second' if sure else 'first'}-{size[0]}x{size[1]}.txt"
    if os.environ.get("APPROVE_SCREENS"):
        approved.write_text(seen, encoding="utf-8")
    assert seen == approved.read_text(encoding="utf-8")


async def test_the_request_really_reaches_a_run_through_its_own_socket(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from bench.status import Mailbox, RequestServer, Snapshot, StationNow, send_request

    monkeypatch.setenv("XDG_RUNTIME_DIR", "")
    now = StationNow(name="A", spoke="K07-01", state="holding", step="hold", load_N=1500.0, set_load_N=1500.0,
                     elongation_mm=1.0, ended=None)  # fmt: skip
    box = Mailbox(snapshot=Snapshot(at_s=1.0, longest_s=2.0, stations=(now,), lateness_p99_ms=0.0))
    path = tmp_path / "night-1.h5"
    path.touch()
    app = Monitor([Attachment(path, lambda _p: Fixed(record(20_000.0)))], poll_s=None,
                  now_utc=lambda: STARTED_UTC + 20_000.0, send=send_request)  # fmt: skip
    async with RequestServer(path, box), app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await type_out(pilot, "a", "enter", "A", "enter")
        async with asyncio.timeout(10):
            while not box.requests:
                await pilot.pause()
    assert list(box.requests) == [("A", "pause")]
