"""Draws the table of a station's states as one SVG picture: nothing of it is written by hand but where things stand."""

from __future__ import annotations

import math
from collections.abc import Iterator
from html import escape

from bench.machine import MAY_MOVE, PROGRAM_STATES, STATION_TABLE, StationEvent, StationState

S = StationState
PROGRAM = "the program"
WIDTH, HEIGHT = 960, 560
LINE = 15  # from line to line of text
MANY = 5  # sources of one target from which on they are listed in its box instead of drawn
BOX = (190, 44)
LONG = 500  # an arrow that has its words near its end, where fewer others pass
PLACES = {
    S.WAITING.value: (120, 80),
    PROGRAM: (480, 80),
    S.DONE.value: (840, 80),
    S.PAUSED.value: (130, 290),
    S.EASING_OFF.value: (540, 290),
    S.EASED_OFF.value: (840, 290),
    S.CUT_OFF.value: (130, 480),
    S.KEPT.value: (480, 480),
    S.DRIVE_OFF.value: (800, 480),
}


def group(state: StationState) -> str:
    """States of the program stand in one box: they follow each other as its steps say."""
    return PROGRAM if state in PROGRAM_STATES else state.value


def edges() -> dict[tuple[str, str], list[StationEvent]]:
    """(from, to) and why, boxes for states."""
    found: dict[tuple[str, str], list[StationEvent]] = {}
    for (state, event), to in STATION_TABLE.items():
        pair = (group(state), group(to))
        if pair[0] != pair[1] and event not in found.setdefault(pair, []):
            found[pair].append(event)
    return found


def words(events: list[StationEvent]) -> list[str]:
    """What an arrow is called; the program's own events in one word."""
    own = [e.value for e in events if not e.value.startswith("the program")]
    return [*own, "the program goes on"] if len(own) < len(events) else own


def box(name: str, lines: list[str], bold: bool) -> Iterator[str]:
    """One state; a thick border where something may move."""
    x, y = PLACES[name]
    w, h = BOX[0], BOX[1] + LINE * max(0, len(lines) - 1)
    yield (
        f'<rect x="{x - w / 2:.0f}" y="{y - h / 2:.0f}" width="{w}" height="{h}" rx="6" fill="#fff" stroke="#000" '
        f'stroke-width="{3 if bold else 1}"/>'
    )
    for i, line in enumerate(lines):
        at = y + LINE * (i - (len(lines) - 1) / 2) + 4
        weight = ' font-weight="bold"' if i == 0 else ' font-size="11"'
        yield f'<text x="{x}" y="{at:.0f}" text-anchor="middle"{weight}>{escape(line)}</text>'


def arrow(a: str, b: str, said: list[str], heights: dict[str, int], both: bool) -> Iterator[str]:
    """From the edge of one box to the edge of another; aside where there is one the other way too."""
    (x0, y0), (x1, y1) = PLACES[a], PLACES[b]
    length = math.hypot(x1 - x0, y1 - y0)
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    if both:
        x0, x1, y0, y1 = x0 - 14 * uy, x1 - 14 * uy, y0 + 14 * ux, y1 + 14 * ux

    def out(name: str) -> float:
        half_w, half_h = BOX[0] / 2 + 3, heights[name] / 2 + 3
        return min(half_w / abs(ux) if ux else math.inf, half_h / abs(uy) if uy else math.inf)

    x0, y0, x1, y1 = x0 + out(a) * ux, y0 + out(a) * uy, x1 - out(b) * ux, y1 - out(b) * uy
    yield (
        f'<line x1="{x0:.0f}" y1="{y0:.0f}" x2="{x1:.0f}" y2="{y1:.0f}" stroke="#000" marker-end="url(#head)"'
        + (' stroke-dasharray="5 4"' if all("a person" in s for s in said) else "")
        + "/>"
    )
    share = 0.38 if both else 0.5 if length < LONG else 0.75
    mx, my = x0 + share * (x1 - x0), y0 + share * (y1 - y0)
    for i, line in enumerate(said):
        at = my + 13 * (i - (len(said) - 1) / 2) + 4
        yield (
            f'<text x="{mx:.0f}" y="{at:.0f}" text-anchor="middle" font-size="11" paint-order="stroke" stroke="#fff" '
            f'stroke-width="5">{escape(line)}</text>'
        )


def svg() -> str:
    """The whole picture."""
    found = edges()
    sources: dict[str, list[str]] = {}
    for a, b in found:
        sources.setdefault(b, []).append(a)
    texts: dict[str, list[str]] = {}
    for name in PLACES:
        lines = [name]
        if name == PROGRAM:
            lines += [", ".join(s.value for s in S if s in PROGRAM_STATES)]
            lines = [PROGRAM, *wrapped(lines[1])]
        if len(sources.get(name, ())) >= MANY:
            why = sorted({e.value for a in sources[name] for e in found[a, name]})
            others = [n for n in PLACES if n != name and n not in sources[name]]
            lines += wrapped(" / ".join(why))
            lines += wrapped("from each" + (f" but {', '.join(others)}" if others else ""))
        texts[name] = lines
    heights = {name: BOX[1] + LINE * (len(lines) - 1) for name, lines in texts.items()}
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" '
        'font-size="13">',
        '<defs><marker id="head" viewBox="0 0 10 10" refX="9" refY="5" markerWidth="8" markerHeight="8" '
        'orient="auto"><path d="M0 0L10 5L0 10z"/></marker></defs>',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>',
    ]
    late: list[str] = []
    for (a, b), events in found.items():
        if len(sources[b]) < MANY:
            line, *text = arrow(a, b, words(events), heights, (b, a) in found)
            parts.append(line)
            late += text
    moving = {group(s) for s in MAY_MOVE}
    for name, lines in texts.items():
        parts += box(name, lines, name in moving)
    return "\n".join([*parts, *late, "</svg>"]) + "\n"


def wrapped(text: str, most: int = 31) -> list[str]:
    """In lines that fit a box."""
    lines = [""]
    for word in text.split():
        if len(lines[-1]) + len(word) >= most:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines
