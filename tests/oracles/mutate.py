"""Moves every expected value of every listed check by ten times its tolerance and counts the tests that do not notice.

    python -m tests.oracles.mutate [--row WORD]

A comparison is a mutant's place: the k-th time that a test asserts ``ours == expected`` (with `pytest.approx`, or
exactly, where the smallest change counts) or calls `numpy.testing.assert_allclose`. The test is run whole again with that
one value moved; of an array its first, largest and last element are moved, one at a time. Up and down both. Of a test
that takes seconds (a stiff solver, a frame, a property over many inputs) the first two comparisons are moved.
"""

from __future__ import annotations

import argparse
import ast
import sys
import time
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

import _pytest.assertion.rewrite as rewriting
import numpy as np
import pytest
from _pytest.python_api import ApproxBase
from _pytest.runner import runtestprotocol

from tests.oracles.rows import Row, listed

SLOW_S = 1.0  # of processor


class Switch:
    """Which comparison of the test that runs now is to be moved, and how."""

    place: int | None = None  # None: nothing, count only
    element: int = 0
    up: bool = True
    seen: list[int]  # elements of each comparison, in the order in which they came
    depth_of_repeats = 40  # a comparison within a long loop is moved the first times only

    def __init__(self) -> None:
        self.seen = []


SWITCH = Switch()


def elements(value: Any) -> list[Any]:
    """Ways to point at one part of an expected value: () for a scalar, an index for first, largest and last."""
    if isinstance(value, ApproxBase):
        value = value.expected
    if isinstance(value, dict):
        return list(value)[:1] + list(value)[1:][-1:]
    if isinstance(value, np.ndarray | list | tuple) and np.shape(value):
        flat = np.asarray(value).ravel() if not isinstance(value, np.ndarray) else value.ravel()
        if flat.size == 0:
            return [()]
        at = {0, flat.size - 1}
        if flat.dtype.kind in "fiu":
            at.add(int(np.argmax(np.abs(flat))))
        return [np.unravel_index(i, np.shape(value)) for i in sorted(at)]
    return [()]


def smallest(value: Any, up: bool) -> Any:
    """An exact value changed as little as it can be."""
    if isinstance(value, bool) or value is None:
        return not value
    if isinstance(value, int):
        return value + (1 if up else -1)
    if isinstance(value, float | np.floating):
        return float(value) + (10.0 if up else -10.0) * float(np.spacing(abs(value)))
    if isinstance(value, str):
        return (value[:-1] + chr(ord(value[-1]) ^ 1)) if value else "x"
    if isinstance(value, bytes):
        return (value[:-1] + bytes([value[-1] ^ 1])) if value else b"x"
    if isinstance(value, tuple | list) and value:
        where = 0 if up else len(value) - 1
        changed = list(value)
        changed[where] = smallest(changed[where], up)
        return type(value)(changed) if type(value) in (tuple, list) else tuple(changed)
    return object()


def shifted(value: float, rel: float | None, tol: float | None, up: bool, default: float = 1e-6) -> float:
    """A number moved by ten times its tolerance as `pytest.approx` reckons it."""
    room = max(tol or 0.0, (rel if rel is not None else (0.0 if tol is not None else default)) * abs(value), 0.0)
    if rel is None and tol is None:
        room = max(room, 1e-12)
    return value + (10.0 if up else -10.0) * max(room, float(np.spacing(abs(value) or 1.0)))


def changed(value: Any, where: Any, rel: float | None, tol: float | None, up: bool) -> Any:
    """One part of a number, list, dictionary or array moved by ten times its tolerance."""
    if isinstance(value, dict):
        return {k: (shifted(float(v), rel, tol, up) if k == where else v) for k, v in value.items()}
    if where == ():
        return shifted(float(value), rel, tol, up)
    array = np.array(value, dtype=float)
    array[where] = shifted(float(array[where]), rel, tol, up)
    return array if isinstance(value, np.ndarray) else array.tolist()


def turn() -> tuple[bool, int]:
    """Whether the comparison that comes now is the one to move."""
    SWITCH.seen.append(1)
    return SWITCH.place == len(SWITCH.seen) - 1, SWITCH.element


def mutated(value: Any) -> Any:
    """What stands on the right of ``==`` in an assertion; changed where it is this one's turn."""
    mine, element = turn()
    where = elements(value)
    SWITCH.seen[-1] = len(where)
    if not mine:
        return value
    if isinstance(value, ApproxBase):
        moved = changed(value.expected, where[element], value.rel, value.abs, SWITCH.up)
        return REAL_APPROX(moved, rel=value.rel, abs=value.abs, nan_ok=value.nan_ok)
    if isinstance(value, np.ndarray):
        return changed(value, where[element], 0.0, 0.0, SWITCH.up)
    return smallest(value, SWITCH.up)


def close(actual: Any, desired: Any, rtol: float = 1e-7, atol: float = 0.0, **more: Any) -> None:
    """`numpy.testing.assert_allclose`, its expected value changed where it is this one's turn."""
    mine, element = turn()
    where = elements(np.asarray(desired))
    SWITCH.seen[-1] = len(where)
    if mine:
        array = np.asarray(desired, dtype=float)
        point = where[element]
        room = atol + rtol * abs(float(array[point]))
        array = array.copy()
        array[point] += (10.0 if SWITCH.up else -10.0) * room
        desired = array
    REAL_CLOSE(actual, desired, rtol=rtol, atol=atol, **more)


