"""Writes what is written by machine in the docs.

    python docs/make.py             the reference pages and the explanation's tables, from the code
    python docs/make.py --check     writes nothing; exit status 1 if a page is not up to date
    python docs/make.py --tutorial  the outputs in tutorial.md, by running every command of it (two minutes)
    python docs/make.py --tutorial --check [--demo DIR]
                                    runs them too, writes nothing; exit status 1 if what they print has other words or
                                    lines than the page (numbers may differ). DIR: a finished demo to use, with what
                                    it printed in DIR.txt, so that it need not run again

A page is plain Markdown: it reads as it is, and `mkdocs build` (the `docs` extra) makes a site of it.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))  # the files beside this one; docs/ is no package

import console  # noqa: E402
import explained  # noqa: E402
import reference_pages  # noqa: E402


def main() -> int:
    """Write or compare."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--tutorial", action="store_true")
    parser.add_argument("--demo", type=Path)
    given = parser.parse_args()
    if given.tutorial:
        return tutorial(given.check, given.demo)
    stale = []
    pages = {HERE / "reference" / name: page() for name, page in reference_pages.PAGES.items()}
    explanation = HERE / "explanation.md"
    pages[explanation] = explained.filled(explanation.read_text(encoding="utf-8"))
    for path, text in pages.items():
        if not given.check:
            path.write_text(text, encoding="utf-8")
        elif not path.exists() or path.read_text(encoding="utf-8") != text:
            stale.append(str(path.relative_to(HERE)))
    if given.check:
        stale += [f"{page}: {wrong}" for page, wrong in console.unknown_commands(HERE.parent)]
    for one in stale:
        print(f"not up to date: {one}", file=sys.stderr)
    return 1 if stale else 0


def tutorial(check: bool, demo: Path | None) -> int:
    """Run the tutorial; write what it printed, or say where its words differ."""
    path = HERE / "tutorial.md"
    old = path.read_text(encoding="utf-8")
    new = console.run_page(old, HERE, demo)
    if not check:
        path.write_text(new, encoding="utf-8")
        return 0
    differs = console.stale(old, new)
    if differs:
        print(*differs, "the tutorial prints something else now: read it, then docs/make.py --tutorial", sep="\n")
    return 1 if differs else 0


if __name__ == "__main__":
    sys.exit(main())
