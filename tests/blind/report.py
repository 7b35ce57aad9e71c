"""The blind trial's figures as a page: what was asked, what came out, with the seeds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

CENSORED = 13  # counted for a wheel that did not hold within 12 passes


def passes_needed(plan: Mapping[str, Any], further: str = "further") -> list[float]:
    """For each wheel: passes of the plan, and those that it needed on top until it held."""
    return [plan["passes"] + x for x in _counts(plan[further])]


def _counts(values: Sequence[float | None]) -> list[float]:
    return [CENSORED if v is None or np.isnan(v) else v for v in values]


def plan_figures(units: Sequence[Mapping[str, Any]], tolerance: str) -> dict[str, Any]:
    """All figures of one tolerance over some units."""
    plans = [u["plans"][tolerance] for u in units if "plans" in u]
    done = [p for p in plans if "wheels" in p]
    needed = [x for p in done for x in passes_needed(p)]
    untreated = [x for p in done for x in _counts(p["untreated"]["to_hold"])]
    needed_high = [x for p in done for x in passes_needed(p, "further_high")]
    untreated_high = [x for p in done for x in _counts(p["untreated"]["to_hold_high"])]
    held = np.array([h for p in done for h in p["wheels"]["holds"]], dtype=float)
    claimed = np.array([p["claimed"] for p in done for _ in p["wheels"]["holds"]], dtype=float)
    table = []
    for lo in np.arange(0.0, 1.0, 0.1):
        inside = (claimed >= lo) & ((claimed < lo + 0.1) | (lo > 0.85))
        if inside.any():
            table.append(
                (
                    f"{lo:.1f} to {lo + 0.1:.1f}",
                    int(inside.sum()),
                    float(claimed[inside].mean()),
                    float(held[inside].mean()),
                )
            )
    error = [e for p in done for k, b in p["bands"].items() if k.endswith("horizon") for e in b["error_percent"]]
    inside = {
        w: [i for p in done for k, b in p["bands"].items() if k.endswith(w) for i in b["inside"]]
        for w in ("delivery", "horizon")
    }
    return {
        "plans": len(plans),
        "made": len(done),
        "refused": sum(p["status"] == 1 for p in plans),
        "failed": sum(p["status"] not in (0, 1) for p in plans),
        "invalid": sum(bool(p["faults"]) for p in done),
        "planned_passes": float(np.mean([p["passes"] for p in done])) if done else None,
        "needed": float(np.mean(needed)) if needed else None,
        "untreated_to_hold": float(np.mean(untreated)) if untreated else None,
        "untreated_censored": sum(x == CENSORED for x in untreated),
        "untreated_trade": float(np.mean([x for p in done for x in _counts(p["untreated"]["passes"])]))
        if done
        else None,
        "says_untreated_trade": _mean(p["says_untreated"].get("passes") for p in done),
        "says_untreated_to_hold": _mean(p["says_untreated"].get("passes_to_hold") for p in done),
        "ratio": float(np.mean(needed) / np.mean(untreated)) if needed and np.mean(untreated) > 0 else None,
        "needed_high": float(np.mean(needed_high)) if needed_high else None,
        "untreated_high": float(np.mean(untreated_high)) if untreated_high else None,
        "held": float(held.mean()) if held.size else None,
        "claimed": float(claimed.mean()) if claimed.size else None,
        "mean_ok": _mean(x for p in done for x in p["wheels"]["mean_ok"]),
        "spread_ok": _mean(x for p in done for x in p["wheels"]["spread_ok"]),
        "reliability": table,
        "horizon_error_median": float(np.median(np.abs(error))) if error else None,
        "horizon_error_mean": float(np.mean(np.abs(error))) if error else None,
        "horizon_bias": float(np.mean(error)) if error else None,
        "coverage": {w: _mean(v) for w, v in inside.items()},
        "seconds": _mean(p["seconds"] for p in plans),
    }


def forecast_figures(units: Sequence[Mapping[str, Any]], name: str) -> dict[str, Any]:
    """Coverage and error of `longhold forecast` over some units."""
    rows = [u["forecast"][name] for u in units if u.get("forecast", {}).get(name, {}).get("status") == 0]
    if not rows:
        return {"n": 0}
    inside = np.array([r["inside"] for r in rows])
    centre = np.abs([r["centre_error_percent"] for r in rows])
    spoke = np.array([r["spoke_error_percent"] for r in rows])
    return {
        "n": len(rows),
        "coverage": inside.mean(axis=0).tolist(),
        "coverage_low": float(np.mean(inside[:, -1] < 0.7)),
        "centre_median": np.median(centre, axis=0).tolist(),
        "centre_p90": np.quantile(centre, 0.9, axis=0).tolist(),
        "kept_median": np.median(np.abs([r["kept_error_percent"] for r in rows])) if name == "chord" else None,
        "spoke_median": np.median(spoke, axis=0).tolist(),
        "half_band": np.mean([r["half_band_percent"] for r in rows], axis=0).tolist(),
    }


def _mean(values: Any) -> float | None:
    v = [float(x) for x in values if x is not None]
    return float(np.mean(v)) if v else None


def _f(value: float | None, digits: int = 2) -> str:
    return "n/a" if value is None else f"{value:.{digits}f}"


def _plan_part(units: Sequence[Mapping[str, Any]], tolerance: str) -> list[str]:
    f = plan_figures(units, tolerance)
    if not f["made"]:
        return [f"### Tolerance {tolerance} %", "", f"No plan was made ({f['plans']} asked, {f['failed']} failed).", ""]
    lines = [
        f"### Tolerance {tolerance} %",
        "",
        "| figure | value |",
        "| --- | --- |",
        f"| plans asked / made / said 'no plan holds' / failed / broke a value of the build | {f['plans']} / {f['made']} / {f['refused']} / {f['failed']} / {f['invalid']} |",
        f"| passes really needed, mean of all wheels (planned + further to target until it holds) | {_f(f['needed'])} (planned {_f(f['planned_passes'])}) |",
        f"| untreated wheel, passes to hold, mean | {_f(f['untreated_to_hold'])} ({f['untreated_censored']} wheels above 12, counted as {CENSORED}); the program says {_f(f['says_untreated_to_hold'])} |",
        f"| the same two where every further pass is set high in the band (three quarters of the tolerance above target) | {_f(f['needed_high'])} against {_f(f['untreated_high'])} |",
        f"| untreated wheel, passes by the trade's stop rule, mean | {_f(f['untreated_trade'])}; the program says {_f(f['says_untreated_trade'])} |",
        f"| **passes needed over untreated passes to hold** | **{_f(f['ratio'], 3)}** |",
        f"| **wheels that held / mean probability claimed** | **{_f(f['held'], 3)} / {_f(f['claimed'], 3)}** |",
        f"| side means alone in tolerance / spread alone in balance | {_f(f['mean_ok'], 3)} / {_f(f['spread_ok'], 3)} |",
        f"| error of the side mean at the horizon, forecast less truth: median size / mean / bias | {_f(f['horizon_error_median'])} / {_f(f['horizon_error_mean'])} / {_f(f['horizon_bias'])} % |",
        f"| side means inside the plan's 5-95 % band at delivery / horizon | {_f(f['coverage']['delivery'], 3)} / {_f(f['coverage']['horizon'], 3)} |",
        "",
        "| claimed | wheels | mean claimed | held |",
        "| --- | --- | --- | --- |",
        *(f"| {name} | {n} | {c:.3f} | {h:.3f} |" for name, n, c, h in f["reliability"]),
        "",
    ]
    return lines


def _forecast_part(units: Sequence[Mapping[str, Any]]) -> list[str]:
    lines = [
        "| history | batches | inside 5-95 % at 1 d / 5 d in the wheel / end | error of the median against the batch's middle spoke, median at 1 d / 5 d / end | 90 % quantile at the end | error of the share kept since the last set, median at the end | error against single spokes, end | mean half band, end |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, what in (("chord", "tension under an in-wheel chord"), ("load", "strain under a load")):
        f = forecast_figures(units, name)
        if not f["n"]:
            lines.append(f"| {what} | 0 | | | | | | |")
            continue
        lines.append(
            f"| {what} | {f['n']} | {' / '.join(f'{x:.3f}' for x in f['coverage'])} | {' / '.join(f'{x:.2f}' for x in f['centre_median'])} % "
            f"| {f['centre_p90'][-1]:.2f} % | {_f(f['kept_median'])} % | {f['spoke_median'][-1]:.2f} % | {f['half_band'][-1]:.2f} % |"
        )
    return [*lines, ""]


def page(units: Sequence[Mapping[str, Any]], command: str) -> str:
    """The whole page in Markdown."""
    plain = [u for u in units if not u["nasty"]]
    nasty = [u for u in units if u["nasty"]]
    lines = [
        "# Blind trial",
        "",
        "Written by one command:",
        "",
        f"    {command}",
        "",
        "A hidden batch is drawn whose physics is not the fit's: some sixty recoverable modes over ten decades of time "
        "(power law with bumps, stress entering through a hyperbolic sine in half the batches), a toe in the elastic "
        "curve, bedding-in by rate, log-time or threshold rules, two flow processes sharing the stress, bedding lost while "
        "slack in half the batches, spoke-to-spoke scatter. Four spokes spend one night of 10 to 14 h on a simulated frame "
        "with noise, drift, room swing and imperfect corrections. `longhold fit` and `longhold plan` see only that table and "
        "an invented build (20 to 32 spokes, dished or not, 4 to 28 stations). The schedule is executed by an integrator "
        "and a wheel of the trial's own on new spokes, with reading errors, seating and a rim a few percent off; whether a "
        "wheel holds is judged by the stated rule. A plan that breaks a value of its build counts as invalid. Everything "
        "here is simulated and invented: it says how the program fares on spokes other than its own equations, not on yours.",
        "",
        f"Seeds: {_ranges([u['seed'] for u in plain])}; nastier batches (hardly heat-set braid, bedding lost in a day, more scatter, "
        f"old fibre): {_ranges([u['seed'] for u in nasty]) or 'none'}. Wheels a batch: {sorted({u['wheels'] for u in units})}. "
        f"Fits refused or failed: {sum(u['fit']['status'] != 0 for u in units)}.",
        "",
    ]
    for title, group in (("Plausible batches", plain), ("Nastier batches", nasty)):
        if not group:
            continue
        lines += [f"## {title}", ""]
        for tol in sorted({t for u in group for t in u.get("plans", {})}, key=float, reverse=True):
            lines += _plan_part(group, tol)
        if any("forecast" in u for u in group):
            lines += ["### Forecasts of 30 to 60 days", "", *_forecast_part(group)]
    return "\n".join(lines)


def _ranges(seeds: Sequence[int]) -> str:
    out: list[list[int]] = []
    for s in sorted(seeds):
        if out and s == out[-1][1] + 1:
            out[-1][1] = s
        else:
            out.append([s, s])
    return ", ".join(f"{a} to {b}" if b > a else f"{a}" for a, b in out)
