"""`longhold retension`: nipple turns for this session, what the readings told, whether another night is needed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from models.gauge import Gauge
    from planner.build import Build
    from planner.past import Turned
    from planner.record import Record
    from planner.retension import Retension
    from planner.schedule import Session

FILE = click.Path(path_type=Path)


@click.command()
@click.argument("build_file", metavar="BUILD.toml", type=FILE)
@click.option(
    "--readings",
    "readings_file",
    metavar="READINGS.csv",
    type=FILE,
    required=True,
    help="position and tension_N (or reading); also read: lateral_mm, radial_mm, temperature_C, at_utc, when.",
)
@click.option("--wheel", "wheel_file", metavar="WHEEL.json", type=FILE, help="The wheel's record: what was done to it.")
@click.option("--batch", "batch_file", metavar="BATCH.json", type=FILE, help="The spokes' batch; else the record's.")
@click.option("--gauge", "gauge_file", metavar="GAUGE.json", type=FILE, help="For readings in the gauge's own unit.")
@click.option(
    "--after",
    "after_file",
    metavar="ANSWER.json",
    type=FILE,
    help="The answer (--json) just carried out in this session.",
)
@click.option(
    "--set",
    "set_to",
    metavar="FORCE",
    multiple=True,
    help="Set tension; twice for left and right. Else the schedule's.",
)
@click.option("--pdf", "pdf_file", metavar="FILE.pdf", type=FILE, help="A sheet to print, with a box for each turn.")
@click.option(
    "--paper", type=click.Choice(["A5", "A4", "Letter"]), default="A4", show_default=True, help="Of the sheet."
)
@click.option("--force", is_flag=True, help="Replace the sheet if it exists.")
@click.option("--dish-mm", type=float, help="Rim right of centre, where measured; else the mean is taken as centred.")
@click.option("--now", metavar="TIME", help="When it was read; else at_utc of the readings, else now.")
@click.option("--seed", default=0, show_default=True, type=click.IntRange(0), help="Seed of the draws.")
@click.option("--json", "as_json", is_flag=True, help="Print the answer as one JSON object on stdout.")
def retension(
    build_file: Path,
    readings_file: Path,
    wheel_file: Path | None,
    batch_file: Path | None,
    gauge_file: Path | None,
    after_file: Path | None,
    set_to: tuple[str, ...],
    pdf_file: Path | None,
    paper: str,
    force: bool,
    dish_mm: float | None,
    now: str | None,
    seed: int,
    as_json: bool,
) -> None:
    """Nipple turns to the nearest eighth, in a safe order, from a reading of all spokes.

    With a batch it says what is still to be lost, whether the wheel would hold as it stands, whether another night is
    needed, with what probability, and whether one pass some nights later would save one now; with the wheel's record
    it knows what the wheel went through and points out what does not fit.

    \b
    Examples:
      longhold retension front.toml --readings morning.csv --wheel front.json
      longhold retension front.toml --readings again.csv --wheel front.json --after answer.json
      longhold retension front.toml --readings morning.csv --wheel front.json --pdf sheet.pdf
    """
    from models.errors import InputError
    from planner.asdone import next_session, past_of, sessions_after, turned_of
    from planner.build import load_build
    from planner.retension import retension as worked_out
    from planner.wheel import wheel_of
    from tui.batchfile import read_batch
    from tui.out import answer_json, refuse_existing, say, write_whole
    from tui.readings import RANGES, measured, read_readings
    from tui.wheelfile import read_record

    if dish_mm is not None and not abs(dish_mm) <= RANGES["dish_mm"]:
        raise InputError(f"--dish-mm is {dish_mm:g}; within {RANGES['dish_mm']:g} mm is possible")
    if pdf_file is not None:
        refuse_existing(pdf_file, force)
    build = load_build(build_file)
    n = build.wheel.spokes
    rounds = read_readings(readings_file, n)
    chosen = rounds.get("before") or rounds.get("") or rounds["after"]
    record = None if wheel_file is None else read_record(wheel_file)[0]
    batch = read_batch(batch_file) if batch_file is not None else None if record is None else record.the_batch
    gauge = None if gauge_file is None else read_gauge(gauge_file)
    wheel = wheel_of(build)
    found = measured(chosen, readings_file, wheel, gauge, gauge_file, batch, dish_mm)
    wanted = _set_to(set_to)
    past = planned = None
    turned: tuple[Turned, ...] = ()
    deliver_h: float | None = None
    then: tuple[Session, ...] = ()
    if record is not None and wheel_file is not None:
        _same_wheel(build, record, build_file, wheel_file)
        at = _moment(now, chosen.at_utc)
        turned = turned_of(record)
        planned, _ = next_session(record, at)
        then = sessions_after(record, planned)
        deliver_h = None if record.schedule is None else record.schedule.deliver.at_h
        if record.set_utc is not None:
            past = past_of(record, wheel, at)
        elif planned is None:
            say(f"{wheel_file}: neither schedule nor set is noted, so nothing is known of the time in the wheel")
    if after_file is not None:
        turned = (*turned, turned_by(after_file, n)[0])
    answer = worked_out(
        wheel,
        found,
        batch=batch,
        past=past,
        turned=turned,
        planned=planned,
        wanted_N=wanted,
        then=then,
        deliver_h=deliver_h,
        seed=seed,
    )
    if pdf_file is not None:
        from tui.sheets import retension_pdf

        name = build.name if record is None else record.name
        write_whole(pdf_file, retension_pdf(answer, name, "invented" in f"{build.name} {name}", paper))
        say(f"wrote {pdf_file}")
    if as_json:
        answer_json(answer.as_dict())
    else:
        click.echo(in_words(answer))


def read_gauge(path: Path) -> Gauge:
    """The gauge's record; raises InputError naming the file."""
    from models.errors import InputError
    from models.gauge import Gauge
    from tui.out import read_json

    content = read_json(path, "a gauge's record from 'longhold gauge calibrate'")
    try:
        return Gauge.from_dict(content)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def _moment(now: str | None, read_at: datetime | None) -> datetime:
    from datetime import UTC, datetime

    from models.errors import InputError
    from tui.readings import moment_of

    if now is not None:
        try:
            return moment_of(now)
        except ValueError as error:
            raise InputError(f"--now is '{now}'; {error}") from None
    return datetime.now(UTC) if read_at is None else read_at


