"""`longhold demo`: the whole job once, on a simulated frame, in an invented shop."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from models.batch import Batch
    from models.table import Record
    from planner.answer import Plan
    from tui.summary import Night

INPUTS = ("frame.toml", "program.toml", "build.toml")
RESULTS = (
    "run.h5",
    "batch.json",
    "schedule.json",
    "creep.png",
    "recovery.png",
    "spokes.png",
    "plan.png",
    "bench-card.pdf",
    "build-card.pdf",
    "summary.md",
)


class Progress:
    """One line on a terminal that is written over; nothing in a pipe. Keeps how long each stage took."""

    def __init__(self) -> None:
        self.stage_s: dict[str, float] = {}
        self._shown = sys.stderr.isatty()

    def show(self, text: str) -> None:
        """Show where the work stands."""
        if self._shown:
            click.echo(f"\r\x1b[K{text}", err=True, nl=False)

    @contextmanager
    def stage(self, name: str) -> Iterator[Callable[[str], None]]:
        """Time one stage; gives a function that shows how far it is."""
        from bench.clock import RealClock

        clock = RealClock()
        start_s = clock.now_s()
        self.show(f"{name} ...")
        try:
            yield lambda text: self.show(f"{name}: {text}")
        finally:
            self.stage_s[name] = clock.now_s() - start_s
            self.show("")


@click.command()
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("longhold-demo"),
    show_default=True,
    help="Folder to make.",
)
@click.option("--force", is_flag=True, help="Replace the results of an earlier demo in that folder.")
@click.option(
    "--json", "as_json", is_flag=True, help="What was found and how long each stage took, as one JSON object."
)
def demo(out: Path, force: bool, as_json: bool) -> int:
    """The whole job in about a minute: a night on a simulated frame, the fit, the plan, pictures, cards.

    Nothing in it is real: shop, frame, spokes and wheel are invented. The frame is served over Modbus TCP by a process
    of its own and run by the same controller as a real one; only its clock is stepped faster.

    \b
    Example:
      longhold demo --out longhold-demo
    """
    _prepare(out, force)

    from tui import demo_scenario as scene
    from tui.out import answer_json, say, write_whole
    from tui.summary import page

    progress = Progress()
    try:
        night, batch, schedule = _job(out, progress)
    except KeyboardInterrupt:
        say(f"what the demo had done is whole, in {out}; the simulated frame is gone")
        raise
    tries = (
        (f"longhold watch {out}/run.h5", "walk through the night"),
        (f"longhold fit {out}/run.h5 --name mine --out mine.json", "fit it yourself"),
        (f"longhold plan {out}/build.toml --batch {out}/batch.json --out mine", "change build.toml and plan again"),
    )
    write_whole(
        out / "summary.md",
        page(
            night,
            batch.as_dict(),
            schedule,
            next_commands=tries,
            wheel=str(schedule["build"]),
            scenario=f"Shop ({scene.SHOP}), frame, batch {scene.BATCH} and wheel do not exist.",
        ),
    )
    if as_json:
        answer_json(
            {
                "demo": True,
                "out": str(out),
                "holds": schedule["holds"],
                "passes": schedule["passes"],
                "untreated": schedule["untreated"],
                "steps": schedule["steps"],
                "held_rms_percent": night.worst_rms_percent,
                "faults": night.faults,
                "stage_s": {k: round(v, 2) for k, v in progress.stage_s.items()},
            }
        )
    else:
        _tell(out, night, schedule, tries, progress)
    return 0 if schedule["holds"] else 1


def _job(out: Path, progress: Progress) -> tuple[Night, Batch, dict[str, Any]]:
    """The stages, one after the other; each leaves its files whole before the next begins."""
    from tui import demo_scenario as scene
    from tui.out import json_text, write_whole

    with progress.stage("the night on the frame") as say:
        from tui.wiring import simulated_night

        night = simulated_night(
            out / "program.toml",
            out / "frame.toml",
            out / "run.h5",
            seed=scene.SEED,
            start_utc=scene.START_UTC,
            progress=lambda share: say(f"{100 * share:3.0f} %"),
        )
    with progress.stage("the fit"):
        batch, records = _fit(out / "run.h5")
        write_whole(out / "batch.json", json_text(batch.as_dict()))
    with progress.stage("the plan") as say:
        answer = _plan(out, batch, say)
        schedule = answer.as_dict()
        write_whole(out / "schedule.json", json_text(schedule))
    with progress.stage("pictures and cards"):
        _draw(out, batch, records, answer)
        _cards(out, answer)
    return night, batch, schedule


def _prepare(out: Path, force: bool) -> None:
    """Make the folder and what goes in; refuses before any work is done."""
    from models.errors import InputError
    from tui import demo_scenario as scene
    from tui.out import write_whole

    if out.exists() and not out.is_dir():
        raise InputError(f"{out} is a file; give the name of a folder")
    if out.is_dir() and any(out.iterdir()) and not force:
        raise InputError(
            f"{out} exists and is not empty; give --force to replace an earlier demo in it, or another --out"
        )
    if not out.parent.is_dir():
        raise InputError(f"{out.parent} is not a folder; make it first, or give another --out")
    out.mkdir(exist_ok=True)
    for name in (*RESULTS, "run.h5.journal"):
        (out / name).unlink(missing_ok=True)
    for name, text in zip(INPUTS, (scene.frame_text(), scene.PROGRAM, scene.BUILD), strict=True):
        write_whole(out / name, text)


def _fit(run: Path) -> tuple[Batch, list[Record]]:
    from importlib.metadata import version

    from models.learn import fit_batch
    from models.table import records
    from tui import demo_scenario as scene
    from tui.tables import read_table, sha256

    found, findings = records(read_table(run), run.name)
    batch = fit_batch(
        found,
        scene.BATCH,
        findings=findings,
        linear_density_g_per_m=scene.LINEAR_DENSITY_G_PER_M,
        source=[{"file": run.name, "sha256": sha256(run)}],
        made_with=f"longhold {version('longhold')}",
    )
    return batch, found


def _plan(out: Path, batch: Batch, say: Callable[[str], None]) -> Plan:
    from planner.build import load_build
    from planner.search import find_plan
    from tui import demo_scenario as scene

    return find_plan(load_build(out / "build.toml"), batch, seed=scene.SEED, progress=say)


def _draw(out: Path, batch: Batch, records: list[Record], answer: Plan) -> None:
    import numpy as np

    from tui import demo_scenario as scene
    from tui import pictures
    from tui.course import planned_and_untreated
    from tui.holds import holds
    from tui.out import write_whole

    rng = np.random.default_rng(scene.SEED)
    loaded, recovered = holds(batch, records, rng)
    name = f"batch {batch.batch}"
    write_whole(out / "creep.png", pictures.creep(loaded, batch=name, demo=True))
    if recovered:
        write_whole(out / "recovery.png", pictures.recovery(recovered, batch=name, demo=True))
    write_whole(out / "spokes.png", pictures.side_by_side(loaded, batch=name, demo=True))
    schedule = answer.as_dict()
    planned, untreated = planned_and_untreated(
        answer.build, batch, answer.best.schedule, schedule["untreated"]["passes"] or 0, rng
    )
    write_whole(
        out / "plan.png",
        pictures.plan(
            planned,
            untreated,
            steps=schedule["steps"],
            target_N=schedule["target_N"],
            tolerance_percent=answer.build.tension.tolerance_percent,
            name=answer.build.name,
            demo=True,
        ),
    )


def _cards(out: Path, answer: Plan) -> None:
    from tui import demo_scenario as scene
    from tui.card import OnStation, program_card
    from tui.out import write_whole
    from tui.pages import pdf_pages
    from tui.planfolder import bench_cards, the_build_card

    write_whole(out / "build-card.pdf", pdf_pages([the_build_card(answer.as_dict(), answer)], "A5"))
    nights = bench_cards(answer, scene.STATIONS)
    if not nights:  # the plan needs no stretch: the card is that of the batch's own night
        from bench.program import read_program

        program = read_program(out / "program.toml")
        nights = [
            program_card(
                [OnStation(station=station, spokes=spoke) for station, spoke in program.spokes],
                name=program.name,
                steps=[(s.name, s.duration_s) for s in program.steps],
                demo=True,
            )
        ]
    write_whole(out / "bench-card.pdf", pdf_pages(nights, "A5"))


def _tell(
    out: Path, night: Night, schedule: dict[str, Any], tries: tuple[tuple[str, str], ...], progress: Progress
) -> None:
    from tui import format as show
    from tui.summary import steps_in_words, verdict

    held = show.percent(night.worst_rms_percent, 2)
    click.echo("DEMO: shop, frame, spokes and wheel are invented; nothing below is about a real one.\n")
    click.echo(
        f"The night: {night.stations} spokes, {show.duration(night.hours * 3600)}, loads held within {held} rms of set,"
        f" {show.counted(night.faults, 'fault')}."
    )
    click.echo(f"The wheel: {schedule['build']}.")
    for line in (
        *verdict(schedule),
        *(f"  {i}. {t}" for i, t in enumerate(steps_in_words(schedule["steps"]), start=1)),
    ):
        click.echo(line)
    click.echo(f"\nEverything is in {out}/; begin with {out}/summary.md. Next, try:")
    for command, why in tries:
        click.echo(f"  {command}   ({why})")
    took = ", ".join(f"{name} {show.number(s, 1)} s" for name, s in progress.stage_s.items())
    click.echo(f"\n({took})")
