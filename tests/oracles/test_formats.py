"""Files that others read: HDF5, NeXus, netCDF, CSV, JSON, PDF, iCalendar and the journal, by their own papers and readers."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import struct
import warnings
import zlib
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pint
import pytest
from crccheck.crc import Crc32
from pypdf import PdfReader

from bench.journal import SAMPLE
from bench.record import COLUMNS
from bench.recorder import finish
from planner.calendar import ics_text
from planner.events import Event
from tests.bench.runs import record_run
from tui.cli import run
from tui.out import json_text
from tui.pages import Card, Row, pdf


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("formats") / "night.h5"
    record_run(out)
    finish(out, keep_journal=True)
    return out


def attribute(thing: Any, name: str) -> Any:
    value = thing.attrs[name]
    return value.decode() if isinstance(value, bytes) else value


def test_a_run_file_begins_with_the_signature_of_hdf5(sealed: Path) -> None:
    """HDF5 File Format Specification 3.0, II.A: 89 48 44 46 0D 0A 1A 0A (read)."""
    assert sealed.read_bytes()[:8].hex() == "894844460d0a1a0a"


def test_the_default_plot_is_marked_as_nexus_says(sealed: Path) -> None:
    """NXDL v2026.01, NXroot, NXentry, NXdata: default, signal, axes, one index for each axis (read)."""
    with h5py.File(sealed, "r") as f:
        assert attribute(f, "NX_class") == "NXroot"
        entry = f[attribute(f, "default")]
        assert attribute(entry, "NX_class") == "NXentry"
        data = entry[attribute(entry, "default")]
        assert attribute(data, "NX_class") == "NXdata"
        assert attribute(data, "signal") == "elongation"
        assert list(data.attrs["axes"]) == ["time"]
        assert data["elongation"].shape == data["time"].shape
        for name in data:
            assert re.fullmatch("[a-z_][a-z0-9_]*", name), "names of the strict pattern"


def test_a_nexus_reader_gives_the_rows_that_the_export_gives(sealed: Path, tmp_path: Path) -> None:
    """nexusformat 2.x (independent reader) against `longhold export`, read by the standard library's csv."""
    table = tmp_path / "night.csv"
    assert run(["export", str(sealed), "--out", str(table)]) == 0
    with table.open(newline="", encoding="utf-8") as f:
        rows = [r for r in csv.DictReader(f) if r["station"] == "A"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from nexusformat.nexus import nxload

        data = nxload(str(sealed), "r").entry.station_a
        time, load = np.asarray(data.time), np.asarray(data.load)
    exported = {round(float(r["time_s"]), 3): float(r["load_N"]) for r in rows}
    both = [
        (exported[round(float(t), 3)], float(n)) for t, n in zip(time, load, strict=True) if round(t, 3) in exported
    ]
    assert len(both) == len(rows) > 100
    assert [a for a, _ in both] == pytest.approx([b for _, b in both], abs=0.051)  # the table keeps tenths of a newton


def test_a_netcdf_reader_sees_time_as_the_dimension_of_every_column(sealed: Path) -> None:
    """netCDF-4 through h5netcdf: a dimension scale named time; start by POSIX: 1800000000 s is 2027-01-15T08:00:00Z."""
    import h5netcdf

    with h5netcdf.File(sealed, "r", phony_dims="sort") as f:
        station = f["entry"]["station_a"]
        assert {station.variables[name].dimensions for name in COLUMNS} == {("time",)}
        utc = station.variables["utc"][:]
        assert station.variables["utc"].attrs["units"] == "s"
    assert datetime.fromtimestamp(1_800_000_000, UTC).isoformat() == "2027-01-15T08:00:00+00:00"
    assert 0.0 <= utc[0] - 1_800_000_000 < 60.0
    with h5py.File(sealed, "r") as f:
        started = f["entry/start_time"][()].decode()
    assert datetime.fromisoformat(started).timestamp() == pytest.approx(1_800_000_000, abs=1.0)


@pytest.mark.parametrize(
    ("column", "dimension"),
    [
        ("time", "[time]"),
        ("load", "[mass] * [length] / [time] ** 2"),
        ("position", "[length]"),
        ("elongation", "[length]"),
        ("temperature", "[temperature]"),
        ("step", "dimensionless"),
    ],
)
def test_units_are_spelt_as_a_library_of_units_reads_them(column: str, dimension: str) -> None:
    """pint (independent): degC, N, mm, s and 1 have the dimension that the column's name says."""
    unit = COLUMNS[column][2]
    assert pint.UnitRegistry().Unit(
        "" if unit == "1" else unit
    ).dimensionality == pint.UnitRegistry().get_dimensionality("" if dimension == "dimensionless" else dimension)


def test_a_table_is_comma_separated_text_of_equal_rows(sealed: Path, tmp_path: Path) -> None:
    """RFC 4180, 2: a header line, the same number of fields in every line, no space about a comma (memory, high)."""
    table = tmp_path / "night.csv"
    assert run(["export", str(sealed), "--out", str(table)]) == 0
    with table.open(newline="", encoding="utf-8") as f:
        rows = list(csv.reader(f, strict=True))
    assert len({len(r) for r in rows}) == 1
    assert rows[0][:1] and {"time_s", "load_N", "elongation_mm"} <= set(rows[0])
    assert not any(cell != cell.strip() for r in rows for cell in r)


def test_the_check_sum_of_the_journal_is_the_catalogued_crc_32(sealed: Path) -> None:
    """CRC-32/ISO-HDLC (IEEE 802.3): '123456789' gives CBF43926 hex; the first sample by an independent library."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert Crc32.calc(b"123456789") == 0xCBF43926
    data = (sealed.parent / "night.h5.journal").read_bytes()
    assert data[:4] == b"LHJ1"
    at = data.index(b"LS")
    record = data[at : at + SAMPLE.itemsize]
    [crc] = struct.unpack("<I", record[2:6])
    assert Crc32.calc(record[6:]) == crc


def test_sha_256_is_that_of_the_standard(sealed: Path) -> None:
    """FIPS 180-4, example 'abc' (memory, high); the program's text in the run file carries its own sum."""
    assert hashlib.sha256(b"abc").hexdigest() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    with h5py.File(sealed, "r") as f:
        program = f["entry/program"]
        assert program["sha256"][()].decode() == hashlib.sha256(program["text"][()]).hexdigest()


def test_json_holds_no_number_that_json_does_not_have() -> None:
    """RFC 8259, 6: Infinity and NaN are not permitted (read)."""

    def refuse(name: str) -> None:
        raise AssertionError(name)

    text = json_text({"a": float("nan"), "b": [float("inf"), np.float64(1.5)], "c": np.array([1.0, np.nan]), "d": "µ"})
    assert json.loads(text, parse_constant=refuse) == {"a": None, "b": [None, 1.5], "c": [1.0, None], "d": "µ"}


@pytest.mark.parametrize(
    ("paper", "width_mm", "height_mm"), [("A4", 210.0, 297.0), ("A5", 148.0, 210.0), ("Letter", 215.9, 279.4)]
)
def test_paper_is_of_the_standards_size(paper: str, width_mm: float, height_mm: float) -> None:
    """ISO 216: A4 210 x 297, A5 148 x 210 mm (memory, high); 8.5 x 11 inch; a point is 1/72 inch (PDF 32000-1, 8.3.2.3)."""
    card = Card(
        title="Card", name="invented", demo=True, facts=("a fact",), columns=(("what", 1.0),), rows=(Row(cells=("a",)),),
        notes=(), cautions=(),
    )  # fmt: skip
    [page] = PdfReader(BytesIO(pdf(card, paper))).pages
    assert [float(v) / 72 * 25.4 for v in page.mediabox] == pytest.approx([0.0, 0.0, width_mm, height_mm], abs=0.05)


def test_a_calendar_folds_and_escapes_as_the_standard_prints() -> None:
    """RFC 5545: 3.1 lines of at most 75 octets, CRLF and one space; 3.3.11 escapes of comma, semicolon, backslash and
    new line; 3.3.5 UTC as YYYYMMDDTHHMMSSZ; 3.6.1 UID and DTSTAMP in every event (memory, high)."""
    night = Event(
        kind="pass", wheel=1, number=1, title="Pass; left, right", details="a\\b\nc" + "ä" * 80, alarm_min=15.0,
        start=datetime(2027, 1, 15, 8, 0, tzinfo=UTC), end=datetime(2027, 1, 15, 8, 30, tzinfo=UTC),
    )  # fmt: skip
    data = ics_text([night], order="front", made_at=datetime(2027, 1, 1, tzinfo=UTC)).encode()
    lines = data.split(b"\r\n")
    assert lines[:1] == [b"BEGIN:VCALENDAR"] and lines[-2:] == [b"END:VCALENDAR", b""]
    assert b"VERSION:2.0" in lines
    folds = [line for line in lines if line.startswith(b" ")]
    assert folds and all(len(line) <= 75 for line in lines)
    whole = data.replace(b"\r\n ", b"").split(b"\r\n")
    assert b"SUMMARY:Pass\\; left\\, right" in whole
    assert b"DESCRIPTION:a\\\\b\\nc" + ("ä" * 80).encode() in whole
    assert b"DTSTART:20270115T080000Z" in whole and b"DTSTAMP:20270101T000000Z" in whole
    assert sum(line.startswith(b"UID:") for line in whole) == 1
    assert b"TRIGGER:-PT15M" in whole
