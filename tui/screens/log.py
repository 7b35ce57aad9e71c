"""The event log of the whole run, to scroll through."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll

from tui.screens import parts
from tui.screens.base import RunScreen
from tui.screens.shown import Shown
from tui.screens.view import Fault, Record, notes_until


class LogScreen(RunScreen):
    """Every line that the run wrote, newest at the foot."""

    NAME: ClassVar[str] = "log"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up,k", "scroll(-1)", "scroll", show=True),
        Binding("down,j", "scroll(1)", show=False),
    ]

    _shown = -1

    def body(self) -> ComposeResult:
        with VerticalScroll(id="all-notes", can_focus=False):
            yield Shown(id="notes")

    def draw(self, record: Record, faults: list[Fault]) -> None:
        notes = notes_until(record.notes, self.monitor.moment_s)
        self.query_one("#notes", Shown).put(parts.log_lines(notes, self.app.size.width - 2))
        if len(notes) != self._shown:
            self._shown = len(notes)
            self.query_one("#all-notes", VerticalScroll).scroll_end(animate=False)

    def action_scroll(self, by: int) -> None:
        self.query_one("#all-notes", VerticalScroll).scroll_relative(y=by, animate=False)
