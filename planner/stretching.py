"""The schedule on real days: which spokes are on the frame which night, when to lace, set, touch, pass and deliver.

Spokes hang slack from the end of their night until they are laced, and slack time undoes the stretch: so the time of
day at which the frame is loaded is chosen such that each run's rest comes as near as may be to the planned one, with
all of a person's work in working hours of working days.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from models.errors import CannotAnswer, InputError
from planner.agenda import runs_of
from planner.events import DELIVER_H, LACING_H, Event, Times, events_at, is_off, mount_h
from planner.schedule import Schedule, hour_of
from planner.windows import rested_so

if TYPE_CHECKING:
    from planner.build import Build

DAY_H = 24.0
GRID_H = 0.25  # starts are tried at such steps
DAYS_TRIED = 14  # on which the frame may first be loaded
LOOK_AHEAD_DAYS = 90
LIKE_PLANNED_H = 1.5  # a rest within this of the planned one is as planned


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """An order on the calendar."""

    events: tuple[Event, ...]  # by start
    schedules: tuple[Schedule, ...]  # of each wheel, with the rests and times that the calendar really gives
    warnings: tuple[str, ...]
    nights: int  # days on which the frame is loaded
    ready: datetime  # when the last wheel is delivered
    late: bool = False  # after the due date


@dataclass(slots=True)
class _Shop:
    """Working hours in h from the first midnight, and what is taken already."""

    build: Build
    midnight: datetime
    frame: list[tuple[float, float]] = field(default_factory=list)
    person: list[tuple[float, float]] = field(default_factory=list)

    @property
    def opens(self) -> float:
        return hour_of(self.build.shop.work_start)

    @property
    def closes(self) -> float:
        return hour_of(self.build.shop.work_end)

    def works(self, day: int) -> bool:
        return not is_off((self.midnight + timedelta(days=day)).date(), self.build.order.days_off)

    def at_work(self, start_h: float, length_h: float) -> bool:
        """Whether a person may do this then: one working day, nothing else to do."""
        day, clock = divmod(start_h, DAY_H)
        inside = self.opens - 1e-6 <= clock and clock + length_h <= self.closes + 1e-6
        return inside and self.works(int(day)) and _free(self.person, start_h, start_h + length_h)

    def next_at_work(self, after_h: float, length_h: float) -> float | None:
        """The first start not before ``after_h``."""
        t = after_h
        until = after_h + LOOK_AHEAD_DAYS * DAY_H
        while t < until:
            if self.at_work(t, length_h):
                return t
            day, clock = divmod(t, DAY_H)
            if clock < self.opens:
                t = day * DAY_H + self.opens
            elif clock + length_h > self.closes:
                t = (day + 1) * DAY_H + self.opens
            else:
                t = _up(t + 1e-6)
        return None

    def moment(self, hours: float) -> datetime:
        return self.midnight + timedelta(seconds=round(hours * 3600.0))

    def hours(self, moment: datetime) -> float:
        return (_alike(moment, self.midnight) - self.midnight).total_seconds() / 3600.0

    def take(self, events: Sequence[Event]) -> None:
        """Keep frame and person free for what is laid out already."""
        ends = {(e.wheel, e.number): e.start for e in events if e.kind == "unload"}
        for e in events:
            if e.kind not in ("unload", "deliver"):
                self.person.append((self.hours(e.start), self.hours(e.end)))
            if e.kind == "load":
                self.frame.append((self.hours(e.start), self.hours(ends.get((e.wheel, e.number), e.end))))


def _up(hours: float) -> float:
    """To the next step of the grid."""
    steps = -(-hours // GRID_H)
    return float(steps * GRID_H)


def _free(taken: Sequence[tuple[float, float]], start: float, end: float) -> bool:
    return all(end <= a + 1e-6 or start >= b - 1e-6 for a, b in taken)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bench:
    """One wheel's runs: when each is loaded and ends, and when the wheel is laced."""

    loaded: tuple[float, ...]
    ended: tuple[float, ...]
    laced: float
    apart_h: float  # the most that a rest differs from the planned one


@dataclass(frozen=True, slots=True, kw_only=True)
class _Done:
    """What of a wheel is over already."""

    runs: int
    laced: bool


