"""A plan to play with: requirements changed, the plan made again; what was changed as lines for the build file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from models.errors import InputError
from tui import format as show

if TYPE_CHECKING:
    from models.batch import Batch
    from planner.answer import Plan
    from planner.build import Build
    from tui.pictures import Tension

DRAWS = 96  # wheels: quick, and good to about 3 % of a probability near 90 %
H_PER_NIGHT = 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Knob:
    """One requirement that may be changed."""

    key: str  # what a person types
    table: str  # of the build file
    name: str  # in the table
    words: str
    unit: str
    low: float
    high: float
    step: float
    per: float = 1.0  # of the build's unit to one of ours
    whole: bool = False


KNOBS = (
    Knob(
        key="tolerance", table="tension", name="tolerance_percent", words="tolerance", unit="%", low=1, high=25, step=1
    ),
    Knob(
        key="nights", table="tension", name="delivery_h", words="nights to delivery", unit="", low=1, high=14, step=1,
        per=H_PER_NIGHT,
    ),
    Knob(
        key="horizon", table="tension", name="horizon_h", words="horizon", unit="d", low=1, high=365, step=7,
        per=H_PER_NIGHT,
    ),
    Knob(key="sure", table="tension", name="probability", words="sure", unit="%", low=50, high=99, step=5, per=0.01),
    Knob(key="stations", table="shop", name="stations", words="stations", unit="", low=1, high=64, step=1, whole=True),
)  # fmt: skip


def value(build: Build, knob: Knob) -> float:
    """What the build asks, in the knob's unit."""
    return float(getattr(getattr(build, knob.table), knob.name)) / knob.per


def text(build: Build, knob: Knob) -> str:
    """The same as a person reads it."""
    number = f"{round(value(build, knob), 2):g}"
    return f"{number} {knob.unit}".rstrip()


def changed(build: Build, knob: Knob, wanted: float) -> Build:
    """The build with one requirement changed.

    Raises
    ------
    InputError
        Outside what is possible, or delivery would come after the horizon.
    """
    if not knob.low <= wanted <= knob.high:
        raise InputError(f"{knob.words}: {knob.low:g} to {knob.high:g} {knob.unit} is possible".rstrip())
    new: Any = round(wanted) if knob.whole else wanted * knob.per
    other = build.changed(knob.table, knob.name, new)
    if not other.tension.delivery_h < other.tension.horizon_h:
        raise InputError("the horizon must lie after the delivery")
    return other


def turned(build: Build, knob: Knob, by: int) -> Build:
    """One step up or down, within what is possible; horizon in weeks from a week on."""
    wanted = value(build, knob) + by * knob.step
    wanted = min(max(round(wanted / knob.step) * knob.step if knob.step > 1 else wanted, knob.low), knob.high)
    return changed(build, knob, wanted)


def lines_of(before: Build, after: Build) -> list[str]:
    """What was changed, as lines of a build file."""
    out: list[str] = []
    for table in dict.fromkeys(k.table for k in KNOBS):
        rows = [
            f"{k.name} = {getattr(getattr(after, table), k.name):g}"
            for k in KNOBS
            if k.table == table and getattr(getattr(before, table), k.name) != getattr(getattr(after, table), k.name)
        ]
        if rows:
            out += [f"[{table}]", *rows]
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Played:
    """A plan and what it leads to."""

    plan: Plan
    schedule: dict[str, Any]
    course: dict[str, Tension]  # by side: from the first set to the horizon
    untreated: dict[str, Tension]


def played(
    build: Build, batch: Batch, *, seed: int = 0, draws: int = DRAWS, progress: Callable[[str], None] | None = None
) -> Played:
    """Plan, and follow the plan's wheel and the untreated one.

    Raises
    ------
    CannotAnswer
        The target is over a limit of the wheel.
    """
    from planner.search import find_plan
    from tui.course import planned_and_untreated

    answer = find_plan(build, batch, seed=seed, draws=draws, progress=progress)
    schedule = answer.as_dict()
    planned, trade = planned_and_untreated(
        build, batch, answer.best.schedule, schedule["untreated"]["passes"] or 0, np.random.default_rng([seed, 3])
    )
    return Played(plan=answer, schedule=schedule, course=planned, untreated=trade)


def tradeoff_rows(schedule: dict[str, Any]) -> list[str]:
    """What else was weighed, as a table."""
    rows = ["passes  bench nights  hands-on   peak     holds with"]
    for t in schedule["tradeoff"]:
        mark = "  <- this plan" if t["steps"] == schedule["steps"] else ""
        rows.append(
            f"{t['passes']:>6}  {t['bench_nights']:>12}  {show.number(t['hands_on_h'], 1):>6} h  "
            f"{show.number(t['peak_N']):>5} N  {show.percent(100 * t['probability_holds'], 0):>8}{mark}"
        )
    return rows
