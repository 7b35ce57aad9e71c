"""The first screen: what waits for a person, slack clocks, runs on the frame."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from bench.journal import Event, Row
from bench.live import StationStatus, Status
from bench.machine import StationState
from bench.record import journal_path
from bench.recorder import Recorder
from tests.tui.records import record
from tests.tui.test_monitor import PICTURES, SIZES, Fixed, monitor, press, screen_text
from tests.tui.test_wheel_command import BUILD, STEPS
from tui.cli import run
from tui.inwork import Group, InWork, item_of_run
from tui.monitor import Monitor
from tui.screens.attach import Attachment

NOW = datetime(2025, 3, 4, 12, tzinfo=UTC)
GOLDEN = {"log_sd": {"elastic": 0.02, "recoverable": 0.08, "bedding": 0.1, "flow": 0.3}, "spokes": 4}


def shop(folder: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """Four wheels at four stages, by their records."""
    from tests.golden import default_chain

    (folder / "front.toml").write_text(BUILD.read_text(encoding="utf-8"), encoding="utf-8")
    batch = {"batch": "K07", "chain": default_chain().as_dict(), "spread": GOLDEN}
    (folder / "K07.json").write_text(json.dumps(batch), encoding="utf-8")
    (folder / "schedule.json").write_text(json.dumps({"steps": STEPS, "passes": 1}), encoding="utf-8")

    def does(*args: object) -> None:
        assert run([str(a) for a in args]) == 0, capsys.readouterr().err
        capsys.readouterr()

    for name in ("front-7", "rear-3", "front-8", "rear-4"):
        path = folder / f"{name}.json"
        plan = [] if name == "rear-4" else ["--plan", folder / "schedule.json"]
        does("wheel", "new", folder / "front.toml", "--batch", folder / "K07.json", *plan, "--out", path,
             "--name", name.capitalize().replace("-", " "), "--now", "2025-03-01T08:00Z")  # fmt: skip
    front, rear, later = (folder / f"{n}.json" for n in ("front-7", "rear-3", "front-8"))
    does(
        "wheel",
        "note",
        front,
        "stretched",
        "--positions",
        "1-28",
        "--at",
        "2025-03-04T08:30Z",
        "--now",
        "2025-03-04T09:00Z",
    )
    for path in (rear, later):
        does(
            "wheel",
            "note",
            path,
            "stretched",
            "--positions",
            "1-28",
            "--at",
            "2025-03-02T08:30Z",
            "--now",
            "2025-03-04T10:00Z",
        )
        does("wheel", "note", path, "laced", "--at", "2025-03-02T09:00Z", "--now", "2025-03-04T10:00Z")
    does("wheel", "note", rear, "session", "--at", "2025-03-04T08:00Z", "--now", "2025-03-04T10:00Z")
    does("wheel", "note", later, "session", "--at", "2025-03-03T10:00Z", "--now", "2025-03-04T10:00Z")
    return folder


@pytest.fixture
def folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    return shop(tmp_path, capsys)


def items(folder: Path, now: datetime = NOW) -> dict[str, Any]:
    looked = InWork(folder)
    found = looked.look(now)
    looked.close()
    return {i.name: i for i in found}


# -- what is in work --------------------------------------------------------------------------------------------------


def test_what_waits_comes_first_and_each_wheel_says_what_and_when(folder: Path) -> None:
    found = items(folder)
    assert set(found) == {"Front 7", "Rear 3", "Front 8", "Rear 4"}
    front, rear, later, bare = (found[n] for n in ("Front 7", "Rear 3", "Front 8", "Rear 4"))
    # slack since 08:30, to be laced at 09:00 (planned rest 0.5 h): three hours late
    assert front.overdue and front.group is Group.WAITS and front.when == "OVERDUE by 3 h"
    assert front.slack_h == pytest.approx(3.5) and any("slack clock" in line for line in front.detail)
    # set at 08:00 for an hour: its pass at 24 h, not before 14 h of rest
    assert rear.group is Group.LATER and rear.when.startswith("from Tue 23:00Z, in 11 h")
    # set a day and two hours ago: its pass was due at 10:00 and is within the grace
    assert later.group is Group.WAITS and not later.overdue and later.when == "due now"
    assert bare.group is Group.WAITS and "no schedule" in bare.what
    looked = InWork(folder)
    assert next(i.name for i in looked.look(NOW)) == "Front 7"


def test_a_changed_record_is_read_again_and_a_broken_one_is_named(folder: Path) -> None:
    looked = InWork(folder)
    assert next(i for i in looked.look(NOW) if i.name == "Front 7").overdue
    path = folder / "front-7.json"
    content = json.loads(path.read_text())
    content["name"] = "Front seven"
    path.write_text(json.dumps(content))
    assert "Front seven" in {i.name for i in looked.look(NOW)}
    path.write_text(json.dumps(content)[:-40])
    broken = next(i for i in looked.look(NOW) if i.kind == "trouble")
    assert broken.group is Group.WAITS and "not JSON" in broken.what
    path.unlink()
    assert {i.kind for i in looked.look(NOW)} == {"wheel"}


def test_other_json_files_are_no_wheels(folder: Path) -> None:
    (folder / "list.json").write_text("[1, 2]")
    (folder / "large.json").write_text('{"kind": "something else", "x": "' + "y" * 100_000 + '"}')
    assert {i.kind for i in items(folder).values()} == {"wheel"}


def status(state: StationState = StationState.HOLDING, *, written: bool = True, ended: str | None = None,
           load_N: float = 1500.0, fault: str | None = None, ago: timedelta = timedelta(0)) -> Status:  # fmt: skip
    station = StationStatus(
        name="A", spoke="K07-01", state=state, step="hold 1500 N", set_load_N=1500.0, load_N=load_N, elongation_mm=1.0,
        at_s=100.0, fault=fault,
    )  # fmt: skip
    return Status(being_written=written, ended=ended, last_utc=(NOW - ago).timestamp(), stations=(station,))


@pytest.mark.parametrize(
    ("run_status", "group", "says"),
    [
        (status(), Group.FRAME, "1 spoke on the frame; hold 1500 N"),
        (status(fault="over load"), Group.WAITS, "FAULT: station A: over load"),
        (status(written=False), Group.WAITS, "CUT OFF; 1 spokes were under load: 'longhold resume night.h5'"),
        (status(written=False, ended="stopped"), Group.WAITS, "still under load: stopped"),
        (status(written=False, ended="finished", load_N=0.1), Group.DONE, "its spokes have hung slack since"),
    ],
)
def test_a_run_says_what_it_needs_of_a_person(run_status: Status, group: Group, says: str) -> None:
    item = item_of_run(Path("night.h5"), "a night", run_status, NOW)
    assert item is not None and item.group is group and says in item.what


def test_a_run_that_ended_long_ago_is_left_out_and_a_recent_one_keeps_its_slack_clock() -> None:
    fresh = status(written=False, ended="finished", load_N=0.1, ago=timedelta(hours=3))
    item = item_of_run(Path("night.h5"), "a night", fresh, NOW)
    assert item is not None and item.slack_h == pytest.approx(3.0)
    old = status(written=False, ended="finished", load_N=0.1, ago=timedelta(days=3))
    assert item_of_run(Path("night.h5"), "a night", old, NOW) is None


def header() -> dict[str, Any]:
    return {
        "format": 1, "made_with": "0", "name": "night at 1500 N", "batch": "K07", "gauge_length_mm": 280.0,
        "start_utc": NOW.timestamp() - 3600.0, "token": 7, "stations": [{"name": "A", "spoke": "K07-01", "index": 0}],
        "step_names": ["hold 1500 N"], "step_s": [3600.0], "program_text": "", "program_where": "p.toml",
        "frame_text": "", "frame_where": "f.toml", "frame_name": "f", "frame_serial": None, "calibration": [{}],
    }  # fmt: skip


def test_a_growing_run_stands_on_the_frame_and_a_dead_one_waits(folder: Path) -> None:
    path = folder / "night.h5"
    row = Row(station=0, step=0, flags=3, time_s=10.0, utc=NOW.timestamp(), frame_ms=1, load_N=1500.0, position_mm=1.0,
              elongation_mm=1.0, elongation_raw_mm=1.0, temperature_C=20.0, set_load_N=1500.0)  # fmt: skip
    with Recorder.create(path, header(), live=False) as recorder:
        recorder.record(
            [row], [Event(time_s=0.0, utc=NOW.timestamp(), station="", kind="run", message="begun", data={})]
        )
        looked = InWork(folder)
        growing = next(i for i in looked.look(NOW) if i.kind == "run")
        assert growing.group is Group.FRAME and growing.name == "night at 1500 N"
        looked.close()
    assert journal_path(path).exists()
    dead = items(folder)["night at 1500 N"]
    assert dead.group is Group.WAITS and "CUT OFF" in dead.what


# -- as plain lines and JSON ------------------------------------------------------------------------------------------


def test_next_prints_the_same_as_lines_and_as_json(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["next", str(folder), "--now", "2025-03-04T12:00Z"]) == 0
    out = capsys.readouterr().out
    assert out.index("Waits for a person:") < out.index("Front 7") < out.index("Later:") < out.index("Rear 3")
    assert run(["next", str(folder), "--now", "2025-03-04T12:00Z", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    first = answer["items"][0]
    assert (first["name"], first["overdue"], first["slack_h"]) == ("Front 7", True, 3.5)


def test_an_empty_folder_is_told_how_to_begin_and_a_missing_one_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["next", str(tmp_path)]) == 0
    assert "longhold wheel new" in capsys.readouterr().out
    assert run(["next", str(tmp_path / "gone")]) == 2
    assert "is not a folder" in capsys.readouterr().err


# -- on the screen ----------------------------------------------------------------------------------------------------


def home(folder: Path, *records: Any, now: datetime = NOW, read_only: bool = False, **more: Any) -> Monitor:
    attachments = []
    for i, shown in enumerate(records, start=1):
        path = folder / f"night-{i}.h5"
        path.touch()
        attachments.append(Attachment(path, lambda _path, shown=shown: Fixed(shown)))
    return Monitor(
        attachments, poll_s=None, now_utc=lambda: now.timestamp(), home=InWork(folder), read_only=read_only, **more
    )


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
async def test_the_first_screen_looks_as_it_was_approved(folder: Path, size: tuple[int, int]) -> None:
    """To approve a changed look: APPROVE_SCREENS=1 pytest tests/tui/test_home.py, then read the difference."""
    async with home(folder).run_test(size=size) as pilot:
        await pilot.pause()
        seen = await press(pilot, "down", "up")
    approved = PICTURES / f"home-{size[0]}x{size[1]}.txt"
    if os.environ.get("APPROVE_SCREENS"):
        approved.write_text(seen, encoding="utf-8")
    assert max(map(len, seen.splitlines())) <= size[0]
    assert seen == approved.read_text(encoding="utf-8")


async def test_without_colour_the_first_screen_says_the_same(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with home(folder).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        in_colour = await press(pilot, "down")
    monkeypatch.setenv("NO_COLOR", "1")
    async with home(folder).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert await press(pilot, "down") == in_colour


async def test_up_and_down_choose_and_the_detail_follows(folder: Path) -> None:
    async with home(folder).run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        assert "slack clock: its spokes have hung slack" in screen_text(pilot.app)
        seen = await press(pilot, "up")  # round to the last
        assert "> Rear 3" in seen and "After the night" in seen.split("────")[-1]
        assert "> Front 7" in await press(pilot, "down")


async def test_a_run_opens_with_enter_and_h_comes_back(folder: Path) -> None:
    with Recorder.create(folder / "night.h5", header(), live=False) as recorder:
        recorder.record([], [Event(time_s=0.0, utc=NOW.timestamp(), station="", kind="run", message="begun", data={})])
        app = home(folder, attach=lambda path: Attachment(path, lambda _p: Fixed(record(1000.0)), journal_path(path)))
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.pause()
            chosen = next(i for i, item in enumerate(app.items) if item.kind == "run")
            await press(pilot, *["down"] * chosen)
            seen = await press(pilot, "enter")
            assert "night.h5" in seen and "K07-01" in seen
            assert "In work:" in await press(pilot, "h")


async def test_a_wheel_is_not_opened_as_a_run_and_wrong_keys_change_nothing(folder: Path) -> None:
    async with home(folder).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        before = screen_text(pilot.app)
        assert await press(pilot, "enter", "1", "2", "3", "a", "f", "left", "end", "x", "9") == before


async def test_readings_are_typed_from_the_first_screen_into_a_file_beside_the_record(folder: Path) -> None:
    async with home(folder, record(1000.0)).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        seen = await press(pilot, "r", "9", "3", "1", "enter")
        assert "1 of 28 read" in seen  # and not the screens of keys 1, 2 and 3
        await press(pilot, "q")
        assert "In work:" in screen_text(pilot.app)
        await pilot.app.workers.wait_for_complete()
    (path,) = folder.glob("front-7-readings-20250304-1200.csv")
    assert path.read_text().splitlines()[1].startswith("1,931.00,931,before")


async def test_in_a_browser_nothing_can_be_typed_asked_or_written(folder: Path) -> None:
    before = sorted(folder.iterdir())
    live = record(20_000.0)
    async with home(folder, live, read_only=True).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        first = screen_text(pilot.app)
        assert await press(pilot, "r", "p") == first
        stations = await press(pilot, "1")
        assert "K07-01" in stations
        assert await press(pilot, "a") == stations
    assert sorted(folder.iterdir()) == sorted([*before, folder / "night-1.h5"])


def test_the_screens_of_a_named_run_are_as_before(tmp_path: Path) -> None:
    assert monitor(tmp_path, record(1000.0)).home is None
