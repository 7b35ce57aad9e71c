"""The report of a batch: what it does in plain words, its pictures, its spokes, its laws, what is not known."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from models.batch import Batch
from models.errors import InputError
from models.verdicts import in_words
from tui import format as show
from tui import html

PARTS = ("elastic", "recoverable", "bedding", "flow")
PART_WORDS = {"elastic": "spring", "recoverable": "what returns", "bedding": "bedding-in", "flow": "flow"}


def runs_of(batch: Batch, beside: Path, given: Sequence[Path]) -> list[Path]:
    """The runs that a batch was learned from: those named, else those beside its file; each must be the very file.

    Raises
    ------
    InputError
        A named run is not one of them.
    """
    from tui.tables import sha256

    sources = {s["sha256"]: s["file"] for s in batch.source if "sha256" in s}
    for path in given:
        if not path.exists():
            raise InputError(f"{path}: no such file (a run that batch {batch.batch} was learned from was expected)")
        if sha256(path) not in sources:
            known = ", ".join(sources.values()) or "none is named in it"
            raise InputError(f"{path}: batch {batch.batch} was not learned from this file; it was from {known}")
    if given:
        return list(given)
    return [p for mark, name in sources.items() if (p := beside / name).is_file() and sha256(p) == mark]


def batch_report(batch: Batch, runs: Sequence[Path], *, seed: int = 0) -> str:
    """The page; without runs it has no pictures, and says so. Raises InputError where a run cannot be read."""
    from tui.planfolder import is_demo

    demo = is_demo(batch.batch, batch.batch) or any(_invented(p) for p in runs)
    covers = batch.covers
    parts = []
    if demo:
        parts.append(html.words("DEMO: invented data. No real spoke stands behind any number on this page.", mark=True))
    parts += [html.words(line) for line in in_words(batch)]
    parts += _pictures(batch, runs, demo, seed)
    parts += [html.heading("What was tested"), html.table(("", ""), _tested(covers, batch), prose=True)]
    spokes = batch.extra.get("spokes")
    if spokes:
        parts += [html.heading("Each spoke beside the middle one"), _spokes(spokes)]
    if batch.candidates:
        parts += [html.heading("Laws that were tried"), *_laws(batch.candidates)]
    cannot = batch.extra.get("verdicts", {}).get("cannot_tell") or []
    if cannot:
        rows = [(c["what"], c["because"], c["test"]) for c in cannot]
        parts += [
            html.heading("What this test cannot tell"),
            html.table(("what", "because", "the cheapest test that would"), rows, prose=True),
        ]
    told = {f"cannot tell {c['what']}" for c in cannot}
    other = [w for w in batch.warnings if not any(w.startswith(t) for t in told)]
    if other:
        parts += [html.heading("What to know of it"), html.points(other)]
    parts.append(
        html.words(f"{batch.made_with}. A fit is no certificate: what lies beyond what was tested is forecast.")
    )
    return html.page(f"Batch {batch.batch}", parts)


def _invented(path: Path) -> bool:
    if path.suffix.lower() not in (".h5", ".hdf5", ".nxs"):
        return False
    from tui.wiring import OpenRun

    run = OpenRun(path)
    try:
        return run.refresh().demo
    finally:
        run.close()


def _pictures(batch: Batch, runs: Sequence[Path], demo: bool, seed: int) -> list[str]:
    if not runs:
        named = ", ".join(str(s["file"]) for s in batch.source)
        return [html.words(f"Pictures need the runs ({named}) beside the batch's file, or named with --run.")]
    from models.table import records
    from tui import pictures
    from tui.holds import holds
    from tui.tables import read_table

    found = [r for path in runs for r in records(read_table(path), str(path))[0]]
    loaded, recovered = holds(batch, found, np.random.default_rng(seed))
    name = f"batch {batch.batch}"
    out = []
    if loaded:
        out.append(html.picture(
            pictures.creep(loaded, batch=name, demo=demo),
            "Elongation of each spoke against the logarithm of time: measured, fitted, and what is forecast beyond.",
        ))  # fmt: skip
        out.append(html.picture(
            pictures.side_by_side(loaded, batch=name, demo=demo), "The spokes side by side, over the same time at load."
        ))  # fmt: skip
    if recovered:
        out.append(html.picture(
            pictures.recovery(recovered, batch=name, demo=demo), "What each spoke gave back after its load came off."
        ))  # fmt: skip
    return [html.heading("Pictures"), *out]


def _tested(covers: Any, batch: Batch) -> list[tuple[str, str]]:
    def span(key: str, unit: str) -> str:
        low, high = covers[key]
        return f"{show.number(low, 1)} to {show.with_unit(high, unit, 1)}"

    rows = [("spokes", str(batch.spread.spokes))]
    if covers.get("held_N"):
        rows.append(("loads held", ", ".join(show.force(N) for N in covers["held_N"])))
    if covers.get("temperature_C"):
        rows.append(("temperature", span("temperature_C", "°C")))
    for key, what in (("longest_hold_s", "longest hold"), ("longest_rest_s", "longest rest after load"),
                      ("duration_s", "whole test")):  # fmt: skip
        if covers.get(key):
            rows.append((what, show.duration(covers[key])))
    if covers.get("gauge_length_mm"):
        rows.append(("length that creeps", show.with_unit(covers["gauge_length_mm"], "mm", 1)))
    rows += [("from", f"{s['file']} (SHA-256 {s['sha256'][:16]}…)") for s in batch.source if "sha256" in s]
    return [*rows, ("law", batch.law)]


def _spokes(spokes: Sequence[Any]) -> str:
    rows = []
    for s in spokes:
        scales = s["scales"]
        off = [f"{show.signed(100 * (float(scales[p]) - 1), 0)} %" if p in scales else "-" for p in PARTS]
        rows.append((str(s["spoke"]), *off))
    return html.table(("spoke", *(PART_WORDS[p] for p in PARTS)), rows)


def _laws(candidates: Sequence[Any]) -> list[str]:
    rows = []
    for c in candidates:
        held = c["held_back_error_um"]
        rows.append((str(c["law"]), show.with_unit(held, "µm", 1), show.number(c["AICc"]),
                     show.percent(100 * c["weight"], 0)))  # fmt: skip
    note = "The end of the test was held back and forecast; the error of that forecast decides, AICc stands beside it."
    return [html.words(note), html.table(("law", "error of the held-back end", "AICc", "weight"), rows)]
