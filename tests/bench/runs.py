"""Whole recorded runs for tests, made by the shipped loop on the fake frame."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from bench.outcome import Outcome
from bench.recorder import Recorder
from bench.runner import prepare, run_program
from bench.start import run_header
from bench.status import Mailbox, Snapshot
from bench.steps import Program
from tests.bench.fake_frame import FakeFrame, frame_facts, make_program

SHORT = make_program(
    "seat seconds=2", "hold load_N=1000 rate_N_per_s=20 hours=0.05", "recover hours=0.01", "unload", stations=2
)


@contextmanager
def own_runtime_folder(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A short folder of our own for sockets: the system allows their paths about a hundred characters."""
    with tempfile.TemporaryDirectory(prefix="lh") as folder:
        monkeypatch.setenv("XDG_RUNTIME_DIR", folder)
        yield Path(folder)


def two_spokes() -> FakeFrame:
    frame = FakeFrame(frame_facts(2))
    for spoke in frame.spokes:
        spoke.seat_mm = 0.1
    return frame


async def recorded(
    out: Path,
    program: Program = SHORT,
    frame: FakeFrame | None = None,
    *,
    at: dict[float, Callable[[Mailbox], Any]] | None = None,
    **options: Any,
) -> tuple[Outcome, Recorder]:
    """Run a program and record it; the file is left as the recorder leaves it, not sealed."""
    frame = frame or two_spokes()
    prepared = await prepare(frame, program, 7)
    header = run_header(
        program,
        frame.facts,
        frame_text='name = "fake"\n',
        frame_where="frame.toml",
        token=7,
        start_utc=prepared.reading.at_utc,
    )
    box = Mailbox()
    left = dict(at or {})

    def on_tick(now: Snapshot) -> None:
        for when in [w for w in left if now.at_s >= w]:
            left.pop(when)(box)

    with Recorder.create(out, header, **options) as recorder:
        outcome = await run_program(frame, frame.clock, program, recorder, prepared, mailbox=box, on_tick=on_tick)
    return outcome, recorder


def record_run(out: Path, **options: Any) -> tuple[Outcome, Recorder]:
    """`recorded` for tests that are not asynchronous."""
    return asyncio.run(recorded(out, **options))
