"""`longhold guide`: guided work step by step, on a screen or at plain prompts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tui.newprogram import batch_test, batch_test_options, plain_text
from tui.prompting import PLAIN, ask, on_screen

if TYPE_CHECKING:
    from planner.build import Build
    from tui.typed import Sheet
    from tui.walk import Walk

FILE = click.Path(path_type=Path)


@click.group()
def guide() -> None:
    """Work step by step: a new frame, a batch test, a wheel's readings, a retension pass, a plan to play with.

    \b
    Example:
      longhold guide readings front.json --out morning.csv
    """


# a new frame ---------------------------------------------------------------------------------------------------------


@guide.command()
@click.argument("frame_file", metavar="FRAME.toml", type=FILE)
@PLAIN
def frame(frame_file: Path, plain: bool) -> None:
    """Prove a new frame by hand: open and close each interlock, pull each hook, and see that the right one is seen.

    Nothing is moved. Afterwards 'longhold frame check FRAME.toml --move' lets each axis move, one typed yes at a time.

    \b
    Example:
      longhold guide frame frame.toml
    """
    import asyncio

    from bench.framefile import read_frame_file
    from models.errors import CannotAnswer
    from tui.cautions import MOTION
    from tui.out import say
    from tui.proving import proving

    file = read_frame_file(frame_file)
    say(MOTION)
    proof = proving(file.facts)
    whole = asyncio.run(_proved(proof, file, on_screen(plain)))
    if not whole:
        raise CannotAnswer(f"the proof was left: {len(proof.done)} of {len(proof.acts)} acts are done")
    if proof.left_out:
        raise CannotAnswer(f"not proved: {', '.join(proof.left_out)}")
    say(f"all was seen; next: longhold frame check {frame_file} --move")


async def _proved(proof: Any, file: Any, screen: bool) -> bool:
    from bench.clock import RealClock
    from bench.modbusframe import ModbusFrame
    from tui import guidance
    from tui.proving import refuse_loaded

    async with ModbusFrame(file, RealClock()) as link:
        refuse_loaded(file.facts, await link.read())  # says at once where it does not answer
        if screen:
            from tui.guide import Guide
            from tui.screens.proving import ProvingScreen

            names = [s.name for s in file.facts.stations]
            first = ProvingScreen(proof, what=file.facts.name, names=names, look=link.read)
            return await Guide(first).run_async() is not None
        return await guidance.frame(proof, link.read, ask, click.echo)


# readings ------------------------------------------------------------------------------------------------------------


@guide.command()
@click.argument("wheel_file", metavar="WHEEL.json|BUILD.toml", type=FILE)
@click.option("--out", metavar="READINGS.csv", type=FILE, required=True, help="Kept after every reading.")
@click.option("--gauge", "gauge_file", metavar="GAUGE.json", type=FILE, help="Type the gauge's own readings.")
@click.option("--when", type=click.Choice(["before", "after"]), default="before", show_default=True)
@click.option("--temperature-C", "temperature_C", type=click.FloatRange(-40, 90), help="Of room and wheel.")
@click.option("--now", metavar="TIME", help="As if it were this time; the computer's clock if left out.")
@PLAIN
@click.option("--force", is_flag=True, help="Begin anew where the file holds a whole round.")
def readings(
    wheel_file: Path,
    out: Path,
    gauge_file: Path | None,
    when: str,
    temperature_C: float | None,
    now: str | None,
    plain: bool,
    force: bool,
) -> None:
    """Type a wheel's readings at the stand: number keys only, undone with -, what does not fit is named at once.

    Readings may be tensions, or the gauge's own with --gauge; both may be mixed. With the wheel's record it is known
    what to expect. The file is complete when every spoke is read; until then the command goes on where it was left.

    \b
    Example:
      longhold guide readings front.json --gauge GAUGE.json --out morning.csv
    """
    from planner.wheel import wheel_of
    from tui.commands.retension import read_gauge
    from tui.commands.wheel import moment
    from tui.out import say, write_whole
    from tui.typed import Sheet
    from tui.wheelwork import build_or_record, expected, goes_on, next_command

    build, record = build_or_record(wheel_file)
    gauge = None if gauge_file is None else read_gauge(gauge_file)
    at = moment(now, "--now")
    sheet = Sheet(wheel=wheel_of(build), gauge=gauge)
    if out.exists() and not force:
        goes_on(sheet, out)
    elif not out.parent.is_dir():
        from models.errors import InputError

        raise InputError(f"{out.parent} is not a folder; make it first, or give another name")

    def keep(now_stands: Sheet) -> None:
        write_whole(out, now_stands.csv(when=when, temperature_C=temperature_C))

    name = build.name if record is None else record.name
    if on_screen(plain):
        from tui.guide import Guide
        from tui.screens.readings import ReadingsScreen

        what = "before any nipple is turned" if when == "before" else "after the session"
        expect = None if record is None else lambda: expected(record, at)
        whole = Guide(ReadingsScreen(sheet, name=name, what=what, keep=keep, expect=expect)).run() is not None
    else:
        from tui import guidance

        if record is not None:
            sheet.expected = expected(record, at)
        whole = guidance.readings(sheet, keep, ask, click.echo)
    if not whole:
        say(f"{sheet.read} of {sheet.count} spokes are in {out}; the same command goes on there")
        return
    odd = sheet.odd()
    for i in sorted(odd):
        say(f"note: position {i + 1}: {odd[i]}")
    say(f"all {sheet.count} spokes are in {out}; next: {next_command(wheel_file, out, record)}")


# turns ---------------------------------------------------------------------------------------------------------------


@guide.command()
@click.argument("answer_file", metavar="ANSWER.json", type=FILE)
@click.option("--wheel", "wheel_file", metavar="WHEEL.json", type=FILE, help="Note the turns in its record at the end.")
@click.option("--now", metavar="TIME", help="As if it were this time; the computer's clock if left out.")
@PLAIN
def turns(answer_file: Path, wheel_file: Path | None, now: str | None, plain: bool) -> None:
    """Walk a retension session nipple by nipple; ANSWER.json is what `retension --json` printed.

    Where it is left, the same command goes on (ANSWER.json.done keeps the place).

    \b
    Example:
      longhold guide turns answer.json --wheel front.json
    """
    from tui.commands.wheel import moment
    from tui.out import read_json, say
    from tui.walk import walk_of
    from tui.wheelwork import keep_place, note_turned, place_left

    content = read_json(answer_file, "an answer of 'longhold retension --json'")
    walk = walk_of(content, str(answer_file))
    name = answer_file.stem
    if wheel_file is not None:
        from models.errors import InputError
        from tui.wheelfile import read_record

        record = read_record(wheel_file)[0]
        if record.the_build.wheel.spokes != walk.spokes:
            raise InputError(
                f"{answer_file} is of a wheel of {walk.spokes} spokes, {wheel_file} has {record.the_build.wheel.spokes}"
            )
        name = record.name
    place = answer_file.with_name(f"{answer_file.name}.done")
    walk.done = place_left(place, content, len(walk.moves))

    def keep(now_stands: Walk) -> None:
        keep_place(place, content, now_stands.done)

    if walk.over and walk.moves:
        say("all of these turns are done already: read all spokes again")
    elif on_screen(plain):
        from tui.guide import Guide
        from tui.screens.turns import TurnsScreen

        if Guide(TurnsScreen(walk, name=name, keep=keep)).run() is None:
            say(f"{walk.done} of {len(walk.moves)} are done; {walk.left_in_words()}; the same command goes on there")
            return
    else:
        from tui import guidance

        if not guidance.turns(walk, keep, ask, click.echo):
            say(f"{walk.done} of {len(walk.moves)} are done; {walk.left_in_words()}; the same command goes on there")
            return
    if wheel_file is not None:
        note_turned(wheel_file, content, walk, moment(now, "--now"))
        say(f"noted in {wheel_file}; next: read all spokes again ('longhold guide readings {wheel_file} --when after')")
    else:
        say("next: read all spokes again, and give --after with the answer to 'longhold retension'")


# a plan --------------------------------------------------------------------------------------------------------------


@guide.command()
@click.argument("build_file", metavar="BUILD.toml|WHEEL.json", type=FILE)
@click.option("--batch", "batch_file", metavar="BATCH.json", type=FILE, help="From `longhold fit`; else the record's.")
@click.option("--seed", default=0, show_default=True, type=click.IntRange(0), help="Seed of the draws.")
@PLAIN
def plan(build_file: Path, batch_file: Path | None, seed: int, plain: bool) -> None:
    """Play with a plan: change tolerance, nights or horizon, and see schedule, trade-off and tension again.

    Fewer simulated wheels than 'longhold plan' takes, so probabilities are good to about 3 %. Nothing is written; what
    was changed is printed at the end as lines for the build file.

    \b
    Example:
      longhold guide plan front.toml --batch K07.json
    """
    from models.errors import InputError
    from tui.batchfile import read_batch
    from tui.out import say
    from tui.planplay import Played, lines_of, played
    from tui.wheelwork import build_or_record

    build, record = build_or_record(build_file)
    if batch_file is not None:
        batch = read_batch(batch_file)
    elif record is not None:
        batch = record.the_batch
    else:
        raise InputError("give --batch BATCH.json, from 'longhold fit'")

    def make(changed: Build, progress: Callable[[str], None]) -> Played:
        return played(changed, batch, seed=seed, progress=progress)

    if on_screen(plain):
        from tui.guide import Guide
        from tui.screens.plan import PlanScreen

        left = Guide(PlanScreen(build, make, name=f"{build.name}, batch {batch.batch}")).run()
        after = build if left is None else left
    else:
        from tui import guidance

        after = guidance.plan(build, make, ask, click.echo)
    lines = lines_of(build, after)
    if lines:
        say("to keep what was changed, in the build file:")
        click.echo("\n".join(lines))
        say(f"then: longhold plan {build_file} --batch {batch_file or 'BATCH.json'} --out DIR")


# a batch test --------------------------------------------------------------------------------------------------------


@guide.command()
@click.option("--frame", "frame_file", metavar="FRAME.toml", type=FILE, required=True, help="The frame.")
@click.option("--batch", metavar="NAME", required=True, help="Name of the batch; spokes are labelled after it.")
@batch_test_options
@click.option("--out", metavar="RUN.h5", type=FILE, required=True, help="Run file to write; the program beside it.")
@click.option("--gauge-length-mm", type=click.FloatRange(20, 5000), help="That of --build, or 285, if left out.")
@click.option("--break-load", metavar="FORCE", help="Weakest of fibre, splice, fitting, thread; else that of --build.")
@click.option("--first", type=click.IntRange(min=1), default=1, show_default=True, help="Number of the first spoke.")
@PLAIN
@click.option("--force", is_flag=True, help="Replace a run and a program of this name.")
def batch(frame_file: Path, out: Path, batch: str, first: int, plain: bool, force: bool, **asked: Any) -> None:
    """A batch test step by step: place each spoke, see that it hangs slack, label it, go.

    The night is that of 'longhold program new-batch', for the spokes that are placed; what it will and will not tell is
    said first. Nothing moves before every station is seen to, guard and emergency stop are closed, and you have typed
    go. It then runs as 'longhold run' does; 'longhold watch RUN.h5' shows it from a second terminal.

    \b
    Example:
      longhold guide batch --frame frame.toml --batch K07 --hours 12 --build front.toml --out night.h5
    """
    import asyncio

    from bench.framefile import read_frame_file
    from bench.program import program_from_text
    from bench.record import journal_path
    from bench.steps import check_against
    from models.errors import InputError
    from tui.cautions import MOTION
    from tui.commands.run import run as run_command
    from tui.out import refuse_existing, say, write_whole
    from tui.placing import Placing

    plain_text(batch, "--batch")
    test = batch_test(**asked)
    file = read_frame_file(frame_file)
    program_file = out.with_suffix(".toml")
    for path in (out, program_file):
        refuse_existing(path, force)
    if program_file.resolve() == frame_file.resolve():
        raise InputError(f"--out {out}: its program would be {program_file}, which is the frame's file; another name")
    if journal_path(out).exists() and not force:
        raise InputError(f"{journal_path(out)} is the journal of a run that has not ended: longhold resume {out}")
    names = [s.name for s in file.facts.stations]
    labels = [f"{batch}-{first + i:02d}" for i in range(len(names))]
    text = test.program(list(zip(names, labels, strict=True)), batch)
    check_against(program_from_text(text, str(program_file)), file.facts)
    test.say(len(names))
    say(MOTION)
    say("Test the emergency stop before spokes go in.\n")
    screen = on_screen(plain)
    if screen:
        click.pause("read the above, then press a key to begin ...")
    placing = Placing(facts=file.facts, labels=labels)
    if not asyncio.run(_placed(placing, file, f"{batch}, {test.hours:g} h", screen)):
        say("nothing was moved, and nothing was written")
        return
    text = test.program(placing.on_stations, batch)
    checked = program_from_text(text, str(program_file))
    check_against(checked, file.facts)
    write_whole(program_file, text)
    if len(placing.on_stations) < len(names):
        say(f"with {len(placing.on_stations)} of {len(names)} stations:")
        test.say(len(placing.on_stations))
    say(f"wrote {program_file}: {len(checked.steps)} steps, about {checked.longest_s / 3600.0:.1f} h")
    say(f"from a second terminal: longhold watch {out}")
    assert run_command.callback is not None
    run_command.callback(program=program_file, frame=frame_file, out=out, as_json=False, force=force)
    say(f"next: longhold fit {out} --name {batch} --out {batch}.json")


async def _placed(placing: Any, file: Any, what: str, screen: bool) -> bool:
    """Every spoke placed, and the word given."""
    from bench.clock import RealClock
    from bench.modbusframe import ModbusFrame
    from tui import guidance

    async with ModbusFrame(file, RealClock()) as frame:
        await frame.read()  # says at once where it does not answer
        if screen:
            from tui.guide import Guide
            from tui.screens.placing import PlacingScreen

            return await Guide(PlacingScreen(placing, what=what, look=frame.read)).run_async() is not None
        return await guidance.placing(placing, frame.read, ask, click.echo)
