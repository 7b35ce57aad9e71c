"""Every named law against closed forms: creep, recovery, ramp, relaxation, elastic follow-up, and its way to the chain."""

from __future__ import annotations

import math

import numpy as np
import pytest
from mpmath import e1, exp, invertlaplace, mp, mpf
from scipy.integrate import quad

from models import creep
from models.bounds import bounds_of
from models.chain import advance, total_strain, virgin
from models.errors import InputError
from models.history import LoadHistory
from models.laws import LAWS, PART_GOAL, strain_at, to_chain
from models.mittag_leffler import mittag_leffler
from models.relax import relax
from models.simulate import strain_under_load
from tests.models import stiff

EA = 433e3
SPAN = (1.0, 1e6)
LOAD_N = 1000.0
# a plain set for each law, of the size that a fibre spoke has
PARAMETERS: dict[str, dict] = {
    "linear elastic": {"EA0_N": EA},
    "stiffening elastic": {"EA0_N": EA, "stiffening_per_N": 2e-4},
    "Kelvin chain": {"tau_s": np.array([10.0, 1e3, 1e5]), "compliance_per_N": np.array([3e-7, 4e-7, 5e-7])},
    "standard linear solid": {"EA0_N": EA, "compliance_per_N": 8e-7, "tau_s": 3600.0},
    "Burgers": {"EA0_N": EA, "compliance_per_N": 8e-7, "tau_s": 3600.0, "viscosity_N_s": 4e11},
    "power law": {"compliance_per_N": 9e-7, "exponent": 0.08},
    "logarithmic": {"compliance_per_N": 1.5e-7, "onset_s": 5.0},
    "stretched exponential": {"compliance_per_N": 1.2e-6, "tau_s": 5000.0, "exponent": 0.4},
    "springpot": {"springpot_N_s": 2e6, "order": 0.2},
    "fractional Kelvin": {"compliance_per_N": 1.5e-6, "tau_s": 3000.0, "order": 0.35},
    "nonlinear recoverable": {
        "tau_s": np.array([10.0, 1e4]),
        "compliance_per_N": np.array([3e-7, 4e-7]),
        "nonlinearity_per_N": 1e-4,
    },
    "log-time bedding-in": {
        "at_once_per_N": 7e-7,
        "compliance_per_N": 4e-8,
        "onset_s": 20.0,
        "bedding_exponent": 0.7,
    },
    "activated flow": {"rate_per_s": 9e-13, "force_scale_N": 316.0},
    "two activated flows": {
        "rate_1_per_s": 9e-13,
        "force_scale_1_N": 316.0,
        "rate_2_per_s": 2e-11,
        "force_scale_2_N": 2000.0,
    },
    "flows sharing the load": {
        "rate_1_per_s": 1e-12,
        "force_scale_1_N": 500.0,
        "rate_2_per_s": 1e-9,
        "force_scale_2_N": 50.0,
    },
}
OF_TIME = list(PARAMETERS)
LINEAR = ["Kelvin chain", "standard linear solid", "Burgers", "power law", "logarithmic", "stretched exponential"]
LINEAR += ["springpot", "fractional Kelvin"]


def spoke(name: str) -> dict[str, dict]:
    """The law with an elastic part, unless it has one."""
    alone = LAWS[name].part in ("elastic", "solid")
    return ({} if alone else {"linear elastic": {"EA0_N": EA}}) | {name: PARAMETERS[name]}


def compliance(name: str):
    """J(t) of a linear spoke in 1/N, as a function of one time."""
    return lambda t: float(strain_at(spoke(name), np.array([max(t, 0.0)]), 1.0)[0])


def test_every_law_of_the_table_is_tested_here():
    assert set(LAWS) == {*PARAMETERS, "Arrhenius", "expansion"}
    for law in LAWS.values():
        assert law.formula and law.bounds, law.name
        assert all(b.unit for b in law.bounds.values())


