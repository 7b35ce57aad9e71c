"""Where the spokes go: sides, angles, hub holes, rim seats, chord lengths. Vectors, one row a spoke.

The frame of reference: position 1 (index 0) stands at angle 0, angles grow in the direction of rising positions
(clockwise seen from the right), and the axle points to the right. Local directions at the rim are (radial outward,
tangential towards the next position, lateral to the right). In plan this frame is a mirror image of the usual one;
lengths, forces and displacements do not mind.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from planner.build import Flange, WheelTable

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
LEFT, RIGHT = 0, 1
PACKING_LIMIT = 0.9  # fibre area over the area of the circle that it has to fit in


def circle_mm2(diameter_mm: float) -> float:
    """Area of a circle, mm2."""
    return math.pi / 4.0 * diameter_mm**2


def crossing_angle_deg(spokes: int, crosses: int) -> float:
    """Angle at the axle between a spoke's rim hole and its hub hole, degrees: 720 X / n (two flanges alternating)."""
    return 720.0 * crosses / spokes


def spoke_length_mm(
    seat_diameter_mm: float,
    hole_circle_diameter_mm: float,
    flange_to_centre_mm: float,
    angle_deg: float,
    hole_mm: float = 0.0,
) -> float:
    """Length from the bearing edge of the hub hole to the nipple seat, mm.

    sqrt(a^2 + b^2 + c^2 - 2 a b cos(angle)) - hole/2 with a, b the radii of seats and hub holes and c the flange's
    distance from the rim's plane (law of cosines; the usual spoke-length formula of the trade).
    """
    a, b = seat_diameter_mm / 2.0, hole_circle_diameter_mm / 2.0
    square = a * a + b * b + flange_to_centre_mm**2 - 2.0 * a * b * np.cos(np.radians(angle_deg))
    return float(np.sqrt(square) - hole_mm / 2.0)


def sides(spokes: int) -> Ints:
    """(n,) side of each spoke: 0 left (odd positions), 1 right."""
    return np.arange(spokes, dtype=np.int64) % 2


def leans(spokes: int, first: str) -> Floats:
    """(n,) +1 where the hub hole is ahead of the rim hole (a trailing spoke), -1 where behind (a leading one).

    Spokes of a side alternate, and the first two spokes, one on each side, lean alike.
    """
    lean = np.where((np.arange(spokes) // 2) % 2 == 0, 1.0, -1.0)
    return lean if first == "trailing" else -lean


def _angle_deg(flange: Flange, spokes: int, crosses: int) -> float:
    return crossing_angle_deg(spokes, crosses) if flange.spoke_angle_deg is None else flange.spoke_angle_deg


def _leaves_mm(flange: Flange, lean: Floats) -> Floats:
    """(n,) how far outside the middle of the flange the spoke leaves it, mm."""
    half = flange.flange_mm / 2.0
    if flange.leave == "outside":
        return np.full(lean.shape, half)
    if flange.leave == "inside":
        return np.full(lean.shape, -half)
    return np.where(lean > 0, half, -half)


def hub_holes_mm(wheel: WheelTable) -> Floats:
    """(n, 3) hub holes (centre of the hole at the face where the spoke leaves), x y z in mm, z to the right."""
    n = wheel.spokes
    side, lean = sides(n), leans(n, wheel.first_spoke)
    theta = 2.0 * np.pi * np.arange(n) / n
    out = np.empty((n, 3))
    for which, flange, crosses, sign in (
        (LEFT, wheel.hub.left, wheel.crosses.left, -1.0),
        (RIGHT, wheel.hub.right, wheel.crosses.right, 1.0),
    ):
        k = side == which
        angle = theta[k] + lean[k] * np.radians(_angle_deg(flange, n, crosses))
        r = flange.hole_circle_diameter_mm / 2.0
        z = sign * (flange.flange_to_centre_mm + _leaves_mm(flange, lean[k]))
        out[k] = np.column_stack([r * np.cos(angle), r * np.sin(angle), z])
    return out


def rim_points_mm(wheel: WheelTable, radius_mm: float | None = None) -> Floats:
    """(n, 3) points of the rim where spokes meet it, at the nipple seats or at another radius, x y z in mm."""
    theta = 2.0 * np.pi * np.arange(wheel.spokes) / wheel.spokes
    r = wheel.rim_seat_diameter_mm / 2.0 if radius_mm is None else radius_mm
    z = np.where(sides(wheel.spokes) == LEFT, -1.0, 1.0) * wheel.rim.hole_offset_mm
    return np.column_stack([r * np.cos(theta), r * np.sin(theta), z])


def chords_mm(wheel: WheelTable) -> Floats:
    """(n,) distance from the centre of the hub hole to the nipple seat, mm."""
    length: Floats = np.linalg.norm(rim_points_mm(wheel) - hub_holes_mm(wheel), axis=1)
    return length


def bearing_lengths_mm(wheel: WheelTable) -> Floats:
    """(n,) distance from the bearing edge of the hub hole to the nipple seat, mm: half a hole less than the chord.

    A straight-pull hub has no hole that the spoke turns round, so nothing is taken off there.
    """
    hole = np.where(
        sides(wheel.spokes) == LEFT,
        0.0 if wheel.hub.left.anchoring == "straight-pull" else wheel.hub.left.hole_mm,
        0.0 if wheel.hub.right.anchoring == "straight-pull" else wheel.hub.right.hole_mm,
    )
    return chords_mm(wheel) - hole / 2.0


def directions_local(wheel: WheelTable) -> Floats:
    """(n, 3) unit vectors of the spokes from hub to rim as (radial, tangential, lateral to the right) at the rim."""
    d = rim_points_mm(wheel) - hub_holes_mm(wheel)
    d = d / np.linalg.norm(d, axis=1, keepdims=True)
    theta = 2.0 * np.pi * np.arange(wheel.spokes) / wheel.spokes
    c, s = np.cos(theta), np.sin(theta)
    return np.column_stack([d[:, 0] * c + d[:, 1] * s, -d[:, 0] * s + d[:, 1] * c, d[:, 2]])
