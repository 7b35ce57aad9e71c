"""Cards on paper: a title, a few facts, a table with tick boxes, notes and cautions (PDF, black and white)."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from models.errors import InputError

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PAPERS = {"A5": (419.53, 595.28), "A4": (595.28, 841.89), "Letter": (612.0, 792.0)}  # pt; ISO 216 and 8.5 x 11 inch
MARGIN_PT = 28.0
LEAST_PT, MOST_PT = 9.0, 12.5  # size of type: the largest that fits one page
LEADING = 1.28
PLAIN, BOLD = "LongholdSans", "LongholdSans-Bold"
INVENTED = "DEMO: invented data, not for use"


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
    _ready_for(paper)
    size_pt = _fitting_pt(card, paper)
    if size_pt is None:
        raise _too_long_for(paper)
    return _drawn([(card, size_pt)], paper)


def pdf_pages(cards: Sequence[Card], paper: str = "A4") -> bytes:
    """A page for each card, at the largest type that fits it; one with more rows than a page holds goes on over others.

    Raises
    ------
    InputError
        If the paper is not one of A5, A4, Letter, or what stands round a card's rows fills its page alone.
    """
    _ready_for(paper)
    return _drawn([part for card in cards for part in _in_pages(card, paper)], paper)


def _ready_for(paper: str) -> None:
    if paper not in PAPERS:
        raise InputError(f"paper '{paper}' is not known; choose one of {', '.join(PAPERS)}")
    _fonts()


def _too_long_for(paper: str) -> InputError:
    return InputError(f"the card does not fit one {paper} page at {LEAST_PT:g} pt; print it on larger paper")


def _drawn(pages: Sequence[tuple[Card, float]], paper: str) -> bytes:
    """Each card on its page, in its size of type."""
    from reportlab.pdfgen.canvas import Canvas

    out = io.BytesIO()
    canvas = Canvas(out, pagesize=PAPERS[paper], invariant=True)
    canvas.setTitle(f"{pages[0][0].title}: {pages[0][0].name}")
    for card, size_pt in pages:
        _laid_out(card, _Sheet(paper, size_pt, canvas))
    canvas.save()
    return out.getvalue()


def _in_pages(card: Card, paper: str) -> list[tuple[Card, float]]:
    """The card, or its rows in as many parts as it takes, each whole in all else; with the size of type that fits."""
    for count in range(1, max(len(card.rows), 1) + 1):
        parts = _parted(card, count)
        sizes = [size_pt for size_pt in (_fitting_pt(part, paper) for part in parts) if size_pt is not None]
        if len(sizes) == count:
            return list(zip(parts, sizes, strict=True))
    raise _too_long_for(paper)


def _parted(card: Card, count: int) -> list[Card]:
    """The card's rows on so many sheets, as evenly as may be."""
    if count == 1:
        return [card]
    ends = [round(i * len(card.rows) / count) for i in range(count + 1)]
    return [
        replace(card, title=f"{card.title} (sheet {i + 1} of {count})", rows=card.rows[ends[i] : ends[i + 1]])
        for i in range(count)
    ]


def _fitting_pt(card: Card, paper: str) -> float | None:
    """The largest size of type at which the card is one page; None where there is none."""
    from reportlab.pdfgen.canvas import Canvas

    size_pt = MOST_PT
    while size_pt >= LEAST_PT:
        try:
            _laid_out(card, _Sheet(paper, size_pt, Canvas(io.BytesIO(), pagesize=PAPERS[paper])))
        except _PageFull:
            size_pt -= 0.5
        else:
            return size_pt
    return None


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
