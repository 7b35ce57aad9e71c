"""Writes requirements.lock: the exact versions that the program was tried with, to install it again in the same way.

    python release/lock.py [--hashes] [--out requirements.lock]

The installer itself resolves the dependencies of this folder, freshly, and installs nothing. Run it on the oldest
supported Python: its versions install on the newer ones as well. With `--hashes` only the very files of this platform
are accepted later, so that is for a fleet of like machines.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
HEAD = """\
# Written by release/lock.py on Python {python}.
# Install: pip install -r requirements.lock && pip install --no-deps .
"""


def resolved() -> list[dict[str, Any]]:
    """Every package that an installation of this folder would bring, itself left out."""
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "install",
            "--quiet",
            "--dry-run",
            "--ignore-installed",
            "--report",
            "-",
            str(ROOT),
        ],
        check=True,
        capture_output=True,
        text=True,
    )
    found: list[dict[str, Any]] = json.loads(done.stdout)["install"]
    return [one for one in found if one["metadata"]["name"] != "longhold"]


def main() -> int:
    """One line a package, by name."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hashes", action="store_true")
    parser.add_argument("--out", type=Path, default=ROOT / "requirements.lock")
    given = parser.parse_args()
    lines = []
    for one in resolved():
        name = re.sub(r"[-_.]+", "-", one["metadata"]["name"]).lower()
        line = f"{name}=={one['metadata']['version']}"
        if given.hashes:
            line += f" --hash=sha256:{one['download_info']['archive_info']['hashes']['sha256']}"
        lines.append(line)
    python = ".".join(map(str, sys.version_info[:2]))
    given.out.write_text(HEAD.format(python=python) + "\n".join(sorted(lines)) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
