"""The wheel: draws, dish, balance, warmth, tyre, buckling. Agreement with a frame library is in tests/oracles."""

from __future__ import annotations

import numpy as np
import pytest

from models.errors import CannotAnswer
from planner.build import build_of
from planner.wheel import Wheel, wheel_of

RIM = {
    "area_mm2": 85.0,
    "in_plane_inertia_mm4": 2100.0,
    "out_of_plane_inertia_mm4": 8400.0,
    "torsion_constant_mm4": 2600.0,
}
DISHED = {"hub": {"left": {"flange_to_centre_mm": 36.0}, "right": {"flange_to_centre_mm": 18.0}}}


def wheel(**table: object) -> Wheel:
    return wheel_of(build_of({"wheel": {"rim": RIM, **table}}))


def test_draws_of_spoke_stiffness_are_answered_as_if_each_were_solved_alone() -> None:
    w = wheel(**DISHED)
    EA = 4.3e5 * np.exp(0.2 * np.random.default_rng(1).standard_normal((3, 2, 28)))
    many = w.influence(1000.0, EA)
    lateral, radial = w.runout(1000.0, EA)
    assert many.shape == lateral.shape == radial.shape == (3, 2, 28, 28)
    for i, j in ((0, 0), (2, 1)):
        # a push and a turn, solved whole without the shortcut
        turn = np.zeros(28)
        turn[7] = 0.01
        alone = w.respond(1000.0, turn, EA[i, j])
        assert alone.tension_N - 1000.0 == pytest.approx(many[i, j, :, 7] * 0.01, abs=1e-7)
        assert alone.lateral_mm == pytest.approx(lateral[i, j, :, 7] * 0.01, abs=1e-10)
        assert alone.radial_mm == pytest.approx(radial[i, j, :, 7] * 0.01, abs=1e-10)


def test_a_spoke_without_stiffness_takes_no_part() -> None:
    w = wheel()
    EA = np.full(28, 4.3e5)
    EA[3] = 0.0
    A = w.influence(800.0, EA)
    assert np.abs(A[3]).max() == np.abs(A[:, 3]).max() == 0.0
    assert A[4, 4] > 0


def test_tensions_may_be_given_as_one_number_a_pair_or_one_for_each() -> None:
    w = wheel()
    each = np.where(w.side == 0, 900.0, 1000.0)
    assert np.array_equal(w.tensions_N((900.0, 1000.0)), each)
    assert np.array_equal(w.influence((900.0, 1000.0), 4e5), w.influence(each, 4e5))
    assert not np.allclose(w.influence(900.0, 4e5), w.influence(1000.0, 4e5), rtol=1e-3)
    with pytest.raises(ValueError, match="28"):
        w.influence(np.ones(27))


@pytest.mark.parametrize("table", [{}, DISHED, {"crosses": {"left": 2, "right": 0}}, {"spokes": 18, "crosses": 0}])
def test_reachable_tensions_balance_the_rim_and_are_left_alone_when_they_do(table: dict[str, object]) -> None:
    w = wheel(**table)
    rng = np.random.default_rng(2)
    wish = w.tensions_N() * (1.0 + 0.05 * rng.standard_normal((4, w.n)))
    can = w.reachable(wish)
    forces = w.directions * can[..., None]
    theta = 2 * np.pi * np.arange(w.n) / w.n
    x = forces[..., 0] * np.cos(theta) - forces[..., 1] * np.sin(theta)
    y = forces[..., 0] * np.sin(theta) + forces[..., 1] * np.cos(theta)
    for component in (x, y, forces[..., 2]):
        assert np.abs(component.sum(-1)).max() < 1e-8
    moments = (forces[..., 2] * np.sin(theta), forces[..., 2] * np.cos(theta), forces[..., 1])
    for moment in moments:
        assert np.abs(moment.sum(-1)).max() < 1e-8
    assert w.reachable(can) == pytest.approx(can, abs=1e-8)
    # and it is the nearest: the change is at right angles to every pattern that can stand
    assert np.abs(((wish - can) * can).sum(-1)).max() < 1e-6 * np.abs(can).max() ** 2


def test_with_stiffness_given_nearest_means_least_energy() -> None:
    w = wheel()
    wish = 1000.0 + 50.0 * np.random.default_rng(3).standard_normal(28)
    EA = 4e5 * np.linspace(0.5, 1.5, 28)
    by_energy, plain = w.reachable(wish, EA), w.reachable(wish)

    def energy(t: np.ndarray) -> float:
        return float(((t - wish) ** 2 / w.stiffness_N_per_mm(EA)).sum())

    assert energy(by_energy) < energy(plain)
    assert w.reachable(by_energy) == pytest.approx(by_energy, abs=1e-6)


def test_the_tighter_side_gets_the_target_and_the_wheel_is_in_balance() -> None:
    w = wheel(**DISHED)
    left, right = w.side_targets_N(1100.0)
    assert right == 1100.0
    assert left < right
    pull = w.tensions_N((left, right)) * w.directions[:, 2]
    assert pull.sum() == pytest.approx(0.0, abs=1e-9)
    assert wheel().side_targets_N() == pytest.approx((981.0, 981.0))


