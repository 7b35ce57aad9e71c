"""Guided work: walking the turns of a session, on the screen and at plain prompts."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest

from tests.tui.guides import an_answer, approved, asking, press, seen_on, turns_screen
from tests.tui.test_monitor import SIZES
from tests.tui.test_wheel_command import Desk
from tui import guidance
from tui.cli import run
from tui.walk import walk_of
from tui.wheelfile import read_record


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
async def test_walking_the_turns_looks_as_it_was_approved(size: tuple[int, int]) -> None:
    app, _, _ = turns_screen()
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        seen = await press(pilot, "x")
    approved("guide-turns", size, seen)


async def test_a_session_is_walked_to_its_end_with_what_is_left_counted_down() -> None:
    app, walk, kept = turns_screen()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        seen = seen_on(app)
        assert "round 1 of 2; from 900 N to 980 N in the end, +1 1/4 more in later rounds" in seen
        assert "left to do: 3 moves, 1 7/8 turns in all" in seen
        seen = await press(pilot, "enter")
        assert "left to do: 2 moves, 1 3/8 turns in all" in seen and ">  3" in seen
        seen = await press(pilot, "space")
        assert "left to do: 1 move, 1 1/4 turns in all" in seen
        seen = await press(pilot, "enter")
        assert "Nothing is left to turn" in seen and "done" in seen
        assert walk.net_turns() == [1.75, 0.0, -0.125, 0.0]
        await pilot.press("enter")
    assert app.return_value is not None and kept == [1, 2, 3]


async def test_back_by_one_and_wrong_keys_at_the_first_move() -> None:
    app, walk, kept = turns_screen()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        before = seen_on(app)
        assert await press(pilot, "x", "5", "f", "down") == before
        assert "! this is the first one" in await press(pilot, "minus")
        seen = await press(pilot, "enter", "minus")
        assert "position 1 counts as not turned" in seen and walk.done == 0
        await pilot.press("escape")
    assert app.return_value is None and kept == [1, 0]


async def test_what_does_not_fit_is_said_before_the_first_turn() -> None:
    odd = an_answer() | {"outliers": [{"position": 2, "why": "read 979 N: a misread spoke"}]}
    app, _, _ = turns_screen(odd)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "LOOK FIRST at position 2: read 979 N" in seen_on(app)


def test_prompts_walk_the_same_turns() -> None:
    walk, said, kept = walk_of(an_answer(), "a"), [], []
    ask, prompts = asking("", "x", "-", "", "", "")
    assert guidance.turns(walk, lambda w: kept.append(w.done), ask, said.append)
    assert kept == [1, 0, 1, 2, 3] and "Enter, - or q" in said
    assert "position 1: +1/2   (now 900 N, 980 N in the end; left to do: 3 moves" in prompts[0]


def test_turns_are_taken_up_where_they_were_left_and_noted_in_the_record(
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    desk.to_the_set()
    answer = desk.folder / "answer.json"
    readings = desk.sheet()
    answer.write_text(desk.does("retension", desk.build, "--readings", readings, "--wheel", desk.record, "--now",
                                "2025-03-06T09:00Z", "--json"))  # fmt: skip
    content = json.loads(answer.read_text())
    moves = sum(len(r) for r in content["rounds"])
    monkeypatch.setattr("sys.stdin", io.StringIO("\n" * 5))
    desk.does("guide", "turns", answer, "--wheel", desk.record)
    assert json.loads((desk.folder / "answer.json.done").read_text())["done"] == 5
    monkeypatch.setattr("sys.stdin", io.StringIO("\n" * (moves - 5)))
    out = desk.does("guide", "turns", answer, "--wheel", desk.record, "--now", "2025-03-06T09:40Z")
    assert out.count("position") == moves - 5
    record = read_record(desk.record)[0]
    assert list(record.turned[-1].turns) == pytest.approx(content["turns"])
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    # another answer begins at its own first move
    other = content | {"rounds": [[{"position": 3, "turns": 0.25}]]}
    answer.write_text(json.dumps(other))
    assert "[1/" in desk.does("guide", "turns", answer)


@pytest.mark.parametrize(
    "spoilt",
    [
        {},
        {"rounds": 3},
        {"rounds": [[{"position": 99, "turns": 1}]]},
        {"rounds": [[{"position": 10**400, "turns": 1}]]},
        {"rounds": [[{"position": 1, "turns": 10**400}]]},
        {"tension_now_N": [1.0]},
    ],
)
def test_what_is_no_answer_of_retension_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], spoilt: Any
) -> None:
    path = tmp_path / "answer.json"
    path.write_text(json.dumps(an_answer() | spoilt if spoilt else {}))
    assert run(["guide", "turns", str(path)]) == 2
    assert "not an answer of 'longhold retension --json'" in capsys.readouterr().err