class Places(ast.NodeTransformer):
    """Wraps what is expected in ``assert ours == expected``."""

    def visit_Assert(self, node: ast.Assert) -> ast.Assert:
        node.test = self.within(node.test)
        return node

    def within(self, test: ast.expr) -> ast.expr:
        if isinstance(test, ast.BoolOp) and isinstance(test.op, ast.And):
            test.values = [self.within(v) for v in test.values]
        if isinstance(test, ast.Compare) and all(isinstance(op, ast.Eq) for op in test.ops):
            call = ast.Call(func=ast.Name(id="__moved__", ctx=ast.Load()), args=[test.comparators[-1]], keywords=[])
            test.comparators[-1] = ast.fix_missing_locations(ast.copy_location(call, test.comparators[-1]))
        return test


TESTS = Path(__file__).parents[1]
REAL_APPROX, REAL_CLOSE, REAL_REWRITE = pytest.approx, np.testing.assert_allclose, rewriting.rewrite_asserts


def rewrite(tree: ast.Module, source: bytes, module_path: str | None = None, config: Any = None) -> None:
    """Only our own tests are changed, not what other packages assert."""
    if module_path is not None and TESTS in Path(module_path).parents:
        Places().visit(tree)
    REAL_REWRITE(tree, source, module_path, config)


class Sibling:
    """Some other test of the same module comes next: what the test itself set up is torn down, the module's stays."""

    def __init__(self, item: pytest.Item) -> None:
        self.item = item

    def listchain(self) -> list[Any]:
        return list(self.item.listchain()[:-1])


class Runner:
    """A pytest plugin: each test once as it is, then once for each mutant."""

    def __init__(self) -> None:
        self.killed: Counter[str] = Counter()
        self.lived: dict[str, list[str]] = defaultdict(list)
        self.broken: list[str] = []

    def once(self, item: pytest.Item, place: int | None, element: int = 0, up: bool = True) -> bool:
        """Whether the test passes."""
        SWITCH.place, SWITCH.element, SWITCH.up, SWITCH.seen = place, element, up, []
        reports = runtestprotocol(item, nextitem=Sibling(item), log=False)  # type: ignore[arg-type]
        return all(r.passed for r in reports)

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        for number, item in enumerate(session.items):
            begin_s = time.process_time()
            passed = self.once(item, None)
            slow = time.process_time() - begin_s > SLOW_S
            if not passed:
                self.broken.append(item.nodeid)
                SWITCH.seen = []
            counts = list(SWITCH.seen)
            for place, parts in enumerate(counts[: 2 if slow else SWITCH.depth_of_repeats]):
                for element in range(parts):
                    for up in (True, False):
                        if self.once(item, place, element, up):
                            way = "up" if up else "down"
                            self.lived[item.nodeid].append(f"comparison {place + 1}, part {element + 1}, {way}")
                        else:
                            self.killed[item.nodeid] += 1
            rest = session.items[number + 1 :]
            if rest and rest[0].parent is not item.parent:
                session._setupstate.teardown_exact(rest[0])
            print(f"\r{number + 1}/{len(session.items)}", end="", file=sys.stderr, flush=True)
        print(file=sys.stderr)
        return True


def of_row(row: Row, nodeids: list[str]) -> list[str]:
    """The test cases that a row names."""
    found = []
    for file, function, parameters in row.tests:
        for nodeid in nodeids:
            name, _, case = nodeid.rpartition("::")[2].partition("[")
            folder = nodeid.partition("::")[0].rpartition("/")[2]
            exact = f"{parameters}]" == case or (parameters.endswith("-") and case.startswith(parameters))
            if folder == file.name and name == function and (not parameters or exact):
                found.append(nodeid)
    return found


def main() -> int:
    """The table on stdout: a row each, mutants killed of mutants made; exit status 1 if any lived or none was made."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--row", default="", help="only rows in which this word stands")
    word = parser.parse_args().row
    rows = [r for r in listed() if word in f"{r.section} {r.source} {r.where} {r.tests}"]
    names = sorted(
        {f"{file}::{function}" for r in rows for file, function, _ in r.tests},
        key=lambda name: ("/oracles/" not in name, "/bench/" in name, name),  # solvers and frames are slow: last
    )
    sys.dont_write_bytecode = True
    rewriting._read_pyc = lambda *_, **__: None  # type: ignore[assignment]
    rewriting.rewrite_asserts = rewrite
    np.testing.assert_allclose = close
    import builtins

    builtins.__moved__ = mutated  # type: ignore[attr-defined]
    runner = Runner()
    pytest.main(["-q", "-p", "no:cacheprovider", "--no-header", "--show-capture=no", *names], plugins=[runner])
    cases = sorted({*runner.killed, *runner.lived})
    print("| check | where in it | mutants killed | of |\n| --- | --- | --- | --- |")
    bad = list(runner.broken)
    for row in rows:
        mine = of_row(row, cases)
        killed = sum(runner.killed[c] for c in mine)
        made = killed + sum(len(runner.lived.get(c, [])) for c in mine)
        print(f"| {row.source} | {row.where} | {killed} | {made} |")
        if killed < made or not made:
            bad.append(f"{row.source}, {row.where}")
    total = sum(runner.killed.values()) + sum(map(len, runner.lived.values()))
    caught = sum(runner.killed.values())
    print(f"\n{len(rows)} rows, {len(cases)} test cases, {total} mutants, {caught} killed")
    for case, which in runner.lived.items():
        print(f"lived: {case}: {'; '.join(which)}")
    for case in runner.broken:
        print(f"failed before any change: {case}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
