"""iCalendar files: RFC 5545 (required properties 3.6.1, folding 3.1, alarms 3.6.6; numbers from memory, high confidence)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import icalendar
import pytest

from planner.calendar import PRODID, ics_text, uid_of
from planner.events import Event

MADE = datetime(2025, 3, 1, 12, 0, tzinfo=UTC)


def event(start: datetime, kind: str = "pass", number: int = 1, **more: object) -> Event:
    given = {"title": "Pass after the night: front", "details": "To 1040 N.", "alarm_min": 15.0, **more}
    return Event(kind=kind, wheel=1, number=number, start=start, end=start + timedelta(minutes=30), **given)  # type: ignore[arg-type]


def read(text: str) -> icalendar.Calendar:
    calendar = icalendar.Calendar.from_ical(text)
    assert not calendar.errors
    assert all(not e.errors for e in calendar.walk())
    return calendar


def test_what_is_written_reads_back_the_same() -> None:
    start = datetime(2025, 3, 7, 9, 0, tzinfo=timezone(timedelta(hours=1)))
    words = "To 1040 N left, 730 N right; read every spoke,\nthen \\ turn. Größe " + "x" * 200
    calendar = read(ics_text([event(start, details=words)], order="front-1", made_at=MADE, name="Front"))
    assert calendar["version"] == "2.0" and calendar["prodid"] == PRODID
    [one] = calendar.walk("VEVENT")
    assert one.start == start and one.end == start + timedelta(minutes=30)
    assert str(one["description"]) == words
    assert one["dtstamp"].dt == MADE
    [alarm] = one.walk("VALARM")
    assert alarm["action"] == "DISPLAY" and alarm["trigger"].dt == timedelta(minutes=-15) and "description" in alarm


def test_lines_end_with_crlf_and_are_folded_at_75_octets() -> None:
    text = ics_text([event(datetime(2025, 3, 7, 9, 0), title="ä" * 90)], order="a", made_at=MADE)
    data = text.encode()
    assert data.endswith(b"END:VCALENDAR\r\n") and b"\n" not in data.replace(b"\r\n", b"")
    assert max(len(line) for line in data.split(b"\r\n")) == 75  # with letters of two octets: filled to the last one


def test_known_zones_become_utc_and_a_shops_own_clock_floats() -> None:
    zone = timezone(timedelta(hours=5, minutes=30))
    text = ics_text(
        [event(datetime(2025, 3, 7, 9, 0, tzinfo=zone)), event(datetime(2025, 3, 8, 9, 0), number=2)],
        order="a",
        made_at=MADE,
    )
    assert "DTSTART:20250307T033000Z" in text and "DTSTART:20250308T090000\r\n" in text


def test_a_step_keeps_its_uid_when_it_moves_and_no_two_share_one() -> None:
    monday, tuesday = datetime(2025, 3, 3, 9), datetime(2025, 3, 4, 9)
    assert uid_of("front-1", event(monday)) == uid_of("front-1", event(tuesday))
    steps = [event(monday, kind, n) for kind in ("load", "pass") for n in (1, 2)]
    uids = {uid_of(order, e) for order in ("front-1", "front-2") for e in steps}
    assert len(uids) == 8
    first = read(ics_text(steps, order="front-1", made_at=MADE, sequence=3))
    assert {int(e["sequence"]) for e in first.walk("VEVENT")} == {3}
    assert {str(e["uid"]) for e in first.walk("VEVENT")} == {uid_of("front-1", e) for e in steps}


@pytest.mark.parametrize(("alarm", "transparent"), [(None, "TRANSPARENT"), (60.0, "OPAQUE")])
def test_what_happens_by_itself_neither_rings_nor_blocks_the_day(alarm: float | None, transparent: str) -> None:
    calendar = read(ics_text([event(datetime(2025, 3, 3, 2), alarm_min=alarm)], order="a", made_at=MADE))
    [one] = calendar.walk("VEVENT")
    assert one["transp"] == transparent and len(one.walk("VALARM")) == (alarm is not None)