def test_a_flange_in_the_rims_plane_is_no_answer() -> None:
    w = wheel(hub={"left": {"flange_to_centre_mm": 0.0}, "right": {"flange_to_centre_mm": 20.0}})
    with pytest.raises(CannotAnswer, match="flange stands in the rim's plane"):
        w.side_targets_N()


def test_follow_up_lies_where_the_trade_expects_it_and_falls_with_a_stiffer_rim() -> None:
    w = wheel()
    phi = float(w.follow_up(433e3))
    assert 0.2 < phi < 0.45
    assert float(w.with_rim([2.0, 1.0, 1.0, 1.0]).follow_up(433e3)) < 0.6 * phi
    # all spokes shortened alike by what 100 N would stretch them: 1 + phi less arrives
    k = float(w.stiffness_N_per_mm(433e3).mean())
    arrives = (w.influence(None, 433e3) @ np.full(28, 100.0 / k)).mean()
    assert arrives == pytest.approx(100.0 / (1.0 + phi), rel=1e-3)


def test_a_dished_wheels_follow_up_is_one_number_for_both_sides_to_a_few_percent() -> None:
    w = wheel(**DISHED)
    phi = float(w.follow_up(433e3))
    t = w.tensions_N()
    lost = w.influence(None, 433e3) @ (0.01 * t / w.stiffness_N_per_mm(433e3))
    for side in (0, 1):
        own = w.side == side
        assert lost[own].mean() / t[own].mean() == pytest.approx(0.01 / (1.0 + phi), rel=0.04)


def test_a_warm_aluminium_rim_tightens_and_a_carbon_one_hardly() -> None:
    """About 11 N a spoke for each degree with aluminium and this fibre, 4 with carbon (common practice, no source)."""
    metal = wheel().rim_expansion_N_per_K(433e3, fibre_expansion_per_K=-12e-6)
    carbon = wheel_of(build_of({"wheel": {"rim": {"material": "carbon"}}})).rim_expansion_N_per_K(
        433e3, fibre_expansion_per_K=-12e-6
    )
    assert metal.mean() == pytest.approx(11.0, abs=1.5)
    assert carbon.mean() == pytest.approx(4.0, abs=1.5)


def test_expansion_of_the_rim_is_a_shortening_seen_from_the_spoke() -> None:
    w = wheel()
    grown_mm = 299.0 * 23e-6
    expected = (w.influence(None, 433e3) @ (w.directions[:, 0] * grown_mm)).mean()
    assert w.rim_expansion_N_per_K(433e3).mean() == pytest.approx(expected)


def test_a_tyre_lowers_every_tension_a_little_and_no_tyre_none() -> None:
    w = wheel()
    drop = w.tyre_drop_N(700.0, 28.0, 433e3)
    assert (drop > 0).all()
    assert 5.0 < drop.mean() < 60.0
    assert (w.tyre_drop_N(EA_N=433e3) == 0.0).all()
    with_tyre = wheel(tyre={"pressure_kPa": 700, "width_mm": 28})
    assert with_tyre.tyre_drop_N(EA_N=433e3) == pytest.approx(drop)


def test_a_lighter_rim_buckles_sooner_and_stiffer_spokes_hold_it_longer() -> None:
    w = wheel()
    usual = w.buckling_tension_N(433e3)
    assert w.with_rim([1.0, 1.0, 0.5, 0.5]).buckling_tension_N(433e3) < 0.8 * usual
    assert w.buckling_tension_N(200e3) < usual
    # just below it stands, just above it does not
    w.influence(0.999 * usual, 433e3)
    with pytest.raises(CannotAnswer, match="does not stand"):
        w.influence(1.002 * usual, 433e3)


def test_the_gauge_feels_the_spokes_own_influence() -> None:
    w = wheel()
    EA = np.full((5, 28), 4e5)
    local = w.local_stiffness_N_per_mm(3, 1000.0, EA)
    assert local.shape == (5,)
    assert local[0] == w.influence(1000.0, 4e5)[3, 3]
    assert local[0] < w.stiffness_N_per_mm(4e5)[3]


def test_both_sides_fibre_differs_by_as_much_as_their_chords() -> None:
    w = wheel(**DISHED)
    assert np.ptp(w.length_mm - w.fibre_mm) == pytest.approx(0.0, abs=1e-9)
    assert w.fibre_mm.mean() == pytest.approx(w.build.spoke.fibre_length_mm)


def test_a_load_that_would_leave_the_rim_without_support_is_no_answer() -> None:
    w = wheel()
    push = np.zeros((28, 3))
    push[:, 0] = -5000.0  # inward all round: every spoke slack
    with pytest.raises(CannotAnswer, match="slack"):
        w.respond(50.0, 0.0, 4e5, push)
