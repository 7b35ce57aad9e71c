"""A quick look at many candidates at once: one mean spoke a side, all candidates of one timing stepped together.

The mean tension of each side needs no single spokes: with the sides in sideways balance it is one unknown a wheel.
Spokes of different rests enter by the mean of their states. The answer is affine in the last session's tension (but for
the little that flow and bedding bend it), so two levels give all of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from models.chain import ChainState, virgin
from planner.candidates import Bench, Candidate, Timing
from planner.coupling import mean_coupling
from planner.outlook import Draws, H, Setting, output_times_h, standing_until
from planner.relaxation import (
    Spokes,
    Standing,
    first_set,
    laced,
    let_stand,
    rested,
    retensioned,
    stretched,
    through,
)
from planner.schedule import Laced, Schedule, Session

if TYPE_CHECKING:
    from planner.build import Build

Floats = NDArray[np.float64]
TIMES = 7  # output times of a screening
RATIO = 2.5  # of its steps
COARSE_STEP = 0.015  # of the last session's level, at most
FINE_LEVELS = 13  # compared about the best coarse one
SMOOTH_PERCENT = ((0.3, 0.9), (3.0, 0.1))  # width and share: a draw within tolerance by so much counts nearly whole


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeanDraws(Draws):
    """The draws as one mean spoke a side: ``chain`` and ``seat_mm`` of (D, 2), ``reading`` of (S, D, 1), the error of
    the whole wheel's mean (standard normal / sqrt(spokes)).
    """

    @classmethod
    def of(cls, setting: Setting, draws: Draws) -> MeanDraws:
        """Mean compliance of each side's spokes in each draw."""
        side, n, c = setting.wheel.side, setting.wheel.n, draws.chain

        def mean(values: Floats) -> Floats:
            return np.stack([values[:, side == s].mean(axis=1) for s in (0, 1)], axis=1)

        own: dict[str, Any] = {f.name: getattr(c, f.name) for f in fields(c) if f.name != "reference_C"}
        own = {name: a for name, a in own.items() if a.ndim > 1 and a.shape[1] == n}
        averaged: dict[str, Any] = {k: 1.0 / mean(1.0 / a) if k == "EA0_N" else mean(a) for k, a in own.items()}
        chain = replace(c, **averaged)
        weight = setting.wheel.tensions_N() ** 2
        reading = (draws.reading * (weight / weight.sum())).sum(axis=-1, keepdims=True)
        return cls(
            chain=chain,
            reading=reading,
            bias=draws.bias,
            seat_mm=mean(draws.seat_mm),
            seat_at_once=draws.seat_at_once,
            softer=draws.softer,
        )

    def spokes(self, setting: Setting) -> Spokes:
        """The draws as the relaxation takes them."""
        return setting.spokes(self, mean_coupling(setting.wheel, setting.EA_N))

    def stands_N(self, setting: Setting, wanted_N: Floats, row: int) -> Floats:
        """(..., D, 2) true mean tensions of the sides that a session leaves; ``wanted_N`` broadcasts to it."""
        repeat = setting.build.tension.reading_repeat_percent / 100.0
        out: Floats = wanted_N * (1.0 + repeat * self.reading[row % self.reading.shape[0]] + self.bias)
        return out


def bench_state(setting: Setting, draws: MeanDraws, bench: Bench | None) -> ChainState:
    """(D, 2) mean state of each side when the first set begins."""
    shop, chain = setting.build.shop, draws.chain
    lacing = Laced(hours=shop.laced_h, tension_N=shop.lacing_tension_N, temperature_C=shop.standing_C)
    if bench is None:
        return laced(chain, virgin(chain), lacing, 0.0)
    unloaded = stretched(chain, bench.steps(shop)[0], shop.temperature_C)
    parts, weights = [], []
    for group in bench.groups:
        own = setting.wheel.side[np.array(group.positions) - 1]
        weights.append([np.count_nonzero(own == s) for s in (0, 1)])
        parts.append(rested(chain, unloaded, group.rest_h, bench.rest_load_N, shop.standing_C))
    share = np.array(weights, dtype=np.float64)
    share /= share.sum(axis=0)

    def mean(name: str) -> Floats:
        return sum((share[i][:, None] * getattr(p, name) for i, p in enumerate(parts)), np.zeros(1))

    state = ChainState(recoverable=mean("recoverable"), bedding=mean("bedding"), flow=mean("flow"))
    return laced(chain, state, lacing, bench.rest_load_N)


