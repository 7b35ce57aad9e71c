"""Closed forms of linear viscoelasticity, digit by digit: the numbers were computed apart from this project.

The formulas are textbook ones (Findley, Lai & Onaran, Creep and Relaxation of Nonlinear Viscoelastic Materials; Ferry,
Viscoelastic Properties of Polymers; Tschoegl, The Phenomenological Theory of Linear Viscoelastic Behavior); values
marked "computed" were evaluated to 12 digits or more, where said by Laplace inversion as well.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from models import creep
from models.chain import Chain, advance, shift, virgin
from models.follow import advance_to_strain
from models.history import LoadHistory
from models.laws import to_chain
from models.mittag_leffler import mittag_leffler
from models.relax import relax
from models.simulate import strain_under_load

# on 1 mm2 a load in N is a stress in MPa; 80 GPa = 80e3 N, 240 GPa as a compliance 1/240e3 per N
SOLID = {"EA0_N": 80e3, "compliance_per_N": 1 / 240e3, "tau_s": 3600.0}
FINE = {"steps_per_decade": 200, "first_step_s": 0.5}


def solid() -> Chain:
    return to_chain({"standard linear solid": SOLID}, span_s=(1.0, 1e6)).chain


# n, J(t) E(t) = sin(n pi)/(n pi) of a pure power law; computed
@pytest.mark.parametrize(
    "n, product",
    [
        (0.03, 0.998520216712),
        (0.05, 0.995892735244),
        (0.1, 0.983631643083),
        (0.154, 0.961442770916),
        (0.2, 0.935489283789),
        (0.3, 0.858393691334),
        (0.5, 0.636619772368),
    ],
)
def test_creep_and_relaxation_of_a_power_law_multiply_to_less_than_one(n, product):
    # a spring 1e6 times as stiff hardly counts: the springpot's Mittag-Leffler function at x = 1e6
    x = 1e6
    compliance = x / (math.gamma(1 + n) * 1e9)
    j = creep.power_law(1.0, 1.0, compliance_per_N=compliance, exponent=n)
    e = creep.power_law_relaxation(1.0, 1e9, EA0_N=1e9, compliance_per_N=compliance, exponent=n)
    # the next term of the asymptotic series is of the order 1/x
    assert j * e == pytest.approx(product, rel=2e-5)


# t, J in 1/GPa, E in GPa; computed
@pytest.mark.parametrize(
    "t, j, e",
    [
        (60.0, 0.0125688689424, 79.5604574497),
        (600.0, 0.0131396594796, 76.0147480583),
        (3600.0, 0.0151338356618, 65.2719427623),
        (43200.0, 0.0166666410658, 60.0000022507),
    ],
)
def test_a_linear_solid_creeps_and_relaxes(t, j, e):
    assert creep.standard_linear_solid(t, 1000.0, **SOLID) == pytest.approx(j, rel=1e-11)
    assert creep.standard_linear_solid_relaxation(t, 80.0, **SOLID) == pytest.approx(e, rel=1e-11)
    strain, _ = strain_under_load(solid(), LoadHistory.of([0, t], [1000.0, 1000.0]))
    assert strain[1] == pytest.approx(j, rel=1e-11)
    load, _ = relax(solid(), virgin(solid()), [t], 80.0, 0.0, 20.0, **FINE)
    assert load[0] == pytest.approx(e, rel=1e-5)


def test_a_linear_solid_under_creep_recovery_ramp_and_constant_rate():
    chain = solid()
    # creep at 160 MPa for 3600 s, then 3600 s free; computed
    strain, _ = strain_under_load(chain, LoadHistory.of([0, 3600, 3600, 7200], [160, 160, 0, 0]))
    assert strain[1] == pytest.approx(2.42141370589e-3, rel=1e-11, abs=0)
    assert strain[3] == pytest.approx(1.55029438623e-4, rel=1e-11, abs=0)
    # linear ramp to 160 MPa in 3600 s, then held to 7200 s; computed
    strain, _ = strain_under_load(chain, LoadHistory.of([0, 3600, 7200], [0, 160, 160]))
    assert strain[1:] == pytest.approx([2.24525296078e-3, 2.51163722804e-3], rel=1e-11, abs=0)
    # constant strain rate 1e-6 /s for 2700 s; computed
    state, load = virgin(chain), np.float64(0.0)
    for k in range(1, 301):
        state, load = advance_to_strain(chain, state, 9.0, load, 1e-6 * 9.0 * k, 20.0)
    assert load == pytest.approx(196.134510177, rel=1e-6)


# phi, F_inf, tau_e; computed
@pytest.mark.parametrize(
    "phi, left, tau",
    [
        (0.0, 0.75, 2700.0),
        (0.2, 0.782608695652, 2817.39130435),
        (0.5, 0.818181818182, 2945.45454545),
        (1.0, 0.857142857143, 3085.71428571),
    ],
)
def test_a_spring_in_series_slows_and_lessens_relaxation(phi, left, tau):
    at = [tau, 1e5]
    load = creep.standard_linear_solid_relaxation(at, 1.0, phi=phi, **SOLID)
    assert load == pytest.approx([left + (1 - left) / math.e, left], rel=1e-10)
    chain_load, _ = relax(solid(), virgin(solid()), at, 1.0, phi, 20.0, **FINE)
    assert chain_load == pytest.approx(load, rel=1e-5)


# power law t^n loaded by a linear ramp t0: percent by which the true strain differs from J(t), J(t - t0), J(t - t0/2)
RAMP = {
    0.05: {
        2: (-1.518, 1.955, -0.0909),
        5: (-0.535, 0.581, -0.0098),
        10: (-0.258, 0.269, -0.0022),
        20: (-0.127, 0.129, -0.0005),
    },
    0.1: {
        2: (-3.003, 3.959, -0.172),
        5: (-1.066, 1.166, -0.0186),
        10: (-0.516, 0.538, -0.0042),
        20: (-0.254, 0.259, -0.0010),
    },
    0.3: {
        2: (-8.635, 12.484, -0.399),
        5: (-3.153, 3.552, -0.0433),
        10: (-1.537, 1.625, -0.0097),
        20: (-0.759, 0.780, -0.0023),
    },
}


@pytest.mark.parametrize("n", RAMP)
def test_the_error_of_ignoring_a_ramp_is_the_exact_one(n):
    # rule of thumb: use data from ten ramp times on (Zapas & Craft: or shift time by half the ramp); values computed
    laws = {"linear elastic": {"EA0_N": 1e30}, "power law": {"compliance_per_N": 1.0, "exponent": n}}
    chain = to_chain(laws, span_s=(1e-4, 100.0), goal=1e-9).chain
    times = [0.0, 1.0, 2.0, 5.0, 10.0, 20.0]
    strain, _ = strain_under_load(chain, LoadHistory.of(times, [0, 1, 1, 1, 1, 1]))
    for i, t in enumerate(times[2:], start=2):
        percent = [100 * (strain[i] / (t - lag) ** n - 1) for lag in (0.0, 1.0, 0.5)]
        for ours, table, digits in zip(
            percent, RAMP[n][int(t)], (5.1e-4, 5.1e-4, 5.1e-4 if abs(t) < 5 and n > 0.05 else 5.1e-5), strict=True
        ):
            assert ours == pytest.approx(table, abs=digits)


def test_a_burgers_body_creeps_relaxes_and_keeps_its_flow():
    body = {"EA0_N": 80e3, "compliance_per_N": 1 / 240e3, "tau_s": 3600.0, "viscosity_N_s": 8e10}
    # E(t) in GPa, checked by Laplace inversion; J in 1/GPa; computed
    e = creep.burgers_relaxation([0.0, 3600.0, 43200.0, 864000.0], 80.0, **body)
    assert e == pytest.approx([80.0, 65.0459481818, 58.0098514989, 31.3567295322], rel=1e-11)
    assert creep.burgers([3600.0, 43200.0], 1000.0, **body) == pytest.approx(
        [0.0151788356618, 0.0172066410658], rel=1e-11
    )
    chain = to_chain({"Burgers": body}, span_s=(1.0, 1e6)).chain
    load, _ = relax(chain, virgin(chain), [3600.0, 43200.0, 864000.0], 80.0, 0.0, 20.0, **FINE)
    assert load == pytest.approx([65.0459481818, 58.0098514989, 31.3567295322], rel=1e-5)
    # 43200 s at 160 MPa, 43200 s free: residual strain, of which the dashpot keeps 8.64e-5
    strain, state = strain_under_load(chain, LoadHistory.of([0, 43200, 43200, 86400], [160, 160, 0, 0]))
    assert strain[3] == pytest.approx(8.64040961164e-5, rel=1e-7)
    assert state.flow[0] == pytest.approx(8.64e-5, rel=1e-7)


def test_a_glassy_power_law_relaxes_by_the_mittag_leffler_function():
    # J = 1/80 + 0.002 t^0.2 in 1/GPa: E(1, 10, 100 s) in GPa; computed
    times, table = [1.0, 10.0, 100.0], [68.89721828, 63.6784358, 56.80994454]
    p = {"compliance_per_N": 2e-6, "exponent": 0.2}
    assert creep.power_law_relaxation(times, 80.0, EA0_N=80e3, **p) == pytest.approx(table, rel=1e-9)
    chain = to_chain({"linear elastic": {"EA0_N": 80e3}, "power law": p}, span_s=(1e-4, 1e4)).chain
    load, _ = relax(chain, virgin(chain), times, 80.0, 0.0, 20.0, steps_per_decade=200, first_step_s=1e-5)
    assert load == pytest.approx(table, rel=1e-4)


def test_a_pre_stretch_leaves_this_much_creep_of_a_power_law():
    # J1 t^0.1, 12 h at 1.5 times the load, 10 min free, then the load: creep over (load x J1); computed
    laws = {"linear elastic": {"EA0_N": 1e30}, "power law": {"compliance_per_N": 1.0, "exponent": 0.1}}
    chain = to_chain(laws, span_s=(1.0, 1e7), goal=1e-7).chain
    state, _ = advance(chain, virgin(chain), 43200.0, 1.5, 1.5, 20.0)
    state, _ = advance(chain, state, 600.0, 0.0, 0.0, 20.0)
    for t, stretched, plain in [
        (60.0, 3.003039301, 1.505965855),
        (600.0, 3.22144212, 1.895898684),
        (3600.0, 3.21537978, 2.267933155),
        (43200.0, 3.217950461, 2.90769182),
        (432000.0, 3.713088097, 3.660567122),
    ]:
        assert advance(chain, state, t, 1.0, 1.0, 20.0)[0].strain == pytest.approx(stretched, rel=1e-6)
        assert advance(chain, virgin(chain), t, 1.0, 1.0, 20.0)[0].strain == pytest.approx(plain, rel=1e-6)


@pytest.mark.parametrize("ratio, hours_s", [(1.25, 60445.06279), (1.5, 40780.90229), (2.0, 25563.46824)])
def test_one_kelvin_element_is_cancelled_by_the_right_pre_stretch(ratio, hours_s):
    # tp = -tau ln(1 - (s/sp) exp(tr/tau)), tau 36000 s, rest 600 s; computed
    chain = Chain.of(EA0_N=1e30, recoverable=([36000.0], [1.0]), reference_C=20.0)
    state, _ = advance(chain, virgin(chain), hours_s, ratio, ratio, 20.0)
    state, _ = advance(chain, state, 600.0, 0.0, 0.0, 20.0)
    assert state.strain == pytest.approx(1.0, rel=1e-9)
    assert advance(chain, state, 1e5, 1.0, 1.0, 20.0)[0].strain == pytest.approx(1.0, rel=1e-9)


# activation energy in kJ/mol: factors at 13, 33, 43, 50, 60, 70 C against 23 C; computed with R = 8.314462618
@pytest.mark.parametrize(
    "activation, factors",
    [
        (100.0, [0.241894, 3.76798, 13.0548, 29.762, 90.9591, 260.466]),
        (120.0, [0.182117, 4.91281, 21.8236, 58.6671, 224.189, 792.322]),
        (145.0, [0.127719, 6.84474, 41.4828, 137.028, 692.352, 3183.02]),
    ],
)
def test_temperature_speeds_a_part_up_by_arrhenius(activation, factors):
    ours = shift(activation, [13.0, 33.0, 43.0, 50.0, 60.0, 70.0], 23.0)
    assert ours == pytest.approx(factors, rel=5e-6)
    assert 2.0 * shift(100.0, 60.0, 23.0) == pytest.approx(181.9, abs=0.05)


# Mittag-Leffler function E_a(-x); computed to 15 digits by series
@pytest.mark.parametrize(
    "alpha, x, value",
    [
        (0.5, 1.0, 0.427583576155807),
        (0.5, 2.0, 0.255395676310506),
        (0.3, 0.5, 0.632649005943599),
        (0.7, 1.0, 0.399611978115599),
        (0.9, 3.0, 0.0838883540337733),
        (0.2, 0.3, 0.751269230023992),
    ],
)
def test_the_mittag_leffler_function_has_these_values(alpha, x, value):
    assert mittag_leffler(alpha, x) == pytest.approx(value, rel=1e-12, abs=0)


def test_two_prony_terms_relax_by_their_eigenvalues():
    # J0 = 1, (0.2, 1 s), (0.3, 100 s): G at 0.1, 1, 10, 100, 1000 s; computed, integral of G J du = t verified
    g = creep.kelvin_chain_relaxation(
        [0.1, 1.0, 10.0, 100.0, 1000.0], 1.0, EA0_N=1.0, tau_s=[1.0, 100.0], compliance_per_N=[0.2, 0.3]
    )
    table = [0.980859346418596, 0.880955934722573, 0.813139182528329, 0.714241518708989, 0.666667288423883]
    assert g == pytest.approx(table, rel=1e-12)
    # one term, J0 = 1e-3, J1 = 0.5e-3, tau 100 s; computed, Talbot inversion identical
    g = creep.kelvin_chain_relaxation(
        [1.0, 50.0, 100.0, 1000.0], 1000.0, EA0_N=1e3, tau_s=[100.0], compliance_per_N=[0.5e-3]
    )
    assert g == pytest.approx([995.03731320102, 824.122184247, 741.04338671614, 666.66676863411], rel=1e-12)


def test_boltzmanns_sum_of_a_second_load_and_of_unloading():
    # J = 1 + 0.05 t^0.2 (t in h, 1e-3 per kN): 1000 N at 0, 200 N more at 1 h, read at 2 h; unloaded at 1 h; computed
    per_second = 0.05 / 3600.0**0.2
    laws = {"linear elastic": {"EA0_N": 1.0}, "power law": {"compliance_per_N": per_second, "exponent": 0.2}}
    chain = to_chain(laws, span_s=(1.0, 1e5), goal=1e-8).chain
    more, _ = strain_under_load(chain, LoadHistory.of([0, 3600, 3600, 7200], [1000, 1000, 1200, 1200]))
    assert more[3] == pytest.approx(1267.4349177499, rel=1e-7)
    off, _ = strain_under_load(chain, LoadHistory.of([0, 3600, 3600, 7200], [1000, 1000, 0, 0]))
    assert off[3] == pytest.approx(7.43491774985, rel=1e-5)


def test_two_processes_that_share_the_load_have_these_rates():
    # kT/v = 80.9475 and 8.09475 MPa at 293.15 K (v 0.05 and 0.5 nm3), e1 1e-12 /s, e2 1e-9 /s; computed
    for rate, stress in [(1e-10, 429.695), (1e-9, 622.408), (1e-8, 825.932), (1e-7, 1030.939)]:
        ours = creep.flows_sharing_load(
            1.0, stress, rate_1_per_s=1e-12, force_scale_1_N=80.9475, rate_2_per_s=1e-9, force_scale_2_N=8.09475
        )
        assert ours == pytest.approx(rate, rel=3e-5, abs=0)
