"""Where a wheel stands: readings weighed against what was expected and against the rim's balance; what does not fit."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import NormalDist
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError
from models.gauge import Gauge

if TYPE_CHECKING:
    from planner.wheel import Wheel

Floats = NDArray[np.float64]
FALSE_ALARM = 0.01  # chance that a wheel without a fault has a spoke pointed out
EITHER = 4.0  # twice the log of the odds below which a slipped nipple and a misread spoke are not told apart
MOST_OUTLIERS = 4
LEAST_SPREAD, MOST_SPREAD = 0.03, 0.12  # of tension from spoke to spoke, sd, in a wheel of which nothing is known
WIDER = 1.5  # than the middle half of its spokes shows
UNKNOWN_LEVEL = 0.3  # of a wheel's mean tension, sd
TURNING_ERROR = 0.1  # of the change of tension that turns bring, sd, until it is read again
TURNED_LEVEL_SD = 0.03  # of the mean tension that turns were foreseen to bring
FREE_MM = 5.0  # sd of a shortening that is not held to any expectation
REPEATS_MORE = 1.5  # readings scatter so many times more than the build file says: worth saying


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """One round of readings of a wheel, in order of position."""

    tension_N: Floats  # (n,) of the spoke with the gauge off, at the temperature of the reading
    sd_N: Floats  # (n,) of one reading, what all share left out
    temperature_C: float | None = None  # None: the shop's
    lateral_mm: Floats | None = None  # (n,) + to the right; None: not measured
    radial_mm: Floats | None = None  # (n,) + outward
    dish_mm: float | None = None  # rim right of centre; None: not measured


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Expected:
    """What was expected of a wheel before it was read."""

    tension_N: Floats  # (n,) at the shop's temperature
    covariance: Floats  # (n, n) N2 of how the wheel may differ from it
    from_record: bool = False  # known from sessions before; otherwise only what is likely of any wheel

    @classmethod
    def of_any_wheel(cls, wheel: Wheel, read_N: Floats, influence: Floats) -> Expected:
        """Both sides in balance about the level that was read; spokes as uneven as most of them are.

        Uneven by their lengths, which neighbours share, and each by its own as far as a wheel can carry it.
        """
        targets = np.array(wheel.side_targets_N())
        each = targets[wheel.side]
        level = float(np.median(read_N / each))
        mean = level * each
        uneven = float(np.median(np.abs(read_N / mean - 1.0))) / NormalDist().inv_cdf(0.75)
        uneven = min(max(WIDER * uneven, LEAST_SPREAD), MOST_SPREAD)
        shortening = uneven * mean / np.diag(influence)
        each_its_own = set_error_of(wheel, uneven * mean)
        return cls(
            tension_N=mean,
            covariance=spread_of(influence, shortening) + each_its_own + level_of(mean, UNKNOWN_LEVEL),
        )

    @classmethod
    def after_turns(cls, wheel: Wheel, before_N: Floats, after_N: Floats, read_sd_N: Floats, influence: Floats) -> Self:
        """Where turns just made should have brought it: as well as it was read before them, and as turns go."""
        shortening = TURNING_ERROR * np.abs(after_N - before_N) / np.linalg.norm(influence, axis=1)
        return cls(
            tension_N=after_N,
            covariance=set_error_of(wheel, read_sd_N)
            + spread_of(influence, shortening)
            + level_of(after_N, TURNED_LEVEL_SD),
            from_record=True,
        )


def spread_of(influence: Floats, shortening_sd_mm: Floats) -> Floats:
    """(n, n) N2 of tensions when each spoke is longer or shorter by its own amount: nipples, creep, seats."""
    out: Floats = (influence * shortening_sd_mm**2) @ influence.T
    return out


def level_of(tension_N: Floats, level_sd: float) -> Floats:
    """(n, n) N2 of an error, a ratio, that all spokes share."""
    out: Floats = np.outer(tension_N, tension_N) * level_sd**2
    return out


def set_error_of(wheel: Wheel, error_N: Floats) -> Floats:
    """(n, n) N2 of tensions set by reading each spoke with its own error: as much of it as a wheel can carry."""
    carried = wheel.reachable(np.eye(wheel.n))
    out: Floats = (carried * error_N**2) @ carried.T
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlier:
    """A reading that does not fit."""

    position: int
    kind: str  # misread, slipped, unclear
    read_N: float  # at the shop's temperature
    likely_N: float  # without this reading
    sd: float  # how far off, in standard deviations
    why: str

    def as_dict(self) -> dict[str, Any]:
        """For the JSON answer."""
        return {
            "position": self.position,
            "kind": self.kind,
            "read_N": round(self.read_N, 1),
            "likely_N": round(self.likely_N, 1),
            "sd": round(self.sd, 1),
            "why": self.why,
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Present:
    """Where a wheel stands now, as far as it is known."""

    tension_N: Floats  # (n,) best estimate at the shop's temperature
    covariance: Floats  # (n, n) N2, what all readings share left out
    read_N: Floats  # (n,) the readings at the shop's temperature
    good: NDArray[np.bool_]  # (n,) readings that were used
    outliers: tuple[Outlier, ...]
    scatter: float  # of readings about what is possible, in their stated sd (1: as stated)
    notes: tuple[str, ...] = field(default=())

    @property
    def read_or_likely_N(self) -> Floats:
        """(n,) what was read, and what is likely where that does not fit."""
        fits = np.ones(self.read_N.size, dtype=bool)
        fits[[o.position - 1 for o in self.outliers if o.kind != "slipped"]] = False
        out: Floats = np.where(fits, self.read_N, self.tension_N)
        return out


def without_gauge(
    wheel: Wheel, gauge: Gauge, reading: Floats, EA_N: object = None, lines: tuple[int, ...] | None = None
) -> tuple[Floats, Floats]:
    """(n,) tensions in N with the gauge off, and the sd of each, from readings (n,) in a tensioned wheel.

    The gauge's extra path raises the tension by path x the wheel's own stiffness at that spoke, which depends on the
    tensions: two rounds settle it.

    Raises
    ------
    InputError
        Names the position (and the line of the table) of a reading off the gauge's curve, or the path is not known.
    """
    for i, r in enumerate(reading):
        try:
            gauge.tension_N(r)
        except InputError as error:
            line = "" if lines is None else f"line {lines[i]}: "
            raise InputError(f"{line}position {i + 1}: {error}") from None
    tension, sd = gauge.tension_N(reading)
    for _ in range(2):
        stiffness = np.diag(wheel.influence(tension, EA_N))
        tension, sd = gauge.true_tension_N(reading, stiffness)
    return tension, sd


def at_shop_temperature(
    wheel: Wheel, tension_N: Floats, temperature_C: float | None, fibre_expansion_per_K: float, EA_N: object = None
) -> Floats:
    """(n,) tensions as they would be at the shop's temperature: the rim grows as it warms, the fibre shrinks."""
    if temperature_C is None or temperature_C == wheel.build.shop.temperature_C:
        return tension_N
    per_K = wheel.rim_expansion_N_per_K(EA_N, tension_N, fibre_expansion_per_K)
    out: Floats = tension_N - per_K * (temperature_C - wheel.build.shop.temperature_C)
    return out


