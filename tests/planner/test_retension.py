"""After a night: outliers among the readings, what the wheel teaches, the sessions; the turns are in test_turning.py."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.batch import Batch
from models.chain import elastic_slope_per_N
from models.errors import CannotAnswer
from models.gauge import Gauge
from planner.build import Build, build_of
from planner.learning import _sizes, effective, weights
from planner.past import BenchNight, Past, Sitting, Turned
from planner.present import (
    Expected,
    Measured,
    at_shop_temperature,
    level_of,
    spread_of,
    where_it_stands,
    without_gauge,
)
from planner.retension import Retension, retension
from planner.schedule import Session
from planner.wheel import Wheel, wheel_of
from tests.golden import default_chain
from tests.planner.batches import demo_build
from tests.planner.simwheel import SimWheel

SET_N = 1010.0


def batch_of(**log_sd: float) -> Batch:
    spread = {"elastic": 0.02, "recoverable": 0.08, "bedding": 0.1, "flow": 0.3} | log_sd
    return Batch.from_dict(
        {"batch": "K07", "chain": default_chain().as_dict(), "spread": {"log_sd": spread, "spokes": 4}}
    )


@pytest.fixture(scope="module")
def build() -> Build:
    return demo_build(reading_repeat_percent=2.0)


@pytest.fixture(scope="module")
def wheel(build: Build) -> Wheel:
    return wheel_of(build)


@pytest.fixture(scope="module")
def past() -> Past:
    return Past(
        nights=(BenchNight(positions=tuple(range(1, 29)), load_N=1500.0, hours=14.0, temperature_C=20.0, rest_h=4.0),),
        rest_load_N=0.0,
        laced_h=11.5,
        lacing_N=100.0,
        sittings=(Sitting(kind="set", at_h=0.0, hours=1.0, wanted_N=(SET_N, SET_N)),),
        now_h=15.0,
        words="as noted",
    )


def measured(tension_N: np.ndarray, error: float = 0.02, **more: object) -> Measured:
    return Measured(tension_N=tension_N, sd_N=error * tension_N, **more)  # type: ignore[arg-type]


# -- readings ---------------------------------------------------------------------------------------------------------


def _known(wheel: Wheel, truth: np.ndarray, influence: np.ndarray) -> Expected:
    return Expected(
        tension_N=truth,
        covariance=spread_of(influence, 10.0 / np.linalg.norm(influence, axis=1)) + level_of(truth, 0.01),
        from_record=True,
    )


def test_a_misread_spoke_is_told_from_a_slipped_nipple(wheel: Wheel) -> None:
    pitch = wheel.build.spoke.thread_pitch_mm
    truth = wheel.tensions_N()
    A = wheel.influence(truth, 433e3)
    rng = np.random.default_rng(6)
    read = truth * (1 + 0.02 * rng.standard_normal(28))
    clean = where_it_stands(A, read, 0.02 * truth, _known(wheel, truth, A), pitch)
    assert clean.outliers == () and clean.good.all()

    misread = read.copy()
    misread[11] -= 180.0
    found = where_it_stands(A, misread, 0.02 * truth, _known(wheel, truth, A), pitch)
    assert [(o.position, o.kind) for o in found.outliers] == [(12, "misread")]
    assert found.outliers[0].likely_N == pytest.approx(truth[11], abs=40.0)
    assert found.tension_N[11] == pytest.approx(truth[11], abs=40.0)

    back = read - A[:, 11] * 0.4  # a nipple that let go by 0.4 mm lifts its neighbours
    found = where_it_stands(A, back, 0.02 * truth, _known(wheel, truth, A), pitch)
    assert [(o.position, o.kind) for o in found.outliers] == [(12, "slipped")]
    assert found.tension_N[11] == pytest.approx(back[11], abs=40.0)
    assert f"{0.4 / pitch:.1f}" in found.outliers[0].why


def test_fewer_than_one_clean_wheel_in_ten_has_a_spoke_pointed_out(wheel: Wheel) -> None:
    truth, pitch = wheel.tensions_N(), wheel.build.spoke.thread_pitch_mm
    A = wheel.influence(truth, 433e3)
    rng = np.random.default_rng(7)
    alarms = 0
    for _ in range(100):
        uneven = truth + A @ (0.05 * rng.standard_normal(28))
        read = uneven * (1 + 0.02 * rng.standard_normal(28))
        seen = where_it_stands(A, read, 0.02 * truth, Expected.of_any_wheel(wheel, read, A), pitch)
        alarms += bool(seen.outliers)
    assert alarms <= 5


def test_the_rims_balance_takes_off_part_of_the_reading_error(wheel: Wheel) -> None:
    """Of 28 errors six show as patterns that no wheel can carry (physics: N - 6 patterns)."""
    truth, pitch = wheel.tensions_N(), wheel.build.spoke.thread_pitch_mm
    A = wheel.influence(truth, 433e3)
    rng = np.random.default_rng(8)
    raw, better = [], []
    for _ in range(60):
        uneven = truth + A @ (0.15 * rng.standard_normal(28))
        read = uneven * (1 + 0.02 * rng.standard_normal(28))
        seen = where_it_stands(A, read, 0.02 * truth, Expected.of_any_wheel(wheel, read, A), pitch)
        raw.append(((read - uneven) ** 2).mean())
        better.append(((seen.tension_N - uneven) ** 2).mean())
    assert np.mean(better) < (22 / 28 + 0.05) * np.mean(raw)
    assert np.mean(better) == pytest.approx(np.mean(np.diag(seen.covariance)), rel=0.25)


def test_readings_that_scatter_more_than_stated_are_named_instead_of_blaming_spokes(wheel: Wheel) -> None:
    truth, pitch = wheel.tensions_N(), wheel.build.spoke.thread_pitch_mm
    A = wheel.influence(truth, 433e3)
    read = truth * (1 + 0.06 * np.random.default_rng(9).standard_normal(28))
    seen = where_it_stands(A, read, 0.01 * truth, _known(wheel, truth, A), pitch)
    assert seen.scatter > 2.0 and "scatter" in seen.notes[0]
    assert len(seen.outliers) == 0


def test_a_warm_reading_is_reduced_to_the_shops_temperature(wheel: Wheel) -> None:
    """About 11 N a spoke and degree for an aluminium rim and this fibre (order of magnitude from the physics notes)."""
    at_20 = wheel.tensions_N()
    at_25 = at_20 + 5.0 * wheel.rim_expansion_N_per_K(433e3, at_20, -12e-6)
    assert 8.0 < (at_25 - at_20).mean() / 5.0 < 14.0
    assert at_shop_temperature(wheel, at_25, 25.0, -12e-6, 433e3) == pytest.approx(at_20, abs=3.0)
    assert at_shop_temperature(wheel, at_20, None, -12e-6, 433e3) is at_20


def test_a_gauges_own_load_is_taken_off_with_the_wheels_stiffness(wheel: Wheel) -> None:
    """Under the gauge a spoke carries path x stiffness more than free."""
    gauge = Gauge.from_dict(
        {"coefficients": [0.0, 10.0], "range_N": [200, 1600], "U_percent": 2.0, "path_mm": 0.08, "reading_unit": "div"}
    )
    free = wheel.tensions_N() * (1 + 0.05 * np.random.default_rng(1).standard_normal(28))
    under = free + 0.08 * np.diag(wheel.influence(free, 433e3))
    tension, sd = without_gauge(wheel, gauge, under / 10.0, 433e3)
    assert tension == pytest.approx(free, abs=1.0)
    assert sd == pytest.approx(0.01 * under, rel=0.01)


# -- sessions ---------------------------------------------------------------------------------------------------------


def two_applications(
    sim: SimWheel, wheel: Wheel, past: Past, batch: Batch | None, planned: Session | None = None
) -> list[Retension]:
    turned: tuple[Turned, ...] = ()
    answers = []
    for _ in range(2):
        found = retension(wheel, sim.read(0.02), batch=batch, past=past, turned=turned, planned=planned, deliver_h=48.0)
        sim.turn(found.turning.turns, 0.25)
        turned = (*turned, Turned(before_N=found.present.read_N, after_N=found.turning.tension_N))
        answers.append(found)
    return answers


def test_two_applications_bring_simulated_wheels_within_balance_and_a_fifth_of_a_millimetre(
    build: Build, wheel: Wheel, past: Past
) -> None:
    """15 of the 100 wheels of the figure in the notes; 2 % reading error, run-out highest less lowest.

    Without a batch, so that what is checked is turns alone; creep goes on in the simulated wheel all the same.
    """
    batch, good = batch_of(), 0
    target = np.array(wheel.side_targets_N())
    for seed in range(15):
        sim = SimWheel.built(build, batch, past, seed)
        sim.stand_until(15.0)
        before = sim.spread_percent(), np.ptp(sim.lateral_mm)
        assert before[1] > 1.0 or before[0] > 2.0
        two_applications(sim, wheel, past, None)
        means = np.array([sim.tension_N[wheel.side == s].mean() for s in (0, 1)])
        assert np.abs(means / target - 1.0).max() < 0.02
        spread = sim.spread_percent() <= build.tension.balance_percent + build.tension.reading_repeat_percent
        good += spread and np.ptp(sim.lateral_mm) <= 0.2 and np.ptp(sim.radial_mm) <= 0.2
    assert good == 15


def test_a_wheel_set_more_unevenly_than_stated_has_no_spoke_blamed_for_it() -> None:
    """5 % from spoke to spoke where the build says 2 %: good readings taken for misread ones would leave it crooked."""
    hub = {"left": {"flange_to_centre_mm": 36.0}, "right": {"flange_to_centre_mm": 22.0}}
    wheel = {"spokes": 24, "crosses": {"left": 0, "right": 2}, "hub": hub}
    rear = build_of({"wheel": wheel, "tension": {"reading_repeat_percent": 2.0}})
    left, right = wheel_of(rear).side_targets_N()
    past = Past(
        nights=(), rest_load_N=0.0, laced_h=11.5, lacing_N=100.0, now_h=15.0,
        sittings=(Sitting(kind="set", at_h=0.0, hours=1.0, wanted_N=(left, right)),),
    )  # fmt: skip
    for seed in range(4):
        sim = SimWheel.built(rear, batch_of(), past, seed, set_error=0.05)
        sim.stand_until(15.0)
        assert sim.spread_percent() > 5.0
        answers = two_applications(sim, wheel_of(rear), past, None)
        assert not any(answer.present.outliers for answer in answers)
        assert sim.spread_percent() < 10.0
        assert np.ptp(sim.lateral_mm) <= 0.2 and np.ptp(sim.radial_mm) <= 0.2


def test_a_batch_and_a_record_foretell_the_loss_and_whether_another_night_is_needed(
    build: Build, wheel: Wheel, past: Past
) -> None:
    batch = batch_of()
    sim = SimWheel.built(build, batch, past, 1)
    sim.stand_until(15.0)
    first, second = two_applications(sim, wheel, past, batch)
    assert first.learned is not None
    assert first.learned.lost_percent == pytest.approx(12.0, abs=1.5)
    assert abs(first.learned.foretold_percent - first.learned.lost_percent) < 1.5
    assert first.learned.history == "as noted" and not first.present.outliers
    # set above target by what is still to be lost, and left there it stays within 7 % for a month
    assert 1050.0 < first.aim.tension_N[0] < 1120.0
    assert not second.another_night and second.probability is not None and second.probability > 0.9
    assert sim.tension_N.mean() == pytest.approx(second.aim.tension_N[0], rel=0.015)
    sim.stand_until(720.0)
    assert np.abs(sim.tension_N.mean() / np.array(wheel.side_targets_N()) - 1.0).max() < 0.07
    # set to the bare target it would not: another night
    low = retension(wheel, measured(sim.tension_N), batch=batch, past=past, wanted_N=(940.0, 940.0), deliver_h=48.0)
    assert low.another_night and low.probability is not None and low.probability < 0.2


def test_a_wheel_of_a_batch_that_creeps_more_than_fitted_teaches_its_scales(
    build: Build, wheel: Wheel, past: Past
) -> None:
    # unstretched: a stretched spoke that creeps more also gives more back, and loses nearly the same
    past = replace(past, nights=())
    batch, exact = batch_of(recoverable=0.2), batch_of(elastic=0.001, recoverable=0.001, bedding=0.001)
    sim = SimWheel.built(build, replace(exact, chain=exact.chain.scaled(recoverable=1.25)), past, 3)
    sim.stand_until(15.0)
    found = retension(wheel, sim.read(0.01), batch=batch, past=past)
    assert found.learned is not None
    assert found.learned.lost_percent > found.learned.foretold_percent + 1.0
    mean, sd = found.learned.scales["recoverable"]
    assert mean > 1.1 and abs(mean - 1.25) < 2.0 * sd < 0.3  # the prior's sd is 0.1 and its mean 1
    plain = retension(wheel, measured(np.full(28, SET_N * 0.88)), batch=batch, past=past)
    # more creep to come asks for more overtension
    assert found.aim.tension_N[0] > plain.aim.tension_N[0]


def test_a_mode_that_a_month_shows_nothing_of_is_no_part_of_the_recoverable_scale() -> None:
    """Else a batch whose modes may end would teach its scales before anything is read."""
    c = default_chain()
    far = replace(
        c,
        recoverable_tau_s=np.append(c.recoverable_tau_s, [3e7, 1e10]),
        recoverable_compliance_per_N=np.append(c.recoverable_compliance_per_N, [0.0, 1e-6]),
    )
    assert float(_sizes(far)[1]) == pytest.approx(float(_sizes(c)[1]), rel=2e-3)
    slow = c.recoverable_tau_s > 1e5
    ended = replace(c, recoverable_compliance_per_N=np.where(slow, 0.0, c.recoverable_compliance_per_N))
    assert float(_sizes(ended)[1]) < 0.85 * float(_sizes(c)[1])


def test_a_wheel_that_lost_what_its_batch_rules_out_is_called_so(wheel: Wheel, past: Past) -> None:
    batch = batch_of()
    far = retension(wheel, measured(np.full(28, 0.7 * SET_N)), batch=batch, past=past)
    assert far.learned is not None and far.learned.surprising
    assert far.left_alone is None and far.later is None and "as it stands" not in far.why
    assert "all but rules that out" in far.why
    risen = retension(wheel, measured(np.full(28, 1.05 * SET_N)), batch=batch, past=past)
    assert "Were nipples turned since?" in risen.why


def test_a_nipple_that_slipped_overnight_is_named_and_the_batch_not_blamed(
    build: Build, wheel: Wheel, past: Past
) -> None:
    batch = batch_of()
    sim = SimWheel.built(build, batch, past, 2)
    sim.stand_until(15.0)
    plain = retension(wheel, sim.read(0.01), batch=batch, past=past)
    sim.slip(17, 1.0)
    found = retension(wheel, sim.read(0.01), batch=batch, past=past)
    assert [(o.position, o.kind) for o in found.present.outliers] == [(17, "slipped")]
    assert found.learned is not None and plain.learned is not None
    assert found.learned.lost_percent == pytest.approx(plain.learned.lost_percent, abs=1.5)
    assert found.turning.turns[16] == pytest.approx(1.0 + plain.turning.turns[16], abs=0.4)
    assert "Clear up" in found.why


def test_without_a_batch_only_the_trades_rule_is_used_and_missing_runout_is_said(wheel: Wheel) -> None:
    even = wheel.tensions_N()
    lost = retension(wheel, measured(0.9 * even))
    assert lost.another_night and lost.probability is not None and lost.probability < 0.01
    assert lost.turning.lateral_mm is None and "not measured" in lost.warnings[0]
    answer = lost.as_dict()
    keys = (
        "turns", "order", "tension_after_N", "lateral_after_mm", "radial_after_mm", "another_night",
        "probability_settled", "why", "outliers",
    )  # fmt: skip
    assert set(keys) <= set(answer) and answer["lateral_after_mm"] is None and answer["radial_after_mm"] is None
    kept = retension(wheel, measured(0.99 * even))
    assert not kept.another_night and kept.probability is not None and kept.probability > 0.99
    high = retension(wheel, measured(1.1 * even))
    assert high.another_night and high.probability is None


def test_the_schedules_set_tension_is_followed_and_a_better_one_named(build: Build, wheel: Wheel, past: Past) -> None:
    batch = batch_of()
    sim = SimWheel.built(build, batch, past, 4)
    sim.stand_until(15.0)
    planned = Session(kind="pass", at_h=15.0, left_N=985.0, right_N=985.0)
    found = retension(wheel, sim.read(0.01), batch=batch, past=past, planned=planned, deliver_h=48.0)
    assert found.aim.tension_N == (985.0, 985.0) and found.aim.basis == "the schedule"
    assert found.turning.tension_N.mean() == pytest.approx(985.0, rel=0.005)
    assert found.another_night and found.better is not None
    assert found.better[0][0] > 1040.0 and found.better[1] > 0.9
    assert "--set" in found.why


def test_a_set_tension_over_a_limit_is_refused(wheel: Wheel) -> None:
    with pytest.raises(CannotAnswer, match="spoke limit"):
        retension(wheel, measured(wheel.tensions_N()), wanted_N=(1400.0, 1400.0))


def test_the_first_set_counts_on_the_creep_within_its_session(wheel: Wheel) -> None:
    batch = batch_of()
    planned = Session(kind="set", at_h=0.0, left_N=1000.0, right_N=1000.0)
    now = np.full(28, 600.0)
    found = retension(
        wheel,
        measured(now),
        batch=batch,
        planned=planned,
        then=(Session(kind="pass", at_h=24.0, left_N=1000.0, right_N=1000.0),),
    )
    stiff = retension(wheel, measured(now), planned=planned)
    assert found.probability is None and found.another_night
    assert found.turning.turns.mean() > 1.1 * stiff.turning.turns.mean()
    assert found.turning.tension_N.mean() == pytest.approx(1000.0, rel=0.01)


def test_weights_are_tempered_only_where_hardly_a_draw_fits() -> None:
    flat, power = weights([np.zeros(100), np.zeros(50)])
    assert power == 1.0 and flat == pytest.approx(np.full(150, 1 / 150))
    sharp, power = weights([-0.5 * np.linspace(0.0, 400.0, 200) ** 2])
    assert power < 0.1 and 20.0 < effective(sharp) < 30.0
    assert float(elastic_slope_per_N(batch_of().chain, 1000.0)) > 0
