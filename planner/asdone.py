"""From a wheel's record to the history that the calculation needs: hours from the set, tensions at shop temperature."""

from __future__ import annotations

from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError
from planner.past import BenchNight, Past, Seen, Sitting, Turned
from planner.present import at_shop_temperature
from planner.record import Reading, Record, SessionDone, Sheet, Slack, Stretched, hours_between
from planner.schedule import Session
from planner.wheel import Wheel

Floats = NDArray[np.float64]
GRACE_H = 2.0  # an action so much later than due is called overdue


def past_of(record: Record, wheel: Wheel, now: datetime) -> Past:
    """Everything noted up to now.

    Raises
    ------
    InputError
        The wheel has not been set yet, or a session is noted as later than now.
    """
    set_utc = record.set_utc
    if set_utc is None:
        raise InputError(f"the record of '{record.name}' has no set session yet: note it first")
    expansion = float(record.the_batch.chain.expansion_per_K)

    def tensions(sheet: Sheet, room_C: float | None = None) -> Floats:
        th = room_C if sheet.temperature_C is None else sheet.temperature_C
        return at_shop_temperature(wheel, np.array(sheet.tension_N), th, expansion)

    def at(moment: datetime) -> float:
        return hours_between(set_utc, moment)

    sittings: list[Sitting] = []
    seen: list[Seen] = []
    for entry in record.standing():
        if isinstance(entry, SessionDone):
            if entry.at_utc > now:
                raise InputError(f"entry {entry.n} (session at {entry.at_utc:%Y-%m-%d %H:%M}Z) is later than now")
            if entry.before is not None and sittings:
                seen.append(Seen(at_h=at(entry.at_utc), tension_N=tensions(entry.before, entry.temperature_C)))
            sittings.append(
                Sitting(
                    kind=entry.session,
                    at_h=at(entry.at_utc),
                    hours=entry.hours,
                    wanted_N=(entry.tension_N.left, entry.tension_N.right),
                    after_N=None if entry.after is None else tensions(entry.after, entry.temperature_C),
                )
            )
        elif isinstance(entry, Reading) and set_utc < entry.at_utc <= now:
            seen.append(Seen(at_h=at(entry.at_utc), tension_N=tensions(entry.readings)))
    ends = sittings[-1].at_h + sittings[-1].hours
    laced, build = record.laced, record.the_build
    laced_utc = laced.at_utc if laced is not None else None
    nights = []
    for position, night in sorted(record.stretched().items()):
        since = _slack_since(record, position, night.at_utc)
        rest_h = build.shop.slack_h if laced_utc is None else max(hours_between(since, laced_utc), 0.0)
        nights.append(
            BenchNight(
                positions=(position,),
                load_N=night.load_N,
                hours=night.hours,
                temperature_C=night.temperature_C,
                rest_h=round(rest_h, 2),
            )
        )
    return Past(
        nights=_together(nights),
        rest_load_N=record.schedule.rest.load_N if record.schedule and record.schedule.rest else 0.0,
        laced_h=build.shop.laced_h if laced_utc is None else max(hours_between(laced_utc, set_utc), 0.0),
        lacing_N=build.shop.lacing_tension_N if laced is None else laced.tension_N,
        sittings=tuple(sittings),
        # the end of a session is where a reading within it belongs
        seen=tuple(s for s in seen if _left_alone(s, sittings)),
        turned=turned_of(record),
        now_h=max(at(now), ends),
        words="as noted",
    )


def turned_of(record: Record) -> tuple[Turned, ...]:
    """Nipples turned since the last session that is over."""
    return tuple(Turned(before_N=np.array(t.before_N), after_N=np.array(t.after_N)) for t in record.turned)


def _slack_since(record: Record, position: int, default: datetime) -> datetime:
    """Since when a spoke hung slack before lacing."""
    times = [e.at_utc for e in record.standing() if isinstance(e, Slack | Stretched) and position in e.positions]
    return max(times, default=default)


def _together(nights: list[BenchNight]) -> tuple[BenchNight, ...]:
    """Spokes that went through the same, in one entry."""
    out: dict[tuple[float, ...], list[int]] = {}
    for night in nights:
        key = (night.load_N, night.hours, night.temperature_C, night.rest_h)
        out.setdefault(key, []).extend(night.positions)
    return tuple(
        BenchNight(positions=tuple(p), load_N=k[0], hours=k[1], temperature_C=k[2], rest_h=k[3]) for k, p in out.items()
    )


def _left_alone(seen: Seen, sittings: list[Sitting]) -> bool:
    """Whether nipples were left alone when the wheel was read: not within a session."""
    return not any(s.at_h + 1e-6 < seen.at_h < s.at_h + s.hours - 1e-6 for s in sittings)


def next_session(record: Record, now: datetime) -> tuple[Session | None, tuple[Session, ...]]:
    """The session of the schedule that comes next, and touches that were left out and are too late now.

    None: all are done, or there is no schedule. A touch is too late when a pass is done, or its day is over.
    """
    schedule = record.schedule
    if schedule is None:
        return None, ()
    done = record.sessions
    if not done:
        return schedule.sessions[0], ()
    left = {kind: sum(s.session == kind for s in done) for kind in ("set", "touch", "pass")}
    passed, since_h, shop = left["pass"] > 0, hours_between(done[0].at_utc, now), record.the_build.shop
    missed: list[Session] = []
    for session in schedule.sessions:
        if left[session.kind] > 0:
            left[session.kind] -= 1
        elif session.kind == "touch" and (passed or (since_h > shop.day_h and since_h > session.at_h + GRACE_H)):
            missed.append(session)
        else:
            return session, tuple(missed)
    return None, tuple(missed)


def sessions_after(record: Record, session: Session | None) -> tuple[Session, ...]:
    """What the schedule has after ``session``."""
    schedule = record.schedule
    if schedule is None or session is None:
        return ()
    return tuple(s for s in schedule.sessions if s.at_h > session.at_h)
