"""Cards: one page, large enough type, nothing clipped, and everything that a stranger needs."""

from __future__ import annotations

import io
import itertools
import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from pypdf import PdfReader
from reportlab.pdfbase.pdfmetrics import stringWidth

from models.calibrate import calibrate
from models.errors import InputError
from planner.prospect import Later
from tests.models.test_gauge import FRAME_N_PER_MM, invented
from tui.card import OnStation, bench_card, build_card
from tui.pages import BOLD, LEAST_PT, MARGIN_PT, PAPERS, PLAIN, Card, Row, pdf, pdf_pages, wrapped
from tui.sheets import gauge_card, retension_pdf

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


def built(name: str = "28 hole front", tolerance_percent: float = 7, balance_percent: float = 8) -> Card:
    return build_card(
        SCHEDULE, name=name, spokes=28, target_N={"left": 981, "right": 690},
        tolerance_percent=tolerance_percent, balance_percent=balance_percent,
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


def turning(spokes: int, rounds: int) -> Any:
    """An answer of `retension`, as far as its sheet looks at it: every nipple turned in each round."""
    moves = [
        [SimpleNamespace(position=i, turns=1.25 if i % 3 else -0.375) for i in range(spokes, 0, -1)]
        for _ in range(rounds)
    ]
    odd = SimpleNamespace(position=4, why="read 700 N, 940 N is likely: a misread spoke or a slipped nipple")
    return SimpleNamespace(
        aim=SimpleNamespace(kind="pass", tension_N=(1030.0, 720.0)), another_night=True,
        left_alone=0.2, later=Later(in_h=72.0, tension_N=(1010.0, 700.0), probability=0.93),
        build=SimpleNamespace(tension=SimpleNamespace(probability=0.9)),
        present=SimpleNamespace(outliers=[odd]), limit_N=1300.0, limit="rim",
        turning=SimpleNamespace(rounds=moves, turns=np.zeros(spokes), peak_N=1200.0),
    )  # fmt: skip


def many_stations() -> Card:
    return bench_card(
        [OnStation(station=f"S{i}", spokes=f"K07-{3 * i:02d} to K07-{3 * i + 2:02d}") for i in range(1, 17)],
        name="36 hole rear for a long name", night="Night 2 of 3", load_N=1500, hours=12, temperature_C=20, slack_h=0.5,
        demo=True,
    )  # fmt: skip


@pytest.mark.parametrize("paper", sorted(PAPERS))
@pytest.mark.parametrize("which", ["build", "night", "16 stations", "gauge", "28 turns", "36 spokes in 2 rounds"])
def test_a_card_is_one_page_of_readable_type_with_nothing_outside_the_margins(which: str, paper: str) -> None:
    match which:
        case "28 turns" | "36 spokes in 2 rounds":
            spokes, rounds = (28, 1) if which == "28 turns" else (36, 2)
            data = retension_pdf(turning(spokes, rounds), "28 hole front (invented demo)", True, paper)
        case _:
            cards = {"build": built, "night": night, "16 stations": many_stations, "gauge": gauge_table}
            data = pdf(cards[which](), paper)
    width, height = PAPERS[paper]
    drawn = pieces(data)
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


@pytest.mark.parametrize(("tolerance", "balance"), [(6.5, 7.5), (7.0, 8.0)])
def test_what_is_asked_stands_on_the_build_card_unrounded(tolerance: float, balance: float) -> None:
    text = " ".join(t for t, *_ in pieces(pdf(built("front", tolerance, balance), "A5"))).replace("\u00a0", " ")
    assert f"mean within {tolerance:g} %" in text and f"within {balance:g} % of their side" in " ".join(text.split())


def test_a_stranger_finds_five_answers_on_the_card_of_a_night_alone() -> None:
    text = " ".join(t for t, *_ in pieces(pdf(night(), "A5"))).replace("\u00a0", " ")
    assert "Bench night: 28 hole front" in text and "Night 1 of 7" in text  # for which wheel, which night
    assert "1500 N (153.0 kgf) for 8 h at 20 °C, counted from the load reached" in text  # what is done
    assert all(f"K07-{i:02d}" in text for i in range(1, 9))  # what hangs where
    assert "unload, take off; note when each spoke went slack" in text and "laced 30 min later" in text  # then
    assert "guard closed, eye protection on" in text and "unload before hands go in" in text  # what hurts


def test_a_stranger_finds_five_answers_on_the_retension_sheet_alone() -> None:
    drawn = pieces(retension_pdf(turning(28, 2), "Front 7", False, "A5"))
    text = " ".join(t for t, *_ in drawn).replace("\u00a0", " ")
    assert "Retension sheet: Front 7" in text and "1030 N (105.0 kgf) left, 720 N (73.4 kgf) right" in text
    assert text.index("Round 1") < text.index("☐ 28: +1 1/4") < text.index("☐ 27: -3/8") < text.index("Round 2")
    assert "+ tightens" in text and "Position 1 is the first past the valve hole" in text  # which nipple, which way
    assert "never above 1300 N (132.6 kgf) (rim)" in text
    assert "LOOK FIRST at position 4" in text and "Another night is needed" in text
    assert "one pass in 3 nights to 1010 N (103.0 kgf) left, 700 N (71.4 kgf) right would hold in 93 %" in text
    standing = turning(28, 1)
    standing.left_alone = 0.94
    text = " ".join(t for t, *_ in pieces(retension_pdf(standing, "Front 7", False, "A5")))
    assert "It holds as it stands, in 94 %: turn nothing, but to true it." in text and "one pass" not in text


def test_room_for_what_is_read_after_is_left_where_the_page_has_it() -> None:
    roomy, full = (
        " ".join(t for t, *_ in pieces(retension_pdf(turning(spokes, rounds), "x", False, "A5")))
        for spokes, rounds in ((28, 1), (36, 2))
    )
    assert "Read after:" in roomy and "Read after:" not in full
    assert all("Read all spokes again after it." in text for text in (roomy, full))


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


def test_a_card_of_more_rows_than_a_page_goes_on_over_others_each_with_its_cautions() -> None:
    """A frame of forty stations on A5: no station is lost, and every sheet can be signed alone."""
    stations = [OnStation(station=f"S{i:02d}", spokes=f"position {i}") for i in range(1, 41)]
    card = bench_card(
        stations, name="front", night="Run 1", load_N=1472, hours=12, temperature_C=20, slack_h=0.5, demo=False
    )
    texts = [p.extract_text() for p in PdfReader(io.BytesIO(pdf_pages([card, built()], "A5"))).pages]
    sheets = [t for t in texts if "Bench night" in t]
    assert [f"(sheet {i + 1} of {len(sheets)})" in t for i, t in enumerate(sheets)] == [True] * len(sheets)
    assert len(sheets) >= 2 and "Build card: " in texts[-1] and "(sheet" not in texts[-1]
    assert [s for t in sheets for s in re.findall(r"S\d\d", t)] == [f"S{i:02d}" for i in range(1, 41)]
    assert all("eye protection on" in t and "set up by" in t for t in sheets)
    with pytest.raises(InputError, match="does not fit one A5 page"):  # nothing can be parted in this one
        pdf_pages([replace(card, rows=card.rows[:1], facts=("word " * 3000,))], "A5")


def test_a_stranger_reads_the_gauge_off_its_card() -> None:
    card = gauge_table()
    text = " ".join(t for t, *_ in pieces(pdf(card, "A5"))).replace("\u00a0", " ")
    assert "Spokes: K07; the table is for no other kind." in text
    assert "once the gauge is off, in a wheel of 250 N/mm a spoke" in text
    tensions = [float(r.cells[0]) for r in card.rows if r.cells[0]]
    readings = [float(r.cells[2]) for r in card.rows if r.cells[2]]
    seen = {float(r.cells[4]): float(r.cells[5]) for r in card.rows if r.cells[4:]}
    assert len(seen) >= 8 and all(round(shown) == shown for shown in seen)
    for shown, tension in zip(readings, tensions, strict=True):  # the two halves are one curve
        if min(seen) < shown < max(seen):  # half a tenth of a division is 3 N here, and the curve bends between rows
            assert np.interp(shown, list(seen), list(seen.values())) == pytest.approx(tension, abs=5.0)
    assert "not a certificate" in text
