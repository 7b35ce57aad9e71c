"""The command line: a table of commands, each imported only when it runs."""

from __future__ import annotations

import importlib
import importlib.util
import os
import re
import sys
from collections.abc import Sequence

import click

# a batch's matrices are small: a second thread in each product takes more time than it saves
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
# name -> (module, attribute, one line of help), in the order of the job
COMMANDS: dict[str, tuple[str, str, str]] = {
    "demo": ("tui.commands.demo", "demo", "the whole job in about a minute on a simulated frame"),
    "frame": ("tui.commands.frame", "frame", "simulate a frame, or check a real one"),
    "program": ("tui.commands.program", "program", "write a program for a purpose; rehearse it"),
    "run": ("tui.commands.run", "run", "hold spokes to a program, logging"),
    "resume": ("tui.commands.run", "resume", "go on with a run that was cut off"),
    "watch": ("tui.commands.watch", "watch", "see what is in work, and runs as they go"),
    "ask": ("tui.commands.attend", "ask", "ask a run to pause, go on, ease off, end a step"),
    "attend": ("tui.commands.attend", "attend", "stay with runs unattended: alerts, and rows after a cut"),
    "export": ("tui.commands.run", "export", "a run as a plain table"),
    "fit": ("tui.commands.fit", "fit", "learn a batch's creep from its night"),
    "forecast": ("tui.commands.fit", "forecast", "strain or tension of one new spoke under a history"),
    "gauge": ("tui.commands.gauge", "gauge", "calibrate a handheld gauge; turn readings into tension and back"),
    "length": ("tui.commands.build", "length", "spoke length to order, thread budget"),
    "plan": ("tui.commands.plan", "plan", "the tensioning schedule with the fewest overnight passes"),
    "match": ("tui.commands.build", "match", "which stretched spoke goes where"),
    "next": ("tui.commands.next", "next_in_work", "everything in work, and what waits for a person"),
    "wheel": ("tui.commands.wheel", "wheel", "the wheel's own record: begin it, note what was done"),
    "retension": ("tui.commands.wheel", "retension", "nipple turns for this pass"),
    "guide": ("tui.commands.guide", "guide", "step by step: a new frame, a batch test, readings, turns, a plan"),
    "report": ("tui.commands.report", "report", "a batch or a wheel as one page with its pictures"),
    "doctor": ("tui.commands.doctor", "doctor", "check the installation"),
}


class JobGroup(click.Group):
    """Lists commands in the order of the job and imports one only when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [name for name, (module, _, _) in COMMANDS.items() if importlib.util.find_spec(module)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, attribute, _ = COMMANDS[cmd_name]
        command = getattr(importlib.import_module(module), attribute)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        rows = [(name, COMMANDS[name][2]) for name in self.list_commands(ctx)]
        if rows:
            with formatter.section("Commands, in the order of the job"):
                formatter.write_dl(rows)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            import difflib

            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f"; did you mean 'longhold {near[0]}'?" if near else "; 'longhold --help' lists the commands"
            raise click.UsageError(f"there is no command '{args[0]}'{hint}")
        return super().resolve_command(ctx, args)


def _version(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if value and not ctx.resilient_parsing:
        from importlib.metadata import version

        click.echo(f"longhold {version('longhold')}")
        ctx.exit()


@click.group(cls=JobGroup, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help="Show the version.")
@click.pass_context
def cli(ctx: click.Context) -> None:
    """Stretching frame, creep fits, gauge curves and tensioning plans for wheels with braided fibre spokes.

    A fibre spoke under load can injure eyes and hands when it lets go. This program is no safety function: the
    emergency stop, guard and cut-outs of a frame are hard-wired and independent of it.

    \b
    Example:
      longhold demo
    What a command needs, with an example of it: longhold COMMAND --help
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


def one_line(text: str) -> str:
    """A message that quotes a file, as one line of signs that a terminal shows, and not longer than a person reads."""
    line = _readable(" ".join(text.split()))
    return line if len(line) <= 620 else f"{line[:400]} \N{HORIZONTAL ELLIPSIS} {line[-200:]}"


def _readable(text: str) -> str:
    """No control characters; what is longer than any word or path is cut."""
    shown = "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text)
    return re.sub(r"\S{300,}", lambda word: word.group()[:60] + "\N{HORIZONTAL ELLIPSIS}", shown)


def run(argv: Sequence[str]) -> int:
    """Run one command line; returns the exit status: 0 done, 1 the answer is no, 2 input, 3 frame, 130 Ctrl-C."""
    from models.errors import CannotAnswer, InputError

    try:
        result = cli.main(args=list(argv), prog_name="longhold", standalone_mode=False)
        return int(result) if isinstance(result, int) else 0
    except click.exceptions.Exit as done:
        return done.exit_code
    except click.ClickException as error:
        if isinstance(error, click.UsageError) and error.ctx is not None:
            click.echo(f"longhold: {error.format_message()}  (see '{error.ctx.command_path} --help')", err=True)
        else:
            click.echo(f"longhold: {error.format_message()}", err=True)
        return 2
    except InputError as error:
        click.echo(f"longhold: {one_line(str(error))}", err=True)
        return 2
    except CannotAnswer as error:
        click.echo(f"longhold: {_readable(str(error))}", err=True)
        return 1
    except (KeyboardInterrupt, click.Abort):
        click.echo("longhold: stopped", err=True)
        return 130
    except BrokenPipeError:
        return 0
    except Exception as error:
        status = getattr(error, "exit_status", None)  # the frame's or the link's faults carry 3 (bench/errors.py)
        if isinstance(status, int):
            click.echo(f"longhold: {_readable(str(error))}", err=True)
            return status
        if isinstance(error, OSError):
            click.echo(f"longhold: {error.filename or 'file'}: {error.strerror or error}", err=True)
            return 2
        raise


def main() -> None:
    """Entry point of the installed program."""
    for name in ONE_THREAD:  # read when numpy is first imported, which is later than this
        os.environ.setdefault(name, "1")
    sys.exit(run(sys.argv[1:]))
