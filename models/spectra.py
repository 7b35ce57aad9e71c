"""From a retardation spectrum, or a creep curve, to the few modes of a chain that follow it over a span of time."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
MARGIN = 20.0  # modes this many times faster or slower than the span are lumped


def modes_of_spectrum(
    log_density: Callable[[Floats], Floats],
    span_s: tuple[float, float],
    per_decade: float = 2.0,
    reach: float = 4000.0,
) -> tuple[Floats, Floats]:
    """Modes (tau_s, compliance) whose sum follows J(t) = integral of L(tau) (1 - exp(-t/tau)) d ln tau over the span.

    Parameters
    ----------
    log_density : callable
        ln L as a function of ln tau (any shape); L not negative and smooth.
    span_s : (t_min, t_max)
        Times in s between which the modes must follow the law.
    per_decade : float
        Modes to a decade. The trapezoidal sum in ln tau converges exponentially: its ripple falls as
        exp(-pi^2/spacing), 2e-4 of the slope of J at two a decade.
    reach : float
        How far the sum goes out in ln tau on either side.

    Returns
    -------
    tau_s, compliance : arrays (K,)

    Notes
    -----
    What lies far outside the span is lumped: all faster modes into one of the same compliance and the same first
    moment (they are full within it), all slower ones into one of the same rate and the same second moment.
    """
    low, high = np.log(span_s[0] / MARGIN), np.log(span_s[1] * MARGIN)
    n = max(2, int(np.ceil((high - low) * per_decade / np.log(10.0))) + 1)
    h = (high - low) / (n - 1)
    far = int(np.ceil(reach / h))
    u = low + h * np.arange(-far, n + far)
    weight = np.log(h) + log_density(u)
    fast, slow = u < low - 0.5 * h, u > high + 0.5 * h
    inside = ~(fast | slow)
    tau, compliance = [np.exp(u[inside])], [np.exp(weight[inside])]
    mass = np.exp(weight[fast]).sum()
    if mass > 0.0:
        tau.insert(0, np.array([np.exp(weight[fast] + u[fast]).sum() / mass]))
        compliance.insert(0, np.array([mass]))
    rate = np.exp(weight[slow] - u[slow]).sum()
    if rate > 0.0:
        bend = np.exp(weight[slow] - 2.0 * u[slow]).sum()
        tau.append(np.array([rate / bend]))
        compliance.append(np.array([rate * rate / bend]))
    return np.concatenate(tau), np.concatenate(compliance)


def modes_of_curve(
    compliance: Callable[[Floats], Floats], span_s: tuple[float, float], per_decade: float = 3.0
) -> tuple[Floats, Floats]:
    """Modes (tau_s, compliance) of a curve without a spectrum in closed form, by non-negative least squares.

    Parameters
    ----------
    compliance : callable
        J(t) without its instantaneous part, t in s; its rate must be completely monotone for the fit to be good.
    span_s : (t_min, t_max)
    per_decade : float
        Candidate modes to a decade, from `MARGIN` below the span to `MARGIN` above it.

    Returns
    -------
    tau_s, compliance : arrays (K,) of the modes that are not zero.
    """
    from scipy.optimize import nnls

    low, high = np.log10(span_s[0] / MARGIN), np.log10(span_s[1] * MARGIN)
    tau = np.logspace(low, high, int(np.ceil((high - low) * per_decade)) + 1)
    time = np.geomspace(*span_s, 20 * int(np.ceil(np.log10(span_s[1] / span_s[0]))) + 1)
    wanted = compliance(time)
    columns = -np.expm1(-time[:, None] / tau) / wanted[:, None]
    size = columns.max(axis=0)
    share, _ = nnls(columns / size, np.ones(time.size), maxiter=100 * tau.size)
    kept = share > 0.0
    return tau[kept], (share / size)[kept]
