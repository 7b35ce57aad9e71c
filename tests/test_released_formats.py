"""Every file of every released version is still read, and says what it said."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from bench.framefile import read_frame_file
from bench.program import read_program
from bench.runfile import is_sealed, read_run, read_table
from models.batch import Batch
from models.gauge import Gauge
from planner.build import load_build
from planner.schedule import schedule_of
from tui.cli import run
from tui.commands.retension import turned_by
from tui.orders import read_orders
from tui.readings import read_readings
from tui.tables import read_csv
from tui.wheelfile import read_record

FOLDER = Path(__file__).parents[1] / "datasets" / "formats"
VERSIONS = sorted(p for p in FOLDER.iterdir() if p.is_dir() and not p.name.startswith("_"))


@pytest.fixture(params=VERSIONS, ids=lambda p: p.name)
def sample(request: pytest.FixtureRequest) -> Path:
    return request.param  # type: ignore[no-any-return]


def test_there_are_samples_of_the_present_version() -> None:
    from importlib.metadata import version

    assert version("longhold") in [p.name for p in VERSIONS]


def test_files_that_people_wrote(sample: Path) -> None:
    assert load_build(sample / "build.toml").wheel.spokes == 28
    assert [s.name for s in read_frame_file(sample / "frame.toml").facts.stations] == ["A", "B", "C", "D"]
    program = read_program(sample / "program.toml")
    assert [label for _, label in program.spokes] == ["S1-01", "S1-02"]
    assert max(s.load_N for s in program.steps) == 1500.0
    assert len(read_readings(sample / "readings.csv", 28)[""].tension_N or ()) == 28
    assert len(read_readings(sample / "gauged.csv", 28)[""].reading or ()) == 28
    assert [o.name for o in read_orders(sample / "orders.toml", None, now=datetime(2026, 3, 2, tzinfo=UTC))] == [
        "front",
        "build",
    ]
    assert list(read_csv(sample / "history.csv")["load_N"])[:2] == [1500, 1500]


def test_a_run_and_what_was_exported_of_it(sample: Path) -> None:
    assert is_sealed(sample / "run.h5")
    table = read_table(sample / "run.h5")
    exported = read_csv(sample / "run.csv")
    assert set(table["spoke"]) == {"S1-01", "S1-02"}
    assert len(table) == len(exported) > 1000
    assert np.abs(table["load_N"].to_numpy() - exported["load_N"].to_numpy()).max() < 0.06
    assert table["load_N"].max() == pytest.approx(1500.0, rel=0.01)
    found = read_run(sample / "run.h5")
    assert found.meta.ended == "finished"
    assert read_program(sample / "program.toml").text == found.meta.program_text


def test_a_run_that_was_cut_off_is_read_from_its_journal_alone(sample: Path, tmp_path: Path) -> None:
    shutil.copyfile(sample / "cut-off.h5.journal", tmp_path / "cut-off.h5.journal")
    cut = read_run(tmp_path / "cut-off.h5")
    whole = read_run(sample / "run.h5")
    assert cut.meta.ended is None
    rows = cut.stations["A"].columns["load"]
    assert 100 < rows.size < whole.stations["A"].columns["load"].size
    assert np.array_equal(rows, whole.stations["A"].columns["load"][: rows.size]), "the same night, as far as it got"


def test_a_batch_a_gauge_and_a_schedule(sample: Path) -> None:
    batch = Batch.from_dict(json.loads((sample / "batch.json").read_text()))
    assert 3e5 < batch.chain.EA0_N < 6e5
    assert batch.covers["load_N"][1] == pytest.approx(1500.0, rel=0.01)
    gauge = Gauge.from_dict(json.loads((sample / "gauge.json").read_text()))
    assert float(gauge.tension_N(25.0)[0]) == pytest.approx(1000.0, rel=0.01)
    schedule = schedule_of(json.loads((sample / "schedule.json").read_text())["steps"], 20.0)
    assert schedule.deliver.at_h == 48.0


def test_a_wheels_record_and_the_answer_for_its_next_pass(sample: Path, tmp_path: Path) -> None:
    record, _ = read_record(sample / "wheel.json")
    assert record.name == "28 hole front (invented demo)"
    assert [e.kind for e in record.entries][-3:] == ["stretched", "laced", "session"]
    turned, turns = turned_by(sample / "answer.json", 28)
    assert len(turns) == 28 and turned.before_N.shape == (28,)
    shutil.copyfile(sample / "wheel.json", tmp_path / "wheel.json")
    noted = ["wheel", "note", str(tmp_path / "wheel.json"), "delivered"]
    assert run([*noted, "--at", "2026-03-05T10:00Z", "--now", "2026-03-05T12:00Z"]) == 0, "and it can be gone on with"
    assert len(read_record(tmp_path / "wheel.json")[0].entries) == len(record.entries) + 1
