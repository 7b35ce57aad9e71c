"""Writing in a wheel's record: a new one, and one more entry at its end; what could not have happened is refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from models.errors import InputError
from planner.build import build_of
from planner.record import (
    FORMAT,
    KIND,
    AnyEntry,
    Delivered,
    Laced,
    Planned,
    Reading,
    Record,
    SessionDone,
    Slack,
    Stretched,
    Turned,
    Void,
    kept_of,
    record_of,
    written,
)

FUTURE = timedelta(days=1)  # what is noted may lie so far ahead of the clock, not more


def new_record(
    *,
    name: str,
    build: Mapping[str, Any],
    batch: Mapping[str, Any],
    positions: Sequence[str] | None,
    schedule: Mapping[str, Any] | None,
    identity: str,
    now: datetime,
    made_with: str,
) -> dict[str, Any]:
    """The content of a new WHEEL.json.

    Raises
    ------
    InputError
        The labels are not one for each position, or the schedule is none.
    """
    spokes = build_of(build).wheel.spokes
    if positions is not None and len(positions) != spokes:
        raise InputError(f"{len(positions)} spokes in the positions, the wheel has {spokes}")
    content: dict[str, Any] = {
        "kind": KIND,
        "format": FORMAT,
        "made_with": made_with,
        "id": identity,
        "name": name,
        "begun_utc": written(now),
        "build": dict(build),
        "batch": dict(batch),
        "positions": None if positions is None else list(positions),
        "entries": [],
    }
    if schedule is None:
        return content
    return appended(content, {"kind": "planned", "schedule": kept_of(schedule)}, at=now, now=now, where="schedule")


def appended(
    content: Mapping[str, Any], entry: Mapping[str, Any], *, at: datetime, now: datetime, where: str
) -> dict[str, Any]:
    """The content with one more entry at its end; all before it stays as it is.

    Raises
    ------
    InputError
        The entry is not as it should be, lies in the future, or cannot have happened in this order.
    """
    entries = list(content["entries"])
    new = {"n": len(entries) + 1, **entry, "at_utc": written(at), "noted_utc": written(now)}
    if at > now + FUTURE:
        raise InputError(f"{written(at)} lies in the future (it is {written(now)}): what is noted has happened")
    longer = {**content, "entries": [*entries, new]}
    before = record_of(content, where)
    after = record_of(longer, where)
    _in_turn(before, after.entries[-1])
    return longer


def _in_turn(record: Record, entry: AnyEntry) -> None:
    """Raises InputError where an entry cannot come when it is said to."""
    when, laced, sessions, delivered = entry.at_utc, record.laced, record.sessions, record.delivered
    if isinstance(entry, Void):
        gone = {e.entry for e in record.entries if isinstance(e, Void)}
        if entry.entry in gone or isinstance(record.entries[entry.entry - 1], Void):
            raise InputError(f"entry {entry.entry} is void already, or a voiding itself")
        return
    if isinstance(entry, Planned):
        return
    if delivered is not None and not isinstance(entry, Reading):
        raise InputError(
            f"the wheel was delivered at {written(delivered.at_utc)}: only readings come after that "
            f"(or void entry {delivered.n} first)"
        )
    if isinstance(entry, Stretched | Slack):
        if laced is not None:
            raise InputError(f"the wheel was laced at {written(laced.at_utc)} (entry {laced.n}): too late to stretch")
        return
    if isinstance(entry, Laced):
        if laced is not None:
            raise InputError(f"the wheel was laced at {written(laced.at_utc)} already (entry {laced.n})")
        last = max((e.at_utc for e in record.stretched().values()), default=None)
        if last is not None and when < last:
            raise InputError(f"laced at {written(when)}, but its last spoke came off the frame at {written(last)}")
        return
    if isinstance(entry, SessionDone):
        if (entry.session == "set") != (not sessions):
            raise InputError(
                "the first session is the set" if not sessions else "the wheel was set already; touch or pass"
            )
        if laced is not None and when < laced.at_utc:
            raise InputError(f"a session at {written(when)}, before it was laced at {written(laced.at_utc)}")
        if sessions:
            end = sessions[-1].at_utc + timedelta(hours=sessions[-1].hours)
            if when < end:
                raise InputError(f"a session at {written(when)}, before the last one ended at {written(end)}")
        return
    if not sessions:
        if isinstance(entry, Turned) and laced is not None:
            return
        raise InputError(f"{entry.kind}: the wheel has not been set yet")
    end = sessions[-1].at_utc + timedelta(hours=sessions[-1].hours)
    if when < end and isinstance(entry, Delivered | Turned):
        raise InputError(f"{entry.kind} at {written(when)}, before the last session ended at {written(end)}")
    if isinstance(entry, Delivered) and delivered is not None:
        raise InputError(f"delivered at {written(delivered.at_utc)} already")
