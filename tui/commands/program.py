"""`longhold program`: write a program for a purpose, or rehearse one on the simulated twin of a frame."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from bench.status import Snapshot

Command = TypeVar("Command", bound=Callable[..., Any])


@click.group()
def program() -> None:
    """Write a program for a purpose; rehearse it."""


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
        click.option("--stations", type=click.IntRange(1, 64), help="How many stations; all of --frame if left out."),
    ):
        command = option(command)
    return command


@program.command("new-batch")
@click.option("--hours", type=click.FloatRange(min=0, min_open=True), required=True, help="Length of the night.")
@click.option("--load", default="981 N", show_default=True, help="Load in the wheel: '100 kgf', '981 N'.")
@click.option("--high-load", help="Second, higher load; half as much again if left out.")
@_common
def new_batch(hours: float, load: str, high_load: str | None, **common: Any) -> None:
    """A batch test: two loads with a recovery after each.

    \b
    Example:
      longhold program new-batch --hours 12 --stations 4 --batch K07 --out new-batch.toml
    """
    from bench import purposes

    service_N = _force(load, "--load")
    high_N = _force(high_load, "--high-load") if high_load else 1.5 * service_N
    _write(
        common,
        lambda stations, break_N: purposes.new_batch(
            hours=hours,
            stations=stations,
            batch=common["batch"],
            gauge_length_mm=common["gauge_length_mm"],
            service_N=service_N,
            high_N=high_N,
            break_load_N=break_N,
        ),
    )


@program.command()
@click.option("--load", required=True, help="Bench load: '1500 N', '150 kgf'.")
@click.option("--hours", type=click.FloatRange(min=0, min_open=True), required=True, help="At that load.")
@_common
def prestretch(load: str, hours: float, **common: Any) -> None:
    """A bench night as a plan asks for it: load, hours, unload.

    \b
    Example:
      longhold program prestretch --load "1500 N" --hours 12 --stations 4 --out stretch.toml
    """
    from bench import purposes

    load_N = _force(load, "--load")
    _write(
        common,
        lambda stations, break_N: purposes.prestretch(
            load_N=load_N,
            hours=hours,
            stations=stations,
            batch=common["batch"],
            gauge_length_mm=common["gauge_length_mm"],
            break_load_N=break_N,
        ),
    )


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
    from tui.out import answer_json, read_json

    steps = read_program(file)
    twin = read_frame_file(frame)
    spokes = None if batch is None else Batch.from_dict(read_json(batch, "a batch, BATCH.json"))
    result = asyncio.run(rehearsed(steps, twin, batch=spokes, seed=seed, on_tick=_progress()))
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
            click.echo(
                f"  {s.name} {s.spoke}: {s.ended}, peak {s.peak_load_N:.0f} N, travel {s.travel_used_mm:.2f} mm, "
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


def _force(text: str, option: str) -> float:
    from models.errors import InputError
    from models.units import parse_force_N

    try:
        value = parse_force_N(float(text) if text.replace(".", "", 1).isdigit() else text)
    except ValueError as error:
        raise InputError(f"{option}: {error}") from None
    if not 0 < value < float("inf"):
        raise InputError(f"{option} is {text}: must be above 0")
    return value


def _write(common: dict[str, Any], make: Callable[[list[tuple[str, str]], float | None], str]) -> None:
    """Make the text, check it as a program (and against the frame, if given), write it whole."""
    from bench.framefile import read_frame_file
    from bench.program import program_from_text
    from bench.steps import check_against
    from models.errors import InputError
    from tui.out import answer_json, refuse_existing, say, write_whole

    out: Path = common["out"]
    refuse_existing(out, common["force"])
    frame = read_frame_file(common["frame"]) if common["frame"] else None
    if frame is not None:
        names = [s.name for s in frame.facts.stations]
        if common["stations"] is not None and common["stations"] > len(names):
            raise InputError(f"--stations is {common['stations']}: frame {frame.facts.name} has {len(names)}")
        names = names[: common["stations"]]
    elif common["stations"] is None:
        raise InputError("give --stations, how many there are, or --frame, whose stations are taken")
    else:
        names = [chr(ord("A") + i) if i < 26 else f"S{i + 1}" for i in range(common["stations"])]
    batch: str = common["batch"]
    if '"' in batch or "\\" in batch or not batch.isprintable() or not batch:
        raise InputError(f"--batch is {batch!r}: letters, digits and plain signs only")
    labels = [(name, f"{batch}-{common['first'] + i:02d}") for i, name in enumerate(names)]
    break_N = _force(common["break_load"], "--break-load") if common["break_load"] else None
    text = make(labels, break_N)
    checked = program_from_text(text, str(out))
    if frame is not None:
        check_against(checked, frame.facts)
    write_whole(out, text)
    hours = checked.longest_s / 3600.0
    if common["as_json"]:
        answer_json({"out": str(out), "hours": hours, "peak_load_N": checked.peak_load_N, "steps": len(checked.steps)})
        return
    click.echo(f"{out}: {len(checked.steps)} steps, about {hours:.2f} h, highest load {checked.peak_load_N:.0f} N")
    say(f"next: longhold program rehearse {out} --frame FRAME.toml")
