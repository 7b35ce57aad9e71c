"""Spokes in the wheel over time: from the frame through rest, lacing and sessions, then left alone to relax.

While nipples are left alone the free rim is in balance and each spoke's length is what the rim leaves it:

    T(t) + A fibre (strain(t) - T(t)/EA) + A seating(t) = constant

with A = dT/d(shortening) of the standing wheel for spokes of stiffness EA: what a spoke stretches beyond T/EA (creep,
stiffening, its own share of softness) acts like a nipple turned back. A step takes tension as linear in time, advances
every mode in closed form (models/chain.py) and finds the end tensions by Newton's method; only the slopes' spread from
spoke to spoke is left to iteration, the rest is solved in the eigenvectors of A. All arrays carry leading dimensions
(...): draws, or candidates x draws; the last one is the spokes (or one mean spoke a side).

Long because one state goes through frame, rest, lacing, sessions and standing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.chain import (
    BEDDING_UNIT_N,
    Chain,
    ChainState,
    advance,
    advance_with_slopes,
    elastic_slope_per_N,
    elastic_strain,
    virgin,
)
from planner.coupling import Coupling
from planner.schedule import Laced, Prestretch, Schedule, Session

if TYPE_CHECKING:
    from planner.build import Shop

Floats = NDArray[np.float64]
H = 3600.0
RAMP_S = 30.0  # loading and unloading on the frame, within the minute allowed
COOLING_S = 1200.0  # from a warm cabinet to the shop's temperature, under load
BETWEEN_SQUEEZES_S = 30.0
SEATING_TAU_S = 1200.0  # seats that creep in are in place within about 20 min
FIRST_STEP_S = 20.0
STEP_RATIO = 1.6  # each step ends this many times later after the nipples were left alone than it began
TOLERANCE_N = 5.0  # last change of a step's Newton iteration; the state goes along with it by its slopes
PART_EVERY = 4  # steps after which bedding modes that have stopped are left out
MOST_ITERATIONS = 60
LAST_DIGITS = 1e-14  # relative
HALVED_FROM = 8  # iteration from which on only half of each change is made: it may be going back and forth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spokes:
    """The spokes of one or many wheels, and what else moves in them."""

    chain: Chain  # (..., n)
    coupling: Coupling
    temperature_C: float  # of the room while nipples are left alone
    seat_mm: Floats  # (..., n) settling of nipple, seat and hub hole after the first set
    seat_at_once: Floats  # (..., 1) share of it that comes as soon as the nipples are left alone
    give_per_N: Floats  # (..., 1) softness of the rim beyond the coupling's, as strain of a spoke per N
    set_end_s: float  # end of the set session, s from its start
    sessions_C: float | None = None  # of the room in sessions, by day; None: as while left alone

    @property
    def by_day_C(self) -> float:
        """Temperature of a session."""
        return self.temperature_C if self.sessions_C is None else self.sessions_C

    def seating_mm(self, time_s: float) -> Floats:
        """(..., n) how far seats have settled."""
        since = time_s - self.set_end_s
        if since <= 0:
            return np.zeros_like(self.seat_mm)
        share: Floats = self.seat_at_once - (1.0 - self.seat_at_once) * np.expm1(-since / SEATING_TAU_S)
        return self.seat_mm * share

    def excess_strain(self, state: ChainState, tension_N: Floats) -> Floats:
        """(..., n) strain beyond what the coupling's stiffness gives."""
        bare = elastic_strain(self.chain, tension_N) - tension_N / self.coupling.EA_N
        out: Floats = bare + self.give_per_N * tension_N + state.strain
        return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Standing:
    """Where wheels stand at one moment."""

    state: ChainState
    tension_N: Floats  # (..., n)
    time_s: float  # from the start of the set session


