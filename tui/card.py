"""Cards to print: a night on the bench, and the build of a wheel, with tick boxes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tui import format as show
from tui.pages import Card, Row

BENCH_CAUTIONS = (
    "A loaded spoke that lets go can injure eyes and hands: guard closed, eye protection on, nobody in line.",
    "The program is no safety function. Emergency stop, guard and cut-outs are hard-wired; test them each night.",
    "A stopped frame may still hold its load: unload before hands go in.",
)
BUILD_CAUTIONS = (
    "Rim, hub and spoke makers' limits and local rules come first; a qualified wheelbuilder signs the wheel off.",
    "Not for rim brakes: heat at the rim is outside what this plan covers.",
)
BUILD_HINTS = (
    "Hub hole edges rounded and smooth where fibre bears. Mark each spoke; hold its end against twist while turning.",
    "Read with one gauge throughout.",
)


def _both(tension: Mapping[str, float], reading: Mapping[str, float] | None = None, unit: str = "") -> str:
    left, right = tension.get("left"), tension.get("right")
    gauge = {k: f", gauge {show.number(v, 2)} {unit}".rstrip() for k, v in (reading or {}).items()}
    if left is not None and right is not None and show.number(left) == show.number(right):
        return f"all {show.force(left)}{gauge.get('left', '')}"
    parted = "; " if gauge else ", "
    return f"left {show.force(left)}{gauge.get('left', '')}{parted}right {show.force(right)}{gauge.get('right', '')}"


def _step_rows(steps: Sequence[Mapping[str, Any]], unit: str = "") -> list[Row]:
    rows = []
    for step in steps:
        kind = step["kind"]
        both = _both(step["tension_N"], step.get("reading"), unit) if kind in ("set", "touch", "pass") else ""
        hours = show.duration(float(step["hours"]) * 3600.0) if "hours" in step else ""
        at_h = show.duration(float(step["at_h"]) * 3600.0) if "at_h" in step else ""
        if kind == "prestretch":
            text = f"Stretch every spoke on the frame at {show.force(step['load_N'])} for {hours}"
            if step.get("temperature_C") is not None:
                text += f" at {show.with_unit(step['temperature_C'], '°C')}"
            rows.append(Row(cells=("before lacing", text + ". One bench card for each night.", "")))
        elif kind == "rest":
            load = float(step.get("load_N") or 0.0)
            text = f"Off the frame, {'slack' if load == 0 else 'at ' + show.force(load)}, {hours}; not longer"
            rows.append(Row(cells=("then", text + ": slack time undoes the stretch.", "")))
        elif kind == "laced":
            rows.append(Row(cells=("then", f"Lace, all to {show.force(step['tension_N'])}; leave for {hours}.", "")))
        elif kind == "set":
            rows.append(Row(cells=("start (0 h)", f"Set {both}, in equal rounds.", "")))
        elif kind == "touch":
            rows.append(Row(cells=(f"{at_h} from start", f"Same day: bring to {both}.", "")))
        elif kind == "pass":
            rows.append(Row(cells=(f"{at_h} from start", f"After the night: bring to {both}.", "")))
        elif kind == "deliver":
            rows.append(Row(cells=(f"{at_h} from start", "Read all spokes; deliver if within the target above.", "")))
    return rows


def build_card(
    schedule: Mapping[str, Any],
    *,
    name: str,
    spokes: int,
    target_N: Mapping[str, float],
    tolerance_percent: float,
    balance_percent: float,
    squeezes: int,
    squeeze_s: float,
    squeeze_share: float,
    demo: bool,
) -> Card:
    """The build of one wheel after its schedule (contracts: ``schedule.json``)."""
    limits = [
        f"{limit['what']} {show.force(limit['limit_N'])}"
        for limit in schedule["limits"]
        if limit["what"] != "bench load"
    ]
    forecast = schedule["forecast"].get("probability_holds")
    chance = f"; the plan holds in {show.percent(100 * forecast, 0)} of simulated wheels" if forecast else ""
    facts = (
        *(() if schedule.get("holds", True) else ("THIS PLAN DOES NOT HOLD AS ASKED: see the schedule.",)),
        f"{spokes} spokes of batch {schedule['batch']}",
        f"Target: {_both(target_N)}, each side's mean within {tolerance_percent:g} %, 95 % of the spokes "
        f"within {balance_percent:g} % of their side{chance}.",
        f"Overnight passes: {schedule['passes']} (untreated: {schedule['untreated']['passes']} by the trade's rule).",
    )
    return Card(
        title="Build card",
        name=name,
        demo=demo,
        facts=facts,
        columns=(("when", 0.22), ("what to do", 0.54), ("mean read", 0.24)),
        rows=tuple(_step_rows(schedule["steps"], schedule.get("gauge", {}).get("reading_unit", ""))),
        notes=(
            "Never above: " + "; ".join(limits) + "." if limits else "Never above the makers' limits.",
            *BUILD_HINTS,
            *_stress_relief(squeezes, squeeze_s, squeeze_share),
            "Stop when a reading does not fit its neighbours: a slipped nipple or a misread spoke comes first.",
        ),
        cautions=BUILD_CAUTIONS,
        sign=("wheelbuilder", "date", "gauge"),
    )


def _stress_relief(squeezes: int, seconds: float, share: float) -> list[str]:
    """When pairs are squeezed; what the schedule's limits count."""
    if not squeezes:
        return []
    how = f"Stress relief: squeeze pairs {squeezes} times, {show.number(seconds)} s each"
    if share < 1.0:
        at = show.percent(100.0 * share, 0)
        return [f"{how}, at {at} of the tension named here, before the last turn up; not at full tension."]
    return [f"{how}, at the tension named here."]


