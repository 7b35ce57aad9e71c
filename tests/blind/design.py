"""Whether the proposed night makes the planned wheel's forecast sharper: hidden batches, each tested in several ways.

    python -m tests.blind.design --batches 24 --out docs/test-design.md

Each hidden batch is put through a plain hold, the night that `models.design` proposes, and one with a warm step. Each
record is fitted as `longhold fit` does; new spokes are drawn from each batch file and led through the planned wheel
(stretched, slack, laced, set, left alone); hidden spokes live through the same with their own physics. A band is that of
the mean tension of the wheel.
"""

from __future__ import annotations

import argparse
import functools
import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from models.batch import Batch, draw_chains
from models.design import PlannedWheel, propose, tension_in
from models.errors import LongholdError
from models.learn import fit_batch
from models.nights import Night, plain_hold
from models.table import records
from tests.blind import hidden, night, outlook

LENGTH_MM = 285.0
STATIONS = 4
SERVICE_N, HIGH_N = 981.0, 1471.5
WARM_C = 50.0
SPOKES = 28
DRAWS, DRAWN_SPOKES = 250, 14  # half a wheel's spokes: their mean is nearly the wheel's
CLAIMED = 0.9
OVERHEAD_H = 0.15
WHEEL = PlannedWheel(target_N=SERVICE_N, stretch_N=HIGH_N)
FIRST_SEED = 7000


@functools.cache
def nights(hours: float) -> dict[str, Night]:
    """The three nights of one length."""
    asked = {
        "hours": hours - OVERHEAD_H,
        "stations": STATIONS,
        "service_N": SERVICE_N,
        "high_N": HIGH_N,
        "wheel": WHEEL,
    }
    return {
        "plain hold": plain_hold(hours - OVERHEAD_H, SERVICE_N),
        "proposed": propose(**asked).best.night,
        "proposed, warm": propose(**asked, warm_C=WARM_C).best.night,
    }


def as_segments(what: Night) -> list[night.Segment]:
    """The night as the trial's frame takes it."""
    seat = night.Segment(name="seat", load_N=night.SEAT_N, hours=2.0 / 60.0)
    return [seat] + [
        night.Segment(name=f"{i}", load_N=s.load_N, hours=s.hours, cabinet_C=s.temperature_C)
        for i, s in enumerate(what.segments, start=1)
    ]


def table_of(found: Sequence[night.Record]) -> pd.DataFrame:
    """The records as one run table."""
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "time_s": r.time_s,
                    "spoke": f"K{i + 1:02d}",
                    "load_N": r.load_N,
                    "elongation_mm": r.elongation_mm,
                    "temperature_C": r.temperature_C,
                    "gauge_length_mm": LENGTH_MM,
                }
            )
            for i, r in enumerate(found)
        ],
        ignore_index=True,
    )


def band(batch: Batch, time_h: np.ndarray, seed: int) -> np.ndarray:
    """(3, n) N: 5 %, 50 % and 95 % of the mean tension of a wheel of new spokes, as the batch file promises."""
    rng = np.random.default_rng([seed, 31])
    tension = tension_in(WHEEL, draw_chains(batch, rng, DRAWS, DRAWN_SPOKES), time_h).mean(axis=-1)
    return np.percentile(tension, [5, 50, 95], axis=1)


