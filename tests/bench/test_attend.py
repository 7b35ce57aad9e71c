"""Staying with a run while nobody is there: nothing is moved, silence is told, rows go on, and a person has the way."""

from __future__ import annotations

import asyncio
import configparser
import os
import re
import shlex
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import numpy as np
import pytest

from bench.alerts import Alerts
from bench.attend import RECORD_S, Attendant, attend, unfinished
from bench.errors import LineTrouble
from bench.frame import Frame
from bench.frametable import SerialLink, TcpLink
from bench.journal import GAP_BEFORE, STATE_MASK, Journal
from bench.linklock import link_name, only_user
from bench.machine import STATE_CODE, RunState, StationState
from bench.record import journal_path
from bench.resume import Interrupted, read_interrupted
from bench.runfile import read_run
from bench.status import Mailbox, send_request
from models.errors import InputError
from tests.bench.fake_frame import FakeFrame
from tests.bench.runs import own_runtime_folder
from tests.bench.test_resume import cut_off, go_on

S = StationState


@pytest.fixture(autouse=True)
def own_folder(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    with own_runtime_folder(monkeypatch):
        yield


class Told:
    """Alerts that are kept."""

    def __init__(self) -> None:
        self.told: list[tuple[str, str]] = []
        self.alerts = Alerts(self.send)

    def send(self, title: str, text: str) -> bool:
        self.told.append((title, text))
        return True

    def kinds(self) -> list[str]:
        self.alerts.close()
        return [title.removeprefix("longhold: ") for title, _ in self.told]


def attendant(run: Path, frame: FakeFrame, told: Told, said: list[str]) -> Attendant:
    @asynccontextmanager
    async def open_frame(_: Interrupted) -> AsyncIterator[Frame]:
        yield frame

    return Attendant(run, open_frame, frame.clock, told.alerts, Mailbox(), said.append)


async def stay_for(a: Attendant, frame: FakeFrame, seconds: float) -> None:
    """Let it stay for so long of the frame's time, then stop it as the system does."""
    sleep, end_s = frame.clock.sleep_until, frame.clock.now_s() + seconds

    async def until(when_s: float) -> None:
        await sleep(when_s)
        if frame.clock.now_s() >= end_s:
            a.mailbox.stop = True

    frame.clock.sleep_until = until  # type: ignore[method-assign]
    await a.stay()
    frame.clock.sleep_until = sleep  # type: ignore[method-assign]


async def test_a_run_that_was_cut_off_is_recorded_on_and_the_frame_is_never_written_to(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    last_s = read_interrupted(run).last_s
    await frame.clock.sleep_until(frame.clock.now_s() + 60.0)
    sent, stood, owner = len(frame.commands), [d.x_mm for d in frame.drives], frame.owner
    told, said = Told(), list[str]()
    a = attendant(run, frame, told, said)
    await stay_for(a, frame, 300.0)
    assert len(frame.commands) == sent and [d.x_mm for d in frame.drives] == stood and frame.owner == owner
    assert told.kinds() == ["waiting"]
    (text,) = [t for _, t in told.told]
    assert "was cut off; still under load: A 8" in text and f"longhold resume {run}" in text
    columns = read_run(run).stations["A"].columns
    new = columns["time"] > last_s
    assert 25 <= np.count_nonzero(new) <= 32, "a row each ten seconds"
    assert np.diff(columns["time"][new]).max() == pytest.approx(RECORD_S, abs=0.5)
    assert columns["flags"][new][0] & GAP_BEFORE and not (columns["flags"][new][1:] & GAP_BEFORE).any()
    assert set(columns["flags"][new] & STATE_MASK) == {STATE_CODE[S.CUT_OFF]}
    # held at a constant position the spoke relaxes, and its elongation is still read from the same zero
    assert columns["load"][new][-1] < columns["load"][new][0]
    assert np.isfinite(columns["elongation"][new]).all()


async def test_a_person_who_resumes_is_given_way_and_goes_on_from_the_new_rows(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    told, said = Told(), list[str]()
    a = attendant(run, frame, told, said)
    sleep, passes = frame.clock.sleep_until, 0

    async def until(when_s: float) -> None:
        nonlocal passes
        await sleep(when_s)
        passes += 1
        if passes == 20:
            with pytest.raises(InputError, match="going on in another process"):
                read_interrupted(run)
            await send_request(run, "give way")
        if passes == 30:
            a.mailbox.stop = True

    frame.clock.sleep_until = until  # type: ignore[method-assign]
    await a.stay()
    frame.clock.sleep_until = sleep  # type: ignore[method-assign]
    assert any("gives way" in line for line in said)
    recorded_s = read_interrupted(run).last_s
    assert {s.state for s in read_interrupted(run).stations} == {S.CUT_OFF}
    session = await go_on(frame, run, {"A": "move", "B": "move"})
    assert session.outcome.state is RunState.FINISHED
    (resumed,) = [e for e in read_run(run).events if e.kind == "resumed"]
    assert resumed.data["from_s"] == pytest.approx(recorded_s)


async def test_a_running_run_does_not_give_way(tmp_path: Path) -> None:
    from bench.status import RequestServer

    run = tmp_path / "run.h5"
    async with RequestServer(run, Mailbox()):
        with pytest.raises(InputError, match="there is no request 'give way'"):
            await send_request(run, "give way")


async def test_a_run_that_falls_silent_is_told_once_and_again_only_after_it_has_written(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    held = Journal.reopen(journal_path(run))  # its process is there, and writes nothing
    try:
        told, said = Told(), list[str]()
        a = attendant(run, frame, told, said)
        await stay_for(a, frame, 200.0)
        assert told.kinds() == ["silent"] and "has written nothing for" in told.told[0][1]
        assert read_interrupted_refused(run)
    finally:
        held.close()


def read_interrupted_refused(run: Path) -> bool:
    try:
        read_interrupted(run)
    except InputError:
        return True
    return False


async def test_a_frame_that_does_not_answer_is_said_and_tried_again(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)

    def silent() -> None:
        raise LineTrouble("no answer within 0.2 s")

    frame.trouble = silent
    told, said = Told(), list[str]()
    a = attendant(run, frame, told, said)
    before = journal_path(run).stat().st_size
    await stay_for(a, frame, 150.0)
    assert told.kinds() == ["waiting"] and "load not known" in told.told[0][1]
    assert 2 <= sum("cannot be read" in line for line in said) <= 4
    assert journal_path(run).stat().st_size == before
    frame.trouble = None
    a.mailbox.stop = False
    await stay_for(a, frame, 100.0)
    assert journal_path(run).stat().st_size > before


async def test_a_link_that_is_lost_on_the_way_is_marked_as_a_gap(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    told, said = Told(), list[str]()
    a = attendant(run, frame, told, said)
    sleep, start_s = frame.clock.sleep_until, frame.clock.now_s()

    def silent() -> None:
        raise LineTrouble("no answer within 0.2 s")

    async def until(when_s: float) -> None:
        await sleep(when_s)
        frame.trouble = silent if 60.0 < frame.clock.now_s() - start_s < 120.0 else None

    frame.clock.sleep_until = until  # type: ignore[method-assign]
    await stay_for(a, frame, 200.0)
    run_now = read_run(run)
    assert [e.message for e in run_now.events if e.kind == "note" and "no good answer" in e.message]
    a_flags = run_now.stations["A"].columns
    late = a_flags["time"] > 210.0
    assert np.count_nonzero(a_flags["flags"][late] & GAP_BEFORE) == 1
    assert np.diff(a_flags["time"][late]).max() > 55.0


async def test_a_whole_folder_is_attended_and_finished_runs_are_left_alone(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    (tmp_path / "finished.h5").write_bytes(b"x")
    assert unfinished(tmp_path) == [run] and unfinished(run) == [run] and unfinished(tmp_path / "no.h5") == []
    told, said, box = Told(), list[str](), Mailbox()
    single = attendant(run, frame, told, said)
    task = asyncio.create_task(attend(tmp_path, single.open_frame, frame.clock, told.alerts, box, said.append))
    before = journal_path(run).stat().st_size
    for _ in range(200):
        await asyncio.sleep(0)
    box.stop_now()
    await task
    assert journal_path(run).stat().st_size > before and told.kinds() == ["waiting"]


async def test_attending_ends_by_itself_when_nothing_more_can_come_of_the_run(tmp_path: Path) -> None:
    frame, run = await cut_off(tmp_path)
    journal_path(run).unlink()
    told, said = Told(), list[str]()
    await attend(run, attendant(run, frame, told, said).open_frame, frame.clock, told.alerts, Mailbox(), said.append)
    assert told.kinds() == [] and said == []


# one controller on one link -------------------------------------------------------------------------------------------

TCP = TcpLink(kind="tcp", host="127.0.0.1", port=5020)


def test_a_second_controller_of_this_computer_is_kept_off_the_same_link() -> None:
    with only_user(TCP):
        with pytest.raises(InputError, match=r"tcp 127\.0\.0\.1:5020: another longhold"), only_user(TCP):
            pass
        with only_user(TCP.model_copy(update={"port": 5021})):
            pass
    with only_user(TCP):
        pass


def test_another_name_of_a_serial_port_is_the_same_link(tmp_path: Path) -> None:
    port, other = tmp_path / "ttyX", tmp_path / "by-id"
    port.touch()
    other.symlink_to(port)
    one, two = (SerialLink(kind="serial", port=str(p)) for p in (port, other))
    assert link_name(one) == link_name(two)
    with only_user(one), pytest.raises(InputError, match="another longhold"), only_user(two):
        pass


def test_a_link_is_free_again_when_its_holder_was_killed() -> None:
    number = os.fork()
    if number == 0:
        with only_user(TCP):
            os.kill(os.getpid(), 9)
    os.waitpid(number, 0)
    with only_user(TCP):
        pass


def test_what_a_computer_starts_by_itself_is_only_the_command_that_moves_nothing() -> None:
    """The unit of the how-to, with the command line that is really there."""
    page = (Path(__file__).parents[2] / "docs" / "how-to" / "power-cut.md").read_text(encoding="utf-8")
    units = re.findall(r"```ini\n(.*?)```", page, flags=re.DOTALL)
    assert units
    for text in units:
        unit = configparser.ConfigParser(interpolation=None, delimiters=("=",), comment_prefixes=("#",))
        unit.optionxform = str  # type: ignore[assignment, method-assign]
        unit.read_string(text)
        program, *words = shlex.split(unit["Service"]["ExecStart"])
        assert program.endswith("/longhold") and words[0] == "attend" and len(words) == 2
        assert not {"ExecStartPre", "ExecStartPost", "ExecStop"} & set(unit["Service"])
        assert unit["Service"]["Restart"] in ("on-failure", "always") and unit["Service"]["User"] != "root"
        assert unit["Install"]["WantedBy"] == "multi-user.target"
