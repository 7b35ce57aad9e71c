"""The rim as a closed ring of straight beams, condensed to the nodes where spokes meet it.

Six unknowns a node in local directions: displacement (radial outward, tangential, lateral to the right) in mm, then
rotation about the same directions. All gaps between spokes are alike, so one gap of `PARTS` Euler-Bernoulli elements
is condensed to its two ends and laid round the ring. A hoop compression adds the consistent geometric stiffness of
the elements.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.rim import RimSection

Floats = NDArray[np.float64]
PARTS = 8  # elements a gap; against a converged ring the influence of a spoke on itself is off by 0.01 %
DOF = 6


def element(section: RimSection, length_mm: float, compression_N: float = 0.0) -> Floats:
    """(12, 12) stiffness of a straight beam in its own axes: x along it, y across in plane, z across out of plane.

    Euler-Bernoulli; bending in plane uses the in-plane EI. The geometric part is the consistent one of a beam under
    axial force -compression (Przemieniecki, Theory of Matrix Structural Analysis; from memory, checked against a frame
    library in tests/oracles). That compression also softens twist, by less than 1 % of GJ for rims, is left out.
    """
    L = length_mm
    k = np.zeros((12, 12))

    def put(entries: dict[tuple[int, int], float]) -> None:
        for (i, j), value in entries.items():
            k[i, j] += value
            if i != j:
                k[j, i] += value

    axial, twist = section.EA_N / L, section.GJ_Nmm2 / L
    P = -compression_N
    for i, value in ((0, axial), (3, twist)):
        put({(i, i): value, (i + 6, i + 6): value, (i, i + 6): -value})
    # bending: (translation, rotation, sign of the coupling), translation y with rotation z, and z with -y
    for v, r, sign, EI in ((1, 5, 1.0, section.EI_in_plane_Nmm2), (2, 4, -1.0, section.EI_out_of_plane_Nmm2)):
        a = 12.0 * EI / L**3 + 6.0 * P / (5.0 * L)
        b = sign * (6.0 * EI / L**2 + P / 10.0)
        c = 4.0 * EI / L + 2.0 * P * L / 15.0
        d = 2.0 * EI / L - P * L / 30.0
        put({(v, v): a, (v + 6, v + 6): a, (v, v + 6): -a})
        put({(v, r): b, (v, r + 6): b, (v + 6, r): -b, (v + 6, r + 6): -b})
        put({(r, r): c, (r + 6, r + 6): c, (r, r + 6): d})
    return k


def gap(section: RimSection, radius_mm: float, spokes: int, compression_N: float = 0.0, parts: int = PARTS) -> Floats:
    """(12, 12) stiffness between two neighbouring spoke nodes, each in its own local directions."""
    step = 2.0 * np.pi / (spokes * parts)
    chord = 2.0 * radius_mm * np.sin(step / 2.0)
    local = element(section, chord, compression_N)
    c, s = np.cos(step / 2.0), np.sin(step / 2.0)
    # rows: the element's axes (tangent, inward, lateral at its middle) in the local directions of its two nodes
    start = np.array([[-s, c, 0.0], [-c, -s, 0.0], [0.0, 0.0, 1.0]])
    end = np.array([[s, c, 0.0], [-c, s, 0.0], [0.0, 0.0, 1.0]])
    turn = np.zeros((12, 12))
    for i, axes in enumerate((start, start, end, end)):
        turn[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] = axes
    one: Floats = turn.T @ local @ turn
    chain = np.zeros((DOF * (parts + 1), DOF * (parts + 1)))
    for p in range(parts):
        k = slice(DOF * p, DOF * (p + 2))
        chain[k, k] += one
    ends = np.r_[0:DOF, DOF * parts : DOF * (parts + 1)]
    inner = np.arange(DOF, DOF * parts)
    if not inner.size:
        return one
    condensed: Floats = chain[np.ix_(ends, ends)] - chain[np.ix_(ends, inner)] @ np.linalg.solve(
        chain[np.ix_(inner, inner)], chain[np.ix_(inner, ends)]
    )
    return 0.5 * (condensed + condensed.T)


def ring(section: RimSection, radius_mm: float, spokes: int, compression_N: float = 0.0, parts: int = PARTS) -> Floats:
    """(6 n, 6 n) stiffness of the free ring at its spoke nodes; six rigid motions cost nothing when uncompressed.

    Parameters
    ----------
    radius_mm : radius of the section's centroid, where the beams lie
    compression_N : hoop compression, positive; with spokes of tension T and radial share b_r it is sum(T b_r)/(2 pi)
    """
    one = gap(section, radius_mm, spokes, compression_N, parts)
    n = DOF * spokes
    out = np.zeros((n, n))
    for i in range(spokes):
        at = np.r_[DOF * i : DOF * (i + 1), DOF * ((i + 1) % spokes) : DOF * ((i + 1) % spokes) + DOF]
        out[np.ix_(at, at)] += one
    return out


def rigid_motions(radius_mm: float, spokes: int) -> Floats:
    """(6 n, 6) displacements of the nodes in the rim's six rigid motions.

    Shifts along the directions of position 1 (radial, tangential, lateral), then rotations about them, scaled by the
    radius so that all six are in mm.
    """
    theta = 2.0 * np.pi * np.arange(spokes) / spokes
    c, s, o, e = np.cos(theta), np.sin(theta), np.zeros(spokes), np.ones(spokes)
    axes = np.stack([np.column_stack([c, s, o]), np.column_stack([-s, c, o]), np.column_stack([o, o, e])], axis=1)
    out = np.zeros((spokes, DOF, 6))
    for a, unit in enumerate(np.eye(3)):
        out[:, :3, a] = axes @ unit
        out[:, :3, 3 + a] = np.einsum("nij,nj->ni", axes, np.cross(unit, axes[:, 0, :]))
        out[:, 3:, 3 + a] = axes @ unit / radius_mm
    return out.reshape(spokes * DOF, 6)


def tensioned_spoke(tension_N: float, length_mm: float, direction: Floats, arm_mm: Floats) -> Floats:
    """(6, 6) geometric stiffness at a rim node of a spoke under tension that ends at ``arm`` from the node.

    T (I - n n^T)/L at the seat, carried to the node by the rigid arm, and the turning of that arm under the spoke's
    pull f = -T n: (f.a) I - (f a^T + a f^T)/2 on rotations.
    """
    across = tension_N / length_mm * (np.eye(3) - np.outer(direction, direction))
    ax, ay, az = arm_mm
    cross = np.array([[0.0, -az, ay], [az, 0.0, -ax], [-ay, ax, 0.0]])
    carry = np.hstack([np.eye(3), -cross])
    out: Floats = carry.T @ across @ carry
    pull = -tension_N * direction
    out[3:, 3:] += float(pull @ arm_mm) * np.eye(3) - 0.5 * (np.outer(pull, arm_mm) + np.outer(arm_mm, pull))
    return out
