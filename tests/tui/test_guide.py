"""Guided work: readings, turns, placing spokes, playing with a plan; each on its screen and at plain prompts.

Long because each guided path is walked twice, with one set of helpers.
"""

from __future__ import annotations

import asyncio
import csv
import io
import json
import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from textual.app import App
from textual.events import Key
from textual.pilot import Pilot

from bench.clock import VirtualClock
from bench.cues import Cue
from bench.errors import LineTrouble
from bench.framefile import read_frame_file
from bench.plantframe import PlantFrame, make_plant
from models.calibrate import calibrate
from models.errors import CannotAnswer
from models.gauge import Gauge
from planner.build import Build, build_of, load_build
from planner.wheel import Wheel, wheel_of
from tests.models.test_gauge import FRAME_N_PER_MM, invented
from tests.tui.test_monitor import PICTURES, SIZES
from tests.tui.test_wheel_command import Desk
from tui import guidance, planplay
from tui.cli import run
from tui.guide import Guide
from tui.placing import Placing
from tui.planplay import KNOBS, Played
from tui.screens.big import big
from tui.screens.gauge import GaugeScreen
from tui.screens.placing import PlacingScreen
from tui.screens.plan import PlanScreen
from tui.screens.readings import ReadingsScreen
from tui.screens.turns import TurnsScreen
from tui.typed import Sheet, expected_of
from tui.walk import Walk, walk_of
from tui.wheelfile import read_record

DATA = Path(__file__).parents[2] / "datasets" / "demo"
FRAME = DATA / "frame.toml"


def seen_on(app: App[Any]) -> str:
    """What stands on the terminal, without the line of keys."""
    strips = app.screen._compositor.render_strips()
    return "\n".join("".join(s.text for s in strip).rstrip() for strip in strips[:-1]) + "\n"


async def press(pilot: Pilot[Any], *keys: str) -> str:
    await pilot.press(*keys)
    await pilot.pause()
    return seen_on(pilot.app)


def approved(name: str, size: tuple[int, int], seen: str) -> None:
    """To approve a changed look: APPROVE_SCREENS=1 pytest tests/tui/test_guide.py, then read the difference."""
    path = PICTURES / f"{name}-{size[0]}x{size[1]}.txt"
    if os.environ.get("APPROVE_SCREENS"):
        path.write_text(seen, encoding="utf-8")
    assert max(map(len, seen.splitlines())) <= size[0]
    assert seen == path.read_text(encoding="utf-8")


def typed(*numbers: object) -> list[str]:
    """Keys that type numbers, each with Enter."""
    out: list[str] = []
    for number in numbers:
        out += [{".": "full_stop", "-": "minus", ",": "comma"}.get(c, c) for c in str(number)] + ["enter"]
    return out


@pytest.fixture(scope="module")
def wheel() -> Wheel:
    return wheel_of(load_build(DATA / "build.toml"))


@pytest.fixture(scope="module")
def small() -> Wheel:
    return wheel_of(build_of({"wheel": {"spokes": 8, "crosses": 1}}))


@pytest.fixture(scope="module")
def gauge() -> Gauge:
    readings = invented(np.random.default_rng(1), sd=0.02, step=0.1)
    return calibrate(readings, reading_unit="div", stiffness_N_per_mm=FRAME_N_PER_MM, spoke_batch="K07").gauge


# -- a wheel's readings ----------------------------------------------------------------------------------------------


def sheet_screen(wheel: Wheel, gauge: Gauge | None = None) -> tuple[Guide[str], Sheet, list[int]]:
    sheet, kept = Sheet(wheel=wheel, gauge=gauge), []
    screen = ReadingsScreen(
        sheet, name="Front 7", what="before any nipple is turned", keep=lambda s: kept.append(s.read)
    )
    return Guide(screen), sheet, kept


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
async def test_typing_readings_looks_as_it_was_approved(wheel: Wheel, size: tuple[int, int]) -> None:
    app, _, _ = sheet_screen(wheel)
    async with app.run_test(size=size) as pilot:
        seen = await press(pilot, *typed(931, 925, 940, 951, 918, 1140, 933), "9", "4")
    approved("guide-readings", size, seen)
    assert "!  6 r  1140" in seen and "look again: 6" in seen


async def test_a_round_is_typed_with_number_keys_alone_and_kept_after_every_reading(small: Wheel) -> None:
    app, sheet, kept = sheet_screen(small)
    async with app.run_test(size=(80, 24)) as pilot:
        seen = await press(pilot, *typed(*range(930, 938)))
        assert "all 8 are read. Enter ends" in seen
        assert "8 of 8 read" in seen
        await pilot.press("enter")
    assert app.return_value == "all 8 spokes are read"
    assert sheet.tension_N == [float(930 + i) for i in range(8)]
    assert kept == list(range(1, 9))


