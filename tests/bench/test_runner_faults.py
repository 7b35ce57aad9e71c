"""The loop on a fake frame: every fault ends a run as the table says, and nothing moves after."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from bench.errors import FrameFault, LineTrouble
from bench.faults import RULES, Fault, Reaction
from bench.frame import FrameReading
from bench.machine import RunState, StationState
from bench.runner import LAMP_PERSON
from tests.bench.fake_frame import FakeFrame, Memory, make_program, play
from tests.bench.test_runner import AT_HOLD_S, HELD, frame, loads

S = StationState


def set_tamper(f: FakeFrame, tamper: Callable[[FrameReading], FrameReading]) -> Callable[[], None]:
    def now() -> None:
        f.tamper = tamper

    return now


def on_station(**changed: object) -> Callable[[FrameReading], FrameReading]:
    return lambda r: replace(r, stations=(replace(r.stations[0], **changed), *r.stations[1:]))  # type: ignore[arg-type]


class Frozen:
    """A counter or a load that keeps the first value it is asked for; or a drive that runs off from there."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.kept: float | None = None

    def __call__(self, r: FrameReading) -> FrameReading:
        if self.what == "frame_ms":
            self.kept = self.kept or r.frame_ms
            return replace(r, frame_ms=int(self.kept))
        if self.what == "running":  # runs off at 2 mm/s, and the load goes with it
            self.kept = self.kept or r.now_s - 0.1
            far = 2.0 * (r.now_s - self.kept)
            s = r.stations[0]
            return on_station(position_mm=s.position_mm + far, load_N=s.load_N + 950.0 * far)(r)
        self.kept = self.kept or r.stations[0].load_N
        return on_station(load_N=self.kept)(r)


IN_THE_LOOP: dict[Fault, Callable[[FrameReading], FrameReading]] = {
    Fault.OVER_LOAD: on_station(load_N=1700.0),
    Fault.OVER_TRAVEL: on_station(limit_high=True),
    Fault.OVER_SPEED: Frozen("running"),
    Fault.CELL_FAULT: on_station(load_fault=True),
    Fault.CELL_SATURATED: on_station(load_N=2500.0),
    Fault.POSITION_LOST: on_station(position_valid=False),
    Fault.ENCODER_JUMP: lambda r: on_station(position_mm=r.stations[0].position_mm + 3.0)(r),
    Fault.DRIVE_FAULT: on_station(drive_fault=4),
    Fault.DRIVE_DROPPED: on_station(enabled=False),
    Fault.LOAD_WITHOUT_MOTION: lambda r: on_station(load_N=r.stations[0].load_N + 60.0)(r),
    Fault.GUARD: lambda r: replace(r, guard_closed=False),
    Fault.ESTOP: lambda r: replace(r, estop_closed=False),
    Fault.POWER: lambda r: replace(r, power_ok=False),
    Fault.TEMPERATURE: lambda r: replace(r, air_temperature_C=50.0),
    Fault.OWNER_LOST: lambda r: replace(r, owner_token=99),
    Fault.LOCAL: lambda r: replace(r, local=True),
    Fault.DEADMAN: lambda r: replace(r, deadman_ms=60000),
    Fault.STALE: Frozen("frame_ms"),
    Fault.RESTARTED: lambda r: replace(r, frame_ms=5),
}


@pytest.mark.parametrize("at_s", [40.0, AT_HOLD_S], ids=["ramping", "holding"])
@pytest.mark.parametrize("fault", list(IN_THE_LOOP), ids=lambda f: f.name)
async def test_a_fault_in_the_loop_ends_the_run_as_the_table_says(fault: Fault, at_s: float) -> None:
    f = frame()
    if fault is Fault.LOAD_WITHOUT_MOTION and at_s < 100.0:
        at_s = 100.0  # while it ramps the load is expected to change
    tamper = IN_THE_LOOP[fault]
    if isinstance(tamper, Frozen):
        tamper.kept = None
    outcome, memory = await play(f, HELD, at={at_s: set_tamper(f, tamper)})
    assert outcome.state is RunState.FAULTED and not outcome.finished
    (station,) = outcome.stations
    assert fault in station.faults or any(fault.value in m for m in memory.said("fault"))
    reaction = RULES[fault].reaction
    x = f.drives[0].x_mm
    after_fault = next(e.time_s for e in memory.events if e.kind == "fault" and fault.value in e.message)
    commands = [c for t, c in f.commands if t > after_fault - 0.01]
    if reaction is Reaction.STOP:
        assert station.state is S.DRIVE_OFF and not f.drives[0].enabled
        assert not any(c.enable for c in commands)
    elif reaction is Reaction.KEEP:
        assert station.state is S.KEPT
        assert all(abs(c.target_mm - x) < 0.05 for c in commands), "it stops where it stands"
    else:
        assert station.state in (S.EASED_OFF, S.EASING_OFF, S.KEPT, S.DRIVE_OFF)
        if fault is Fault.TEMPERATURE:
            assert station.state is S.EASED_OFF and loads(f) == [0.0]
    await f.advance(30.0)
    assert f.drives[0].x_mm == pytest.approx(x, abs=1e-6), "nothing moves after the end"
    assert f.lamp == LAMP_PERSON
    (line,) = [m for m in memory.said("fault") if fault.value in m]
    assert RULES[fault].do in line and "since 0:0" in line


