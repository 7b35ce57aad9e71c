"""Nipple turns: constrained least squares over eighths of a turn for tension, balance and run-out, in a safe order.

With A the wheel's influence at its present tensions, p the thread's pitch and u the turns, T' = T + A p u, and the rim
moves by the run-out influences times p u. Six patterns of turns change no tension (they move the rim as a whole), the
rest trade tension against trueness, so all is weighed in one sum of squares

    |uneven / (balance/2)|^2/n + |side means off / (tolerance/10)|^2 + (|lateral|^2 + |radial|^2)/(RUNOUT_MM^2 n)
    + |u / TURN|^2/n

which is brought down first over all real u, then, rounded, by steps of an eighth (single nipples and pairs) until no
step lowers it. No spoke may end above a limit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from models.errors import CannotAnswer
from planner.geometry import LEFT, RIGHT

if TYPE_CHECKING:
    from planner.present import Measured
    from planner.wheel import Wheel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
EIGHTH = 0.125  # turns are whole multiples of it
RUNOUT_MM = 0.05  # rms run-out that weighs as much as half the balance asked for
TURN = 4.0  # turns that weigh as much: nipples are not turned for nothing
TOUCH = 0.1  # weight of touching a nipple at all, over n
MEAN_SHARE = 0.1  # of the tolerance: a side's mean so far off weighs as much as half the balance
MOST_IN_A_ROUND = 4  # eighths that one nipple is turned before its neighbours have had their share
MOST_TURNS = 10.0  # of one nipple in one pass
OVER = 2000.0  # weight of a spoke that is over its limit by 1 % of it: all but forbidden
NEARER = 3  # times that influences are worked out again between where the wheel is and where it goes


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One nipple turned once."""

    position: int
    turns: float

    def as_dict(self) -> dict[str, Any]:
        """For the JSON answer."""
        return {"position": self.position, "turns": self.turns}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Turning:
    """What to turn, in which order, and what it leaves."""

    turns: Floats  # (n,) multiples of an eighth, + tightens
    rounds: tuple[tuple[Move, ...], ...]  # each once round the wheel
    tension_N: Floats  # (n,) after it, at the shop's temperature
    lateral_mm: Floats | None  # (n,) after it, mean removed unless dish was measured; None: not measured
    radial_mm: Floats | None
    peak_N: float  # the highest tension of any spoke on the way
    peak_position: int

    @property
    def order(self) -> list[int]:
        """Positions in the order in which they are first turned."""
        seen: dict[int, None] = {}
        for moves in self.rounds:
            for move in moves:
                seen.setdefault(move.position)
        return list(seen)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sum:
    """J(u) = u.H u + 2 g.u + c in turns, and the tensions' answer to a turn."""

    H: Floats  # (n, n)
    g: Floats  # (n,)
    answer: Floats  # (n, n) N for a turn


def turning(
    wheel: Wheel,
    tension_N: Floats,
    wanted_N: Floats,
    limit_N: float,
    measured: Measured,
    EA_N: object = None,
    hold: Sequence[int] = (),
) -> Turning:
    """The turns that bring a wheel from ``tension_N`` to ``wanted_N`` as nearly as eighths and limits allow.

    Parameters
    ----------
    tension_N, wanted_N : (n,) at the shop's temperature
    limit_N : no spoke ends above it, or passes it on the way, unless it stands above it already
    measured : for its run-outs
    EA_N : stiffness of the spokes over the time of the session, one number or (n,)
    hold : positions whose nipples are not to be turned

    Raises
    ------
    CannotAnswer
        The rim does not stand at these tensions, or a nipple would need more than `MOST_TURNS`.
    """
    n, pitch = wheel.n, wheel.build.spoke.thread_pitch_mm
    free = np.ones(n, dtype=bool)
    free[[p - 1 for p in hold]] = False
    lateral0, radial0 = deviations(measured)
    turns: Floats = np.zeros(n)
    middle: Floats = np.maximum(tension_N, 1.0)
    for attempt in range(NEARER):
        # a large move changes the influences on its way: take those half way
        A = wheel.influence(middle, EA_N) * pitch
        lateral, radial = (pitch * r for r in wheel.runout(middle, EA_N))
        terms = _terms(wheel, tension_N, wanted_N, A, (lateral0, lateral), (radial0, radial))
        if attempt == 0 or np.abs(turns).max() > 2 * EIGHTH:
            turns = _continuous(terms, free)
        whole = _descend(terms, np.round(turns / EIGHTH).astype(np.int64), tension_N, limit_N, free)
        turns = EIGHTH * whole.astype(np.float64)
        if np.abs(turns).max() > MOST_TURNS:
            i = int(np.abs(turns).argmax())
            raise CannotAnswer(
                f"position {i + 1} would need {turns[i]:+.2f} turns in one pass: check the readings, or "
                "bring the wheel nearer by hand first"
            )
        went = tension_N + A @ turns
        before, middle = middle, np.maximum(0.5 * (tension_N + went), 1.0)
        if np.abs(middle - before).max() < 0.02 * middle.max():
            break
    after = tension_N + A @ turns
    rounds, peak, where = safe_order(turns, tension_N, A, limit_N)
    return Turning(
        turns=turns,
        rounds=rounds,
        tension_N=np.maximum(after, 0.0),
        lateral_mm=None if lateral0 is None else _levelled(lateral0 + lateral @ turns, measured.dish_mm is None),
        radial_mm=None if radial0 is None else _levelled(radial0 + radial @ turns, True),
        peak_N=peak,
        peak_position=where,
    )


