"""Throws spoiled files at the commands that read them, and reports whatever is no plain answer.

    python -m tests.hostile.fuzz --reader build --count 10000 --seed 1 [--keep DIR] [--plain]
    python -m tests.hostile.fuzz --all --count 10000 --seed 1

Each input is a good sample spoiled at random. Guided (unless `--plain`): an input that reaches a line of the program
that none reached before is kept and spoiled further. What breaks a promise (a traceback, no end before the deadline, a
write beside the named output, an unplain message) is counted once for each place, with the first input kept in DIR.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import resource
import shlex
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from random import Random
from types import FrameType
from typing import Any

import numpy as np

from tests.hostile.drive import Outcome, drive, problems
from tests.hostile.mutators import spoil_bytes
from tests.hostile.readers import READERS, SAMPLES, Reader

OWN = tuple(f"{Path(__file__).parents[2]}{os.sep}{p}{os.sep}" for p in ("bench", "models", "planner", "tui"))
MEMORY_BYTES = 6 << 30
STALE = 32  # calls
RARE = 40  # one input in so many goes to a heavy command


class Lines:
    """Which lines of our own were reached; a function that gave no new line for a while is looked at now and then."""

    def __init__(self) -> None:
        self.all: set[tuple[str, int]] = set()
        self.new = 0
        self._calls: Counter[Any] = Counter()  # of each function since it last gave a new line

    def _line(self, frame: FrameType, event: str, _argument: Any) -> Any:
        if event == "line":
            key = (frame.f_code.co_filename, frame.f_lineno)
            if key not in self.all:
                self.all.add(key)
                self.new += 1
                self._calls[frame.f_code] = 0
        return self._line

    def _call(self, frame: FrameType, _event: str, _argument: Any) -> Any:
        code = frame.f_code
        if not code.co_filename.startswith(OWN):
            return None
        self._calls[code] += 1
        return self._line if self._calls[code] < STALE or self._calls[code] % STALE == 0 else None

    @contextlib.contextmanager
    def traced(self) -> Iterator[None]:
        """Count while the block runs."""
        self.new = 0
        sys.settrace(self._call)
        try:
            yield
        finally:
            sys.settrace(None)


def load_in_fork(path: Path) -> dict[str, Any]:
    """As the run file's own child process, without the second that an interpreter takes to start."""
    import io

    import bench.runfile as runfile
    from models.errors import InputError

    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:  # pragma: no cover
        os.close(read_end)
        os.dup2(write_end, 1)
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 2)
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        try:
            signal.signal(signal.SIGALRM, signal.SIG_DFL)
            signal.alarm(int(runfile.CHILD_DEADLINE_S))
            parts = runfile.load_parts(path, swmr=runfile._was_written_live(path))
            store = io.BytesIO()
            np.savez(store, **parts)
            with os.fdopen(write_end, "wb") as f:
                f.write(store.getvalue())
        except BaseException:
            os._exit(1)
        os._exit(0)
    os.close(write_end)
    with os.fdopen(read_end, "rb") as f:
        data = f.read()
    _, status = os.waitpid(child, 0)
    if status != 0:
        raise InputError(
            f"{path}: torn, or not a run file; its journal {runfile.journal_path(path).name} would mend it"
        )
    with np.load(io.BytesIO(data), allow_pickle=False) as archive:
        return {name: archive[name] for name in archive.files}


@contextlib.contextmanager
def quick_stand_ins(name: str, heavy: bool) -> Iterator[None]:
    """What takes long and is not what is looked at: the fit behind a table, a new interpreter for each HDF5 file."""
    with contextlib.ExitStack() as stack:
        if name == "run-csv" and not heavy:
            import models.learn
            from models.errors import CannotAnswer

            def unfitted(*_: Any, **__: Any) -> Any:
                raise CannotAnswer("read, and not fitted here")

            stack.callback(setattr, models.learn, "fit_batch", models.learn.fit_batch)
            models.learn.fit_batch = unfitted  # type: ignore[assignment]
        if name == "run-h5" and not heavy:
            import bench.runfile

            stack.callback(setattr, bench.runfile, "_load_in_child", bench.runfile._load_in_child)
            bench.runfile._load_in_child = load_in_fork
        if name == "orders":
            import tui.orders

            def unplanned(book: Any, **_: Any) -> Iterator[Any]:
                return (tui.orders.Planned(name=o.name, wheels=1, schedule=None, words="not planned") for o in book)

            stack.callback(setattr, tui.orders, "plan_orders", tui.orders.plan_orders)
            tui.orders.plan_orders = unplanned  # type: ignore[assignment]
        yield