def without_fast_modes(chain: Chain, recoverable_s: float, bedding_s: float) -> Chain:
    """The chain with modes that no step can follow lumped: quicker to step, the same after minutes.

    Recoverable modes up to ``recoverable_s`` become one with their mean logarithm of time, weighted by mean
    compliance; bedding up to ``bedding_s`` comes at once.
    """
    tau, c = chain.recoverable_tau_s, chain.recoverable_compliance_per_N
    fast = tau <= recoverable_s
    if np.count_nonzero(fast) > 1:
        weight = c[..., fast].reshape(-1, np.count_nonzero(fast)).mean(axis=0)
        middle = np.exp(np.average(np.log(tau[fast]), weights=weight)) if weight.sum() > 0 else tau[fast][-1]
        tau = np.concatenate([[middle], tau[~fast]])
        c = np.concatenate([c[..., fast].sum(axis=-1, keepdims=True), c[..., ~fast]], axis=-1)
    bed_tau, bed = chain.bedding_tau_s, chain.bedding_compliance_per_N
    at_once = bed_tau <= bedding_s
    if at_once.any():
        bed_tau = np.concatenate([[0.0], bed_tau[~at_once]])
        bed = np.concatenate([bed[..., at_once].sum(axis=-1, keepdims=True), bed[..., ~at_once]], axis=-1)
    return replace(
        chain,
        recoverable_tau_s=tau,
        recoverable_compliance_per_N=c,
        bedding_tau_s=bed_tau,
        bedding_compliance_per_N=bed,
    )


# -- before the wheel ----------------------------------------------------------------------------------------------


def stretched(chain: Chain, stretch: Prestretch, shop_C: float) -> ChainState:
    """New spokes after their run on the frame, unloaded."""
    load, th = stretch.load_N, stretch.temperature_C
    state, _ = advance(chain, virgin(chain), RAMP_S, 0.0, load, th)
    state, _ = advance(chain, state, stretch.hours * H, load, load, th)
    if th != shop_C:
        state, _ = advance(chain, state, COOLING_S, load, load, shop_C)
    state, _ = advance(chain, state, RAMP_S, load, 0.0, shop_C)
    return state


def rested(chain: Chain, state: ChainState, hours: float, load_N: float, temperature_C: float) -> ChainState:
    """Off the frame, slack or at a small load."""
    if hours <= 0:
        return state
    return advance(chain, state, hours * H, load_N, load_N, temperature_C)[0]


def laced(chain: Chain, state: ChainState, step: Laced | None, before_N: float) -> ChainState:
    """In the wheel, at lacing tension."""
    if step is None:
        return state
    state, _ = advance(chain, state, RAMP_S, before_N, step.tension_N, step.temperature_C)
    return rested(chain, state, step.hours, step.tension_N, step.temperature_C)


def prepared(chain: Chain, schedule: Schedule, shop_C: float) -> ChainState:
    """Spokes (..., n), one for each position, at the moment that the first set begins."""
    n = chain.shape[-1]
    rest_N = schedule.rest.load_N if schedule.rest else 0.0
    rest_C = schedule.rest.temperature_C if schedule.rest else shop_C
    if schedule.prestretch is None:
        state = virgin(chain)
        if schedule.rest is not None:
            state = rested(chain, state, schedule.rest.hours, rest_N, rest_C)
    else:
        state = stretched(chain, schedule.prestretch, shop_C)
        hours = np.array(schedule.rest_h(n))
        alike = np.unique(hours)
        if alike.size == 1:
            state = rested(chain, state, float(alike[0]), rest_N, rest_C)
        else:
            state = ChainState(
                recoverable=state.recoverable.copy(), bedding=state.bedding.copy(), flow=state.flow.copy()
            )
            for h in alike:
                which = (*[slice(None)] * (len(chain.shape) - 1), hours == h)
                part = rested(chain.take(which), state.take(which), float(h), rest_N, rest_C)
                state.recoverable[which], state.bedding[which] = part.recoverable, part.bedding
                state.flow[which] = part.flow
    return laced(chain, state, schedule.laced, rest_N)


# -- sessions ------------------------------------------------------------------------------------------------------


def first_set(spokes: Spokes, state: ChainState, tension_N: Floats, shop: Shop) -> Standing:
    """The set session: rising shares of ``tension_N`` (..., n), the rest at full tension.

    Stress relief is done at the end of the last stage below full tension, before the last turn up.
    """
    chain, th = spokes.chain, spokes.by_day_C
    for seconds, share in set_stages(shop):
        load = share * tension_N
        state, _ = advance(chain, state, seconds, load, load, th)
    return Standing(state=state, tension_N=tension_N, time_s=shop.set_session_h * H)


