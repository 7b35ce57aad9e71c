"""Which nipples to turn, how far and in which order; at the pitch of a 56 threads an inch spoke (25.4/56 mm, exact)."""

from __future__ import annotations

import numpy as np
import pytest

from models.errors import CannotAnswer
from planner.turning import EIGHTH, safe_order, turning
from planner.wheel import Wheel
from tests.planner.test_retension import build as build
from tests.planner.test_retension import measured
from tests.planner.test_retension import wheel as wheel


def test_a_wheel_knocked_out_by_known_turns_is_turned_back_by_them(wheel: Wheel) -> None:
    """Turning known eighths out of a true and even wheel must be undone: wrong sign, pitch or side would not."""
    rng = np.random.default_rng(4)
    wrong = rng.integers(-2, 3, 28) * EIGHTH
    pitch = wheel.build.spoke.thread_pitch_mm
    even = wheel.tensions_N()
    answer = wheel.respond(even, wrong * pitch, 433e3)
    found = turning(
        wheel, answer.tension_N, even, 1296.0,
        measured(answer.tension_N, lateral_mm=answer.lateral_mm + 0.2, radial_mm=answer.radial_mm), 433e3,
    )  # fmt: skip
    assert np.abs(found.turns + wrong).max() <= EIGHTH
    back = wheel.respond(answer.tension_N, found.turns * pitch, 433e3)
    assert np.abs(back.tension_N / even - 1.0).max() < 0.03
    lateral = answer.lateral_mm + back.lateral_mm
    assert np.ptp(lateral) < 0.12 < np.ptp(answer.lateral_mm)
    # what is foretold is what happens
    assert found.tension_N == pytest.approx(back.tension_N, abs=6.0)
    assert found.lateral_mm == pytest.approx(lateral - lateral.mean(), abs=0.02)


def test_one_eighth_changes_its_own_spoke_by_influence_times_pitch(wheel: Wheel) -> None:
    """56 threads an inch: an eighth is 25.4/56/8 = 0.0567 mm."""
    even = wheel.tensions_N()
    low = even - wheel.influence(even, 433e3)[:, 5] * (25.4 / 56 / 8) * 6
    found = turning(wheel, low, even, 1296.0, measured(low), 433e3)
    assert found.turns[5] == pytest.approx(6 * EIGHTH, abs=EIGHTH)
    assert np.abs(np.delete(found.turns, 5)).max() <= EIGHTH


def test_turns_are_eighths_and_nothing_is_turned_in_a_wheel_that_is_right(wheel: Wheel) -> None:
    even = wheel.tensions_N()
    flat = np.zeros(28)
    found = turning(wheel, even, even, 1296.0, measured(even, lateral_mm=flat, radial_mm=flat), 433e3)
    assert not found.turns.any() and found.rounds == () and found.order == []
    rng = np.random.default_rng(1)
    uneven = wheel.reachable(even * (1 + 0.06 * rng.standard_normal(28)))
    found = turning(wheel, uneven, even, 1296.0, measured(uneven), 433e3)
    assert (found.turns * 8 == np.round(found.turns * 8)).all() and found.turns.any()


def test_no_single_or_pair_of_eighths_would_do_better(wheel: Wheel) -> None:
    """The answer is at a minimum over eighths: checked by brute force on the objective written out anew."""
    rng = np.random.default_rng(2)
    even = wheel.tensions_N()
    now = wheel.reachable(even * (1 + 0.06 * rng.standard_normal(28)))
    lateral, radial = 0.2 * rng.standard_normal(28), 0.1 * rng.standard_normal(28)
    found = turning(wheel, now, even, 1e5, measured(now, lateral_mm=lateral, radial_mm=radial), 433e3)
    pitch = wheel.build.spoke.thread_pitch_mm
    A = wheel.influence(now, 433e3) * pitch
    L, R = (pitch * r for r in wheel.runout(now, 433e3))

    def cost(u: np.ndarray) -> float:
        off = (now + A @ u) / even - 1.0
        means = [off[wheel.side == s].mean() for s in (0, 1)]
        uneven = (off - np.array(means)[wheel.side]) / 0.04
        lat, rad = lateral + L @ u, radial + R @ u
        sums = (uneven**2).sum() + ((lat - lat.mean()) ** 2).sum() / 0.05**2 + ((rad - rad.mean()) ** 2).sum() / 0.05**2
        return float((sums + (u**2).sum() / 16 + 0.1 * (u != 0).sum()) / 28 + sum((m / 0.007) ** 2 for m in means))

    best = cost(found.turns)
    for i in range(28):
        for j in range(i, 28):
            for a, b in ((1, 0), (-1, 0), (1, -1), (-1, 1), (1, 1), (-1, -1)):
                u = found.turns.copy()
                u[i] += a * EIGHTH
                u[j] += b * EIGHTH
                assert cost(u) > best - 1e-4


