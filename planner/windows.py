"""How long a wheel may wait: until when its plan still holds as asked if it hangs slack or stands laced for longer."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from models.batch import Batch
from planner.outlook import Draws, Setting, draw_wheels, look_ahead
from planner.record import Record, hours_between
from planner.schedule import Group, Schedule
from planner.wheel import wheel_of

if TYPE_CHECKING:
    from planner.build import Build

DRAWS = 128
RATIO = 2.2  # of the steps in log time
LONGER_H = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 14.0, 24.0, 48.0, 96.0)  # waits beyond the planned one that are tried
AS_GOOD = 0.05  # of a probability: what a wait may cost where the plan does not reach what is asked


def _chance(setting: Setting, draws: Draws, schedule: Schedule) -> float:
    return look_ahead(setting, draws, schedule, RATIO).share_that_holds(setting.build.tension)


def _longest(chance_after: Callable[[float], float], asked: float) -> tuple[float | None, float]:
    """The longest wait tried that keeps the chance, h (None: all do), and the chance without a wait."""
    first = chance_after(0.0)
    least = asked if first >= asked else first - AS_GOOD
    good = 0.0
    for wait in LONGER_H[1:]:
        if chance_after(wait) < least:
            return good, first
        good = wait
    return None, first


def _setting(build: Build, batch: Batch, seed: int) -> tuple[Setting, Draws]:
    wheel = wheel_of(build)
    return Setting.of(build, wheel, batch), draw_wheels(build, wheel, batch, np.random.default_rng([seed, 6]), DRAWS)


def rested_so(schedule: Schedule, rests_h: Sequence[float]) -> Schedule:
    """The schedule with each position's real rest, h, instead of the planned one."""
    if schedule.prestretch is None or schedule.rest is None:
        return schedule
    rounded = [round(h, 3) for h in rests_h]
    groups = tuple(
        Group(positions=tuple(p + 1 for p, h in enumerate(rounded) if h == rest), rest_h=rest)
        for rest in sorted(set(rounded), reverse=True)
    )
    return replace(
        schedule,
        prestretch=replace(schedule.prestretch, groups=groups),
        rest=replace(schedule.rest, hours=min(rounded)),
    )


def latest_lacing(record: Record, due: datetime, seed: int = 0) -> tuple[datetime | None, float]:
    """Until when the wheel can be laced so that its schedule still holds as asked, and its chance if laced when due.

    None where waiting up to four days costs nothing that matters. Steps are those of `LONGER_H`.
    """
    schedule = record.schedule
    assert schedule is not None
    build = record.the_build
    setting, draws = _setting(build, record.the_batch, seed)
    since = record.slack_since()

    def chance(wait_h: float) -> float:
        at = due + timedelta(hours=wait_h)
        rests = [max(hours_between(since.get(p, due), at), 0.0) for p in range(1, build.wheel.spokes + 1)]
        return _chance(setting, draws, rested_so(schedule, rests))

    wait, first = _longest(chance, build.tension.probability)
    return (None if wait is None else due + timedelta(hours=wait)), first


def latest_set(record: Record, due: datetime, seed: int = 0) -> tuple[datetime | None, float]:
    """The same for how long the laced wheel may stand before its set."""
    schedule, laced = record.schedule, record.laced
    assert schedule is not None and schedule.laced is not None and laced is not None
    step = schedule.laced
    build = record.the_build
    setting, draws = _setting(build, record.the_batch, seed)

    def chance(wait_h: float) -> float:
        hours = hours_between(laced.at_utc, due + timedelta(hours=wait_h))
        return _chance(setting, draws, replace(schedule, laced=replace(step, hours=max(hours, 0.0))))

    wait, first = _longest(chance, build.tension.probability)
    return (None if wait is None else due + timedelta(hours=wait)), first
