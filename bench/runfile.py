"""RUN.h5: the run as HDF5 that any viewer opens and plots, made from the journal; the only user of h5py.

A sealed file ends with a mark that holds the SHA-256 of everything before it. A file that carries the mark is exactly
what was sealed and is read at once; any other HDF5 file is first read in a child process with a deadline, because a
file that a power cut tore, or that somebody made up, can hang or kill the HDF5 library.

Long because what is written, sealed and read is one layout.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import h5py
import numpy as np
from numpy.typing import NDArray

from bench.journal import Event, Samples, sync_folder
from bench.record import (
    COLUMNS,
    Run,
    checked_header,
    group_names,
    journal_path,
    line_length_mm,
    run_of_journal,
    run_of_parts,
    spokes_of,
    table_of,
)
from bench.replay import JournalReader
from models.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

    from bench.live import LiveRun

FORMAT = 1
LIVE_CHUNK = 60  # rows: a flush rewrites a whole chunk
SEALED_CHUNK = 4096
CACHE_BYTES = {True: 1 << 12, False: 1 << 16}  # of one dataset: live, sealed
MARK = b"LHSEAL1\n"
MARK_BYTES = len(MARK) + 8 + 32
CHILD_DEADLINE_S = 30.0
CHILD_MEMORY_BYTES = 6 << 30

# writing -------------------------------------------------------------------------------------------------------------


def _put_text(group: Any, name: str, text: str) -> None:
    group.create_dataset(name, data=text, dtype=h5py.string_dtype())


def _iso(utc: float) -> str:
    from datetime import UTC, datetime

    return datetime.fromtimestamp(utc, UTC).isoformat(timespec="milliseconds")


_EVENT_FIELDS: tuple[tuple[str, str], ...] = (
    ("time", "f8"),
    ("utc", "f8"),
    ("station", "S32"),
    ("kind", "S32"),
    ("message", "S512"),
    ("data", "S2048"),
)


class RunWriter:
    """Datasets of one run file that grow; used live (SWMR) and for sealing."""

    def __init__(self, path: Path, header: Mapping[str, Any], *, live: bool) -> None:
        self.path, self.live = path, live
        path.unlink(missing_ok=True)  # an older file of this name is not opened, it may be torn
        # small caches: rows are written once and never read back, and memory must not grow with the night
        self._file = h5py.File(path, "w", libver=("v110", "v110"), locking=False, rdcc_nbytes=CACHE_BYTES[live])
        self._header = header
        options: dict[str, Any] = (
            {"chunks": (LIVE_CHUNK,)} if live else {"chunks": (SEALED_CHUNK,), "compression": "gzip", "shuffle": True}
        )
        f = self._file
        f.attrs["NX_class"] = "NXroot"
        f.attrs["default"] = "entry"
        f.attrs["creator"] = f"longhold {header['made_with']}"
        f.attrs["longhold_format"] = FORMAT
        entry = f.create_group("entry")
        names = group_names(header)
        entry.attrs["NX_class"] = "NXentry"
        entry.attrs["default"] = names[0]
        _put_text(entry, "title", header["name"])
        _put_text(entry, "start_time", _iso(header["start_utc"]))
        _put_text(entry, "program_name", "longhold")
        for what in ("program", "frame"):
            group = entry.create_group(what)
            group.attrs["NX_class"] = "NXcollection"
            _put_text(group, "text", header[f"{what}_text"])
            _put_text(group, "sha256", hashlib.sha256(header[f"{what}_text"].encode()).hexdigest())
        calibration = entry.create_group("calibration")
        calibration.attrs["NX_class"] = "NXcollection"
        for name, constants in zip(names, header["calibration"], strict=True):
            group = calibration.create_group(name)
            group.attrs["NX_class"] = "NXcollection"
            for key, value in constants.items():
                if value is not None:
                    group.attrs[key] = value
        _put_text(entry, "header", json.dumps(header, ensure_ascii=False))
        self._stations: list[dict[str, Any]] = []
        self._rows = [0] * len(names)
        for i, name in enumerate(names):
            self._stations.append(self._station(entry.create_group(name), i, options))
        log = entry.create_group("events")
        log.attrs["NX_class"] = "NXcollection"
        self._log = {
            name: log.create_dataset(name, (0,), maxshape=(None,), dtype=kind, **(options | {"chunks": (64,)}))
            for name, kind in _EVENT_FIELDS
        }
        for name in ("time", "utc"):
            self._log[name].attrs["units"] = "s"
        self._events = 0
        if live:
            f.swmr_mode = True
            self.sync()
            sync_folder(path.parent)

    def _station(self, group: Any, index: int, options: Mapping[str, Any]) -> dict[str, Any]:
        station = self._header["stations"][index]
        group.attrs.update(
            {
                "NX_class": "NXdata",
                "signal": "elongation",
                "axes": np.array(["time"], dtype=h5py.string_dtype()),
                "time_indices": 0,
                "auxiliary_signals": np.array(["elongation_raw"], dtype=h5py.string_dtype()),
                "title": f"{station['spoke']} on station {station['name']}",
                "station": station["name"],
                "spoke": station["spoke"],
                "spokes": np.array(spokes_of(station), dtype=h5py.string_dtype()),
                "gauge_length_mm": line_length_mm(self._header, station),
                "step_names": np.array(self._header["step_names"], dtype=h5py.string_dtype()),
            }
        )
        datasets = {}
        for name, (_, kind, units, label) in COLUMNS.items():
            d = group.create_dataset(name, (0,), maxshape=(None,), dtype=kind, **options)
            d.attrs["units"] = units
            d.attrs["long_name"] = f"{label} ({units})" if units != "1" else label
            datasets[name] = d
        datasets["time"].make_scale("time")
        for name in COLUMNS:
            if name != "time":
                datasets[name].dims[0].attach_scale(datasets["time"])
        datasets["step"].attrs["step_names"] = np.array(self._header["step_names"], dtype=h5py.string_dtype())
        return datasets

    def append(self, samples: Samples, events: Sequence[Event]) -> None:
        """Add rows of any stations, and events."""
        for i, datasets in enumerate(self._stations):
            rows = samples[samples["station"] == i]
            if not rows.size:
                continue
            start, stop = self._rows[i], self._rows[i] + rows.size
            for name, (field, *_) in COLUMNS.items():
                datasets[name].resize((stop,))
                datasets[name][start:stop] = rows[field]
            self._rows[i] = stop
        if events:
            start, stop = self._events, self._events + len(events)
            columns = {
                "time": [e.time_s for e in events],
                "utc": [e.utc for e in events],
                "station": [e.station.encode()[:32] for e in events],
                "kind": [e.kind.encode()[:32] for e in events],
                "message": [_cut(e.message, 512) for e in events],
                "data": [_cut(json.dumps(e.data, ensure_ascii=False), 2048) for e in events],
            }
            for name, kind in _EVENT_FIELDS:
                self._log[name].resize((stop,))
                self._log[name][start:stop] = np.array(columns[name], dtype=kind)
            self._events = stop

    def finish(self, end_utc: float | None, ended: str | None) -> None:
        """What is only known at the end; not in a live file."""
        entry = self._file["entry"]
        if end_utc is not None:
            _put_text(entry, "end_time", _iso(end_utc))
        if ended is not None:
            _put_text(entry, "ended", ended)

    def sync(self) -> None:
        """Flush, then bring the file onto the disk."""
        self._file.flush()
        os.fsync(self._file.id.get_vfd_handle())

    def close(self) -> None:
        self._file.close()


def _cut(text: str, most: int) -> bytes:
    return text.encode()[:most].decode(errors="ignore").encode()


def seal(path: Path, journal: Path) -> Mapping[str, Any]:
    """Make RUN.h5 from its journal: compressed, read back against the journal, marked, renamed into place.

    The old file under this name is not opened. Memory does not grow with the run's length.

    Raises
    ------
    InputError
        If the journal cannot be read.
    OSError
        If the disk is full; the old file still stands and the journal is untouched.
    """
    temporary = path.with_name(f".{path.name}.making")
    reader = JournalReader(journal)
    header = checked_header(reader.header, str(journal))
    try:
        writer = RunWriter(temporary, header, live=False)
        try:
            end: tuple[float | None, str | None] = (None, None)
            last_utc: float | None = None
            for samples, events in reader.blocks():
                writer.append(samples, [e for _, e in events])
                if samples.size:
                    last_utc = float(samples["utc"][-1])
                for _, e in events:
                    if e.kind == "end":
                        end = (e.utc, str(e.data.get("ended", e.message)))
                    elif e.kind == "resumed":
                        end = (None, None)
            writer.finish(end[0] if end[0] is not None else last_utc, end[1])
        finally:
            writer.close()
        _check_against(temporary, journal)
        _mark(temporary)
        temporary.replace(path)
        sync_folder(path.parent)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return header


def _check_against(path: Path, journal: Path) -> None:
    """Read the file back, row by row against the journal; a difference is our own or the disk's fault."""
    reader = JournalReader(journal)
    names = group_names(reader.header)
    at = [0] * len(names)
    with h5py.File(path, "r", locking=False) as f:
        for samples, _ in reader.blocks():
            for i, name in enumerate(names):
                rows = samples[samples["station"] == i]
                for column, (field, *_) in COLUMNS.items():
                    got = f["entry"][name][column][at[i] : at[i] + rows.size]
                    if not np.array_equal(got, rows[field], equal_nan=got.dtype.kind == "f"):
                        raise OSError(f"{path}: reads back otherwise than it was written: {name}/{column}")
                at[i] += rows.size


