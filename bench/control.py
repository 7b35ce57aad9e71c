"""The control law as pure functions: from a reading to one bounded absolute move, whatever the bus's delay.

A reading holds load and position of one instant. With the stiffness k (spoke and frame in series) it says at which
absolute position another load would stand, so a late command does no harm: the drive stops at its target by itself.
Creep moves that position on; a straight line through the last readings of y = x - F/k, the position at which the load
would be nothing, predicts it (an expanding, then fading memory: Morrison 1969, Introduction to Sequential Smoothing and
Prediction, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench.frame import StationFacts
from bench.steps import CATCH_UP, HOLD_RATE_N_PER_S

CAUTION = 1.12  # the stiffness is taken this much higher when a load is approached
MEMORY_READINGS = 30
MEMORY_SHARE = 0.3  # of the time under load: creep bends on this scale


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One bounded absolute move."""

    target_mm: float
    speed_mm_per_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """A straight line of load over position that forgets what lies far back in load."""

    weight: float = 0.0
    x_mm: float = 0.0
    load_N: float = 0.0
    xx: float = 0.0
    xy: float = 0.0
    last_N: float = 0.0


def learn(slope: Slope, x_mm: float, load_N: float, forget_N: float) -> Slope:
    """Add one reading; readings ``forget_N`` back in load count e times less."""
    keep = math.exp(-abs(load_N - slope.last_N) / forget_N) if slope.weight else 0.0
    weight = min(keep * slope.weight, 60.0) + 1.0
    dx = x_mm - slope.x_mm
    mean_x = slope.x_mm + dx / weight if slope.weight else x_mm
    mean_N = slope.load_N + (load_N - slope.load_N) / weight if slope.weight else load_N
    return Slope(
        weight=weight,
        x_mm=mean_x,
        load_N=mean_N,
        xx=keep * slope.xx + dx * (x_mm - mean_x) if slope.weight else 0.0,
        xy=keep * slope.xy + dx * (load_N - mean_N) if slope.weight else 0.0,
        last_N=load_N,
    )


def learned_N_per_mm(slope: Slope, noise_N: float) -> float | None:
    """Stiffness of the line, or None where its readings lie too close together to tell."""
    if slope.weight < 3.0 or slope.xx <= 0.0 or slope.xy <= 0.0:
        return None
    k = slope.xy / slope.xx
    spread_N = k * math.sqrt(slope.xx / slope.weight)
    return k if spread_N > max(4.0 * noise_N, 1.0) else None


def zero_of(slope: Slope, k: float) -> float:
    """Position at which the line meets no load, mm."""
    return slope.x_mm - slope.load_N / k


def bounded(x_mm: float, speed: float, facts: StationFacts) -> Move:
    """A move inside the station's travel and speed."""
    low, high = facts.travel_mm
    return Move(
        target_mm=min(max(x_mm, low), high),
        speed_mm_per_s=min(max(speed, 1e-5), facts.max_speed_mm_per_s),
    )


def approach(
    x_mm: float, load_N: float, to_N: float, contact_N: float, k: float, lag_s: float, facts: StationFacts
) -> Move:
    """Take up slack, then go on to a small load slowly enough to learn the stiffness on the way.

    With nothing bearing yet the speed is such that the spoke, met in between two readings, is not pulled past the
    load; once it bears, some twenty readings are taken on the way.
    """
    if load_N < contact_N:
        speed = min(to_N / (k * 2.0 * lag_s), facts.max_speed_mm_per_s)
        return bounded(x_mm + speed * 2.0 * lag_s, speed, facts)
    speed = to_N / (k * 10.0 * lag_s)
    ahead = min((to_N - load_N) / (CAUTION * k), speed * 2.0 * lag_s)
    return bounded(x_mm + ahead, speed, facts)


