"""One station in detail: its figures, load against set, elongation against the logarithm of time."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from rich.text import Text
from textual.app import ComposeResult

from tui import format as show
from tui.screens import parts
from tui.screens.base import RunScreen
from tui.screens.plot import Curve, plot
from tui.screens.ready import Readiness
from tui.screens.shown import Shown
from tui.screens.view import Fault, Now, Record, Trace, last_hold, rows_until

LOAD_SHARE = 0.4  # of the height that both plots share


class StationScreen(RunScreen):
    """The chosen station; up and down go to its neighbours."""

    NAME: ClassVar[str] = "station"

    def body(self) -> ComposeResult:
        yield Shown(id="figures")
        yield Shown(id="plots")

    def draw(self, record: Record, faults: list[Fault]) -> None:
        app = self.monitor
        if not record.traces:
            return
        trace = record.traces[min(app.selected, len(record.traces) - 1)]
        at_s = app.moment_s
        now = self.now(record, trace, faults)
        words = figures(now, trace, self.ready(record, now), self.slack_s(record, trace.name), at_s)
        self.query_one("#figures", Shown).put(words)
        plots = self.query_one("#plots", Shown)
        height = plots.size.height
        width = plots.size.width
        if height >= 8 and width >= 40:
            plots.put(Text("\n").join(curves(trace, at_s, width, height)))


def figures(
    now: Now, trace: Trace, ready: Readiness | None = None, slack_s: float | None = None, at_s: float = 0.0
) -> Text:
    """Three lines of figures, and one more on when it is ready or how long it has hung slack."""
    asked = "no load asked for" if now.set_load_N is None else f"set {show.with_unit(now.set_load_N, 'N')}"
    way = "  on its way" if now.set_load_N and now.reached_s is None else ""
    held = {None: way, True: "  on set", False: "  OFF SET"}[now.held]
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
    if ready is not None:
        out.append(f"\n {ready.in_words(at_s)}", style="bold")
    elif slack_s is not None:
        out.append(f"\n hangs slack for {show.duration(slack_s)}: time that undoes the stretch", style="bold")
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
    start, stop = last_hold(trace, n) or (n, n)
    since = trace.time_s[start:stop] - trace.time_s[start] if start < stop else np.empty(0)
    seen = since >= 1.0
    of = "this load" if stop == n else f"the last load, {show.number(float(trace.set_load_N[stop - 1]))} N,"
    return plot(
        [Curve(x=since[seen], y=trace.elongation_mm[start:stop][seen], style=parts.MEASURED)],
        width=width,
        height=height,
        title=f"{before}Elongation, mm, against time since {of} was reached (logarithmic)",
        nothing="just reached" if start < stop else "no load has been held yet",
        log_time=True,
        x_range=(1.0, max(600.0, float(since[-1]))) if np.any(seen) else None,
        y_least=0.01,
    )
