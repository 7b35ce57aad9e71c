"""A calibration goes into the frame file, and nothing else of it changes."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path

import pytest

from bench.frameedit import with_calibration
from bench.framefile import frame_from_text
from models.errors import InputError

DEMO = (Path(__file__).parents[2] / "datasets" / "demo" / "frame.toml").read_text(encoding="utf-8")
CELL = {"serial": 'X"1', "calibrated_on": date(2026, 3, 1), "uncertainty_percent": 0.25, "zero_N": -1.5, "span": 1.01}


def test_only_the_named_stations_cell_changes_and_what_it_had_besides_stays() -> None:
    new = with_calibration(DEMO, "B", {"cell": CELL}, "frame.toml")
    was, now = DEMO.splitlines(), new.splitlines()
    (changed,) = [i for i, (a, b) in enumerate(zip(was, now, strict=True)) if a != b]
    assert was[changed - 1] == 'name = "B"'
    station = next(s for s in tomllib.loads(new)["station"] if s["name"] == "B")
    assert station["cell"] == {**CELL, "range_N": 2500}
    file = frame_from_text(new, Path("frame.toml"))
    assert file.zero_N == (0.0, -1.5, 0.0, 0.0) and file.span[1] == 1.01
    assert file.facts.stations[1].cell_calibrated_on == "2026-03-01"


def test_a_compliance_is_added_to_one_station_and_found_again() -> None:
    once = with_calibration(DEMO, "D", {"frame_compliance_mm_per_N": 3.7e-4}, "frame.toml")
    again = with_calibration(once, "D", {"frame_compliance_mm_per_N": 3.9e-4}, "frame.toml")
    assert len(again.splitlines()) == len(once.splitlines()) == len(DEMO.splitlines()) + 1
    stations = frame_from_text(again, Path("f")).facts.stations
    assert [s.frame_compliance_mm_per_N for s in stations] == [4e-4, 4e-4, 4e-4, 3.9e-4]


def test_a_cell_that_was_stated_for_every_station_is_copied_before_it_is_changed() -> None:
    lines = [x for x in DEMO.splitlines() if not x.startswith("cell = {")]
    text = "\n".join(lines).replace("[every_station]", "[every_station]\ncell = { range_N = 2600, serial = 'ALL' }")
    new = with_calibration(text, "A", {"cell": {"zero_N": 2.0}}, "frame.toml")
    facts = frame_from_text(new, Path("f")).facts
    assert facts.stations[0].cell_range_N == facts.stations[1].cell_range_N == 2600
    assert facts.stations[0].cell_serial == "ALL"


@pytest.mark.parametrize(
    "text",
    [
        DEMO.replace('name = "B"\ncell = {', 'name = "B"\ncell.range_N = 2500 # {'),
        DEMO.replace('[[station]]\nname = "B"\ncell', '[[station]]\nname = "B"\n[station.cell]\n#'),
    ],
    ids=["key by key", "a table of its own"],
)
def test_a_file_written_in_another_way_is_left_alone_and_said(text: str) -> None:
    assert frame_from_text(text, Path("f")).facts.stations[1].name == "B"
    with pytest.raises(InputError, match="put it in by hand"):
        with_calibration(text, "B", {"cell": CELL}, "frame.toml")
