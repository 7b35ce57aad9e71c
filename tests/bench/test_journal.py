"""The journal: what is acknowledged is read back, whatever tore, overwrote or outgrew the rest."""

from __future__ import annotations

import errno
import os
import random
import resource
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest

from bench.journal import SAMPLE, DiskFull, Event, Journal, Row, is_being_written
from bench.replay import JournalReader, crc32_rows, read_journal
from models.errors import InputError

HEADER = {"name": "trial", "stations": ["A", "B"]}


def row(n: int, station: int = 0) -> Row:
    return Row(
        station=station,
        step=1,
        flags=3,
        time_s=0.1 * n,
        utc=1.8e9 + 0.1 * n,
        frame_ms=100 * n,
        load_N=1000.0 + n,
        position_mm=6.0 + 1e-4 * n,
        elongation_mm=1.0,
        elongation_raw_mm=1.4,
        temperature_C=21.0,
        set_load_N=1000.0,
    )


def event(n: int, text: str = "hold begun") -> Event:
    return Event(time_s=0.1 * n, utc=1.8e9, station="A", kind="step", message=text, data={"step": n})


def write(path: Path, ticks: int, events_every: int = 7) -> list[int]:
    """A journal of two stations; returns the acknowledged size after each tick."""
    journal = Journal.create(path, HEADER)
    sizes = []
    for n in range(ticks):
        journal.append([row(n), row(n, 1)], [event(n)] if n % events_every == 0 else [])
        sizes.append(journal.size)
    journal.close()
    return sizes


def test_a_row_takes_less_than_60_bytes() -> None:
    assert SAMPLE.itemsize == 58


def test_what_was_written_is_read_back(tmp_path: Path) -> None:
    path = tmp_path / "j"
    write(path, 100)
    header, samples, events = read_journal(path)
    assert header == HEADER
    assert samples.size == 200 and len(events) == 15
    one = samples[samples["station"] == 1]
    assert np.allclose(one["time_s"], 0.1 * np.arange(100))
    assert np.array_equal(one["load_N"], (1000.0 + np.arange(100)).astype(np.float32))
    assert events[3] == event(21)
    assert len(set(samples["sequence"].tolist())) == 200


def test_the_checksum_is_the_one_of_zlib() -> None:
    rows = np.random.default_rng(1).integers(0, 256, (50, 52)).astype(np.uint8)
    assert crc32_rows(rows).tolist() == [zlib.crc32(r.tobytes()) for r in rows]
    # the published check value of CRC-32 (IEEE 802.3; from memory, high confidence)
    assert crc32_rows(np.frombuffer(b"123456789", np.uint8)[None, :])[0] == 0xCBF43926


def test_a_journal_torn_at_any_byte_keeps_every_tick_that_was_acknowledged_before(tmp_path: Path) -> None:
    path = tmp_path / "j"
    sizes = write(path, 12)
    whole = path.read_bytes()
    start = JournalReader(path).whole_bytes
    for cut in range(start, len(whole)):
        path.write_bytes(whole[:cut])
        _, samples, _ = read_journal(path)
        kept = sum(size <= cut for size in sizes)
        assert samples.size >= 2 * kept
        assert np.array_equal(samples["time_s"][: 2 * kept : 2], 0.1 * np.arange(kept))


def test_a_journal_that_was_torn_is_taken_up_again_without_a_seam(tmp_path: Path) -> None:
    path = tmp_path / "j"
    sizes = write(path, 10)
    path.write_bytes(path.read_bytes()[: sizes[-1] - 5])
    journal = Journal.reopen(path)
    journal.append([row(10), row(10, 1)])
    journal.close()
    reader = JournalReader(path)
    samples = np.concatenate([s for s, _ in reader.blocks()])
    assert reader.damaged_bytes == 0, "the torn tail was cut off"
    assert samples["time_s"][-1] == pytest.approx(1.0)
    assert np.all(np.diff(samples["sequence"].astype(int)) >= 1), "the sequence goes on"


