"""What a plan leaves beside its schedule: readings of the builder's own gauge, cards to print, the calendar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from tui import card
from tui import format as show

if TYPE_CHECKING:
    from models.batch import Batch
    from models.gauge import Gauge
    from planner.answer import Plan
    from planner.events import Event
    from planner.stretching import Laid

SIDES = ("left", "right")


def is_demo(build_name: str, batch: str) -> bool:
    """Whether the data are invented, as their names say."""
    return "invented" in build_name or "demo" in batch.lower()


# readings ------------------------------------------------------------------------------------------------------------


def with_readings(schedule: dict[str, Any], answer: Plan, batch: Batch, gauge: Gauge) -> dict[str, Any]:
    """The schedule with what the gauge will show at each set tension, on the mean spoke of each side.

    The gauge lengthens the spoke's path and so loads it; how much depends on the wheel's own stiffness at that spoke
    (`Gauge.reading_for`), which is worked out here at the tensions of the session.

    Raises
    ------
    InputError
        The gauge's record does not reach these tensions, or its path is not known.
    """
    from models.chain import elastic_slope_per_N
    from planner.wheel import wheel_of

    wheel = wheel_of(answer.build)
    steps = []
    for step in schedule["steps"]:
        tension = step.get("tension_N")
        if not isinstance(tension, Mapping):
            steps.append(step)
            continue
        stands = np.array([float(tension[s]) for s in SIDES])
        EA_N = 1.0 / float(elastic_slope_per_N(batch.chain, float(stands.mean())))
        stiffness = np.diag(wheel.influence(stands[wheel.side], EA_N))
        each = [float(stiffness[wheel.side == k].mean()) for k in range(2)]
        reading, sd = gauge.reading_for(stands, np.array(each))
        steps.append(
            {
                **step,
                "reading": {s: round(float(reading[k]), 3) for k, s in enumerate(SIDES)},
                "reading_U": {s: round(2.0 * float(sd[k]), 3) for k, s in enumerate(SIDES)},
                "wheel_stiffness_N_per_mm": {s: round(each[k], 1) for k, s in enumerate(SIDES)},
            }
        )
    about = {
        "reading_unit": gauge.reading_unit,
        "spoke_batch": gauge.spoke_batch,
        "made_on": gauge.made_on,
        "U_percent": gauge.U_percent,
    }
    out = {**schedule, "steps": steps, "gauge": about}
    if gauge.spoke_batch and gauge.spoke_batch != schedule["batch"]:
        out["warnings"] = [
            *schedule["warnings"],
            f"the gauge was calibrated on spokes of {gauge.spoke_batch}, the plan is for {schedule['batch']}: its "
            "curve holds for one kind of spoke",
        ]
    return out


# calendar ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class OnDays:
    """A plan on real days, and what it is worth there."""

    laid: Laid
    ics: str
    differs: tuple[str, ...]  # in what the days differ from the plan; empty: in nothing
    probability: float | None  # that a wheel built so holds, the least of the order's; None: as the plan says
    holds: bool  # with the probability asked for

    @property
    def way_out(self) -> str:
        """What to change where the days are the trouble: then the search knows of them."""
        real = self.laid.schedules[0]
        keys = [
            f"{key} = {hours:g}"
            for key, hours in (
                ("slack_h", real.rest.hours if real.rest else None),
                ("laced_h", real.laced.hours if real.laced else None),
            )
            if hours is not None
        ]
        return f"Plan again with the times that the days give ([shop] {', '.join(keys)}), or begin on another day"

    def as_dict(self) -> dict[str, Any]:
        """Key ``as_laid`` of schedule.json."""
        return {
            "differs": list(self.differs),
            "steps": self.laid.schedules[0].as_list(),
            "probability_holds": None if self.probability is None else round(self.probability, 4),
            "holds": self.holds,
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

    def in_words(self) -> list[str]:
        """For plan.txt."""
        lines = ["On the calendar:"]
        lines += [f"  {e.start:%a %Y-%m-%d %H:%M}  {e.title}" for e in self.laid.events]
        for text in self.differs:
            lines.append(f"  Differs from the plan: {text}.")
        if self.probability is not None:
            verdict = "it still holds as asked" if self.holds else f"LESS THAN ASKED. {self.way_out}"
            lines.append(
                f"  Judged again as laid: it holds in {show.percent(100 * self.probability, 0)} of simulated wheels; "
                f"{verdict}."
            )
        lines += [f"  - {w}" for w in self.laid.warnings]
        return lines


def on_days(answer: Plan, batch: Batch, start: datetime, *, seed: int, draws: int, made_at: datetime) -> OnDays:
    """Lay the plan out from ``start``, and judge it again where the days make it another one.

    Raises
    ------
    InputError
        The due date lies before the start.
    CannotAnswer
        The work fits into the shop's hours on no day.
    """
    from planner.calendar import ics_text
    from planner.outlook import Setting, draw_wheels, look_ahead
    from planner.stretching import calendar_of
    from planner.wheel import wheel_of

    build, planned = answer.build, answer.best.schedule
    laid = calendar_of(build, planned, start)
    differs: list[str] = []
    chance: float | None = None
    asked = build.tension
    n = build.wheel.spokes
    others = []
    for real in dict.fromkeys(laid.schedules):
        before = len(differs)
        if planned.laced is not None and real.laced is not None and real.laced.hours != planned.laced.hours:
            differs.append(f"laced for {real.laced.hours:.3g} h before the set instead of {planned.laced.hours:.3g} h")
        rests = sorted(set(real.rest_h(n)))
        if real.rest_h(n) != planned.rest_h(n):
            span = f"{rests[0]:.3g} h" if len(rests) == 1 else f"{rests[0]:.3g} to {rests[-1]:.3g} h"
            differs.append(f"off the frame and slack for {span}")
        if len(differs) > before:
            others.append(real)
    if others:
        # the same draws as the plan's own claim, so that only the days make the difference
        wheel = wheel_of(build)
        setting = Setting.of(build, wheel, batch)
        same = draw_wheels(build, wheel, batch, np.random.default_rng([seed, 2]), draws)
        chance = min(
            float(look_ahead(setting, same, s).holds(asked.tolerance_percent, asked.balance_percent).mean())
            for s in others
        )
    return OnDays(
        laid=laid,
        ics=ics_text(laid.events, order=build.name, made_at=made_at, name=build.name),
        differs=tuple(dict.fromkeys(differs)),
        probability=chance,
        holds=answer.holds if chance is None else chance >= asked.probability,
    )


def ready_too_late(answer: Plan, now: datetime) -> datetime | None:
    """When the last wheel is ready, where that is after the build's due date; None where it is not, or none is given.

    Raises
    ------
    CannotAnswer
        The work fits into the shop's hours on no day.
    """
    from planner.stretching import calendar_of

    order = answer.build.order
    if order.due is None:
        return None
    laid = calendar_of(answer.build, answer.best.schedule, order.start or now.astimezone())
    return laid.ready if laid.late else None


# cards ---------------------------------------------------------------------------------------------------------------


def the_build_card(schedule: Mapping[str, Any], answer: Plan) -> card.Card:
    """The build of one wheel, with tick boxes."""
    build = answer.build
    relief = build.shop.stress_relief
    return card.build_card(
        schedule,
        name=build.name,
        spokes=build.wheel.spokes,
        target_N=schedule["target_N"],
        tolerance_percent=build.tension.tolerance_percent,
        balance_percent=build.tension.balance_percent,
        squeezes=relief.squeezes,
        squeeze_s=relief.seconds,
        squeeze_share=build.shop.squeeze_share,
        demo=is_demo(build.name, answer.batch),
    )


def bench_cards(answer: Plan, stations: Sequence[str] | None = None, events: Sequence[Event] = ()) -> list[card.Card]:
    """One card for each time the frame is full; none where nothing is stretched.

    Parameters
    ----------
    stations : as painted on the frame; numbers if left out
    events : of the calendar: the days stand on the cards then
    """
    build, schedule = answer.build, answer.best.schedule
    stretch = schedule.prestretch
    if stretch is None:
        return []
    from planner.agenda import listed, runs_of

    runs = runs_of(schedule, build.wheel.spokes)
    names = list(stations or [str(i + 1) for i in range(build.shop.stations)])
    loading = {e.number: e for e in events if e.kind == "load" and e.wheel == 1}
    out = []
    for i, (positions, rest_h) in enumerate(runs, start=1):
        per_station = [positions[k :: len(names)] for k in range(len(names))]
        night = f"Run {i} of {len(runs)}"
        if i in loading:
            night += f", {loading[i].end:%A %Y-%m-%d}, load reached at {loading[i].end:%H:%M}"
        out.append(
            card.bench_card(
                [
                    card.OnStation(station=name, spokes="position " + listed(some))
                    for name, some in zip(names, per_station, strict=True)
                    if some
                ],
                name=build.name,
                night=night,
                load_N=stretch.load_N,
                hours=stretch.hours,
                temperature_C=stretch.temperature_C,
                slack_h=rest_h,
                demo=is_demo(build.name, answer.batch),
            )
        )
    return out