@pytest.mark.parametrize("name", OF_TIME)
def test_creep_on_the_chain_follows_the_law_within_the_stated_error(name):
    converted = to_chain(spoke(name), span_s=SPAN, loads_N=(LOAD_N,))
    assert converted.error < 1e-3
    time = np.geomspace(*SPAN, 97)  # not the times that the conversion looked at
    strain, _ = strain_under_load(converted.chain, LoadHistory.of(np.append(0, time), np.full(98, LOAD_N)))
    law = strain_at(spoke(name), time, LOAD_N)
    assert np.abs(strain[1:] / law - 1).max() <= 1.05 * converted.error + 1e-12
    if not LAWS[name].exact:
        own = LAWS[name].function(time, LOAD_N, **PARAMETERS[name])
        miss = np.abs(strain[1:] - law) / own
        assert miss.max() <= 1.05 * converted.part_error[name] + 1e-12


@pytest.mark.parametrize("name", [n for n in OF_TIME if n != "flows sharing the load"])
def test_each_part_alone_is_within_a_thousandth_too(name):
    converted = to_chain(spoke(name), span_s=SPAN)
    assert all(error < PART_GOAL for error in converted.part_error.values())


@pytest.mark.parametrize("name", LINEAR)
def test_what_is_left_after_unloading_is_the_difference_of_two_creep_curves(name):
    chain = to_chain(spoke(name), span_s=SPAN).chain
    j = compliance(name)
    t1 = 7200.0
    history = LoadHistory.of([0, t1, t1, t1 + 60, t1 + 3600, t1 + 86400], [LOAD_N, LOAD_N, 0, 0, 0, 0])
    ours, _ = strain_under_load(chain, history)
    for i, t in [(3, 60.0), (4, 3600.0), (5, 86400.0)]:
        assert ours[i] == pytest.approx(LOAD_N * (j(t1 + t) - j(t)), rel=2e-3, abs=1e-4 * LOAD_N * j(t1))


@pytest.mark.parametrize("name", LINEAR)
def test_a_ramp_gives_the_integral_of_the_creep_curve(name):
    chain = to_chain(spoke(name), span_s=(0.01, 1e5)).chain
    j = compliance(name)
    t0 = 100.0
    ours, _ = strain_under_load(chain, LoadHistory.of([0, t0, 500.0, 5000.0], [0, LOAD_N, LOAD_N, LOAD_N]))

    def integral(t: float) -> float:
        return quad(j, 0.0, t, epsabs=0, epsrel=1e-10, limit=500, points=[t * 1e-6, t * 1e-3] if t > 0 else None)[0]

    for i, t in [(1, t0), (2, 500.0), (3, 5000.0)]:
        exact = LOAD_N / t0 * (integral(t) - (integral(t - t0) if t > t0 else 0.0))
        assert ours[i] == pytest.approx(exact, rel=3e-4)


def relaxation_by_laplace(name: str, t: float, phi: float) -> float:
    """T/T0 at a fixed length, from the law's Laplace transform: s Jbar(s) Tbar(s) = T0 J0/s, by Talbot's contour."""
    mp.dps = 30
    p = PARAMETERS[name]
    j0 = mpf(1 + phi) / mpf(EA)

    def jbar_times_s(s):
        if name in ("Kelvin chain", "nonlinear recoverable"):
            return j0 + sum(
                mpf(c) / (1 + s * mpf(tau)) for c, tau in zip(p["compliance_per_N"], p["tau_s"], strict=True)
            )
        if name in ("standard linear solid", "Burgers"):
            flow = 1 / (s * mpf(p["viscosity_N_s"])) if name == "Burgers" else 0
            return j0 + mpf(p["compliance_per_N"]) / (1 + s * mpf(p["tau_s"])) + flow
        if name == "power law":
            n = mpf(p["exponent"])
            return j0 + mpf(p["compliance_per_N"]) * mp.gamma(1 + n) * s ** (-n)
        if name == "springpot":
            return j0 + s ** (-mpf(p["order"])) / mpf(p["springpot_N_s"])
        if name == "fractional Kelvin":
            return j0 + mpf(p["compliance_per_N"]) / (1 + (s * mpf(p["tau_s"])) ** mpf(p["order"]))
        if name == "logarithmic":
            x = s * mpf(p["onset_s"])
            return j0 + mpf(p["compliance_per_N"]) * exp(x) * e1(x)
        raise AssertionError(name)

    return float(invertlaplace(lambda s: j0 / (s * jbar_times_s(s)), t, method="talbot"))


