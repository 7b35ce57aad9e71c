"""Numbers as a person reads them."""

from __future__ import annotations

import math

import pytest

from tui import format as show


@pytest.mark.parametrize(
    ("value", "places", "shown"),
    [
        # ISO 80000-1:2009 Annex B, rule A and its examples (from memory, high confidence)
        (12.223, 1, "12.2"),
        (12.251, 1, "12.3"),
        (12.275, 1, "12.3"),
        (12.25, 1, "12.2"),
        (12.35, 1, "12.4"),
        (1225.0, -1, "1220"),
        (1235.0, -1, "1240"),
    ],
)
def test_rounding_follows_the_standards_examples(value: float, places: int, shown: str) -> None:
    assert show.number(value, places) == shown


def test_a_tie_is_decided_on_the_digits_that_print_and_not_on_the_binary_value() -> None:
    assert show.number(2.675, 2) == "2.68"  # the nearest double lies below 2.675
    assert show.number(1.005, 2) == "1.00"


def test_a_small_negative_value_never_shows_as_minus_zero() -> None:
    assert show.number(-0.04, 1) == "0.0"
    assert show.signed(-0.004, 2) == "0.00"


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_what_is_not_known_is_a_dash_and_never_a_number(value: float | None) -> None:
    assert {show.number(value), show.force(value), show.with_unit(value, "mm"), show.duration(value)} == {"-"}
    assert show.utc(value) == "-"


def test_a_force_is_shown_in_both_units_of_the_trade() -> None:
    assert show.force(980.665) == "981 N (100.0 kgf)"  # 1 kgf = 9.80665 N exactly (standard gravity)
    assert show.force(1500) == "1500 N (153.0 kgf)"


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [
        (0, "0 s"),
        (99.4, "99 s"),
        (100, "2 min"),
        (3569, "59 min"),
        (3571, "1 h"),
        (15600, "4 h 20 min"),
        (43200, "12 h"),
        (169200, "47 h"),
        (187200, "2 d 4 h"),
        (2592000, "30 d"),
        (-90, "-90 s"),
    ],
)
def test_a_duration_is_told_in_the_units_a_builder_says(seconds: float, shown: str) -> None:
    assert show.duration(seconds) == shown


def test_a_stopwatch_goes_on_past_a_day() -> None:
    assert show.stopwatch(11564.9) == "03:12:44"
    assert show.stopwatch(100 * 3600 + 61) == "100:01:01"


def test_a_count_of_one_is_singular_and_none_is_a_word() -> None:
    assert [show.counted(n, "pass", "passes") for n in (0, 1, 3)] == ["no passes", "1 pass", "3 passes"]


def test_a_moment_is_in_utc_and_says_so() -> None:
    assert show.utc(0.0) == "1970-01-01 00:00Z"
