"""One unit of the blind trial: a hidden batch, its night, the program's fit and plans, and what new wheels then did."""

from __future__ import annotations

import json
import math
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from tests.blind import builds, hidden, hindsight, mornings, night, outlook, report, rules
from tests.blind.executor import Bench, Outcome, Reading
from tests.blind.wheelref import Wheel

TOLERANCES = (7.0, 4.0)
NASTY_FROM = 100_000  # seeds from here on are nasty batches
SET_HIGH = 0.75  # of the tolerance, above target: how a builder who knows that tension falls would set a further pass
TIMEOUT_S = 900


def longhold(args: Sequence[str], cwd: Path) -> tuple[int, str, str, float]:
    """The program's command line in a process of its own: status, stdout, stderr, seconds."""
    start = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", "import sys; from tui.cli import run; sys.exit(run(sys.argv[1:]))", *args],
        cwd=cwd, capture_output=True, text=True, timeout=TIMEOUT_S, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr, time.monotonic() - start


def _proposed(folder: Path, hours: float) -> list[list[night.Segment]]:
    """`longhold program new-batch` for a night of four stations."""
    status, _, said, _ = longhold(
        ["program", "new-batch", "--hours", f"{hours:g}", "--stations", "4", "--out", "night.toml", "--force"], folder
    )
    if status != 0:
        raise RuntimeError(f"program new-batch: {said}")
    return night.from_program((folder / "night.toml").read_text(encoding="utf-8"))


def make_night(seed: int, folder: Path) -> tuple[hidden.HiddenBatch, dict[str, Any], Wheel, list[str], dict[str, str]]:
    """The hidden batch, its build and wheel, and night.csv in the folder; returns the fit's options and what was drawn."""
    batch = hidden.draw_batch(seed, nasty=seed >= NASTY_FROM)
    build, wheel = builds.draw_build(seed, batch)
    rng = np.random.default_rng([seed, 24])
    kind, segments = night.programs(rng)
    if rng.random() < 0.5:  # half the shops follow the program's own proposal
        kind, segments = "proposed", _proposed(folder, round(float(rng.uniform(10.5, 14.0)), 1))
    sampling, layout = str(rng.choice(["1 Hz", "0.1 Hz", "dense then slow"])), str(rng.choice(night.LAYOUTS))
    length = float(build["spoke"]["fibre_length_mm"])
    records, _ = night.run_night(batch, segments, sampling, length, seed)
    options = night.write_csv(folder / "night.csv", records, length, layout)
    return batch, build, wheel, options, {"night": kind, "sampling": sampling, "layout": layout}


def new_wheels(batch: hidden.HiddenBatch, build: Mapping[str, Any], wheel: Wheel, count: int, seed: int) -> Bench:
    """New hidden spokes, reading errors and seating for `count` wheels; the same for every schedule of a unit."""
    rng = np.random.default_rng([seed, 25])
    n = wheel.ring.spokes
    mean, sd = float(build["wheel"]["seating_mm"]), float(build["wheel"]["seating_sd_mm"])
    reading = Reading(
        repeat=float(build["tension"]["reading_repeat_percent"]) / 100.0,
        bias=rng.normal(0.0, 1.0, count) * float(build["tension"]["reading_bias_percent"]) / 100.0,
        seat_mm=np.maximum(rng.normal(mean, sd, (count, n)), 0.0),
        seat_at_once=float(rng.uniform(0.3, 0.7)),
    )
    return Bench(build, wheel, hidden.draw_spokes(batch, rng, count * n), reading, seed)


def _fit(folder: Path, options: Sequence[str], reuse: bool) -> dict[str, Any]:
    if reuse and (folder / "batch.json").exists():
        return {"status": 0, "reused": True, "seconds": None, "said": ""}
    status, _, said, seconds = longhold(
        ["fit", "night.csv", *options, "--name", "BLIND", "--out", "batch.json", "--force"], folder
    )
    return {"status": status, "seconds": seconds, "said": said[-2000:]}


def _summary(outcome: Outcome) -> dict[str, Any]:
    worst = np.abs(outcome.side_error_percent)
    return {
        "holds": outcome.holds.tolist(),
        "mean_ok": outcome.mean_ok.tolist(),
        "spread_ok": outcome.spread_ok.tolist(),
        "worst_side_percent": worst.max(axis=(0, 2)).tolist(),
        "at_delivery_percent": outcome.side_error_percent[0].tolist(),
        "at_horizon_percent": outcome.side_error_percent[-1].tolist(),
        "worst_spread_percent": outcome.spread_percent.max(axis=(0, 2)).tolist(),
    }


