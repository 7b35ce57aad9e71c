"""What a night, a fit and a plan come to, in a wheelbuilder's words."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tui import format as show
from tui.screens.view import Record, Trace

Floats = NDArray[np.float64]

SETTLED_S = 60.0  # after a load was reached, a hold counts
REACHED_WITHIN = 0.02  # of the set load
LIKE_THE_ROOM_K = 3.0  # a stretch so near to the room's temperature is not said to be warm


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """A run as its keeper would tell it."""

    stations: int
    hours: float
    rows: int
    worst_rms_percent: float | None  # of set load, over the worst station's settled holds; None where nothing was held
    worst_off_percent: float | None  # the farthest single row
    faults: int


def _held(trace: Trace, least_load_N: float) -> Floats:
    """Load off set in percent, at each row of a hold from a minute after its load was reached."""
    asked = trace.set_load_N
    edges = np.flatnonzero(np.diff(asked, prepend=np.nan, append=np.nan) != 0)
    out = [np.empty(0)]
    for start, end in itertools.pairwise(edges):
        want = asked[start]
        if not want >= least_load_N:
            continue
        off = 100.0 * (trace.load_N[start:end] / want - 1.0)
        near = np.flatnonzero(np.abs(off) <= 100.0 * REACHED_WITHIN)
        if near.size:
            settled = trace.time_s[start:end] >= trace.time_s[start + near[0]] + SETTLED_S
            out.append(off[settled & np.isfinite(off)])
    return np.concatenate(out)


def night_of(record: Record, least_load_N: float = 100.0) -> Night:
    """How well a run held its loads, by its worst station."""
    held = [off for off in (_held(t, least_load_N) for t in record.traces) if off.size]
    rms = [float(np.sqrt(np.mean(off * off))) for off in held]
    worst = [float(np.abs(off).max()) for off in held]
    return Night(
        stations=len(record.traces),
        hours=record.end_s / 3600.0,
        rows=sum(t.time_s.size for t in record.traces),
        worst_rms_percent=max(rms, default=None),
        worst_off_percent=max(worst, default=None),
        faults=sum(n.kind == "fault" for n in record.notes),
    )


def tension_in_words(step: Mapping[str, Any], unit: str = "") -> str:
    """Tension of both sides, once where they are alike; with the gauge's readings where the step carries them."""
    left, right = step["tension_N"]["left"], step["tension_N"]["right"]
    gauge = {k: f" [gauge {show.number(v, 2)} {unit}]" for k, v in step.get("reading", {}).items()}
    if show.number(left) == show.number(right):
        return f"{show.force(left)}{gauge.get('left', '')}"
    return (
        f"{show.force(left)}{gauge.get('left', '')} on the left and {show.force(right)}{gauge.get('right', '')} on the "
        "right"
    )


def steps_in_words(steps: Sequence[Mapping[str, Any]], reading_unit: str = "") -> list[str]:
    """The schedule, one sentence a step; with the gauge's readings where the steps carry them."""
    out = []
    for step in steps:
        at = show.duration(float(step["at_h"]) * 3600.0) if "at_h" in step else ""
        hours = show.duration(float(step["hours"]) * 3600.0) if "hours" in step else ""
        match step["kind"]:
            case "prestretch":
                nights = len(step.get("groups", ()))
                several = f", {nights} times the frame full" if nights > 1 else ""
                th = [s.get("temperature_C", 20.0) for s in steps if s["kind"] in ("prestretch", "rest")]
                warm = f" and {th[0]:g} degC" if max(th) - min(th) > LIKE_THE_ROOM_K else ""
                out.append(
                    f"Stretch each spoke on the frame at {show.force(step['load_N'])}{warm} for {hours}{several}."
                )
            case "rest":
                load = float(step.get("load_N") or 0.0)
                how = "slack" if load == 0 else f"at {show.force(load)}"
                groups = next((s.get("groups", ()) for s in steps if s["kind"] == "prestretch"), ())
                longest = max((float(g["rest_h"]) for g in groups), default=0.0)
                to = (
                    f" (the first of them up to {show.duration(longest * 3600)})"
                    if longest > float(step["hours"])
                    else ""
                )
                out.append(f"Lace them after {hours} off the frame, {how}{to}; longer undoes the stretch.")
            case "laced":
                out.append(f"Leave the laced wheel at {show.force(step['tension_N'])} for {hours}.")
            case "set":
                out.append(f"Set the wheel to {tension_in_words(step, reading_unit)}.")
            case "touch":
                out.append(
                    f"{at} after the start of the set, same day: bring it to {tension_in_words(step, reading_unit)}."
                )
            case "pass":
                to = tension_in_words(step, reading_unit)
                out.append(f"{at} after the start of the set, after a night: bring it to {to}.")
            case "deliver":
                out.append(f"Deliver {at} after the start of the set.")
    return out