def _digest(path: Path, length: int) -> bytes:
    h = hashlib.sha256()
    with path.open("rb") as f:
        left = length
        while left > 0:
            piece = f.read(min(left, 1 << 20))
            if not piece:
                break
            h.update(piece)
            left -= len(piece)
    return h.digest()


def _mark(path: Path) -> None:
    length = path.stat().st_size
    with path.open("ab") as f:
        f.write(MARK + length.to_bytes(8, "little") + _digest(path, length))
        f.flush()
        os.fsync(f.fileno())


def is_sealed(path: Path) -> bool:
    """Whether the file is, byte for byte, what was once sealed."""
    try:
        size = path.stat().st_size
        if size <= MARK_BYTES:
            return False
        with path.open("rb") as f:
            f.seek(size - MARK_BYTES)
            tail = f.read(MARK_BYTES)
        length = int.from_bytes(tail[len(MARK) : len(MARK) + 8], "little")
        return tail.startswith(MARK) and length == size - MARK_BYTES and _digest(path, length) == tail[-32:]
    except OSError:
        return False


# reading -------------------------------------------------------------------------------------------------------------


def read_run(path: Path) -> Run:
    """Read a run: from its journal where one stands beside it, else from the HDF5 file.

    Raises
    ------
    InputError
        One plain message: no such file, torn, or not a run file.
    """
    journal = journal_path(path)
    if journal.exists():
        try:
            return run_of_journal(path, journal)
        except InputError:
            if not path.exists():
                raise
    if not path.exists():
        raise InputError(f"{path}: no such file (a run file, RUN.h5, was expected)")
    if path.is_dir():
        raise InputError(f"{path}: is a folder (a run file, RUN.h5, was expected)")
    try:
        with path.open("rb") as f:
            if f.read(8) != b"\x89HDF\r\n\x1a\n":
                raise InputError(f"{path}: not a run file (HDF5 was expected)")
    except OSError as error:
        raise InputError(f"{path}: {error.strerror}") from None
    parts = load_parts(path) if is_sealed(path) else _load_in_child(path)
    return run_of_parts(path, parts)