async def burst(pilot: Pilot[Any], *keys: str) -> None:
    """Keys that are all there before the first is looked at: a scanner, or a line that lags."""
    names = {".": "full_stop"}
    for key in keys:
        pilot.app.post_message(Key(names.get(key, key), key if len(key) == 1 else None))
    await pilot.pause()
    await pilot.pause()


async def test_numbers_and_enters_that_come_in_one_piece_are_taken_in_their_order(small: Wheel) -> None:
    app, sheet, _ = sheet_screen(small)
    async with app.run_test(size=(80, 24)) as pilot:
        await burst(
            pilot, *"931", "enter", *"925", "enter", *"1", "backspace", *"94.5", "enter", "minus", *"940", "enter"
        )
        assert sheet.tension_N[:4] == [931.0, 925.0, 940.0, None]


async def test_undo_takes_back_one_reading_after_the_other_and_the_typed_digits_first(wheel: Wheel) -> None:
    app, sheet, _ = sheet_screen(wheel)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, *typed(931, 925, 940), "9")
        await press(pilot, "minus")  # only the digit
        assert sheet.read == 3
        seen = await press(pilot, "minus")
        assert "position 3 is taken back" in seen and sheet.cursor == 2
        await press(pilot, "minus", "minus")
        assert sheet.read == 0
        assert "! nothing to undo" in await press(pilot, "minus")


async def test_a_spoke_typed_again_can_be_undone_to_what_stood_before(wheel: Wheel) -> None:
    app, sheet, _ = sheet_screen(wheel)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, *typed(931, 925), "up", "up", *typed(1000))
        assert sheet.tension_N[0] == 1000.0
        await press(pilot, "minus")
        assert sheet.tension_N[0] == 931.0


async def test_wrong_keys_and_senseless_numbers_are_answered_and_change_nothing(wheel: Wheel) -> None:
    app, sheet, kept = sheet_screen(wheel)
    async with app.run_test(size=(80, 24)) as pilot:
        assert "type what was read" in await press(pilot, "enter")
        assert "is possible" in await press(pilot, *typed(99999))
        assert "is no tension" in await press(pilot, *typed("9.9.9"))
        await press(pilot, "x", "y", "f5", "home", "asterisk", "1", "2", "backspace", "backspace", "backspace")
        assert "no number" not in await press(pilot, "left")
        assert sheet.read == 0 and kept == []
        await pilot.press("q")
    assert app.return_value is None


async def test_plus_leaves_a_spoke_for_later_and_typing_comes_back_to_it(small: Wheel) -> None:
    app, sheet, _ = sheet_screen(small)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, *typed(931), "plus", *typed(*range(930, 936)))
        assert sheet.read == 7 and sheet.cursor == 1


async def test_readings_of_a_gauge_and_tensions_may_be_mixed(wheel: Wheel, gauge: Gauge) -> None:
    app, sheet, _ = sheet_screen(wheel, gauge)
    k = float(np.diag(wheel.influence(np.array(wheel.side_targets_N())[wheel.side]))[0])
    shows = round(float(gauge.reading_for(950.0, k)[0]), 1)
    async with app.run_test(size=(80, 24)) as pilot:
        seen = await press(pilot, *typed(shows))
        assert "in div" in seen
        assert sheet.tension_N[0] == pytest.approx(950.0, abs=6.0)  # a tenth of a division, at about 45 N a division
        seen = await press(pilot, "t", *typed(948))
        assert "in N" in seen and sheet.tension_N[1] == 948.0
        assert "reads" in seen
        off_curve = await press(pilot, "t", *typed(900))
        assert off_curve.count("! ") >= 1 and sheet.read == 2
    rows = list(csv.DictReader(io.StringIO(sheet.csv(when="before"))))
    assert [r["typed"] for r in rows] == [f"{shows:g}", "948"]


def wheel_record(desk_: Desk) -> Any:
    desk_.to_the_set()
    return read_record(desk_.record)[0]


