"""Cards to print (PDF, one page, black and white): a night on the bench, and the build of a wheel, with tick boxes."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from models.errors import InputError
from tui import format as show

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PAPERS = {"A5": (419.53, 595.28), "A4": (595.28, 841.89), "Letter": (612.0, 792.0)}  # pt; ISO 216 and 8.5 x 11 inch
MARGIN_PT = 28.0
LEAST_PT, MOST_PT = 9.0, 12.5  # size of type: the largest that fits one page
LEADING = 1.28
PLAIN, BOLD = "LongholdSans", "LongholdSans-Bold"
INVENTED = "DEMO: invented data, not for use"

BENCH_CAUTIONS = (
    "A loaded spoke that lets go can injure eyes and hands: guard closed, eye protection on, nobody in line.",
    "The program is no safety function. Emergency stop, guard and cut-outs are hard-wired; test them each night.",
    "A stopped frame may still hold its load: unload before hands go in.",
)
BUILD_CAUTIONS = (
    "Rim, hub and spoke makers' limits and local rules come first; a qualified wheelbuilder signs the wheel off.",
    "Not for rim brakes: heat at the rim is outside what this plan covers.",
)
BUILD_HINTS = (
    "Hub hole edges rounded and smooth where fibre bears. Mark each spoke; hold its end against twist while turning.",
    "Read with one gauge throughout.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of a card's table; a tick box is drawn where ``tick``, a line under it unless it is ``tight``."""

    cells: tuple[str, ...]
    tick: bool = True
    tight: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """What a card says, before it is laid out."""

    title: str
    name: str
    demo: bool
    facts: tuple[str, ...]  # short lines under the title
    columns: tuple[tuple[str, float], ...]  # heading and share of the width
    rows: tuple[Row, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    sign: tuple[str, ...] = field(default=())  # blanks to fill in


def _both(tension: Mapping[str, float], reading: Mapping[str, float] | None = None, unit: str = "") -> str:
    left, right = tension.get("left"), tension.get("right")
    gauge = {k: f", gauge {show.number(v, 2)} {unit}".rstrip() for k, v in (reading or {}).items()}
    if left is not None and right is not None and show.number(left) == show.number(right):
        return f"all {show.force(left)}{gauge.get('left', '')}"
    parted = "; " if gauge else ", "
    return f"left {show.force(left)}{gauge.get('left', '')}{parted}right {show.force(right)}{gauge.get('right', '')}"


def _step_rows(steps: Sequence[Mapping[str, Any]], unit: str = "") -> list[Row]:
    rows = []
    for step in steps:
        kind = step["kind"]
        both = _both(step["tension_N"], step.get("reading"), unit) if kind in ("set", "touch", "pass") else ""
        hours = show.duration(float(step["hours"]) * 3600.0) if "hours" in step else ""
        at_h = show.duration(float(step["at_h"]) * 3600.0) if "at_h" in step else ""
        if kind == "prestretch":
            text = f"Stretch every spoke on the frame at {show.force(step['load_N'])} for {hours}"
            if step.get("temperature_C") is not None:
                text += f" at {show.with_unit(step['temperature_C'], '°C')}"
            rows.append(Row(cells=("before lacing", text + ". One bench card for each night.", "")))
        elif kind == "rest":
            load = float(step.get("load_N") or 0.0)
            text = f"Off the frame, {'slack' if load == 0 else 'at ' + show.force(load)}, {hours}; not longer"
            rows.append(Row(cells=("then", text + ": slack time undoes the stretch.", "")))
        elif kind == "laced":
            rows.append(Row(cells=("then", f"Lace, all to {show.force(step['tension_N'])}; leave for {hours}.", "")))
        elif kind == "set":
            rows.append(Row(cells=("start (0 h)", f"Set {both}, in equal rounds.", "")))
        elif kind == "touch":
            rows.append(Row(cells=(f"{at_h} from start", f"Same day: bring to {both}.", "")))
        elif kind == "pass":
            rows.append(Row(cells=(f"{at_h} from start", f"After the night: bring to {both}.", "")))
        elif kind == "deliver":
            rows.append(Row(cells=(f"{at_h} from start", "Read all spokes; deliver if within the target above.", "")))
    return rows


def build_card(
    schedule: Mapping[str, Any],
    *,
    name: str,
    spokes: int,
    target_N: Mapping[str, float],
    tolerance_percent: float,
    balance_percent: float,
    squeezes: int,
    squeeze_s: float,
    squeeze_share: float,
    demo: bool,
) -> Card:
    """The build of one wheel after its schedule (contracts: ``schedule.json``)."""
    limits = [
        f"{limit['what']} {show.force(limit['limit_N'])}"
        for limit in schedule["limits"]
        if limit["what"] != "bench load"
    ]
    forecast = schedule["forecast"].get("probability_holds")
    chance = f"; the plan holds in {show.percent(100 * forecast, 0)} of simulated wheels" if forecast else ""
    facts = (
        *(() if schedule.get("holds", True) else ("THIS PLAN DOES NOT HOLD AS ASKED: see the schedule.",)),
        f"{spokes} spokes of batch {schedule['batch']}",
        f"Target: {_both(target_N)}, each side's mean within {tolerance_percent:g} %, 95 % of the spokes "
        f"within {balance_percent:g} % of their side{chance}.",
        f"Overnight passes: {schedule['passes']} (untreated: {schedule['untreated']['passes']} by the trade's rule).",
    )
    return Card(
        title="Build card",
        name=name,
        demo=demo,
        facts=facts,
        columns=(("when", 0.22), ("what to do", 0.54), ("mean read", 0.24)),
        rows=tuple(_step_rows(schedule["steps"], schedule.get("gauge", {}).get("reading_unit", ""))),
        notes=(
            "Never above: " + "; ".join(limits) + "." if limits else "Never above the makers' limits.",
            *BUILD_HINTS,
            *_stress_relief(squeezes, squeeze_s, squeeze_share),
            "Stop when a reading does not fit its neighbours: a slipped nipple or a misread spoke comes first.",
        ),
        cautions=BUILD_CAUTIONS,
        sign=("wheelbuilder", "date", "gauge"),
    )


def _stress_relief(squeezes: int, seconds: float, share: float) -> list[str]:
    """When pairs are squeezed; what the schedule's limits count."""
    if not squeezes:
        return []
    how = f"Stress relief: squeeze pairs {squeezes} times, {show.number(seconds)} s each"
    if share < 1.0:
        at = show.percent(100.0 * share, 0)
        return [f"{how}, at {at} of the tension named here, before the last turn up; not at full tension."]
    return [f"{how}, at the tension named here."]


@dataclass(frozen=True, slots=True, kw_only=True)
class OnStation:
    """One station's work for a night."""

    station: str
    spokes: str  # labels or positions


def bench_card(
    stations: Sequence[OnStation],
    *,
    name: str,
    night: str,
    load_N: float,
    hours: float,
    temperature_C: float | None,
    slack_h: float | None,
    demo: bool,
) -> Card:
    """One night on the stretching frame: what goes on which station, for how long, and what comes after."""
    after = "When the time is up: unload, take off; note when each spoke went slack."
    if slack_h is not None:
        after += f" They are laced {show.duration(slack_h * 3600.0)} later; longer slack undoes the stretch."
    warm = "" if temperature_C is None else f" at {show.with_unit(temperature_C, '°C')}"
    does = f"{night}: {show.force(load_N)} for {show.duration(hours * 3600.0)}{warm}, counted from the load reached."
    return _night(stations, name, (does,), after, demo)


def program_card(stations: Sequence[OnStation], *, name: str, steps: Sequence[tuple[str, float]], demo: bool) -> Card:
    """One night by a program: ``steps`` are names as the program gives them, and s at load."""
    does = "; ".join(f"{what} for {show.duration(s)}" if s else what for what, s in steps)
    after = "When it has ended: read the log, then take off; note when each spoke went slack."
    return _night(stations, name, (f"Every spoke goes through: {does}.",), after, demo)


def _night(stations: Sequence[OnStation], name: str, facts: tuple[str, ...], after: str, demo: bool) -> Card:
    return Card(
        title="Bench night",
        name=name,
        demo=demo,
        facts=facts,
        columns=(("station", 0.17), ("spokes", 0.33), ("load reached at", 0.25), ("slack at", 0.25)),
        rows=tuple(Row(cells=(s.station, s.spokes, "", "")) for s in stations),
        notes=(
            "Before: zero of each load cell without a spoke; both ends seated; nothing twisted; labels on.",
            after,
            "In the morning: read the log first ('longhold watch RUN.h5'); deal with a fault before anything moves.",
        ),
        cautions=BENCH_CAUTIONS,
        sign=("set up by", "date", "taken off by"),
    )


# laying out ----------------------------------------------------------------------------------------------------------


def _fonts() -> None:
    """A typeface that has every letter a label may hold; matplotlib brings it."""
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in ((PLAIN, "DejaVuSans.ttf"), (BOLD, "DejaVuSans-Bold.ttf")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(folder / file)))


