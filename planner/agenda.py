"""What comes next for a wheel, and when: from its record and its schedule alone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from planner.asdone import GRACE_H, next_session
from planner.build import Build
from planner.record import Record, SessionDone, hours_between, written
from planner.schedule import Prestretch, Schedule

TOUCH_AFTER_SET_H = 1.0
HOW = "('longhold retension')"


@dataclass(frozen=True, slots=True, kw_only=True)
class Next:
    """The next action."""

    action: str  # load, lace, set, touch, pass, deliver, read, plan
    what: str  # in plain words
    not_before_utc: datetime | None  # None: from now on
    due_utc: datetime | None  # None: at no set time
    latest_utc: datetime | None = None  # after it the plan no longer holds as asked; None: not known, or no such time
    positions: tuple[int, ...] = ()  # that the action concerns; empty: all
    tension_N: tuple[float, float] | None = None  # left, right
    slack_h: float | None = None  # how long the spokes have hung slack; None: none is slack
    notes: tuple[str, ...] = ()

    def overdue(self, now: datetime) -> bool:
        """Whether it should have been done by now."""
        if self.latest_utc is not None and now > self.latest_utc:
            return True
        return self.due_utc is not None and hours_between(self.due_utc, now) > GRACE_H

    def as_dict(self, now: datetime) -> dict[str, Any]:
        """The JSON answer of ``wheel next``."""
        return {
            "action": self.action,
            "what": self.what,
            "now_utc": written(now),
            "not_before_utc": None if self.not_before_utc is None else written(self.not_before_utc),
            "due_utc": None if self.due_utc is None else written(self.due_utc),
            "latest_utc": None if self.latest_utc is None else written(self.latest_utc),
            "overdue": self.overdue(now),
            "positions": list(self.positions),
            "tension_N": None
            if self.tension_N is None
            else dict(zip(("left", "right"), (round(t, 1) for t in self.tension_N), strict=True)),
            "slack_h": None if self.slack_h is None else round(self.slack_h, 2),
            "notes": list(self.notes),
        }


def next_action(record: Record, now: datetime) -> Next:
    """The next thing to do to this wheel; ``latest_utc`` is left open (`windows.latest_rest_h` works it out)."""
    build, schedule = record.the_build, record.schedule
    if record.delivered is not None:
        return _read(record, build)
    if schedule is None:
        return Next(
            action="plan",
            what="This record has no schedule: make one ('longhold plan') and note it ('wheel note ... planned').",
            not_before_utc=None,
            due_utc=None,
        )
    if record.set_utc is None:
        return _before_the_set(record, build, schedule, now)
    return _after_the_set(record, build, schedule, now)


def runs_of(schedule: Schedule, spokes: int) -> list[tuple[tuple[int, ...], float]]:
    """Positions of each run of the frame and their rest, h, in the order of the runs."""
    stretch = schedule.prestretch
    if stretch is None:
        return []
    if not stretch.groups:
        return [(tuple(range(1, spokes + 1)), schedule.rest.hours if schedule.rest else 0.0)]
    return [(g.positions, g.rest_h) for g in sorted(stretch.groups, key=lambda g: -g.rest_h)]


def _before_the_set(record: Record, build: Build, schedule: Schedule, now: datetime) -> Next:
    stretch, laced = schedule.prestretch, record.laced
    if laced is not None:
        return _set(record, build, schedule, laced.at_utc)
    if stretch is not None:
        done = record.stretched()
        runs = runs_of(schedule, build.wheel.spokes)
        for i, (positions, rest_h) in enumerate(runs, start=1):
            left = tuple(p for p in positions if p not in done)
            if left:
                return _load(record, stretch, runs, i, left, rest_h, now)
    return _lace(record, build, schedule, now)


def _slack(record: Record, now: datetime) -> tuple[float | None, dict[int, datetime]]:
    since = {p: t for p, t in record.slack_since().items() if t <= now}
    return (max(hours_between(t, now) for t in since.values()) if since else None), since


def _load(
    record: Record,
    stretch: Prestretch,
    runs: list[tuple[tuple[int, ...], float]],
    number: int,
    left: tuple[int, ...],
    rest_h: float,
    now: datetime,
) -> Next:
    done = record.stretched()
    due = None
    earlier = [(p, r) for p, r in runs[: number - 1] if all(q in done for q in p)]
    if earlier:
        # the runs before it began their rest; this one should end as much later as the plan has it
        positions, their_rest_h = earlier[-1]
        ended = max(done[p].at_utc for p in positions)
        due = ended + timedelta(hours=their_rest_h - rest_h - stretch.hours)
    slack_h, _ = _slack(record, now)
    hold = f"{_hours(stretch.hours)}, {stretch.temperature_C:g} degC"
    of = f"run {number} of {len(runs)}: " if len(runs) > 1 else ""
    return Next(
        action="load",
        what=f"Load the frame, {of}positions {listed(left)}, {stretch.load_N:.0f} N for {hold}.",
        not_before_utc=None,
        due_utc=due,
        positions=left,
        slack_h=slack_h,
        notes=() if slack_h is None else (f"spokes of earlier runs have hung slack for up to {_hours(slack_h)}",),
    )


def _lace(record: Record, build: Build, schedule: Schedule, now: datetime) -> Next:
    slack_h, since = _slack(record, now)
    tension = schedule.laced.tension_N if schedule.laced else build.shop.lacing_tension_N
    if not since:
        return Next(
            action="lace",
            what=f"Lace the wheel, all spokes to {tension:.0f} N.",
            not_before_utc=None,
            due_utc=None,
            tension_N=(tension, tension),
        )
    last = max(since.values())
    rest_h = schedule.rest.hours if schedule.rest else build.shop.slack_h
    planned_longest = max(schedule.rest_h(build.wheel.spokes))
    hung_N = schedule.rest.load_N if schedule.rest else 0.0
    how = f"they hang at {hung_N:.0f} N" if hung_N > 0 else "they hang slack"
    return Next(
        action="lace",
        what=f"Lace the wheel, all spokes to {tension:.0f} N: {how}, and that time undoes the stretch.",
        not_before_utc=last + timedelta(hours=build.shop.slack_h),
        due_utc=last + timedelta(hours=rest_h),
        tension_N=(tension, tension),
        slack_h=slack_h,
        notes=(
            f"slack for {_hours(hours_between(last, now))} (last run) to {_hours(slack_h or 0.0)} (first run); "
            f"the plan has {_hours(rest_h)} to {_hours(planned_longest)}",
        ),
    )


def _set(record: Record, build: Build, schedule: Schedule, laced: datetime) -> Next:
    first, share = schedule.sessions[0], build.shop.squeeze_share
    at = f" at {100 * share:.0f} % of it" if share < 1.0 else ""
    squeezing = f"squeeze pairs{at}; " if build.shop.stress_relief.squeezes else ""
    planned_h = schedule.laced.hours if schedule.laced else 0.0
    return Next(
        action="set",
        what=f"Set the wheel to {both_sides(first.tension_N)}, in rounds; {squeezing}read all spokes.",
        not_before_utc=laced + timedelta(hours=build.shop.laced_h),
        due_utc=laced + timedelta(hours=planned_h),
        tension_N=first.tension_N,
    )


def _end(session: SessionDone) -> datetime:
    return session.at_utc + timedelta(hours=session.hours)


def _after_the_set(record: Record, build: Build, schedule: Schedule, now: datetime) -> Next:
    done = record.sessions
    began, last = done[0].at_utc, _end(done[-1])
    session, missed = next_session(record, now)
    notes = [
        f"the touch {_hours(m.at_h)} after the set was left out: the next pass has more to make up" for m in missed
    ]
    read = [e for e in record.standing() if e.kind == "reading" and e.at_utc > last]
    if read and not record.turned and session is not None and session.kind == "pass":
        ago = _hours((now - read[-1].at_utc).total_seconds() / 3600.0)
        notes.append(
            f"all spokes were read {ago} ago and no nipple was turned: if the answer was to leave the wheel alone, "
            "deliver it when it is due; if it put the pass off, do it then"
        )
    if record.turned:
        notes.append("nipples were turned in a session that is not noted as over: read again, then note the session")
    if session is not None and session.kind == "touch":
        return Next(
            action="touch",
            what=f"Same-day touch: read all spokes, bring them to {both_sides(session.tension_N)} {HOW}.",
            not_before_utc=_end(done[0]) + timedelta(hours=TOUCH_AFTER_SET_H),
            due_utc=began + timedelta(hours=session.at_h),
            tension_N=session.tension_N,
            notes=tuple(notes),
        )
    if session is not None:
        return Next(
            action="pass",
            what=f"After the night: read all spokes, then bring them to {both_sides(session.tension_N)}, unless the "
            f"wheel holds as it stands {HOW}.",
            not_before_utc=last + timedelta(hours=build.shop.pass_interval_h),
            due_utc=began + timedelta(hours=session.at_h),
            tension_N=session.tension_N,
            notes=tuple(notes),
        )
    return Next(
        action="deliver",
        what=f"Read all spokes and both run-outs; deliver if the wheel holds as it stands {HOW}, and sign it off.",
        not_before_utc=last,
        due_utc=began + timedelta(hours=schedule.deliver.at_h),
        notes=tuple(notes),
    )


def _read(record: Record, build: Build) -> Next:
    began, delivered = record.set_utc, record.delivered
    assert began is not None and delivered is not None
    horizon = began + timedelta(hours=build.tension.horizon_h)
    later = [e for e in record.standing() if e.kind == "reading" and e.at_utc >= delivered.at_utc]
    at_horizon = [e for e in later if e.at_utc >= horizon - timedelta(hours=0.1 * build.tension.horizon_h)]
    if at_horizon:
        return Next(
            action="read",
            what="Delivered, and read at the horizon of its plan: read it again at its service date ('wheel ledger').",
            not_before_utc=None,
            due_utc=None,
        )
    return Next(
        action="read",
        what="Delivered. Read all spokes at the horizon of its plan and note it: that is what claims are held against.",
        not_before_utc=None,
        due_utc=horizon,
    )


def both_sides(tension_N: tuple[float, float]) -> str:
    """Set tensions as a person writes them."""
    left, right = (f"{t:.0f} N" for t in tension_N)
    return left if left == right else f"{left} left and {right} right"


def _hours(hours: float) -> str:
    """1.5 h, 20 min, 3 d 4 h."""
    if hours < 1.0:
        return f"{60 * hours:.0f} min"
    if hours < 48.0:
        return f"{hours:.1f}".removesuffix(".0") + " h"
    days, rest = divmod(round(hours), 24)
    return f"{days} d {rest} h" if rest else f"{days} d"


def listed(positions: tuple[int, ...]) -> str:
    """Positions as a person writes them: 1, 3-6, 9."""
    out: list[list[int]] = []
    for p in sorted(positions):
        if out and p == out[-1][-1] + 1:
            out[-1].append(p)
        else:
            out.append([p])
    return ", ".join(str(r[0]) if len(r) == 1 else f"{r[0]}-{r[-1]}" for r in out)
