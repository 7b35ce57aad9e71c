"""Physical constants and the few unit conversions done at the edges."""

from __future__ import annotations

import math

KGF_N = 9.80665  # 1 kgf in N, exact (standard gravity)
LBF_N = 4.4482216152605  # 1 lbf in N, exact
GAS_CONSTANT_J_PER_MOL_K = 8.314462618
ZERO_CELSIUS_K = 273.15
FIBRE_DENSITY_KG_PER_M3 = 970.0  # gel-spun polyethylene fibre


def parse_force_N(value: object) -> float:
    """Force in N from a number (N) or a text such as ``"100 kgf"``, ``"981 N"`` or ``"220 lbf"``.

    Raises
    ------
    ValueError
        If the text is not a number followed by one of N, kN, kgf, lbf.
    """
    if isinstance(value, bool):
        raise ValueError("a force is a number in N or a text such as '100 kgf'")
    if isinstance(value, int | float):
        return float(value) if abs(value) < 1e15 else math.inf  # whole numbers of many digits do not fit
    if isinstance(value, str):
        factors = {"N": 1.0, "kN": 1000.0, "kgf": KGF_N, "lbf": LBF_N}
        number, _, unit = value.strip().partition(" ")
        unit = unit.strip()
        if unit in factors:
            try:
                return float(number) * factors[unit]
            except ValueError:
                pass
    raise ValueError(f"{value!r} is not a force: write a number in N, or for example '100 kgf', '981 N', '1.2 kN'")


def fibre_area_mm2(linear_density_g_per_m: float) -> float:
    """Fibre area in mm2 from linear density in g/m: linear density over 970 kg/m3."""
    return linear_density_g_per_m * 1000.0 / FIBRE_DENSITY_KG_PER_M3
