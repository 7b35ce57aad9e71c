"""A run as values: its stations' rows, its events, what is true of the whole; from a journal or from plain arrays."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bench.journal import OFFSET_UNKNOWN, SAMPLE, Event, Row
from bench.replay import read_journal
from models.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

# dataset name -> (field of the journal, type, unit, label that viewers show)
COLUMNS: dict[str, tuple[str, str, str, str]] = {
    "time": ("time_s", "f8", "s", "time since the run's start"),
    "utc": ("utc", "f8", "s", "UTC, seconds since 1970-01-01"),
    "load": ("load_N", "f4", "N", "load"),
    "position": ("position_mm", "f4", "mm", "position of the drive"),
    "elongation": ("elongation_mm", "f4", "mm", "elongation of the spoke from the seat"),
    "elongation_raw": ("elongation_raw_mm", "f4", "mm", "elongation with the frame's compliance in it"),
    "temperature": ("temperature_C", "f4", "degC", "temperature"),
    "set_load": ("set_load_N", "f4", "N", "load asked for"),
    "step": ("step", "u1", "1", "index into step_names"),
    "flags": ("flags", "u2", "1", "low four bits: state; 16: unknown offset; 32: gap before"),
}


assert {field for field, *_ in COLUMNS.values()} <= set(SAMPLE.names or ())


def journal_path(path: Path) -> Path:
    """Where the journal of a run file stands while the run is not finished."""
    return path.with_name(path.name + ".journal")


@dataclass(frozen=True, slots=True, kw_only=True)
class StationRecord:
    """One station's rows."""

    name: str  # as painted on the frame
    spoke: str  # label of what hung there
    spokes: tuple[str, ...]  # their own labels: one, or several in series under one load
    gauge_length_mm: float  # of all of them together: elongation is their sum
    step_names: tuple[str, ...]
    columns: Mapping[str, NDArray[Any]]  # dataset name (see COLUMNS) -> (n,)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunMeta:
    """What is true of the whole run."""

    name: str
    batch: str
    start_utc: float
    end_utc: float | None  # None while it runs, or if nobody saw it end
    ended: str | None  # how it ended; None: it runs, or was cut off
    program_text: str
    frame_text: str
    frame_name: str
    calibration: Mapping[str, Any]
    header: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A whole run file."""

    path: Path
    meta: RunMeta
    stations: Mapping[str, StationRecord]  # by the station's name
    events: tuple[Event, ...]


_TEXTS = ("name", "batch", "program_text", "program_where", "frame_text", "frame_where", "frame_name", "made_with")


def checked_header(header: object, where: str) -> dict[str, Any]:
    """The head of a run as our own writer makes it: whoever made the file, what follows can rely on it.

    Raises
    ------
    InputError
        Names the file and the part that is wrong.
    """

    def wrong(part: str) -> InputError:
        return InputError(f"{where}: not the head of a run: {part}")

    if not isinstance(header, dict):
        raise wrong("it is no table")
    for key in _TEXTS:
        if not isinstance(header.get(key), str):
            raise wrong(key)
    for key in ("gauge_length_mm", "start_utc", "token"):
        value = header.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e11:
            raise wrong(key)
    stations, steps, constants = (header.get(key) for key in ("stations", "step_names", "calibration"))
    if not isinstance(stations, list) or not 1 <= len(stations) <= 64:
        raise wrong("stations")
    for s in stations:
        if not isinstance(s, dict) or not isinstance(s.get("name"), str) or not isinstance(s.get("spoke"), str):
            raise wrong("stations")
        labels = s.get("spokes", [s["spoke"]])
        if not isinstance(labels, list) or not labels or not all(isinstance(label, str) for label in labels):
            raise wrong("stations: spokes")
    if len({s["name"] for s in stations}) != len(stations):
        raise wrong("stations: one name twice")
    if not isinstance(steps, list) or len(steps) > 255 or not all(isinstance(n, str) for n in steps):
        raise wrong("step_names")
    if not isinstance(constants, list) or len(constants) != len(stations):
        raise wrong("calibration")
    if not all(isinstance(c, dict) for c in constants):
        raise wrong("calibration")
    return header


def group_names(header: Mapping[str, Any]) -> list[str]:
    """Group of each station, in order: station_<name> in letters that every viewer takes."""
    names: list[str] = []
    for i, s in enumerate(header["stations"]):
        name = "station_" + (re.sub(r"[^a-z0-9_]", "_", str(s["name"]).lower()) or str(i + 1))
        names.append(name if name not in names else f"{name}_{i + 1}")
    return names


def spokes_of(station: Mapping[str, Any]) -> tuple[str, ...]:
    """Labels of the spokes of one station of a header (files before gangs hold one)."""
    return tuple(station.get("spokes") or (station["spoke"],))


def line_length_mm(header: Mapping[str, Any], station: Mapping[str, Any]) -> float:
    """Length that creeps on one station: that of all spokes in series."""
    return float(header["gauge_length_mm"]) * len(spokes_of(station))


def run_of_journal(path: Path, journal: Path) -> Run:
    """The run as its journal tells it; raises InputError where that is damaged."""
    raw, samples, events = read_journal(journal)
    header = checked_header(raw, str(journal))
    meta = meta_of(header, events)
    stations = {}
    for i, s in enumerate(header["stations"]):
        rows = samples[samples["station"] == i]
        stations[s["name"]] = StationRecord(
            name=s["name"],
            spoke=s["spoke"],
            spokes=spokes_of(s),
            gauge_length_mm=line_length_mm(header, s),
            step_names=tuple(header["step_names"]),
            columns={name: np.ascontiguousarray(rows[field]) for name, (field, *_) in COLUMNS.items()},
        )
    return Run(path=path, meta=meta, stations=stations, events=tuple(events))


def run_of_rows(header: Mapping[str, Any], rows: Sequence[Row]) -> Run:
    """A run in memory as far as it has gone: for a rehearsal that is looked at on its way."""
    head = checked_header(dict(header), "rehearsal")
    stations = {}
    for i, s in enumerate(head["stations"]):
        mine = [r for r in rows if r.station == i]
        stations[s["name"]] = StationRecord(
            name=s["name"],
            spoke=s["spoke"],
            spokes=spokes_of(s),
            gauge_length_mm=line_length_mm(head, s),
            step_names=tuple(head["step_names"]),
            columns={
                name: np.array([getattr(r, field) for r in mine], dtype=kind)
                for name, (field, kind, *_) in COLUMNS.items()
            },
        )
    return Run(path=Path("rehearsal"), meta=meta_of(head, ()), stations=stations, events=())


def meta_of(header: Mapping[str, Any], events: Sequence[Event]) -> RunMeta:
    """What the header and the events say of the whole run."""
    end_utc: float | None = None
    ended: str | None = None
    for e in events:
        if e.kind == "end":
            end_utc, ended = e.utc, str(e.data.get("ended", e.message))
        elif e.kind == "resumed":
            end_utc, ended = None, None
    stations = [s["name"] for s in header["stations"]]
    return RunMeta(
        name=header["name"],
        batch=header["batch"],
        start_utc=float(header["start_utc"]),
        end_utc=end_utc,
        ended=ended,
        program_text=header["program_text"],
        frame_text=header["frame_text"],
        frame_name=header["frame_name"],
        calibration=dict(zip(stations, header["calibration"], strict=True)),
        header=header,
    )


def run_of_parts(path: Path, parts: Mapping[str, NDArray[Any]]) -> Run:
    """The run from plain arrays under names like ``station_a/load``; raises InputError where they are of no run."""
    try:
        header = checked_header(json.loads(parts["header"].tobytes()), str(path))
        events = tuple(
            Event(
                time_s=float(parts["events/time"][i]),
                utc=float(parts["events/utc"][i]),
                station=parts["events/station"][i].decode(errors="replace"),
                kind=parts["events/kind"][i].decode(errors="replace"),
                message=parts["events/message"][i].decode(errors="replace"),
                data=_json_or_empty(parts["events/data"][i]),
            )
            for i in range(parts["events/time"].size)
        )
        meta = meta_of(header, events)
        stations = {}
        for name in group_names(header):
            sizes = {parts[f"{name}/{column}"].shape for column in COLUMNS}
            if len(sizes) != 1 or len(sizes.pop()) != 1:
                raise ValueError(f"{name}: columns of unequal length")
        for name, s in zip(group_names(header), header["stations"], strict=True):
            stations[str(s["name"])] = StationRecord(
                name=str(s["name"]),
                spoke=str(s["spoke"]),
                spokes=spokes_of(s),
                gauge_length_mm=line_length_mm(header, s),
                step_names=tuple(str(n) for n in header["step_names"]),
                columns={column: parts[f"{name}/{column}"] for column in COLUMNS},
            )
    except (KeyError, IndexError, TypeError, ValueError, AttributeError, RecursionError, OverflowError):
        raise InputError(f"{path}: an HDF5 file, but not a run file of this program") from None
    return Run(path=path, meta=meta, stations=stations, events=events)


def _json_or_empty(text: bytes) -> dict[str, Any]:
    try:
        value = json.loads(text) if text else {}
    except ValueError:  # cut at the length of its field
        return {}
    return value if isinstance(value, dict) else {}


def table_of(run: Run) -> pd.DataFrame:
    """The run as a table: one row for each station and tick at which the spoke bore load.

    Returns
    -------
    DataFrame
        ``time_s, spoke, station, step, load_N, elongation_mm, elongation_raw_mm, temperature_C, gauge_length_mm,
        set_load_N, position_mm, utc_s, offset_unknown``. Rows before the seat and while a spoke hung slack carry no
        elongation and are left out. Where several spokes hung in series, ``spoke`` joins their labels with ``+``,
        elongation and gauge length are those of all together, and a column ``in_series`` says how many they are.

    Raises
    ------
    InputError
        If no spoke was ever seated.
    """
    import pandas as pd

    frames = []
    gang = any(len(s.spokes) > 1 for s in run.stations.values())
    for s in run.stations.values():
        c = s.columns
        keep = np.isfinite(c["elongation"])
        if not keep.any():
            continue
        names = np.array([*s.step_names, ""], dtype=object)
        several = {"in_series": len(s.spokes)} if gang else {}
        frames.append(
            pd.DataFrame(
                {
                    "time_s": c["time"][keep],
                    "spoke": "+".join(s.spokes),
                    "station": s.name,
                    "step": names[np.minimum(c["step"][keep], len(s.step_names))],
                    "load_N": c["load"][keep].astype(np.float64),
                    "elongation_mm": c["elongation"][keep].astype(np.float64),
                    "elongation_raw_mm": c["elongation_raw"][keep].astype(np.float64),
                    "temperature_C": c["temperature"][keep].astype(np.float64),
                    "gauge_length_mm": s.gauge_length_mm,
                    "set_load_N": c["set_load"][keep].astype(np.float64),
                    "position_mm": c["position"][keep].astype(np.float64),
                    "utc_s": c["utc"][keep],
                    "offset_unknown": (c["flags"][keep] & OFFSET_UNKNOWN) != 0,
                    **several,
                }
            )
        )
    if not frames:
        raise InputError(f"{run.path}: no spoke was seated in this run: there is nothing to read")
    return pd.concat(frames, ignore_index=True)
