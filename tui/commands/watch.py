"""`longhold watch`: what is in work in a folder, and runs as they go; in the terminal, or read-only in a browser."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from tui.monitor import Monitor

HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"


@click.command()
@click.argument("runs", metavar="[RUN.h5 ...]", nargs=-1, type=click.Path(path_type=Path))
@click.option("--browser", is_flag=True, help="Serve it read-only to a browser on this computer until Ctrl-C.")
@click.option("--port", type=click.IntRange(1024, 65535), default=8137, show_default=True, help="Of --browser.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Of --browser; another one needs --expose.")
@click.option("--expose", metavar="WORD", help="To serve beyond this computer: the word is 'network'. Prints a token.")
@click.option("--public-url", metavar="URL", help="Where your own tunnel or proxy shows it: https://...")
@click.option("--served", is_flag=True, hidden=True)
def watch(
    runs: tuple[Path, ...],
    browser: bool,
    port: int,
    host: str,
    expose: str | None,
    public_url: str | None,
    served: bool,
) -> None:
    """Watch what is in work: each wheel's next action, and runs, live or finished. Leaving changes nothing.

    Without a name: everything in this folder, what waits for a person first. With names: these runs, one after the
    other. Keys: h home, 1 all stations, 2 the chosen one, 3 the log; up and down choose; left goes back in time, end
    returns to the newest; f next file; a asks a live run for something (twice, and no limit can be changed); q leaves.

    \b
    Examples:
      longhold watch
      longhold watch night.h5
      longhold watch --browser
    """
    from models.errors import InputError

    paths = list(runs) or sorted(Path().glob("*.h5"), key=lambda p: p.stat().st_mtime, reverse=True)
    for path in paths:
        _check(path)
    for given, option in ((expose, "--expose"), (public_url, "--public-url")):
        if given is not None and not browser:
            raise InputError(f"{option} goes with --browser")
    if browser:
        from tui.browser import serve

        serve([str(p) for p in runs], host=host, port=port, word=expose, public_url=public_url)
        return

    import sys

    if not served and not sys.stdout.isatty():
        raise InputError(
            "the monitor needs a terminal; as plain lines: longhold next; a run as a table: longhold export RUN.h5 "
            "--out RUN.csv"
        )
    monitor(paths, home=None if runs else Path(), read_only=served).run()


def monitor(paths: list[Path], *, home: Path | None, read_only: bool) -> Monitor:
    """The monitor on these runs, with a first screen where no run was named."""
    from tui.inwork import InWork
    from tui.monitor import Monitor
    from tui.wiring import attach

    return Monitor(
        [attach(path) for path in paths],
        home=None if home is None else InWork(home),
        attach=attach,
        read_only=read_only,
    )


def _check(path: Path) -> None:
    """Raises InputError where this is no run file."""
    from models.errors import InputError

    if not path.exists() and path.with_name(path.name + ".journal").exists():
        return  # cut off before its file was made: the journal has it all
    if path.is_dir():
        raise InputError(f"{path} is a folder; name the run file in it: longhold watch {path}/RUN.h5")
    try:
        with path.open("rb") as f:
            head = f.read(8)
    except OSError as error:
        raise InputError(
            f"{path}: {(error.strerror or 'cannot be read').lower()}; a run file (*.h5) was expected"
        ) from None
    if head and head != HDF5_SIGNATURE:
        raise InputError(f"{path}: not a run file (HDF5 was expected)")
