"""PROGRAM.toml is checked whole, before anything is energised: one plain message names file, key and what is allowed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from bench import purposes
from bench.program import program_from_text, read_program
from bench.steps import Program, StepKind, Until, check_against, loop_tick_s, proofs_of, touch_times_s
from models.errors import InputError
from models.units import KGF_N
from tests.bench.fake_frame import READY, frame_facts, make_program, program_text, station_facts, steps_text

DEMO = Path(__file__).parents[2] / "datasets" / "demo" / "program.toml"


def refused(text: str) -> str:
    with pytest.raises(InputError) as caught:
        program_from_text(text, "night.toml")
    message = str(caught.value)
    assert message.startswith("night.toml") and "\n" not in message
    return message


def test_the_demo_program_is_read() -> None:
    program = read_program(DEMO)
    assert next(s.kind for s in program.steps) is StepKind.SEAT and program.peak_load_N == 1500.0
    assert "invented" in program.text


def test_forces_may_be_typed_in_kilogram_force() -> None:
    program = make_program("seat", "hold load_N='100_kgf' hours=1")
    assert program.steps[1].load_N == pytest.approx(100 * KGF_N) and program.peak_load_N == pytest.approx(980.665)


def test_a_hold_without_a_load_holds_where_the_step_before_left_it() -> None:
    program = make_program("seat", "ramp load_N=700", "hold hours=1")
    assert program.steps[2].load_N == 700.0


def test_cycles_and_proof_become_plain_steps() -> None:
    program = make_program(
        "seat", "cycles high_N=500 low_N=60 count=2 seconds_at_high=3", "proof load_N=800 seconds=10"
    )
    kinds = [(s.kind, s.load_N, s.duration_s) for s in program.steps[1:]]
    up, down = (StepKind.HOLD, 500.0, 3.0), (StepKind.RAMP, 60.0, 0.0)
    assert kinds == [up, down, up, down, (StepKind.HOLD, 800.0, 10.0)]
    assert len({s.name for s in program.steps}) == len(program.steps)


def test_the_time_is_that_of_ramps_and_holds() -> None:
    program = make_program("seat seconds=20", "hold load_N=1020 rate_N_per_s=10 hours=1", "unload rate_N_per_s=20")
    assert program.longest_s == pytest.approx(2 + 20 + 100 + 3600 + 51)


def test_an_open_hold_counts_with_its_longest_time() -> None:
    program = make_program("seat", "hold load_N=900 until='ready' max_hours=3", "unload", extra=READY)
    assert program.steps[1].until is Until.READY and program.steps[1].duration_s == 3 * 3600.0


def test_touches_are_log_spaced_and_the_last_is_at_the_end() -> None:
    step = make_program("seat", "touch hours=10 per_decade=3").steps[1]
    times = touch_times_s(step)
    assert times[0] == 120.0 and times[-1] == 36000.0
    assert times[3] / times[0] == pytest.approx(10.0)
    assert len(times) == 9


SEAT = steps_text("seat")
WRONG = {
    "unknown key, nearest offered": (
        program_text(SEAT).replace("gauge_length_mm", "guage_length_mm"),
        "unknown key 'guage_length_mm'; did you mean 'gauge_length_mm'?",
    ),
    "unknown key of a step": (
        program_text(steps_text("seat", "hold load_N=5 hour=1")),
        "steps[2]: unknown key 'hour'; did you mean 'hours'?",
    ),
    "unknown kind": (
        program_text(steps_text("seat", "hang load_N=5")),
        "key 'kind' is 'hang': must be one of seat, ramp",
    ),
    "no kind": (program_text("[[steps]]\nload_N = 5"), "steps[1]: key 'kind' is missing"),
    "first step": (program_text(steps_text("ramp load_N=100")), "the first step must be a seat"),
    "second seat": (program_text(steps_text("seat", "seat")), "steps[2]: only the first step may be a seat"),
    "wrong unit": (program_text(steps_text("seat", "ramp load_N='100kg'")), "is not a force"),
    "negative load": (program_text(steps_text("seat", "ramp load_N=-5")), "key 'load_N' is -5.0: must be above 0"),
    "text for a number": (
        program_text(steps_text("seat", "recover hours='one'")),
        "key 'hours' is \"one\": must be a plain number",
    ),
    "nan": (program_text(steps_text("seat", "recover hours=nan")), "key 'hours'"),
    "hours and until": (
        program_text(steps_text("seat", "hold load_N=5 hours=1 until='ready' max_hours=2")),
        "takes either hours or until",
    ),
    "until without a longest time": (
        program_text(steps_text("seat", "hold load_N=5 until='ready'")),
        "key 'max_hours' is missing",
    ),
    "hold of a slack spoke": (
        program_text(steps_text("seat", "unload", "hold hours=1")),
        "the spoke is slack before this",
    ),
    "chord of a slack spoke": (
        program_text(steps_text("seat", "unload", "chord followup=0.3 hours=1")),
        "a chord hold starts under load",
    ),
    "cycles upside down": (program_text(steps_text("seat", "cycles high_N=100 low_N=200")), "must be below high_N"),
    "limit below the load": (
        program_text(steps_text("seat", "ramp load_N=1000"), extra="[limits]\nmax_load_N = 1001"),
        "must be at least 1.02 x the highest load",
    ),
    "over the spoke's share of its break load": (
        program_text(steps_text("seat", "ramp load_N=1700")).replace(
            "EA_N = 430000", "EA_N = 430000\nbreak_load_N = 2700\nmax_fraction_of_break = 0.6"
        ),
        "must be at most 1620 N (max_fraction_of_break 0.6 x break_load_N 2700)",
    ),
    "too long for the night": (
        program_text(steps_text("seat", "recover hours=9"), extra="[limits]\ntotal_h = 8"),
        "must be at most 8 h (key 'limits.total_h')",
    ),
    "ticks": (program_text(SEAT, extra="[tick]\nmotion_s = 0.5\nhold_s = 0.1"), "must be at least tick.motion_s"),
    "temperatures": (program_text(SEAT, extra="[limits]\ntemperature_C = [40, 10]"), "lowest first"),
    "too hot for fibre": (
        program_text(steps_text("seat", "temperature temperature_C=90")),
        "key 'temperature_C' is 90",
    ),
    "one spoke twice": (
        program_text(SEAT, 2).replace('"T-2"', '"T-1"'),
        'spoke "T-1" stands there twice',
    ),
    "no label": (program_text(SEAT).replace('"T-1"', '" "'), "must be a spoke's label"),
    "not TOML": ("name = ", "not TOML"),
    "no steps": ('name = "x"\ngauge_length_mm = 280\n[stations]\nA = "a"\n', "key 'steps' is missing"),
    "steps are no tables": (
        'name = "x"\ngauge_length_mm = 280\nsteps = [1, 2]\n[stations]\nA = "a"\n',
        "key 'steps[1]' is 1",
    ),
    "too many steps": (program_text(steps_text("seat", "cycles high_N=200 count=200")), "at most 250"),
}


@pytest.mark.parametrize("case", list(WRONG))
def test_a_wrong_program_is_refused_with_key_and_remedy(case: str) -> None:
    text, words = WRONG[case]
    assert words in refused(text)


def test_a_file_that_is_missing_or_no_text_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_program(tmp_path / "none.toml")
    (tmp_path / "binary.toml").write_bytes(b"\x00\xff")
    with pytest.raises(InputError, match="not a text file"):
        read_program(tmp_path / "binary.toml")


# against a frame -----------------------------------------------------------------------------------------------------

GOOD = make_program("seat", "hold load_N=1500 rate_N_per_s=20 hours=8", "unload")


def test_a_program_that_fits_its_frame_is_proved() -> None:
    check_against(GOOD, frame_facts(1))
    proofs = proofs_of(GOOD, frame_facts(1))
    assert [p.name for p in proofs] == ["deadman", "speed", "step"] and all(p.holds for p in proofs)


def on_frame(program: Program, words: str, station: dict[str, object] | None = None, **frame: object) -> None:
    facts = replace(frame_facts(1, **frame), stations=(station_facts("A", **(station or {})),))
    with pytest.raises(InputError) as caught:
        check_against(program, facts)
    assert words in str(caught.value) and str(caught.value).startswith(program.where)


def test_a_load_over_the_frames_limit_is_refused() -> None:
    on_frame(GOOD, "station A allows 1400 N", {"max_load_N": 1400.0})


def test_a_run_limit_above_the_cut_out_is_refused() -> None:
    high = make_program("seat", "ramp load_N=1500", extra="[limits]\nmax_load_N = 2300")
    on_frame(high, "where the cut-out of station A acts")


def test_a_ramp_faster_than_the_drive_can_pull_a_soft_spoke_is_refused() -> None:
    # 0.02 mm/s x 0.4 x 951 N/mm = 7.6 N/s
    on_frame(GOOD, "at most 7.61 can be reached on station A", {"max_speed_mm_per_s": 0.02})


def test_a_station_that_the_frame_lacks_is_refused() -> None:
    with pytest.raises(InputError, match=r"has no station \"B\"; it has A"):
        check_against(make_program("seat", stations=2), frame_facts(1))


def test_a_tick_faster_than_the_link_is_refused() -> None:
    on_frame(GOOD, "the shortest tick that the link of frame fake keeps", tick_s=0.25)


def test_a_tick_too_slow_for_the_deadman_is_refused() -> None:
    slow = make_program("seat", extra="[tick]\nmotion_s = 1.0")
    on_frame(slow, "a third of the drive's deadman (2000 ms)", deadman_ms=2000)


def test_a_temperature_step_without_a_cabinet_is_refused() -> None:
    on_frame(make_program("seat", "temperature temperature_C=40"), "frame fake has none")


def test_a_speed_that_a_dead_controller_would_turn_into_a_trip_is_refused() -> None:
    # 1.25 x 20 N/s x (3.5 s + 2 x 0.1 s) = 92.5 N, and the cut-out leaves 80 N
    tight = make_program("seat", "hold load_N=1500 rate_N_per_s=20 hours=8", extra="[limits]\nmax_load_N = 1560")
    on_frame(tight, "the load rises by 92 N before the deadman", {"trip_load_N": 1580.0, "max_load_N": 1570.0})


def test_a_drive_too_coarse_for_the_hold_band_is_refused_with_the_spring_that_would_help() -> None:
    on_frame(GOOD, "put a spring of at most", {"step_mm": 0.01})


def test_a_spoke_that_would_run_out_of_travel_is_refused() -> None:
    on_frame(GOOD, "mm of travel", {"travel_mm": (0.0, 1.0)})


def test_the_loop_never_ticks_slower_than_a_third_of_the_deadman() -> None:
    lazy = replace(GOOD, hold_tick_s=10.0)
    assert loop_tick_s(lazy, frame_facts(1)) == pytest.approx(3.5 / 3)
    assert loop_tick_s(lazy, frame_facts(1, deadman_ms=60000)) == 10.0


# programs for a purpose ----------------------------------------------------------------------------------------------


def test_a_batch_test_holds_twice_and_recovers_twice_within_the_night() -> None:
    for hours in (2.0, 8.0, 12.0, 16.0):
        text = purposes.new_batch(
            hours=hours,
            stations=[("A", "K-1"), ("B", "K-2")],
            batch="K",
            gauge_length_mm=285.0,
            service_N=981.0,
            high_N=1471.5,
            break_load_N=2700.0,
        )
        program = program_from_text(text, "made")
        kinds = [s.kind for s in program.steps]
        assert kinds == [
            StepKind.SEAT,
            StepKind.HOLD,
            StepKind.RECOVER,
            StepKind.HOLD,
            StepKind.RECOVER,
            StepKind.UNLOAD,
        ], "new spokes, two loads, a recovery after each"
        assert 0.95 * hours < program.longest_s / 3600.0 <= hours
        assert program.steps[3].load_N > program.steps[1].load_N
        check_against(program, frame_facts(2))


def test_a_night_too_short_to_tell_anything_is_refused() -> None:
    with pytest.raises(InputError, match="at least 1 h are needed"):
        purposes.new_batch(
            hours=0.5,
            stations=[("A", "K-1")],
            batch="K",
            gauge_length_mm=285.0,
            service_N=981.0,
            high_N=1500.0,
            break_load_N=None,
        )


def test_a_prestretch_reaches_its_load_and_is_unloaded_within_a_minute() -> None:
    for load in (300.0, 1500.0, 1900.0):
        text = purposes.prestretch(
            load_N=load, hours=12.0, stations=[("A", "K-1")], batch="K", gauge_length_mm=285.0, break_load_N=None
        )
        program = program_from_text(text, "made")
        hold = program.steps[1]
        assert hold.duration_s == 12 * 3600.0 and (load - 20.0) / hold.rate_N_per_s <= 60.0
        assert load / program.steps[2].rate_N_per_s <= 60.0
