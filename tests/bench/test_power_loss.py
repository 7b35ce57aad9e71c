"""A power cut: the recorder's own calls are replayed with unsynced pages dropped, old or new, whatever their order.

What a file system may leave of a file after power is lost: everything up to the last sync that had returned, and of every
later write any page in any of its states, with any of the sizes that the file had since (a page cache writes pages back
in its own order; the size lives elsewhere). Pages of 4096 bytes.
"""

from __future__ import annotations

import asyncio
import os
import random
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import bench.journal
import bench.runfile
from bench.journal import Journal, Row
from bench.record import journal_path
from bench.recorder import finish
from bench.replay import JournalReader, read_journal
from tests.bench.runs import recorded, two_spokes
from tests.bench.test_journal import row

PAGE = 4096


@dataclass
class Disk:
    """The calls that a journal makes, in the order in which they returned; passes them on."""

    calls: list[tuple[str, int, bytes]] = field(default_factory=list)  # (what, offset or size or calls before, data)
    fd: int = -1
    synced: threading.Event = field(default_factory=threading.Event)

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def open(self, path: Any, flags: int, mode: int = 0o777) -> int:
        fd = os.open(path, flags, mode)
        if flags & os.O_RDWR:
            self.fd = fd
        return fd

    def pwrite(self, fd: int, data: bytes, offset: int) -> int:
        done = os.pwrite(fd, data, offset)
        self.calls.append(("write", offset, data[:done]))
        return done

    def ftruncate(self, fd: int, size: int) -> None:
        os.ftruncate(fd, size)
        self.calls.append(("size", size, b""))

    def fdatasync(self, fd: int) -> None:
        before = len(self.calls)  # what had returned when the sync was called is on the disk when it returns
        os.fdatasync(fd)
        self.calls.append(("sync", before, b""))
        self.synced.set()

    def fsync(self, fd: int) -> None:
        before = len(self.calls)
        os.fsync(fd)
        if fd == self.fd:
            self.calls.append(("sync", before, b""))


def images(calls: list[tuple[str, int, bytes]], at: int) -> tuple[list[bytes], int]:
    """Every content of the file from the last sync that had returned up to call ``at``; and how many calls it held."""
    synced = max((before for what, before, _ in calls[:at] if what == "sync"), default=0)
    content, states = bytearray(), []
    for n, (what, where, data) in enumerate(calls[:at]):
        if n == synced:
            states.append(bytes(content))
        if what == "write":
            content[len(content) : where] = bytes(max(0, where - len(content)))
            content[where : where + len(data)] = data
        elif what == "size":
            del content[where:]
        if n >= synced:
            states.append(bytes(content))
    return states or [bytes(content)], synced


def torn(states: list[bytes], rng: random.Random) -> bytes:
    """One content that the disk may hold: each page in any of its states, the size in any of its."""
    size = len(rng.choice(states))
    out = bytearray(size)
    for at in range(0, size, PAGE):
        page = rng.choice(states)[at : at + PAGE][: size - at]
        out[at : at + len(page)] = page
    return bytes(out)


def samples_in(calls: list[tuple[str, int, bytes]]) -> int:
    """Rows in whole writes."""
    return sum(data.count(b"LS") if what == "write" else 0 for what, _, data in calls)


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[tuple[str, int, bytes]], Path, np.ndarray]:
    """A recorded run's own calls, its journal, and the rows that it holds."""
    run, disk = tmp_path_factory.mktemp("power") / "run.h5", Disk()
    patch = pytest.MonkeyPatch()
    writes = 0

    def keep_pace(_: int) -> None:
        """Virtual time runs ahead of the thread that syncs: wait for it, so that syncs fall all along the run."""
        nonlocal writes
        writes += 1
        if writes % 25 == 0:
            disk.synced.clear()
            assert disk.synced.wait(60.0), "no sync within a minute"

    patch.setattr(bench.journal, "os", disk)
    try:
        asyncio.run(recorded(run, frame=two_spokes(), live=False, sync_every_s=0.004, acknowledge=keep_pace))
    finally:
        patch.undo()
    _, samples, _ = read_journal(journal_path(run))
    return disk.calls, journal_path(run), samples