def truth(batch: hidden.HiddenBatch, time_h: np.ndarray, seed: int) -> np.ndarray:
    """(n,) N: mean tension of a wheel of hidden spokes that lives through the same."""
    spokes = hidden.draw_spokes(batch, np.random.default_rng([seed, 32]), SPOKES)
    n, th = spokes.count, WHEEL.temperature_C
    state, load = spokes.virgin(), np.zeros(n)

    def to(target: float, seconds: float) -> None:
        nonlocal state, load
        start = load
        for x in np.linspace(0.0, 1.0, 13)[1:]:
            new = start + x * (target - start)
            state, load = spokes.step(state, seconds / 12.0, load, new, th), new

    def stay(hours: float) -> None:
        nonlocal state
        for dt in np.diff(np.concatenate([[0.0], np.geomspace(5.0, 3600.0 * hours, 40)])):
            state = spokes.step(state, float(dt), load, load, th)

    assert WHEEL.stretch_N is not None
    for target, hours in (
        (WHEEL.stretch_N, WHEEL.stretch_h),
        (0.0, WHEEL.rest_h),
        (WHEEL.lacing_N, WHEEL.laced_h),
        (WHEEL.target_N, WHEEL.session_h),
    ):
        to(target, 50.0)
        stay(hours)
    give = WHEEL.followup * float(np.mean(spokes.elastic)) / batch.EA_N
    total = spokes.elastic_strain(load) + spokes.creep_strain(state) + give * load
    times = np.unique(np.concatenate([np.geomspace(5.0, 3600.0 * time_h[-1], 160), 3600.0 * time_h]))
    out, at = [], WHEEL.session_h * 3600.0
    for t in times[times > at]:
        state, load = outlook._to_strain(spokes, state, float(t - at), load, total, give, th)
        at = float(t)
        if np.isclose(at, 3600.0 * time_h).any():
            out.append(float(load.mean()))
    return np.array(out)


def one(seed: int, hours: float) -> dict[str, Any]:
    """Every night of one hidden batch."""
    batch = hidden.draw_batch(seed)
    time_h = np.geomspace(WHEEL.delivery_h, WHEEL.horizon_h, 7)
    true = truth(batch, time_h, seed)
    out: dict[str, Any] = {"seed": seed, "true_N": true.tolist(), "nights": {}}
    for name, what in nights(hours).items():
        found, _ = night.run_night(batch, [as_segments(what)] * STATIONS, "0.1 Hz", LENGTH_MM, seed)
        try:
            some, findings = records(table_of(found))
            fitted = fit_batch(some, "BLIND", findings=findings)
        except LongholdError as error:
            out["nights"][name] = {"failed": str(error)}
            continue
        low, middle, high = band(fitted, time_h, seed)
        out["nights"][name] = {
            "width_N": (high - low).tolist(),
            "error_N": (middle - true).tolist(),
            "inside": ((low <= true) & (true <= high)).tolist(),
            "left_open": [q["what"] for q in fitted.extra["verdicts"]["cannot_tell"]],
        }
    return out


def honest_factor(width: np.ndarray, error: np.ndarray) -> float:
    """By how much every band of a kind of night must be widened, or may be narrowed, for the claimed share to be inside.

    Bands are taken as even about their middle.
    """
    return float(np.quantile(np.abs(error) / (width / 2), CLAIMED))


