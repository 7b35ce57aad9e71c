"""The build file: every key has a default, and what is impossible is refused in one plain message."""

from __future__ import annotations

import json
from datetime import datetime, time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import InputError
from planner.build import Build, build_of, load_build

DEMO = Path(__file__).parents[2] / "datasets" / "demo" / "build.toml"

# as in the documentation of the file
DOCUMENTED = """
name = "28 hole front"
[wheel]
spokes = 28
crosses = 2
rim_seat_diameter_mm = 598.0
first_spoke = "leading"
seating_mm = 0.02
seating_sd_mm = 0.01
[wheel.rim]
max_tension_N = 1300
material = "aluminium"
mass_g = 480
depth_mm = 25
width_mm = 30
area_mm2 = 85.0
youngs_modulus_MPa = 69000
shear_modulus_MPa = 26000
in_plane_inertia_mm4 = 2100.0
out_of_plane_inertia_mm4 = 8400.0
torsion_constant_mm4 = 2600.0
expansion_per_K = 23e-6
[wheel.hub]
left  = { hole_circle_diameter_mm = 45.0, flange_to_centre_mm = 35.0, hole_mm = 2.6 }
right = { hole_circle_diameter_mm = 45.0, flange_to_centre_mm = 35.0, hole_mm = 2.6 }
max_tension_N = 1500
[wheel.tyre]
pressure_kPa = 700
width_mm = 28
[spoke]
fibre_length_mm = 285.0
linear_density_g_per_m = 4.2
diameter_mm = 2.7
hub_end = "loop"
mass_g = 2.5
break_load_N = 2700
max_fraction_of_break_bench = 0.6
max_fraction_of_break_wheel = 0.48
thread_pitch_mm = 0.4536
thread_length_mm = 12.0
sizes_mm = [280, 282, 284, 286]
[tension]
target_N = 981
tolerance_percent = 7
balance_percent = 8
probability = 0.9
settled_percent = 3
delivery_h = 48
horizon_h = 720
reading_repeat_percent = 1.0
reading_bias_percent = 0.0
[shop]
temperature_C = 20
stations = 4
spokes_per_station = 1
mount_min_per_spoke = 3
slack_h = 0.5
lacing_tension_N = 100
laced_h = 11.5
set_session_h = 1.0
set_profile = [[0.30, 0.2], [0.60, 0.2], [0.85, 0.2]]
pass_session_h = 0.5
pass_interval_h = 14
max_bench_load_N = 1600
max_bench_h = 16
bench_temperature_C = 20
work_start = "09:00"
work_end = "18:00"
overnight_bench = true
stress_relief = { squeezes = 2, peak_fraction = 1.25, seconds = 3 }
[use]
hottest_C = 60
hottest_h = 4
[order]
wheels = 2
start = "2025-03-03"
due = 2025-03-14T18:00:00
days_off = ["Sunday", "2025-03-10"]
"""


KEYS = ["wheel", "spokes", "rim", "hub", "left", "crosses", "spoke", "tension", "target_N", "shop", "order", "due", "x"]


def refusal(content: dict[str, Any]) -> str:
    with pytest.raises(InputError) as caught:
        build_of(content, "front.toml")
    text = str(caught.value)
    assert text.startswith("front.toml: ")
    assert "\n" not in text
    return text


def test_the_documented_file_is_read_as_it_stands(tmp_path: Path) -> None:
    path = tmp_path / "BUILD.toml"
    path.write_text(DOCUMENTED)
    build = load_build(path)
    assert build.wheel.crosses.right == 2
    assert build.wheel.rim.in_plane_inertia_mm4 == 2100.0
    assert build.wheel.tyre is not None and build.wheel.tyre.width_mm == 28
    assert build.spoke.sizes_mm == (280, 282, 284, 286)
    assert build.shop.set_profile == ((0.30, 0.2), (0.60, 0.2), (0.85, 0.2))
    assert build.shop.bench_temperature_C == (20.0,)
    assert (build.shop.work_start, build.shop.work_end) == (time(9), time(18))
    assert build.use is not None and build.use.hottest_C == 60
    assert build.order.due == datetime(2025, 3, 14, 18)
    assert build.bench_limit_N() == 1600.0
    assert build.wheel_limits_N()["spoke"][0] == pytest.approx(1296.0)


def test_the_documented_values_are_the_defaults(tmp_path: Path) -> None:
    path = tmp_path / "BUILD.toml"
    path.write_text(DOCUMENTED)
    said, bare = load_build(path), build_of({})
    for table in ("tension", "shop"):
        assert getattr(said, table).model_dump() == getattr(bare, table).model_dump()
    for key in ("linear_density_g_per_m", "mass_g", "break_load_N", "thread_pitch_mm", "thread_length_mm"):
        assert getattr(said.spoke, key) == getattr(bare.spoke, key)
    assert said.wheel.hub.model_dump() == bare.wheel.hub.model_dump()


def test_the_invented_demo_wheel_is_whole_and_marked_invented() -> None:
    build = load_build(DEMO)
    assert "invented" in build.name
    assert build.tension.target_N == pytest.approx(980.665)
    assert build.wheel.spokes == 28