TRANSFORMED = [n for n in LINEAR if n != "stretched exponential"]  # its transform is not an elementary one


@pytest.mark.parametrize("phi", [0.0, 0.3])
@pytest.mark.parametrize("name", TRANSFORMED)
def test_relaxation_with_elastic_follow_up_agrees_with_laplace_inversion(name, phi):
    chain = to_chain(spoke(name), span_s=SPAN).chain
    times = [10.0, 600.0, 43200.0]
    ours, _ = relax(chain, virgin(chain), times, LOAD_N, phi, 20.0, steps_per_decade=100, first_step_s=0.02)
    theirs = [LOAD_N * relaxation_by_laplace(name, t, phi) for t in times]
    np.testing.assert_allclose(ours, theirs, rtol=3e-4)
    closed = LAWS[name].relaxation
    if closed is not None:
        own = {k: v for k, v in PARAMETERS[name].items() if k != "EA0_N"}
        np.testing.assert_allclose(closed(times, LOAD_N, EA0_N=EA, phi=phi, **own), theirs, rtol=1e-9)


def test_every_linear_law_with_a_closed_relaxation_is_checked_by_laplace_inversion():
    closed = {n for n, law in LAWS.items() if law.relaxation and law.part in ("recoverable", "solid")}
    assert closed <= set(TRANSFORMED)


def test_a_stretched_exponential_relaxes_as_its_hereditary_integral_asks():
    # G must give integral of G(t - u) J(u) du = t: checked on the chain's own relaxation by quadrature
    name = "stretched exponential"
    chain = to_chain(spoke(name), span_s=(1e-2, 1e6)).chain
    j, t = compliance(name), 20000.0
    grid = np.concatenate([[0.0], np.geomspace(1e-2, t, 1500)])
    load, _ = relax(chain, virgin(chain), grid, LOAD_N, 0.0, 20.0, steps_per_decade=100, first_step_s=0.02)
    g = load / LOAD_N * EA
    u = t - grid[::-1]
    integrand = np.interp(t - u, grid, g) * np.array([j(x) for x in u])
    assert np.trapezoid(integrand, u) / t == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("phi", [0.0, 0.2])
def test_flow_relaxes_with_follow_up_as_its_closed_form_says(phi):
    p = PARAMETERS["activated flow"]
    chain = to_chain(spoke("activated flow"), span_s=SPAN).chain
    times = [3600.0, 1e6, 1e9]
    ours, _ = relax(chain, virgin(chain), times, 2500.0, phi, 20.0, steps_per_decade=200)
    closed = creep.activated_flow_relaxation(times, 2500.0, EA0_N=EA, phi=phi, **p)
    np.testing.assert_allclose(ours, closed, rtol=2e-4)


@pytest.mark.parametrize(
    "name", ["log-time bedding-in", "activated flow", "two activated flows", "flows sharing the load"]
)
def test_nothing_of_bedding_or_flow_comes_back_after_unloading(name):
    chain = to_chain(spoke(name), span_s=SPAN).chain
    _, state = strain_under_load(chain, LoadHistory.of([0, 7200.0], [LOAD_N, LOAD_N]))
    after, _ = advance(chain, state, 86400.0, 0.0, 0.0, 20.0)
    own = LAWS[name].function(7200.0, LOAD_N, **PARAMETERS[name])
    assert after.strain == pytest.approx(own, rel=6e-3)


@pytest.mark.parametrize("name", ["activated flow", "two activated flows"])
def test_a_ramp_makes_flow_run_at_the_mean_of_its_sinh(name):
    chain = to_chain(spoke(name), span_s=SPAN).chain
    _, state = strain_under_load(chain, LoadHistory.of([0, 1000.0], [0.0, 2000.0]))
    exact = quad(lambda u: float(LAWS[name].function(1.0, 2000.0 * u / 1000.0, **PARAMETERS[name])), 0, 1000.0)[0]
    assert state.flow.sum() == pytest.approx(exact, rel=1e-9)


