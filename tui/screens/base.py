"""What the monitor's screens share: the heading, a word of trouble, the fault notice, the keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, cast

from textual.app import ComposeResult
from textual.events import Resize
from textual.screen import Screen
from textual.widgets import Footer, Static

from tui.screens import parts
from tui.screens.view import Fault, Record, standing_faults

if TYPE_CHECKING:
    from tui.monitor import Monitor


class RunScreen(Screen[None]):
    """One view of the run that the monitor is attached to."""

    NAME: ClassVar[str]

    @property
    def monitor(self) -> Monitor:
        return cast("Monitor", self.app)

    def compose(self) -> ComposeResult:
        yield Static(id="heading")
        yield Static(id="trouble")
        yield Static(id="fault")
        yield from self.body()
        yield Footer(show_command_palette=False)

    def body(self) -> ComposeResult:
        """The widgets between heading and keys."""
        raise NotImplementedError

    def draw(self, record: Record, faults: list[Fault]) -> None:
        """Fill the body."""
        raise NotImplementedError

    def on_mount(self) -> None:
        self.show()

    def on_screen_resume(self) -> None:
        self.show()

    def on_resize(self, _event: Resize) -> None:
        self.call_after_refresh(self.show)

    def show(self) -> None:
        """Draw everything as the monitor stands."""
        app = self.monitor
        record = app.record
        place = f"[{app.which + 1}/{len(app.attachments)}]" if len(app.attachments) > 1 else ""
        self.query_one("#heading", Static).update(
            parts.heading(record, app.attachment.path.name, app.at_s, place, app.size.width, app.now_utc())
        )
        trouble = app.attachment.trouble
        if trouble is None and record is None:
            trouble = f"opening {app.attachment.path} ..."
        self._line("#trouble", f" {trouble}" if trouble else "")
        faults = standing_faults(record.notes, app.moment_s) if record else []
        notice = parts.fault_notice(faults[:1], app.size.width)
        widget = self.query_one("#fault", Static)
        widget.display = bool(faults)
        if len(faults) > 1:
            notice.append(f"\n and {len(faults) - 1} more: see the log (key 3)", style="bold")
        widget.update(notice)
        if record is not None:
            self.draw(record, faults)

    def _line(self, selector: str, text: str) -> None:
        widget = self.query_one(selector, Static)
        widget.display = bool(text)
        widget.update(text)
