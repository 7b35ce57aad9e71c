"""`longhold plan`: from a build and a batch to the tensioning schedule."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from models.batch import Batch
    from planner.answer import Plan
    from planner.build import Build

FILE = click.Path(path_type=Path)
CAUTIONS = """\
A loaded spoke can injure eyes and hands when it lets go; a wheel that loses tension can fail under its rider. The
makers' limits for rim, hub and spokes and local rules come first; a qualified wheelbuilder signs the wheel off.
Not for rim brakes: heat at the rim is outside what this plan covers."""


@click.command()
@click.argument("build_file", metavar="BUILD.toml", type=FILE)
@click.option("--batch", "batch_file", metavar="BATCH.json", type=FILE, required=True, help="From `longhold fit`.")
@click.option("--out", metavar="DIR", type=FILE, help="Folder for schedule.json, plan.txt and plan.png.")
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
    build_file: Path, batch_file: Path, out: Path | None, seed: int, draws: int, as_json: bool, force: bool
) -> None:
    """The tensioning schedule: stretch, set, touches and passes, with fewest overnight passes.

    Also what else was possible, and the untreated wheel beside it.

    \b
    Example:
      longhold plan front.toml --batch K07.json --out front
    """
    from models.batch import Batch
    from models.errors import CannotAnswer, InputError
    from planner.build import load_build
    from planner.search import find_plan
    from tui.out import answer_json, json_text, read_json, refuse_existing, write_whole

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
        for name in ("schedule.json", "plan.txt", "plan.png"):
            if (out / name).exists():
                refuse_existing(out / name, force)
    try:
        answer = find_plan(build, batch, seed=seed, draws=draws, progress=_progress())
    except CannotAnswer as no:
        if as_json:
            answer_json(_nothing(batch, build, str(no)))
        raise
    finally:
        _progress()("")
    schedule = answer.as_dict()
    words = _words(answer, schedule)
    if out is not None:
        out.mkdir(exist_ok=True)
        write_whole(out / "schedule.json", json_text(schedule))
        write_whole(out / "plan.txt", words)
        if not as_json:
            write_whole(out / "plan.png", _picture(answer, batch, seed))
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


def _words(answer: Plan, schedule: Mapping[str, Any]) -> str:
    """The plan as a builder reads it."""
    from tui import format as show
    from tui.summary import steps_in_words, verdict

    build, best = answer.build, answer.best
    asked = build.tension
    first, last = (best.outlook.side_mean_N[k].mean(axis=1) for k in (0, -1))
    tension = {k: f"{show.force(float(v[len(v) // 2]))}" for k, v in (("first", sorted(first)), ("last", sorted(last)))}
    lines = [
        f"{build.name}, batch {answer.batch}",
        "",
        *verdict(schedule),
        "",
        f"The set begins at {schedule['set_begins']}; times count from there.",
        *(f"{i:2d}. {text}" for i, text in enumerate(steps_in_words(schedule["steps"]), start=1)),
        *_groups(schedule["steps"]),
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
        demo="invented" in answer.build.name or "demo" in answer.batch.lower(),
    )
