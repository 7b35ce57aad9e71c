"""`longhold wheel` as a person runs it; two writers at once."""

from __future__ import annotations

import fcntl
import json
import os
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import icalendar
import numpy as np
import pytest

from models.errors import InputError
from planner.build import load_build
from planner.wheel import wheel_of
from tests.golden import default_chain
from tui.cli import run
from tui.wheelfile import only_writer

BUILD = Path(__file__).parents[2] / "datasets" / "demo" / "build.toml"
STEPS: list[dict[str, Any]] = [
    {"kind": "prestretch", "load_N": 1500, "hours": 14.0, "temperature_C": 20},
    {"kind": "rest", "hours": 0.5, "load_N": 0},
    {"kind": "laced", "hours": 11.5, "tension_N": 100},
    {"kind": "set", "at_h": 0.0, "tension_N": {"left": 1030, "right": 1030}},
    {"kind": "pass", "at_h": 24.0, "tension_N": {"left": 1060, "right": 1060}},
    {"kind": "deliver", "at_h": 48.0},
]


CLAIM = {
    "probability_holds": 0.93,
    "time_h": [48.0, 200.0, 720.0],
    "mean_tension_N": {s: {"p05": [1000.0, 960.0, 930.0], "p95": [1060.0, 1020.0, 990.0]} for s in ("left", "right")},
}


