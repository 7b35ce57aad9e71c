"""Proving a new frame by hand, on its screen and at plain prompts: the right one must be seen."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bench.errors import LineTrouble
from bench.frame import FrameReading
from bench.framefile import read_frame_file
from models.errors import CannotAnswer
from tests.tui.guides import FRAME, Bench, approved, asking, press
from tests.tui.test_monitor import SIZES
from tui import guidance
from tui.cli import run
from tui.guide import Guide
from tui.proving import Proving, proving, refuse_loaded
from tui.screens.proving import ProvingScreen


class Stand:
    """A frame at rest; what a person does to it is set by hand."""

    def __init__(self) -> None:
        self.bench = Bench()
        self.facts = self.bench.plant.facts
        self.acts: dict[str, Any] = {}
        self.pulled: dict[int, float] = {}
        self.silent = False

    async def look(self) -> FrameReading:
        if self.silent:
            raise LineTrouble("simulated link: no answer within 0.2 s")
        reading = await self.bench.look()
        stations = [replace(s, load_N=self.pulled.get(i, 0.0)) for i, s in enumerate(reading.stations)]
        return replace(reading, stations=tuple(stations), **self.acts)

    def screen(self) -> tuple[Guide[str], Proving, ProvingScreen]:
        proof = proving(self.facts)
        names = [s.name for s in self.facts.stations]
        shown = ProvingScreen(proof, what=self.facts.name, names=names, look=self.look, every_s=None)
        return Guide(shown), proof, shown


async def test_each_act_is_seen_by_the_frame_itself_and_only_in_its_turn() -> None:
    stand = Stand()
    app, proof, screen = stand.screen()
    async with app.run_test(size=(80, 24)) as pilot:
        await screen.see()
        assert proof.done == [] and "Press the emergency stop." in await press(pilot, "x")
        stand.acts = {"guard_closed": False}  # not what was asked for
        await screen.see()
        assert proof.done == []
        for acts in ({"estop_closed": False}, {}, {"guard_closed": False}, {}):
            stand.acts = acts
            await screen.see()
        assert proof.done == [True] * 4 and "Station A: pull its hook" in await press(pilot, "x")
        await screen.see()
        for i in range(4):
            stand.pulled = {i: 60.0}
            await screen.see()
            stand.pulled = {}
            await screen.see()  # let go
            await screen.see()  # how it stands before the next is pulled
        assert proof.done == [True] * 12
        assert "All was seen. Enter ends." in await press(pilot, "x")
        await pilot.press("enter")
    assert app.return_value == "proved"


@pytest.mark.parametrize(
    ("pulled", "says"),
    [
        ({1: 60.0}, "station B changes instead: cells or names are swapped"),
        ({0: 60.0, 2: 40.0}, "station C changes with it"),
        ({0: -60.0}, "its load falls when it is pulled"),
    ],
)
async def test_a_swapped_a_joined_and_a_crossed_cell_are_named(pulled: dict[int, float], says: str) -> None:
    stand = Stand()
    app, proof, screen = stand.screen()
    async with app.run_test(size=(120, 40)) as pilot:
        for _ in range(2):
            proof.leave_out()
        await screen.see()
        stand.pulled = pulled
        await screen.see()
        assert says in await press(pilot, "x") and len(proof.done) == 4


async def test_wrong_keys_leaving_out_going_back_and_a_silent_frame() -> None:
    stand = Stand()
    app, proof, screen = stand.screen()
    async with app.run_test(size=(80, 24)) as pilot:
        await screen.see()
        before = await press(pilot, "x", "5", "f5")
        assert "Press the emergency stop." in before
        assert "this goes on by itself" in await press(pilot, "enter")
        assert "left out" in await press(pilot, "s") and proof.done == [None, None]
        await press(pilot, "minus")
        assert proof.done == []
        stand.silent = True
        await screen.see()
        assert "the frame does not answer: simulated link" in await press(pilot, "x")
        for _ in proof.acts:
            await press(pilot, "s")
        stand.silent = False
        await screen.see()
        assert "All was seen, but for: emergency stop opens" in await press(pilot, "x")
        await pilot.press("q")
    assert app.return_value is None


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
async def test_proving_a_frame_looks_as_it_was_approved(size: tuple[int, int]) -> None:
    stand = Stand()
    app, proof, screen = stand.screen()
    async with app.run_test(size=size) as pilot:
        await screen.see()
        for acts in ({"estop_closed": False}, {}):
            stand.acts = acts
            await screen.see()
        await press(pilot, "s")
        await screen.see()
        stand.pulled = {1: 60.0}
        await screen.see()
        seen = await press(pilot, "x")
    assert proof.done == [True, True, None, None]
    approved("guide-frame", size, seen)


async def test_without_colour_it_says_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    async def seen() -> str:
        app, _, screen = Stand().screen()
        async with app.run_test(size=(80, 24)) as pilot:
            await screen.see()
            return await press(pilot, "enter")

    in_colour = await seen()
    monkeypatch.setenv("NO_COLOR", "1")
    assert await seen() == in_colour


async def test_prompts_prove_the_same_frame() -> None:
    stand, said = Stand(), []
    proof = proving(stand.facts)

    def person(prompt: str) -> str:
        if "Press" in prompt:
            stand.acts = {"estop_closed": False}
        elif "Release" in prompt or "Close" in prompt:
            stand.acts = {}
        elif "Open" in prompt:
            stand.acts = {"guard_closed": False}
        elif "pull" in prompt:
            stand.pulled = {"ABCD".index(prompt.split("Station ")[1][0]): 60.0}
        else:
            stand.pulled = {}
        return ""

    assert await guidance.frame(proof, stand.look, person, said.append)
    assert proof.done == [True] * 12 and said[-1] == "all was seen"


async def test_at_prompts_nothing_counts_that_the_frame_did_not_show() -> None:
    stand, said = Stand(), []
    proof = proving(stand.facts)
    ask, _ = asking("", "yes", "s", "-", "q")
    assert not await guidance.frame(proof, stand.look, ask, said.append)
    assert proof.done == [] and "! not seen" in said and "! Enter, s, - or q" in said


async def test_nobody_is_asked_to_pull_on_a_frame_that_holds_a_load() -> None:
    stand = Stand()
    refuse_loaded(stand.facts, await stand.look())
    stand.pulled = {1: 1413.0, 3: -60.0}
    with pytest.raises(CannotAnswer, match=r"station B \(1413 N\), D \(-60 N\) holds a load: unload"):
        refuse_loaded(stand.facts, await stand.look())


def test_the_command_says_what_is_missing_where_nothing_answers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    quiet = tmp_path / "frame.toml"
    text = FRAME.read_text(encoding="utf-8")
    port = read_frame_file(FRAME).text.split("port = ")[1].split()[0]
    quiet.write_text(text.replace(f"port = {port}", "port = 1"), encoding="utf-8")
    assert run(["guide", "frame", str(quiet)]) == 3
    err = capsys.readouterr().err
    assert "Traceback" not in err and "127.0.0.1" in err
    assert run(["guide", "frame", "no.toml"]) == 2
