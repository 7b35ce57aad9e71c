"""Laws are ranked by what they foretell of the end that was kept from them, and disagreement widens the band."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.candidates import GENERAL, laws
from models.choose import Candidate, average, compare, split
from models.fit import fit
from models.laws import LAWS
from models.table import records
from models.thin import thin
from tests.models import otherphysics


def compared(seed: int) -> list[Candidate]:
    rng = np.random.default_rng(seed)
    batch = otherphysics.hidden_batch(rng)
    found, _ = records(otherphysics.night(batch, batch.scales(rng, 3), rng, "levels", row_s=30.0))
    general, data = fit([thin(r.measured) for r in found])
    return compare(data, general)


@pytest.fixture(scope="module")
def ranked() -> list[Candidate]:
    return compared(5)


def test_a_dense_spectrum_is_foretold_by_laws_that_have_one_and_not_by_a_single_mode(ranked: list[Candidate]) -> None:
    batches = [ranked, compared(6), compared(7)]
    held = {c.name: [next(x.held_back_mm for x in b if x.name == c.name) for b in batches] for c in ranked}
    assert all(v is not None for values in held.values() for v in values)
    rms = {name: float(np.sqrt(np.mean(np.square(values)))) for name, values in held.items()}  # type: ignore[arg-type]
    for single in ("standard linear solid", "Burgers"):
        assert rms[single] > 3.0 * rms[GENERAL]
        assert max(next(c.weight for c in b if c.name == single) for b in batches) < 1e-3
    assert rms[GENERAL] < 0.01  # mm


def test_weights_are_shares_and_the_general_chain_keeps_most(ranked: list[Candidate]) -> None:
    assert sum(c.weight for c in ranked) == pytest.approx(1.0)
    assert ranked[0].name == GENERAL and ranked[0].weight >= 0.8 - 1e-12


def test_candidates_are_laws_that_the_house_knows_by_the_same_names() -> None:
    assert {law.name for law in laws(4e5)} <= set(LAWS)


def test_the_power_law_candidate_is_the_power_law_of_the_table_of_laws() -> None:
    """Modes of `candidates` against the closed form C t^n over the times of a night."""
    law = next(x for x in laws(4e5) if x.name == "power law")
    c, n = 1e-7, 0.06
    modes = np.exp(law.log_compliance(np.array([np.log(c), np.log(n)])))
    from models.basis import RECOVERABLE_TAU_S

    t = np.geomspace(60.0, 43200.0, 30)
    mine = modes @ -np.expm1(-t / RECOVERABLE_TAU_S[:, None])
    exact = LAWS["power law"].function(t, 1.0, compliance_per_N=c, exponent=n)
    rise = (mine - mine[0]) / (exact - exact[0])[-1]
    assert np.abs(rise - (exact - exact[0]) / (exact - exact[0])[-1]).max() < 0.005


def test_the_end_held_back_is_the_last_half_decade_of_the_last_hold(ranked: list[Candidate]) -> None:
    rng = np.random.default_rng(6)
    batch = otherphysics.hidden_batch(rng)
    found, _ = records(otherphysics.night(batch, batch.scales(rng, 1), rng, "levels", row_s=30.0))
    s = thin(found[0].measured)
    parts = split([s], s.time_s.size)
    assert parts is not None
    learn, back = parts[0][0], parts[1][0]
    assert not (learn & back).any()
    assert (s.load_N[back] > 1390.0).all()
    last = s.since_s[back].max()
    assert s.since_s[back].min() == pytest.approx(last / np.sqrt(10.0), rel=0.25)
    assert s.time_s[learn].max() < s.time_s[back].min()


def test_laws_that_disagree_widen_the_band_and_those_that_agree_do_not(ranked: list[Candidate]) -> None:
    base = ranked[0]
    assert base.fitted.covariance is not None
    i = base.fitted.prior.index("recoverable")[-1]
    apart = base.fitted.value.copy()
    apart[i] += 1.0
    pair = [replace(base, weight=0.5), replace(base, weight=0.5, fitted=replace(base.fitted, value=apart))]
    same = [replace(base, weight=0.5), replace(base, weight=0.5)]
    far, near = average(pair, base.fitted), average(same, base.fitted)
    assert far is not None and near is not None
    assert np.allclose(near[1], base.fitted.covariance)
    assert far[1][i, i] > near[1][i, i] + 0.2
    assert base.fitted.value[i] < far[0][i] < apart[i]


def test_a_dashpot_that_stands_for_all_slow_modes_does_not_carry_the_forecast_away(ranked: list[Candidate]) -> None:
    """Its flow of a night, gone on with for a month, would be more than all the rest of the creep."""
    base = ranked[0]
    i = base.fitted.prior.names.index("flow[0]")
    dashpot = base.fitted.value.copy()
    dashpot[i] += 5.0
    low = base.fitted.prior.index("recoverable")[3]
    dashpot[low] = -35.0
    pair = [replace(base, weight=0.8), replace(base, weight=0.2, fitted=replace(base.fitted, value=dashpot))]
    found = average(pair, base.fitted)
    assert found is not None
    moved = found[0] - base.fitted.value
    assert moved[i] == pytest.approx(0.2) and moved[low] == pytest.approx(-0.2)
    assert base.fitted.covariance is not None
    assert found[1][i, i] - base.fitted.covariance[i, i] == pytest.approx(0.8 * 0.2)  # two values 1 apart


def test_a_law_that_knows_nothing_of_slow_modes_does_not_blow_up_the_band(ranked: list[Candidate]) -> None:
    """A factor of e to the 26 of a mode, from a law whose spectrum ends, would make a fifth of all draws break."""
    base = ranked[0]
    assert base.fitted.covariance is not None
    i = base.fitted.prior.index("recoverable")[-1]
    known = base.fitted.covariance[i, i]
    vague = base.fitted.covariance.copy()
    vague[i] *= 26.0
    vague[:, i] *= 26.0
    pair = [replace(base, weight=0.8), replace(base, weight=0.2, fitted=replace(base.fitted, covariance=vague))]
    found = average(pair, base.fitted)
    assert found is not None
    assert known <= found[1][i, i] <= 0.8 * known + 0.2 * max(known, 1.0) + 1e-12
    assert np.linalg.eigvalsh(found[1]).min() > -1e-10


def test_a_law_whose_errors_are_not_known_cannot_be_averaged(ranked: list[Candidate]) -> None:
    unknown = replace(ranked[0].fitted, covariance=None)
    assert average([replace(ranked[0], fitted=unknown)], ranked[0].fitted) is None
    assert average([ranked[0]], unknown) is None


def test_laws_lie_about_the_middle_of_what_is_known_as_their_best_fits_lie_about_the_best_fit(
    ranked: list[Candidate],
) -> None:
    base = ranked[0]
    i = base.fitted.prior.names.index("flow[0]")
    other = base.fitted.value.copy()
    other[i] += 0.4
    pair = [replace(base, weight=0.5), replace(base, weight=0.5, fitted=replace(base.fitted, value=other))]
    assert base.fitted.covariance is not None
    middle = replace(base.fitted, value=base.fitted.value - 3.0, covariance=4.0 * base.fitted.covariance)
    found = average(pair, middle)
    assert found is not None
    assert found[0][i] == pytest.approx(middle.value[i] + 0.2)
    j = base.fitted.prior.names.index("elastic")
    assert found[0][j] == pytest.approx(middle.value[j])
    assert found[1][j, j] == pytest.approx(0.5 * (4.0 + 1.0) * base.fitted.covariance[j, j])
