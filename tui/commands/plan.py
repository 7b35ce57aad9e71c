"""`longhold plan`: from a build and a batch to the tensioning schedule."""

from __future__ import annotations

import sys
from collections.abc import Mapping
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


@click.command()
@click.argument("build_file", metavar="[BUILD.toml]", type=FILE, required=False)
@click.option("--batch", "batch_file", metavar="BATCH.json", type=FILE, help="From `longhold fit`.")
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
@click.option(
    "--orders",
    metavar="ORDERS",
    type=FILE,
    help="Many builds: a folder of them, or an order book; with a BUILD.toml, a folder of batches.",
)
@click.option("--dask", metavar="ADDRESS", help="With --orders: on the Dask cluster at this address.")
@click.option("--json", "as_json", is_flag=True, help="Print the schedule as one JSON object on stdout; no picture.")
@click.option("--force", is_flag=True, help="Replace results that exist.")
def plan(
    build_file: Path | None,
    batch_file: Path | None,
    out: Path | None,
    gauge_file: Path | None,
    ics_file: Path | None,
    start: str | None,
    paper: str,
    seed: int,
    draws: int,
    orders: Path | None,
    dask: str | None,
    as_json: bool,
    force: bool,
) -> None:
    """The tensioning schedule: stretch, set, touches and passes, with fewest overnight passes.

    Also what else was possible, and the untreated wheel beside it. With --calendar the steps are put on real days.
    Where these make it another plan it is judged again, and where too few wheels would then hold it is made anew for
    these days. Where the build has [order] due, it must be kept: from [order] start, else from now. With --orders a
    whole order book is planned on all cores, or on a Dask cluster that is running (extra 'cluster').

    ORDERS is a folder of build files, or a TOML file: batch = "K07.json", then for each order [[order]] with build,
    and where wanted batch and name. With a BUILD.toml it is a folder of batch files: the build is planned for each.

    \b
    Examples:
      longhold plan front.toml --batch K07.json --out front
      longhold plan front.toml --batch K07.json --out front --calendar front.ics --start 2026-03-02T09:00
      longhold plan --orders spring/ --batch K07.json --out plans
      longhold plan front.toml --orders archive/ --out plans
    """
    from models.errors import CannotAnswer, InputError
    from planner.build import load_build
    from planner.calendar import ics_text
    from planner.ondays import WAY_OUT, on_days
    from planner.search import find_plan
    from planner.stretching import refuse_gone_by
    from tui import planfolder, planwords
    from tui.batchfile import read_batch
    from tui.commands.retension import read_gauge
    from tui.out import answer_json, json_text, refuse_existing, say, write_whole
    from tui.pages import pdf_pages

    if orders is not None:
        if gauge_file is not None or ics_file is not None or start is not None:
            raise InputError("--orders stands alone: no --gauge, --calendar or --start with it")
        if build_file is not None and batch_file is not None:
            raise InputError("--orders with a BUILD.toml plans it for each batch of a folder: no --batch with it")
        _order_book(orders, build_file, batch_file, out, seed, draws, dask, as_json, force)
        return
    if dask is not None:
        raise InputError("--dask is for many builds: give --orders with it")
    if build_file is None or batch_file is None:
        raise InputError("give a build and its batch: longhold plan BUILD.toml --batch BATCH.json --out DIR")
    if out is None and not as_json:
        raise InputError("give --out DIR to keep the plan, or --json to print it")
    build, now = load_build(build_file), datetime.now(UTC)
    try:
        refuse_gone_by(build.order.due, now)
    except InputError as error:
        raise InputError(f"{build_file}: {error}") from None
    batch = read_batch(batch_file)
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
    days = None
    try:
        answer = find_plan(build, batch, seed=seed, draws=draws, progress=_progress())
        if begin is not None:
            days = on_days(answer, batch, begin, seed=seed, draws=draws, progress=_progress())
            answer = days.plan
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
    if days is not None:
        schedule["as_laid"] = days.as_dict()
    ready = planfolder.ready_too_late(answer, now) if days is None else days.laid.ready if days.laid.late else None
    words = planwords.in_words(answer, schedule, () if days is None else planfolder.days_in_words(days))
    if out is not None:
        out.mkdir(exist_ok=True)
        write_whole(out / "schedule.json", json_text(schedule))
        write_whole(out / "plan.txt", words)
        for name in PICTURES:
            if not as_json:
                (out / name).unlink(missing_ok=True)  # of an earlier plan that needed it
        if not as_json:
            write_whole(out / "plan.png", _picture(answer, batch, seed))
            write_whole(out / "build-card.pdf", pdf_pages([planfolder.the_build_card(schedule, answer)], paper))
            nights = planfolder.bench_cards(answer, events=() if days is None else days.laid.events)
            if nights:
                write_whole(out / "bench-cards.pdf", pdf_pages(nights, paper))
    if ics_file is not None and days is not None:
        write_whole(ics_file, ics_text(days.laid.events, order=build.name, made_at=now, name=build.name))
        say(f"wrote {ics_file}")
    if as_json:
        answer_json(schedule)
    else:
        click.echo(words, nl=False)
    if not answer.holds:
        asked = build.tension
        on_them = "" if days is None or days.without_them is None else "on these days "
        enough = "This" if len(answer.relax) == 1 else "Any one of these"
        raise CannotAnswer(
            f"{on_them}no schedule within the limits holds {asked.tolerance_percent:g} % of target from "
            f"{asked.delivery_h:g} h to {asked.horizon_h:g} h with probability {asked.probability:g}; the one given "
            f"holds with {answer.best.probability:.2f}. {enough} would do: {'; '.join(answer.relax)}"
        )
    if days is not None and not days.holds:
        raise CannotAnswer(
            f"the plan holds, but not on these days: {'; '.join(days.differs)}; so it holds with "
            f"{days.probability or 0.0:.2f}, asked is {build.tension.probability:g}. {WAY_OUT}"
        )
    if ready is not None:
        raise CannotAnswer(f"the due date cannot be kept: ready on {ready:%Y-%m-%d %H:%M}")


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


