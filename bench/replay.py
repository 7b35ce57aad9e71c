"""Reading a journal: whole records only, whatever tore, overwrote or outgrew the rest."""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench.journal import (
    EVENT_MAGIC,
    HEADER_MAGIC,
    LONGEST_EVENT,
    LONGEST_HEADER,
    SAMPLE,
    SAMPLE_MAGIC,
    Event,
    Samples,
)
from models.errors import InputError


def _event_of(payload: bytes) -> Event | None:
    try:
        d = json.loads(payload)
        return Event(
            time_s=float(d["time_s"]),
            utc=float(d["utc"]),
            station=str(d["station"]),
            kind=str(d["kind"]),
            message=str(d["message"]),
            data=dict(d["data"]),
        )
    except (ValueError, KeyError, TypeError, RecursionError, OverflowError):
        return None


def _crc_table() -> NDArray[np.uint32]:
    n = np.arange(256, dtype=np.uint32)
    for _ in range(8):
        n = np.where(n & 1, (n >> 1) ^ np.uint32(0xEDB88320), n >> 1).astype(np.uint32)
    return n


_CRC = _crc_table()


def crc32_rows(rows: NDArray[np.uint8]) -> NDArray[np.uint32]:
    """CRC32 of each row of bytes, (n, length) -> (n,): the same as zlib.crc32 of each."""
    crc = np.full(rows.shape[0], 0xFFFFFFFF, dtype=np.uint32)
    for column in np.ascontiguousarray(rows.T):
        crc = _CRC[(crc ^ column) & 0xFF] ^ (crc >> np.uint32(8))
    return crc ^ np.uint32(0xFFFFFFFF)


Block = tuple[Samples, list[tuple[int, Event]]]
CHUNK = 4_000_000


class JournalReader:
    """Reads whole records, from the start or from where it stopped; never writes, never waits."""

    def __init__(self, path: Path) -> None:
        """Reads the header.

        Raises
        ------
        InputError
            If the file is not a journal or its header is not whole.
        """
        self.path = path
        self.whole_bytes = 0  # end of the last whole record
        self.damaged_bytes = 0  # skipped between whole records
        self.header: dict[str, Any] = self._header()
        self._at = self.whole_bytes
        self._last = -1

    def _header(self) -> dict[str, Any]:
        try:
            with self.path.open("rb") as f:
                head = f.read(12)
                if len(head) < 12 or head[:4] != HEADER_MAGIC:
                    raise InputError(f"{self.path}: not the journal of a run")
                crc, length = struct.unpack("<II", head[4:])
                text = f.read(length) if length <= LONGEST_HEADER else b""
        except OSError as error:
            raise InputError(f"{self.path}: {error.strerror}") from None
        if len(text) != length or zlib.crc32(head[8:] + text) != crc:
            raise InputError(f"{self.path}: the journal's header is damaged")
        self.whole_bytes = 12 + length
        try:
            header = json.loads(text)
        except (ValueError, RecursionError):
            raise InputError(f"{self.path}: the journal's header is damaged") from None
        if not isinstance(header, dict):
            raise InputError(f"{self.path}: the journal's header is damaged")
        return header

    def blocks(self) -> Iterator[Block]:
        """Whole records from where the last call stopped, in pieces of a few megabytes."""
        with self.path.open("rb") as f:
            while True:
                f.seek(self._at)
                data = f.read(CHUNK)
                if not data:
                    return
                samples, events, used = self._parse(data, final=len(data) < CHUNK)
                if samples.size or events:
                    yield samples, events
                if used == 0:
                    return
                self._at += used

    def _parse(self, data: bytes, *, final: bool) -> tuple[Samples, list[tuple[int, Event]], int]:
        """Whole records of a piece; how many bytes are done with. What is not whole at its end waits for more."""
        at, end = 0, len(data)
        found: list[Samples] = []
        events: list[tuple[int, Event]] = []
        size = SAMPLE.itemsize
        damaged = 0
        done = 0
        while at < end:
            head = data[at : at + 2]
            if head == SAMPLE_MAGIC and at + size <= end:
                run = self._run(data, at)
                if run.size:
                    found.append(run)
                    at += run.size * size
                    done = at
                    self._settle(damaged, at)
                    damaged = 0
                    continue
            elif head == EVENT_MAGIC and at + 14 <= end:
                crc, n, length = struct.unpack_from("<III", data, at + 2)
                stop = at + 14 + length
                if length <= LONGEST_EVENT and stop > end and not final:
                    break  # the rest of it is in the next piece
                if length <= LONGEST_EVENT and stop <= end and zlib.crc32(data[at + 6 : stop]) == crc:
                    event = _event_of(data[at + 14 : stop])
                    if event is not None:
                        events.append((n, event))
                    self._last = max(self._last, n)
                    at = done = stop
                    self._settle(damaged, at)
                    damaged = 0
                    continue
            elif end - at < size and not final:
                break
            # not a whole record: look for the next place where one may begin
            nexts = [p for p in (data.find(SAMPLE_MAGIC, at + 1), data.find(EVENT_MAGIC, at + 1)) if p > 0]
            to = min(nexts, default=end)
            damaged += to - at
            at = to
        rows = np.concatenate(found) if found else np.empty(0, SAMPLE)
        # a torn tail is left for the next look: it may be a record that is being written
        return rows, events, done if final else max(done, at if at < end else end - size)

    def _settle(self, damaged: int, at: int) -> None:
        self.damaged_bytes += damaged
        self.whole_bytes = self._at + at

    def _run(self, data: bytes, at: int) -> Samples:
        """As many whole samples as stand in a row from ``at``."""
        size = SAMPLE.itemsize
        n = 1
        while at + (n + 1) * size <= len(data) and data[at + n * size : at + n * size + 2] == SAMPLE_MAGIC:
            n += 1
        raw = np.frombuffer(data, np.uint8, n * size, at).reshape(n, size)
        rows = raw.reshape(-1).view(SAMPLE)
        good = crc32_rows(raw[:, 6:]) == rows["crc"]
        first_bad = int(np.argmin(good)) if not good.all() else n
        run = rows[:first_bad]
        if run.size:
            self._last = max(self._last, int(run["sequence"][-1]))
        return run


def read_journal(path: Path) -> tuple[dict[str, Any], Samples, list[Event]]:
    """Everything whole in a journal: header, samples, events. Raises InputError if it is none."""
    reader = JournalReader(path)
    samples, events = [], []
    for block, found in reader.blocks():
        samples.append(block)
        events += [e for _, e in found]
    return reader.header, np.concatenate(samples) if samples else np.empty(0, SAMPLE), events
