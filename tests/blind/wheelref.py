"""The blind trial's own wheel: a Ritz ring in Fourier modes with discrete spokes and geometric stiffness.

Kinematics of a thin closed ring (u radial outward, v along the rim, w along the axle, p twist; all functions of the
angle): hoop strain (u + v')/R, curvatures (v' - u'')/R^2 in plane and p/R - w''/R^2 out of plane, twist p'/R + w'/R^2.
The second-order part: a hoop force N does work on half the squares of the rotations (v - u')/R and w'/R; a spoke of
tension T and length L adds T (I - n n^T)/L at its rim hole. The hub is rigid and fixed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Ring:
    """Rim and lacing, N and mm; position i (from 0) even = left flange (axle coordinate negative)."""

    spokes: int
    crosses: tuple[int, int]  # left, right
    radius_mm: float
    hole_radius_mm: tuple[float, float]
    offset_mm: tuple[float, float]  # flange to centre plane, left, right
    EA_N: float
    EI_in_Nmm2: float
    EI_out_Nmm2: float
    GJ_Nmm2: float
    modes: int = 48


def directions(ring: Ring) -> tuple[Floats, Floats, Floats]:
    """Unit vectors hub to rim in local (radial, along the rim, axle), (N, 3); chord lengths (N,); rim angles (N,)."""
    n = ring.spokes
    angle = 2.0 * math.pi * np.arange(n) / n
    out = np.empty((n, 3))
    length = np.empty(n)
    for i in range(n):
        side = i % 2
        sign = 1.0 if i % 4 < 2 else -1.0
        lead = sign * 2.0 * math.pi * ring.crosses[side] / (n // 2)
        z = -ring.offset_mm[0] if side == 0 else ring.offset_mm[1]
        rf = ring.hole_radius_mm[side]
        # the hub hole in the local frame of the rim point
        hole = np.array([rf * math.cos(lead), rf * math.sin(lead), z])
        chord = np.array([ring.radius_mm, 0.0, 0.0]) - hole
        length[i] = np.linalg.norm(chord)
        out[i] = chord / length[i]
    return out, length, angle


def _basis(ring: Ring, angle: Floats) -> tuple[Floats, Floats, Floats]:
    """Fourier functions (points, 2M+1), their first and second derivatives by the angle."""
    m = np.arange(1, ring.modes + 1)
    c, s = np.cos(np.outer(angle, m)), np.sin(np.outer(angle, m))
    one, zero = np.ones((angle.size, 1)), np.zeros((angle.size, 1))
    return (
        np.hstack([one, c, s]),
        np.hstack([zero, -m * s, m * c]),
        np.hstack([zero, -(m**2) * c, -(m**2) * s]),
    )


def _fields(ring: Ring, angle: Floats) -> dict[str, Floats]:
    f0, f1, f2 = _basis(ring, angle)
    n = f0.shape[1]

    def put(which: int, f: Floats) -> Floats:
        out = np.zeros((angle.size, 4 * n))
        out[:, which * n : (which + 1) * n] = f
        return out

    r = ring.radius_mm
    return {
        "u": put(0, f0),
        "v": put(1, f0),
        "w": put(2, f0),
        "hoop": (put(0, f0) + put(1, f1)) / r,
        "bend_in": (put(1, f1) - put(0, f2)) / r**2,
        "bend_out": put(3, f0) / r - put(2, f2) / r**2,
        "twist": put(3, f1) / r + put(2, f1) / r**2,
        "turn_in": (put(1, f0) - put(0, f1)) / r,
        "turn_out": put(2, f1) / r,
    }


@dataclass(frozen=True, kw_only=True)
class Wheel:
    """What the executor needs of one wheel; build with `Wheel.of`."""

    ring: Ring
    direction: Floats  # (N, 3)
    chord_mm: Floats  # (N,)
    rim: Floats  # (D, D) stiffness of the ring alone
    hoop_unit: Floats  # (D, D) geometric stiffness of the ring for a hoop force of 1 N
    B: Floats  # (N, D) elongation of each spoke for unit coordinates
    at: Floats  # (N, 3, D) displacement of each rim hole in its local frame

    @classmethod
    def of(cls, ring: Ring) -> Wheel:
        points = 4 * ring.modes + 8
        f = _fields(ring, 2.0 * math.pi * np.arange(points) / points)
        ds = 2.0 * math.pi * ring.radius_mm / points
        rim = ds * (
            ring.EA_N * f["hoop"].T @ f["hoop"]
            + ring.EI_in_Nmm2 * f["bend_in"].T @ f["bend_in"]
            + ring.EI_out_Nmm2 * f["bend_out"].T @ f["bend_out"]
            + ring.GJ_Nmm2 * f["twist"].T @ f["twist"]
        )
        hoop_unit = ds * (f["turn_in"].T @ f["turn_in"] + f["turn_out"].T @ f["turn_out"])
        direction, chord, angle = directions(ring)
        g = _fields(ring, angle)
        at = np.stack([g["u"], g["v"], g["w"]], axis=1)  # (N, 3, D)
        return cls(
            ring=ring,
            direction=direction,
            chord_mm=chord,
            rim=rim,
            hoop_unit=hoop_unit,
            B=np.einsum("ni,nid->nd", direction, at),
            at=at,
        )

    def geometric(self, tension_N: Floats) -> Floats:
        """(D, D) second-order stiffness at the spoke tensions (N,): spokes sideways, and the rim's hoop force."""
        across = np.eye(3) - self.direction[:, :, None] * self.direction[:, None, :]
        spokes = np.einsum("nid,n,nij,nje->de", self.at, tension_N / self.chord_mm, across, self.at, optimize=True)
        hoop = -float(tension_N @ self.direction[:, 0]) / (2.0 * math.pi)
        return spokes + hoop * self.hoop_unit

    def give(self, tension_N: Floats) -> Floats:
        """(N, N) mm/N: how much each chord shortens for a rise of each tension, at the standing tensions."""
        K = self.rim + self.geometric(tension_N)
        return self.B @ np.linalg.solve(K, self.B.T)

    def influence(self, stiffness_N_per_mm: Floats, tension_N: Floats) -> tuple[Floats, Floats]:
        """dT/d(shortening) (N, N) and rim displacement (N, 3, N) per mm, spokes of the given stiffness."""
        K = self.rim + self.geometric(tension_N) + (self.B.T * stiffness_N_per_mm) @ self.B
        q = -np.linalg.solve(K, self.B.T * stiffness_N_per_mm)
        return np.diag(stiffness_N_per_mm) + stiffness_N_per_mm[:, None] * (self.B @ q), np.einsum(
            "nid,dj->nij", self.at, q
        )

    def sides(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Indices (from 0) of the left and of the right spokes."""
        every = np.arange(self.ring.spokes)
        return every[::2], every[1::2]

    def rigid(self) -> Floats:
        """(N, 6) change of each chord for the six rigid motions of the rim."""
        n, r = self.ring.spokes, self.ring.radius_mm
        a = 2.0 * math.pi * np.arange(n) / n
        radial = np.stack([np.cos(a), np.sin(a), np.zeros(n)], axis=1)
        along = np.stack([-np.sin(a), np.cos(a), np.zeros(n)], axis=1)
        axle = np.tile([0.0, 0.0, 1.0], (n, 1))
        unit = self.direction[:, :1] * radial + self.direction[:, 1:2] * along + self.direction[:, 2:] * axle
        return np.hstack([unit, np.cross(r * radial, unit)])

    def reachable(self, wanted_N: Floats) -> Floats:
        """The nearest tensions (least squares) that leave the free rim in balance; wanted_N is (..., N)."""
        q, _ = np.linalg.qr(self.rigid())
        return wanted_N - (wanted_N @ q) @ q.T

    def side_targets(self, tighter_N: float) -> tuple[float, float]:
        """Left and right tension with the tighter side at the target: the axle forces of the two sides cancel."""
        left, right = self.sides()
        pull_l, pull_r = abs(self.direction[left, 2].sum()), abs(self.direction[right, 2].sum())
        if pull_l <= pull_r:
            return tighter_N, tighter_N * float(pull_l / pull_r)
        return tighter_N * float(pull_r / pull_l), tighter_N

    def pattern(self, left_N: float, right_N: float) -> Floats:
        """(N,) tensions, one for each side."""
        out = np.empty(self.ring.spokes)
        out[::2], out[1::2] = left_N, right_N
        return out

    def buckling_factor(self, stiffness_N_per_mm: Floats, tension_N: Floats) -> float:
        """The least multiple of these tensions at which the wheel loses its stiffness."""
        import scipy.linalg

        K = self.rim + (self.B.T * stiffness_N_per_mm) @ self.B
        values = scipy.linalg.eigh(-self.geometric(tension_N), K, eigvals_only=True)
        return float(1.0 / values.max()) if values.max() > 0 else math.inf
