"""The report of a wheel: what was planned for it, what was done and read, where it stands, what comes next."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from planner.agenda import listed, next_action
from planner.build import Build
from planner.record import (
    AnyEntry,
    Delivered,
    Laced,
    Planned,
    Reading,
    Record,
    SessionDone,
    Sheet,
    Slack,
    Stretched,
    Turned,
    hours_between,
)
from planner.wheel import Wheel, wheel_of
from tui import format as show
from tui import html
from tui.summary import steps_in_words, tension_in_words, verdict

SIDES = ("left", "right")
SESSION = {"set": "Set", "touch": "Touched up the same day", "pass": "Pass after a night"}


def wheel_report(record: Record, now: datetime, *, seed: int = 0) -> str:
    """The page."""
    from tui.planfolder import is_demo

    build = record.the_build
    wheel = wheel_of(build)
    demo = is_demo(build.name, str(record.batch.get("batch", "")))
    parts = []
    if demo:
        parts.append(html.words("DEMO: invented data. No real wheel stands behind any number on this page.", mark=True))
    parts.append(html.table(("", ""), _facts(record, build), prose=True))
    coming = next_action(record, now)
    due = "" if coming.due_utc is None else f" Due {coming.due_utc:%a %Y-%m-%d %H:%M}Z."
    late = " OVERDUE." if coming.overdue(now) else ""
    parts.append(html.words(f"Next, seen on {now:%Y-%m-%d %H:%M}Z: {coming.what}{due}{late}", mark=True))
    parts += [html.words(note) for note in coming.notes]
    parts += _plan(record, build, wheel, demo, seed)
    parts += _stands(record, build, wheel, demo)
    done = [(f"{e.at_utc:%Y-%m-%d %H:%M}Z", entry_in_words(e, wheel), e.words) for e in record.standing()]
    parts.append(html.heading("What was done"))
    parts.append(html.table(("when", "what", "note"), done, prose=True) if done else html.words("Nothing yet."))
    parts.append(html.words(
        "Rim, hub and spoke makers' limits and local rules come first; a qualified wheelbuilder signs the wheel off."
    ))  # fmt: skip
    return html.page(f"Wheel {record.name}", parts)


def _facts(record: Record, build: Build) -> list[tuple[str, str]]:
    asked = build.tension
    target = dict(zip(SIDES, wheel_of(build).side_targets_N(), strict=True))
    rows = [
        ("build", build.name),
        ("spokes", f"{build.wheel.spokes} of batch {record.batch.get('batch', '-')}"),
        ("target", f"{tension_in_words({'tension_N': target})}, each side's mean within "
                   f"{asked.tolerance_percent:g} % from {show.duration(3600 * asked.delivery_h)} to "
                   f"{show.duration(3600 * asked.horizon_h)} after the set"),
        ("begun", f"{record.begun_utc:%Y-%m-%d %H:%M}Z"),
    ]  # fmt: skip
    delivered = record.delivered
    return rows if delivered is None else [*rows, ("delivered", f"{delivered.at_utc:%Y-%m-%d %H:%M}Z")]


def rounds_read(record: Record) -> list[tuple[datetime, str, Sheet]]:
    """Every round of readings in the order of time: when, what it was, the readings."""
    out = []
    for e in record.standing():
        if isinstance(e, Reading):
            out.append((e.at_utc, "left alone", e.readings))
        elif isinstance(e, SessionDone):
            out += [
                (e.at_utc, f"{when} the {e.session}", s) for when, s in (("before", e.before), ("after", e.after)) if s
            ]
    return out


def _means(sheet: Sheet, wheel: Wheel) -> dict[str, float]:
    tension = np.array(sheet.tension_N)
    return {name: float(tension[wheel.side == k].mean()) for k, name in enumerate(SIDES)}


def _plan(record: Record, build: Build, wheel: Wheel, demo: bool, seed: int) -> list[str]:
    planned, schedule = record.planned, record.schedule
    if planned is None or schedule is None:
        return [html.heading("The plan"), html.words("No schedule is in this record.")]
    from tui import pictures
    from tui.course import planned_and_untreated

    content = planned.schedule
    said = verdict(content) if {"untreated", "forecast", "holds", "passes"} <= set(content) else []
    out = [html.heading("The plan"), *(html.words(line) for line in said)]
    out.append(html.points(steps_in_words(content["steps"]), numbered=True))
    passes = (content.get("untreated") or {}).get("passes") or 0
    course, trade = planned_and_untreated(build, record.the_batch, schedule, passes, np.random.default_rng([seed, 3]))
    target = dict(zip(SIDES, wheel.side_targets_N(), strict=True))
    begun = record.set_utc
    read = [] if begun is None else [
        (max(hours_between(begun, at), 0.0), _means(sheet, wheel))
        for at, what, sheet in rounds_read(record)
        if at >= begun and what != "before the set"
    ]  # fmt: skip
    png = pictures.plan(
        course, trade, steps=content["steps"], target_N=target, tolerance_percent=build.tension.tolerance_percent,
        name=record.name, demo=demo, read=read,
    )  # fmt: skip
    return [
        *out,
        html.picture(png, "Mean tension of a side as planned, the same wheel untreated beside it, and what was read."),
    ]


def _stands(record: Record, build: Build, wheel: Wheel, demo: bool) -> list[str]:
    rounds = rounds_read(record)
    if not rounds:
        return [html.heading("Readings"), html.words("No round of readings is in this record yet.")]
    from tui import pictures

    at, what, last = rounds[-1]
    target = dict(zip(SIDES, wheel.side_targets_N(), strict=True))
    png = pictures.readings(
        last.tension_N, wheel.side.tolist(), target_N=target, tolerance_percent=build.tension.tolerance_percent,
        title=f"Tension by position: {record.name}, read {at:%Y-%m-%d %H:%M}Z, {what}", demo=demo,
    )  # fmt: skip
    means = [_mean_row(moment, words, sheet, wheel, target) for moment, words, sheet in rounds]
    shown = rounds[-6:]
    spokes = [
        (str(i + 1), SIDES[int(wheel.side[i])], *(show.number(sheet.tension_N[i]) for _, _, sheet in shown))
        for i in range(wheel.n)
    ]
    heads = ("position", "side", *(f"{moment:%d %b %H:%M}, {words}" for moment, words, _ in shown))
    return [
        html.heading("Readings"),
        html.picture(
            png, "The last round: every spoke by its position, with the band that the build asks of a side's mean."
        ),
        html.table(("round", "left, N", "off target", "right, N", "off target"), means),
        html.table(heads, spokes),
    ]


def _mean_row(at: datetime, what: str, sheet: Sheet, wheel: Wheel, target: dict[str, float]) -> tuple[str, ...]:
    cells = [f"{at:%Y-%m-%d %H:%M}Z, {what}"]
    for name, mean in _means(sheet, wheel).items():
        cells += [show.number(mean), f"{show.signed(100 * (mean / target[name] - 1))} %"]
    return tuple(cells)


def entry_in_words(entry: AnyEntry, wheel: Wheel) -> str:
    """One entry of a record as a sentence."""
    match entry:
        case Planned():
            passes = int(entry.schedule.get("passes", 0))
            return f"Plan taken: {show.counted(passes, 'overnight pass', 'overnight passes')}."
        case Stretched():
            return (
                f"{_which(entry.positions, wheel)} stretched at {show.force(entry.load_N)} for "
                f"{show.duration(3600 * entry.hours)} at {show.with_unit(entry.temperature_C, '°C')}."
            )
        case Slack():
            return f"{_which(entry.positions, wheel)} hang slack from here on."
        case Laced():
            return f"Laced, all to {show.force(entry.tension_N)}."
        case Turned():
            turned = sum(abs(t) > 0 for t in entry.turns)
            return (
                f"{show.counted(turned, 'nipple')} turned, {show.number(sum(map(abs, entry.turns)), 2)} turns in all."
            )
        case SessionDone():
            tension = tension_in_words({"tension_N": entry.tension_N.model_dump()})
            return f"{SESSION[entry.session]}: to {tension}, {show.duration(3600 * entry.hours)} of work."
        case Delivered():
            return "Delivered."
        case Reading():
            return "All spokes read, nipples left alone."
        case _:
            return "An entry that was wrong was taken back."


def _which(positions: Sequence[int], wheel: Wheel) -> str:
    return "All spokes" if len(positions) == wheel.n else f"Spokes {listed(tuple(positions))}"
