"""The fit finds what is there, says what it cannot see, and its slopes are those of its sum of squares."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.basis import RECOVERABLE_TAU_S
from models.batch import draw_chains
from models.chain import advance, total_strain, virgin
from models.fit import Fitted, fit, reference_temperature_C, turn_from_several
from models.learn import fit_batch
from models.projection import Projection, expected
from models.table import Record, records
from models.thin import Thinned, thin
from models.verdicts import cannot_tell, in_words, night
from models.whiten import (
    OWN_PACKING_STRAIN,
    PACKING_STRAIN,
    Data,
    errors_of,
    packed_decades,
    packing_waves,
)
from tests.models import otherphysics


def some_night(
    seed: int, program: str, spokes: int = 4, **kw: float
) -> tuple[otherphysics.HiddenBatch, np.ndarray, list[Record]]:
    rng = np.random.default_rng(seed)
    batch = otherphysics.hidden_batch(rng)
    scales = batch.scales(rng, spokes)
    found, findings = records(otherphysics.night(batch, scales, rng, program, row_s=20.0, **kw))
    assert {f.kind for f in findings} <= {"rest"}  # a night without a rest says so
    return batch, scales, found


def thinned(found: list[Record]) -> list[Thinned]:
    return [thin(r.measured, r.breaks_s) for r in found]


@pytest.fixture(scope="module")
def levels() -> tuple[otherphysics.HiddenBatch, np.ndarray, list[Record]]:
    return some_night(2, "levels")


@pytest.fixture(scope="module")
def fitted(levels: tuple[otherphysics.HiddenBatch, np.ndarray, list[Record]]) -> tuple[Fitted, Data]:
    return fit(thinned(levels[2]))


def test_the_slopes_given_to_the_engine_are_those_of_the_sum_of_squares(fitted: tuple[Fitted, Data]) -> None:
    """Scales are solved inside; the shared slopes must be those of what is left (exact for variable projection)."""
    f, data = fitted
    model = Projection(data, f.prior, f.spread_sd)
    rng = np.random.default_rng(1)
    theta = f.theta + 0.05 * rng.standard_normal(f.theta.size)
    model.evaluate(theta)
    slope = 2.0 * model.jacobian.T @ model.residual
    for k in range(theta.size):
        values = []
        for step in (1e-4, -1e-4):
            moved = theta.copy()
            moved[k] += step
            model.evaluate(moved)
            values.append(float((model.residual**2).sum()))
        assert slope[k] == pytest.approx((values[0] - values[1]) / 2e-4, rel=2e-3, abs=2e-3 * np.abs(slope).max())


def test_hidden_spokes_scales_are_found_within_a_hundredth(
    levels: tuple[otherphysics.HiddenBatch, np.ndarray, list[Record]], fitted: tuple[Fitted, Data]
) -> None:
    hidden, scales, _ = levels
    found = fitted[0].scales
    at_once = hidden.compliance[hidden.taus < RECOVERABLE_TAU_S[0]].sum()  # too fast for any record: elastic to a fit
    elastic = scales[:, 0] / hidden.EA_N + scales[:, 1] * at_once
    for part, true, tolerance in ((0, elastic, 0.01), (1, scales[:, 1], 0.01), (2, scales[:, 2], 0.02)):
        mine = found[:, part]
        assert np.abs(mine / mine.mean() - true / true.mean()).max() < tolerance


def test_creep_within_the_hours_tested_is_met_within_two_per_cent(
    levels: tuple[otherphysics.HiddenBatch, np.ndarray, list[Record]], fitted: tuple[Fitted, Data]
) -> None:
    b, scales, _ = levels
    f = fitted[0]
    c, tested = f.chain(), f.scales.mean(axis=0)  # the middle spoke, and these spokes' mean about it
    early, late = 600.0, 6 * 3600.0
    own = scales.mean(axis=0)
    bed_tau = np.where(b.bed_taus > 0, b.bed_taus, 1e-9)
    true = own[1] * 1000.0 * (b.compliance * (np.exp(-early / b.taus) - np.exp(-late / b.taus))).sum()
    true += own[2] * (b.bed * (np.exp(-early / bed_tau) - np.exp(-late / bed_tau))).sum()
    tau = np.where(c.bedding_tau_s > 0, c.bedding_tau_s, 1e-9)
    fade = np.exp(-early / c.recoverable_tau_s) - np.exp(-late / c.recoverable_tau_s)
    mine = tested[1] * 1000.0 * (c.recoverable_compliance_per_N * fade).sum()
    mine += tested[2] * 1000.0 * (c.bedding_compliance_per_N * (np.exp(-early / tau) - np.exp(-late / tau))).sum()
    assert abs(mine / true - 1.0) < 0.02


def test_slow_modes_are_less_and_less_known_with_every_decade_beyond_the_test(fitted: tuple[Fitted, Data]) -> None:
    f, _ = fitted
    assert f.covariance is not None and f.converged
    sd = np.sqrt(np.diag(f.covariance))[f.prior.index("recoverable")]
    within, beyond = sd[np.abs(np.log10(f.recoverable_tau_s) - 3.0) < 0.3].max(), sd[f.recoverable_tau_s > 3e6]
    assert beyond.min() > 3.0 * within
    assert beyond[-1] > 0.15


def test_without_a_rest_the_split_of_creep_is_declared_unknown_and_its_two_parts_trade(
    levels: tuple[otherphysics.HiddenBatch, np.ndarray, list[Record]],
) -> None:
    _, _, found = some_night(4, "hold", spokes=3)
    blind, seeing = fit_batch(found, "no rest"), fit_batch(levels[2], "rested")
    assert any("comes back from bedding-in" in w and "never let rest" in w for w in blind.warnings)
    assert not any("comes back from bedding-in" in w for w in seeing.warnings)
    dark, light = night(blind, 1000.0), night(seeing, 1000.0)
    assert dark.correlation < -0.5
    width = [np.log(n.stays[2] / n.stays[0]) for n in (dark, light)]
    assert width[0] > 2.0 * width[1]
    assert any("more of the one is less of the other" in line for line in in_words(blind))
    assert any("only one load was held" in w for w in blind.warnings)
    assert not any("only one load was held" in w for w in seeing.warnings)


def test_a_rest_too_short_to_tell_anything_is_not_called_none(
    levels: tuple[otherphysics.HiddenBatch, np.ndarray, list[Record]], fitted: tuple[Fitted, Data]
) -> None:
    batch = fit_batch(levels[2][:1], "one")

    def why(rest_s: float) -> list[str]:
        asked = cannot_tell(fitted[0], replace(batch, covers={**batch.covers, "longest_rest_s": rest_s}))
        return [q.because for q in asked if q.what.startswith("creep that comes back")]

    assert why(0.0) == ["the spokes were never let rest after load"]
    assert why(130.0) == ["the spokes rested for 2.2 min at most after load, which tells nothing of it"]
    assert not any("rest" in because for because in why(7200.0))


def test_a_noisy_load_cell_does_not_make_the_spoke_stiffer() -> None:
    """Noise taken for load says that the spoke gives to no small change of it: 50 to 60 % too stiff by 2 N."""
    _, _, found = some_night(4, "hold")
    rng = np.random.default_rng(4)

    def worse(r: Record) -> Thinned:
        history = r.measured.history
        load_N = history.load_N + 2.0 * rng.standard_normal(history.load_N.size)
        return thin(replace(r.measured, history=replace(history, load_N=load_N)), r.breaks_s)

    stiff, noisy = (-fit(spokes)[0].value[0] for spokes in (thinned(found), [worse(r) for r in found]))
    assert noisy == pytest.approx(stiff, abs=0.06)


def test_flow_that_one_night_cannot_see_keeps_the_width_of_experience(fitted: tuple[Fitted, Data]) -> None:
    f, _ = fitted
    assert f.covariance is not None
    i = f.prior.names.index("flow[0]")
    assert np.sqrt(f.covariance[i, i]) > 0.3


def test_a_slip_with_its_step_marked_leaves_the_fit_where_it_was(
    levels: tuple[otherphysics.HiddenBatch, np.ndarray, list[Record]], fitted: tuple[Fitted, Data]
) -> None:
    found = list(levels[2])
    m = found[0].measured
    at = 12_000.0
    slipped = replace(m, elongation_mm=m.elongation_mm + 0.1 * (m.history.time_s >= at))
    found[0] = Record(measured=slipped, breaks_s=(at,))
    f, _ = fit(thinned(found))
    assert np.abs(f.scales[0, :3] / fitted[0].scales[0, :3] - 1.0).max() < 0.03
    found[0] = Record(measured=slipped, breaks_s=())
    g, _ = fit(thinned(found))
    assert np.abs(g.scales[0, :3] / fitted[0].scales[0, :3] - 1.0).max() > 0.03  # unmarked, it is taken for bedding-in


def test_a_fit_far_off_still_gives_a_spoke_whose_strain_rises_with_load(fitted: tuple[Fitted, Data]) -> None:
    f = fitted[0]
    value = f.value.copy()
    value[f.prior.names.index("recoverable_nonlinearity")] = -0.5  # a table of nonsense may end there
    assert float(replace(f, value=value).chain().recoverable_nonlinearity_per_N) > -1e-4


def test_errors_carry_drift_and_the_laws_own_misfit_not_only_noise(fitted: tuple[Fitted, Data]) -> None:
    s = fitted[1].spokes[0]
    cov = errors_of(s, 4e5).covariance(1e-3) * s.gauge_length_mm**2
    held = np.flatnonzero((s.load_N > 990.0) & (s.load_N < 1010.0) & (s.since_s > 300.0))
    first, last = held[0], held[-4]  # the very last block of a hold stands alone

    def sd_of_change(i: int, j: int) -> float:
        return float(np.sqrt(cov[i, i] + cov[j, j] - 2.0 * cov[i, j]))

    white = s.noise_mm / np.sqrt(s.count[last])
    assert sd_of_change(first, last) > 5.0 * white  # averaging many samples does not average drift away
    assert sd_of_change(first, last) > 1.5 * sd_of_change(first, first + 1)
    alike = errors_of(s, 4e5).covariance(1e-3, alike=4) * s.gauge_length_mm**2
    law_mm2 = 1e-3**2  # the remainder alone: it must not shrink where four spokes are averaged
    assert (alike - cov)[last, last] > 3.0 * law_mm2


def test_what_packs_for_the_first_time_is_less_trusted_than_the_same_load_again() -> None:
    """Bedding-in is only roughly a sum of modes; below the highest load so far none is left, and creep says more."""
    hours = np.concatenate([[0.0, 0.01], np.geomspace(0.02, 4.0, 40)])
    time = np.concatenate([hours, 4.0 + hours + 0.01, 8.02 + hours]) * 3600.0
    load = np.repeat([1000.0, 15.0, 1000.0], hours.size)
    again = np.arange(time.size) >= 2 * hours.size
    values: dict[str, object] = {name: np.zeros(time.size) for name in Thinned.__dataclass_fields__}
    values |= {"time_s": time, "load_N": np.where(again, 900.0, load), "spoke": "K01", "gauge_length_mm": 285.0}
    values |= {"since_s": np.tile(hours, 3) * 3600.0, "count": np.full(time.size, 10.0), "noise_mm": 1e-3}
    values["piece"] = np.zeros(time.size, dtype=np.intp)
    s = Thinned(**values)  # type: ignore[arg-type]
    waves = packing_waves([s], time.size)[0]
    cov = errors_of(s, 4e5).covariance(2e-4) + waves @ waves.T

    def sd_of_change(i: int, j: int) -> float:
        return float(np.sqrt(cov[i, i] + cov[j, j] - 2.0 * cov[i, j]))

    n = hours.size
    new, old = sd_of_change(4, n - 1), sd_of_change(2 * n + 4, 3 * n - 1)
    walked = packed_decades(s)
    decades = float(walked[n - 1] - walked[4])
    assert decades == pytest.approx(np.log10(hours[n - 1] / hours[4]), rel=0.1)
    # a walk's variance goes with the decades; of the shared one five waves keep nearly all
    assert new**2 - old**2 == pytest.approx((PACKING_STRAIN**2 + OWN_PACKING_STRAIN**2) * decades, rel=0.1)
    assert new > 5.0 * old


def test_the_mean_of_the_draws_creeps_as_the_spokes_that_were_tested(
    levels: tuple[otherphysics.HiddenBatch, np.ndarray, list[Record]],
) -> None:
    """What the bench measures is the mean response: draws that are off it are off in every forecast."""
    _, _, found = levels
    s = thinned(found)
    batch = fit_batch(found, "K07")
    hold = [(x.load_N > 990.0) & (x.load_N < 1010.0) & (x.rate_N_per_s == 0) for x in s]
    at = [np.flatnonzero(h & (x.since_s > 60.0))[[0, -1]] for h, x in zip(hold, s, strict=True)]
    measured = np.mean([x.strain[i[1]] - x.strain[i[0]] for i, x in zip(at, s, strict=True)])
    early, late = (np.mean([x.since_s[i[k]] for i, x in zip(at, s, strict=True)]) for k in (0, 1))
    c = draw_chains(batch, np.random.default_rng(4), 1500, 4)
    state, _ = advance(c, virgin(c), 50.0, 20.0, 1000.0, 20.5)
    state, _ = advance(c, state, float(early), 1000.0, 1000.0, 20.5)
    before = total_strain(c, state, 1000.0, 20.5)
    state, _ = advance(c, state, float(late - early), 1000.0, 1000.0, 20.5)
    drawn = (total_strain(c, state, 1000.0, 20.5) - before).mean()
    assert drawn == pytest.approx(measured, rel=0.03)


def test_an_odd_spoke_is_named_with_its_part() -> None:
    rng = np.random.default_rng(8)
    b = otherphysics.hidden_batch(rng)
    scales = b.scales(rng, 5)
    scales[3, 2] *= 2.5
    found, _ = records(otherphysics.night(b, scales, rng, "levels", row_s=30.0))
    batch = fit_batch(found, "K07")
    odd = [w for w in batch.warnings if "is odd" in w]
    assert len(odd) == 1 and "T04" in odd[0] and "bedding-in" in odd[0]


def test_the_reference_temperature_is_the_middle_of_the_test(fitted: tuple[Fitted, Data]) -> None:
    f, data = fitted
    th = np.concatenate([s.temperature_C for s in data.spokes])
    assert th.min() < reference_temperature_C(data.spokes) == f.reference_C < th.max()


def test_what_a_few_of_many_spokes_say_of_where_to_look_is_where_all_are_best() -> None:
    _, _, found = some_night(11, "levels", spokes=10)
    fitted, data = fit([thin(r.measured) for r in found])
    assert fitted.scales.shape == (10, 4) and fitted.covariance is not None
    anew = turn_from_several(data, fitted.prior, fitted.spread_sd, expected(data, fitted.prior))
    assert fitted.cost < anew.cost + 1.0
