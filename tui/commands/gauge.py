"""`longhold gauge`: calibrate a handheld gauge from readings on the frame; turn readings into tension and back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from models.gauge import Gauge

Command = TypeVar("Command", bound=Callable[..., Any])
FILE = click.Path(path_type=Path)


@click.group()
def gauge() -> None:
    """Calibrate a handheld tension gauge; turn its readings into tension and back.

    A gauge bends the spoke and so loads it: each kind of spoke needs its own curve, made on a frame that holds it.

    \b
    Example:
      longhold gauge read GAUGE.json
    """


def _frame_options(command: Command) -> Command:
    """What a calibration on the frame needs to know."""
    for option in (
        click.option("--seed", default=0, show_default=True, type=click.IntRange(0), help="Of the rehearsal."),
        click.option("--plain", is_flag=True, help="Plain prompts instead of a screen; so too where there is none."),
        click.option("--rehearse", is_flag=True, help="On the simulated twin, with an invented gauge: nothing moves."),
        click.option("--break-load", metavar="FORCE", help="Weakest of fibre, splice, fitting, thread."),
        click.option("--settle-s", type=click.FloatRange(5, 600), default=20.0, show_default=True, help="A load."),
        click.option("--bed-min", type=click.FloatRange(0.1, 600), default=10.0, show_default=True, help="At --bed."),
        click.option("--bed", metavar="FORCE", help="Load that beds the spoke first; 1.08 x the highest if left out."),
        click.option("--series", type=click.IntRange(1, 10), default=3, show_default=True, help="Up and down each."),
        click.option("--loads", metavar="LIST", default="400,600,800,1000,1200", show_default=True, help="N."),
        click.option("--EA-N", "EA_N", type=click.FloatRange(5e3, 5e6), default=400e3, show_default=True),
        click.option("--gauge-length-mm", type=click.FloatRange(20, 5000), default=285.0, show_default=True),
        click.option("--spoke", metavar="LABEL", default="gauge spoke", show_default=True, help="On its tag."),
        click.option("--station", metavar="NAME", help="As painted on the frame; the first if left out."),
        click.option("--frame", metavar="FRAME.toml", type=FILE, help="Read it on this frame, asking at each load."),
    ):
        command = option(command)
    return command


@gauge.command()
@click.argument("readings", metavar="[READINGS.csv]", type=FILE, required=False)
@_frame_options
@click.option("--unit", required=True, metavar="TEXT", help="What the dial counts, for example div or mm.")
@click.option("--out", type=FILE, metavar="GAUGE.json", help="Where to write the record.")
@click.option("--batch", metavar="NAME", help="Spokes that it was made on.")
@click.option("--path-mm", type=float, help="How much longer the gauge makes the spoke's path.")
@click.option(
    "--spoke-stiffness-N-per-mm",
    "stiffness",
    type=float,
    help="Of the spoke as held on the frame: gives the path from the loads before and under the gauge.",
)
@click.option("--direction", type=click.Choice(["both", "up", "down"]), default="both", show_default=True)
@click.option("--degree", type=click.IntRange(1, 3), help="Of the polynomial; the best monotone one if left out.")
@click.option("--curve", type=click.Choice(["polynomial", "spline"]), default="polynomial", show_default=True)
@click.option(
    "--weights",
    type=click.Choice(["reading", "equal", "relative"]),
    default="reading",
    show_default=True,
    help="Where the error is even: on the dial, in N, or in percent.",
)
@click.option("--resolution", type=float, help="Smallest step that can be read; from the readings if left out.")
@click.option(
    "--load-U-percent",
    "load_U_percent",
    type=float,
    default=1.0,
    show_default=True,
    help="Expanded uncertainty (k = 2) of the frame's load.",
)
@click.option("--made-on", metavar="DATE", help="Today if left out.")
@click.option("--json", "as_json", is_flag=True, help="Print the record as one JSON object on stdout.")
@click.option("--force", is_flag=True, help="Replace the record if it exists.")
def calibrate(
    readings: Path | None,
    unit: str,
    out: Path | None,
    batch: str | None,
    path_mm: float | None,
    stiffness: float | None,
    direction: str,
    degree: int | None,
    curve: str,
    weights: str,
    resolution: float | None,
    load_U_percent: float,
    made_on: str | None,
    as_json: bool,
    force: bool,
    **bench: Any,
) -> None:
    """A gauge's curve: from a table of loads and readings, or read on the frame load by load.

    READINGS.csv has load_N (under the gauge) and reading; load_before_N (gauge off), direction (up or down) and
    series are read where present. At least four loads; better five or more, in three series, up and down.

    With --frame a spoke is bedded and taken through the loads, up and down; at each the drive is switched off and you
    are asked for the reading. The table is kept beside GAUGE.json as it grows, and the whole is recorded as a run.

    \b
    Examples:
      longhold gauge calibrate readings.csv --unit div --batch K07 --out GAUGE.json
      longhold gauge calibrate --frame frame.toml --station A --unit div --batch K07 --out GAUGE.json
      longhold gauge calibrate --frame frame.toml --rehearse --unit div --out trial.json
    """
    from datetime import date

    from models.calibrate import calibrate as fit
    from models.errors import InputError
    from tui.gaugetable import read_gauge_table, record_text, round_step, summary, table_text
    from tui.out import answer_json, json_text, refuse_existing, say, write_whole

    for name, value, most in (
        ("--path-mm", path_mm, 20.0),
        ("--spoke-stiffness-N-per-mm", stiffness, 1e5),
        ("--resolution", resolution, 1e6),
        ("--load-U-percent", load_U_percent, 20.0),
    ):
        if value is not None and not 0.0 <= value <= most:
            raise InputError(f"{name} is {value:g}; 0 to {most:g} is allowed")
    if stiffness == 0.0:
        raise InputError("--spoke-stiffness-N-per-mm is 0; a held spoke's stiffness is above 0")
    try:
        day = date.today() if made_on is None else date.fromisoformat(made_on)
    except ValueError:
        raise InputError(f"--made-on is '{made_on}'; a date such as 2026-03-14 is needed") from None
    if out is not None:
        refuse_existing(out, force)
    elif not as_json:
        raise InputError("give --out GAUGE.json to keep the record, or --json to print it")
    if (readings is None) == (bench["frame"] is None):
        raise InputError("give either READINGS.csv, a table that you have, or --frame FRAME.toml to read it now")
    if readings is None:
        if bench["rehearse"]:
            batch = "invented spokes of a rehearsal"
        readings, learned = _on_frame(out, unit, batch, force, bench)
        stiffness = learned if stiffness is None else stiffness
    table = read_gauge_table(readings)
    try:
        found = fit(
            table,
            reading_unit=unit,
            direction=direction,  # type: ignore[arg-type]
            curve=curve,  # type: ignore[arg-type]
            degree=degree,
            weighting=weights,  # type: ignore[arg-type]
            resolution=resolution,
            load_U_percent=load_U_percent,
            path_mm=path_mm,
            stiffness_N_per_mm=stiffness,
            spoke_batch=batch,
            made_on=day.isoformat(),
        )
    except InputError as error:
        without = f"longhold gauge calibrate {readings} --unit {unit} --out {out}"
        kept = "" if bench["frame"] is None else f" The readings are kept; without the gauge's path: {without}"
        raise InputError(f"{readings}: {error}{kept}") from None
    content = found.gauge.as_dict() | summary(found) | ({"invented": True} if bench["rehearse"] else {})
    if out is not None:
        write_whole(out, json_text(content), fresh=not force)
    if as_json:
        answer_json(content)
        return
    click.echo(record_text(found))
    click.echo()
    click.echo(table_text(found.gauge, round_step(found.gauge.range_N[1] - found.gauge.range_N[0]), None))
    middle = sorted(table.reading)[len(table.reading) // 2]
    say(f"written: {out}; next: longhold gauge read {out} --reading {middle:g} --build BUILD.toml")


def _on_frame(
    out: Path | None, unit: str, batch: str | None, force: bool, bench: dict[str, Any]
) -> tuple[Path, float | None]:
    """Read the gauge on the frame; returns the table and the stiffness of the held spoke, N/mm."""
    from bench.framefile import read_frame_file
    from models.errors import CannotAnswer, InputError
    from tui.forces import typed_force_N
    from tui.gaugebench import Asked, calibrate_on_frame
    from tui.out import refuse_existing, say
    from tui.prompting import on_screen

    if out is None:
        raise InputError("--frame needs --out GAUGE.json: table and run are kept beside it")
    table, run_file = out.with_suffix(".csv"), out.with_suffix(".h5")
    for path in (table, run_file):
        refuse_existing(path, force)
    loads = tuple(sorted({typed_force_N(part, "--loads", 10.0, 5000.0) for part in bench["loads"].split(",")}))
    if len(loads) < 4:
        raise InputError(f"--loads gives {len(loads)} different loads; at least 4 are needed, better 5 or more")
    names = [s.name for s in read_frame_file(bench["frame"]).facts.stations]
    station = bench["station"] if bench["station"] is not None else names[0]
    if station not in names:
        raise InputError(f"--station is '{station}'; the frame has {', '.join(names)}")
    asked = Asked(
        station=station,
        spoke=bench["spoke"],
        batch=batch or "",
        gauge_length_mm=bench["gauge_length_mm"],
        EA_N=bench["EA_N"],
        loads_N=loads,
        series=bench["series"],
        bed_N=1.08 * loads[-1] if bench["bed"] is None else typed_force_N(bench["bed"], "--bed", 10.0, 5000.0),
        bed_min=bench["bed_min"],
        settle_s=bench["settle_s"],
        break_load_N=None if bench["break_load"] is None else typed_force_N(bench["break_load"], "--break-load"),
    )
    if asked.bed_N < loads[-1]:
        raise InputError(f"--bed is {asked.bed_N:g} N; at least the highest of --loads, {loads[-1]:g} N, is needed")
    stood = calibrate_on_frame(
        bench["frame"],
        asked,
        unit=unit,
        table=table,
        run_file=run_file,
        rehearse=bench["rehearse"],
        seed=bench["seed"],
        screen=on_screen(bench["plain"]),
    )
    say(f"{len(stood.points)} readings are in {table}")
    if stood.ended != "done":
        say(f"ended before its end: {stood.ended}")
    if not stood.points:
        raise CannotAnswer("no reading was taken, so there is no curve")
    return table, stood.stiffness_N_per_mm


@gauge.command()
@click.argument("record", metavar="GAUGE.json", type=FILE)
@click.option("--reading", "readings", multiple=True, metavar="READING", help="A reading; may be given many times.")
@click.option("--tension", "tensions", multiple=True, metavar="FORCE", help='A tension, for example "100 kgf".')
@click.option(
    "--wheel-stiffness-N-per-mm",
    "stiffness",
    type=float,
    help="Of the wheel at the spoke: tensions are then those with the gauge off.",
)
@click.option(
    "--build",
    "build_file",
    metavar="BUILD.toml|WHEEL.json",
    type=FILE,
    help="The wheel: its stiffness at the spokes is computed.",
)
@click.option("--table-step-N", "step_N", type=float, help="Step of the printed table.")
@click.option("--pdf", "pdf_file", metavar="FILE.pdf", type=FILE, help="The table as a card to print.")
@click.option(
    "--paper", type=click.Choice(["A5", "A4", "Letter"]), default="A5", show_default=True, help="Of the card."
)
@click.option("--force", is_flag=True, help="Replace the card if it exists.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as one JSON object on stdout.")
def read(
    record: Path,
    readings: tuple[str, ...],
    tensions: tuple[str, ...],
    stiffness: float | None,
    build_file: Path | None,
    step_N: float | None,
    pdf_file: Path | None,
    paper: str,
    force: bool,
    as_json: bool,
) -> None:
    """Turn readings into tension, tensions into readings, or print the table.

    Without a wheel (--build, or its stiffness) tensions are those *under the gauge*, which are higher than those of the
    free spoke.

    \b
    Examples:
      longhold gauge read GAUGE.json --reading 23.5 --wheel-stiffness-N-per-mm 250
      longhold gauge read GAUGE.json --tension "100 kgf"
      longhold gauge read GAUGE.json
      longhold gauge read GAUGE.json --build front.toml --pdf gauge.pdf
    """
    from models.errors import InputError
    from models.gauge import Gauge
    from tui import format as show
    from tui.gaugetable import round_step, rows_by_reading, table_rows, table_text
    from tui.out import answer_json, read_json, refuse_existing, say, write_whole

    if stiffness is not None and build_file is not None:
        raise InputError("give either --wheel-stiffness-N-per-mm or --build, from which it is computed")
    if stiffness is not None and not 0.0 <= stiffness <= 1e5:
        raise InputError(f"--wheel-stiffness-N-per-mm is {stiffness:g}; 0 to 100000 is allowed")
    if step_N is not None and not 1.0 <= step_N <= 1e4:
        raise InputError(f"--table-step-N is {step_N:g}; 1 to 10000 is allowed")
    try:
        curve = Gauge.from_dict(read_json(record, "a gauge's record"))
    except InputError as error:
        raise error if str(error).startswith(str(record)) else InputError(f"{record}: {error}") from None
    if build_file is not None:
        stiffness = _stiffness_of(build_file)
    try:
        rows = _answers(curve, readings, tensions, stiffness)
    except InputError as error:
        raise error if str(error).startswith("--") else InputError(f"{record}: {error}") from None
    step = step_N or round_step(curve.range_N[1] - curve.range_N[0])
    if pdf_file is not None:
        from tui.pages import pdf_pages
        from tui.sheets import gauge_card

        refuse_existing(pdf_file, force)
        on_paper = gauge_card(curve, step, stiffness, demo=bool(curve.extra.get("invented")))
        write_whole(pdf_file, pdf_pages([on_paper], paper))
        say(f"wrote {pdf_file}")
    if as_json:
        head: dict[str, Any] = {
            "reading_unit": curve.reading_unit,
            "direction": curve.direction,
            "range_N": list(curve.range_N),
        }
        head |= {"path_mm": curve.path_mm, "wheel_stiffness_N_per_mm": stiffness}
        table = {"table": table_rows(curve, step, stiffness), "by_reading": rows_by_reading(curve, stiffness)}
        answer_json(head | ({"results": rows} if rows else table))
        return
    if not rows:
        click.echo(table_text(curve, step, stiffness))
        return
    for row in rows:
        under_N, free_N = row["tension_under_gauge_N"], row["tension_N"]
        shown = f"{show.number(row['reading'], 2)} {curve.reading_unit}: {show.force(under_N)} under the gauge"
        if free_N is not None:
            shown += f", {show.force(free_N)} with it off"
        click.echo(f"{shown}; U (k = 2) {show.with_unit(row['U_N'], 'N')}")
    if stiffness is None:
        say("give --build BUILD.toml, or --wheel-stiffness-N-per-mm, to take off what the gauge adds in a wheel")


def _answers(
    curve: Gauge, readings: Sequence[str], tensions: Sequence[str], stiffness: float | None
) -> list[dict[str, Any]]:
    """Each reading's tension and each tension's reading, as asked."""
    from models.errors import InputError
    from models.units import parse_force_N

    rows: list[dict[str, Any]] = []
    for raw in readings:
        try:
            reading = float(raw)
        except ValueError:
            raise InputError(f"--reading is '{raw}'; a number is needed") from None
        under, sd = curve.tension_N(reading)
        row: dict[str, Any] = {"reading": reading, "tension_under_gauge_N": float(under)}
        if stiffness is not None:
            under, sd = curve.true_tension_N(reading, stiffness)
        row |= {"tension_N": None if stiffness is None else float(under), "U_N": 2.0 * float(sd)}
        rows.append(row)
    for raw in tensions:
        try:
            wanted = parse_force_N(float(raw) if _is_number(raw) else raw)
        except ValueError as error:
            raise InputError(f"--tension: {error}") from None
        at, sd = curve.reading(wanted) if stiffness is None else curve.reading_for(wanted, stiffness)
        under = curve.curve_N(at)
        rows.append(
            {
                "reading": float(at),
                "tension_under_gauge_N": float(under),
                "tension_N": None if stiffness is None else wanted,
                "U_N": 2.0 * float(sd) * abs(float(curve.slope_N(at))),
                "U_reading": 2.0 * float(sd),
            }
        )
    return rows


def _stiffness_of(path: Path) -> float:
    """Mean stiffness of a wheel at its spokes, N/mm, when it is at its target tension."""
    import numpy as np

    from planner.wheel import wheel_of
    from tui.out import say
    from tui.wheelwork import build_or_record

    build, _ = build_or_record(path)
    wheel = wheel_of(build)
    each = np.diag(wheel.influence(np.array(wheel.side_targets_N())[wheel.side]))
    say(f"{build.name}: {each.mean():.0f} N/mm at its spokes ({each.min():.0f} to {each.max():.0f})")
    return float(each.mean())


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
