"""What the monitor says of a spoke beyond its figures: when it is ready for its wheel, how long it has hung slack."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.bench.fake_frame import READY, program_text, steps_text
from tests.tui.records import note, record
from tests.tui.test_monitor import monitor, press
from tui.screens.ready import readiness
from tui.screens.view import Note, last_hold, rows_until, slack_since
from tui.wiring import _of_program

# what bench.ready.judge said (at the probability 0.9) of two invented spokes held at 1500 N, after so many hours
HOURS = (0.5, 1, 1.5, 2, 3, 4, 5, 6, 8, 10, 12)
LOSS = {
    1: (20.44, 19.58, 18.81, 17.98, 16.53, 15.4, 14.52, 13.66, 12.48, 11.4, 10.66),
    2: (21.58, 20.67, 19.9, 19.01, 17.51, 16.25, 15.38, 14.44, 13.21, 12.07, 11.27),
}
BEGAN_S = 180.0


def looks(spoke: int, *, until_h: float, station: str = "A") -> list[Note]:
    return [
        replace(note(BEGAN_S + 3600.0 * h, station, "live fit", "."), data={"loss_percent": [loss - 0.3, loss]})
        for h, loss in zip(HOURS, LOSS[spoke], strict=True)
        if h <= until_h
    ]


@pytest.mark.parametrize("spoke", [1, 2])
@pytest.mark.parametrize("until_h", [4, 5, 6, 8, 10])
def test_the_time_that_is_left_is_good_to_a_quarter_from_a_third_of_the_way_on(spoke: int, until_h: float) -> None:
    at_s = BEGAN_S + 3600.0 * until_h
    found = readiness(looks(spoke, until_h=until_h), "A", BEGAN_S, at_s, LOSS[spoke][-1])
    assert found is not None and found.left_s is not None and not found.ready
    assert found.left_s == pytest.approx(3600.0 * (12.0 - until_h), rel=0.25)


def test_no_time_is_named_without_a_trend() -> None:
    assert readiness([], "A", BEGAN_S, 9e9, 7.0) is None
    first = readiness(looks(1, until_h=1), "A", BEGAN_S, 9e9, 7.0)
    assert (
        first is not None
        and first.left_s is None
        and "not ready: would now lose up to 19.6 %, 7 % is allowed" in (first.in_words(9e9))
    )
    flat = [replace(n, data={"loss_percent": [9.0, 9.9 + 0.01 * (i % 2)]}) for i, n in enumerate(looks(1, until_h=12))]
    stuck = readiness(flat, "A", BEGAN_S, 9e9, 7.0)
    assert stuck is not None and stuck.left_s is None
    never = readiness(looks(1, until_h=4), "A", BEGAN_S, 9e9, 0.5)
    assert never is not None and never.left_s is None, "days away: nothing is said"


def test_looks_of_another_station_an_earlier_hold_or_a_later_moment_do_not_count() -> None:
    mixed = [*looks(1, until_h=2), *looks(2, until_h=12, station="B")]
    assert readiness(mixed, "A", BEGAN_S + 3600.0 * 3, 9e9, 7.0) is None
    early = readiness(mixed, "A", BEGAN_S, BEGAN_S + 3600.0, 7.0)
    assert early is not None and early.loss_percent == 19.58


async def test_the_station_and_the_table_say_when_a_spoke_is_ready(tmp_path: Path) -> None:
    at_s = 20_000.0
    held = record(at_s)
    open_ended = tuple(replace(t, step_s=(60.0, 120.0, None, 1800.0)) for t in held.traces)
    told = [*held.notes, *looks(1, until_h=5)]
    shown = replace(held, traces=open_ended, notes=tuple(told), allowed_loss_percent=11.0)
    async with monitor(tmp_path, shown).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        seen = await press(pilot, "1")
        row = next(line for line in seen.splitlines() if "K07-01" in line)
        assert row.rstrip().endswith("~5 h 25 min")  # its loss comes to 11 % after 11 h
        assert next(line for line in seen.splitlines() if "K07-02" in line).rstrip().endswith(" -")
        seen = await press(pilot, "2")
        assert "ready in about 5 h 25 min: would now lose up to 14.5 %, 11 % is allowed" in seen
        assert max(map(len, seen.splitlines())) <= 80
    done = replace(note(19_000.0, "A", "ready", "."), data={"loss_percent": [10.0, 10.8]})
    shown = replace(shown, notes=(*shown.notes, done))
    async with monitor(tmp_path, shown).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        seen = await press(pilot, "1")
        assert next(line for line in seen.splitlines() if "K07-01" in line).rstrip().endswith("READY")
        assert "READY since 05:16:40: would lose up to 10.8 %" in await press(pilot, "2")


def test_what_may_be_lost_comes_from_the_runs_own_program() -> None:
    text = program_text(steps_text("seat", "hold load_N=900 until='ready' max_hours=9", "unload"), 1, READY)
    steps_s, allowed = _of_program(text)
    assert allowed == 7 and steps_s[1] is None
    assert _of_program("nonsense") == ((), None)


async def test_the_slack_clock_goes_on_after_the_run_and_stops_where_the_spoke_bears_again(tmp_path: Path) -> None:
    ended: Any = replace(record(ended=True))
    off_s = ended.end_s - 60.0
    slack = replace(ended, notes=(*ended.notes, note(off_s, "A", "slack", "K07-01 hangs slack from now on")))
    async with monitor(tmp_path, slack, now_s=off_s + 7200.0).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        seen = await press(pilot, "2")
        assert "hangs slack for 2 h: time that undoes the stretch" in seen
        assert "ended" in seen.splitlines()[1]
        assert "hangs slack" not in await press(pilot, "down")
    late = monitor(tmp_path, slack, now_s=off_s + 9e6)
    async with late.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "hangs slack" not in await press(pilot, "2")
    notes = [note(10.0, "A", "slack", "."), note(20.0, "A", "reached", "."), note(30.0, "B", "slack", ".")]
    assert [slack_since(notes, "A", at) for at in (5.0, 15.0, 25.0)] == [None, 10.0, None]


async def test_on_the_way_to_a_load_nothing_is_called_off_set_and_the_last_hold_stays_in_the_picture(
    tmp_path: Path,
) -> None:
    async with monitor(tmp_path, record(150.0)).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        seen = await press(pilot, "2")
        assert "on its way" in seen and "OFF SET" not in seen and "time since the last load, 20 N, was reached" in seen
    after = record(ended=True).traces[0]
    quiet = replace(after, set_load_N=after.set_load_N * (after.step < 3))
    n = rows_until(quiet, 1e9)
    found = last_hold(quiet, n)
    assert found is not None
    start, stop = found
    assert quiet.step[start] == quiet.step[stop - 1] == 2 and stop < n
