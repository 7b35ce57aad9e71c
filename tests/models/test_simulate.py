"""The demonstration batch under load and held at a length: the tables that two integrators agreed on.

The values are computed ones (exponential stepping and LSODA at a relative tolerance of 1e-10, on an invented batch), so
they prove the arithmetic, not the fibre.
"""

from __future__ import annotations

import numpy as np
import pytest

from models.chain import advance, total_strain, virgin
from models.history import LoadHistory
from models.simulate import load_under_chord, strain_under_load
from tests.golden import EA0_N, FIBRE_AREA_MM2, FOLLOW_UP, GAUGE_LENGTH_MM, default_chain

H = 3600.0
FOLLOW_PER_N = FOLLOW_UP / EA0_N
TIMES_S = np.array([60, 360, 720, 1800, 1 * H, 2 * H, 5 * H, 10 * H, 20 * H, 50 * H, 100 * H, 1000 * H])
# microstrain at constant load, 23 C
DELAYED_1000 = [475.3, 756.5, 861.1, 1028.0, 1147.0, 1263.7, 1449.9, 1582.3, 1711.5, 1914.6, 2053.0, 2422.0]
BEDDING_1000 = [768.4, 827.3, 848.4, 885.7, 910.4, 928.1, 956.5, 981.1, 996.4, 1000.0, 1000.0, 1000.0]
TOTAL = {
    1000: [3553.2, 3893.4, 4019.0, 4223.2, 4367.0, 4501.5, 4716.3, 4873.7, 5018.9, 5227.8, 5370.0, 5806.0],
    2000: [6818.0, 7476.3, 7719.7, 8114.7, 8393.7, 8657.7, 9081.5, 9395.2, 9696.0, 10160.8, 10525.8, 12849.8],
    3000: [10013.2, 10987.4, 11350.6, 11944.4, 12375.6, 12805.6, 13550.5, 14209.2, 15046.3, 16913.2, 19411.8, 58017.6],
}
FLOW_3000 = [0.7, 4.2, 8.3, 20.8, 41.7, 83.3, 208, 417, 833, 2083, 4167, 41665]


def held(load_N: float, times_s=TIMES_S) -> LoadHistory:
    times = np.concatenate([[0.0], times_s])
    return LoadHistory.of(times, np.full(times.size, float(load_N)), 23.0)


@pytest.mark.parametrize("load_N", [1000, 2000, 3000])
def test_creep_at_constant_load_gives_the_table(load_N):
    strain, _ = strain_under_load(default_chain(), held(load_N))
    np.testing.assert_allclose(strain[1:] * 1e6, TOTAL[load_N], atol=0.051)


def test_each_part_of_the_creep_gives_its_own_column():
    chain = default_chain()
    state = virgin(chain)
    state, _ = advance(chain, state, 0.0, 0.0, 1000.0, 23.0)
    before = 0.0
    for i, t in enumerate(TIMES_S):
        state, _ = advance(chain, state, t - before, 1000.0, 1000.0, 23.0)
        before = t
        assert state.recoverable.sum() * 1e6 == pytest.approx(DELAYED_1000[i], abs=0.051)
        assert state.bedding.sum() * 1e6 == pytest.approx(BEDDING_1000[i], abs=0.051)


def test_flow_alone_gives_its_column_and_its_rates():
    chain = default_chain()
    state, _ = advance(chain, virgin(chain), 0.0, 0.0, 3000.0, 23.0)
    for t, flow in zip(TIMES_S, FLOW_3000, strict=True):
        after, _ = advance(chain, state, t, 3000.0, 3000.0, 23.0)
        assert after.flow[0] * 1e6 == pytest.approx(flow, abs=0.051 if flow < 100 else 0.51)
    for load_N, rate in {500: 4.077e-12, 1000: 2.067e-11, 2000: 4.895e-10, 3000: 1.157e-8}.items():
        after, _ = advance(chain, virgin(chain), 1.0, load_N, load_N, 23.0)
        assert after.flow[0] == pytest.approx(rate, rel=5e-4)


FLOW_RATES = {  # 1/s at 13, 23, 35, 50, 60, 70 C, by stress in MPa
    100: [1.19e-12, 6.07e-12, 3.74e-11, 3.00e-10, 1.08e-9, 3.63e-9],
    160: [4.07e-12, 2.00e-11, 1.18e-10, 9.02e-10, 3.16e-9, 1.03e-8],
    300: [6.93e-11, 3.10e-10, 1.65e-9, 1.11e-8, 3.62e-8, 1.10e-7],
    500: [3.98e-9, 1.55e-8, 7.07e-8, 4.02e-7, 1.17e-6, 3.22e-6],
}


@pytest.mark.parametrize("stress_MPa", FLOW_RATES)
def test_flow_at_other_stresses_and_temperatures_gives_the_table_of_rates(stress_MPa):
    chain, load_N = default_chain(), stress_MPa * FIBRE_AREA_MM2
    for temperature_C, rate in zip([13.0, 23.0, 35.0, 50.0, 60.0, 70.0], FLOW_RATES[stress_MPa], strict=True):
        after, _ = advance(chain, virgin(chain), 1.0, load_N, load_N, temperature_C)
        assert after.flow[0] == pytest.approx(rate, rel=6e-3)


