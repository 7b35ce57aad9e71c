"""What can be proved of a frame before it moves: speed against the cut-out, the drive's step against the hold, deadman.

Pure. `longhold frame check` shows these for a frame; a program proves them again for its own loads before it starts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench.frame import StationFacts

TICKS_LATE = 2  # a command and an answer may each be one tick late
LEAST_DEADMAN_TICKS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """One inequality, measured against its limit."""

    name: str
    holds: bool
    measured: float
    limit: float
    unit: str
    says: str  # in plain words without the station's name, with what to do where it does not hold


def series_stiffness_N_per_mm(EA_N: float, length_mm: float, compliance_mm_per_N: float) -> float:
    """Stiffness of spoke, frame and spring in series: 1/(L/EA + c)."""
    return 1.0 / (length_mm / EA_N + compliance_mm_per_N)


def largest_speed_mm_per_s(
    station: StationFacts, *, tick_s: float, deadman_s: float, set_load_N: float, stiffness_N_per_mm: float
) -> float:
    """Fastest move upwards that a dead controller cannot turn into a trip; at most the station's own limit.

    speed x (deadman + 2 ticks) x stiffness <= trip load - set load.
    """
    room_N = station.trip_load_N - set_load_N
    if room_N <= 0:
        return 0.0
    return min(station.max_speed_mm_per_s, room_N / ((deadman_s + TICKS_LATE * tick_s) * stiffness_N_per_mm))


def prove_speed(
    station: StationFacts,
    *,
    speed_mm_per_s: float,
    tick_s: float,
    deadman_s: float,
    set_load_N: float,
    stiffness_N_per_mm: float,
) -> Proof:
    """A controller that dies while pulling at the set load is stopped by the deadman before the cut-out acts."""
    more_N = speed_mm_per_s * (deadman_s + TICKS_LATE * tick_s) * stiffness_N_per_mm
    room_N = station.trip_load_N - set_load_N
    holds = more_N <= room_N
    fastest = largest_speed_mm_per_s(
        station,
        tick_s=tick_s,
        deadman_s=deadman_s,
        set_load_N=set_load_N,
        stiffness_N_per_mm=stiffness_N_per_mm,
    )
    words = (
        f"if the controller dies while it pulls at {set_load_N:.0f} N and "
        f"{speed_mm_per_s:.3g} mm/s, the load rises by {more_N:.0f} N before the deadman stops the motor; "
        f"the cut-out leaves {room_N:.0f} N"
    )
    if not holds:
        words += f": move at most at {fastest:.3g} mm/s there, shorten the deadman, or put a spring in series"
    return Proof(name="speed", holds=holds, measured=more_N, limit=room_N, unit="N", says=words)


def prove_step(station: StationFacts, *, stiffness_N_per_mm: float, band_N: float) -> Proof:
    """The smallest move changes the load by no more than half the band that the hold must keep."""
    step_N = station.step_mm * stiffness_N_per_mm
    limit_N = 0.5 * band_N
    holds = step_N <= limit_N
    words = (
        f"the smallest move of {station.step_mm * 1000:.3g} um changes the load by "
        f"{step_N:.2f} N; half the hold band is {limit_N:.2f} N"
    )
    if not holds:
        rate = spring_N_per_mm(station, stiffness_N_per_mm=stiffness_N_per_mm, band_N=band_N)
        words += f": put a spring of at most {rate:.0f} N/mm in series with the spoke"
    return Proof(name="step", holds=holds, measured=step_N, limit=limit_N, unit="N", says=words)


def spring_N_per_mm(station: StationFacts, *, stiffness_N_per_mm: float, band_N: float) -> float:
    """Stiffest spring in series that makes the smallest move fine enough; infinity where none is needed."""
    wanted_mm_per_N = station.step_mm / (0.5 * band_N)
    missing_mm_per_N = wanted_mm_per_N - 1.0 / stiffness_N_per_mm
    return math.inf if missing_mm_per_N <= 0 else 1.0 / missing_mm_per_N


def prove_deadman(*, deadman_s: float, tick_s: float) -> Proof:
    """The deadman outlives two lost answers, so that a slow link does not stop the motor."""
    limit_s = LEAST_DEADMAN_TICKS * tick_s
    holds = deadman_s >= limit_s - 1e-9
    words = f"the deadman of {deadman_s:g} s is {deadman_s / tick_s:.1f} ticks of {tick_s:g} s"
    if not holds:
        words += f": at least {LEAST_DEADMAN_TICKS} are needed; use a tick of at most {deadman_s / 3:.3g} s"
    return Proof(name="deadman", holds=holds, measured=deadman_s, limit=limit_s, unit="s", says=words)
