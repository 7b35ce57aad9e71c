"""Thinning keeps what a fit needs: every sample counted once, and the load history where it changes."""

from __future__ import annotations

import numpy as np
import pytest

from models import basis
from models.history import LoadHistory, Measured
from models.simulate import strain_under_load
from models.thin import PER_DECADE, Thinned, steadied, thin
from tests.golden import GAUGE_LENGTH_MM, REFERENCE_C, default_chain


def measured(time_s: np.ndarray, load_N: np.ndarray, elongation_mm: np.ndarray) -> Measured:
    return Measured(
        spoke="K01",
        history=LoadHistory.of(time_s, load_N, REFERENCE_C),
        elongation_mm=elongation_mm,
        gauge_length_mm=GAUGE_LENGTH_MM,
    )


def stepped(row_s: float = 5.0) -> tuple[np.ndarray, np.ndarray]:
    """Seat, a hold at 1000 N, rest, a hold at 1400 N: rows sparse in the holds, one second apart in the ramps."""
    times, loads, t, load = [0.0], [20.0], 0.0, 20.0
    for hold_s, level in ((60.0, 20.0), (7200.0, 1000.0), (3600.0, 15.0), (3600.0, 1400.0)):
        k = round(abs(level - load) / 20.0)
        for j in range(k):
            t += 1.0
            times.append(t)
            loads.append(load + (level - load) * (j + 1) / k)
        load = level
        for _ in range(int(hold_s / row_s)):
            t += row_s
            times.append(t)
            loads.append(level)
    return np.array(times), np.array(loads)


def test_every_sample_is_counted_once_and_means_grow_with_time_since_the_last_change() -> None:
    time, load = stepped(1.0)
    thinned = thin(measured(time, load, 1e-3 * load))
    assert thinned.count.sum() == time.size
    assert thinned.time_s.size < 0.05 * time.size
    assert (np.diff(thinned.time_s) > 0).all()
    late = thinned.since_s > 100.0
    per_decade = np.log(10.0) / np.diff(
        np.log(thinned.since_s[late & (thinned.load_N > 999.0) & (thinned.time_s < 7000)])
    )
    assert np.median(per_decade) > 0.8 * PER_DECADE


def test_the_load_before_a_change_is_not_smeared_over_the_mean_before_it() -> None:
    """A hold's last mean is minutes long: drawing a line from its middle to the ramp would lose newton-hours."""
    time, load = stepped()
    whole = measured(time, load, np.zeros_like(time))
    thinned = thin(whole)
    rows = {
        "time_s": time,
        "load_N": load,
        "temperature_C": np.full(time.size, REFERENCE_C),
        "elongation_mm": np.zeros_like(time),
        "count": np.ones_like(time),
        "since_s": time,
        "rate_N_per_s": np.zeros_like(time),
        "piece": np.zeros(time.size, dtype=np.intp),
        "load_sd_N": np.zeros_like(time),
    }
    full = Thinned(spoke="K01", gauge_length_mm=GAUGE_LENGTH_MM, noise_mm=1e-3, **rows)
    tau = np.array([10.0, 1e3, 1e5])
    few = basis.build([thinned], REFERENCE_C, recoverable_tau_s=tau)
    many = basis.build([full], REFERENCE_C, recoverable_tau_s=tau)
    for k in range(tau.size):
        there = np.interp(thinned.time_s, time, many.recoverable[0, :, k])
        assert np.abs(few.recoverable[0, :, k] - there).max() < 1.5  # N, of 1400: 0.1 %


def test_a_spike_of_the_sensor_is_dropped_and_a_step_is_kept() -> None:
    rng = np.random.default_rng(3)
    time = np.arange(0.0, 4000.0)
    load = np.full(time.size, 1000.0)
    y = 2.0 + 1e-3 * rng.standard_normal(time.size)
    y[1500] += 0.5
    y[2500:] += 0.05
    thinned = thin(measured(time, load, y), breaks_s=(2500.0,))
    assert thinned.count.sum() == time.size - 1
    assert np.abs(thinned.elongation_mm[thinned.time_s < 2500] - 2.0).max() < 5e-3
    assert np.abs(thinned.elongation_mm[thinned.piece == 1] - 2.05).max() < 5e-3
    assert set(thinned.piece) == {0, 1}
    assert abs(thinned.noise_mm - 1e-3) < 1e-4


