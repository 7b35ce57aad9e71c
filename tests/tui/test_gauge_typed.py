"""What a person types beside the frame while a gauge is read: readings that fit, odd ones, the end of the input."""

from __future__ import annotations

import numpy as np
import pytest

from bench.gaugeprogram import Level
from bench.gaugestand import Answer, Asks, Moving, Point, Standing
from tui.gaugebench import Prompts, Typing, odd, table_text


def point(load_N: float, reading: float, rising: bool = True) -> Point:
    level = Level(step=2, load_N=load_N, rising=rising, series=1)
    return Point(level=level, at_utc=0.0, load_before_N=load_N - 50, load_N=load_N, spread_N=1.0, reading=reading)


def standing(asks: Asks = Asks.READING, load_N: float = 600.0, why_not: tuple[str, ...] = ()) -> Standing:
    level = Level(step=2, load_N=load_N, rising=True, series=1)
    return Standing(
        asks=asks, level=level, number=2, of=7, load_N=load_N, before_N=load_N - 50, guard_closed=True, why_not=why_not
    )


KNOWN = [point(t, round(4 + 0.02 * t, 1)) for t in (300.0, 500.0, 700.0, 900.0)]


@pytest.mark.parametrize(
    ("load_N", "reading", "says"),
    [
        (600.0, 16.0, None),
        (600.0, 16.2, None),  # a dial read a little wrong
        (600.0, 26.0, "the readings so far give about 16"),  # a digit slipped
        (600.0, 1.6, "does not fit"),
        (1100.0, 26.0, None),  # beyond what was read: only the direction is known
        (1100.0, 20.0, "goes the other way"),
        (200.0, 8.0, None),
        (200.0, 12.0, "goes the other way"),
    ],
)
def test_a_reading_that_does_not_fit_the_others_is_named_as_it_is_typed(
    load_N: float, reading: float, says: str | None
) -> None:
    said = odd(KNOWN, load_N, reading)
    assert (said is None) if says is None else (said is not None and says in said)


def test_too_few_readings_call_nothing_odd() -> None:
    assert odd(KNOWN[:3], 600.0, 99.0) is None


def test_an_odd_reading_counts_only_when_it_is_typed_twice() -> None:
    typing = Typing()
    typing.points = tuple(KNOWN)
    answer, words = typing.hear("26\n", standing())
    assert answer is None and "type the same again to keep it" in words
    assert typing.hear("27", standing())[0] is None  # another odd one is not the same
    answer, _ = typing.hear("27", standing())
    assert answer == Answer(kind="reading", reading=27.0)
    assert typing.hear("16,1", standing())[0] == Answer(kind="reading", reading=16.1)  # a comma is a decimal point


@pytest.mark.parametrize("wrong", ["", "abc", "12..5", "nan", "inf", "12 N"])
def test_what_is_no_number_is_asked_for_again(wrong: str) -> None:
    answer, words = Typing().hear(wrong, standing())
    assert answer is None and "number" in words


def test_clear_is_an_empty_line_and_nothing_else() -> None:
    typing, clear = Typing(), standing(Asks.CLEAR)
    assert typing.hear("23.5", clear) == (
        None,
        "press Enter once the gauge is off, hands are away and the guard is closed",
    )
    assert typing.hear("\n", clear)[0] == Answer(kind="clear")
    answer, words = typing.hear("\n", standing(Asks.CLEAR, why_not=("the guard is open: close it",)))
    assert answer is None and words == "not yet: the guard is open: close it"


def test_prompts_say_each_thing_once_and_the_end_of_input_stops() -> None:
    said: list[str] = []
    lines = iter(["12.5\n", ""])
    asked = Prompts(said.append, lambda: next(lines))
    asked._thread.join(timeout=10)
    assert asked.see(Moving(what="bed 950 N", load_N=1.0, set_load_N=950.0, left_s=None)) is None  # the line is no stop
    for _ in range(3):
        answer = asked.look(standing())
        if answer is not None:
            break
    assert answer == Answer(kind="stop")
    assert sum("Put the gauge on" in s for s in said) == 1 and sum("bed 950 N" in s for s in said) == 1


def test_the_table_is_what_the_command_reads() -> None:
    rows = table_text(KNOWN).splitlines()
    assert rows[0].split(",")[:5] == ["load_before_N", "load_N", "reading", "direction", "series"]
    assert np.allclose([float(r.split(",")[1]) for r in rows[1:]], [300, 500, 700, 900])
