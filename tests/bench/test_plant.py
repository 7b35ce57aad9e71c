"""The simulated frame's physics and interlocks."""

from __future__ import annotations

import numpy as np
import pytest

from bench.cues import LINK_CUES, STATION_CUES, Cue
from bench.frame import FrameFacts, StationFacts
from bench.invented import invented_batch
from bench.plant import OVERTRAVEL, Plant, PlantSettings
from bench.spokes import Spokes
from models.batch import draw_chains
from models.chain import Chain, total_strain, virgin
from models.follow import advance_to_strain
from tests.bench.frames import frame_file
from tests.golden import default_chain

GAUGE_MM = 280.0


def spokes_of_many_kinds() -> Chain:
    """Four different spokes: scattered, stiffening, stress-nonlinear, with two flows."""
    chain = draw_chains(invented_batch(), np.random.default_rng(3), 1, 4).take(0)
    d = default_chain()
    return Chain.of(
        EA0_N=chain.EA0_N,
        stiffening_per_N=np.array([0.0, 3e-4, 0.0, 1e-4]),
        recoverable=(d.recoverable_tau_s, chain.recoverable_compliance_per_N),
        recoverable_nonlinearity_per_N=np.array([0.0, 0.0, 2e-4, 1e-4]),
        bedding=(d.bedding_tau_s, chain.bedding_compliance_per_N),
        bedding_exponent=np.array([0.7, 0.7, 1.0, 0.8]),
        flow=(np.array([[1e-12, 1e-14]] * 4), np.array([[316.0, 200.0]] * 4)),
        reference_C=23.0,
    )


@pytest.mark.parametrize("temperature_C", [20.0, 35.0])
def test_spokes_on_the_frame_follow_the_chain_of_models(temperature_C: float) -> None:
    """Ramp, hold with small moves, half unload, reload; against models.follow.advance_to_strain."""
    chain = spokes_of_many_kinds()
    series = np.array([4e-4, 0.0, 1e-3, 4e-4])
    spokes, state, load = Spokes(chain, GAUGE_MM, series), virgin(chain, (4,)), np.zeros(4)
    rng = np.random.default_rng(1)
    gone = np.zeros(4, bool)
    x = 0.0
    worst_N = 0.0
    for i in range(450):
        dt = 0.1 if i < 150 or 300 <= i < 360 else 1.0
        if i < 150 or 330 <= i < 360:
            x += 0.01
        elif 300 <= i < 330:
            x -= 0.01
        else:
            x += 0.0005 * rng.standard_normal() + 1e-4
        spokes.step(dt, np.full(4, x), temperature_C, gone)
        state, load = advance_to_strain(
            chain, state, dt, load, np.full(4, x / GAUGE_MM), temperature_C, follow_per_N=series / GAUGE_MM
        )
        worst_N = max(worst_N, float(np.abs(spokes.load_N - load).max()))
    assert load.min() > 500.0
    # what is left is the simplified bedding of steps in which the target falls below the mode and comes back
    assert worst_N < 0.005
    assert np.abs(spokes.state.strain - state.strain).max() < 5e-9


def test_bedding_in_never_comes_back_however_the_load_is_shaken() -> None:
    chain = default_chain().scaled(elastic=np.ones(1))
    spokes, gone = Spokes(chain, GAUGE_MM, np.array([4e-4])), np.zeros(1, bool)
    rng = np.random.default_rng(2)
    before = spokes.state.bedding
    for _ in range(300):
        spokes.step(float(rng.choice([0.1, 5.0, 600.0])), rng.uniform(-0.2, 1.6, 1), 23.0, gone)
        after = spokes.state.bedding
        assert (after >= before - 1e-15).all()
        before = after
    assert before.sum() > 5e-4


