"""Several spokes in series on one station: one load, elongation their sum, one break takes all."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bench.cues import Cue
from bench.faults import Fault
from bench.invented import invented_batch
from bench.machine import RunState, StationState
from bench.program import program_from_text
from bench.rehearse import rehearse
from bench.runfile import read_run, read_table
from bench.spokes import in_series
from bench.steps import check_against, lines_of
from models.batch import draw_chains
from models.chain import advance, total_strain, virgin
from models.errors import InputError
from tests.bench.fake_frame import FakeFrame, frame_facts, station_facts, steps_text
from tests.bench.frames import frame_file
from tests.bench.runs import recorded

S = StationState
STEPS = steps_text("seat seconds=2", "hold load_N=1000 rate_N_per_s=20 hours=0.05", "unload")


def gang(spokes: int = 3, steps: str = STEPS, bar: float = 0.0) -> str:
    labels = ", ".join(f'"T-{i + 1}"' for i in range(spokes))
    return (
        f'name = "gang"\nbatch = "T"\ngauge_length_mm = 280\n[stations]\nA = [{labels}]\n'
        f"[spoke]\nEA_N = 430000\nbar_mm_per_N = {bar}\n{steps}"
    )


def line_frame(spokes: int) -> FakeFrame:
    """Springs of 950 N/mm with the frame, so many of them in a row: the frame's own give is there once."""
    frame = FakeFrame(frame_facts(1))
    one_mm_per_N = 1.0 / 950.0 - 4e-4
    frame.spokes[0].k_N_per_mm = 1.0 / (spokes * one_mm_per_N + 4e-4)
    frame.spokes[0].seat_mm = 0.3
    frame.spokes[0].creep_mm_per_decade *= spokes
    return frame


async def test_a_line_is_held_like_one_spoke_and_recorded_with_every_label(tmp_path: Path) -> None:
    run = tmp_path / "gang.h5"
    program = program_from_text(gang(3), "gang.toml")
    assert program.spokes == (("A", "T-1 +2"),) and program.labels == (("T-1", "T-2", "T-3"),)
    outcome, _ = await recorded(run, program, line_frame(3))
    assert outcome.state is RunState.FINISHED and outcome.stations[0].spokes == 3
    assert outcome.stations[0].figures["hold_rms_percent"] < 0.25
    assert outcome.stations[0].figures["overshoot_percent"] < 0.5
    station = read_run(run).stations["A"]
    assert station.spokes == ("T-1", "T-2", "T-3") and station.gauge_length_mm == 840.0
    table = read_table(run)
    assert set(table["spoke"]) == {"T-1+T-2+T-3"} and set(table["in_series"]) == {3}
    assert set(table["gauge_length_mm"]) == {840.0}
    first = table[table["load_N"] > 990.0].iloc[0]
    assert first["elongation_mm"] == pytest.approx(3 * 1000.0 * (1 / 950.0 - 4e-4), abs=0.08)


async def test_the_bars_between_the_spokes_are_taken_off_like_the_frames_own_give(tmp_path: Path) -> None:
    run, frame = tmp_path / "gang.h5", line_frame(2)
    frame.spokes[0].k_N_per_mm = 1.0 / (1.0 / frame.spokes[0].k_N_per_mm + 1e-4)  # one bar
    await recorded(run, program_from_text(gang(2, bar=1e-4), "gang.toml"), frame)
    table = read_table(run)
    held = table[table["load_N"] > 990.0].iloc[0]
    assert held["elongation_raw_mm"] - held["elongation_mm"] == pytest.approx(held["load_N"] * 5e-4, abs=1e-3)
    assert held["elongation_mm"] == pytest.approx(2 * 1000.0 * (1 / 950.0 - 4e-4), abs=0.06)


async def test_when_one_of_a_line_breaks_the_whole_line_is_gone(tmp_path: Path) -> None:
    frame = line_frame(3)

    def snap(_: object) -> None:
        frame.spokes[0].gone = True

    outcome, _ = await recorded(tmp_path / "g.h5", program_from_text(gang(3), "g.toml"), frame, at={100.0: snap})
    (station,) = outcome.stations
    assert station.state is S.DRIVE_OFF and Fault.LET_GO in station.faults and not station.under_load


def test_limits_of_length_are_those_of_all_spokes_and_limits_of_load_those_of_the_weakest() -> None:
    program = program_from_text(gang(7), "gang.toml")
    check_against(program, frame_facts(1))
    (line,) = lines_of(program, frame_facts(1))
    assert line.spokes == 7
    k = program.stiffness_N_per_mm(line.facts, line.spokes)
    assert k == pytest.approx(1.0 / (7 * 280.0 / 430e3 + 4e-4))
    short = replace(frame_facts(1), stations=(station_facts("A", travel_mm=(0.0, 4.0)),))
    with pytest.raises(InputError, match=r"1000 N stretches 7 spokes and frame by about 4\.96 mm"):
        check_against(program, short)
    weak = gang(7).replace("EA_N = 430000", "EA_N = 430000\nbreak_load_N = 1500")
    with pytest.raises(InputError, match="must be at most 900 N"):
        program_from_text(weak, "gang.toml")


def test_a_label_may_stand_only_once_in_any_line() -> None:
    twice = gang(2).replace('"T-2"', '"T-1"')
    with pytest.raises(InputError, match='spoke "T-1" stands there twice'):
        program_from_text(twice, "gang.toml")
    with pytest.raises(InputError, match=r"stations\.A"):
        program_from_text(gang(1).replace('["T-1"]', "[]"), "gang.toml")


def test_spokes_in_a_row_strain_as_the_mean_of_them() -> None:
    """Against models.chain stepped spoke by spoke under the same load."""
    rng = np.random.default_rng(3)
    each = draw_chains(invented_batch(), rng, 1, 5).take(0)
    line = in_series(each, (5,))
    states, joined = virgin(each), virgin(line)
    before = 0.0
    for dt, load in ((60.0, 1200.0), (3600.0, 1200.0), (30.0, 15.0), (7200.0, 15.0), (60.0, 900.0), (86400.0, 900.0)):
        states, _ = advance(each, states, dt, before, load, 21.0)
        joined, _ = advance(line, joined, dt, before, load, 21.0)
        before = load
        mean = total_strain(each, states, load, 21.0).mean()
        assert float(total_strain(line, joined, load, 21.0)[0]) == pytest.approx(float(mean), rel=1e-12)


async def test_a_line_of_seven_is_rehearsed_on_seven_drawn_spokes() -> None:
    result = await rehearse(program_from_text(gang(7), "gang.toml"), frame_file(1), batch=invented_batch(), seed=2)
    assert result.outcome.finished, result.outcome.message
    (a,) = result.stations
    EA_N = float(invented_batch().chain.EA0_N)
    elastic_mm = 7 * 280.0 * 1000.0 / EA_N
    assert 1.0 < a.elongation_mm / elastic_mm < 1.8 and a.overshoot_percent < 0.5
    assert a.travel_used_mm > a.elongation_mm


async def test_a_gang_lets_go_on_the_simulated_frame_as_one() -> None:
    from tests.nights.test_nights import night

    outcome, _, plant = await night(
        program_from_text(gang(3), "gang.toml"),
        frame_file(1, {"[every_station]": "[simulation]\nspokes_in_series = 3\n[every_station]"}),
        at={120.0: lambda p: p.cue(Cue.SPOKE_BREAKS, 0)},
    )
    assert outcome.spoke_failed and plant.spokes.load_N.tolist() == [0.0]