# a number stays with its unit
_UNIT = re.compile(r"(?<=\d) (?=(?:N|%|h|d|min|s|kgf|°C)(?!\w))")


def wrapped(text: str, font: str, size_pt: float, width_pt: float) -> list[str]:
    """The text in lines no wider than ``width_pt``; a word that is wider alone is cut into parts."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    lines: list[str] = []
    line = ""
    for word in _UNIT.sub("\u00a0", text).split(" "):
        while stringWidth(word, font, size_pt) > width_pt:
            fits = next(
                n for n in range(len(word), 0, -1) if stringWidth(word[:n], font, size_pt) <= width_pt or n == 1
            )
            if line:
                lines.append(line)
                line = ""
            lines.append(word[:fits])
            word = word[fits:]
        longer = f"{line} {word}" if line and word else line or word
        if stringWidth(longer, font, size_pt) <= width_pt:
            line = longer
        else:
            lines.append(line)
            line = word
    return [*lines, line] if line or not lines else lines


class _PageFull(Exception):
    """The text is longer than the page."""


class _Sheet:
    """A page with a pen that goes down; text is wrapped to the width it is given."""

    def __init__(self, paper: str, size_pt: float, canvas: Canvas) -> None:
        self.width, self.height = PAPERS[paper]
        self.size = size_pt
        self.canvas = canvas
        self.y = self.height - MARGIN_PT
        self.room = self.width - 2 * MARGIN_PT

    def down(self, by_pt: float) -> None:
        """Move the pen; what would leave the page is never clipped."""
        self.y -= by_pt
        if self.y < MARGIN_PT:
            raise _PageFull

    def text(self, text: str, font: str = PLAIN, size: float = 0.0, x: float = 0.0, width: float = 0.0) -> None:
        size = size or self.size
        for line in wrapped(text, font, size, width or self.room - x):
            self.down(size * LEADING)
            self.canvas.setFont(font, size)
            self.canvas.drawString(MARGIN_PT + x, self.y, line)

    def rule(self, weight_pt: float = 0.5) -> None:
        self.down(3.0)
        self.canvas.setLineWidth(weight_pt)
        self.canvas.line(MARGIN_PT, self.y, self.width - MARGIN_PT, self.y)

    def table(self, columns: Sequence[tuple[str, float]], rows: Sequence[Row]) -> None:
        box = self.size
        lead = box + 7.0
        starts = [lead]
        for _, share in columns:
            starts.append(starts[-1] + share * (self.room - lead))
        self._line([head for head, _ in columns], starts, BOLD, tick=False, box=box)
        self.rule(1.0)
        for row in rows:
            self.down(0.5 if row.tight else 2.0)
            self._line(row.cells, starts, PLAIN, tick=row.tick, box=box)
            if not row.tight:
                self.rule()

    def _line(self, cells: Sequence[str], starts: Sequence[float], font: str, *, tick: bool, box: float) -> None:
        columns = [
            wrapped(cell, font, self.size, starts[i + 1] - starts[i] - 4.0) if cell else []
            for i, cell in enumerate(cells)
        ]
        top = self.y
        self.down(max(1, *(len(lines) for lines in columns)) * self.size * LEADING)
        self.canvas.setFont(font, self.size)
        if tick:
            self.canvas.setLineWidth(0.8)
            self.canvas.rect(MARGIN_PT, top - self.size * LEADING - 1.5, box, box)
        for start, lines in zip(starts, columns, strict=False):
            for n, line in enumerate(lines):
                self.canvas.drawString(MARGIN_PT + start, top - (n + 1) * self.size * LEADING, line)


def pdf(card: Card, paper: str = "A4") -> bytes:
    """The card as one page.

    Raises
    ------
    InputError
        If the paper is not one of A5, A4, Letter, or the card does not fit on it at its size of type.
    """
    return pdf_pages([card], paper)


def pdf_pages(cards: Sequence[Card], paper: str = "A4") -> bytes:
    """One page for each card, each at the largest type that fits it; raises as `pdf` does."""
    from reportlab.pdfgen.canvas import Canvas

    if paper not in PAPERS:
        raise InputError(f"paper '{paper}' is not known; choose one of {', '.join(PAPERS)}")
    _fonts()
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=PAPERS[paper], invariant=True)
    canvas.setTitle(f"{cards[0].title}: {cards[0].name}")
    for card in cards:
        _laid_out(card, _Sheet(paper, _fitting_pt(card, paper), canvas))
    canvas.save()
    return out.getvalue()


def _fitting_pt(card: Card, paper: str) -> float:
    """The largest size of type at which the card is one page."""
    from reportlab.pdfgen.canvas import Canvas

    size_pt = MOST_PT
    while size_pt >= LEAST_PT:
        try:
            _laid_out(card, _Sheet(paper, size_pt, Canvas(io.BytesIO(), pagesize=PAPERS[paper])))
        except _PageFull:
            size_pt -= 0.5
        else:
            return size_pt
    raise InputError(f"the card does not fit one {paper} page at {LEAST_PT:g} pt; print it on larger paper")


def _laid_out(card: Card, sheet: _Sheet) -> None:
    if card.demo:
        sheet.text(INVENTED, BOLD)
    sheet.text(f"{card.title}: {card.name}", BOLD, sheet.size * 1.5)
    sheet.down(sheet.size * 0.3)
    for fact in card.facts:
        sheet.text(fact)
    sheet.down(sheet.size * 0.6)
    sheet.table(card.columns, card.rows)
    sheet.down(sheet.size * 0.4)
    for note in card.notes:
        sheet.text(f"• {note}")
    sheet.down(sheet.size * 0.5)
    sheet.text("Cautions", BOLD)
    for caution in card.cautions:
        sheet.text(f"! {caution}")
    sheet.down(sheet.size * 1.6)
    share = sheet.room / max(len(card.sign), 1)
    sheet.canvas.setFont(PLAIN, LEAST_PT)
    for i, blank in enumerate(card.sign):
        x = MARGIN_PT + i * share
        sheet.canvas.drawString(x, sheet.y, blank)
        sheet.canvas.setLineWidth(0.5)
        used = sheet.canvas.stringWidth(blank, PLAIN, LEAST_PT) + 4.0
        sheet.canvas.line(x + used, sheet.y - 2.0, x + share - 8.0, sheet.y - 2.0)
    sheet.canvas.showPage()
