"""Guided work on one wheel: its readings, its plan, its turns; what is kept where, and what comes next."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from models.errors import InputError, LongholdError
from models.written import read_text
from planner.build import Build, load_build
from planner.notes import appended
from planner.present import Expected
from planner.record import Record
from planner.wheel import wheel_of
from tui.out import json_text, read_json, write_whole
from tui.planplay import Played, played
from tui.screens.plan import PlanScreen
from tui.screens.readings import ReadingsScreen
from tui.typed import Sheet, expected_of
from tui.walk import Walk
from tui.wheelfile import only_writer, read_record, write_record


def build_or_record(path: Path) -> tuple[Build, Record | None]:
    """A wheel by its record or by its build file alone."""
    if path.suffix.lower() == ".toml":
        return load_build(path), None
    record = read_record(path)[0]
    return record.the_build, record


def goes_on(sheet: Sheet, path: Path) -> None:
    """Take up a round that was left; refuses one that is whole.

    Raises
    ------
    InputError
        Every spoke is read already, or the file is no table of this wheel's readings.
    """
    text = read_text(path, "a table of a wheel's readings")
    try:
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
    except csv.Error as error:
        raise InputError(f"{path}: not a table: {error}") from None
    values: list[float | None] = [None] * sheet.count
    for line, row in enumerate(rows, start=2):
        try:
            position, tension = int(row.get("position") or ""), float(row.get("tension_N") or "")
            if not math.isfinite(tension):
                raise ValueError
        except ValueError:
            raise InputError(f"{path}: line {line}: not a row of readings that this command began") from None
        if not 1 <= position <= sheet.count:
            raise InputError(f"{path}: line {line}: position {position}; this wheel has {sheet.count} spokes")
        values[position - 1] = tension
    if all(v is not None for v in values):
        raise InputError(f"{path} holds a whole round; give another name, or --force to begin it anew")
    sheet.fill(values)


def next_command(wheel_file: Path, out: Path, record: Record | None) -> str:
    """What to type when the readings are there."""
    if record is None:
        return f"longhold retension {wheel_file} --readings {out} --json > answer.json"
    return f"longhold retension BUILD.toml --readings {out} --wheel {wheel_file} --json > answer.json"


def expected(record: Record, now: datetime) -> Expected | None:
    """What to expect of each spoke; None where it cannot be told."""
    try:
        return expected_of(record, now)
    except LongholdError:
        return None


def readings_screen(wheel_file: Path, now: datetime) -> ReadingsScreen:
    """Typing this wheel's readings into a file of their own beside the record; its own name says when."""
    build, record = build_or_record(wheel_file)
    out = wheel_file.with_name(f"{wheel_file.stem}-readings-{now:%Y%m%d-%H%M}.csv")
    sheet = Sheet(wheel=wheel_of(build), gauge=None)
    if out.exists():
        goes_on(sheet, out)

    def keep(now_stands: Sheet) -> None:
        write_whole(out, now_stands.csv(when="before"))

    name = build.name if record is None else record.name
    return ReadingsScreen(
        sheet,
        name=name,
        what=f"into {out.name}",
        keep=keep,
        expect=None if record is None else lambda: expected(record, now),
        ends=f"in {out.name}; next: {next_command(wheel_file, out, record)}",
    )


def plan_screen(wheel_file: Path) -> PlanScreen:
    """Playing with the plan of a wheel that has a record."""
    build, record = build_or_record(wheel_file)
    assert record is not None
    batch = record.the_batch

    def make(changed: Build, progress: Callable[[str], None]) -> Played:
        return played(changed, batch, progress=progress)

    return PlanScreen(build, make, name=f"{record.name}, batch {batch.batch}")


def place_left(path: Path, content: dict[str, Any], moves: int) -> int:
    """How many moves were done when it was left; 0 for another answer."""
    if not path.exists():
        return 0
    kept = read_json(path, "where the turns were left")
    done = kept.get("done")
    same = kept.get("answer") == _mark(content)
    return done if same and isinstance(done, int) and 0 <= done <= moves else 0


def keep_place(path: Path, content: dict[str, Any], done: int) -> None:
    """Keep how many moves of this answer are done, to go on there later."""
    write_whole(path, json_text({"answer": _mark(content), "done": done}))


def _mark(content: dict[str, Any]) -> str:
    """The same for the same answer."""
    return hashlib.sha256(json.dumps(content["rounds"], sort_keys=True).encode()).hexdigest()[:16]


def note_turned(wheel_file: Path, content: dict[str, Any], walk: Walk, at: datetime) -> None:
    """One more entry in the wheel's record: nipples turned, and what is expected after it."""
    entry = {
        "kind": "turned",
        "words": "",
        "turns": walk.net_turns(),
        "before_N": [float(t) for t in content["read_N"]],
        "after_N": [float(t) for t in content["tension_after_N"]],
    }
    with only_writer(wheel_file):
        _, record = read_record(wheel_file)
        write_record(wheel_file, appended(record, entry, at=at, now=at, where=str(wheel_file)))
