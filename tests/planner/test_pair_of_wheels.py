"""A front wheel and a dished rear one on a frame of four stations, by the command line alone: planned, printed, on the
calendar, through their nights with simulated readings, delivered, read at the horizon.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import icalendar
import numpy as np
import pytest
from pypdf import PdfReader

from models.batch import Batch
from planner.asdone import past_of
from planner.build import Build, load_build
from planner.past import Past, Sitting
from planner.present import Measured
from planner.record import record_of
from planner.schedule import schedule_of
from planner.stretching import Event, calendar_of
from planner.wheel import wheel_of
from tests.golden import default_chain
from tests.planner.simwheel import SimWheel
from tui.cli import run

DEMO = Path(__file__).parents[2] / "datasets" / "demo" / "build.toml"
START = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)  # a Monday
CHANGES = {
    "tolerance_percent = 7": "tolerance_percent = 4.5",
    "delivery_h = 48": "delivery_h = 72",
    "spokes_per_station = 1": "spokes_per_station = 4",
    "reading_repeat_percent = 1.0": "reading_repeat_percent = 2.0",
}
DISHED = {
    "28 hole front": "28 hole rear",
    "right = { hole_circle_diameter_mm = 45.0, flange_to_centre_mm = 35.0": (
        "right = { hole_circle_diameter_mm = 45.0, flange_to_centre_mm = 25.0"
    ),
}


class Shop:
    """A builder at the command line."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys
        self.build_file = {}
        for name, changes in (("front", CHANGES), ("rear", CHANGES | DISHED)):
            text = DEMO.read_text()
            for old, new in changes.items():
                assert old in text
                text = text.replace(old, new)
            self.build_file[name] = folder / f"{name}.toml"
            self.build_file[name].write_text(text)
        self.batch_file = folder / "K07.json"
        self.batch_file.write_text(
            json.dumps(
                {
                    "batch": "K07 (invented)",
                    "chain": default_chain().as_dict(),
                    "spread": {
                        "log_sd": {"elastic": 0.02, "recoverable": 0.08, "bedding": 0.1, "flow": 0.3},
                        "spokes": 4,
                    },
                }
            )
        )

    def says(self, *args: object) -> str:
        """One command; what it prints."""
        status = run([str(a) for a in args])
        said = self.capsys.readouterr()
        assert status == 0, said.err
        return said.out

    def does(self, *args: object) -> dict[str, Any]:
        """One command with --json; its answer."""
        answer: dict[str, Any] = json.loads(self.says(*args, "--json"))
        return answer

    def readings(self, name: str, found: Measured) -> Path:
        """A sheet as a builder writes it down."""
        assert found.lateral_mm is not None and found.radial_mm is not None
        rows = ["position,tension_N,lateral_mm,radial_mm"]
        rows += [
            f"{i},{t:.0f},{lat:.2f},{rad:.2f}"
            for i, (t, lat, rad) in enumerate(
                zip(found.tension_N, found.lateral_mm, found.radial_mm, strict=True), start=1
            )
        ]
        path = self.folder / f"{name}.csv"
        path.write_text("\n".join(rows) + "\n")
        return path


