"""`longhold run`, `resume`, `export`: hold spokes to a program, go on after a cut, a run as a plain table."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from bench.session import Session
    from bench.status import Mailbox, Snapshot
    from bench.steps import Program

GIVE_WAY_S = 15.0


@click.command()
@click.argument("program", metavar="PROGRAM.toml", type=click.Path(path_type=Path))
@click.option(
    "--frame", "frame", metavar="FRAME.toml", type=click.Path(path_type=Path), required=True, help="The frame."
)
@click.option("--out", metavar="RUN.h5", type=click.Path(path_type=Path), required=True, help="Run file to write.")
@click.option("--json", "as_json", is_flag=True, help="The result alone, as one JSON object, on stdout.")
@click.option("--force", is_flag=True, help="Replace a run file of this name.")
def run(program: Path, frame: Path, out: Path, as_json: bool, force: bool) -> None:
    """Hold spokes to a program, logging. Survives being killed: see `longhold resume`.

    Ctrl-C stops motion and leaves the load on. This program and its keys are no safety function: the frame's
    emergency stop, guard and cut-outs are hard-wired and independent of it.

    \b
    Example:
      longhold run night.toml --frame frame.toml --out night.h5
    """
    import asyncio

    from bench.framefile import read_frame_file
    from bench.program import read_program
    from bench.record import journal_path
    from bench.steps import check_against
    from models.errors import InputError
    from tui.out import refuse_existing
    from tui.runanswer import answer

    steps = read_program(program)
    file = read_frame_file(frame)
    check_against(steps, file.facts)
    refuse_existing(out, force)
    if journal_path(out).exists() and not force:
        raise InputError(
            f"{journal_path(out)} is the journal of a run that has not ended: longhold resume {out}, or another name, "
            "or --force to throw it away"
        )
    batch = ready_batch(steps)
    _confirm_pull(steps)
    answer(out, as_json, asyncio.run(_run(steps, file, out, batch, _progress())))


def ready_batch(program: Program) -> dict[str, Any] | None:
    """Content of the BATCH.json that a hold until ready is judged by; None where no hold asks for it."""
    from tui.batchfile import batch_in
    from tui.out import read_json

    if not program.waits_until_ready or program.ready is None:
        return None
    path = Path(program.where).parent / program.ready.batch
    content = read_json(path, "the batch file of key 'ready.batch'")
    batch_in(content, path)
    return content


def _confirm_pull(program: Program) -> None:
    """A pull to break is begun only by a person who is there and has typed it."""
    from bench.steps import StepKind
    from models.errors import InputError
    from tui.cautions import MOTION
    from tui.out import say

    if not any(s.kind is StepKind.PULL for s in program.steps):
        return
    ((_, spoke),) = program.spokes
    if not sys.stdin.isatty():
        raise InputError(
            f"{program.where}: pulls spoke {spoke} to break, so a person must sit at this terminal and say so"
        )
    say(MOTION)
    say(
        f"\nThis program pulls spoke {spoke} until it breaks: everything that it stores goes at once. Guard closed, "
        "nobody in the room but behind it, eyes and ears covered."
    )
    words = f"pull {spoke} to break"
    if click.prompt(f"Type '{words}' to begin; anything else ends here", default="", err=True).strip() != words:
        raise InputError("nothing was moved: a pull to break is begun only with the exact words")


@click.command()
@click.argument("out", metavar="RUN.h5", type=click.Path(path_type=Path))
@click.option(
    "--frame",
    "frame",
    metavar="FRAME.toml",
    type=click.Path(path_type=Path),
    help="Where the frame is now, if it moved.",
)
@click.option("--json", "as_json", is_flag=True, help="The result alone, as one JSON object, on stdout.")
def resume(out: Path, frame: Path | None, as_json: bool) -> None:
    """Go on with a run that was cut off. Nothing moves by itself.

    Shows each station's real load and position beside what was recorded last, then asks you to type a phrase that
    names the station. Stand at the frame when you do.

    \b
    Example:
      longhold resume night.h5
    """
    import asyncio

    from bench.framefile import frame_from_text, read_frame_file
    from bench.resume import read_interrupted
    from bench.steps import check_against
    from tui.out import say
    from tui.runanswer import answer

    _take_over(out)
    interrupted = read_interrupted(out)
    if frame is not None:
        file = read_frame_file(frame)
    else:
        file = frame_from_text(interrupted.header["frame_text"], Path(interrupted.header["frame_where"]))
    check_against(interrupted.program, file.facts)
    session = asyncio.run(_resume(interrupted, file, _progress()))
    if session is None:
        say("nothing was moved, and nothing was changed")
        return
    answer(out, as_json, session)


def _take_over(out: Path) -> None:
    """Where `longhold attend` records this run, ask it to give way, and wait until it has let go."""
    import asyncio

    from bench.clock import RealClock
    from bench.journal import is_being_written
    from bench.record import journal_path
    from bench.status import send_request
    from models.errors import InputError

    async def ask_for_it() -> None:
        clock = RealClock()
        try:
            await send_request(out, "give way")
        except InputError:  # nobody listens, or it is a run that moves: what follows says so
            return
        until_s = clock.now_s() + GIVE_WAY_S
        while is_being_written(journal_path(out)) and clock.now_s() < until_s:
            await clock.sleep_until(clock.now_s() + 0.1)

    if is_being_written(journal_path(out)):
        asyncio.run(ask_for_it())


@click.command()
@click.argument("run_file", metavar="RUN.h5", type=click.Path(path_type=Path))
@click.option("--out", metavar="RUN.csv", type=click.Path(path_type=Path), required=True, help="Table to write.")
@click.option("--json", "as_json", is_flag=True, help="What was written, as one JSON object, on stdout.")
@click.option("--force", is_flag=True, help="Replace a table of this name.")
def export(run_file: Path, out: Path, as_json: bool, force: bool) -> None:
    """Write a run as a plain table (CSV): one row for each station and reading under load.

    \b
    Example:
      longhold export night.h5 --out night.csv
    """
    from bench.runfile import read_table
    from tui.out import answer_json, refuse_existing, write_whole

    refuse_existing(out, force)
    table = read_table(run_file)
    decimals = {"time_s": 3, "utc_s": 3, "load_N": 3, "set_load_N": 3, "temperature_C": 3}
    decimals |= {"elongation_mm": 6, "elongation_raw_mm": 6, "position_mm": 5}
    write_whole(out, table.round(decimals).to_csv(index=False), fresh=not force)
    spokes = [str(s) for s in table["spoke"].unique()]
    if as_json:
        answer_json({"out": str(out), "rows": len(table), "spokes": spokes})
    else:
        click.echo(f"{out}: {len(table)} rows of {len(spokes)} spokes ({', '.join(spokes)})")


def _progress() -> Callable[[Snapshot], None] | None:
    """A line on a terminal that is written over about once a second; nothing in a pipe."""
    if not sys.stderr.isatty():
        return None
    shown_s = -1.0

    def show(now: Snapshot) -> None:
        nonlocal shown_s
        if 0 <= now.at_s - shown_s < 1.0:
            return
        shown_s = now.at_s
        whole = int(now.at_s)
        parts = [f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"]
        for s in now.stations:
            stretch = "" if s.elongation_mm is None else f" {s.elongation_mm:+.3f} mm"
            parts.append(f"{s.name} {s.state} {s.load_N:.0f} N{stretch}")
        line = "  ".join(parts)
        width = shutil.get_terminal_size().columns
        click.echo("\r\x1b[K" + line[: max(width - 1, 40)], err=True, nl=False)

    return show


def watch_signals(mailbox: Mailbox) -> None:
    """Ctrl-C and a polite kill stop motion; a lost terminal is nothing to a run."""
    import asyncio
    import signal

    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, mailbox.stop_now)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)


async def _run(
    program: Any,
    file: Any,
    out: Path,
    batch: dict[str, Any] | None,
    on_tick: Callable[[Snapshot], None] | None,
) -> Session:
    from bench.alerts import Alerts
    from bench.clock import RealClock
    from bench.linklock import only_user
    from bench.modbusframe import ModbusFrame
    from bench.session import begin_run
    from bench.status import Mailbox

    mailbox, clock, alerts = Mailbox(), RealClock(), Alerts.from_surroundings()
    watch_signals(mailbox)
    try:
        with only_user(file.link):
            async with ModbusFrame(file, clock) as frame:
                return await begin_run(
                    frame,
                    clock,
                    program,
                    out,
                    frame_text=file.text,
                    frame_where=str(file.path),
                    mailbox=mailbox,
                    alerts=alerts,
                    on_tick=on_tick,
                    batch=batch,
                )
    finally:
        alerts.close()


async def _resume(run: Any, file: Any, on_tick: Callable[[Snapshot], None] | None) -> Session | None:
    from bench.alerts import Alerts
    from bench.clock import RealClock
    from bench.linklock import only_user
    from bench.modbusframe import ModbusFrame
    from bench.resume import describe, rebuilt
    from bench.session import resume_run
    from bench.status import Mailbox
    from tui.out import say

    clock = RealClock()
    with only_user(file.link):
        async with ModbusFrame(file, clock) as frame:
            # looked at without claiming it: nobody feeds the deadman while a person reads and types
            reading = await frame.read()
        at_s = max(reading.at_utc - float(run.header["start_utc"]), run.last_s)
        stations = rebuilt(run, file.facts, reading, at_s)
        untold = "position_valid" in file.facts.absent
        for line in describe(run, stations, reading, at_s, untold=untold):
            say(line)
    answers = _ask(stations)
    if not any(a != "leave" for a in answers.values()):
        return None
    mailbox, alerts = Mailbox(), Alerts.from_surroundings()
    watch_signals(mailbox)
    try:
        with only_user(file.link):
            async with ModbusFrame(file, clock) as frame:
                return await resume_run(frame, clock, run, answers, mailbox=mailbox, alerts=alerts, on_tick=on_tick)
    finally:
        alerts.close()


def _ask(stations: list[Any]) -> dict[str, str]:
    """A person's answer for each station that is not done; anything but the exact words leaves it as it stands."""
    from bench.machine import StationState
    from bench.resume import phrase
    from tui.out import say

    say("a loaded spoke can injure eyes and hands: guard closed, eyes covered, nobody in the line of a spoke")
    answers: dict[str, str] = {}
    for station in stations:
        if station.state is StationState.DONE:
            continue
        words = phrase(station.name)
        say(f"type '{words}' to go on, 'station {station.name} ease off' to unload it, Enter to leave it:")
        typed = sys.stdin.readline().strip()
        if typed == words:
            answers[station.name] = "move"
        elif typed == f"station {station.name} ease off":
            answers[station.name] = "ease off"
        else:
            answers[station.name] = "leave"
    return answers
