"""The blind trial's figures as a page: what was asked, what came out, with the seeds."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

STATED = {"p05": 0.05, "p50": 0.50, "p95": 0.95}  # quantiles that a forecast states
CENSORED = 13  # counted for a wheel that did not hold within 12 passes
IN_TIME_H = 2.0  # a wheel whose last session was that of its delivery's morning is not called late
HOLDS_FROM = 0.9  # the probability that every build of the trial asks for

Unit = Mapping[str, Any]


def counts(values: Sequence[float | None]) -> list[float]:
    """Numbers of passes, one for each wheel; those above 12 as 13."""
    return [CENSORED if v is None else v for v in values]


def known(passes: Iterable[float]) -> list[float | None]:
    """Numbers of passes as a result keeps them: none where not a number, for a wheel that did not hold."""
    return [None if math.isnan(x) else float(x) for x in passes]


def altogether(planned: int, further: Sequence[float | None]) -> list[float]:
    """For each wheel: passes planned, and those that it needed on top until it held."""
    return [min(planned + x, CENSORED) for x in counts(further)]


def passes_needed(plan: Mapping[str, Any], further: str = "further") -> list[float]:
    """For each wheel: passes of the plan and those that it needed on top until it held; untreated where no plan was made."""
    if "wheels" not in plan:
        return counts(plan["untreated"]["to_hold_high" if further == "further_high" else "to_hold"])
    return altogether(plan["passes"], plan[further])


def wilson(held: int, of: int, z: float = 1.96) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927, J. Am. Stat. Assoc. 22, 209): exact counts, never outside 0 to 1."""
    if not of:
        return 0.0, 1.0
    p, nn = held / of, z * z / of
    middle, half = (p + nn / 2.0) / (1.0 + nn), z * math.sqrt(p * (1.0 - p) / of + nn / (4.0 * of)) / (1.0 + nn)
    return max(middle - half, 0.0), min(middle + half, 1.0)


def _mean(values: Iterable[Any]) -> float | None:
    v = [float(x) for x in values if x is not None]
    return float(np.mean(v)) if v else None


def reliability(done: Sequence[Mapping[str, Any]]) -> list[tuple[str, int, int, float, float, float, float]]:
    """Rows by claimed decile: name, plans, wheels, mean claimed, share held, its Wilson interval."""
    table = []
    for decile in range(10):
        inside = [p for p in done if min(int(p["claimed"] * 10.0 + 1e-9), 9) == decile]
        held = [bool(h) for p in inside for h in p["wheels"]["holds"]]
        if held:
            claimed = float(np.mean([p["claimed"] for p in inside for _ in p["wheels"]["holds"]]))
            name = f"{decile / 10:.1f} to {decile / 10 + 0.1:.1f}"
            table.append((name, len(inside), len(held), claimed, sum(held) / len(held), *wilson(sum(held), len(held))))
    return table


def plan_figures(units: Sequence[Unit], tolerance: str) -> dict[str, Any]:
    """All figures of one tolerance over some units."""
    plans = [u["plans"][tolerance] for u in units if tolerance in u.get("plans", {})]
    done = [p for p in plans if "wheels" in p]
    held = [np.array(p["wheels"]["holds"], dtype=float) for p in done]
    claimed = np.array([p["claimed"] for p in done])
    error = np.array(
        [e for p in done for k, b in p["bands"].items() if k.endswith("horizon") for e in b["error_percent"]]
    )
    gap = np.array([h.mean() for h in held]) - claimed  # one number for each batch: its wheels are not independent
    groups = {}
    for name, which in (("says it holds", True), ("says none holds", False)):
        some = [p for p in done if p["says_holds"] is which]
        wheels = [bool(h) for p in some for h in p["wheels"]["holds"]]
        groups[name] = {
            "plans": len(some),
            "wheels": len(wheels),
            "held": _mean(wheels),
            "wilson": wilson(sum(wheels), len(wheels)),
            "claimed": _mean(p["claimed"] for p in some),
            "passes": _mean(p["passes"] for p in some),
            "needed": _mean(x for p in some for x in passes_needed(p)),
        }
    needed = [x for p in plans for x in passes_needed(p)]
    untreated = [x for p in plans for x in counts(p["untreated"]["to_hold"])]
    needed_high = [x for p in plans for x in passes_needed(p, "further_high")]
    untreated_high = [x for p in plans for x in counts(p["untreated"]["to_hold_high"])]
    return {
        "plans": len(plans),
        "made": len(done),
        "failed": len(plans) - len(done),
        "invalid": sum(bool(p["faults"]) for p in done),
        "planned": _mean(p["passes"] for p in done),
        "bench_nights": _mean(p.get("bench_nights") for p in done),
        "needed": _mean(needed),
        "untreated": _mean(untreated),
        "untreated_censored": sum(x == CENSORED for x in untreated) / len(untreated) if untreated else None,
        "ratio": float(np.mean(needed) / np.mean(untreated)) if needed and np.mean(untreated) > 0 else None,
        **_in_hindsight(plans),
        "mornings": _mornings(plans),
        "ratio_high": float(np.mean(needed_high) / np.mean(untreated_high))
        if needed_high and np.mean(untreated_high) > 0
        else None,
        "needed_high": _mean(needed_high),
        "untreated_high": _mean(untreated_high),
        "untreated_trade": _mean(x for p in plans for x in counts(p["untreated"]["passes"])),
        "says_untreated_trade": _mean(p["says_untreated"].get("passes") for p in done),
        "says_untreated": _mean(counts([p["says_untreated"].get("passes_to_hold") for p in done])),
        "held": float(np.concatenate(held).mean()) if held else None,
        "claimed": float(np.mean(np.repeat(claimed, [h.size for h in held]))) if held else None,
        "gap_error": float(gap.std(ddof=1) / math.sqrt(gap.size)) if gap.size > 1 else None,
        "mean_ok": _mean(x for p in done for x in p["wheels"]["mean_ok"]),
        "spread_ok": _mean(x for p in done for x in p["wheels"]["spread_ok"]),
        "groups": groups,
        "reliability": reliability(done),
        "weighed": _weighed(done),
        "horizon_median": float(np.median(np.abs(error))) if error.size else None,
        "horizon_rms": float(np.sqrt(np.mean(error**2))) if error.size else None,
        "horizon_bias": float(np.mean(error)) if error.size else None,
        "true_rms": _rms(e for p in done for w in p["wheels"]["at_horizon_percent"] for e in w),
        "true_mean": _mean(e for p in done for w in p["wheels"]["at_horizon_percent"] for e in w),
        "coverage": {
            w: _mean(i for p in done for k, b in p["bands"].items() if k.endswith(w) for i in b["inside"])
            for w in ("delivery", "horizon")
        },
        "seconds": _mean(p["seconds"] for p in plans),
    }


