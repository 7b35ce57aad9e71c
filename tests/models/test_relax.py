"""The mean-field spoke in a wheel: closed forms of the textbooks, and the wheel behaviour of the demonstration batch."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from models.chain import Chain, advance, virgin
from models.relax import SEATING_TAU_S, Session, in_wheel, relax, rest, step_times
from tests.golden import EA0_N, FOLLOW_UP, default_chain

H = 3600.0
FINE = 200


def linear(tau_s: float = 3600.0) -> Chain:
    """Standard linear solid on 1 mm2: E1 = 80 GPa, E2 = 240 GPa, so that N and MPa are one."""
    return Chain.of(EA0_N=80e3, recoverable=([tau_s], [1 / 240e3]), reference_C=23.0)


def nights(count: int, *, first_hold_s=600.0, hold_s=120.0, night_s=12 * H, tension_N=1000.0) -> list[Session]:
    """A first session, then one every morning, nights back to back."""
    out = [Session(at_s=0.0, tension_N=tension_N, hold_s=first_hold_s)]
    at = first_hold_s + night_s
    for _ in range(count - 1):
        out.append(Session(at_s=at, tension_N=tension_N, hold_s=hold_s))
        at += hold_s + night_s
    return out


def mornings(chain, count, *, phi=FOLLOW_UP, state=None, steps_per_decade=40, **kw) -> np.ndarray:
    """Tension just before each morning's session, N."""
    sessions = nights(count, **kw)
    night_s = kw.get("night_s", 12 * H)
    times = [s.at_s + s.hold_s + night_s for s in sessions]
    times = [t - 1e-6 for t in times]
    state = virgin(chain) if state is None else state
    return in_wheel(chain, state, sessions, times, phi, 23.0, steps_per_decade=steps_per_decade)[0]


@pytest.mark.parametrize("phi", [0.0, 0.2, 0.5, 1.0])
def test_a_linear_solid_with_follow_up_relaxes_as_the_closed_form_says(phi):
    # 1/E1 becomes (1 + phi)/E1: F/F0 = F_inf + (1 - F_inf) exp(-t/tau_e)
    f_inf = (1 + phi) / (1 + phi + 80 / 240)
    tau_e = 3600 * (1 + phi) / (1 + phi + 80 / 240)
    times = np.array([600.0, 3600.0, 43200.0])
    ours, _ = relax(linear(), virgin(linear()), times, 160.0, phi, 23.0, steps_per_decade=FINE)
    np.testing.assert_allclose(ours / 160.0, f_inf + (1 - f_inf) * np.exp(-times / tau_e), rtol=2e-5)


def test_halving_the_steps_quarters_the_error():
    exact = 160 * (0.782608695652 + (1 - 0.782608695652) * math.exp(-3600 / 2817.39130435))
    misses = [
        abs(relax(linear(), virgin(linear()), [3600.0], 160.0, 0.2, 23.0, steps_per_decade=n)[0][0] - exact)
        for n in (10, 20, 40)
    ]
    assert misses[0] / misses[1] == pytest.approx(4, rel=0.25)
    assert misses[1] / misses[2] == pytest.approx(4, rel=0.15)


def test_losses_of_retension_passes_fall_geometrically():
    # loss_k/F0 = (1 - R)(1 - x) rho^(k-1), x = exp(-T/tau_e), rho = 1 - R (1 - x); E1/E2 = 1/3, phi = 0.2
    chain = linear(86400.0)
    ours = mornings(chain, 5, first_hold_s=0.0, hold_s=0.0, tension_N=160.0, steps_per_decade=FINE)
    loss = 1 - ours / 160.0
    np.testing.assert_allclose(
        loss, [0.102635080408, 0.0647128253787, 0.0408023236485, 0.0257264244819, 0.0162208633588], rtol=3e-5
    )


def test_a_pre_stretch_that_overfills_the_delayed_part_makes_the_tension_rise():
    # pre-stretch 240 MPa 12 h, rest 10 min, then 160 MPa at a fixed length, tau 10 h, phi 0.2
    chain = linear(36000.0)
    state = rest(chain, virgin(chain), 43200.0, 240.0, 23.0)
    state = rest(chain, state, 600.0, 0.0, 23.0)
    assert state.strain == pytest.approx(6.872555443e-4, rel=1e-9)
    times = [3600.0, 43200.0, 432000.0]
    ours, _ = relax(chain, state, times, 160.0, 0.2, 23.0, steps_per_decade=FINE)
    np.testing.assert_allclose(ours, [160.1288517, 160.8423733, 161.0742021], rtol=2e-6)
    plain, _ = relax(chain, virgin(chain), times, 160.0, 0.2, 23.0, steps_per_decade=FINE)
    np.testing.assert_allclose(plain, [155.8277887, 132.7240029, 125.2173989], rtol=2e-5)


