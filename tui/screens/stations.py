"""All stations at a glance: one line each, the chosen one's curve where there is room, the last lines of the log."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.widgets import Static

from tui.screens import parts
from tui.screens.base import RunScreen
from tui.screens.station import elongation_plot
from tui.screens.view import Fault, Record, notes_until, station_at

LOG_TAIL = 40
ROOM_FOR_CURVE = 32  # lines of terminal


class StationsScreen(RunScreen):
    """The first picture."""

    NAME: ClassVar[str] = "stations"

    def body(self) -> ComposeResult:
        with VerticalScroll(id="table", can_focus=False):
            yield Static(id="rows")
        yield Static(id="curve")
        with VerticalScroll(id="tail", can_focus=False):
            yield Static(id="notes")

    def draw(self, record: Record, faults: list[Fault]) -> None:
        at_s = self.monitor.moment_s
        stations = [station_at(trace, faults, at_s) for trace in record.traces]
        self.query_one("#rows", Static).update(parts.table(stations, self.monitor.selected))
        curve = self.query_one("#curve", Static)
        curve.display = bool(record.traces) and self.app.size.height >= ROOM_FOR_CURVE
        if curve.display and curve.size.height > 4:
            trace = record.traces[min(self.monitor.selected, len(record.traces) - 1)]
            lines = elongation_plot(trace, at_s, curve.size.width, curve.size.height, f" {trace.name}: ")
            curve.update(Text("\n").join(lines))
        tail = self.query_one("#tail", VerticalScroll)
        self.query_one("#notes", Static).update(parts.log_lines(notes_until(record.notes, at_s)[-LOG_TAIL:]))
        tail.scroll_end(animate=False)
