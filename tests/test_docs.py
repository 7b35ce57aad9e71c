"""The docs are up to date: pages written from the code, commands that exist, a tutorial whose comparison bites."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from bench.machine import STATION_TABLE, StationState

DOCS = Path(__file__).parents[1] / "docs"
OURS = ("console", "explained", "make", "meanings", "reference_bench", "reference_pages", "state_diagram")


@pytest.fixture(scope="module")
def docs() -> Iterator[Any]:
    """The files beside the pages, as modules; docs/ is no package."""
    sys.path.insert(0, str(DOCS))
    try:
        yield {name: importlib.import_module(name) for name in OURS}
    finally:
        sys.path.remove(str(DOCS))
        for name in OURS:
            sys.modules.pop(name, None)


@pytest.fixture
def console(docs: dict[str, ModuleType]) -> Any:
    return docs["console"]


@pytest.mark.parametrize("name", sorted(p.name for p in (DOCS / "reference").iterdir()))
def test_a_reference_page_says_what_the_code_says(name: str, docs: dict[str, Any]) -> None:
    """After a wanted change: python docs/make.py"""
    assert (DOCS / "reference" / name).read_text(encoding="utf-8") == docs["reference_pages"].PAGES[name]()


def test_the_tables_of_the_explanation_are_what_the_equations_give(docs: dict[str, Any]) -> None:
    page = (DOCS / "explanation.md").read_text(encoding="utf-8")
    assert docs["explained"].filled(page) == page
    assert [name for _, name, _ in docs["explained"].MARKED.findall(page)] == ["parts", "mornings", "flows", "slack"]


def test_every_command_line_in_the_docs_would_be_taken(console: Any) -> None:
    assert list(console.unknown_commands(DOCS.parent)) == []


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("longhold pln BUILD.toml", "there is no command"),
        ("longhold plan BUILD.toml --batsh K07.json", "there is no option --batsh"),
        ("longhold gauge reed GAUGE.json", "there is no command"),
        (".venv/bin/longhold demo --fast", "there is no option --fast"),
        ("longhold plan BUILD.toml --batch K07.json > plan.txt", ""),
        ("pip install longhold", ""),
    ],
)
def test_a_wrong_command_line_in_a_page_is_found(console: Any, line: str, said: str) -> None:
    wrong = console.wrong_with(line)
    assert said in wrong and bool(wrong) == bool(said)


PAGE = """\
Words.

```console
$ longhold fit night.csv --name K07
flow is known to a factor of 2.5 on Tue 2026-03-03
  7: -1/4     8: +3/8
```

<!-- run: varies -->
```console
$ longhold doctor
good python
```
"""


@pytest.mark.parametrize(
    ("old", "new"),
    [("2.5", "11"), ("Tue 2026-03-03", "Wed 2026-04-01"), ("-1/4     8: +3/8", "+1/8 8: 0"), ("good", "note")],
)
def test_other_numbers_and_what_hangs_on_the_machine_do_not_make_the_tutorial_stale(
    console: Any, old: str, new: str
) -> None:
    assert old in PAGE
    assert console.stale(PAGE, PAGE.replace(old, new)) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("known to a factor", "guessed to a factor"),
        ("flow is known to a factor of 2.5 on Tue 2026-03-03\n", ""),
        ("  7: -1/4     8: +3/8\n", "  7: -1/4     8: +3/8\n  9: +1/8\n"),
        ("--name K07", "--label K07"),
        ("longhold doctor", "longhold demo"),
    ],
)
def test_other_words_lines_or_commands_make_the_tutorial_stale(console: Any, old: str, new: str) -> None:
    assert old in PAGE
    assert console.stale(PAGE, PAGE.replace(old, new)) != []


def test_a_page_is_run_in_a_new_folder_and_its_output_pasted(console: Any, tmp_path: Path) -> None:
    page = (
        "```console\n$ cat > f.txt <<'END'\none\ntwo\nEND\n$ cat f.txt; pwd\nold\n```\n\n"
        "<!-- run: status 3, head 1 -->\n```console\n$ cat f.txt; exit 3\n```\n"
    )
    assert console.run_page(page, tmp_path) == (
        "```console\n$ cat > f.txt <<'END'\none\ntwo\nEND\n$ cat f.txt; pwd\none\ntwo\n~/work\n```\n\n"
        "<!-- run: status 3, head 1 -->\n```console\n$ cat f.txt; exit 3\none\n...\n```\n"
    )


def test_a_page_with_a_command_that_fails_is_not_written(console: Any, tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match="exit status 1, not 0"):
        console.run_page("```console\n$ false\n```\n", tmp_path)


def test_every_pair_of_the_states_table_is_in_the_picture_or_in_the_box_of_its_target(docs: dict[str, Any]) -> None:
    diagram = docs["state_diagram"]
    found = diagram.edges()
    pairs = {(diagram.group(a), diagram.group(b)) for (a, _), b in STATION_TABLE.items()}
    assert {(a, b) for a, b in pairs if a != b} == set(found)
    picture = diagram.svg()
    targets = [b for _, b in found]
    arrows = sum(targets.count(b) < diagram.MANY for _, b in found)
    assert picture.count('marker-end="url(#head)"') == arrows
    for state in StationState:
        assert state.value in picture.replace("\n", " "), state
    for name in diagram.PLACES:
        assert f'font-weight="bold">{name}</text>' in picture
