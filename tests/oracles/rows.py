"""The list of checks from outside (README.md beside this file) as rows, and which tests each row names."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
COLUMNS = ("source", "where in it", "value", "tolerance", "how known", "test")


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One published or independently computed value, and the tests that hold the project to it."""

    section: str
    source: str
    where: str
    value: str
    tolerance: str
    known: str
    tests: tuple[tuple[Path, str, str], ...]  # file, function, part of the parameters' id (may be empty)


def rows_of(text: str) -> list[Row]:
    """The rows of README.md's tables, in order."""
    rows, section = [], ""
    for line in text.splitlines():
        if line.startswith("## "):
            section = line[3:].strip()
        if not line.startswith("| ") or line.startswith(("| ---", "| source")):
            continue
        cells = [c.strip() for c in line.strip().strip("|").split(" | ")]
        if len(cells) != len(COLUMNS):
            raise ValueError(f"not {len(COLUMNS)} columns: {line}")
        rows.append(
            Row(
                section=section,
                source=cells[0],
                where=cells[1],
                value=cells[2],
                tolerance=cells[3],
                known=cells[4],
                tests=tuple(_test_of(name) for name in cells[5].split(", ")),
            )
        )
    return rows


def _test_of(name: str) -> tuple[Path, str, str]:
    """``file.py::function[part of the id]``, the file counted from this folder."""
    file, _, rest = name.partition("::")
    function, _, parameters = rest.partition("[")
    return (HERE / file).resolve(), function, parameters.rstrip("]")


def listed() -> list[Row]:
    """The rows of the list as it stands."""
    return rows_of((HERE / "README.md").read_text(encoding="utf-8"))
