"""The loop on a fake frame: programs carried out, faults followed, persons obeyed, ends said plainly."""

from __future__ import annotations

import asyncio
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from bench.errors import FrameFault
from bench.frame import FrameReading
from bench.journal import OFFSET_UNKNOWN, STATE_MASK
from bench.machine import STATE_CODE, RunState, StationState
from bench.outcome import Outcome
from bench.ready import Verdict
from bench.runner import LAMP_OFF, LAMP_PERSON, prepare
from bench.status import Mailbox
from bench.steps import touch_times_s
from models.errors import InputError
from tests.bench.fake_frame import READY, FakeFrame, frame_facts, make_program, play

S = StationState
HELD = make_program("seat seconds=2", "hold load_N=1000 rate_N_per_s=20 hours=0.5", "unload")
AT_HOLD_S = 200.0


def frame(stations: int = 1, **changed: object) -> FakeFrame:
    made = FakeFrame(frame_facts(stations, **changed))
    for spoke in made.spokes:
        spoke.seat_mm = 0.1
    return made


def loads(f: FakeFrame) -> list[float]:
    return [s.load_N(d.x_mm) for s, d in zip(f.spokes, f.drives, strict=True)]


async def test_a_program_is_carried_out_step_by_step_and_its_record_is_true() -> None:
    f = frame()
    program = make_program(
        "seat seconds=2",
        "cycles high_N=400 count=2",
        "hold load_N=1000 rate_N_per_s=20 hours=0.1",
        "recover hours=0.05",
        "proof load_N=1200 seconds=5",
        "unload",
    )
    outcome, memory = await play(f, program)
    assert outcome.state is RunState.FINISHED and outcome.finished
    assert f.lamp == LAMP_OFF and f.owner == 0, "the frame is given back"
    assert [e.data["step"] for e in memory.events if e.kind == "step"] == list(range(1, len(program.steps)))
    assert loads(f) == [0.0]
    spoke = f.spokes[0]
    compliance = 1.0 / spoke.k_N_per_mm - f.facts.stations[0].frame_compliance_mm_per_N
    held = [r for r in memory.rows if r.step == 5 and r.flags & STATE_MASK == STATE_CODE[S.HOLDING]]
    assert len(held) > 100
    # what the spoke itself did: elastic part plus creep, to within a micrometre of zero and a little noise
    first, last = held[0], held[-1]
    assert first.elongation_mm == pytest.approx(1000.0 * compliance, abs=0.03)
    assert last.elongation_mm - last.load_N * compliance == pytest.approx(spoke.crept_mm, abs=0.012)
    assert last.elongation_raw_mm - last.elongation_mm == pytest.approx(last.load_N * 4e-4, abs=1e-6)
    assert all(math.isnan(r.elongation_mm) for r in memory.rows if r.load_N < 2.0)
    assert {r.temperature_C for r in memory.rows} == {21.0}


async def test_readings_are_dense_early_and_sparse_late_and_never_slower_than_a_third_of_the_deadman() -> None:
    f = frame()
    program = make_program("seat seconds=1", "hold load_N=500 hours=1.0", extra="[tick]\nhold_s = 5.0")
    _, memory = await play(f, program)
    reached = next(e.time_s for e in memory.events if e.kind == "reached")
    times = [r.time_s - reached for r in memory.rows if r.time_s > reached]
    for start, stop, longest in ((1.0, 10.0, 0.11), (100.0, 200.0, 2.4), (1000.0, 3000.0, 6.0)):
        gaps = [b - a for a, b in itertools.pairwise(times) if start < a < stop]
        assert gaps and max(gaps) <= longest
    # creep standards read at 1, 3, 6, 12, 30 min (ISO 899-1, from memory): far sparser than this
    assert sum(60.0 < t < 600.0 for t in times) > 100
    between = [b - a for (a, _), (b, _) in zip(f.true_load_N, f.true_load_N[1:], strict=False)]
    assert max(between) <= 3.5 / 3 + 1e-6, "the loop itself reads at least three times within the deadman"


async def test_ctrl_c_stops_motion_and_leaves_the_load_on() -> None:
    f, box = frame(), Mailbox()
    outcome, memory = await play(f, HELD, at={30.0: box.stop_now}, mailbox=box)
    assert outcome.state is RunState.STOPPED and outcome.still_under_load
    (said,) = memory.said("stopped")
    assert "spokes still under load: A" in said
    x = f.drives[0].x_mm
    await f.advance(20.0)
    assert f.drives[0].x_mm == pytest.approx(x, abs=1e-3) and loads(f)[0] > 20.0
    assert f.lamp == LAMP_PERSON
    assert memory.events[-1].kind == "end"