def calendar_of(
    build: Build,
    schedule: Schedule,
    start: datetime,
    *,
    wheels: int | None = None,
    due: datetime | None = None,
    now: datetime | None = None,
    name: str | None = None,
    runs_done: int = 0,
    laced: bool = False,
    in_work: bool = False,
    beside: Sequence[Sequence[Event]] = (),
) -> Laid:
    """Put an order of alike wheels on the calendar.

    Parameters
    ----------
    start : nothing begins before it; with a time zone all times have it, without one they are the shop's own clock
    wheels, due : the build's ``[order]`` where left out
    now : the due date must lie after it; not looked at where left out
    name : of the wheel, or of the order; the build's where left out
    runs_done : runs of the frame before those of ``schedule`` (they count in the numbers of the others)
    laced : the wheel stands laced and may be set from ``start`` on
    in_work : begun already: a due date gone by then makes it late, and ends nothing
    beside : events of each other wheel that the same frame and the same builder are taken by

    Raises
    ------
    InputError
        The due date of an order not yet begun lies in the past or before the start.
    CannotAnswer
        The work does not fit into the shop's hours on any day.
    """
    order = build.order
    count = order.wheels if wheels is None else wheels
    due = order.due if due is None else due
    if due is not None:
        if now is not None and not in_work:
            refuse_gone_by(due, now)
        due = _alike(due, start)
        if due <= start and not in_work:
            raise InputError(f"order.due = {due:%Y-%m-%d %H:%M} is not after the start, {start:%Y-%m-%d %H:%M}")
    midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
    shop = _Shop(build=build, midnight=midnight)
    for other in beside:
        shop.take(other)
    begin = shop.hours(start)
    events: list[Event] = []
    schedules: list[Schedule] = []
    warnings: list[str] = []
    ready = start
    done = _Done(runs=runs_done, laced=laced)
    for wheel in range(1, count + 1):
        laid, real, notes = _one_wheel(shop, schedule, begin, wheel, count, done, name or build.name)
        events += laid
        schedules.append(real)
        warnings += notes
        ready = max(ready, laid[-1].start)
    late = too_late(due, ready)
    return Laid(
        events=tuple(sorted(events, key=lambda e: (e.start, e.wheel, e.number))),
        schedules=tuple(schedules),
        warnings=tuple(dict.fromkeys([*warnings, *late])),
        nights=len({e.start.date() for e in events if e.kind == "load"}),
        ready=ready,
        late=bool(late),
    )


def too_late(due: datetime | None, ready: datetime) -> list[str]:
    """Says so where an order is ready after its due date; nothing where it is not, or where none is given."""
    if due is None or ready <= _alike(due, ready):
        return []
    return [f"ready on {ready:%Y-%m-%d %H:%M}, after the due date {due:%Y-%m-%d %H:%M}"]


def refuse_gone_by(due: datetime | None, now: datetime) -> None:
    """Raises InputError where an order's due date lies in the past; without a zone it is the shop's own clock."""
    if due is not None and due <= _alike(now, due):
        raise InputError(f"order.due = {due:%Y-%m-%d %H:%M} lies in the past; give a date to come, or none")


def _alike(moment: datetime, like: datetime) -> datetime:
    """With or without a time zone, as the other has it."""
    if like.tzinfo is None:
        return moment if moment.tzinfo is None else moment.astimezone().replace(tzinfo=None)
    return moment.replace(tzinfo=like.tzinfo) if moment.tzinfo is None else moment.astimezone(like.tzinfo)


def _one_wheel(
    shop: _Shop, schedule: Schedule, begin: float, wheel: int, count: int, done: _Done, name: str
) -> tuple[list[Event], Schedule, list[str]]:
    build, n = shop.build, shop.build.wheel.spokes
    notes: list[str] = []
    runs = runs_of(schedule, n)
    if runs:
        bench = _best_bench(shop, schedule, begin)
        if bench.apart_h > LIKE_PLANNED_H:
            rests = [bench.laced - end for end in bench.ended]
            notes.append(
                f"wheel {wheel}: days off and working hours make rests of {min(rests):.1f} to {max(rests):.1f} h "
                f"instead of the planned {min(r for _, r in runs):.1f} to {max(r for _, r in runs):.1f} h"
            )
    else:
        laced = begin if done.laced else shop.next_at_work(_up(begin), LACING_H)
        if laced is None:
            raise _no_day("lacing", LACING_H)
        bench = _Bench(loaded=(), ended=(), laced=laced, apart_h=0.0)
    after = begin if done.laced else bench.laced + LACING_H + build.shop.laced_h
    set_at = _set_time(shop, schedule, after)
    deliver = shop.next_at_work(set_at + schedule.deliver.at_h, DELIVER_H)
    if deliver is None:
        raise _no_day("the delivery", DELIVER_H)
    planned_h = schedule.laced.hours if schedule.laced else build.shop.laced_h
    stands_h = set_at - bench.laced - LACING_H
    if stands_h > planned_h + LIKE_PLANNED_H and not done.laced:
        notes.append(
            f"wheel {wheel}: laced for {stands_h:.1f} h before its set instead of the planned {planned_h:.1f} h "
            "(working hours)"
        )
    if deliver > set_at + schedule.deliver.at_h + LIKE_PLANNED_H:
        notes.append(f"wheel {wheel}: delivered {deliver - set_at:.1f} h after its set began (planned: "
                     f"{schedule.deliver.at_h:g} h)")  # fmt: skip
    real = schedule if done.laced else _as_laid(schedule, bench, runs, stands_h, n)
    times = Times(
        runs=tuple((p, t, e) for (p, _), t, e in zip(runs, bench.loaded, bench.ended, strict=True)),
        first_run=done.runs + 1,
        laced=None if done.laced else bench.laced,
        set=set_at,
        sessions=schedule.sessions,
        deliver=deliver,
    )
    which = f"{name}, wheel {wheel} of {count}" if count > 1 else name
    events = events_at(build, schedule, times, shop.moment, wheel, which)
    shop.take(events)
    return events, real, notes


