"""A small plot of block and braille characters for the monitor: curves that read without colour.

Pure functions: numbers in, lines of text out. Each cell has 2 x 4 dots (Unicode block 'Braille Patterns', U+2800);
a curve fills the dots between its lowest and highest value in each column of dots, so no spike is lost.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

Floats = NDArray[np.floating[Any]]

# dot (column, row) of a cell -> bit of the braille pattern
_BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]], dtype=np.int64)

# times that a builder says, s, for the axis of a logarithmic time scale
_SPOKEN_S = (
    (1.0, "1 s"),
    (10.0, "10 s"),
    (60.0, "1 min"),
    (600.0, "10 min"),
    (3600.0, "1 h"),
    (36000.0, "10 h"),
    (345600.0, "4 d"),
    (2592000.0, "30 d"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """One curve of a plot."""

    x: Floats  # (n,) rising
    y: Floats  # (n,) NaN breaks the curve
    style: str = ""  # Rich style; the curve must be told apart without it
    dashed: bool = False


def ticks(low: float, high: float, wanted: int) -> list[float]:
    """At most ``wanted`` + 1 round values (1, 2 or 5 times a power of ten) within a range."""
    span = high - low
    if not math.isfinite(span) or span <= 0:
        return [low]
    raw = span / max(wanted, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def tick_text(value: float, step: float) -> str:
    """A tick's label with as many places as its step needs."""
    places = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    return f"{value:.{places}f}".replace("-0", "0", 1) if value == 0 else f"{value:.{places}f}"


def column_spans(x: Floats, y: Floats, low: float, high: float, columns: int) -> tuple[Floats, Floats]:
    """Lowest and highest y of a curve in each of ``columns`` equal parts of [low, high]; NaN where it is not drawn.

    The curve is taken as straight between points, so a part without a point gets the values at its edges.
    """
    bottom = np.full(columns, np.nan)
    top = np.full(columns, np.nan)
    if x.size == 0 or not high > low:
        return bottom, top
    inside = (x >= low) & (x <= high) & np.isfinite(y)
    edges = np.linspace(low, high, columns + 1)
    at_edges = np.interp(edges, x, y, left=np.nan, right=np.nan)
    both = np.stack([at_edges[:-1], at_edges[1:]])
    known = np.isfinite(both).all(axis=0)
    bottom[known] = np.fmin(both[0], both[1])[known]
    top[known] = np.fmax(both[0], both[1])[known]
    where = np.minimum(((x[inside] - low) / (high - low) * columns).astype(np.int64), columns - 1)
    values = y[inside]
    np.fmin.at(bottom, where, values)
    np.fmax.at(top, where, values)
    return bottom, top


def _dots(curve: Curve, box: tuple[float, float, float, float], columns: int, rows: int) -> NDArray[np.bool_]:
    """(rows, columns) dots of one curve; row 0 is the top."""
    x_low, x_high, y_low, y_high = box
    dots = np.zeros((rows, columns), dtype=np.bool_)
    bottom, top = column_spans(curve.x, curve.y, x_low, x_high, columns)
    scale = (rows - 1) / (y_high - y_low)
    for c in range(columns):
        if not math.isfinite(bottom[c]) or (curve.dashed and c % 6 >= 3):
            continue
        if top[c] < y_low or bottom[c] > y_high:
            continue
        first = round((min(top[c], y_high) - y_low) * scale)
        last = round((max(bottom[c], y_low) - y_low) * scale)
        dots[rows - 1 - first : rows - last, c] = True
    return dots


def _range(curves: Sequence[Curve], x_low: float, x_high: float, least: float) -> tuple[float, float]:
    """Range of y over the part of x that is shown, at least ``least`` high, with a little air."""
    low, high = math.inf, -math.inf
    for curve in curves:
        shown = curve.y[(curve.x >= x_low) & (curve.x <= x_high) & np.isfinite(curve.y)]
        if shown.size:
            low, high = min(low, float(shown.min())), max(high, float(shown.max()))
    if not math.isfinite(low):
        low, high = 0.0, least
    air = max(0.06 * (high - low), 0.5 * (least - (high - low)), 0.0)
    return low - air, high + air


