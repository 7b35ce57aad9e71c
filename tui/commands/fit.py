"""`longhold fit` and `longhold forecast`: from a run to a batch, from a batch to what a new spoke will do."""

from __future__ import annotations

from pathlib import Path

import click

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
@click.option("--json", "as_json", is_flag=True, help="Print the batch as one JSON object on stdout.")
@click.option("--force", is_flag=True, help="Replace the result if it exists.")
def fit(
    runs: tuple[Path, ...],
    name: str | None,
    out: Path | None,
    gauge_length_mm: float | None,
    temperature_C: float | None,
    linear_density: float | None,
    as_json: bool,
    force: bool,
) -> None:
    """Creep models for a batch, from run files (.h5) or plain CSV tables.

    \b
    Example:
      longhold fit night.csv --name K07 --out K07.json --gauge-length-mm 285
    """
    from importlib.metadata import version

    from models.choose import fit_batch
    from models.errors import InputError
    from models.table import records
    from tui.out import answer_json, json_text, refuse_existing, say, write_whole
    from tui.tables import read_table, sha256

    if out is not None:
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
    found, findings = [], []
    seen: dict[str, Path] = {}
    for path in runs:
        frame = read_table(path)
        some, more = records(frame, str(path), gauge_length_mm=gauge_length_mm, temperature_C=temperature_C)
        for r in some:
            if r.measured.spoke in seen:
                raise InputError(
                    f"spoke {r.measured.spoke} stands in {seen[r.measured.spoke]} and in {path}: two spokes with one "
                    "name? Give each its own label (a second night of one spoke belongs in one table with the first)"
                )
            seen[r.measured.spoke] = path
        found.extend(some)
        findings.extend(more)
    batch = fit_batch(
        found,
        name if name is not None else runs[0].stem,
        findings=findings,
        linear_density_g_per_m=linear_density,
        source=[{"file": p.name, "sha256": sha256(p)} for p in runs],
        made_with=f"longhold {version('longhold')}",
    )
    result = batch.as_dict()
    if out is not None:
        write_whole(out, json_text(result))
        say(f"wrote {out}")
    if as_json:
        answer_json(result)


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

    \b
    Example:
      longhold forecast K07.json --history month.csv
    """
    import numpy as np

    from models.batch import Batch
    from models.errors import InputError
    from models.forecast import strain_bands, tension_bands
    from models.history import LoadHistory
    from tui.out import answer_json, read_json
    from tui.tables import read_csv

    try:
        batch = Batch.from_dict(read_json(batch_file, "a batch written by 'longhold fit'"))
    except InputError as error:
        raise InputError(f"{error}" if str(error).startswith(str(batch_file)) else f"{batch_file}: {error}") from None
    frame = read_csv(history)
    rng = np.random.default_rng(seed)
    time = frame["time_s"].to_numpy(float)
    th = (
        frame["temperature_C"].to_numpy(float)
        if "temperature_C" in frame
        else np.full(time.size, batch.chain.reference_C)
    )
    if "load_N" in frame:
        bands = strain_bands(batch, LoadHistory.of(time, frame["load_N"].to_numpy(float), th), rng, draws)
        key = "strain"
    else:
        length = gauge_length_mm or batch.covers.get("gauge_length_mm")
        if length is None:
            raise InputError("give --gauge-length-mm: the batch does not say what length creeps")
        bands = tension_bands(batch, time, frame["chord_mm"].to_numpy(float), th, float(length), rng, min(draws, 1000))
        key = "tension_N"
    if as_json:
        answer_json({"time_s": bands.time_s, key: bands.as_dict()})
