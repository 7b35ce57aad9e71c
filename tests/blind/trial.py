"""The blind trial as one command: python -m tests.blind.trial --batches 40 --wheels 5 --out docs/blind.md

Each batch is a unit whose result is kept in --work DIR, so that a trial can be stopped and gone on with; `--again` does
units anew, `--keep-fit` then plans from the fits that are there.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

from tests.blind import page, report, unit


def _one(
    seed: int, work: str, wheels: int, keep_fit: bool, parts: tuple[str, ...], tolerances: tuple[float, ...]
) -> dict[str, Any]:
    return unit.run_unit(seed, Path(work), wheels, keep_fit, parts, tolerances)


def run_trial(
    seeds: list[int], work: Path, wheels: int, *, jobs: int = 1, again: bool = False, keep_fit: bool = False,
    parts: tuple[str, ...] = ("plan", "forecast"), tolerances: tuple[float, ...] = unit.TOLERANCES, show: bool = True,
) -> list[dict[str, Any]]:  # fmt: skip
    """Results of all seeds, from --work where they are there already."""
    found: dict[int, dict[str, Any]] = {}
    for seed in seeds:
        path = work / f"{seed:06d}" / "result.json"
        if path.exists() and not again:
            old = json.loads(path.read_text(encoding="utf-8"))
            if old["wheels"] == wheels:
                found[seed] = old
    todo = [s for s in seeds if s not in found]
    if jobs == 1:
        for seed in todo:
            found[seed] = unit.run_unit(seed, work, wheels, keep_fit, parts, tolerances)
            if show:
                print(line(found[seed]), flush=True)
    else:
        with ProcessPoolExecutor(jobs) as pool:
            waiting = [pool.submit(_one, s, str(work), wheels, keep_fit, parts, tolerances) for s in todo]
            for future in as_completed(waiting):
                result = future.result()
                found[result["seed"]] = result
                if show:
                    print(line(result), flush=True)
    return [found[s] for s in seeds]


def line(u: dict[str, Any]) -> str:
    """One line of progress."""
    out = [f"{u['seed']:6d} {u['drawn']['bedding'][:5]:5s}"]
    if u["fit"]["status"]:
        return f"{out[0]} fit failed: {u['fit']['said'].strip()[-200:]}"
    for tol, p in u.get("plans", {}).items():
        if "wheels" not in p:
            out.append(f"{tol} %: status {p['status']} {p['said'].strip()[-120:]}")
            continue
        held = p["wheels"]["holds"]
        out.append(
            f"{tol} %: {p['passes']} passes, claimed {p['claimed']:.2f}, held {sum(held)}/{len(held)}, needed "
            f"{sum(report.passes_needed(p)) / len(held):.1f}, untreated {sum(report.counts(p['untreated']['to_hold'])) / len(held):.1f}"
            + (f" INVALID {p['faults'][0]}" if p["faults"] else "")
        )
    for name, f in u.get("forecast", {}).items():
        if isinstance(f, dict):
            out.append(
                f"{name} {f['centre_error_percent'][-1]:+.1f} % in {f['inside'][-1]:.2f}"
                if f["status"] == 0
                else f"{name} failed"
            )
    return " | ".join(out)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--batches", type=int, default=40)
    parser.add_argument("--wheels", type=int, default=5)
    parser.add_argument("--nasty", type=int, default=8, help="nastier batches, reported apart")
    parser.add_argument("--first-seed", type=int, default=5000)
    parser.add_argument("--work", type=Path, help="folder that keeps each unit's result")
    parser.add_argument("--out", type=Path, help="the page to write")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--again", action="store_true", help="do units anew that are there already")
    parser.add_argument("--keep-fit", action="store_true", help="with --again: plan from the fits that are there")
    every = ["plan", "forecast", "hindsight", "mornings"]
    parser.add_argument("--parts", nargs="+", default=every, choices=every)
    a = parser.parse_args()
    seeds = [a.first_seed + i for i in range(a.batches)] + [unit.NASTY_FROM + a.first_seed + i for i in range(a.nasty)]
    work = a.work or Path(tempfile.mkdtemp(prefix="blind-"))
    units = run_trial(seeds, work, a.wheels, jobs=a.jobs, again=a.again, keep_fit=a.keep_fit, parts=tuple(a.parts))
    only = "" if a.parts == every else f" --parts {' '.join(a.parts)}"
    shown = f"--batches {a.batches} --wheels {a.wheels} --nasty {a.nasty} --first-seed {a.first_seed}{only}"
    command = f"python -m tests.blind.trial {shown} --out {a.out or 'docs/blind.md'}"
    text = page.page(units, command)
    if a.out:
        a.out.parent.mkdir(parents=True, exist_ok=True)
        a.out.write_text(text, encoding="utf-8")
    else:
        print(text)


if __name__ == "__main__":
    main()