def test_a_slack_spoke_carries_nothing_and_recovers_by_itself() -> None:
    chain = default_chain().scaled(elastic=np.ones(1))
    spokes, gone = Spokes(chain, GAUGE_MM, np.array([4e-4])), np.zeros(1, bool)
    for _ in range(600):
        spokes.step(1.0, np.array([1.5]), 23.0, gone)
    held = float(spokes.state.recoverable.sum())
    for _ in range(600):
        spokes.step(1.0, np.array([-0.5]), 23.0, gone)
        assert spokes.load_N[0] == 0.0
    left = float(spokes.state.recoverable.sum())
    bedding = float(spokes.state.bedding.sum())
    assert 0.0 < left < 0.7 * held
    spokes.step(0.1, np.array([1.5]), 23.0, gone)
    assert float(spokes.state.bedding.sum()) == pytest.approx(bedding, rel=1e-3)


def plant(stations: int = 2, **settings: float) -> Plant:
    file = frame_file(stations)
    rng = np.random.default_rng(1)
    chain = draw_chains(invented_batch(), rng, 1, stations).take(0)
    made = Plant(file.facts, chain, rng, PlantSettings(seat_sd_mm=0.0, load_zero_sd_N=0.0, **settings))
    made.take(5)
    made.feed()
    return made


def live(p: Plant, seconds: float, piece_s: float = 0.1) -> None:
    for _ in range(round(seconds / piece_s)):
        p.feed()
        p.advance(piece_s)


def go(p: Plant, station: int, target_mm: float, speed: float = 0.5) -> None:
    p.command(station, enable=True, target_mm=target_mm, speed_mm_per_s=speed)


def test_one_long_step_lives_as_many_short_ones() -> None:
    """A move, its end and the deadman's end fall inside the step."""
    coarse, fine = plant(), plant()
    for p in (coarse, fine):
        go(p, 0, 6.9)
        go(p, 1, 30.0, 0.25)
    coarse.advance(40.0)
    for _ in range(4000):
        fine.advance(0.01)
    # fed once: the deadman of 3.5 s stops both
    assert coarse.motor_mm == pytest.approx([1.75, 0.875], abs=1e-9)
    assert fine.motor_mm == pytest.approx(coarse.motor_mm, abs=1e-9)
    for p in (coarse, fine):
        p.take(5)
        p.feed()
        go(p, 0, 6.9, 1.0)
    live(coarse, 12.0, 2.0)
    live(fine, 12.0, 0.01)
    assert coarse.spokes.load_N[0] > 300.0
    assert coarse.spokes.load_N == pytest.approx(fine.spokes.load_N, abs=0.2)


def test_the_load_follows_from_the_stretch_through_spoke_and_frame_in_series() -> None:
    """Position less frame compliance is the spoke's own stretch, as the run's elongation takes it."""
    p = plant(1, air_swing_C=0.0)
    go(p, 0, 7.2)
    live(p, 60.0)
    load = p.spokes.load_N[0]
    s, c = p.settings, p.facts.stations[0].frame_compliance_mm_per_N
    stretch = p.motor_mm[0] - s.backlash_mm - s.seat_mm - load * c
    strain = total_strain(p.spokes.chain, p.spokes.state, p.spokes.load_N, 20.0)
    assert stretch / s.gauge_length_mm == pytest.approx(float(strain[0]), abs=1e-7)


def test_a_cell_has_the_noise_and_the_counts_that_it_should() -> None:
    p = plant(1)
    loads = []
    for _ in range(2000):
        p.advance(1.0)
        loads.append(p.load_N[0])
    values = np.array(loads)
    noise = p.facts.stations[0].load_noise_N
    # standard error of a standard deviation: s / sqrt(2 n)
    assert values.std() == pytest.approx(np.hypot(noise, 0.1 / 12**0.5), abs=4 * noise / (2 * 2000) ** 0.5)
    assert np.abs(values / 0.1 - np.rint(values / 0.1)).max() < 1e-6


def test_backlash_shows_while_slack_and_not_while_pulling() -> None:
    p = plant(1)
    go(p, 0, 3.0)
    live(p, 8.0)
    up = p.carriage_mm[0]
    go(p, 0, 2.99)
    live(p, 1.0)
    assert p.carriage_mm[0] == pytest.approx(up, abs=1e-9)  # within the play of 0.02 mm
    go(p, 0, 2.9)
    live(p, 1.0)
    assert p.carriage_mm[0] == pytest.approx(2.9, abs=1e-9)
    go(p, 0, 7.0)
    live(p, 12.0)
    before = p.spokes.load_N[0]
    go(p, 0, 6.999)
    live(p, 0.1)
    assert p.spokes.load_N[0] < before - 0.5


