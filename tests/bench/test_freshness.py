"""Fresh, stale, restarted and late answers told apart by the device's own counter."""

from __future__ import annotations

import pytest

from bench.errors import LineTrouble
from bench.freshness import Freshness


def test_regular_answers_are_fresh_for_a_night_although_the_clocks_drift() -> None:
    """A crystal of 100 ppm is 4.3 s off after 12 h."""
    fresh = Freshness()
    for i in range(43_200):
        fresh.check(int(i * 1000 * (1 - 1e-4)), float(i))


def test_two_readings_of_one_instant_are_no_alarm() -> None:
    fresh = Freshness()
    fresh.check(1000, 5.0)
    fresh.check(1000, 5.0)
    fresh.check(1000, 5.02)


def test_a_counter_that_stands_is_stale() -> None:
    fresh = Freshness()
    fresh.check(1000, 5.0)
    with pytest.raises(LineTrouble, match=r"stood at 1000 for 0\.10 s"):
        fresh.check(1000, 5.1)


def test_a_counter_that_wraps_goes_on() -> None:
    fresh = Freshness(modulus=2**16)
    assert fresh.check(65_500, 0.0) == 0
    assert fresh.check(64, 0.1) == 100


def test_a_counter_that_jumps_back_is_a_restart_and_then_followed_anew() -> None:
    fresh = Freshness()
    fresh.check(100_000, 5.0)
    with pytest.raises(LineTrouble, match="jumped back from 100000 to 12"):
        fresh.check(12, 5.1)
    fresh.check(112, 5.2)
    fresh.check(212, 5.3)


def test_a_gateway_whose_queue_grows_is_found_by_the_age_of_its_values() -> None:
    """Each tick of 0.1 s brings values that are 10 ms older than the last ones."""
    fresh = Freshness()
    fresh.check(0, 0.0)
    with pytest.raises(LineTrouble, match=r"late answer: .* 1\.\d s old"):
        for i in range(1, 200):
            fresh.check(90 * i, 0.1 * i)


def test_values_that_catch_up_are_fresh_again() -> None:
    fresh = Freshness()
    fresh.check(0, 0.0)
    fresh.check(100, 0.9)  # 0.8 s old
    fresh.check(1000, 1.0)
    fresh.check(1100, 1.9)
    fresh.check(2000, 2.0)
