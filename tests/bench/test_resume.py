"""After a cut: killed at random moments nothing acknowledged is lost; nothing moves until a person has said so."""

from __future__ import annotations

import contextlib
import os
import random
import select
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bench.errors import FrameFault
from bench.journal import GAP_BEFORE, OFFSET_UNKNOWN, STATE_MASK
from bench.machine import STATE_CODE, RunState, StationState
from bench.record import journal_path
from bench.recorder import Recorder, finish
from bench.replay import read_journal
from bench.resume import Interrupted, acknowledge, describe, phrase, read_interrupted, rebuilt
from bench.runfile import is_sealed, open_live, read_run, read_table
from bench.session import Alerts, Session, resume_run
from bench.status import Mailbox
from models.errors import InputError
from tests.bench.fake_frame import FakeFrame, make_program
from tests.bench.runs import own_runtime_folder, recorded, two_spokes

S = StationState


@pytest.fixture(autouse=True)
def own_folder(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    with own_runtime_folder(monkeypatch):
        yield


# killed --------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def nursery() -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.nursery"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    yield process
    assert process.stdin is not None and process.stdout is not None
    process.stdin.close()
    process.wait(timeout=20)
    process.stdout.close()


def kill_a_writer(
    nursery: subprocess.Popen[str], run: Path, pipe: Path, after_acknowledged: int, *, live: bool = False
) -> int:
    """Let a process write ``run``, kill it once so many records are acknowledged; returns the last that it reported.

    ``live``: not before its live HDF5 file is there.
    """
    assert nursery.stdin is not None and nursery.stdout is not None
    os.mkfifo(pipe)
    nursery.stdin.write(f"{run}\t{pipe}\n")
    nursery.stdin.flush()
    number = int(nursery.stdout.readline())
    fd = os.open(pipe, os.O_RDONLY)
    last, killed, data = 0, False, b""
    try:
        while True:
            if not killed and last >= after_acknowledged and (run.exists() or not live):
                os.kill(number, signal.SIGKILL)
                killed = True
            select.select([fd], [], [])
            piece = os.read(fd, 65536)
            if not piece:
                break
            data += piece
            whole = len(data) // 8 * 8
            if whole:
                last = int.from_bytes(data[whole - 8 : whole], "little")
            data = data[whole:]
    finally:
        os.close(fd)
        if not killed:
            with contextlib.suppress(ProcessLookupError):
                os.kill(number, signal.SIGKILL)
    return last


def test_fifty_processes_killed_at_random_moments_lose_no_acknowledged_row(
    nursery: subprocess.Popen[str], tmp_path: Path
) -> None:
    rng = random.Random(11)
    with_live_file = 0
    for n in range(55):
        run, pipe = tmp_path / f"{n}.h5", tmp_path / f"{n}.pipe"
        last = kill_a_writer(nursery, run, pipe, rng.randrange(1, 2500), live=n % 3 > 0)
        journal = journal_path(run)
        _, samples, events = read_journal(journal)
        records = samples.size + len(events)
        assert records >= last > 0, f"run {n}: {last} records were acknowledged, {records} are there"
        sequence = samples["sequence"]
        assert np.all(np.diff(sequence.astype(np.int64)) > 0)
        rows = read_run(run).stations
        assert rows["A"].columns["time"].size + rows["B"].columns["time"].size == samples.size
        assert open_live(run).refresh().status.cut_off
        with_live_file += run.exists()
        if n % 5 == 0:  # made anew from the journal, whatever the live file looks like
            finish(run, keep_journal=True)
            assert is_sealed(run)
            if np.isfinite(samples["elongation_mm"]).any():
                assert len(read_table(run)) == np.isfinite(samples["elongation_mm"]).sum()
        for file in (run, journal, pipe):
            file.unlink(missing_ok=True)
    assert with_live_file > 30, "most were killed with a live HDF5 file open"


def test_a_process_killed_while_it_begins_leaves_a_run_or_a_plain_refusal(
    nursery: subprocess.Popen[str], tmp_path: Path
) -> None:
    for n in range(5):
        run, pipe = tmp_path / f"{n}.h5", tmp_path / f"{n}.pipe"
        kill_a_writer(nursery, run, pipe, 0)
        with contextlib.suppress(InputError):
            read_run(run)


# resumed -------------------------------------------------------------------------------------------------------------

NIGHT = make_program(
    "seat seconds=2", "hold load_N=900 rate_N_per_s=20 hours=0.2", "recover hours=0.05", "unload", stations=2
)


async def cut_off(tmp_path: Path, at_s: float = 200.0) -> tuple[FakeFrame, Path]:
    """A run that ended at ``at_s`` as if the process had been killed: no end is in its journal."""
    run, frame = tmp_path / "night.h5", two_spokes()
    await recorded(run, NIGHT, frame, at={at_s: lambda box: box.stop_now()}, live=False)
    journal = journal_path(run)
    text = journal.read_bytes()
    at = text.find(b'"kind": "stopped"')
    journal.write_bytes(text[: text.rfind(b"LE", 0, at)])
    return frame, run


async def go_on(frame: FakeFrame, run: Path, answers: dict[str, str]) -> Session:
    interrupted = read_interrupted(run)
    return await resume_run(
        frame,
        frame.clock,
        interrupted,
        answers,
        mailbox=Mailbox(),
        alerts=Alerts.off(),
        recorder_options={"live": False},
    )


async def test_a_run_that_was_cut_off_goes_on_where_it_was_and_marks_the_gap(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    before = read_interrupted(run)
    await frame.clock.sleep_until(frame.clock.now_s() + 120.0)
    session = await go_on(frame, run, {"A": "move", "B": "move"})
    assert session.outcome.state is RunState.FINISHED and session.sealed
    assert not journal_path(run).exists() and is_sealed(run)
    result = read_run(run)
    (resumed,) = [e for e in result.events if e.kind == "resumed"]
    assert "gap of 12" in resumed.message
    a = result.stations["A"].columns
    gaps = np.diff(a["time"])
    assert np.all(gaps > 0) and gaps.max() == pytest.approx(120.0, abs=3.0)
    first_after = int(np.argmax(gaps)) + 1
    assert a["flags"][first_after] & GAP_BEFORE and not a["flags"][first_after - 1] & GAP_BEFORE
    assert not np.any(a["flags"] & OFFSET_UNKNOWN), "the position was kept, and so was the zero"
    # elongation goes on from the same zero: over the gap the spoke crept at constant length
    taut = np.isfinite(a["elongation"])
    at_load = a["load"] > 880.0
    i, j = np.flatnonzero(taut & at_load & (a["time"] < before.last_s))[-1], first_after
    assert a["elongation"][j] - a["elongation"][i] == pytest.approx((a["load"][j] - a["load"][i]) * -4e-4, abs=0.01)
    # the hold's clock went on: it ends when the program said, not later by the gap
    reached = next(e.time_s for e in result.events if e.kind == "reached" and e.station == "A")
    ended = next(e.time_s for e in result.events if e.kind == "step" and e.data.get("step") == 2 and e.station == "A")
    assert ended - reached == pytest.approx(0.2 * 3600.0, abs=3.0)


async def test_nothing_moves_before_a_person_has_answered_and_unanswered_stations_are_left(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    await frame.clock.sleep_until(frame.clock.now_s() + 10.0)
    stood = [d.x_mm for d in frame.drives]
    sent = len(frame.commands)
    session = await go_on(frame, run, {"B": "move"})
    a, b = session.outcome.stations
    assert a.state is S.KEPT and a.ended == "left as it stands by a person" and a.under_load
    assert b.state is S.DONE
    assert frame.drives[0].x_mm == stood[0] and not [c for _, c in frame.commands[sent:] if c.station == 0]
    assert not session.outcome.finished and journal_path(run).exists(), "station A can still be resumed"
    again = read_interrupted(run)
    assert [s.state for s in again.stations] == [S.KEPT, S.DONE]
    session = await go_on(frame, run, {"A": "ease off"})
    assert [s.state for s in session.outcome.stations] == [S.EASED_OFF, S.DONE]
    assert [s.load_N(d.x_mm) for s, d in zip(frame.spokes, frame.drives, strict=True)] == [0.0, 0.0]


async def test_where_position_was_lost_the_elongation_goes_on_with_an_unknown_offset(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    for spoke, drive in zip(frame.spokes, frame.drives, strict=True):  # a new reference: everything reads 3 mm more
        spoke.seat_mm += 3.0
        drive.x_mm += 3.0
        drive.target_mm += 3.0
    await frame.clock.sleep_until(frame.clock.now_s() + 10.0)
    session = await go_on(frame, run, {"A": "move", "B": "move"})
    assert session.outcome.state is RunState.FINISHED
    table = read_table(run)
    one = table[table["spoke"] == "T-1"]
    assert one["offset_unknown"].any() and not one["offset_unknown"].all()
    last, first = one[~one["offset_unknown"]].iloc[-1], one[one["offset_unknown"]].iloc[0]
    assert first["elongation_mm"] == pytest.approx(last["elongation_mm"], abs=0.02), "no 3 mm step"
    assert any(e.kind == "zero again" for e in read_run(run).events)


async def test_where_a_frame_cannot_tell_every_interruption_counts_as_position_lost(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    await frame.clock.sleep_until(frame.clock.now_s() + 10.0)
    reading, interrupted = await frame.read(), read_interrupted(run)
    assert not any(s.offset_unknown for s in rebuilt(interrupted, frame.facts, reading, 300.0))
    blind = replace(frame.facts, absent=("position_valid",))
    stations = rebuilt(interrupted, blind, reading, 300.0)
    assert all(s.offset_unknown for s in stations)
    lines = describe(interrupted, stations, reading, 300.0, untold=True)
    assert all("nobody can tell" in line and "unknown offset" in line for line in lines[1:])


async def test_a_station_whose_position_is_not_valid_cannot_be_moved(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    frame.tamper = lambda r: replace(r, stations=tuple(replace(s, position_valid=False) for s in r.stations))
    before = journal_path(run).read_bytes()
    with pytest.raises(FrameFault, match="re-reference the encoder"):
        await go_on(frame, run, {"A": "move"})
    assert journal_path(run).read_bytes() == before, "nothing was written"
    assert frame.owner == 0


async def test_a_person_sees_each_stations_real_state_beside_what_was_recorded(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    await frame.clock.sleep_until(frame.clock.now_s() + 3600.0)
    interrupted = read_interrupted(run)
    reading = await frame.read()
    at_s = reading.at_utc - interrupted.header["start_utc"]
    stations = rebuilt(interrupted, frame.facts, reading, at_s)
    lines = describe(interrupted, stations, reading, at_s)
    assert lines[0] in (
        "recorded until 0:03:20 of the run, 1:00:00 ago",
        "recorded until 0:03:20 of the run, 0:59:59 ago",
    )
    for line, name in zip(lines[1:], "AB", strict=True):
        for part in (f"station {name} (T-", "load 8", "(last ", "valid", "was holding", "2 hold 900 N"):
            assert part in line, line
    assert phrase("A") == "station A may move"


async def test_everything_that_stands_against_moving_is_said_before_a_resume(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    interrupted = read_interrupted(run)
    frame.tamper = lambda r: replace(r, guard_closed=False, estop_closed=False, owner_token=7)
    reading = await frame.read()
    stations = rebuilt(interrupted, frame.facts, reading, 300.0)
    with pytest.raises(FrameFault, match=r"emergency-stop chain.*guard"):
        acknowledge(stations, interrupted.program, frame.facts, reading, 7, {"A": "move"})


@pytest.mark.parametrize("at_s", [1.0, 3.0], ids=["approaching", "seated"])
async def test_a_run_cut_off_while_seating_is_seated_once(tmp_path: Path, at_s: float) -> None:
    frame, run = await cut_off(tmp_path, at_s)
    left = read_interrupted(run).stations[0]
    assert left.state is S.SEATING and (left.zero_mm is None) is (at_s < 2.0)
    await frame.clock.sleep_until(frame.clock.now_s() + 5.0)
    session = await go_on(frame, run, {"A": "move", "B": "move"})
    assert session.outcome.state is RunState.FINISHED
    events = read_run(run).events
    assert sum(e.kind == "seated" for e in events) == 2, "once for each station"
    assert all(e.data["zero_mm"] == pytest.approx(0.1, abs=0.002) for e in events if e.kind == "seated")


async def test_a_run_that_tripped_can_be_resumed_after_the_cause_is_gone(tmp_path: Path) -> None:
    run, frame = tmp_path / "night.h5", two_spokes()

    def guard(open_: bool) -> None:
        frame.tamper = (lambda r: replace(r, guard_closed=False)) if open_ else None

    outcome, _ = await recorded(run, NIGHT, frame, at={200.0: lambda _: guard(True)}, live=False)
    assert outcome.state is RunState.FAULTED and {s.state for s in outcome.stations} == {S.DRIVE_OFF}
    with pytest.raises(FrameFault, match="guard is open"):
        await go_on(frame, run, {"A": "move", "B": "move"})
    guard(False)
    session = await go_on(frame, run, {"A": "move", "B": "move"})
    assert session.outcome.state is RunState.FINISHED
    flags = read_run(run).stations["A"].columns["flags"] & STATE_MASK
    assert {STATE_CODE[S.DRIVE_OFF], STATE_CODE[S.PAUSED], STATE_CODE[S.RAMPING]} <= set(flags.tolist()) | {
        STATE_CODE[S.PAUSED]
    }


def test_what_cannot_be_resumed_is_said_plainly(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such run"):
        read_interrupted(tmp_path / "none.h5")
    (tmp_path / "done.h5").write_bytes(b"x")
    with pytest.raises(InputError, match="has ended: nothing is left to resume"):
        read_interrupted(tmp_path / "done.h5")
    journal_path(tmp_path / "bad.h5").write_bytes(b"LHJ1 but nothing more")
    with pytest.raises(InputError, match="damaged"):
        read_interrupted(tmp_path / "bad.h5")


async def test_a_run_that_goes_on_elsewhere_is_not_resumed(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    recorder = Recorder.reopen(run, live=False)
    with recorder, pytest.raises(InputError, match="going on in another process"):
        await go_on(frame, run, {"A": "move"})


async def test_a_computer_whose_clock_was_set_back_goes_on_in_run_time(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    last: Interrupted = read_interrupted(run)
    frame.tamper = lambda r: replace(r, at_utc=r.at_utc - 86400.0)
    session = await go_on(frame, run, {"A": "move", "B": "move"})
    assert session.outcome.state is RunState.FINISHED
    result = read_run(run)
    assert np.all(np.diff(result.stations["A"].columns["time"]) > 0)
    (resumed,) = [e for e in result.events if e.kind == "resumed"]
    assert "clock was set back" in resumed.message and resumed.time_s == pytest.approx(last.last_s + 1.0)
