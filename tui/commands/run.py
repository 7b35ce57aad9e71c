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

    steps = read_program(program)
    file = read_frame_file(frame)
    check_against(steps, file.facts)
    refuse_existing(out, force)
    if journal_path(out).exists() and not force:
        raise InputError(
            f"{journal_path(out)} is the journal of a run that has not ended: longhold resume {out}, or another name, "
            "or --force to throw it away"
        )
    _answer(out, as_json, asyncio.run(_run(steps, file, out, _progress())))


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
    _answer(out, as_json, session)


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
    write_whole(out, table.round(decimals).to_csv(index=False))
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


def _watch_signals(mailbox: Mailbox) -> None:
    """Ctrl-C and a polite kill stop motion; a lost terminal is nothing to a run."""
    import asyncio
    import signal

    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, mailbox.stop_now)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)


async def _run(program: Any, file: Any, out: Path, on_tick: Callable[[Snapshot], None] | None) -> Session:
    from bench.alerts import Alerts
    from bench.clock import RealClock
    from bench.modbusframe import ModbusFrame
    from bench.session import begin_run
    from bench.status import Mailbox

    mailbox, clock, alerts = Mailbox(), RealClock(), Alerts.from_surroundings()
    _watch_signals(mailbox)
    try:
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
            )
    finally:
        alerts.close()


async def _resume(run: Any, file: Any, on_tick: Callable[[Snapshot], None] | None) -> Session | None:
    from bench.alerts import Alerts
    from bench.clock import RealClock
    from bench.modbusframe import ModbusFrame
    from bench.resume import describe, rebuilt
    from bench.session import resume_run
    from bench.status import Mailbox
    from tui.out import say

    clock = RealClock()
    async with ModbusFrame(file, clock) as frame:
        # looked at without claiming it: nobody feeds the deadman while a person reads and types
        reading = await frame.read()
        at_s = max(reading.at_utc - float(run.header["start_utc"]), run.last_s)
        stations = rebuilt(run, frame.facts, reading, at_s)
        for line in describe(run, stations, reading, at_s):
            say(line)
    answers = _ask(stations)
    if not any(a != "leave" for a in answers.values()):
        return None
    mailbox, alerts = Mailbox(), Alerts.from_surroundings()
    _watch_signals(mailbox)
    try:
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


def _answer(out: Path, as_json: bool, session: Session) -> None:
    """Print the result, and end with the status that it deserves."""
    from bench.errors import FrameFault
    from bench.faults import RULES, Fault
    from bench.machine import RunState
    from models.errors import CannotAnswer
    from tui.out import answer_json, say

    o = session.outcome
    if sys.stderr.isatty():
        say()
    if session.trouble:
        say(f"note: {session.trouble}")
    go_on = f"; longhold resume {out}" if not o.finished else ""
    loaded = ", ".join(f"{s.name} {s.load_N:.0f} N" for s in o.stations if s.under_load)
    if o.state is RunState.STOPPED and any(s.ended is None for s in o.stations):
        where = f": {loaded}" if loaded else " (none bears load now)"
        say(f"motion has stopped; spokes still under load{where}; {out} is whole{go_on}")
        raise KeyboardInterrupt
    failed = {f for s in o.stations for f in s.faults if RULES[f].latches}
    spokes_only = failed <= {Fault.LET_GO, Fault.SLIP, Fault.NEIGHBOUR}
    if o.state is RunState.LINK_LOST or (o.state is RunState.FAULTED and not spokes_only):
        why = "; ".join(f"station {s.name}: {s.ended}" for s in o.stations if s.ended not in (None, "done"))
        held = f"; spokes still under load: {loaded}" if loaded else ""
        raise FrameFault(f"{o.state.value}: {why}{held}; what was logged is in {out}{go_on}")
    if as_json:
        answer_json(
            {
                "run": str(out),
                "state": o.state.value,
                "hours": o.run_s / 3600.0,
                "stations": [
                    {
                        "station": s.name,
                        "spoke": s.spoke,
                        "state": s.state.value,
                        "ended": s.ended,
                        "load_N": s.load_N,
                        "under_load": s.under_load,
                        "faults": [f.value for f in s.faults],
                        **s.figures,
                    }
                    for s in o.stations
                ],
                "lateness": o.lateness,
            }
        )
    else:
        click.echo(f"{out}: {o.message}")
        for s in o.stations:
            rms = s.figures["hold_rms_percent"]
            held = "" if rms is None else f", held within {rms:.2f} % rms"
            click.echo(f"  {s.name} {s.spoke}: {s.ended}, peak {s.figures['peak_load_N']:.0f} N{held}")
        if loaded:
            say(f"spokes still under load: {loaded}{go_on}")
    if o.state is RunState.FAULTED:
        bad = ", ".join(f"{s.spoke} ({s.ended})" for s in o.stations if {Fault.LET_GO, Fault.SLIP} & set(s.faults))
        raise CannotAnswer(f"reject: {bad}; the other spokes' records stand")
