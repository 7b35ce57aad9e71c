"""`longhold frame`: serve a simulated frame, or check a real one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from bench.framefile import FrameFile
    from bench.server import TimedFault


@click.group()
def frame() -> None:
    """Simulate a stretching frame, or check a real one.

    \b
    Example:
      longhold frame check datasets/demo/frame.toml
    """


@frame.command()
@click.argument("file", metavar="FRAME.toml", type=click.Path(path_type=Path))
@click.option(
    "--host", default="127.0.0.1", show_default=True, help="Where to listen; loopback unless you name another."
)
@click.option("--port", type=click.IntRange(0, 65535), help="Port to listen on; else the frame file's.")
@click.option("--pty", is_flag=True, help="Serve RTU on a pseudo-terminal instead of TCP.")
@click.option("--batch", type=click.Path(path_type=Path), help="BATCH.json of the spokes; else an invented batch.")
@click.option("--seed", default=0, show_default=True, help="Which spokes are drawn, and the noise.")
@click.option("--fault", "faults", multiple=True, metavar="NAME[:STATION][=VALUE]@SECONDS", help="Show a fault on cue.")
@click.option("--json", "as_json", is_flag=True, help="Say where it listens as one JSON object.")
def simulate(
    file: Path,
    host: str,
    port: int | None,
    pty: bool,
    batch: Path | None,
    seed: int,
    faults: tuple[str, ...],
    as_json: bool,
) -> None:
    """Serve a simulated frame with invented spokes over Modbus, in real time, until Ctrl-C.

    \b
    Example:
      longhold frame simulate datasets/demo/frame.toml --port 5020
    """
    import asyncio

    from bench.framefile import SerialLink, read_frame_file
    from bench.server import serve
    from tui.out import answer_json, say

    described = read_frame_file(file)
    cued = [_timed_fault(text, described) for text in faults]
    spokes = None
    if batch is not None:
        from tui.batchfile import read_batch

        spokes = read_batch(batch)
    serial = pty or (isinstance(described.link, SerialLink) and port is None)

    def ready(where: dict[str, Any]) -> None:
        if as_json:
            answer_json({"frame": described.facts.name, "simulated": True, **where})
            return
        at = where["path"] if "path" in where else f"{where['host']}:{where['port']}"
        click.echo(f"simulated (invented) frame '{described.facts.name}' listens on {at}")
        say("nothing in it is real: spokes, loads and faults are simulated. Ctrl-C ends it.")

    asyncio.run(
        serve(
            described,
            seed=seed,
            batch=spokes,
            host=host,
            port=port,
            pty=serial,
            line_model=serial,
            faults=cued,
            ready=ready,
        )
    )


def _timed_fault(text: str, described: FrameFile) -> TimedFault:
    """``guard@60``, ``cell_drifts:B=40@600``: a fault, its station and value, and when."""
    import difflib

    from bench.cues import STATION_CUES, Cue
    from bench.server import TimedFault
    from models.errors import InputError

    def wrong(why: str) -> InputError:
        return InputError(f"--fault {text}: {why}; write NAME[:STATION][=VALUE]@SECONDS, for example guard@60")

    what, at, when = text.partition("@")
    what, _, value = what.partition("=")
    name, _, station = what.partition(":")
    if name not in list(Cue):
        near = difflib.get_close_matches(name, [c.value for c in Cue], n=1, cutoff=0.5)
        raise wrong(
            f"there is no fault '{name}'" + (f", did you mean '{near[0]}'" if near else f", known: {', '.join(Cue)}")
        )
    cue = Cue(name)
    names = [s.name for s in described.facts.stations]
    if (cue in STATION_CUES) != bool(station):
        raise wrong(f"'{name}' {'needs a station' if not station else 'is a fault of the whole frame'}")
    if station and station not in names:
        raise wrong(f"there is no station '{station}', only {', '.join(names)}")
    try:
        at_s, amount = float(when), float(value or 0.0)
    except ValueError:
        raise wrong("SECONDS and VALUE are numbers") from None
    if not at or not at_s >= 0:
        raise wrong("SECONDS is missing or negative")
    return TimedFault(at_s=at_s, cue=cue, station=names.index(station) if station else None, value=amount)


@frame.command()
@click.argument("file", metavar="FRAME.toml", type=click.Path(path_type=Path))
@click.option("--move", is_flag=True, help="Also try each axis by small guarded moves; asks before each station.")
@click.option(
    "--interlocks", metavar="STATION", help="Prove each interlock by hand, that station's drive energised and empty."
)
@click.option("--span", metavar="STATION", help="Check that station's load cell against known loads; asks for each.")
@click.option(
    "--bar", metavar="STATION", help="Measure the frame's compliance there with a stiff bar; asks for each load."
)
@click.option("--bar-compliance", default=0.0, show_default=True, help="The bar's own compliance, mm/N.")
@click.option("--gravity", default=9.80665, show_default=True, help="Gravity of the place, m/s2, for masses in kg.")
@click.option(
    "--reference-percent", type=click.FloatRange(min=0), help="Uncertainty (k = 2) of the known loads, percent."
)
@click.option("--cell-serial", help="Serial number of the cell, as on its plate, for --span --write.")
@click.option("--write", is_flag=True, help="Put what --span or --bar found into the frame file, with today's date.")
@click.option("--readings", type=click.IntRange(3, 1000), default=30, show_default=True, help="Readings of each value.")
@click.option("--set-load", default="1500 N", show_default=True, help="Load that the proofs are made for.")
@click.option("--ramp", default=20.0, show_default=True, help="Ramp that the proofs are made for, N/s.")
@click.option("--stiffness", type=float, help="Of one spoke, N/mm; else that of the invented 280 mm spoke.")
@click.option("--band", default=0.5, show_default=True, help="Hold band that the proofs are made for, percent.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
def check(file: Path, as_json: bool, **asked: Any) -> None:
    """Read a frame once in plain units and prove what can be proved. Without --move nothing moves.

    \b
    Example:
      longhold frame check datasets/demo/frame.toml
    """
    from bench.framefile import read_frame_file
    from tui.commands.framecheck import run_check

    run_check(read_frame_file(file), as_json=as_json, **asked)