def figures(found: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """One row for each kind of night: widths beside the plain hold's of the same batch, coverage, error."""
    rows = []
    for name in found[0]["nights"]:
        both = [f["nights"] for f in found if all("failed" not in n for n in f["nights"].values())]
        width = np.array([b[name]["width_N"] for b in both])
        plain = np.array([b["plain hold"]["width_N"] for b in both])
        inside = np.array([b[name]["inside"] for b in both])
        error = np.abs([b[name]["error_N"] for b in both])
        plain_error = np.abs([b["plain hold"]["error_N"] for b in both])

        def equal(at: slice, width=width, error=error, plain=plain, plain_error=plain_error) -> float:
            """Narrower, in percent, once both claim what comes true."""
            mine = width[:, at] * honest_factor(width[:, at], error[:, at])
            other = plain[:, at] * honest_factor(plain[:, at], plain_error[:, at])
            return float(100 * (1 - (mine.mean(axis=1) / other.mean(axis=1)).mean()))

        rows.append(
            {
                "night": name,
                "batches": len(both),
                "failed": sum("failed" in f["nights"][name] for f in found),
                "band_N": float(width.mean()),
                "narrower_percent": float(100 * (1 - (width.mean(axis=1) / plain.mean(axis=1)).mean())),
                "horizon_band_N": float(width[:, -1].mean()),
                "horizon_narrower_percent": float(100 * (1 - (width[:, -1] / plain[:, -1]).mean())),
                "equal_percent": equal(slice(None)),
                "horizon_equal_percent": equal(slice(-1, None)),
                "coverage": float(inside.mean()),
                "horizon_coverage": float(inside[:, -1].mean()),
                "median_error_N": float(np.median(error)),
                "horizon_median_error_N": float(np.median(error[:, -1])),
            }
        )
    return rows


def page(found: Sequence[dict[str, Any]], hours: float, command: str) -> str:
    """The result in words and one table."""
    lines = [
        "# How much the proposed batch test tells",
        "",
        f"<!-- written by `{command}` -->",
        "",
        f"{len(found)} invented batches, whose physics is not the fit's (tests/blind/hidden.py), {STATIONS} spokes each, one "
        f"night of {hours:g} h each way. The wheel: stretched {WHEEL.stretch_h:g} h at {WHEEL.stretch_N:.0f} N, "
        f"{WHEEL.rest_h:g} h slack, laced {WHEEL.laced_h:g} h, set to {WHEEL.target_N:.0f} N and left alone. A band is the "
        f"90 % band of its mean tension, from {WHEEL.delivery_h:g} h to {WHEEL.horizon_h:g} h after the set (mean over log "
        "time), or at the end of that. *Narrower* is the mean over the batches, each beside its own plain hold; *inside* "
        "is how often the truth lay in the band, which claims 90 %; *at equal coverage* is how much narrower the bands "
        "are once those of each kind of night are all widened or narrowed by the one factor that brings 90 % inside.",
        "",
        "| night | when | band | narrower | inside | at equal coverage | error, median |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for r in figures(found):
        for when, k in (("delivery to the end", ""), ("at the end", "horizon_")):
            lines.append(
                f"| {r['night']} | {when} | {r[k + 'band_N']:.0f} N | {r[k + 'narrower_percent']:.0f} % | "
                f"{100 * r[k + 'coverage']:.0f} % | {r[k + 'equal_percent']:.0f} % narrower | "
                f"{r[k + 'median_error_N']:.1f} N |"
            )
    plain = next(r for r in figures(found) if r["night"] == "plain hold")
    lines += [
        "",
        f"The plain hold's own bands held the truth in {100 * plain['coverage']:.0f} % of the cases: a night without a rest "
        "cannot tell what comes back from what stays, its fit says so, and the forecast of a wheel that is stretched, "
        "rests and is laced hangs on just that.",
    ]
    lines += ["", "The nights, loads in N and hours (a temperature is that of a cabinet):", ""]
    for name, what in nights(hours).items():
        parts = ", ".join(
            f"{s.hours:.2f} h at {s.load_N:.0f}" + (f" and {s.temperature_C:.0f} degC" if s.temperature_C else "")
            for s in what.segments
        )
        lines.append(f"- {name}: {parts}")
    return "\n".join(lines) + "\n"


def _one(job: tuple[int, float]) -> dict[str, Any]:
    return one(*job)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--batches", type=int, default=24)
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--work", type=Path, help="keeps each batch's result as JSON lines, and goes on from them")
    parser.add_argument("--out", type=Path, help="the page to write")
    a = parser.parse_args()
    known = {}
    if a.work is not None and a.work.exists():
        known = {d["seed"]: d for d in map(json.loads, a.work.read_text(encoding="utf-8").splitlines())}
    seeds = [a.first_seed + i for i in range(a.batches)]
    with ProcessPoolExecutor(a.jobs) as pool:
        for result in pool.map(_one, [(s, a.hours) for s in seeds if s not in known]):
            known[result["seed"]] = result
            print(json.dumps({k: v.get("width_N", [0])[-1] for k, v in result["nights"].items()}), flush=True)
            if a.work is not None:
                with a.work.open("a", encoding="utf-8") as f:
                    f.write(json.dumps(result) + "\n")
    command = f"python -m tests.blind.design --batches {a.batches} --hours {a.hours:g} --first-seed {a.first_seed}"
    text = page([known[s] for s in seeds], a.hours, command + " --out docs/test-design.md")
    print(text)
    if a.out is not None:
        a.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