def set_stages(shop: Shop) -> list[tuple[float, float]]:
    """Seconds and share of the set tension of each stage of the set session, squeezes among them."""
    relief = shop.stress_relief
    rising = [(hours * H, share) for share, hours in shop.set_profile]
    stages = [*rising, (shop.set_session_h * H - sum(s for s, _ in rising), 1.0)]
    if not relief.squeezes:
        return stages
    at = max((i for i, (_, share) in enumerate(rising) if share < 1.0), default=len(rising))
    seconds, share = stages[at]
    each = min(relief.seconds + BETWEEN_SQUEEZES_S, seconds / relief.squeezes)
    squeeze = min(relief.seconds, each)
    pair = [(squeeze, relief.peak_fraction * share), (each - squeeze, share)]
    return [*stages[:at], (seconds - each * relief.squeezes, share), *pair * relief.squeezes, *stages[at + 1 :]]


def retensioned(spokes: Spokes, standing: Standing, tension_N: Floats, session_h: float) -> Standing:
    """A touch or a pass: at ``tension_N`` (..., n) for the session, then left alone."""
    state, _ = advance(spokes.chain, standing.state, session_h * H, tension_N, tension_N, spokes.by_day_C)
    return Standing(state=state, tension_N=tension_N, time_s=standing.time_s + session_h * H)


def through(
    spokes: Spokes,
    state: ChainState,
    sessions: Sequence[Session],
    stands: Callable[[Session, int], Floats],
    shop: Shop,
    ratio: float,
) -> Standing:
    """Up to the end of the last session, from the ``state`` when the first set begins.

    ``stands`` gives the true tensions (..., n) that a session leaves, and takes with it how many are still to come.
    """
    first, *later = sessions
    standing = first_set(spokes, state, stands(first, len(later)), shop)
    for i, session in enumerate(later):
        _, standing = let_stand(spokes, standing, [session.at_h * H], ratio)
        standing = retensioned(spokes, standing, stands(session, len(later) - 1 - i), session.length_h(shop))
    return standing


# -- left alone ----------------------------------------------------------------------------------------------------


def step_ends_s(times_s: Sequence[float], ratio: float = STEP_RATIO, first_s: float = FIRST_STEP_S) -> Floats:
    """Ends of steps that meet each of ``times_s`` (s since the nipples were left alone, rising) in even log steps."""
    out: list[float] = []
    now = 0.0
    for t in times_s:
        if t <= now:
            continue
        start = now if now > 0 else min(first_s, t)
        if now == 0.0:
            out.append(start)
        if t > start:
            n = max(1, int(np.ceil(np.log(t / start) / np.log(ratio) - 1e-9)))
            out.extend(np.geomspace(start, t, n + 1)[1:-1].tolist())
            out.append(float(t))
        now = t
    return np.array(out)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moving:
    """Spokes with only those bedding modes that still move; the rest of the bedding is a fixed strain."""

    spokes: Spokes
    state: ChainState
    modes: NDArray[np.bool_]  # (J,) which of all modes move
    packed: Floats  # (..., J) all modes, as they stood when they were parted
    fixed_strain: Floats  # (...) of the modes that do not move
    up_to_N: Floats  # (...) tension at which one of them would move again

    @classmethod
    def part(cls, spokes: Spokes, state: ChainState, tension_N: Floats, *, all_modes: bool = False) -> _Moving:
        """Leave out what the braid has already packed beyond what ``tension_N`` asks."""
        chain = spokes.chain
        whole = chain.bedding_compliance_per_N * BEDDING_UNIT_N
        reached = state.bedding / np.where(whole > 0, whole, 1.0)
        up_to = np.where(whole > 0, BEDDING_UNIT_N * reached ** (1.0 / chain.bedding_exponent[..., None]), np.inf)
        up_to = up_to * (1.0 + 1e-9)
        moves = tension_N[..., None] > up_to
        modes = np.asarray(moves.any(axis=tuple(range(moves.ndim - 1))) | all_modes)
        some = replace(
            chain,
            bedding_tau_s=chain.bedding_tau_s[modes],
            bedding_compliance_per_N=chain.bedding_compliance_per_N[..., modes],
        )
        return cls(
            spokes=replace(spokes, chain=some),
            state=replace(state, bedding=state.bedding[..., modes]),
            modes=modes,
            packed=state.bedding,
            fixed_strain=state.bedding[..., ~modes].sum(-1),
            up_to_N=up_to[..., ~modes].min(-1, initial=np.inf),
        )

    def joined(self) -> ChainState:
        """The state with all modes."""
        bedding = self.packed.copy()
        bedding[..., self.modes] = self.state.bedding
        return replace(self.state, bedding=bedding)


