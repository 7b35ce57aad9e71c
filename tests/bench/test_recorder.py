"""The recorder: the journal carries the run, the live HDF5 file follows it, and a sealed file equals the journal."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from bench import runfile
from bench.journal import DiskFull
from bench.record import COLUMNS, group_names, journal_path
from bench.recorder import Recorder, finish
from bench.replay import read_journal
from bench.runfile import is_sealed, read_run
from tests.bench.runs import record_run
from tests.bench.test_journal import event, row

HEADER: dict[str, Any] = {
    "made_with": "0",
    "name": "trial",
    "batch": "T",
    "gauge_length_mm": 280.0,
    "start_utc": 1.8e9,
    "token": 7,
    "stations": [{"name": "A", "spoke": "T-1", "index": 0}, {"name": "B", "spoke": "T-2", "index": 1}],
    "step_names": ["1 seat", "2 hold"],
    "step_s": [20.0, 100.0],
    "program_text": 'name = "trial"\n',
    "program_where": "program.toml",
    "frame_text": 'name = "frame"\n',
    "frame_where": "frame.toml",
    "frame_name": "frame",
    "frame_serial": None,
    "calibration": [{"frame_compliance_mm_per_N": 4e-4, "cell_serial": None}] * 2,
}


def equal_to_journal(path: Path, journal: Path) -> None:
    """Every row of the HDF5 file against the journal, bit by bit."""
    header, samples, _ = read_journal(journal)
    with h5py.File(path, "r", swmr=True, locking=False) as f:
        for i, name in enumerate(group_names(header)):
            rows = samples[samples["station"] == i]
            for column, (field, *_) in COLUMNS.items():
                got = f["entry"][name][column][()]
                assert np.array_equal(got, rows[field], equal_nan=got.dtype.kind == "f"), (name, column)


def test_a_sealed_run_equals_its_journal_and_the_journal_goes(tmp_path: Path) -> None:
    out = tmp_path / "run.h5"
    outcome, recorder = record_run(out)
    assert outcome.finished and recorder.trouble is None
    kept = journal_path(out).read_bytes()
    finish(out, keep_journal=False)
    assert is_sealed(out) and not journal_path(out).exists()
    (tmp_path / "copy").write_bytes(kept)
    equal_to_journal(out, tmp_path / "copy")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy", "run.h5"], "no temporary file is left"
    size = out.stat().st_size / recorder.rows
    assert size < 60.0, f"{size:.1f} bytes a station-sample on disk"


def test_the_live_file_is_readable_while_it_grows_and_follows_the_journal(tmp_path: Path) -> None:
    out = tmp_path / "run.h5"
    seen: list[int] = []
    with Recorder.create(out, HEADER, sync_every_s=0.01) as recorder:
        for n in range(300):
            assert recorder.record([row(n), row(n, 1)], [event(n)] if n % 50 == 0 else [])
            if n % 100 == 99:
                for _ in range(2000):  # until the thread has caught up
                    if out.exists() and _live_rows(out) == n + 1:
                        break
                    threading.Event().wait(0.005)
                seen.append(_live_rows(out))
    assert seen == [100, 200, 300]
    equal_to_journal(out, journal_path(out))


def _live_rows(out: Path) -> int:
    try:
        with h5py.File(out, "r", swmr=True, locking=False) as f:
            return int(f["entry"]["station_a"]["time"].shape[0])
    except (OSError, KeyError):
        return -1


def test_any_error_of_hdf5_leaves_the_journal_alone_to_carry_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "run.h5"
    real = runfile.RunWriter.append
    calls, failed = iter(range(100)), threading.Event()

    def fails_later(self: Any, samples: Any, events: Any) -> None:
        if self.live and next(calls) > 2:
            failed.set()
            raise RuntimeError("unable to flush (disk full)")
        real(self, samples, events)

    monkeypatch.setattr(runfile.RunWriter, "append", fails_later)
    with Recorder.create(out, HEADER, sync_every_s=0.002) as recorder:
        rows = 0
        while not failed.is_set() or rows % 1000:  # until it has failed, and some more
            assert recorder.record([row(rows), row(rows, 1)])
            rows += 1
            if rows % 100 == 0:
                failed.wait(0.01)
            assert rows < 500_000, "the thread never wrote"
    assert recorder.trouble is not None and "the journal goes on" in recorder.trouble
    finish(out, keep_journal=True)
    assert is_sealed(out)
    equal_to_journal(out, journal_path(out))
    assert read_run(out).stations["B"].columns["time"].size == rows


def test_a_row_is_acknowledged_only_after_it_is_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "run.h5"
    told: list[int] = []
    with Recorder.create(out, HEADER, live=False, acknowledge=told.append) as recorder:
        assert recorder.record([row(0)])

        def full(data: bytes) -> None:
            raise DiskFull("no room")

        monkeypatch.setattr(recorder._journal, "_append", full)
        assert not recorder.record([row(1)]) and recorder.disk_full
        monkeypatch.undo()
        assert recorder.record([row(2)]) and not recorder.disk_full
    assert told == [1, 2]
    assert read_journal(journal_path(out))[1]["frame_ms"].tolist() == [0, 200]


def test_sealing_that_fails_leaves_the_old_file_and_the_journal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "run.h5"
    record_run(out, live=False)
    out.write_bytes(b"older")

    def full(self: Any, samples: Any, events: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(runfile.RunWriter, "append", full)
    with pytest.raises(OSError, match="No space"):
        finish(out, keep_journal=False)
    assert out.read_bytes() == b"older" and journal_path(out).exists()
    assert len(list(tmp_path.iterdir())) == 2


def test_a_file_that_reads_back_otherwise_than_it_was_written_is_not_put_in_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "run.h5"
    record_run(out, live=False)
    real = runfile.RunWriter.append

    def rots(self: Any, samples: Any, events: Any) -> None:
        samples = samples.copy()
        samples["load_N"][5] += 1.0
        real(self, samples, events)

    monkeypatch.setattr(runfile.RunWriter, "append", rots)
    with pytest.raises(OSError, match="reads back otherwise"):
        finish(out, keep_journal=False)
    assert not out.exists() and journal_path(out).exists()


@pytest.mark.parametrize("error", [DiskFull("full"), MemoryError()], ids=["disk full", "no memory"])
def test_rows_that_cannot_be_kept_are_refused_and_none_of_them_is_in_the_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    out = tmp_path / "run.h5"
    with Recorder.create(out, HEADER, live=False) as recorder:
        assert recorder.record([row(0)])

        def refuse(*_: object) -> None:
            raise error

        with monkeypatch.context() as patch:
            patch.setattr(recorder._journal, "_append", refuse)
            assert not recorder.record([row(1), row(1, 1)], [event(1)])
        assert recorder.record([row(2)]), "it goes on once there is room"
    _, samples, events = read_journal(journal_path(out))
    assert [int(r["sequence"]) for r in samples] == [0, 1] and not events


def test_a_disk_that_cannot_be_synced_refuses_rows_until_it_can(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced, failing = threading.Event(), threading.Event()
    out = tmp_path / "run.h5"
    with Recorder.create(out, HEADER, live=False, sync_every_s=0.002) as recorder:
        real = recorder._journal.sync

        def sync() -> None:
            synced.set()
            if failing.is_set():
                raise OSError(5, "Input/output error")
            real()

        def after_two_syncs() -> None:
            for _ in range(2):
                synced.clear()
                assert synced.wait(20.0)

        monkeypatch.setattr(recorder._journal, "sync", sync)
        assert recorder.record([row(0)])
        failing.set()
        after_two_syncs()
        assert not recorder.record([row(1)]), "what would be acknowledged might never reach the disk"
        failing.clear()
        after_two_syncs()
        assert recorder.record([row(2)])
    assert recorder.trouble is not None and "Input/output error" in recorder.trouble
    assert read_journal(journal_path(out))[1].size == 2
