"""Wheels that are specified elsewhere, as builds: the four reference cases and a frame library's model of any wheel."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from Pynite import FEModel3D

from planner import geometry
from planner.build import Build, build_of
from planner.wheel import Wheel, wheel_of

REFERENCE = Path(__file__).parents[2] / "datasets" / "reference" / "wheel"
CASES: dict[str, dict[str, Any]] = json.loads((REFERENCE / "cases.json").read_text())


def matrix(case: str, what: str) -> np.ndarray:
    """A, ur or uz of a reference case."""
    return np.loadtxt(REFERENCE / f"wheel_{case}_{what}_m8.csv", delimiter=",")


def wheel_and_EA(case: str) -> tuple[Wheel, float]:
    """A reference case as this project's wheel; its spokes' stiffness acts over the whole chord."""
    c = CASES[case]
    build = build_of(
        {
            "wheel": {
                "spokes": c["n"],
                "crosses": c["cross"],
                "rim_seat_diameter_mm": 2 * c["R"],
                "first_spoke": "trailing",
                "rim": {
                    "area_mm2": c["A"],
                    "youngs_modulus_MPa": c["E"],
                    "shear_modulus_MPa": c["G"],
                    "in_plane_inertia_mm4": c["Irad"],
                    "out_of_plane_inertia_mm4": c["Ilat"],
                    "torsion_constant_mm4": c["J"],
                },
                "hub": {
                    "left": {"hole_circle_diameter_mm": 2 * c["rf"], "flange_to_centre_mm": c["wl"]},
                    "right": {"hole_circle_diameter_mm": 2 * c["rf"], "flange_to_centre_mm": c["wr"]},
                },
            }
        }
    )
    return wheel_of(whole_chord(build)), c["EAs"]


def whole_chord(build: Build) -> Build:
    """The build with fibre over the whole way from hub hole to nipple seat."""
    chord = float(geometry.chords_mm(build.wheel).mean())
    return build_of({**build.as_dict(), "spoke": {**build.as_dict().get("spoke", {}), "fibre_length_mm": chord}})


def frame_model(wheel: Wheel, EA_N: float, shortening_mm: np.ndarray, parts: int, slackable: bool = False) -> FEModel3D:
    """The same wheel in the frame library: hub ends moved back along their spokes by ``shortening_mm``.

    Only lengths, angles and stiffnesses are handed over; nodes, elements and their solution are the library's.
    """
    n, section, table = wheel.n, wheel.section, wheel.build.wheel
    model = FEModel3D()
    model.add_material("rim", 1.0, 1.0, 0.3, 0.0)
    model.add_section("rim", section.EA_N, section.EI_out_of_plane_Nmm2, section.EI_in_plane_Nmm2, section.GJ_Nmm2)
    model.add_material("spoke", 1.0, 1.0, 0.3, 0.0)
    model.add_section("spoke", EA_N, 1.0, 1.0, 1.0)
    model.add_section("arm", 1e9, 1e12, 1e12, 1e12)
    N = n * parts
    theta = 2 * np.pi * np.arange(N) / N
    for j in range(N):
        model.add_node(f"R{j}", wheel.radius_mm * np.cos(theta[j]), wheel.radius_mm * np.sin(theta[j]), 0.0)
    for j in range(N):
        model.add_member(f"r{j}", f"R{j}", f"R{(j + 1) % N}", "rim", "rim")
    seats, hub = geometry.rim_points_mm(table), geometry.hub_holes_mm(table)
    for i in range(n):
        end = f"R{i * parts}"
        if np.abs(wheel.arm_mm[i]).max() > 0:
            model.add_node(f"S{i}", *seats[i])
            model.add_member(f"a{i}", end, f"S{i}", "rim", "arm")
            end = f"S{i}"
        model.add_node(f"H{i}", *hub[i])
        model.def_support(f"H{i}", True, True, True, True, True, True)
        model.add_member(f"s{i}", f"H{i}", end, "spoke", "spoke", tension_only=slackable)
        pinned = [False, False, False, False, True, True]
        model.def_releases(f"s{i}", *pinned, *pinned)
        back = -(seats[i] - hub[i]) / np.linalg.norm(seats[i] - hub[i]) * shortening_mm[i]
        for axis, value in zip(("DX", "DY", "DZ"), back, strict=True):
            model.def_node_disp(f"H{i}", axis, float(value))
    return model


def frame_tensions(model: FEModel3D, n: int) -> np.ndarray:
    """(n,) spoke tensions after a run."""
    return np.array([-model.members[f"s{i}"].axial(0.0, "Combo 1") for i in range(n)])


def frame_rim(model: FEModel3D, n: int, parts: int) -> tuple[np.ndarray, np.ndarray]:
    """(radial, lateral) displacement of the rim at each spoke after a run, (n,) each."""
    theta = 2 * np.pi * np.arange(n) / n
    nodes = [model.nodes[f"R{i * parts}"] for i in range(n)]
    x, y, z = (np.array([getattr(p, a)["Combo 1"] for p in nodes]) for a in ("DX", "DY", "DZ"))
    return x * np.cos(theta) + y * np.sin(theta), z