def through_sessions(
    setting: Setting, draws: MeanDraws, schedule: Schedule, state: ChainState, ratio: float = RATIO
) -> tuple[Spokes, Standing]:
    """Mean spokes up to the end of a schedule's last session, from their ``state`` when the first set begins."""
    shop, spokes = setting.build.shop, draws.spokes(setting)

    def stands(session: Session, to_come: int) -> Floats:
        return draws.stands_N(setting, np.array(session.tension_N), to_come)

    return spokes, through(spokes, state, schedule.sessions, stands, shop, ratio)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Screened:
    """A candidate with the best level of its last session, as far as the means can tell."""

    candidate: Candidate
    within: NDArray[np.bool_]  # (D,) draws whose side means stay within tolerance
    score: float  # their share, smoothed: ranks candidates

    @property
    def probability(self) -> float:
        """Share of the draws whose side means stay within tolerance."""
        return float(self.within.mean())


def surest(found: Sequence[Screened]) -> Screened:
    """The one that holds best."""
    return max(found, key=lambda s: s.score)


def screen(
    setting: Setting,
    draws: MeanDraws,
    timing: Timing,
    stretches: Sequence[tuple[Bench | None, ChainState]],
    early_levels: Sequence[float],
    most: float,
) -> list[Screened]:
    """Compare stretches and early levels for one timing; one `Screened` for each pair.

    Parameters
    ----------
    stretches : each with its mean state when the set begins (`bench_state`)
    early_levels : of the sessions before the last, over target
    most : highest level of a session over target
    """
    build, shop = setting.build, setting.build.shop
    kinds = [("set", 0.0), *timing.at_h]
    last = len(kinds) - 1
    if last == 0:
        early_levels = early_levels[:1]
    ends = (min(0.97, 0.9 * most), most)
    pairs = [(b, e) for b in range(len(stretches)) for e in early_levels]
    # axes: stretch and early level, level of the last session (one until then), draw, side
    state = ChainState(
        **{
            name: np.stack([getattr(stretches[b][1], name) for b, _ in pairs])[:, None]
            for name in ("recoverable", "bedding", "flow")
        }
    )
    early = np.array([e for _, e in pairs])[:, None, None, None]
    final = np.array(ends)[None, :, None, None]
    spokes, targets = draws.spokes(setting), np.array(setting.targets_N)
    standing = None
    for i, (kind, at) in enumerate(kinds):
        level = final if i == last else early
        full = draws.stands_N(setting, level * targets, last - i)
        if standing is None:
            standing = first_set(spokes, state, full, shop)
        else:
            _, standing = let_stand(spokes, standing, [at * H], RATIO)
            length = Session(kind=kind, at_h=at, left_N=0.0, right_N=0.0).length_h(shop)
            standing = retensioned(spokes, standing, full, length)
    assert standing is not None
    standing = replace(
        standing, tension_N=np.broadcast_to(standing.tension_N, standing.state.flow.shape[:-1]).astype(np.float64)
    )
    times = output_times_h(build, timing.deliver_h, TIMES)
    tensions, _ = standing_until(spokes, standing, times, RATIO)
    relative = np.stack(tensions) / targets  # (T, pairs, 2, D, sides)
    return [_best_level(build, timing, stretches[b][0], e, relative[:, k], ends) for k, (b, e) in enumerate(pairs)]


def _best_level(
    build: Build, timing: Timing, stretch: Bench | None, early: float, relative: Floats, ends: tuple[float, float]
) -> Screened:
    """The level of the last session at which most draws stay within tolerance, with room where there is room.

    Tension is taken as straight in the level between the two computed ones, ``ends``. The share of draws is smoothed,
    so that few draws still rank levels, a little of it widely, so that where none holds the nearest counts. A coarse
    grid finds the neighbourhood of the best, a fine one the best.
    """
    tolerance = build.tension.tolerance_percent
    span = ends[1] - ends[0]
    low, rise = relative[:, 0], (relative[:, 1] - relative[:, 0]) / span  # (T, D, sides)

    def at(levels: Floats) -> Screened:
        lines = low + (levels - ends[0])[:, None, None, None] * rise
        off = 100.0 * np.maximum(lines.max(axis=(1, 3)) - 1.0, 1.0 - lines.min(axis=(1, 3)))  # (levels, D)
        over = np.clip(off - tolerance, -15.0, 15.0)
        smooth = sum(share * (1.0 / (1.0 + np.exp(over / width))).mean(axis=1) for width, share in SMOOTH_PERCENT)
        best = int(np.argmax(smooth))
        return Screened(
            candidate=Candidate(bench=stretch, timing=timing, early_level=early, last_level=float(levels[best])),
            within=off[best] <= tolerance,
            score=float(smooth[best]),
        )

    step = min(COARSE_STEP, tolerance / 300.0)
    middle = at(np.linspace(ends[0], ends[1], int(np.ceil(span / step)) + 1)).candidate.last_level
    return at(np.linspace(max(middle - step, ends[0]), min(middle + step, ends[1]), FINE_LEVELS))
