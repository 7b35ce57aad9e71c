"""The monitor: pictures of each screen, keys, and files that vanish, grow or are replaced."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from textual.app import App
from textual.pilot import Pilot
from textual.widgets import Static

from models.errors import InputError
from tests.tui.records import STARTED_UTC, record, trace
from tui.monitor import Monitor
from tui.screens.attach import Attachment
from tui.screens.parts import run_state
from tui.screens.plot import Curve, column_spans, plot, ticks
from tui.screens.view import Record, creep_per_decade, standing_faults, station_at

PICTURES = Path(__file__).parent / "screens"
SIZES = ((80, 24), (120, 40))
LATE_S = 20_000.0


class Fixed:
    """A source that always gives the same record."""

    def __init__(self, shown: Record) -> None:
        self.shown = shown
        self.closed = False

    def refresh(self) -> Record:
        return self.shown

    def close(self) -> None:
        self.closed = True


def monitor(tmp_path: Path, *records: Record, now_s: float = LATE_S) -> Monitor:
    """The monitor on files named night-1.h5, night-2.h5 ..., read once."""
    attachments = []
    for i, shown in enumerate(records, start=1):
        path = tmp_path / f"night-{i}.h5"
        path.touch()
        attachments.append(Attachment(path, lambda _path, shown=shown: Fixed(shown)))
    return Monitor(attachments, poll_s=None, now_utc=lambda: STARTED_UTC + now_s)


def screen_text(app: App[Any]) -> str:
    """What stands on the terminal, line by line, without colour and without the line of keys."""
    strips = app.screen._compositor.render_strips()
    return "\n".join("".join(s.text for s in strip).rstrip() for strip in strips[:-1]) + "\n"


def colours_on(app: App[Any]) -> set[Any]:
    """Every colour, of words and of what is behind them, that the terminal is sent."""
    return {
        colour.get_truecolor()
        for strip in app.screen._compositor.render_strips()
        for segment in strip
        if segment.style
        for colour in (segment.style.color, segment.style.bgcolor)
        if colour is not None
    }


async def press(pilot: Pilot[None], *keys: str) -> str:
    await pilot.press(*keys)
    await pilot.pause()
    app = pilot.app
    assert isinstance(app, Monitor)
    return screen_text(app)


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("fault", [False, True], ids=["quiet", "fault"])
@pytest.mark.parametrize("key", ["1", "2", "3"], ids=["stations", "station", "log"])
async def test_each_screen_looks_as_it_was_approved(
    tmp_path: Path, key: str, fault: bool, size: tuple[int, int], request: pytest.FixtureRequest
) -> None:
    """To approve a changed look: APPROVE_SCREENS=1 pytest tests/tui/test_monitor.py, then read the difference."""
    app = monitor(tmp_path, record(LATE_S, fault=fault))
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        seen = await press(pilot, key)
    approved = PICTURES / f"{request.node.callspec.id}.txt"
    if os.environ.get("APPROVE_SCREENS"):
        approved.parent.mkdir(exist_ok=True)
        approved.write_text(seen, encoding="utf-8")
    assert max(map(len, seen.splitlines())) <= size[0]
    assert seen == approved.read_text(encoding="utf-8")


@pytest.mark.parametrize("key", ["1", "2", "3"])
async def test_without_colour_everything_is_grey_and_says_the_same(
    tmp_path: Path, key: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with monitor(tmp_path, record(LATE_S, fault=True)).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        in_colour = await press(pilot, key)
    monkeypatch.setenv("NO_COLOR", "1")
    app = monitor(tmp_path, record(LATE_S, fault=True))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert await press(pilot, key) == in_colour
        colours = colours_on(app)
    assert colours
    assert all(c.red == c.green == c.blue for c in colours)


async def test_a_fault_is_told_in_words_with_what_to_do_and_marks_its_station(tmp_path: Path) -> None:
    async with monitor(tmp_path, record(LATE_S, fault=True)).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        seen = await press(pilot, "1")
    assert "F A U L T    STATION B" in seen
    assert "load 1688 N is over the limit of 1650 N since 02:30:00" in seen
    assert "What to do: look at the spoke and its ends" in seen
    marked = [line for line in seen.splitlines() if line.startswith(" !")]
    assert len(marked) == 1 and "K07-02" in marked[0] and "FAULT" in marked[0]


async def test_what_stands_there_already_is_not_drawn_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[str] = []
    app = monitor(tmp_path, record(LATE_S))
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.pause()
        await press(pilot, "1")
        plain = Static.update
        monkeypatch.setattr(
            Static, "update", lambda self, *a, **more: drawn.append(str(self.id)) or plain(self, *a, **more)
        )
        monkeypatch.setattr(type(app.screen), "refresh_bindings", lambda _self: drawn.append("keys"))
        app.show_all()
        drawn.clear()
        app.show_all()  # as at each look at the run
        assert drawn == []
        app.selected = 1
        app.show_all()
        assert sorted(drawn) == ["curve", "rows"]


async def test_up_and_down_choose_a_station_and_wrap_round(tmp_path: Path) -> None:
    async with monitor(tmp_path, record(LATE_S)).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "> A" in (await press(pilot, "1")).replace(">  A", "> A")
        assert "Station B   spoke K07-02" in await press(pilot, "down", "2")
        assert "Station D   spoke K07-04" in await press(pilot, "up", "k")


async def test_a_run_can_be_scrolled_back_to_its_start_and_on_to_the_newest(tmp_path: Path) -> None:
    async with monitor(tmp_path, record(ended=True)).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "ended after 08:33:00" in await press(pilot, "1")
        seen = await press(pilot, "left")
        assert "looking back: 08:27:52 of 08:33:00" in seen
        assert "recover" in seen  # the step of that moment
        seen = await press(pilot, "pageup", "pageup")
        assert "hold" in seen and "recover" not in seen
        seen = await press(pilot, "home")
        assert "looking back: 00:00:00" in seen
        assert "hold begun" not in seen  # the log as it stood
        assert "ended after" in await press(pilot, "end")
        assert "ended after" in await press(pilot, "right")  # no further than the newest


async def test_wrong_keys_change_nothing_and_q_leaves(tmp_path: Path) -> None:
    app = monitor(tmp_path, record(LATE_S))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        before = await press(pilot, "1")
        assert await press(pilot, "x", "9", "f", "enter", "escape", "delete") == before
        await pilot.press("q")
    assert app.return_code == 0


async def test_several_files_are_shown_one_after_the_other(tmp_path: Path) -> None:
    other = replace(record(ended=True, stations=2), title="Another night", demo=False)
    async with monitor(tmp_path, record(LATE_S), other).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "night-1.h5  DEMO, invented  Night at 1500 N" in await press(pilot, "1")
        seen = await press(pilot, "f")
        assert "night-2.h5  Another night" in seen and "[2/2]" in seen and "DEMO" not in seen
        assert "night-1.h5" in await press(pilot, "f")


async def test_sixteen_stations_fit_the_smallest_terminal(tmp_path: Path) -> None:
    async with monitor(tmp_path, record(400.0, stations=16), now_s=400.0).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        seen = await press(pilot, "1")
    assert all(f"K07-{i:02d}" in seen for i in range(1, 17))


async def test_a_live_file_is_read_again_while_the_screen_is_up(tmp_path: Path) -> None:
    path = tmp_path / "night.h5"
    path.touch()
    moments = iter([1000.0, 2000.0])

    class Growing(Fixed):
        def refresh(self) -> Record:
            return record(next(moments))

    app = Monitor([Attachment(path, lambda _: Growing(record(0.0)))], poll_s=None, now_utc=lambda: STARTED_UTC + 1000)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "running 00:16:40" in await press(pilot, "1")
        app.read_again()
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert "running 00:33:20" in screen_text(app)


async def test_an_unreadable_file_leaves_the_monitor_up_with_a_plain_word(tmp_path: Path) -> None:
    path = tmp_path / "night.h5"
    path.touch()

    def refuse(_path: Path) -> Fixed:
        raise InputError(f"{path}: not a run file")

    app = Monitor([Attachment(path, refuse)], poll_s=None)
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.pause()
        assert f"{path}: not a run file" in (await press(pilot, "2")).replace("\n ", "")


def test_a_file_that_vanishes_keeps_its_last_picture_and_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "night.h5"
    path.touch()
    opened: list[Fixed] = []

    def opener(_path: Path) -> Fixed:
        opened.append(Fixed(record(1000.0)))
        return opened[-1]

    attached = Attachment(path, opener)
    attached.refresh()
    assert attached.trouble is None
    path.unlink()
    attached.refresh()
    assert attached.record is not None and attached.record.end_s <= 1000.0
    assert attached.trouble is not None and "what was read of it is shown" in attached.trouble
    assert opened[0].closed
    path.touch()
    attached.refresh()
    assert attached.trouble is None and len(opened) == 2


def test_a_file_replaced_under_its_name_is_opened_anew(tmp_path: Path) -> None:
    path = tmp_path / "night.h5"
    path.touch()
    opened: list[Fixed] = []

    def opener(_path: Path) -> Fixed:
        opened.append(Fixed(record(1000.0 * (1 + len(opened)))))
        return opened[-1]

    attached = Attachment(path, opener)
    attached.refresh()
    new = tmp_path / "new.h5"
    new.touch()
    new.replace(path)
    attached.refresh()
    assert len(opened) == 2 and opened[0].closed
    assert attached.record is not None and attached.record.end_s > 1000.0


def test_a_finished_file_is_read_once_and_let_go(tmp_path: Path) -> None:
    path = tmp_path / "night.h5"
    path.touch()
    reads: list[Fixed] = []

    def opener(_path: Path) -> Fixed:
        reads.append(Fixed(record(ended=True)))
        return reads[-1]

    attached = Attachment(path, opener)
    attached.refresh()
    attached.refresh()
    assert len(reads) == 1 and reads[0].closed


def test_the_rate_per_decade_of_a_logarithmic_creep_is_its_slope() -> None:
    since = np.concatenate([[0.0], np.geomspace(1.0, 10_000.0, 200)])
    rate = creep_per_decade(5000.0 + since, 1.3 + 0.21 * np.log10(np.maximum(since, 0.1)))
    assert rate == pytest.approx(0.21, rel=1e-9)


def test_no_rate_is_shown_for_a_hold_that_is_too_young_or_too_thin() -> None:
    assert creep_per_decade(np.linspace(0, 59, 50), np.ones(50)) is None
    assert creep_per_decade(np.array([0.0, 100.0, 200.0]), np.ones(3)) is None
    assert creep_per_decade(np.zeros(0), np.zeros(0)) is None


def test_the_rate_counts_from_the_present_load_level_and_not_from_the_start() -> None:
    shown = trace("A", "K07-01", 1.0, 1e9)
    in_recovery = station_at(shown, [], float(shown.time_s[-1]))
    assert in_recovery.creep_mm_per_decade is not None and in_recovery.creep_mm_per_decade < 0  # it gives length back
    in_hold = station_at(shown, [], 20_000.0)
    assert in_hold.creep_mm_per_decade is not None and 0.1 < in_hold.creep_mm_per_decade < 0.4


def test_time_left_counts_down_within_the_step_and_is_unknown_where_the_plan_does_not_say() -> None:
    shown = trace("A", "K07-01", 1.0, 1e9)
    at = float(shown.time_s[np.searchsorted(shown.time_s, 10_000.0)])
    now = station_at(shown, [], at)
    assert now.step == "hold"
    assert now.step_left_s == pytest.approx(180.0 + 8 * 3600.0 - at, abs=5.0)
    open_ended = replace(shown, step_s=(60.0, 120.0, None, 1800.0))
    assert station_at(open_ended, [], at).step_left_s is None


def test_a_station_without_rows_shows_unknowns_and_no_numbers() -> None:
    now = station_at(trace("A", "K07-01", 1.0, 1e9), [], -1.0)
    assert (now.load_N, now.elongation_mm, now.creep_mm_per_decade, now.step_left_s) == (None, None, None, None)


@pytest.mark.parametrize(("load_N", "held"), [(1507.0, True), (1492.6, True), (1508.0, False), (1491.0, False)])
def test_on_set_means_within_half_a_percent_of_the_set_load(load_N: float, held: bool) -> None:
    shown = trace("A", "K07-01", 1.0, LATE_S)
    shown = replace(shown, load_N=np.full_like(shown.load_N, load_N))
    assert station_at(shown, [], LATE_S).held is held


def test_a_fault_stands_until_it_is_cleared_and_not_before_it_came() -> None:
    shown = record(fault=True)
    assert standing_faults(shown.notes, 8999.0) == []
    (fault,) = standing_faults(shown.notes, 9001.0)
    assert (fault.station, fault.to_do.split(" and")[0]) == ("B", "look at the spoke")
    cleared = [*shown.notes, replace(shown.notes[-1], time_s=9500.0, kind="acknowledged", message="by a person")]
    assert standing_faults(cleared, 9600.0) == []


@pytest.mark.parametrize(
    ("now_s", "said"), [(1010.0, "running"), (1200.0, "NOTHING NEW for 3 min")], ids=["fresh", "silent"]
)
def test_a_run_that_stopped_writing_is_called_out(now_s: float, said: str) -> None:
    shown = record(1000.0)
    assert said in run_state(shown, None, STARTED_UTC + now_s)
    assert "NOTHING NEW" not in run_state(replace(shown, ended=True), None, STARTED_UTC + 1e6)


def test_a_single_spike_between_columns_is_never_lost() -> None:
    y = np.zeros(100_000)
    y[54_321] = 7.0
    bottom, top = column_spans(np.arange(1e5), y, 0.0, 1e5 - 1, 60)
    assert np.nanmax(top) == 7.0 and np.nanmin(bottom) == 0.0


def test_a_curve_with_few_points_is_drawn_through_and_a_gap_is_left_open() -> None:
    _, top = column_spans(np.array([0.0, 10.0]), np.array([0.0, 10.0]), 0.0, 10.0, 10)
    assert np.allclose(top, np.arange(1, 11))
    _, top = column_spans(np.array([0.0, 4.0, 5.0, 6.0, 10.0]), np.array([1, 1, np.nan, 1, 1.0]), 0.0, 10.0, 10)
    assert np.isnan(top[5]) and top[2] == 1.0 and top[8] == 1.0


def test_ticks_are_round_and_inside_the_range() -> None:
    assert ticks(0.0, 1510.0, 3) == [0.0, 1000.0]
    assert np.allclose(ticks(1.38, 1.92, 6), [1.4, 1.5, 1.6, 1.7, 1.8, 1.9])
    assert ticks(5.0, 5.0, 4) == [5.0]


@pytest.mark.parametrize(("width", "height"), [(80, 20), (41, 8), (24, 4), (10, 3)])
@pytest.mark.parametrize("log_time", [False, True])
def test_a_plot_fills_exactly_the_room_it_is_given(width: int, height: int, log_time: bool) -> None:
    make: Callable[[int], Curve] = lambda n: Curve(x=np.linspace(0, 1e4, n), y=np.linspace(1, 2, n))  # noqa: E731
    for curves in ([make(50)], [make(1)], [make(0)], []):
        lines = plot(curves, width=width, height=height, title="Elongation, mm", log_time=log_time)
        assert len(lines) == height
        assert {line.cell_len for line in lines} == {width}