def where_it_stands(influence: Floats, read_N: Floats, sd_N: Floats, expected: Expected, pitch_mm: float) -> Present:
    """Combine readings with what was expected, and point out what does not fit.

    A wheel's tensions can differ from those expected only by shortenings x of its spokes (nipples, creep, seats):
    T = m + A x + level. So the six patterns that a free rim cannot carry show up as reading errors. A
    *misread* spoke adds its error to one reading; a *slipped* nipple (or a spoke that stretched far more than its
    batch) adds a lengthening to one x, which also lifts its neighbours. For each spoke both signatures g are tried on
    the whole vector of misses v: z = g.S^-1 v / sqrt(g.S^-1 g), the best linear detector of a shift in Gaussian noise
    of covariance S.

    Parameters
    ----------
    influence : (n, n) N/mm
    read_N, sd_N : (n,) N, at the shop's temperature
    """
    n = read_N.size
    m = expected.tension_N
    prior = expected.covariance
    noise = np.diag(sd_N**2)
    scatter = _scatter(prior + noise, read_N - m)
    widen = max(1.0, scatter) ** 2  # whether the readings or the wheel scatter more than stated, they cannot tell
    noise, prior = noise * widen, prior * widen
    threshold = NormalDist().inv_cdf(1.0 - FALSE_ALARM / (4.0 * n))
    outliers: list[Outlier] = []
    good = np.ones(n, dtype=bool)
    v = read_N - m
    for _ in range(MOST_OUTLIERS):
        inverse = np.linalg.inv(prior + noise)
        miss = inverse @ v
        misread = miss / np.sqrt(np.diag(inverse))
        slip = -influence.T @ miss / np.sqrt(np.einsum("ij,ik,kj->j", influence, inverse, influence))
        score = np.where(good, np.maximum(np.abs(misread), np.abs(slip)), 0.0)
        i = int(score.argmax())
        if score[i] < threshold:
            break
        kind = "unclear"
        if misread[i] ** 2 > slip[i] ** 2 + EITHER:
            kind = "misread"
        elif slip[i] ** 2 > misread[i] ** 2 + EITHER:
            kind = "slipped"
        column = influence[:, i]
        if kind != "misread":
            prior = prior + np.outer(column, column) * FREE_MM**2
        if kind != "slipped":
            noise[i, i] += (10.0 * abs(m[i])) ** 2
        good[i] = kind == "slipped"
        best = m + prior @ np.linalg.solve(prior + noise, v)
        moved = float(inverse[:, :] @ v @ column) / float(column @ inverse @ column)  # mm, + shortened
        outliers.append(
            _outlier(i, kind, float(read_N[i]), float(best[i]), float(m[i]), float(score[i]), moved, pitch_mm, expected)
        )
    gain = np.linalg.solve(prior + noise, prior).T
    notes = []
    if scatter > REPEATS_MORE:
        notes.append(
            f"the readings scatter {scatter:.1f} times as much as tension.reading_repeat_percent (or the gauge's "
            "record) says: read again, or state what the gauge does"
        )
    return Present(
        tension_N=m + gain @ v,
        covariance=prior - gain @ prior,
        read_N=read_N,
        good=good,
        outliers=tuple(outliers),
        scatter=scatter,
        notes=tuple(notes),
    )


