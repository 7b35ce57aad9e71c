"""Small statistics that several parts share: a criterion for choosing between curves, an interval for a share."""

from __future__ import annotations

import math


def aicc(rss: float, points: int, parameters: int) -> float | None:
    """Corrected Akaike criterion of a least-squares fit; the smaller the better. None where it is undefined.

    n ln(RSS/n) + 2k + 2k(k + 1)/(n - k - 1), with k the curve's parameters and one for the variance
    (Hurvich & Tsai 1989; Burnham & Anderson, Model Selection and Multimodel Inference, 2nd ed., 2.4).
    """
    k = parameters + 1
    if points <= k + 1 or rss <= 0.0:
        return None
    return points * math.log(rss / points) + 2 * k + 2 * k * (k + 1) / (points - k - 1)


def share_interval(hits: int, trials: int, z: float = 1.959963984540054) -> tuple[float, float]:
    """Wilson's score interval for a share, 95 % by default (Wilson 1927; Newcombe 1998, method 3).

    Raises
    ------
    ValueError
        Unless 0 <= hits <= trials and trials > 0.
    """
    if not 0 <= hits <= trials or trials == 0:
        raise ValueError(f"{hits} of {trials} is not a share")
    p, square = hits / trials, z * z
    middle = (p + square / (2 * trials)) / (1 + square / trials)
    half = z * math.sqrt(p * (1 - p) / trials + square / (4 * trials * trials)) / (1 + square / trials)
    return max(0.0, middle - half), min(1.0, middle + half)
