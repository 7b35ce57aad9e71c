"""Pictures (PNG) of a batch and of a plan: dark on white, told apart by line and mark as well as by colour."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, NullLocator
from numpy.typing import NDArray

from models.units import KGF_N
from tui import format as show

Floats = NDArray[np.float64]

BLUE, ORANGE, GREY, INK = "#0b559f", "#d9730d", "#7a7a7a", "#202020"
DPI = 130
INVENTED = "DEMO: invented data"

# seconds and the words for them, along a logarithmic axis
_TIMES = (
    (1.0, "1 s"),
    (10.0, "10 s"),
    (60.0, "1 min"),
    (600.0, "10 min"),
    (3600.0, "1 h"),
    (6 * 3600.0, "6 h"),
    (86400.0, "1 d"),
    (7 * 86400.0, "7 d"),
    (30 * 86400.0, "30 d"),
    (365 * 86400.0, "1 y"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """One spoke through one step at constant load, with what the fit says of it and where it may go."""

    spoke: str
    load_N: float
    since_s: Floats  # (n,) time since the load was reached
    measured_mm: Floats  # (n,) elongation
    fitted_mm: Floats  # (n,)
    ahead_s: Floats  # (m,) time of the forecast, since the load was reached; empty where none is made
    ahead_mm: Floats  # (3, m) 5 %, 50 % and 95 %


def _figure(title: str, size_in: tuple[float, float], demo: bool) -> Figure:
    figure = Figure(figsize=size_in, dpi=DPI, layout="constrained")
    FigureCanvasAgg(figure)
    figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="bold", color=INK)
    if demo:
        figure.text(0.995, 0.985, INVENTED, ha="right", va="top", fontsize=8, color=INK)
    return figure


def _to_kgf(force_N: object) -> Floats:
    return np.asarray(force_N, dtype=np.float64) / KGF_N


def _to_N(force_kgf: object) -> Floats:
    return np.asarray(force_kgf, dtype=np.float64) * KGF_N


def _png(figure: Figure) -> bytes:
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": "longhold"})
    return out.getvalue()


def _axes_style(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=8)


def _log_time(axes: Axes, low_s: float, high_s: float, unit_s: float = 1.0) -> None:
    """A logarithmic time axis labelled in words; data are in units of ``unit_s``."""
    axes.set_xscale("log")
    axes.set_xlim(low_s / unit_s, high_s / unit_s)
    shown = [(t / unit_s, text) for t, text in _TIMES if low_s <= t * 1.0001 and t <= high_s * 1.0001]
    axes.xaxis.set_major_locator(FixedLocator([t for t, _ in shown]))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xticklabels([text for _, text in shown])


def _grid(figure: Figure, n: int, columns: int = 2) -> list[Axes]:
    columns = min(columns, n)
    rows = math.ceil(n / columns)
    axes = figure.subplots(rows, columns, squeeze=False, sharey=True).ravel().tolist()
    for extra in axes[n:]:
        extra.set_visible(False)
    return axes[:n]


def creep(holds: Sequence[Hold], *, batch: str, demo: bool) -> bytes:
    """Elongation against the logarithm of time, one panel a spoke: measured, fitted, and the band of a forecast."""
    rows = math.ceil(len(holds) / 2)
    figure = _figure(f"Creep under load: {batch}", (8.6, 0.9 + 2.5 * rows), demo)
    for axes, hold in zip(_grid(figure, len(holds)), holds, strict=True):
        _axes_style(axes)
        if hold.ahead_s.size:
            axes.fill_between(
                hold.ahead_s,
                hold.ahead_mm[0],
                hold.ahead_mm[2],
                color=BLUE,
                alpha=0.18,
                lw=0,
                label="creep to come, 90 % of such spokes",
            )
            axes.plot(hold.ahead_s, hold.ahead_mm[1], color=BLUE, lw=1.2, ls="--", label="its middle")
        axes.plot(hold.since_s, hold.measured_mm, ls="none", marker="o", ms=2.6, color=ORANGE, label="measured")
        axes.plot(hold.since_s, hold.fitted_mm, color=INK, lw=1.1, label="fit of this spoke")
        axes.axvline(hold.since_s[-1], color=GREY, lw=0.8, ls=":")
        _log_time(axes, max(hold.since_s[0], 1.0), max(hold.since_s[-1], *hold.ahead_s[-1:]))
        axes.set_title(f"{hold.spoke} at {show.force(hold.load_N)}", fontsize=9, loc="left")
        axes.set_ylabel("elongation, mm", fontsize=8)
        axes.set_xlabel("time since the load was reached (logarithmic)", fontsize=8)
    figure.axes[0].legend(fontsize=7, loc="upper left", framealpha=0.9)
    return _png(figure)


def recovery(holds: Sequence[Hold], *, batch: str, demo: bool) -> bytes:
    """What each spoke gave back after unloading, against the logarithm of time."""
    figure = _figure(f"Length given back after unloading: {batch}", (7.6, 4.2), demo)
    axes = figure.subplots()
    _axes_style(axes)
    marks = "osD^vP*X"
    for i, hold in enumerate(holds):
        zero = float(hold.measured_mm[0])
        axes.plot(
            hold.since_s,
            zero - hold.measured_mm,
            ls="none",
            marker=marks[i % len(marks)],
            ms=3.2,
            color=ORANGE,
            label=f"{hold.spoke} measured",
            alpha=0.8,
        )
        axes.plot(
            hold.since_s,
            float(hold.fitted_mm[0]) - hold.fitted_mm,
            color=INK,
            lw=1.0,
            ls=("-", "--", "-.", ":")[i % 4],
            label=f"{hold.spoke} fit",
        )
    _log_time(
        axes, max(min(float(h.since_s[h.since_s > 0][0]) for h in holds), 1.0), max(float(h.since_s[-1]) for h in holds)
    )
    axes.set_xlabel("time since the load came off (logarithmic)", fontsize=8)
    axes.set_ylabel("shorter by, mm", fontsize=8)
    axes.legend(fontsize=7, ncol=2, framealpha=0.9)
    return _png(figure)


def side_by_side(holds: Sequence[Hold], *, batch: str, demo: bool) -> bytes:
    """Spokes of a batch beside each other: total elongation and creep over the same span of the same hold."""
    figure = _figure(f"Spokes of {batch} side by side", (7.6, 3.6), demo)
    ends = min(float(h.since_s[-1]) for h in holds)
    start_s = min(600.0, ends / 10.0)
    labels = [h.spoke for h in holds]
    total = np.array([np.interp(ends, h.since_s, h.measured_mm) for h in holds])
    crept = total - np.array([np.interp(start_s, h.since_s, h.measured_mm) for h in holds])
    panels = (
        (total, f"longer by, mm, after {show.duration(ends)}"),
        (crept, f"of it crept from {show.duration(start_s)} on, mm"),
    )
    for axes, (values, what) in zip(figure.subplots(1, 2), panels, strict=True):
        _axes_style(axes)
        mean, sd = float(values.mean()), float(values.std(ddof=1)) if values.size > 1 else 0.0
        axes.axhspan(mean - sd, mean + sd, color=BLUE, alpha=0.15, lw=0, label="mean ± one sd")
        axes.axhline(mean, color=BLUE, lw=1.2, ls="--", label="mean")
        axes.plot(range(len(values)), values, ls="none", marker="o", color=ORANGE, ms=6)
        axes.set_xticks(range(len(values)), labels, fontsize=8)
        axes.set_xlim(-0.6, len(values) - 0.4)
        scatter = f", scatter {show.percent(100 * sd / mean)}" if mean > 0 and values.size > 1 else ""
        axes.set_title(f"{what}{scatter}", fontsize=9, loc="left")
    figure.axes[0].legend(fontsize=7, framealpha=0.9)
    return _png(figure)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tension:
    """Mean tension of one side over time, as a band over the draws."""

    time_h: Floats  # (n,) since the start of the first set
    low_N: Floats  # (n,) 5 %
    middle_N: Floats
    high_N: Floats  # 95 %


LABEL_WIDTH = 0.09  # of the axis
SESSIONS = {"set": "set", "touch": "touch", "pass": "overnight pass", "deliver": "deliver"}


def plan(
    planned: Mapping[str, Tension],
    untreated: Mapping[str, Tension],
    *,
    steps: Sequence[Mapping[str, Any]],
    target_N: Mapping[str, float],
    tolerance_percent: float,
    name: str,
    demo: bool,
    read: Sequence[tuple[float, Mapping[str, float]]] = (),
) -> bytes:
    """Expected tension of each side with its band, the target band, the untreated wheel beside it, sessions marked.

    Sides that are alike (every spoke set to one tension) are drawn once, where none was read yet. ``read``: hours since
    the first set, and each side's mean as it was read.
    """
    sides = list(planned)
    if not read and len(sides) == 2 and math.isclose(target_N[sides[0]], target_N[sides[1]], rel_tol=0.005):
        sides = sides[:1]
    figure = _figure(f"Expected tension: {name}", (8.6, 1.0 + 3.9 * len(sides)), demo)
    for axes, side in zip(figure.subplots(len(sides), 1, squeeze=False).ravel(), sides, strict=True):
        _plan_panel(axes, planned[side], untreated.get(side), steps, side, target_N[side], tolerance_percent)
        seen = [(max(at_h, 0.6 * float(planned[side].time_h[0])), mean[side]) for at_h, mean in read]
        if seen:
            axes.plot(*zip(*seen, strict=True), ls="none", marker="D", ms=5, mfc="white", mec=INK, label="read")
        alike = " (both sides alike)" if len(sides) == 1 and len(planned) == 2 else ""
        axes.set_title(f"{side} side{alike}" if not alike else "mean tension of a side" + alike, fontsize=9, loc="left")
    figure.axes[0].legend(fontsize=7, loc="lower left", framealpha=0.9)
    return _png(figure)


def _plan_panel(
    axes: Axes,
    plan: Tension,
    untreated: Tension | None,
    steps: Sequence[Mapping[str, Any]],
    side: str,
    target_N: float,
    tolerance_percent: float,
) -> None:
    _axes_style(axes)
    first_h = 0.6 * float(plan.time_h[0])
    last_h = float(plan.time_h[-1])
    band = target_N * tolerance_percent / 100.0
    deliver = next((float(s["at_h"]) for s in steps if s["kind"] == "deliver"), first_h)
    wanted = f"target {show.force(target_N)} ± {tolerance_percent:g} %, from delivery on"
    axes.fill_between([deliver, last_h], target_N - band, target_N + band, color=GREY, alpha=0.2, lw=0, label=wanted)
    if untreated is not None and untreated.time_h.size:
        axes.fill_between(untreated.time_h, untreated.low_N, untreated.high_N, color=ORANGE, alpha=0.22, lw=0)
        axes.plot(
            untreated.time_h,
            untreated.middle_N,
            color=ORANGE,
            lw=1.4,
            ls="--",
            label="untreated: set to target, rest overnight, again",
        )
    axes.fill_between(plan.time_h, plan.low_N, plan.high_N, color=BLUE, alpha=0.25, lw=0)
    axes.plot(plan.time_h, plan.middle_N, color=BLUE, lw=1.7, label="this plan (line: middle; shade: 90 %)")
    _log_time(axes, first_h * 3600, last_h * 3600, unit_s=3600.0)
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.16 * (high - low))
    top = axes.get_ylim()[1]
    before, level = -math.inf, 0
    for step in steps:
        if step["kind"] not in SESSIONS:
            continue
        at = max(float(step["at_h"]), first_h)
        tension = step.get("tension_N", {}).get(side)
        text = SESSIONS[step["kind"]] + (f"\n{show.number(tension)} N" if tension is not None else "")
        where = math.log(at / first_h) / math.log(last_h / first_h)
        level = level + 1 if where - before < LABEL_WIDTH else 0  # a label that would touch its neighbour goes below it
        before = where
        axes.axvline(at, color=INK, lw=0.8, ls=":")
        axes.annotate(
            text, (at, top), xytext=(3, -3 - 20 * level), textcoords="offset points", va="top", fontsize=7, color=INK
        )
    axes.set_ylabel("mean tension, N", fontsize=8)
    axes.set_xlabel("time since the first set (logarithmic)", fontsize=8)
    kgf = axes.secondary_yaxis("right", functions=(_to_kgf, _to_N))
    kgf.set_ylabel("kgf", fontsize=8)
    kgf.tick_params(labelsize=8)


def readings(
    tension_N: Sequence[float],
    side: Sequence[int],
    *,
    target_N: Mapping[str, float],
    tolerance_percent: float,
    title: str,
    demo: bool,
) -> bytes:
    """Every spoke's tension by its position, both sides told apart by mark, with each side's target band.

    ``side``: 0 left, 1 right, by position.
    """
    figure = _figure(title, (8.6, 3.6), demo)
    axes = figure.subplots()
    _axes_style(axes)
    at, which = np.arange(1, len(tension_N) + 1), np.asarray(side)
    alike = math.isclose(target_N["left"], target_N["right"], rel_tol=0.005)
    for k, (name, mark, colour) in enumerate((("left", "o", BLUE), ("right", "s", ORANGE))):
        own = which == k
        band = target_N[name] * tolerance_percent / 100.0
        if not (alike and k):
            axes.axhspan(target_N[name] - band, target_N[name] + band, color=GREY, alpha=0.2, lw=0,
                         label=f"target{'' if alike else ' ' + name} ± {tolerance_percent:g} %")  # fmt: skip
        axes.plot(at[own], np.asarray(tension_N)[own], ls="none", marker=mark, ms=5, color=colour, label=f"{name} side")
    axes.set_xlim(0, len(tension_N) + 1)
    axes.set_xlabel("position of the spoke (1: the first past the valve hole)", fontsize=8)
    axes.set_ylabel("tension, N", fontsize=8)
    axes.legend(fontsize=7, ncol=4, framealpha=0.9)
    return _png(figure)
