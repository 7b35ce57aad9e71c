"""One spoke standing for all: tension in a wheel whose rim gives way a little, between sessions at the nipples.

Mean field: all spokes alike, so that the wheel answers each of them through one number, the follow-up phi (the rim's
compliance over the spoke's own). Between sessions

    elastic(T) + phi T/EA0 + recoverable + bedding + flow + seating/L = const.

The rehearsal of a stretch on the bench, the criterion by which a spoke is done, and the search's first look at a
schedule all run on this; the wheel with its own spokes is the planner's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.chain import Chain, ChainState, advance, total_strain
from models.follow import advance_to_strain

Floats = NDArray[np.float64]
SEATING_TAU_S = 1200.0  # nipple, seat and hub hole settle within about 20 min [estimate]
FIRST_STEP_S = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """Nipples are turned until every spoke stands at a tension, and it is kept there for a while."""

    at_s: float  # start, s, counted from the start of the first session
    tension_N: Floats | float  # (...) N
    hold_s: float  # s at that tension until the nipples are left alone


def step_times(duration_s: float, steps_per_decade: int = 20, first_step_s: float = FIRST_STEP_S) -> Floats:
    """(n,) ends of the steps over a duration, s: even at first, then growing as the logarithm of time.

    t_k = c (exp(k h) - 1) with c the first step over h, so the steps' ends lie even in ln(1 + t/c).
    """
    if duration_s <= 0.0:
        return np.empty(0)
    h = np.log(10.0) / steps_per_decade
    c = first_step_s / h
    n = max(1, int(np.ceil(np.log1p(duration_s / c) / h)))
    ends: Floats = c * np.expm1(np.log1p(duration_s / c) * np.arange(1, n + 1) / n)
    ends[-1] = duration_s
    return ends


def relax(
    chain: Chain,
    state: ChainState,
    times_s: Sequence[float] | Floats,
    load0_N: object,
    phi: object,
    temperature_C: float,
    *,
    seating_strain: object = 0.0,
    steps_per_decade: int = 20,
    first_step_s: float = FIRST_STEP_S,
) -> tuple[Floats, ChainState]:
    """Tension while the nipples are left alone.

    Parameters
    ----------
    chain, state : of leading shape (...)
        The spoke and where it stands when it is let alone.
    times_s : (n,) s
        Asked times counted from that moment, rising, the first at least 0.
    load0_N : array_like (...)
        Tension in N at that moment.
    phi : array_like (...)
        Follow-up: compliance of the rim over that of the unloaded spoke, 0 for a rigid rim.
    temperature_C : float
    seating_strain : array_like (...)
        Seating of nipple, rim and hub hole still to come, over the spoke's length; it comes as
        1 - exp(-t/`SEATING_TAU_S`).
    steps_per_decade : int
        Steps to a decade of time; the error falls with the square (20: about 0.02 N in 1000 N over a night).
    first_step_s : float
        About the length of the first steps: short against the time that the spoke stood at its load before.

    Returns
    -------
    tension_N : array (n, ...)
    state : ChainState at the last time.

    Notes
    -----
    Exact exponential steps with the tension linear over each, hence second order in the step.
    """
    times = np.asarray(times_s, dtype=np.float64)
    if times.ndim != 1 or times.size == 0 or times[0] < 0.0 or (np.diff(times) < 0.0).any():
        raise ValueError("times_s must be one-dimensional, rising and not negative")
    load: Floats = np.asarray(load0_N, dtype=np.float64)
    follow = np.asarray(phi, dtype=np.float64) / chain.EA0_N
    seating = np.asarray(seating_strain, dtype=np.float64)
    held = total_strain(chain, state, load, temperature_C) + follow * load
    lead = np.broadcast_shapes(held.shape, seating.shape)
    load = np.broadcast_to(load, lead)
    out = np.empty((times.size, *lead))
    ends = np.union1d(step_times(float(times[-1]), steps_per_decade, first_step_s), times)
    before, filled = 0.0, 0
    for end in ends:
        if end > before:
            want = held + seating * np.expm1(-end / SEATING_TAU_S)
            state, load = advance_to_strain(
                chain, state, float(end - before), load, want, temperature_C, follow, tolerance_N=1e-6
            )
            before = float(end)
        while filled < times.size and times[filled] == end:
            out[filled] = load
            filled += 1
    return out, state


def rest(chain: Chain, state: ChainState, duration_s: float, load_N: object, temperature_C: float) -> ChainState:
    """The spoke at a constant load for a while (0: slack): what it gives back between bench and wheel."""
    return advance(chain, state, duration_s, load_N, load_N, temperature_C)[0]


def in_wheel(
    chain: Chain,
    state: ChainState,
    sessions: Sequence[Session],
    times_s: Sequence[float] | Floats,
    phi: object,
    temperature_C: float,
    *,
    load0_N: object = 0.0,
    seating_strain: object = 0.0,
    steps_per_decade: int = 20,
    first_step_s: float = FIRST_STEP_S,
) -> tuple[Floats, ChainState]:
    """Tension through all sessions to the horizon.

    Parameters
    ----------
    sessions : sequence of Session
        In rising order, not overlapping; the first starts at 0.
    times_s : (n,) s
        Asked times from the start of the first session, rising. A time at the very end of a session gives the
        tension there, a time within it the tension of the session.
    load0_N : array_like (...)
        Load just before the first session (0: slack).
    seating_strain : array_like (...)
        Seating still to come when the nipples are first left alone; it goes on through the later sessions.

    Returns
    -------
    tension_N : array (n, ...), state : ChainState at the last time.
    """
    times = np.asarray(times_s, dtype=np.float64)
    if not sessions or sessions[0].at_s != 0.0:
        raise ValueError("the first session starts at 0")
    if times.ndim != 1 or times.size == 0 or times[0] < 0.0 or (np.diff(times) < 0.0).any():
        raise ValueError("times_s must be one-dimensional, rising and not negative")
    last = float(times[-1])
    load: Floats = np.asarray(load0_N, dtype=np.float64)
    remaining = np.asarray(seating_strain, dtype=np.float64)
    lead = np.broadcast_shapes(
        chain.shape,
        np.shape(np.asarray(phi)),
        remaining.shape,
        load.shape,
        state.recoverable.shape[:-1],
        *(np.shape(s.tension_N) for s in sessions),
    )
    out = np.full((times.size, *lead), np.nan)
    for i, session in enumerate(sessions):
        end = session.at_s + session.hold_s
        until = sessions[i + 1].at_s if i + 1 < len(sessions) else max(last, end)
        if until < end:
            raise ValueError("sessions must not overlap")
        tension: Floats = np.asarray(session.tension_N, dtype=np.float64)
        state, _ = advance(chain, state, 0.0, load, tension, temperature_C)
        state = rest(chain, state, session.hold_s, tension, temperature_C)
        out[(times >= session.at_s) & (times <= end)] = tension
        free = (times > end) & (times < until if i + 1 < len(sessions) else times <= until)
        asked = np.append(times[free] - end, until - end)
        curve, state = relax(
            chain,
            state,
            asked,
            tension,
            phi,
            temperature_C,
            seating_strain=remaining,
            steps_per_decade=steps_per_decade,
            first_step_s=first_step_s,
        )
        out[free] = curve[:-1]
        load = curve[-1]
        remaining = remaining * np.exp(-(until - end) / SEATING_TAU_S)
        if until >= last:
            break
    return out, state
