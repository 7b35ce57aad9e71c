"""All stations at a glance: one line each, the chosen one's curve where there is room, the last lines of the log."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import VerticalScroll

from tui.screens import parts
from tui.screens.base import RunScreen
from tui.screens.shown import Shown
from tui.screens.station import elongation_plot
from tui.screens.view import Fault, Record, notes_until

LOG_TAIL = 40
ROOM_FOR_CURVE = 32  # lines of terminal


class StationsScreen(RunScreen):
    """The first picture."""

    NAME: ClassVar[str] = "stations"

    def body(self) -> ComposeResult:
        with VerticalScroll(id="table", can_focus=False):
            yield Shown(id="rows")
        yield Shown(id="curve")
        with VerticalScroll(id="tail", can_focus=False):
            yield Shown(id="notes")

    def draw(self, record: Record, faults: list[Fault]) -> None:
        at_s = self.monitor.moment_s
        stations = [self.now(record, trace, faults) for trace in record.traces]
        ready = [self.ready(record, now) for now in stations]
        self.query_one("#rows", Shown).put(parts.table(stations, self.monitor.selected, ready, at_s))
        curve = self.query_one("#curve", Shown)
        curve.display = bool(record.traces) and self.app.size.height >= ROOM_FOR_CURVE
        if curve.display and curve.size.height > 4:
            trace = record.traces[min(self.monitor.selected, len(record.traces) - 1)]
            lines = elongation_plot(trace, at_s, curve.size.width, curve.size.height, f" {trace.name}: ")
            curve.put(Text("\n").join(lines))
        tail = self.query_one("#tail", VerticalScroll)
        notes = notes_until(record.notes, at_s)[-LOG_TAIL:]
        if self.query_one("#notes", Shown).put(parts.log_lines(notes, self.app.size.width - 2)):
            tail.scroll_end(animate=False)