def test_no_row_that_was_synced_is_lost_in_three_hundred_power_cuts(
    night: tuple[list[tuple[str, int, bytes]], Path, np.ndarray], tmp_path: Path
) -> None:
    calls, _, whole = night
    assert sum(what == "sync" for what, *_ in calls) > 10 and whole.size > 1000
    rng, path = random.Random(3), tmp_path / "torn.journal"
    by_sequence = {int(r["sequence"]): r.tobytes() for r in whole}
    differed = 0
    first = next(n for n, (what, *_) in enumerate(calls) if what == "sync")  # until then `create` has not returned
    for _ in range(300):
        at = rng.randrange(first + 1, len(calls) + 1)
        states, synced = images(calls, at)
        content = torn(states, rng)
        differed += content != states[-1]
        path.write_bytes(content)
        _, samples, _ = read_journal(path)
        kept = {int(n) for n in samples["sequence"]}
        # every record of every write before the last sync is there; sequence numbers count rows and events alike
        promised = _records(calls[:synced])
        assert kept.issuperset(n for n in by_sequence if n < promised)
        for r in samples:
            assert r.tobytes() == by_sequence[int(r["sequence"])], "no row is ever invented"
    assert differed > 100, "most cuts left something else than the last content"


def _records(calls: list[tuple[str, int, bytes]]) -> int:
    """How many records (rows and events) stand in these writes."""
    n = 0
    for what, _, data in calls:
        at = 0
        while what == "write" and at < len(data):
            if data[at : at + 2] == b"LS":
                at, n = at + 58, n + 1
            elif data[at : at + 2] == b"LE":
                at, n = at + 14 + int.from_bytes(data[at + 10 : at + 14], "little"), n + 1
            else:
                break  # the header
    return n


def test_after_a_power_cut_the_journal_is_taken_up_again_and_loses_nothing_more(
    night: tuple[list[tuple[str, int, bytes]], Path, np.ndarray], tmp_path: Path
) -> None:
    calls, _, _ = night
    rng, path = random.Random(4), tmp_path / "torn.journal"
    for _ in range(20):
        states, _ = images(calls, rng.randrange(len(calls) // 2, len(calls) + 1))
        path.write_bytes(torn(states, rng))
        before = read_journal(path)[1]
        journal = Journal.reopen(path)
        more: Row = row(7)
        journal.append([more])
        journal.close()
        after = read_journal(path)[1]
        assert after[:-1].tobytes() == before.tobytes()
        assert after["load_N"][-1] == np.float32(more.load_N)
        assert int(after["sequence"][-1]) > int(before["sequence"].max())


def test_a_cut_at_any_call_loses_at_most_what_was_written_since_the_last_sync(
    night: tuple[list[tuple[str, int, bytes]], Path, np.ndarray], tmp_path: Path
) -> None:
    calls, _, _ = night
    path = tmp_path / "worst.journal"
    first = next(n for n, (what, *_) in enumerate(calls) if what == "sync")
    for at in range(first + 1, len(calls), 97):
        states, synced = images(calls, at)
        path.write_bytes(states[0])  # nothing at all of what was not synced
        reader = JournalReader(path)
        rows = sum(s.size + len(e) for s, e in reader.blocks())
        assert rows == _records(calls[:synced])


async def test_the_journal_goes_only_once_the_sealed_file_and_its_name_are_on_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = tmp_path / "run.h5"
    await recorded(run, frame=two_spokes(), live=False)
    done: list[str] = []
    fsync, replace, unlink, folder = os.fsync, Path.replace, Path.unlink, bench.runfile.sync_folder

    def told(what: str, act: Any) -> Any:
        def wrapped(*args: Any, **more: Any) -> Any:
            name = Path(str(args[0])).name if isinstance(args[0], Path) else ""
            result = act(*args, **more)
            done.append(f"{what} {name}".strip())
            return result

        return wrapped

    monkeypatch.setattr(bench.runfile.os, "fsync", told("fsync", fsync))
    monkeypatch.setattr(Path, "replace", told("replace", replace))
    monkeypatch.setattr(Path, "unlink", told("unlink", unlink))
    monkeypatch.setattr(bench.runfile, "sync_folder", told("folder", folder))
    finish(run, keep_journal=False)
    monkeypatch.undo()
    order = [done.index(x) for x in ("fsync", f"replace .{run.name}.making", f"folder {tmp_path.name}")]
    assert order == sorted(order)
    assert done.index(f"unlink {journal_path(run).name}") > order[-1]