def test_a_ramp_beds_in_as_a_stiff_solver_says():
    chain = to_chain(spoke("log-time bedding-in"), span_s=SPAN).chain
    history = LoadHistory.of([0, 100.0, 3600.0], [0.0, LOAD_N, LOAD_N], 20.0)
    ours, _ = strain_under_load(chain, history, substeps=200)
    np.testing.assert_allclose(ours[1:], stiff.strain(chain, history)[1:], rtol=1e-6)


def test_a_nonlinear_part_answers_to_a_ramp_with_the_square_of_the_load_too():
    p = PARAMETERS["nonlinear recoverable"]
    chain = to_chain(spoke("nonlinear recoverable"), span_s=SPAN).chain
    ours, _ = strain_under_load(chain, LoadHistory.of([0, 500.0], [0.0, LOAD_N]))

    def rate(u: float) -> float:  # dg/dt
        load = LOAD_N * u / 500.0
        return LOAD_N / 500.0 * (1 + 2 * p["nonlinearity_per_N"] * load)

    def kernel(t: float) -> float:
        return float((p["compliance_per_N"] * -np.expm1(-t / p["tau_s"])).sum())

    exact = LOAD_N / EA + quad(lambda u: kernel(500.0 - u) * rate(u), 0, 500.0)[0]
    assert ours[1] == pytest.approx(exact, rel=1e-10)


def test_a_stiffening_spoke_with_flow_relaxes_as_a_stiff_solver_says():
    laws = {"stiffening elastic": PARAMETERS["stiffening elastic"], "Kelvin chain": PARAMETERS["Kelvin chain"]}
    laws |= {"activated flow": PARAMETERS["activated flow"]}
    chain = to_chain(laws, span_s=SPAN).chain
    follow = 0.2 / EA
    total = float(total_strain(chain, virgin(chain), LOAD_N, 20.0)) + follow * LOAD_N
    times = np.array([10.0, 3600.0, 43200.0])
    ours, _ = relax(chain, virgin(chain), times, LOAD_N, 0.2, 20.0, steps_per_decade=200, first_step_s=0.02)
    theirs = stiff.relaxation(chain, np.zeros(4), total, follow, 20.0, np.append(0.0, times))[1:]
    np.testing.assert_allclose(ours, theirs, rtol=1e-5)


def test_a_whole_spoke_of_named_laws_runs_at_its_own_temperature():
    laws = {
        "stiffening elastic": PARAMETERS["stiffening elastic"],
        "power law": PARAMETERS["power law"],
        "log-time bedding-in": PARAMETERS["log-time bedding-in"],
        "activated flow": PARAMETERS["activated flow"],
        "Arrhenius": {"activation_kJ_per_mol": 110.0},
        "expansion": {"expansion_per_K": -12e-6},
    }
    converted = to_chain(laws, span_s=SPAN, loads_N=(300.0, 1600.0), reference_C=20.0)
    assert converted.error < 1e-3
    warm, _ = strain_under_load(converted.chain, LoadHistory.of([0, 3600.0], [LOAD_N, LOAD_N], 35.0))
    hours = 3600.0 * float(creep.arrhenius(35.0, activation_kJ_per_mol=110.0, reference_C=20.0))
    law = strain_at(laws, np.array([hours]), LOAD_N)[0] + creep.expansion(
        35.0, expansion_per_K=-12e-6, reference_C=20.0
    )
    # flow's force scale rises with absolute temperature too, a few parts in a thousand of a small part
    assert warm[1] == pytest.approx(law, rel=1e-3)


def test_more_load_where_the_second_process_takes_over_is_said_to_be_worse():
    laws = spoke("flows sharing the load")
    small = to_chain(laws, span_s=SPAN, loads_N=(200.0, 1600.0)).part_error["flows sharing the load"]
    large = to_chain(laws, span_s=SPAN, loads_N=(200.0, 5000.0)).part_error["flows sharing the load"]
    assert small < 0.01 < large


