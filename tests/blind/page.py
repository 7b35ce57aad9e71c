"""The blind trial's page in Markdown."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from tests.blind.report import CENSORED, STATED, Unit, forecast_figures, plan_figures

WHAT = """\
A hidden batch is drawn whose physics is not the fit's: some sixty recoverable modes over ten decades of time (a power
law, in half the batches with a bump, in a third with a far end; the stress enters through a hyperbolic sine in half), a
toe in the elastic curve, bedding-in by rates, by the logarithm of time or above a threshold, two flow processes that
share the stress, bedding partly lost while slack in half, scatter from spoke to spoke. Four spokes spend one night of 10
to 14 h on a simulated frame with noise, drift, a room that swings and imperfect corrections; half the nights are those
that `longhold program new-batch` proposes. `longhold fit` and `longhold plan` see only that table and an invented build:
six in ten the worked example of the build file (28 spokes, 981 N, four stations, laced 11.5 h, half an hour slack; with
the batch's own linear density), the others 20 to 32 spokes, dished or not, 4 to 28 stations. The schedule is executed on
new spokes by an integrator and a wheel of the trial's own, with reading errors of 1 %, seating, and a rim a few percent
off what the build says. Everything here is simulated and invented: it says how the program fares on spokes that do not
obey its own equations, not how it fares on yours."""

COUNTING = f"""\
How things are counted:

- A wheel *holds* if at 60 times from delivery (48 h) to 720 h both side means stay within the tolerance of their own
  target and the 0.95 quantile of the spokes' distance from their side's mean stays within 8 %.
- *Passes needed*: passes of the plan, and further passes to target, one each night, until the wheel holds. The untreated
  wheel: set to target, then the same. More than 12 counts as {CENSORED}, on either side of the ratio; where no plan was
  made, the untreated count stands in for it.
- 'Set high': the same two counts where every further pass goes to three quarters of the tolerance above target.
- 'Had the best schedule been known': of all timings that the plan weighed, each with the last session's tension turned
  up and down, the one that needed fewest passes on these very wheels. Nobody could know it; it says how near to nothing
  the limits of these builds let a plan come. Only for the wider tolerance.
- 'Read each morning': the plan followed as a builder does who reads all spokes at the time of its next pass, else after
  the night, and on the morning of delivery, and does what `longhold retension` answers: leaves the wheel alone where it
  holds as asked as it stands, puts a pass off where the answer says that one will do a few nights later, else sets it to
  the tension that the answer names. The truth is not looked at before the wheel is delivered; one that then does not
  hold is brought to target one night after the other like every other. So its ratio has what the plan's has not, readings
  of the wheel itself, and it costs days: a wheel whose pass is put off is late, and is judged from its delivery to the same
  720 h (so are all whose further passes move delivery). *Said* is what the last answer said of the wheel as it was left.
- *Claimed* is the plan's own `probability_holds`. A plan that says 'none holds' (exit 1) prints its best schedule; it is
  executed too, and reported apart.
- Wheels of one batch share its truth, so the intervals by wheel (Wilson, 95 %) are too narrow; the standard error beside
  'held less claimed' is over batches.
- A schedule that breaks the order of steps or a value of its build counts as invalid."""


def page(units: Sequence[Unit], command: str) -> str:
    """The whole page."""
    plain = [u for u in units if not u["nasty"]]
    nasty = [u for u in units if u["nasty"]]
    example = sum(u["drawn"]["build"] == "example" for u in plain)
    planned = any("plans" in u for u in units)
    builds = f", {example} with the example build" if planned else ""
    wheels = f" {' and '.join(str(n) for n in sorted({u['wheels'] for u in units}))} wheels a batch." if planned else ""
    lines = [
        "# Blind trial" if planned else "# Blind trial of forecasts",
        "",
        "Written by one command, which may be stopped and given again:",
        "",
        f"    {command}",
        "",
        WHAT,
        "",
        *([COUNTING, ""] if planned else []),
        f"Seeds {_ranges([u['seed'] for u in plain])} ({len(plain)} batches{builds})"
        + (f"; nastier batches {_ranges([u['seed'] for u in nasty])} ({len(nasty)})" if nasty else "")
        + f".{wheels} Fits refused or failed: {sum(u['fit']['status'] != 0 for u in units)}.",
        "",
    ]
    if plain:
        lines += ["## Plausible batches", "", *_group(plain, apart=True)]
    if nasty:
        lines += [
            "## Nastier batches",
            "",
            "Hardly heat-set braid, bedding that is lost in a day of slack, more scatter, more flow, a gauge 1 % off: each in "
            "some of them, beyond what the program is made for.",
            "",
            *_group(nasty, apart=False),
        ]
    return "\n".join(lines)


def _group(units: Sequence[Unit], *, apart: bool) -> list[str]:
    tolerances = sorted({t for u in units for t in u.get("plans", {})}, key=float, reverse=True)
    out: list[str] = []
    if tolerances:
        columns = [(f"{t} %", units, t) for t in tolerances]
        if apart:
            for t in tolerances:
                for kind in ("example", "variant"):
                    some = [u for u in units if u["drawn"]["build"] == kind]
                    if some:
                        columns.append((f"{t} %, {kind} builds", some, t))
        out += _table([(name, plan_figures(some, t)) for name, some, t in columns])
        for t in tolerances:
            f = plan_figures(units, t)
            out += _reliability(f"### Reliability, {t} %", f["reliability"])
            if f["weighed"]:
                out += _weighed(t, f["weighed"])
    if any("forecast" in u for u in units):
        out += ["### Forecasts of 30 to 60 days", "", *_forecasts(units)]
    return out


def _f(value: float | None, digits: int = 2) -> str:
    return "n/a" if value is None else f"{value:.{digits}f}"


def _says(f: dict[str, Any], which: str) -> str:
    g = f["groups"][which]
    if not g["plans"]:
        return "none"
    low, high = g["wilson"]
    return f"{g['plans']}: claimed {_f(g['claimed'])}, held {_f(g['held'])} ({low:.2f} to {high:.2f}); needed {_f(g['needed'])}"


def _table(columns: Sequence[tuple[str, dict[str, Any]]]) -> list[str]:
    rows: list[tuple[str, list[str]]] = [
        ("plans asked for / made / invalid", [f"{f['plans']} / {f['made']} / {f['invalid']}" for _, f in columns]),
        ("passes planned, mean", [_f(f["planned"]) for _, f in columns]),
        ("bench nights planned, mean", [_f(f["bench_nights"]) for _, f in columns]),
        ("**passes needed, mean**", [f"**{_f(f['needed'])}**" for _, f in columns]),
        (
            f"untreated passes to hold, mean (share counted as {CENSORED})",
            [f"{_f(f['untreated'])} ({_f(f['untreated_censored'])})" for _, f in columns],
        ),
        ("**needed over untreated**", [f"**{_f(f['ratio'], 3)}**" for _, f in columns]),
        (
            "the same had the best schedule been known",
            [f"{_f(f['ratio_hindsight'], 3)} ({_f(f['needed_hindsight'])})" for _, f in columns],
        ),
        *_mornings([f["mornings"] for _, f in columns]),
        (
            "the same, further passes set high",
            [f"{_f(f['ratio_high'], 3)} ({_f(f['needed_high'])} / {_f(f['untreated_high'])})" for _, f in columns],
        ),
        (
            "untreated passes by the trade's stop rule: true / the plan's median",
            [f"{_f(f['untreated_trade'])} / {_f(f['says_untreated_trade'])}" for _, f in columns],
        ),
        ("untreated passes to hold, the plan's median", [_f(f["says_untreated"]) for _, f in columns]),
        (
            "**wheels that held / mean claimed**",
            [f"**{_f(f['held'], 3)} / {_f(f['claimed'], 3)}**" for _, f in columns],
        ),
        (
            "held less claimed, standard error over batches",
            [
                f"{f['held'] - f['claimed']:+.3f} ± {_f(f['gap_error'], 3)}" if f["held"] is not None else "n/a"
                for _, f in columns
            ],
        ),
        ("plans that say they hold", [_says(f, "says it holds") for _, f in columns]),
        ("plans that say none holds (exit 1)", [_says(f, "says none holds") for _, f in columns]),
        (
            "side means alone in tolerance / spread alone in balance",
            [f"{_f(f['mean_ok'], 3)} / {_f(f['spread_ok'], 3)}" for _, f in columns],
        ),
        (
            "true side mean at the horizon against target: mean / rms, %",
            [f"{f['true_mean']:+.2f} / {_f(f['true_rms'])}" if f["made"] else "n/a" for _, f in columns],
        ),
        (
            "forecast of the side mean less truth at the horizon: mean / rms / median size, % of target",
            [
                f"{f['horizon_bias']:+.2f} / {_f(f['horizon_rms'])} / {_f(f['horizon_median'])}" if f["made"] else "n/a"
                for _, f in columns
            ],
        ),
        (
            "side means inside the plan's 5-95 % band: delivery / horizon",
            [f"{_f(f['coverage']['delivery'])} / {_f(f['coverage']['horizon'])}" for _, f in columns],
        ),
    ]
    return [
        "| tolerance | " + " | ".join(name for name, _ in columns) + " |",
        "| --- |" + " --- |" * len(columns),
        *(f"| {name} | " + " | ".join(values) + " |" for name, values in rows),
        "",
    ]


def _mornings(columns: Sequence[Mapping[str, Any] | None]) -> list[tuple[str, list[str]]]:
    """Rows of the plans whose wheels were read each morning; none where no trial did so."""
    if not any(columns):
        return []

    def cells(text: Callable[[Mapping[str, Any]], str]) -> list[str]:
        return ["n/a" if f is None else text(f) for f in columns]

    return [
        (
            "**read each morning: needed over untreated** (taken / needed, mean)",
            cells(lambda f: f"**{_f(f['ratio'], 3)}** ({_f(f['taken'])} / {_f(f['needed'])})"),
        ),
        (
            "read each morning: wheels that held / mean said, held less said",
            cells(
                lambda f: (
                    f"{_f(f['held'], 3)} / {_f(f['claimed'], 3)}, {f['held'] - f['claimed']:+.3f} ± "
                    f"{_f(f['gap_error'], 3)}"
                )
            ),
        ),
        (
            "read each morning: delivered in time, share; late, mean / most, h",
            cells(lambda f: f"{_f(f['in_time'])}; {f['late_h']:.0f} / {f['latest_h']:.0f}"),
        ),
    ]


def _reliability(title: str, rows: Sequence[tuple[Any, ...]]) -> list[str]:
    return [
        title,
        "",
        "| claimed | plans | wheels | mean claimed | held | 95 % interval by wheel |",
        "| --- | --- | --- | --- | --- | --- |",
        *(
            f"| {name} | {plans} | {wheels} | {claimed:.3f} | {held:.3f} | {low:.2f} to {high:.2f} |"
            for name, plans, wheels, claimed, held, low, high in rows
        ),
        "",
    ]


def _weighed(tolerance: str, f: Mapping[str, Any]) -> list[str]:
    by = "; ".join(f"{n} passes: {m} claim {c:.2f}, held {h:.2f}" for n, (m, c, h) in f["by_passes"].items())
    error = "" if f["gap_error"] is None else f" ± {f['gap_error']:.3f}"
    return [
        *_reliability(f"### Reliability of every schedule that the plans weighed, {tolerance} %", f["reliability"]),
        f"All {f['schedules']} schedules in the plans' tables of what else was possible, each claimed and executed like the "
        f"one that was taken: held less claimed {f['gap']:+.3f}{error} (standard error over batches). {by}.",
        "",
    ]


def _forecasts(units: Sequence[Unit]) -> list[str]:
    """Two tables on their side: what was asked in rows, the histories in columns."""
    names = {
        "chord": "tension of a new spoke under an in-wheel chord",
        "stretched": "the same, stretched and laced before",
        "load": "strain under a stretch, a rest and a wheel's tension",
    }
    found = {name: forecast_figures(units, name) for name in names}
    found = {name: f for name, f in found.items() if f["n"]}

    def three(values: Sequence[float], digits: int = 2, sign: str = "") -> str:
        return " / ".join(f"{v:{sign}.{digits}f}" for v in values)

    rows = [
        ("batches", [str(f["n"]) for f in found.values()]),
        ("**share of new spokes inside 5-95 %** (0.90 claimed)", [three(f["coverage"]) for f in found.values()]),
        (
            "**error of p50 against the batch's middle spoke, median size, %**",
            [three(f["centre_median"]) for f in found.values()],
        ),
        ("the same, mean with sign, %", [three(f["centre_bias"], sign="+") for f in found.values()]),
        ("the same, 90 % quantile of the size, %", [three(f["centre_p90"]) for f in found.values()]),
        ("error of p50 against single spokes, median size, %", [three(f["spoke_median"]) for f in found.values()]),
        ("half the 5-95 % band, mean, %", [three(f["half_band"]) for f in found.values()]),
        (
            "share kept since the last set, error at the end, median size, %",
            [_f(f["kept_median"]) if name != "load" else "" for name, f in found.items()],
        ),
        (
            "the same, of batches whose night `program new-batch` proposed",
            [_proposed(f) if name != "load" else "" for name, f in found.items()],
        ),
        (
            "share kept since the last set, error at the end, mean with sign, %",
            [f"{f['kept_bias']:+.2f}" if name != "load" else "" for name, f in found.items()],
        ),
    ]
    return [
        "Three figures are 1 day in the wheel / 5 days / the end.",
        "",
        "| figure | " + " | ".join(names[name] for name in found) + " |",
        "| --- |" + " --- |" * len(found),
        *(f"| {what} | " + " | ".join(values) + " |" for what, values in rows),
        "",
        *_reliable(names, found),
    ]


def _proposed(found: Mapping[str, Any]) -> str:
    return (
        "n/a" if found["kept_median_proposed"] is None else f"{_f(found['kept_median_proposed'])} ({found['proposed']})"
    )


def _reliable(names: Mapping[str, str], found: Mapping[str, dict[str, Any]]) -> list[str]:
    """What each stated quantile claims, and the share of new spokes that came to lie below it."""
    if not found or not all(f["below"] for f in found.values()):
        return []
    lines = []
    for q, claimed in STATED.items():
        cells = []
        for f in found.values():
            mean, sd = f["below"][q]
            error = sd / math.sqrt(max(f["n"] - 1, 1))
            cells.append(" / ".join(f"{m:.3f} ± {e:.3f}" for m, e in zip(mean, error, strict=True)))
        lines.append(f"| {q} | {claimed:.2f} | " + " | ".join(cells) + " |")
    return [
        "Reliability: the share of new spokes that came to lie below what was stated, and its standard error over the "
        "batches, whose spokes share one truth.",
        "",
        "| stated | claims | " + " | ".join(names[name] for name in found) + " |",
        "| --- | --- |" + " --- |" * len(found),
        *lines,
        "",
    ]


def _ranges(seeds: Sequence[int]) -> str:
    out: list[list[int]] = []
    for s in sorted(seeds):
        if out and s == out[-1][1] + 1:
            out[-1][1] = s
        else:
            out.append([s, s])
    return ", ".join(f"{a} to {b}" if b > a else f"{a}" for a, b in out)
