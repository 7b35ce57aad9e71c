"""The Mittag-Leffler function on the negative axis: how springpots relax."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def mittag_leffler(alpha: float, x: object) -> Floats:
    """E_alpha(-x) for 0 < alpha < 1 and x >= 0, to about 1e-12.

    Parameters
    ----------
    alpha : float
        Order, above 0 and at most 0.98.
    x : array_like (...)
        Not negative.

    Notes
    -----
    With x = t^alpha it is completely monotone in t (Gorenflo & Mainardi 1997; Pollard 1948):

        E_alpha(-t^alpha) = integral over u of exp(-t e^u) sin(pi alpha) / (2 pi (cosh(alpha u) + cos(pi alpha)))

    (u the logarithm of the rate). The integrand is analytic around the real axis, so the trapezoidal sum converges
    exponentially; its reach is set by exp(-alpha |u|) and by exp(-t e^u).

    Raises
    ------
    ValueError
        Outside the domain.
    """
    z = np.asarray(x, dtype=np.float64)
    if not 0.0 < alpha <= 0.98:
        raise ValueError(f"order must be above 0 and at most 0.98, not {alpha}")
    if not (z >= 0.0).all():
        raise ValueError("the argument must not be negative")
    # the nearest singularities lie at pi/2 (exp(-t e^u)) and pi (1 - alpha)/alpha (the density) off the axis
    strip = min(np.pi / 2.0, np.pi * (1.0 - alpha) / alpha)
    h = 2.0 * np.pi * strip / 32.0
    reach = 32.0 / alpha
    u = np.arange(-reach, reach + h, h)
    density = np.sin(np.pi * alpha) / (2.0 * np.pi * (np.cosh(alpha * u) + np.cos(np.pi * alpha)))
    flat = np.ravel(z)
    log_t = np.log(np.where(flat > 0.0, flat, 1.0)) / alpha
    with np.errstate(over="ignore"):
        out = np.array([np.sum(density * np.exp(-np.exp(np.minimum(u + lt, 700.0)))) * h for lt in log_t])
    return np.where(flat > 0.0, out, 1.0).reshape(z.shape)