def _set_to(values: tuple[str, ...]) -> tuple[float, float] | None:
    from models.errors import InputError
    from models.units import parse_force_N

    if not values:
        return None
    if len(values) > 2:
        raise InputError("--set is given once for both sides, or twice for left and right")
    out = []
    for raw in values:
        try:
            try:
                out.append(float(raw))
            except ValueError:
                out.append(parse_force_N(raw))
        except ValueError as error:
            raise InputError(f"--set: {error}") from None
        if not out[-1] > 0:
            raise InputError(f"--set is '{raw}'; a tension above 0 is needed")
    return out[0], out[-1]


def _same_wheel(build: Build, record: Record, build_file: Path, wheel_file: Path) -> None:
    """The build file and the record must be of one wheel."""
    from models.errors import InputError

    theirs = record.the_build
    for key, ours, noted in (
        ("wheel.spokes", build.wheel.spokes, theirs.wheel.spokes),
        ("wheel.crosses", build.wheel.crosses, theirs.wheel.crosses),
        ("wheel.rim_seat_diameter_mm", build.wheel.rim_seat_diameter_mm, theirs.wheel.rim_seat_diameter_mm),
    ):
        if ours != noted:
            raise InputError(
                f"{build_file} and {wheel_file} are of two wheels: {key} is {_short(ours)} in one and {_short(noted)} "
                "in the other"
            )