async def test_a_load_that_cannot_be_taken_off_within_the_travel_is_kept_and_said() -> None:
    f = frame()

    def lean() -> None:
        f.spokes[0].crept_mm -= 0.75  # the slack end of the travel is reached with 600 N left

    outcome, memory = await play(f, HELD, at={AT_HOLD_S: lean})
    assert outcome.stations[0].state is S.KEPT and outcome.still_under_load
    assert any("with the load still on" in m for m in memory.said("fault"))


async def test_a_frozen_cell_does_not_pull_a_spoke_far() -> None:
    f = frame()
    tamper = Frozen("load")
    # frozen a little below the set load: the law would pull for ever
    outcome, _ = await play(f, HELD, at={52.0: set_tamper(f, tamper)})
    assert outcome.state is RunState.FAULTED
    assert outcome.stations[0].faults and outcome.stations[0].state in (S.KEPT, S.DRIVE_OFF)
    assert max(load for _, (load,) in f.true_load_N) < 1000.0 * 1.05


async def test_over_load_is_eased_off_when_the_cell_tells_the_truth() -> None:
    f = frame()
    f.spokes[0].seat_mm = 1.5

    def lean() -> None:
        f.spokes[0].crept_mm -= 0.75  # as if something pulled: 700 N more at the same position

    outcome, memory = await play(f, HELD, at={AT_HOLD_S: lean})
    assert Fault.OVER_LOAD in outcome.stations[0].faults
    assert outcome.stations[0].state in (S.EASED_OFF, S.KEPT)
    assert memory.said("fault", "A")


def no_answer() -> None:
    raise LineTrouble("no answer within 0.2 s")


async def test_a_silent_frame_ends_the_run_without_a_single_further_write() -> None:
    f = frame()

    def cut() -> None:
        f.trouble = no_answer

    outcome, memory = await play(f, HELD, at={AT_HOLD_S: cut})
    assert outcome.state is RunState.LINK_LOST
    assert outcome.stations[0].state is S.DRIVE_OFF and outcome.still_under_load
    assert not f.drives[0].enabled, "the drive's own deadman has run out"
    assert f.commands[-1][0] <= AT_HOLD_S + 1.2
    assert any("no answer within 0.2 s" in m for m in memory.said("fault"))


async def test_one_lost_answer_is_no_fault() -> None:
    f = frame()
    lost = iter([True, True])

    def sometimes() -> None:
        if next(lost, False):
            raise LineTrouble("no answer within 0.2 s")

    def cut() -> None:
        f.trouble = sometimes

    outcome, memory = await play(f, HELD, at={AT_HOLD_S: cut})
    assert outcome.state is RunState.FINISHED
    assert len(memory.said("note")) == 1


@pytest.mark.parametrize(
    ("error", "fault"),
    [
        (FrameFault("the device refused: exception 4"), Fault.REFUSED),
        (LineTrouble("stale answer: the frame's counter has stood at 5"), Fault.STALE),
        (LineTrouble("the frame's counter jumped back from 9 to 1"), Fault.RESTARTED),
    ],
)
async def test_refusals_stale_answers_and_restarts_are_told_apart(error: Exception, fault: Fault) -> None:
    f = frame()

    def bad() -> None:
        raise error

    def cut() -> None:
        f.trouble = bad

    outcome, memory = await play(f, HELD, at={AT_HOLD_S: cut})
    assert outcome.state is RunState.LINK_LOST
    assert fault in outcome.stations[0].faults
    assert any(fault.value in m and str(error) in m for m in memory.said("fault"))