def test_the_columns_of_a_fit_add_up_to_what_the_chain_does_under_the_same_loads() -> None:
    """Two pieces of code for the same equations: the fit's columns and the chain's stepping."""
    chain = default_chain()
    time, load = stepped(20.0)
    th = REFERENCE_C + 2.0 * np.sin(time / 5000.0)
    history = LoadHistory.of(time, load, th)
    strain, _ = strain_under_load(chain, history, substeps=6)
    n = np.zeros(time.size)
    rows = Thinned(
        spoke="K01",
        gauge_length_mm=GAUGE_LENGTH_MM,
        time_s=time,
        load_N=load,
        temperature_C=th,
        elongation_mm=n,
        count=n + 1,
        since_s=n,
        rate_N_per_s=n,
        piece=n.astype(np.intp),
        load_sd_N=n,
        noise_mm=1e-3,
    )
    b = basis.build([rows], REFERENCE_C, recoverable_tau_s=chain.recoverable_tau_s, bedding_tau_s=chain.bedding_tau_s)
    weights, _ = basis.at_exponent(b, float(chain.bedding_exponent))
    scale = float(chain.flow_force_scale_N[0])
    flow, _ = basis.flow(b, scale, 1000.0)
    total = (
        load / float(chain.EA0_N)
        + b.recoverable[0] @ chain.recoverable_compliance_per_N
        + np.tensordot(weights, b.bedding, axes=1)[0] @ chain.bedding_compliance_per_N
        + flow[0] * float(chain.flow_rate_per_s[0]) * np.sinh(1000.0 / scale)
        + float(chain.expansion_per_K) * b.warmer_K[0]
    )
    assert np.abs(total - strain).max() < 2e-6  # of 5000e-6


def test_a_test_of_months_stays_a_matter_of_hundreds_of_means() -> None:
    time, load = stepped(5.0)
    thinned = thin(measured(time * 150.0, load, 1e-3 * load))  # 25 days
    assert thinned.count.sum() == time.size
    assert thinned.time_s.size < 1000


def test_a_load_that_wanders_or_is_noisy_does_not_end_a_mean_at_every_row() -> None:
    time, load = stepped(1.0)
    noisy = load + np.random.default_rng(1).normal(0.0, 50.0, load.size)
    still = thin(measured(time, load, 1e-3 * load)).time_s.size
    assert thin(measured(time, noisy, 1e-3 * load)).time_s.size < 1.5 * still
    waves = load + 100.0 * np.sin(time / 5.0)
    assert thin(measured(time, waves, 1e-3 * load)).time_s.size <= 1500


def test_noise_of_the_load_cell_goes_and_what_the_load_truly_did_stays() -> None:
    """A hold with a real step of 30 N in it, a slow fall, and a ramp before: 2 N of noise, single readings."""
    rng = np.random.default_rng(5)
    ramp = np.linspace(20.0, 1000.0, 40)
    held = np.concatenate([np.full(60, 1000.0), np.full(60, 970.0), 970.0 - 12.0 * np.linspace(0.0, 1.0, 120) ** 0.5])
    true = np.concatenate([ramp, held])
    moving = np.arange(true.size) < ramp.size
    seen = true + 2.0 * rng.standard_normal(true.size)
    load, sd = steadied(seen, np.full(true.size, 4.0), np.where(moving, np.arange(true.size), 40.0), moving)
    assert np.array_equal(load[moving], seen[moving]) and (sd[moving] == 2.0).all()
    away = (load - true)[~moving]
    assert np.sqrt((away**2).mean()) < 0.7
    assert np.sqrt(((away / sd[~moving]) ** 2).mean()) == pytest.approx(1.0, abs=0.35)
    assert np.diff(load)[99] == pytest.approx(-30.0, abs=2.5)


def test_loads_without_noise_are_left_as_they_are() -> None:
    load = np.array([20.0, 20.0, 500.0, 1000.0, 1001.0, 999.5, 1000.0])
    same, sd = steadied(load, np.zeros(7), np.zeros(7), np.zeros(7, dtype=bool))
    assert np.array_equal(same, load) and not sd.any()
