"""A batch file is read whole or refused by its key, and its draws say what is not known."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from models.batch import Batch, draw_chains, given_fibre_area
from models.chain import Chain
from models.errors import InputError
from models.unknown import SpectrumEnd, Spread, Uncertainty
from tests.golden import default_chain


def batch(**changes: object) -> Batch:
    spread = Spread(log_sd=np.array([0.03, 0.10, 0.10, 0.3]), correlation=np.eye(4), spokes=4)
    return Batch(
        batch="K07",
        law="smooth Kelvin chain",
        chain=default_chain(),
        spread=spread,
        uncertainty=Uncertainty(names=("elastic",), log_covariance=np.array([[0.02**2]])),
        **changes,  # type: ignore[arg-type]
    )


def test_a_batch_written_and_read_again_is_the_same() -> None:
    one = batch(covers={"held_N": [1000.0]}, extra={"spokes": []})
    again = Batch.from_dict(one.as_dict())
    assert again.as_dict() == one.as_dict()


def test_what_no_spoke_can_be_is_refused_by_key_before_its_draws_overflow() -> None:
    d = batch().as_dict()
    d["chain"]["recoverable"][1]["tau_s"] = 1e-300
    with pytest.raises(InputError, match=r"key 'chain': tau_s of recoverable must lie between 1e-06 and 1e\+15 s"):
        Batch.from_dict(d)
    d = batch().as_dict()
    d["uncertainty"]["log_covariance"] = [[1e5]]
    with pytest.raises(InputError, match="log_covariance of 'elastic' is 100000; at most 100 is allowed"):
        Batch.from_dict(d)
    d = batch().as_dict()
    d["uncertainty"]["log_shift"] = [-40.0]
    with pytest.raises(InputError, match="log_shift must lie within 10 of 0"):
        Batch.from_dict(d)


def test_a_file_with_only_batch_chain_and_spread_is_enough_and_its_error_shrinks_with_the_spokes() -> None:
    few = batch().as_dict()
    bare = {"batch": "X", "chain": few["chain"], "spread": {"log_sd": few["spread"]["log_sd"], "spokes": 4}}
    many = {**bare, "spread": {"log_sd": few["spread"]["log_sd"], "spokes": 100}}
    sd = [np.sqrt(Batch.from_dict(d).uncertainty.log_covariance[0, 0]) for d in (bare, many)]
    assert np.allclose(sd, [0.03 / 2.0, 0.03 / 10.0])
    assert draw_chains(Batch.from_dict(bare), np.random.default_rng(1), 5, 3).shape == (5, 3)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d.pop("chain"), "key 'chain' is missing"),
        (lambda d: d.update(chain={}), "key 'chain'"),
        (lambda d: d["chain"]["elastic"].update(EA0_N=-1.0), "EA0_N must be positive"),
        (lambda d: d["chain"]["elastic"].update(EA0_N=[4e5, 5e5]), "a list stands where one number is allowed"),
        (lambda d: d["spread"]["log_sd"].update(elastic="much"), "key 'spread'"),
        (lambda d: d["spread"].update(spokes=0), "spokes must be at least 1"),
        (lambda d: d["spread"].update(correlation=[[2.0]]), "4 x 4 correlation"),
        (lambda d: d["uncertainty"].update(names=["bedding[77]"]), r"no parameter 'bedding\[77\]'"),
        (lambda d: d["uncertainty"].update(log_covariance=[[float("nan")]]), "cannot be drawn from"),
        (lambda d: d["uncertainty"].update(log_covariance=[[-1.0]]), "not positive semi-definite"),
    ],
)
def test_a_wrong_key_is_named(change: object, said: str) -> None:
    d = batch().as_dict()
    change(d)  # type: ignore[operator]
    with pytest.raises(InputError, match=said):
        Batch.from_dict(d)


def test_draws_have_the_stated_spread_within_and_between_batches() -> None:
    b = batch()
    wide = replace(b, spread=replace(b.spread, spokes=400))
    c = draw_chains(wide, np.random.default_rng(5), 2000, 30)
    ea = np.log(np.broadcast_to(c.EA0_N, (2000, 30)))
    assert abs(ea.std(axis=1).mean() / 0.03 - 1.0) < 0.03
    assert abs(ea.mean(axis=1).std() / np.hypot(0.02, 0.03 / np.sqrt(30)) - 1.0) < 0.06
    recoverable = np.log(c.recoverable_compliance_per_N / default_chain().recoverable_compliance_per_N)
    assert np.ptp(recoverable, axis=-1).max() < 1e-12  # one scale for all modes of a spoke


def test_few_spokes_make_wider_draws_than_many_at_the_same_stated_spread() -> None:
    b = batch()
    far = []
    for spokes in (4, 400):
        c = draw_chains(replace(b, spread=replace(b.spread, spokes=spokes)), np.random.default_rng(5), 4000, 1)
        scale = c.bedding_compliance_per_N[:, 0, 0] / default_chain().bedding_compliance_per_N[0]
        far.append(float(np.quantile(np.abs(np.log(scale)), 0.95)))
    assert far[0] > 1.3 * far[1]


def test_flow_uncertainty_stated_at_a_load_leaves_the_rate_there_when_the_force_scale_moves() -> None:
    at_N = 1000.0
    u = Uncertainty(names=("flow[0]", "flow_scale[0]"), log_covariance=np.diag([0.0, 0.5**2]), flow_load_N=at_N)
    still = Spread(log_sd=np.zeros(4), correlation=np.eye(4), spokes=4)
    b = replace(batch(), uncertainty=u, spread=still)
    c = draw_chains(b, np.random.default_rng(2), 500, 1)

    def rate(chain: Chain, load_N: float) -> np.ndarray:
        return np.asarray(chain.flow_rate_per_s * np.sinh(load_N / chain.flow_force_scale_N))

    assert np.allclose(rate(c, at_N), rate(default_chain(), at_N), rtol=1e-9)
    assert np.log(rate(c, 1500.0)).std() > 0.2


def test_named_errors_of_shape_and_temperature_reach_the_chain() -> None:
    names = ("stiffening", "bedding_exponent", "activation_flow")
    u = Uncertainty(names=names, log_covariance=np.diag([0.04, 0.01, 0.01]))
    chain = replace(default_chain(), stiffening_per_N=np.array(1e-4))
    c = draw_chains(replace(batch(), chain=chain, uncertainty=u), np.random.default_rng(3), 3000, 1)
    for value, middle, sd in (
        (c.stiffening_per_N, 1e-4, 0.2),
        (c.bedding_exponent, 0.7, 0.1),
        (c.activation_flow_kJ_per_mol, 120.0, 0.1),
    ):
        z = np.log(value / middle)
        assert abs(z.std() / sd - 1.0) < 0.06 and abs(z.mean()) < 0.01


def with_area(flow_cov: float = 0.25) -> Batch:
    """Flow at 1000 N known to a factor e^0.6, most of it because the fibre's area is not known."""
    cov = np.array([[0.36, 0.01, flow_cov], [0.01, 0.04, -0.02], [flow_cov, -0.02, 0.25]])
    u = Uncertainty(
        names=("flow[0]", "flow_scale[0]", "fibre_area"), log_covariance=cov, flow_load_N=1000.0, fibre_area_mm2=5.0
    )
    return replace(batch(), uncertainty=u, spread=Spread(log_sd=np.zeros(4), correlation=np.eye(4), spokes=4))