def test_with_the_record_a_misread_spoke_is_named_at_once_and_a_sound_round_is_not(desk: Desk) -> None:
    record = wheel_record(desk)
    now = datetime(2025, 3, 6, 9, tzinfo=UTC)
    expected = expected_of(record, now)
    assert expected is not None and expected.from_record
    own = wheel_of(record.the_build)
    rng = np.random.default_rng(3)
    for trial in range(5):
        sheet = Sheet(wheel=own, gauge=None, expected=expected)
        chance = rng.multivariate_normal(expected.tension_N, expected.covariance) * (
            1 + 0.01 * rng.standard_normal(own.n)
        )
        for t in chance:
            assert sheet.put(f"{t:.0f}") is None
        assert sheet.odd() == {}, trial
    sheet = Sheet(wheel=own, gauge=None, expected=expected)
    sheet.put(f"{expected.tension_N[0]:.0f}")
    sheet.put(f"{expected.tension_N[1] + 300:.0f}")
    assert list(sheet.odd()) == [1]


def test_without_a_record_a_slipped_digit_is_named_once_a_few_spokes_are_read(wheel: Wheel) -> None:
    rng = np.random.default_rng(5)
    even = wheel.reachable(940 * (1 + 0.02 * rng.standard_normal(wheel.n)))
    sheet = Sheet(wheel=wheel, gauge=None)
    for i, t in enumerate(even):
        sheet.put(f"{t + (100 if i == 9 else 0):.0f}")
        if i < 9:
            assert sheet.odd() == {}
    assert list(sheet.odd()) == [9] and "read it again" in sheet.odd()[9]


def test_a_first_reading_far_from_the_target_is_asked_about(wheel: Wheel) -> None:
    sheet = Sheet(wheel=wheel, gauge=None)
    sheet.put("95 kgf")
    assert sheet.odd() == {}
    sheet.put("95")  # kgf typed without its unit
    assert "is far from" in sheet.odd()[1]


def lines(*given: str) -> Iterator[str]:
    yield from given
    while True:
        yield "q"


def asking(*given: str) -> tuple[Callable[[str], str], list[str]]:
    """A person who gives these lines, then q."""
    left, prompts = lines(*given), []

    def ask(prompt: str) -> str:
        prompts.append(prompt)
        return next(left)

    return ask, prompts


def test_prompts_type_the_same_sheet_line_by_line(wheel: Wheel) -> None:
    sheet, said, kept = Sheet(wheel=wheel, gauge=None), [], []
    ask, prompts = asking("931", "abc", "925", "-", "95 kgf", "+", "", "940", "t", "q")
    assert guidance.readings(sheet, lambda s: kept.append(s.read), ask, said.append) is False
    assert sheet.tension_N[:4] == [931.0, pytest.approx(931.6, abs=0.1), None, 940.0]
    assert any(s.startswith("! 'abc' is no tension") for s in said) and "position 2 is taken back" in said
    assert "no gauge's record was given: tensions are typed" in said
    assert prompts[0].startswith("[0/28] position 1, left") and "likely about 931 N" in prompts[3]


def test_the_command_goes_on_where_it_was_left_and_refuses_a_whole_round(
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    out = desk.folder / "morning.csv"

    def types(*numbers: object) -> str:
        monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{n}\n" for n in numbers)))
        return desk.does("guide", "readings", desk.build, "--out", out)

    types(*range(930, 940))  # the end of the input leaves
    assert len(out.read_text().splitlines()) == 11
    assert "missing: position 11" in desk.refuses("retension", desk.build, "--readings", out)
    assert "[10/28] position 11" in types(*range(940, 950))
    types(*range(950, 958), "")
    assert [float(r["tension_N"]) for r in csv.DictReader(io.StringIO(out.read_text()))] == list(range(930, 958))
    desk.does("retension", desk.build, "--readings", out, "--batch", desk.batch)
    assert "holds a whole round" in desk.refuses("guide", "readings", desk.build, "--out", out)
    assert "no is not a folder" in desk.refuses("guide", "readings", desk.build, "--out", "no/x.csv")


# -- turns -----------------------------------------------------------------------------------------------------------


def an_answer() -> dict[str, Any]:
    """Two rounds of a wheel of four spokes."""
    return {
        "rounds": [
            [{"position": 1, "turns": 0.5}, {"position": 3, "turns": -0.125}],
            [{"position": 1, "turns": 1.25}],
        ],
        "turns": [1.75, 0.0, -0.125, 0.0],
        "tension_now_N": [900.0, 980.0, 1000.0, 985.0],
        "tension_after_N": [980.0, 981.0, 982.0, 983.0],
        "read_N": [901.0, 979.0, 1001.0, 985.0],
        "outliers": [],
        "set_tension_N": {"left": 981.0, "right": 981.0},
        "session": "pass",
        "why": "because",
        "another_night": False,
    }  # fmt: skip


def turns_screen(answer: dict[str, Any] | None = None) -> tuple[Guide[str], Walk, list[int]]:
    walk, kept = walk_of(answer or an_answer(), "answer.json"), []
    return Guide(TurnsScreen(walk, name="Front 7", keep=lambda w: kept.append(w.done))), walk, kept


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
    "spoilt", [{}, {"rounds": 3}, {"rounds": [[{"position": 99, "turns": 1}]]}, {"tension_now_N": [1.0]}]
)
def test_what_is_no_answer_of_retension_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], spoilt: Any
) -> None:
    path = tmp_path / "answer.json"
    path.write_text(json.dumps(an_answer() | spoilt if spoilt else {}))
    assert run(["guide", "turns", str(path)]) == 2
    assert "not an answer of 'longhold retension --json'" in capsys.readouterr().err


