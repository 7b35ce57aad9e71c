"""The monitor in a real terminal (tmux), attached to a run that goes on: keys, sizes, colour, leaving."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from bench.journal import Event, Row
from bench.recorder import Recorder
from tests.tui.test_home import header

TMUX = shutil.which("tmux")
pytestmark = pytest.mark.skipif(TMUX is None, reason="no tmux on this machine")
WITHIN_S = 60.0  # a machine that does other things besides
ENTRY = "import sys; from tui.cli import main; main()"


class Terminal:
    """One window of a tmux server of its own."""

    def __init__(self, folder: Path) -> None:
        self.socket = folder / "tmux.sock"
        self.folder = folder

    def tmux(self, *args: str) -> str:
        done = subprocess.run(
            [str(TMUX), "-S", str(self.socket), "-f", "/dev/null", *args],
            capture_output=True, text=True, check=False, env={**os.environ, "TERM": "xterm-256color", "LC_ALL": "C.UTF-8"},
        )  # fmt: skip
        return done.stdout

    def opens(self, *command: str, size: tuple[int, int], env: dict[str, str] | None = None) -> None:
        """Run a command in it; the window stays when the command ends."""
        given = [f"{k}={v}" for k, v in (env or {}).items()]
        self.tmux("new-session", "-d", "-s", "t", "-x", str(size[0]), "-y", str(size[1]), "-c", str(self.folder),
                  "env", *given, *command, ";", "set", "remain-on-exit", "on")  # fmt: skip

    def sees(self, colours: bool = False) -> str:
        return self.tmux("capture-pane", "-p", *(["-e"] if colours else []), "-t", "t")

    def until(self, *words: str) -> None:
        """Wait for a picture with all these words; one that is half drawn has only some."""
        self._waits(lambda: all(w in self.sees() for w in words), f"{words} never came")

    def until_ended(self) -> None:
        """Wait for the end of the command; tmux knows of it even where it does not write so in the window."""
        self._waits(lambda: self.tmux("list-panes", "-t", "t", "-F", "#{pane_dead}").strip() == "1", "it never ended")

    def _waits(self, come: Callable[[], bool], otherwise: str) -> None:
        start, pause = time.monotonic(), threading.Event()
        while not come():
            if time.monotonic() - start > WITHIN_S:
                raise AssertionError(f"{otherwise}: {self.sees()}")
            pause.wait(0.1)

    def types(self, *keys: str) -> None:
        self.tmux("send-keys", "-t", "t", *keys)


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    opened = Terminal(tmp_path)
    yield opened
    opened.tmux("kill-server")


@contextlib.contextmanager
def a_live_run(path: Path) -> Iterator[tuple[Recorder, float]]:
    """A run that this process goes on writing, and when it began."""
    started = time.time()  # what it records lies a little ahead: however slow the machine, it is not called quiet
    with Recorder.create(path, header() | {"start_utc": started}, live=False) as recorder:
        recorder.record([row(started, 10.0)], [event(started, 0.0, "run", "begun")])
        yield recorder, started


def row(started: float, time_s: float, load_N: float = 1500.0) -> Row:
    return Row(station=0, step=0, flags=3, time_s=time_s, utc=started + time_s, frame_ms=1, load_N=load_N,
               position_mm=1.0, elongation_mm=1.0, elongation_raw_mm=1.0, temperature_C=20.0, set_load_N=1500.0)  # fmt: skip


def event(started: float, time_s: float, kind: str, message: str) -> Event:
    return Event(time_s=time_s, utc=started + time_s, station="", kind=kind, message=message, data={})


def watch(*args: str) -> tuple[str, ...]:
    return (sys.executable, "-c", ENTRY, "watch", *args)


def test_a_live_run_is_watched_driven_by_keys_and_left(terminal: Terminal, tmp_path: Path) -> None:
    path = tmp_path / "night.h5"
    with a_live_run(path) as (recorder, started):
        terminal.opens(*watch("night.h5"), size=(80, 24))
        terminal.until("K07-01", "running 00:00:10", "1500.0  1500")
        recorder.record([row(started, 70.0, 1498.0)], [event(started, 70.0, "note", "a word from the run")])
        terminal.until("a word from the run", "1498.0", "running 00:01:10")
        terminal.types("2")
        terminal.until("Station A   spoke K07-01")
        terminal.types("Left")
        terminal.until("looking back")
        terminal.types("End", "a")
        terminal.until("Ask the run for station A")
        terminal.types("Enter")
        terminal.until("Sure? Type A")
        terminal.types("Enter")  # an empty line is no yes
        terminal.types("Escape")
        terminal.until("Station A   spoke K07-01")
        terminal.types("3")
        terminal.until("begun", "a word from the run")
        terminal.tmux("resize-window", "-t", "t", "-x", "120", "-y", "40")
        terminal.types("1")
        terminal.until("A: Elongation, mm")
        terminal.types("q")
        terminal.until_ended()
        assert recorder.record([row(started, 80.0)], []), "the run is as before"


def test_without_colour_the_terminal_is_sent_none_but_grey(terminal: Terminal, tmp_path: Path) -> None:
    with a_live_run(tmp_path / "night.h5"):
        terminal.opens(*watch("night.h5"), size=(80, 24), env={"NO_COLOR": "1", "COLORTERM": "truecolor"})
        terminal.until("K07-01")
        sent = re.findall(r"\x1b\[([0-9;]*)m", terminal.sees(colours=True))
        true = [tuple(map(int, m)) for s in sent for m in re.findall(r"[34]8;2;(\d+);(\d+);(\d+)", s)]
        assert all(r == g == b for r, g, b in true)
        others = {int(n) for s in sent for n in re.findall(r"[34]8;5;(\d+)", s)}
        assert all(n in (0, 7, 8, 15, 16) or n >= 231 for n in others), "of the 256 only the greys"
        plain = [re.sub(r"[34]8;(?:2;\d+;\d+;\d+|5;\d+)", "", s).split(";") for s in sent]
        assert sent and not {int(n) for s in plain for n in s if n} & {*range(31, 37), *range(41, 47), *range(91, 97)}
