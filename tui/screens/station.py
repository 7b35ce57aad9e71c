"""One station in detail: its figures, load against set, elongation against the logarithm of time."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from rich.text import Text
from textual.app import ComposeResult
from textual.widgets import Static

from tui import format as show
from tui.screens import parts
from tui.screens.base import RunScreen
from tui.screens.plot import Curve, plot
from tui.screens.view import Fault, Now, Record, Trace, hold_start, rows_until, station_at

LOAD_SHARE = 0.4  # of the height that both plots share


class StationScreen(RunScreen):
    """The chosen station; up and down go to its neighbours."""

    NAME: ClassVar[str] = "station"

    def body(self) -> ComposeResult:
        yield Static(id="figures")
        yield Static(id="plots")

    def draw(self, record: Record, faults: list[Fault]) -> None:
        app = self.monitor
        if not record.traces:
            return
        trace = record.traces[min(app.selected, len(record.traces) - 1)]
        at_s = app.moment_s
        self.query_one("#figures", Static).update(figures(station_at(trace, faults, at_s), trace))
        plots = self.query_one("#plots", Static)
        height = plots.size.height
        width = plots.size.width
        if height >= 8 and width >= 40:
            plots.update(Text("\n").join(curves(trace, at_s, width, height)))


def figures(now: Now, trace: Trace) -> Text:
    """Three lines of figures."""
    asked = "no load asked for" if now.set_load_N is None else f"set {show.with_unit(now.set_load_N, 'N')}"
    held = {None: "", True: "  on set", False: "  OFF SET"}[now.held]
    out = Text.assemble(
        (f" Station {now.name}   spoke {now.spoke}   {now.step or 'waiting'}", "bold"),
        f"   for {show.duration(now.step_since_s)}, left {show.duration(now.step_left_s)}\n",
    )
    out.append(f" load {show.with_unit(now.load_N, 'N', 1)}   {asked}")
    off = show.signed(now.off_set_percent, 2)
    out.append(f" ({off} %){held}" if off != show.UNKNOWN else held)
    out.append(f"   {show.with_unit(now.temperature_C, '°C', 1)}\n")
    out.append(f" longer by {show.with_unit(now.elongation_mm, 'mm', 4)}")
    out.append(f" = {show.percent(now.strain_percent, 3)} of {show.with_unit(trace.gauge_length_mm, 'mm')}")
    out.append(f"   creep {show.with_unit(now.creep_mm_per_decade, 'mm', 4)} per tenfold time")
    return out


def curves(trace: Trace, at_s: float, width: int, height: int) -> list[Text]:
    """Both plots, as lines."""
    n = rows_until(trace, at_s)
    upper = max(5, round(LOAD_SHARE * height))
    time_s = trace.time_s[:n]
    load = plot(
        [
            Curve(x=time_s, y=trace.set_load_N[:n], style=parts.SET, dashed=True),
            Curve(x=time_s, y=trace.load_N[:n], style=parts.MEASURED),
        ],
        width=width,
        height=upper,
        title=" Load, N (drawn through) against set (dashed), from the start",
        y_least=20.0,
        y_from_zero=True,
    )
    return load + elongation_plot(trace, at_s, width, height - upper)


def elongation_plot(trace: Trace, at_s: float, width: int, height: int, before: str = " ") -> list[Text]:
    """Elongation of the present load level against the logarithm of its time, as lines."""
    n = rows_until(trace, at_s)
    reached = hold_start(trace, n)
    start = n if reached is None else reached
    since = trace.time_s[start:n] - trace.time_s[start] if start < n else np.empty(0)
    seen = since > 0
    return plot(
        [Curve(x=since[seen], y=trace.elongation_mm[start:n][seen], style=parts.MEASURED)],
        width=width,
        height=height,
        title=f"{before}Elongation, mm, against time since this load was reached (logarithmic)",
        nothing="no load is held",
        log_time=True,
        x_range=(1.0, max(600.0, float(since[-1]))) if np.any(seen) else None,
        y_least=0.01,
    )
