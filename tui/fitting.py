"""Run files in, a batch out; or an archive of them, each file a batch of its own, on all cores or a Dask cluster."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from models.errors import CannotAnswer, InputError, LongholdError

if TYPE_CHECKING:
    from models.batch import Batch


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumed:
    """What the tables do not say, and how they are to be taken."""

    gauge_length_mm: float | None = None
    temperature_C: float | None = None
    linear_density_g_per_m: float | None = None
    robust: bool = False  # set aside what does not fit the rest of a spoke's creep


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """One file of an archive: its batch, or why there is none."""

    file: str
    batch: dict[str, Any] | None
    words: tuple[str, ...]


def fit_runs(runs: Sequence[Path], name: str, assumed: Assumed) -> Batch:
    """One batch from the spokes of all these files.

    Raises
    ------
    InputError
        Names the file, and what is wrong with it.
    """
    from importlib.metadata import version

    from models.learn import fit_batch
    from models.table import records
    from tui.tables import read_table, sha256

    found, findings = [], []
    seen: dict[str, Path] = {}
    for path in runs:
        some, more = records(
            read_table(path), str(path), gauge_length_mm=assumed.gauge_length_mm, temperature_C=assumed.temperature_C
        )
        for r in some:
            if r.measured.spoke in seen:
                raise InputError(
                    f"spoke {r.measured.spoke} stands in {seen[r.measured.spoke]} and in {path}: two spokes with one "
                    "name? Give each its own label (a second night of one spoke belongs in one table with the first)"
                )
            seen[r.measured.spoke] = path
        found.extend(some)
        findings.extend(more)
    return fit_batch(
        found,
        name,
        findings=findings,
        linear_density_g_per_m=assumed.linear_density_g_per_m,
        robust=assumed.robust,
        source=[{"file": p.name, "sha256": sha256(p)} for p in runs],
        made_with=f"longhold {version('longhold')}",
    )


def fit_one(path: Path, assumed: Assumed) -> Fitted:
    """One file of an archive; a fault of the file is its result, not the end of the rest."""
    from models.verdicts import in_words

    try:
        batch = fit_runs([path], path.stem, assumed)
    except LongholdError as error:
        return Fitted(file=str(path), batch=None, words=(str(error),))
    return Fitted(file=str(path), batch=batch.as_dict(), words=tuple(in_words(batch)))


def fit_archive(
    runs: Sequence[Path], out: Path, assumed: Assumed, *, dask: str | None, force: bool, done: Callable[[int], None]
) -> list[Fitted]:
    """Each file a batch DIR/NAME.json, written as soon as it is fitted.

    Raises
    ------
    InputError
        Two files of one name, or a result that is there already, before any work.
    CannotAnswer
        No file could be fitted.
    """
    from functools import partial

    from tui.many import many
    from tui.out import json_text, refuse_existing, write_whole

    results = [out / f"{path.stem}.json" for path in runs]
    twice = next((p for k, p in enumerate(results) if p in results[:k]), None)
    if twice is not None:
        raise InputError(f"two of the files would be written to {twice}: give them names of their own")
    for path in runs:
        if not path.exists():
            raise InputError(f"{path}: no such file (a run was expected)")
    if out.exists() and not out.is_dir():
        raise InputError(f"{out} is a file; --out wants a folder")
    if out.is_dir():
        for path in results:
            refuse_existing(path, force)
    found = []
    whole = [path.absolute() for path in runs]  # a worker may stand in another folder
    for k, (path, one) in enumerate(zip(results, many(partial(fit_one, assumed=assumed), whole, dask), strict=True)):
        one = replace(one, file=str(runs[k]))
        if one.batch is not None:
            out.mkdir(parents=True, exist_ok=True)
            write_whole(path, json_text(one.batch), fresh=not force)
        found.append(one)
        done(k + 1)
    if all(one.batch is None for one in found):
        raise CannotAnswer(f"none of {len(found)} files could be fitted; the first: {found[0].words[0]}")
    return found
