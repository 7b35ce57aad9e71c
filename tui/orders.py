"""A shop's order book, or a maker's archive of batches: many plans side by side, each as `longhold plan` alone."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from models.errors import InputError, LongholdError
from models.written import Table, checked, read_toml
from tui.batchfile import batch_in
from tui.many import many
from tui.out import read_json

MOST_ORDERS = 5000
SUMMARY = "orders.json"


class Entry(Table):
    """``[[order]]``: one build, and the batch of its spokes where it is not that of all."""

    build: str
    batch: str | None = None
    name: str | None = None  # of its folder; else that of the build file


class Book(Table):
    """ORDERS.toml; file names count from its folder."""

    batch: str | None = None
    order: Annotated[tuple[Entry, ...], Field(min_length=1, max_length=MOST_ORDERS)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One order as read."""

    name: str
    build: Mapping[str, Any]  # the build file's content
    batch: Mapping[str, Any]  # the batch file's


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Orders that are the same but for their names: planned once."""

    orders: tuple[Order, ...]
    seed: int
    draws: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """What came of one order."""

    name: str
    wheels: int
    schedule: Mapping[str, Any] | None  # None: none can be given
    words: str  # plan.txt, or why there is none

    def row(self) -> dict[str, Any]:
        """Its line in the summary."""
        s = self.schedule
        keys = ("build", "batch", "holds", "passes", "bench_nights", "hands_on_h")
        row: dict[str, Any] = {"order": self.name, "wheels": self.wheels}
        row |= {k: None if s is None else s[k] for k in keys}
        row["probability_holds"] = None if s is None else s["forecast"]["probability_holds"]
        row["says"] = self.words if s is None else "; ".join(s["relax"])
        return row


def _entries(path: Path, build_file: Path | None, batch_file: Path | None) -> tuple[list[Entry], Path | None]:
    """What is to be planned, and the batch of all; file names made whole."""
    if path.is_dir():
        kind, what = ("*.toml", "build") if build_file is None else ("*.json", "batch")
        files = sorted(path.glob(kind))
        if not files:
            raise InputError(f"{path}: no {what} files ({kind}) in this folder")
        if build_file is None:
            return [Entry(build=str(f)) for f in files], batch_file
        return [Entry(build=str(build_file), batch=str(f), name=f.stem) for f in files], batch_file
    if build_file is not None:
        raise InputError(f"{path}: with a BUILD.toml, --orders names a folder of batch files (*.json)")
    book, folder = checked(Book, read_toml(path, "an order book"), str(path)), path.parent
    entries = [
        e.model_copy(
            update={"build": str(folder / e.build), "batch": None if e.batch is None else str(folder / e.batch)}
        )
        for e in book.order
    ]
    return entries, batch_file if book.batch is None else folder / book.batch


def read_orders(path: Path, batch_file: Path | None, *, build_file: Path | None = None, now: datetime) -> list[Order]:
    """The orders of a folder of build files, of ORDERS.toml, or one build with each batch of a folder.

    Raises
    ------
    InputError
        The first file that is wrong, a due date gone by, or an order without a batch, by name.
    """
    from planner.build import load_build
    from planner.stretching import refuse_gone_by

    entries, usual = _entries(path, build_file, batch_file)
    read: dict[Path, Mapping[str, Any]] = {}
    out: list[Order] = []
    for i, entry in enumerate(entries, start=1):
        where = f"{path}: order {i}"
        own = usual if entry.batch is None else Path(entry.batch)
        if own is None:
            raise InputError(f"{where}: no batch; give --batch, or batch in the order book")
        if own not in read:
            content = read_json(own, "a batch file from 'longhold fit'")
            batch_in(content, own)
            read[own] = content
        name = Path(entry.build).stem if entry.name is None else entry.name
        if name in ("", ".", "..") or any(c in name for c in "/\\\0") or name == SUMMARY:
            raise InputError(f"{where}: name '{name}' cannot be a folder's")
        if any(name == o.name for o in out):
            raise InputError(f"{where}: there is an order '{name}' already; give each a name of its own")
        build = load_build(Path(entry.build))
        try:
            refuse_gone_by(build.order.due, now)
        except InputError as error:
            raise InputError(f"{entry.build}: {error}") from None
        out.append(Order(name=name, build=build.as_dict(), batch=read[own]))
    return out


def jobs(orders: Sequence[Order], seed: int, draws: int) -> list[Job]:
    """Orders that differ in nothing but their name and their calendar, together."""
    alike: dict[str, list[Order]] = {}
    for order in orders:
        matters = {k: v for k, v in order.build.items() if k not in ("name", "order")}
        alike.setdefault(json.dumps([matters, order.batch], sort_keys=True), []).append(order)
    return [Job(orders=tuple(group), seed=seed, draws=draws) for group in alike.values()]


def plan_job(job: Job) -> list[Planned]:
    """Plan on one core; a build for which none can be given says why, and does not end the rest."""
    from dataclasses import replace

    from models.batch import Batch
    from planner.build import build_of
    from planner.search import find_plan
    from tui.planwords import in_words

    builds = [build_of(order.build, order.name) for order in job.orders]
    try:
        answer = find_plan(builds[0], Batch.from_dict(job.orders[0].batch), seed=job.seed, draws=job.draws, cores=1)
    except LongholdError as no:
        return [
            Planned(name=o.name, wheels=b.order.wheels, schedule=None, words=str(no))
            for o, b in zip(job.orders, builds, strict=True)
        ]
    out = []
    for order, build in zip(job.orders, builds, strict=True):
        own = replace(answer, build=build)
        schedule = own.as_dict()
        out.append(
            Planned(name=order.name, wheels=build.order.wheels, schedule=schedule, words=in_words(own, schedule))
        )
    return out


def plan_orders(
    orders: Sequence[Order], *, seed: int, draws: int, dask: str | None, done: Callable[[int], None]
) -> Iterator[Planned]:
    """Each order's plan as soon as it is there, on all cores or on a cluster; ``done`` is told how many are."""
    count = 0
    for group in many(plan_job, jobs(orders, seed, draws), dask):
        for planned in group:
            count += 1
            done(count)
            yield planned


