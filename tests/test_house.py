"""The house is kept: short files that say what they are for, no circles, every package listed, no paths of a machine."""

from __future__ import annotations

import ast
import re
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("bench", "models", "planner", "tui")
LONGEST = 400  # lines; of a test too: what is longer tests more than one thing
REASON = "Long because"  # in what stands at the top of a file that is longer
ELSEWHERE = ("tests", "benchmarks", "release", "docs", "datasets")


def sources() -> list[Path]:
    return sorted(p for top in (*PACKAGES, *ELSEWHERE) for p in (ROOT / top).rglob("*.py"))


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", sources(), ids=lambda p: str(p.relative_to(ROOT)))
def test_a_file_says_in_its_first_line_what_it_is_for_and_is_short(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    lines = text.splitlines()
    if not lines:  # a package of tests
        assert path.name == "__init__.py"
        return
    purpose = ast.get_docstring(tree_of(path))
    assert purpose, "a file begins with one sentence in quotes"
    if len(lines) > LONGEST:
        assert REASON in purpose, f"{len(lines)} lines, at most {LONGEST}: part it, or say at its top '{REASON} ...'"


def test_every_package_is_listed_for_installation() -> None:
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["packages"]
    there = {".".join(p.parent.relative_to(ROOT).parts) for top in PACKAGES for p in (ROOT / top).rglob("__init__.py")}
    folders = {".".join(p.parent.relative_to(ROOT).parts) for top in PACKAGES for p in (ROOT / top).rglob("*.py")}
    assert set(listed) == there == folders


def test_the_version_stands_in_one_place() -> None:
    version = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    again = [p for top in PACKAGES for p in (ROOT / top).rglob("*.py") if f'"{version}"' in p.read_text("utf-8")]
    assert again == []


def imported(path: Path) -> Iterator[str]:
    """Modules of our own that a file imports when it is loaded: not within functions, not for type checkers only."""

    def within(body: list[ast.stmt]) -> Iterator[str]:
        for node in body:
            if isinstance(node, ast.Import):
                yield from (a.name for a in node.names)
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                yield node.module
                yield from (f"{node.module}.{a.name}" for a in node.names)
            elif isinstance(node, ast.If) and "TYPE_CHECKING" not in ast.unparse(node.test):
                yield from within([*node.body, *node.orelse])
            elif isinstance(node, ast.Try):
                yield from within([*node.body, *node.orelse, *node.finalbody])

    return within(tree_of(path).body)


def test_no_file_imports_itself_by_way_of_others() -> None:
    files = {
        ".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): p
        for top in PACKAGES
        for p in (ROOT / top).rglob("*.py")
    }
    graph = {name: {m for m in imported(path) if m in files and m != name} for name, path in files.items()}
    done: set[str] = set()

    def circle_from(name: str, way: list[str]) -> list[str]:
        if name in way:
            return [*way[way.index(name) :], name]
        if name in done:
            return []
        for other in sorted(graph[name]):
            found = circle_from(other, [*way, name])
            if found:
                return found
        done.add(name)
        return []

    for name in sorted(graph):
        assert circle_from(name, []) == []


def test_whatever_a_file_offers_says_what_it_is() -> None:
    bare = [
        f"{path.relative_to(ROOT)}: {node.name}"
        for top in PACKAGES
        for path in (ROOT / top).rglob("*.py")
        for node in tree_of(path).body
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
        and not node.name.startswith("_")
        and not ast.get_docstring(node)
    ]
    assert bare == []


def code_lines(path: Path) -> list[tuple[int, str]]:
    """(number, text) without blanks, brackets alone, imports, docstrings and the parameters of functions."""
    text = path.read_text(encoding="utf-8")
    skip: set[int] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import | ast.ImportFrom | ast.arg):
            skip.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
        elif isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) and (
            ast.get_docstring(node)
        ):
            skip.update(range(node.body[0].lineno, (node.body[0].end_lineno or 0) + 1))
    numbered = ((i, line.strip()) for i, line in enumerate(text.splitlines(), 1) if i not in skip)
    return [(i, line) for i, line in numbered if len(line) > 1]


def test_no_six_lines_stand_in_two_places() -> None:
    """Items of a call or a table (lines that end in a comma) are no logic, and may look alike."""
    places: dict[tuple[str, ...], str] = {}
    twice = []
    for path in sorted(p for top in PACKAGES for p in (ROOT / top).rglob("*.py")):
        lines = code_lines(path)
        for k in range(len(lines) - 5):
            six = tuple(text for _, text in lines[k : k + 6])
            here = f"{path.relative_to(ROOT)}:{lines[k][0]}"
            if places.setdefault(six, here) != here and not all(line.endswith(",") for line in six):
                twice.append(f"{places[six]} and {here}")
    assert twice == []


def test_no_file_names_a_place_on_somebodys_machine() -> None:
    named = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if named.returncode != 0:
        pytest.skip("not a checkout")
    found = []
    for name in filter(None, named.stdout.split("\0")):
        path = ROOT / name
        if path.suffix in (".h5", ".png", ".journal", ".dat", ".gz") or not path.is_file():
            continue
        text = path.read_text(encoding="utf-8", errors="replace")
        found += [f"{name}: {m.group()}" for m in re.finditer(r"(?<![\w.~])/(home|root|work|opt|Users)/\w+", text)]
    assert found == []


def links(page: Path) -> Iterator[str]:
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    yield from re.findall(r"\]\(([^)\s]+)\)", text)


@pytest.mark.parametrize(
    "page", sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")]), ids=lambda p: str(p.relative_to(ROOT))
)
def test_a_link_in_the_docs_leads_somewhere(page: Path) -> None:
    for link in links(page):
        if "://" in link or link.startswith(("#", "mailto:")):
            continue
        file, _, heading = link.partition("#")
        target = (page.parent / file).resolve()
        assert target.exists(), link
        if heading and target.suffix == ".md":
            names = [
                re.sub(r"[^\w\- ]", "", h.strip().lower()).replace(" ", "-")
                for h in re.findall(r"^#+ (.+)$", target.read_text(encoding="utf-8"), flags=re.MULTILINE)
            ]
            assert heading in names, link