def _best_bench(shop: _Shop, schedule: Schedule, begin: float) -> _Bench:
    """The first day on which the frame can be loaded at a time that keeps the rests as planned; else the nearest."""
    found: list[tuple[float, float, _Bench]] = []
    first = int(begin // DAY_H)
    steps = int((shop.closes - shop.opens) / GRID_H)
    for day in range(first, first + DAYS_TRIED):
        if not shop.works(day):
            continue
        today: list[tuple[float, float, _Bench]] = []
        for k in range(steps + 1):
            clock = shop.opens + k * GRID_H
            bench = _packed(shop, schedule, max(day * DAY_H + clock, begin), clock)
            if bench is not None:
                today.append((round(bench.apart_h, 2), bench.laced, bench))
        if today:
            best = min(today, key=lambda b: b[:2])
            found.append(best)
            if best[0] <= LIKE_PLANNED_H:
                return best[2]
    if not found:
        stretch = schedule.prestretch
        assert stretch is not None
        raise _no_day("a run of the frame", stretch.hours)
    return min(found, key=lambda b: b[:2])[2]


def _packed(shop: _Shop, schedule: Schedule, begin: float, clock: float) -> _Bench | None:
    """All runs one after the other; the first of each day begins (its spokes mounted) not before ``clock``."""
    build, stretch = shop.build, schedule.prestretch
    assert stretch is not None
    runs = runs_of(schedule, build.wheel.spokes)
    mount, hours = mount_h(build, runs), stretch.hours
    loaded: list[float] = []
    ended: list[float] = []
    t = begin
    last_day = -1
    for _ in runs:
        t = max(t, begin)
        for _ in range(LOOK_AHEAD_DAYS * 8):
            day, now = divmod(t, DAY_H)
            earliest = max(shop.opens + mount, clock if int(day) != last_day else 0.0)
            if now < earliest - 1e-6:
                t = day * DAY_H + earliest
                continue
            over = now > shop.closes + 1e-6 or (not build.shop.overnight_bench and now + hours > shop.closes + 1e-6)
            if over or not shop.works(int(day)):
                t = (day + 1) * DAY_H
                continue
            blocked = [b for a, b in shop.frame if t - mount < b - 1e-6 and t + hours > a + 1e-6]
            if blocked:
                t = max(blocked) + mount
                continue
            busy = [b for a, b in shop.person if t - mount < b - 1e-6 and t > a + 1e-6]
            if busy:
                t = max(busy) + mount
                continue
            break
        else:
            return None
        loaded.append(t)
        ended.append(t + hours)
        last_day = int(t // DAY_H)
        t = t + hours + mount
    laced = shop.next_at_work(ended[-1] + build.shop.slack_h, LACING_H)
    if laced is None:
        return None
    apart = max(abs((laced - e) - rest) for e, (_, rest) in zip(ended, runs, strict=True))
    return _Bench(loaded=tuple(loaded), ended=tuple(ended), laced=laced, apart_h=apart)


def _set_time(shop: _Shop, schedule: Schedule, after_h: float) -> float:
    """The first start of the set at which it and all later sessions fall into working hours."""
    t = _up(after_h)
    until = after_h + LOOK_AHEAD_DAYS * DAY_H
    while t < until:
        if all(shop.at_work(t + s.at_h, s.length_h(shop.build.shop)) for s in schedule.sessions):
            return t
        t += GRID_H
    longest = schedule.sessions[-1]
    raise _no_day(f"the set and what follows it (last: {longest.kind} {longest.at_h:g} h after it)", None)


def _no_day(what: str, hours: float | None) -> CannotAnswer:
    length = "" if hours is None else f" ({hours:g} h)"
    return CannotAnswer(
        f"{what}{length} does not fit into shop.work_start to work_end on any day within {LOOK_AHEAD_DAYS} days: "
        "change the hours, order.days_off or the plan"
    )


def _as_laid(
    schedule: Schedule,
    bench: _Bench,
    runs: Sequence[tuple[tuple[int, ...], float]],
    stands_h: float,
    spokes: int,
) -> Schedule:
    """The schedule with the rests that the calendar gives."""
    real = schedule
    if runs:
        rests = [0.0] * spokes
        for (positions, _), end in zip(runs, bench.ended, strict=True):
            for p in positions:
                rests[p - 1] = bench.laced - end
        real = rested_so(schedule, rests)
    if real.laced is not None:
        real = replace(real, laced=replace(real.laced, hours=round(stands_h, 3)))
    return real
