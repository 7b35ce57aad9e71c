"""Closed-form steps of single modes: arrays in, arrays out, nothing known of spokes or batches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.units import GAS_CONSTANT_J_PER_MOL_K, ZERO_CELSIUS_K

Floats = NDArray[np.float64]


def total(modes: Floats) -> Floats:
    """(...) sum over the last axis, a few modes: as a product with ones, which is several times quicker."""
    return modes @ np.ones(modes.shape[-1])


def log_ratio(x: Floats) -> Floats:
    """ln(1 + x)/x for x >= 0, 1 at 0."""
    return np.where(x > 1e-8, np.log1p(x) / np.where(x > 1e-8, x, 1.0), 1.0 - 0.5 * x)


def exponential_weights(x: Floats) -> tuple[Floats, Floats, Floats]:
    """Weights of a step of tau dy/dt = target - y, x = dt/tau, with a target linear in time.

    y1 = y0 decay + target0 w0 + target1 w1, exact. Returns (decay, w0, w1), each of the shape of ``x``.
    """
    lost = -np.expm1(-x)
    large = x > 1e-4
    if large.all():
        w1 = 1.0 - lost / x
    else:
        w1 = np.where(large, 1.0 - lost / np.where(large, x, 1.0), x * (0.5 - x * (1.0 / 6.0 - x / 24.0)))
    return 1.0 - lost, lost - w1, w1


def curvature_weight(x: Floats, w1: Floats) -> Floats:
    """What a parabola adds to a step: the integral of (u^2 - u) against the same decay, u the share of the step done.

    A target that departs from the chord between its ends by d (u^2 - u) gives y1 a further d times this weight
    (which is negative). ``w1`` is that of `exponential_weights`.
    """
    small = x < 0.02
    safe = np.where(small, 1.0, x)
    series = -x * (1.0 / 6.0 - x * (1.0 / 12.0 - x * (1.0 / 40.0 - x * (1.0 / 180.0 - x / 1008.0))))
    return np.where(small, series, 1.0 - 2.0 * w1 / safe - w1)


def power_of_load(load_N: Floats, unit_N: float, exponent: Floats) -> tuple[Floats, Floats]:
    """(max(0, load)/unit)^exponent and its slope in 1/N; the slope is 0 at and below no load."""
    t = np.maximum(load_N, 0.0) / unit_N
    if (exponent == 1.0).all():
        return t, np.where(load_N > 0.0, 1.0 / unit_N, 0.0)
    shape = t**exponent
    return shape, np.where(t > 1e-9, exponent * shape / np.maximum(t, 1e-9), 0.0) / unit_N


def one_way_step(b0: Floats, dt: float, tau: Floats, target0: Floats, target1: Floats) -> tuple[Floats, Floats]:
    """Advance tau db/dt = max(0, target - b) over a step with a target linear in time.

    Parameters
    ----------
    b0 : array (..., J)
        Where the modes stand.
    dt : float
        Length of the step, not negative.
    tau : array (..., J)
        Time constants, positive.
    target0, target1 : array (..., J)
        Target at both ends.

    Returns
    -------
    b1 : array (..., J)
    slope : array (..., J)
        d(b1)/d(target1), what an implicit solver needs.

    The mode waits while the target lies below it and stops where a falling target meets it; both moments are found
    in closed form.
    """
    if dt == 0.0:
        still = b0 + np.zeros_like(target1)
        return still, np.zeros_like(still)
    c1 = (target1 - target0) / dt
    gap = target0 - b0
    start = np.maximum(gap, 0.0)  # how far ahead the target is when motion starts
    rising = (gap < 0.0) & (c1 > 0.0)
    wait: Floats | None = None
    if rising.any():
        wait = np.where(rising, np.minimum(-gap / np.where(rising, c1, 1.0), dt), 0.0)
        run = np.where((gap <= 0.0) & (target1 <= b0), 0.0, dt - wait)
    else:
        run = np.where((gap > 0.0) | (c1 > 0.0), dt, 0.0)
    falling = (c1 < 0.0) & (start > 0.0)
    if falling.any():
        # e-folds until a falling target meets the mode
        folds = np.log1p(np.divide(start, -c1 * tau, out=np.full(run.shape, np.inf), where=falling))
        run = np.minimum(run, tau * folds)
    decay, _, w1 = exponential_weights(run / tau)
    move = start * (1.0 - decay) + c1 * run * w1
    slope = run * w1
    if wait is not None:
        slope = slope + np.where(rising, wait * (1.0 - decay), 0.0)  # a higher end also starts the motion earlier
        slope = np.where(run > 0.0, slope, 0.0)
    return b0 + np.maximum(move, 0.0), slope / dt


def mean_sinh(x0: Floats, x1: Floats) -> tuple[Floats, Floats]:
    """Mean of sinh(x) while x goes linearly from ``x0`` to ``x1``, and its derivative with respect to ``x1``.

    sinh(mid) sinh(half)/half with mid, half = (x1 +- x0)/2.
    """
    mid = 0.5 * (x0 + x1)
    half = 0.5 * (x1 - x0)
    small = np.abs(half) < 0.1
    square = half * half
    sinhc = 1.0 + square / 6.0 * (1.0 + square / 20.0 * (1.0 + square / 42.0 * (1.0 + square / 72.0)))
    dsinhc = half / 3.0 * (1.0 + square / 10.0 * (1.0 + square / 28.0 * (1.0 + square / 54.0)))
    if not small.all():
        safe = np.where(small, 1.0, half)
        sinh = np.sinh(safe)
        sinhc = np.where(small, sinhc, sinh / safe)
        dsinhc = np.where(small, dsinhc, (np.cosh(safe) - sinh / safe) / safe)
    sinh, cosh = np.sinh(mid), np.cosh(mid)
    return sinh * sinhc, 0.5 * (cosh * sinhc + sinh * dsinhc)


def shift(activation_kJ_per_mol: object, temperature_C: object, reference_C: float) -> Floats:
    """Arrhenius factor exp(-Q/R (1/th - 1/th_ref)); shape of the broadcast arguments."""
    q = np.asarray(activation_kJ_per_mol, dtype=np.float64) * 1000.0 / GAS_CONSTANT_J_PER_MOL_K
    th = np.asarray(temperature_C, dtype=np.float64) + ZERO_CELSIUS_K
    factor: Floats = np.exp(-q * (1.0 / th - 1.0 / (reference_C + ZERO_CELSIUS_K)))
    return factor
