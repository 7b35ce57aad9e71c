"""Closed-form steps of single modes: arrays in, arrays out, nothing known of spokes or batches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.units import GAS_CONSTANT_J_PER_MOL_K, ZERO_CELSIUS_K

Floats = NDArray[np.float64]


def log_ratio(x: Floats) -> Floats:
    """ln(1 + x)/x for x >= 0, 1 at 0."""
    return np.where(x > 1e-8, np.log1p(x) / np.where(x > 1e-8, x, 1.0), 1.0 - 0.5 * x)


def exp_ratio(x: Floats) -> Floats:
    """(exp(x) - 1)/x for x >= 0, 1 at 0."""
    return np.where(x > 1e-8, np.expm1(x) / np.where(x > 1e-8, x, 1.0), 1.0 + 0.5 * x)


def exponential_weights(x: Floats) -> tuple[Floats, Floats, Floats]:
    """Weights of a step of tau dy/dt = target - y, x = dt/tau, with a target linear in time.

    y1 = y0 decay + target0 w0 + target1 w1, exact. Returns (decay, w0, w1), each of the shape of ``x``.
    """
    decay = np.exp(-x)
    safe = np.where(x > 1e-4, x, 1.0)
    w1 = np.where(x > 1e-4, 1.0 + np.expm1(-safe) / safe, x * (0.5 - x * (1.0 / 6.0 - x / 24.0)))
    w0 = -np.expm1(-x) - w1
    return decay, w0, w1


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
    rising = (gap < 0.0) & (c1 > 0.0)
    wait = np.where(rising, np.minimum(-gap / np.where(rising, c1, 1.0), dt), 0.0)
    wait = np.where((gap <= 0.0) & (target1 <= b0), dt, wait)
    start = np.maximum(gap, 0.0)  # how far ahead the target is when motion starts
    run = dt - wait
    falling = (c1 < 0.0) & (start > 0.0)
    ratio = np.where(falling, c1 * tau / np.where(falling, c1 * tau - start, 1.0), 1.0)
    with np.errstate(divide="ignore"):
        meet = np.where(falling, -tau * np.log(ratio), np.inf)
    run = np.minimum(run, meet)
    decay, _, w1 = exponential_weights(run / tau)
    b1 = b0 + np.maximum(start * (1.0 - decay) + c1 * run * w1, 0.0)
    late = np.where(rising, wait * (1.0 - decay), 0.0)  # a higher end also starts the motion earlier
    slope = np.where(run > 0.0, (run * w1 + late) / dt, 0.0)
    return b1, slope


def mean_sinh(x0: Floats, x1: Floats) -> tuple[Floats, Floats]:
    """Mean of sinh(x) while x goes linearly from ``x0`` to ``x1``, and its derivative with respect to ``x1``.

    sinh(mid) sinh(half)/half with mid, half = (x1 +- x0)/2.
    """
    mid = 0.5 * (x0 + x1)
    half = 0.5 * (x1 - x0)
    small = np.abs(half) < 1e-2
    safe = np.where(small, 1.0, half)
    square = half * half
    sinhc = np.where(small, 1.0 + square / 6.0 * (1.0 + square / 20.0), np.sinh(safe) / safe)
    dsinhc = np.where(
        small,
        half / 3.0 * (1.0 + square / 10.0),
        (np.cosh(safe) - np.sinh(safe) / safe) / safe,
    )
    mean = np.sinh(mid) * sinhc
    slope = 0.5 * (np.cosh(mid) * sinhc + np.sinh(mid) * dsinhc)
    return mean, slope


def shift(activation_kJ_per_mol: object, temperature_C: object, reference_C: float) -> Floats:
    """Arrhenius factor exp(-Q/R (1/th - 1/th_ref)); shape of the broadcast arguments."""
    q = np.asarray(activation_kJ_per_mol, dtype=np.float64) * 1000.0 / GAS_CONSTANT_J_PER_MOL_K
    th = np.asarray(temperature_C, dtype=np.float64) + ZERO_CELSIUS_K
    factor: Floats = np.exp(-q * (1.0 / th - 1.0 / (reference_C + ZERO_CELSIUS_K)))
    return factor
