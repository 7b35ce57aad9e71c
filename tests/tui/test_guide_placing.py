"""Guided work: placing spokes on the stations of a frame, on the screen and at plain prompts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bench.cues import Cue
from bench.errors import LineTrouble
from tests.tui.guides import FRAME, Bench, approved, asking, burst, placing_screen, press, seen_on
from tests.tui.test_monitor import SIZES
from tui import guidance
from tui.cli import run
from tui.guide import Guide
from tui.screens.placing import PlacingScreen


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
async def test_placing_spokes_looks_as_it_was_approved(size: tuple[int, int]) -> None:
    bench = Bench()
    app, _, _ = placing_screen(bench)
    async with app.run_test(size=size) as pilot:
        await app.workers.wait_for_complete()
        seen = await press(pilot, "enter", "backspace", "9", "enter")
    approved("guide-placing", size, seen)


async def test_every_station_is_seen_to_then_the_word_begins_it() -> None:
    bench = Bench()
    app, placing, _ = placing_screen(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await app.workers.wait_for_complete()
        seen = await press(pilot, "enter", "enter", *["backspace"] * 6, "enter", "enter")
        assert "All stations are seen to" in seen and "Nothing stands in the way" in seen
        assert placing.on_stations == [("A", "K07-01"), ("B", "K07-02"), ("D", "K07-04")]
        assert "! type go and Enter" in await press(pilot, "enter")
        assert "! type go and Enter" in await press(pilot, *"yes", "enter")
        await pilot.press(*"go", "enter")
    assert app.return_value == "go"


async def test_labels_from_a_scanner_and_the_word_are_taken_in_one_piece() -> None:
    bench = Bench()
    app, placing, _ = placing_screen(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await app.workers.wait_for_complete()
        for label in ("S-1", "S-2", "S-3", "S-4"):
            await burst(pilot, *["backspace"] * 6, *label, "enter")
        await burst(pilot, *"go", "enter")
    assert app.return_value == "go"
    assert [label for _, label in placing.on_stations] == ["S-1", "S-2", "S-3", "S-4"]


async def test_a_loaded_station_a_double_label_and_an_open_guard_are_refused() -> None:
    bench = Bench()
    app, placing, screen = placing_screen(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await app.workers.wait_for_complete()
        bench.plant.cue(Cue.CELL_DRIFTS, 0, 40.0 * 3600.0)
        bench.plant.advance(1.0)
        await screen.see()
        assert "a new spoke begins slack" in await press(pilot, "enter")
        bench.plant.clear(Cue.CELL_DRIFTS, 0)
        screen.reading = replace(
            screen.reading, stations=tuple(replace(s, load_N=0.1) for s in screen.reading.stations)
        )  # fmt: skip
        await press(pilot, "enter", "backspace", "1", "enter")
        assert "K07-01 is on another station already" in seen_on(app) and not placing.placed[1]
        await press(pilot, "backspace", "2", "enter", "enter", "enter")
        screen.reading = replace(screen.reading, guard_closed=False, estop_closed=False)
        seen = await press(pilot, *"go", "enter")
        assert "not yet: emergency stop is open, guard is open" in seen
        await pilot.press("escape")
    assert app.return_value is None


async def test_a_frame_that_does_not_answer_is_said_and_nothing_can_be_taken() -> None:
    bench = Bench()
    placing = bench.placing()

    async def silent() -> Any:
        raise LineTrouble("simulated link: no answer within 0.2 s")

    app = Guide(PlacingScreen(placing, what="K07", look=silent, every_s=None))
    async with app.run_test(size=(80, 24)) as pilot:
        await app.workers.wait_for_complete()
        assert "! the frame does not answer: simulated link" in await press(pilot, "enter")
        assert not any(placing.placed)


async def test_prompts_place_the_same_spokes() -> None:
    bench, said = Bench(), []
    placing = bench.placing()
    ask, prompts = asking("", "K07-01", "K07-22", "-", "K07-23", "empty", "", "yes", "go")
    assert await guidance.placing(placing, bench.look, ask, said.append)
    assert placing.on_stations == [("A", "K07-01"), ("B", "K07-23"), ("D", "K07-04")]
    assert any("on another station already" in s for s in said) and "! type go, or q to leave" in said
    assert prompts[0].startswith("station A (") and prompts[0].endswith("[K07-01]: ")


def test_the_batch_command_refuses_before_anything_is_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    argv = ["guide", "batch", "--frame", str(FRAME), "--batch", "K07", "--out", "night.h5"]
    for more, says in (
        (["--hours", "0.5"], "at least 1 h"),
        (["--hours", "12", "--load", "heavy"], "--load"),
        (["--hours", "12", "--load", "1900 N"], "station A allows 2000 N"),
    ):
        assert run([*argv, *more]) == 2
        assert says in capsys.readouterr().err
    Path("night.h5").touch()
    assert run([*argv, "--hours", "12"]) == 2
    assert "exists; give --force" in capsys.readouterr().err
