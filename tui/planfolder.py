"""What a plan leaves beside its schedule: readings of the builder's own gauge, cards to print, the calendar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from tui import card, pages
from tui import format as show

if TYPE_CHECKING:
    from models.batch import Batch
    from models.gauge import Gauge
    from planner.answer import Plan
    from planner.events import Event
    from planner.ondays import OnDays

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


def days_in_words(days: OnDays) -> list[str]:
    """For plan.txt."""
    from planner.ondays import WAY_OUT

    lines = ["On the calendar:"]
    lines += [f"  {e.start:%a %Y-%m-%d %H:%M}  {e.title}" for e in days.laid.events]
    if days.without_them is not None:
        lines.append(
            "  Planned anew for these days, with the waits that they bring: the plan that leaves them out of account "
            f"would hold here in {show.percent(100 * days.without_them, 0)} of simulated wheels."
        )
    lines += [f"  Differs from the plan: {text}." for text in days.differs]
    if days.probability is not None:
        verdict = "it still holds as asked" if days.holds else f"LESS THAN ASKED. {WAY_OUT}"
        lines.append(
            f"  Judged again as laid: it holds in {show.percent(100 * days.probability, 0)} of simulated wheels; "
            f"{verdict}."
        )
    return lines + [f"  - {w}" for w in days.laid.warnings]


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


def the_build_card(schedule: Mapping[str, Any], answer: Plan) -> pages.Card:
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


def bench_cards(answer: Plan, stations: Sequence[str] | None = None, events: Sequence[Event] = ()) -> list[pages.Card]:
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
