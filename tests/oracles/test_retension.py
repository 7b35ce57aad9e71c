"""Retension passes and stretch-rest-use of a standard linear solid in a wheel: closed forms against the planner's steps.

Source: closed forms of linear viscoelasticity (E1 in series with a Voigt element E2, tau_c), derived and checked against
an independent Boltzmann sum; values recalculated to 12 digits (calc, no printed table).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from models.chain import Chain, advance, virgin
from planner.coupling import mean_field
from planner.relaxation import H, Spokes, Standing, let_stand, retensioned

E1_N, E2_N = 80e3, 240e3  # stiffness of the spring and of the delayed spring of one spoke, N
LENGTH_MM = 285.0
NONE = np.zeros(1)


def solid(tau_s: float, followup: float) -> Spokes:
    chain = Chain.of(EA0_N=[E1_N], recoverable=([tau_s], [[1.0 / E2_N]]))
    return Spokes(
        chain=chain,
        coupling=mean_field(followup, E1_N, LENGTH_MM),
        temperature_C=20.0,
        seat_mm=NONE,
        seat_at_once=NONE,
        give_per_N=NONE,
        set_end_s=0.0,
    )


@pytest.mark.parametrize(
    ("followup", "losses"),
    [
        (0.2, (0.102635080408, 0.0647128253787, 0.0408023236485, 0.0257264244819, 0.0162208633588)),
        (0.0, (0.1216457202, 0.07725267648, 0.04906030407)),
    ],
)
def test_losses_of_successive_nights_fall_geometrically(followup: float, losses: tuple[float, ...]) -> None:
    tau, night = 86400.0, 43200.0
    spokes, full = solid(tau, followup), np.array([1000.0])
    standing = Standing(state=virgin(spokes.chain), tension_N=full, time_s=0.0)
    for k, expected in enumerate(losses):
        [after], standing = let_stand(spokes, standing, [standing.time_s + night], 1.05, 1e-6)
        assert 1.0 - after[0] / 1000.0 == pytest.approx(expected, rel=1e-4), f"night {k + 1}"
        standing = retensioned(spokes, standing, full, 0.0)  # at once, as the closed form has it
    x = math.exp(-night / (tau * (1 + followup) / (1 + followup + E1_N / E2_N)))
    R = (1 + followup) / (1 + followup + E1_N / E2_N)
    assert losses[1] / losses[0] == pytest.approx(1 - R * (1 - x), rel=1e-9)


@pytest.mark.parametrize(
    ("seconds", "share"), [(600.0, 0.958301319452), (3600.0, 0.843186053944), (43200.0, 0.782608743302)]
)
def test_relaxation_with_elastic_follow_up(seconds: float, share: float) -> None:
    spokes = solid(3600.0, 0.2)
    start = Standing(state=virgin(spokes.chain), tension_N=np.array([1000.0]), time_s=0.0)
    [after], _ = let_stand(spokes, start, [seconds], 1.05, 1e-6)
    assert after[0] / 1000.0 == pytest.approx(share, rel=1e-4)


@pytest.mark.parametrize(
    ("seconds", "stretched", "untreated"),
    [
        (3600.0, 160.1288517, 155.8277887),
        (43200.0, 160.8423733, 132.7240029),
        (432000.0, 161.0742021, 125.2173989),
    ],
)
def test_a_stretch_and_a_short_rest_turn_loss_into_a_rise(seconds: float, stretched: float, untreated: float) -> None:
    """1.5 times the tension for 12 h, 10 min free, then fixed length: tension rises above where it was set."""
    spokes = solid(36000.0, 0.2)
    used = np.array([160.0])  # E1, E2 as 80 and 240 thousand: stresses in MPa and moduli in MPa
    state, _ = advance(spokes.chain, virgin(spokes.chain), 12.0 * H, 240.0, 240.0, 20.0)
    state, _ = advance(spokes.chain, state, 600.0, 0.0, 0.0, 20.0)
    assert float(state.recoverable[0, 0]) == pytest.approx(6.872555443e-4, rel=1e-9)
    for start, expected in ((state, stretched), (virgin(spokes.chain), untreated)):
        [after], _ = let_stand(spokes, Standing(state=start, tension_N=used, time_s=0.0), [seconds], 1.05, 1e-6)
        assert float(after[0]) == pytest.approx(expected, rel=1e-4)