# -- placing spokes --------------------------------------------------------------------------------------------------


class Bench:
    """The simulated frame, looked at; ``ticks`` is how many more times it lives, None without end."""

    def __init__(self) -> None:
        self.ticks: int | None = None
        self.given, self.used_up = asyncio.Event(), asyncio.Event()
        self.plant = make_plant(read_frame_file(FRAME), seed=1)
        self.clock = VirtualClock(0.0, self.advance)
        self.frame = PlantFrame(self.plant, self.clock)

    async def advance(self, dt_s: float) -> None:
        while self.ticks is not None and self.ticks <= 0:
            self.given.clear()
            self.used_up.set()
            await self.given.wait()
        if self.ticks is not None:
            self.ticks -= 1
        self.plant.advance(dt_s)

    def give(self, ticks: int) -> None:
        """Let it live so many ticks; ``used_up`` is set when they are."""
        self.ticks = ticks
        self.used_up.clear()
        self.given.set()

    async def look(self) -> Any:
        await self.clock.sleep_until(self.clock.now_s() + 0.5)
        return await self.frame.read()

    def placing(self) -> Placing:
        return Placing(facts=self.plant.facts, labels=[f"K07-{i:02d}" for i in range(1, 5)])


def placing_screen(bench: Bench) -> tuple[Guide[str], Placing, PlacingScreen]:
    placing = bench.placing()
    screen = PlacingScreen(placing, what="K07, 12 h", look=bench.look, every_s=None)
    return Guide(screen), placing, screen


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


# -- a gauge on the frame ----------------------------------------------------------------------------------------------


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


# -- a plan to play with -----------------------------------------------------------------------------------------------


def made(build: Build, progress: Callable[[str], None]) -> Played:
    """An instant plan that says what was asked of it."""
    from tui.pictures import Tension

    t = build.tension
    hours = np.geomspace(1.5, t.horizon_h, 30)
    curve = 1000.0 - 20.0 * np.log10(hours)
    band = {s: Tension(time_h=hours, low_N=curve - 30, middle_N=curve, high_N=curve + 30) for s in ("left", "right")}
    passes = 0 if t.tolerance_percent >= 9 else 1
    steps: list[dict[str, Any]] = [{"kind": "set", "at_h": 0.0, "tension_N": {"left": 981.0, "right": 981.0}}]
    if passes:
        steps.append({"kind": "pass", "at_h": 15.0, "tension_N": {"left": 990.0, "right": 990.0}})
    steps.append({"kind": "deliver", "at_h": t.delivery_h})
    schedule = {
        "steps": steps, "passes": passes, "holds": True, "target_N": {"left": 981.0, "right": 981.0},
        "untreated": {"passes": 3, "passes_to_hold": 5, "forecast_percent_at_horizon": -9.0},
        "forecast": {"probability_holds": 0.93},
        "tradeoff": [
            {"passes": passes, "bench_nights": 1, "hands_on_h": 3.0, "peak_N": 1226.0, "probability_holds": 0.93,
             "steps": steps},
            {"passes": 2, "bench_nights": 0, "hands_on_h": 2.5, "peak_N": 1100.0, "probability_holds": 0.97,
             "steps": []},
        ],
    }  # fmt: skip

    class Plan:
        pass

    plan: Any = Plan()
    plan.build = build
    progress("half way")
    return Played(plan=plan, schedule=schedule, course=band, untreated=band)


ASKED = build_of({"name": "front", "tension": {"tolerance_percent": 9, "delivery_h": 48, "horizon_h": 336}})


def plan_app(make: Any = made) -> Guide[Build]:
    return Guide(PlanScreen(ASKED, make, name="front, batch K07", wait_s=0.0))


async def settle(pilot: Pilot[Any]) -> str:
    for _ in range(3):
        await pilot.pause()
        await pilot.app.workers.wait_for_complete()
    await pilot.pause()
    return seen_on(pilot.app)


