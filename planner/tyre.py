"""What an inflated tyre does to the rim, roughly."""

from __future__ import annotations

import math

BEAD_INSET_MM = 3.0  # from the rim's outer width to each bead


def rim_compression_N(pressure_kPa: float, tyre_width_mm: float, rim_width_mm: float) -> float:
    """Hoop compression of the rim in N under a tyre, an estimate within a factor of about two.

    Cut the wheel across: at each cut the air pushes the halves apart with p A (A the section's area), and a round
    casing with cords at 45 degrees, whose pull along the rim equals that across it, holds them with p r s (r the
    casing's radius, s its arc from bead to bead). The difference compresses the rim. Other cord angles pull more or
    less, which is where the factor of two comes from.
    """
    pressure_MPa, r = pressure_kPa / 1000.0, tyre_width_mm / 2.0
    half_angle = math.asin(min(max(rim_width_mm / 2.0 - BEAD_INSET_MM, 0.0) / r, 1.0))
    arc = 2.0 * r * (math.pi - half_angle)
    area = r * r * (math.pi - half_angle + math.sin(half_angle) * math.cos(half_angle))
    return pressure_MPa * (r * arc - area)
