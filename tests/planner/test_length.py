"""Length to order: a spoke of that length, stretched and tensioned, has its end where the build asks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.batch import Batch
from models.chain import Chain
from models.unknown import Spread, Uncertainty
from planner.build import build_of
from planner.length import LengthAnswer, lengths
from planner.life import MARKS, life_of, strains_of, usual_schedule
from planner.schedule import Session
from planner.wheel import wheel_of
from tests.golden import default_chain

NONE = Uncertainty(names=(), log_covariance=np.zeros((0, 0)))
ALIKE = Spread(log_sd=np.zeros(4), correlation=np.eye(4), spokes=4)
WHEEL = {
    "rim": {"area_mm2": 85.0},
    "rim_seat_diameter_mm": 600.0,
    "hub": {"left": {"hole_mm": 2.5}, "right": {"hole_mm": 2.5}},
}
SPOKE = {"fibre_length_mm": 280.0, "linear_density_g_per_m": 4.2}


def batch(chain: Chain) -> Batch:
    return Batch(batch="invented", law="given", chain=chain, spread=ALIKE, uncertainty=NONE)


def answer(chain: Chain, **spoke: object) -> LengthAnswer:
    build = build_of({"wheel": WHEEL, "spoke": {**SPOKE, **spoke}, "tension": {"target_N": 1000}})
    return lengths(build, batch(chain), usual_schedule(build), np.random.default_rng(1), 8)


def test_a_spoke_that_only_stretches_elastically_is_ordered_shorter_by_that() -> None:
    """287.3919 mm of geometry (28 spokes, 2 crosses, 600 mm, hole 2.5), 1000 N x 280 mm/400 kN of stretch, and the
    rim's give N T R/(2 pi EA) seen along the spoke."""
    left, right = answer(Chain.of(EA0_N=400e3)).sides
    assert left.geometry_mm == pytest.approx(287.3919, abs=5e-5)
    b_r = 0.9909
    give = 28 * 1000 * b_r * 300 / (2 * np.pi * 85 * 69000) * b_r
    assert left.rim_give_mm == pytest.approx(give, rel=0.01)
    assert left.elongation_mm["total"] == pytest.approx(0.7)
    assert left.order_mm == pytest.approx(287.3919 - left.rim_give_mm - 0.7, abs=1e-4)
    assert right.order_mm == pytest.approx(left.order_mm)


def test_lasting_and_recoverable_growth_are_taken_off_and_told_apart() -> None:
    elastic = answer(Chain.of(EA0_N=400e3)).sides[0]
    bedded = answer(Chain.of(EA0_N=400e3, bedding=([0.0], [1e-6]))).sides[0]
    # bedding at once at the highest load of its life: the bench, 1500 N
    assert bedded.elongation_mm["lasting"] == pytest.approx(280.0 * 1e-6 * 1500.0)
    assert elastic.order_mm - bedded.order_mm == pytest.approx(0.42)
    slow = answer(Chain.of(EA0_N=400e3, recoverable=([10.0], [5e-7]))).sides[0]
    assert slow.elongation_mm["recoverable"] == pytest.approx(280.0 * 5e-7 * 1000.0, rel=1e-6)
    assert elastic.order_mm - slow.order_mm == pytest.approx(0.14, rel=1e-4)


def test_the_asked_place_of_the_end_moves_the_order_one_to_one() -> None:
    middle, outward = (answer(default_chain(), end_past_seat_mm=x).sides[0].order_mm for x in (0.0, 1.5))
    assert outward - middle == pytest.approx(1.5)


def test_a_dished_wheel_is_ordered_in_two_lengths() -> None:
    hub = {"left": {"flange_to_centre_mm": 36.0}, "right": {"flange_to_centre_mm": 18.0}}
    build = build_of({"wheel": {"hub": hub}, "tension": {"target_N": 1000}})
    left, right = lengths(build, batch(default_chain()), usual_schedule(build), np.random.default_rng(1), 8).sides
    assert right.target_N == 1000.0
    assert left.target_N < 600.0
    assert left.geometry_mm - right.geometry_mm == pytest.approx(1.7, abs=0.1)
    assert left.elongation_mm["elastic"] < 0.6 * right.elongation_mm["elastic"]


