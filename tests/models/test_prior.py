"""What is assumed before a test: flow hangs on stress, and the widths are those that the ranges of design allow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.basis import BEDDING_TAU_S, RECOVERABLE_TAU_S
from models.batch import NONLINEARITY, Batch, draw_chains, given_fibre_area
from models.chain import advance, virgin
from models.fit import Fitted
from models.prior import (
    AREA_LOG_SD,
    FLOW_LOG_SD,
    MODULUS_LOG_SD,
    RECOVERABLE_END_S,
    RECOVERABLE_ENDS,
    SEEN_TO_GO_ON,
    Prior,
    prior,
    recoverable_end,
)
from models.units import fibre_area_mm2
from models.unknown import AREA, Spread, Uncertainty

EA_N = 4.3e5


def before(linear_density: float | None = None) -> Prior:
    return prior(EA_N, 1000.0, RECOVERABLE_TAU_S, BEDDING_TAU_S, 23.0, linear_density)


def batch_of(p: Prior) -> Batch:
    """A batch of which nothing is known but what is assumed."""
    fields: dict[str, object] = dict.fromkeys(Fitted.__dataclass_fields__)
    fields |= {"prior": p, "value": p.mean, "at_N": 1000.0, "reference_C": 23.0}
    fields |= {"recoverable_tau_s": RECOVERABLE_TAU_S, "bedding_tau_s": BEDDING_TAU_S}
    return Batch(
        batch="expected",
        law="",
        chain=Fitted(**fields).chain(),  # type: ignore[arg-type]
        spread=Spread(log_sd=np.zeros(4), correlation=np.eye(4), spokes=4),
        uncertainty=Uncertainty(
            names=p.names, log_covariance=p.covariance, flow_load_N=1000.0, fibre_area_mm2=p.area_mm2
        ),
    )


def test_flow_of_the_default_fibre_is_that_of_the_design_at_its_stress() -> None:
    """6 g/m at 1000 N: 161.7 MPa, 2.07e-11 1/s at 23 degC (design's golden table), force scale 51.11 MPa x 6.186 mm2."""
    p = before(6.0)
    assert np.exp(p.mean[p.names.index("flow[0]")]) == pytest.approx(2.07e-11, rel=0.01)
    assert np.exp(p.mean[p.names.index("flow_scale[0]")]) == pytest.approx(51.11 * 6.186, rel=0.002)


def test_learning_the_area_later_is_having_known_it_before() -> None:
    """Conditioning the joint prior on an area against the prior made with it; to first order, so near by."""
    joint = before()
    area = 1.03 * joint.area_mm2
    lin = area * 970.0 / 1e3
    assert fibre_area_mm2(lin) == pytest.approx(area)
    known, after = before(lin), given_fibre_area(batch_of(joint), area)
    at = [known.names.index(n) for n in ("flow[0]", "flow_scale[0]")]
    scale = float(after.chain.flow_force_scale_N[0])
    rate = float(after.chain.flow_rate_per_s[0]) * np.sinh(1000.0 / scale)
    assert np.log(rate) == pytest.approx(known.mean[at[0]], abs=0.01)
    assert np.log(scale) == pytest.approx(known.mean[at[1]], abs=0.002)
    u = after.uncertainty
    mine = [u.names.index(n) for n in ("flow[0]", "flow_scale[0]")]
    stated = known.covariance[np.ix_(at, at)] - AREA_LOG_SD**2 * np.outer([3.2, -1.0], [3.2, -1.0])
    assert u.log_covariance[np.ix_(mine, mine)] == pytest.approx(stated, abs=0.02)


def test_a_stiffer_spoke_has_more_fibre_unless_the_fibre_is_known() -> None:
    """EA is modulus times area: of a stiffness off by e, the area takes all but the modulus's own spread."""
    for p, slope in ((before(), -1.0), (before(6.0), -(AREA_LOG_SD**2) / (AREA_LOG_SD**2 + MODULUS_LOG_SD**2))):
        el, area, rate = (p.names.index(n) for n in ("elastic", AREA, "flow[0]"))
        assert p.covariance[area, el] / p.covariance[el, el] == pytest.approx(slope, abs=1e-6)
        assert p.covariance[rate, el] * slope <= 0  # more fibre, less stress, less flow
    assert np.exp(-before(6.0).mean[0]) == pytest.approx(80e3 * fibre_area_mm2(6.0))


def test_flow_at_a_load_is_known_far_worse_without_the_area() -> None:
    sd = [np.sqrt(p.covariance[i, i]) for p in (before(), before(6.0)) for i in [p.names.index("flow[0]")]]
    assert sd[0] > 1.4 * sd[1] > 1.4 * FLOW_LOG_SD * 0.999


def test_recoverable_creep_at_twice_the_load_is_within_the_check_of_the_design() -> None:
    """2000 N against 1000 N, 2 min to 24 h: 1.8 to 2.3 times (design, what would falsify the default), two sd wide."""
    b = batch_of(before())
    only = [b.uncertainty.names.index(NONLINEARITY)]
    u = Uncertainty(names=(NONLINEARITY,), log_covariance=b.uncertainty.log_covariance[np.ix_(only, only)])
    c = draw_chains(replace(b, uncertainty=u), np.random.default_rng(1), 4000, 1)

    def creep(load_N: float) -> np.ndarray:
        early, _ = advance(c, advance(c, virgin(c), 0.0, 0.0, load_N, 23.0)[0], 120.0, load_N, load_N, 23.0)
        late, _ = advance(c, early, 86280.0, load_N, load_N, 23.0)
        return np.asarray((late.recoverable - early.recoverable).sum(-1)[:, 0])

    one, two = creep(1000.0), creep(2000.0)
    assert one.std() < 1e-9 * one.mean()  # stated at 1000 N: there nothing moves
    assert 0.90 < np.mean((two / one > 1.8) & (two / one < 2.3)) < 1.0


def test_bedding_left_after_twelve_hours_is_little_and_less_than_flow_may_be() -> None:
    """The design's slowest bedding takes 6 h: what is slower is small, and a stretch at 1500 N uses it up."""
    b = batch_of(before())
    c = b.chain
    state, _ = advance(c, virgin(c), 30.0, 0.0, 1500.0, 23.0)
    state, _ = advance(c, state, 12 * 3600.0, 1500.0, 1500.0, 23.0)
    held = float(state.bedding.sum())
    later, _ = advance(c, state, 30 * 86400.0, 981.0, 981.0, 23.0)
    assert 0.0 <= float(later.bedding.sum()) - held < 0.01 * held
    virgin_now, _ = advance(c, virgin(c), 12 * 3600.0, 981.0, 981.0, 23.0)
    virgin_later, _ = advance(c, virgin_now, 30 * 86400.0, 981.0, 981.0, 23.0)
    whole = float(virgin_later.bedding.sum())
    assert 0.01 * whole < whole - float(virgin_now.bedding.sum()) < 0.10 * whole


@pytest.mark.parametrize("reference_C", [18.0, 23.0])
@pytest.mark.parametrize("longest_hold_s", [4e4, 3e5, 6e6, 2e9])
def test_a_test_that_saw_no_end_leaves_only_later_ones(longest_hold_s: float, reference_C: float) -> None:
    """By counting: of many batches drawn before any test, those that ended while it still went on are left out."""
    rng = np.random.default_rng(6)
    # 100 kJ/mol: at 18 degC all is slower by exp(100000/8.314 (1/291.15 - 1/296.15)) = 2.008, by hand
    first, last = (t * {18.0: 2.008, 23.0: 1.0}[reference_C] for t in RECOVERABLE_END_S)
    ends = rng.random(400_000) < RECOVERABLE_ENDS
    at = first * (last / first) ** rng.random(400_000)
    seen = ends & (at < SEEN_TO_GO_ON * longest_hold_s)
    left = recoverable_end(longest_hold_s, reference_C)
    assert left.probability == pytest.approx(float(ends[~seen].mean()), abs=0.003)
    assert left.from_s == pytest.approx(max(first, SEEN_TO_GO_ON * longest_hold_s), rel=1e-3)
    assert left.to_s == pytest.approx(max(last, left.from_s), rel=1e-3)
