"""`longhold wheel`: the record of one wheel, what to do next and when, its calendar, and the shop's ledger.

Long because it holds the six small commands of one record.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tui.commands.note import note
from tui.commands.retension import retension as retension

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from planner.agenda import Next
    from planner.events import Event
    from planner.record import Record
    from planner.weighing import Way

FILE = click.Path(path_type=Path)
NOW = click.option(
    "--now", metavar="TIME", help="As if it were this time (ISO 8601); the computer's clock if left out."
)
JSON = click.option("--json", "as_json", is_flag=True, help="Print the answer as one JSON object on stdout.")
SEED = click.option("--seed", default=0, show_default=True, type=click.IntRange(0), help="Seed of the draws.")


@click.group()
def wheel() -> None:
    """Keep a wheel's own record; know its next action and when.

    A record holds build, batch and schedule, and whatever is noted: nights on the frame, lacing, sessions with their
    readings, delivery, later readings. Entries are only added; a wrong one is declared void.

    \b
    Example:
      longhold wheel next front.json
    """


wheel.add_command(note)


@wheel.command()
@click.argument("build_file", metavar="BUILD.toml", type=FILE)
@click.option("--batch", "batch_file", metavar="BATCH.json", type=FILE, required=True, help="From `longhold fit`.")
@click.option("--plan", "plan_file", metavar="SCHEDULE.json", type=FILE, help="From `longhold plan`.")
@click.option("--positions", "positions_file", metavar="POSITIONS.csv", type=FILE, help="position,spoke; from `match`.")
@click.option("--name", help="Of the wheel; the build's if left out.")
@click.option("--out", metavar="WHEEL.json", type=FILE, required=True, help="Where to keep the record.")
@NOW
@JSON
@click.option("--force", is_flag=True, help="Replace the record if it exists.")
def new(
    build_file: Path,
    batch_file: Path,
    plan_file: Path | None,
    positions_file: Path | None,
    name: str | None,
    out: Path,
    now: str | None,
    as_json: bool,
    force: bool,
) -> None:
    """Begin the record of one wheel.

    \b
    Example:
      longhold wheel new front.toml --batch K07.json --plan front/schedule.json --out front.json
    """
    from importlib.metadata import version
    from uuid import uuid4

    from models.errors import InputError
    from planner.agenda import next_action
    from planner.build import load_build
    from planner.notes import new_record
    from planner.record import record_of
    from tui.batchfile import batch_in
    from tui.out import answer_json, read_json, refuse_existing, say
    from tui.wheelfile import only_writer, write_record

    refuse_existing(out, force)
    build = load_build(build_file)
    batch = read_json(batch_file, "a batch file from 'longhold fit'")
    batch_in(batch, batch_file)
    schedule = None if plan_file is None else read_json(plan_file, "a schedule written by 'longhold plan'")
    labels = None if positions_file is None else _labels(positions_file, build.wheel.spokes)
    at = moment(now, "--now")
    try:
        content = new_record(
            name=name or build.name,
            build=build.as_dict(),
            batch=batch,
            positions=labels,
            schedule=schedule,
            identity=str(uuid4()),
            now=at,
            made_with=f"longhold {version('longhold')}",
        )
    except InputError as error:
        raise InputError(f"{plan_file or build_file}: {error}") from None
    with only_writer(out):
        refuse_existing(out, force)
        write_record(out, content)
    coming = next_action(record_of(content, str(out)), at)
    if as_json:
        answer_json({"out": str(out), "id": content["id"], "next": coming.as_dict(at)})
    else:
        say(f"wrote {out}")
        click.echo("\n".join(next_in_words(coming, at)))


@wheel.command(name="next")
@click.argument("wheel_file", metavar="WHEEL.json", type=FILE)
@NOW
@click.option("--quick", is_flag=True, help="Do not work out until when spokes may wait.")
@SEED
@JSON
def next_(wheel_file: Path, now: str | None, quick: bool, seed: int, as_json: bool) -> None:
    """The next action for this wheel, and when: not before, due, at the latest.

    The slack clock: spokes off the frame and not laced lose what the stretch gained; the latest time to lace is where
    the plan would no longer hold as asked.

    \b
    Example:
      longhold wheel next front.json
    """
    from dataclasses import replace
    from functools import partial

    from planner.agenda import next_action
    from planner.learning import with_other_draws
    from planner.windows import latest_lacing, latest_set
    from tui.out import answer_json
    from tui.wheelfile import read_record

    record, _ = read_record(wheel_file)
    at = moment(now, "--now")
    _doubt_the_clock(record, at)
    coming = next_action(record, at)
    if not quick and coming.due_utc is not None and coming.action in ("lace", "set"):
        work = partial(latest_lacing if coming.action == "lace" else latest_set, record, coming.due_utc)
        latest, chance = with_other_draws(work, seed)
        words = f"done when due, the plan holds in {100 * chance:.0f} % of simulated wheels"
        coming = replace(coming, latest_utc=latest, notes=(*coming.notes, words))
    labels = [] if record.positions is None else [record.positions[p - 1] for p in coming.positions]
    if as_json:
        answer_json({"wheel": record.name, **coming.as_dict(at), "spokes": labels})
    else:
        lines = next_in_words(coming, at)
        if labels:
            lines.append(f"  spokes: {', '.join(labels)}")
        click.echo("\n".join([f"{record.name}:", *lines]))


@wheel.command()
@click.argument("wheel_file", metavar="WHEEL.json", type=FILE)
@click.option("--out", metavar="FILE.ics", type=FILE, required=True, help="For a phone or a desk calendar.")
@click.option(
    "--start", metavar="TIME", help="Nothing begins before it; without offset the times are the shop's clock."
)
@click.option("--wheels", default=1, show_default=True, type=click.IntRange(1, 500), help="So many alike, one by one.")
@click.option(
    "--beside",
    "others",
    metavar="OTHER.json",
    type=FILE,
    multiple=True,
    help="The record of another wheel on the same frame, laid out first; may be given again.",
)
@NOW
@JSON
@click.option("--force", is_flag=True, help="Replace the file if it exists.")
def calendar(
    wheel_file: Path,
    out: Path,
    start: str | None,
    wheels: int,
    others: tuple[Path, ...],
    now: str | None,
    as_json: bool,
    force: bool,
) -> None:
    """What is still to come as iCalendar: load the frame, lace, set, passes, delivery.

    Steps keep their identity: a later file moves them instead of doubling them. A pair of wheels shares frame and
    builder: the second is laid out beside the first.

    \b
    Examples:
      longhold wheel calendar front.json --out front.ics --start 2025-03-03T09:00
      longhold wheel calendar rear.json --beside front.json --out rear.ics --start 2025-03-03T09:00
    """
    from datetime import datetime

    from models.errors import CannotAnswer, InputError
    from planner.calendar import ics_text
    from planner.remaining import remaining
    from tui.out import answer_json, refuse_existing, say, write_whole
    from tui.wheelfile import read_record

    refuse_existing(out, force)
    record, _ = read_record(wheel_file)
    at = moment(now, "--now")
    _doubt_the_clock(record, at)
    try:
        begin = None if start is None else datetime.fromisoformat(start)
    except ValueError:
        raise InputError(f"--start is '{start}'; a time such as 2025-03-03T09:00 is needed") from None
    beside: list[Sequence[Event]] = []
    for path in (*others, wheel_file):
        one, _ = read_record(path)
        if path in others and one.delivered is not None:
            continue
        try:
            laid = remaining(one, at, begin, wheels if path == wheel_file else 1, beside)
        except InputError as error:
            raise InputError(f"{path}: {error}") from None
        beside.append(laid.events)
    text = ics_text(laid.events, order=record.id, made_at=at, sequence=len(record.entries), name=record.name)
    write_whole(out, text, fresh=not force)
    if as_json:
        rows = [
            {"kind": e.kind, "wheel": e.wheel, "start": e.start.isoformat(), "end": e.end.isoformat(), "what": e.title}
            for e in laid.events
        ]
        answer_json({"out": str(out), "events": rows, "late": laid.late, "warnings": list(laid.warnings)})
    else:
        for e in laid.events:
            click.echo(f"{e.start:%a %Y-%m-%d %H:%M}  {e.title}")
        for w in laid.warnings:
            say(f"note: {w}")
        say(f"wrote {out}")
    if laid.late:
        raise CannotAnswer(f"the due date cannot be kept: ready on {laid.ready:%Y-%m-%d %H:%M}")


@wheel.command()
@click.argument("wheel_file", metavar="WHEEL.json", type=FILE)
@NOW
@SEED
@JSON
def weigh(wheel_file: Path, now: str | None, seed: int, as_json: bool) -> None:
    """One more night, or four readings at two hours: which saves the overnight pass?

    \b
    Example:
      longhold wheel weigh front.json
    """
    from models.errors import CannotAnswer
    from planner.learning import with_other_draws
    from planner.weighing import ways_to_save_the_pass
    from tui.format import number, percent
    from tui.out import answer_json
    from tui.wheelfile import read_record

    record, _ = read_record(wheel_file)
    schedule, build = record.schedule, record.the_build
    if schedule is None:
        raise CannotAnswer(f"{wheel_file}: no schedule is noted, so there is no pass to save")
    if record.set_utc is not None:
        raise CannotAnswer(f"{wheel_file}: the wheel is set; 'longhold retension' tells whether it needs another night")

    def work(with_seed: int) -> tuple[Way, ...]:
        still = record.laced is None
        return ways_to_save_the_pass(build, record.the_batch, schedule, on_bench_still=still, seed=with_seed)

    ways = with_other_draws(work, seed)
    asked = build.tension.probability
    enough = [w for w in ways if w.probability is not None and w.probability >= asked]
    cheapest = min(enough, key=lambda w: w.hands_on_h) if enough else None
    if as_json:
        answer_json(
            {
                "wheel": record.name,
                "planned_passes": schedule.passes,
                "asked": asked,
                "ways": [w.as_dict() for w in ways],
                "saves_the_pass": None if cheapest is None else cheapest.name,
            }
        )
        return
    lines = [
        f"{record.name}: {schedule.passes} overnight pass(es) planned. Without any, both sides' means stay within "
        f"{build.tension.tolerance_percent:g} % to {build.tension.horizon_h:g} h (asked: {percent(100 * asked, 0)}):"
    ]
    for w in ways:
        chance = "-" if w.probability is None else percent(100 * w.probability, 0)
        lines.append(f"  {chance:>6}  {w.name}: {w.what} (+{number(w.hands_on_h, 1)} h of hands)")
    lines.append(
        "None of these saves the pass." if cheapest is None else f"Least work that saves the pass: {cheapest.name}."
    )
    lines.append("(By mean spokes of simulated wheels; balance within a side is not looked at here.)")
    click.echo("\n".join(lines))


@wheel.command()
@click.argument("wheel_files", metavar="WHEEL.json...", nargs=-1, required=True, type=FILE)
@NOW
@SEED
@JSON
def ledger(wheel_files: tuple[Path, ...], now: str | None, seed: int, as_json: bool) -> None:
    """What plans claimed against what delivered wheels did; the shop's seating; when each wheel is due again.

    \b
    Example:
      longhold wheel ledger front.json rear.json
    """
    from planner.ledger import ledger_of
    from tui.format import number, percent, signed
    from tui.out import answer_json
    from tui.wheelfile import read_record

    at = moment(now, "--now")
    records = [read_record(path)[0] for path in wheel_files]
    found = ledger_of(records, at, seed)
    content = found.as_dict()
    if as_json:
        answer_json(content)
        return
    lines = []
    for h in found.held:
        was = "not read since delivery" if h.held is None else "held" if h.held else "did NOT hold"
        claim = "no claim" if h.claimed is None else f"claimed {percent(100 * h.claimed, 0)}"
        lines.append(f"{h.wheel}: {claim}; {was}; passes {h.passes_done} (planned {h.passes_planned})")
    band = content["inside_90_percent_band"]
    if band["readings"]:
        lines.append(
            f"{percent(100 * band['share'], 0)} of {band['readings']} side means lay in their 90 % bands; "
            f"{signed(content['mean_off_percent'])} % off their middle on average."
        )
    s = found.seating
    lines.append(
        f"Seating: {number(s.mean_mm, 3)} mm a spoke, sd {number(s.sd_mm, 3)} mm, from {s.wheels} of your wheels "
        f"(for wheel.seating_mm in a build file)."
    )
    for d in found.service:
        when = "-" if d.at_utc is None else f"{d.at_utc:%Y-%m-%d}"
        lines.append(f"{d.wheel}: read again by {when}: {d.why}.")
    click.echo("\n".join(lines))


# -- shared -----------------------------------------------------------------------------------------------------------


def moment(raw: str | None, option: str) -> datetime:
    """A moment from an option, else now; raises InputError naming the option."""
    from datetime import UTC, datetime

    from models.errors import InputError
    from tui.readings import moment_of

    if raw is None:
        return datetime.now(UTC).replace(microsecond=0)
    try:
        return moment_of(raw)
    except ValueError as error:
        raise InputError(f"{option} is '{raw}'; {error}") from None


def _doubt_the_clock(record: Record, now: datetime) -> None:
    """Say so where it is earlier than what was noted already: a clock that was set back makes every 'in 3 h' wrong."""
    from tui.out import say

    noted = max((e.at_utc for e in record.entries), default=now)
    if now < noted:
        say(
            f"note: it is {now:%Y-%m-%d %H:%M}Z by the clock, but an entry is of {noted:%Y-%m-%d %H:%M}Z: "
            "is the computer's clock right?"
        )


def _labels(path: Path, spokes: int) -> list[str]:
    """Labels by position from positions.csv."""
    import csv
    import io

    from models.errors import InputError
    from models.written import read_text

    text = read_text(path, "a table position,spoke").removeprefix("\ufeff")
    try:
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
    except csv.Error as error:
        raise InputError(f"{path}: not a table position,spoke: {error}") from None
    out: dict[int, str] = {}
    for line, row in enumerate(rows, start=2):
        raw, label = (row.get("position") or "").strip(), (row.get("spoke") or "").strip()
        if not raw.isdigit() or not 1 <= int(raw) <= spokes or not label:
            raise InputError(f"{path}: line {line}: a position 1 to {spokes} and a spoke's label are needed")
        if int(raw) in out:
            raise InputError(f"{path}: line {line}: position {raw} is there twice")
        if label in out.values():
            raise InputError(f"{path}: line {line}: spoke {label} is at two positions")
        out[int(raw)] = label
    if len(out) != spokes:
        raise InputError(f"{path}: {len(out)} positions, the wheel has {spokes}")
    return [out[p] for p in range(1, spokes + 1)]


def next_in_words(coming: Next, now: datetime) -> list[str]:
    """The next action as a builder reads it."""
    from planner.record import hours_between
    from tui.format import duration

    def when(moment: datetime) -> str:
        away = hours_between(now, moment) * 3600.0
        how = f"in {duration(away)}" if away >= 0 else f"{duration(-away)} ago"
        return f"{moment:%a %Y-%m-%d %H:%M}Z ({how})"

    lines = [("OVERDUE. " if coming.overdue(now) else "") + coming.what]
    if coming.not_before_utc is not None:
        lines.append(f"  not before  {when(coming.not_before_utc)}")
    if coming.due_utc is not None:
        lines.append(f"  due         {when(coming.due_utc)}")
    if coming.latest_utc is not None:
        late = "  at latest   " + when(coming.latest_utc)
        lines.append(late + "; after it the plan no longer holds as asked: plan again, or expect another night")
    lines += [f"  - {n}" for n in coming.notes]
    return lines
