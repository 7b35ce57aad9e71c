"""What is proved before anything moves, and what known loads say of a cell."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from bench.cellcheck import (
    check_cell,
    expanded_uncertainty_percent,
    frame_compliance_mm_per_N,
    instrument_class,
    iso_class,
)
from bench.frame import StationFacts
from bench.proofs import (
    largest_speed_mm_per_s,
    prove_deadman,
    prove_speed,
    prove_step,
    series_stiffness_N_per_mm,
    spring_N_per_mm,
)
from models.errors import InputError
from tests.bench.frames import frame_file

STATION: StationFacts = frame_file(1).facts.stations[0]


def test_stiffnesses_in_series_add_as_compliances() -> None:
    assert series_stiffness_N_per_mm(433e3, 280.0, 4e-4) == pytest.approx(1 / (280 / 433e3 + 4e-4))


def test_the_speed_that_the_proof_allows_is_the_one_that_just_uses_up_the_room() -> None:
    """2200 - 1500 N on 1000 N/mm are 0.7 mm; 3.5 s and two ticks of 0.1 s: 0.7 / 3.7 mm/s."""
    how = {"tick_s": 0.1, "deadman_s": 3.5, "set_load_N": 1500.0, "stiffness_N_per_mm": 1000.0}
    fastest = largest_speed_mm_per_s(STATION, **how)
    assert fastest == pytest.approx(0.7 / 3.7)
    at = prove_speed(STATION, speed_mm_per_s=fastest * (1 - 1e-12), **how)
    above = prove_speed(STATION, speed_mm_per_s=fastest * 1.01, **how)
    assert at.holds and at.measured == pytest.approx(700.0) and at.limit == 700.0
    assert not above.holds and "0.189 mm/s" in above.says


def test_above_the_trip_load_no_speed_is_allowed_and_the_drives_own_limit_is_never_exceeded() -> None:
    how = {"tick_s": 0.1, "deadman_s": 3.5, "stiffness_N_per_mm": 1000.0}
    assert largest_speed_mm_per_s(STATION, set_load_N=2200.0, **how) == 0.0
    soft = {"tick_s": 0.1, "deadman_s": 0.3, "stiffness_N_per_mm": 10.0}
    assert largest_speed_mm_per_s(STATION, set_load_N=0.0, **soft) == 1.0


def test_a_coarse_step_is_refused_and_the_advised_spring_cures_it() -> None:
    coarse = replace(STATION, step_mm=0.01)
    assert prove_step(STATION, stiffness_N_per_mm=1000.0, band_N=7.5).holds
    proof = prove_step(coarse, stiffness_N_per_mm=1000.0, band_N=7.5)
    assert not proof.holds and (proof.measured, proof.limit) == (10.0, 3.75)
    spring = spring_N_per_mm(coarse, stiffness_N_per_mm=1000.0, band_N=7.5)
    assert f"{spring:.0f} N/mm" in proof.says
    cured = 1 / (1 / 1000.0 + 1 / (0.999 * spring))
    assert prove_step(coarse, stiffness_N_per_mm=cured, band_N=7.5).holds
    assert spring_N_per_mm(STATION, stiffness_N_per_mm=1000.0, band_N=7.5) == math.inf


@pytest.mark.parametrize(("tick_s", "holds"), [(0.1, True), (1.0, True), (3.5 / 3, True), (1.2, False)])
def test_the_deadman_must_outlive_three_ticks(tick_s: float, holds: bool) -> None:
    assert prove_deadman(deadman_s=3.5, tick_s=tick_s).holds is holds


@pytest.mark.parametrize(
    ("reading", "best"), [(1004.9, 0.5), (1005.1, 1.0), (1009.9, 1.0), (1010.1, 2.0), (990.1, 1.0), (969.0, None)]
)
def test_the_error_limits_are_those_of_the_force_standard(reading: float, best: float | None) -> None:
    """ISO 7500-1:2018, limits of q for classes 0.5, 1, 2, 3 at 1000 N (from memory, high confidence)."""
    error = 100 * (reading - 1000.0) / 1000.0
    assert iso_class(error_percent=error, repeat_percent=0.0, zero_percent=0.0, resolution_percent=0.0) == best


@pytest.mark.parametrize(("lowest_N", "best"), [(400.0, 0.5), (399.0, 1.0), (200.0, 1.0), (199.0, 2.0), (67.0, 3.0)])
def test_the_lowest_load_of_a_class_is_so_many_counts(lowest_N: float, best: float) -> None:
    """ISO 7500-1:2018: 400, 200, 100 and 67 times the resolution (from memory, high confidence); 1 N here."""
    resolution = 100 * 1.0 / lowest_N
    assert iso_class(error_percent=0, repeat_percent=0, zero_percent=0, resolution_percent=resolution) == best


def test_known_loads_give_back_the_zero_and_the_span_that_the_cell_has() -> None:
    true = np.repeat([0.0, 200.0, 500.0, 1000.0], 3)
    read = 12.5 + true / 1.02 + np.tile([0.0, 0.1, -0.1], 4)
    result = check_cell(true, read, range_N=2500.0, resolution_N=0.1)
    assert result.zero_N == pytest.approx(12.5, abs=0.05) and result.span == pytest.approx(1.02, abs=2e-4)
    assert result.error_percent == pytest.approx(4.3, abs=0.1) and abs(result.error_left_percent) < 0.06
    assert result.repeat_percent == pytest.approx(100 * 0.2 * 1.02 / 200.0, rel=1e-6)
    assert result.iso_class is None and result.iso_class_left == 0.5


def test_readings_that_make_no_span_are_refused() -> None:
    with pytest.raises(InputError, match="three different"):
        check_cell(np.array([0.0, 100.0, 100.0]), np.array([0.0, 100.0, 101.0]), range_N=1000.0, resolution_N=0.1)
    with pytest.raises(InputError, match="wrong way round"):
        check_cell(np.array([0.0, 1.0, 2.0]), np.array([0.0, -1.0, -2.0]), range_N=1000.0, resolution_N=0.1)


def test_the_uncertainty_is_the_root_of_the_sum_of_squares() -> None:
    """GUM 4.3.7: a rectangular part of half-width a has standard uncertainty a/sqrt(3)."""
    U = expanded_uncertainty_percent(reference_percent=0.2, error_left_percent=-0.3, repeat_percent=0.4)
    assert pytest.approx(2 * math.sqrt(0.1**2 + 0.3**2 / 3 + 0.2**2 / 3)) == U


def test_a_stiff_bar_gives_the_compliance_of_the_frame_less_its_own() -> None:
    load = np.array([0.0, 300.0, 600.0, 900.0, 1200.0])
    compliance, error = frame_compliance_mm_per_N(load, 3.0 + 5e-4 * load, bar_mm_per_N=1e-4)
    assert compliance == pytest.approx(4e-4) and error < 1e-9
    noisy = 3.0 + 5e-4 * load + np.array([1e-3, -1e-3, 0.0, 1e-3, -1e-3])
    _, error = frame_compliance_mm_per_N(load, noisy)
    # residual sd over the spread of the loads, by the textbook formula
    slope, at = np.polyfit(load, noisy, 1)
    s = math.sqrt(((noisy - slope * load - at) ** 2).sum() / 3)
    assert error == pytest.approx(s / math.sqrt(((load - 600.0) ** 2).sum()))
    with pytest.raises(InputError, match="stiffer than rigid"):
        frame_compliance_mm_per_N(load, 3.0 + 1e-5 * load, bar_mm_per_N=1e-3)
    with pytest.raises(InputError, match="three different"):
        frame_compliance_mm_per_N(np.array([0.0, 0.1, 100.0]), np.zeros(3))


@pytest.mark.parametrize(
    ("fc", "repeat", "resolution", "best"),
    [
        (0.02, 0.02, 0.02, "00"),
        (-0.02, 0.04, 0.02, "0.5"),  # repeatability decides
        (0.09, 0.01, 0.02, "1"),  # interpolation, with either sign
        (-0.19, 0.01, 0.02, "2"),
        (0.01, 0.01, 0.11, "2"),  # a least load of fewer than 1000 resolutions
        (0.21, 0.01, 0.02, None),
        (0.01, 0.01, 0.21, None),
        (0.01, None, 0.02, None),  # no load came twice
    ],
)
def test_the_class_of_an_instrument_is_that_of_its_worst_part(
    fc: float, repeat: float | None, resolution: float, best: str | None
) -> None:
    found = instrument_class(interpolation_percent=fc, repeat_percent=repeat, resolution_percent=resolution)
    assert found == best