def _bands(schedule: Mapping[str, Any], outcome: Outcome) -> dict[str, Any]:
    """The plan's own forecast of side means against the hidden wheels, at delivery and at the horizon."""
    out: dict[str, Any] = {}
    forecast = schedule["forecast"]
    t = np.array(forecast["time_h"], dtype=float)
    for side, k in (("left", 0), ("right", 1)):
        band = {q: np.array(forecast["mean_tension_N"][side][q], dtype=float) for q in ("p05", "p50", "p95")}
        target = (outcome.left_N, outcome.right_N)[k]
        for name, at, i in (("delivery", outcome.time_h[0], 0), ("horizon", outcome.time_h[-1], -1)):
            true = target * (1.0 + outcome.side_error_percent[i, :, k] / 100.0)
            low, mid, high = (
                float(np.interp(math.log(at), np.log(np.maximum(t, 1e-3)), band[q])) for q in ("p05", "p50", "p95")
            )
            out[f"{side}_{name}"] = {
                "error_percent": (100.0 * (mid - true) / target).tolist(),  # forecast less truth
                "inside": ((low <= true) & (true <= high)).tolist(),
                "half_band_percent": 50.0 * (high - low) / target,
            }
    return out


def _bench_nights(steps: Sequence[Mapping[str, Any]]) -> int:
    return sum(len(s.get("groups") or [s]) for s in steps if s["kind"] == "prestretch")


def _plan(
    folder: Path, build: Mapping[str, Any], tolerance: float, wheel: Wheel, bench: Bench, look_back: bool, read_on: bool
) -> dict[str, Any]:
    build = {**build, "tension": {**build["tension"], "tolerance_percent": tolerance}}
    name = f"build{tolerance:g}"
    (folder / f"{name}.toml").write_text(builds.as_toml(build), encoding="utf-8")
    status, out, said, seconds = longhold(
        ["plan", f"{name}.toml", "--batch", "batch.json", "--out", f"plan{tolerance:g}", "--force", "--json"], folder
    )
    result: dict[str, Any] = {"status": status, "seconds": seconds, "said": said[-2000:]}
    trial = Bench(build, wheel, bench.spokes, bench.reading, bench.seed)
    if status not in (0, 1) or not out.strip():
        return result
    schedule = json.loads(out)
    (folder / f"schedule{tolerance:g}.json").write_text(json.dumps(schedule), encoding="utf-8")
    stiffness = bench.spokes.batch.EA_N / float(build["spoke"]["fibre_length_mm"])
    result |= {
        "says_holds": bool(schedule["holds"]),
        "passes": int(schedule["passes"]),
        "claimed": schedule["forecast"]["probability_holds"],
        "says_untreated": schedule["untreated"],
        "bench_nights": _bench_nights(schedule.get("steps", [])),
        "faults": rules.faults(schedule["steps"], build, wheel, stiffness) if schedule.get("steps") else ["no steps"],
        "steps": [{k: v for k, v in s.items() if k != "groups"} for s in schedule.get("steps", [])],
    }
    if not schedule.get("steps"):
        return result
    outcome = trial.execute(schedule["steps"])
    result |= {"wheels": _summary(outcome), "bands": _bands(schedule, outcome)}
    for count, high in (("further", 0.0), ("further_high", SET_HIGH)):
        done = bool(outcome.holds.all())
        result[count] = (
            [0.0] * trial.w if done else report.known(trial.passes_to_hold(schedule["steps"], [tolerance], high)[0])
        )
    if read_on:
        result["mornings"] = mornings.all_wheels(trial, folder, folder / f"{name}.toml", schedule)
    if look_back:
        result["hindsight"] = hindsight.fewest(trial, schedule, tolerance, report.passes_needed(result))
        result["weighed"] = hindsight.weighed(trial, schedule)
    return result


