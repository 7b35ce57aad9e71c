"""`longhold plan` as a person meets it: files, words, JSON alone on stdout, honest refusals."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import icalendar
import numpy as np
import pytest
from pypdf import PdfReader

from models.calibrate import calibrate
from planner.build import build_of, load_build
from planner.schedule import check_schedule, schedule_of
from planner.wheel import wheel_of
from tests.models.test_gauge import FRAME_N_PER_MM, invented
from tests.planner.batches import RIM, batch
from tui.cli import run
from tui.pages import PAPERS

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
    names = {"schedule.json", "plan.txt", "plan.png", "build-card.pdf", "bench-cards.pdf"}
    schedule = json.loads((folder / "front" / "schedule.json").read_text(encoding="utf-8"))
    if all(s["kind"] != "prestretch" for s in schedule["steps"]):
        names.remove("bench-cards.pdf")
    assert {p.name for p in (folder / "front").iterdir()} == names
    card = PdfReader(folder / "front" / "build-card.pdf")
    assert len(card.pages) == 1 and card.pages[0].mediabox.width == pytest.approx(PAPERS["A5"][0], abs=0.1)
    assert (folder / "front" / "plan.txt").read_text(encoding="utf-8") == out
    assert (folder / "front" / "plan.png").read_bytes().startswith(b"\x89PNG")
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
    assert "no schedule within the limits holds 1.5 % of target" in err
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


GONE = toml() + "[order]\ndue = 2020-01-01\n"


def test_a_due_date_gone_by_is_refused_and_one_too_near_is_answered_with_no(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("build.toml").write_text(GONE, encoding="utf-8")
    assert plan("--json", "--out", "front") == 2
    out, err = capsys.readouterr()
    assert out == "" and "build.toml: order.due = 2020-01-01 00:00 lies in the past" in err
    assert not Path("front").exists()
    # the set, two nights and a day of work do not fit into the 30 hours that are left
    Path("build.toml").write_text(
        GONE.replace("2020-01-01", f"{datetime.now() + timedelta(hours=30):%Y-%m-%dT%H:%M}:00")
    )
    assert plan("--json") == 1
    out, err = capsys.readouterr()
    assert json.loads(out)["holds"] is True and "the due date cannot be kept: ready on" in err
    Path("build.toml").write_text(GONE.replace("2020-01-01", f"{datetime.now() + timedelta(days=30):%Y-%m-%d}"))
    assert plan("--json") == 0


def test_a_batch_that_never_bore_the_wheels_tension_is_an_honest_no(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    low = batch(creep=0.6).as_dict() | {"covers": {"load_N": [15.0, 500.0], "held_N": [500.0]}}
    Path("batch.json").write_text(json.dumps(low), encoding="utf-8")
    assert plan("--json", "--out", "front") == 1
    out, err = capsys.readouterr()
    assert (json.loads(out)["holds"], json.loads(out)["steps"]) == (False, [])
    assert "tested up to 500 N only" in err and "new-batch" in err
    assert not Path("front").exists()


def test_a_dished_wheels_tensions_are_told_side_by_side(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    flat = [toml(), "[wheel.hub]\nright = { flange_to_centre_mm = 20.0 }\n"]
    Path("build.toml").write_text("".join(flat), encoding="utf-8")
    assert plan("--out", "rear") in (0, 1)
    out, _ = capsys.readouterr()
    schedule = json.loads(Path("rear", "schedule.json").read_text(encoding="utf-8"))
    left, right = schedule["target_N"]["left"], schedule["target_N"]["right"]
    assert left < 0.7 * right
    asked = next(line for line in out.splitlines() if line.startswith("  asked"))
    assert f"{left:.0f} N" in asked and f"{right:.0f} N" in asked and "within 7 %" in asked
    for name, k in (("at delivery", 0), ("at 720 h", -1)):
        line = next(line for line in out.splitlines() if line.startswith(f"  {name}"))
        for side in ("left", "right"):
            assert f"{schedule['forecast']['mean_tension_N'][side]['p50'][k]:.0f} N" in line


def test_somewhere_to_put_the_answer_must_be_named(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert plan() == 2
    assert "--out DIR" in capsys.readouterr().err
    assert plan("--out", "build.toml") == 2
    assert "wants a folder" in capsys.readouterr().err
    assert plan("--out", "no/such/place") == 2
    assert "is not a folder" in capsys.readouterr().err
    assert plan("--json", "--draws", "3") == 2
    assert run(["plan", "build.toml"]) == 2


# -- the calendar -----------------------------------------------------------------------------------------------------

WEAK_RIM = BUILD["wheel"] + "\nmax_tension_N = 1150"  # no room for overtension: a plan needs the frame
MANY_DAYS_OFF = '[order]\ndays_off = ["Tuesday", "Wednesday", "Friday", "Saturday", "Sunday"]\n'


@pytest.fixture
def stretched(folder: Path) -> Path:
    """A build whose plan has a stretch and a set soon after it."""
    text = toml(wheel=WEAK_RIM, tension="horizon_h = 336", shop="stations = 12\nlaced_h = 11.5\nslack_h = 0.5")
    Path("build.toml").write_text(text, encoding="utf-8")
    Path("batch.json").write_text(json.dumps(batch(creep=1.0).as_dict()), encoding="utf-8")
    return folder


def test_the_calendar_is_written_and_tells_in_what_the_days_differ_from_the_plan(
    stretched: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status = plan("--out", "front", "--calendar", "front.ics", "--start", "2026-03-02T09:00")
    out, _ = capsys.readouterr()
    schedule = json.loads((stretched / "front" / "schedule.json").read_text(encoding="utf-8"))
    laid = schedule["as_laid"]
    events = list(icalendar.Calendar.from_ical((stretched / "front.ics").read_bytes()).walk("VEVENT"))
    assert [str(e["SUMMARY"]) for e in events] == [e["what"] for e in laid["events"]]
    assert {e["kind"] for e in laid["events"]} >= {"load", "unload", "lace", "set", "deliver"}
    assert all(e["start"] >= "2026-03-02T09:00" for e in laid["events"])
    assert all(f"{e.get('what')}" in out for e in laid["events"])
    lace, begin = (next(e for e in laid["events"] if e["kind"] == k) for k in ("lace", "set"))
    stands_h = (np.datetime64(begin["start"]) - np.datetime64(lace["end"])) / np.timedelta64(1, "h")
    planned_h, real_h = (next(s["hours"] for s in x["steps"] if s["kind"] == "laced") for x in (schedule, laid))
    assert (planned_h, real_h) == (11.5, pytest.approx(stands_h)) and real_h > 12.0  # no working day fits 11.5 h
    assert f"laced for {real_h:.3g} h before the set instead of 11.5 h" in laid["differs"]
    assert "Judged again as laid" in out
    assert status == (0 if laid["probability_holds"] >= 0.9 else 1)
    night = " ".join(PdfReader(stretched / "front" / "bench-cards.pdf").pages[0].extract_text().split())
    load = next(e for e in laid["events"] if e["kind"] == "load")
    assert f"{load['end'][:10]}, load reached at {load['end'][11:16]}" in night


def test_days_that_spoil_every_plan_are_answered_with_no_and_what_is_left_to_do(
    stretched: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    build = Path("build.toml").read_text(encoding="utf-8")
    Path("build.toml").write_text(f"{build}\n{MANY_DAYS_OFF}", encoding="utf-8")
    status = plan("--json", "--calendar", "front.ics", "--start", "2026-03-02T09:00")
    out, err = capsys.readouterr()
    answer = json.loads(out)
    laid = answer["as_laid"]
    assert answer["holds"] and not laid["holds"] and status == 1
    assert laid["probability_holds"] < 0.9 < answer["forecast"]["probability_holds"]
    assert "not on these days" in err
    rest_h = next(s["hours"] for s in laid["steps"] if s["kind"] == "rest")
    assert rest_h > 20.0 and "No other sessions or tensions do better on these days: begin on another day" in err
    assert (stretched / "front.ics").exists()  # the days are there to look at


def test_a_plan_that_the_days_spoil_is_made_anew_for_them(stretched: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two hours of lacing end after hours, so the wheel stands overnight before its set: other sessions then hold."""
    Path("build.toml").write_text(
        toml(wheel=WEAK_RIM, tension="tolerance_percent = 5\nhorizon_h = 336", shop="laced_h = 2\nstations = 12"),
        encoding="utf-8",
    )
    assert plan("--json") == 0
    alone = json.loads(capsys.readouterr().out)
    assert plan("--out", "front", "--calendar", "front.ics", "--start", "2026-03-02T09:00") == 0
    out, _ = capsys.readouterr()
    answer = json.loads((stretched / "front" / "schedule.json").read_text(encoding="utf-8"))
    laid = answer["as_laid"]
    assert laid["planned_anew"] and laid["holds"] and answer["holds"]
    planned, before = ({s["kind"]: s for s in x["steps"]} for x in (answer, alone))
    assert before["laced"]["hours"] == 2.0 and planned["laced"]["hours"] == pytest.approx(23.0, abs=1.0)
    assert answer["untreated"] == alone["untreated"]  # the trade's wheel is set at once
    assert "Planned anew for these days" in out and "LESS THAN ASKED" not in out
    assert check_schedule(schedule_of(answer["steps"]), load_build("build.toml")) == []


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--start", "2026-03-02T09:00"), "give --calendar"),
        (("--calendar", "x.ics"), "--start 2026-03-02T09:00"),
        (("--calendar", "x.ics", "--start", "Monday"), "--start is 'Monday'"),
        (("--calendar", "no/x.ics", "--start", "2026-03-02T09:00"), "no is not a folder"),
    ],
)
def test_a_calendar_without_a_beginning_is_refused_before_any_work(
    folder: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, ...], says: str
) -> None:
    assert plan("--json", *more) == 2
    out, err = capsys.readouterr()
    assert out == "" and says in err


