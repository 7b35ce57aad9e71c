"""Moments of what a test leaves open, where it is not a normal distribution about the best fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from models.fit import Fitted, fit
from models.posterior import Density, chains, with_moments
from models.projection import Projection
from models.table import records
from models.thin import thin
from models.whiten import Data
from tests.blind import design, hidden, night

Floats = np.ndarray


def fitted(name: str) -> tuple[Fitted, Data]:
    """A hidden batch after a night of this kind."""
    segments = design.as_segments(design.nights(12.0)[name])
    tests, _ = night.run_night(hidden.draw_batch(1007), [segments] * 4, "0.1 Hz", design.LENGTH_MM, 1007)
    found, _ = records(design.table_of(tests))
    return fit([thin(r.measured, r.breaks_s) for r in found])


@pytest.fixture(scope="module")
def proposed() -> tuple[Fitted, Data]:
    """A night of several loads and rests."""
    return fitted("proposed")


@pytest.mark.parametrize("shape", [1.5, 4.0, 30.0])
def test_skewed_densities_come_out_with_the_moments_of_the_handbook(shape: float) -> None:
    """The logarithm of a gamma variate of shape k: mean psi(k), variance psi'(k), peak ln k, curvature k (Abramowitz &
    Stegun, Handbook of Mathematical Functions, 6.3 and 6.4 by scipy.special)."""

    def density(x: Floats) -> Floats:
        return -2.0 * (shape * x - np.exp(x)).sum(axis=1)

    dimensions = 12
    peak, root = np.full(dimensions, np.log(shape)), np.eye(dimensions) / np.sqrt(shape)
    drawn, taken = chains(density, peak, root, 48, np.random.default_rng(1))
    sd = np.sqrt(special.polygamma(1, shape))
    error = 3.5 * sd / np.sqrt(dimensions * 48.0)  # a chain that is not settled is worth one draw
    assert drawn.mean() == pytest.approx(special.digamma(shape), abs=error)
    assert drawn.mean() < np.log(shape)
    assert np.mean(np.var(drawn, axis=0)) == pytest.approx(sd**2, rel=0.15)
    assert taken > 0.2


def test_a_normal_density_keeps_its_peak_and_its_curvature() -> None:
    rng = np.random.default_rng(2)
    root = np.tril(rng.standard_normal((5, 5))) + 2.0 * np.eye(5)
    peak = rng.standard_normal(5)
    inverse = np.linalg.inv(root)

    def density(x: Floats) -> Floats:
        return np.square((x - peak) @ inverse.T).sum(axis=1)

    drawn, taken = chains(density, peak, root, 48, rng)
    away = (drawn - peak) @ inverse.T
    assert taken == pytest.approx(1.0)
    assert np.abs(away.mean(axis=0)).max() < 0.2
    assert np.abs(np.cov(away.T) - np.eye(5)).max() < 0.2


def test_where_the_density_is_not_a_number_no_chain_stays() -> None:
    """A draw of a mode so large that it overflows."""

    def density(x: Floats) -> Floats:
        return np.where(x[:, 0] > 0.5, np.nan, np.square(x).sum(axis=1))

    drawn, _ = chains(density, np.zeros(3), np.eye(3), 48, np.random.default_rng(3))
    assert drawn[:, 0].max() <= 0.5
    assert len(np.unique(drawn[:, 0])) > 1000


def of(f: Fitted, data: Data) -> tuple[Projection, Density, Floats]:
    """The fit's own reckoning, the density of many sets at once, and a root of the covariance at the best fit."""
    model = Projection(data, f.prior, f.spread_sd, flow_alike=f.flow_alike)
    model.evaluate(f.theta)
    root = np.linalg.inv(np.linalg.cholesky(model.jacobian.T @ model.jacobian)).T
    about = f.theta + 1.5 * np.random.default_rng(6).standard_normal((24, f.theta.size)) @ root.T
    return model, Density(data, model, about), root


def test_many_sets_of_parameters_at_once_are_as_likely_as_the_fit_reckons_each(proposed: tuple[Fitted, Data]) -> None:
    """The fit's own residuals, one set after another, with the scales integrated out by their QR factors."""
    f, data = proposed
    model, density, root = of(f, data)
    theta = f.theta + 1.3 * np.random.default_rng(4).standard_normal((7, f.theta.size)) @ root.T
    each = []
    for one in theta:
        model.evaluate(one)
        scales = 2.0 * np.log(np.abs(np.diagonal(model.r, axis1=1, axis2=2))).sum()
        each.append(float(np.square(model.residual).sum() + scales))
    found = density(theta)
    assert np.ptp(each) > 10.0
    assert found - found[0] == pytest.approx(np.array(each) - each[0], abs=0.01)


def test_moments_are_those_of_a_plain_random_walk(proposed: tuple[Fitted, Data]) -> None:
    """Metropolis's own walk, slower by far, which knows nothing of a normal density (steps of 2.38 over the root of the
    number of parameters: Gelman, Roberts & Gilks 1996, from memory)."""
    f, data = proposed
    found = with_moments(data, f)
    assert found.covariance is not None
    _, density, root = of(f, data)
    rng, many = np.random.default_rng(5), 64
    at = np.tile(f.theta, (many, 1))
    here, kept = density(at), []
    for step in range(2000):
        to = at + 2.38 / np.sqrt(f.theta.size) * rng.standard_normal(at.shape) @ root.T
        there = density(to)
        take = np.log(rng.random(many)) < 0.5 * (here - there)
        at[take], here[take] = to[take], there[take]
        if step >= 500 and step % 10 == 0:
            kept.append(at[:, : f.value.size].copy())
    walked = np.concatenate(kept)
    middle, width = walked.mean(axis=0), walked.std(axis=0)
    off, best_off = (found.value - middle) / width, (f.value - middle) / width
    assert np.abs(off).max() < 0.35
    assert np.sqrt(np.mean(off**2)) < 0.75 * np.sqrt(np.mean(best_off**2))  # the best fit would not pass
    assert np.abs(np.log(np.sqrt(np.diag(found.covariance)) / width)).max() < 0.35


def test_the_same_data_give_the_same_moments_and_a_fit_without_errors_stays_as_it_is(
    proposed: tuple[Fitted, Data],
) -> None:
    f, data = proposed
    one, other = with_moments(data, f), with_moments(data, f)
    assert np.array_equal(one.value, other.value) and np.array_equal(one.covariance, other.covariance)  # type: ignore[arg-type]
    unknown = replace(f, covariance=None)
    assert with_moments(data, unknown) is unknown


def test_draws_that_overflow_leave_the_best_fit_as_it_is_and_say_nothing(
    proposed: tuple[Fitted, Data], monkeypatch: pytest.MonkeyPatch
) -> None:
    f, data = proposed
    monkeypatch.setattr("models.posterior.WIDER", 1e5)
    assert with_moments(data, f) is f