def _forecast(folder: Path, batch: hidden.HiddenBatch, length_mm: float, seed: int) -> dict[str, Any]:
    """`longhold forecast` for in-wheel chords of a new and of a stretched spoke, and for a load history; 60 hidden spokes."""
    rng = np.random.default_rng([seed, 26])
    spokes = hidden.draw_spokes(batch, rng, 60)
    days = float(rng.uniform(30.0, 60.0))
    result: dict[str, Any] = {"days": days}
    follow_up = float(rng.uniform(0.2, 0.4))
    chord_t, chord, _ = outlook.wheel_chord(batch, length_mm, follow_up, days, rng)
    load_t, load, load_begins_s = outlook.bench_then_wheel_load(days, rng)
    stretch = (float(rng.uniform(1200.0, 1550.0)), float(rng.uniform(4.0, 16.0)))
    treated_t, treated, treated_begins_s = outlook.wheel_chord(batch, length_mm, follow_up, days, rng, stretch)
    middle = hidden.middle_spokes(batch)
    for name, t, begins_s, column, values, key in (
        ("chord", chord_t, 0.0, "chord_mm", chord, "tension_N"),
        ("stretched", treated_t, treated_begins_s, "chord_mm", treated, "tension_N"),
        ("load", load_t, load_begins_s, "load_N", load, "strain"),
    ):
        outlook.write_history(folder / f"{name}.csv", t, column, values)
        status, out, said, seconds = longhold(["forecast", "batch.json", "--history", f"{name}.csv", "--json"], folder)
        if status != 0:
            result[name] = {"status": status, "said": said[-1000:], "seconds": seconds}
            continue
        answer = json.loads(out)
        if key == "tension_N":
            true, centre = (outlook.tension_under_chord(s, t, values, length_mm, 20.0) for s in (spokes, middle))
        else:
            true, centre = (outlook.strain_under_load(s, t, values, 20.0) for s in (spokes, middle))
        centre = centre[:, 0]
        days_s = np.array([1.0, 5.0, days]) * 86400.0
        at = np.searchsorted(t, begins_s + days_s).clip(0, t.size - 1)
        asked = np.array(answer["time_s"], dtype=float)
        band = {q: np.interp(t, asked, np.array(answer[key][q], dtype=float)) for q in ("p05", "p50", "p95")}
        last_set = int(np.searchsorted(t, begins_s + outlook.LAST_SET_S))
        kept = (band["p50"][-1] / band["p50"][last_set]) / (centre[-1] / centre[last_set])
        result[name] = {
            "status": 0,
            "seconds": seconds,
            # tension kept since the last set: what a builder plans by
            "kept_error_percent": 100.0 * (float(kept) - 1.0),
            "below": {q: np.mean(true[at] < band[q][at, None], axis=1).tolist() for q in band},
            "inside": np.mean(
                (band["p05"][at, None] <= true[at]) & (true[at] <= band["p95"][at, None]), axis=1
            ).tolist(),
            "centre_error_percent": (100.0 * (band["p50"][at] / centre[at] - 1.0)).tolist(),
            "spoke_error_percent": np.median(np.abs(100.0 * (band["p50"][at, None] / true[at] - 1.0)), axis=1).tolist(),
            "half_band_percent": (50.0 * (band["p95"][at] - band["p05"][at]) / centre[at]).tolist(),
        }
    return result


def run_unit(
    seed: int,
    work: Path,
    wheels: int,
    reuse_fit: bool = False,
    parts: Sequence[str] = ("plan", "forecast"),
    tolerances: Sequence[float] = TOLERANCES,
) -> dict[str, Any]:
    """Everything for one seed; also written to result.json in the unit's folder."""
    folder = work / f"{seed:06d}"
    folder.mkdir(parents=True, exist_ok=True)
    batch, build, wheel, options, drawn = make_night(seed, folder)
    n, length = wheel.ring.spokes, float(build["spoke"]["fibre_length_mm"])
    result: dict[str, Any] = {
        "seed": seed,
        "nasty": batch.nasty,
        "wheels": wheels,
        "drawn": drawn
        | {
            "bedding": batch.bedding_kind,
            "bedding_strain": batch.bedding_strain,
            "loss_share": batch.loss_share,
            "spokes": n,
            "build": "example" if build["wheel"]["rim"] == builds.EXAMPLE_RIM else "variant",
            "stations": build["shop"]["stations"],
            "per_station": build["shop"]["spokes_per_station"],
            "follow_up": n
            * wheel.direction[0, 0] ** 2
            * wheel.ring.radius_mm
            / (2 * math.pi * wheel.ring.EA_N)
            * batch.EA_N
            / length,
        },
        "fit": _fit(folder, options, reuse_fit),
    }
    (folder / "night.csv").unlink()
    fitted = result["fit"]["status"] == 0
    if "plan" in parts:
        bench = new_wheels(batch, build, wheel, wheels, seed)
        passes, steps = report.known(bench.untreated_passes()), bench.untreated_steps()
        to_hold = [report.known(row) for row in bench.passes_to_hold(steps, tolerances)]
        high = [report.known(row) for row in bench.passes_to_hold(steps, tolerances, SET_HIGH)]
        result["plans"] = {}
        for i, tolerance in enumerate(tolerances):
            untreated = {"passes": passes, "to_hold": to_hold[i], "to_hold_high": high[i]}
            look_back = "hindsight" in parts and i == 0  # it takes long, and nothing holds the tighter tolerance
            made = (
                _plan(folder, build, tolerance, wheel, bench, look_back, "mornings" in parts)
                if fitted
                else {"status": 1, "seconds": None, "said": ""}
            )
            result["plans"][f"{tolerance:g}"] = made | {"untreated": untreated}
    if "forecast" in parts and fitted:
        result["forecast"] = _forecast(folder, batch, length, seed)
    (folder / "result.json").write_text(json.dumps(result, indent=1), encoding="utf-8")
    return result
