"""`longhold plan` as a person meets it: files, words, JSON alone on stdout, honest refusals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from planner.build import build_of
from planner.schedule import check_schedule, schedule_of
from tests.planner.batches import RIM, batch
from tui.cli import run

BUILD = {
    "name": '"small front (invented)"',
    "wheel": f"""spokes = 12
crosses = 1
[wheel.rim]
{chr(10).join(f"{k} = {v}" for k, v in RIM.items())}""",
    "tension": "tolerance_percent = 7",
    "shop": "stations = 12",
}


def toml(**change: str) -> str:
    parts = BUILD | change
    return f"name = {parts['name']}\n" + "".join(f"\n[{k}]\n{parts[k]}\n" for k in ("wheel", "tension", "shop"))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("build.toml").write_text(toml(), encoding="utf-8")
    Path("batch.json").write_text(json.dumps(batch(creep=0.6).as_dict()), encoding="utf-8")
    return tmp_path


def plan(*more: str) -> int:
    return run(["plan", "build.toml", "--batch", "batch.json", "--draws", "100", *more])


KEYS: dict[str, Any] = {
    "batch": str,
    "holds": bool,
    "steps": list,
    "passes": int,
    "untreated": dict,
    "forecast": dict,
    "limits": list,
    "thread_mm": dict,
    "tradeoff": list,
    "warnings": list,
}


def test_json_is_one_object_alone_on_stdout_with_every_key_that_others_rely_on(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert plan("--json") == 0
    out, err = capsys.readouterr()
    answer = json.loads(out)
    assert err == ""  # quiet where nobody watches
    for key, kind in KEYS.items():
        assert isinstance(answer[key], kind), key
    assert answer["proof"] is None
    assert set(answer["untreated"]) >= {"passes", "passes_to_hold", "forecast_percent_at_horizon"}
    forecast = answer["forecast"]
    assert len(forecast["time_h"]) >= 40
    assert forecast["time_h"][0] == 48.0 and forecast["time_h"][-1] == 720.0
    for side in ("left", "right"):
        low, middle, high = (forecast["mean_tension_N"][side][q] for q in ("p05", "p50", "p95"))
        assert all(a <= b <= c for a, b, c in zip(low, middle, high, strict=True))
    assert 0.9 <= forecast["probability_holds"] <= 1.0
    assert {limit["what"] for limit in answer["limits"]} >= {"rim", "hub", "spoke", "lateral buckling"}
    assert all(limit["peak_N"] <= limit["limit_N"] for limit in answer["limits"])
    assert 0 < answer["thread_mm"]["used_p95"] < answer["thread_mm"]["available"]
    for option in answer["tradeoff"]:
        assert set(option) >= {"passes", "bench_nights", "hands_on_h", "peak_N", "probability_holds", "steps"}
    build = build_of({"wheel": {"spokes": 12, "crosses": 1, "rim": RIM}, "shop": {"stations": 12}})
    assert check_schedule(schedule_of(answer["steps"]), build) == []
    assert answer["passes"] < answer["untreated"]["passes_to_hold"]
    assert len(list(folder.iterdir())) == 2  # nothing written


def test_the_folder_holds_schedule_words_and_picture(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert plan("--out", "front") == 0
    out, _ = capsys.readouterr()
    assert {p.name for p in (folder / "front").iterdir()} == {"schedule.json", "plan.txt", "plan.png"}
    assert (folder / "front" / "plan.txt").read_text(encoding="utf-8") == out
    assert (folder / "front" / "plan.png").read_bytes().startswith(b"\x89PNG")
    schedule = json.loads((folder / "front" / "schedule.json").read_text(encoding="utf-8"))
    for words in ("overnight pass", "Set the wheel to", "Deliver", "What else was weighed", "qualified wheelbuilder"):
        assert words in out
    tension = next(s["tension_N"]["left"] for s in schedule["steps"] if s["kind"] == "set")
    assert f"Set the wheel to {tension:.0f} N" in out


def test_results_are_replaced_only_when_asked(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "front").mkdir()
    (folder / "front" / "schedule.json").write_text("mine", encoding="utf-8")
    assert plan("--out", "front") == 2
    out, err = capsys.readouterr()
    assert out == "" and "schedule.json exists; give --force" in err
    assert (folder / "front" / "schedule.json").read_text(encoding="utf-8") == "mine"
    assert plan("--out", "front", "--force", "--json") == 0
    assert json.loads((folder / "front" / "schedule.json").read_text(encoding="utf-8")) == json.loads(
        capsys.readouterr().out
    )
    assert not (folder / "front" / "plan.png").exists()  # a picture is for a person


def test_the_same_seed_gives_the_same_answer(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    answers = []
    for seed in ("5", "5", "6"):
        assert plan("--json", "--seed", seed) == 0
        answers.append(capsys.readouterr().out)
    assert answers[0] == answers[1] != answers[2]


def test_when_nothing_holds_the_answer_is_given_and_the_status_says_no(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("build.toml").write_text(toml(tension="tolerance_percent = 1.5"), encoding="utf-8")
    assert plan("--json", "--out", "front") == 1
    out, err = capsys.readouterr()
    answer = json.loads(out)
    assert answer["holds"] is False and answer["steps"]
    assert answer["relax"] and answer["relax"][0].split(":")[0] in err
    assert "no schedule holds 1.5 % of target" in err
    assert json.loads((folder / "front" / "schedule.json").read_text(encoding="utf-8")) == answer
    assert "To hold as asked, relax one of:" in (folder / "front" / "plan.txt").read_text(encoding="utf-8")


def test_a_rim_that_cannot_bear_the_target_is_an_honest_no_without_steps(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    weak = "spokes = 12\ncrosses = 1\n[wheel.rim]\narea_mm2 = 60\nout_of_plane_inertia_mm4 = 200\ntorsion_constant_mm4 = 100"
    Path("build.toml").write_text(toml(wheel=weak), encoding="utf-8")
    assert plan("--json") == 1
    out, err = capsys.readouterr()
    answer = json.loads(out)
    assert (answer["holds"], answer["steps"]) == (False, [])
    assert "lateral buckling" in err and "lower the target" in err


@pytest.mark.parametrize(
    ("file", "text", "says"),
    [
        ("build.toml", toml(shop="statoins = 4"), "statoins"),
        ("build.toml", "name = ", "not TOML"),
        ("batch.json", "{", "line 1: not JSON"),
        ("batch.json", "[]", "one JSON object"),
        ("batch.json", '{"batch": "x", "spread": {}}', "batch.json: key 'chain' is missing"),
        ("batch.json", '{"batch": "x", "chain": {"elastic": {"EA0_N": -1}}, "spread": {}}', "batch.json"),
    ],
)
def test_bad_input_is_named_and_nothing_is_written(
    folder: Path, capsys: pytest.CaptureFixture[str], file: str, text: str, says: str
) -> None:
    Path(file).write_text(text, encoding="utf-8")
    assert plan("--json", "--out", "front") == 2
    out, err = capsys.readouterr()
    assert out == "" and says in err and "Traceback" not in err
    assert not (folder / "front").exists()


def test_somewhere_to_put_the_answer_must_be_named(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert plan() == 2
    assert "--out DIR" in capsys.readouterr().err
    assert plan("--out", "build.toml") == 2
    assert "wants a folder" in capsys.readouterr().err
    assert plan("--out", "no/such/place") == 2
    assert "is not a folder" in capsys.readouterr().err
    assert plan("--json", "--draws", "3") == 2
    assert run(["plan", "build.toml"]) == 2
