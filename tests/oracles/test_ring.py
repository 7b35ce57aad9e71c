"""The ring of beams against handbook formulas.

Roark's Formulas for Stress and Strain, 8th ed., Table 9.2 (thin ring), cases 1 and 7, and Timoshenko, Strength of
Materials II: from memory, high confidence; the formulas were derived again and checked by an independent frame run.
"""

from __future__ import annotations

import numpy as np
import pytest

from planner.rim import RimSection, mean_follow_up
from planner.ring import DOF, gap, rigid_motions, ring, tensioned_spoke

R, W = 300.0, 1000.0
EI = 1.4e8
# n: displacement at a load, between loads (x W R^3/EI, load outward), moment at and between (x W R), force (x W)
ROARK_CASE_7 = {
    2: (0.074389196, -0.068309886, 0.31830989, -0.18169011, 0.000000, 0.500000),
    3: (0.015938588, -0.014256769, 0.18878969, -0.09988544, 0.288675, 0.577350),
    4: (0.006079309, -0.005386198, 0.13661977, -0.07048701, 0.500000, 0.707107),
    6: (0.001681819, -0.001479817, 0.08890425, -0.04507034, 0.866025, 1.000000),
    8: (0.000693111, -0.000608380, 0.06613276, -0.03332342, 1.207107, 1.306563),
    16: (0.000084731, -0.000074198, 0.03280934, -0.01643636, 2.513670, 2.562915),
    28: (0.000015732, -0.000013769, 0.01871567, -0.00936373, 4.437623, 4.465702),
    36: (0.000007395, -0.000006472, 0.01455180, -0.00727867, 5.715026, 5.736857),
}


def section(EA_N: float) -> RimSection:
    return RimSection(EA_N=EA_N, EI_in_plane_Nmm2=EI, EI_out_of_plane_Nmm2=2.1e8, GJ_Nmm2=2.6e7, expansion_per_K=0.0)


def solve_free(stiffness: np.ndarray, force: np.ndarray, nodes: int) -> np.ndarray:
    """Displacements of a free ring under balanced forces, without any rigid motion."""
    rigid, _ = np.linalg.qr(rigid_motions(R, nodes))
    q = np.linalg.solve(stiffness + rigid @ rigid.T * np.abs(stiffness).max(), force)
    return q - rigid @ (rigid.T @ q)


@pytest.mark.parametrize("n", ROARK_CASE_7)
def test_a_ring_under_equally_spaced_radial_loads_bends_as_in_roarks_table(n: int) -> None:
    nodes = 2 * n
    parts = 40  # a chord lies R h^2/8 inside the circle, and that times the hoop force is a moment
    stiff_in_hoop = section(EA := 1e11)
    force = np.zeros((nodes, DOF))
    force[::2, 0] = W
    q = solve_free(ring(stiff_in_hoop, R, nodes, parts=parts), force.reshape(-1), nodes).reshape(nodes, DOF)
    at, between, moment_at, moment_between, force_at, force_between = ROARK_CASE_7[n]
    hoop = n * W * R / (2 * np.pi * EA)  # the table's figures are of bending alone
    assert q[0, 0] - hoop == pytest.approx(at * W * R**3 / EI, rel=2e-3)
    assert q[1, 0] - hoop == pytest.approx(between * W * R**3 / EI, rel=2e-3)
    # what the gap carries at its two ends (it starts at a load and ends half way to the next)
    ends = gap(stiff_in_hoop, R, nodes, parts=parts) @ np.concatenate([q[0], q[1]])
    assert abs(ends[5]) == pytest.approx(moment_at * W * R, rel=2e-3)
    assert abs(ends[11]) == pytest.approx(-moment_between * W * R, rel=2e-3)
    assert ends[5] * ends[11] > 0  # both ends push the gap's bending the same way: the moment changes sign between
    assert ends[7] == pytest.approx(force_between * W, rel=2e-3)
    assert -ends[1] == pytest.approx(force_at * W, rel=2e-3, abs=1e-2 * W)


