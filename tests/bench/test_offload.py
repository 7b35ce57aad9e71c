"""The way off the frame: one after the other, the slack clock, the cell's zero; and what is proved again on the way."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from bench.faults import Fault
from bench.live import LiveRun
from bench.machine import RunState, StationState
from bench.resume import read_interrupted
from bench.status import Mailbox
from models.errors import InputError
from tests.bench.fake_frame import FakeFrame, frame_facts, make_program, play
from tests.bench.runs import recorded

S = StationState


def frame(stations: int = 1, **changed: object) -> FakeFrame:
    made = FakeFrame(frame_facts(stations, **changed))
    for spoke in made.spokes:
        spoke.seat_mm = 0.1
    return made


# order ---------------------------------------------------------------------------------------------------------------

IN_TURN = "unload order=['C','A','B'] gap_min=2"


async def test_spokes_come_off_in_the_asked_order_with_the_asked_time_between() -> None:
    f = frame(3)
    program = make_program("seat seconds=2", "hold load_N=800 hours=0.02", IN_TURN, stations=3)
    outcome, memory = await play(f, program)
    assert outcome.state is RunState.FINISHED
    off = {e.station: e.data["since_s"] for e in memory.events if e.kind == "slack"}
    assert off["A"] - off["C"] == pytest.approx(120.0, abs=3.0)
    assert off["B"] - off["A"] == pytest.approx(120.0, abs=3.0)
    waiting = [r for r in memory.rows if r.station == 1 and off["C"] < r.time_s < off["A"] + 70.0]
    assert min(r.load_N for r in waiting) > 790.0, "who waits keeps its load"
    assert outcome.run_s < program.longest_s + 60.0


async def test_one_word_of_the_builder_takes_all_off_in_order() -> None:
    f, box = frame(3), Mailbox()
    program = make_program("seat seconds=2", "hold load_N=800 until='asked' max_hours=5", IN_TURN, stations=3)
    outcome, memory = await play(f, program, at={300.0: lambda: box.ask(None, "end step")}, mailbox=box)
    assert outcome.state is RunState.FINISHED and outcome.run_s < 700.0
    off = sorted((e.data["since_s"], e.station) for e in memory.events if e.kind == "slack")
    assert [name for _, name in off] == ["C", "A", "B"]


async def test_a_station_that_waits_its_turn_can_be_taken_off_at_once() -> None:
    f, box = frame(3), Mailbox()
    program = make_program("seat seconds=2", "hold load_N=800 hours=0.02", IN_TURN, stations=3)
    outcome, memory = await play(f, program, at={200.0: lambda: box.ask("B", "end step")}, mailbox=box)
    off = {e.station: e.data["since_s"] for e in memory.events if e.kind == "slack"}
    assert off["B"] < off["A"] and outcome.state is RunState.FINISHED
    assert {s.state for s in outcome.stations} == {S.DONE}


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ("unload order=['A','B']", "order and gap_min go together"),
        ("unload gap_min=3", "order and gap_min go together"),
        ("unload order=['A','A'] gap_min=3", "must name each station once"),
        ("unload order=['A','D'] gap_min=3", "must name each station once"),
    ],
)
def test_an_order_that_is_none_is_refused(step: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        make_program("seat", "hold load_N=500 hours=1", step, stations=2)


# slack clock ---------------------------------------------------------------------------------------------------------


async def test_the_slack_clock_runs_from_the_moment_the_load_is_off_and_stops_when_it_is_on_again(
    tmp_path: Path,
) -> None:
    run, seen = tmp_path / "r.h5", []
    program = make_program(
        "seat seconds=2", "hold load_N=600 hours=0.01", "rest hours=0.05", "hold load_N=500 hours=0.02", "unload"
    )

    def look(box: Mailbox) -> None:
        assert box.snapshot is not None
        seen.append(box.snapshot.stations[0].slack_s)

    outcome, _ = await recorded(run, program, frame(), at={50.0: look, 200.0: look, 320.0: look}, live=False)
    assert seen[0] is None and 50.0 < seen[1] < 120.0 and seen[2] is None
    since_s = outcome.stations[0].slack_since_s
    assert since_s is not None and outcome.run_s - 20.0 < since_s < outcome.run_s
    status = LiveRun(run).refresh().status.stations[0]
    start = read_interrupted(run).header["start_utc"]
    assert status.slack_since_utc == pytest.approx(start + since_s, abs=0.2)


async def test_touches_do_not_set_the_slack_clock_back() -> None:
    program = make_program("seat seconds=2", "hold load_N=600 hours=0.01", "touch hours=0.2 per_decade=3")
    outcome, memory = await play(frame(), program)
    (slack,) = [e for e in memory.events if e.kind == "slack"]
    assert outcome.stations[0].slack_since_s == slack.data["since_s"]


# zero ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "steps",
    [
        ("hold load_N=400 hours=0.02", "unload"),
        ("hold load_N=400 hours=0.02", "rest hours=0.02"),
        ("hold load_N=400 hours=0.02", "touch hours=0.05"),
    ],
    ids=["unload", "rest", "touch"],
)
async def test_the_zero_is_checked_after_every_way_off_and_its_drift_is_in_the_outcome(steps: tuple[str, ...]) -> None:
    f = frame()
    offset_N = 0.0
    from dataclasses import replace

    def tamper(r: object) -> object:
        s = r.stations[0]  # type: ignore[attr-defined]
        return replace(r, stations=(replace(s, load_N=s.load_N + offset_N),))  # type: ignore[type-var]

    f.tamper = tamper  # type: ignore[assignment]

    def drift() -> None:
        nonlocal offset_N
        offset_N = 1.2

    outcome, memory = await play(f, make_program("seat seconds=2", *steps), at={50.0: drift})
    (zero,) = [e for e in memory.events if e.kind == "zero"]
    # the mean of ten readings of 0.3 N noise against the mean of the readings before the spoke bore
    assert zero.data["drift_N"] == pytest.approx(1.2, abs=0.4)
    assert outcome.stations[0].drift_N == zero.data["drift_N"]


async def test_the_zero_is_checked_when_a_person_eases_a_spoke_off() -> None:
    f, box = frame(), Mailbox()
    program = make_program("seat seconds=2", "hold load_N=600 hours=1")
    outcome, memory = await play(f, program, at={100.0: lambda: box.ask("A", "ease off")}, mailbox=box)
    assert outcome.stations[0].state is S.EASED_OFF and abs(outcome.stations[0].drift_N or 9.0) < 0.5
    assert len(memory.said("zero")) == 1


async def test_a_run_that_ends_under_load_says_that_the_zero_was_not_checked() -> None:
    outcome, memory = await play(frame(), make_program("seat seconds=2", "hold load_N=600 hours=0.02"))
    assert outcome.stations[0].drift_N is None and outcome.still_under_load
    assert memory.said("zero", "A") == ["zero of the load cell not checked: the load is still on"]


# proved again --------------------------------------------------------------------------------------------------------


async def test_a_spoke_stiffer_than_expected_on_a_drive_of_one_speed_is_eased_off() -> None:
    f = frame(absent=("move_speed",))
    program = make_program("seat seconds=2", "hold load_N=600 hours=0.1", "unload")
    soft = make_program("seat seconds=2", "hold load_N=600 hours=0.1", "unload").text.replace("430000", "100000")
    from bench.program import program_from_text
    from bench.steps import check_against, proofs_of

    with pytest.raises(InputError, match="cannot be proved safe"):
        check_against(program, f.facts)  # with the true stiffness it is never begun
    believed = program_from_text(soft, "p.toml")
    check_against(believed, f.facts)
    assert all(p.holds for p in proofs_of(believed, f.facts))
    outcome, memory = await play(f, believed)
    (station,) = outcome.stations
    assert Fault.UNPROVED in station.faults and station.state is S.EASED_OFF
    (line,) = memory.said("fault", "A")
    assert "stiffer than proved" in line and "N (limit " in line
    assert max(load for _, (load,) in f.true_load_N) < 610.0


async def test_a_step_that_turns_out_coarse_is_only_noted() -> None:
    f = frame()
    text = make_program("seat seconds=2", "hold load_N=80 hours=0.05", "unload").text.replace("430000", "250000")
    from bench.program import program_from_text

    outcome, memory = await play(f, program_from_text(text, "p.toml"))
    assert outcome.state is RunState.FINISHED
    notes = [m for m in memory.said("note", "A") if "proof of step no longer holds" in m]
    assert notes and "spring" in notes[0] and not math.isnan(outcome.run_s)
