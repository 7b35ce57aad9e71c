"""Everything in work in a folder: each wheel's next action and when, runs on the frame, slack clocks, what waits."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import IntEnum
from pathlib import Path
from typing import Any

from bench.live import LiveRun, Status
from models.errors import InputError, LongholdError
from planner.agenda import Next, next_action
from planner.record import KIND, Record, hours_between
from tui import format as show
from tui.wheelfile import read_record

SOON_H = 12.0  # what is due within this waits for a person
FINISHED_D = 2.0  # a run that ended within so many days is still shown
LARGEST_BYTES = 20_000_000  # of a JSON file that is looked into


class Group(IntEnum):
    """In which order things are shown."""

    WAITS = 0
    FRAME = 1
    LATER = 2
    DONE = 3


TITLES = {
    Group.WAITS: "Waits for a person",
    Group.FRAME: "On the frame",
    Group.LATER: "Later",
    Group.DONE: "Nothing more to do",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One wheel or one run."""

    group: Group
    kind: str  # wheel, run, trouble
    path: Path
    name: str
    what: str  # one sentence
    when: str  # short
    detail: tuple[str, ...]  # lines
    due_utc: datetime | None = None
    overdue: bool = False
    slack_h: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "group": self.group.name.lower(),
            "kind": self.kind,
            "file": str(self.path),
            "name": self.name,
            "what": self.what,
            "when": self.when,
            "due_utc": None if self.due_utc is None else self.due_utc.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "overdue": self.overdue,
            "slack_h": None if self.slack_h is None else round(self.slack_h, 2),
            "detail": list(self.detail),
        }


def when_in_words(coming: Next, now: datetime) -> str:
    """Short: OVERDUE by 20 min; now; due in 3 h; from Tue 09:00Z."""
    begin, due = coming.not_before_utc, coming.due_utc
    if coming.overdue(now):
        late = coming.latest_utc if coming.latest_utc is not None and now > coming.latest_utc else due
        assert late is not None
        return f"OVERDUE by {show.duration(hours_between(late, now) * 3600.0)}"
    if begin is not None and begin > now:
        return f"from {begin:%a %H:%M}Z, in {show.duration(hours_between(now, begin) * 3600.0)}"
    if due is not None:
        away = hours_between(now, due) * 3600.0
        return f"due in {show.duration(away)} ({due:%a %H:%M}Z)" if away > 0 else "due now"
    return "when you like"


def item_of_wheel(path: Path, record: Record, now: datetime) -> Item:
    """A wheel by its record."""
    coming = next_action(record, now)
    overdue = coming.overdue(now)
    open_now = coming.not_before_utc is None or coming.not_before_utc <= now
    soon = coming.due_utc is not None and hours_between(now, coming.due_utc) <= SOON_H
    rests = coming.action == "read" and coming.due_utc is None
    if rests:
        group = Group.DONE
    elif overdue or (open_now and (soon or coming.due_utc is None)) or coming.slack_h is not None:
        group = Group.WAITS
    else:
        group = Group.LATER
    detail = [coming.what]
    for words, moment in (("not before", coming.not_before_utc), ("due", coming.due_utc)):
        if moment is not None:
            away = hours_between(now, moment) * 3600.0
            how = f"in {show.duration(away)}" if away >= 0 else f"{show.duration(-away)} ago"
            detail.append(f"{words} {moment:%a %Y-%m-%d %H:%M}Z ({how})")
    if coming.slack_h is not None:
        detail.append(f"slack clock: its spokes have hung slack for up to {show.duration(coming.slack_h * 3600.0)}")
    detail += coming.notes
    if record.positions is not None and coming.positions:
        detail.append("spokes: " + ", ".join(record.positions[p - 1] for p in coming.positions))
    return Item(
        group=group,
        kind="wheel",
        path=path,
        name=record.name,
        what=coming.what,
        when=when_in_words(coming, now),
        detail=tuple(detail),
        due_utc=coming.due_utc,
        overdue=overdue,
        slack_h=coming.slack_h,
    )


def item_of_run(path: Path, name: str, status: Status, now: datetime) -> Item | None:
    """A run as it stands; None where it ended long ago."""
    ago_s = now.timestamp() - status.last_utc
    loaded = [s for s in status.stations if s.load_N == s.load_N and s.load_N > 10.0]
    faults = [f"station {s.name}: {s.fault}" for s in status.stations if s.fault]
    lines = tuple(
        f"{s.name}: {s.spoke}, {s.state.value}, {s.step or 'waiting'}, {show.with_unit(s.load_N, 'N')}"
        for s in status.stations
    )
    if status.cut_off:
        group, what = Group.WAITS, f"CUT OFF; {len(loaded)} spokes were under load: 'longhold resume {path.name}'"
    elif status.being_written:
        group = Group.WAITS if faults else Group.FRAME
        steps = sorted({s.step for s in status.stations if s.step})
        what = f"{show.counted(len(status.stations), 'spoke')} on the frame; {', '.join(steps) or 'beginning'}"
        if faults:
            what = f"FAULT: {faults[0]}"
    elif loaded:
        group, what = Group.WAITS, f"ended with {show.counted(len(loaded), 'spoke')} still under load: {status.ended}"
    else:
        if ago_s > FINISHED_D * 86400.0:
            return None
        group, what = Group.DONE, f"ended: {status.ended}; its spokes have hung slack since"
    when = "running" if status.being_written else f"{show.duration(max(ago_s, 0.0))} ago"
    return Item(
        group=group,
        kind="run",
        path=path,
        name=name,
        what=what,
        when=when,
        detail=(*faults, *lines),
        slack_h=None if status.being_written or status.cut_off or loaded else max(ago_s, 0.0) / 3600.0,
    )


