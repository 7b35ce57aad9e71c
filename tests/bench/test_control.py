"""The control law: on its own, and in the loop on a frame whose bus takes its time."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bench import control
from tests.bench.fake_frame import FakeFrame, make_program, play, station_facts

FACTS = station_facts("A")


def test_the_slope_of_load_over_position_is_learned_through_noise() -> None:
    rng = np.random.default_rng(2)
    slope = control.Slope()
    for x in np.linspace(0.0, 0.05, 40):
        slope = control.learn(slope, 5.0 + x, 900.0 * x + 0.3 * rng.standard_normal(), 1e6)
    k = control.learned_N_per_mm(slope, 0.3)
    assert k is not None and k == pytest.approx(900.0, rel=0.03)
    assert control.zero_of(slope, k) == pytest.approx(5.0, abs=1e-3)


def test_a_stiffness_is_not_told_from_noise_at_rest() -> None:
    rng = np.random.default_rng(3)
    slope = control.Slope()
    for _ in range(200):
        slope = control.learn(slope, 5.0 + 1e-4 * rng.standard_normal(), 0.3 * rng.standard_normal(), 1e6)
    assert control.learned_N_per_mm(slope, 0.3) is None


def test_readings_far_back_in_load_are_forgotten() -> None:
    slope = control.Slope()
    for x in np.linspace(0.0, 1.0, 200):  # soft below 300 N, stiff above
        load = 300.0 * x / 0.5 if x < 0.5 else 300.0 + 1000.0 * (x - 0.5)
        slope = control.learn(slope, x, load, 40.0)
    k = control.learned_N_per_mm(slope, 0.3)
    assert k == pytest.approx(1000.0, rel=0.02)


def test_a_ramp_never_aims_past_its_end_even_when_far_behind() -> None:
    reference, move = control.ramp(10.0, 990.0, 999.0, 1000.0, 20.0, 1000.0, 0.1, 1.2, FACTS)
    assert reference == 1000.0
    assert move.target_mm <= 10.0 + (1000.0 - 990.0) / 1000.0


def test_a_ramp_does_not_run_away_from_a_load_that_does_not_follow() -> None:
    reference = 100.0
    for _ in range(100):
        reference, move = control.ramp(10.0, 100.0, reference, 1000.0, 20.0, 1000.0, 0.1, 0.2, FACTS)
    assert reference <= 100.0 + 2 * 20.0 * 0.2 + 5 * FACTS.load_noise_N
    assert move.target_mm - 10.0 < 0.02


def test_the_creep_line_predicts_a_straight_creep_exactly() -> None:
    creep = None
    for i in range(50):
        creep = control.follow(creep, 3.0 + 2e-4 * i, float(i), float(i), 1.0)
    assert creep is not None
    assert creep.y_mm == pytest.approx(3.0 + 2e-4 * 49, abs=1e-12)
    assert creep.rate_mm_per_s == pytest.approx(2e-4, abs=1e-12)


def test_the_creep_line_averages_noise_down_as_least_squares_does() -> None:
    rng = np.random.default_rng(4)
    errors = []
    for _ in range(300):
        creep = None
        for i in range(control.MEMORY_READINGS):
            creep = control.follow(creep, float(rng.standard_normal()), float(i), 1e9, 1e9)
        assert creep is not None
        errors.append(creep.y_mm)
    # end point of a least-squares line through n points: variance 2 (2n - 1)/(n (n + 1))
    n = control.MEMORY_READINGS
    assert np.std(errors) == pytest.approx(math.sqrt(2 * (2 * n - 1) / (n * (n + 1))), rel=0.12)


def test_a_jump_makes_the_creep_line_forget() -> None:
    creep = None
    for i in range(40):
        creep = control.follow(creep, 0.0 if i < 35 else 0.05, float(i), 1e9, 0.01)
    assert creep is not None and creep.y_mm == pytest.approx(0.05, abs=1e-3)


def test_a_hold_does_not_move_for_less_than_the_drives_step() -> None:
    creep = control.Creep(y_mm=9.0, rate_mm_per_s=0.0, readings=30, at_s=0.0)
    at = 9.0 + 1000.0 / 1000.0
    args = (creep, 1000.0, at, 1000.0)
    assert control.hold(*args, at + 0.7 * FACTS.step_mm, 1000.0, 1.0, 0.0, FACTS) is None
    assert control.hold(*args, at + 0.8 * FACTS.step_mm, 1000.0, 1.0, 0.0, FACTS) is not None


def test_a_move_is_bounded_by_travel_and_speed_whatever_is_asked() -> None:
    move = control.bounded(1e6, 1e6, FACTS)
    assert move.target_mm == FACTS.travel_mm[1] and move.speed_mm_per_s == FACTS.max_speed_mm_per_s


def test_a_chord_hold_keeps_extension_plus_the_wheels_share() -> None:
    # y + F (1/k - C) + w F = chord, solved for F: put back in, it must be met
    creep = control.Creep(y_mm=5.2, rate_mm_per_s=0.0, readings=30, at_s=0.0)
    k, c, w, chord = 950.0, 4e-4, 3e-4, 6.0
    f = control.chord_set_N(creep, chord, k, c, w)
    assert creep.y_mm + f / k - c * f + w * f == pytest.approx(chord, abs=1e-12)


def _peak_and_rms(frame: FakeFrame, set_N: float, settle_s: float, held_from_s: float) -> tuple[float, float]:
    """Largest true load, and rms error over the hold, in percent of the set load."""
    time = np.array([t for t, _ in frame.true_load_N])
    load = np.array([f[0] for _, f in frame.true_load_N])
    held = (time > held_from_s + settle_s) & (load > 0.9 * set_N)
    weight = np.gradient(time[held])
    error = 100.0 * (load[held] - set_N) / set_N
    return 100.0 * (load.max() - set_N) / set_N, float(np.sqrt(np.average(error**2, weights=weight)))


@pytest.mark.parametrize("bus_s", [0.0, 0.05, 0.3])
@pytest.mark.parametrize("k", [500.0, 950.0, 1400.0])
async def test_a_ramp_of_20_N_per_s_overshoots_less_than_half_a_percent_whatever_the_bus_and_the_spoke(
    bus_s: float, k: float
) -> None:
    frame = FakeFrame(bus_s=bus_s)
    frame.spokes[0].k_N_per_mm = k
    frame.spokes[0].seat_mm = 0.1
    program = make_program("seat seconds=2", "hold load_N=1000 rate_N_per_s=20 hours=0.05")
    outcome, memory = await play(frame, program)
    assert outcome.state.value == "finished", outcome.message
    reached = next(e.time_s for e in memory.events if e.kind == "reached")
    overshoot, rms = _peak_and_rms(frame, 1000.0, 30.0, reached)
    assert 0.0 < overshoot < 0.5
    assert rms < 0.25


async def test_a_spoke_that_stiffens_fourfold_is_still_not_overshot() -> None:
    frame = FakeFrame(bus_s=0.3)
    spoke = frame.spokes[0]
    spoke.seat_mm = 0.1

    def load_N(x_mm: float) -> float:  # soft at first, as a new braid is: 250 N/mm, then 1000 N/mm above 200 N
        x = max(0.0, x_mm - spoke.seat_mm - spoke.crept_mm)
        return 250.0 * x if x < 0.8 else 200.0 + 1000.0 * (x - 0.8)

    spoke.load_N = load_N  # type: ignore[method-assign]
    outcome, _ = await play(frame, make_program("seat seconds=2", "hold load_N=1000 rate_N_per_s=20 hours=0.02"))
    assert outcome.state.value == "finished", outcome.message
    assert max(f[0] for _, f in frame.true_load_N) < 1005.0


async def test_a_coarse_drive_holds_within_its_step() -> None:
    facts = FakeFrame().facts
    coarse = station_facts("A", step_mm=0.002)
    frame = FakeFrame(type(facts)(**{f: getattr(facts, f) for f in facts.__slots__} | {"stations": (coarse,)}))
    outcome, memory = await play(frame, make_program("seat seconds=2", "hold load_N=1000 hours=0.1"))
    assert outcome.state.value == "finished", outcome.message
    reached = next(e.time_s for e in memory.events if e.kind == "reached")
    _, rms = _peak_and_rms(frame, 1000.0, 60.0, reached)
    assert rms < 0.25  # one step is 1.9 N here
