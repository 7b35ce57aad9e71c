"""Many at once through the command line, on all cores: an archive of nights fitted, an order book planned."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from benchmarks.measure import Section, hand_over, seconds
from benchmarks.planning import SAMPLES
from tests.blind.hidden import draw_batch
from tests.blind.night import programs, run_night, write_csv

NIGHTS, BUILDS = 8, 8
LENGTH_MM = 285.0
WEAK_RIM = "[wheel.rim]\narea_mm2 = 60\nout_of_plane_inertia_mm4 = 50\ntorsion_constant_mm4 = 50\n"
ARCHIVE = 500  # a maker's
BOOK = 200  # a shop's


def archive(folder: Path) -> list[str]:
    """Nights of hidden batches, four spokes each, one row in 10 s."""
    files = []
    for seed in range(NIGHTS):
        segments = programs(np.random.default_rng([seed, 24]))[1]
        records, _ = run_night(draw_batch(seed, nasty=False), segments, "0.1 Hz", LENGTH_MM, seed)
        files.append(f"night{seed}.csv")
        write_csv(folder / files[-1], records, LENGTH_MM, "full")
    return files


def order_book(folder: Path) -> None:
    """Builds that differ in their target, one of them with a rim too weak for any, in ``folder``/book."""
    text = (SAMPLES / "build.toml").read_text(encoding="utf-8")
    line = next(row for row in text.splitlines() if row.startswith("target_N"))
    (folder / "book").mkdir()
    for k in range(BUILDS):
        one = text.replace(line, f"target_N = {860 + 15 * k}")
        if k == 0:
            one = one.replace("[wheel.rim]\n", WEAK_RIM)
        (folder / "book" / f"{k:02d}.toml").write_text(one, encoding="utf-8")


def command(folder: Path, *arguments: str) -> tuple[int, float, float]:
    """Exit status of the command, and its time by the clock and on the processor with all below it, s."""
    before, begin_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    program = [sys.executable, "-c", "import sys; from tui.cli import run; sys.exit(run(sys.argv[1:]))"]
    done = subprocess.run([*program, *arguments], cwd=folder, capture_output=True, text=True, check=False)
    clock_s, after = time.perf_counter() - begin_s, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 1):
        raise SystemExit(done.stderr)
    return done.returncode, clock_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def figure(count: int, one: str, clock_s: float, cpu_s: float) -> str:
    """Seconds for one of many, and how much of the cores that took."""
    cores = os.cpu_count() or 1
    used = f"{seconds(cpu_s / count)} of processor, {100.0 * cpu_s / clock_s / cores:.0f} % of {cores} cores"
    return f"{seconds(clock_s / count)} {one} by the clock ({used})"


def main() -> None:
    """An archive and an order book, each small, and what a whole one would take."""
    section = Section(title="Many at once")
    with tempfile.TemporaryDirectory(prefix="longhold-archives-") as scratch:
        folder = Path(scratch)
        files = archive(folder)
        _, clock_s, cpu_s = command(folder, "fit", *files, "--each", "--out", "batches")
        whole = len(list((folder / "batches").glob("*.json")))
        section.add(
            f"`longhold fit --each` on {NIGHTS} nights of four spokes ({whole} fitted)",
            figure(NIGHTS, "a batch", clock_s, cpu_s),
            f"{ARCHIVE} batches would take {ARCHIVE * clock_s / NIGHTS / 60:.0f} min",
        )
        order_book(folder)
        batch = str(SAMPLES / "batch.json")
        status, clock_s, cpu_s = command(folder, "plan", "--orders", "book", "--batch", batch, "--out", "plans")
        whole = len(list((folder / "plans").glob("*/schedule.json")))
        said = len(list((folder / "plans").glob("*/plan.txt"))) - whole
        section.add(
            f"`longhold plan --orders` on {BUILDS} builds, 1000 draws each ({whole} planned, {said} told why not)",
            figure(BUILDS, "a build", clock_s, cpu_s),
            f"{BOOK} builds would take {BOOK * clock_s / BUILDS / 60:.0f} min; exit {status}",
        )
    section.notes.append(
        "Each is one command in a process of its own, its start and that of its workers counted in: a longer list does "
        "a little better. One of the builds has a rim that is too weak; it ends no other."
    )
    hand_over(section)


if __name__ == "__main__":
    main()