def test_a_move_ends_on_whole_steps_of_the_drive() -> None:
    p = plant(1)
    go(p, 0, 1.00037)
    live(p, 4.0)
    assert p.motor_mm[0] == pytest.approx(1.0005, abs=1e-9)


def test_speed_is_limited_by_the_drive_itself() -> None:
    p = plant(1)
    go(p, 0, 50.0, 99.0)
    live(p, 2.0)
    assert p.motor_mm[0] == pytest.approx(2.0, abs=1e-9)


def test_a_travel_switch_stops_motion_towards_it_and_allows_the_way_back() -> None:
    p = plant(1)
    p.gone[0] = True
    p.cue(Cue.RUNAWAY, 0, 1.0)
    go(p, 0, 1.0)
    live(p, 70.0)
    assert p.motor_mm[0] == pytest.approx(60.5, abs=0.11) and p.limit_high[0] and p.drive_fault[0] == OVERTRAVEL
    p.clear(Cue.RUNAWAY, 0)
    p.reset_fault(0)
    go(p, 0, 50.0, 1.0)
    live(p, 12.0)
    assert p.motor_mm[0] == pytest.approx(50.0) and not p.limit_high[0]


def test_a_stalled_drive_says_that_it_moves_and_stands() -> None:
    p = plant(1)
    p.cue(Cue.STALL, 0)
    go(p, 0, 5.0)
    live(p, 2.0)
    assert p.moving[0] and p.motor_mm[0] == 0.0


def test_a_slipping_coupling_counts_without_pulling() -> None:
    p = plant(1)
    go(p, 0, 7.0)
    live(p, 15.0)
    before = p.spokes.load_N[0]
    p.cue(Cue.COUPLING_SLIPS, 0)
    go(p, 0, 7.2)
    live(p, 2.0)
    assert p.position_mm[0] == pytest.approx(7.2) and p.spokes.load_N[0] < before


def test_unasked_creep_of_the_carriage_loads_without_motion() -> None:
    p = plant(1)
    go(p, 0, 7.0)
    live(p, 15.0)
    before, where = p.spokes.load_N[0], p.position_mm[0]
    p.cue(Cue.CREEPS_UNASKED, 0, 0.01)
    live(p, 5.0)
    assert p.spokes.load_N[0] > before + 20.0 and p.position_mm[0] == where


def test_a_slipping_fitting_sheds_load_for_good() -> None:
    p = plant(2)
    for i in (0, 1):
        go(p, i, 7.0)
    live(p, 60.0)
    before = p.spokes.load_N.copy()
    p.cue(Cue.FITTING_SLIPS, 0, 0.1)
    live(p, 1.0)
    lost = before - p.spokes.load_N
    assert lost[0] == pytest.approx(0.1 / (GAUGE_MM / 433e3 + 4e-4), rel=0.25) and lost[1] < 2.0
    p.cue(Cue.FITTING_CREEPS, 0, 0.01)
    live(p, 10.0)
    assert p.spokes.load_N[0] < before[0] - lost[0] - 50.0


def test_a_drifting_cell_reads_more_than_there_is() -> None:
    p = plant(1)
    p.cue(Cue.CELL_DRIFTS, 0, 40.0)
    live(p, 1800.0, 1.0)
    assert p.load_N[0] == pytest.approx(20.0, abs=2.0) and p.spokes.load_N[0] == 0.0


def test_saturated_and_open_cells_read_their_ends() -> None:
    p = plant(2)
    p.cue(Cue.CELL_SATURATES, 0)
    p.cue(Cue.CELL_OPEN, 1)
    p.advance(0.1)
    assert p.load_N == [2500.0, 0.0] and p.load_fault == [False, False]