def test_elongation_of_a_spoke_at_working_tension_gives_the_lengths_in_mm():
    times = np.array([60, 1 * H, 12 * H, 24 * H, 168 * H])
    strain, _ = strain_under_load(default_chain(), held(1000, times))
    np.testing.assert_allclose(strain[1:] * GAUGE_LENGTH_MM, [0.9949, 1.2228, 1.3753, 1.4166, 1.5309], atol=5.1e-5)


def test_recovery_after_a_day_gives_back_the_shares_of_the_delayed_part():
    chain = default_chain(bedding=False, flow=False)
    day = LoadHistory.of([0, 24 * H], [1000.0, 1000.0], 23.0)
    _, state = strain_under_load(chain, day)
    delayed = state.strain
    assert 2309.5e-6 / (2309.5e-6 + delayed) == pytest.approx(0.57, abs=0.005)
    for t, share in [(60, 0.27), (600, 0.47), (1 * H, 0.65), (24 * H, 0.91), (168 * H, 0.986)]:
        after, _ = advance(chain, state, t, 0.0, 0.0, 23.0)
        assert 1 - after.strain / delayed == pytest.approx(share, abs=0.006)


def chord(chain, dwell_s, times_s, follow_per_N=FOLLOW_PER_N, tolerance_N=1e-3):
    """Tension after ``dwell_s`` at 1000 N and then a fixed length."""
    state, _ = advance(chain, virgin(chain), 0.0, 0.0, 1000.0, 23.0)
    state, _ = advance(chain, state, dwell_s, 1000.0, 1000.0, 23.0)
    total = total_strain(chain, state, 1000.0, 23.0) + follow_per_N * 1000.0
    times = np.concatenate([[0.0], times_s])
    full = np.full(times.size, total)
    return load_under_chord(
        chain, times, full, np.full(times.size, 23.0), state, 1000.0, follow_per_N, tolerance_N=tolerance_N
    )[0][1:]


@pytest.mark.parametrize(
    "dwell_s, times_s, tension_N",
    [
        (600.0, [600, 1 * H, 12 * H, 24 * H, 168 * H], [965.4146, 911.1347, 818.4659, 794.0785, 730.9592]),
        (
            0.0,
            [60, 600, 1 * H, 12 * H, 24 * H, 168 * H],
            [851.1635, 766.8274, 704.9758, 629.8646, 610.9683, 562.2429],
        ),
    ],
)
def test_the_linear_part_held_at_a_length_gives_the_matrix_exponential(dwell_s, times_s, tension_N):
    chain = default_chain(bedding=False, flow=False)
    ours = chord(chain, dwell_s, times_s, tolerance_N=3e-5)
    np.testing.assert_allclose(ours, tension_N, atol=2e-3)


def test_a_rigid_rim_loses_more_and_a_soft_one_less():
    for phi, loss in [(0.0, -23.5), (0.2, -21.0), (0.4, -19.1)]:
        night = chord(default_chain(), 600.0, [12 * H], phi / EA0_N)[0]
        assert night / 10.0 - 100.0 == pytest.approx(loss, abs=0.051)


def test_a_temperature_step_at_a_fixed_length_loads_the_spoke_by_its_own_shrinkage():
    # a fibre that shortens on warming pulls: dT = -EA alpha dth at once, over (1 + phi) with a rim that gives
    chain = default_chain(bedding=False, flow=False)
    times = np.array([0.0, 0.0])
    for follow, rise in [(0.0, 5.196), (FOLLOW_PER_N, 4.330)]:
        full = np.full(2, 1000.0 * (1 / EA0_N + follow))
        loads, _ = load_under_chord(chain, times, full, np.array([23.0, 24.0]), None, 1000.0, follow)
        assert loads[0] == pytest.approx(1000.0, abs=1e-6)
        assert loads[1] - loads[0] == pytest.approx(rise, abs=1e-3)


def test_a_chord_history_gives_the_same_tension_however_often_it_is_written_down():
    chain = default_chain()
    few = np.array([0.0, 60.0, 43200.0])
    many = np.concatenate([[0.0], np.linspace(60.0, 43200.0, 100)])
    a, _ = load_under_chord(chain, few, np.array([0.0, 4e-3, 4e-3]), np.full(3, 23.0), tolerance_N=1e-4)
    b, _ = load_under_chord(chain, many, np.append(0.0, np.full(100, 4e-3)), np.full(101, 23.0), tolerance_N=1e-4)
    assert a[1] == pytest.approx(b[1], abs=1e-6)
    assert a[-1] == pytest.approx(b[-1], abs=0.01)


def test_a_history_that_starts_under_load_is_loaded_at_once():
    strain, _ = strain_under_load(default_chain(), held(1000))
    assert strain[0] * 1e6 == pytest.approx(2309.52 + 700.0, abs=0.01)
