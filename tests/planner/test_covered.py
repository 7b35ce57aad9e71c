"""A plan at loads, temperatures and times that the batch's test did not see is refused, or says by how much."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from models.batch import Batch
from models.errors import CannotAnswer
from planner.covered import beyond_test, refuse_untested
from planner.schedule import Deliver, Prestretch, Schedule, Session
from planner.search import Search
from tests.planner.batches import batch, build


def seen(**covers: Any) -> Batch:
    return replace(batch(), covers=covers)


def schedule(load_N: float = 1500.0, temperature_C: float = 20.0) -> Schedule:
    return Schedule(
        prestretch=Prestretch(load_N=load_N, hours=8.0, temperature_C=temperature_C),
        sessions=(Session(kind="set", at_h=0.0, left_N=981.0, right_N=981.0),),
        deliver=Deliver(at_h=48.0),
    )


def test_a_wheel_tighter_than_anything_tested_is_refused_with_the_test_that_would_tell() -> None:
    with pytest.raises(CannotAnswer, match=r"tested up to 600 N only.*program new-batch.*lower the target to 600 N"):
        refuse_untested(build(), seen(load_N=[15.0, 600.0]), 981.0)
    with pytest.raises(CannotAnswer, match="tested up to 880 N only"):
        Search(build(), seen(load_N=[15.0, 880.0]), draws=10)


def test_a_little_beyond_the_test_or_a_batch_that_says_nothing_is_let_through() -> None:
    refuse_untested(build(), seen(load_N=[15.0, 900.0]), 981.0)
    refuse_untested(build(), seen(), 981.0)


def test_what_goes_beyond_the_test_is_said_in_load_temperature_and_time() -> None:
    narrow = seen(load_N=[15.0, 1000.0], temperature_C=[19.0, 21.0], longest_hold_s=3600.0)
    load, warmth, time = beyond_test(build(), narrow, schedule(temperature_C=50.0), 1100.0)
    assert "loads spokes to 1500 N" in load and "up to 1000 N" in load
    assert "at 20 to 50 degC" in warmth and "tested at 19 to 21 degC" in warmth
    assert "2.9 decades" in time and "(1.0 h)" in time  # 720 h over 1 h


def test_within_the_test_nothing_is_said_and_without_one_that_is() -> None:
    wide = seen(load_N=[15.0, 1450.0], temperature_C=[18.0, 22.0], longest_hold_s=10 * 3600.0)
    assert beyond_test(build(), wide, schedule(), 1100.0) == []
    [said] = beyond_test(build(), seen(), schedule(), 1100.0)
    assert "does not say what its test covered" in said