class Desk:
    """A folder with a build, a batch, a schedule and a begun record."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys
        self.build = folder / "front.toml"
        self.build.write_text(BUILD.read_text().replace("spokes_per_station = 1", "spokes_per_station = 7"))
        self.batch, self.plan = folder / "K07.json", folder / "schedule.json"
        spread = {"log_sd": {"elastic": 0.02, "recoverable": 0.08, "bedding": 0.1, "flow": 0.3}, "spokes": 4}
        self.batch.write_text(json.dumps({"batch": "K07", "chain": default_chain().as_dict(), "spread": spread}))
        self.plan.write_text(json.dumps({"steps": STEPS, "passes": 1}))
        self.record = folder / "front.json"

    def run(self, *args: object) -> tuple[int, str, str]:
        status = run([str(a) for a in args])
        said = self.capsys.readouterr()
        return status, said.out, said.err

    def does(self, *args: object) -> str:
        status, out, err = self.run(*args)
        assert status == 0, err
        return out

    def refuses(self, *args: object) -> str:
        """One plain message, exit 2, nothing on stdout."""
        status, out, err = self.run(*args)
        assert status == 2 and out == "", (status, out, err)
        errors = [line for line in err.splitlines() if not line.startswith("note: it is")]  # the clock's own word
        assert "Traceback" not in err and len(errors) == 1
        return err

    def begin(self) -> None:
        self.does(
            "wheel", "new", self.build, "--batch", self.batch, "--plan", self.plan, "--out", self.record,
            "--name", "Front 7", "--now", "2025-03-03T08:00Z",
        )  # fmt: skip

    def to_the_set(self) -> None:
        self.begin()
        note = ("wheel", "note", self.record)
        self.does(*note, "stretched", "--run", 1, "--at", "2025-03-04T08:30Z")
        self.does(*note, "laced", "--at", "2025-03-04T09:00Z")
        self.does(*note, "session", "--at", "2025-03-05T09:00Z")

    def sheet(self, name: str = "readings.csv", level: float = 930.0, header: str = "position,tension_N") -> Path:
        rng = np.random.default_rng(1)
        even = wheel_of(load_build(self.build)).reachable(level * (1 + 0.02 * rng.standard_normal(28)))
        path = self.folder / name
        path.write_text("\n".join([header, *(f"{i},{t:.0f}" for i, t in enumerate(even, start=1))]) + "\n")
        return path

    def csv(self, text: str) -> Path:
        path = self.folder / "bad.csv"
        path.write_text(text)
        return path


@pytest.fixture
def desk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Desk:
    return Desk(tmp_path, capsys)


# -- the record -------------------------------------------------------------------------------------------------------


def test_next_tells_in_plain_words_what_to_do_and_when(desk: Desk) -> None:
    desk.begin()
    assert "Load the frame" in desk.does("wheel", "next", desk.record, "--now", "2025-03-03T09:00Z")
    desk.does("wheel", "note", desk.record, "stretched", "--run", 1, "--at", "2025-03-04T08:30Z")
    out = desk.does("wheel", "next", desk.record, "--now", "2025-03-04T08:40Z")
    assert "Front 7" in out and "that time undoes the stretch" in out
    assert "due         Tue 2025-03-04 09:00Z (in 20 min)" in out and "at latest" in out
    late = desk.does("wheel", "next", desk.record, "--now", "2025-03-07T08:40Z", "--quick")
    assert "OVERDUE" in late and "3 d ago" in late
    answer = json.loads(desk.does("wheel", "next", desk.record, "--now", "2025-03-07T08:40Z", "--quick", "--json"))
    assert answer["action"] == "lace" and answer["overdue"] and answer["due_utc"] == "2025-03-04T09:00:00Z"
    assert answer["slack_h"] == pytest.approx(72.17, abs=0.01) and answer["latest_utc"] is None


def test_a_note_adds_one_entry_and_touches_nothing_else(desk: Desk) -> None:
    desk.begin()
    before = json.loads(desk.record.read_text())
    answer = json.loads(desk.does("wheel", "note", desk.record, "stretched", "--positions", "1-3,8", "--json"))
    after = json.loads(desk.record.read_text())
    assert answer["entry"]["positions"] == [1, 2, 3, 8] and answer["entry"]["load_N"] == 1500
    assert after["entries"] == [*before["entries"], answer["entry"]]
    assert {k: v for k, v in after.items() if k != "entries"} == {k: v for k, v in before.items() if k != "entries"}
    assert answer["next"]["action"] == "load" and 1 not in answer["next"]["positions"]


def test_a_record_is_not_replaced_without_force(desk: Desk) -> None:
    desk.begin()
    args = ("wheel", "new", desk.build, "--batch", desk.batch, "--out", desk.record)
    assert "--force" in desk.refuses(*args)
    assert "no schedule" in desk.does(*args, "--force")


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("laced", "--run", 3), "--run says nothing about 'laced'"),
        (("stretched", "--run", 9), "has 1 runs"),
        (("stretched", "--positions", "1-40"), "1 to 28"),
        (("stretched", "--positions", "a"), "numbers and ranges"),
        (("stretched", "--positions", "1,1"), "twice"),
        (("stretched", "--load", "90 stone"), "--load"),
        (("stretched", "--load", "99999"), "between 0 and 10000 N"),
        (("laced", "--tension", "99999"), "between 0 and 10000 N"),
        (("delivered",), "not been set"),
        (("reading",), "needs --readings"),
        (("void",), "needs --entry"),
        (("laced", "--at", "tomorrow"), "--at is 'tomorrow'"),
        (("laced", "--at", "2099-01-01T00:00Z"), "future"),
        (("session", "--minutes", 0), "--minutes"),
        (("session", "--set", 1, "--set", 2, "--set", 3), "once for both sides"),
    ],
)
def test_notes_that_make_no_sense_are_refused_and_nothing_is_written(desk: Desk, args: Any, words: str) -> None:
    desk.begin()
    before = desk.record.read_bytes()
    assert words in desk.refuses("wheel", "note", desk.record, *args)
    assert desk.record.read_bytes() == before


def test_a_cut_off_a_foreign_and_a_missing_record_are_refused_in_one_message(desk: Desk) -> None:
    desk.begin()
    whole = desk.record.read_text()
    desk.record.write_text(whole[: len(whole) // 2])
    assert "not JSON" in desk.refuses("wheel", "next", desk.record)
    assert "not a wheel's record" in desk.refuses("wheel", "next", desk.batch)
    assert "no such file" in desk.refuses("wheel", "next", desk.folder / "none.json")
    desk.record.write_text(json.dumps({**json.loads(whole), "format": 99}))
    assert "format 99" in desk.refuses("wheel", "note", desk.record, "delivered")


def test_labels_go_from_positions_csv_into_the_record(desk: Desk) -> None:
    table = desk.folder / "positions.csv"
    table.write_text("position,spoke\n" + "".join(f"{i},K07-{i:02d}\n" for i in range(1, 29)))
    args = ("wheel", "new", desk.build, "--batch", desk.batch, "--positions", table, "--out", desk.record)
    desk.does(*args)
    assert json.loads(desk.record.read_text())["positions"][27] == "K07-28"
    desk.does("wheel", "note", desk.record, "planned", "--plan", desk.plan)
    desk.does("wheel", "note", desk.record, "stretched", "--positions", "1-26")
    assert "spokes: K07-27, K07-28" in desk.does("wheel", "next", desk.record)
    table.write_text("position,spoke\n1,K07-01\n1,K07-02\n")
    assert "line 3" in desk.refuses(*args, "--force")


def test_eight_writers_at_once_lose_no_entry(desk: Desk) -> None:
    from planner.notes import appended
    from tui.wheelfile import read_record, write_record

    desk.begin()
    now = datetime(2025, 3, 4, tzinfo=UTC)

    def write(k: int) -> None:
        with only_writer(desk.record):
            _, content = read_record(desk.record)
            entry = {"kind": "stretched", "positions": [k], "load_N": 1500, "hours": 8, "temperature_C": 20}
            write_record(desk.record, appended(content, entry, at=now, now=now, where="front.json"))

    threads = [threading.Thread(target=write, args=(k,)) for k in range(1, 9)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    entries = json.loads(desk.record.read_text())["entries"]
    assert [e["n"] for e in entries] == list(range(1, 10))
    assert sorted(e["positions"][0] for e in entries[1:]) == list(range(1, 9))


def test_a_record_that_another_program_holds_is_left_alone(desk: Desk) -> None:
    desk.begin()
    handle = os.open(desk.folder / f".{desk.record.name}.lock", os.O_RDWR)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        with pytest.raises(InputError, match="another program"), only_writer(desk.record, tries=2):
            raise AssertionError("the lock was given twice")
    finally:
        os.close(handle)
    with only_writer(desk.record, tries=1):
        pass


def test_the_calendar_of_a_record_moves_its_steps_instead_of_doubling_them(desk: Desk) -> None:
    desk.begin()
    out = desk.folder / "front.ics"
    args = ("wheel", "calendar", desk.record, "--out", out, "--now", "2025-03-03T08:00Z")
    listed = desk.does(*args, "--start", "2025-03-03T09:00")
    assert "Load the frame: Front 7" in listed and "Deliver: Front 7" in listed
    first = {str(e["uid"]): e for e in icalendar.Calendar.from_ical(out.read_bytes()).walk("VEVENT")}
    assert "exists" in desk.refuses(*args)
    desk.does("wheel", "note", desk.record, "stretched", "--run", 1, "--at", "2025-03-04T08:30Z")
    desk.does("wheel", "note", desk.record, "laced", "--at", "2025-03-04T09:00Z")
    desk.does("wheel", "note", desk.record, "session", "--at", "2025-03-05T10:00Z")
    answer = json.loads(desk.does(*args, "--force", "--json"))
    assert [e["kind"] for e in answer["events"]] == ["pass", "deliver"]
    assert answer["events"][0]["start"] == "2025-03-06T10:00:00+00:00"
    later = {str(e["uid"]): e for e in icalendar.Calendar.from_ical(out.read_bytes()).walk("VEVENT")}
    assert set(later) < set(first)
    assert all(int(later[u]["sequence"]) > int(first[u]["sequence"]) for u in later)
    desk.does("wheel", "note", desk.record, "session", "--session", "pass", "--at", "2025-03-06T10:00Z")
    desk.does("wheel", "note", desk.record, "delivered", "--at", "2025-03-07T10:00Z")
    assert "delivered" in desk.refuses(*args, "--force")


def test_a_due_date_gone_by_is_refused_and_one_too_near_is_answered_with_no(desk: Desk) -> None:
    desk.build.write_text(desk.build.read_text() + "\n[order]\ndue = 2025-03-05T18:00:00\n")
    desk.begin()
    args = ("wheel", "calendar", desk.record, "--out", desk.folder / "a.ics", "--start", "2025-03-03T09:00")
    assert "lies in the past" in desk.refuses(*args, "--now", "2025-04-03T08:00Z")
    assert not (desk.folder / "a.ics").exists()
    status, _, err = desk.run(*args, "--now", "2025-03-03T08:00Z")
    assert status == 1 and "due date" in err


def test_a_wheel_in_work_keeps_its_calendar_after_its_due_date_and_is_called_late(desk: Desk) -> None:
    desk.build.write_text(desk.build.read_text() + "\n[order]\ndue = 2025-03-05T18:00:00\n")
    desk.begin()
    late = ("--force", "--start", "2025-03-10T09:00", "--now", "2025-03-10T08:00Z")
    args = ("wheel", "calendar", desk.record, "--out", desk.folder / "a.ics", *late)
    desk.does("wheel", "note", desk.record, "stretched", "--run", 1, "--at", "2025-03-04T08:30Z")
    for left in (["lace", "set", "pass", "deliver"], ["set", "pass", "deliver"]):
        status, out, err = desk.run(*args, "--json")
        answer = json.loads(out)
        assert status == 1 and "due date cannot be kept" in err and answer["late"]
        assert [e["kind"] for e in answer["events"]] == left
        if "lace" in left:
            desk.does("wheel", "note", desk.record, "laced", "--at", "2025-03-10T08:30Z", "--now", "2025-03-10T09:00Z")
    desk.does("wheel", "note", desk.record, "session", "--at", "2025-03-11T09:00Z", "--now", "2025-03-11T12:00Z")
    status, out, _ = desk.run(*args, "--json")
    assert status == 1 and json.loads(out)["late"] and len(json.loads(out)["warnings"]) == 1


def test_weigh_answers_which_of_night_and_readings_saves_the_pass(desk: Desk) -> None:
    desk.begin()
    answer = json.loads(desk.does("wheel", "weigh", desk.record, "--json"))
    assert {w["way"] for w in answer["ways"]} >= {"touch", "readings", "bench night"}
    words = desk.does("wheel", "weigh", desk.record)
    assert "read 4 spokes" in words and "saves the pass" in words
