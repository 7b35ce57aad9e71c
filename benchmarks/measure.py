"""Time and memory of one piece of work, in a process of its own."""

from __future__ import annotations

import gc
import json
import math
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One figure."""

    what: str
    figure: str  # with its unit
    beside: str = ""  # the baseline in the same run, or what was asked
    ratio: float | None = None  # baseline over ours: how many times faster


@dataclass(slots=True, kw_only=True)
class Section:
    """One table of the page."""

    title: str
    rows: list[Row] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def add(self, what: str, figure: str, beside: str = "", ratio: float | None = None) -> None:
        """One more figure."""
        self.rows.append(Row(what=what, figure=figure, beside=beside, ratio=ratio))


def timed(work: Callable[[], Any], *, least_s: float = 0.2, most: int = 50) -> float:
    """Seconds of processor time of one call, all threads together: other work on the machine hardly moves it.

    The median of as many as fit, after one that is not counted where calls are short.
    """
    gc.collect()
    once = _once(work)[0]
    if once >= least_s:
        return once
    took = [once]
    while len(took) < most and (sum(took) < least_s or len(took) < 4):
        took.append(_once(work)[0])
    return sorted(took[1:])[len(took[1:]) // 2]


def by_the_clock(work: Callable[[], Any]) -> str:
    """One call as a person who waits for it sees it, its processor time beside it."""
    gc.collect()
    cpu_s, clock_s = _once(work)
    return f"{seconds(clock_s)} by the clock ({seconds(cpu_s)} of processor)"


def _once(work: Callable[[], Any]) -> tuple[float, float]:
    begin_s, used_s = time.perf_counter(), time.process_time()
    work()
    return time.process_time() - used_s, time.perf_counter() - begin_s


def peak_MB() -> float:
    """The most memory that this process has held, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def now_MB() -> float:
    """The memory that this process holds now, MB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20


def seconds(value: float) -> str:
    """A time as a person reads it."""
    if value < 1e-3:
        return f"{value * 1e6:.0f} us"
    return f"{value * 1e3:.1f} ms" if value < 1.0 else f"{value:.1f} s"


def growth(sizes: Sequence[float], took: Sequence[float]) -> str:
    """How time grows with size: the exponent between the ends, and each point."""
    power = math.log(took[-1] / took[0]) / math.log(sizes[-1] / sizes[0])
    points = ", ".join(f"{n:g}: {seconds(t)}" for n, t in zip(sizes, took, strict=True))
    return f"size^{power:.2f} ({points})"


def in_own_process(module: str) -> tuple[Section, float]:
    """Run ``python -m benchmarks.<module>``; its section and its peak memory in MB."""
    done = subprocess.run(
        [sys.executable, "-m", f"benchmarks.{module}"],
        cwd=ROOT,
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        raise SystemExit(f"benchmarks.{module}:\n{done.stderr}")
    content = json.loads(done.stdout.splitlines()[-1])
    section = Section(title=content["title"], rows=[Row(**r) for r in content["rows"]], notes=content["notes"])
    return section, content["peak_MB"]


def hand_over(section: Section) -> None:
    """Print a section for `in_own_process`."""
    print(json.dumps({**asdict(section), "peak_MB": peak_MB()}))
