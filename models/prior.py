"""What is known of braided polyethylene spokes before a test: middle values and widths of every chain parameter.

From reasoned ranges for gel-spun polyethylene (delayed elastic strain as a power law of time with exponent 0.03 to
0.08; plateau creep with activation volume 0.045 to 0.12 nm3; bedding-in of heat-set and of loose braids). The widths
decide how far a forecast beyond the test may be trusted: modes slower than the test follow their neighbours as a
random walk, so their uncertainty grows with every decade.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.units import ZERO_CELSIUS_K, fibre_area_mm2

Floats = NDArray[np.float64]

FIBRE_MODULUS_MPA = 75e3  # middle of 55 to 115 GPa: where linear density is not given, fibre area is EA over this
MODULUS_LOG_SD = 0.25
ACTIVATION_VOLUME_NM3 = 0.08
ACTIVATION_VOLUME_LOG_SD = 0.3
FLOW_RATE_PER_S = 2.5e-11  # at 160 MPa and 23 degC
FLOW_STRESS_MPA = 160.0
FLOW_C = 23.0
FLOW_LOG_SD = 0.7
ACTIVATION_KJ = (100.0, 100.0, 120.0)
ACTIVATION_LOG_SD = (0.10, 0.15, 0.10)
RECOVERABLE_PER_DECADE = 0.16  # of the elastic compliance, at 1000 s
RECOVERABLE_LEVEL_LOG_SD = 0.45
RECOVERABLE_GROWTH = 0.12  # natural log per decade of time: 12 % more in each decade
RECOVERABLE_GROWTH_SD = 0.05
RECOVERABLE_WALK_SD = 0.06  # natural log per root decade: slow wandering off that line
RECOVERABLE_BUMP_SD = 0.30  # natural log: bumps about the line
RECOVERABLE_BUMP_DECADES = 0.3  # and how wide they are
BEDDING_SHARE_OF_ELASTIC = 0.45  # at 1000 N, heat-set braid; a loose one beds in many times as much
BEDDING_LOG_SD = 0.75
BEDDING_SHARE = (0.75, 0.02, 0.02, 0.02, 0.02, 0.02, 0.02, 0.02, 0.02)
BEDDING_SHARE_LOG_SD = 1.2
BEDDING_EXPONENT = 0.75
BEDDING_EXPONENT_LOG_SD = 0.18
ELASTIC_LOG_SD = 0.4
STIFFENING_PER_N = 4e-5
STIFFENING_LOG_SD = 1.5
SPREAD_LOG_SD = (0.04, 0.12, 0.10, 0.40)  # spoke to spoke within a batch: elastic, recoverable, bedding, flow
SPREAD_DF = 4.0  # these are worth so many spokes
_BOLTZMANN_J_PER_K = 1.380649e-23


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """Joint normal of the natural logarithms of the named parameters of the middle spoke."""

    names: tuple[str, ...]  # (p,)
    mean: Floats  # (p,)
    covariance: Floats  # (p, p)

    def index(self, part: str) -> list[int]:
        """Where the parameters of one part stand."""
        return [i for i, n in enumerate(self.names) if n == part or n.startswith(part + "[")]


def prior(
    EA_N: float,
    at_N: float,
    recoverable_tau_s: Floats,
    bedding_tau_s: Floats,
    reference_C: float,
    linear_density_g_per_m: float | None = None,
) -> Prior:
    """The prior for a spoke of about the stiffness ``EA_N``, flow stated at the load ``at_N``.

    ``elastic`` is the compliance 1/EA0; ``flow[0]`` the flow rate in 1/s at ``at_N``; ``flow_scale[0]`` T0 in N.
    """
    k, j = recoverable_tau_s.size, bedding_tau_s.size
    names = (
        "elastic",
        "stiffening",
        "bedding_exponent",
        *(f"recoverable[{i}]" for i in range(k)),
        *(f"bedding[{i}]" for i in range(j)),
        "flow[0]",
        "flow_scale[0]",
    )
    p = len(names)
    mean, cov = np.zeros(p), np.zeros((p, p))
    mean[0] = -math.log(EA_N)
    mean[1], cov[1, 1] = math.log(STIFFENING_PER_N), STIFFENING_LOG_SD**2
    mean[2], cov[2, 2] = math.log(BEDDING_EXPONENT), BEDDING_EXPONENT_LOG_SD**2
    decade = np.log10(recoverable_tau_s) - 3.0
    spacing = float(np.diff(decade).mean()) if k > 1 else 1.0
    r = slice(3, 3 + k)
    mean[r] = math.log(RECOVERABLE_PER_DECADE * spacing / EA_N) + RECOVERABLE_GROWTH * decade
    steps = decade - decade[0]
    cov[r, r] = (
        RECOVERABLE_LEVEL_LOG_SD**2
        + RECOVERABLE_GROWTH_SD**2 * np.outer(decade, decade)
        + RECOVERABLE_WALK_SD**2 * np.minimum(steps[:, None], steps[None, :])
        + RECOVERABLE_BUMP_SD**2 * np.exp(-np.abs(steps[:, None] - steps[None, :]) / RECOVERABLE_BUMP_DECADES)
        + 1e-6 * np.eye(k)
    )
    b = slice(3 + k, 3 + k + j)
    share = np.array(BEDDING_SHARE) if j == len(BEDDING_SHARE) else np.full(j, 1.0 / j)
    mean[b] = np.log(BEDDING_SHARE_OF_ELASTIC / EA_N * share)
    cov[b, b] = BEDDING_LOG_SD**2 + BEDDING_SHARE_LOG_SD**2 * np.eye(j)
    # both are shares of the elastic compliance, which is not known before the test either
    with_elastic = [0, *range(3, 3 + k + j)]
    cov[np.ix_(with_elastic, with_elastic)] += ELASTIC_LOG_SD**2
    # flow: stress scale kT/v on the fibre area; rate at at_N from that at 160 MPa
    if linear_density_g_per_m is None:
        area, area_sd = EA_N / FIBRE_MODULUS_MPA, MODULUS_LOG_SD
    else:
        area, area_sd = fibre_area_mm2(linear_density_g_per_m), 0.02
    kelvin = reference_C + ZERO_CELSIUS_K
    scale_MPa = _BOLTZMANN_J_PER_K * kelvin / (ACTIVATION_VOLUME_NM3 * 1e-27) / 1e6
    stress = at_N / area
    warmer = -ACTIVATION_KJ[2] * 1000.0 / 8.314462618 * (1.0 / kelvin - 1.0 / (FLOW_C + ZERO_CELSIUS_K))
    x, x0 = stress / scale_MPa, FLOW_STRESS_MPA / scale_MPa
    mean[-2] = math.log(FLOW_RATE_PER_S) + warmer + _ln_sinh(x) - _ln_sinh(x0)
    mean[-1] = math.log(scale_MPa * area)
    # ln rate at at_N moves with area (more area, less stress) and with v (away from 160 MPa)
    by_area = -x / math.tanh(x)
    by_scale = -x / math.tanh(x) + x0 / math.tanh(x0)
    v = ACTIVATION_VOLUME_LOG_SD**2
    cov[-2, -2] = FLOW_LOG_SD**2 + (by_area * area_sd) ** 2 + by_scale**2 * v
    cov[-1, -1] = area_sd**2 + v
    cov[-2, -1] = cov[-1, -2] = by_area * area_sd**2 + by_scale * v
    return Prior(names=names, mean=mean, covariance=cov)


def _ln_sinh(x: float) -> float:
    return x + math.log(-math.expm1(-2.0 * x) / 2.0)
