"""The recorder: journal first, acknowledged; a thread brings it onto the disk and into a live HDF5 file each second.

A power cut takes at most what was acknowledged since the last sync, about `SYNC_EVERY_S`. A killed process takes
nothing. Any trouble with HDF5 leaves the journal alone to carry the run; the file is made from it at the end.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from bench.journal import DiskFull, Event, Journal, Row
from bench.record import journal_path
from bench.replay import JournalReader

SYNC_EVERY_S = 1.0


class Recorder:
    """Records one run; `record` returns once the rows are acknowledged."""

    def __init__(
        self,
        path: Path,
        journal: Journal,
        header: Mapping[str, Any],
        *,
        live: bool = True,
        sync_every_s: float = SYNC_EVERY_S,
        acknowledge: Callable[[int], None] | None = None,
    ) -> None:
        """``acknowledge`` is called with the sequence number after each whole write (a test's witness)."""
        self.path, self.header = path, header
        self._journal = journal
        self._acknowledge = acknowledge
        self._sync_every_s = sync_every_s
        self._live = live
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.trouble: str | None = None  # why the live HDF5 file was set aside
        self.disk_full = False
        self._unsynced = False  # the last sync failed
        self.rows = 0

    @classmethod
    def create(cls, path: Path, header: Mapping[str, Any], **options: Any) -> Recorder:
        """A new run; raises DiskFull, InputError (another process writes this run) or OSError."""
        return cls(path, Journal.create(journal_path(path), dict(header)), header, **options)

    @classmethod
    def reopen(cls, path: Path, **options: Any) -> Recorder:
        """Go on with a run that was cut off. The old HDF5 file is not opened. Raises InputError."""
        journal = Journal.reopen(journal_path(path))
        header = JournalReader(journal_path(path)).header
        return cls(path, journal, header, **options)

    def __enter__(self) -> Self:
        self._thread = threading.Thread(target=self._keep_up, name="recorder", daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        self._journal.close()

    def record(self, rows: Sequence[Row], events: Sequence[Event] = ()) -> bool:
        """Write rows and events; False where nothing can be kept: a full or failing disk, or no memory left."""
        if self._unsynced:
            return False
        try:
            self._journal.append(rows, events)
        except (DiskFull, MemoryError):
            self.disk_full = True
            return False
        self.disk_full = False
        self.rows += len(rows)
        if self._acknowledge is not None:
            self._acknowledge(self._journal.sequence)
        return True

    def _keep_up(self) -> None:
        """Runs in its own thread: never in the way of a tick."""
        writer: Any = None
        reader: JournalReader | None = None
        stop = False
        while not stop:
            stop = self._stop.wait(self._sync_every_s)
            try:
                self._journal.sync()
                self._unsynced = False
            except OSError as error:  # what was acknowledged may never reach the disk
                self._unsynced = True
                self.trouble = f"the journal could not be synced: {error.strerror}"
            if not self._live or self.trouble:
                continue
            try:
                if writer is None:
                    from bench.runfile import RunWriter

                    reader = JournalReader(self._journal.path)
                    writer = RunWriter(self.path, self.header, live=True)
                assert reader is not None
                for samples, events in reader.blocks():
                    writer.append(samples, [e for _, e in events])
                writer.sync()
            except Exception as error:  # whatever HDF5 thinks of: the journal carries the run, the file is made later
                self.trouble = f"the live HDF5 file is set aside, the journal goes on: {error}"
                _close_quietly(writer)
                writer = None
        _close_quietly(writer)


def _close_quietly(writer: Any) -> None:
    """A file that could not be written often cannot be closed either; it will be made anew from the journal."""
    if writer is not None:
        try:
            writer.close()
        except Exception:
            return


def finish(path: Path, *, keep_journal: bool) -> None:
    """Seal RUN.h5 from its journal; the journal goes once nothing more can come of it.

    Raises
    ------
    OSError
        If the disk is full: the journal stays, and any later reader uses it.
    """
    from bench.runfile import seal

    journal = journal_path(path)
    seal(path, journal)
    if not keep_journal:
        journal.unlink()
