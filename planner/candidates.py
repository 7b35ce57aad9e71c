"""What may be asked of a wheel: runs on the frame, times of sessions, levels of tension, within the build's limits."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from planner.geometry import LEFT, RIGHT, sides
from planner.schedule import (
    Deliver,
    Group,
    Laced,
    Prestretch,
    Rest,
    Schedule,
    Session,
    hour_of,
)

if TYPE_CHECKING:
    from planner.build import Build, Shop

DAY_H = 24.0
SHARE_OF_BUCKLING = 0.6
AFTER_LAST_PASS_H = 1.0  # a wheel is not delivered in the hour after a pass
TOUCH_AFTER_SET_H = 1.0
CLOCK_STEP_H = 0.5
LOAD_STEP_N = 10.0  # bench loads are given in whole steps, downwards


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One limit on tension or load, N."""

    what: str
    limit_N: float


def wheel_limits(build: Build, buckling_N: float) -> list[Limit]:
    """Limits on a spoke in the wheel; ``buckling_N`` is the tension at which the rim leaves its plane by itself."""
    named = [Limit(what=name, limit_N=limit) for name, (limit, _) in build.wheel_limits_N().items()]
    if math.isfinite(buckling_N):
        named.append(Limit(what="lateral buckling", limit_N=SHARE_OF_BUCKLING * buckling_N))
    return named


def most_level(build: Build, limits: list[Limit], highest_target_N: float) -> float:
    """The highest set tension of a session over its target that no limit forbids, squeezes counted."""
    return min(limit.limit_N for limit in limits) / (build.shop.squeezed_peak * highest_target_N)


# -- the frame -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """All spokes of a wheel through the frame, in as many runs as its places make necessary."""

    load_N: float
    hours: float
    temperature_C: float
    groups: tuple[Group, ...]
    nights: int  # days on which a run begins
    rest_load_N: float = 0.0  # between frame and lacing; 0: slack

    def steps(self, shop: Shop) -> tuple[Prestretch, Rest]:
        """The first two steps of a schedule."""
        alike = len(self.groups) == 1
        return (
            Prestretch(
                load_N=self.load_N,
                hours=self.hours,
                temperature_C=self.temperature_C,
                groups=() if alike else self.groups,
            ),
            Rest(
                hours=min(g.rest_h for g in self.groups),
                temperature_C=round(shop.standing_C, 1),
                load_N=self.rest_load_N,
            ),
        )