@pytest.mark.parametrize("seed", range(20))
def test_overwritten_pieces_cost_only_the_rows_they_hit(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    path = tmp_path / "j"
    write(path, 400)
    start = JournalReader(path).whole_bytes
    data = bytearray(path.read_bytes())
    hit = 0
    for _ in range(5):
        at, length = rng.randrange(start, len(data) - 300), rng.randrange(1, 300)
        data[at : at + length] = rng.randbytes(length) if rng.random() < 0.5 else bytes(length)
        hit += length // 58 + 2
    path.write_bytes(data)
    reader = JournalReader(path)
    samples = np.concatenate([s for s, _ in reader.blocks()])
    assert samples.size >= 800 - 2 * hit
    one = samples[samples["station"] == 0]
    assert np.allclose(one["load_N"] - 1000.0, np.rint(one["time_s"] * 10)), "no row is ever invented"
    assert reader.damaged_bytes > 0


def test_a_reader_beside_a_writer_sees_whole_ticks_only_and_none_twice(tmp_path: Path) -> None:
    path = tmp_path / "j"
    journal = Journal.create(path, HEADER)
    reader = JournalReader(path)
    seen: list[float] = []
    for n in range(200):
        journal.append([row(n)], [event(n)] if n % 9 == 0 else [])
        if n % 3 == 0:
            os.pwrite(os.open(path, os.O_WRONLY), b"LS\x01\x02", journal.size)  # a record on its way
            for samples, _ in reader.blocks():
                seen += samples["time_s"].tolist()
    journal.close()
    for samples, _ in reader.blocks():
        seen += samples["time_s"].tolist()
    assert np.allclose(seen, 0.1 * np.arange(200))


def test_long_events_and_chunk_borders_are_read_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bench.replay.CHUNK", 5000)
    monkeypatch.setattr("bench.replay.LONGEST_EVENT", 2000)
    path = tmp_path / "j"
    journal = Journal.create(path, HEADER)
    for n in range(300):
        journal.append([row(n)], [event(n, "x" * (n * 5 % 1500))])
    journal.close()
    _, samples, events = read_journal(path)
    assert samples.size == 300 and [e.data["step"] for e in events] == list(range(300))


def test_a_short_write_is_cut_back_and_raised(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "j"
    journal = Journal.create(path, HEADER)
    journal.append([row(0)])
    size = journal.size
    real = os.pwrite
    monkeypatch.setattr(os, "pwrite", lambda fd, data, at: real(fd, data[:20], at))
    with pytest.raises(DiskFull, match="stands still at what was acknowledged"):
        journal.append([row(1)])
    assert path.stat().st_size == size == journal.size

    def none(fd: int, data: bytes, at: int) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "pwrite", none)
    with pytest.raises(DiskFull, match="No space left"):
        journal.append([row(1)])
    monkeypatch.setattr(os, "pwrite", real)
    journal.append([row(2)])
    journal.close()
    _, samples, _ = read_journal(path)
    assert samples["frame_ms"].tolist() == [0, 200]
    assert samples["sequence"].tolist() == [0, 1], "a row that was not kept has no number"


FULL_DISK = """
import resource, sys
from pathlib import Path
from bench.journal import Journal, DiskFull
from tests.bench.test_journal import row, HEADER
path = Path(sys.argv[1])
journal = Journal.create(path, HEADER)
resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, resource.RLIM_INFINITY))
kept = 0
try:
    while True:
        journal.append([row(kept)])
        kept += 1
except DiskFull:
    pass
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
journal.append([row(kept)])
journal.close()
print(kept + 1)
"""


def test_a_disk_that_really_takes_no_more_keeps_what_is_there_and_goes_on_when_there_is_room(tmp_path: Path) -> None:
    # a limit on the file's size gives the kernel's own short write, as a full disk does
    assert resource.RLIM_INFINITY
    path = tmp_path / "j"
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(path)], capture_output=True, text=True, check=False, cwd=Path.cwd()
    )
    assert done.returncode == 0, done.stderr
    _, samples, _ = read_journal(path)
    assert samples.size == int(done.stdout) > 100
    assert np.all(np.diff(samples["sequence"].astype(int)) == 1)


def test_a_second_writer_is_refused_and_a_reader_sees_that_it_is_being_written(tmp_path: Path) -> None:
    path = tmp_path / "j"
    assert not is_being_written(path)
    journal = Journal.create(path, HEADER)
    assert is_being_written(path)
    for again in (lambda: Journal.reopen(path), lambda: Journal.create(path, HEADER)):
        with pytest.raises(InputError, match="another process is writing"):
            again()
    journal.append([row(0)])
    journal.close()
    assert not is_being_written(path)
    assert read_journal(path)[1].size == 1, "the refused second writer did no harm"


@pytest.mark.parametrize(
    "content",
    [b"", b"LHJ1", b"not a journal at all", b"LHJ1" + b"\xff" * 40, b"LHJ1" + bytes(8), os.urandom(5000)],
    ids=["empty", "magic alone", "text", "huge length", "zero", "noise"],
)
def test_what_is_no_journal_is_refused_in_one_line(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "j"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_journal(path)
    assert str(path) in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize("seed", range(30))
def test_a_power_cut_keeps_everything_up_to_the_last_sync(tmp_path: Path, seed: int) -> None:
    """Replays the recorder's own writes: after the last sync any page may be old, new or empty, in any order."""
    rng = random.Random(seed)
    path = tmp_path / "j"
    sizes = write(path, 600, events_every=5)
    final = path.read_bytes()
    synced = sizes[rng.randrange(50, 550)]
    after = bytearray(final[:synced])
    page = 4096
    reached = rng.randrange(synced, len(final) + 1)
    after += bytes(reached - synced)
    for at in range(synced // page * page, reached, page):
        if rng.random() < 0.5:  # this page reached the disk
            lo, hi = max(at, synced), min(at + page, reached)
            after[lo:hi] = final[lo:hi]
    path.write_bytes(after)
    _, samples, _ = read_journal(path)
    kept = sum(size <= synced for size in sizes)
    assert np.array_equal(samples["time_s"][: 2 * kept : 2], 0.1 * np.arange(kept))
    journal = Journal.reopen(path)  # and it can be taken up again
    journal.append([row(9999)])
    journal.close()
    assert read_journal(path)[1]["time_s"][-1] == pytest.approx(999.9)
