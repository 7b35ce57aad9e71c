"""RUN.h5: any viewer opens and plots it, our readers read it, and what is torn or foreign is refused in one line."""

from __future__ import annotations

import random
import subprocess
import sys
import warnings
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest

from bench import runfile
from bench.journal import STATE_MASK
from bench.machine import STATE_CODE, StationState
from bench.record import COLUMNS, group_names, journal_path
from bench.recorder import finish
from bench.runfile import is_sealed, open_live, read_run, read_table
from models.errors import InputError
from tests.bench.fake_frame import make_program
from tests.bench.runs import SHORT, record_run


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("runs") / "night.h5"
    record_run(out)
    finish(out, keep_journal=False)
    return out


@pytest.fixture(scope="module")
def unfinished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run that a person stopped: its journal stands beside it."""
    out = tmp_path_factory.mktemp("runs") / "night.h5"
    record_run(out, at={100.0: lambda box: box.stop_now()})
    finish(out, keep_journal=True)
    return out


def test_an_independent_nexus_reader_finds_the_default_plot(sealed: Path) -> None:
    # nexusformat 2.x; attributes by the NeXus definitions (NXroot, NXentry, NXdata)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from nexusformat.nexus import nxload

        root = nxload(str(sealed), "r")
        plot = root.get_default()
        assert plot.nxclass == "NXdata" and plot.nxname == "station_a"
        assert plot.nxsignal.nxname == "elongation" and [a.nxname for a in plot.nxaxes] == ["time"]
        assert plot.nxsignal.units == "mm" and plot.nxaxes[0].units == "s"
        assert plot.nxsignal.shape == plot.nxaxes[0].shape
        assert root.entry.title.nxvalue == "trial"
        assert root.entry.start_time.nxvalue.startswith("2027-01-15T08:00:00")
        assert root.entry.program_name.nxvalue == "longhold"


def test_an_independent_netcdf_reader_finds_names_units_and_the_time_axis(sealed: Path) -> None:
    import h5netcdf

    with h5netcdf.File(sealed, "r", phony_dims="sort") as f:
        station = f["entry"]["station_a"]
        for name, (_, _, units, _) in COLUMNS.items():
            assert station.variables[name].attrs["units"] == units
            assert station.variables[name].dimensions == ("time",), "time is a dimension scale"
        ours = read_run(sealed).stations["A"].columns
        assert np.array_equal(station.variables["load"][:], ours["load"])


def test_every_dataset_of_numbers_has_units(sealed: Path) -> None:
    bare = []
    with h5py.File(sealed, "r") as f:
        f.visititems(
            lambda name, o: (
                bare.append(name)
                if isinstance(o, h5py.Dataset) and o.dtype.kind in "fiu" and "units" not in o.attrs
                else None
            )
        )
    assert bare == []


def test_program_and_frame_stand_in_the_file_as_they_were_run(sealed: Path) -> None:
    import hashlib

    with h5py.File(sealed, "r") as f:
        text = f["entry/program/text"][()].decode()
        assert text == SHORT.text
        assert f["entry/program/sha256"][()].decode() == hashlib.sha256(text.encode()).hexdigest()
        assert f["entry/frame/text"][()].decode() == 'name = "fake"\n'
        assert f["entry/calibration/station_a"].attrs["frame_compliance_mm_per_N"] == 4e-4
        a = f["entry/station_a"]
        assert (a.attrs["spoke"], a.attrs["station"], a.attrs["gauge_length_mm"]) == ("T-1", "A", 280.0)
        assert list(a["step"].attrs["step_names"]) == [s.name for s in SHORT.steps]
        assert "end_time" in f["entry"]


def test_a_run_comes_back_as_values(sealed: Path) -> None:
    run = read_run(sealed)
    assert run.meta.name == "trial" and run.meta.batch == "T" and run.meta.ended == "finished"
    assert run.meta.end_utc is not None and run.meta.end_utc > run.meta.start_utc + 200.0
    assert list(run.stations) == ["A", "B"] and run.stations["B"].spoke == "T-2"
    kinds = {e.kind for e in run.events}
    assert {"seated", "reached", "step", "zero", "done", "ticks", "end"} <= kinds
    seated = next(e for e in run.events if e.kind == "seated" and e.station == "A")
    assert seated.data["stiffness_N_per_mm"] == pytest.approx(950.0, rel=0.05)


def test_the_table_has_the_columns_of_the_contract_and_only_rows_under_load(sealed: Path) -> None:
    table = read_table(sealed)
    for column in (
        "time_s",
        "load_N",
        "elongation_mm",
        "spoke",
        "station",
        "step",
        "temperature_C",
        "gauge_length_mm",
        "elongation_raw_mm",
    ):
        assert column in table.columns
    assert not table[["time_s", "load_N", "elongation_mm"]].isna().any().any()
    assert set(table["spoke"]) == {"T-1", "T-2"} and set(table["gauge_length_mm"]) == {280.0}
    for _, one in table.groupby("spoke"):
        assert (one["time_s"].diff().dropna() > 0).all()
    assert table["load_N"].min() >= 2.0 and not table["offset_unknown"].any()
    assert set(table["step"]) <= {s.name for s in SHORT.steps}


def test_two_stations_whose_names_look_alike_get_their_own_groups() -> None:
    header = {"stations": [{"name": "A"}, {"name": "a"}, {"name": "Links 1"}, {"name": "é"}]}
    names = group_names(header)
    assert len(set(names)) == 4 and names[0] == "station_a" and names[2] == "station_links_1"
    assert all(n.replace("_", "").isalnum() and n.isascii() for n in names)


def test_one_changed_byte_breaks_the_seal(sealed: Path, tmp_path: Path) -> None:
    assert is_sealed(sealed)
    data = bytearray(sealed.read_bytes())
    data[len(data) // 2] ^= 1
    other = tmp_path / "x.h5"
    other.write_bytes(data)
    assert not is_sealed(other)


def test_a_live_file_without_its_journal_is_read_in_a_child(unfinished: Path, tmp_path: Path) -> None:
    out = tmp_path / "live.h5"
    record_run(out, program=SHORT)  # as the recorder leaves it: an SWMR file, not sealed
    alone = tmp_path / "alone.h5"
    alone.write_bytes(out.read_bytes())
    assert not is_sealed(alone)
    run = read_run(alone)
    with_journal = read_run(out)
    assert np.array_equal(run.stations["A"].columns["load"], with_journal.stations["A"].columns["load"])


def _foreign(path: Path) -> None:
    with h5py.File(path, "w") as f:
        f["data"] = np.arange(10)


def _half(path: Path) -> None:
    with h5py.File(path, "w") as f:
        f.create_group("entry")["header"] = "{}"


BAD: dict[str, Callable[[Path], object]] = {
    "empty": lambda p: p.write_bytes(b""),
    "text": lambda p: p.write_text("time_s,load_N\n1,2\n"),
    "signature alone": lambda p: p.write_bytes(b"\x89HDF\r\n\x1a\n"),
    "noise after the signature": lambda p: p.write_bytes(b"\x89HDF\r\n\x1a\n" + random.Random(1).randbytes(9000)),
    "foreign": _foreign,
    "no header": _half,
    "folder": lambda p: p.mkdir(),
}


@pytest.mark.parametrize("kind", list(BAD))
def test_what_is_no_run_file_is_refused_in_one_line(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "bad.h5"
    BAD[kind](path)
    with pytest.raises(InputError) as caught:
        read_table(path)
    assert str(path) in str(caught.value) and "\n" not in str(caught.value)
    with pytest.raises(InputError):
        open_live(path).refresh()


def test_a_missing_file_is_said_to_be_missing(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_run(tmp_path / "none.h5")


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.999])
def test_a_truncated_run_file_is_refused(sealed: Path, tmp_path: Path, share: float) -> None:
    path = tmp_path / "cut.h5"
    data = sealed.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    before = path.read_bytes()
    try:
        run = read_run(path)
    except InputError as error:
        assert "\n" not in str(error)
    else:  # only the mark at the end is missing: the HDF5 file itself is whole
        assert share > 0.99 and run.meta.ended == "finished"
    assert path.read_bytes() == before, "reading never harms a file"


def test_mutated_files_cost_no_traceback(sealed: Path, tmp_path: Path) -> None:
    rng = random.Random(3)
    whole = sealed.read_bytes()
    for _ in range(6):
        data = bytearray(whole)
        for _ in range(30):
            data[rng.randrange(len(data))] = rng.randrange(256)
        path = tmp_path / "mutated.h5"
        path.write_bytes(data)
        try:
            read_run(path)
        except InputError as error:
            assert "\n" not in str(error)


def test_a_file_that_hangs_the_library_is_given_up_at_the_deadline(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "hangs.h5"
    path.write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(5000))

    def hangs(*args: object, **options: object) -> None:
        raise subprocess.TimeoutExpired("child", 30.0)

    monkeypatch.setattr(runfile.subprocess, "run", hangs)
    with pytest.raises(InputError, match="cannot be read within 30 s"):
        read_run(path)


def test_the_child_itself_says_no_with_its_exit_status(tmp_path: Path) -> None:
    path = tmp_path / "bad.h5"
    path.write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(5000))
    done = subprocess.run([sys.executable, "-m", "bench.runfile", str(path)], capture_output=True, check=False)
    assert done.returncode != 0 and done.stdout == b""


def test_a_journal_whose_head_somebody_made_up_is_refused_by_every_reader(unfinished: Path, tmp_path: Path) -> None:
    import json
    import struct
    import zlib

    from bench.replay import JournalReader
    from bench.resume import read_interrupted

    journal = journal_path(unfinished)
    reader = JournalReader(journal)
    rows = journal.read_bytes()[reader.whole_bytes :]
    path = tmp_path / "made-up.h5"
    for key in (
        "name",
        "stations",
        "step_names",
        "calibration",
        "gauge_length_mm",
        "start_utc",
        "program_text",
        "token",
    ):
        for value in (None, [], -1, True, [1], {"a": 1}, "x" * 10):
            if isinstance(value, str) and key in ("name", "program_text"):
                continue
            if key == "step_names" and value == []:
                continue
            text = json.dumps(reader.header | {key: value}).encode()
            body = struct.pack("<I", len(text)) + text
            journal_path(path).write_bytes(b"LHJ1" + struct.pack("<I", zlib.crc32(body)) + body + rows)
            for read in (read_run, read_table, read_interrupted, open_live):
                with pytest.raises(InputError) as caught:
                    read(path)
                assert "\n" not in str(caught.value)


# live ----------------------------------------------------------------------------------------------------------------


def test_a_monitor_that_attaches_early_gets_every_row_once_and_the_rest_from_the_sealed_file(tmp_path: Path) -> None:
    out = tmp_path / "run.h5"
    counts = {"A": 0, "B": 0}
    events = []
    held: list[object] = []
    lives = []

    def look(_: object) -> None:
        if not lives:
            lives.append(open_live(out))
        update = lives[0].refresh()
        events.extend(update.events)
        for name, rows in update.rows.items():
            counts[name] += rows["time"].size
        held.append(update.status)

    record_run(out, at={float(t): look for t in range(5, 250, 15)})
    assert held[0].being_written and held[0].ended is None  # type: ignore[attr-defined]
    finish(out, keep_journal=False)
    last = lives[0].refresh()
    for name, rows in last.rows.items():
        counts[name] += rows["time"].size
    events.extend(last.events)
    run = read_run(out)
    assert counts == {name: s.columns["time"].size for name, s in run.stations.items()}
    assert [e.kind for e in events] == [e.kind for e in run.events]
    assert last.status.ended == "finished" and not last.status.being_written and not last.status.cut_off
    assert {s.state for s in last.status.stations} == {StationState.DONE}
    assert lives[0].refresh().rows == {}


def test_a_run_that_was_cut_off_is_told_from_one_that_goes_on(tmp_path: Path) -> None:
    out = tmp_path / "run.h5"
    record_run(out)
    journal = journal_path(out)
    journal.write_bytes(journal.read_bytes()[:-4000])  # its end is lost: the process was killed
    status = open_live(out).refresh().status
    assert status.cut_off and not status.being_written and status.ended is None
    assert status.stations[0].load_N > -5.0 and status.last_utc > 1.8e9


def test_a_stopped_run_is_shown_with_its_load_and_its_fault(unfinished: Path) -> None:
    live = open_live(unfinished)
    update = live.refresh()
    assert update.status.ended == "stopped by a person" and live.meta.ended == update.status.ended
    assert all(s.load_N > 100.0 for s in update.status.stations)
    assert live.step_names == tuple(s.name for s in SHORT.steps)


def test_a_row_whose_state_no_station_has_is_named_by_monitor_and_resume(tmp_path: Path) -> None:
    """Its check sum is right: written by a later version, or made up."""
    from dataclasses import replace

    from bench.journal import Journal, Row
    from bench.resume import read_interrupted

    out = tmp_path / "run.h5"
    record_run(out)
    journal = Journal.reopen(journal_path(out))
    row = Row(station=0, step=0, flags=15, time_s=9e3, utc=2e9, frame_ms=1, load_N=9.0, position_mm=1.0,
              elongation_mm=1.0, elongation_raw_mm=1.0, temperature_C=20.0, set_load_N=0.0)  # fmt: skip
    journal.append([replace(row, flags=2), row])
    journal.close()
    for read in (lambda: open_live(out).refresh(), lambda: read_interrupted(out)):
        with pytest.raises(InputError, match=r"run\.h5.*a recorded row names state 15; known are 0 to 1"):
            read()


def test_a_fault_stays_on_the_status_until_a_person_acknowledges_it(tmp_path: Path) -> None:
    from tests.bench.runs import two_spokes
    from tests.bench.test_runner_faults import on_station

    out = tmp_path / "run.h5"
    frame = two_spokes()

    def unplug(_: object) -> None:
        frame.tamper = on_station(load_fault=True)

    record_run(out, frame=frame, at={100.0: unplug})
    a, b = open_live(out).refresh().status.stations
    assert a.fault is not None and "load cell fault" in a.fault and b.fault is None
    assert a.state is StationState.KEPT


def test_another_run_under_the_same_name_is_not_taken_for_the_old_one(tmp_path: Path) -> None:
    out = tmp_path / "run.h5"
    record_run(out, at={60.0: lambda box: box.stop_now()})
    live = open_live(out)
    live.refresh()
    journal_path(out).unlink()
    record_run(out, program=make_program("seat seconds=1", "unload", stations=2))
    with pytest.raises(InputError, match="replaced"):
        live.refresh()


def test_states_are_written_with_their_codes(sealed: Path) -> None:
    flags = read_run(sealed).stations["A"].columns["flags"]
    seen = set((flags & STATE_MASK).tolist())
    assert {STATE_CODE[s] for s in (StationState.SEATING, StationState.HOLDING, StationState.DONE)} <= seen
