"""A plan as a builder reads it: plan.txt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from tui import format as show
from tui.summary import steps_in_words, tension_in_words, verdict

if TYPE_CHECKING:
    from planner.answer import Plan

CAUTIONS = """\
A loaded spoke can injure eyes and hands when it lets go; a wheel that loses tension can fail under its rider. The
makers' limits for rim, hub and spokes and local rules come first; a qualified wheelbuilder signs the wheel off.
Not for rim brakes: heat at the rim is outside what this plan covers."""


def in_words(answer: Plan, schedule: Mapping[str, Any], days: Sequence[str] = ()) -> str:
    """The plan as a builder reads it."""
    build = answer.build
    asked = build.tension
    unit = schedule.get("gauge", {}).get("reading_unit", "")
    target = schedule["target_N"]
    lines = [
        f"{build.name}, batch {answer.batch}",
        "",
        *verdict(schedule),
        "",
        f"The set begins at {schedule['set_begins']}; times count from there.",
        *(f"{i:2d}. {text}" for i, text in enumerate(steps_in_words(schedule["steps"], unit), start=1)),
        *_groups(schedule["steps"]),
        *([""] if days else []),
        *days,
        "",
        "Mean tension:",
        f"  asked        {tension_in_words({'tension_N': target})}, within {asked.tolerance_percent:g} %",
        f"  at delivery  {_expected(schedule, 0)} expected",
        f"  at {f'{asked.horizon_h:g} h':<9} {_expected(schedule, -1)} expected",
        f"Thread: {show.number(schedule['thread_mm']['used_p95'], 1)} mm of "
        f"{show.number(schedule['thread_mm']['available'], 1)} mm are taken up from lacing on "
        "(in 95 % of wheels no spoke takes more).",
        "",
        "Limits (highest tension or load asked, squeezes included):",
        *(
            f"  {limit['what']:<17} {show.force(limit['peak_N']):>20} of {show.force(limit['limit_N'])}"
            + ("  <- binds" if limit["what"] == schedule["binding_limit"] else "")
            for limit in schedule["limits"]
        ),
        "",
        "What else was weighed (to expect: its passes, and those that wheels need afterwards where it fails):",
        "  passes  bench nights  hands-on  peak       holds with  to expect",
        *(
            f"  {t['passes']:>6}  {t['bench_nights']:>12}  {show.number(t['hands_on_h'], 1):>6} h  "
            f"{show.number(t['peak_N']):>5} N  {show.percent(100 * t['probability_holds'], 1):>10}  "
            f"{show.number(t['expected_passes'], 1):>9}"
            for t in schedule["tradeoff"]
        ),
    ]
    if schedule["would_buy"]:
        lines += ["", "What a change would buy:"]
        lines += [f"  {w['change']}: {w['effect']}" for w in schedule["would_buy"]]
    if schedule["relax"]:
        lines += ["", "To hold as asked, relax one of:", *(f"  {r}" for r in schedule["relax"])]
    if schedule["warnings"]:
        lines += ["", "Keep in mind:", *(f"  - {w}" for w in schedule["warnings"])]
    return "\n".join([*lines, "", CAUTIONS, ""])


def _expected(schedule: Mapping[str, Any], k: int) -> str:
    """Middle of the mean tensions at the k-th time, once where both sides are asked alike."""
    target, bands = schedule["target_N"], schedule["forecast"]["mean_tension_N"]
    middle = {side: bands[side]["p50"][k] for side in target}
    if target["left"] == target["right"]:
        middle = dict.fromkeys(middle, sum(middle.values()) / 2.0)
    return tension_in_words({"tension_N": middle})


def _groups(steps: list[Mapping[str, Any]]) -> list[str]:
    """Which positions are stretched in which run."""
    groups: list[Mapping[str, Any]] = next((s.get("groups", []) for s in steps if s["kind"] == "prestretch"), [])
    return [
        f"      run {i}: positions {', '.join(map(str, g['positions']))}; off the frame {g['rest_h']:g} h before lacing"
        for i, g in enumerate(groups, start=1)
    ]
