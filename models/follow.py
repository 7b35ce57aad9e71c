"""A step of given length instead of given load: the load at its end, for many draws at once."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.chain import Chain, ChainState, advance, elastic_slope_per_N, total_strain

Floats = NDArray[np.float64]
FEW = 0.25  # of the draws: once fewer than these are left, only they are stepped again


def advance_to_strain(
    chain: Chain,
    state: ChainState,
    dt_s: float,
    load0_N: object,
    strain1: object,
    temperature_C: float,
    follow_per_N: object = 0.0,
    tolerance_N: float = 1e-9,
) -> tuple[ChainState, Floats]:
    """One step that ends where strain + follow x load equals ``strain1``; finds the end load.

    ``follow_per_N`` is the compliance in series, as strain of the spoke per N (0: a rigid chord). A spoke cannot push:
    where even an unloaded one is longer than asked it hangs slack, the load is 0 and the state is that of a spoke
    unloaded over the step. Newton's method in a bracket: the length rises with the load, so the bracket is sure.

    Raises
    ------
    ArithmeticError
        If no load is found within 200 iterations.
    """
    follow, target, load0 = (np.asarray(x, dtype=np.float64) for x in (follow_per_N, strain1, load0_N))
    lead = np.broadcast_shapes(
        load0.shape, target.shape, follow.shape, chain.shape, state.recoverable.shape[:-1], state.bedding.shape[:-1]
    )
    asked = _Asked(dt_s=dt_s, temperature_C=temperature_C, load0_N=load0, strain=target, follow_per_N=follow)
    begin = np.maximum(np.broadcast_to(load0, lead), 0.0)
    # below 0: not known yet whether it hangs slack
    bracket = _Bracket(
        load_N=begin, low_N=np.full(lead, -1.0), high_N=np.full(lead, np.inf), step_N=np.full(lead, np.inf)
    )
    return _end_load(chain, state, asked, bracket, tolerance_N)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """One step that is to end at a length."""

    dt_s: float
    temperature_C: float
    load0_N: Floats
    strain: Floats
    follow_per_N: Floats

    def take(self, index: Any, lead: tuple[int, ...]) -> _Asked:
        """For some of the draws, each with its own."""
        own = {k: np.broadcast_to(getattr(self, k), lead)[index] for k in ("load0_N", "strain", "follow_per_N")}
        return replace(self, **own)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bracket:
    """Where the search for each draw's end load stands, N; all (...)."""

    load_N: Floats
    low_N: Floats
    high_N: Floats
    step_N: Floats

    def take(self, index: Any) -> _Bracket:
        """Of some of the draws."""
        return _Bracket(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


def _end_load(
    chain: Chain, state: ChainState, asked: _Asked, found: _Bracket, tolerance_N: float, left: int = 200
) -> tuple[ChainState, Floats]:
    """Newton's method in a bracket; once most draws have ended, for the others alone."""
    load1, low, high, step = found.load_N, found.low_N, found.high_N, found.step_N
    lead, follow = load1.shape, asked.follow_per_N
    for k in range(left):
        state1, slope = advance(chain, state, asked.dt_s, asked.load0_N, load1, asked.temperature_C)
        miss = total_strain(chain, state1, load1, asked.temperature_C) + follow * load1 - asked.strain
        low = np.where(miss < 0.0, np.maximum(low, load1), low)
        high = np.where(miss > 0.0, np.minimum(high, load1), high)
        newton = load1 - miss / (elastic_slope_per_N(chain, load1) + slope + follow)
        # halve the bracket where Newton leaves it, or where it creeps along an exponential
        bounded = np.isfinite(high)
        slow = bounded & (np.abs(newton - load1) > 0.5 * np.abs(step))
        outside = ~((newton >= low) & (newton <= high))  # also where an overflow made it not a number
        half = 0.5 * (low + np.where(bounded, high, low))
        after = np.where(bounded & (slow | outside), np.maximum(half, 0.0), np.maximum(newton, 0.0))
        after = np.where((low < 0.0) & (newton <= 0.0), 0.0, after)
        step = np.where(miss == 0.0, 0.0, after - load1)
        more = ~(np.abs(step) <= tolerance_N + 1e-13 * load1)  # also where it is not a number
        open_draws = int(np.count_nonzero(more))
        if not open_draws:
            return state1, load1
        if open_draws < FEW * load1.size:
            some = np.nonzero(more)
            rest = _Bracket(load_N=load1 + step, low_N=low, high_N=high, step_N=step).take(some)
            own = state.on(lead).take(some)
            last, load = _end_load(chain.take(some, lead), own, asked.take(some, lead), rest, tolerance_N, left - k - 1)
            out, loads = state1.on(lead), load1.copy()
            for part in fields(out):
                getattr(out, part.name)[some] = getattr(last, part.name)
            loads[some] = load
            return out, loads
        load1 = load1 + step
    raise ArithmeticError(f"no load found that gives the asked length (last change {np.abs(step).max():.3g} N)")