def test_knowing_the_fibres_area_is_picking_the_draws_that_have_it() -> None:
    b = with_area()
    z = np.random.default_rng(1).multivariate_normal(np.zeros(3), b.uncertainty.log_covariance, 2_000_000)
    ln_area = np.log(5.5 / 5.0)
    picked = z[np.abs(z[:, 2] - ln_area) < 0.01]
    known = given_fibre_area(b, 5.5)
    assert known.uncertainty.names == ("flow[0]", "flow_scale[0]")
    assert known.uncertainty.log_covariance == pytest.approx(np.cov(picked[:, :2].T), abs=0.003)
    at = 1000.0
    before, after = (c.flow_rate_per_s[0] * np.sinh(at / c.flow_force_scale_N[0]) for c in (b.chain, known.chain))
    assert np.log(after / before) == pytest.approx(picked[:, 0].mean(), abs=0.01)
    scale = known.chain.flow_force_scale_N[0] / b.chain.flow_force_scale_N[0]
    assert np.log(scale) == pytest.approx(picked[:, 1].mean(), abs=0.01)


def test_the_area_matters_only_to_what_hangs_on_it_and_only_once() -> None:
    b = with_area()
    known = given_fibre_area(b, 6.0)
    assert given_fibre_area(known, 4.0) is known  # it is known already
    assert np.array_equal(known.chain.recoverable_compliance_per_N, b.chain.recoverable_compliance_per_N)
    assert given_fibre_area(b, 5.0).chain.flow_rate_per_s == pytest.approx(b.chain.flow_rate_per_s)
    plain = batch()
    assert given_fibre_area(plain, 5.0) is plain
    drawn = [draw_chains(x, np.random.default_rng(3), 4000, 1) for x in (b, known)]
    at_1000_N = [np.log(c.flow_rate_per_s * np.sinh(1000.0 / c.flow_force_scale_N)).std() for c in drawn]
    assert at_1000_N == pytest.approx([0.6, 0.11**0.5], rel=0.05)
    with pytest.raises(InputError, match="positive"):
        given_fibre_area(b, 0.0)


