"""Writes one sample of every file of the present version into a folder named after it; run once for each release.

    python datasets/formats/make.py [--force]

Everything in the samples is invented. They are kept for good: a test reads all of every released version's.
"""

from __future__ import annotations

import argparse
import contextlib
import shutil
import sys
import tempfile
from importlib.metadata import version
from pathlib import Path

from tui import demo_scenario as scene
from tui.cli import run
from tui.wiring import simulated_night

HERE = Path(__file__).parent

PROGRAM = """\
# An invented, very short program: two loads with a recovery after each.
name = "sample of the run file (invented)"
batch = "S1"
gauge_length_mm = 280.0

[stations]
A = "S1-01"
B = "S1-02"

[tick]
motion_s = 0.2
hold_s = 2.0

[spoke]
EA_N = 400000
break_load_N = 3600
max_fraction_of_break = 0.6

[limits]
max_load_N = 1650
temperature_C = [10, 35]
total_h = 2

[[steps]]
kind = "seat"
load_N = 20

[[steps]]
kind = "hold"
load_N = 1000
rate_N_per_s = 40
hours = 0.1

[[steps]]
kind = "recover"
tare_N = 15
hours = 0.05

[[steps]]
kind = "hold"
load_N = 1500
rate_N_per_s = 40
hours = 0.1

[[steps]]
kind = "unload"
"""

HISTORY = "time_s,load_N\n0,1500\n28800,1500\n28801,0\n32400,0\n32401,1000\n2592000,1000\n"
GAUGE = "load_N,reading,load_before_N,direction,series\n" + "".join(
    f"{load},{5 + 0.02 * load + step:.2f},{load - 20},{way},{series}\n"
    for series, step in (("1", 0.00), ("2", 0.05), ("3", -0.05))
    for way, loads in (("up", (300, 600, 900, 1200, 1500)), ("down", (1200, 900, 600, 300)))
    for load in loads
)
READINGS = "position,tension_N,lateral_mm,radial_mm\n" + "".join(
    f"{p},{930 + 7 * (p % 5)},{0.05 * ((p % 4) - 1.5):.3f},{0.04 * ((p % 3) - 1):.2f}\n" for p in range(1, 29)
)
ORDERS = 'batch = "batch.json"\n\n[[order]]\nbuild = "build.toml"\nname = "front"\n\n[[order]]\nbuild = "build.toml"\n'
SHEET = "position,tension_N,typed,when\n" + "".join(
    f"{p},{930 + 7 * (p % 5)}.00,{930 + 7 * (p % 5)},before\n" for p in range(1, 12)
)
GAUGED = "position,reading\n" + "".join(f"{p},{24 + 0.2 * (p % 5):.1f}\n" for p in range(1, 29))
POSITIONS = "position,spoke\n" + "".join(f"{p},S1-{p:02d}\n" for p in range(1, 29))


def command(*argv: object) -> None:
    """One command line, as a user would give it; 1 (the answer is no) is an answer too."""
    status = run([str(a) for a in argv])
    if status not in (0, 1):
        raise SystemExit(f"exit status {status}: longhold {' '.join(map(str, argv))}")


def answer(path: Path, *argv: object) -> None:
    """A command's JSON answer as a file."""
    with path.open("w", encoding="utf-8") as f, contextlib.redirect_stdout(f):
        command(*argv, "--json")


def samples(into: Path) -> None:
    """All of them, in an empty folder."""
    with tempfile.TemporaryDirectory() as scratch:
        demo = Path(scratch) / "demo"
        command("demo", "--out", demo)
        for name in ("batch.json", "schedule.json", "build.toml", "frame.toml"):
            shutil.copyfile(demo / name, into / name)
        (into / "program.toml").write_text(PROGRAM, encoding="utf-8")
        night = Path(scratch) / "run.h5"
        cut_off = into / "cut-off.h5.journal"

        def keep_journal(share: float) -> None:
            """What a killed process leaves: the journal as it stands some way through, no run file."""
            if share >= 0.3 and not cut_off.exists():
                shutil.copyfile(f"{night}.journal", cut_off)

        simulated_night(
            into / "program.toml", into / "frame.toml", night, seed=3, start_utc=scene.START_UTC, progress=keep_journal
        )
        shutil.copyfile(night, into / "run.h5")
    command("export", into / "run.h5", "--out", into / "run.csv")
    (into / "history.csv").write_text(HISTORY, encoding="utf-8")
    (into / "readings.csv").write_text(READINGS, encoding="utf-8")
    (into / "positions.csv").write_text(POSITIONS, encoding="utf-8")
    (into / "gauge-readings.csv").write_text(GAUGE, encoding="utf-8")
    (into / "orders.toml").write_text(ORDERS, encoding="utf-8")
    (into / "sheet.csv").write_text(SHEET, encoding="utf-8")
    (into / "gauged.csv").write_text(GAUGED, encoding="utf-8")
    command(
        "gauge", "calibrate", into / "gauge-readings.csv", "--unit", "div", "--out", into / "gauge.json",
        "--path-mm", "0.02", "--made-on", "2026-03-02", "--batch", "S1",
    )  # fmt: skip
    wheel = into / "wheel.json"
    command(
        "wheel", "new", into / "build.toml", "--batch", into / "batch.json", "--plan", into / "schedule.json",
        "--positions", into / "positions.csv", "--out", wheel, "--now", "2026-03-02T08:00Z",
    )  # fmt: skip
    noted = ("--now", "2026-03-12T09:00Z", "--at")
    command("wheel", "note", wheel, "stretched", "--load", "1500 N", "--hours", 8, *noted, "2026-03-03T07:00Z")
    command("wheel", "note", wheel, "laced", *noted, "2026-03-03T08:00Z")
    command(
        "wheel", "note", wheel, "session", "--readings", into / "readings.csv", *noted, "2026-03-03T09:30Z"
    )  # fmt: skip
    answer(
        into / "answer.json", "retension", into / "build.toml", "--readings", into / "readings.csv",
        "--wheel", wheel, "--now", "2026-03-04T09:00Z",
    )  # fmt: skip
    for lock in into.glob(".*.lock"):
        lock.unlink()


def main() -> None:
    """The samples of the installed version."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--force", action="store_true", help="replace the samples of this version")
    force = parser.parse_args().force
    folder = HERE / version("longhold")
    if folder.exists():
        if not force:
            raise SystemExit(f"{folder} exists: a released sample is not replaced; --force before the release only")
        shutil.rmtree(folder)
    folder.mkdir()
    samples(folder)
    print(f"wrote {folder}", file=sys.stderr)


if __name__ == "__main__":
    main()
