"""`longhold plan`: from a build and a batch to the tensioning schedule."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from models.batch import Batch
    from planner.answer import Plan
    from planner.build import Build

FILE = click.Path(path_type=Path)
PICTURES = ("plan.png", "build-card.pdf", "bench-cards.pdf")  # for a person; not with --json
CAUTIONS = """\
A loaded spoke can injure eyes and hands when it lets go; a wheel that loses tension can fail under its rider. The
makers' limits for rim, hub and spokes and local rules come first; a qualified wheelbuilder signs the wheel off.
Not for rim brakes: heat at the rim is outside what this plan covers."""


@click.command()
@click.argument("build_file", metavar="BUILD.toml", type=FILE)
@click.option("--batch", "batch_file", metavar="BATCH.json", type=FILE, required=True, help="From `longhold fit`.")
@click.option("--out", metavar="DIR", type=FILE, help="Folder for schedule.json, plan.txt, plan.png and the cards.")
@click.option("--gauge", "gauge_file", metavar="GAUGE.json", type=FILE, help="Its readings stand beside tensions.")
@click.option("--calendar", "ics_file", metavar="FILE.ics", type=FILE, help="For a phone or a desk calendar.")
@click.option("--start", metavar="TIME", help="Where the calendar begins; else order.start of the build.")
@click.option(
    "--paper", type=click.Choice(["A5", "A4", "Letter"]), default="A5", show_default=True, help="Of the cards."
)
@click.option("--seed", default=0, show_default=True, type=click.IntRange(0), help="Seed of the draws.")
@click.option(
    "--draws",
    default=1000,
    show_default=True,
    type=click.IntRange(100, 100_000),
    help="Simulated wheels behind a claim.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the schedule as one JSON object on stdout; no picture.")
@click.option("--force", is_flag=True, help="Replace results that exist.")
def plan(
    build_file: Path,
    batch_file: Path,
    out: Path | None,
    gauge_file: Path | None,
    ics_file: Path | None,
    start: str | None,
    paper: str,
    seed: int,
    draws: int,
    as_json: bool,
    force: bool,
) -> None:
    """The tensioning schedule: stretch, set, touches and passes, with fewest overnight passes.

    Also what else was possible, and the untreated wheel beside it. With --calendar the steps are put on real days, and
    the plan is judged again where these make it another one.

    \b
    Examples:
      longhold plan front.toml --batch K07.json --out front
      longhold plan front.toml --batch K07.json --out front --calendar front.ics --start 2026-03-02T09:00
    """
    from models.batch import Batch
    from models.errors import CannotAnswer, InputError
    from planner.build import load_build
    from planner.search import find_plan
    from tui import card, planfolder
    from tui.commands.retension import read_gauge
    from tui.out import answer_json, json_text, read_json, refuse_existing, say, write_whole

    if out is None and not as_json:
        raise InputError("give --out DIR to keep the plan, or --json to print it")
    build = load_build(build_file)
    try:
        batch = Batch.from_dict(read_json(batch_file, "a batch file from 'longhold fit'"))
    except InputError as error:
        raise InputError(str(error) if str(batch_file) in str(error) else f"{batch_file}: {error}") from None
    if out is not None:
        if out.exists() and not out.is_dir():
            raise InputError(f"{out} is a file; --out wants a folder")
        if not out.is_dir():
            refuse_existing(out, force=False)  # says so where the folder above does not exist
        for name in ("schedule.json", "plan.txt", *PICTURES):
            if (out / name).exists():
                refuse_existing(out / name, force)
    gauge = None if gauge_file is None else read_gauge(gauge_file)
    begin = _start(start, build, ics_file)
    if ics_file is not None:
        refuse_existing(ics_file, force)
    try:
        answer = find_plan(build, batch, seed=seed, draws=draws, progress=_progress())
    except CannotAnswer as no:
        if as_json:
            answer_json(_nothing(batch, build, str(no)))
        raise
    finally:
        _progress()("")
    schedule = dict(answer.as_dict())
    if gauge is not None:
        try:
            schedule = planfolder.with_readings(schedule, answer, batch, gauge)
        except InputError as error:
            raise InputError(f"{gauge_file}: {error}") from None
    days = None
    if begin is not None:
        now = datetime.now(UTC)
        days = planfolder.on_days(answer, batch, begin, seed=seed, draws=draws, made_at=now)
        schedule["as_laid"] = days.as_dict()
    words = _words(answer, schedule, () if days is None else days.in_words())
    if out is not None:
        out.mkdir(exist_ok=True)
        write_whole(out / "schedule.json", json_text(schedule))
        write_whole(out / "plan.txt", words)
        for name in PICTURES:
            if not as_json:
                (out / name).unlink(missing_ok=True)  # of an earlier plan that needed it
        if not as_json:
            write_whole(out / "plan.png", _picture(answer, batch, seed))
            write_whole(out / "build-card.pdf", card.pdf(planfolder.the_build_card(schedule, answer), paper))
            nights = planfolder.bench_cards(answer, events=() if days is None else days.laid.events)
            if nights:
                write_whole(out / "bench-cards.pdf", card.pdf_pages(nights, paper))
    if ics_file is not None and days is not None:
        write_whole(ics_file, days.ics)
        say(f"wrote {ics_file}")
    if as_json:
        answer_json(schedule)
    else:
        click.echo(words, nl=False)
    if not answer.holds:
        asked = build.tension
        raise CannotAnswer(
            f"no schedule holds {asked.tolerance_percent:g} % of target from {asked.delivery_h:g} h to "
            f"{asked.horizon_h:g} h with probability {asked.probability:g}; the best holds with "
            f"{answer.best.probability:.2f}. Any one of these would do: {'; '.join(answer.relax)}"
        )
    if days is not None and not days.holds:
        raise CannotAnswer(
            f"the plan holds, but not on these days: {'; '.join(days.differs)}; so it holds with "
            f"{days.probability or 0.0:.2f}, asked is {build.tension.probability:g}. {days.way_out}"
        )
    if days is not None and days.laid.late:
        raise CannotAnswer(f"the due date cannot be kept: ready on {days.laid.ready:%Y-%m-%d %H:%M}")


def _start(raw: str | None, build: Build, ics_file: Path | None) -> datetime | None:
    """Where the calendar begins; None where none is asked for."""
    from models.errors import InputError

    if ics_file is None:
        if raw is not None:
            raise InputError("--start says where the calendar begins: give --calendar FILE.ics with it")
        return None
    if raw is None:
        if build.order.start is None:
            raise InputError("--calendar needs a start: give --start 2026-03-02T09:00, or [order] start in the build")
        return build.order.start
    try:
        return datetime.fromisoformat(raw)
    except ValueError:
        raise InputError(f"--start is '{raw}'; a time such as 2026-03-02T09:00 is needed") from None


def _progress() -> Any:
    """Words for a terminal, over each other on one line; nothing in a pipe."""
    if not sys.stderr.isatty():
        return lambda _words: None

    def show(words: str) -> None:
        click.echo(f"\r\x1b[K{words}" if words else "\r\x1b[K", err=True, nl=False)

    return show


def _nothing(batch: Batch, build: Build, why: str) -> Mapping[str, Any]:
    """The answer where not even the target itself is allowed."""
    return {"batch": batch.batch, "build": build.name, "holds": False, "steps": [], "passes": None, "relax": [why]}


def _words(answer: Plan, schedule: Mapping[str, Any], days: Sequence[str] = ()) -> str:
    """The plan as a builder reads it."""
    from tui import format as show
    from tui.summary import steps_in_words, verdict

    build, best = answer.build, answer.best
    asked = build.tension
    unit = schedule.get("gauge", {}).get("reading_unit", "")
    first, last = (best.outlook.side_mean_N[k].mean(axis=1) for k in (0, -1))
    tension = {k: f"{show.force(float(v[len(v) // 2]))}" for k, v in (("first", sorted(first)), ("last", sorted(last)))}
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
        f"Expected mean tension: {tension['first']} at delivery, {tension['last']} at {asked.horizon_h:g} h; "
        f"allowed is {asked.tolerance_percent:g} % of each side's target.",
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
        "What else was weighed:",
        "  passes  bench nights  hands-on  peak       holds with",
        *(
            f"  {t['passes']:>6}  {t['bench_nights']:>12}  {show.number(t['hands_on_h'], 1):>6} h  "
            f"{show.number(t['peak_N']):>5} N  {show.percent(100 * t['probability_holds'], 0):>8}"
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


def _groups(steps: list[Mapping[str, Any]]) -> list[str]:
    """Which positions are stretched in which run."""
    groups: list[Mapping[str, Any]] = next((s.get("groups", []) for s in steps if s["kind"] == "prestretch"), [])
    return [
        f"      run {i}: positions {', '.join(map(str, g['positions']))}; off the frame {g['rest_h']:g} h before lacing"
        for i, g in enumerate(groups, start=1)
    ]


def _picture(answer: Plan, batch: Batch, seed: int) -> bytes:
    """Expected tension with its band, the untreated wheel beside it."""
    import numpy as np

    from tui.course import planned_and_untreated
    from tui.pictures import plan as drawn
    from tui.planfolder import is_demo

    beside = answer.untreated.as_dict()
    planned, trade = planned_and_untreated(
        answer.build, batch, answer.best.schedule, beside["passes"] or 0, np.random.default_rng([seed, 3])
    )
    left, right = answer.best.outlook.targets_N
    return drawn(
        planned,
        trade,
        steps=answer.best.schedule.as_list(),
        target_N={"left": left, "right": right},
        tolerance_percent=answer.build.tension.tolerance_percent,
        name=answer.build.name,
        demo=is_demo(answer.build.name, answer.batch),
    )