def run_ends_h(shop: Shop, runs: int, hours: float, mount_h: float) -> tuple[list[float], int]:
    """When each of ``runs`` runs of the frame ends, h from the first morning, and on how many days one begins.

    A run begins in working hours, as soon as the one before it is over and the next spokes are mounted; it may end at
    any time where the frame may hold overnight, else within the day.
    """
    start, end = hour_of(shop.work_start), hour_of(shop.work_end)
    now, ends, days = start, [], set()
    for _ in range(runs):
        now += mount_h
        while True:
            day, clock = divmod(now, DAY_H)
            fits = start <= clock <= end and (shop.overnight_bench or clock + hours <= end)
            if fits:
                break
            now = day * DAY_H + (start if clock < start else DAY_H + start) + mount_h
        days.add(int(now // DAY_H))
        now += hours
        ends.append(now)
    return ends, len(days)


def spread_groups(n: int, places: int) -> list[tuple[int, ...]]:
    """Positions of each run: both sides in equal numbers as far as may be, evenly round the wheel."""
    runs = math.ceil(n / places)
    side = sides(n)
    left = [p + 1 for p in range(n) if side[p] == LEFT]
    right = [p + 1 for p in range(n) if side[p] == RIGHT]
    groups: list[list[int]] = [[] for _ in range(runs)]
    for i, p in enumerate(left):
        groups[i % runs].append(p)
    even = len(right) % runs == 0
    for i, p in enumerate(right):
        # between the left ones; where they do not divide evenly the surplus falls to the last runs
        groups[(i - runs // 2) % runs if even else runs - 1 - i % runs].append(p)
    if max(map(len, groups)) > places:
        order = [p for g in groups for p in g]
        groups = [order[i : i + places] for i in range(0, n, places)]
    return [tuple(sorted(g)) for g in groups]


def bench(build: Build, load_N: float, hours: float, temperature_C: float) -> Bench | None:
    """A stretch of all spokes, each run resting from its end to the lacing; None where it does not fit a day."""
    shop, n = build.shop, build.wheel.spokes
    groups = spread_groups(n, shop.stations * shop.spokes_per_station)
    mount_h = shop.mount_min_per_spoke / 60.0 * max(map(len, groups))
    if not shop.overnight_bench and hours + mount_h > shop.day_h:
        return None
    ends, nights = run_ends_h(shop, len(groups), hours, mount_h)
    laced_at = ends[-1] + shop.slack_h
    return Bench(
        load_N=load_N,
        hours=hours,
        temperature_C=temperature_C,
        groups=tuple(
            Group(positions=positions, rest_h=round(laced_at - end, 4))
            for positions, end in zip(groups, ends, strict=True)
        ),
        nights=nights,
    )


def benches(build: Build) -> list[Bench | None]:
    """Stretches worth comparing, none first: the highest load for long and for half as long, at each temperature.

    Where the shop can keep spokes under a load between frame and lacing, each with and without it. Lower loads on the
    frame are left out: at the same hours they leave more creep to come, and cost as much.
    """
    shop = build.shop
    top = math.floor(build.bench_limit_N() / LOAD_STEP_N) * LOAD_STEP_N
    top = top if top > 0 else build.bench_limit_N()
    longest = shop.max_bench_h if shop.overnight_bench else min(shop.max_bench_h, math.floor(shop.day_h))
    asked = []
    for th in shop.bench_temperature_C:
        asked += [(top, longest, th), (top, longest / 2.0, th)]
    slack = [b for b in (bench(build, *a) for a in asked) if b is not None]
    hung = [replace(b, rest_load_N=shop.rest_load_N) for b in slack if shop.rest_load_N > 0]
    return [None, *slack, *hung]


# -- the days of the sessions --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """When the sessions of one wheel take place."""

    set_clock_h: float  # time of day at which the set begins
    at_h: tuple[tuple[str, float], ...]  # kind and time from the start of the set, the set itself left out
    deliver_h: float

    @property
    def passes(self) -> int:
        """Overnight passes."""
        return sum(kind == "pass" for kind, _ in self.at_h)

    @property
    def touches(self) -> int:
        """Sessions on the day of the set."""
        return sum(kind == "touch" for kind, _ in self.at_h)


def _windows(build: Build, set_clock_h: float, after_h: float, until_h: float) -> list[tuple[float, float]]:
    """First and last possible start of a pass on each day, h from the start of the set."""
    start, end = hour_of(build.shop.work_start), hour_of(build.shop.work_end)
    out = []
    for day in range(int(until_h // DAY_H) + 2):
        first = max(day * DAY_H + start - set_clock_h, after_h)
        last = min(day * DAY_H + end - build.shop.pass_session_h - set_clock_h, until_h)
        if first <= last + 1e-9:
            out.append((first, last))
    return out


def timings(build: Build, passes: int, touches: int) -> Timing | None:
    """Sessions at the builder's hours: the last pass as late as may be, touches late on the day of the set.

    None where so many do not fit before delivery.
    """
    shop = build.shop
    start, end = hour_of(shop.work_start), hour_of(shop.work_end)
    deliver = build.tension.delivery_h
    best: Timing | None = None
    clock = start
    while clock + shop.set_session_h <= end + 1e-9:
        times = _touch_times(shop, min(end - clock, deliver), touches)
        if times is not None:
            after = (times[-1] + shop.pass_session_h if times else shop.set_session_h) + shop.pass_interval_h
            passing = _pass_times(build, clock, after, deliver, passes)
            if passing is not None:
                found = Timing(
                    set_clock_h=clock,
                    at_h=(*(("touch", t) for t in times), *(("pass", t) for t in passing)),
                    deliver_h=deliver,
                )
                if best is None or _later(found, best):
                    best = found
        clock += CLOCK_STEP_H
    return best


def _later(one: Timing, other: Timing) -> bool:
    """Whether the last sessions of one come later: first its last pass, then its last touch."""

    def key(t: Timing) -> tuple[float, float]:
        last = dict(t.at_h)
        return last.get("pass", 0.0), last.get("touch", 0.0)

    return key(one) > key(other)


def _touch_times(shop: Shop, day_left_h: float, touches: int) -> list[float] | None:
    """Starts of touches that are over ``day_left_h`` after the start of the set; None where so many do not fit."""
    first = shop.set_session_h + TOUCH_AFTER_SET_H
    last = day_left_h - shop.pass_session_h
    if touches == 0:
        return []
    if last < first - 1e-9:
        return None
    if touches == 1:
        return [last]
    if last - first < (touches - 1) * (shop.pass_session_h + TOUCH_AFTER_SET_H):
        return None
    # even in the logarithm of time: a spoke loses as much between each
    return [first * (last / first) ** (i / (touches - 1)) for i in range(touches)]


def _pass_times(build: Build, clock: float, after_h: float, deliver_h: float, passes: int) -> list[float] | None:
    shop = build.shop
    if passes == 0:
        return []
    until = deliver_h - AFTER_LAST_PASS_H - shop.pass_session_h
    days = _windows(build, clock, after_h, until)
    if len(days) < passes:
        return None
    chosen = [days[-1]] if passes == 1 else [days[round(i * (len(days) - 1) / (passes - 1))] for i in range(passes)]
    times: list[float] = []
    for first, last in reversed(chosen):
        limit = times[0] - shop.pass_interval_h - shop.pass_session_h if times else last
        if min(last, limit) < first - 1e-9:
            return None
        times.insert(0, min(last, limit))
    return times


# -- whole schedules -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One way to build the wheel."""

    bench: Bench | None
    timing: Timing
    early_level: float  # of all sessions but the last, over target
    last_level: float  # of the last session, over target

    def schedule(self, build: Build, targets_N: tuple[float, float]) -> Schedule:
        """The steps."""
        shop = build.shop
        kinds = [("set", 0.0), *self.timing.at_h]
        sessions = []
        for i, (kind, at) in enumerate(kinds):
            level = self.last_level if i == len(kinds) - 1 else self.early_level
            left, right = (math.floor(level * t * 10.0) / 10.0 for t in targets_N)
            sessions.append(Session(kind=kind, at_h=round(at, 4), left_N=left, right_N=right))
        prestretch, rest = self.bench.steps(shop) if self.bench else (None, None)
        return Schedule(
            prestretch=prestretch,
            rest=rest,
            laced=Laced(hours=shop.laced_h, tension_N=shop.lacing_tension_N, temperature_C=round(shop.standing_C, 1)),
            sessions=tuple(sessions),
            deliver=Deliver(at_h=self.timing.deliver_h),
        )

    @property
    def nights(self) -> int:
        """Bench nights."""
        return self.bench.nights if self.bench else 0

    def hands_on_h(self, build: Build) -> float:
        """Hours that somebody works on this wheel after it is laced, and at the frame."""
        shop = build.shop
        mounting = build.wheel.spokes * shop.mount_min_per_spoke / 60.0 if self.bench else 0.0
        if self.bench and self.bench.rest_load_N > 0:
            mounting *= 2.0  # each spoke is hung up once more
        return mounting + shop.set_session_h + len(self.timing.at_h) * shop.pass_session_h


def ways(build: Build, passes: int, most_touches: int = 2) -> Iterator[Timing]:
    """All timings with so many passes, fewest touches first."""
    for touches in range(most_touches + 1):
        timing = timings(build, passes, touches)
        if timing is not None:
            yield timing
