"""Every fault in every state of a station: it is found and followed as the table says, or the table says why not."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from bench.faults import NOT_APPLICABLE, RULES, Fault, Reaction, applies, states_markdown, table_markdown, worse
from bench.frame import StationReading
from bench.limits import (
    Asked,
    Violation,
    Watch,
    check_station,
    clock_text,
    first_watch,
)
from bench.machine import ENDED, TRIPPED, StationEvent, StationState, after
from bench.station import Station, first_station, react
from bench.steps import RunLimits
from tests.bench.fake_frame import make_program, station_facts

S = StationState
FACTS = station_facts("A")
K = 950.0
LIMITS = RunLimits(
    max_load_N=1650.0,
    max_elongation_mm=15.0,
    max_slack_mm=20.0,
    temperature_C=(10.0, 35.0),
    ease_off_N_per_s=20.0,
    hold_band_percent=0.5,
)
DT = 0.1
X0 = 10.0

# load, set load, whether the drive is energised, whether it has a target, next target relative to where it stands
STANDS: dict[StationState, tuple[float, float, bool, float | None]] = {
    S.WAITING: (0.0, 0.0, False, None),
    S.SEATING: (18.0, 20.0, True, 0.002),
    S.RAMPING: (500.0, 1000.0, True, 0.01),
    S.HOLDING: (1000.0, 1000.0, True, 0.0),
    S.RECOVERING: (15.0, 15.0, True, 0.0),
    S.SLACK: (0.0, 0.0, True, 0.0),
    S.TOUCHING: (14.0, 15.0, True, 0.001),
    S.PAUSED: (800.0, 800.0, True, 0.0),
    S.EASING_OFF: (600.0, 0.0, True, -0.01),
    S.KEPT: (900.0, 0.0, True, 0.0),
    S.DRIVE_OFF: (900.0, 0.0, False, None),
    S.EASED_OFF: (0.0, 0.0, True, 0.0),
    S.CUT_OFF: (900.0, 0.0, False, None),
    S.DONE: (900.0, 0.0, True, 0.0),
    S.PULLING: (1500.0, 2000.0, True, 0.01),
}


def reading(load: float = 0.0, x: float = X0, enabled: bool = True) -> StationReading:
    return StationReading(
        load_N=load,
        load_fault=False,
        position_mm=x,
        position_valid=True,
        moving=False,
        enabled=enabled,
        drive_fault=0,
        limit_low=False,
        limit_high=False,
        brake=None,
    )


def asked(state: StationState, x: float = X0) -> Asked:
    load, set_load, enable, ahead = STANDS[state]
    target = None if ahead is None else x + ahead
    return Asked(
        state=state,
        enable=enable,
        target_mm=target,
        span_mm=(X0 - 0.02, X0 + 0.02),
        speed_mm_per_s=0.02,
        set_load_N=set_load,
        stiffness_N_per_mm=K,
        zero_mm=None if state in (S.WAITING, S.SEATING) else X0 - load / K,
        slack_from_mm=None,
        reached_s=-1000.0,
        creep_mm_per_s=1e-6,
        slip_mm_per_s=2.8e-4,
    )


class Kit:
    """A station that stands quietly in a state, and what the checks make of it."""

    def __init__(self, state: StationState) -> None:
        self.state = state
        self.at_s = 0.0
        self.asked = asked(state)
        load, _, enable, _ = STANDS[state]
        self.good = reading(load, enabled=enable)
        self.watch: Watch = replace(first_watch(self.good, 0.0), state=state)
        self.wobble = 0

    def see(self, r: StationReading, **changed: object) -> tuple[Violation, ...]:
        self.at_s += DT
        self.asked = replace(self.asked, **changed)  # type: ignore[arg-type]
        self.watch, broken = check_station(
            self.watch, r, self.asked, FACTS, LIMITS, station=0, at_s=self.at_s, dt_s=DT, lag_s=0.2
        )
        return broken

    def quiet(self, ticks: int = 6) -> None:
        for _ in range(ticks):
            self.wobble += 1
            broken = self.see(replace(self.good, load_N=self.good.load_N + 0.1 * (self.wobble % 3)))
            assert not broken, f"{self.state.value}: {[v.message('A') for v in broken]}"

    def until(self, make: Callable[[int], StationReading], fault: Fault, ticks: int = 40) -> Violation | None:
        for i in range(1, ticks + 1):
            for v in self.see(make(i)):
                if v.fault is fault:
                    return v
        return None


def provoke(kit: Kit, fault: Fault) -> Violation | None:
    """Show one station's fault to the checks; None if they did not name it."""
    good, load = kit.good, kit.good.load_N
    match fault:
        case Fault.OVER_LOAD:
            return kit.until(lambda i: replace(good, load_N=1700.0 + i), fault)
        case Fault.OVER_TRAVEL:
            return kit.until(lambda i: replace(good, limit_high=True, load_N=load + 0.1 * (i % 3)), fault)
        case Fault.OVER_SPEED:
            return kit.until(lambda i: replace(good, position_mm=X0 + 0.3 * i, load_N=load + 0.3 * K * i), fault, 3)
        case Fault.FOLLOWING:  # creeps past its target, with the load that goes with it
            return kit.until(
                lambda i: replace(good, position_mm=X0 + 0.003 * i, load_N=load + 0.003 * K * i + 0.1 * (i % 2)), fault
            )
        case Fault.LOAD_WITHOUT_MOTION:
            return kit.until(lambda i: replace(good, load_N=load + 30.0 + 0.1 * (i % 3)), fault)
        case Fault.MOTION_WITHOUT_LOAD:
            return _motion_without_load(kit)
        case Fault.LET_GO:
            return kit.until(lambda i: replace(good, load_N=0.02 * load + 0.1 * (i % 3)), fault)
        case Fault.SLIP_SUSPECTED | Fault.SLIP:
            drop = max(0.02 * load, 4.0)
            return kit.until(lambda i: replace(good, load_N=load - drop * (1 + i // 5) + 0.1 * (i % 2)), fault, 12)
        case Fault.CELL_FAULT:
            return kit.until(lambda i: replace(good, load_fault=True, load_N=load + 0.1 * (i % 3)), fault)
        case Fault.CELL_FROZEN:
            sign = -1.0 if kit.state is S.EASING_OFF else 1.0
            return kit.until(
                lambda i: replace(good, load_N=kit.watch.load_N, position_mm=X0 + sign * 0.0015 * i), fault
            )
        case Fault.CELL_SATURATED:
            return kit.until(lambda i: replace(good, load_N=2500.0), fault)
        case Fault.ENCODER_JUMP:
            return kit.until(lambda i: replace(good, position_mm=X0 + 0.8, load_N=load + 0.1 * (i % 3)), fault, 1)
        case Fault.POSITION_LOST:
            return kit.until(lambda i: replace(good, position_valid=False, load_N=load + 0.1 * (i % 3)), fault)
        case Fault.DRIVE_FAULT:
            return kit.until(lambda i: replace(good, drive_fault=7, load_N=load + 0.1 * (i % 3)), fault)
        case Fault.DRIVE_DROPPED:
            return kit.until(lambda i: replace(good, enabled=False, load_N=load + 0.1 * (i % 3)), fault)
    raise AssertionError(fault)


def _motion_without_load(kit: Kit) -> Violation | None:
    good, load = kit.good, kit.good.load_N
    if kit.state in (S.HOLDING, S.RECOVERING, S.PAUSED):  # a correction upwards that has no effect
        low = load - max(0.02 * load, 6.0)

        def make(i: int) -> StationReading:
            return replace(good, load_N=low + 0.1 * (i % 3), position_mm=X0 + 0.002 * i)
    else:
        sign = -1.0 if kit.state is S.EASING_OFF else 1.0

        def make(i: int) -> StationReading:
            return replace(good, load_N=load + 0.1 * (i % 3), position_mm=X0 + sign * 0.002 * i)

    return kit.until(make, Fault.MOTION_WITHOUT_LOAD)


SEEN_BY_STATION = [
    Fault.OVER_LOAD,
    Fault.OVER_TRAVEL,
    Fault.OVER_SPEED,
    Fault.FOLLOWING,
    Fault.LOAD_WITHOUT_MOTION,
    Fault.MOTION_WITHOUT_LOAD,
    Fault.LET_GO,
    Fault.SLIP_SUSPECTED,
    Fault.SLIP,
    Fault.CELL_FAULT,
    Fault.CELL_FROZEN,
    Fault.CELL_SATURATED,
    Fault.ENCODER_JUMP,
    Fault.POSITION_LOST,
    Fault.DRIVE_FAULT,
    Fault.DRIVE_DROPPED,
]


def station_in(state: StationState) -> Station:
    load, set_load, enable, _ = STANDS[state]
    station = first_station(make_program("seat"), 0, FACTS, "T-1", reading(load, enabled=enable), 0.0)
    return replace(station, state=state, set_load_N=set_load)


def expected_state(state: StationState, fault: Fault) -> StationState:
    """What the two tables together say."""
    event = {
        Reaction.EASE_OFF: StationEvent.TRIP_EASE,
        Reaction.KEEP: StationEvent.TRIP_KEEP,
        Reaction.STOP: StationEvent.TRIP_STOP,
    }.get(RULES[fault].reaction)
    return state if event is None else after(state, event)


@pytest.mark.parametrize("state", list(S), ids=lambda s: s.name)
@pytest.mark.parametrize("fault", SEEN_BY_STATION, ids=lambda f: f.name)
def test_each_fault_of_a_station_is_found_and_followed_in_each_state(fault: Fault, state: StationState) -> None:
    kit = Kit(state)
    kit.quiet()
    found = provoke(kit, fault)
    if not applies(fault, state):
        assert NOT_APPLICABLE[fault, state]
        assert found is None, "the table says that it is not looked for here"
        return
    assert found is not None, f"{fault.value} was not found while {state.value}"
    assert found.station == 0 and found.since_s <= kit.at_s
    station, said = react(station_in(state), (found,))
    assert station.state is expected_state(state, fault)
    assert fault in station.faults
    (line,) = said
    for part in (fault.value, RULES[fault].means, "since", RULES[fault].do, "station A"):
        assert part in line.message


@pytest.mark.parametrize("state", list(S), ids=lambda s: s.name)
@pytest.mark.parametrize(
    "fault",
    [Fault.SILENCE, Fault.REFUSED, Fault.DISK_FULL, Fault.LATE, Fault.NEIGHBOUR, Fault.UNPROVED],
    ids=lambda f: f.name,
)
def test_what_the_loop_itself_finds_is_followed_in_each_state(fault: Fault, state: StationState) -> None:
    # that the loop finds them is shown in test_runner.py; here what follows
    v = Violation(fault=fault, station=None, measured=4.0, limit=3.5, unit="s", since_s=12.0)
    station, said = react(station_in(state), (v,))
    assert station.state is expected_state(state, fault)
    assert "4 s (limit 3.5), since 0:00:12" in said[0].message


def test_the_table_leaves_no_cell_empty() -> None:
    for fault in Fault:
        rule = RULES[fault]
        assert rule.means and rule.do and rule.trusts
        for state in S:
            assert applies(fault, state) or NOT_APPLICABLE[fault, state]
    from tests.bench.test_framelimits import FRAME_FAULTS

    covered = {*SEEN_BY_STATION, *FRAME_FAULTS, Fault.SILENCE, Fault.REFUSED, Fault.DISK_FULL, Fault.LATE}
    assert set(Fault) - covered == {Fault.NEIGHBOUR, Fault.CELL_DRIFT, Fault.UNPROVED}  # test_runner.py


def test_a_latched_trip_is_left_by_no_fault_and_by_no_request() -> None:
    for state in TRIPPED:
        for event in StationEvent:
            if event is StationEvent.CUT:
                continue
            try:
                assert after(state, event) in TRIPPED
            except Exception as error:
                assert type(error).__name__ == "UnlistedTransition"


def test_two_faults_at_once_are_followed_by_the_stronger_reaction() -> None:
    a = Violation(fault=Fault.OVER_LOAD, station=0, measured=1700, limit=1650, unit="N", since_s=0.0)
    b = Violation(fault=Fault.POSITION_LOST, station=0, measured=0, limit=0, unit="", since_s=0.0)
    for pair in ((a, b), (b, a)):
        station, _ = react(station_in(S.HOLDING), pair)
        assert station.state is S.DRIVE_OFF
    assert worse(Reaction.EASE_OFF, Reaction.KEEP) is Reaction.KEEP


def test_a_fault_is_logged_once_however_long_it_lasts() -> None:
    v = Violation(fault=Fault.OVER_LOAD, station=0, measured=1700, limit=1650, unit="N", since_s=0.0)
    station = station_in(S.HOLDING)
    lines = []
    for _ in range(20):
        station, said = react(station, (v,))
        lines += said
    assert len(lines) == 1 and station.state is S.EASING_OFF


def test_a_condition_must_last_as_long_as_its_rule_asks() -> None:
    kit = Kit(S.HOLDING)
    kit.quiet()
    bad = replace(kit.good, load_fault=True)
    assert not kit.see(bad), "one bad reading of a cell is not yet a fault"
    kit.quiet(1)
    assert not kit.see(bad)
    assert kit.see(bad), "two in a row are"


def test_slack_that_is_taken_up_without_end_is_over_travel() -> None:
    kit = Kit(S.SEATING)
    r = replace(kit.good, load_N=0.1, position_mm=X0 + 20.1)
    broken = kit.see(r, slack_from_mm=X0, target_mm=X0 + 20.2, span_mm=(X0, X0 + 20.2), speed_mm_per_s=1000.0)
    assert [v.fault for v in broken if v.fault is Fault.OVER_TRAVEL]


def test_a_fitting_that_creeps_ever_faster_is_a_slip() -> None:
    kit = Kit(S.HOLDING)
    found = None
    for i in range(4000):
        rate = 1e-5 if i < 1000 else 1e-3  # mm/s
        r = replace(kit.good, load_N=1000.0 + 0.1 * (i % 3))
        for v in kit.see(r, creep_mm_per_s=rate):
            found = found or (i, v)
    assert found is not None and found[1].fault is Fault.SLIP and found[1].unit == "mm a decade"
    assert found[0] > 1000 + 590, "a rate must last a minute before it is believed"


def test_a_drive_that_stands_still_short_of_its_target_is_a_following_error() -> None:
    kit = Kit(S.RAMPING)
    found = kit.until(lambda i: replace(kit.good, load_N=500.0 + 0.1 * (i % 3)), Fault.FOLLOWING, 30)
    assert found is not None and "stand" in found.unit


def test_a_frozen_cell_is_found_while_slack_is_taken_up() -> None:
    kit = Kit(S.SEATING)
    kit.asked = replace(kit.asked, slack_from_mm=X0, span_mm=(X0, X0 + 1.0))
    v = kit.until(lambda i: replace(kit.good, load_N=0.0, position_mm=X0 + 0.008 * i), Fault.CELL_FROZEN, 40)
    assert v is not None


def test_not_a_number_is_a_fault_of_its_sensor() -> None:
    for fault, bad in ((Fault.CELL_FAULT, {"load_N": math.nan}), (Fault.POSITION_LOST, {"position_mm": math.nan})):
        kit = Kit(S.HOLDING)
        kit.quiet()
        broken = [*kit.see(replace(kit.good, **bad)), *kit.see(replace(kit.good, **bad))]
        assert [v.fault for v in broken] and {v.fault for v in broken} == {fault}


def test_run_time_reads_as_hours_minutes_seconds() -> None:
    assert clock_text(3723.9) == "1:02:03"


def test_the_tables_for_the_docs_hold_every_fault() -> None:
    for fault in Fault:
        assert f"| {fault.value} |" in table_markdown() and f"| {fault.value} |" in states_markdown()


def test_every_state_that_has_ended_is_listed_as_such() -> None:
    assert {S.KEPT, S.DRIVE_OFF, S.EASED_OFF, S.DONE} == ENDED
