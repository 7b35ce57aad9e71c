"""Writes docs/licences.md: the licence of everything that the installed program brings along, from its metadata.

    python release/licences.py [--check]

Run it where the program is installed. `--check` writes nothing and ends with status 1 if the page is not up to date.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Iterator
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement

PAGE = Path(__file__).parents[1] / "docs" / "licences.md"
EXTRAS = ("", "alerts", "browser", "cluster", "docs")  # what a user may install; the test extra never comes along

HEAD = """\
# Licences

longhold itself is under the MIT licence (`LICENSE`). What it needs to run comes from others, under licences of their
own, as each states in its metadata. This page is written by `release/licences.py`.

| package | licence | needed for |
| --- | --- | --- |
"""
# where the metadata hold a whole text or a loose word, what that text is
SAID = (
    ("Kiwi licensing terms", "BSD-3-Clause"),
    ("License agreement for matplotlib", "matplotlib licence (PSF-based, BSD-compatible)"),
    ("matplotlib project", "BSD-3-Clause"),
    ("Enthought", "BSD-3-Clause"),
    ("Revised BSD", "BSD-3-Clause"),
    ("BSD license (see", "BSD-3-Clause"),
    ("BSD 3-Clause", "BSD-3-Clause"),
)


def needed(name: str, extra: str, seen: set[str]) -> Iterator[Distribution]:
    """What is installed because of a package and one of its extras, each once."""
    for line in distribution(name).requires or []:
        requirement = Requirement(line)
        if requirement.marker is not None and not requirement.marker.evaluate({"extra": extra}):
            continue
        key = re.sub(r"[-_.]+", "-", requirement.name).lower()
        if key in seen:
            continue
        seen.add(key)
        try:
            found = distribution(requirement.name)
        except PackageNotFoundError:
            print(f"not installed, left out: {requirement.name}", file=sys.stderr)
            continue
        yield found
        for more in ("", *sorted(requirement.extras)):
            yield from needed(requirement.name, more, seen)


def licence(package: Distribution) -> str:
    """In one word, as the metadata state it."""
    meta = package.metadata
    expression = meta.get("License-Expression")
    if expression:
        return expression
    text = " ".join((meta.get("License") or "").split())
    for words, name in SAID:
        if words in text:
            return name
    if 0 < len(text) < 40 and text != "UNKNOWN":
        return text
    for line in meta.get_all("Classifier") or []:
        if line.startswith("License :: OSI Approved :: "):
            return line.rpartition(" :: ")[2]
    raise SystemExit(f"{package.name} states no licence: look at it, and say it here")


def page() -> str:
    """The whole page. Versions are left out: they are in requirements.lock."""
    seen = {"longhold"}
    rows = []
    for extra in EXTRAS:
        found = sorted(needed("longhold", extra, seen), key=lambda d: d.name.lower())
        rows += [f"| {d.name} | {licence(d)} | {extra or 'the program'} |" for d in found]
    return HEAD + "\n".join(rows) + "\n"


def main() -> int:
    """Write, or compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true")
    text = page()
    if parser.parse_args().check:
        if PAGE.read_text(encoding="utf-8") != text:
            print(f"{PAGE.name} is not up to date: run release/licences.py", file=sys.stderr)
            return 1
        return 0
    PAGE.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
