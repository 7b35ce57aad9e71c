"""The append-only journal: the truth of a run. Checked records, one write a tick, acknowledged when whole.

    header   "LHJ1", CRC32, length, JSON            once, first
    sample   "LS", CRC32, sequence, fields          58 bytes a station and tick
    event    "LE", CRC32, sequence, length, JSON    what happened, with the constants that were learned

All numbers little-endian. The CRC32 (IEEE 802.3, as in zlib) covers everything that follows it in the record.
Reading never trusts a length before its checksum, skips what is torn or overwritten, and goes on at the next record
that is whole; sequence numbers show what is missing.
"""

from __future__ import annotations

import errno
import json
import os
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench.errors import BenchError
from models.errors import InputError

HEADER_MAGIC = b"LHJ1"
SAMPLE_MAGIC = b"LS"
EVENT_MAGIC = b"LE"
LONGEST_HEADER = 16_000_000
LONGEST_EVENT = 1_000_000  # well below what is read at once

SAMPLE = np.dtype(
    [
        ("magic", "S2"),
        ("crc", "<u4"),
        ("sequence", "<u4"),
        ("station", "u1"),  # index into the header's stations
        ("step", "u1"),  # index into the header's step names
        ("flags", "<u2"),  # see below
        ("time_s", "<f8"),  # since the run's start
        ("utc", "<f8"),  # s since 1970
        ("frame_ms", "<u4"),  # the device's own counter
        ("load_N", "<f4"),
        ("position_mm", "<f4"),
        ("elongation_mm", "<f4"),  # from the seated, unloaded spoke, frame compliance taken off; NaN while slack
        ("elongation_raw_mm", "<f4"),
        ("temperature_C", "<f4"),  # NaN where not measured
        ("set_load_N", "<f4"),
    ]
)
assert SAMPLE.itemsize == 58
_SAMPLE = struct.Struct("<IBBHddIffffff")  # after magic and CRC
_HEAD = struct.Struct("<2sI")
_EVENT = struct.Struct("<II")  # sequence, length

STATE_MASK = 0x000F  # code of the station's state
OFFSET_UNKNOWN = 0x0010  # position was lost before: the elongation carries an unknown offset
GAP_BEFORE = 0x0020  # the recording was interrupted before this row

Samples = NDArray[np.void]


