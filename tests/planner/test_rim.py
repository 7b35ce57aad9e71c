"""The rim's section from what a builder knows, a tyre's pull, and what one turned nipple tells."""

from __future__ import annotations

import math

import numpy as np
import pytest

from models.errors import InputError
from planner.build import build_of
from planner.rim import RimSection, section_of
from planner.rimtest import learn_rim
from planner.tyre import rim_compression_N
from planner.wheel import wheel_of


def section(**rim: object) -> RimSection:
    build = build_of({"wheel": {"rim": rim}})
    return section_of(build.wheel.rim, build.wheel.rim_seat_diameter_mm)


def test_area_is_mass_over_density_and_circumference() -> None:
    s = section(material="aluminium", mass_g=480)
    assert pytest.approx(480.0 / 2.70e-3 / (math.pi * 598.0), rel=1e-12) == s.EA_N / 69000.0


def test_estimates_lie_within_two_sd_of_a_rim_that_was_measured() -> None:
    """The documented example: 480 g, 25 x 30 mm, of 85 mm2, 2100, 8400 and 2600 mm4 (an estimate itself)."""
    guess = section(mass_g=480, depth_mm=25, width_mm=30)
    known = section(
        area_mm2=85.0, in_plane_inertia_mm4=2100.0, out_of_plane_inertia_mm4=8400.0, torsion_constant_mm4=2600.0
    )
    off = np.log(guess.stiffness / known.stiffness) / np.array(guess.log_sd)
    assert (np.abs(off) < 2.0).all()
    assert (np.array(known.log_sd) < np.array(guess.log_sd)).all()


def test_a_deeper_rim_of_one_mass_is_stiffer_radially() -> None:
    shallow, deep = section(depth_mm=20), section(depth_mm=40)
    assert deep.EI_in_plane_Nmm2 > 2 * shallow.EI_in_plane_Nmm2
    assert deep.EA_N == shallow.EA_N


def test_measured_values_override_estimates_one_by_one() -> None:
    s = section(in_plane_inertia_mm4=1234.0, youngs_modulus_MPa=70000.0)
    assert s.EI_in_plane_Nmm2 == pytest.approx(1234.0 * 70000.0)
    assert s.log_sd[1] == pytest.approx(0.05)
    assert s.log_sd[2] > 0.2


def test_carbon_hardly_grows_when_warm_and_is_known_less_well() -> None:
    carbon, metal = section(material="carbon"), section(material="aluminium")
    assert carbon.expansion_per_K < 0.1 * metal.expansion_per_K
    assert (np.array(carbon.log_sd) > np.array(metal.log_sd)).all()


def test_draws_have_the_stated_spread_and_scale_each_stiffness() -> None:
    s = section()
    factors = s.draw_factors(np.random.default_rng(1), 20000)
    assert np.log(factors).std(axis=0) == pytest.approx(s.log_sd, rel=0.03)
    scaled = s.scaled(np.array([1.1, 0.9, 2.0, 0.5]))
    assert scaled.stiffness / s.stiffness == pytest.approx([1.1, 0.9, 2.0, 0.5])
    with pytest.raises(ValueError, match="four positive"):
        s.scaled(np.array([1.0, 1.0, -1.0, 1.0]))


def test_a_tyre_compresses_its_rim_in_proportion_to_pressure_and_more_when_wider() -> None:
    one = rim_compression_N(700.0, 28.0, 30.0)
    assert rim_compression_N(350.0, 28.0, 30.0) == pytest.approx(one / 2)
    assert rim_compression_N(700.0, 40.0, 30.0) > one > 0
    # a whole tube of radius r, seen without any rim (no width between beads): p (2 pi r^2 - pi r^2)
    assert rim_compression_N(1000.0, 20.0, 0.0) == pytest.approx(math.pi * 10.0**2)


def read_off(truth_factors: np.ndarray, EA_factor: float, lateral: bool, noise: float, seed: int) -> dict[str, object]:
    """A rim test as read on a wheel whose rim is not the estimated one."""
    rng = np.random.default_rng(seed)
    truth = wheel_of(build_of({})).with_rim(truth_factors)
    EA = truth.nominal_EA_N * EA_factor
    step = 0.5 * 0.4536
    change = truth.influence(None, EA)[:, 4] * step + noise * 10.0 * rng.standard_normal(28)
    out: dict[str, object] = {"position": 5, "turns": 0.5, "change_N": change.tolist(), "change_sd_N": 10.0}
    if lateral:
        out["lateral_mm"] = (
            truth.runout(None, EA)[0][:, 4] * step + noise * 0.03 * rng.standard_normal(28) + 0.7
        ).tolist()
    return out


def test_one_turned_nipple_sharpens_the_rim_towards_the_truth() -> None:
    plain = wheel_of(build_of({}))
    before, after, claimed = [], [], []
    for seed in range(12):
        factors = plain.section.draw_factors(np.random.default_rng(seed), 1)[0]
        test = read_off(
            factors, float(np.exp(0.2 * np.random.default_rng(seed + 50).standard_normal())), True, 1.0, seed
        )
        learned = wheel_of(build_of({"wheel": {"rim_test": test}})).section
        before.append(np.log(factors))
        after.append(np.log(learned.stiffness / plain.section.stiffness / factors))
        claimed.append(learned.log_sd)
    rms_before, rms_after = (np.sqrt(np.mean(np.square(x), axis=0)) for x in (before, after))
    assert rms_after[3] < 0.6 * rms_before[3]  # twist is what such a test tells most of
    assert (np.mean(claimed, axis=0) < np.array(plain.section.log_sd) + 1e-9).all()
    z = np.array(after) / np.array(claimed)
    assert 0.6 < np.sqrt(np.mean(z**2)) < 1.5  # as far off as it says


def test_without_noise_and_with_readings_of_run_out_the_test_finds_the_spokes_stiffness() -> None:
    test = read_off(np.ones(4), 1.3, True, 0.0, 0)
    build = build_of({"wheel": {"rim_test": {**test, "change_sd_N": 1.0, "lateral_sd_mm": 0.002}}})
    learned = learn_rim(wheel_of(build_of({})), build.wheel.rim_test, 0.4536)  # type: ignore[arg-type]
    assert learned.EA_factor == pytest.approx(1.3, rel=0.03)
    assert np.abs(learned.misfit_sd).max() < 0.5


def test_a_reading_that_no_such_wheel_gives_is_refused_with_its_position() -> None:
    test = read_off(np.ones(4), 1.0, False, 0.0, 0)
    change = list(test["change_N"])  # type: ignore[call-overload]
    change[11] += 150.0
    with pytest.raises(InputError, match="position 12"):
        wheel_of(build_of({"wheel": {"rim_test": {**test, "change_N": change}}}))
