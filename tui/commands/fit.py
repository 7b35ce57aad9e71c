"""`longhold fit` and `longhold forecast`: from a run to a batch, from a batch to what a new spoke will do."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from models.batch import Batch
    from tui.fitting import Assumed

FILE = click.Path(path_type=Path)


@click.command()
@click.argument("runs", nargs=-1, required=True, metavar="RUN...", type=FILE)
@click.option("--name", "name", metavar="BATCH", help="What the batch is called (as on its label).")
@click.option("--out", type=FILE, help="Where to write the batch, for example BATCH.json.")
@click.option("--gauge-length-mm", type=float, help="Length that creeps, where the table has no such column.")
@click.option("--temperature-C", "temperature_C", type=float, help="Temperature, where the table has none.")
@click.option(
    "--linear-density",
    "linear_density",
    type=float,
    metavar="G_PER_M",
    help="Fibre's linear density in g/m: sharpens what is assumed of flow.",
)
@click.option("--robust", is_flag=True, help="Set aside means that the rest of a spoke's creep contradicts; say which.")
@click.option("--like", "like", metavar="OLD.json", type=FILE, help="Compare with an earlier batch.")
@click.option("--each", is_flag=True, help="An archive: every RUN a batch of its own, --out the folder for them.")
@click.option("--dask", metavar="ADDRESS", help="With --each: on the Dask cluster at this address, not on all cores.")
@click.option("--json", "as_json", is_flag=True, help="Print the batch as one JSON object on stdout.")
@click.option("--force", is_flag=True, help="Replace the result if it exists.")
def fit(
    runs: tuple[Path, ...],
    name: str | None,
    out: Path | None,
    gauge_length_mm: float | None,
    temperature_C: float | None,
    linear_density: float | None,
    robust: bool,
    like: Path | None,
    each: bool,
    dask: str | None,
    as_json: bool,
    force: bool,
) -> None:
    """Creep models for a batch, from run files (.h5) or plain CSV tables.

    \b
    Examples:
      longhold fit night.csv --name K07 --out K07.json --gauge-length-mm 285
      longhold fit archive/*.h5 --each --out batches
    """
    from dataclasses import replace

    from models import likeness
    from models.errors import InputError
    from models.likeness import compare_batches
    from models.verdicts import in_words
    from tui.batchfile import read_batch
    from tui.fitting import Assumed, fit_runs
    from tui.out import answer_json, json_text, refuse_existing, say, write_whole

    if dask is not None and not each:
        raise InputError("--dask is for an archive: give --each with it")
    if each and (out is None or name is not None or like is not None):
        raise InputError("--each needs --out DIR, and takes no --name (files name their batches) and no --like")
    if each:
        pass
    elif out is not None:
        refuse_existing(out, force)
    elif not as_json:
        raise InputError("give --out BATCH.json to keep the result, or --json to print it")
    for what, value, low, high in (
        ("--gauge-length-mm", gauge_length_mm, 20.0, 5000.0),
        ("--temperature-C", temperature_C, -30.0, 90.0),
        ("--linear-density", linear_density, 0.2, 50.0),
    ):
        if value is not None and not low <= value <= high:
            raise InputError(f"{what} is {value:g}; {low:g} to {high:g} is allowed")
    assumed = Assumed(
        gauge_length_mm=gauge_length_mm,
        temperature_C=temperature_C,
        linear_density_g_per_m=linear_density,
        robust=robust,
    )
    if each:
        assert out is not None
        _archive(runs, out, assumed, dask, as_json, force)
        return
    earlier = read_batch(like) if like is not None else None
    batch = fit_runs(runs, name if name is not None else runs[0].stem, assumed)
    if earlier is not None:
        rows = compare_batches(batch, earlier)
        batch = replace(
            batch, extra={**batch.extra, "like": {"batch": earlier.batch, "parts": [r.as_dict() for r in rows]}}
        )
    result = batch.as_dict()
    if out is not None:
        write_whole(out, json_text(result), fresh=not force)
    for line in in_words(batch):
        say(line)
    if earlier is not None:
        for line in likeness.in_words(rows, earlier.batch):
            say(line)
    say()
    say(law_table(batch))
    if batch.warnings:
        say()
        say("What to know of this test:")
        for line in batch.warnings:
            say(f"- {line}")
    if out is not None:
        say()
        say(f"wrote {out}; next: longhold plan BUILD.toml --batch {out} --out DIR")
    if as_json:
        answer_json(result)


def _archive(runs: tuple[Path, ...], out: Path, assumed: Assumed, dask: str | None, as_json: bool, force: bool) -> None:
    from models.errors import CannotAnswer
    from tui.fitting import fit_archive
    from tui.out import answer_json

    def done(n: int) -> None:
        if sys.stderr.isatty():
            click.echo(f"\r\x1b[K{n} of {len(runs)} batches fitted", err=True, nl=n == len(runs))

    found = fit_archive(runs, out, assumed, dask=dask, force=force, done=done)
    if as_json:
        rows = [{"file": f.file, "batch": f.batch and f.batch["batch"], "words": list(f.words)} for f in found]
        answer_json({"out": str(out), "batches": rows})
    else:
        for f in found:
            click.echo(f"{f.file}: " + (" ".join(f.words) if f.batch is not None else f"not fitted: {f.words[0]}"))
    failed = [f.file for f in found if f.batch is None]
    if failed:
        raise CannotAnswer(f"{len(failed)} of {len(found)} files could not be fitted: {', '.join(failed[:5])}")


def law_table(batch: Batch) -> str:
    """The laws side by side, the best forecast of the held-back end first."""
    rows = [("law", "held-back end", "AICc", "weight")]
    for c in batch.candidates:
        held, aicc = c["held_back_error_um"], c["AICc"]
        rows.append(
            (
                c["law"],
                "-" if held is None else f"{held:.1f} um",
                "-" if aicc is None else f"{aicc:.0f}",
                f"{100 * c['weight']:.0f} %",
            )
        )
    wide = [max(len(r[k]) for r in rows) for k in range(4)]
    return "\n".join(f"{r[0]:<{wide[0]}}  {r[1]:>{wide[1]}}  {r[2]:>{wide[2]}}  {r[3]:>{wide[3]}}" for r in rows)


@click.command()
@click.argument("batch_file", metavar="BATCH.json", type=FILE)
@click.option(
    "--history",
    required=True,
    type=FILE,
    metavar="HISTORY.csv",
    help="time_s with load_N, or with chord_mm; temperature_C if it changes.",
)
@click.option("--gauge-length-mm", type=float, help="Length that creeps, for a chord history.")
@click.option("--draws", default=2000, show_default=True, type=click.IntRange(100, 20000), help="New spokes drawn.")
@click.option("--seed", default=1, show_default=True, type=int, help="Seed of the draws.")
@click.option("--json", "as_json", is_flag=True, help="Print the bands as one JSON object on stdout.")
def forecast(
    batch_file: Path, history: Path, gauge_length_mm: float | None, draws: int, seed: int, as_json: bool
) -> None:
    """Strain of one new spoke under a load history, or its tension under a chord history.

    Both count from the spoke as it is seated, at 20 N.

    \b
    Example:
      longhold forecast K07.json --history month.csv
    """
    import numpy as np

    from models.errors import InputError
    from models.forecast import beyond, strain_bands, tension_bands
    from models.table import history_from
    from tui.batchfile import read_batch
    from tui.out import answer_json, say
    from tui.tables import read_csv

    batch = read_batch(batch_file)
    asked = history_from(read_csv(history), str(history), batch.chain.reference_C)
    rng = np.random.default_rng(seed)
    if asked.load is not None:
        bands, key, unit, factor = strain_bands(batch, asked.load, rng, draws), "strain", "%", 100.0
    else:
        assert asked.chord_mm is not None
        length = gauge_length_mm or batch.covers.get("gauge_length_mm")
        if length is None:
            raise InputError(f"{batch_file}: does not say what length creeps; give --gauge-length-mm (for example 285)")
        bands = tension_bands(
            batch, asked.time_s, asked.chord_mm, asked.temperature_C, float(length), rng, min(draws, 1000)
        )
        key, unit, factor = "tension_N", "N", 1.0
    notes = beyond(batch, bands, asked.load, asked.temperature_C)
    if as_json:
        answer_json({"time_s": bands.time_s, key: bands.as_dict(), "warnings": notes})
    else:
        shown = np.unique(np.linspace(0, bands.time_s.size - 1, 12).round().astype(int))
        click.echo(f"{'hours':>10}  {'5 %':>9}  {'middle':>9}  {'95 %':>9}  {unit}")
        for i in shown:
            low, middle, high = (factor * x[i] for x in (bands.p05, bands.p50, bands.p95))
            figures = "  ".join(f"{x:9.4f}" if unit == "%" else f"{x:9.1f}" for x in (low, middle, high))
            click.echo(f"{bands.time_s[i] / 3600:10.2f}  {figures}")
    for line in notes:
        say(f"- {line}")
