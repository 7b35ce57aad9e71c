"""`longhold doctor`: whether this installation can do the job; each check says what it costs and what to type next."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import click

LEAST_FREE_MB = 500  # a night of 8 stations at 10 Hz: journal and run file together
PACKAGES = ("numpy", "scipy", "lmfit", "pandas", "h5py", "pymodbus", "serial", "pydantic", "matplotlib", "textual",
            "icalendar", "reportlab", "joblib")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One check."""

    what: str
    state: str  # "good", "note" or "fault"
    found: str
    to_do: str = ""  # what to type or change; empty where nothing is needed


def _python() -> Finding:
    import platform

    found = f"Python {platform.python_version()} on {platform.system()} {platform.machine()}"
    if platform.system() != "Linux" or platform.machine() not in ("x86_64", "aarch64"):
        return Finding(
            what="python", state="note", found=found, to_do="untested here: use it for fit and plan, not for a frame"
        )
    return Finding(what="python", state="good", found=found)


def _packages() -> Finding:
    from importlib.util import find_spec

    missing = [name for name in PACKAGES if find_spec(name) is None]
    if missing:
        return Finding(
            what="packages",
            state="fault",
            found=f"missing: {', '.join(missing)}",
            to_do="install longhold again into an environment of its own",
        )
    return Finding(what="packages", state="good", found=f"all {len(PACKAGES)} found")


def _folder(folder: Path) -> Finding:
    import shutil
    import tempfile

    try:
        free_MB = shutil.disk_usage(folder).free // 1_000_000
        with tempfile.TemporaryFile(dir=folder) as f:
            f.write(b"x")
    except OSError as error:
        return Finding(
            what="folder", state="fault", found=f"{folder}: {error.strerror}", to_do="name a folder that you may write"
        )
    found = f"{folder.resolve()} can be written, {free_MB} MB free"
    if free_MB < LEAST_FREE_MB:
        return Finding(what="folder", state="fault", found=found, to_do=f"make room: {LEAST_FREE_MB} MB for a night")
    return Finding(what="folder", state="good", found=found)


def _run_file(folder: Path) -> Finding:
    """Write and read back a small HDF5 file where runs will lie, in a process with a deadline."""
    import subprocess
    import sys
    import tempfile

    text = (
        "import sys, h5py\n"
        "with h5py.File(sys.argv[1], 'w', libver='v110') as f:\n"
        "    f['x'] = [1.0]\n    f.swmr_mode = True\n    f.flush()\n"
        "with h5py.File(sys.argv[1], 'r', libver='v110', locking=False, swmr=True) as f:\n    assert f['x'][0] == 1.0\n"
    )
    try:
        with tempfile.TemporaryDirectory(dir=folder) as scratch:
            done = subprocess.run(
                [sys.executable, "-c", text, str(Path(scratch) / "probe.h5")],
                capture_output=True,
                timeout=30,
                check=False,
            )
    except (OSError, subprocess.TimeoutExpired) as error:
        return Finding(what="run file", state="fault", found=str(error), to_do="record on a local disk")
    if done.returncode:
        last = done.stderr.decode(errors="replace").strip().splitlines()
        return Finding(
            what="run file", state="fault", found=last[-1] if last else "HDF5 failed", to_do="record on a local disk"
        )
    return Finding(what="run file", state="good", found="HDF5 can be written here and read while it grows")


def _clock() -> Finding:
    """Whether UTC is kept by the network, where the system says so; and the step of the monotonic clock."""
    import shutil
    import subprocess
    import time

    step_ms = 1e3 * time.get_clock_info("monotonic").resolution
    now = time.gmtime()
    if now.tm_year < 2024:
        return Finding(
            what="clock",
            state="fault",
            found=f"the date is {now.tm_year}",
            to_do="set the date: runs are stamped in UTC",
        )
    said = ""
    if shutil.which("timedatectl"):
        try:
            done = subprocess.run(
                ["timedatectl", "show", "-p", "NTPSynchronized", "--value"], capture_output=True, timeout=5, check=False
            )
            said = done.stdout.decode(errors="replace").strip()
        except (OSError, subprocess.TimeoutExpired):
            said = ""
    found = f"monotonic step {step_ms:g} ms"
    if said == "yes":
        return Finding(what="clock", state="good", found=f"kept by the network; {found}")
    if said == "no":
        return Finding(
            what="clock", state="note", found=f"not kept by the network; {found}", to_do="check the date before a night"
        )
    return Finding(
        what="clock",
        state="note",
        found=f"cannot tell whether it is kept; {found}",
        to_do="check the date before a night",
    )


