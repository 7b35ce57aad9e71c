"""Cards: one page, large enough type, nothing clipped, and everything that a stranger needs."""

from __future__ import annotations

import io
import itertools
from typing import Any

import numpy as np
import pytest
from pypdf import PdfReader
from reportlab.pdfbase.pdfmetrics import stringWidth

from models.calibrate import calibrate
from models.errors import InputError
from tests.models.test_gauge import FRAME_N_PER_MM, invented
from tui.card import (
    BOLD,
    LEAST_PT,
    MARGIN_PT,
    PAPERS,
    PLAIN,
    Card,
    OnStation,
    Row,
    bench_card,
    build_card,
    pdf,
    pdf_pages,
    wrapped,
)
from tui.sheets import gauge_card

SCHEDULE: dict[str, Any] = {
    "batch": "K07",
    "passes": 1,
    "untreated": {"passes": 3, "passes_to_hold": 5},
    "steps": [
        {"kind": "prestretch", "load_N": 1500, "hours": 8.0, "temperature_C": 20},
        {"kind": "rest", "hours": 0.5, "load_N": 0},
        {"kind": "laced", "hours": 11.5, "tension_N": 100},
        {"kind": "set", "at_h": 0.0, "tension_N": {"left": 1040, "right": 720}},
        {"kind": "touch", "at_h": 3.0, "tension_N": {"left": 1040, "right": 720}},
        {"kind": "pass", "at_h": 15.0, "tension_N": {"left": 1000, "right": 700}},
        {"kind": "deliver", "at_h": 48.0},
    ],
    "forecast": {"probability_holds": 0.93},
    "limits": [{"what": "rim", "limit_N": 1300, "peak_N": 1105}],
}


def built(name: str = "28 hole front") -> Card:
    return build_card(
        SCHEDULE, name=name, spokes=28, target_N={"left": 981, "right": 690}, tolerance_percent=7, balance_percent=8,
        squeezes=2, squeeze_s=3, squeeze_share=0.85, demo=True,
    )  # fmt: skip


def night() -> Card:
    return bench_card(
        [OnStation(station=s, spokes=f"K07-{i:02d}") for i, s in enumerate("ABCDEFGH", start=1)],
        name="28 hole front", night="Night 1 of 7", load_N=1500, hours=8, temperature_C=20, slack_h=0.5, demo=True,
    )  # fmt: skip


def pieces(data: bytes) -> list[tuple[str, float, float, float, str]]:
    """Text, x, y, size of type and font of everything drawn on the only page."""
    reader = PdfReader(io.BytesIO(data))
    assert len(reader.pages) == 1
    found: list[tuple[str, float, float, float, str]] = []

    def visit(text: str, cm: list[float], tm: list[float], font: dict[str, Any] | None, size: float) -> None:
        if text.strip() and font is not None:
            name = BOLD if "Bold" in str(font["/BaseFont"]) else PLAIN
            found.append((text.strip("\n"), tm[4] + cm[4], tm[5] + cm[5], size, name))

    reader.pages[0].extract_text(visitor_text=visit)
    return found


def gauge_table() -> Card:
    found = calibrate(
        invented(np.random.default_rng(1), sd=0.02, step=0.1),
        reading_unit="div",
        stiffness_N_per_mm=FRAME_N_PER_MM,
        spoke_batch="K07",
        made_on="2026-03-14",
    )
    return gauge_card(found.gauge, 100.0, 250.0)


@pytest.mark.parametrize("paper", sorted(PAPERS))
@pytest.mark.parametrize("card", [built(), night(), gauge_table()], ids=["build", "night", "gauge"])
def test_a_card_is_one_page_of_readable_type_with_nothing_outside_the_margins(card: Card, paper: str) -> None:
    width, height = PAPERS[paper]
    drawn = pieces(pdf(card, paper))
    assert len(drawn) > 20
    for text, x, y, size, font in drawn:
        assert size >= LEAST_PT >= 9, text
        assert x >= MARGIN_PT - 0.01, text
        assert x + stringWidth(text, font, size) <= width - MARGIN_PT + 0.01, text
        assert y >= MARGIN_PT - 2.1 and y + size <= height - MARGIN_PT + 2, text