async def test_cancellation_from_outside_stops_motion_first_and_is_not_swallowed() -> None:
    f = frame()
    prepared = await prepare(f, HELD, 7)
    task = asyncio.current_task()
    assert task is not None
    with pytest.raises(asyncio.CancelledError):
        await play(f, HELD, at={30.0: task.cancel}, prepared=prepared)
    task.uncancel()
    x = f.drives[0].x_mm
    await f.advance(3.0)
    assert f.drives[0].x_mm == pytest.approx(x, abs=5e-3) and f.owner == 0


@pytest.mark.parametrize(
    ("tamper", "words"),
    [
        (lambda r: replace(r, local=True), "local panel"),
        (lambda r: replace(r, owner_token=55), "another controller"),
        (lambda r: replace(r, estop_closed=False), "emergency-stop chain is open"),
        (lambda r: replace(r, guard_closed=False), "guard is open"),
        (lambda r: replace(r, power_ok=False), "motor power"),
        (lambda r: replace(r, deadman_ms=100), "deadman reads 100 ms"),
        (lambda r: replace(r, max_load_N=900.0), "own load limit reads 900 N, the program goes to 1000 N"),
        (lambda r: replace(r, air_temperature_C=2.0), "air is at 2.0 degC"),
        (lambda r: replace(r, stations=(replace(r.stations[0], load_N=45.0),)), "begins slack"),
        (lambda r: replace(r, stations=(replace(r.stations[0], load_fault=True),)), "load cell reports a fault"),
        (lambda r: replace(r, stations=(replace(r.stations[0], position_valid=False),)), "position is not valid"),
        (lambda r: replace(r, stations=(replace(r.stations[0], drive_fault=3),)), "drive reports fault 3"),
        (lambda r: replace(r, stations=(replace(r.stations[0], position_mm=61.0),)), "outside its travel"),
        (lambda r: replace(r, stations=(replace(r.stations[0], limit_low=True),)), "travel switch"),
    ],
)
async def test_a_frame_that_is_not_fit_is_refused_before_anything_moves(
    tamper: Callable[[FrameReading], FrameReading], words: str
) -> None:
    f = frame()
    f.tamper = tamper
    with pytest.raises(FrameFault, match=words):
        await prepare(f, HELD, 7)
    assert f.commands == [] and f.owner in (0, 55)


async def test_all_reasons_against_moving_are_said_at_once() -> None:
    f = frame()
    f.tamper = lambda r: replace(r, guard_closed=False, power_ok=False)
    with pytest.raises(FrameFault, match=r"guard is open.*motor power"):
        await prepare(f, HELD, 7)


async def test_on_our_own_mistake_motion_is_stopped_before_the_error_goes_up(monkeypatch: pytest.MonkeyPatch) -> None:
    f = frame()

    def mistake(*_: object) -> None:
        raise ZeroDivisionError("ours")

    with pytest.raises(ZeroDivisionError):
        await play(f, HELD, at={40.0: mistake})
    stop = f.commands[-1][1]
    assert stop.enable and stop.target_mm == pytest.approx(f.drives[0].x_mm, abs=0.01), "it stops where it stands"
    x = f.drives[0].x_mm
    await f.advance(30.0)
    assert f.drives[0].x_mm == pytest.approx(x, abs=0.01) and f.owner == 0


@pytest.mark.parametrize("what", ["load_N", "position_mm"])
@pytest.mark.parametrize("at_s", [1.0, 40.0, AT_HOLD_S], ids=["seating", "ramping", "holding"])
async def test_a_reading_that_is_no_number_never_becomes_a_move(what: str, at_s: float) -> None:
    f = frame()

    def once() -> None:
        left = iter([True])

        def tamper(r: FrameReading) -> FrameReading:
            if next(left, False):
                r = replace(r, stations=(replace(r.stations[0], **{what: math.nan}),))
            return r

        f.tamper = tamper

    outcome, _ = await play(f, HELD, at={at_s: once})
    # one such load is not yet a fault; a lost position is one at once
    assert outcome.state is (RunState.FINISHED if what == "load_N" else RunState.FAULTED)
    assert all(math.isfinite(c.target_mm) for _, c in f.commands)


