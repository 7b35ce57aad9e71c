"""Least squares of a plain curve with lmfit: many starts, exact derivatives, polished to the digits that doubles hold.

For curves of one variable whose closed form is known (a named law on a constant-load record, a calibration); batches
from load histories are `fit`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import lmfit
import numpy as np
from numpy.typing import NDArray

from models.errors import CannotAnswer, InputError
from models.statistics import aicc

Floats = NDArray[np.float64]
Curve = Callable[..., NDArray[np.generic]]  # (x, *parameters) -> y; analytic, so that it takes complex parameters
COMPLEX_STEP = 1e-30
POLISH_STEPS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedCurve:
    """A least-squares fit of one curve, with its verdicts apart."""

    parameters: Floats  # (p,)
    sd: Floats | None  # (p,) standard errors; None where the data do not fix them
    covariance: Floats | None  # (p, p)
    residual_sd: float
    rss: float
    dof: int
    converged: bool  # Gauss-Newton steps shrank until only rounding was left
    starts_agreeing: int  # how many starts led to this minimum
    starts: int

    @property
    def aicc(self) -> float | None:
        """Corrected Akaike criterion; None where it is undefined."""
        return aicc(self.rss, self.dof + self.parameters.size, self.parameters.size)


def jacobian(curve: Curve, x: Floats, parameters: Floats) -> Floats:
    """(n, p) derivatives of the curve by complex step: exact to rounding (Squire & Trapp 1998)."""
    out = np.empty((x.size, parameters.size))
    for k in range(parameters.size):
        shifted = parameters.astype(np.complex128)
        h = COMPLEX_STEP * max(1.0, abs(float(parameters[k])))
        shifted[k] += 1j * h
        out[:, k] = np.imag(curve(x, *shifted)) / h
    return out


def fit_curve(
    curve: Curve,
    x: Floats,
    y: Floats,
    start: Sequence[float] | Floats,
    *,
    sd_y: Floats | None = None,
    rng: np.random.Generator | None = None,
    starts: int = 1,
    spread_decades: float = 1.0,
) -> FittedCurve:
    """Least squares of ``y`` on ``curve(x, *parameters)``.

    Parameters
    ----------
    curve : callable
        Must accept complex parameters (numpy's exp, power and the like do).
    x, y : (n,)
    start : (p,)
        First guess; its signs are kept by the further starts.
    sd_y : (n,), optional
        Standard uncertainties of y, of which only the ratios count.
    rng, starts, spread_decades
        Further starts: the first guess times log-normal factors of this many decades.

    Returns
    -------
    FittedCurve
        The lowest minimum of all starts.

    Raises
    ------
    InputError
        Not more points than parameters, or numbers that are not finite.
    CannotAnswer
        No start leads to a minimum.
    """
    first = np.asarray(start, dtype=np.float64)
    if x.size != y.size or x.size <= first.size:
        raise InputError(f"{x.size} points do not fix {first.size} parameters: more points than parameters are needed")
    if not (np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(first).all()):
        raise InputError("x, y and the first guess must be finite")
    weight = np.ones_like(y) if sd_y is None else 1.0 / sd_y
    guesses = [first]
    if starts > 1:
        if rng is None:
            raise InputError("further starts are drawn at random: give rng")
        guesses += [first * 10.0 ** rng.normal(0.0, spread_decades, first.size) for _ in range(starts - 1)]
    found = [f for guess in guesses if (f := _descend(curve, x, y, weight, guess)) is not None]
    if not found:
        raise CannotAnswer(f"none of {len(guesses)} starts led to a minimum: give a better first guess")
    best = min(found, key=lambda item: item[1])
    agreeing = sum(rss <= best[1] * (1.0 + 1e-6) + 1e-30 for _, rss, _ in found)
    theta, rss, converged = best
    dof = x.size - first.size
    covariance: Floats | None = None
    j = jacobian(curve, x, theta) * weight[:, None]
    size = np.sqrt((j * j).sum(axis=0))
    if (size > 0.0).all():
        _, r = np.linalg.qr(j / size)
        if np.abs(np.diag(r)).min() > 1e-14 * np.abs(np.diag(r)).max():
            root = np.linalg.inv(r) / size[:, None]
            covariance = rss / dof * root @ root.T
    return FittedCurve(
        parameters=theta,
        sd=None if covariance is None else np.sqrt(np.diag(covariance)),
        covariance=covariance,
        residual_sd=float(np.sqrt(rss / dof)),
        rss=rss,
        dof=dof,
        converged=converged,
        starts_agreeing=agreeing,
        starts=len(guesses),
    )


def _descend(curve: Curve, x: Floats, y: Floats, weight: Floats, guess: Floats) -> tuple[Floats, float, bool] | None:
    """From one guess to a minimum: lmfit, then Gauss-Newton by QR while the sum of squares still falls."""
    scale = np.where(guess != 0.0, np.abs(guess), 1.0)

    def residual_at(theta: Floats) -> Floats:
        with np.errstate(all="ignore"):
            r: Floats = weight * (np.real(curve(x, *theta.astype(np.complex128))) - y)
        return r

    def unpack(q: lmfit.Parameters) -> Floats:
        theta: Floats = scale * np.array([p.value for p in q.values()])
        return theta

    def residual(q: lmfit.Parameters) -> Floats:
        return np.nan_to_num(residual_at(unpack(q)), nan=1e10, posinf=1e10, neginf=-1e10)

    def slopes(q: lmfit.Parameters) -> Floats:
        with np.errstate(all="ignore"):
            j = jacobian(curve, x, unpack(q)) * weight[:, None] * scale
        return np.nan_to_num(j, nan=0.0, posinf=1e10, neginf=-1e10)

    parameters = lmfit.Parameters()
    for k, v in enumerate(guess / scale):
        parameters.add(f"p{k}", value=float(v))
    out = lmfit.minimize(
        residual,
        parameters,
        method="leastsq",
        Dfun=slopes,
        calc_covar=False,
        ftol=1e-15,
        xtol=1e-15,
        gtol=1e-15,
        max_nfev=2000,
    )
    theta = unpack(out.params)
    r = residual_at(theta)
    if not np.isfinite(r).all():
        return None
    rss, converged, last = float(r @ r), False, np.inf
    for _ in range(POLISH_STEPS):
        j = jacobian(curve, x, theta) * weight[:, None]
        size = np.sqrt((j * j).sum(axis=0))
        if not (np.isfinite(j).all() and (size > 0.0).all()):
            break
        step = -np.linalg.lstsq(j / size, r, rcond=None)[0] / size
        length = float((np.abs(step) / np.maximum(np.abs(theta), 1e-300)).max())
        r_tried = residual_at(theta + step)
        rss_tried = float(r_tried @ r_tried)
        # near the minimum the sum of squares is flat to rounding: go on while the steps still shrink
        if not (rss_tried < rss or (rss_tried <= rss * (1.0 + 1e-9) and length < 0.5 * last)):
            converged = length < 1e-7 or (length < 1e-5 and rss_tried <= rss * (1.0 + 1e-9))
            break
        theta, r, rss, last = theta + step, r_tried, rss_tried, length
    else:
        converged = last < 1e-7
    return theta, rss, converged