def _order_book(
    path: Path,
    build_file: Path | None,
    batch_file: Path | None,
    out: Path | None,
    seed: int,
    draws: int,
    dask: str | None,
    as_json: bool,
    force: bool,
) -> None:
    """Plan an order book; every plan in a folder of its own, written as soon as it is there."""
    from models.errors import CannotAnswer, InputError
    from tui import orders
    from tui.out import answer_json, json_text, refuse_existing, write_whole

    if out is None:
        raise InputError("--orders needs --out DIR, a folder for the plans")
    if not path.exists():
        raise InputError(f"{path}: no such order book, nor a folder of build files")
    book = orders.read_orders(path, batch_file, build_file=build_file, now=datetime.now(UTC))
    if out.exists() and not out.is_dir():
        raise InputError(f"{out} is a file; --out wants a folder")
    if not out.is_dir():
        refuse_existing(out, force=False)
    for name in (orders.SUMMARY, *(f"{o.name}/{file}" for o in book for file in ("schedule.json", "plan.txt"))):
        if (out / name).exists():
            refuse_existing(out / name, force)
    progress, rows = _progress(), []
    try:
        for planned in orders.plan_orders(
            book, seed=seed, draws=draws, dask=dask, done=lambda n: progress(f"{n} of {len(book)} orders planned")
        ):
            folder = out / planned.name
            folder.mkdir(parents=True, exist_ok=True)
            if planned.schedule is None:
                (folder / "schedule.json").unlink(missing_ok=True)  # of an earlier plan
            else:
                write_whole(folder / "schedule.json", json_text(planned.schedule))
            write_whole(folder / "plan.txt", planned.words)
            rows.append(planned.row())
    finally:
        progress("")
    order = {o.name: i for i, o in enumerate(book)}
    answer = orders.summary(sorted(rows, key=lambda r: order[r["order"]]))
    write_whole(out / orders.SUMMARY, json_text(answer))
    if as_json:
        answer_json(answer)
    else:
        click.echo(orders.table(answer), nl=False)
    if answer["do_not_hold"]:
        names = [r["order"] for r in answer["orders"] if not r["holds"]]
        raise CannotAnswer(f"{len(names)} of {len(book)} orders do not hold as asked: {', '.join(names[:10])}")


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