def at(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def through_the_frame(shop: Shop, record: Path, events: list[Event]) -> None:
    """Nights on the frame and lacing, as the calendar has them; the record always knows what comes next."""
    for run_number, event in enumerate([e for e in events if e.kind == "load"], start=1):
        coming = shop.does("wheel", "next", record, "--now", at(event.start))
        assert coming["action"] == "load" and coming["positions"] == list(event.positions)
        off = next(e for e in events if e.kind == "unload" and e.number == run_number)
        shop.does("wheel", "note", record, "stretched", "--run", run_number, "--at", at(off.start))
    lace = next(e for e in events if e.kind == "lace")
    coming = shop.does("wheel", "next", record, "--now", at(lace.start))
    assert coming["action"] == "lace" and not coming["overdue"]
    assert coming["slack_h"] > 0.4
    # a day later the stretch is undone and the record says so
    assert coming["latest_utc"] is not None
    late = shop.does("wheel", "next", record, "--now", at(lace.start + timedelta(hours=60)))
    assert late["overdue"]
    shop.does("wheel", "note", record, "laced", "--at", at(lace.start))
    coming = shop.does("wheel", "next", record, "--now", at(lace.end), "--quick")
    assert coming["action"] == "set"


def set_up(shop: Shop, record: Path, build: Build, batch: Batch, event: Event, seed: int) -> SimWheel:
    """The set session: a simulated wheel with the history that was noted, set as the schedule says."""
    content = json.loads(record.read_text())
    noted = record_of(content, "record")
    schedule = noted.schedule
    assert schedule is not None and noted.laced is not None
    first = schedule.sessions[0]
    fake = {**content["entries"][-1], "n": len(content["entries"]) + 1, "kind": "session", "session": "set"}
    fake = {k: v for k, v in fake.items() if k in ("n", "kind", "session", "noted_utc")}
    fake |= {"hours": 1.0, "tension_N": {"left": first.left_N, "right": first.right_N}, "at_utc": at(event.start)}
    past: Past = past_of(
        record_of({**content, "entries": [*content["entries"], fake]}, "record"), wheel_of(build), event.start
    )
    past = Past(
        nights=past.nights, rest_load_N=0.0, laced_h=past.laced_h, lacing_N=past.lacing_N,
        sittings=(Sitting(kind="set", at_h=0.0, hours=1.0, wanted_N=first.tension_N),), now_h=1.0,
    )  # fmt: skip
    wheel = SimWheel.built(build, batch, past, seed)
    after = shop.readings("after-set", wheel.read())
    shop.does("wheel", "note", record, "session", "--at", at(event.start), "--readings", after)
    return wheel


def session(
    shop: Shop, name: str, record: Path, wheel: SimWheel, event: Event, set_at: datetime, times: int
) -> list[Any]:
    """A touch or a pass: read, turn what `retension` says, read again; as often as ``times``."""
    at_h = (event.start - set_at).total_seconds() / 3600.0
    wheel.stand_until(at_h)
    coming = shop.does("wheel", "next", record, "--now", at(event.start))
    assert coming["action"] == event.kind and not coming["overdue"]
    answers = []
    for k in range(times):
        moment = event.start + timedelta(minutes=8 * k)
        sheet = shop.readings(f"round-{k}", wheel.read())
        asked = ["retension", shop.build_file[name], "--readings", sheet, "--wheel", record, "--now", at(moment)]
        answer = shop.does(*asked)
        if answer["better"] is not None:
            # the wheel lost more or less than foretold: what the program learned says where to set it now
            better = answer["better"]["tension_N"]
            answer = shop.does(*asked, "--set", better["left"], "--set", better["right"])
        answers.append(answer)
        (shop.folder / "answer.json").write_text(json.dumps(answer))
        assert set(answer["order"]) == {i for i, t in enumerate(answer["turns"], start=1) if t}
        wheel.turn(np.array(answer["turns"]), 8 / 60)
        shop.does(
            "wheel", "note", record, "turned", "--turns", shop.folder / "answer.json",
            "--at", at(moment + timedelta(minutes=5)),
        )  # fmt: skip
    after = shop.readings("after", wheel.read())
    shop.does("wheel", "note", record, "session", "--at", at(event.start), "--readings", after)
    return answers


def planned_and_printed(shop: Shop, name: str) -> dict[str, Any]:
    """`longhold plan` with its folder: the schedule, a page for the build, one for each time the frame is full."""
    folder = shop.folder / f"plan-{name}"
    words = shop.says("plan", shop.build_file[name], "--batch", shop.batch_file, "--out", folder, "--draws", 150)
    assert "With the plan: 1 overnight pass" in words
    plan: dict[str, Any] = json.loads((folder / "schedule.json").read_text())
    assert plan["holds"] and plan["bench_nights"] >= 2 and plan["passes"] == 1
    [build_card] = PdfReader(folder / "build-card.pdf").pages
    page = build_card.extract_text()
    assert "Build card" in page and "After the night" in page
    runs = PdfReader(folder / "bench-cards.pdf").pages
    [stretch] = [s for s in plan["steps"] if s["kind"] == "prestretch"]
    assert len(runs) == len(stretch["groups"])
    for number, sheet in enumerate(runs, start=1):
        assert f"Run {number} of {len(runs)}" in sheet.extract_text()
    return plan


def on_the_calendar(shop: Shop, records: dict[str, Path], plans: dict[str, Any]) -> dict[str, list[Event]]:
    """A file for each wheel, the rear one laid out around the front one; what is read back is what was laid out."""
    laid: dict[str, list[Event]] = {}
    for name, others in (("front", []), ("rear", ["--beside", records["front"]])):
        ics = shop.folder / f"{name}.ics"
        shop.does(
            "wheel", "calendar", records[name], *others, "--out", ics, "--start", START.isoformat(), "--now", at(START)
        )  # fmt: skip
        build, schedule = load_build(shop.build_file[name]), schedule_of(plans[name]["steps"])
        laid[name] = list(calendar_of(build, schedule, START, beside=list(laid.values())).events)
        read_back = icalendar.Calendar.from_ical(ics.read_bytes())
        assert sorted(e.start for e in read_back.walk("VEVENT")) == [e.start for e in laid[name]]
    at_work = sorted(
        (e.start, e.end) for events in laid.values() for e in events if e.kind not in ("unload", "deliver")
    )
    assert all(ended <= began for (_, ended), (began, _) in pairwise(at_work))  # one pair of hands
    on_frame = sorted(
        (on.start, off.start)
        for events in laid.values()
        for on in events
        for off in events
        if (on.kind, off.kind) == ("load", "unload") and on.number == off.number
    )
    assert len(on_frame) >= 4 and all(off <= on for (_, off), (on, _) in pairwise(on_frame))
    return laid


def test_a_pair_of_wheels_goes_from_plan_to_delivery_and_holds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = Shop(tmp_path, capsys)
    batch = Batch.from_dict(json.loads(shop.batch_file.read_text()))
    plans = {name: planned_and_printed(shop, name) for name in shop.build_file}
    targets = plans["rear"]["target_N"]
    assert targets["left"] < 0.8 * targets["right"]
    records = {name: tmp_path / f"{name}.json" for name in plans}
    for name, record in records.items():
        shop.does(
            "wheel", "new", shop.build_file[name], "--batch", shop.batch_file, "--plan",
            tmp_path / f"plan-{name}" / "schedule.json", "--name", name, "--out", record, "--now", at(START),
        )  # fmt: skip
    laid = on_the_calendar(shop, records, plans)

    means = []
    for number, (name, record) in enumerate(records.items(), start=1):
        events = laid[name]
        through_the_frame(shop, record, events)
        first = next(e for e in events if e.kind == "set")
        wheel = set_up(shop, record, load_build(shop.build_file[name]), batch, first, seed=number)
        answers: list[Any] = []
        for event in events:
            if event.kind in ("touch", "pass"):
                answers = session(shop, name, record, wheel, event, first.start, times=2 if number == 1 else 1)
        last = answers[-1]
        # the plan was chosen for just above 90 %; what this wheel lost moves that a little either way
        assert last["probability_settled"] > 0.8
        assert last["another_night"] == (last["probability_settled"] < 0.9)
        assert not last["outliers"]

        # delivered, read at the horizon
        deliver = next(e for e in events if e.kind == "deliver")
        assert shop.does("wheel", "next", record, "--now", at(deliver.start))["action"] == "deliver"
        shop.does("wheel", "note", record, "delivered", "--at", at(deliver.start))
        targets = np.array(wheel.wheel.side_targets_N())
        off = []
        for hours in (72.0, 720.0):
            wheel.stand_until(hours)
            sides = np.array([wheel.tension_N[wheel.wheel.side == s].mean() for s in (0, 1)])
            off.append(100.0 * np.abs(sides / targets - 1.0).max())
        means.append(off)
        assert wheel.spread_percent() < 8.0
        assert np.ptp(wheel.lateral_mm) < 0.3 and np.ptp(wheel.radial_mm) < 0.3
        horizon = first.start + timedelta(hours=720)
        sheet = shop.readings("horizon", wheel.read())
        coming = shop.does("wheel", "note", record, "reading", "--readings", sheet, "--at", at(horizon))
        assert coming["next"]["action"] == "read"
    assert np.array(means).max() < 4.5, means

    # the shop's ledger holds the claims against both
    ledger = shop.does("wheel", "ledger", *records.values(), "--now", at(START + timedelta(days=60)))
    assert [w["held"] for w in ledger["wheels"]] == [True, True]
    assert len(ledger["readings"]) == 4
    assert ledger["seating"]["wheels"] == 2
    assert 0.0 <= ledger["seating"]["seating_mm"] < 0.06