async def test_pause_holds_the_load_and_go_on_takes_the_step_up_again() -> None:
    f, box = frame(), Mailbox()
    outcome, memory = await play(
        f,
        HELD,
        at={60.0: lambda: box.ask("A", "pause"), 300.0: lambda: box.ask(None, "go on")},
        mailbox=box,
    )
    paused = [r for r in memory.rows if r.flags & STATE_MASK == STATE_CODE[S.PAUSED]]
    assert paused and max(r.load_N for r in paused[20:]) - min(r.load_N for r in paused[20:]) < 10.0
    assert outcome.state is RunState.FINISHED
    assert any("goes on" in m for m in memory.said("step", "A"))


async def test_a_person_can_end_a_hold_and_ease_a_station_off() -> None:
    f, box = frame(2), Mailbox()
    program = make_program("seat seconds=2", "hold load_N=800 until='asked' max_hours=2", "unload", stations=2)
    outcome, memory = await play(
        f,
        program,
        at={AT_HOLD_S: lambda: box.ask("A", "end step"), AT_HOLD_S + 5: lambda: box.ask("B", "ease off")},
        mailbox=box,
    )
    a, b = outcome.stations
    assert a.state is S.DONE and b.state is S.EASED_OFF and b.ended == "eased off at a person's request"
    assert outcome.state is RunState.STOPPED and outcome.run_s < 400.0
    assert any("ended at a person's request" in m for m in memory.said("step", "A"))


async def test_a_request_that_cannot_be_is_said_and_changes_nothing() -> None:
    f, box = frame(), Mailbox()
    outcome, memory = await play(f, HELD, at={AT_HOLD_S: lambda: box.ask("A", "go on")}, mailbox=box)
    assert outcome.state is RunState.FINISHED
    assert any("cannot be" in m for m in memory.said("request"))
    with pytest.raises(InputError, match="there is no request 'raise the limit'"):
        box.ask("A", "raise the limit")


class ReadyAt:
    """A live fit that finds each station ready at its own time."""

    def __init__(self, when_s: dict[str, float]) -> None:
        self.when_s = when_s
        self.new: list[Verdict] = []
        self.asked: set[str] = set()

    def ask(self, at_s: float, stations: Sequence[str]) -> None:
        self.asked |= set(stations)
        for name in stations:
            ready = at_s > self.when_s[name]
            if ready or round(at_s) % 100 == 0:
                self.new.append(Verdict(station=name, ready=ready, says=f"remaining loss of {name}", probability=0.95))

    def verdicts(self) -> list[Verdict]:
        new, self.new = self.new, []
        return new


async def test_a_hold_until_ready_ends_station_by_station_and_the_record_says_why() -> None:
    f = frame(2)
    program = make_program(
        "seat seconds=2", "hold load_N=800 until='ready' max_hours=2", "unload", stations=2, extra=READY
    )
    fit = ReadyAt({"A": 400.0, "B": 700.0})
    outcome, memory = await play(f, program, readiness=fit)
    assert outcome.state is RunState.FINISHED and 700.0 < outcome.run_s < 900.0
    assert memory.said("ready") == ["remaining loss of A", "remaining loss of B"]
    assert memory.said("live fit", "B"), "what it found before is logged too"
    ends = {e.station: e for e in memory.events if e.kind == "step" and e.data["step"] == 2}
    assert ends["A"].time_s < 450.0 and 700.0 < ends["B"].time_s < 750.0
    assert all("ended: ready for its wheel" in e.message for e in ends.values())
    assert all("ready for its wheel" in (s.why or "") for s in outcome.stations)
    assert outcome.stations[0].slack_since_s is not None and outcome.stations[0].slack_since_s < 500.0


async def test_the_live_fit_is_asked_only_of_stations_that_wait_for_it() -> None:
    fit = ReadyAt({"A": 1e9})
    program = make_program("seat seconds=2", "hold load_N=800 hours=0.02", "unload")
    await play(frame(), program, readiness=fit)
    assert not fit.asked


async def test_a_live_fit_that_is_lost_leaves_the_hold_its_longest_time_and_says_so() -> None:
    class Lost(ReadyAt):
        def ask(self, at_s: float, stations: Sequence[str]) -> None:
            if not self.asked:
                self.new.append(Verdict(station="", ready=False, says="the live fit has ended"))
            self.asked |= set(stations)

    program = make_program("seat seconds=2", "hold load_N=800 until='ready' max_hours=0.05", "unload", extra=READY)
    outcome, memory = await play(frame(), program, readiness=Lost({}))
    assert outcome.state is RunState.FINISHED
    assert memory.said("note", "") == ["the live fit has ended"]
    assert any("longest time (until ready)" in m for m in memory.said("step"))


