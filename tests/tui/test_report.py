"""`longhold report`: one page in one file, of a batch and of a wheel, and what it says."""

from __future__ import annotations

import base64
import io
import json
import re
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path

import pytest
from PIL import Image

from models.batch import Batch
from planner.wheel import wheel_of
from tests.tui.test_fit_command import folder as folder
from tests.tui.test_wheel_command import Desk
from tui import html
from tui.batchreport import batch_report, runs_of
from tui.cli import run
from tui.wheelfile import read_record
from tui.wheelreport import rounds_read

ALONE = {"meta", "img", "br", "hr"}  # elements without an end


class Seen(HTMLParser):
    """A page taken apart: its elements, pictures, addresses and text; every element must be closed in its turn."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.count: Counter[str] = Counter()
        self.addresses: list[str] = []
        self.pictures: list[Image.Image] = []
        self.alt: list[str] = []
        self.words = ""
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.count[tag] += 1
        given = dict(attrs)
        self.addresses += [str(v) for k, v in attrs if k in ("src", "href", "action", "data", "poster", "srcset")]
        if tag == "img":
            kind, _, data = str(given["src"]).partition(",")
            assert kind == "data:image/png;base64"
            self.pictures.append(Image.open(io.BytesIO(base64.b64decode(data))))
            self.alt.append(str(given["alt"]))
        if tag not in ALONE:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data if self.open and self.open[-1] != "style" else ""


def of_one_file(path: Path) -> Seen:
    """Nothing is fetched and nothing runs."""
    text = path.read_text(encoding="utf-8")
    seen = Seen(text)
    assert all(a.startswith("data:") for a in seen.addresses)
    assert not seen.count["script"] and not seen.count["link"] and "url(" not in text and "@import" not in text
    assert text.startswith("<!DOCTYPE html>") and '<html lang="en">' in text
    assert all(seen.alt), "a picture is told in words too"
    return seen


def test_a_batch_with_its_run_beside_it_becomes_one_file_with_pictures(folder: Path) -> None:
    out = folder / "K07.html"
    assert run(["report", str(folder / "K07.json"), "--out", str(out)]) == 0
    seen = of_one_file(out)
    assert len(seen.pictures) >= 2 and all(min(p.size) > 300 for p in seen.pictures)
    assert seen.count["h1"] == 1 and "Batch K07" in seen.words
    assert "never comes back" in seen.words and "1000 N (102.0 kgf), 1400 N" in seen.words
    batch = Batch.from_dict(json.loads((folder / "K07.json").read_text()))
    assert all(str(c["law"]) in seen.words for c in batch.candidates)
    assert "What this test cannot tell" in seen.words


def test_a_run_that_the_batch_was_not_learned_from_is_refused_and_its_own_is_found_by_content(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "night.csv"
    other.write_text((folder / "night.csv").read_text() + "\n")
    argv = ["report", str(folder / "K07.json"), "--out", str(tmp_path / "x.html")]
    assert run([*argv, "--run", str(other)]) == 2
    assert "was not learned from this file; it was from night.csv" in capsys.readouterr().err
    assert run([*argv, "--run", str(tmp_path / "no.h5")]) == 2
    assert "no such file" in capsys.readouterr().err
    assert not (tmp_path / "x.html").exists()
    batch = Batch.from_dict(json.loads((folder / "K07.json").read_text()))
    assert runs_of(batch, tmp_path, []) == [], "the file beside it has the name, not the content"
    assert "Pictures need the runs (night.csv)" in batch_report(batch, [])
    moved = tmp_path / "moved.csv"
    moved.write_bytes((folder / "night.csv").read_bytes())
    assert runs_of(batch, tmp_path, [moved]) == [moved]


def test_a_wheel_tells_its_plan_what_was_done_and_how_every_spoke_stands(desk: Desk) -> None:
    desk.to_the_set()
    desk.does("wheel", "note", desk.record, "reading", "--readings", desk.sheet(level=930.0), "--at",
              "2025-03-06T08:30Z", "--now", "2025-03-06T08:40Z")  # fmt: skip
    out = desk.folder / "front.html"
    desk.does("report", desk.record, "--out", out, "--now", "2025-03-06T08:45Z")
    seen = of_one_file(out)
    assert len(seen.pictures) == 2
    assert "Next, seen on 2025-03-06 08:45Z: " in seen.words
    assert "All spokes stretched at 1500 N (153.0 kgf) for 14 h" in seen.words
    assert "Laced, all to 100 N" in seen.words and "Set: to 1030 N" in seen.words
    record = read_record(desk.record)[0]
    ((_, _, sheet),) = rounds_read(record)
    wheel = wheel_of(record.the_build)
    left = [t for t, k in zip(sheet.tension_N, wheel.side, strict=True) if k == 0]
    assert f"{sum(left) / len(left):.0f}" in seen.words
    rows = re.findall(r"<tr><td>(\d+)</td><td>(left|right)</td><td>(\d+)</td></tr>", out.read_text())
    assert [(int(p), float(t)) for p, _, t in rows] == [(i, round(t)) for i, t in enumerate(sheet.tension_N, start=1)]
    assert [s for _, s, _ in rows] == [("left", "right")[int(k)] for k in wheel.side]


def test_a_wheel_that_was_only_begun_says_what_is_missing(desk: Desk) -> None:
    desk.does("wheel", "new", desk.build, "--batch", desk.batch, "--out", desk.record)
    out = desk.folder / "bare.html"
    desk.does("report", desk.record, "--out", out)
    words = of_one_file(out).words
    assert "No schedule is in this record" in words and "No round of readings" in words and "Nothing yet." in words


def test_what_is_neither_is_refused_and_a_page_is_not_replaced_without_force(desk: Desk) -> None:
    out = desk.folder / "x.html"
    assert "neither a batch" in desk.refuses("report", desk.plan, "--out", out)
    assert not out.exists()
    desk.begin()
    assert "--run goes with a batch" in desk.refuses("report", desk.record, "--out", out, "--run", desk.plan)
    assert "--now goes with a wheel" in desk.refuses("report", desk.batch, "--out", out, "--now", "2025-03-03T08:00Z")
    desk.does("report", desk.record, "--out", out)
    assert "exists; give --force" in desk.refuses("report", desk.record, "--out", out)
    desk.does("report", desk.record, "--out", out, "--force")


def test_a_label_that_looks_like_markup_stays_text() -> None:
    nasty = '<script>alert("1")</script> & "co"'
    page = html.page(
        nasty, [html.heading(nasty), html.words(nasty), html.table([nasty], [[nasty]]), html.points([nasty])]
    )
    seen = Seen(page)
    assert seen.count["script"] == 0 and seen.words.count(nasty) == 7