def test_a_file_with_an_empty_wheel_table_alone_is_a_build_with_notes(tmp_path: Path) -> None:
    path = tmp_path / "BUILD.toml"
    path.write_text("[wheel]\n")
    build = load_build(path)
    assert build.spoke.fibre_length_mm == pytest.approx(0.99 * 287.6, abs=0.2)
    notes = " / ".join(build.notes())
    for assumed in ("rim limit", "hub limit", "break load", "fibre length", "linear density", "rim stiffness"):
        assert assumed in notes


def test_what_is_said_is_not_noted_as_assumed() -> None:
    build = build_of({"wheel": {"rim": {"max_tension_N": 1300}}, "spoke": {"break_load_N": 2700}})
    notes = " / ".join(build.notes())
    assert "rim limit" not in notes
    assert "break load not given" not in notes


def test_a_build_survives_the_way_through_json() -> None:
    build = load_build(DEMO)
    again = build_of(json.loads(json.dumps(build.as_dict())))
    assert again == build
    assert again.notes() == build.notes()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ({"whel": {}}, ["'whel'", "'wheel'"]),
        ({"wheel": {"rim": {"mass": 480}}}, ["wheel.rim.mass", "mass_g"]),
        ({"wheel": {"crosses": {"left": 2, "rihgt": 1}}}, ["wheel.crosses.rihgt", "right"]),
        ({"shop": {"stress_relief": {"squeeze": 2}}}, ["shop.stress_relief.squeeze", "squeezes"]),
        ({"wheel": {"spokes": 28, "crosses": 4}}, ["102.9 degrees", "over 90", "at most 3"]),
        ({"wheel": {"spokes": 18, "crosses": 2}}, ["9 spokes a side are odd", "radial"]),
        ({"wheel": {"spokes": 22, "crosses": {"left": 0, "right": 1}}}, ["crosses = 1", "right side", "odd"]),
        ({"wheel": {"spokes": 27}}, ["even"]),
        ({"wheel": {"spokes": 28.5}}, ["wheel.spokes", "whole number"]),
        ({"wheel": {"spokes": "28"}}, ["wheel.spokes", "whole number"]),
        (
            {"wheel": {"rim_seat_diameter_mm": 160.0, "hub": {"left": {"hole_circle_diameter_mm": 170.0}}}},
            ["rim_seat_diameter_mm", "not larger"],
        ),
        ({"wheel": {"rim_seat_diameter_mm": 59.8}}, ["150", "1000 mm"]),
        ({"wheel": {"hub": {"left": {"flange_to_centre_mm": -3}}}}, ["wheel.hub.left.flange_to_centre_mm", "negative"]),
        ({"wheel": {"hub": {"left": {"hole_circle_diameter_mm": True}}}}, ["plain number in mm"]),
        ({"wheel": {"rim": {"material": "steel"}}}, ["'aluminium' or 'carbon'"]),
        ({"wheel": {"tyre": {"pressure_kPa": 7, "width_mm": 28}}}, ["kPa (1 bar is 100 kPa)"]),
        ({"wheel": {"tyre": {"pressure_kPa": 700}}}, ["wheel.tyre.width_mm", "missing"]),
        ({"wheel": 3}, ["'wheel'", "table"]),
        ({"tension": {"target_N": "100 kg"}}, ["tension.target_N", "100 kgf"]),
        ({"tension": {"target_N": 100}}, ["10.2 kgf", '"100 kgf"']),
        ({"tension": {"target_N": 1400}}, ["1400 N is over", "wheel.rim.max_tension_N = 1300"]),
        ({"tension": {"target_N": 1250}, "wheel": {"hub": {"max_tension_N": "120 kgf"}}}, ["wheel.hub.max_tension_N"]),
        ({"tension": {"target_N": 1100}, "spoke": {"break_load_N": 2200}}, ["max_fraction_of_break_wheel", "1056"]),
        ({"tension": {"probability": 1.0}}, ["probability", "between 0 and 1"]),
        ({"tension": {"probability": 0}}, ["probability", "between 0 and 1"]),
        ({"tension": {"delivery_h": 800}}, ["horizon_h", "after"]),
        ({"tension": {"delivery_h": 0.5}}, ["delivery_h", "set session"]),
        ({"shop": {"slack_h": -0.5}}, ["shop.slack_h", "negative"]),
        ({"shop": {"pass_interval_h": -14}}, ["shop.pass_interval_h", "negative"]),
        ({"shop": {"set_session_h": 0.5}}, ["set_profile", "set_session_h"]),
        ({"shop": {"set_profile": [[1.3, 0.2]]}}, ["shop.set_profile[1][1]", "share"]),
        ({"shop": {"work_start": "9 am"}}, ["shop.work_start", '"09:00"']),
        ({"shop": {"work_start": "19:00"}}, ["work_end", "after"]),
        ({"shop": {"work_start": "17:30"}}, ["set_session_h = 1", "does not fit", "work_end = 18:00"]),
        ({"shop": {"set_profile": [0.3]}}, ["shop.set_profile", "pairs of share and hours"]),
        ({"wheel": {"crosses": 2.5}}, ["wheel.crosses", "whole number from 0 (radial) to 4"]),
        ({"wheel": {"crosses": "two"}}, ["wheel.crosses", "whole number from 0 (radial) to 4"]),
        ({"shop": {"bench_temperature_C": [20, 95]}}, ["shop.bench_temperature_C[2]", "70 degC"]),
        ({"shop": {"bench_temperature_C": []}}, ["shop.bench_temperature_C"]),
        ({"shop": {"overnight_bench": "yes"}}, ["true or false"]),
        ({"shop": {"lacing_tension_N": 1200}}, ["lacing_tension_N", "over tension.target_N"]),
        ({"spoke": {"fibre_length_mm": 320.0}}, ["fibre_length_mm", "longer"]),
        ({"spoke": {"sizes_mm": [280, "282 mm"]}}, ["spoke.sizes_mm[2]", "plain number"]),
        ({"spoke": {"linear_density_g_per_m": 6.0, "diameter_mm": 2.5}}, ["6.19 mm2", "diameter_mm = 2.5", "0.9"]),
        (
            {"spoke": {"linear_density_g_per_m": 6.0}, "wheel": {"hub": {"right": {"hole_mm": 2.6}}}},
            ["wheel.hub.right.hole_mm = 2.6", "cannot pass"],
        ),
        ({"order": {"start": "2025-03-14", "due": "2025-03-03"}}, ["due", "after start"]),
        ({"order": {"days_off": ["Sun"]}}, ["order.days_off", "Sunday"]),
        ({"wheel": {"rim_test": {"position": 3, "change_N": [1.0, 2.0]}}}, ["change_N holds 28 numbers"]),
        ({"wheel": {"rim": {"mass_g": float("nan")}}}, ["wheel.rim.mass_g"]),
        ({"tension": {"target_N": float("inf")}}, ["tension.target_N"]),
    ],
)
def test_what_cannot_be_is_refused_in_one_message_that_names_file_and_key(
    content: dict[str, Any], words: list[str]
) -> None:
    text = refusal(content)
    for word in words:
        assert word in text