def _short(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def turned_by(path: Path, spokes: int) -> tuple[Turned, list[float]]:
    """What an answer of `retension --json` had the builder do: for the readings after it, and the turns.

    Raises
    ------
    InputError
        Not such an answer, or of another wheel.
    """
    import numpy as np

    from models.errors import InputError
    from planner.past import Turned
    from tui.out import read_json

    content: Mapping[str, object] = read_json(path, "an answer of 'longhold retension --json'")
    columns = []
    for key in ("turns", "read_N", "tension_after_N"):
        values = content.get(key)
        if not isinstance(values, list) or not all(isinstance(v, int | float) for v in values):
            raise InputError(f"{path}: key '{key}' is no list of numbers: not an answer of 'longhold retension --json'")
        if len(values) != spokes:
            raise InputError(f"{path}: key '{key}' has {len(values)} numbers, the wheel {spokes} spokes")
        if not all(abs(v) < 1e5 for v in values):
            raise InputError(f"{path}: key '{key}' holds a number that no wheel has")
        columns.append([float(v) for v in values])
    turns, before, after = columns
    return Turned(before_N=np.array(before), after_N=np.array(after)), turns


# -- in words -------------------------------------------------------------------------------------------------------


def in_words(answer: Retension) -> str:
    """The answer as a builder reads it at the stand."""
    import numpy as np

    from tui.format import both_sides, force, number, signed
    from tui.turns import fraction

    to = both_sides(answer.aim.tension_N)
    lines = [f"{answer.build.name}: {answer.aim.kind}, to {to} (by {answer.aim.basis})", "", answer.why, ""]
    for outlier in answer.present.outliers:
        lines += [f"LOOK FIRST at position {outlier.position}: {outlier.why}.", ""]
    turned = answer.turning
    if not turned.turns.any():
        lines += ["No nipple needs turning.", ""]
    elif len(turned.rounds) == 1:
        lines += ["Turn in this order (+ tightens; hold the spoke's end against twist):", *_moves(answer, 0), ""]
    else:
        lines += [f"Turn in {len(turned.rounds)} rounds (+ tightens; hold the spoke's end against twist):"]
        for k in range(len(turned.rounds)):
            lines += [f" round {k + 1}", *_moves(answer, k)]
        lines.append("")
    lines.append("position    now N    turn  after N" + ("  lateral mm" if turned.lateral_mm is not None else "")
                 + ("   radial mm" if turned.radial_mm is not None else ""))  # fmt: skip
    for i in range(turned.turns.size):
        row = (
            f"{i + 1:>8}{number(answer.present.tension_N[i]):>9}{fraction(turned.turns[i]):>8}"
            f"{number(turned.tension_N[i]):>9}"
        )
        if turned.lateral_mm is not None:
            row += f"{signed(turned.lateral_mm[i], 2):>12}"
        if turned.radial_mm is not None:
            row += f"{signed(turned.radial_mm[i], 2):>12}"
        lines.append(row)
    lines.append("")
    for name, before, after in (
        ("lateral", answer.start[0], turned.lateral_mm),
        ("radial", answer.start[1], turned.radial_mm),
    ):
        if before is not None and after is not None:
            lines.append(f"{name} run-out, highest less lowest: {np.ptp(before):.2f} mm, then {np.ptp(after):.2f} mm")
    lines.append(
        f"Highest tension on the way: {force(turned.peak_N)}; limit ({answer.limit}): {force(answer.limit_N)}. "
        "Read all spokes again after it."
    )
    if answer.warnings:
        lines += ["", "Keep in mind:", *(f"  - {w}" for w in answer.warnings)]
    lines += ["", "The rim, hub and spoke makers' limits come first; a qualified wheelbuilder signs the wheel off."]
    return "\n".join(lines)


def _moves(answer: Retension, k: int) -> list[str]:
    """One round, eight moves a line."""
    from tui.turns import fraction

    cells = [f"{m.position:>4}: {fraction(m.turns):<6}" for m in answer.turning.rounds[k]]
    return ["".join(cells[i : i + 8]).rstrip() for i in range(0, len(cells), 8)]