@pytest.mark.parametrize(
    "phi, times_s, stress_MPa",
    [(0.0, [43200.0, 864000.0], [136.2707938, 34.48536774]), (0.2, [43200.0], [139.5324253])],
)
def test_sinh_flow_at_a_fixed_length_gives_the_closed_form(phi, times_s, stress_MPa):
    # tanh(s/2ss) = tanh(s0/2ss) exp(-E e0 t/(ss (1 + phi))); E 70 GPa, ss 51.1099, s0 160 MPa, 1e-8 /s at s0
    chain = Chain.of(EA0_N=70e3, flow=([8.755827956e-10], [51.1099]), reference_C=23.0)
    ours, _ = relax(chain, virgin(chain), times_s, 160.0, phi, 23.0, steps_per_decade=FINE)
    np.testing.assert_allclose(ours, stress_MPa, rtol=2e-5)


def test_the_default_batch_needs_the_mornings_of_the_table():
    ours = mornings(default_chain(), 6)
    np.testing.assert_allclose(ours[:4], [789.61, 921.34, 960.02, 974.74], atol=0.011)
    np.testing.assert_allclose(ours / 10 - 100, [-21.0, -7.9, -4.0, -2.5, -1.8, -1.3], atol=0.051)


def test_never_retensioned_it_goes_on_falling():
    # confirmed by the stiff solver of tests/models/stiff.py: 789.609, 764.568, 703.036, 666.636, 625.814 N
    times = np.array([12, 24, 7 * 24, 30 * 24, 365.25 * 24]) * H
    ours, _ = in_wheel(default_chain(), virgin(default_chain()), nights(1), times + 600.0, FOLLOW_UP, 23.0)
    np.testing.assert_allclose(ours, [790, 765, 703, 667, 626], atol=0.6)


@pytest.mark.parametrize(
    "phi, dwell_s, percent",
    [
        (0.2, 60.0, (-30.3, -10.0, -4.6)),
        (0.2, 3600.0, (-12.9, -5.9, -3.4)),
        (0.0, 600.0, (-23.5, -9.4, -4.9)),
        (0.4, 600.0, (-19.1, -6.7, -3.4)),
    ],
)
def test_dwell_and_rim_change_the_nights_as_the_table_says(phi, dwell_s, percent):
    ours = mornings(default_chain(), 3, phi=phi, first_hold_s=dwell_s)
    np.testing.assert_allclose(ours / 10 - 100, percent, atol=0.06)


def test_other_fibres_give_the_nights_of_the_table():
    base = default_chain()
    older = base.scaled(flow=5.0)  # an older standard grade flows at 1e-10 /s
    np.testing.assert_allclose(mornings(older, 3) / 10 - 100, [-21.1, -7.9, -4.1], atol=0.06)
    weights = [0.90, 0.04, 0.03, 0.03]
    loose = Chain.of(  # not heat-set: fifteen times the bedding, most of it at once
        EA0_N=EA0_N,
        recoverable=(base.recoverable_tau_s, base.recoverable_compliance_per_N),
        bedding=(base.bedding_tau_s, [w * 15e-6 for w in weights]),
        bedding_exponent=0.7,
        flow=(base.flow_rate_per_s, base.flow_force_scale_N),
        reference_C=23.0,
    )
    np.testing.assert_allclose(mornings(loose, 4) / 10 - 100, [-30.1, -11.9, -5.6, -3.2], atol=0.06)
    thin = Chain.of(  # 3.6 g/m: fibre area, and with it stiffness and flow's force scale, 0.6 of the default
        EA0_N=0.6 * EA0_N,
        recoverable=(base.recoverable_tau_s, base.recoverable_compliance_per_N / 0.6),
        bedding=(base.bedding_tau_s, base.bedding_compliance_per_N * (1 / 0.6) ** 0.7),
        bedding_exponent=0.7,
        flow=(base.flow_rate_per_s, 0.6 * base.flow_force_scale_N),
        reference_C=23.0,
    )
    np.testing.assert_allclose(mornings(thin, 3) / 10 - 100, [-20.7, -7.8, -4.0], atol=0.06)


