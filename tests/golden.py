"""The demonstration batch: an invented spoke of 6 g/m heat-set braid, whose behaviour two integrators agree on."""

from __future__ import annotations

import math

from models.chain import Chain
from models.units import ZERO_CELSIUS_K, fibre_area_mm2

LINEAR_DENSITY_G_PER_M = 6.0
FIBRE_AREA_MM2 = fibre_area_mm2(LINEAR_DENSITY_G_PER_M)
EA0_N = 70e3 * FIBRE_AREA_MM2  # 70 GPa on fibre area
GAUGE_LENGTH_MM = 280.0
REFERENCE_C = 23.0
FOLLOW_UP = 0.20  # phi: compliance of the rim seen by one spoke, over the spoke's own

RECOVERABLE_TAU_S = (1e1, 1e2, 1e3, 1e4, 1e5, 1e6)
RECOVERABLE_OVER_ELASTIC = (0.130, 0.145, 0.163, 0.182, 0.205, 0.230)
BEDDING_TAU_S = (0.0, 60.0, 1200.0, 21600.0)
BEDDING_WEIGHT = (0.70, 0.10, 0.10, 0.10)
BEDDING_STRAIN = 1.0e-3  # at 1000 N
BEDDING_EXPONENT = 0.7

_BOLTZMANN_J_PER_K = 1.380649e-23
_ACTIVATION_VOLUME_M3 = 0.08e-27
FLOW_STRESS_SCALE_MPA = _BOLTZMANN_J_PER_K * (REFERENCE_C + ZERO_CELSIUS_K) / _ACTIVATION_VOLUME_M3 / 1e6  # kT/v
FLOW_RATE_AT_160_MPA_PER_S = 2.0e-11


def default_chain(*, flow: bool = True, bedding: bool = True) -> Chain:
    """One spoke of the default batch; without flow or bedding-in where only the linear part is wanted."""
    return Chain.of(
        EA0_N=EA0_N,
        recoverable=(RECOVERABLE_TAU_S, [j / EA0_N for j in RECOVERABLE_OVER_ELASTIC]),
        bedding=(BEDDING_TAU_S, [w * BEDDING_STRAIN / 1000.0 for w in BEDDING_WEIGHT]) if bedding else ((), ()),
        bedding_exponent=BEDDING_EXPONENT,
        flow=(
            [FLOW_RATE_AT_160_MPA_PER_S / math.sinh(160.0 / FLOW_STRESS_SCALE_MPA)],
            [FLOW_STRESS_SCALE_MPA * FIBRE_AREA_MM2],
        )
        if flow
        else ((), ()),
        activation_kJ_per_mol=(100.0, 100.0, 120.0),
        expansion_per_K=-12e-6,
        reference_C=REFERENCE_C,
    )
