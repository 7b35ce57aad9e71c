"""The spoke's chain: exact steps against scipy's stiff solver, files, draws, and what it refuses."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from models.chain import (
    Chain,
    advance,
    elastic_slope_per_N,
    elastic_strain,
    shift,
    total_strain,
    virgin,
)
from models.follow import advance_to_strain
from models.history import LoadHistory
from models.simulate import load_under_chord, strain_under_load
from tests.golden import EA0_N, default_chain
from tests.models import stiff

QUICK = settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])

chains = st.builds(
    lambda taus, share, beds, m, s, q, flows: Chain.of(
        EA0_N=433e3,
        stiffening_per_N=s,
        recoverable=(taus, np.full(len(taus), share / 433e3)),
        recoverable_nonlinearity_per_N=q,
        bedding=(beds, np.full(len(beds), 2e-7)),
        bedding_exponent=m,
        flow=([e for e, _ in flows], [scale for _, scale in flows]),
        activation_kJ_per_mol=(100.0, 90.0, 120.0),
        reference_C=23.0,
    ),
    taus=st.lists(st.floats(0.5, 5.5).map(lambda x: 10.0**x), min_size=1, max_size=4, unique=True),
    share=st.floats(0.05, 0.3),
    beds=st.sampled_from([(0.0,), (60.0,), (0.0, 60.0, 5000.0)]),
    m=st.just(1.0),
    s=st.sampled_from([0.0, 2e-4]),
    q=st.sampled_from([0.0, 1e-4]),
    flows=st.sampled_from([(), ((3e-12, 316.0),), ((3e-12, 316.0), (1e-9, 1500.0))]),
)
segments = st.lists(
    st.tuples(
        st.floats(0.0, 5.0).map(lambda x: 10.0**x),  # duration, s
        st.one_of(st.just(0.0), st.floats(20.0, 3000.0)),  # load at its end
        st.sampled_from(["ramp", "sudden"]),
        st.sampled_from([13.0, 23.0, 50.0]),
    ),
    min_size=1,
    max_size=5,
)


def history_of(parts) -> LoadHistory:
    """Ramps and sudden steps of load; the temperature steps with them."""
    rows = [(0.0, 0.0, 23.0)]
    for duration, load, kind, th in parts:
        t, before, _ = rows[-1]
        if kind == "sudden":
            rows += [(t, load, th), (t + duration, load, th)]
        else:
            rows += [(t, before, th), (t + duration, load, th)]
    t, load, th = np.array(rows).T
    return LoadHistory.of(t, load, th)


@QUICK
@given(chain=chains, parts=segments)
def test_steps_agree_with_a_stiff_solver_on_any_history_of_ramps_unloadings_and_temperature_steps(chain, parts):
    history = history_of(parts)
    ours, _ = strain_under_load(chain, history)
    theirs = stiff.strain(chain, history)
    assert ours == pytest.approx(theirs, rel=0, abs=1e-6 * max(np.abs(theirs).max(), 1e-4))


@settings(QUICK, max_examples=8)
@given(chain=chains, parts=segments, m=st.sampled_from([0.5, 0.7]))
def test_a_bedding_exponent_below_one_agrees_once_ramps_are_cut_fine(chain, parts, m):
    history = history_of(parts)
    chain = replace(chain, bedding_exponent=np.float64(m))
    ours, _ = strain_under_load(chain, history, substeps=400)
    theirs = stiff.strain(chain, history)
    assert np.abs(ours - theirs).max() <= 1e-6 * max(np.abs(theirs).max(), 1e-4) + 2e-9


def test_cutting_a_ramp_finer_brings_the_bedding_target_closer_at_second_order():
    chain = Chain.of(EA0_N=433e3, bedding=([60.0], [7e-7]), bedding_exponent=0.7, reference_C=23.0)
    history = LoadHistory.of([0, 60.0], [500.0, 1500.0], 23.0)
    exact = stiff.strain(chain, history)[-1]
    misses = [abs(strain_under_load(chain, history, substeps=n)[0][-1] - exact) for n in (4, 8, 16)]
    assert misses[0] / misses[1] == pytest.approx(4, rel=0.1)
    assert misses[1] / misses[2] == pytest.approx(4, rel=0.1)


def test_a_slow_change_of_temperature_agrees_with_a_stiff_solver():
    chain = default_chain()
    history = LoadHistory.of([0, 60, 14400, 43200], [0, 1000, 1500, 1500], [18.0, 18.0, 26.0, 19.0])
    ours, _ = strain_under_load(chain, history, substeps=400)
    np.testing.assert_allclose(ours[1:], stiff.strain(chain, history)[1:], rtol=1e-6)


@pytest.mark.parametrize("s", [0.0, 2e-4])
@pytest.mark.parametrize("follow", [0.0, 0.2 / EA0_N])
def test_a_held_chord_relaxes_as_a_stiff_solver_says(s, follow):
    base = default_chain()
    chain = replace(
        base,
        stiffening_per_N=np.float64(s),
        flow_rate_per_s=np.array([base.flow_rate_per_s[0], 1e-9]),
        flow_force_scale_N=np.array([base.flow_force_scale_N[0], 1500.0]),
    )
    state, _ = advance(chain, virgin(chain), 0.0, 0.0, 1000.0, 23.0)
    state, _ = advance(chain, state, 600.0, 1000.0, 1000.0, 23.0)
    total = float(total_strain(chain, state, 1000.0, 23.0)) + follow * 1000.0
    times = np.array([0.0, 60.0, 3600.0, 43200.0, 864000.0])
    ours, _ = load_under_chord(
        chain, times, np.full(5, total), np.full(5, 23.0), state, 1000.0, follow, tolerance_N=1e-4
    )
    slow = chain.bedding_tau_s > 0
    at_once = float(state.bedding[~slow].sum())
    y0 = 1e6 * np.concatenate([state.recoverable, state.bedding[slow], state.flow])
    theirs = stiff.relaxation(chain, y0, total - at_once, follow, 23.0, times)
    np.testing.assert_allclose(ours, theirs, rtol=1e-6)


def test_the_default_tolerance_of_a_chord_history_keeps_a_night_within_a_hundredth_of_a_newton():
    chain = default_chain()
    state, _ = advance(chain, virgin(chain), 0.0, 0.0, 1000.0, 23.0)
    state, _ = advance(chain, state, 600.0, 1000.0, 1000.0, 23.0)
    total = total_strain(chain, state, 1000.0, 23.0) + 0.2 / EA0_N * 1000.0
    night = (np.array([0.0, 43200.0]), np.full(2, total), np.full(2, 23.0))
    rough, _ = load_under_chord(chain, *night, state, 1000.0, 0.2 / EA0_N)
    fine, _ = load_under_chord(chain, *night, state, 1000.0, 0.2 / EA0_N, tolerance_N=1e-4)
    assert abs(rough[-1] - fine[-1]) < 0.01


@QUICK
@given(chain=chains, parts=segments)
def test_the_load_found_for_a_length_gives_that_length_back(chain, parts):
    history = history_of(parts)
    strain, _ = strain_under_load(chain, history)
    state, before = virgin(chain), 0.0
    for i in range(1, history.time_s.size):
        th = float(0.5 * (history.temperature_C[i] + history.temperature_C[i - 1]))
        dt = float(history.time_s[i] - history.time_s[i - 1])
        want = strain[i] - chain.expansion_per_K * (history.temperature_C[i] - th)
        state1, load = advance_to_strain(chain, state, dt, before, want, th)
        if history.temperature_C[i] == history.temperature_C[i - 1] and load > 0:
            got = total_strain(chain, state1, load, th)
            assert got == pytest.approx(float(want), rel=1e-9, abs=1e-12)
        state, _ = advance(chain, state, dt, before, history.load_N[i], th)
        before = history.load_N[i]


def test_bedding_does_not_come_back_and_waits_until_its_target_passes_it():
    chain = Chain.of(EA0_N=433e3, bedding=([0.0, 60.0], [7e-7, 3e-7]), reference_C=20.0)
    state, _ = advance(chain, virgin(chain), 0.0, 0.0, 1000.0, 20.0)
    state, _ = advance(chain, state, 600.0, 1000.0, 1000.0, 20.0)
    after, _ = advance(chain, state, 86400.0, 0.0, 0.0, 20.0)
    np.testing.assert_array_equal(after.bedding, state.bedding)
    below, _ = advance(chain, after, 86400.0, 999.0, 999.0, 20.0)
    np.testing.assert_array_equal(below.bedding[0], state.bedding[0])
    assert below.bedding[1] < 3e-4  # its target at 999 N
    above, _ = advance(chain, state, 0.0, 1000.0, 1500.0, 20.0)
    assert above.bedding[0] == pytest.approx(7e-7 * 1500)


def test_a_falling_target_stops_a_bedding_mode_where_the_two_meet():
    # gap(t) = (g0 - c tau) e^(-t/tau) + c tau with c < 0: zero at tau ln(1 - g0/(c tau))
    chain = Chain.of(EA0_N=433e3, bedding=([100.0], [1e-6]), reference_C=20.0)
    state, _ = advance(chain, virgin(chain), 300.0, 1000.0, 0.0, 20.0)
    c, tau = -1e-3 / 300.0, 100.0
    meet = tau * np.log(1 + 1e-3 / (-c * tau))
    assert state.bedding[0] == pytest.approx(1e-3 + c * meet, rel=1e-12)


def test_a_chord_shorter_than_the_slack_spoke_gives_no_load_and_no_push():
    chain = default_chain()
    state, _ = advance(chain, virgin(chain), 3600.0, 1500.0, 1500.0, 23.0)
    slack, load = advance_to_strain(chain, state, 60.0, 1500.0, 0.0, 23.0)
    assert load == 0.0
    unloaded, _ = advance(chain, state, 60.0, 1500.0, 0.0, 23.0)
    np.testing.assert_allclose(slack.strain, unloaded.strain)
    times = np.array([0.0, 60.0, 60.0, 3600.0])
    loads, _ = load_under_chord(chain, times, np.array([0.0, 4e-3, 1e-4, 1e-4]), np.full(4, 23.0))
    assert loads[1] > 500 and loads[2] == 0.0 and loads[3] == 0.0


def test_a_strong_flow_does_not_stop_the_search_for_a_load():
    # the first guess of Newton's method lies 40 force scales above the answer
    chain = Chain.of(EA0_N=433e3, flow=([1e-6], [50.0]), reference_C=20.0)
    state, load = advance_to_strain(chain, virgin(chain), 43200.0, 0.0, 6e-3, 20.0)
    assert total_strain(chain, state, load, 20.0) == pytest.approx(6e-3, rel=1e-10)
    hard = Chain.of(EA0_N=433e3, flow=([1e-6], [1.0]), reference_C=20.0)
    state, load = advance_to_strain(hard, virgin(hard), 43200.0, 0.0, 6e-3, 20.0)
    assert total_strain(hard, state, load, 20.0) == pytest.approx(6e-3, rel=1e-9)


def test_one_long_step_equals_many_short_ones_while_the_load_is_linear():
    chain = replace(default_chain(), bedding_exponent=np.float64(1.0), recoverable_nonlinearity_per_N=np.float64(1e-4))
    once, _ = advance(chain, virgin(chain), 7200.0, 200.0, 2000.0, 30.0)
    state = virgin(chain)
    loads = np.linspace(200.0, 2000.0, 51)
    for a, b in pairwise(loads):
        state, _ = advance(chain, state, 144.0, a, b, 30.0)
    for f in fields(once):
        np.testing.assert_allclose(getattr(state, f.name), getattr(once, f.name), rtol=1e-9, err_msg=f.name)


@pytest.mark.parametrize("load0, load1", [(1000.0, 900.0), (0.0, 1200.0), (500.0, 500.0), (300.0, 1400.0)])
def test_the_slope_of_a_step_is_the_derivative_of_its_strain(load0, load1):
    chain = replace(default_chain(), recoverable_nonlinearity_per_N=np.float64(1e-4), bedding_exponent=np.float64(1.0))
    state, _ = advance(chain, virgin(chain), 600.0, 800.0, 800.0, 23.0)
    h = 1e-2
    up = advance(chain, state, 300.0, load0, load1 + h, 23.0)[0].strain
    down = advance(chain, state, 300.0, load0, load1 - h, 23.0)[0].strain
    slope = advance(chain, state, 300.0, load0, load1, 23.0)[1]
    assert slope == pytest.approx((up - down) / (2 * h), rel=1e-5)


def test_draws_step_together_as_they_would_alone():
    base = default_chain()
    scale = np.array([0.8, 1.0, 1.3])
    many = base.scaled(elastic=scale, recoverable=scale[::-1], bedding=scale, flow=scale**2)
    assert many.shape == (3,)
    history = LoadHistory.of([0, 60, 3600, 3660, 7200], [0, 1500, 1500, 0, 0], 23.0)
    together, state = strain_under_load(many, history)
    assert together.shape == (5, 3)
    for i, (a, r) in enumerate(zip(scale, scale[::-1], strict=True)):
        one, _ = strain_under_load(base.scaled(elastic=a, recoverable=r, bedding=a, flow=a**2), history)
        np.testing.assert_allclose(together[:, i], one, rtol=1e-14)
        np.testing.assert_allclose(state.take(i).strain, state.strain[i])
        taken = many.take(i)
        assert taken.shape == ()
        np.testing.assert_allclose(strain_under_load(taken, history)[0], one, rtol=1e-14)


def test_loads_that_differ_between_draws_give_a_chord_each():
    chain = default_chain()
    strain = np.array([[0.0, 0.0], [3e-3, 5e-3], [3e-3, 5e-3]])
    loads, _ = load_under_chord(chain, np.array([0.0, 60.0, 3600.0]), strain, np.full(3, 23.0), tolerance_N=1e-4)
    assert loads.shape == (3, 2)
    for i in range(2):
        one, _ = load_under_chord(chain, np.array([0.0, 60.0, 3600.0]), strain[:, i], np.full(3, 23.0))
        np.testing.assert_allclose(loads[:, i], one, atol=0.02)


def test_scaling_multiplies_the_compliance_of_each_part_alone():
    base = replace(default_chain(), stiffening_per_N=np.float64(1e-4))
    state, _ = advance(base, virgin(base), 3600.0, 1000.0, 1000.0, 23.0)
    scaled = base.scaled(elastic=1.1, recoverable=1.2, bedding=0.9, flow=2.0)
    after, _ = advance(scaled, virgin(scaled), 3600.0, 1000.0, 1000.0, 23.0)
    np.testing.assert_allclose(after.recoverable, 1.2 * state.recoverable)
    np.testing.assert_allclose(after.bedding, 0.9 * state.bedding)
    np.testing.assert_allclose(after.flow, 2.0 * state.flow)
    np.testing.assert_allclose(elastic_strain(scaled, 700.0), 1.1 * elastic_strain(base, 700.0))


def test_take_keeps_parameters_that_do_not_differ_between_draws_and_those_that_only_others_do():
    base = replace(default_chain(), expansion_per_K=np.array([-10e-6, -12e-6]))
    assert base.shape == (2,)
    assert base.take(1).expansion_per_K == -12e-6
    assert base.take(1).EA0_N == base.EA0_N
    grid = default_chain().scaled(elastic=np.ones((4, 3)))
    assert grid.take((slice(None), 1)).shape == (4,)


@given(load=st.floats(0.0, 5000.0), s=st.sampled_from([0.0, 1e-13, 1e-6, 3e-4]), toe=st.sampled_from([0.0, 120.0]))
def test_elastic_strain_is_what_its_slope_adds_up_to(load, s, toe):
    chain = Chain.of(EA0_N=433e3, stiffening_per_N=s, toe=(toe, 90.0))
    whole, _ = quad(lambda x: float(elastic_slope_per_N(chain, x)), 0.0, load, points=(min(load, 100.0),), epsabs=0)
    assert float(elastic_strain(chain, load)) == pytest.approx(whole, rel=1e-10, abs=1e-18)


def test_a_toe_softens_a_spoke_that_is_hardly_loaded_and_is_over_in_the_wheel():
    plain, toed = (Chain.of(EA0_N=433e3, toe=toe) for toe in ((0.0, 80.0), (130.0, 80.0)))
    more = elastic_strain(toed, np.array([20.0, 80.0, 800.0])) - elastic_strain(plain, np.array([20.0, 80.0, 800.0]))
    # h (1 - exp(-T/T_h))/EA0, by hand: 130/433e3 = 3.0023e-4 of 1 - e^-0.25, 1 - e^-1, 1 - e^-10
    np.testing.assert_allclose(more, 3.002309e-4 * np.array([0.2211992, 0.6321206, 0.9999546]), rtol=1e-5)
    assert elastic_slope_per_N(toed, 1000.0) == pytest.approx(1.0 / 433e3, rel=1e-4)
    below = elastic_strain(toed, np.array([-2.0, -1.0, 0.0]))  # a step that ends slack passes here: no kink
    assert np.diff(below) == pytest.approx(float(elastic_slope_per_N(toed, 0.0)), rel=1e-12)


def test_a_file_gives_the_same_chain_back():
    chain = replace(
        default_chain(),
        stiffening_per_N=np.float64(1e-4),
        toe_N=np.float64(90.0),
        toe_scale_N=np.float64(70.0),
        recoverable_nonlinearity_per_N=np.float64(2e-5),
    )
    again = Chain.from_dict(chain.as_dict())
    for f in fields(chain):
        np.testing.assert_array_equal(getattr(again, f.name), getattr(chain, f.name), err_msg=f.name)


def test_a_file_with_only_an_elastic_part_is_a_spring():
    chain = Chain.from_dict({"elastic": {"EA0_N": 433e3}})
    strain, _ = strain_under_load(chain, LoadHistory.of([0.0, 3600.0], [1000.0, 1000.0]))
    np.testing.assert_allclose(strain, 1000.0 / 433e3)


def test_many_draws_are_not_written_to_a_file():
    with pytest.raises(ValueError, match="single spoke"):
        default_chain().scaled(elastic=np.ones(2)).as_dict()


@pytest.mark.parametrize(
    "change, word",
    [
        ({"EA0_N": 0.0}, "EA0_N"),
        ({"EA0_N": np.nan}, "EA0_N"),
        ({"stiffening_per_N": -1e-5}, "stiffening_per_N"),
        ({"recoverable": ([0.0], [1e-7])}, "recoverable_tau_s"),
        ({"recoverable": ([10.0], [-1e-7])}, "recoverable_compliance_per_N"),
        ({"recoverable": ([10.0, 20.0], [1e-7])}, "one compliance"),
        ({"recoverable_nonlinearity_per_N": -1e-3}, "nonlinearity"),
        ({"bedding": ([-1.0], [1e-7])}, "bedding_tau_s"),
        ({"bedding": ([np.inf], [1e-7])}, "bedding_tau_s"),
        ({"bedding_exponent": 0.0}, "bedding_exponent"),
        ({"flow": ([-1e-12], [300.0])}, "flow_rate_per_s"),
        ({"flow": ([1e-12], [0.0])}, "flow_force_scale_N"),
        ({"flow": ([1e-12], [300.0, 400.0])}, "one force scale"),
        ({"activation_kJ_per_mol": (np.nan, 100.0, 120.0)}, "activation_recoverable"),
        ({"reference_C": -300.0}, "absolute zero"),
    ],
)
def test_parameters_out_of_range_are_named(change, word):
    with pytest.raises(ValueError, match=word):
        Chain.of(**({"EA0_N": 433e3} | change))


def test_a_step_back_in_time_is_refused():
    chain = default_chain()
    with pytest.raises(ValueError, match="back in time"):
        advance(chain, virgin(chain), -1.0, 0.0, 0.0, 23.0)


def test_temperature_shifts_a_part_by_its_own_activation_energy():
    chain = default_chain()
    a = float(shift(100.0, 33.0, 23.0))
    hot, _ = advance(chain, virgin(chain), 1000.0, 1000.0, 1000.0, 33.0)
    longer, _ = advance(chain, virgin(chain), 1000.0 * a, 1000.0, 1000.0, 23.0)
    np.testing.assert_allclose(hot.recoverable, longer.recoverable, rtol=1e-12)
    assert hot.flow[0] > 4 * advance(chain, virgin(chain), 1000.0, 1000.0, 1000.0, 23.0)[0].flow[0]
