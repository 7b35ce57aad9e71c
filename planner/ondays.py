"""A plan on real days: what it is worth there, and another one where the days take too much from it.

Days off and working hours make spokes wait longer, slack or laced, than a plan reckons with. A plan that then fails is
made anew with these waits taken for granted: with the same stretch, other sessions and tensions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from models.errors import CannotAnswer
from planner.outlook import Draws, Setting, draw_wheels, look_ahead
from planner.search import DRAWS, find_plan
from planner.stretching import Laid, calendar_of
from planner.wheel import wheel_of

if TYPE_CHECKING:
    from models.batch import Batch
    from planner.answer import Plan
    from planner.candidates import Bench
    from planner.schedule import Schedule

WAY_OUT = (
    "No other sessions or tensions do better on these days: begin on another day, or change the shop's hours or "
    "order.days_off"
)
CLEARLY = 0.1  # passes to expect: so many fewer, where no plan holds as asked
MADE_ANEW = 2  # for the waits of so many wheels of an order at most


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OnDays:
    """A plan on real days, and what it is worth there."""

    plan: Plan
    laid: Laid
    differs: tuple[str, ...]  # in what the days differ from the plan; empty: in nothing
    probability: float | None  # that a wheel built so holds, the least of the order's; None: as the plan says
    without_them: float | None = None  # the same of the plan that leaves the days out of account, where it was not kept

    @property
    def chance(self) -> float:
        """The probability that a wheel holds, as laid."""
        return self.plan.best.probability if self.probability is None else self.probability

    @property
    def holds(self) -> bool:
        """With the probability asked for."""
        return self.plan.holds if self.probability is None else self.chance >= self.plan.build.tension.probability

    @property
    def to_expect(self) -> float:
        """Its passes, and on average those that a wheel needs afterwards where it does not hold."""
        plan, best = self.plan, self.plan.best
        listed = dict(zip(plan.tradeoff, plan.expected_passes, strict=True))
        further = (listed.get(best, best.schedule.passes) - best.schedule.passes) / max(1.0 - best.probability, 1e-9)
        return best.schedule.passes + (1.0 - self.chance) * further

    def as_dict(self) -> dict[str, Any]:
        """Key ``as_laid`` of schedule.json."""
        return {
            "differs": list(self.differs),
            "steps": self.laid.schedules[0].as_list(),
            "probability_holds": None if self.probability is None else round(self.probability, 4),
            "holds": self.holds,
            "planned_anew": self.without_them is not None,
            "bench_nights": self.laid.nights,
            "ready": self.laid.ready.isoformat(),
            "late": self.laid.late,
            "warnings": list(self.laid.warnings),
            "events": [
                {
                    "kind": e.kind,
                    "wheel": e.wheel,
                    "start": e.start.isoformat(),
                    "end": e.end.isoformat(),
                    "what": e.title,
                }
                for e in self.laid.events
            ],
        }


def on_days(
    plan: Plan,
    batch: Batch,
    start: datetime,
    *,
    seed: int = 0,
    draws: int = DRAWS,
    progress: Callable[[str], None] | None = None,
    cores: int = -1,
) -> OnDays:
    """Lay a plan out from ``start``, judge it again where the days make it another one, and make it anew if need be.

    Parameters
    ----------
    plan : of ``batch``, by `find_plan` with this ``seed`` and so many ``draws``
    progress : called with a few words at each stage

    Returns
    -------
    OnDays; a plan that was made anew is taken where it holds as asked on these days, or clearly fewer passes are to be
    expected then.

    Raises
    ------
    InputError
        The due date lies before the start.
    CannotAnswer
        The work fits into the shop's hours on no day.
    """
    say = progress or (lambda _words: None)

    @cache
    def wheels() -> tuple[Setting, Draws]:
        """Those of the plan's own claim, so that only the days make the difference."""
        wheel = wheel_of(plan.build)
        same = draw_wheels(plan.build, wheel, batch, np.random.default_rng([seed, 2]), draws)
        return Setting.of(plan.build, wheel, batch), same

    first = _judged(plan, start, wheels)
    if first.probability is None or first.holds:
        return first
    best = first
    for real in list(dict.fromkeys(first.laid.schedules))[:MADE_ANEW]:
        say("a plan for these days")
        try:
            anew = _judged(_made_for(plan, batch, real, seed, draws, cores), start, wheels)
        except CannotAnswer:
            continue
        if (anew.holds, -anew.to_expect - CLEARLY) > (best.holds, -best.to_expect):
            best = replace(anew, without_them=first.chance)
        if best.holds:
            break
    return best


def _judged(plan: Plan, start: datetime, wheels: Callable[[], tuple[Setting, Draws]]) -> OnDays:
    """A plan on its days, as it is; the ``wheels`` are asked for where the days make it another one."""
    build, planned = plan.build, plan.best.schedule
    laid = calendar_of(build, planned, start)
    differs = {real: _differs(planned, real, build.wheel.spokes) for real in laid.schedules}
    others = [real for real, words in differs.items() if words]
    chance = min((look_ahead(*wheels(), real).share_that_holds(build.tension) for real in others), default=None)
    words = tuple(dict.fromkeys(w for found in differs.values() for w in found))
    return OnDays(plan=plan, laid=laid, differs=words, probability=chance)


def _differs(planned: Schedule, real: Schedule, spokes: int) -> list[str]:
    """In what a schedule as laid is another one."""
    out = []
    if planned.laced is not None and real.laced is not None and real.laced.hours != planned.laced.hours:
        out.append(f"laced for {real.laced.hours:.3g} h before the set instead of {planned.laced.hours:.3g} h")
    if real.rest_h(spokes) != planned.rest_h(spokes):
        rests = sorted(set(real.rest_h(spokes)))
        span = f"{rests[0]:.3g} h" if len(rests) == 1 else f"{rests[0]:.3g} to {rests[-1]:.3g} h"
        out.append(f"off the frame and slack for {span}")
    return out


def _made_for(plan: Plan, batch: Batch, real: Schedule, seed: int, draws: int, cores: int) -> Plan:
    """A plan with the waits of a schedule as laid, without a stretch or with that of the plan."""
    build = plan.build
    if real.laced is not None:
        build = build.changed("shop", "laced_h", real.laced.hours)
    bench = plan.best.candidate.bench
    stretches: list[Bench | None] = [None]
    if bench is not None and real.prestretch is not None:
        stretches.append(replace(bench, groups=real.prestretch.groups))
    anew = find_plan(build, batch, seed=seed, draws=draws, cores=cores, stretches=stretches)
    return replace(anew, build=plan.build, untreated=plan.untreated)