async def test_touches_read_the_recovery_a_few_times_per_decade_and_leave_the_spoke_slack_between() -> None:
    f = frame()
    program = make_program(
        "seat seconds=2", "hold load_N=800 hours=0.02", "unload", "touch hours=1 per_decade=3", "unload"
    )
    outcome, memory = await play(f, program)
    assert outcome.state is RunState.FINISHED
    touched = [r for r in memory.rows if r.flags & STATE_MASK == STATE_CODE[S.TOUCHING] and r.load_N > 13.0]
    starts = [b.time_s for a, b in itertools.pairwise(touched) if b.time_s - a.time_s > 30.0]
    times = touch_times_s(program.steps[3])
    assert len(starts) + 1 == len(times) == 6
    assert all(math.isfinite(r.elongation_mm) for r in touched)
    slack = [r for r in memory.rows if r.step == 3 and r.flags & STATE_MASK == STATE_CODE[S.SLACK]]
    # it bears a little only while the drive backs off: at most two seconds after each touch
    bearing = [r for r in slack if r.load_N > 4.0]
    assert len(slack) > 200 and len(bearing) <= 6 * 20


async def test_a_chord_hold_lets_the_load_fall_as_the_wheel_would() -> None:
    f = FakeFrame(frame_facts(1), noise_N=0.1)
    f.spokes[0].seat_mm = 0.1
    phi = 0.3
    program = make_program(
        "seat seconds=2", "hold load_N=1000 rate_N_per_s=20 hours=0.01", f"chord followup={phi} hours=1"
    )
    outcome, memory = await play(f, program)
    assert outcome.state is RunState.FINISHED and outcome.still_under_load
    rows = [r for r in memory.rows if r.step == 2]
    first, last = rows[0], rows[-1]
    assert last.load_N < first.load_N - 20.0
    # extension + phi L T/EA stays constant (physics of the wheel's mean spoke)
    wheel = phi * 280.0 / 430000.0
    chord = [r.elongation_mm + wheel * r.load_N for r in rows]
    assert max(chord) - min(chord) < 0.0025
    # and so the load falls by the creep over (spoke + wheel compliance)
    spoke = 1.0 / f.spokes[0].k_N_per_mm - 4e-4
    crept = (last.elongation_mm - last.load_N * spoke) - (first.elongation_mm - first.load_N * spoke)
    assert first.load_N - last.load_N == pytest.approx(crept / (spoke + wheel), rel=0.03)


async def test_a_temperature_step_waits_for_every_station_and_soaks() -> None:
    f = frame(2, has_cabinet=True)
    f.cabinet_C = 21.0
    program = make_program(
        "seat seconds=2",
        "hold load_N=300 hours=0.01",
        "temperature temperature_C=40 soak_hours=0.05",
        "hold hours=0.01",
        "unload",
        stations=2,
    )
    outcome, memory = await play(f, program)
    assert outcome.state is RunState.FINISHED
    assert f.cabinet_asked == [40.0, None], "and it is switched off at the end"
    begun = [e.time_s for e in memory.events if e.kind == "step" and e.data["step"] == 2]
    left = [e.time_s for e in memory.events if e.kind == "step" and e.data["step"] == 3]
    assert min(left) >= max(begun) + 0.05 * 3600.0
    under = [r for r in memory.rows if r.step == 2]
    assert max(r.temperature_C for r in under) == 40.0
    assert min(r.load_N for r in under) > 290.0, "the load stays on while it warms"


async def test_the_flag_of_an_unknown_offset_is_not_set_without_reason() -> None:
    _, memory = await play(frame(), make_program("seat seconds=1", "unload"))
    assert not any(r.flags & OFFSET_UNKNOWN for r in memory.rows)


async def test_the_figures_of_a_run_are_in_its_record() -> None:
    outcome, memory = await play(frame(), HELD)
    (ticks,) = [e for e in memory.events if e.kind == "ticks"]
    assert ticks.data["ticks"] == outcome.lateness["ticks"] > 500
    figures = outcome.stations[0].figures
    assert figures["hold_rms_percent"] < 0.25 and 0 < figures["overshoot_percent"] < 0.5
    assert ticks.data["holds"]["A"] == figures


def test_an_outcome_is_finished_only_when_no_spoke_bears_load() -> None:
    outcome = Outcome(state=RunState.FINISHED, message="", run_s=1.0, stations=(), lateness={})
    assert outcome.finished and not replace(outcome, state=RunState.FAULTED).finished
