"""Means that do not belong to a spoke's creep: a leaning elbow, a bumped frame, a draught over the sensor.

A spike of a reading or two is cut while a record is thinned. What lasts longer stands in the means, and least squares
would bend the creep to it. After a first fit each mean is asked how far it lies from what all others of its spoke say
of it, in its own errors (correlated as they are). The one that lies furthest is set aside, and the rest are asked
again; in the end those that were set aside for a bad neighbour's sake come back.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from models.fit import Fitted, fit, residuals
from models.thin import Thinned
from models.whiten import DOUBT_MM, Data

Floats = NDArray[np.float64]
Doubts = NDArray[np.bool_]
DOUBTFUL = 4.5  # of its own errors: one good mean in some hundred thousand lies further
MOST = 0.05  # of a spoke's means: where more would go it is not they that are wrong
ROUNDS = 3


def doubtful(residual_mm: Floats, covariance_mm2: Floats, most: int) -> Doubts | None:
    """(n,) which means the others contradict; None where more than ``most`` would have to go.

    With K the covariance and r the residuals, a mean lies (K^-1 r)_i / (K^-1)_ii from what all others foretell of it,
    give or take (K^-1)_ii^(-1/2).
    """
    out = np.zeros(residual_mm.size, dtype=bool)
    inverse = np.linalg.inv(covariance_mm2)
    for _ in range(most + 1):
        z = np.where(out, 0.0, inverse @ residual_mm / np.sqrt(np.diag(inverse)))
        worst = int(np.argmax(np.abs(z)))
        if abs(z[worst]) <= DOUBTFUL:
            return _without_the_good(out, residual_mm, covariance_mm2)
        out[worst] = True
        row = inverse[:, worst]  # Sherman and Morrison: this mean's variance grows by DOUBT_MM^2
        inverse = inverse - np.outer(row, row) * (DOUBT_MM**2 / (1.0 + DOUBT_MM**2 * row[worst]))
    return None


def _without_the_good(gone: Doubts, residual_mm: Floats, covariance_mm2: Floats) -> Doubts:
    out = gone.copy()
    for i in np.flatnonzero(gone):
        others = np.flatnonzero(~out)
        part = np.linalg.solve(covariance_mm2[np.ix_(others, others)], covariance_mm2[others, i])
        away = residual_mm[i] - part @ residual_mm[others]
        out[i] = abs(away) > DOUBTFUL * np.sqrt(covariance_mm2[i, i] - part @ covariance_mm2[others, i])
    return out


def fit_robustly(
    spokes: Sequence[Thinned], *, linear_density_g_per_m: float | None = None
) -> tuple[Fitted, Data, list[Doubts]]:
    """`fit`, again without the means that the others contradict, until none is; and which these are, spoke by spoke.

    A spoke of which more than `MOST` would go keeps all of them.
    """
    fitted, data = fit(spokes, linear_density_g_per_m=linear_density_g_per_m)
    doubts = [np.zeros(s.time_s.size, dtype=bool) for s in spokes]
    for _ in range(ROUNDS):
        _, plain = residuals(data, fitted)
        new = []
        for i, s in enumerate(spokes):
            n = s.time_s.size
            own = data.errors[i].covariance(fitted.remainder_mm, len(spokes)) * s.gauge_length_mm**2
            found = doubtful(plain[i, :n], own, int(MOST * n) - int(doubts[i].sum()))
            new.append(doubts[i] if found is None else doubts[i] | found)
        if all(np.array_equal(a, b) for a, b in zip(doubts, new, strict=True)):
            break
        doubts = new
        fitted, data = fit(spokes, linear_density_g_per_m=linear_density_g_per_m, doubtful=doubts)
    return fitted, data, doubts


def in_words(spokes: Sequence[Thinned], doubts: Sequence[Doubts]) -> list[str]:
    """Which means of which spoke were set aside, one sentence a spoke."""
    out = []
    for s, gone in zip(spokes, doubts, strict=True):
        if gone.any():
            hours = s.time_s[gone] / 3600.0
            when = f"at {hours[0]:.2f} h" if gone.sum() == 1 else f"between {hours[0]:.2f} and {hours[-1]:.2f} h"
            many = f"{int(gone.sum())} of {gone.size} means"
            out.append(f"spoke {s.spoke}: {many} set aside, {when}: they do not fit the rest of its creep (--robust)")
    return out
