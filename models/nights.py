"""Nights of batch tests to choose from, and the record that a frame would make of each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from models.thin import LONGEST_S, PER_DECADE, Thinned

SEAT_N, TARE_N = 20.0, 15.0
SEAT_S = 60.0
RATE_N_PER_S = 10.0
RAMP_MEANS = 12
TOUCHES = 4  # to the tare in each tenfold of time
TOUCH_S, TOUCH_FROM_S = 5.0, 100.0  # how long each is, and when the first may come
LEAST_WARM_H = 1.5  # of which about an hour goes for the cabinet to get there
LEAST_AFTER_H = 1.0  # cold again, under the same load
LAG_S = 900.0  # of a cabinet with the frame in it [est]
LEAST_REST_H = 0.5  # a recovery is to be seen as long as spokes usually lie slack before lacing
NOISE_MM = 1e-3
LOAD_NOISE_N = 1.5
SHOP_C = 21.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """Go to a load, stay there for hours of the night; perhaps warm."""

    load_N: float  # TARE_N: a recovery
    hours: float
    temperature_C: float | None = None  # of the cabinet; None: as the shop is
    touched: bool = False  # a recovery while truly slack, read by short touches to the tare

    @property
    def recovery(self) -> bool:
        """Whether the spoke rests at the tare."""
        return self.load_N <= TARE_N


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """One candidate test, the same on every station."""

    name: str
    segments: tuple[Segment, ...]

    @property
    def hours(self) -> float:
        """Holds and recoveries together."""
        return sum(s.hours for s in self.segments)


def plain_hold(hours: float, load_N: float) -> Night:
    """One load all night."""
    return Night(name="one hold", segments=(Segment(load_N=load_N, hours=hours),))


def family(hours: float, service_N: float, high_N: float, warm_C: float | None = None) -> Iterator[Night]:
    """Holds at two loads in either order, a recovery after the first and perhaps the second; one load held twice.

    Every one has a recovery as long as spokes usually lie slack (shorter in a short night), and the service load is
    among its loads: what the wheel will do at it is seen, not computed. With ``warm_C`` a part of a hold is warm.
    """
    least = min(LEAST_REST_H, 0.12 * hours)

    def night(name: str, *parts: tuple[float, float, float | None]) -> Night:
        return Night(
            name=name,
            segments=tuple(
                Segment(load_N=load, hours=round(share * hours, 3), temperature_C=th)
                for load, share, th in parts
                if share > 0
            ),
        )

    shares = [(a, b, c, round(1.0 - a - b - c, 3)) for a in (0.2, 0.35, 0.5, 0.65) for b in (0.08, 0.16, 0.25) for c in
              (0.15, 0.3, 0.45, 0.6)]  # fmt: skip
    for first, rest1, second, rest2 in shares:
        if rest2 < 0 or rest2 > 0.3 or rest1 * hours < least - 1e-9 or 0 < rest2 * hours < least:
            continue
        for name, one, two in (
            ("service load, then high", service_N, high_N),
            ("high load, then service", high_N, service_N),
        ):
            parts = [(one, first, None), (TARE_N, rest1, None), (two, second, None), (TARE_N, rest2, None)]
            if warm_C is None:
                yield night(name, *parts)
                continue
            for at, hold in ((0, first), (2, second)):
                if 0.5 * hold * hours < LEAST_WARM_H or 0.25 * hold * hours < LEAST_AFTER_H:
                    continue
                load = parts[at][0]
                warmed = [(load, 0.25 * hold, None), (load, 0.5 * hold, warm_C), (load, 0.25 * hold, None)]
                which = "first" if at == 0 else "second"
                yield night(f"{name}, warm within the {which}", *parts[:at], *warmed, *parts[at + 1 :])


def touched(night: Night) -> Night:
    """The same night with its recoveries read by touches instead of at a tare."""
    return replace(night, segments=tuple(replace(s, touched=s.recovery) for s in night.segments))


def record_of(night: Night, gauge_length_mm: float = 285.0) -> Thinned:
    """The means that a frame's record of this night would be thinned to, without elongation."""
    rows: list[tuple[float, float, float, float, float]] = []  # time, load, since, count, rate
    warm: list[float] = []
    at, load, air, event = 0.0, SEAT_N, SHOP_C, 0.0

    def stay(until_s: float, to_C: float, touched: bool = False) -> None:
        nonlocal at, air
        start_s, start_C = at, air
        if touched:
            at += TOUCH_FROM_S
        while at < until_s - 1e-6:
            per_decade = TOUCHES if touched else PER_DECADE
            long = max(1.0, (at - event) * (10.0 ** (1.0 / per_decade) - 1.0))
            long = min(long, until_s - at) if touched else min(long, LONGEST_S, until_s - at)
            middle = at + 0.5 * long
            rows.append((middle, load, middle - event, TOUCH_S if touched else max(long, 1.0), 0.0))
            air = to_C + (start_C - to_C) * float(np.exp(-(middle - start_s) / LAG_S))
            warm.append(air)
            at += long

    stay(SEAT_S, SHOP_C)
    for s in night.segments:
        th = SHOP_C if s.temperature_C is None else s.temperature_C
        if s.load_N != load:
            ramp_s, before = abs(s.load_N - load) / RATE_N_PER_S, load
            for k in range(1, RAMP_MEANS + 1):
                share = k / RAMP_MEANS
                rows.append((at + share * ramp_s, before + share * (s.load_N - before), 0.0, ramp_s / RAMP_MEANS,
                             RATE_N_PER_S))  # fmt: skip
                warm.append(air)
            at += ramp_s
            load, event = s.load_N, at
        stay(at + 3600.0 * s.hours, th, s.touched)
    time, force, since, count, rate = np.array(rows).T
    return Thinned(
        spoke="expected",
        gauge_length_mm=gauge_length_mm,
        time_s=time,
        load_N=force,
        temperature_C=np.array(warm),
        elongation_mm=np.zeros(time.size),
        count=np.maximum(count, 1.0),
        since_s=since,
        rate_N_per_s=rate,
        piece=np.zeros(time.size, dtype=np.intp),
        noise_mm=NOISE_MM,
        load_sd_N=np.where(rate > 0, LOAD_NOISE_N / np.sqrt(np.maximum(count, 1.0)), 0.0),
    )