def ramp(
    x_mm: float,
    load_N: float,
    reference_N: float,
    to_N: float,
    rate_N_per_s: float,
    k: float,
    dt_s: float,
    lag_s: float,
    facts: StationFacts,
) -> tuple[float, Move]:
    """Follow a load that rises or falls at a set rate.

    Parameters
    ----------
    reference_N : float
        Where the ramp stood at the reading before.
    k : float
        Stiffness, N/mm.
    dt_s, lag_s : float
        Time since the reading before; time from a decision to its effect in a reading.

    Returns
    -------
    reference_N : where the ramp stands now, never far ahead of what has been reached.
    move : to where the load should be one lag from now, never past the end of the ramp.
    """
    sign = 1.0 if to_N >= reference_N else -1.0
    reference = reference_N + sign * rate_N_per_s * dt_s
    lead = 2.0 * rate_N_per_s * lag_s + 5.0 * facts.load_noise_N
    if sign > 0:
        reference = min(reference, load_N + lead, to_N)
        aim = min(reference + rate_N_per_s * lag_s, to_N)
    else:
        reference = max(reference, load_N - lead, to_N)
        aim = max(reference - rate_N_per_s * lag_s, to_N)
    stiff = CAUTION * k
    way = (aim - load_N) / stiff
    nominal = rate_N_per_s / k
    speed = min(max(abs(way) / lag_s, 0.02 * nominal), CATCH_UP * nominal)
    return reference, bounded(x_mm + way, speed, facts)


def arrived(load_N: float, reference_N: float, to_N: float, k: float, facts: StationFacts) -> bool:
    """Whether a ramp has reached its end."""
    near = max(3.0 * facts.load_noise_N, 0.0025 * abs(to_N), facts.step_mm * k)
    return reference_N == to_N and abs(load_N - to_N) <= near


@dataclass(frozen=True, slots=True, kw_only=True)
class Creep:
    """The straight line through the last y = x - F/k: where it stands, how fast it moves, what it rests on."""

    y_mm: float
    rate_mm_per_s: float
    readings: int
    at_s: float


def follow(creep: Creep | None, y_mm: float, at_s: float, under_load_s: float, jump_mm: float) -> Creep:
    """Take one reading into the line; a surprise larger than ``jump_mm`` makes it forget."""
    if creep is None:
        return Creep(y_mm=y_mm, rate_mm_per_s=0.0, readings=1, at_s=at_s)
    dt = at_s - creep.at_s
    if dt <= 0.0:
        return creep
    expected = creep.y_mm + creep.rate_mm_per_s * dt
    surprise = y_mm - expected
    most = max(3, min(MEMORY_READINGS, int(MEMORY_SHARE * under_load_s / dt)))
    n = min(creep.readings + 1, most)
    rate = creep.rate_mm_per_s
    if creep.readings > 3 and abs(surprise) > jump_mm:
        return Creep(y_mm=y_mm, rate_mm_per_s=rate, readings=2, at_s=at_s)
    g = 2.0 * (2.0 * n - 1.0) / (n * (n + 1.0))
    h = 6.0 / (n * (n + 1.0))
    return Creep(y_mm=expected + g * surprise, rate_mm_per_s=rate + h * surprise / dt, readings=n, at_s=at_s)


def hold(
    creep: Creep,
    set_N: float,
    x_mm: float,
    load_N: float,
    last_target_mm: float | None,
    k: float,
    tick_s: float,
    lag_s: float,
    facts: StationFacts,
) -> Move | None:
    """Keep a load: None where the drive already stands within three quarters of a step of where it should.

    The position is chosen so that the load is right in the middle of the time until the next command takes effect.
    """
    ahead = lag_s + 0.5 * tick_s
    want = creep.y_mm + creep.rate_mm_per_s * ahead + set_N / k
    most = (0.05 * abs(set_N) + 10.0) / k
    want = min(max(want, x_mm - most), x_mm + most)
    if last_target_mm is not None and abs(want - last_target_mm) < 0.75 * facts.step_mm:
        return None
    way = abs(want - x_mm)
    quick = HOLD_RATE_N_PER_S / k
    return bounded(want, min(max(way / max(0.5 * tick_s, lag_s), facts.step_mm / max(tick_s, 1e-9)), quick), facts)


def chord_set_N(creep: Creep, chord_mm: float, k: float, frame_mm_per_N: float, wheel_mm_per_N: float) -> float:
    """Load that keeps extension + phi L T/EA at ``chord_mm``.

    The extension is x - C F with the frame's compliance C; with y = x - F/k the condition
    y + F (1/k - C) + w F = chord gives F, where w = phi L/EA is the wheel's compliance.
    """
    return max(0.0, (chord_mm - creep.y_mm) / (1.0 / k - frame_mm_per_N + wheel_mm_per_N))
