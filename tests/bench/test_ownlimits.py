"""The frame's own limits: a run writes them before anything moves, reads them back, and does not begin on others."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from bench.alerts import Alerts
from bench.errors import FrameFault
from bench.frame import FrameReading
from bench.framecheck import judge, look, try_axis
from bench.machine import RunState, StationState
from bench.plantframe import PlantFrame
from bench.recorder import finish
from bench.resume import read_interrupted
from bench.runfile import read_run
from bench.runner import prepare, run_program
from bench.session import begin_run, resume_run
from bench.status import Mailbox
from bench.steps import check_against, lines_of, own_limits_of
from models.errors import InputError
from tests.bench.fake_frame import FakeFrame, Memory, frame_facts, make_program, play, station_facts
from tests.bench.frames import TOKEN, frame_file, rig
from tests.bench.runs import SHORT, own_runtime_folder, recorded

COUNTS = {"max_load": 1.0, "max_speed": 0.001}  # N, mm/s
HELD = make_program("seat seconds=2", "hold load_N=1500 rate_N_per_s=20 hours=0.01", "unload")
MAPPED = {
    'max_load = { table = "input", address = 5 }': "max_load = { address = 900, writable = true }",
    'max_speed = { table = "input", address = 6, scale = 0.001 }': (
        "max_speed = { address = 901, scale = 0.001, writable = true }"
    ),
}


@pytest.fixture(autouse=True)
def own_folder(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    with own_runtime_folder(monkeypatch):
        yield


def limited(stations: int = 1, *, load_N: float = 2000.0, speed_mm_per_s: float = 1.0) -> FakeFrame:
    """A frame whose limits can be written, and what stands there before the run."""
    frame = FakeFrame(frame_facts(stations, writable_limits=COUNTS))
    frame.limits = {"max_load": load_N, "max_speed": speed_mm_per_s}
    for spoke in frame.spokes:
        spoke.seat_mm = 0.1
    return frame


def test_a_run_asks_for_the_load_that_stops_it_and_the_speed_that_is_proved() -> None:
    facts = frame_facts(1, writable_limits=COUNTS)
    limits = own_limits_of(HELD, facts)
    assert limits["max_load"] == math.floor(1.1 * 1500 + 20 + 1e-6)
    k = 1.0 / (280.0 / 430000.0 + 4e-4)
    proved = (2200.0 - 1500.0) / ((3.5 + 2 * HELD.motion_tick_s) * k)
    assert limits["max_speed"] <= proved < limits["max_speed"] + 0.001
    assert lines_of(HELD, facts)[0].facts.max_speed_mm_per_s == limits["max_speed"], "the controller asks for no more"
    assert own_limits_of(HELD, frame_facts(1)) == {}


def test_the_limits_are_never_above_those_of_a_station_that_the_program_uses() -> None:
    low = station_facts("B", max_load_N=1540.0, max_speed_mm_per_s=0.1)
    facts = replace(frame_facts(2, writable_limits=COUNTS), stations=(station_facts("A"), low))
    both = make_program("seat", "hold load_N=1500 rate_N_per_s=5 hours=1", stations=2)
    assert own_limits_of(both, facts) == {"max_load": 1540.0, "max_speed": 0.1}
    alone = make_program("seat", "hold load_N=1500 rate_N_per_s=5 hours=1")
    assert own_limits_of(alone, facts)["max_load"] == 1670.0


def test_a_program_without_room_under_the_frames_limit_is_refused_before_anything_is_claimed() -> None:
    facts = replace(frame_facts(1), stations=(station_facts("A", max_load_N=1500.0),))
    check_against(HELD, facts)
    with pytest.raises(InputError, match=r"highest load of the steps is 1500 N: .* write to the frame is 1500 N"):
        check_against(HELD, replace(facts, writable_limits=COUNTS))
    near = replace(facts, stations=(station_facts("A", trip_load_N=1672.0, max_load_N=1671.0),))
    with pytest.raises(InputError, match=r"at most [\d.]+ can be reached on station A"):
        check_against(make_program("seat", "hold load_N=1500 rate_N_per_s=20 hours=1", extra="[limits]\nmax_load_N=1600"),
                      replace(near, writable_limits=COUNTS))  # fmt: skip


@pytest.mark.parametrize("before_N", [2000.0, 300.0, 9000.0])
async def test_the_limits_are_written_and_what_was_there_before_is_said(before_N: float) -> None:
    frame = limited(load_N=before_N)
    prepared = await prepare(frame, HELD, 7)
    assert frame.limits == own_limits_of(HELD, frame.facts)
    load, speed = prepared.said
    assert load.message == f"the frame's own load limit: 1670 N written and read back; before: {before_N:g} N"
    assert load.data["before"] == before_N and speed.data["before"] == 1.0
    assert prepared.reading.max_load_N == 1670.0
    assert frame.commands == [] and frame.drives[0].x_mm == 0.0


def reads(**changed: float | None) -> Callable[[FrameReading], FrameReading]:
    return lambda r: replace(r, **changed)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("tamper", "words"),
    [
        (reads(max_load_N=2000.0), "load limit: 1670 N was written and 2000 N reads back (before: 2000 N)"),
        (reads(max_load_N=167.0), "load limit: 1670 N was written and 167 N reads back (before: 167 N)"),
        (reads(max_load_N=1672.0), "1670 N was written and 1672 N reads back"),
        (reads(max_load_N=None), "1670 N was written and no number reads back (before: not readable)"),
        (reads(max_load_N=math.nan), "1670 N was written and nan N reads back"),
        (reads(max_speed_mm_per_s=0.2), "speed limit: 0.198 mm/s was written and 0.2 mm/s reads back"),
    ],
)
async def test_a_run_does_not_begin_where_something_else_reads_back(
    tamper: Callable[[FrameReading], FrameReading], words: str
) -> None:
    frame = limited()
    frame.tamper = tamper
    with pytest.raises(FrameFault) as caught:
        await prepare(frame, HELD, 7)
    assert "nothing was moved" in str(caught.value) and words in str(caught.value)
    assert frame.commands == [] and frame.owner == 0


async def test_one_count_of_the_register_beside_what_was_written_is_its_rounding() -> None:
    frame = limited()
    frame.tamper = reads(max_load_N=1669.0)
    assert (await prepare(frame, HELD, 7)).said[0].data["read_back"] == 1669.0


@pytest.mark.parametrize(
    "tamper",
    [
        lambda r: replace(r, estop_closed=False),
        lambda r: replace(r, guard_closed=False),
        lambda r: replace(r, power_ok=False),
        lambda r: replace(r, local=True),
        lambda r: replace(r, stations=(replace(r.stations[0], drive_fault=3),)),
        lambda r: replace(r, stations=(replace(r.stations[0], load_N=45.0),)),
    ],
)
async def test_no_limit_is_written_while_something_stands_against_moving(
    tamper: Callable[[FrameReading], FrameReading],
) -> None:
    frame = limited(load_N=444.0)
    frame.tamper = tamper
    with pytest.raises(FrameFault):
        await prepare(frame, HELD, 7)
    assert frame.limits == {"max_load": 444.0, "max_speed": 1.0}


async def test_a_run_never_asks_for_more_than_the_speed_that_it_wrote() -> None:
    frame = limited()
    outcome, _ = await play(frame, HELD)
    assert outcome.finished, outcome.message
    asked = [c.speed_mm_per_s for _, c in frame.commands if c.enable]
    assert max(asked) <= frame.limits["max_speed"] * (1 + 1e-9)


async def test_the_record_says_what_was_written_and_what_stood_there(tmp_path: Path) -> None:
    frame, run = limited(), tmp_path / "RUN.h5"
    session = await begin_run(
        frame, frame.clock, HELD, run, frame_text="", frame_where="f", mailbox=Mailbox(), alerts=Alerts.off(),
        recorder_options={"live": False},
    )  # fmt: skip
    assert session.outcome.finished
    events = [e for e in read_run(run).events if e.kind == "limit"]
    assert [(e.data["limit"], e.data["written"], e.data["before"]) for e in events] == [
        ("max_load", 1670.0, 2000.0),
        ("max_speed", 0.198, 1.0),
    ]
    assert all(e.time_s == 0.0 and e.station == "" for e in events)


@pytest.mark.parametrize("now", [{"max_load": 2000.0}, {"max_speed": 0.5}, {}])
async def test_a_limit_that_is_changed_under_way_stops_the_drives(now: dict[str, float]) -> None:
    frame = limited()

    def changed() -> None:
        frame.limits = now and {**frame.limits, **now}

    outcome, memory = await play(frame, HELD, at={60.0: changed})
    assert outcome.state is RunState.FAULTED and outcome.stations[0].state is StationState.DRIVE_OFF
    assert not frame.drives[0].enabled
    assert any("own limit changed" in m for m in memory.said("fault"))


async def cut(tmp_path: Path) -> tuple[FakeFrame, Path]:
    """A run that was stopped while it held, on a frame that has restarted since with its built-in limits."""
    frame, run = limited(2), tmp_path / "RUN.h5"
    outcome, _ = await recorded(run, SHORT, frame, at={100.0: lambda box: box.stop_now()}, live=False)
    assert not outcome.finished
    finish(run, keep_journal=True)
    assert frame.limits == own_limits_of(SHORT, frame.facts)
    frame.limits = {"max_load": 2000.0, "max_speed": 1.0}
    return frame, run


async def resumed(frame: FakeFrame, run: Path, answers: dict[str, str]) -> None:
    await resume_run(
        frame, frame.clock, read_interrupted(run), answers, mailbox=Mailbox(), alerts=Alerts.off(),
        recorder_options={"live": False},
    )  # fmt: skip


async def test_resume_writes_the_limits_again(tmp_path: Path) -> None:
    frame, run = await cut(tmp_path)
    await resumed(frame, run, {"A": "move", "B": "ease off"})
    assert frame.limits == own_limits_of(SHORT, frame.facts)
    assert [e.data["before"] for e in read_run(run).events if e.kind == "limit"] == [2000.0, 1.0]


async def test_resume_leaves_the_limits_where_nothing_will_move_or_may_move(tmp_path: Path) -> None:
    frame, run = await cut(tmp_path)
    frame.tamper = lambda r: replace(r, estop_closed=False)
    with pytest.raises(FrameFault, match="emergency-stop"):
        await resumed(frame, run, {"A": "move"})
    frame.tamper = None
    await resumed(frame, run, {"A": "leave"})
    assert frame.limits == {"max_load": 2000.0, "max_speed": 1.0}


async def test_resume_is_refused_where_the_limits_are_not_taken(tmp_path: Path) -> None:
    frame, run = await cut(tmp_path)
    frame.tamper = reads(max_load_N=2000.0)
    sent = len(frame.commands)
    with pytest.raises(FrameFault, match="2000 N reads back"):
        await resumed(frame, run, {"A": "move"})
    assert len(frame.commands) == sent and frame.owner == 0


async def test_the_check_of_a_frame_shows_its_limits_and_its_trial_writes_the_files_own() -> None:
    async with rig("plant", frame_file(2, MAPPED)) as on:
        assert isinstance(on.frame, PlantFrame)
        await on.frame.claim(TOKEN)
        on.frame.plant.set_limit("max_speed", 0.02)  # left there by a run: slower than the trial moves
        seen = {c.what: c for c in judge(on.frame.facts, await look(on.frame, on.clock, on.clock, 3))}
        speed = seen["speed limit"]
        assert speed.good is None and speed.says.startswith("0.02 mm/s in the frame; each run writes its own")
        assert "never above 2000 N" in seen["load limit"].says
        checks = {c.what: c for c in await try_axis(on.frame, on.clock, 1)}
        assert all(c.good for c in checks.values()), checks
        assert "1 mm/s written and read back; before: 0.02 mm/s" in checks["B: max_speed written"].says


async def test_a_whole_run_keeps_within_the_limits_of_a_simulated_frame_over_modbus() -> None:
    async with rig("tcp", frame_file(1, MAPPED)) as on:
        small = make_program("seat seconds=2", "hold load_N=300 rate_N_per_s=20 hours=0.005", "unload")
        prepared = await prepare(on.frame, small, TOKEN)
        outcome = await run_program(on.frame, on.clock, small, Memory(), prepared)
        assert outcome.finished, outcome.message
        truth = await on.side.truth()
        assert truth["limits"]["max_load"] == own_limits_of(small, on.frame.facts)["max_load"] == 350.0


async def test_a_device_that_takes_less_than_was_written_is_not_run() -> None:
    """Its built-in limit is lower than the frame file says: the file is wrong, or the device was set for another."""
    lower = {**MAPPED, "max_load_N = 2000": "max_load_N = 1600"}
    async with rig("plant", frame_file(1, lower)) as on:
        assert isinstance(on.frame, PlantFrame)
        on.frame.plant.built_in["max_load"] = 1200.0
        with pytest.raises(FrameFault, match="1600 N was written and 1200 N reads back"):
            await prepare(on.frame, HELD, TOKEN)
