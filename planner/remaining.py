"""What of a wheel's schedule is still to come, on the calendar: from the record's own times where things are done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from models.errors import InputError
from planner.agenda import runs_of
from planner.asdone import next_session
from planner.events import Event, Times, events_at
from planner.record import Record
from planner.schedule import Group, Schedule
from planner.stretching import Laid, calendar_of, too_late


def remaining(
    record: Record,
    now: datetime,
    start: datetime | None = None,
    wheels: int = 1,
    beside: Sequence[Sequence[Event]] = (),
) -> Laid:
    """Events still to come; before anything is done, of so many alike ``wheels``.

    Before the set they are laid out from ``start`` (else from now, in the computer's time zone) in working hours and
    around the events of other wheels ``beside``; from the set on they stand at the schedule's times after it.

    Raises
    ------
    InputError
        No schedule is noted, or the wheel is delivered already.
    """
    schedule, build = record.schedule, record.the_build
    if schedule is None:
        raise InputError("no schedule is noted: nothing to put on a calendar")
    if record.delivered is not None:
        raise InputError("the wheel is delivered: nothing is to come but its reading ('wheel next')")
    began = record.set_utc
    if began is not None:
        session, _ = next_session(record, now)
        at_h = float("inf") if session is None else session.at_h
        times = Times(sessions=tuple(s for s in schedule.sessions if s.at_h >= at_h), deliver=schedule.deliver.at_h)

        def moment(hours: float) -> datetime:
            return began + timedelta(seconds=round(hours * 3600.0))

        events = tuple(events_at(build, schedule, times, moment, 1, record.name))
        ready = events[-1].start
        late = too_late(build.order.due, ready.astimezone())
        return Laid(events=events, schedules=(schedule,), warnings=tuple(late), nights=0, ready=ready, late=bool(late))
    begin = start if start is not None else now.astimezone()
    laced = record.laced
    if laced is not None:
        # set from when it has stood laced long enough
        ready = laced.at_utc + timedelta(hours=build.shop.laced_h)
        begin = max(begin, ready) if begin.tzinfo else max(begin, ready.astimezone().replace(tzinfo=None))
        left, done, wheels = replace(schedule, prestretch=None, rest=None), 0, 1
    else:
        left, done = _left(record, schedule)
    in_work = laced is not None or bool(record.stretched())
    return calendar_of(
        build, left, begin, wheels=wheels, now=now, name=record.name,
        runs_done=done, laced=laced is not None, in_work=in_work, beside=beside,
    )  # fmt: skip


def _left(record: Record, schedule: Schedule) -> tuple[Schedule, int]:
    """The schedule without the runs of the frame that are done, and how many these are."""
    done = record.stretched()
    planned = runs_of(schedule, record.the_build.wheel.spokes)
    runs = [(tuple(p for p in positions if p not in done), rest_h) for positions, rest_h in planned]
    left = [(p, r) for p, r in runs if p]
    over = len(planned) - len(left)
    if not left or schedule.prestretch is None:
        return replace(schedule, prestretch=None, rest=None), over
    if not over:
        return schedule, 0
    groups = tuple(Group(positions=p, rest_h=r) for p, r in left)
    return replace(schedule, prestretch=replace(schedule.prestretch, groups=groups)), over