def test_the_air_swings_by_day_and_the_frame_follows_late() -> None:
    p = plant(1)
    air, frame = [], []
    for _ in range(24 * 6):
        p.advance(600.0)
        air.append(p.air_C)
        frame.append(p.frame_C)
    assert max(air) == pytest.approx(21.0, abs=0.01) and min(air) == pytest.approx(19.0, abs=0.01)
    coldest_h = (18.0 + (np.argmin(air) + 1) / 6.0) % 24.0
    assert coldest_h == pytest.approx(5.0, abs=0.2)
    assert np.ptp(frame) < np.ptp(air) and np.argmin(frame) > np.argmin(air)


def test_a_warm_frame_pulls_by_its_own_expansion() -> None:
    p = plant(1, frame_lag_s=1.0)
    go(p, 0, 7.0)
    live(p, 600.0, 1.0)
    cold = p.spokes.load_N[0]
    p.cue(Cue.AIR, None, p.air_C + 5.0)
    live(p, 10.0, 1.0)
    # frame 3.3 um/K apart, spoke 12e-6 x 280 mm = 3.4 um/K shorter: 6.7 um/K on about 950 N/mm
    assert p.spokes.load_N[0] - cold == pytest.approx(5 * 6.66e-3 * 950.0, rel=0.2)


def test_a_cabinet_follows_its_setpoint_slowly_and_gives_up_when_its_cut_out_trips() -> None:
    facts = frame_file(1).facts
    with_cabinet = FrameFacts(
        name=facts.name, serial=None, stations=facts.stations, deadman_ms=3500, tick_s=0.1, stations_shielded=True,
        has_cabinet=True,
    )  # fmt: skip
    rng = np.random.default_rng(0)
    p = Plant(with_cabinet, default_chain().scaled(elastic=np.ones(1)), rng)
    p.cabinet_set_C = 60.0
    p.advance(900.0)
    assert p.cabinet_C == pytest.approx(60.0 - 40.0 * np.exp(-1.0), abs=0.5)
    p.cue(Cue.CABINET_CUTOUT)
    p.advance(9000.0)
    assert p.cabinet_C == pytest.approx(p.air_C, abs=0.1)


def test_spokes_of_a_batch_differ_and_a_seed_repeats_them() -> None:
    a, b = plant(4), plant(4)
    stiffness = a.spokes.chain.EA0_N
    assert stiffness == pytest.approx(b.spokes.chain.EA0_N) and np.ptp(stiffness) > 0.005 * stiffness.mean()


def test_a_new_spoke_starts_unloaded_and_virgin() -> None:
    p = plant(2)
    go(p, 0, 7.0)
    live(p, 60.0)
    go(p, 0, 0.0, 1.0)
    live(p, 8.0)
    p.spokes.replace(0)
    assert not p.spokes.state.take(0).strain.any() and p.spokes.load_N[0] == 0.0


def test_a_cue_goes_to_a_station_or_to_the_frame_and_not_the_other_way_round() -> None:
    p = plant()
    assert set(STATION_CUES).isdisjoint(LINK_CUES) and Cue.FITTING_CREEPS in STATION_CUES
    with pytest.raises(ValueError, match="needs a station"):
        p.cue(Cue.STALL)
    with pytest.raises(ValueError, match="whole frame"):
        p.cue(Cue.ESTOP, 0)
    with pytest.raises(ValueError, match="no station 9"):
        p.cue(Cue.STALL, 9)
    with pytest.raises(ValueError, match="typo"):
        p.cue("typo")


def test_as_many_spokes_as_stations_are_asked_for() -> None:
    station = StationFacts(
        name="A", max_load_N=1.0, max_speed_mm_per_s=1.0, travel_mm=(0.0, 1.0), step_mm=1.0, trip_load_N=2.0,
        frame_compliance_mm_per_N=0.0, load_noise_N=0.0,
    )  # fmt: skip
    facts = FrameFacts(
        name="x", serial=None, stations=(station,), deadman_ms=300, tick_s=0.1, stations_shielded=False,
        has_cabinet=False,
    )  # fmt: skip
    with pytest.raises(ValueError, match="1 stations need 1 spokes"):
        Plant(facts, default_chain(), np.random.default_rng(0))