@pytest.mark.parametrize(
    "load_N, hours, rest_s, tension_N",
    [(1500.0, 12, 600.0, 1003.07), (1000.0, 24, 600.0, 951.65), (1500.0, 12, 3 * 86400.0, 820.13)],
)
def test_a_night_on_the_bench_gives_the_first_morning_of_the_table(load_N, hours, rest_s, tension_N):
    chain = default_chain()
    state = rest(chain, virgin(chain), hours * H, load_N, 23.0)
    state = rest(chain, state, rest_s, 0.0, 23.0)
    assert mornings(chain, 1, state=state, steps_per_decade=60)[0] == pytest.approx(tension_N, abs=0.011)


# first-night change in percent: rows bench load, columns hours on the bench; 10 min slack
MAP_HOURS = [1, 4, 12, 24, 48, 96]
MAP = {
    1000: [-14.5, -9.5, -6.0, -4.8, -3.8, -3.2],
    1250: [-13.1, -7.0, -2.8, -1.5, -0.3, +0.5],
    1500: [-11.8, -4.5, +0.3, +1.8, +3.3, +4.3],
    1750: [-10.4, -2.0, +3.4, +5.2, +6.9, +8.0],
    2000: [-9.1, +0.5, +6.5, +8.5, +10.5, +11.8],
}


def test_the_whole_map_of_bench_load_and_hours_comes_out_in_one_batch_of_draws():
    chain = default_chain()
    loads = np.array(list(MAP), dtype=float)
    for column, hours in enumerate(MAP_HOURS):
        state = rest(chain, virgin(chain, (loads.size,)), hours * H, loads, 23.0)
        state = rest(chain, state, 600.0, 0.0, 23.0)
        ours = mornings(chain, 1, state=state)[0] / 10 - 100
        np.testing.assert_allclose(ours, [row[column] for row in MAP.values()], atol=0.06)


@pytest.mark.parametrize(
    "rest_h, percent",
    [(1 / 60, 3.8), (0.5, -3.8), (1, -6.7), (3, -11.8), (12, -16.6), (24, -17.3), (72, -18.0), (720, -18.2)],
)
def test_lying_slack_undoes_a_stretch_hour_by_hour(rest_h, percent):
    chain = default_chain()
    state = rest(chain, virgin(chain), 12 * H, 1500.0, 23.0)
    state = rest(chain, state, rest_h * H, 0.0, 23.0)
    assert mornings(chain, 1, state=state)[0] / 10 - 100 == pytest.approx(percent, abs=0.06)


def test_warmth_on_the_bench_fills_the_slow_part_and_the_rest_keeps_it():
    # 2 h at 1500 N and 60 C, bedding-in no faster for the warmth; how the cooling went is not stated, hence 0.07 %
    chain = replace(default_chain(), activation_bedding_kJ_per_mol=np.float64(0.0))
    hot = rest(chain, virgin(chain), 2 * H, 1500.0, 60.0)
    for rest_s, percent in [(600.0, (3.4, 1.6, 1.0)), (12 * H, (-14.8, -3.6, -1.2))]:
        state = rest(chain, hot, rest_s, 0.0, 23.0)
        np.testing.assert_allclose(mornings(chain, 3, state=state) / 10 - 100, percent, atol=0.07)


def test_overtension_for_a_linear_spoke_is_the_inverse_of_what_the_night_leaves():
    chain = default_chain(bedding=False, flow=False)
    plain = mornings(chain, 1)[0]
    over = mornings(chain, 1, tension_N=1000.0 * 1000.0 / plain)[0]
    assert over == pytest.approx(1000.0, abs=1e-5)


def test_overtension_alone_needs_more_than_a_quarter_on_the_default_batch():
    for factor, percent in [(1.05, -17.0), (1.15, -9.1), (1.26, -0.3), (1.30, 2.9)]:
        ours = mornings(default_chain(), 1, tension_N=1000.0 * factor)[0]
        assert ours / 10 - 100 == pytest.approx(percent, abs=0.06)
    assert mornings(default_chain(), 1, tension_N=1263.5)[0] == pytest.approx(1000.0, abs=0.1)


def test_seating_lowers_the_tension_by_its_share_of_the_length_and_no_more():
    # 0.02 mm on 280 mm: an elastic spoke loses EA s/(L (1 + phi))
    chain = Chain.of(EA0_N=EA0_N, reference_C=23.0)
    s = 0.02 / 280.0
    times = [SEATING_TAU_S, 30 * SEATING_TAU_S]
    ours, _ = relax(chain, virgin(chain), times, 1000.0, 0.2, 23.0, seating_strain=s)
    full = EA0_N * s / 1.2
    np.testing.assert_allclose(1000.0 - ours, [full * (1 - math.exp(-1)), full], rtol=1e-9)
    assert full / 1000.0 == pytest.approx(0.026, abs=0.001)