class DiskFull(BenchError):
    """The journal could not be written whole; what was acknowledged is kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One station at one tick, as it is recorded."""

    station: int
    step: int
    flags: int
    time_s: float
    utc: float
    frame_ms: int
    load_N: float
    position_mm: float
    elongation_mm: float
    elongation_raw_mm: float
    temperature_C: float
    set_load_N: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened."""

    time_s: float
    utc: float
    station: str  # empty for the run or the frame
    kind: str
    message: str
    data: dict[str, Any]  # constants learned, counters; empty for most

    def as_dict(self) -> dict[str, Any]:
        """As it stands in the journal."""
        return {
            "time_s": self.time_s,
            "utc": self.utc,
            "station": self.station,
            "kind": self.kind,
            "message": self.message,
            "data": self.data,
        }


class Journal:
    """The writer: one per run, held by a lock."""

    def __init__(self, path: Path, handle: int, size: int, sequence: int) -> None:
        self.path = path
        self._fd = handle
        self.size = size  # bytes acknowledged
        self.sequence = sequence  # of the next record

    @classmethod
    def create(cls, path: Path, header: dict[str, Any]) -> Journal:
        """Begin a journal; an older one of this name is replaced. The header and the folder are on disk on return.

        Raises
        ------
        DiskFull
            If not even the header fits; nothing is left behind.
        """
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            _lock(fd, path)
        except BaseException:  # it belongs to the process that writes it
            os.close(fd)
            raise
        try:
            os.ftruncate(fd, 0)
            text = json.dumps(header, ensure_ascii=False).encode()
            body = struct.pack("<I", len(text)) + text
            journal = cls(path, fd, 0, 0)
            journal._append(HEADER_MAGIC + struct.pack("<I", zlib.crc32(body)) + body)
            os.fsync(fd)
            sync_folder(path.parent)
        except BaseException:
            os.close(fd)
            path.unlink(missing_ok=True)
            raise
        return journal

    @classmethod
    def reopen(cls, path: Path) -> Journal:
        """Go on with a journal that was cut off: the torn tail is cut, the sequence goes on.

        Raises
        ------
        InputError
            If it is no journal, or another process writes it.
        """
        try:
            fd = os.open(path, os.O_RDWR | os.O_CLOEXEC)
        except OSError as error:
            raise InputError(f"{path}: {error.strerror}") from None
        try:
            _lock(fd, path)
            from bench.replay import JournalReader

            reader = JournalReader(path)
            last = -1
            for samples, events in reader.blocks():
                if samples.size:
                    last = max(last, int(samples["sequence"].max()))
                last = max([last, *(n for n, _ in events)])
            os.ftruncate(fd, reader.whole_bytes)
            os.fsync(fd)
        except BaseException:
            os.close(fd)
            raise
        return cls(path, fd, reader.whole_bytes, last + 1)

    def append(self, rows: Sequence[Row], events: Sequence[Event] = ()) -> None:
        """Write one tick's rows and events in one call; on return they survive the death of this process.

        Raises
        ------
        DiskFull
            If they could not be written whole: the file is cut back to what was acknowledged.
        """
        parts: list[bytes] = []
        n = self.sequence
        for r in rows:
            body = _SAMPLE.pack(
                n,
                r.station,
                r.step,
                r.flags,
                r.time_s,
                r.utc,
                r.frame_ms,
                r.load_N,
                r.position_mm,
                r.elongation_mm,
                r.elongation_raw_mm,
                r.temperature_C,
                r.set_load_N,
            )
            parts.append(_HEAD.pack(SAMPLE_MAGIC, zlib.crc32(body)))
            parts.append(body)
            n += 1
        for e in events:
            text = json.dumps(e.as_dict(), ensure_ascii=False).encode()
            if len(text) > LONGEST_EVENT:
                raise ValueError("an event is a line, not a book")
            body = _EVENT.pack(n, len(text)) + text
            parts.append(_HEAD.pack(EVENT_MAGIC, zlib.crc32(body)))
            parts.append(body)
            n += 1
        self._append(b"".join(parts))
        self.sequence = n

    def _append(self, data: bytes) -> None:
        try:
            written = os.pwrite(self._fd, data, self.size)
        except OSError as error:
            self._cut_back()
            raise DiskFull(f"{self.path}: {error.strerror}: the record stands still at what was acknowledged") from None
        if written != len(data):
            self._cut_back()
            raise DiskFull(
                f"{self.path}: {os.strerror(errno.ENOSPC)}: the record stands still at what was acknowledged"
            )
        self.size += written

    def _cut_back(self) -> None:
        try:
            os.ftruncate(self._fd, self.size)
        except OSError:  # a reader skips the torn tail anyway
            return

    def sync(self) -> None:
        """Bring what was acknowledged onto the disk: survives a power cut. May be called from another thread."""
        os.fdatasync(self._fd)

    def close(self) -> None:
        """Sync and let go of the file."""
        try:
            os.fsync(self._fd)
        finally:
            os.close(self._fd)


# Linux: struct flock of an open file description's lock, which a reader can ask about without taking it
_FLOCK = struct.Struct("hh4xqqi4x")


def _lock(fd: int, path: Path) -> None:
    import fcntl  # only where runs are written: other systems read finished files

    try:
        fcntl.fcntl(fd, fcntl.F_OFD_SETLK, _FLOCK.pack(fcntl.F_WRLCK, os.SEEK_SET, 0, 0, 0))
    except OSError:
        raise InputError(f"{path}: another process is writing this run; end it first") from None


def is_being_written(path: Path) -> bool:
    """Whether a process holds the journal; False where there is none. Takes no lock itself."""
    try:
        import fcntl

        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except (ImportError, OSError):
        return False
    try:
        asked = _FLOCK.pack(fcntl.F_WRLCK, os.SEEK_SET, 0, 0, 0)
        return bool(_FLOCK.unpack(fcntl.fcntl(fd, fcntl.F_OFD_GETLK, asked))[0] != fcntl.F_UNLCK)
    except OSError:
        return False
    finally:
        os.close(fd)


def sync_folder(folder: Path) -> None:
    """Bring a folder's entries onto the disk: a new or renamed file survives a power cut."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
