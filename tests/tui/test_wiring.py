"""The monitor on real run files: a journal that grows, a run that was cut off, a sealed file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from bench.framefile import read_frame_file
from bench.journal import Event, Row
from bench.recorder import Recorder, finish
from bench.start import run_header
from bench.steps import Program
from models.errors import InputError
from tests.tui.records import STARTED_UTC
from tui import demo_scenario
from tui.monitor import Monitor
from tui.screens.view import station_at
from tui.wiring import attach, planned_s


@pytest.fixture
def program() -> Program:
    from bench.program import program_from_text

    return program_from_text(demo_scenario.PROGRAM, "program.toml")


@pytest.fixture
def header(tmp_path: Path, program: Program) -> dict[str, Any]:
    frame = tmp_path / "frame.toml"
    frame.write_text(demo_scenario.frame_text(), encoding="utf-8")
    facts = read_frame_file(frame).facts
    return run_header(
        program,
        facts,
        frame_text=frame.read_text(encoding="utf-8"),
        frame_where="frame.toml",
        token=7,
        start_utc=STARTED_UTC,
    )


def rows(at_s: float, load_N: float = 1000.0) -> list[Row]:
    """All four stations in the first hold."""
    return [
        Row(
            station=i, step=1, flags=3, time_s=at_s, utc=STARTED_UTC + at_s, frame_ms=0, load_N=load_N + i,
            position_mm=5.0, elongation_mm=1.2 + 1e-4 * at_s, elongation_raw_mm=1.6, temperature_C=21.0,
            set_load_N=1000.0,
        )
        for i in range(4)
    ]  # fmt: skip


def event(at_s: float, kind: str, message: str, station: str = "B", **data: Any) -> Event:
    return Event(time_s=at_s, utc=STARTED_UTC + at_s, station=station, kind=kind, message=message, data=data)


def test_a_run_is_followed_from_its_first_row_to_its_sealed_file(tmp_path: Path, header: dict[str, Any]) -> None:
    path = tmp_path / "run.h5"
    attached = attach(path)
    attached.refresh()
    assert attached.record is None and "not there" in str(attached.trouble)
    with Recorder.create(path, header, live=False) as recorder:
        recorder.record(rows(100.0))
        attached.refresh()
        assert attached.trouble is None and attached.record is not None
        first = attached.record
        assert (first.end_s, first.ended, first.written, first.demo) == (100.0, False, True, True)
        assert [t.spoke for t in first.traces] == list(demo_scenario.SPOKES)
        recorder.record(rows(101.0), [event(101.0, "fault", "load 1688 N; do: look at the spoke")])
        attached.refresh()
        assert attached.record.end_s == 101.0 and attached.record.traces[2].time_s.tolist() == [100.0, 101.0]
        assert attached.record.notes[-1].kind == "fault"
        recorder.record([], [event(102.0, "end", "finished", station="", ended="finished")])
    finish(path, keep_journal=False)
    attached.refresh()
    assert attached.trouble is None and attached.record.ended
    assert attached.record.traces[2].load_N.tolist() == [1002.0, 1002.0]
    assert len(attached.record.notes) == 2


def test_a_run_that_nobody_writes_and_nobody_ended_is_shown_as_cut_off(tmp_path: Path, header: dict[str, Any]) -> None:
    path = tmp_path / "run.h5"
    with Recorder.create(path, header, live=False) as recorder:
        recorder.record(rows(100.0))
    attached = attach(path)
    attached.refresh()
    assert attached.record is not None
    assert (attached.record.ended, attached.record.written) == (False, False)


async def test_the_monitor_shows_a_growing_run_and_leaves_it_untouched(tmp_path: Path, header: dict[str, Any]) -> None:
    path = tmp_path / "run.h5"
    with Recorder.create(path, header, live=False) as recorder:
        recorder.record(rows(100.0))
        before = sorted((p.name, p.stat().st_size, p.stat().st_mtime_ns) for p in tmp_path.iterdir())
        app = Monitor([attach(path)], poll_s=None, now_utc=lambda: STARTED_UTC + 101.0)
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.pause()
            await pilot.press("2", "down", "1")
            assert app.record is not None and app.record.end_s == 100.0
        after = sorted((p.name, p.stat().st_size, p.stat().st_mtime_ns) for p in tmp_path.iterdir())
        assert after == before
        assert recorder.record(rows(101.0))  # the writer is not blocked by one who looks


def test_a_step_is_planned_to_take_its_way_to_the_load_and_its_hold(program: Program) -> None:
    steps_s = planned_s(program)
    assert steps_s[1] == pytest.approx((1000 - 20) / 10 + 3600)
    assert steps_s[2] == pytest.approx((1000 - 15) / 20 + 3600)


def test_time_left_of_a_real_step_counts_its_way_and_hold(tmp_path: Path, header: dict[str, Any]) -> None:
    path = tmp_path / "run.h5"
    with Recorder.create(path, header, live=False) as recorder:
        for at_s in (100.0, 200.0, 300.0):
            recorder.record(rows(at_s))
    attached = attach(path)
    attached.refresh()
    assert attached.record is not None
    now = station_at(attached.record.traces[0], [], 300.0)
    assert now.step_left_s == pytest.approx(98.0 + 3_600.0 - 200.0)


def test_an_hdf5_file_of_another_kind_is_named_in_plain_words(tmp_path: Path) -> None:
    import h5py

    path = tmp_path / "other.h5"
    with h5py.File(path, "w") as f:
        f["x"] = 1.0
    attached = attach(path)
    attached.refresh()
    assert attached.record is None
    assert str(path) in str(attached.trouble)


def test_a_missing_file_is_named_by_the_night_that_needs_it(tmp_path: Path) -> None:
    from tui.wiring import simulated_night

    with pytest.raises(InputError, match=r"program\.toml"):
        simulated_night(
            tmp_path / "program.toml", tmp_path / "frame.toml", tmp_path / "run.h5",
            seed=1, start_utc=STARTED_UTC, progress=lambda _: None,
        )  # fmt: skip
    assert list(tmp_path.iterdir()) == []