def deviations(measured: Measured) -> tuple[Floats | None, Floats | None]:
    """Run-outs as they are judged: lateral about its mean, or about the centre where dish was measured; radial mean."""
    lateral, radial = measured.lateral_mm, measured.radial_mm
    if lateral is not None:
        lateral = lateral - lateral.mean() + (measured.dish_mm or 0.0)
    if radial is not None:
        radial = radial - radial.mean()
    return lateral, radial


def _levelled(runout: Floats, level: bool) -> Floats:
    return runout - runout.mean() if level else runout


def _terms(
    wheel: Wheel,
    tension_N: Floats,
    wanted_N: Floats,
    answer: Floats,
    lateral: tuple[Floats | None, Floats],
    radial: tuple[Floats | None, Floats],
) -> _Sum:
    n, side, asked = wheel.n, wheel.side, wheel.build.tension
    means = np.array([(side == s) / (side == s).sum() for s in (LEFT, RIGHT)])
    relative, off = answer / wanted_N[:, None], (tension_N - wanted_N) / wanted_N
    off_means, relative_means = means @ off, means @ relative
    even = 0.5 * asked.balance_percent / 100.0 * math.sqrt(n)
    level = MEAN_SHARE * asked.tolerance_percent / 100.0
    blocks = [
        ((relative - relative_means[side]) / even, (off - off_means[side]) / even),
        (relative_means / level, off_means / level),
        (np.eye(n) / (TURN * math.sqrt(n)), np.zeros(n)),
    ]
    for about_mean, (start, moves) in ((True, radial), (False, lateral)):
        if start is None:
            continue
        scale = RUNOUT_MM * math.sqrt(n)
        # without a dish reading nothing is known of the middle; where it was read the whole counts
        if about_mean or abs(start.mean()) < 1e-12:
            moves = moves - moves.mean(axis=0)
        blocks.append((moves / scale, start / scale))
    J = np.vstack([b[0] for b in blocks])
    r = np.concatenate([b[1] for b in blocks])
    return _Sum(H=J.T @ J, g=J.T @ r, answer=answer)


def _continuous(terms: _Sum, free: NDArray[np.bool_]) -> Floats:
    out = np.zeros(free.size)
    out[free] = np.linalg.solve(terms.H[np.ix_(free, free)], -terms.g[free])
    return out


def _descend(terms: _Sum, start: Ints, tension_N: Floats, limit_N: float, free: NDArray[np.bool_]) -> Ints:
    """Steps of an eighth, of one nipple or of two at once, as long as one lowers the sum."""
    h, n = EIGHTH, start.size
    whole = np.where(free, start, 0)
    H, diagonal = terms.H, np.diag(terms.H)
    step = terms.answer * h  # (n, n) N
    # moves: one nipple up or down, then pairs in all four directions
    first, second = np.triu_indices(n, k=1)
    usable = free[first] & free[second]
    first, second = first[usable], second[usable]
    one = np.flatnonzero(free)
    i = np.concatenate([one, one, *[first] * 4])
    j = np.concatenate([np.full(2 * one.size, -1), *[second] * 4])
    di = np.repeat([1.0, -1.0, 1.0, 1.0, -1.0, -1.0], [one.size, one.size, *[first.size] * 4])
    dj = np.repeat([0.0, 0.0, 1.0, -1.0, 1.0, -1.0], [one.size, one.size, *[first.size] * 4])
    quadratic = h * h * (diagonal[i] + np.where(j < 0, 0.0, diagonal[j] + 2.0 * di * dj * H[i, j]))
    for _ in range(100 * n):
        u = whole * h
        slope = H @ u + terms.g
        gain = 2.0 * h * (di * slope[i] + dj * slope[j]) + quadratic
        gain += TOUCH / n * (_touched(whole[i], di) + np.where(j < 0, 0.0, _touched(whole[j], dj)))
        now = tension_N + terms.answer @ u
        penalty = _over(now, limit_N)
        # the limit is looked at for the best moves only, best first
        found = False
        if penalty > 0:
            after = now[:, None] + step[:, i] * di + np.where(j < 0, 0.0, step[:, j] * dj)
            gain = gain + _over_each(after, limit_N) - penalty
            k = int(gain.argmin())
            found = bool(gain[k] < -1e-12)
        else:
            for k in np.argsort(gain)[:200]:
                if gain[k] >= -1e-12:
                    break
                after_one = now + step[:, i[k]] * di[k] + (step[:, j[k]] * dj[k] if j[k] >= 0 else 0.0)
                if gain[k] + _over(after_one, limit_N) < -1e-12:
                    found = True
                    break
        if not found:
            return whole
        whole[i[k]] += int(di[k])
        if j[k] >= 0:
            whole[j[k]] += int(dj[k])
    return whole