def _terminal() -> Finding:
    import os
    import shutil
    import sys

    if not sys.stdout.isatty():
        return Finding(what="terminal", state="note", found="no terminal here", to_do="'longhold watch' needs one")
    size = shutil.get_terminal_size()
    found = f"{size.columns} x {size.lines}, {sys.stdout.encoding}, TERM={os.environ.get('TERM', 'unset')}"
    if "utf" not in (sys.stdout.encoding or "").lower():
        return Finding(
            what="terminal", state="fault", found=found, to_do="use a UTF-8 locale: the curves are braille characters"
        )
    if size.columns < 80 or size.lines < 24:
        return Finding(
            what="terminal", state="note", found=found, to_do="make it 80 x 24 or larger for 'longhold watch'"
        )
    return Finding(what="terminal", state="good", found=found)


def _loopback() -> Finding:
    import socket

    try:
        with (
            socket.create_server(("127.0.0.1", 0)) as server,
            socket.create_connection(server.getsockname(), timeout=5),
        ):
            pass
    except OSError as error:
        return Finding(
            what="loopback",
            state="fault",
            found=f"127.0.0.1: {error.strerror or error}",
            to_do="the demo and the simulated frame need it",
        )
    return Finding(what="loopback", state="good", found="a simulated frame can be served on 127.0.0.1")


def _serial_ports() -> Finding:
    import os

    from serial.tools import list_ports

    ports = sorted(p.device for p in list_ports.comports())
    if not ports:
        return Finding(
            what="serial ports",
            state="note",
            found="none",
            to_do="only needed for a frame on a serial line; plug it in",
        )
    closed = [p for p in ports if not os.access(p, os.R_OK | os.W_OK)]
    if closed:
        return Finding(
            what="serial ports",
            state="fault",
            found=f"no permission for {', '.join(closed)}",
            to_do="add yourself to the group that owns it (often dialout), then log in again",
        )
    return Finding(what="serial ports", state="good", found=", ".join(ports))


def _alerts() -> Finding:
    """Whether a person would be told; nothing is sent."""
    import os
    from importlib.util import find_spec

    from bench.alerts import addresses
    from models.errors import InputError

    try:
        found = addresses(os.environ, Path.home())
    except InputError as error:
        return Finding(what="alerts", state="fault", found=str(error), to_do="do as it says: runs refuse to start so")
    if not found:
        return Finding(
            what="alerts",
            state="note",
            found="off: nobody is told when a run needs a person",
            to_do="put an address into ~/.config/longhold/alerts for nights with nobody in the room",
        )
    if find_spec("apprise") is None:
        return Finding(
            what="alerts", state="fault", found="the package is missing", to_do="pip install 'longhold[alerts]'"
        )
    return Finding(what="alerts", state="good", found=f"{len(found)} address{'es' if len(found) > 1 else ''} given")


def findings(folder: Path) -> list[Finding]:
    """Every check, in the order of the job."""
    return [
        _python(),
        _packages(),
        _folder(folder),
        _run_file(folder),
        _clock(),
        _terminal(),
        _loopback(),
        _serial_ports(),
        _alerts(),
    ]


@click.command()
@click.option(
    "--folder",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path(),
    help="Where runs will be recorded (default: here).",
)
@click.option("--json", "as_json", is_flag=True, help="The result alone on stdout, as one JSON object.")
def doctor(folder: Path, as_json: bool) -> int:
    """Check the installation: packages, disk, clock, terminal, loopback, serial ports, alerts.

    Exit status 1 if a check found a fault. Nothing is left behind in the folder.

    \b
    Example:
      longhold doctor --folder .
    """
    from models.errors import InputError
    from tui.out import answer_json

    if not folder.is_dir():
        raise InputError(f"{folder} is not a folder; make it first, or give another name")
    found = findings(folder)
    faults = sum(f.state == "fault" for f in found)
    if as_json:
        result: dict[str, Any] = {"faults": faults, "checks": [asdict(f) for f in found]}
        answer_json(result)
        return 1 if faults else 0
    for f in found:
        click.echo(f"{f.state:<6} {f.what:<13} {f.found}")
        if f.to_do:
            click.echo(f"{'':<20} -> {f.to_do}")
    click.echo(
        "\nNothing stands in the way. Next: longhold demo"
        if not faults
        else f"\n{faults} to mend before a night with nobody in the room."
    )
    return 1 if faults else 0
