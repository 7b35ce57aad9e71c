"""What a calendar says of each step of a schedule: titles, details, alarms."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from planner.agenda import both_sides, listed
from planner.schedule import Schedule, Session, hour_of

if TYPE_CHECKING:
    from planner.build import Build

LACING_H = 1.0  # a wheel is laced in so long (estimate); its spokes count as slack up to the start of it
UNLOAD_H = 0.25
DELIVER_H = 0.25
BEFORE_MIN = 15.0  # alarm
BEFORE_DELIVERY_MIN = 60.0
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
TITLES = {"set": "Set", "touch": "Touch (same day)", "pass": "Pass after the night"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something to do at a time."""

    kind: str  # load, unload, lace, set, touch, pass, deliver
    wheel: int  # 1, 2, ... of the order
    number: int  # 1, 2, ... of its kind for this wheel
    start: datetime
    end: datetime
    title: str
    details: str
    positions: tuple[int, ...] = ()  # on the frame; empty: all
    alarm_min: float | None = None  # minutes before the start; None: no alarm


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """When the steps still to come take place, in hours of one clock (`Schedule` times count from ``set``)."""

    runs: tuple[tuple[tuple[int, ...], float, float], ...] = ()  # positions, load reached, load taken off
    first_run: int = 1  # number of the first of them
    laced: float | None = None  # start of the lacing; None: done, or not to come
    set: float = 0.0  # start of the set, done or to come
    sessions: tuple[Session, ...] = ()
    deliver: float | None = None


def mount_h(build: Build, runs: Sequence[tuple[tuple[int, ...], object]]) -> float:
    """How long it takes to mount the fullest run."""
    return build.shop.mount_min_per_spoke / 60.0 * max(len(p) for p, _ in runs)


def events_at(
    build: Build,
    schedule: Schedule,
    times: Times,
    moment: Callable[[float], datetime],
    wheel: int,
    which: str,
) -> list[Event]:
    """Events of one wheel, in order; ``moment`` turns hours into a time, ``which`` names the wheel in titles."""
    out: list[Event] = []

    def add(kind: str, number: int, start: float, length: float, title: str, details: str,
            positions: tuple[int, ...] = (), alarm_min: float | None = BEFORE_MIN) -> None:  # fmt: skip
        out.append(
            Event(
                kind=kind,
                wheel=wheel,
                number=number,
                start=moment(start),
                end=moment(start + length),
                title=f"{title}: {which}",
                details=details,
                positions=positions,
                alarm_min=alarm_min,
            )
        )

    stretch = schedule.prestretch
    if stretch is not None and times.runs:
        mount = mount_h(build, [(p, None) for p, _, _ in times.runs])
        last = times.first_run + len(times.runs) - 1
        for i, (positions, loaded, ended) in enumerate(times.runs, start=times.first_run):
            of = f", run {i} of {last}" if last > 1 else ""
            details = (
                f"Positions {listed(positions)}: {_stations(build, positions)}. {stretch.load_N:.0f} N for "
                f"{stretch.hours:g} h at {stretch.temperature_C:g} degC, to be reached at {moment(loaded):%H:%M}. "
                "Guard closed, eye protection on."
            )
            add("load", i, loaded - mount, mount, f"Load the frame{of}", details, positions)
            lacing = "" if times.laced is None else f" Lacing is on {moment(times.laced):%A at %H:%M}."
            details = (
                f"Positions {listed(positions)} are unloaded; their slack clock starts. Read the log first.{lacing}"
            )
            at_work = _in_hours(build, moment(ended))
            add("unload", i, ended, UNLOAD_H, f"Off the frame{of}", details, positions, 0.0 if at_work else None)
    if times.laced is not None:
        tension = schedule.laced.tension_N if schedule.laced else build.shop.lacing_tension_N
        add("lace", 1, times.laced, LACING_H, "Lace", f"All spokes to {tension:.0f} N. Slack time undoes the stretch.")
    for kind, number, session in _numbered(schedule, times.sessions):
        details = f"To {both_sides(session.tension_N)}. Read every spoke before and after."
        add(kind, number, times.set + session.at_h, session.length_h(build.shop), TITLES[kind], details)
    if times.deliver is not None:
        details = "Read every spoke; deliver if within tolerance. Sign off."
        add("deliver", 1, times.deliver, DELIVER_H, "Deliver", details, (), BEFORE_DELIVERY_MIN)
    return out


def _numbered(schedule: Schedule, wanted: Sequence[Session]) -> list[tuple[str, int, Session]]:
    """Each wanted session with its number among those of its kind in the whole schedule."""
    count: dict[str, int] = {}
    out = []
    for session in schedule.sessions:
        count[session.kind] = count.get(session.kind, 0) + 1
        if session in wanted:
            out.append((session.kind, count[session.kind], session))
    return out


def is_off(day: date, days_off: Sequence[object]) -> bool:
    """Whether a day is among days off: dates, or names of weekdays."""
    off = {d.isoformat() if isinstance(d, date) else d for d in days_off}
    return day.isoformat() in off or WEEKDAYS[day.weekday()] in off


def _in_hours(build: Build, moment: datetime) -> bool:
    clock = hour_of(moment)
    if is_off(moment.date(), build.order.days_off):
        return False
    return hour_of(build.shop.work_start) <= clock and clock + UNLOAD_H <= hour_of(build.shop.work_end)


def _stations(build: Build, positions: tuple[int, ...]) -> str:
    """Which position hangs on which station (numbered from 1)."""
    per = build.shop.spokes_per_station
    parts = [positions[i : i + per] for i in range(0, len(positions), per)]
    return ", ".join(f"station {k}: {listed(p)}" for k, p in enumerate(parts, start=1))