@pytest.mark.parametrize("name", OF_TIME)
def test_laws_broadcast_times_against_loads(name):
    law = LAWS[name].function
    times, loads = np.array([[1.0], [100.0], [1e4]]), np.array([200.0, 1500.0])
    both = law(times, loads, **PARAMETERS[name])
    assert both.shape == (3, 2)
    for i in range(3):
        for j in range(2):
            assert law(times[i, 0], loads[j], **PARAMETERS[name]) == pytest.approx(both[i, j], rel=1e-12)


@pytest.mark.parametrize("name", LAWS)
def test_a_parameter_outside_its_bounds_is_named_and_never_clamped(name):
    law = LAWS[name]
    good = PARAMETERS.get(name, {"activation_kJ_per_mol": 100.0} if name == "Arrhenius" else {"expansion_per_K": -1e-5})
    first = (25.0,) if law.part == "temperature" else (10.0, 500.0)
    law.function(*first, **good)
    for key, bound in law.bounds.items():
        for bad in (bound.low - 1e-9 if bound.closed else bound.low, math.nan, math.inf):
            with pytest.raises(InputError, match=key):
                law.function(*first, **(good | {key: bad}))


@pytest.mark.parametrize(
    "laws, span, word",
    [
        ({"linear elastic": {"EA0_N": EA}, "power": {}}, SPAN, "no law 'power'"),
        ({"power law": PARAMETERS["power law"]}, SPAN, "elastic part is missing"),
        ({"linear elastic": {"EA0_N": EA}, "Burgers": PARAMETERS["Burgers"]}, SPAN, "elastic part"),
        ({"linear elastic": {"EA0_N": EA}, "power law": {"exponent": 0.1}}, SPAN, "compliance_per_N"),
        ({"linear elastic": {"EA0_N": EA, "EA_N": 1.0}}, SPAN, "no parameter 'EA_N'"),
        ({"linear elastic": {"EA0_N": -1.0}}, SPAN, "EA0_N"),
        ({"linear elastic": {"EA0_N": EA}}, (10.0, 1.0), "span_s"),
    ],
)
def test_a_spoke_that_cannot_be_built_is_refused_in_plain_words(laws, span, word):
    with pytest.raises(InputError, match=word):
        to_chain(laws, span_s=span)


def test_laws_of_no_size_add_nothing():
    laws = {"linear elastic": {"EA0_N": EA}, "logarithmic": {"compliance_per_N": 0.0, "onset_s": 1.0}}
    converted = to_chain(laws, span_s=SPAN)
    assert converted.chain.recoverable_tau_s.size == 0 and converted.error < 1e-12


def test_a_mode_is_not_spent_on_what_the_span_cannot_see():
    narrow = to_chain(spoke("power law"), span_s=(60.0, 43200.0)).chain.recoverable_tau_s.size
    wide = to_chain(spoke("power law"), span_s=(1e-2, 1e8)).chain.recoverable_tau_s.size
    assert narrow <= 14 < wide


@pytest.mark.parametrize("alpha", [0.02, 0.2, 0.5, 0.8, 0.95])
def test_mittag_leffler_agrees_with_an_independent_library(alpha):
    from pymittagleffler import mittag_leffler as other

    x = np.geomspace(1e-4, 1e4, 25)
    np.testing.assert_allclose(mittag_leffler(alpha, x), other(-x, alpha, 1.0).real, atol=1e-12)
    assert mittag_leffler(alpha, 0.0) == 1.0


def test_mittag_leffler_refuses_what_it_cannot_do():
    with pytest.raises(ValueError, match="order"):
        mittag_leffler(1.0, 1.0)
    with pytest.raises(ValueError, match="negative"):
        mittag_leffler(0.5, -1.0)


def test_bounds_are_read_from_the_signature():
    assert str(bounds_of(creep.power_law)["exponent"]) == "(0, 0.98) 1"
    assert bounds_of(creep.burgers)["viscosity_N_s"].unit == "N s"
