"""The run states as a table: what follows what, what cannot be, and that nothing moves while tripped."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.conduct import steer
from bench.faults import RULES, Fault
from bench.limits import Violation
from bench.machine import (
    ENDED,
    MAY_MOVE,
    PROGRAM_STATES,
    RUN_TABLE,
    STATE_CODE,
    STATION_TABLE,
    TRIPPED,
    RunEvent,
    RunState,
    StationEvent,
    StationState,
    UnlistedTransition,
    after,
    diagram,
    run_after,
    state_of,
)
from bench.station import Station, Tick, ask, first_station, react
from tests.bench.fake_frame import make_program, station_facts
from tests.bench.test_limits import reading

S, E = StationState, StationEvent


def test_an_unlisted_pair_raises_and_says_both_names() -> None:
    with pytest.raises(UnlistedTransition, match=r"tripped: drive off.*the program goes to a load"):
        after(S.DRIVE_OFF, E.RAMP)
    with pytest.raises(UnlistedTransition, match="finished"):
        run_after(RunState.FINISHED, RunEvent.PROVED)


@pytest.mark.parametrize("event", [E.TRIP_KEEP, E.TRIP_EASE, E.TRIP_STOP])
def test_a_fault_is_never_unlisted(event: StationEvent) -> None:
    for state in S:
        after(state, event)


def test_no_event_but_a_persons_leads_out_of_a_trip() -> None:
    # CUT marks a run that ended; CUT_OFF itself is left only by a person
    for (state, event), to in STATION_TABLE.items():
        if state in TRIPPED and to not in TRIPPED:
            assert (event, to) == (E.CUT, S.CUT_OFF)
    ways_out = {e for (s, e), to in STATION_TABLE.items() if s is S.CUT_OFF and to not in TRIPPED | {S.CUT_OFF}}
    assert ways_out == {E.ACKNOWLEDGE, E.ASK_EASE}


def test_a_drive_that_is_off_stays_off() -> None:
    for event in E:
        if event is not E.CUT and (S.DRIVE_OFF, event) in STATION_TABLE:
            assert after(S.DRIVE_OFF, event) is S.DRIVE_OFF


def test_easing_off_leads_only_to_the_load_off_or_to_a_worse_trip() -> None:
    leads = {to for (s, _), to in STATION_TABLE.items() if s is S.EASING_OFF}
    assert leads == {S.EASED_OFF, S.EASING_OFF, S.KEPT, S.DRIVE_OFF, S.CUT_OFF}


def test_every_state_can_be_reached_and_every_state_but_the_ended_ones_can_be_left() -> None:
    reached, grown = {S.WAITING}, True
    while grown:
        more = {to for (s, _), to in STATION_TABLE.items() if s in reached} - reached
        reached |= more
        grown = bool(more)
    assert reached == set(S)
    assert PROGRAM_STATES <= MAY_MOVE and not MAY_MOVE & (TRIPPED | ENDED)


def test_the_codes_in_the_run_file_fit_four_bits_and_go_both_ways() -> None:
    assert max(STATE_CODE.values()) < 16
    assert all(state_of(STATE_CODE[s]) is s for s in S)
    for code in (-1, len(S), 15):
        with pytest.raises(ValueError, match=f"names state {code}; known are 0 to {len(S) - 1}"):
            state_of(code)


def test_the_codes_in_the_run_file_never_change() -> None:
    # written files hold these numbers
    assert [s.name for s in S] == [
        "WAITING",
        "SEATING",
        "RAMPING",
        "HOLDING",
        "RECOVERING",
        "SLACK",
        "TOUCHING",
        "PAUSED",
        "EASING_OFF",
        "KEPT",
        "DRIVE_OFF",
        "EASED_OFF",
        "CUT_OFF",
        "DONE",
        "PULLING",
    ]


def test_the_diagram_for_the_docs_draws_every_change_of_state() -> None:
    text = diagram()
    for (state, event), to in STATION_TABLE.items():
        if state is not to:
            line = next(
                x for x in text.splitlines() if x.strip().startswith(f"{state.name.lower()} --> {to.name.lower()} ")
            )
            assert event.value in line


def test_a_run_ends_once() -> None:
    ended = set(RUN_TABLE.values()) - {RunState.RUNNING}
    assert not any(s in ended for s, _ in RUN_TABLE)


PROGRAM = make_program(
    "seat seconds=0",
    "hold load_N=300 hours=0.001",
    "unload",
    "touch hours=0.05",
    "hold load_N=400 hours=0.001",
    "unload",
)
FACTS = station_facts("A")

readings = st.builds(
    lambda load, x, enabled, moving: replace(reading(load, x, enabled), moving=moving),
    load=st.floats(-10.0, 2300.0),
    x=st.floats(-0.5, 60.5),
    enabled=st.booleans(),
    moving=st.booleans(),
)
happenings = st.lists(
    st.one_of(
        st.tuples(st.just("read"), readings),
        st.tuples(st.just("fault"), st.sampled_from(list(Fault))),
        st.tuples(st.just("ask"), st.sampled_from(["pause", "go on", "ease off", "end step"])),
    ),
    min_size=1,
    max_size=60,
)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(happenings, st.floats(0.05, 2.0))
def test_whatever_happens_nothing_moves_while_tripped(happened: list[tuple[str, object]], dt_s: float) -> None:
    station: Station = first_station(PROGRAM, 0, FACTS, "T-1", reading(), 0.0)
    at_s, tripped, last = 0.0, False, reading()
    for what, value in happened:
        at_s += dt_s
        if what == "fault":
            v = Violation(fault=value, station=0, measured=0.0, limit=0.0, unit="", since_s=at_s)  # type: ignore[arg-type]
            was = station.state
            station, _ = react(station, (v,))
            if RULES[value].latches and was not in ENDED:  # type: ignore[index]
                assert station.state in TRIPPED | {S.EASING_OFF, S.EASED_OFF}
        elif what == "ask":
            station, _ = ask(station, str(value), at_s)
        else:
            last = value  # type: ignore[assignment]
        tripped = tripped or station.state in TRIPPED
        before = station.state
        tick = Tick(at_s=at_s, dt_s=dt_s, lag_s=dt_s, delay_s=0.0, tick_s=dt_s)
        station, command, _ = steer(station, last, PROGRAM, tick)
        if before in TRIPPED or tripped:
            assert station.state in TRIPPED, "only a person at the frame leads out of a trip"
            # the only command a tripped station gives is to stop where it stands, or to be off
            stands = min(max(last.position_mm, FACTS.travel_mm[0]), FACTS.travel_mm[1])
            assert command is None or command.target_mm == stands
            assert command is None or station.state is S.KEPT or not command.enable
        if command is not None:
            assert FACTS.travel_mm[0] <= command.target_mm <= FACTS.travel_mm[1]
            assert 0 < command.speed_mm_per_s <= FACTS.max_speed_mm_per_s
        if station.state is S.EASING_OFF and command is not None and last.load_N > station.contact_N:
            assert command.target_mm <= max(last.position_mm, FACTS.travel_mm[0]), "easing off only ever unloads"