def verdict(schedule: Mapping[str, Any]) -> list[str]:
    """Passes untreated and with the plan, and how sure that is."""
    untreated = schedule["untreated"]
    by_rule, to_hold = untreated["passes"], untreated["passes_to_hold"]
    trade = (
        "more than 12 overnight passes"
        if by_rule is None
        else show.counted(by_rule, "overnight pass", "overnight passes")
    )
    left = untreated.get("forecast_percent_at_horizon")
    out = [f"Untreated: {trade} by the trade's rule (go on until a night costs little)"]
    if left is not None:
        out[0] += f", and even then the wheel stands {show.signed(left)} % off target at the horizon"
    out[0] += "."
    if to_hold is None:
        out.append("To stay within tolerance it would need more than 12.")
    elif to_hold != by_rule:
        out.append(f"To stay within tolerance it would need {show.counted(to_hold, 'pass', 'passes')}.")
    chance = schedule["forecast"].get("probability_holds")
    share = None if chance is None else f"{show.percent(100 * chance, 0)} of simulated wheels"
    sure = f"; it holds in {share}" if share else ""
    if schedule["holds"]:
        out.append(f"With the plan: {show.counted(schedule['passes'], 'overnight pass', 'overnight passes')}{sure}.")
    else:
        best = f"; the best found holds in {share}" if share else ""
        out.append(f"No plan within the limits holds with the probability asked for{best}.")
        out += [f"It would, with {change}." for change in schedule.get("relax", ())]
    return out


def page(
    night: Night,
    batch: Mapping[str, Any],
    schedule: Mapping[str, Any],
    *,
    scenario: str,
    wheel: str,
    next_commands: Sequence[tuple[str, str]],
) -> str:
    """summary.md: one page in words."""
    held = (
        f"loads held within {show.percent(night.worst_rms_percent, 2)} rms of set (worst station, from a minute "
        f"after each load was reached; farthest single reading {show.percent(night.worst_off_percent, 2)})"
        if night.worst_rms_percent is not None
        else "no load was held"
    )
    faults = show.counted(night.faults, "fault")
    covers = batch.get("covers", {})
    longest = covers.get("longest_hold_s")
    lines = [
        "# What the demo found",
        "",
        f"**Invented demo data.** {scenario} No real frame, spoke or wheel stands behind any number on this page.",
        "",
        "## The night",
        "",
        f"{night.stations} spokes, {show.duration(night.hours * 3600)}, {night.rows} readings; {held}; {faults}.",
        "",
        "## The batch",
        "",
        f"Batch {batch['batch']}, law: {batch['law']}, from {batch['spread']['spokes']} spokes"
        + (
            f"; longest hold {show.duration(longest)}. What lies beyond that is forecast, not seen." if longest else "."
        ),
        *(f"- {w}" for w in batch.get("warnings", ())),
        "",
        f"## The wheel: {wheel}",
        "",
        *verdict(schedule),
        "",
        *(f"{i}. {text}" for i, text in enumerate(steps_in_words(schedule["steps"]), start=1)),
        "",
        *(f"- {w}" for w in schedule.get("warnings", ())),
        "",
        "## Where to look",
        "",
        "| file | what it is |",
        "| --- | --- |",
        "| `run.h5` | the night; `longhold watch run.h5` |",
        "| `batch.json` | what the fit learned |",
        "| `schedule.json` | the plan, whole, with the other plans that were weighed |",
        "| `creep.png`, `recovery.png`, `spokes.png`, `plan.png` | pictures |",
        "| `bench-card.pdf`, `build-card.pdf` | cards to print |",
        "| `frame.toml`, `program.toml`, `build.toml` | what went in: copy and change them |",
        "",
        "## What to try next",
        "",
        *(f"- `{command}` - {why}" for command, why in next_commands),
        "",
        "A loaded spoke can injure eyes and hands; a wheel that loses tension can fail under its rider.",
        "Makers' limits and local rules come first, and a qualified wheelbuilder signs each wheel off.",
        "",
    ]
    return "\n".join(lines)
