"""`longhold length` and `longhold match` as a person runs them."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from tests.golden import default_chain
from tui.cli import run

BUILD = str(Path(__file__).parents[2] / "datasets" / "demo" / "build.toml")


@pytest.fixture
def batch(tmp_path: Path) -> Path:
    rng = np.random.default_rng(3)
    d = {
        "batch": "K07",
        "chain": default_chain().as_dict(),
        "spread": {"log_sd": {"elastic": 0.02, "recoverable": 0.08, "bedding": 0.1, "flow": 0.3}, "spokes": 4},
        "spokes": [
            {
                "spoke": f"K07-{i:02d}",
                "scales": {p: float(np.exp(0.08 * rng.standard_normal())) for p in ("recoverable", "bedding")},
            }
            for i in range(1, 31)
        ],
    }
    path = tmp_path / "K07.json"
    path.write_text(json.dumps(d))
    return path


def test_length_says_in_words_what_to_order(batch: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["length", BUILD, "--batch", str(batch)]) == 0
    out = capsys.readouterr().out
    for words in ("left: order 28", "right: order 28", "* 284.0 mm", "286.0 mm", "-64.1 g", "hold its end", "1471 N"):
        assert words in out


def test_length_as_json_is_one_object_with_both_sides(batch: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["length", BUILD, "--batch", str(batch), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    left = answer["sides"]["left"]
    # the way less what the spoke grows and the rim gives, by hand from its own parts
    hand = left["geometry_mm"] - left["rim_give_mm"] - left["elongation_mm"]["total"]
    assert left["order_mm"] == pytest.approx(hand, abs=0.02)
    assert left["recommended_mm"] == 284
    assert answer["thread_mm"]["available"] == 12.0
    assert 1.0 < answer["thread_mm"]["used_p95"] < 3.0
    assert answer["mass_g"]["spokes"] == pytest.approx(70.0)


def test_a_plans_schedule_is_followed(batch: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    steps = [
        {"kind": "prestretch", "load_N": 1100, "hours": 1.0, "temperature_C": 20},
        {"kind": "rest", "hours": 24.0, "load_N": 0, "temperature_C": 20},
        {"kind": "laced", "hours": 11.5, "tension_N": 100, "temperature_C": 20},
        {"kind": "set", "at_h": 0.0, "tension_N": {"left": 990, "right": 990}},
        {"kind": "deliver", "at_h": 48.0},
    ]
    path = tmp_path / "schedule.json"
    path.write_text(json.dumps({"steps": steps}))
    assert run(["length", BUILD, "--batch", str(batch), "--schedule", str(path)]) == 0
    assert "after 1.0 h on the frame at 1100 N" in capsys.readouterr().out
    assert run(["length", BUILD, "--batch", str(batch), "--schedule", str(path), "--unstretched"]) == 2
    path.write_text(json.dumps({"steps": steps[:3]}))
    assert run(["length", BUILD, "--batch", str(batch), "--schedule", str(path)]) == 2
    assert str(path) in capsys.readouterr().err


def test_when_no_size_on_sale_fits_the_result_is_printed_and_the_answer_is_no(
    batch: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "BUILD.toml"
    path.write_text(Path(BUILD).read_text().replace("[280, 282, 284, 286]", "[276]"))
    assert run(["length", str(path), "--batch", str(batch), "--json"]) == 1
    captured = capsys.readouterr()
    assert json.loads(captured.out)["sides"]["left"]["recommended_mm"] is None
    assert "no length on sale fits" in captured.err


def test_match_writes_positions_and_shows_the_gain(
    batch: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "positions.csv"
    assert run(["match", str(batch), "--build", BUILD, "--out", str(out)]) == 0
    rows = list(csv.DictReader(out.read_text().splitlines()))
    assert list(rows[0]) == ["position", "spoke"]
    assert [int(r["position"]) for r in rows] == list(range(1, 29))
    assert len({r["spoke"] for r in rows}) == 28
    text = capsys.readouterr().out
    assert "left over" in text
    assert "placed at random" in text


def test_match_as_json_agrees_with_the_file(batch: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "positions.csv"
    assert run(["match", str(batch), "--build", BUILD, "--out", str(out), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    rows = list(csv.DictReader(out.read_text().splitlines()))
    assert [p["spoke"] for p in answer["positions"]] == [r["spoke"] for r in rows]
    assert answer["matched"]["spread_percent"] < answer["at_random"]["spread_percent"]
    assert len(answer["left_over"]) == 2


def test_match_does_not_replace_a_result_unless_told(batch: Path, tmp_path: Path) -> None:
    out = tmp_path / "positions.csv"
    out.write_text("mine\n")
    assert run(["match", str(batch), "--build", BUILD, "--out", str(out)]) == 2
    assert out.read_text() == "mine\n"
    assert run(["match", str(batch), "--build", BUILD, "--out", str(out), "--force"]) == 0
    assert out.read_text().startswith("position,spoke\n")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda d: d.pop("spokes"), "key 'spokes' is missing"),
        (lambda d: d["spokes"].__delitem__(slice(20, None)), "20 stretched spokes, the wheel needs 28"),
        (lambda d: d["spokes"].append(d["spokes"][0]), "K07-01 is there 2 times"),
        (lambda d: d["spokes"][0].update(spoke="a,b"), "holds no comma"),
        (lambda d: d.pop("chain"), "key 'chain' is missing"),
    ],
)
def test_match_refuses_what_it_cannot_place_and_writes_nothing(
    batch: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], change: object, words: str
) -> None:
    d = json.loads(batch.read_text())
    change(d)  # type: ignore[operator]
    batch.write_text(json.dumps(d))
    out = tmp_path / "positions.csv"
    assert run(["match", str(batch), "--build", BUILD, "--out", str(out), "--json"]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert words in captured.err and "K07" in captured.err
    assert not out.exists()


@pytest.mark.parametrize(
    "argv",
    [["length", "none.toml", "--batch", "x.json"], ["length", BUILD, "--batch", "none.json"], ["match", "none.json"]],
)
def test_missing_files_are_one_plain_message(
    argv: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(argv) == 2
    assert "no such file" in capsys.readouterr().err
