"""Runs the ``console`` blocks of a page and pastes what they print; checks that commands in any page exist.

In a block a line that begins with "$ " is a command, what follows is what it printed. A command may go on over lines
that end with a backslash, and may hold a here-document. Above a block may stand, as an HTML comment, separated by
commas:

    run: background   it goes on while the rest of the page runs, and is stopped at its end
    run: head N       of its output only the first N lines are kept, then "..."
    run: status N     it ends with this exit status, not 0
    run: varies       what it prints depends on the machine: only that it works is compared
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from difflib import unified_diff
from pathlib import Path

import click

BLOCK = re.compile(r"(?:<!-- run: (?P<how>[^>]*?) -->\n)?```console\n(?P<body>.*?)```\n", re.DOTALL)
START_S = 60.0
PORT = "5021"  # as written in the page; a free one takes its place while the page is run
DEMO = "longhold demo --out "  # what a finished demo may stand in for


def commands(body: str) -> list[str]:
    """The commands of a block, without what they printed."""
    found: list[str] = []
    lines = iter(body.splitlines())
    for line in lines:
        if not line.startswith("$ "):
            continue
        one = [line[2:]]
        while one[-1].endswith("\\"):
            one.append(next(lines))
        here = re.search(r"<<\s*'?(\w+)'?", one[-1])
        while here and one[-1] != here.group(1):
            one.append(next(lines))
        found.append("\n".join(one))
    return found


def run_page(text: str, docs: Path, demo: Path | None = None) -> str:
    """The page with fresh outputs; everything runs in one new folder.

    ``demo``: the folder of a finished demo, with what it printed beside it in a file of the same name and the ending
    .txt; it stands in for the demo that the page runs.
    """
    with tempfile.TemporaryDirectory() as folder, socket.create_server(("127.0.0.1", 0)) as free:
        page = Page(Path(folder), docs, demo, str(free.getsockname()[1]))
        free.close()
        try:
            return BLOCK.sub(page.block, text)
        finally:
            page.end()


class Page:
    """One run of a page's blocks, in order."""

    def __init__(self, folder: Path, docs: Path, demo: Path | None, port: str) -> None:
        self.folder, self.demo, self.port = folder, demo, port
        self.environment = dict(
            os.environ,
            NO_COLOR="1",
            COLUMNS="100",
            PATH=f"{Path(sys.executable).parent}:{os.environ['PATH']}",
            TUTORIAL=str(docs / "tutorial"),
        )
        self.behind: list[subprocess.Popen[str]] = []

    def block(self, m: re.Match[str]) -> str:
        """A block with what its commands print now."""
        how = options(m["how"])
        out = []
        for command in commands(m["body"]):
            printed = self._printed(command, "background" in how, int(how.get("status", "0")))
            lines = printed.rstrip("\n").split("\n") if printed.strip() else []
            most = int(how.get("head", "1000"))
            shown = [*lines[:most], "..."] if len(lines) > most else lines
            out.append("\n".join([f"$ {command}", *shown]))
        comment = f"<!-- run: {m['how']} -->\n" if m["how"] else ""
        return f"{comment}```console\n" + "\n".join(out) + "\n```\n"

    def _printed(self, command: str, background: bool, status: int) -> str:
        if self.demo is not None and command.startswith(DEMO):
            name = command.removeprefix(DEMO)
            shutil.copytree(self.demo, self.folder / name)
            return self.demo.with_suffix(".txt").read_text(encoding="utf-8").replace(f"{self.demo.name}/", f"{name}/")
        process = subprocess.Popen(
            ["bash", "-c", ("exec " if background else "") + command.replace(PORT, self.port)],
            cwd=self.folder, env=self.environment, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        if background:
            self.behind.append(process)
            assert process.stdout is not None
            printed = process.stdout.readline() + process.stdout.readline()
            ended = process.poll() is not None
        else:
            printed = process.communicate()[0]
            ended = process.returncode != status
        if ended:
            raise SystemExit(f"exit status {process.returncode}, not {status}:\n$ {command}\n{printed}")
        return printed.replace(str(self.folder), "~/work").replace(self.port, PORT)

    def end(self) -> None:
        """Stop what still runs."""
        for process in self.behind:
            process.terminate()
            process.wait(timeout=START_S)


def options(how: str | None) -> dict[str, str]:
    """What stands above a block."""
    return dict(one.partition(" ")[::2] for one in (how or "").split(", ") if one)


# -- does a page still show what its commands print? ------------------------------------------------------------------


def structure(text: str) -> list[str]:
    """The blocks of a page without their numbers: commands as they are, of each line printed its words."""
    out: list[str] = []
    for m in BLOCK.finditer(text):
        given = commands(m["body"])
        out += [f"$ {command}" for command in given]
        if "varies" not in options(m["how"]):
            printed = m["body"]
            for command in given:
                printed = printed.replace(f"$ {command}\n", "", 1)
            out += [words_of(line) for line in printed.splitlines()]
    return out


def words_of(line: str) -> str:
    """A line with each number, fraction, date and weekday as one sign, and each run of blanks as one."""
    line = re.sub(r"\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun)\b", "#", line)
    return re.sub(r"\s+", " ", re.sub(r"[-+]?\d[\d.,:/eTZ-]*", "#", line)).strip()


def stale(old: str, new: str) -> list[str]:
    """How the structure of a page differs from what its commands print now; empty if it does not."""
    return list(unified_diff(structure(old), structure(new), "in the page", "printed now", lineterm="", n=1))


# -- do the commands of a page exist? ---------------------------------------------------------------------------------


def in_page(text: str) -> Iterator[str]:
    """Every `longhold ...` command line of a page: in console and sh blocks, and in running text."""
    for m in BLOCK.finditer(text):
        yield from (c for c in commands(m["body"]))
    for m in re.finditer(r"```sh\n(.*?)```", text, re.DOTALL):
        yield from m.group(1).replace("\\\n", " ").splitlines()
    bare = re.sub(r"```.*?```", "", text, flags=re.DOTALL)
    yield from (" ".join(m.group(1).split()) for m in re.finditer(r"`(longhold [^`]+)`", bare))


def wrong_with(line: str) -> str:
    """Why a command line would be refused before it did anything; empty if it would not."""
    from tui.cli import cli

    line = line.partition(" <<")[0].partition(" | ")[0].partition(" > ")[0]
    words = shlex.split(line, comments=True)
    if not words or words[0].rpartition("/")[2] != "longhold":
        return ""
    command: click.Command = cli
    rest = words[1:]
    while isinstance(command, click.Group) and rest and not rest[0].startswith("-"):
        if rest[0].isupper() or rest[0] == "...":
            return ""
        found = command.get_command(click.Context(command), rest[0])
        if found is None:
            return f"there is no command '{' '.join(words)}'"
        command, rest = found, rest[1:]
    known = {name for p in command.params for name in (*p.opts, *p.secondary_opts)} | {"-h", "--help"}
    for word in rest:
        if re.match(r"--[A-Za-z]", word) and word.partition("=")[0] not in known:
            return f"'{line.strip()}': there is no option {word}"
    return ""


def unknown_commands(root: Path) -> Iterator[tuple[str, str]]:
    """(page, what is wrong) for every command line in README, changelog and docs that would be refused."""
    for page in sorted([*root.glob("*.md"), *(root / "docs").rglob("*.md")]):
        for line in in_page(page.read_text(encoding="utf-8")):
            wrong = wrong_with(line)
            if wrong:
                yield str(page.relative_to(root)), wrong
