"""Two more cards to print: a gauge's table to hang at the stand, and the sheet of one retension session."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import zip_longest
from typing import TYPE_CHECKING

from models.errors import InputError
from models.units import KGF_N
from tui import format as show
from tui.gaugetable import places_of, rows_by_reading, steps_places, table_rows
from tui.pages import Card, Row, pdf, pdf_pages
from tui.turns import fraction

if TYPE_CHECKING:
    from models.gauge import Gauge
    from planner.retension import Retension

ACROSS = 5  # nipples on a line of the retension sheet
SAFE_TURNING = (
    "A spoke that lets go can injure eyes and hands: eye protection on.",
    "Rim, hub and spoke makers' limits come first; a qualified wheelbuilder signs the wheel off.",
)


def gauge_card(gauge: Gauge, step_N: float, stiffness_N_per_mm: float | None, demo: bool = False) -> Card:
    """A gauge's curve as a table: round tensions and what to read, beside round readings and what they are."""
    places, unit = places_of(gauge), gauge.reading_unit
    wanted = [
        (
            show.number(row["tension_N"]),
            show.number((row["tension_N"] or 0.0) / KGF_N, 1),
            show.number(row["reading"], places),
            show.number(row["U_N"]),
        )
        for row in table_rows(gauge, step_N, stiffness_N_per_mm)
    ]
    by_reading = rows_by_reading(gauge, stiffness_N_per_mm)
    read = max((steps_places(row["reading"]) for row in by_reading), default=0)
    seen = [
        (show.number(r["reading"], read), show.number(r["tension_N"]), show.number(r["tension_N"] / KGF_N, 1))
        for r in by_reading
    ]
    under = stiffness_N_per_mm is None
    what = (
        "with the gauge on" if under else f"once the gauge is off, in a wheel of {stiffness_N_per_mm:.0f} N/mm a spoke"
    )
    facts = (
        f"Spokes: {gauge.spoke_batch or 'of a batch that the record does not name'}; the table is for no other kind.",
        f"Made on {gauge.made_on or 'a day not said'}; readings {_way(gauge.direction)}.",
        f"Tension is that of the spoke {what}.",
    )
    notes = [
        "U: 95 % of readings lie nearer than this to what they should be (k = 2).",
        "Read every spoke in the same place and the same way; let the needle settle.",
        "A record, not a certificate. Calibrate again after a fall, a new spring, or with another kind of spoke.",
    ]
    if under:
        notes.append("The gauge bends the spoke and so loads it: off the gauge the tension is lower.")
    return Card(
        title="Gauge table",
        name=gauge.spoke_batch or "spokes not named",
        demo=demo,
        facts=facts,
        columns=(
            ("want, N", 0.16),
            ("kgf", 0.13),
            (f"read, {unit}", 0.16),
            ("U, N", 0.15),
            (f"read, {unit}", 0.15),
            ("is, N", 0.12),
            ("kgf", 0.13),
        ),
        rows=tuple(
            Row(cells=(*left, *right), tick=False) for left, right in zip_longest(wanted, seen, fillvalue=("",) * 4)
        ),
        notes=tuple(notes),
        cautions=(SAFE_TURNING[0],),
        sign=("made by", "date", "gauge"),
    )


def _way(direction: str) -> str:
    return {"up": "taken with rising load", "down": "taken with falling load"}.get(direction, "rising and falling")


def retension_pdf(answer: Retension, name: str, demo: bool, paper: str) -> bytes:
    """The sheet, with room for what is read after only where one page has it. Raises as `pages.pdf_pages`."""
    try:
        return pdf(retension_card(answer, name, demo), paper)
    except InputError:
        return pdf_pages([retension_card(answer, name, demo, reads=False)], paper)


def retension_card(answer: Retension, name: str, demo: bool, *, reads: bool = True) -> Card:
    """The turns of one session, in the order to turn them; ``reads``: with room for what is read after."""
    facts = [
        f"{answer.aim.kind.capitalize()}, to {show.both_sides(answer.aim.tension_N)}.",
        "Another night is needed after it." if answer.another_night else "After it the wheel should hold.",
        *_instead(answer),
        *(f"LOOK FIRST at position {o.position}: {o.why}." for o in answer.present.outliers),
    ]
    rounds = answer.turning.rounds
    rows: list[Row] = []
    for k, moves in enumerate(rounds, start=1):
        if len(rounds) > 1:
            rows.append(Row(cells=(f"Round {k}",), tick=False))
        rows += _lines([f"☐ {m.position}: {fraction(m.turns)}" for m in moves], tight=True)
    if not rounds:
        rows.append(Row(cells=("No nipple needs turning.",), tick=False))
    if reads:
        rows.append(Row(cells=("Read after:",), tick=False))
        rows += _lines([str(p) for p in range(1, answer.turning.turns.size + 1)])
    return Card(
        title="Retension sheet",
        name=name,
        demo=demo,
        facts=tuple(facts),
        columns=(("position: turns", 1.0 / ACROSS), *((("", 1.0 / ACROSS),) * (ACROSS - 1))),
        rows=tuple(rows),
        notes=(
            "Turns of the nipple, in this order, line by line; + tightens. Hold the spoke's end against twist.",
            "Position 1 is the first past the valve hole, clockwise seen from the right; odd ones are on the left.",
            f"Highest tension on the way {show.force(answer.turning.peak_N)}; never above {show.force(answer.limit_N)} "
            f"({answer.limit}).",
            "Read all spokes again after it.",
        ),
        cautions=SAFE_TURNING,
        sign=("turned by", "date", "gauge"),
    )


def _instead(answer: Retension) -> list[str]:
    """Where turning nothing now is as good."""
    if answer.left_alone is not None and answer.left_alone >= answer.build.tension.probability:
        return [f"It holds as it stands, in {round(100.0 * answer.left_alone)} %: turn nothing, but to true it."]
    if answer.later is None:
        return []
    later = answer.later
    to, share = show.both_sides(later.tension_N), round(100.0 * later.probability)
    return [f"Or turn nothing now: one pass {later.when} to {to} would hold in {share} %."]


def _lines(texts: Sequence[str], *, tight: bool = False) -> list[Row]:
    """Several to a line."""
    return [Row(cells=tuple(texts[i : i + ACROSS]), tick=False, tight=tight) for i in range(0, len(texts), ACROSS)]