def test_text_of_one_cell_never_runs_into_the_next() -> None:
    drawn = pieces(pdf(built(), "A5"))
    lines: dict[float, list[tuple[float, float, str]]] = {}
    for text, x, y, size, font in drawn:
        lines.setdefault(round(y, 1), []).append((x, x + stringWidth(text, font, size), text))
    crowded = [line for line in lines.values() if len(line) > 1]
    assert len(crowded) >= 5
    for line in crowded:
        line.sort()
        for (_, end, left), (start, _, right) in itertools.pairwise(line):
            assert end < start, (left, right)


def test_a_stranger_finds_five_answers_on_the_build_card_alone() -> None:
    text = " ".join(t for t, *_ in pieces(pdf(built(), "A5"))).replace("\u00a0", " ")
    assert "Build card: 28 hole front" in text  # which wheel
    assert "at 1500 N (153.0 kgf) for 8 h" in text  # how is each spoke stretched
    assert "left 1040 N (106.1 kgf), right 720 N (73.4 kgf)" in text  # what is it set to
    assert "15 h from start" in text and "left 1000 N (102.0 kgf)" in text  # when is the pass, and to what
    assert "rim 1300 N (132.6 kgf)" in text  # what must never be passed
    assert "qualified wheelbuilder signs" in text
    assert "invented" in text


def test_every_step_has_a_box_to_tick() -> None:
    content = PdfReader(io.BytesIO(pdf(built(), "A4"))).pages[0].get_contents()
    assert content is not None
    assert content.get_data().count(b" re S") == len(SCHEDULE["steps"])


def test_a_number_stays_on_the_line_of_its_unit() -> None:
    assert wrapped("hold for 12 h", "Helvetica", 10, 55) == ["hold for", "12\u00a0h"]


def test_a_word_wider_than_its_cell_is_cut_and_not_clipped() -> None:
    parts = wrapped("K" * 60, "Helvetica", 10, 100)
    assert "".join(parts) == "K" * 60
    assert max(stringWidth(p, "Helvetica", 10) for p in parts) <= 100


def test_letters_of_every_alphabet_that_a_label_may_hold_survive() -> None:
    text = " ".join(t for t, *_ in pieces(pdf(built("Ærø Łódź Ελλάς Жук"), "A4")))
    assert "Ærø Łódź Ελλάς Жук" in text


def test_a_card_longer_than_its_page_is_refused_and_not_cut_off() -> None:
    long = Card(
        title="Build card", name="x", demo=False, facts=(), columns=(("do", 1.0),),
        rows=tuple(Row(cells=(f"step {i}",)) for i in range(200)), notes=(), cautions=(),
    )  # fmt: skip
    with pytest.raises(InputError, match="does not fit one A5 page at 9 pt"):
        pdf(long, "A5")


def test_an_unknown_paper_is_refused_by_name() -> None:
    with pytest.raises(InputError, match="A5, A4, Letter"):
        pdf(built(), "B5")


def test_the_same_card_is_the_same_file() -> None:
    assert pdf(built(), "A4") == pdf(built(), "A4")


def test_several_nights_are_pages_of_one_file_in_their_order() -> None:
    reader = PdfReader(io.BytesIO(pdf_pages([night(), built()], "A5")))
    assert [("Bench night" in p.extract_text(), "Build card" in p.extract_text()) for p in reader.pages] == [
        (True, False),
        (False, True),
    ]


def test_a_stranger_reads_the_gauge_off_its_card() -> None:
    card = gauge_table()
    text = " ".join(t for t, *_ in pieces(pdf(card, "A5"))).replace("\u00a0", " ")
    assert "For spokes of K07, and for no other kind." in text
    assert "once the gauge is off, in a wheel of 250 N/mm a spoke" in text
    tensions = [float(r.cells[0]) for r in card.rows]
    readings = [float(r.cells[2]) for r in card.rows]
    assert tensions == sorted(tensions) and 1000.0 in tensions
    assert readings == sorted(readings) or readings == sorted(readings, reverse=True)
    assert "not a certificate" in text