@pytest.mark.parametrize(("n", "frame_mm"), [(2, 14.36241), (4, 1.199908), (8, 0.1882603), (28, 0.1940230)])
def test_hoop_and_bending_together_agree_with_the_formula_and_an_independent_frame(n: int, frame_mm: float) -> None:
    EA = 7.0e6
    theta = np.pi / n
    s, c = np.sin(theta), np.cos(theta)
    bend = W * R**3 / (2 * EI) * ((theta + s * c) / (2 * s * s) - 1 / theta)
    hoop = W * R / (2 * EA) * (theta + s * c) / (2 * s * s)
    force = np.zeros((n, DOF))
    force[:, 0] = W
    q = solve_free(ring(section(EA), R, n, parts=360 // n), force.reshape(-1), n)
    assert q[0] == pytest.approx(bend + hoop, rel=1e-3)
    assert q[0] == pytest.approx(frame_mm, rel=1e-3)


def test_opposite_loads_open_one_diameter_and_close_the_other_as_in_roarks_case_1() -> None:
    n = 4
    force = np.zeros((n, DOF))
    force[[0, 2], 0] = W
    q = solve_free(ring(section(1e13), R, n, parts=90), force.reshape(-1), n).reshape(n, DOF)
    unit = W * R**3 / EI
    assert q[0, 0] + q[2, 0] == pytest.approx(0.148779 * unit, rel=1e-3)
    assert q[1, 0] + q[3, 0] == pytest.approx(-0.136620 * unit, rel=1e-3)


def test_a_uniform_pull_inward_shrinks_the_ring_by_q_r_squared_over_EA() -> None:
    n, EA = 28, 7.0e6
    force = np.zeros((n, DOF))
    force[:, 0] = -W
    q = solve_free(ring(section(EA), R, n), force.reshape(-1), n).reshape(n, DOF)
    # mean over the turn: -n W R/(2 pi EA); at the loads themselves bending adds a little
    assert q[:, 0].mean() == pytest.approx(-n * W * R / (2 * np.pi * EA), rel=0.02)
    assert n * W / (2 * np.pi) == pytest.approx(4456.3, abs=0.05)


@pytest.mark.parametrize(("towards_centre", "factor"), [(True, 4.5), (False, 4.0)])
def test_a_compressed_ring_buckles_in_its_plane_at_the_textbook_load(towards_centre: bool, factor: float) -> None:
    """Uniform load q inward: dead load 4 EI/R^3, load that stays directed to the centre 4.5 EI/R^3 (Timoshenko and
    Gere, Theory of Elastic Stability; from memory, high confidence)."""
    n = 48
    stiff = section(1e12)
    angle = 2 * np.pi * np.arange(n) / n
    # two waves round the ring, without hoop strain: u = cos 2a, v = -sin 2a / 2, slope (v - u')/R
    shape = np.zeros((n, DOF))
    shape[:, 0], shape[:, 1] = np.cos(2 * angle), -np.sin(2 * angle) / 2
    shape[:, 5] = (shape[:, 1] + 2 * np.sin(2 * angle)) / R
    x = shape.reshape(-1)

    def quadratic(q_N_per_mm: float) -> float:
        k = ring(stiff, R, n, compression_N=q_N_per_mm * R)
        if towards_centre:
            pull = q_N_per_mm * 2 * np.pi * R / n
            for i in range(n):
                at = slice(DOF * i, DOF * (i + 1))
                k[at, at] += tensioned_spoke(pull, R, np.array([1.0, 0.0, 0.0]), np.zeros(3))
        return float(x @ k @ x)

    bare, loaded = quadratic(0.0), quadratic(1.0)
    critical = bare / (bare - loaded)
    assert critical == pytest.approx(factor * EI / R**3, rel=5e-3)


def test_a_free_ring_resists_no_rigid_motion_and_every_other() -> None:
    n = 20
    k = ring(section(7e6), R, n)
    values = np.linalg.eigvalsh(k)
    assert np.abs(k @ rigid_motions(R, n)).max() < 1e-6 * np.abs(k).max()
    assert (values[:6] < 1e-9 * values[-1]).all()
    assert values[6] > 1e-9 * values[-1]


@pytest.mark.parametrize(
    ("spokes", "rim_EA_N", "phi"),
    [
        (16, 5.6e6, 0.211),
        (20, 5.6e6, 0.264),
        (24, 5.6e6, 0.316),
        (28, 5.6e6, 0.369),
        (32, 5.6e6, 0.422),
        (24, 9e6, 0.197),
    ],
)
def test_mean_follow_up_matches_hand_arithmetic(spokes: int, rim_EA_N: float, phi: float) -> None:
    """phi = N R k/(2 pi EA) with R = 0.3 m and EA/L = 1.546 MN/m, worked out by hand."""
    assert mean_follow_up(spokes, 300.0, rim_EA_N, 1546.0) == pytest.approx(phi, abs=6e-4)
