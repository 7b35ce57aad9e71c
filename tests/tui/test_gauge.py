"""`longhold gauge`: from a table of readings to a record, from a record to tension, and plain words for bad input."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader

from planner.build import load_build
from planner.wheel import wheel_of
from tests.models.test_gauge import FRAME_N_PER_MM, invented
from tui.cli import run
from tui.gaugetable import round_step

DATA = Path(__file__).parents[2] / "datasets" / "demo"


def write_table(path, readings) -> None:
    rows = ["load_before_N,load_N,reading,direction,series,remark"]
    rows += [
        f"{b:.1f},{t:.1f},{r:.2f},{'up' if up else 'down'},{s},fine"
        for b, t, r, up, s in zip(
            readings.load_before_N, readings.load_N, readings.reading, readings.rising, readings.series, strict=True
        )
    ]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


@pytest.fixture
def table(tmp_path):
    path = tmp_path / "readings.csv"
    write_table(path, invented(np.random.default_rng(1), sd=0.05, step=0.1))
    return path


@pytest.fixture
def record(table, tmp_path, capsys):
    out = tmp_path / "gauge.json"
    argv = ["gauge", "calibrate", str(table), "--unit", "div", "--out", str(out), "--batch", "K07"]
    argv += ["--spoke-stiffness-N-per-mm", str(FRAME_N_PER_MM), "--made-on", "2026-03-14"]
    assert run(argv) == 0
    capsys.readouterr()
    return out


def test_calibrating_prints_a_record_and_a_table_and_writes_the_agreed_keys(table, tmp_path, capsys):
    out = tmp_path / "gauge.json"
    assert run(["gauge", "calibrate", str(table), "--unit", "div", "--out", str(out), "--batch", "K07"]) == 0
    said = capsys.readouterr()
    assert "not a certificate" in said.out and "ISO 7500-1" in said.out and "kgf" in said.out
    record = json.loads(out.read_text())
    for key in ("reading_unit", "direction", "points", "coefficients", "range_N", "path_mm", "U_percent"):
        assert key in record
    assert record["spoke_batch"] == "K07" and record["path_mm"] is None and len(record["made_on"]) == 10
    assert 0.5 < record["U_percent"] < 5.0
    assert "path_mm is not known" in said.out


def test_json_is_alone_on_stdout_and_equals_the_file(table, tmp_path, capsys):
    out = tmp_path / "gauge.json"
    assert run(["gauge", "calibrate", str(table), "--unit", "div", "--out", str(out), "--json"]) == 0
    said = capsys.readouterr()
    assert json.loads(said.out) == json.loads(out.read_text())
    assert said.err == ""


def test_a_record_is_not_replaced_without_force(record, table, capsys):
    before = record.read_bytes()
    argv = ["gauge", "calibrate", str(table), "--unit", "mm", "--out", str(record)]
    assert run(argv) == 2
    assert "--force" in capsys.readouterr().err
    assert record.read_bytes() == before
    assert run([*argv, "--force"]) == 0
    assert json.loads(record.read_text())["reading_unit"] == "mm"


def test_reading_gives_the_tension_under_the_gauge_and_without_it(record, capsys):
    argv = ["gauge", "read", str(record), "--reading", "25", "--wheel-stiffness-N-per-mm", "250", "--json"]
    assert run(argv) == 0
    row = json.loads(capsys.readouterr().out)["results"][0]
    assert row["tension_under_gauge_N"] - row["tension_N"] == pytest.approx(0.03 * 250, rel=0.02)
    assert row["U_N"] > 0
    assert run(["gauge", "read", str(record), "--reading", "25"]) == 0
    said = capsys.readouterr()
    assert "under the gauge" in said.out and "--wheel-stiffness-N-per-mm" in said.err


def test_a_tension_typed_in_kgf_gives_the_reading_back(record, capsys):
    assert run(["gauge", "read", str(record), "--tension", "100 kgf", "--json"]) == 0
    there = json.loads(capsys.readouterr().out)["results"][0]
    assert there["tension_under_gauge_N"] == pytest.approx(980.665, abs=1e-3)
    assert run(["gauge", "read", str(record), "--reading", str(there["reading"]), "--json"]) == 0
    back = json.loads(capsys.readouterr().out)["results"][0]
    assert back["tension_under_gauge_N"] == pytest.approx(980.665, abs=1e-3)


def test_without_a_question_the_whole_table_is_printed(record, capsys):
    assert run(["gauge", "read", str(record), "--table-step-N", "200"]) == 0
    wanted, seen = capsys.readouterr().out.split("\n\n")
    rows = [line.split() for line in wanted.splitlines()[2:]]
    assert [r[0] for r in rows] == ["400", "600", "800", "1000", "1200", "1400"]
    back = [[float(cell) for cell in line.split()] for line in seen.splitlines()[2:]]
    assert len(back) >= 8 and all(round(r[0]) == r[0] for r in back), "round readings"
    for tension, reading in ((float(r[0]), float(r[2])) for r in rows[1:-1]):  # the same curve, read the other way
        assert np.interp(reading, [b[0] for b in back], [b[1] for b in back]) == pytest.approx(tension, abs=3.0)
    readings = [float(r[2]) for r in rows]
    assert readings == sorted(readings)
    assert run(["gauge", "read", str(record), "--wheel-stiffness-N-per-mm", "250", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert all(row["U_percent"] > 0 for row in answer["table"])
    assert all(row["U_N"] > 0 for row in answer["by_reading"])


def test_with_a_build_the_gauges_load_is_taken_off_by_that_wheels_own_stiffness(record, capsys):
    build = DATA / "build.toml"
    assert run(["gauge", "read", str(record), "--reading", "25", "--build", str(build), "--json"]) == 0
    said = capsys.readouterr()
    answer = json.loads(said.out)
    wheel = wheel_of(load_build(build))
    targets = np.array(wheel.side_targets_N())[wheel.side]
    each = [float(wheel.local_stiffness_N_per_mm(i, targets)) for i in range(wheel.n)]
    assert answer["wheel_stiffness_N_per_mm"] == pytest.approx(np.mean(each), rel=1e-9)
    assert 250.0 < np.mean(each) < float(np.mean(wheel.stiffness_N_per_mm())), (
        "the rim gives: softer than the spoke alone"
    )
    assert "N/mm at its spokes" in said.err
    row = answer["results"][0]
    off = row["tension_under_gauge_N"] - row["tension_N"]
    assert off == pytest.approx(answer["path_mm"] * answer["wheel_stiffness_N_per_mm"], rel=1e-9)
    both = ["--build", str(build), "--wheel-stiffness-N-per-mm", "250"]
    assert run(["gauge", "read", str(record), "--reading", "25", *both]) == 2
    assert "give either" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("low", "high", "parts", "step"),
    [(458, 1256, (1, 2, 2.5, 5), 50), (300, 700, (1, 2, 2.5, 5), 20), (13.3, 26.9, (1, 2, 5), 1), (0.8, 1.1, (1, 2, 5), 0.02)],
)  # fmt: skip
def test_a_table_has_at_most_twenty_rows_of_round_numbers(low, high, parts, step):
    assert round_step(high - low, parts) == pytest.approx(step)
    assert 8 <= (high - low) / step <= 20


def test_a_rehearsals_table_is_marked_as_invented(record, capsys, tmp_path):
    content = json.loads(record.read_text()) | {"invented": True}
    record.write_text(json.dumps(content))
    assert run(["gauge", "read", str(record), "--pdf", str(tmp_path / "g.pdf")]) == 0
    assert capsys.readouterr().out.startswith("INVENTED")
    page = PdfReader(tmp_path / "g.pdf").pages[0].extract_text()
    assert "DEMO: invented data" in page


@pytest.mark.parametrize(
    "question, word",
    [
        (["--reading", "5"], "gauge.json: reading 5 div is off the gauge's curve"),
        (["--reading", "many"], "a number is needed"),
        (["--tension", "50"], "gauge.json: 50.0 N under the gauge is outside its curve"),
        (["--tension", "ten"], "not a force"),
        (["--reading", "25", "--wheel-stiffness-N-per-mm", "-1"], "stiffness"),
        (["--table-step-N", "0"], "step"),
    ],
)
def test_a_question_that_the_record_cannot_answer_is_refused_in_one_line(record, question, word, capsys):
    assert run(["gauge", "read", str(record), *question]) == 2
    said = capsys.readouterr()
    assert word in said.err and said.err.count("\n") == 1 and said.out == ""


@pytest.mark.parametrize(
    "content, word",
    [
        ("", "empty"),
        ("load_N,dial\n1,2\n", "column 'reading' is missing"),
        ("load_N,reading\n", "no readings"),
        ("load_N,reading\n300,12\n500,x\n", "line 3: reading is 'x'"),
        ("load_N,reading\n300,12\n500,\n", "line 3: reading is ''"),
        ("load_N,reading\n300,12\n500,nan\n", "line 3: reading is 'nan'"),
        ("load_N,reading\n-300,12\n", "line 2: load_N is -300"),
        ("load_N,reading,direction\n300,12,sideways\n", "line 2: direction is 'sideways'"),
        ("load_N,reading,reading\n300,12,13\n", "twice"),
        ("load_N,reading\n300,12\n500,16\n700,20\n", "at least 4 loads"),
        ('load_N,reading\n300,"12\n', "line 2: unexpected end of data; is a quote left open?"),
    ],
)
def test_a_bad_table_is_refused_by_file_and_line_and_nothing_is_written(tmp_path, content, word, capsys):
    path, out = tmp_path / "bad.csv", tmp_path / "gauge.json"
    path.write_text(content, encoding="utf-8")
    assert run(["gauge", "calibrate", str(path), "--unit", "div", "--out", str(out)]) == 2
    said = capsys.readouterr()
    assert word in said.err and "bad.csv" in said.err and said.out == "" and not out.exists()


@pytest.mark.parametrize(
    "argv, word",
    [
        (["--unit", "div"], "--out"),
        (["--out", "nowhere/gauge.json", "--unit", "div"], "not a folder"),
        (["--unit", "div", "--json", "--made-on", "yesterday"], "yesterday"),
        (["--unit", "div", "--json", "--path-mm", "-1"], "--path-mm"),
        (["--unit", "div", "--json", "--spoke-stiffness-N-per-mm", "0"], "above 0"),
        (["--json"], "--unit"),
    ],
)
def test_a_bad_command_line_is_refused_before_anything_is_read(table, argv, word, capsys):
    assert run(["gauge", "calibrate", str(table), *argv]) == 2
    said = capsys.readouterr()
    assert word in said.err and said.out == ""


def test_a_file_that_is_not_there_or_not_text_is_named(tmp_path, capsys):
    assert run(["gauge", "calibrate", str(tmp_path / "none.csv"), "--unit", "div", "--json"]) == 2
    assert "none.csv: no such file" in capsys.readouterr().err
    binary = tmp_path / "photo.csv"
    binary.write_bytes(b"\xff\xd8\xff\x00")
    assert run(["gauge", "calibrate", str(binary), "--unit", "div", "--json"]) == 2
    assert "not a text file" in capsys.readouterr().err


def test_a_record_of_another_kind_is_refused(tmp_path, capsys):
    path = tmp_path / "gauge.json"
    path.write_text('{"batch": "K07"}')
    assert run(["gauge", "read", str(path)]) == 2
    assert "coefficients" in capsys.readouterr().err