def test_seating_that_is_over_before_a_pass_is_not_lost_again():
    chain = Chain.of(EA0_N=EA0_N, reference_C=23.0)
    sessions = nights(2, night_s=12 * H)
    times = [sessions[1].at_s - 1.0, sessions[1].at_s + 24 * H]
    ours, _ = in_wheel(chain, virgin(chain), sessions, times, 0.2, 23.0, seating_strain=0.02 / 280.0)
    assert ours[0] == pytest.approx(1000.0 - EA0_N * 0.02 / 280 / 1.2, rel=1e-6)
    assert ours[1] == pytest.approx(1000.0, rel=1e-9)


def test_draws_and_rims_broadcast():
    chain = default_chain().scaled(recoverable=np.array([0.8, 1.0, 1.2]))
    phi = np.array([[0.1], [0.3]])
    state = virgin(chain)
    ours, after = relax(chain, state, [600.0, 43200.0], 1000.0, phi, 23.0, seating_strain=np.array([0.0, 1e-5, 2e-5]))
    assert ours.shape == (2, 2, 3) and after.strain.shape == (2, 3)
    one, _ = relax(
        default_chain().scaled(recoverable=1.2),
        virgin(default_chain()),
        [43200.0],
        1000.0,
        0.3,
        23.0,
        seating_strain=2e-5,
    )
    assert ours[1, 1, 2] == pytest.approx(one[0], abs=0.05)


def test_asked_times_do_not_change_the_curve():
    chain = default_chain()
    few, _ = relax(chain, virgin(chain), [43200.0], 1000.0, 0.2, 23.0, steps_per_decade=80)
    many, _ = relax(chain, virgin(chain), np.geomspace(1, 43200, 50), 1000.0, 0.2, 23.0, steps_per_decade=80)
    assert few[-1] == pytest.approx(many[-1], abs=0.02)
    assert (np.diff(many) < 0).all()


def test_within_a_session_the_tension_is_the_sessions_own():
    chain = default_chain()
    sessions = [Session(at_s=0.0, tension_N=1100.0, hold_s=600.0), Session(at_s=7200.0, tension_N=1000.0, hold_s=60.0)]
    ours, _ = in_wheel(chain, virgin(chain), sessions, [0.0, 600.0, 7199.0, 7230.0, 7260.0, 7261.0], 0.2, 23.0)
    assert ours[0] == ours[1] == 1100.0
    assert ours[2] < 1080.0
    assert ours[3] == ours[4] == 1000.0
    assert 999.0 < ours[5] < 1000.0


@pytest.mark.parametrize(
    "sessions, word",
    [
        ([], "first session"),
        ([Session(at_s=60.0, tension_N=1.0, hold_s=1.0)], "first session"),
        (
            [Session(at_s=0.0, tension_N=1.0, hold_s=100.0), Session(at_s=60.0, tension_N=1.0, hold_s=1.0)],
            "overlap",
        ),
    ],
)
def test_sessions_out_of_order_are_refused(sessions, word):
    with pytest.raises(ValueError, match=word):
        in_wheel(linear(), virgin(linear()), sessions, [1000.0], 0.2, 23.0)


def test_times_that_go_back_are_refused():
    with pytest.raises(ValueError, match="rising"):
        relax(linear(), virgin(linear()), [600.0, 60.0], 100.0, 0.2, 23.0)


def test_steps_grow_and_fill_the_time_asked():
    ends = step_times(43200.0)
    assert ends[-1] == 43200.0 and (np.diff(ends) > 0).all()
    ratio = ends[-1] / ends[-2]
    assert ratio < 1.2
    assert step_times(0.0).size == 0
    assert step_times(1.0).tolist() == [1.0]


def test_a_spoke_that_is_let_alone_without_load_stays_slack():
    chain = default_chain()
    state, _ = advance(chain, virgin(chain), 3600.0, 1000.0, 1000.0, 23.0)
    state, _ = advance(chain, state, 0.0, 1000.0, 0.0, 23.0)
    ours, _ = relax(chain, state, [3600.0], 0.0, 0.2, 23.0)
    assert ours[0] > 0.0  # it shortens as it recovers, so a held length loads it