def _weighed(done: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """Claims of every schedule that plans weighed, and what wheels did under them."""
    batches = [p["weighed"] for p in done if p.get("weighed")]
    if not batches:
        return None
    gaps = [float(np.mean([np.mean(o["wheels"]["holds"]) - o["claimed"] for o in some])) for some in batches]
    every = [o for some in batches for o in some]
    return {
        "schedules": len(every),
        "gap": float(np.mean(gaps)),
        "gap_error": float(np.std(gaps, ddof=1) / math.sqrt(len(gaps))) if len(gaps) > 1 else None,
        "reliability": reliability(every),
        "by_passes": {
            n: (
                len(some),
                float(np.mean([o["claimed"] for o in some])),
                float(np.mean([np.mean(o["wheels"]["holds"]) for o in some])),
            )
            for n in sorted({o["passes"] for o in every})
            for some in [[o for o in every if o["passes"] == n]]
        },
    }


def _in_hindsight(plans: Sequence[Mapping[str, Any]]) -> dict[str, float | None]:
    """Passes that the best of the schedules would have needed; as the plan's own where nothing was looked up."""
    if not any("hindsight" in p for p in plans):
        return {"needed_hindsight": None, "ratio_hindsight": None}
    needed = [x for p in plans for x in (p["hindsight"]["needed"] if "hindsight" in p else passes_needed(p))]
    untreated = [x for p in plans for x in counts(p["untreated"]["to_hold"])]
    return {
        "needed_hindsight": _mean(needed),
        "ratio_hindsight": float(np.mean(needed) / np.mean(untreated)) if np.mean(untreated) > 0 else None,
    }


def _mornings(plans: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """What came of plans whose wheels were read each morning; the untreated count where no plan was made."""
    if not any("mornings" in p for p in plans):
        return None
    read = [p["mornings"] for p in plans if "mornings" in p]
    needed = [x for some in read for w in some for x in altogether(w["passes"], [w["further"]])]
    needed += [x for p in plans if "mornings" not in p for x in passes_needed(p)]
    untreated = [x for p in plans for x in counts(p["untreated"]["to_hold"])]
    every = [w for some in read for w in some]
    gaps = [float(np.mean([w["holds"] - w["claimed"] for w in some])) for some in read]
    late = np.array([w["late_h"] for w in every])
    return {
        "taken": _mean(w["passes"] for w in every),
        "needed": _mean(needed),
        "ratio": float(np.mean(needed) / np.mean(untreated)) if np.mean(untreated) > 0 else None,
        "held": _mean(w["holds"] for w in every),
        "claimed": _mean(w["claimed"] for w in every),
        "gap_error": float(np.std(gaps, ddof=1) / math.sqrt(len(gaps))) if len(gaps) > 1 else None,
        "late_h": float(late.mean()),
        "in_time": float(np.mean(late <= IN_TIME_H)),
        "latest_h": float(late.max()),
    }


def _rms(values: Iterable[float]) -> float | None:
    v = np.array(list(values))
    return float(np.sqrt(np.mean(v**2))) if v.size else None


def forecast_figures(units: Sequence[Unit], name: str) -> dict[str, Any]:
    """Coverage and error of `longhold forecast` over some units."""
    told = [u for u in units if u.get("forecast", {}).get(name, {}).get("status") == 0]
    if not told:
        return {"n": 0}
    rows = [u["forecast"][name] for u in told]
    inside = np.array([r["inside"] for r in rows])
    centre = np.array([r["centre_error_percent"] for r in rows])
    kept = [r["kept_error_percent"] for r in rows]
    proposed = [abs(e) for u, e in zip(told, kept, strict=True) if u["drawn"]["night"] == "proposed"]
    return {
        "n": len(rows),
        "below": {
            q: (np.mean([r["below"][q] for r in rows], axis=0), np.std([r["below"][q] for r in rows], axis=0))
            for q in STATED
            if all("below" in r for r in rows)
        },
        "coverage": inside.mean(axis=0).tolist(),
        "centre_median": np.median(np.abs(centre), axis=0).tolist(),
        "centre_bias": centre.mean(axis=0).tolist(),
        "centre_p90": np.quantile(np.abs(centre), 0.9, axis=0).tolist(),
        "kept_median": float(np.median(np.abs(kept))),
        "kept_median_proposed": float(np.median(proposed)) if proposed else None,
        "proposed": len(proposed),
        "kept_bias": float(np.mean(kept)),
        "spoke_median": np.median([r["spoke_error_percent"] for r in rows], axis=0).tolist(),
        "half_band": np.mean([r["half_band_percent"] for r in rows], axis=0).tolist(),
    }
