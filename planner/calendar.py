"""Events as iCalendar (RFC 5545) through the icalendar library: a file that a phone opens."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from uuid import NAMESPACE_URL, uuid5

from icalendar import Alarm, Calendar
from icalendar import Event as Component

from planner.events import Event

PRODID = "-//longhold//tensioning schedule//EN"


def uid_of(order: str, event: Event) -> str:
    """The same for the same step of the same order, whenever it is laid out: a later file moves it."""
    return f"{uuid5(NAMESPACE_URL, f'longhold:{order}:{event.wheel}:{event.kind}:{event.number}')}@longhold"


def ics_text(events: Sequence[Event], *, order: str, made_at: datetime, sequence: int = 0, name: str = "") -> str:
    """The events as one VCALENDAR, CRLF line ends, folded at 75 octets.

    Parameters
    ----------
    order : what the events belong to (a record's id, or a build's name); UIDs are made from it
    made_at : DTSTAMP and LAST-MODIFIED
    sequence : rises when a later file replaces an earlier one
    name : of the calendar
    """
    stamp = made_at.astimezone(UTC).replace(microsecond=0)
    calendar = Calendar()
    calendar.add("prodid", PRODID)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    if name:
        calendar.add("x-wr-calname", name)
    for event in events:
        one = Component()
        one.add("uid", uid_of(order, event))
        one.add("dtstamp", stamp)
        one.add("last-modified", stamp)
        one.add("sequence", sequence)
        one.add("dtstart", _when(event.start))
        one.add("dtend", _when(event.end))
        one.add("summary", event.title)
        one.add("description", event.details)
        one.add("categories", ["longhold", event.kind])
        one.add("transp", "TRANSPARENT" if event.alarm_min is None else "OPAQUE")
        if event.alarm_min is not None:
            alarm = Alarm()
            alarm.add("action", "DISPLAY")
            alarm.add("description", event.title)
            alarm.add("trigger", timedelta(minutes=-event.alarm_min))
            one.add_component(alarm)
        calendar.add_component(one)
    return str(calendar.to_ical().decode("utf-8"))


def _when(moment: datetime) -> datetime:
    """UTC where a time zone is known; else floating: the clock of whoever reads it (RFC 5545, 3.3.5, form 1)."""
    moment = moment.replace(microsecond=0)
    return moment if moment.tzinfo is None else moment.astimezone(UTC)