def plot(
    curves: Sequence[Curve],
    *,
    width: int,
    height: int,
    title: str,
    log_time: bool = False,
    x_range: tuple[float, float] | None = None,
    y_least: float = 1.0,
    y_from_zero: bool = False,
    nothing: str = "nothing recorded yet",
) -> list[Text]:
    """The plot as ``height`` lines of ``width`` characters: a title, the drawing with its y labels, the time axis.

    Parameters
    ----------
    curves : later ones are drawn over earlier ones
    log_time : x is time in s on a logarithmic scale, labelled 1 s, 1 min, 1 h ...; else linear, labelled in h
    x_range : range of x in s; that of the curves if left out
    y_least : smallest height of the y range
    nothing : what is written where there is no curve
    """
    blank = [Text(" " * width) for _ in range(height)]
    rows = height - 2
    points = [c for c in curves if c.x.size]
    if rows < 2 or width < 24:
        return blank
    heading = Text(title[:width].ljust(width), style="bold")
    if not points:
        blank[0] = heading
        blank[1 + rows // 2] = Text(nothing.center(width))
        return blank
    low = min(float(c.x[0]) for c in points) if x_range is None else x_range[0]
    high = max(float(c.x[-1]) for c in points) if x_range is None else x_range[1]
    if log_time:
        low, high = math.log10(max(low, 1.0)), math.log10(max(high, 10.0))
        curves = [Curve(x=np.log10(c.x[c.x > 0]), y=c.y[c.x > 0], style=c.style, dashed=c.dashed) for c in points]
    elif high <= low:
        high = low + 1.0
    y_low, y_high = _range(curves, low, high, y_least)
    if y_from_zero:
        y_low = min(0.0, y_low)
    marks = ticks(y_low, y_high, max(2, rows // 2))
    step = marks[1] - marks[0] if len(marks) > 1 else y_high - y_low
    labels = {rows - 1 - round((m - y_low) / (y_high - y_low) * (rows - 1)): tick_text(m, step) for m in marks}
    margin = max(len(t) for t in labels.values()) + 1
    cells = width - margin - 1
    body = _draw(curves, (low, high, y_low, y_high), cells, rows)
    lines = [heading]
    for r in range(rows):
        lines.append(Text.assemble(labels.get(r, "").rjust(margin - 1), "┤" if r in labels else "│", " ", body[r]))
        lines[-1].truncate(width)
        lines[-1].pad_right(width - lines[-1].cell_len)
    places = _spoken(low, high) if log_time else _hours(low, high, cells)
    lines.append(Text(_axis(places, low, high, margin, cells)[:width].ljust(width)))
    return lines


def _draw(curves: Sequence[Curve], box: tuple[float, float, float, float], cells: int, rows: int) -> list[Text]:
    bits = np.zeros((rows, cells), dtype=np.int64)
    owner = np.full((rows, cells), -1)
    for i, curve in enumerate(curves):
        dots = _dots(curve, box, cells * 2, rows * 4).reshape(rows, 4, cells, 2)
        drawn = np.einsum("rdcs,ds->rc", dots.astype(np.int64), _BITS)
        owner = np.where(drawn > 0, i, owner)
        bits |= drawn
    lines = []
    for r in range(rows):
        line = Text()
        for c in range(cells):
            style = curves[owner[r, c]].style if owner[r, c] >= 0 else ""
            line.append(chr(0x2800 + int(bits[r, c])) if bits[r, c] else " ", style=style)
        lines.append(line)
    return lines


def _spoken(low: float, high: float) -> list[tuple[float, str]]:
    return [(math.log10(s), text) for s, text in _SPOKEN_S if low - 1e-9 <= math.log10(s) <= high + 1e-9]


def _hours(low: float, high: float, cells: int) -> list[tuple[float, str]]:
    unit, name = (3600.0, "h") if high - low > 7200 else (60.0, "min") if high - low > 120 else (1.0, "s")
    marks = ticks(low / unit, high / unit, max(2, cells // 14))
    step = marks[1] - marks[0] if len(marks) > 1 else 1.0
    return [(m * unit, f"{tick_text(m, step)} {name}") for m in marks]


def _axis(places: list[tuple[float, str]], low: float, high: float, margin: int, cells: int) -> str:
    """Labels centred under their places; one that would touch its neighbour or leave the line is left out."""
    line = [" "] * (margin + 1 + cells)
    free_from = margin
    for value, text in places:
        column = margin + 1 + round((value - low) / (high - low) * (cells - 1))
        start = min(max(column - len(text) // 2, margin), len(line) - len(text))
        if start < free_from:
            continue
        line[start : start + len(text)] = text
        free_from = start + len(text) + 2
    return "".join(line)
