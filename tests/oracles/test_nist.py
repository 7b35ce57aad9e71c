"""NIST StRD non-linear regression: certified parameters and standard errors from both published starts.

Source of every value: NIST/ITL Statistical Reference Datasets (public domain), files in datasets/reference/nist; read.
"""

from __future__ import annotations

from contextlib import suppress

import numpy as np
import pytest

from models.errors import CannotAnswer, InputError
from models.fit_least_squares import fit_curve, jacobian
from tests.oracles.nist import certified

e = np.exp


def three_exponentials(x, a, b, c, d, f, g):
    return a * e(-b * x) + c * e(-d * x) + f * e(-g * x)


def saturating(x, a, b):
    return a * (1 - e(-b * x))


def decay_over_line(x, a, b, c):
    return e(-a * x) / (b + c * x)


def cubic_over_cubic(x, a, b, c, d, f, g, h):
    return (a + b * x + c * x**2 + d * x**3) / (1 + f * x + g * x**2 + h * x**3)


CURVES = {
    "Lanczos1": three_exponentials,  # the Prony series of a relaxing solid
    "Lanczos2": three_exponentials,
    "Lanczos3": three_exponentials,
    "MGH17": lambda x, a, b, c, d, f: a + b * e(-x * d) + c * e(-x * f),
    "Misra1a": saturating,  # one Kelvin element
    "BoxBOD": saturating,
    "Misra1b": lambda x, a, b: a * (1 - (1 + b * x / 2) ** -2),
    "Misra1c": lambda x, a, b: a * (1 - (1 + 2 * b * x) ** -0.5),
    "Misra1d": lambda x, a, b: a * b * x / (1 + b * x),
    "DanWood": lambda x, a, b: a * x**b,  # a power law
    "Chwirut1": decay_over_line,
    "Chwirut2": decay_over_line,
    "Kirby2": lambda x, a, b, c, d, f: (a + b * x + c * x**2) / (1 + d * x + f * x**2),
    "Hahn1": cubic_over_cubic,
    "Thurber": cubic_over_cubic,
    "MGH09": lambda x, a, b, c, d: a * (x**2 + x * b) / (x**2 + x * c + d),
    "MGH10": lambda x, a, b, c: a * e(b / (x + c)),  # an Arrhenius-like rate
    "Bennett5": lambda x, a, b, c: a * (b + x) ** (-1 / c),
    "Rat42": lambda x, a, b, c: a / (1 + e(b - c * x)),
    "Rat43": lambda x, a, b, c, d: a / (1 + e(b - c * x)) ** (1 / d),
    "Eckerle4": lambda x, a, b, c: a / b * e(-0.5 * ((x - c) / b) ** 2),
    "Roszman1": lambda x, a, b, c, d: a - b * x - np.arctan(c / (x - d)) / np.pi,
    "Gauss1": lambda x, a, b, c, d, f, g, h, i: (
        a * e(-b * x) + c * e(-((x - d) ** 2) / f**2) + g * e(-((x - h) ** 2) / i**2)
    ),
}


def in_order(name: str, values: np.ndarray, by: np.ndarray) -> np.ndarray:
    """Terms of a sum of exponentials by rising rate: which comes first is not part of the answer."""
    if name.startswith("Lanczos"):
        order = np.argsort(by[1::2])
        return values.reshape(3, 2)[order].ravel()
    if name == "MGH17" and by[3] > by[4]:
        return values[[0, 2, 1, 4, 3]]
    return values


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", CURVES)
def test_certified_values_come_out_to_six_digits_from_either_start(name, start):
    data = certified(name)
    fit = fit_curve(CURVES[name], data.x, data.y, data.start[start])
    assert fit.converged
    # the file of Rat43 prints 9 degrees of freedom, its own residual standard deviation is that of 15 - 4 = 11
    assert fit.dof == (11 if name == "Rat43" else data.dof)
    np.testing.assert_allclose(in_order(name, fit.parameters, fit.parameters), data.parameters, rtol=1e-7)
    if name == "Lanczos1":  # its residual sum is the rounding of the data: no errors to be had from doubles
        assert fit.residual_sd < 1e-12
        return
    np.testing.assert_allclose(in_order(name, fit.sd, fit.parameters), data.sd, rtol=1e-6)
    assert fit.residual_sd == pytest.approx(data.residual_sd, rel=1e-9, abs=0)
    assert fit.rss == pytest.approx(data.rss, rel=1e-9, abs=0)


def test_derivatives_are_exact_to_rounding():
    x = np.linspace(0.1, 2.0, 7)
    j = jacobian(saturating, x, np.array([3.0, 0.7]))
    np.testing.assert_allclose(j[:, 0], 1 - e(-0.7 * x), rtol=1e-15)
    np.testing.assert_allclose(j[:, 1], 3.0 * x * e(-0.7 * x), rtol=1e-15)


def test_further_starts_find_what_a_hopeless_first_guess_does_not():
    data = certified("BoxBOD")
    alone = None
    with suppress(CannotAnswer):
        alone = fit_curve(saturating, data.x, data.y, [1e-3, 1e4])
    assert alone is None or alone.sd is None or alone.rss > 1.1 * data.rss
    many = fit_curve(
        saturating, data.x, data.y, [1e-3, 1e4], rng=np.random.default_rng(2), starts=60, spread_decades=3.0
    )
    np.testing.assert_allclose(many.parameters, data.parameters, rtol=1e-7)
    assert 1 <= many.starts_agreeing < many.starts == 60


def test_parameters_that_the_data_do_not_fix_have_no_standard_error():
    x = np.linspace(0.0, 1.0, 20)
    fit = fit_curve(lambda x, a, b: (a + b) * x, x, 2.0 * x + 0.01 * np.cos(40 * x), [1.0, 0.5])
    assert fit.sd is None and fit.covariance is None


def test_weights_count_by_their_ratios_only():
    data = certified("Misra1a")
    sd = np.linspace(1.0, 2.0, data.x.size)
    a = fit_curve(saturating, data.x, data.y, data.start[1], sd_y=sd)
    b = fit_curve(saturating, data.x, data.y, data.start[1], sd_y=10.0 * sd)
    np.testing.assert_allclose(a.parameters, b.parameters, rtol=1e-9)
    np.testing.assert_allclose(a.sd, b.sd, rtol=1e-8)
    assert not np.allclose(a.parameters, data.parameters, rtol=1e-5)


@pytest.mark.parametrize(
    "x, y, start, word",
    [
        ([1.0, 2.0], [1.0, 2.0], [1.0, 1.0], "more points"),
        ([1.0, 2.0, np.nan], [1.0, 2.0, 3.0], [1.0, 1.0], "finite"),
    ],
)
def test_data_that_cannot_be_fitted_are_refused(x, y, start, word):
    with pytest.raises(InputError, match=word):
        fit_curve(saturating, np.array(x), np.array(y), start)