def test_no_spoke_ends_above_its_limit_though_the_set_tension_is_close_to_it(wheel: Wheel) -> None:
    rng = np.random.default_rng(3)
    even = wheel.tensions_N()
    now = wheel.reachable(0.9 * even * (1 + 0.06 * rng.standard_normal(28)))
    free = turning(wheel, now, even, 1e5, measured(now, lateral_mm=0.3 * rng.standard_normal(28)), 433e3)
    limit = 1000.0
    assert free.tension_N.max() > limit
    kept = turning(wheel, now, even, limit, measured(now, lateral_mm=0.3 * rng.standard_normal(28)), 433e3)
    assert kept.tension_N.max() <= limit + 1.0
    assert kept.tension_N.mean() > 0.96 * even.mean()


def test_a_nipple_that_is_held_is_not_turned(wheel: Wheel) -> None:
    even = wheel.tensions_N()
    now = even.copy()
    now[9] *= 0.7
    assert turning(wheel, now, even, 1296.0, measured(now), 433e3).turns[9] > 0
    held = turning(wheel, now, even, 1296.0, measured(now), 433e3, hold=[10])
    assert held.turns[9] == 0.0 and 10 not in held.order


def test_dish_counts_only_where_it_was_measured(wheel: Wheel) -> None:
    even = wheel.tensions_N()
    flat = np.full(28, 0.4)
    unknown = turning(wheel, even, even, 1296.0, measured(even, lateral_mm=flat), 433e3)
    assert not unknown.turns.any()
    dished = turning(wheel, even, even, 1296.0, measured(even, lateral_mm=flat, dish_mm=0.6), 433e3)
    right = dished.turns[wheel.side == 1]
    # the rim stands to the right: left spokes are tightened, right ones loosened
    assert dished.turns[wheel.side == 0].mean() > 0 > right.mean()
    assert dished.lateral_mm is not None
    assert abs(dished.lateral_mm.mean()) < 0.15


def test_far_too_many_turns_are_refused_in_words(wheel: Wheel) -> None:
    even = wheel.tensions_N()
    with pytest.raises(CannotAnswer, match="turns in one pass"):
        turning(wheel, even, even, 1296.0, measured(even, lateral_mm=np.zeros(28), dish_mm=50.0), 433e3)


# -- the order --------------------------------------------------------------------------------------------------------


def test_the_order_turns_every_nipple_by_its_turns_and_loosens_first(wheel: Wheel) -> None:
    rng = np.random.default_rng(5)
    turns = rng.integers(-9, 10, 28) * EIGHTH
    A = wheel.influence(None, 433e3) * wheel.build.spoke.thread_pitch_mm
    rounds, peak, _ = safe_order(turns, wheel.tensions_N(), A, 1e5)
    total = np.zeros(28)
    for moves in rounds:
        signs = [m.turns > 0 for m in moves]
        assert signs == sorted(signs)
        for move in moves:
            assert abs(move.turns) <= 0.5
            total[move.position - 1] += move.turns
    assert total == pytest.approx(turns)
    assert peak >= (wheel.tensions_N() + A @ turns).max() - 1e-6


def test_where_going_once_round_would_pass_the_limit_the_order_keeps_below_it(wheel: Wheel) -> None:
    """Half a turn on each nipple in order overshoots on the way; an eighth here and there does not."""
    even = 0.8 * wheel.tensions_N()
    A = wheel.influence(even, 433e3) * wheel.build.spoke.thread_pitch_mm
    turns = np.full(28, 0.5)
    end = float((even + A @ turns).max())
    once, peak, _ = safe_order(turns, even, A, 1e5)
    assert peak > 1.05 * end
    careful, lower, _ = safe_order(turns, even, A, 1.03 * end)
    assert lower <= 1.03 * end
    now, total = even.copy(), np.zeros(28)
    for moves in careful:
        for move in moves:
            now = now + A[:, move.position - 1] * move.turns
            total[move.position - 1] += move.turns
            assert now.max() <= lower + 1e-9
    assert total == pytest.approx(turns)
    assert len(careful) > len(once)
