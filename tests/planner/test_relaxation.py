"""Spokes in the wheel over time: known values of the reference batch, and an independent stiff solver for a whole wheel."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from models.chain import Chain, advance, total_strain, virgin
from models.follow import advance_to_strain
from planner.build import build_of
from planner.coupling import coupling_of, mean_coupling, mean_field
from planner.relaxation import (
    SEATING_TAU_S,
    TOLERANCE_N,
    H,
    Spokes,
    Standing,
    first_set,
    let_stand,
    prepared,
    retensioned,
    set_stages,
    step_ends_s,
    without_fast_modes,
)
from planner.schedule import schedule_of
from planner.wheel import wheel_of
from tests.golden import FOLLOW_UP, GAUGE_LENGTH_MM, REFERENCE_C, default_chain

Floats = NDArray[np.float64]
NOTHING = np.zeros(1)


def one_spoke(chain: Chain, followup: float = FOLLOW_UP) -> Spokes:
    chain = replace(chain, EA0_N=np.array([float(chain.EA0_N)]))
    return Spokes(
        chain=chain,
        coupling=mean_field(followup, float(chain.EA0_N[0]), GAUGE_LENGTH_MM),
        temperature_C=REFERENCE_C,
        seat_mm=NOTHING,
        seat_at_once=NOTHING,
        give_per_N=NOTHING,
        set_end_s=0.0,
    )


def mornings(
    spokes: Spokes,
    nights: int,
    *,
    stretch: tuple[float, float] | None = None,
    rest_s: float = 600.0,
    ratio: float = 1.6,
) -> list[float]:
    """Tension after each night of 12 h; 10 min at 1000 N before the first, 2 min before each other."""
    chain, th, full = spokes.chain, spokes.temperature_C, np.array([1000.0])
    state = virgin(chain)
    if stretch is not None:
        load, hours = stretch
        state, _ = advance(chain, state, hours * H, load, load, th)
        state, _ = advance(chain, state, rest_s, 0.0, 0.0, th)
    state, _ = advance(chain, state, 600.0, full, full, th)
    standing, out = Standing(state=state, tension_N=full, time_s=600.0), []
    for _ in range(nights):
        tolerance = TOLERANCE_N if ratio > 1.5 else 1e-4
        [overnight], standing = let_stand(spokes, standing, [standing.time_s + 12.0 * H], ratio, tolerance)
        out.append(float(overnight[0]))
        standing = retensioned(spokes, standing, full, 120.0 / H)
    return out


# the project's reference batch: two integrators (exponential stepping, LSODA at 1e-10) agree to 0.01 N (calc)
def test_the_mornings_of_the_reference_batch() -> None:
    golden = [789.61, 921.34, 960.02, 974.74]
    assert mornings(one_spoke(default_chain()), 4) == pytest.approx(golden, rel=3e-4)
    fine = mornings(one_spoke(default_chain()), 4, ratio=1.08)
    assert fine == pytest.approx(golden, abs=0.02)


@pytest.mark.parametrize(
    ("load_N", "hours", "rest_s", "golden_N"),
    [(1500.0, 12.0, 600.0, 1003.07), (1000.0, 24.0, 600.0, 951.65), (1500.0, 12.0, 3 * 86400.0, 820.13)],
)
def test_the_first_night_after_a_stretch(load_N: float, hours: float, rest_s: float, golden_N: float) -> None:
    spokes = one_spoke(default_chain())
    assert mornings(spokes, 1, stretch=(load_N, hours), rest_s=rest_s)[0] == pytest.approx(golden_N, rel=2e-4)
    fine = mornings(spokes, 1, stretch=(load_N, hours), rest_s=rest_s, ratio=1.08)[0]
    assert fine == pytest.approx(golden_N, abs=0.01)


def test_the_linear_part_converges_to_the_matrix_exponential_with_the_square_of_the_step() -> None:
    exact = 818.4659  # 12 h after 10 min at 1000 N, recoverable modes alone (matrix exponential, calc)
    spokes = one_spoke(default_chain(flow=False, bedding=False))
    off = [abs(mornings(spokes, 1, ratio=r)[0] - exact) for r in (1.6, 1.6**0.5, 1.02)]
    assert off[0] < 0.0005 * exact
    assert off[1] < off[0] / 3.0
    assert off[2] < 0.002


def test_follow_up_softens_the_loss_as_tabulated() -> None:
    spokes = {phi: one_spoke(default_chain(), phi) for phi in (0.0, 0.4)}
    for phi, losses in ((0.0, (-23.5, -9.4, -4.9)), (0.4, (-19.1, -6.7, -3.4))):
        found = [m / 10.0 - 100.0 for m in mornings(spokes[phi], 3)]
        assert found == pytest.approx(losses, abs=0.06)


def test_tension_that_rises_past_what_the_braid_has_borne_packs_it_again() -> None:
    """A low, long stretch, then a small tension: recovery draws the spoke tighter than its bedding has seen."""
    chain = default_chain(flow=False)
    spokes = one_spoke(chain, 0.3)
    state = virgin(spokes.chain)
    # bedded at 300 N for a day; then recoverable modes filled as if by a heavy load, without its bedding
    state, _ = advance(spokes.chain, state, 86400.0, 300.0, 300.0, REFERENCE_C)
    state = replace(state, recoverable=4.0 * state.recoverable)
    start = Standing(state=state, tension_N=np.array([300.0]), time_s=0.0)
    times = [600.0, 12 * H, 72 * H]
    found, end = let_stand(spokes, start, times, 1.05, 1e-4)
    # the same by the single spoke's own solver, with all modes throughout
    load, now, out = np.array([300.0]), 0.0, []
    follow = 0.3 / float(chain.EA0_N)
    whole = total_strain(spokes.chain, state, load, REFERENCE_C) + follow * load
    for t in step_ends_s(times, 1.05):
        state, load = advance_to_strain(spokes.chain, state, t - now, load, whole, REFERENCE_C, follow)
        now = float(t)
        out += [float(load[0])] if now in times else []
    assert [float(f[0]) for f in found] == pytest.approx(out, abs=0.01)
    assert out[-1] > 320.0
    assert end.state.bedding[0, 0] > 1.02 * start.state.bedding[0, 0]


# -- a whole small wheel against scipy's stiff solver --------------------------------------------------------------

SHOP = {"set_session_h": 1.0, "pass_session_h": 0.5, "stress_relief": {"squeezes": 0}}
SMALL = build_of(
    {
        "wheel": {
            "spokes": 12,
            "crosses": 1,
            "rim": {
                "area_mm2": 85.0,
                "in_plane_inertia_mm4": 2100.0,
                "out_of_plane_inertia_mm4": 8400.0,
                "torsion_constant_mm4": 2600.0,
            },
            "hub": {"left": {"flange_to_centre_mm": 36.0}, "right": {"flange_to_centre_mm": 24.0}},
        },
        "shop": SHOP,
    }
)


def unlike_spokes(n: int, *, linear: bool) -> Chain:
    """Spokes of one wheel with their own scales; without at-once bedding, which a solver cannot follow."""
    rng = np.random.default_rng(5)
    own = np.exp(rng.standard_normal((n, 4)) * [0.05, 0.12, 0.2, 0.4])
    c = default_chain()
    return Chain.of(
        EA0_N=float(c.EA0_N) / own[:, 0],
        recoverable=(c.recoverable_tau_s, c.recoverable_compliance_per_N * own[:, 1:2]),
        recoverable_nonlinearity_per_N=0.0 if linear else 8e-5,
        bedding=((), np.zeros((n, 0))) if linear else ((60.0, 1200.0, 21600.0), 4e-7 * own[:, 2:3] * np.ones(3)),
        bedding_exponent=0.7,
        flow=((), np.zeros((n, 0))) if linear else (c.flow_rate_per_s * 20.0 * own[:, 3:4], c.flow_force_scale_N),
        reference_C=20.0,
    )


class StiffWheel:
    """The same physics written anew for scipy: states as one vector, tensions from the balance of the standing wheel."""

    def __init__(self, chain: Chain, A: Floats, EA: float, fibre: Floats, seat: Floats, at_once: float) -> None:
        self.c, self.A, self.fibre, self.seat, self.at_once = chain, A, fibre, seat, at_once
        self.n, self.K = chain.recoverable_compliance_per_N.shape
        self.J, self.F = chain.bedding_tau_s.size, chain.flow_rate_per_s.shape[-1]
        self.beyond = 1.0 / chain.EA0_N - 1.0 / EA
        self.inverse = np.linalg.inv(np.eye(self.n) + A * (fibre * self.beyond)[None, :])
        self.y = np.zeros(self.n * (self.K + self.J + self.F))

    def creep(self, y: Floats) -> Floats:
        return y.reshape(self.n, -1).sum(axis=1)

    def rate(self, y: Floats, T: Floats) -> Floats:
        parts, c = y.reshape(self.n, -1), self.c
        r, b = parts[:, : self.K], parts[:, self.K : self.K + self.J]
        g = (T * (1.0 + c.recoverable_nonlinearity_per_N * T))[:, None]
        dr = (c.recoverable_compliance_per_N * g - r) / c.recoverable_tau_s
        asked = c.bedding_compliance_per_N * 1000.0 * (np.maximum(T, 0.0)[:, None] / 1000.0) ** c.bedding_exponent
        db = np.maximum(asked - b, 0.0) / np.where(c.bedding_tau_s > 0, c.bedding_tau_s, 1.0)
        df = c.flow_rate_per_s * np.sinh(T[:, None] / c.flow_force_scale_N)
        return np.hstack([dr, db, df]).ravel()

    def run(self, seconds: float, tension: Callable[[float, Floats], Floats]) -> None:
        # in parts, so that the solver sees each decade of time
        for a, b in pairwise(np.concatenate([[0.0], np.geomspace(seconds / 3000.0, seconds, 5)])):
            done = solve_ivp(
                lambda t, y: self.rate(y, tension(t, y)), (a, b), self.y, method="LSODA", rtol=1e-8, atol=1e-13
            )
            assert done.success
            self.y = done.y[:, -1]

    def hold(self, seconds: float, T: Floats) -> None:
        self.run(seconds, lambda _t, _y: T)

    def stand(self, seconds: float, T: Floats, since_set_s: float) -> Floats:
        def settled(t: float) -> Floats:
            return (
                self.seat * (self.at_once + (1.0 - self.at_once) * -np.expm1(-t / SEATING_TAU_S))
                if t > 0
                else 0 * self.seat
            )

        whole = T + self.A @ (self.fibre * (self.beyond * T + self.creep(self.y)) + settled(since_set_s))

        def tension(t: float, y: Floats) -> Floats:
            return self.inverse @ (whole - self.A @ (self.fibre * self.creep(y) + settled(since_set_s + t)))

        self.run(seconds, tension)
        return tension(seconds, self.y)


@pytest.mark.parametrize("linear", [True, False])
def test_a_schedule_replayed_by_a_stiff_solver_gives_the_same_tensions(linear: bool) -> None:
    wheel = wheel_of(SMALL)
    n, EA = wheel.n, 4.3e5
    chain = unlike_spokes(n, linear=linear)
    rng = np.random.default_rng(8)
    seat, at_once = 0.02 + 0.01 * rng.random(n), 0.4
    spokes = Spokes(
        chain=chain,
        coupling=coupling_of(wheel, EA),
        temperature_C=20.0,
        seat_mm=seat,
        seat_at_once=np.array([at_once]),
        give_per_N=np.zeros(1),
        set_end_s=H,
    )
    pattern = np.array(wheel.side_targets_N())[wheel.side]
    first, touch, final = (
        wheel.reachable(level * pattern * (1.0 + 0.02 * rng.standard_normal(n))) for level in (0.95, 1.1, 1.0)
    )
    # ours
    standing = first_set(spokes, virgin(chain), first, SMALL.shop)
    [before_touch], standing = let_stand(spokes, standing, [6.0 * H])
    standing = retensioned(spokes, standing, touch, 0.5)
    [before_pass], standing = let_stand(spokes, standing, [30.0 * H])
    standing = retensioned(spokes, standing, final, 0.5)
    ends, _ = let_stand(spokes, standing, [48.0 * H, 720.0 * H])
    # scipy's
    stiff = StiffWheel(chain, wheel.influence(None, EA), EA, wheel.fibre_mm, seat, at_once)
    for share, hours in ((0.3, 0.2), (0.6, 0.2), (0.85, 0.2), (1.0, 0.4)):
        stiff.hold(hours * H, share * first)
    theirs = [stiff.stand(5.0 * H, first, 0.0)]
    stiff.hold(0.5 * H, touch)
    theirs.append(stiff.stand(23.5 * H, touch, 5.5 * H))
    stiff.hold(0.5 * H, final)
    theirs.append(stiff.stand(17.5 * H, final, 29.5 * H))
    theirs.append(stiff.stand(672.0 * H, theirs[-1], 47.0 * H))
    for ours, other in zip([before_touch, before_pass, *ends], theirs, strict=True):
        assert ours == pytest.approx(other, rel=1e-3)
    assert np.abs(before_touch / first - 1.0).max() > 0.05  # there was something to agree on


def test_when_all_spokes_are_alike_the_mean_of_each_side_is_the_mean_spoke() -> None:
    wheel = wheel_of(SMALL)
    EA = 4.3e5
    both = []
    for n, coupling in ((12, coupling_of(wheel, EA)), (2, mean_coupling(wheel, EA))):
        chain = replace(default_chain(), EA0_N=np.full(n, EA))
        spokes = Spokes(
            chain=chain,
            coupling=coupling,
            temperature_C=23.0,
            seat_mm=np.full(n, 0.02),
            seat_at_once=np.full(1, 0.5),
            give_per_N=np.zeros(1),
            set_end_s=H,
        )
        full = np.array(wheel.side_targets_N())[wheel.side if n == 12 else [0, 1]]
        standing = first_set(spokes, virgin(chain), full, SMALL.shop)
        [later], _ = let_stand(spokes, standing, [400.0 * H])
        side = wheel.side if n == 12 else np.array([0, 1])
        both.append([later[side == s].mean() for s in (0, 1)])
    # not quite: within a side tensions differ a little, and creep is not quite straight in tension
    assert both[0] == pytest.approx(both[1], rel=1e-4)
    left, right = both[0]
    # sideways balance ties the sides together, but for the little that the rim moves sideways under tension
    assert left / right == pytest.approx(wheel.side_targets_N()[0] / wheel.side_targets_N()[1], rel=0.02)


def test_spokes_of_different_nights_rest_differently_and_lie_in_their_own_places() -> None:
    steps = [
        {
            "kind": "prestretch",
            "load_N": 1500.0,
            "hours": 12.0,
            "groups": [{"positions": [1, 4], "rest_h": 72.5}, {"positions": [2, 3], "rest_h": 0.5}],
        },
        {"kind": "rest", "hours": 0.5},
        {"kind": "laced", "hours": 11.5, "tension_N": 100.0},
        {"kind": "set", "at_h": 0.0, "tension_N": {"left": 1.0, "right": 1.0}},
        {"kind": "deliver", "at_h": 48.0},
    ]
    chain = replace(default_chain(), EA0_N=np.full((3, 4), 4.3e5))
    state = prepared(chain, schedule_of(steps), 20.0)
    assert state.strain.shape == (3, 4)
    assert np.array_equal(state.strain[:, 0], state.strain[:, 3]) and np.array_equal(
        state.strain[:, 1], state.strain[:, 2]
    )
    assert (state.recoverable[:, 1].sum(-1) > 1.4 * state.recoverable[:, 0].sum(-1)).all()
    # bedding and flow stay whatever the rest
    assert state.bedding[:, 0] == pytest.approx(state.bedding[:, 1])
    # and a group alone gives the same as in company
    alone = [{**steps[0], "groups": []}, {"kind": "rest", "hours": 72.5}, *steps[2:]]
    assert prepared(chain, schedule_of(alone), 20.0).recoverable[:, 0] == pytest.approx(state.recoverable[:, 0])


def test_steps_meet_the_asked_times_and_grow_by_no_more_than_the_ratio() -> None:
    ends = step_ends_s([0.0, 500.0, 500.0, 9e4, 1e5], 1.5)
    assert {500.0, 9e4, 1e5} <= set(ends.tolist())
    assert (np.diff(ends) > 0).all() and (ends[1:] / ends[:-1] <= 1.5 + 1e-9).all()
    assert step_ends_s([5.0], 1.5).tolist() == [5.0]
    assert step_ends_s([0.0], 1.5).size == 0


def test_lumping_fast_modes_changes_nothing_that_a_builder_could_read() -> None:
    whole, lumped = default_chain(), without_fast_modes(default_chain(), 30.0, 150.0)
    assert lumped.recoverable_tau_s.size == 6 and lumped.bedding_tau_s.tolist() == [0.0, 1200.0, 21600.0]
    dense = Chain.of(
        EA0_N=4e5,
        recoverable=((1.0, 5.0, 25.0, 1e3, 1e5), [2e-7] * 5),
        bedding=((0.0, 30.0, 120.0, 5e3), [3e-7, 5e-8, 5e-8, 1e-7]),
    )
    few = without_fast_modes(dense, 30.0, 150.0)
    assert few.recoverable_tau_s == pytest.approx([5.0, 1e3, 1e5]) and few.bedding_tau_s.tolist() == [0.0, 5e3]
    for a, b in ((whole, lumped), (dense, few)):
        assert mornings(one_spoke(b), 2) == pytest.approx(mornings(one_spoke(a), 2), rel=1e-3)


def test_squeezes_come_before_the_last_turn_up_and_the_session_keeps_its_length() -> None:
    stages = set_stages(build_of({}).shop)
    assert sum(seconds for seconds, _ in stages) == pytest.approx(3600.0)
    assert [round(share, 4) for _, share in stages] == [0.3, 0.6, 0.85, 1.0625, 0.85, 1.0625, 0.85, 1.0]
    assert [s for s, share in stages if share > 1.0] == [3.0, 3.0]
    assert stages[-1][0] == pytest.approx(0.4 * H)
    short = build_of({"shop": {"set_profile": [[0.85, 0.001]], "stress_relief": {"squeezes": 4}}}).shop
    assert sum(seconds for seconds, _ in set_stages(short)) == pytest.approx(3600.0)
    assert min(seconds for seconds, _ in set_stages(short)) >= 0.0
    bare = build_of({"shop": {"set_profile": []}}).shop
    assert max(share for _, share in set_stages(bare)) == 1.25
    calm = build_of({"shop": {"stress_relief": {"squeezes": 0}}}).shop
    assert [share for _, share in set_stages(calm)] == [0.3, 0.6, 0.85, 1.0]


def test_an_odd_draw_settles_as_well_as_its_digits_allow_and_leaves_the_others_alone() -> None:
    """A spoke whose flow was drawn beyond all belief: Newton's steps go back and forth, and no tension has a meaning."""
    wheel = wheel_of(SMALL)
    rng = np.random.default_rng(2)
    state_of = virgin(replace(default_chain(), EA0_N=np.full((2, 12), 4.3e5)))
    odd = np.zeros((2, 12, 1))
    odd[1] = 10.0 ** rng.uniform(11.0, 14.0, (12, 1))
    spokes = Spokes(
        chain=replace(default_chain(), EA0_N=np.full((2, 12), 4.3e5)),
        coupling=coupling_of(wheel, 4.3e5),
        temperature_C=20.0,
        seat_mm=np.full(12, 0.02),
        seat_at_once=np.full(1, 0.5),
        give_per_N=np.zeros(1),
        set_end_s=0.0,
    )
    full = np.full((2, 12), 1000.0)
    start = Standing(state=replace(state_of, flow=odd), tension_N=full, time_s=0.0)
    [end], _ = let_stand(spokes, start, [12.0 * H])
    fine = Standing(state=virgin(spokes.chain.take(slice(0, 1))), tension_N=full[:1], time_s=0.0)
    alone = replace(spokes, chain=spokes.chain.take(slice(0, 1)))
    [only], _ = let_stand(alone, fine, [12.0 * H])
    assert np.isfinite(end).all()
    assert end[0] == pytest.approx(only[0], abs=0.05)