@dataclass(frozen=True, slots=True, kw_only=True)
class OnStation:
    """One station's work for a night."""

    station: str
    spokes: str  # labels or positions


def bench_card(
    stations: Sequence[OnStation],
    *,
    name: str,
    night: str,
    load_N: float,
    hours: float,
    temperature_C: float | None,
    slack_h: float | None,
    demo: bool,
) -> Card:
    """One night on the stretching frame: what goes on which station, for how long, and what comes after."""
    after = "When the time is up: unload, take off; note when each spoke went slack."
    if slack_h is not None:
        after += f" They are laced {show.duration(slack_h * 3600.0)} later; longer slack undoes the stretch."
    warm = "" if temperature_C is None else f" at {show.with_unit(temperature_C, '°C')}"
    does = f"{night}: {show.force(load_N)} for {show.duration(hours * 3600.0)}{warm}, counted from the load reached."
    return _night(stations, name, (does,), after, demo)


def program_card(stations: Sequence[OnStation], *, name: str, steps: Sequence[tuple[str, float]], demo: bool) -> Card:
    """One night by a program: ``steps`` are names as the program gives them, and s at load."""
    does = "; ".join(f"{what} for {show.duration(s)}" if s else what for what, s in steps)
    after = "When it has ended: read the log, then take off; note when each spoke went slack."
    return _night(stations, name, (f"Every spoke goes through: {does}.",), after, demo)


def _night(stations: Sequence[OnStation], name: str, facts: tuple[str, ...], after: str, demo: bool) -> Card:
    return Card(
        title="Bench night",
        name=name,
        demo=demo,
        facts=facts,
        columns=(("station", 0.17), ("spokes", 0.33), ("load reached at", 0.25), ("slack at", 0.25)),
        rows=tuple(Row(cells=(s.station, s.spokes, "", "")) for s in stations),
        notes=(
            "Before: zero of each load cell without a spoke; both ends seated; nothing twisted; labels on.",
            after,
            "In the morning: read the log first ('longhold watch RUN.h5'); deal with a fault before anything moves.",
        ),
        cautions=BENCH_CAUTIONS,
        sign=("set up by", "date", "taken off by"),
    )