def test_cold_nights_slow_what_stands_in_the_room() -> None:
    assert build_of({"shop": {"temperature_C": 22}}).shop.standing_C == 22.0
    # 9 h at 20 degC and 15 h at 10 degC: by hand, exp(-100e3/8.3145 (1/283.15 - 1/293.15)) = 0.235 of the rate by night,
    # 0.522 of it all day, which is the rate of 15.4 degC
    cold = build_of({"shop": {"temperature_C": 20, "night_temperature_C": 10}}).shop
    assert cold.standing_C == pytest.approx(15.4, abs=0.05)
    assert build_of({"shop": {"night_temperature_C": 25}}).shop.standing_C > 22.0
    assert "shop.night_temperature_C" in refusal({"shop": {"night_temperature_C": 90}})


def test_a_head_needs_no_room_for_a_loop_in_its_hole() -> None:
    hub = {"right": {"hole_mm": 2.6}, "left": {"hole_mm": 2.6}}
    heavy = {"linear_density_g_per_m": 6.0, "hub_end": "head"}
    assert build_of({"spoke": heavy, "wheel": {"hub": hub}}).spoke.hub_end == "head"


def test_a_braid_merely_wider_than_the_hole_is_a_note() -> None:
    build = build_of(
        {"spoke": {"linear_density_g_per_m": 4.2, "diameter_mm": 2.7}, "wheel": {"hub": {"left": {"hole_mm": 2.6}}}}
    )
    assert any("wider than the left hub hole" in note for note in build.notes())


def test_a_squeeze_over_a_limit_is_a_note_that_says_how_far_to_squeeze() -> None:
    build = build_of({"tension": {"target_N": 1250}})
    note = next(n for n in build.notes() if "squeeze" in n)
    assert "1328 N" in note
    assert "at most 1.22" in note


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"[wheel]\nspokes = \n", ["line 2"]),
        (b"\x89HDF\r\n\x1a\n\x00\x01\x02\xff\xfe", ["not a text file"]),
        (b"a\x00b", ["not a text file"]),
        (b"[wheel]\nspokes = 28\nspokes = 32\n", ["line 3"]),
        (b"due = 2025-13-45\n", ["not TOML"]),
    ],
)
def test_a_file_that_is_no_toml_is_refused_with_its_line(tmp_path: Path, content: bytes, words: list[str]) -> None:
    path = tmp_path / "BUILD.toml"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        load_build(path)
    for word in [str(path), "build file", *words]:
        assert word in str(caught.value)


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        load_build(tmp_path / "none.toml")
    with pytest.raises(InputError, match="is a folder"):
        load_build(tmp_path)


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.dates() | st.datetimes(),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=4),
        max_leaves=12,
    )
)
@settings(max_examples=150, deadline=None)
def test_no_content_at_all_gives_anything_but_a_build_or_one_message(content: Any) -> None:
    try:
        build = build_of(content if isinstance(content, dict) else {"wheel": content}, "f.toml")
    except InputError as error:
        assert str(error).startswith("f.toml: ")
    else:
        assert isinstance(build, Build)