def test_a_shift_of_the_logarithms_moves_the_middle_of_the_draws() -> None:
    u = Uncertainty(names=("elastic",), log_covariance=np.array([[1e-6]]), log_shift=np.array([-0.1]))
    c = draw_chains(replace(batch(), uncertainty=u), np.random.default_rng(0), 4000, 1)
    assert float(np.median(np.log(c.EA0_N / default_chain().EA0_N))) == pytest.approx(0.1, abs=0.005)


def test_area_and_shift_outlive_the_file() -> None:
    b = with_area()
    b = replace(b, uncertainty=replace(b.uncertainty, log_shift=np.array([0.1, -0.2, 0.0])))
    again = Batch.from_dict(json.loads(json.dumps(b.as_dict())))
    assert again.uncertainty.fibre_area_mm2 == 5.0
    assert again.uncertainty.log_shift is not None and again.uncertainty.log_shift.tolist() == [0.1, -0.2, 0.0]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"fibre_area_mm2": None}, "fibre_area_mm2 is needed"),
        ({"fibre_area_mm2": -1.0}, "fibre_area_mm2 must be positive"),
        ({"log_shift": [0.0]}, "log_shift must be 3"),
    ],
)
def test_an_area_or_shift_that_cannot_be_is_refused(change: dict[str, object], said: str) -> None:
    d = with_area().as_dict()
    d["uncertainty"] |= change
    with pytest.raises(InputError, match=said):
        Batch.from_dict(d)


def ending(probability: float = 0.3, from_s: float = 1e5, to_s: float = 1e7) -> Batch:
    """Known exactly, but for where its spectrum ends."""
    end = SpectrumEnd(probability=probability, from_s=from_s, to_s=to_s)
    u = Uncertainty(names=(), log_covariance=np.zeros((0, 0)), recoverable_end=end)
    return replace(batch(), spread=replace(batch().spread, log_sd=np.zeros(4)), uncertainty=u)


def test_as_many_draws_end_as_are_said_to_evenly_in_the_logarithm_of_time_and_creep_less() -> None:
    """The end is found back from how much of each mode is left; scipy's test of an even distribution."""
    c, whole = draw_chains(ending(), np.random.default_rng(4), 4000, 2), default_chain()
    left = c.recoverable_compliance_per_N / whole.recoverable_compliance_per_N
    assert (left[:, 0] == left[:, 1]).all()  # all spokes of a batch end alike
    assert (left <= 1.0).all()
    ended = left[:, 0, -1] < 1.0
    assert ended.mean() == pytest.approx(0.3, abs=4 * (0.3 * 0.7 / 4000) ** 0.5)
    end_s = -whole.recoverable_tau_s / np.log(left[ended, 0])
    assert np.ptp(np.log(end_s[:, 3:]), axis=1).max() < 1e-6  # one end for all modes
    assert stats.kstest(np.log10(end_s[:, -1]), stats.uniform(5.0, 2.0).cdf).pvalue > 0.01


def test_the_end_outlives_the_file_and_one_that_cannot_be_is_refused() -> None:
    b = ending()
    d = json.loads(json.dumps(b.as_dict()))
    assert Batch.from_dict(d).uncertainty.recoverable_end == b.uncertainty.recoverable_end
    for change, said in (
        ({"probability": 1.5}, "probability is 1.5; 0 to 1 is allowed"),
        ({"probability": None}, "key 'uncertainty'"),
        ({"from_s": 1e8}, "must lie between 1e-06 and 1e[+]15 s"),
        ({"to_s": float("inf")}, "must lie between 1e-06 and 1e[+]15 s"),
    ):
        wrong = {
            **d,
            "uncertainty": {**d["uncertainty"], "recoverable_end": {**d["uncertainty"]["recoverable_end"], **change}},
        }
        with pytest.raises(InputError, match=said):
            Batch.from_dict(wrong)
    for wrong_end in ([1.0], {"probability": 0.5}, "late"):
        with pytest.raises(InputError, match="key 'uncertainty'"):
            Batch.from_dict({**d, "uncertainty": {**d["uncertainty"], "recoverable_end": wrong_end}})


def test_no_draw_of_one_spoke_is_beyond_belief() -> None:
    """Three degrees of freedom allow any spread, now and then; states of 1e17 have no digits left for a tension."""
    wide = Spread(log_sd=np.full(4, 3.0), correlation=np.eye(4), spokes=4)
    c = draw_chains(replace(batch(), spread=wide), np.random.default_rng(0), 500, 20)
    assert np.abs(np.log(c.flow_rate_per_s / default_chain().flow_rate_per_s)).max() == pytest.approx(4.0)
