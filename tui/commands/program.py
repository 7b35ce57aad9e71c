"""`longhold program`: write a program for a purpose, or rehearse one on the simulated twin of a frame."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from tui.forces import typed_force_N
from tui.newprogram import batch_test, batch_test_options, keep_program, plain_text, write_batch_test, write_program

if TYPE_CHECKING:
    from bench.status import Snapshot
    from models.batch import Batch
    from planner.build import Build

Command = TypeVar("Command", bound=Callable[..., Any])


@click.group()
def program() -> None:
    """Write a program for a purpose; rehearse it.

    \b
    Example:
      longhold program rehearse night.toml --frame frame.toml --night-hours 14
    """


def _common(command: Command) -> Command:
    """Options of every program that is written."""
    for option in (
        click.option("--force", is_flag=True, help="Replace a program of this name."),
        click.option("--json", "as_json", is_flag=True, help="What was written, as one JSON object, on stdout."),
        click.option("--out", metavar="PROGRAM.toml", type=click.Path(path_type=Path), required=True, help="To write."),
        click.option("--break-load", metavar="FORCE", help="Weakest of fibre, splice, fitting, thread: '2700 N'."),
        click.option("--gauge-length-mm", type=click.FloatRange(20, 5000), default=285.0, show_default=True),
        click.option(
            "--batch", default="B1", show_default=True, help="Name of the batch; spokes are labelled after it."
        ),
        click.option(
            "--first", type=click.IntRange(min=1), default=1, show_default=True, help="Number of the first spoke."
        ),
        click.option("--frame", type=click.Path(path_type=Path), help="FRAME.toml: its stations' names, and a check."),
        click.option(
            "--in-series",
            type=click.IntRange(1, 32),
            default=1,
            show_default=True,
            help="Spokes in a row on each station, joined by bars: one load, one break takes all.",
        ),
        click.option("--stations", type=click.IntRange(1, 64), help="How many stations; all of --frame if left out."),
    ):
        command = option(command)
    return command


@program.command("new-batch")
@batch_test_options
@_common
def new_batch(
    hours: float,
    load: str | None,
    high_load: str | None,
    warm: float | None,
    touches: bool,
    build: Path | None,
    **common: Any,
) -> None:
    """A batch test: the night that tells most of what the planned wheel will do.

    Two loads in the order, with the recoveries and of the lengths that leave the forecast of the wheel sharpest, as far
    as that can be told before the test; what it will and will not tell is said.

    \b
    Examples:
      longhold program new-batch --hours 12 --stations 4 --batch K07 --out new-batch.toml
      longhold program new-batch --hours 14 --stations 4 --build front.toml --warm 50 --out new-batch.toml
    """
    test = batch_test(
        hours=hours,
        load=load,
        high_load=high_load,
        warm=warm,
        touches=touches,
        build=build,
        gauge_length_mm=None if _left_out("gauge_length_mm") else common["gauge_length_mm"],
        break_load=common["break_load"],
    )
    write_batch_test(common, test)


def _of_a_plan(command: Command) -> Command:
    """Options of programs that carry a plan out."""
    for option in (
        click.option("--batch-file", type=click.Path(path_type=Path), help="BATCH.json that the plan was made from."),
        click.option("--build", type=click.Path(path_type=Path), help="BUILD.toml of the plan."),
        click.option("--schedule", type=click.Path(path_type=Path), help="schedule.json from `longhold plan`."),
    ):
        command = option(command)
    return command


@program.command()
@click.option("--load", help="Bench load: '1500 N', '150 kgf'; else that of --schedule.")
@click.option("--hours", type=click.FloatRange(min=0, min_open=True), help="At that load; else those of --schedule.")
@click.option("--until-ready", is_flag=True, help="End each hold when its spoke is ready for the wheel of --schedule.")
@click.option("--longest-hours", type=click.FloatRange(min=0, min_open=True), help="Of a hold until ready.")
@_of_a_plan
@_common
def prestretch(
    load: str | None,
    hours: float | None,
    until_ready: bool,
    longest_hours: float | None,
    schedule: Path | None,
    build: Path | None,
    batch_file: Path | None,
    **common: Any,
) -> None:
    """A bench night as a plan asks for it: load, hours, unload; or until each spoke is ready for its wheel.

    \b
    Examples:
      longhold program prestretch --load "1500 N" --hours 12 --stations 4 --out stretch.toml
      longhold program prestretch --schedule front/schedule.json --build front.toml --batch-file K07.json \\
        --until-ready --longest-hours 14 --stations 4 --out stretch.toml
    """
    from bench import purposes
    from models.errors import InputError
    from planner.record import refuse_disproved
    from tui import nightplan

    ready: str | None = None
    EA_N: float | None = None
    load_N = typed_force_N(load, "--load") if load is not None else None
    if schedule is not None:
        plan = nightplan.read_schedule(schedule)
        refuse_disproved(plan)
        if load_N is None or hours is None:
            planned_N, planned_h = nightplan.stretch_of(plan, schedule)
            load_N, hours = load_N or planned_N, hours or planned_h
    if load_N is None or hours is None:
        raise InputError("give --load and --hours, or --schedule of a plan that stretches spokes")
    if until_ready:
        if schedule is None or build is None or batch_file is None:
            raise InputError("--until-ready needs the wheel: give --schedule, --build and --batch-file")
        wheel, batch = _wheel(build, batch_file)
        _spokes_of(wheel, common)
        ready = nightplan.ready_table(plan, wheel, batch, _beside(batch_file, common["out"]))
        EA_N = nightplan.spoke_stiffness_N(batch, load_N)
        hours = longest_hours or min(1.5 * hours, wheel.shop.max_bench_h)
    elif longest_hours is not None:
        raise InputError("--longest-hours goes with --until-ready")
    write_program(
        common,
        lambda stations, break_N: purposes.prestretch(
            load_N=load_N,
            hours=hours,
            stations=stations,
            batch=common["batch"],
            gauge_length_mm=common["gauge_length_mm"],
            break_load_N=break_N,
            ready=ready,
            EA_N=EA_N,
        ),
    )


@program.command("spare-night")
@click.option(
    "--night-hours", type=click.FloatRange(min=0, min_open=True), default=12.0, show_default=True, help="On the chord."
)
@_of_a_plan
@_common
def spare_night(
    night_hours: float, schedule: Path | None, build: Path | None, batch_file: Path | None, **common: Any
) -> None:
    """Spare spokes live a plan's first night on the frame: stretch, slack, lacing, set, left alone on the chord.

    What their tension does is the proof of the plan: see `longhold program proof`.

    \b
    Example:
      longhold program spare-night --schedule front/schedule.json --build front.toml --batch-file K07.json \\
        --stations 4 --first 41 --out spare.toml
    """
    from bench import purposes
    from models.errors import InputError
    from tui import nightplan

    if schedule is None or build is None or batch_file is None:
        raise InputError("a night of spare spokes needs the wheel: give --schedule, --build and --batch-file")
    wheel, batch = _wheel(build, batch_file)
    _spokes_of(wheel, common)
    night = nightplan.wheels_night(nightplan.read_schedule(schedule), wheel, batch, night_hours)
    write_program(
        common,
        lambda stations, break_N: purposes.spare_night(
            night,
            stations=stations,
            batch=common["batch"],
            gauge_length_mm=common["gauge_length_mm"],
            break_load_N=break_N,
            EA_N=nightplan.spoke_stiffness_N(batch, night.set_N),
        ),
    )


@program.command()
@click.argument("run_file", metavar="RUN.h5", type=click.Path(path_type=Path))
@click.option("--schedule", type=click.Path(path_type=Path), required=True, help="schedule.json to write it into.")
@click.option("--batch-file", type=click.Path(path_type=Path), required=True, help="BATCH.json that the plan is from.")
@click.option("--json", "as_json", is_flag=True, help="The proof as one JSON object on stdout.")
@click.option("--force", is_flag=True, help="Replace a proof that the schedule already holds.")
def proof(run_file: Path, schedule: Path, batch_file: Path, as_json: bool, force: bool) -> None:
    """Hold a night of spare spokes against the batch that a plan was made from, and write it into the schedule.

    Exit status 1: the measured tension left the band that the batch promised, so the plan is not to be trusted.

    \b
    Example:
      longhold program proof spare.h5 --schedule front/schedule.json --batch-file K07.json
    """
    from bench.runfile import read_run
    from bench.sparenight import spare_night as judged
    from models.errors import CannotAnswer, InputError
    from tui.batchfile import read_batch
    from tui.nightplan import read_schedule, same_night
    from tui.out import answer_json, json_text, write_whole
    from tui.tables import sha256

    plan = read_schedule(schedule)
    if plan.get("proof") is not None and not force:
        raise InputError(f"{schedule} holds a proof already; give --force to replace it")
    batch = read_batch(batch_file)
    if plan.get("batch") not in (None, batch.batch):
        raise InputError(f"{schedule} was made from batch {plan['batch']!r}, {batch_file} is {batch.batch!r}")
    night = judged(read_run(run_file), batch)
    same_night(plan, night, str(run_file))
    found = {**night.as_dict(), "source": {"file": run_file.name, "sha256": sha256(run_file)}, "batch": batch.batch}
    write_whole(schedule, json_text({**plan, "proof": found}))
    last, expected = float(night.measured_N[-1]), night.band_N[:, -1]
    words = (
        f"after {night.time_h[-1]:.1f} h alone the spare spokes stand at {last:.0f} N; the batch gave "
        f"{expected[1]:.0f} N ({expected[0]:.0f} to {expected[2]:.0f} N)"
    )
    if as_json:
        answer_json(found)
    else:
        click.echo(f"{words}\n{schedule}: the proof is in it")
    if not night.within:
        raise CannotAnswer(f"{words}: outside the band: fit the batch again with this run before you build on the plan")


@program.command("pull-to-break")
@click.option("--up-to", required=True, help="Highest load to go to: '3000 N'. The station must allow it.")
@click.option("--rate", type=click.FloatRange(min=0, min_open=True), default=10.0, show_default=True, help="N/s.")
@click.option("--spoke", required=True, help="Label of the spoke that is given up.")
@click.option("--station", required=True, help="Station as painted on the frame.")
@click.option("--batch", default="B1", show_default=True, help="Name of its batch.")
@click.option("--gauge-length-mm", type=click.FloatRange(20, 5000), default=285.0, show_default=True)
@click.option("--frame", type=click.Path(path_type=Path), help="FRAME.toml: whether the frame can do it.")
@click.option("--out", metavar="PROGRAM.toml", type=click.Path(path_type=Path), required=True, help="To write.")
@click.option("--json", "as_json", is_flag=True, help="What was written, as one JSON object, on stdout.")
@click.option("--force", is_flag=True, help="Replace a program of this name.")
def pull_to_break(
    up_to: str, rate: float, spoke: str, station: str, batch: str, gauge_length_mm: float, **common: Any
) -> None:
    """One spoke is pulled until it breaks, guarded: its break load and elongation. At least three make a batch's.

    \b
    Example:
      longhold program pull-to-break --up-to "3000 N" --spoke K07-31 --station A --out pull.toml
    """
    from bench import purposes

    up_to_N = typed_force_N(up_to, "--up-to")
    for text, option in ((spoke, "--spoke"), (station, "--station"), (batch, "--batch")):
        plain_text(text, option)
    text = purposes.pull_to_break(
        up_to_N=up_to_N,
        rate_N_per_s=rate,
        station=station,
        spoke=spoke,
        batch=batch,
        gauge_length_mm=gauge_length_mm,
    )
    keep_program(text, common)


def _wheel(build: Path, batch_file: Path) -> tuple[Build, Batch]:
    """The build and the batch of a plan."""
    from models.batch import given_fibre_area
    from planner.build import load_build
    from tui.batchfile import read_batch

    wheel = load_build(build)
    return wheel, given_fibre_area(read_batch(batch_file), wheel.spoke.fibre_area_mm2)


def _spokes_of(wheel: Build, common: dict[str, Any]) -> None:
    """Length and break load of the build's spokes, where nothing else was asked for."""
    if _left_out("gauge_length_mm"):
        common["gauge_length_mm"] = wheel.spoke.fibre_length_mm
    if common["break_load"] is None and wheel.spoke.break_load_N is not None:
        common["break_load"] = f"{wheel.spoke.break_load_N} N"


