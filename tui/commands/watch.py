"""`longhold watch`: attach the monitor to run files; read-only."""

from __future__ import annotations

from pathlib import Path

import click

HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"


@click.command()
@click.argument("runs", metavar="[RUN.h5 ...]", nargs=-1, type=click.Path(path_type=Path))
def watch(runs: tuple[Path, ...]) -> None:
    """Watch a run, live or finished: all stations, one in detail, the log. Leaving changes nothing.

    Without a name, the run files of this folder are shown, newest first. Keys: 1 all stations, 2 the chosen one,
    3 the log; up and down choose; left goes back in time, end returns to the newest; f next file; q leaves.

    \b
    Example:
      longhold watch night.h5
    """
    from models.errors import InputError

    paths = list(runs) or sorted(Path().glob("*.h5"), key=lambda p: p.stat().st_mtime, reverse=True)
    if not paths:
        raise InputError("no run file (*.h5) in this folder; name one: longhold watch RUN.h5")
    for path in paths:
        if not path.exists() and path.with_name(path.name + ".journal").exists():
            continue  # cut off before its file was made: the journal has it all
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

    import sys

    if not sys.stdout.isatty():
        raise InputError("the monitor needs a terminal; for a table use: longhold export RUN.h5 --out RUN.csv")

    from tui.monitor import Monitor
    from tui.wiring import attach

    Monitor([attach(path) for path in paths]).run()
