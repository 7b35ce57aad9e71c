"""Weighted least-squares polynomials with what is not known of them, and their inverse: the lines of a calibration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Polynomial:
    """Weighted least squares y = sum c_k x^k."""

    coefficients: Floats  # (d + 1,)
    covariance: Floats  # (d + 1, d + 1)
    residual: Floats  # (n,) y - fitted
    sd: float  # residual standard deviation, in units of the standard uncertainties given (of y where none were)
    dof: int

    def at(self, x: object) -> tuple[Floats, Floats]:
        """(...) fitted value and its standard uncertainty."""
        powers = np.asarray(x, dtype=np.float64)[..., None] ** np.arange(self.coefficients.size)
        variance = np.einsum("...i,ij,...j->...", powers, self.covariance, powers)
        return powers @ self.coefficients, np.sqrt(np.maximum(variance, 0.0))


def fit_polynomial(x: Floats, y: Floats, degree: int, sd_y: Floats | None = None, *, known: bool = False) -> Polynomial:
    """Weighted least-squares polynomial, solved by QR in a variable scaled to [-1, 1].

    Parameters
    ----------
    x, y : (n,)
    degree : int
    sd_y : (n,), optional
        Standard uncertainties of y; equal where left out. With ``known`` they are taken as they are
        (ISO/TS 28037:2010, 6.2), else only their ratios count and the residuals give the size (GUM H.3).

    Raises
    ------
    InputError
        Fewer points than coefficients, or fewer different x.
    """
    p = degree + 1
    if np.unique(x).size < p or x.size < p + (0 if known else 1):
        raise InputError(f"a curve of degree {degree} needs at least {p + 1} points at {p} different readings")
    weight = 1.0 / (np.ones_like(y) if sd_y is None else sd_y)
    middle, half = 0.5 * (x.max() + x.min()), 0.5 * (x.max() - x.min())
    design = ((x - middle) / half)[:, None] ** np.arange(p)
    q, r = np.linalg.qr(design * weight[:, None])
    scaled = np.linalg.solve(r, q.T @ (y * weight))
    root = np.linalg.inv(r)
    residual = y - design @ scaled
    dof = x.size - p
    sd = float(np.sqrt(((residual * weight) ** 2).sum() / dof)) if dof else float("nan")
    back = np.zeros((p, p))  # c = back @ scaled: (x - middle)^k / half^k in powers of x
    for k in range(p):
        back[: k + 1, k] = np.polynomial.polynomial.polypow([-middle / half, 1.0 / half], k)
    factor = 1.0 if known else sd * sd
    return Polynomial(
        coefficients=back @ scaled,
        covariance=factor * (back @ root) @ (back @ root).T,
        residual=residual,
        sd=sd,
        dof=dof,
    )


def invert_polynomial(fit: Polynomial, y0: float, sd_y0: float, between: tuple[float, float]) -> tuple[float, float]:
    """x at which the curve gives ``y0``, and its standard uncertainty from the curve's and that of ``y0``.

    u(x)^2 = (u(y0)^2 + u(curve)^2)/slope^2 (ISO/TS 28037:2010, 11.2).

    Raises
    ------
    InputError
        ``y0`` is not reached once between the two x.
    """
    poly = np.polynomial.Polynomial(fit.coefficients)
    found = [float(r.real) for r in (poly - y0).roots() if abs(r.imag) <= 1e-9 * (1.0 + abs(r.real))]
    inside = [r for r in found if min(between) <= r <= max(between)]
    if len(inside) != 1:
        raise InputError(f"the curve does not give {y0:g} once between {between[0]:g} and {between[1]:g}")
    slope = float(poly.deriv()(inside[0]))
    return inside[0], float(np.hypot(sd_y0, fit.at(inside[0])[1]) / abs(slope))