def load_parts(path: Path, *, swmr: bool = False) -> dict[str, NDArray[Any]]:
    """Everything of a run file as plain arrays, under names like ``station_a/load``; may hang on a torn file."""
    parts: dict[str, NDArray[Any]] = {}
    options: dict[str, Any] = {"swmr": True, "locking": False} if swmr else {}
    with h5py.File(path, "r", **options) as f:
        entry = f["entry"]
        header = json.loads(entry["header"][()])
        parts["header"] = np.frombuffer(json.dumps(header).encode(), np.uint8)
        for name in group_names(header):
            n = min(entry[name][column].shape[0] for column in COLUMNS)
            for column, (_, kind, *_) in COLUMNS.items():
                parts[f"{name}/{column}"] = np.asarray(entry[name][column][:n], dtype=kind)
        n = min(entry["events"][field].shape[0] for field, _ in _EVENT_FIELDS)
        for field, kind in _EVENT_FIELDS:
            parts[f"events/{field}"] = np.asarray(entry["events"][field][:n], dtype=kind)
    return parts


def _load_in_child(path: Path) -> dict[str, NDArray[Any]]:
    """`load_parts` where a hang or a crash of the library costs only the child."""
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-m", "bench.runfile", str(path)],
            capture_output=True,
            timeout=CHILD_DEADLINE_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise InputError(f"{path}: cannot be read within {CHILD_DEADLINE_S:.0f} s: torn, or not a run file") from None
    if done.returncode != 0:
        raise InputError(f"{path}: torn, or not a run file; its journal {journal_path(path).name} would mend it")
    try:
        with np.load(io.BytesIO(done.stdout), allow_pickle=False) as archive:
            return {name: archive[name] for name in archive.files}
    except (ValueError, OSError, KeyError, EOFError):
        raise InputError(f"{path}: torn, or not a run file") from None


def _was_written_live(path: Path) -> bool:
    """Whether the superblock says that a writer had it open for readers beside it (version 3, consistency flags)."""
    with path.open("rb") as f:
        head = f.read(12)
    return len(head) == 12 and head[8] == 3 and bool(head[11] & 0x04)


def _child(path: Path) -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_AS, (CHILD_MEMORY_BYTES, CHILD_MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    parts = load_parts(path, swmr=_was_written_live(path))
    out = io.BytesIO()
    np.savez(out, **parts)  # type: ignore[arg-type]
    sys.stdout.buffer.write(out.getvalue())


def read_table(path: Path) -> pd.DataFrame:
    """The run as a table, see `bench.record.table_of`; raises InputError as `read_run`."""
    return table_of(read_run(path))


def open_live(path: Path) -> LiveRun:
    """Attach to a run that is being written, is finished, or was cut off; reads only.

    Raises
    ------
    InputError
        As `read_run`.
    """
    from bench.live import LiveRun

    return LiveRun(path)


if __name__ == "__main__":
    _child(Path(sys.argv[1]))
