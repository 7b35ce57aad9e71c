"""From a plan to the bench: what it does to one spoke, as a night of spare spokes and as a criterion to stop."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from models.errors import CannotAnswer, InputError

if TYPE_CHECKING:
    from bench.purposes import WheelsNight
    from bench.sparenight import SpareNight
    from models.batch import Batch
    from planner.build import Build

SAME_LOAD = 0.03  # a spare spoke's load may be off its plan's by this share


def read_schedule(path: Path) -> dict[str, Any]:
    """schedule.json, with its steps in order. Raises InputError."""
    from tui.out import read_json

    schedule = read_json(path, "a schedule from 'longhold plan', schedule.json")
    steps = schedule.get("steps")
    if not isinstance(steps, list) or not all(isinstance(s, Mapping) and "kind" in s for s in steps):
        raise InputError(f"{path}: key 'steps' is missing: not a schedule from 'longhold plan'")
    if not any(s["kind"] == "set" for s in steps):
        raise InputError(f"{path}: no step of kind 'set': this plan says nothing of a wheel")
    return schedule


def _step(schedule: Mapping[str, Any], kind: str) -> Mapping[str, Any] | None:
    found: Mapping[str, Any] | None = next((s for s in schedule["steps"] if s["kind"] == kind), None)
    return found


def _mean_N(step: Mapping[str, Any]) -> float:
    """Of both sides: the criterion and the spare night take the mean spoke."""
    sides = step["tension_N"]
    return 0.5 * (float(sides["left"]) + float(sides["right"]))


def _sessions(schedule: Mapping[str, Any]) -> list[tuple[float, float]]:
    return [(float(s["at_h"]), _mean_N(s)) for s in schedule["steps"] if s["kind"] in ("set", "touch", "pass")]


def stretch_of(schedule: Mapping[str, Any], path: Path) -> tuple[float, float]:
    """Load and hours of the bench night.

    Raises
    ------
    CannotAnswer
        The plan has none.
    """
    step = _step(schedule, "prestretch")
    if step is None:
        raise CannotAnswer(f"{path}: this plan stretches no spoke on the frame")
    return float(step["load_N"]), float(step["hours"])


def spoke_stiffness_N(batch: Batch, tension_N: float) -> float:
    """Slope of the middle spoke's curve at a tension, as EA in N."""
    from models.chain import elastic_slope_per_N

    return 1.0 / float(elastic_slope_per_N(batch.chain, tension_N))


def follow_up(build: Build, batch: Batch, tension_N: float) -> float:
    """How much the rim of the build gives with spokes of the batch."""
    from planner.wheel import wheel_of

    return float(wheel_of(build).follow_up(spoke_stiffness_N(batch, tension_N)))


def ready_table(schedule: Mapping[str, Any], build: Build, batch: Batch, batch_name: str) -> str:
    """The text of [ready]: a hold ends when this plan's wheel would lose no more than the build allows."""
    sessions = _sessions(schedule)
    target = _target_N(schedule, build)
    shop, asked = build.shop, build.tension
    rest, laced = _step(schedule, "rest"), _step(schedule, "laced")
    rows = ", ".join(f"[{at:g}, {N:.1f}]" for at, N in sessions)
    delivery = _step(schedule, "deliver")
    return f"""\
[ready]                        # a hold ends when the planned wheel would lose no more than this
batch = "{batch_name}"
target_N = {target:.1f}
tolerance_percent = {asked.tolerance_percent:g}
probability = {asked.probability:g}
sessions = [{rows}]            # [h from the start of the set, tension N]
session_h = {shop.set_session_h:g}
pass_session_h = {shop.pass_session_h:g}
rest_h = {float(rest["hours"]) if rest else 0.0:g}
laced_h = {float(laced["hours"]) if laced else 0.0:g}
lacing_tension_N = {float(laced["tension_N"]) if laced else shop.lacing_tension_N:g}
followup = {follow_up(build, batch, target):.4f}
seating_mm = {build.wheel.seating_mm:g}
delivery_h = {float(delivery["at_h"]) if delivery else asked.delivery_h:g}
horizon_h = {asked.horizon_h:g}
temperature_C = {shop.temperature_C:g}
"""


def same_night(schedule: Mapping[str, Any], night: SpareNight, where: str) -> None:
    """Whether spare spokes went through this plan, and not another one.

    Raises
    ------
    InputError
        Names the load that is another.
    """
    set_N, stretch = _sessions(schedule)[0][1], _step(schedule, "prestretch")
    if abs(night.set_N - set_N) > SAME_LOAD * set_N:
        raise InputError(
            f"{where}: its spokes were left alone at {night.set_N:.0f} N, the plan sets {set_N:.0f} N: not its night"
        )
    load_N = 0.0 if stretch is None else float(stretch["load_N"])
    if stretch is not None and not any(abs(held - load_N) <= SAME_LOAD * load_N for held in night.held_N):
        raise InputError(f"{where}: its spokes were not stretched at {load_N:.0f} N as the plan does: not its night")


def _target_N(schedule: Mapping[str, Any], build: Build) -> float:
    target = schedule.get("target_N")
    if isinstance(target, Mapping):
        return 0.5 * (float(target["left"]) + float(target["right"]))
    return float(build.tension.target_N)


def wheels_night(schedule: Mapping[str, Any], build: Build, batch: Batch, night_h: float) -> WheelsNight:
    """What spare spokes go through, until they are left alone for a night (or until the wheel's next session)."""
    from bench.purposes import WheelsNight

    sessions = _sessions(schedule)
    stretch, rest, laced = (_step(schedule, kind) for kind in ("prestretch", "rest", "laced"))
    shop, set_N = build.shop, sessions[0][1]
    if len(sessions) > 1:
        night_h = min(night_h, sessions[1][0] - shop.set_session_h)
    return WheelsNight(
        load_N=float(stretch["load_N"]) if stretch else None,
        hours=float(stretch["hours"]) if stretch else 0.0,
        rest_h=float(rest["hours"]) if rest else 0.0,
        rest_N=float(rest.get("load_N", 0.0)) if rest else 0.0,
        laced_h=float(laced["hours"]) if laced else 0.0,
        lacing_N=float(laced["tension_N"]) if laced else shop.lacing_tension_N,
        profile=shop.set_profile,
        set_N=set_N,
        session_h=shop.set_session_h,
        squeezes=shop.stress_relief.squeezes,
        squeeze_share=shop.stress_relief.peak_fraction,
        squeeze_s=shop.stress_relief.seconds,
        followup=follow_up(build, batch, set_N),
        night_h=night_h,
    )
