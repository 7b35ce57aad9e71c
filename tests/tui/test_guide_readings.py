"""Guided work: typing a wheel's readings, on the screen and at plain prompts."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from models.calibrate import calibrate
from models.gauge import Gauge
from planner.build import build_of
from planner.wheel import Wheel, wheel_of
from tests.models.test_gauge import FRAME_N_PER_MM, invented
from tests.tui.guides import approved, asking, burst, press, sheet_screen, typed
from tests.tui.test_monitor import SIZES
from tests.tui.test_wheel_command import Desk
from tui import guidance
from tui.typed import Sheet, expected_of
from tui.wheelfile import read_record


@pytest.fixture(scope="module")
def small() -> Wheel:
    return wheel_of(build_of({"wheel": {"spokes": 8, "crosses": 1}}))


@pytest.fixture(scope="module")
def gauge() -> Gauge:
    readings = invented(np.random.default_rng(1), sd=0.02, step=0.1)
    return calibrate(readings, reading_unit="div", stiffness_N_per_mm=FRAME_N_PER_MM, spoke_batch="K07").gauge


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
