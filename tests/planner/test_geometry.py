"""Sides, leans and hub holes."""

from __future__ import annotations

import numpy as np
import pytest

from planner import geometry
from planner.build import build_of


def test_odd_positions_stand_on_the_left_flange() -> None:
    assert geometry.sides(8).tolist() == [0, 1, 0, 1, 0, 1, 0, 1]
    holes = geometry.hub_holes_mm(build_of({}).wheel)
    assert (holes[0::2, 2] < 0).all() and (holes[1::2, 2] > 0).all()


def test_a_leading_spoke_runs_forward_from_hub_to_rim() -> None:
    """Forward is the direction of rising positions: clockwise seen from the right, as the wheel rolls."""
    leading = geometry.directions_local(build_of({"wheel": {"first_spoke": "leading"}}).wheel)
    trailing = geometry.directions_local(build_of({"wheel": {"first_spoke": "trailing"}}).wheel)
    assert leading[0, 1] > 0 > trailing[0, 1]
    assert leading[:, [0, 2]] == pytest.approx(trailing[:, [0, 2]])


@pytest.mark.parametrize(("spokes", "crosses"), [(28, 2), (28, 3), (32, 3), (20, 2), (24, 1), (36, 3)])
def test_hub_holes_are_evenly_spaced_on_each_flange(spokes: int, crosses: int) -> None:
    holes = geometry.hub_holes_mm(build_of({"wheel": {"spokes": spokes, "crosses": crosses}}).wheel)
    for side in (0, 1):
        angle = np.sort(np.degrees(np.arctan2(holes[side::2, 1], holes[side::2, 0])) % 360.0)
        assert np.diff(angle) == pytest.approx(np.full(spokes // 2 - 1, 720.0 / spokes), abs=1e-9)


def test_directions_are_unit_vectors_along_the_chord() -> None:
    table = build_of({"wheel": {"crosses": {"left": 3, "right": 1}}}).wheel
    d = geometry.directions_local(table)
    assert np.linalg.norm(d, axis=1) == pytest.approx(np.ones(28))
    L = geometry.chords_mm(table)
    assert L[0] > L[1]  # three crosses are the longer way
    assert d[0, 2] * L[0] == pytest.approx(35.0)  # the left spoke runs rightwards to the rim's plane
    assert d[1, 2] * L[1] == pytest.approx(-35.0)


def test_spokes_leave_the_faces_of_a_thick_flange() -> None:
    def z(leave: str) -> np.ndarray:
        flange = {"flange_mm": 4.0, "leave": leave, "flange_to_centre_mm": 30.0}
        return geometry.hub_holes_mm(build_of({"wheel": {"hub": {"left": flange, "right": flange}}}).wheel)[:, 2]

    assert np.abs(z("outside")) == pytest.approx(np.full(28, 32.0))
    assert np.abs(z("inside")) == pytest.approx(np.full(28, 28.0))
    alternate = np.abs(z("alternate"))[::2]
    assert alternate.tolist() == [28.0, 32.0] * 7  # position 1 leads, and leads leave inside


def test_a_straight_pull_hub_takes_nothing_off_for_a_hole_and_may_state_its_angle() -> None:
    flange = {"anchoring": "straight-pull", "spoke_angle_deg": 70.0}
    wheel = build_of({"wheel": {"hub": {"left": flange, "right": {}}}}).wheel
    bearing, chord = geometry.bearing_lengths_mm(wheel), geometry.chords_mm(wheel)
    assert bearing[0] == chord[0]
    assert bearing[1] == pytest.approx(chord[1] - 1.3)
    assert chord[0] == pytest.approx(geometry.spoke_length_mm(598.0, 45.0, 35.0, 70.0))


def test_offset_rim_holes_shorten_the_way_to_their_own_flange() -> None:
    plain = geometry.chords_mm(build_of({}).wheel)
    offset = geometry.chords_mm(build_of({"wheel": {"rim": {"hole_offset_mm": 3.0}}}).wheel)
    assert (offset < plain).all()
