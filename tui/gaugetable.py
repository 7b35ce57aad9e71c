"""A gauge's CSV table in, its calibration record and printable table out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from models.errors import InputError
from models.units import KGF_N
from tui.format import number, percent, signed
from tui.readings import filled_rows

if TYPE_CHECKING:
    from models.calibrate import Calibrated, Readings
    from models.gauge import Gauge

COLUMNS = ("load_before_N", "load_N", "reading", "direction", "series")
NEEDED = ("load_N", "reading")
INVENTED = "INVENTED in a rehearsal: for no real spoke"
LARGEST = 1e9  # of a load or a reading: a slip of the pen, not a gauge


def read_gauge_table(path: Path) -> Readings:
    """Read READINGS.csv: ``load_N`` (under the gauge) and ``reading``; optional ``load_before_N``, ``direction``
    (up or down; up where absent) and ``series`` (1 where absent). Other columns are left alone.

    Raises
    ------
    InputError
        Names file, line and column.
    """
    import numpy as np

    from models.calibrate import Readings

    rows = filled_rows(path, "a table of gauge readings", ", ".join(NEEDED))
    header = [name.strip() for name in rows[0][1]]
    for name in NEEDED:
        if name not in header:
            raise InputError(
                f"{path}: column '{name}' is missing; needed: {', '.join(NEEDED)}; read: {', '.join(COLUMNS)}"
            )
    for name in COLUMNS:
        if header.count(name) > 1:
            raise InputError(f"{path}: column '{name}' stands there twice")
    at = {name: header.index(name) for name in COLUMNS if name in header}
    if len(rows) == 1:
        raise InputError(f"{path}: no readings below the heading")

    def cell(row: Sequence[str], name: str) -> str:
        return row[at[name]].strip() if name in at and at[name] < len(row) else ""

    def value(line: int, row: Sequence[str], name: str, needed: bool) -> float:
        raw = cell(row, name)
        if not raw and not needed:
            return math.nan
        try:
            found = float(raw)
        except ValueError:
            found = math.nan
        if not abs(found) < LARGEST:
            raise InputError(f"{path}: line {line}: {name} is '{raw}'; a number below {LARGEST:g} is needed")
        return found

    before, load, reading, rising, series, lines = [], [], [], [], [], []
    for line, row in rows[1:]:
        before.append(value(line, row, "load_before_N", False))
        load.append(value(line, row, "load_N", True))
        reading.append(value(line, row, "reading", True))
        way = cell(row, "direction").lower() or "up"
        if way not in ("up", "down"):
            raise InputError(f"{path}: line {line}: direction is '{way}'; up or down is allowed")
        rising.append(way == "up")
        series.append(cell(row, "series") or "1")
        if load[-1] <= 0.0:
            raise InputError(f"{path}: line {line}: load_N is {load[-1]:g}; a load under the gauge is above 0 N")
        lines.append(line)
    return Readings(
        load_N=np.array(load),
        reading=np.array(reading),
        load_before_N=np.array(before),
        rising=np.array(rising, dtype=np.bool_),
        series=np.array(series),
        line=np.array(lines, dtype=np.int64),
    )


def table_rows(gauge: Gauge, step_N: float, stiffness_N_per_mm: float | None) -> list[dict[str, float | None]]:
    """Rows of the printable table: round tensions, what to read, and U. Free tensions where the stiffness is given."""
    off = 0.0 if stiffness_N_per_mm is None else (gauge.path_mm or 0.0) * stiffness_N_per_mm
    low, high = gauge.range_N[0] - off, gauge.range_N[1] - off
    rows: list[dict[str, float | None]] = []
    for k in range(math.ceil(low / step_N - 1e-9), math.floor(high / step_N + 1e-9) + 1):
        tension = k * step_N
        if tension <= 0.0:
            continue
        if stiffness_N_per_mm is None:
            reading, sd = gauge.reading(tension)
        else:
            reading, sd = gauge.reading_for(tension, stiffness_N_per_mm)
        sd_N = float(sd) * abs(float(gauge.slope_N(reading)))
        rows.append(
            {"tension_N": tension, "reading": float(reading), "U_N": 2.0 * sd_N, "U_percent": 200.0 * sd_N / tension}
        )
    return rows


def rows_by_reading(gauge: Gauge, stiffness_N_per_mm: float | None) -> list[dict[str, float]]:
    """The same table the other way: round readings, the tension that each is, and U."""
    low, high = sorted(gauge.range_reading)
    step = round_step(high - low, (1.0, 2.0, 5.0))
    rows = []
    for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1):
        reading = k * step
        if stiffness_N_per_mm is None:
            tension, sd = gauge.tension_N(reading)
        else:
            tension, sd = gauge.true_tension_N(reading, stiffness_N_per_mm)
        if float(tension) > 0.0:
            rows.append({"reading": reading, "tension_N": float(tension), "U_N": 2.0 * float(sd)})
    return rows


def round_step(span: float, parts: Sequence[float] = (1.0, 2.0, 2.5, 5.0)) -> float:
    """The smallest round step (one of ``parts`` times a power of ten) that makes at most 20 rows of a span."""
    decade = 10.0 ** math.floor(math.log10(span / 20.0))
    return next(step for step in (*(p * decade for p in parts), 10.0 * decade) if span / step <= 20.0)


def steps_places(step: float) -> int:
    """Decimal places that show every multiple of a round step."""
    return next(n for n in range(12) if math.isclose(step * 10**n, round(step * 10**n), rel_tol=1e-9))


def table_text(gauge: Gauge, step_N: float, stiffness_N_per_mm: float | None) -> str:
    """The printable table as plain text, both ways."""
    places = places_of(gauge)
    what = "under the gauge" if stiffness_N_per_mm is None else f"gauge off, {stiffness_N_per_mm:.0f} N/mm"
    lines = [INVENTED] if gauge.extra.get("invented") else []
    lines += [
        f"Tension ({what})     Reading      U (k = 2)",
        "     N     kgf" + f"{gauge.reading_unit[:14]:>16}" + "      N       %",
    ]
    for row in table_rows(gauge, step_N, stiffness_N_per_mm):
        t = row["tension_N"] or 0.0
        lines.append(
            f"{number(t):>6}{number(t / KGF_N, 1):>8}{number(row['reading'], places):>16}"
            f"{number(row['U_N']):>7}{number(row['U_percent'], 1):>8}"
        )
    by_reading = rows_by_reading(gauge, stiffness_N_per_mm)
    read = max((steps_places(r["reading"]) for r in by_reading), default=0)
    lines += ["", "Reading     Tension      U (k = 2)", f"{gauge.reading_unit[:7]:>7}      N     kgf       N"]
    lines += [
        f"{number(r['reading'], read):>7}{number(r['tension_N']):>7}{number(r['tension_N'] / KGF_N, 1):>8}"
        f"{number(r['U_N']):>8}"
        for r in by_reading
    ]
    return "\n".join(lines)


def record_text(found: Calibrated) -> str:
    """The calibration record in words; plain about what it is not."""
    gauge = found.gauge
    curve = "monotone spline" if found.degree is None else f"polynomial of degree {found.degree}"
    lines = [
        "Calibration record of a handheld gauge (not a certificate)",
        f"  spokes            {gauge.spoke_batch or 'not said'}; the curve holds for this kind of spoke only",
        f"  made on           {gauge.made_on or 'not said'}",
        f"  readings used     {found.used.load_N.size}, direction {gauge.direction}, "
        f"{gauge.range_N[0]:.0f} to {gauge.range_N[1]:.0f} N under the gauge",
        f"  curve             {curve}",
        f"  scatter           {number(found.sd_N, 1)} N, one reading at mid-range ({found.dof} degrees of freedom)",
        f"  repeatability     {percent(found.repeat_percent)} at worst",
        f"  hysteresis        {percent(found.hysteresis_percent)} at worst (falling less rising)",
        f"  resolution        {gauge.resolution:g} {gauge.reading_unit}",
        f"  extra path        {'not known' if gauge.path_mm is None else number(gauge.path_mm, 3) + ' mm'}",
        f"  U (k = 2)         {percent(gauge.U_percent)} of the tension under the gauge at worst",
        "",
        "     load N    n   accuracy %   repeat %   reverse %   resolution %   class",
    ]
    for level in found.levels:
        lines.append(
            f"{number(level.load_N):>11}{level.readings:>5}{signed(level.accuracy_percent, 2):>13}"
            f"{number(level.repeat_percent, 2):>11}{signed(level.reverse_percent, 2):>12}"
            f"{number(level.resolution_percent, 2):>15}{level.best_class or 'worse':>8}"
        )
    kept = [f"class {name} from {number(load)} N up" for name, load in found.class_from()]
    overall = ", ".join(kept) if kept else "worse than class 3 at the highest load"
    lines += ["", f"Against the limits of ISO 7500-1 (a yardstick; the gauge is not a testing machine): {overall}."]
    lines += [f"Note: {w}." for w in found.warnings]
    return "\n".join(lines)


def places_of(gauge: Gauge) -> int:
    """Decimal places that show half the resolution."""
    if gauge.resolution <= 0.0:
        return 2
    return max(0, math.ceil(-math.log10(gauge.resolution) - 1e-9)) + (0 if gauge.resolution < 1.0 else 1)


def summary(found: Calibrated) -> dict[str, Any]:
    """What the record keeps beside the curve."""
    return {
        "readings": int(found.used.load_N.size),
        "degrees_of_freedom": found.dof,
        "scatter_N": found.sd_N,
        "repeat_percent": found.repeat_percent,
        "hysteresis_percent": found.hysteresis_percent,
        "class": found.best_class,
        "class_from": [{"class": name, "load_N": load} for name, load in found.class_from()],
        "levels": [
            {
                "load_N": x.load_N,
                "readings": x.readings,
                "accuracy_percent": x.accuracy_percent,
                "repeat_percent": x.repeat_percent,
                "reverse_percent": x.reverse_percent,
                "resolution_percent": x.resolution_percent,
                "class": x.best_class,
            }
            for x in found.levels
        ],
        "candidates": [dict(t) for t in found.tried],
        "warnings": list(found.warnings),
    }