def test_sizes_on_sale_next_to_the_order_are_weighed_and_the_nearest_that_fits_is_taken() -> None:
    side = answer(default_chain(), sizes_mm=[280, 282, 284, 286, 288]).sides[0]
    assert [f.size_mm for f in side.sizes] == [284, 286]
    for f in side.sizes:
        # rounding moves the end as much as the spoke is longer, and the room the other way
        assert f.end_at_horizon_mm == pytest.approx(f.size_mm - side.order_mm, abs=1e-9)
    low, high = side.sizes
    assert low.room_mm - high.room_mm == pytest.approx(2.0)
    assert high.engaged_set_mm - low.engaged_set_mm == pytest.approx(2.0)
    fitting = [f for f in side.sizes if f.fits]
    assert side.recommended_mm == min(fitting, key=lambda f: abs(f.end_at_horizon_mm)).size_mm


def test_without_sizes_whole_millimetres_are_weighed() -> None:
    side = answer(default_chain()).sides[0]
    assert [f.size_mm for f in side.sizes] == [np.floor(side.order_mm), np.floor(side.order_mm) + 1]


@pytest.mark.parametrize(
    ("sizes", "words"),
    [([270.0], "too short"), ([277.5], "too short"), ([290.0], "comes out of the nipple"), ([298.0], "too long")],
)
def test_a_size_that_does_not_fit_says_why_and_is_not_recommended(sizes: list[float], words: str) -> None:
    result = answer(default_chain(), sizes_mm=sizes)
    side = result.sides[0]
    assert side.recommended_mm is None
    assert not result.all_fit
    assert words in side.sizes[0].why


def test_a_short_thread_runs_out_before_the_nipples_end() -> None:
    side = answer(default_chain(), thread_length_mm=9.0, sizes_mm=[286.5]).sides[0]
    assert "the thread ends" in side.sizes[0].why


def test_thread_used_from_lacing_to_the_horizon_is_what_the_spoke_grows_and_the_rim_gives() -> None:
    chain = Chain.of(EA0_N=400e3)
    side = answer(chain).sides[0]
    assert side.thread_used_p95_mm == pytest.approx(0.9 * (0.7 + side.rim_give_mm), rel=1e-6)  # 100 to 1000 N


def test_an_unstretched_spoke_uses_more_thread_in_the_wheel() -> None:
    build = build_of({"wheel": WHEEL, "spoke": SPOKE, "tension": {"target_N": 1000}})
    stretched = usual_schedule(build)
    plain = replace(stretched, prestretch=None)
    rng = np.random.default_rng
    used = [
        lengths(build, batch(default_chain()), s, rng(1), 8).sides[0].thread_used_p95_mm for s in (stretched, plain)
    ]
    assert used[1] > used[0] + 0.2


def test_an_uncertain_batch_needs_more_thread_at_95_percent() -> None:
    build = build_of({"wheel": WHEEL, "spoke": SPOKE, "tension": {"target_N": 1000}})
    wide = replace(batch(default_chain()), spread=replace(ALIKE, log_sd=np.array([0.1, 0.2, 0.3, 0.5])))
    sharp, loose = (
        lengths(build, b, usual_schedule(build), np.random.default_rng(1), 300).sides[0]
        for b in (batch(default_chain()), wide)
    )
    assert loose.thread_used_p95_mm > sharp.thread_used_p95_mm + 0.05
    assert loose.sizes[0].room_mm < sharp.sizes[0].room_mm - 0.05