def sample(reader: Reader) -> bytes:
    """The good file, cut to its first rows where the reader says so."""
    data = (SAMPLES / reader.file).read_bytes()
    if reader.rows is not None:
        lines = data.split(b"\n")
        step = max(1, (len(lines) - 1) // reader.rows)
        data = b"\n".join([lines[0], *lines[1::step]]) + b"\n"
    return data


class Fuzz:
    """One reader's inputs, one after the other."""

    def __init__(self, name: str, seed: int, folder: Path, *, guided: bool) -> None:
        self.name, self.reader = name, READERS[name]
        self.rng = Random(f"{name}:{seed}")
        self.folder = folder
        self.good = sample(self.reader)
        self.corpus: list[bytes] = []
        self.lines = Lines() if guided else None
        self.statuses: Counter[int | None] = Counter()
        self.found: dict[str, tuple[int, bytes, str]] = {}
        self.counts: Counter[str] = Counter()
        self.slowest_s = 0.0

    def one(self, number: int) -> list[str]:
        """Spoil, run, judge; returns what was wrong."""
        reader, rng = self.reader, self.rng
        base = rng.choice(self.corpus) if self.corpus and rng.random() < 0.4 else self.good
        try:
            data = reader.spoil(rng, base)
        except Exception:  # spoiled so far that only its bytes can be spoiled further
            data = spoil_bytes(rng, base)
        heavy = rng.randrange(RARE) == 0
        command = rng.choice(reader.rare if heavy and reader.rare else reader.commands)
        outcome, argv = self.run(data, command, heavy)
        self.statuses[outcome.status] += 1
        wrong = problems(outcome, argv)
        if self.lines is not None and self.lines.new and len(self.corpus) < 500:
            self.corpus.append(data)
        for problem in wrong:
            key = re.sub(r"'[^']*'|\d+(?!\d*$)", "_", problem)
            self.counts[key] += 1
            self.found.setdefault(
                key, (number, data, f"{problem}\n      longhold {command}\n      {outcome.stderr[-300:]!r}")
            )
        return wrong

    def run(self, data: bytes, command: str, heavy: bool) -> tuple[Outcome, list[str]]:
        """One input, one command, in an empty folder."""
        shutil.rmtree(self.folder, ignore_errors=True)
        self.folder.mkdir()
        for other in self.reader.needs:
            shutil.copyfile(SAMPLES / other, self.folder / other)
        (self.folder / self.reader.file).write_bytes(data)
        argv = shlex.split(command)
        start_s = time.monotonic()
        with quick_stand_ins(self.name, heavy), self.lines.traced() if self.lines else contextlib.nullcontext():
            outcome = drive(argv, self.folder, self.reader.deadline_s)
        self.slowest_s = max(self.slowest_s, time.monotonic() - start_s)
        return outcome, argv

    def report(self, took_s: float) -> str:
        """In a few lines."""
        count = self.statuses.total()
        ended = ", ".join(f"{k}: {v}" for k, v in sorted(self.statuses.items(), key=str))
        reached = f", {len(self.lines.all)} lines reached, {len(self.corpus)} inputs kept" if self.lines else ""
        lines = [
            f"{self.name}: {count} inputs in {took_s:.0f} s (slowest {self.slowest_s:.1f} s); exit {ended}{reached}"
        ]
        lines += [
            f"  {self.counts[key]} x (first: {number}) {text}" for key, (number, _, text) in sorted(self.found.items())
        ]
        return "\n".join(lines)


def main() -> int:
    """Exit status 1 if any promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--reader", choices=READERS, action="append", default=[])
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="the most for one reader: then the next")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for the first input of each kind that broke a promise")
    parser.add_argument("--plain", action="store_true", help="do not look which lines are reached: faster")
    given = parser.parse_args()
    sys.dont_write_bytecode = True
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    broken = 0
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["XDG_RUNTIME_DIR"] = scratch
        for name in READERS if given.all else given.reader:
            fuzz = Fuzz(name, given.seed, Path(scratch) / "work", guided=not given.plain)
            start_s = time.monotonic()
            for number in range(given.count):
                if time.monotonic() - start_s > given.seconds:
                    break
                broken += len(fuzz.one(number))
                if number % 100 == 0:
                    print(f"\r{name} {number}", end=" ", file=sys.stderr, flush=True)
            print(fuzz.report(time.monotonic() - start_s), flush=True)
            if given.keep is not None:
                given.keep.mkdir(parents=True, exist_ok=True)
                for k, (number, data, _) in enumerate(fuzz.found.values()):
                    (given.keep / f"{name}-{given.seed}-{number}-{k}").write_bytes(data)
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