def let_stand(
    spokes: Spokes,
    standing: Standing,
    times_s: Sequence[float],
    ratio: float = STEP_RATIO,
    tolerance_N: float = TOLERANCE_N,
) -> tuple[list[Floats], Standing]:
    """Nipples are left alone until the last of ``times_s``.

    Parameters
    ----------
    times_s : rising times, s from the start of the set session, none before ``standing.time_s``
    ratio : growth of the steps in log time, above 1
    tolerance_N : last change of the tensions in each step's iteration

    Returns
    -------
    tensions : (..., n) N at each of ``times_s``
    standing : at the last of them

    Raises
    ------
    ArithmeticError
        If no tensions are found that balance a step.
    """
    wanted = {round(t - standing.time_s, 6) for t in times_s}
    ends = step_ends_s([t - standing.time_s for t in times_s], ratio)
    out: dict[float, Floats] = {0.0: standing.tension_N}
    coupling, tension = spokes.coupling, standing.tension_N
    settled = spokes.seating_mm(standing.time_s)
    start = spokes.excess_strain(standing.state, tension)
    constant = tension + coupling.answer(coupling.fibre_mm * start + settled)
    moving = _Moving.part(spokes, standing.state, tension)
    now, before, step = 0.0, tension, 0.0
    for i, end in enumerate(ends):
        dt = float(end - now)
        target = constant - coupling.answer(spokes.seating_mm(standing.time_s + end))
        # first guess: the same change again, in proportion to the steps in log time
        log_step = float(np.log(end / now)) if now > 0 else 0.0
        guess = tension + (tension - before) * (log_step / step if step > 0 else 0.0)
        state, after = _balanced(moving, dt, tension, guess, target, tolerance_N)
        if (after > moving.up_to_N).any():
            # tension has risen past what the braid has borne: it packs again from here on
            moving = _Moving.part(spokes, moving.joined(), tension, all_modes=True)
            state, after = _balanced(moving, dt, tension, guess, target, tolerance_N)
        moving, before, tension = replace(moving, state=state), tension, after
        if i % PART_EVERY == PART_EVERY - 1 and moving.modes.any():
            moving = _Moving.part(spokes, moving.joined(), tension)
        now, step = float(end), log_step
        if round(now, 6) in wanted:
            out[round(now, 6)] = tension
    tensions = [out[round(t - standing.time_s, 6)] for t in times_s]
    return tensions, Standing(state=moving.joined(), tension_N=tension, time_s=standing.time_s + now)


def _balanced(
    moving: _Moving, dt_s: float, tension_N: Floats, guess_N: Floats, target_N: Floats, tolerance_N: float
) -> tuple[ChainState, Floats]:
    """One step: the state and the tensions at its end."""
    spokes, coupling, chain = moving.spokes, moving.spokes.coupling, moving.spokes.chain
    tension1 = guess_N
    # a draw whose spokes grow by metres has no digits left for its tensions
    enough = np.maximum(tolerance_N, LAST_DIGITS * np.abs(target_N).max(axis=-1))
    for k in range(MOST_ITERATIONS):
        after, slopes = advance_with_slopes(chain, moving.state, dt_s, tension_N, tension1, spokes.temperature_C)
        excess = spokes.excess_strain(after, tension1) + moving.fixed_strain
        miss = target_N - tension1 - coupling.answer(coupling.fibre_mm * excess)
        softer = elastic_slope_per_N(chain, tension1) - 1.0 / coupling.EA_N + spokes.give_per_N + slopes.strain
        change = coupling.solve(miss, coupling.fibre_mm * softer)
        if (np.abs(change).max(axis=-1) <= enough).all():
            return _moved(after, slopes, change), tension1 + change
        tension1 = tension1 + (change if k < HALVED_FROM else 0.5 * change)
    raise ArithmeticError(f"the wheel's tensions did not settle in a step of {dt_s:g} s")


def _moved(state: ChainState, slopes: ChainState, change_N: Floats) -> ChainState:
    """The state at a tension a little away from the one it was worked out for."""
    d = change_N[..., None]
    return ChainState(
        recoverable=state.recoverable + slopes.recoverable * d,
        bedding=state.bedding + slopes.bedding * d,
        flow=state.flow + slopes.flow * d,
    )