def _touched(at: Ints, by: Floats) -> Floats:
    """Change of the number of nipples touched."""
    out: Floats = (at + by != 0).astype(np.float64) - (at != 0)
    return out


def _over(tension_N: Floats, limit_N: float) -> float:
    return float(OVER * (np.maximum(100.0 * (tension_N / limit_N - 1.0), 0.0) ** 2).sum())


def _over_each(tension_N: Floats, limit_N: float) -> Floats:
    out: Floats = OVER * (np.maximum(100.0 * (tension_N / limit_N - 1.0), 0.0) ** 2).sum(axis=0)
    return out


# -- the order --------------------------------------------------------------------------------------------------------


def safe_order(
    turns: Floats, tension_N: Floats, answer: Floats, limit_N: float
) -> tuple[tuple[tuple[Move, ...], ...], float, int]:
    """Rounds of moves, the highest tension on the way, and its position.

    First what loosens, then what tightens, once round the wheel, no nipple more than half a turn before the others
    have had their share. Where that would take a spoke over the limit, the next move is instead the one that keeps the
    highest tension lowest, an eighth at a time if need be.
    """
    plain = _once_round(turns)
    peak, where = _peak(plain, tension_N, answer)
    allowed = max(limit_N, float(tension_N.max()), float((tension_N + answer @ turns).max()))
    if peak <= allowed:
        return plain, peak, where
    careful = _greedy(turns, tension_N, answer)
    lower = _peak(careful, tension_N, answer)
    if lower[0] < peak:
        return careful, *lower
    return plain, peak, where


def _once_round(turns: Floats) -> tuple[tuple[Move, ...], ...]:
    left = np.round(turns / EIGHTH).astype(np.int64)
    rounds = []
    while left.any():
        count = int(np.ceil(np.abs(left).max() / MOST_IN_A_ROUND))
        share = np.sign(left) * np.ceil(np.abs(left) / count).astype(np.int64)
        moves = [*np.flatnonzero(share < 0), *np.flatnonzero(share > 0)]
        rounds.append(tuple(Move(position=int(i) + 1, turns=float(share[i] * EIGHTH)) for i in moves))
        left = left - share
    return tuple(rounds)


def _greedy(turns: Floats, tension_N: Floats, answer: Floats) -> tuple[tuple[Move, ...], ...]:
    """An eighth at a time, always the one that keeps the highest tension lowest; a new round when one comes again."""
    left = np.round(turns / EIGHTH).astype(np.int64)
    now = tension_N.copy()
    rounds: list[list[Move]] = [[]]
    while left.any():
        open_ = np.flatnonzero(left)
        after = now[:, None] + answer[:, open_] * (EIGHTH * np.sign(left[open_]))
        k = int(open_[after.max(axis=0).argmin()])
        by = EIGHTH * float(np.sign(left[k]))
        now = now + answer[:, k] * by
        left[k] -= int(np.sign(left[k]))
        if rounds[-1] and rounds[-1][-1].position == k + 1:
            last = rounds[-1][-1]
            rounds[-1][-1] = replace(last, turns=last.turns + by)
        elif any(m.position == k + 1 for m in rounds[-1]):
            rounds.append([Move(position=k + 1, turns=by)])
        else:
            rounds[-1].append(Move(position=k + 1, turns=by))
    return tuple(tuple(r) for r in rounds if r)


def _peak(rounds: Sequence[Sequence[Move]], tension_N: Floats, answer: Floats) -> tuple[float, int]:
    now = tension_N.copy()
    peak, where = float(now.max()), int(now.argmax()) + 1
    for moves in rounds:
        for move in moves:
            now = now + answer[:, move.position - 1] * move.turns
            if now.max() > peak:
                peak, where = float(now.max()), int(now.argmax()) + 1
    return peak, where
