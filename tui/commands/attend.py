"""`longhold attend` and `longhold ask`: stay with runs while nobody is there; ask a run to pause, go on, ease off."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from bench.frame import Frame
    from bench.resume import Interrupted

REQUESTS = ("pause", "go on", "ease off", "end step", "status")


@click.command()
@click.argument("path", metavar="RUN.h5|FOLDER", type=click.Path(path_type=Path))
def attend(path: Path) -> None:
    """Stay with a run, or with all runs of a folder, moving nothing.

    Sends an alert when a run falls silent or was cut off, and goes on recording one that was cut off (what the frame
    reads, nothing else) until `longhold resume` asks for it. Meant to be started by the computer itself: see the
    how-to for a small computer. Alerts go where LONGHOLD_ALERTS or ~/.config/longhold/alerts says; else nowhere.

    \b
    Example:
      longhold attend /srv/longhold/runs
    """
    import asyncio

    from bench.record import journal_path
    from models.errors import InputError

    if not path.is_dir() and not journal_path(path).exists():
        raise InputError(f"{path}: no folder, and no run that has not ended (its journal is not there)")
    asyncio.run(_attend(path))


async def _attend(path: Path) -> None:
    from bench.alerts import Alerts
    from bench.attend import attend as stay
    from bench.clock import RealClock
    from bench.status import Mailbox
    from tui.commands.run import watch_signals
    from tui.out import say

    mailbox, alerts = Mailbox(), Alerts.from_surroundings()
    watch_signals(mailbox)
    say(f"attending {path}; alerts are {'on' if alerts.on else 'off'}; nothing is moved from here")
    try:
        await stay(path, _reads_only, RealClock(), alerts, mailbox, say)
    finally:
        alerts.close()


def _reads_only(run: Interrupted) -> Any:
    """The frame of a run, for reading: it is never claimed and never written to."""
    from contextlib import asynccontextmanager, nullcontext

    from bench.clock import RealClock
    from bench.framefile import SerialLink, frame_from_text
    from bench.linklock import only_user
    from bench.modbusframe import ModbusFrame

    @asynccontextmanager
    async def opened() -> AsyncIterator[Frame]:
        file = frame_from_text(run.header["frame_text"], Path(run.header["frame_where"]))
        # two masters on one serial line destroy each other's messages; a network takes both
        with only_user(file.link) if isinstance(file.link, SerialLink) else nullcontext():
            async with ModbusFrame(file, RealClock()) as frame:
                yield frame

    return opened()


@click.command()
@click.argument("run_file", metavar="RUN.h5", type=click.Path(path_type=Path))
@click.argument("what", type=click.Choice(REQUESTS))
@click.option("--station", help="Of one station; all of them if left out.")
@click.option("--json", "as_json", is_flag=True, help="The answer as one JSON object on stdout.")
def ask(run_file: Path, what: str, station: str | None, as_json: bool) -> None:
    """Ask a run that goes on here: pause at its load, go on, ease off, end the step, or how it stands.

    Asks you to type the request again before it is sent. Only the user who started the run can ask, on the computer
    where it runs; no limit can be raised. This is no emergency stop: that is the button on the frame.

    \b
    Examples:
      longhold ask night.h5 status
      longhold ask night.h5 "ease off" --station B
    """
    import asyncio

    from bench.status import send_request
    from models.errors import InputError
    from tui.out import answer_json, say

    if what != "status":
        words = f"{what} {station}" if station is not None else f"{what} all"
        if not sys.stdin.isatty():
            raise InputError(f"'{what}' moves or stops spokes: a person must sit at this terminal and type it twice")
        typed = click.prompt(f"Type '{words}' to send it; anything else sends nothing", default="", err=True)
        if typed.strip() != words:
            say("nothing was sent")
            return
    answer = asyncio.run(send_request(run_file, what, station))
    if what != "status":
        if as_json:
            answer_json({"run": str(run_file), "asked": what, "station": station})
        else:
            click.echo(f"{run_file}: asked to {what}{'' if station is None else f' station {station}'}")
        return
    status = answer.get("status")
    if as_json:
        answer_json({"run": str(run_file), "status": status})
    elif status is None:
        click.echo(f"{run_file}: goes on; nothing has been read yet")
    else:
        _print_status(run_file, status)


def _print_status(run_file: Path, status: dict[str, Any]) -> None:
    whole = int(status["at_s"])
    click.echo(f"{run_file}: {whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d} since its start")
    for s in status["stations"]:
        slack = "" if s["slack_s"] is None else f", slack for {s['slack_s'] / 60:.0f} min"
        can = f"; can be asked: {', '.join(s['can_ask'])}" if s["can_ask"] else ""
        click.echo(
            f"  {s['name']} {s['spoke']}: {s['state']}, {s['load_N']:.0f} N (set {s['set_load_N']:.0f} N), "
            f"{s['step']}{slack}{can}"
        )