@pytest.mark.parametrize("size", [(80, 24), (120, 44)], ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("view", ["1", "2", "3"], ids=["steps", "tradeoff", "tension"])
async def test_a_plan_looks_as_it_was_approved(view: str, size: tuple[int, int]) -> None:
    app = plan_app()
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        await press(pilot, view)
        seen = seen_on(app)
    approved(f"guide-plan-{view}", size, seen)


async def test_a_changed_requirement_makes_the_plan_again() -> None:
    app = plan_app()
    async with app.run_test(size=(100, 30)) as pilot:
        seen = await settle(pilot)
        assert ">tolerance 9 % " in seen and "With the plan: no overnight passes" in seen
        await press(pilot, "left")
        seen = await settle(pilot)
        assert ">tolerance 8 %*" in seen and "With the plan: 1 overnight pass" in seen
        await press(pilot, "tab", "right", "tab", "right")
        seen = await settle(pilot)
        assert "nights to delivery 3*" in seen and ">horizon 21 d*" in seen
        await pilot.press("q")
    assert app.return_value is not None
    assert planplay.lines_of(ASKED, app.return_value) == [
        "[tension]", "tolerance_percent = 8", "delivery_h = 72", "horizon_h = 504",
    ]  # fmt: skip


async def test_an_answer_to_an_older_question_is_dropped() -> None:
    app = plan_app()
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        screen = app.screen
        assert isinstance(screen, PlanScreen)
        old, build = screen._round, screen.build
        screen.plan_now()
        await settle(pilot)
        stood = screen.played
        screen.came(old, build, made(build, lambda _: None))
        assert screen.played is stood


async def test_where_no_plan_can_be_given_the_reason_stands_there() -> None:
    def refuses(build: Build, progress: Callable[[str], None]) -> Played:
        raise CannotAnswer("tension.target_N = 981: the rim limit leaves no room for it")

    app = plan_app(refuses)
    async with app.run_test(size=(100, 30)) as pilot:
        assert "the rim limit leaves no room" in await settle(pilot)
        before = await press(pilot, "x")
        assert await press(pilot, "2", "9", "delete") == before


@pytest.mark.parametrize(
    ("key", "by", "text"),
    [
        ("tolerance", -20, "1 %"),
        ("tolerance", 40, "25 %"),
        ("sure", -1, "85 %"),
        ("horizon", 1, "21 d"),
        ("stations", 1, "5"),
    ],
)
def test_a_knob_stops_at_what_is_possible(key: str, by: int, text: str) -> None:
    knob = next(k for k in KNOBS if k.key == key)
    assert planplay.text(planplay.turned(ASKED, knob, by), knob) == text


def test_delivery_never_comes_after_the_horizon() -> None:
    nights, horizon = (next(k for k in KNOBS if k.key == key) for key in ("nights", "horizon"))
    short = planplay.changed(ASKED, horizon, 3)
    with pytest.raises(planplay.InputError, match="horizon must lie after the delivery"):
        planplay.changed(short, nights, 5)


def test_prompts_play_with_the_same_plan() -> None:
    said: list[str] = []
    ask, _ = asking("tolerance 8", "colour 3", "nights many", "tolerance 99", "nights 3", "")
    after = guidance.plan(ASKED, made, ask, said.append)
    assert (after.tension.tolerance_percent, after.tension.delivery_h) == (8, 72)
    errors = [s for s in said if s.startswith("!")]
    assert len(errors) == 3 and "none of tolerance, nights" in errors[0] and "'many' is no number" in errors[1]
    assert sum("With the plan: 1 overnight pass" in s for s in said) == 3  # 8 %, 3 nights, and once more as it is


def test_a_real_plan_is_made_for_the_screen() -> None:
    from tests.planner.batches import RIM, batch

    small = build_of({"wheel": {"spokes": 12, "crosses": 1, "rim": RIM}, "shop": {"stations": 12}})
    found = planplay.played(small, batch(creep=0.6), draws=100)
    assert found.schedule["steps"] and set(found.course) == {"left", "right"}
    assert found.course["left"].time_h[-1] == pytest.approx(small.tension.horizon_h)
    assert "<- this plan" in "\n".join(planplay.tradeoff_rows(found.schedule))


# -- without colour ----------------------------------------------------------------------------------------------------


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
            colours = {
                colour.get_truecolor()
                for strip in shown.screen._compositor.render_strips()
                for segment in strip
                if segment.style
                for colour in (segment.style.color, segment.style.bgcolor)
                if colour is not None
            }
        return seen, colours

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
