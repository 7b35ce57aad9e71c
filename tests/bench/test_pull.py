"""A pull to break: one spoke, guarded, its break load and elongation in the record; what does not break is eased off."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bench.errors import FrameFault
from bench.faults import Fault
from bench.frame import FrameReading
from bench.machine import RunState, StationState
from bench.runner import prepare
from bench.steps import check_against
from models.errors import InputError
from tests.bench.fake_frame import FakeFrame, frame_facts, make_program, play, station_facts

S = StationState
PULL = make_program("seat seconds=2", "pull_to_break up_to_N=1900 rate_N_per_s=20")


class Brittle(FakeFrame):
    """A frame whose spoke breaks for good above a load."""

    def __init__(self, breaks_N: float, slips_at_N: float = float("inf"), **options: object) -> None:
        super().__init__(frame_facts(1, **options))
        self.spokes[0].seat_mm = 0.1
        self.breaks_N, self.slips_at_N = breaks_N, slips_at_N

    def _note_truth(self) -> None:
        spoke, drive = self.spokes[0], self.drives[0]
        load = spoke.load_N(drive.x_mm)
        spoke.gone = spoke.gone or load > self.breaks_N
        if load > self.slips_at_N:
            spoke.seat_mm += (load - self.slips_at_N) / spoke.k_N_per_mm
        super()._note_truth()


async def test_a_spoke_that_breaks_gives_its_break_load_and_ends_the_run_as_done() -> None:
    frame = Brittle(1500.0)
    outcome, memory = await play(frame, PULL)
    assert outcome.state is RunState.FINISHED and outcome.finished
    (station,) = outcome.stations
    assert station.state is S.DONE and not station.faults, "the break is the result, no fault"
    (broke,) = [e for e in memory.events if e.kind == "broke"]
    # read ten times a second at 20 N/s: at most two newtons and the noise below the load at which it really broke
    assert broke.data["load_N"] == pytest.approx(1500.0, abs=4.0)
    spoke_mm = broke.data["load_N"] * (1.0 / 950.0 - 4e-4)
    assert broke.data["elongation_mm"] == pytest.approx(spoke_mm + frame.spokes[0].crept_mm, abs=0.03)
    assert "T-1 broke at 1" in broke.message


async def test_the_load_rises_at_the_asked_rate_until_it_breaks() -> None:
    frame = Brittle(1500.0)
    await play(frame, PULL)
    loads = [(t, load) for t, (load,) in frame.true_load_N if 200.0 < load < 1450.0]
    rate = (loads[-1][1] - loads[0][1]) / (loads[-1][0] - loads[0][0])
    assert rate == pytest.approx(20.0, rel=0.06)


async def test_nothing_pulls_after_the_break() -> None:
    frame = Brittle(1000.0)
    _, memory = await play(frame, PULL)
    at_s = next(e.time_s for e in memory.events if e.kind == "broke")
    x = next(r.position_mm for r in memory.rows if r.time_s >= at_s)
    assert all(c.target_mm <= x + 0.001 for t, c in frame.commands if t >= at_s - 1e-6)


async def test_a_spoke_that_does_not_break_is_eased_off_and_called_overloaded() -> None:
    frame = Brittle(1e9)
    outcome, memory = await play(frame, PULL)
    assert outcome.state is RunState.FINISHED and frame.spokes[0].load_N(frame.drives[0].x_mm) == 0.0
    (held,) = memory.said("held")
    assert "did not break up to 1" in held and "do not use it" in held
    assert max(load for _, (load,) in frame.true_load_N) < 1900.0 * 1.005


async def test_a_fitting_that_slides_at_a_constant_load_stops_the_pull() -> None:
    frame = Brittle(1e9, slips_at_N=1200.0)
    outcome, _ = await play(frame, PULL)
    (station,) = outcome.stations
    assert station.state is S.KEPT and Fault.MOTION_WITHOUT_LOAD in station.faults


@pytest.mark.parametrize(
    ("steps", "stations", "words"),
    [
        (("seat", "pull_to_break up_to_N=1900", "unload"), 1, "is the last step"),
        (("seat", "pull_to_break up_to_N=1900"), 2, "one spoke on one station"),
        (("seat load_N=50", "pull_to_break up_to_N=40"), 1, "must be above the load before"),
        (("seat", "unload", "pull_to_break up_to_N=1900"), 1, "starts under load"),
    ],
)
def test_a_pull_that_cannot_be_made_is_refused(steps: tuple[str, ...], stations: int, words: str) -> None:
    with pytest.raises(InputError, match=words):
        make_program(*steps, stations=stations)


def test_the_fraction_of_the_break_load_does_not_bind_a_pull_but_every_other_step() -> None:
    weak = "[spoke]\nbreak_load_N = 2000\n"
    text = make_program("seat", "pull_to_break up_to_N=1900").text.replace("[spoke]\n", weak)
    from bench.program import program_from_text

    assert program_from_text(text, "p.toml").peak_load_N == 1900.0
    held = make_program("seat", "hold load_N=1900 hours=1").text.replace("[spoke]\n", weak)
    with pytest.raises(InputError, match="at most 1200 N"):
        program_from_text(held, "p.toml")


def test_a_frame_whose_guard_cannot_be_read_is_refused() -> None:
    with pytest.raises(InputError, match="needs a guard"):
        check_against(PULL, frame_facts(1, absent=("guard",)))


def test_a_pull_beyond_what_the_station_allows_is_refused() -> None:
    with pytest.raises(InputError, match="station A allows 1500 N"):
        check_against(PULL, replace(frame_facts(1), stations=(station_facts("A", max_load_N=1500.0),)))


async def test_another_loaded_station_stands_against_a_pull() -> None:
    frame = FakeFrame(frame_facts(2))

    def loaded(r: FrameReading) -> FrameReading:
        return replace(r, stations=(r.stations[0], replace(r.stations[1], load_N=900.0)))

    frame.tamper = loaded
    with pytest.raises(FrameFault, match="station B: carries 900 N"):
        await prepare(frame, PULL, 7)