def summary(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The answer: each order, and what they come to together, each wheel's frame and hands counted by itself."""

    def total(key: str) -> float:
        return round(float(sum(r["wheels"] * (r[key] or 0) for r in rows)), 2)

    return {
        "orders": list(rows),
        "wheels": sum(r["wheels"] for r in rows),
        "hold": sum(bool(r["holds"]) for r in rows),
        "do_not_hold": sum(not r["holds"] for r in rows),
        "passes": int(total("passes")),
        "bench_nights": int(total("bench_nights")),
        "hands_on_h": total("hands_on_h"),
    }


def table(answer: Mapping[str, Any]) -> str:
    """The summary as a builder reads it."""
    from tui import format as show

    rows = answer["orders"]
    width = max(len("order"), *(len(r["order"]) for r in rows))
    lines = [f"{'order':<{width}}  wheels  passes  bench nights  hands-on  holds with"]
    for r in rows:
        chance = None if r["probability_holds"] is None else 100 * r["probability_holds"]
        lines.append(
            f"{r['order']:<{width}}  {r['wheels']:>6}  {show.number(r['passes']):>6}  "
            f"{show.number(r['bench_nights']):>12}  {show.number(r['hands_on_h'], 1):>6} h  "
            f"{show.percent(chance, 0):>10}{'' if r['holds'] else '  does not hold as asked'}"
        )
    lines += [
        "",
        f"{show.counted(len(rows), 'order')}, {show.counted(answer['wheels'], 'wheel')}: "
        f"{show.counted(answer['passes'], 'overnight pass', 'overnight passes')}, "
        f"{show.counted(answer['bench_nights'], 'bench night')}, {show.number(answer['hands_on_h'], 1)} h hands-on, "
        "each wheel counted by itself.",
    ]
    return "\n".join(lines) + "\n"