@pytest.mark.parametrize("shielded", [True, False])
async def test_when_a_spoke_lets_go_the_others_go_on_only_if_they_are_shielded(shielded: bool) -> None:
    f = frame(2, stations_shielded=shielded)

    def snap() -> None:
        f.spokes[0].gone = True

    program = make_program("seat seconds=2", "hold load_N=1000 rate_N_per_s=20 hours=0.2", "unload", stations=2)
    outcome, memory = await play(f, program, at={AT_HOLD_S: snap})
    broken, other = outcome.stations
    assert broken.state is S.DRIVE_OFF and Fault.LET_GO in broken.faults and outcome.spoke_failed
    assert other.state is (S.DONE if shielded else S.EASED_OFF)
    assert (Fault.NEIGHBOUR in other.faults) is not shielded
    assert loads(f)[1] == 0.0
    if not shielded:
        assert memory.rows[-1].time_s < 400.0, "it was eased off at once"


async def test_a_full_disk_eases_the_spokes_off_and_loses_nothing_that_was_kept() -> None:
    f, memory = frame(), Memory()

    def full() -> None:
        memory.full = True

    def room() -> None:
        memory.full = False

    outcome, memory = await play(f, HELD, memory, at={AT_HOLD_S: full, AT_HOLD_S + 20.0: room})
    assert outcome.state is RunState.FAULTED
    assert outcome.stations[0].state is S.EASED_OFF and loads(f) == [0.0]
    assert Fault.DISK_FULL in outcome.stations[0].faults
    times = [r.time_s for r in memory.rows]
    assert times == sorted(times) and max(t for t in times if t < AT_HOLD_S) > AT_HOLD_S - 2.0
    assert len(memory.said("fault")) == 1, "what could not be logged at once is logged when there is room"


async def test_late_ticks_are_noted_and_do_not_stop_the_run() -> None:
    f = frame()
    sleep = f.clock.sleep_until
    slow = iter([False] * 100 + [True])

    async def drowsy(when_s: float) -> None:
        await sleep(when_s + (2.0 if next(slow, False) else 0.0))

    f.clock.sleep_until = drowsy  # type: ignore[method-assign]
    outcome, memory = await play(f, make_program("seat seconds=20", "unload"))
    assert outcome.state is RunState.FINISHED
    assert any(Fault.LATE.value in m for m in memory.said("note"))
    assert outcome.lateness["lateness_worst_ms"] == pytest.approx(2000.0, rel=0.01)


async def test_a_clock_step_is_noted_and_run_time_goes_on() -> None:
    f = frame()
    outcome, memory = await play(f, HELD, at={AT_HOLD_S: set_tamper(f, lambda r: replace(r, at_utc=r.at_utc + 7200.0))})
    assert outcome.state is RunState.FINISHED
    assert sum(Fault.CLOCK_STEP.value in m for m in memory.said("note")) == 1
    gaps = [b.time_s - a.time_s for a, b in zip(memory.rows, memory.rows[1:], strict=False)]
    assert min(gaps) >= 0 and max(gaps) < 1.3


async def test_a_fitting_that_slips_twice_is_rejected_and_a_single_step_is_only_noted() -> None:
    for slips, state in ((1, S.DONE), (2, S.EASED_OFF)):
        f = frame()

        def slip(f: FakeFrame = f) -> None:
            f.spokes[0].crept_mm += 0.04

        at: dict[float, Callable[[], object]] = {AT_HOLD_S + 100.0 * i: slip for i in range(slips)}
        outcome, memory = await play(f, HELD, at=at)
        assert outcome.stations[0].state is state
        assert len([m for m in memory.said("note") if "slip suspected" in m]) == 1
        assert outcome.spoke_failed is (slips == 2)


async def test_a_cell_whose_zero_moved_over_the_run_is_named_in_newtons() -> None:
    f = frame()
    drift = set_tamper(f, lambda r: on_station(load_N=r.stations[0].load_N + 1.0)(r))
    program = make_program("seat seconds=2", "hold load_N=400 hours=0.02", "unload")
    _, memory = await play(f, program, at={60.0: drift})
    (zero,) = [e for e in memory.events if e.kind == "zero"]
    assert zero.data["drift_N"] == pytest.approx(1.0, abs=1.5)

    far = set_tamper(f2 := frame(), lambda r: on_station(load_N=r.stations[0].load_N - 6.0)(r))
    _, memory = await play(f2, program, at={60.0: far})
    assert any(Fault.CELL_DRIFT.value in m and "-6" in m.replace("-5.", "-6.") for m in memory.said("note"))


async def test_a_run_that_tripped_is_watched_for_as_long_as_its_program_asks() -> None:
    f = frame()
    program = make_program("seat seconds=2", "hold load_N=500 hours=0.5", extra="[limits]\nlog_after_trip_h = 0.5")
    outcome, memory = await play(f, program, at={AT_HOLD_S: set_tamper(f, on_station(load_fault=True))})
    assert outcome.stations[0].state is S.KEPT
    assert memory.rows[-1].time_s > AT_HOLD_S + 1500.0
    assert f.owner == 0
