"""The list of checks from outside: every row names a test that exists and a value that stands in it."""

from __future__ import annotations

import ast
import re
from collections import Counter

import pytest

from tests.oracles.rows import Row, listed

ROWS = listed()


def functions(file: object) -> set[str]:
    tree = ast.parse(file.read_text(encoding="utf-8"))  # type: ignore[attr-defined]
    return {n.name for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)}


def test_there_are_at_least_sixty_checks_over_every_part_of_the_work() -> None:
    parts = Counter(r.section for r in ROWS)
    assert len(ROWS) >= 60
    wanted = {"Creep", "Statistics", "Calibration of force", "Modbus", "Wheel and ring", "Geometry", "File formats"}
    assert wanted <= set(parts) and min(parts.values()) >= 3


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"{r.source[:30]}: {r.where[:30]}")
def test_every_row_says_how_its_value_is_known_and_names_a_test_that_exists(row: Row) -> None:
    assert re.match(r"(read|memory, (high|medium|low)|computed|run|exact|trade)\b", row.known)
    for file, function, _ in row.tests:
        assert file.is_file()
        assert function in functions(file)