def _left_out(option: str) -> bool:
    """Whether an option has its default because nothing was given."""
    from click.core import ParameterSource

    return click.get_current_context().get_parameter_source(option) is ParameterSource.DEFAULT


def _beside(batch_file: Path, out: Path) -> str:
    """The batch's name as the program will find it: from the program's own folder."""
    import os

    return os.path.relpath(batch_file.resolve(), out.parent.resolve())


@program.command()
@click.argument("file", metavar="PROGRAM.toml", type=click.Path(path_type=Path))
@click.option("--frame", type=click.Path(path_type=Path), required=True, help="FRAME.toml of your frame.")
@click.option("--batch", type=click.Path(path_type=Path), help="BATCH.json of the spokes; else an invented batch.")
@click.option("--night-hours", type=click.FloatRange(min=0, min_open=True), help="How long the night is.")
@click.option("--seed", default=0, show_default=True, help="Which spokes are drawn.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
def rehearse(file: Path, frame: Path, batch: Path | None, night_hours: float | None, seed: int, as_json: bool) -> None:
    """Run a program on the simulated twin of your frame: peak load, travel, time, whether it fits the night.

    Nothing real is touched. Simulated spokes are not your spokes: a rehearsal shows mistakes of the program, not faults
    of the frame.

    \b
    Example:
      longhold program rehearse night.toml --frame frame.toml --night-hours 14
    """
    import asyncio

    from bench.framefile import read_frame_file
    from bench.program import read_program
    from bench.rehearse import rehearse as rehearsed
    from models.batch import Batch
    from models.errors import CannotAnswer
    from tui.batchfile import read_batch
    from tui.commands.run import ready_batch
    from tui.out import answer_json

    steps = read_program(file)
    twin = read_frame_file(frame)
    spokes = None if batch is None else read_batch(batch)
    judged_by = ready_batch(steps)
    fit = None if judged_by is None else Batch.from_dict(judged_by)
    result = asyncio.run(rehearsed(steps, twin, batch=spokes or fit, fit=fit, seed=seed, on_tick=_progress()))
    hours = result.outcome.run_s / 3600.0
    fits = None if night_hours is None else hours <= night_hours
    if sys.stderr.isatty():
        click.echo("\r\x1b[K", err=True, nl=False)
    if as_json:
        answer_json({"program": str(file), "simulated": True, "fits_night": fits, **result.as_dict()})
    else:
        click.echo(f"rehearsed on simulated spokes: {result.outcome.message}")
        for s in result.stations:
            held = "" if s.hold_rms_percent is None else f", held within {s.hold_rms_percent:.2f} % rms"
            why = "" if s.why is None or s.why.endswith(" done") else f" ({s.why})"
            click.echo(
                f"  {s.name} {s.spoke}: {s.ended}{why}, peak {s.peak_load_N:.0f} N, travel {s.travel_used_mm:.2f} mm, "
                f"stretch {s.elongation_mm:.2f} mm{held}"
            )
        if fits is not None:
            click.echo(f"takes {hours:.2f} h: {'fits' if fits else 'does not fit'} a night of {night_hours:g} h")
    if not result.outcome.finished:
        raise CannotAnswer(f"the rehearsal did not end as programmed: {result.outcome.message}")
    if fits is False:
        raise CannotAnswer(f"the program takes {hours:.2f} h, the night has {night_hours:g} h")


def _progress() -> Callable[[Snapshot], None] | None:
    if not sys.stderr.isatty():
        return None
    shown = -1.0

    def show(now: Snapshot) -> None:
        nonlocal shown
        share = now.at_s / now.longest_s
        if share - shown >= 0.01:
            shown = share
            click.echo(f"\r\x1b[Krehearsing: {100 * min(share, 1.0):.0f} %", err=True, nl=False)

    return show
