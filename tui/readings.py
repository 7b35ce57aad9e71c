"""READINGS.csv, a wheel's readings as a person writes them down: checked line by line."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from models.errors import InputError
from models.units import parse_force_N
from models.written import read_text

if TYPE_CHECKING:
    from models.batch import Batch
    from models.gauge import Gauge
    from planner.present import Measured
    from planner.wheel import Wheel

Own = dict[int, tuple[int, Sequence[str]]]  # line and cells of each position
COLUMNS = ("position", "tension_N", "reading", "lateral_mm", "radial_mm", "temperature_C", "at_utc", "when", "dish_mm")
WHENS = ("before", "after")
WHAT = "a table of a wheel's readings"
RANGES = {"lateral_mm": 30.0, "radial_mm": 30.0, "dish_mm": 30.0}
HIGHEST_N = 5000.0
COLDEST_C, HOTTEST_C = -40.0, 90.0
ALIKE_C = 3.0  # temperatures of one round may differ by so much


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """One round of readings, by position; columns that the file does not have are None."""

    when: str  # before, after, or empty where the file does not say
    lines: tuple[int, ...]  # of the file
    tension_N: tuple[float, ...] | None
    reading: tuple[float, ...] | None
    lateral_mm: tuple[float, ...] | None
    radial_mm: tuple[float, ...] | None
    dish_mm: float | None
    temperature_C: float | None
    at_utc: datetime | None


def read_readings(path: Path, spokes: int) -> dict[str, Round]:
    """Rounds by ``when`` ("before", "after", or "" where the file has no such column).

    Raises
    ------
    InputError
        Names file, line and what is allowed.
    """
    rows = filled_rows(path, WHAT, "position and tension_N (or reading)")
    header = [name.strip() for name in rows[0][1]]
    at = _columns(path, header)
    if len(rows) == 1:
        raise InputError(f"{path}: no readings below the heading")
    by_when: dict[str, Own] = {}
    for line, row in rows[1:]:
        if len(row) > len(header) and any(cell.strip() for cell in row[len(header) :]):
            raise InputError(f"{path}: line {line}: {len(row)} cells under {len(header)} headings")
        when = _cell(row, at, "when").lower()
        if "when" in at and when not in WHENS:
            raise InputError(f"{path}: line {line}: when is '{when}'; before or after is allowed")
        position = _position(path, line, _cell(row, at, "position"), spokes)
        own = by_when.setdefault(when, {})
        if position in own:
            raise InputError(f"{path}: line {line}: position {position} was read on line {own[position][0]} already")
        own[position] = (line, row)
    return {when: _round(path, when, own, at, spokes) for when, own in by_when.items()}


def filled_rows(path: Path, what: str, needed: str) -> list[tuple[int, list[str]]]:
    """Number and cells of each line of a CSV table that is not empty, the heading first.

    Raises
    ------
    InputError
        Names file and line; ``what`` was expected, with the columns ``needed``.
    """
    text = read_text(path, what).removeprefix("\ufeff")
    table = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        rows = [(table.line_num, row) for row in table if any(cell.strip() for cell in row)]
    except csv.Error as error:
        raise InputError(f"{path}: line {table.line_num}: {error}; is a quote left open?") from None
    if not rows:
        raise InputError(f"{path}: empty; columns {needed} are needed")
    return rows


def _columns(path: Path, header: Sequence[str]) -> dict[str, int]:
    for name in COLUMNS:
        if header.count(name) > 1:
            raise InputError(f"{path}: column '{name}' stands there twice")
    if "position" not in header:
        hint = " (are the columns parted by commas?)" if len(header) == 1 else ""
        raise InputError(f"{path}: column 'position' is missing{hint}; read are: {', '.join(COLUMNS)}")
    if ("tension_N" in header) == ("reading" in header):
        both = "both are there" if "reading" in header else "neither is there"
        raise InputError(f"{path}: one of the columns 'tension_N' and 'reading' is needed; {both}")
    return {name: header.index(name) for name in COLUMNS if name in header}


def _cell(row: Sequence[str], at: dict[str, int], name: str) -> str:
    return row[at[name]].strip() if name in at and at[name] < len(row) else ""


def _position(path: Path, line: int, raw: str, spokes: int) -> int:
    try:
        position = int(raw)
    except ValueError:
        raise InputError(f"{path}: line {line}: position is '{raw}'; a whole number 1 to {spokes} is needed") from None
    if not 1 <= position <= spokes:
        raise InputError(f"{path}: line {line}: position {position}; this wheel has positions 1 to {spokes}")
    return position


def _number(path: Path, line: int, name: str, raw: str) -> float:
    try:
        value = parse_force_N(raw) if name == "tension_N" and not _plain(raw) else float(raw)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        text = " or a force such as '100 kgf'" if name == "tension_N" else ""
        raise InputError(f"{path}: line {line}: {name} is '{raw}'; a number{text} is needed")
    return value


def _plain(raw: str) -> bool:
    try:
        float(raw)
    except ValueError:
        return False
    return True


def _round(path: Path, when: str, own: Own, at: dict[str, int], spokes: int) -> Round:
    if len(own) != spokes:
        missing = [str(p) for p in range(1, spokes + 1) if p not in own]
        named = ", ".join(missing[:8]) + (" ..." if len(missing) > 8 else "")
        which = f" {when} the session" if when else ""
        raise InputError(f"{path}: {len(own)} spokes read{which}, the wheel has {spokes}; missing: position {named}")
    lines = tuple(own[p][0] for p in range(1, spokes + 1))

    def column(name: str) -> tuple[float, ...] | None:
        """All values of a column, or None where it is not there or wholly empty."""
        cells = [(own[p][0], _cell(own[p][1], at, name)) for p in range(1, spokes + 1)]
        if name not in at or not any(raw for _, raw in cells):
            return None
        out = []
        for line, raw in cells:
            value = _number(path, line, name, raw)
            if abs(value) > RANGES.get(name, math.inf):
                raise InputError(f"{path}: line {line}: {name} is {value:g}; within {RANGES[name]:g} mm is possible")
            if name == "tension_N" and not 0.0 <= value <= HIGHEST_N:
                raise InputError(f"{path}: line {line}: tension_N is {value:g}; 0 to {HIGHEST_N:g} N is possible")
            out.append(value)
        return tuple(out)

    tension, reading = column("tension_N"), column("reading")
    if tension is None and reading is None:
        raise InputError(f"{path}: column '{'reading' if 'reading' in at else 'tension_N'}' is empty")
    return Round(
        when=when,
        lines=lines,
        tension_N=tension,
        reading=reading,
        lateral_mm=column("lateral_mm"),
        radial_mm=column("radial_mm"),
        dish_mm=_one(path, own, at, "dish_mm", RANGES["dish_mm"]),
        temperature_C=_temperature(path, own, at),
        at_utc=_earliest(path, own, at),
    )


def _some(path: Path, own: Own, at: dict[str, int], name: str) -> list[tuple[int, float]]:
    cells = [(line, _cell(row, at, name)) for line, row in own.values()]
    return [(line, _number(path, line, name, raw)) for line, raw in cells if raw]


def _one(path: Path, own: Own, at: dict[str, int], name: str, most: float) -> float | None:
    """The single value of a column that belongs to the whole wheel."""
    values = _some(path, own, at, name)
    for line, value in values:
        if value != values[0][1]:
            raise InputError(f"{path}: line {line}: {name} is {value:g}, above it {values[0][1]:g}: a wheel has one")
        if abs(value) > most:
            raise InputError(f"{path}: line {line}: {name} is {value:g}; within {most:g} is possible")
    return values[0][1] if values else None


def _temperature(path: Path, own: Own, at: dict[str, int]) -> float | None:
    values = _some(path, own, at, "temperature_C")
    for line, value in values:
        if not COLDEST_C <= value <= HOTTEST_C:
            raise InputError(
                f"{path}: line {line}: temperature_C is {value:g}; {COLDEST_C:g} to {HOTTEST_C:g} is possible"
            )
    if not values:
        return None
    lowest, highest = min(v for _, v in values), max(v for _, v in values)
    if highest - lowest > ALIKE_C:
        raise InputError(
            f"{path}: temperature_C goes from {lowest:g} to {highest:g}: read a wheel when it and the room are steady"
        )
    return sum(v for _, v in values) / len(values)


def _earliest(path: Path, own: Own, at: dict[str, int]) -> datetime | None:
    """When the round was begun."""
    times = []
    for line, row in own.values():
        raw = _cell(row, at, "at_utc")
        if raw:
            try:
                times.append(moment_of(raw, utc=True))
            except ValueError as error:
                raise InputError(f"{path}: line {line}: at_utc is '{raw}'; {error}") from None
    return min(times, default=None)


def moment_of(raw: str, *, utc: bool = False) -> datetime:
    """A moment in UTC from ISO 8601. Without an offset: UTC where ``utc``, else this computer's own time zone.

    Raises
    ------
    ValueError
        Says what is needed.
    """
    try:
        value = datetime.fromisoformat(raw.strip())
    except ValueError:
        raise ValueError("a time such as 2025-03-02T21:40Z is needed") from None
    if value.tzinfo is None:
        value = value.replace(tzinfo=UTC) if utc else value.astimezone()
    return value.astimezone(UTC)


def measured(
    round_: Round,
    path: Path,
    wheel: Wheel,
    gauge: Gauge | None,
    gauge_path: Path | None,
    batch: Batch | None,
    dish_mm: float | None = None,
) -> Measured:
    """The round as the calculation takes it: gauge readings turned into tension, the gauge's own load taken off.

    Raises
    ------
    InputError
        Readings without a gauge's record, or the other way round; a reading off its curve (with its line).
    """
    import numpy as np

    from models.chain import elastic_slope_per_N
    from planner.present import Measured, without_gauge

    asked = wheel.build.tension
    if round_.reading is not None:
        if gauge is None:
            raise InputError(f"{path}: column 'reading' needs the gauge's record: give --gauge GAUGE.json")
        EA = None if batch is None else 1.0 / float(elastic_slope_per_N(batch.chain, asked.target_N))
        try:
            tension, sd = without_gauge(wheel, gauge, np.array(round_.reading), EA, round_.lines)
        except InputError as error:
            where = path if str(error).startswith("line") else gauge_path
            raise InputError(f"{where}: {error}") from None
        if (tension < 0).any():
            i = int(tension.argmin())
            raise InputError(
                f"{path}: line {round_.lines[i]}: position {i + 1}: the gauge's own load is more than it reads: the "
                "spoke is all but slack"
            )
        sd = np.maximum(sd, 0.01 * asked.reading_repeat_percent * tension)
    else:
        if gauge is not None:
            raise InputError(f"{path}: column 'tension_N' is tension already: leave --gauge out, or give 'reading'")
        tension = np.array(round_.tension_N)
        sd = 0.01 * asked.reading_repeat_percent * tension
    return Measured(
        tension_N=tension,
        sd_N=sd,
        temperature_C=round_.temperature_C,
        lateral_mm=None if round_.lateral_mm is None else np.array(round_.lateral_mm),
        radial_mm=None if round_.radial_mm is None else np.array(round_.radial_mm),
        dish_mm=round_.dish_mm if dish_mm is None else dish_mm,
    )


def sheet_of(found: Measured) -> dict[str, object]:
    """A round as WHEEL.json keeps it."""
    out: dict[str, object] = {
        "tension_N": [round(float(t), 2) for t in found.tension_N],
        "sd_N": [round(float(s), 2) for s in found.sd_N],
    }
    for name in ("lateral_mm", "radial_mm"):
        values = getattr(found, name)
        if values is not None:
            out[name] = [round(float(v), 4) for v in values]
    for name in ("dish_mm", "temperature_C"):
        value = getattr(found, name)
        if value is not None:
            out[name] = float(value)
    return out