# -- the builder's own gauge ------------------------------------------------------------------------------------------


def gauge_record(spokes: str) -> Mapping[str, Any]:
    found = calibrate(
        invented(np.random.default_rng(1), sd=0.02, step=0.1),
        reading_unit="div",
        stiffness_N_per_mm=FRAME_N_PER_MM,
        spoke_batch=spokes,
    )
    Path("gauge.json").write_text(json.dumps(found.gauge.as_dict()), encoding="utf-8")
    return found.gauge.as_dict()


def test_what_the_gauge_will_show_stands_beside_each_tension(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    gauge_record("another batch")
    assert plan("--out", "front", "--gauge", "gauge.json") == 0
    out, _ = capsys.readouterr()
    schedule = json.loads((folder / "front" / "schedule.json").read_text(encoding="utf-8"))
    step = next(s for s in schedule["steps"] if s["kind"] == "set")
    wheel = wheel_of(build_of({"wheel": {"spokes": 12, "crosses": 1, "rim": RIM}, "shop": {"stations": 12}}))
    tension, reading = step["tension_N"]["left"], step["reading"]["left"]
    assert f"Set the wheel to {tension:.0f} N" in out and f"[gauge {reading:.2f} div]" in out
    # back through the gauge's own record, with a stiffness worked out here
    answer_N_per_mm = float(np.diag(wheel.influence(tension, 433_000.0)).mean())
    assert step["wheel_stiffness_N_per_mm"]["left"] == pytest.approx(answer_N_per_mm, rel=0.1)
    assert run(["gauge", "read", "gauge.json", "--reading", str(reading), "--json",
                "--wheel-stiffness-N-per-mm", str(step["wheel_stiffness_N_per_mm"]["left"])]) == 0  # fmt: skip
    assert json.loads(capsys.readouterr().out)["results"][0]["tension_N"] == pytest.approx(tension, abs=0.5)
    card = PdfReader(folder / "front" / "build-card.pdf").pages[0].extract_text().replace("\xa0", " ")
    assert f"gauge {reading:.2f} div" in " ".join(card.split())
    assert any("calibrated on spokes of another batch" in w for w in schedule["warnings"])


def test_a_gauge_whose_curve_ends_below_the_plan_is_refused_by_name(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = dict(gauge_record("K07")) | {"path_mm": None}
    Path("gauge.json").write_text(json.dumps(record), encoding="utf-8")
    assert plan("--json", "--gauge", "gauge.json") == 2
    out, err = capsys.readouterr()
    assert out == "" and "gauge.json: path_mm is missing" in err
