"""One command line in this process, watched: how it ended, what it said, what it wrote, and whether that is allowed."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import signal
import sys
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

from tui.cli import run

ALLOWED = {0, 1, 2, 3, 130}
LONGEST_MESSAGE = 700
# words of a library or of Python in what should be plain words for a person
FOREIGN = re.compile(
    r"Traceback|object at 0x|<class |validation error|pydantic|numpy\.|\[Errno|Exception:|Error\(|NoneType|dtype"
)


class Hang(BaseException):
    """The deadline passed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How one command line ended."""

    status: int | None  # None: an exception came out
    stdout: str
    stderr: str
    escaped: str  # where the exception came from; empty if none
    wrote: tuple[str, ...]  # files new, changed or gone in the folder
    elsewhere: tuple[str, ...]  # opened for writing, renamed, deleted outside the folder


class Watch:
    """Notes what is opened for writing, renamed or removed outside one folder, and every attempt to connect."""

    def __init__(self) -> None:
        import matplotlib  # noqa: F401 a library's own folder of settings is made on its first import: not ours to judge

        self.folder: str | None = None
        self.seen: list[str] = []
        sys.addaudithook(self._hook)

    def _hook(self, event: str, arguments: tuple[Any, ...]) -> None:
        if self.folder is None:
            return
        if event == "socket.connect":
            raise ConnectionRefusedError("nothing is connected to from here")
        if event == "open":
            path, mode, flags = (*arguments, None, None)[:3]
            writes = isinstance(flags, int) and flags & (
                os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
            )
            if isinstance(mode, str) and set(mode) & set("wax+"):
                writes = True
            if writes:
                self._note(event, path)
        elif event in (
            "os.rename",
            "os.remove",
            "os.mkdir",
            "os.rmdir",
            "os.link",
            "os.symlink",
            "os.truncate",
            "os.chmod",
        ):
            self._note(event, arguments[0])

    def _note(self, event: str, path: Any) -> None:
        if isinstance(path, int | type(None)) or self.folder is None:
            return
        name = os.path.abspath(os.fsdecode(path))  # noqa: PTH100 no new Path in a hook
        runtime = os.environ.get("XDG_RUNTIME_DIR", "/dev/null")  # sockets of a run live there
        if not name.startswith((self.folder + os.sep, runtime)) and name != "/dev/null":
            self.seen.append(f"{event} {name}")


_WATCH: list[Watch] = []


@contextlib.contextmanager
def watched(folder: Path) -> Iterator[list[str]]:
    """What is written outside the folder meanwhile. A hook stays with the process: there is one, asleep in between.

    Where a package is imported for the first time, the interpreter would keep its byte code: that is no write of ours.
    """
    if not _WATCH:
        _WATCH.append(Watch())
    watch = _WATCH[0]
    watch.seen = []
    kept, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    watch.folder = os.path.realpath(folder)
    try:
        yield watch.seen
    finally:
        watch.folder = None
        sys.dont_write_bytecode = kept


BUSY = 6.0  # a machine that others use gives a process at least this share of the time: one in so many


@contextlib.contextmanager
def deadline(seconds: float) -> Iterator[None]:
    """Raise `Hang` in the main thread once this process has worked so long, or has waited `BUSY` times as long."""

    def over(_signal: int, _frame: FrameType | None) -> None:
        raise Hang

    clocks = ((signal.SIGPROF, signal.ITIMER_PROF, seconds), (signal.SIGALRM, signal.ITIMER_REAL, BUSY * seconds))
    before = [signal.signal(name, over) for name, _, _ in clocks]
    for _, timer, allowed_s in clocks:
        signal.setitimer(timer, allowed_s)
    try:
        yield
    finally:
        for (name, timer, _), handler in zip(clocks, before, strict=True):
            signal.setitimer(timer, 0.0)
            signal.signal(name, handler)


def _listing(folder: Path) -> dict[str, tuple[int, int]]:
    return {
        str(p.relative_to(folder)): (p.stat().st_size, p.stat().st_mtime_ns) for p in folder.rglob("*") if p.is_file()
    }


def drive(argv: list[str], folder: Path, deadline_s: float) -> Outcome:
    """Run one command line with the folder as the current one."""
    before = _listing(folder)
    out, err = io.StringIO(), io.StringIO()
    status: int | None = None
    escaped = ""
    here, typed = Path.cwd(), sys.stdin
    os.chdir(folder)
    sys.stdin = io.StringIO()  # whoever is asked has nothing to say
    try:
        with watched(folder) as elsewhere, contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                with deadline(deadline_s):
                    status = run(argv)
            except Hang:
                escaped = f"no end within {deadline_s:g} s: {_last_own_line(sys.exc_info()[2])}"
            except BaseException as error:
                escaped = f"{type(error).__name__} ({str(error)[:80]!r}) at {_last_own_line(error.__traceback__)}"
    finally:
        os.chdir(here)
        sys.stdin = typed
    after = _listing(folder)
    wrote = tuple(sorted(n for n in {*before, *after} if before.get(n) != after.get(n)))
    return Outcome(
        status=status,
        stdout=out.getvalue(),
        stderr=err.getvalue(),
        escaped=escaped,
        wrote=wrote,
        elsewhere=tuple(elsewhere),
    )


def _last_own_line(trace: Any) -> str:
    """Where in our own packages it came from."""
    frames = [f for f in traceback.extract_tb(trace) if re.search(r"/(bench|models|planner|tui)/", f.filename)]
    last = frames[-1] if frames else None
    return "?" if last is None else f"{'/'.join(Path(last.filename).parts[-2:])}:{last.lineno}"


def problems(outcome: Outcome, argv: list[str]) -> list[str]:
    """What is wrong with how a command ended; empty if it kept its promises."""
    found = []
    if outcome.escaped:
        return [outcome.escaped]
    if outcome.status not in ALLOWED:
        found.append(f"exit status {outcome.status}")
    named = next((argv[argv.index(o) + 1] for o in ("--out", "--pdf") if o in argv), None)
    noted = argv[2] if argv[:2] == ["wheel", "note"] else None
    for name in outcome.wrote:
        lock = name.startswith(".") and name.endswith(".lock")
        journal = named is not None and name == f"{named}.journal"
        within = named is not None and name.startswith(f"{named}{os.sep}")
        if not lock and not journal and not within and name not in (named, noted):
            found.append(f"wrote {name}, which was not named")
        elif not lock and outcome.status == 2:
            found.append(f"exit status 2, and {name} was written")
    if outcome.elsewhere:
        found.append(f"outside the folder: {outcome.elsewhere[0]}")
    if re.search(r"\w+Warning: ", outcome.stderr):
        found.append(f"a library's warning: {re.search(r'[^/]*Warning: .*', outcome.stderr).group()[:120]}")  # type: ignore[union-attr]
    if outcome.status in (2, 3) and outcome.stdout:
        found.append(f"exit status {outcome.status}, and stdout is not empty")
    if outcome.status:
        found += _message(outcome.stderr)
    if "--json" in argv and outcome.status in (0, 1) and outcome.stdout:
        try:
            if not isinstance(json.loads(outcome.stdout, parse_constant=_refuse), dict):
                found.append("stdout is not one JSON object")
        except ValueError as error:
            found.append(f"stdout is not JSON: {error}")
    return found


def _refuse(name: str) -> float:
    raise ValueError(f"{name} in JSON")


def _message(stderr: str) -> list[str]:
    """One plain message, at the end."""
    said = [line for line in stderr.splitlines() if line.startswith("longhold: ")]
    if len(said) != 1:
        return [f"{len(said)} messages instead of one"]
    text = stderr[stderr.index("longhold: ") :].rstrip("\n")
    found = []
    if "\n" in text:
        found.append("the message has more than one line")
    if len(text) > LONGEST_MESSAGE:
        found.append("the message is longer than a person reads")
    foreign = FOREIGN.search(text)
    if foreign:
        found.append(f"the message speaks of '{foreign.group()}'")
    if any(ord(c) < 32 for c in text.replace("\n", "")):
        found.append("the message holds control characters")
    return found
