"""The rim's section: measured values where the build file has them, else estimates with their uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from planner.build import Rim

Floats = NDArray[np.float64]
STIFFNESSES = ("EA", "EI in plane", "EI out of plane", "GJ")

# material: density g/mm3, Young's and shear modulus MPa, expansion 1/K; then what share of a thin-walled box of the
# rim's depth and width the real, tapered and hooked section reaches: in plane, out of plane, torsion.
# Aluminium's constants are handbook values; the laminate's and all shares are estimates, and the sd below say so.
_MATERIALS = {
    "aluminium": (2.70e-3, 69000.0, 26000.0, 23e-6, (0.25, 0.65, 0.17)),
    "carbon": (1.55e-3, 60000.0, 12000.0, 1e-6, (0.45, 0.65, 0.40)),
}
_LOG_SD_MEASURED = (0.03, 0.05, 0.05, 0.08)
_LOG_SD_MODULUS = {"aluminium": 0.02, "carbon": 0.20}
_LOG_SD_SHAPE = (0.06, 0.35, 0.25, 0.45)  # of an estimated area, inertia in plane, out of plane, torsion constant


@dataclass(frozen=True, slots=True, kw_only=True)
class RimSection:
    """Stiffness of the rim's section and how well it is known."""

    EA_N: float  # along the rim
    EI_in_plane_Nmm2: float  # against radial bending
    EI_out_of_plane_Nmm2: float  # against lateral bending
    GJ_Nmm2: float  # against twist
    expansion_per_K: float
    log_sd: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)  # of STIFFNESSES; a draw multiplies by exp(sd z)

    @property
    def stiffness(self) -> Floats:
        """(4,) EA in N, both EI and GJ in N mm2."""
        return np.array([self.EA_N, self.EI_in_plane_Nmm2, self.EI_out_of_plane_Nmm2, self.GJ_Nmm2])

    def scaled(self, factors: Floats) -> RimSection:
        """The section with each of the four stiffnesses multiplied; factors (4,), positive."""
        f = np.asarray(factors, dtype=np.float64)
        if f.shape != (4,) or not (f > 0).all():
            raise ValueError(f"four positive factors ({', '.join(STIFFNESSES)}), not {f}")
        ea, ein, eout, gj = (float(v) for v in self.stiffness * f)
        return replace(self, EA_N=ea, EI_in_plane_Nmm2=ein, EI_out_of_plane_Nmm2=eout, GJ_Nmm2=gj)

    def draw_factors(self, rng: np.random.Generator, draws: int) -> Floats:
        """(draws, 4) log-normal factors for `scaled`, from what is not known of the section."""
        factors: Floats = np.exp(rng.standard_normal((draws, 4)) * np.array(self.log_sd))
        return factors


def section_of(rim: Rim, seat_diameter_mm: float) -> RimSection:
    """The section of a rim as far as the build file tells.

    Area from mass over density and circumference. Inertias from a thin-walled box of the rim's depth and width with
    that area, times the share that real sections reach (estimates). Measured values override; the uncertainty of each
    stiffness is that of its modulus and of its shape, whichever were measured being nearly exact.
    """
    density, young, shear, expansion, share = _MATERIALS[rim.material]
    around_mm = math.pi * (seat_diameter_mm + 2.0 * rim.centroid_offset_mm)
    area = rim.mass_g / (density * around_mm)
    depth, width = rim.depth_mm, rim.width_mm
    wall = area / (2.0 * (depth + width))
    in_plane = share[0] * wall * (depth**3 / 6.0 + width * depth**2 / 2.0)
    out_of_plane = share[1] * wall * (width**3 / 6.0 + depth * width**2 / 2.0)
    torsion = share[2] * 2.0 * wall * (depth * width) ** 2 / (depth + width)

    young_sd = shear_sd = _LOG_SD_MODULUS[rim.material]
    if rim.youngs_modulus_MPa is not None:
        young, young_sd = rim.youngs_modulus_MPa, 0.0
    if rim.shear_modulus_MPa is not None:
        shear, shear_sd = rim.shear_modulus_MPa, 0.0
    shapes, sd = [], []
    for k, (measured, estimate) in enumerate(
        (
            (rim.area_mm2, area),
            (rim.in_plane_inertia_mm4, in_plane),
            (rim.out_of_plane_inertia_mm4, out_of_plane),
            (rim.torsion_constant_mm4, torsion),
        )
    ):
        shapes.append(estimate if measured is None else measured)
        shape_sd = _LOG_SD_SHAPE[k] if measured is None else _LOG_SD_MEASURED[k]
        sd.append(math.hypot(shape_sd, shear_sd if k == 3 else young_sd))
    return RimSection(
        EA_N=young * shapes[0],
        EI_in_plane_Nmm2=young * shapes[1],
        EI_out_of_plane_Nmm2=young * shapes[2],
        GJ_Nmm2=shear * shapes[3],
        expansion_per_K=expansion if rim.expansion_per_K is None else rim.expansion_per_K,
        log_sd=(sd[0], sd[1], sd[2], sd[3]),
    )


def mean_follow_up(spokes: int, radius_mm: float, rim_EA_N: float, spoke_stiffness_N_per_mm: float) -> float:
    """Elastic follow-up of a wheel whose spokes all relax alike and point at the axle.

    phi = N R k / (2 pi EA): the rim's radial give u = N T R/(2 pi EA) over the spoke's own elongation T/k
    (hoop compression N T/(2 pi) of a thin ring).
    """
    return spokes * radius_mm * spoke_stiffness_N_per_mm / (2.0 * math.pi * rim_EA_N)
