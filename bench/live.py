"""A run file that is watched while it grows: what is new since the last look, whatever became of the writer."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench.journal import STATE_MASK, Event, is_being_written
from bench.machine import StationState, state_of
from bench.record import COLUMNS, RunMeta, checked_header, journal_path, meta_of
from bench.replay import JournalReader
from models.errors import InputError

Columns = Mapping[str, NDArray[Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class StationStatus:
    """Where one station stood at its last row."""

    name: str
    spoke: str
    state: StationState
    step: str  # name of the step; empty before the first row
    set_load_N: float  # NaN before the first row
    load_N: float
    elongation_mm: float  # NaN while slack
    at_s: float  # run time of that row, s; NaN before the first
    fault: str | None  # the last fault that was logged for it, or for the frame
    slack_since_utc: float | None = None  # since when it hangs slack after its load: the clock goes on off the frame


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """Where the run stood at the last look."""

    being_written: bool  # a process holds it
    ended: str | None  # how it ended; None: it runs, or was cut off
    last_utc: float  # of the last row or event; the start where there is none
    stations: tuple[StationStatus, ...]

    @property
    def cut_off(self) -> bool:
        """Nobody writes it and nobody ended it."""
        return not self.being_written and self.ended is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Update:
    """What is new since the last look."""

    rows: Mapping[str, Columns]  # station's name -> dataset name (see COLUMNS) -> new rows
    events: tuple[Event, ...]
    status: Status


class LiveRun:
    """Reads the journal while there is one, the sealed file after; opens nothing for writing and takes no lock."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._journal = journal_path(path)
        self._reader: JournalReader | None = None
        self._which: tuple[int, bytes] | None = None  # what tells this run's journal from another's of the same name
        self._given: dict[str, int] = {}
        self._events_given = 0
        self._last: dict[str, dict[str, float]] = {}
        self._faults: dict[str, str] = {}
        self._slack: dict[str, float] = {}
        self._last_utc = 0.0
        self._events: list[Event] = []  # those that tell of the run as a whole
        if self._journal.exists():
            self._reader = JournalReader(self._journal)
            self._which = self._which_now()
            self._header: Mapping[str, Any] = checked_header(self._reader.header, str(self._journal))
        else:
            from bench.runfile import read_run

            self._header = read_run(path).meta.header
        self._last_utc = float(self._header["start_utc"])
        for s in self._header["stations"]:
            self._given[s["name"]] = 0

    @property
    def meta(self) -> RunMeta:
        """What is true of the run as a whole, as far as it has been read."""
        return meta_of(self._header, self._events)

    @property
    def step_names(self) -> tuple[str, ...]:
        """Of every station."""
        return tuple(self._header["step_names"])

    def close(self) -> None:
        """Nothing is held open between two looks."""

    def refresh(self) -> Update:
        """What is new.

        Raises
        ------
        InputError
            If the file is gone, was replaced by another run, or cannot be read.
        """
        if self._reader is not None:
            try:
                if self._which_now() != self._which:
                    raise InputError(f"{self.path}: was replaced by another run; open it again")
                return self._from_journal(self._reader)
            except FileNotFoundError:  # sealed in the meantime: the rest is in the sealed file
                self._reader = None
        return self._from_file()

    def _which_now(self) -> tuple[int, bytes]:
        """Its place on the disk, which may be used again, and the check sum of its header, which holds the start."""
        with self._journal.open("rb") as f:
            return os.fstat(f.fileno()).st_ino, f.read(12)

    def _from_journal(self, reader: JournalReader) -> Update:
        names = [s["name"] for s in self._header["stations"]]
        rows: dict[str, list[Columns]] = {name: [] for name in names}
        events: list[Event] = []
        for samples, found in reader.blocks():
            for i, name in enumerate(names):
                mine = samples[samples["station"] == i]
                if mine.size:
                    rows[name].append({c: np.ascontiguousarray(mine[f]) for c, (f, *_) in COLUMNS.items()})
            events += [e for _, e in found]
        joined = {
            name: {c: np.concatenate([p[c] for p in parts]) for c in COLUMNS} for name, parts in rows.items() if parts
        }
        return self._update(joined, events, is_being_written(self._journal))

    def _from_file(self) -> Update:
        from bench.runfile import read_run

        run = read_run(self.path)
        rows = {
            name: {c: a[self._given.get(name, 0) :] for c, a in s.columns.items()} for name, s in run.stations.items()
        }
        rows = {name: columns for name, columns in rows.items() if columns["time"].size}
        return self._update(rows, list(run.events[self._events_given :]), False)

    def _update(self, rows: Mapping[str, Columns], events: list[Event], being_written: bool) -> Update:
        for name, columns in rows.items():
            self._given[name] += int(columns["time"].size)
            self._last[name] = {c: float(a[-1]) for c, a in columns.items()}
            self._last_utc = max(self._last_utc, float(columns["utc"][-1]))
        self._events_given += len(events)
        for e in events:
            self._last_utc = max(self._last_utc, e.utc)
            if e.kind in ("end", "resumed"):
                self._events.append(e)
            if e.kind == "slack":
                self._slack[e.station] = e.utc
            elif e.kind == "reached":
                self._slack.pop(e.station, None)
            if e.kind == "fault":
                self._faults[e.station] = e.message
            elif e.kind in ("acknowledged", "resumed"):
                for name in [e.station] if e.station else list(self._faults):
                    self._faults.pop(name, None)
        try:
            stations = tuple(self._station(s) for s in self._header["stations"])
        except ValueError as error:
            raise InputError(f"{self.path}: {error}") from None
        status = Status(being_written=being_written, ended=self.meta.ended, last_utc=self._last_utc, stations=stations)
        return Update(rows=rows, events=tuple(events), status=status)

    def _station(self, s: Mapping[str, Any]) -> StationStatus:
        last = self._last.get(s["name"])
        nan = float("nan")
        steps = self._header["step_names"]
        step = int(last["step"]) if last else -1
        return StationStatus(
            name=s["name"],
            spoke=s["spoke"],
            state=state_of(int(last["flags"]) & STATE_MASK) if last else StationState.WAITING,
            step=steps[step] if 0 <= step < len(steps) else "",
            set_load_N=last["set_load"] if last else nan,
            load_N=last["load"] if last else nan,
            elongation_mm=last["elongation"] if last else nan,
            at_s=last["time"] if last else nan,
            fault=self._faults.get(s["name"]) or self._faults.get(""),
            slack_since_utc=self._slack.get(s["name"]),
        )