def _scatter(covariance: Floats, v: Floats) -> float:
    """Robust size of the misses after whitening; 1 where they are as large as they should be."""
    white = np.linalg.solve(np.linalg.cholesky(covariance), v)
    return float(np.median(np.abs(white)) / NormalDist().inv_cdf(0.75))


def _outlier(
    i: int,
    kind: str,
    read: float,
    likely: float,
    m: float,
    sd: float,
    shortened_mm: float,
    pitch_mm: float,
    expected: Expected,
) -> Outlier:
    turns = -shortened_mm / pitch_mm
    before = "since the last session" if expected.from_record else "against its side"
    if kind == "misread":
        why = (
            f"read {read:.0f} N, but the other spokes and the rim's balance leave about {likely:.0f} N: a misread "
            "spoke; read it again before turning it"
        )
    elif kind == "slipped":
        change = 100.0 * (read / m - 1.0)
        more = "lost" if turns > 0 else "gained"
        cause = (
            "a nipple that slipped or turned back, or a spoke or end that gave way"
            if turns > 0
            else "a nipple that was turned too far"
        )
        why = (
            f"{more} {abs(change):.0f} % {before} more than foretold, as if its nipple had been turned "
            f"{'back' if turns > 0 else 'on'} by {abs(turns):.2f} turns, and its neighbours agree: {cause}; look at "
            "thread, nipple and ends before turning it"
        )
    else:
        why = (
            f"read {read:.0f} N, expected {m:.0f} N: a misread spoke or a slipped nipple, the readings cannot tell; "
            "read it again"
        )
    return Outlier(position=i + 1, kind=kind, read_N=read, likely_N=likely, sd=sd, why=why)
