"""Which stretched spoke goes where: the wheel stays even by itself."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from models.batch import Batch
from models.errors import InputError
from planner.build import build_of
from planner.life import usual_schedule
from planner.match import Stretched, _Effect, _swap, match, remaining_mm, stretched_of
from planner.wheel import wheel_of
from tests.golden import default_chain

WHEEL = wheel_of(build_of({"spoke": {"linear_density_g_per_m": 4.2}, "wheel": {"rim": {"area_mm2": 85.0}}}))
SCHEDULE = usual_schedule(WHEEL.build)


def spokes(n: int, seed: int, sd: float = 0.1, known: float = 0.0) -> list[Stretched]:
    rng = np.random.default_rng(seed)
    return [
        Stretched(
            spoke=f"K{i:02d}",
            chain=default_chain().scaled(
                recoverable=np.exp(sd * rng.standard_normal()), bedding=np.exp(sd * rng.standard_normal())
            ),
            scales_log_sd=np.array([0.0, known, known, 0.0]),
        )
        for i in range(n)
    ]


def batch_with(rows: object) -> Batch:
    d = {"batch": "invented", "chain": default_chain().as_dict(), "spread": {"log_sd": {}, "spokes": 4}, "spokes": rows}
    return Batch.from_dict(d)


def test_matched_spokes_leave_tension_and_rim_more_even_than_chance() -> None:
    found = [match(WHEEL, spokes(28, seed), SCHEDULE, np.random.default_rng(seed)) for seed in range(5)]
    for m in found:
        assert sorted(m.spokes) == [f"K{i:02d}" for i in range(28)]
        assert m.matched.spread_percent < 0.6 * m.at_random.spread_percent
        assert m.matched.lateral_mm < 0.2 * m.at_random.lateral_mm
    assert np.mean([m.matched.spread_percent for m in found]) < 0.4 * np.mean(
        [m.at_random.spread_percent for m in found]
    )


def test_what_is_promised_is_what_the_wheel_does() -> None:
    """The placed spokes' creep put into the wheel whole, by the slack-aware solution instead of the matrices."""
    m = match(WHEEL, spokes(28, 5), SCHEDULE, np.random.default_rng(5))
    after = WHEEL.respond(WHEEL.tensions_N(), -m.remaining_mm)
    relative = after.tension_N / WHEEL.tensions_N()
    spread = max(
        np.quantile(np.abs(relative[WHEEL.side == s] / relative[WHEEL.side == s].mean() - 1.0), 0.95) for s in (0, 1)
    )
    assert m.matched.spread_percent == pytest.approx(100 * spread, abs=1e-6)
    assert m.matched.lateral_mm == pytest.approx(np.ptp(after.lateral_mm), abs=1e-9)


def test_spares_that_creep_most_stay_on_the_shelf() -> None:
    some = spokes(28, 1)
    lazy = [
        Stretched(spoke=f"X{i}", chain=default_chain().scaled(recoverable=3.0, bedding=3.0), scales_log_sd=np.zeros(4))
        for i in range(2)
    ]
    m = match(WHEEL, [*lazy, *some], SCHEDULE, np.random.default_rng(1))
    assert sorted(m.left_over) == ["X0", "X1"]


def test_poorly_known_spokes_promise_less() -> None:
    sharp = match(WHEEL, spokes(28, 2, known=0.005), SCHEDULE, np.random.default_rng(2))
    vague = match(WHEEL, spokes(28, 2, known=0.08), SCHEDULE, np.random.default_rng(2))
    assert sharp.scales_known and vague.scales_known
    assert vague.matched.spread_percent > 1.5 * sharp.matched.spread_percent
    assert vague.matched.spread_percent < vague.at_random.spread_percent


def test_too_few_spokes_are_refused() -> None:
    with pytest.raises(InputError, match="27 stretched spokes for a wheel of 28"):
        match(WHEEL, spokes(27, 0), SCHEDULE, np.random.default_rng(0))


def test_swapping_finds_the_best_of_all_placings_of_a_few_spokes() -> None:
    rng = np.random.default_rng(4)
    side = np.array([0, 1, 0, 1, -1])  # four places and a shelf
    root = rng.standard_normal((4, 4))
    Q = np.zeros((5, 5))
    Q[:4, :4] = root.T @ root
    creep = rng.uniform(0.1, 0.3, (5, 2))

    def cost(order: tuple[int, ...]) -> float:
        d = np.array([creep[order[i], side[i]] if side[i] >= 0 else 0.0 for i in range(5)])
        return float(d @ Q @ d)

    best = min(cost(p) for p in permutations(range(5)))
    found = min(_swap(rng.permutation(5), creep, side, Q)[1] for _ in range(30))
    assert found == pytest.approx(best, rel=1e-12)
    order, value = _swap(np.arange(5), creep, side, Q)
    assert value == pytest.approx(cost(tuple(order)), rel=1e-12)


def test_remaining_creep_is_less_on_the_slacker_side() -> None:
    dished = wheel_of(
        build_of({"wheel": {"hub": {"left": {"flange_to_centre_mm": 36.0}, "right": {"flange_to_centre_mm": 18.0}}}})
    )
    mm = remaining_mm(dished, spokes(2, 0), usual_schedule(dished.build), np.random.default_rng(0), 3)
    assert mm.shape == (4, 2, 2)
    assert (mm[..., 0] < mm[..., 1]).all()


def test_the_cost_is_nothing_without_creep_and_counts_lost_tension() -> None:
    Q = _Effect.of(WHEEL).cost(WHEEL.build)
    even = np.full(28, 0.2)
    one = even.copy()
    one[3] += 0.1
    assert even @ Q @ even > 0
    assert one @ Q @ one > even @ Q @ even
    assert np.linalg.eigvalsh(Q)[0] > -1e-9 * np.linalg.eigvalsh(Q)[-1]


def test_single_spokes_are_read_from_tables_or_lists_of_scales() -> None:
    rows = [
        {"spoke": "A1", "scales": {"recoverable": 2.0}, "scales_sd": {"recoverable": 0.1, "flow": None}},
        {"spoke": "A2", "scales": [1.0, 1.0, 0.5, 1.0], "scales_sd": [0.0, 0.0, 0.05, 0.0]},
    ]
    one, two = stretched_of(batch_with(rows), "b.json")
    assert one.chain.recoverable_compliance_per_N == pytest.approx(2 * default_chain().recoverable_compliance_per_N)
    assert one.scales_log_sd == pytest.approx([0, 0.05, 0, 0])
    assert two.chain.bedding_compliance_per_N == pytest.approx(0.5 * default_chain().bedding_compliance_per_N)
    assert two.scales_log_sd == pytest.approx([0, 0, 0.1, 0])


@pytest.mark.parametrize(
    "rows",
    [
        None,
        [],
        {"K1": {}},
        ["K1"],
        [{"spoke": "K1"}],
        [{"spoke": "K1", "scales": 3}],
        [{"spoke": "K1", "scales": [1, 2]}],
        [{"spoke": "K1", "scales": {"elastic": "much"}}],
        [{"spoke": "K1", "scales": {"elastic": 0.0}}],
        [{"spoke": "K1", "scales": {"elastic": 1.0}, "scales_sd": {"elastic": -1.0}}],
        [{"spoke": "K1", "scales": {"elastic": float("nan")}}],
    ],
)
def test_a_batch_without_proper_single_spokes_is_refused_by_name(rows: object) -> None:
    with pytest.raises(InputError, match=r"b\.json: key 'spokes'"):
        stretched_of(batch_with(rows), "b.json")