def test_the_life_follows_the_schedule_hour_by_hour() -> None:
    build = build_of({"wheel": WHEEL, "spoke": SPOKE, "tension": {"target_N": 1000}})
    usual = usual_schedule(build)
    later = replace(
        usual,
        sessions=(
            Session(kind="set", at_h=0.0, left_N=1040, right_N=1030),
            Session(kind="pass", at_h=16.0, left_N=1010, right_N=1000),
        ),
    )
    history, marks = life_of(build, later, 1000.0, 1)
    start_s = history.time_s[marks["laced"]]
    assert start_s == pytest.approx((12.0 + 0.5 + 11.5) * 3600 + 120)
    assert history.load_N[marks["slack"]] == 0.0
    assert history.load_N[marks["laced"]] == 100.0
    assert history.load_N[marks["set"]] == 1030.0
    assert history.time_s[marks["set"]] - start_s == pytest.approx(3600)
    assert history.time_s[marks["horizon"]] - start_s == pytest.approx(720 * 3600)
    assert history.load_N.max() == 1500.0
    # squeezes: two of three seconds at 1.25 x 0.85 of the set tension, each with its start and its end
    squeezed = np.isclose(history.load_N, 1.25 * 0.85 * 1030.0)
    assert squeezed.sum() == 4
    assert np.diff(history.time_s[squeezed])[[0, 2]] == pytest.approx(3.0)
    assert history.time_s[squeezed][-1] - start_s < 3 * 0.2 * 3600  # before the last turn up
    assert np.isclose(history.load_N, 1000.0).sum() >= 3  # the pass, and on to the horizon


def test_strains_at_the_marks_add_up_from_their_parts() -> None:
    build = build_of({"wheel": WHEEL, "spoke": SPOKE, "tension": {"target_N": 1000}})
    s = strains_of(default_chain(), build, usual_schedule(build), 1000.0, 0)
    assert s.total == pytest.approx(s.elastic + s.lasting + s.recoverable, abs=1e-15)
    assert s.total.shape == (len(MARKS),)
    assert s.elastic[0] == 0.0
    assert (np.diff(s.lasting) >= 0).all()


def test_the_set_weighs_what_its_spokes_weigh() -> None:
    result = answer(default_chain(), mass_g=2.4)
    assert result.spokes_g == pytest.approx(28 * 2.4)
    assert result.as_dict()["mass_g"]["change"] == pytest.approx(28 * (2.4 - 4.79))


def test_a_target_too_near_sideways_buckling_is_a_warning() -> None:
    weak = {**WHEEL, "rim": {"area_mm2": 85.0, "out_of_plane_inertia_mm4": 700.0, "torsion_constant_mm4": 200.0}}
    build = build_of({"wheel": weak, "spoke": SPOKE, "tension": {"target_N": 1000}})
    result = lengths(build, batch(default_chain()), usual_schedule(build), np.random.default_rng(1), 8)
    assert result.buckling_N < 1000.0 / 0.6
    assert any("leaves its plane" in w for w in result.warnings)
    assert not any("leaves its plane" in w for w in answer(default_chain()).warnings)


def test_a_rim_test_in_the_build_file_is_seen_in_what_is_known_of_the_rim() -> None:
    build = build_of({"wheel": WHEEL, "spoke": SPOKE})
    wheel = wheel_of(build)
    change = (wheel.influence()[:, 2] * 0.5 * 0.4536).tolist()
    lateral = (wheel.runout()[0][:, 2] * 0.5 * 0.4536).tolist()
    test = {"position": 3, "turns": 0.5, "change_N": change, "lateral_mm": lateral}
    sharper = build_of({"wheel": {**WHEEL, "rim_test": test}, "spoke": SPOKE})
    plain, tested = (
        lengths(b, batch(default_chain()), usual_schedule(b), np.random.default_rng(1), 8).as_dict()["rim"]
        for b in (build, sharper)
    )
    assert tested["GJ_Nmm2_sd_percent"] < 0.6 * plain["GJ_Nmm2_sd_percent"]
    assert tested["GJ_Nmm2"] == pytest.approx(plain["GJ_Nmm2"], rel=0.02)
