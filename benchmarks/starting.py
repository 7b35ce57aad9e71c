"""How long the command line takes to begin, and what it loads."""

from __future__ import annotations

import json
import resource
import subprocess
import sys

from benchmarks.measure import Section, hand_over, seconds

HEAVY = (
    "numpy",
    "scipy",
    "pandas",
    "lmfit",
    "h5py",
    "matplotlib",
    "textual",
    "pymodbus",
    "pydantic",
    "icalendar",
    "reportlab",
)
CODE = """
import json, sys
sys.argv = ["longhold", *{argv!r}]
from tui.cli import run
try:
    status = run(sys.argv[1:])
finally:
    print(json.dumps([m for m in {heavy!r} if m in sys.modules]), file=sys.stderr)
"""


def cpu_s(argv: list[str]) -> tuple[float, list[str]]:
    """CPU time of a command in a new interpreter, the least of five, and which heavy packages it loaded."""
    least, loaded = 1e9, []
    for _ in range(5):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = subprocess.run(argv, capture_output=True, text=True, check=False)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        least = min(least, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        if done.stderr.strip().startswith("[") or "\n[" in done.stderr:
            loaded = json.loads(done.stderr.strip().splitlines()[-1])
    return least, loaded


def main() -> None:
    """Help, version, doctor, and what they load."""
    section = Section(title="Starting")
    bare, _ = cpu_s([sys.executable, "-c", "pass"])
    everything, _ = cpu_s([sys.executable, "-c", f"import {', '.join(HEAVY)}"])
    for words, asked in (("--help", "asked: under 0.4 s; "), ("plan --help", ""), ("wheel next --help", "")):
        took, loaded = cpu_s([sys.executable, "-c", CODE.format(argv=words.split(), heavy=HEAVY)])
        heavy = ", ".join(loaded) or "none"
        section.add(f"`longhold {words}`", f"{seconds(took)} of CPU", f"{asked}heavy packages: {heavy}")
    section.add("an empty interpreter", f"{seconds(bare)} of CPU")
    section.add("importing every heavy package", f"{seconds(everything)} of CPU", "a command that needs all")
    hand_over(section)


if __name__ == "__main__":
    main()
