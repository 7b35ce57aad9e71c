"""`longhold wheel note`: one more entry in a wheel's record."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from planner.record import Record

FILE = click.Path(path_type=Path)
KINDS = ("planned", "stretched", "slack", "laced", "turned", "session", "delivered", "reading", "void")
# which options say something about which kind
OPTIONS = {
    "planned": ("plan_file",),
    "stretched": ("run", "positions", "load", "hours", "temperature_C"),
    "slack": ("run", "positions"),
    "laced": ("tension",),
    "turned": ("turns_file",),
    "session": ("session", "minutes", "set_to", "readings_files", "gauge_file", "turns_file", "temperature_C"),
    "delivered": (),
    "reading": ("readings_files", "gauge_file"),
    "void": ("entry",),
}
NAMES = {
    "plan_file": "--plan",
    "run": "--run",
    "positions": "--positions",
    "load": "--load",
    "hours": "--hours",
    "temperature_C": "--temperature-C",
    "tension": "--tension",
    "turns_file": "--turns",
    "session": "--session",
    "minutes": "--minutes",
    "set_to": "--set",
    "readings_files": "--readings",
    "gauge_file": "--gauge",
    "entry": "--entry",
}


@click.command()
@click.argument("wheel_file", metavar="WHEEL.json", type=FILE)
@click.argument("kind", metavar="KIND", type=click.Choice(KINDS))
@click.option("--at", metavar="TIME", help="When it happened (a session: its start); now if left out.")
@click.option("--run", type=click.IntRange(1, 500), help="Which run of the frame, by the schedule.")
@click.option("--positions", metavar="LIST", help='Positions such as "1-4,9"; all if neither this nor --run is given.')
@click.option("--load", metavar="FORCE", help="On the frame; the schedule's if left out.")
@click.option("--hours", type=click.FloatRange(min=0), help="On the frame at load; the schedule's if left out.")
@click.option("--temperature-C", "temperature_C", type=float, help="Of cabinet or room.")
@click.option("--tension", metavar="FORCE", help="All spokes laced to; the schedule's if left out.")
@click.option("--plan", "plan_file", metavar="SCHEDULE.json", type=FILE, help="The schedule followed from here on.")
@click.option("--session", type=click.Choice(["set", "touch", "pass"]), help="The schedule's next if left out.")
@click.option("--minutes", type=float, help="How long the session took; the build's value if left out.")
@click.option("--set", "set_to", metavar="FORCE", multiple=True, help="Set tension; twice for left and right.")
@click.option(
    "--readings",
    "readings_files",
    metavar="READINGS.csv",
    type=FILE,
    multiple=True,
    help="Column `when` (before, after) tells which side of a session; without it: after.",
)
@click.option("--gauge", "gauge_file", metavar="GAUGE.json", type=FILE, help="For readings in the gauge's own unit.")
@click.option(
    "--turns", "turns_file", metavar="ANSWER.json", type=FILE, help="Answer of `retension --json` carried out."
)
@click.option("--entry", type=click.IntRange(1), help="Number of the entry that is void.")
@click.option("--words", default="", help="Your own.")
@click.option("--now", metavar="TIME", help="As if it were this time; the computer's clock if left out.")
@click.option("--json", "as_json", is_flag=True, help="Print the entry and what comes next as one JSON object.")
def note(
    wheel_file: Path,
    kind: str,
    at: str | None,
    words: str,
    now: str | None,
    as_json: bool,
    **given: Any,
) -> None:
    """Note what was done: one entry at the end of the record.

    \b
    KIND       what it needs
    planned    --plan: another schedule is followed from here on
    stretched  spokes came off the frame: --run (or --positions, --load, --hours)
    slack      spokes hang slack, where that is not the end of their night
    laced      the wheel is laced
    turned     nipples turned within a session: --turns
    session    a set, touch or pass is over: --readings, --at its start
    delivered  the wheel left
    reading    all spokes read, nipples left alone: --readings
    void       an entry was wrong: --entry

    \b
    Examples:
      longhold wheel note front.json stretched --run 1 --at 2025-03-03T09:00Z
      longhold wheel note front.json session --readings morning.csv --readings after.csv --at 2025-03-08T09:00Z
    """
    from models.errors import InputError
    from planner.agenda import next_action
    from planner.notes import appended
    from planner.record import record_of
    from tui.commands.wheel import moment, next_in_words
    from tui.out import answer_json, say
    from tui.wheelfile import only_writer, read_record, write_record

    for name, value in given.items():
        if value not in (None, ()) and name not in OPTIONS[kind]:
            allowed = ", ".join(NAMES[o] for o in OPTIONS[kind]) or "none"
            raise InputError(f"{NAMES[name]} says nothing about '{kind}'; of its own options it takes: {allowed}")
    today = moment(now, "--now")
    with only_writer(wheel_file):
        record, content = read_record(wheel_file)
        when = today if at is None else moment(at, "--at")
        entry, when = _entry(record, kind, given, when, when_given=at is not None)
        try:
            longer = appended(
                content, {"kind": kind, "words": words, **entry}, at=when, now=today, where=str(wheel_file)
            )
        except InputError as error:
            text = str(error)
            raise InputError(text if text.startswith(str(wheel_file)) else f"{wheel_file}: {text}") from None
        write_record(wheel_file, longer)
    coming = next_action(record_of(longer, str(wheel_file)), today)
    new = longer["entries"][-1]
    if kind == "session" and record.laced is None and entry["session"] == "set":
        say("note: neither lacing nor nights on the frame count that are not noted; what comes rests on them")
    if as_json:
        answer_json({"entry": new, "next": coming.as_dict(today)})
    else:
        say(f"noted as entry {new['n']}: {kind} at {new['at_utc']}")
        click.echo("\n".join(next_in_words(coming, today)))


def _entry(
    record: Record, kind: str, given: Mapping[str, Any], at: datetime, *, when_given: bool
) -> tuple[dict[str, Any], datetime]:
    """What the entry holds beside its kind, and when it happened."""
    from models.errors import InputError
    from planner.record import kept_of
    from tui.out import read_json

    def needed(name: str) -> Any:
        if given[name] is None or given[name] == ():
            raise InputError(f"'{kind}' needs {NAMES[name]}")
        return given[name]

    match kind:
        case "planned":
            path = needed("plan_file")
            try:
                return {"schedule": kept_of(read_json(path, "a schedule written by 'longhold plan'"))}, at
            except InputError as error:
                raise InputError(str(error) if str(error).startswith(str(path)) else f"{path}: {error}") from None
        case "stretched":
            return _stretched(record, given), at
        case "slack":
            return {"positions": list(_positions(record, given))}, at
        case "laced":
            schedule = record.schedule
            usual = record.the_build.shop.lacing_tension_N
            if schedule is not None and schedule.laced is not None:
                usual = schedule.laced.tension_N
            return {"tension_N": usual if given["tension"] is None else _force("--tension", given["tension"])}, at
        case "turned":
            from tui.commands.retension import turned_by

            turned, turns = turned_by(needed("turns_file"), record.the_build.wheel.spokes)
            return {"turns": turns, "before_N": turned.before_N.tolist(), "after_N": turned.after_N.tolist()}, at
        case "session":
            return _session(record, given, at, when_given)
        case "reading":
            sheets = _sheets(record, needed("readings_files"), given["gauge_file"])
            if len(sheets) != 1:
                raise InputError("a reading is one round: give one file with one round in it")
            [(_, (sheet, read_at))] = sheets.items()
            return {"readings": sheet}, at if when_given or read_at is None else read_at
        case "void":
            return {"entry": needed("entry")}, at
        case _:
            return {}, at


def _force(option: str, raw: str) -> float:
    from models.errors import InputError
    from models.units import parse_force_N

    try:
        try:
            return float(raw)
        except ValueError:
            return parse_force_N(raw)
    except ValueError as error:
        raise InputError(f"{option}: {error}") from None


def _positions(record: Record, given: Mapping[str, Any]) -> tuple[int, ...]:
    """From --run or --positions; all where neither is given."""
    from models.errors import InputError
    from planner.agenda import runs_of

    spokes = record.the_build.wheel.spokes
    if given["positions"] is not None:
        if given.get("run") is not None:
            raise InputError("give --run or --positions, not both")
        return _list(given["positions"], spokes)
    if given.get("run") is not None:
        schedule = record.schedule
        runs = [] if schedule is None else runs_of(schedule, spokes)
        if given["run"] > len(runs):
            raise InputError(f"--run {given['run']}: the schedule has {len(runs)} runs of the frame")
        positions: tuple[int, ...] = runs[given["run"] - 1][0]
        return positions
    return tuple(range(1, spokes + 1))


def _list(raw: str, spokes: int) -> tuple[int, ...]:
    from models.errors import InputError

    out: list[int] = []
    for part in raw.split(","):
        first, dash, last = part.strip().partition("-")
        if not first.isdigit() or (dash and not last.isdigit()):
            raise InputError(f"--positions is '{raw}'; numbers and ranges such as \"1-4,9\" are needed")
        low, high = int(first), int(last) if dash else int(first)
        if not 1 <= low <= high <= spokes:
            raise InputError(f"--positions '{part.strip()}': this wheel has positions 1 to {spokes}")
        out += range(low, high + 1)
    if len(set(out)) != len(out):
        raise InputError(f"--positions '{raw}': a position is named twice")
    return tuple(out)


def _stretched(record: Record, given: Mapping[str, Any]) -> dict[str, Any]:
    from models.errors import InputError

    schedule = record.schedule
    plan = schedule.prestretch if schedule is not None else None
    load = None if given["load"] is None else _force("--load", given["load"])
    hours, temperature = given["hours"], given["temperature_C"]
    if plan is None and (load is None or hours is None):
        raise InputError("'stretched' needs --load and --hours: the schedule has no stretch to take them from")
    if plan is not None:
        load = plan.load_N if load is None else load
        hours = plan.hours if hours is None else hours
        temperature = plan.temperature_C if temperature is None else temperature
    shop_C = record.the_build.shop.temperature_C
    return {
        "positions": list(_positions(record, given)),
        "load_N": load,
        "hours": hours,
        "temperature_C": shop_C if temperature is None else temperature,
    }


def _session(
    record: Record, given: Mapping[str, Any], at: datetime, when_given: bool
) -> tuple[dict[str, Any], datetime]:
    from datetime import timedelta

    from models.errors import InputError
    from planner.asdone import next_session
    from tui.commands.retension import turned_by

    build = record.the_build
    planned, _ = next_session(record, at)
    kind = given["session"] or (planned.kind if planned is not None else "pass" if record.sessions else "set")
    usual_h = build.shop.set_session_h if kind == "set" else build.shop.pass_session_h
    if given["minutes"] is not None and not 1.0 <= given["minutes"] <= 1440.0:
        raise InputError(f"--minutes is {given['minutes']:g}; 1 to 1440 is allowed")
    hours = usual_h if given["minutes"] is None else given["minutes"] / 60.0
    if given["set_to"]:
        values = [_force("--set", raw) for raw in given["set_to"]]
        if len(values) > 2:
            raise InputError("--set is given once for both sides, or twice for left and right")
        tension = {"left": values[0], "right": values[-1]}
    elif planned is not None and planned.kind == kind:
        tension = {"left": planned.left_N, "right": planned.right_N}
    else:
        raise InputError(f"'session' needs --set: the schedule has no {kind} to come that says it")
    entry: dict[str, Any] = {"session": kind, "hours": hours, "tension_N": tension}
    if given["temperature_C"] is not None:
        entry["temperature_C"] = given["temperature_C"]
    sheets = _sheets(record, given["readings_files"], given["gauge_file"])
    for when, (sheet, _) in sheets.items():
        entry[when or "after"] = sheet
    noted = record.turned
    turned = [list(t.turns) for t in noted]
    if given["turns_file"] is not None:
        turned.append(turned_by(given["turns_file"], build.wheel.spokes)[1])
    if noted and "before" not in entry and record.sessions:
        # what was read before the first nipple was turned, at the shop's temperature already
        entry["before"] = {"tension_N": list(noted[0].before_N), "temperature_C": build.shop.temperature_C}
    if turned:
        entry["turns"] = [sum(column) for column in zip(*turned, strict=True)]
    started = sheets.get("before", (None, None))[1]
    if not when_given:
        begun = started if started is not None else at - timedelta(hours=hours)
        if noted and noted[0].at_utc < begun:  # turns noted within it belong to it
            entry["hours"] = max(hours, (at - noted[0].at_utc).total_seconds() / 3600.0)
            begun = noted[0].at_utc
        at = begun
    return entry, at


def _sheets(
    record: Record, paths: tuple[Path, ...], gauge_path: Path | None
) -> dict[str, tuple[dict[str, Any], datetime | None]]:
    """Rounds of readings by ``when``, as the record keeps them, and when each was read."""
    from models.errors import InputError
    from planner.wheel import wheel_of
    from tui.commands.retension import read_gauge
    from tui.readings import measured, read_readings, sheet_of

    if not paths:
        return {}
    build = record.the_build
    wheel, gauge = wheel_of(build), None if gauge_path is None else read_gauge(gauge_path)
    out: dict[str, tuple[dict[str, Any], datetime | None]] = {}
    for path in paths:
        for when, one in read_readings(path, build.wheel.spokes).items():
            if when in out or (when == "" and "after" in out) or (when == "after" and "" in out):
                raise InputError(f"{path}: a second round of readings {when or 'after'} the session")
            found = measured(one, path, wheel, gauge, gauge_path, record.the_batch)
            out[when] = (sheet_of(found), one.at_utc)
    return out
