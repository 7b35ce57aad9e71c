"""Runs every benchmark, each in a process of its own, and writes docs/benchmarks.md.

    python -m benchmarks [--only NAME ...] [--print]

Run it on a quiet machine: times move with what else runs; ratios within one run hold.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
from importlib.metadata import version

from benchmarks.measure import ROOT, Section, in_own_process

MODULES = ("stepping", "fitting", "planning", "archives", "frames", "recording", "watching", "starting")

HEAD = """\
# Benchmarks

<!-- written by `python -m benchmarks` -->

Measured with {python}, numpy {numpy}, scipy {scipy} on {cores} cores ({machine}). {shared}

Times are processor time, all threads of a process together, unless it says *by the clock*: what else runs on the
machine moves them less. A ratio was measured in one run, the baseline beside ours; *times faster* is the baseline's
time over ours. *asked* is what the program is meant to reach. size^1 is growth in proportion.
"""

TAIL = """
## Where the time goes, and which limit is physical

- **A night takes a night.** Creep under load runs on the spoke's own clock; nothing here shortens it. What planning can
  save is a second night.
- **A serial line** takes 11 bits for each octet and a silence between frames: at 9600 baud a tick cannot be shorter
  than its frames, whatever computer reads them. More stations or a faster tick want a faster line or TCP.
- **A tick** over TCP is a few milliseconds of link and Python. The frame's own shortest tick and the drive's deadman
  decide; one core is enough.
- **Recording** writes one record a station and sample; a thread of its own syncs them each second, and no tick waits
  for the disk. What a power cut can take is what came since that sync.
- **A fit** turns samples into bins, which grows with hours x rate x spokes; comparing the laws is least squares on a
  few hundred rows a spoke, whatever the rate was.
- **A plan** draws spokes and leads them through candidate schedules. It grows with draws, and hardly with the horizon,
  because steps grow with time. The error of a claimed probability falls with the root of the draws: four times the work
  for half the error. What one night cannot tell about a batch no number of draws can mend.
- **Watching** is drawing text; what is read is only what is new.
- **Starting** a command is mostly importing what it needs; that is why each command imports within its body.
"""


def table(section: Section, peak_MB: float) -> str:
    """One section as Markdown."""
    lines = [f"\n## {section.title}\n", "| what | measured | beside it | times faster |", "| --- | --- | --- | --- |"]
    for r in section.rows:
        ratio = "" if r.ratio is None else f"{r.ratio:.3g}"
        lines.append(f"| {r.what} | {r.figure} | {r.beside} | {ratio} |")
    lines += ["", *section.notes, f"Peak memory of this part: {peak_MB:.0f} MB."]
    return "\n".join(lines) + "\n"


def head(load: float) -> str:
    """On what it was measured; ``load``: processes that wanted a core when it began."""
    cores = os.cpu_count() or 1
    quiet = load < 0.3 * cores
    return HEAD.format(
        python=f"Python {platform.python_version()}", numpy=version("numpy"), scipy=version("scipy"), cores=cores,
        machine=f"{platform.system()} {platform.machine()}",
        shared="Nothing else was running." if quiet else
        f"The machine was shared: {load:.0f} processes wanted a core when it began: each *by the clock* is too long.",
    )  # fmt: skip


def main() -> int:
    """The whole page, or parts of it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", choices=MODULES, nargs="+", default=MODULES)
    parser.add_argument("--print", action="store_true", help="print, and write nothing")
    given = parser.parse_args()
    before, parts = os.getloadavg()[0], []
    for name in given.only:
        print(f"{name} ...", file=sys.stderr, flush=True)
        parts.append(table(*in_own_process(name)))
    page = head(before) + "".join(parts) + TAIL
    if given.print or tuple(given.only) != MODULES:
        print(page)
    else:
        (ROOT / "docs" / "benchmarks.md").write_text(page, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