class InWork:
    """A folder that is looked at again and again; only what changed is read."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._records: dict[Path, tuple[tuple[int, int], Record | str | None]] = {}
        self._runs: dict[Path, LiveRun] = {}
        self._sealed: dict[Path, tuple[tuple[int, int], tuple[str, Status] | None]] = {}

    def look(self, now: datetime) -> list[Item]:
        """Everything there, what waits first; raises InputError where the folder is gone."""
        if not self.folder.is_dir():
            raise InputError(f"{self.folder} is not a folder")
        items = [*self._wheels(now), *self._on_frame(now)]
        far = now + timedelta(days=10_000)
        return sorted(items, key=lambda i: (i.group, not i.overdue, i.due_utc or far, i.name))

    def close(self) -> None:
        """Let go of the runs."""
        for live in self._runs.values():
            live.close()
        self._runs.clear()

    def _wheels(self, now: datetime) -> list[Item]:
        out = []
        for path in sorted(self.folder.glob("*.json")):
            try:
                stat = path.stat()
                mark = (stat.st_mtime_ns, stat.st_size)
                if self._records.get(path, (None,))[0] != mark:
                    self._records[path] = (mark, _record_or_why(path, stat.st_size))
            except OSError:
                continue
            known = self._records[path][1]
            if isinstance(known, str):
                out.append(_trouble(path, known))
            elif known is not None:
                try:
                    out.append(item_of_wheel(path, known, now))
                except LongholdError as error:
                    out.append(_trouble(path, str(error)))
        return out

    def _on_frame(self, now: datetime) -> list[Item]:
        out: list[Item] = []
        growing = {p.with_name(p.name.removesuffix(".journal")) for p in self.folder.glob("*.h5.journal")}
        for gone in set(self._runs) - growing:
            self._runs.pop(gone).close()
        for path in sorted(growing):
            try:
                live = self._runs.get(path)
                if live is None:
                    live = self._runs[path] = LiveRun(path)
                found = item_of_run(path, live.meta.name, live.refresh().status, now)
            except (LongholdError, OSError) as error:
                found = _trouble(path, str(error))
            if found is not None:
                out.append(found)
        for path in sorted(set(self.folder.glob("*.h5")) - growing):
            sealed = self._of_sealed(path, now)
            if sealed is not None:
                found = item_of_run(path, *sealed, now)
                if found is not None:
                    out.append(found)
        return out

    def _of_sealed(self, path: Path, now: datetime) -> tuple[str, Status] | None:
        """A run that is over, read once; those of long ago are not read at all."""
        try:
            stat = path.stat()
        except OSError:
            return None
        if now.timestamp() - stat.st_mtime > FINISHED_D * 86400.0:
            return None
        mark = (stat.st_mtime_ns, stat.st_size)
        if self._sealed.get(path, (None,))[0] != mark:
            found = None
            with contextlib.suppress(LongholdError, OSError):
                live = LiveRun(path)
                found = (live.meta.name, live.refresh().status)
                live.close()
            self._sealed[path] = (mark, found)
        return self._sealed[path][1]


def _record_or_why(path: Path, size: int) -> Record | str | None:
    """A wheel's record; why it cannot be read; None where it is another kind of file."""
    if size > LARGEST_BYTES:
        return None
    try:
        with path.open("rb") as f:
            head = f.read(4096)
        if KIND.encode() not in head:
            return None
        return read_record(path)[0]
    except (LongholdError, OSError) as error:
        return str(error)


def _trouble(path: Path, why: str) -> Item:
    return Item(group=Group.WAITS, kind="trouble", path=path, name=path.name, what=why, when="", detail=(why,))


def in_words(items: Sequence[Item], folder: Path) -> list[str]:
    """The list as plain lines."""
    if not items:
        return [
            f"No wheel's record (WHEEL.json) and no run in {folder.resolve()}.",
            "Begin one: longhold wheel new BUILD.toml --batch BATCH.json --plan SCHEDULE.json --out WHEEL.json",
        ]
    lines = []
    for group in Group:
        own = [i for i in items if i.group is group]
        if own:
            lines += ["", f"{TITLES[group]}:"]
        for item in own:
            lines.append(f"  {item.name} ({item.path.name}): {item.when}")
            lines += [f"      {text}" for text in item.detail]
    return lines[1:]


def utc_now() -> datetime:
    """The computer's clock, whole seconds."""
    return datetime.now(UTC).replace(microsecond=0)
