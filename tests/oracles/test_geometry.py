"""Spoke lengths, threads, forces and masses against printed and worked values."""

from __future__ import annotations

import numpy as np
import pytest

from models.units import KGF_N, fibre_area_mm2, parse_force_N
from planner import geometry
from planner.build import build_of
from planner.length import STEEL_SPOKE_G


def test_the_printed_worked_example_of_a_spoke_length_comes_out() -> None:
    """n = 36, 3 crosses, hole circle 58, offset 39, hole 2.6, rim 555 mm: 265.8 mm printed (a public text page, read);
    265.7595 by the law of cosines."""
    angle = geometry.crossing_angle_deg(36, 3)
    assert angle == 60.0
    length = geometry.spoke_length_mm(555.0, 58.0, 39.0, angle, 2.6)
    assert round(length, 1) == 265.8
    assert length == pytest.approx(265.7595, abs=5e-5)


@pytest.mark.parametrize(
    ("spokes", "crosses", "circle", "offset", "hole", "length"),
    [
        (28, 2, 45.0, 35.0, 0.0, 288.6419),
        (28, 2, 45.0, 35.0, 2.5, 287.3919),
        (28, 3, 45.0, 35.0, 0.0, 297.8711),
        (28, 0, 45.0, 35.0, 0.0, 279.6985),
        (28, 2, 45.0, 36.0, 0.0, 288.7648),
        (28, 2, 45.0, 18.0, 0.0, 287.0769),
        (32, 3, 58.0, 35.0, 2.6, 290.9453),
        (36, 3, 58.0, 35.0, 2.6, 287.4317),
    ],
)
def test_lengths_on_a_600_mm_rim_agree_by_formula_and_by_vectors(
    spokes: int, crosses: int, circle: float, offset: float, hole: float, length: float
) -> None:
    """Worked values (calculated), and |rim point - hub hole| of three-dimensional coordinates must say the same."""
    angle = geometry.crossing_angle_deg(spokes, crosses)
    assert geometry.spoke_length_mm(600.0, circle, offset, angle, hole) == pytest.approx(length, abs=6e-5)
    flange = {"hole_circle_diameter_mm": circle, "flange_to_centre_mm": offset, "hole_mm": hole}
    build = build_of(
        {
            "wheel": {
                "spokes": spokes,
                "crosses": crosses,
                "rim_seat_diameter_mm": 600.0,
                "hub": {"left": flange, "right": flange},
            },
            "spoke": {"hub_end": "head"},
        }
    )
    by_vectors = geometry.bearing_lengths_mm(build.wheel)
    assert by_vectors == pytest.approx(np.full(spokes, length), abs=6e-5)


def test_thread_of_56_turns_an_inch_moves_as_the_tables_say() -> None:
    """25.4/56 = 0.453571 mm; an eighth turn 0.056696 mm; 7.937 degrees for 0.01 mm (calculated).

    DIN 79012 lists a pitch of 0.454 mm for all three spoke threads (a public table, read).
    """
    pitch = build_of({}).spoke.thread_pitch_mm
    assert pitch == pytest.approx(25.4 / 56, rel=1e-4)
    assert round(pitch, 3) == 0.454
    assert pitch / 8 == pytest.approx(0.056696, abs=1e-5)
    assert 360.0 * 0.01 / pitch == pytest.approx(7.937, abs=2e-3)


@pytest.mark.parametrize(
    ("text", "newton"),
    [
        ("80 kgf", 784.532),
        ("90 kgf", 882.599),
        ("100 kgf", 980.665),
        ("120 kgf", 1176.798),
        ("150 kgf", 1470.998),
        ("1 lbf", 4.4482216152605),
    ],
)
def test_forces_typed_in_other_units_come_out_in_newtons(text: str, newton: float) -> None:
    """Standard gravity 9.80665 m/s2 and the pound-force, exact by definition."""
    assert parse_force_N(text) == pytest.approx(newton, abs=6e-4)  # printed to 0.001 N
    assert KGF_N == 9.80665


def test_a_build_takes_a_target_typed_in_kgf() -> None:
    assert build_of({"tension": {"target_N": "100 kgf"}}).tension.target_N == pytest.approx(980.665, abs=1e-9)


def test_fibre_area_follows_from_linear_density() -> None:
    """6 g/m over 970 kg/m3 is 6.186 mm2, more than the 4.909 mm2 of a 2.5 mm circle (calculated)."""
    assert fibre_area_mm2(6.0) == pytest.approx(6.186, abs=5e-4)
    assert geometry.circle_mm2(2.5) == pytest.approx(4.909, abs=5e-4)
    assert build_of({"spoke": {"diameter_mm": 2.5}}).spoke.linear_density_g_per_m == pytest.approx(3.57, abs=5e-3)


def test_mass_of_a_set_against_light_steel_is_the_trades_figure() -> None:
    """2.5 g against 4.79 g a spoke (common practice, no source): 28 spokes save 64.1 g, a ratio of 1.916."""
    mass = build_of({}).spoke.mass_g
    assert 28 * (STEEL_SPOKE_G - mass) == pytest.approx(64.1, abs=0.05)
    assert STEEL_SPOKE_G / mass == pytest.approx(1.916, abs=5e-4)
