"""What the monitor's screens share: the heading, a word of trouble, the fault notice, the keys."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar, cast

from textual.app import ComposeResult
from textual.events import Resize
from textual.screen import Screen

from tui.screens import parts
from tui.screens.keys import KeyLine
from tui.screens.ready import Readiness, readiness
from tui.screens.shown import Shown
from tui.screens.view import Fault, Now, Record, Trace, slack_since, standing_faults, station_at

if TYPE_CHECKING:
    from tui.monitor import Monitor

SLACK_SHOWN_S = 2 * 86400.0  # a slack clock that has run for longer tells nothing more


class MonitorScreen(Screen[None]):
    """Drawn when it comes up, and again whenever its size changes."""

    NAME: ClassVar[str]

    @property
    def monitor(self) -> Monitor:
        """Whose screen this is."""
        return cast("Monitor", self.app)

    def show(self) -> None:
        """Draw everything as the monitor stands."""
        raise NotImplementedError

    def on_mount(self) -> None:
        self.show()

    def on_screen_resume(self) -> None:
        self.show()

    def on_resize(self, _event: Resize) -> None:
        self.call_after_refresh(self.show)


class RunScreen(MonitorScreen):
    """One view of the run that the monitor is attached to."""

    def compose(self) -> ComposeResult:
        yield Shown(id="heading")
        yield Shown(id="trouble")
        yield Shown(id="fault")
        yield from self.body()
        yield KeyLine()

    def body(self) -> ComposeResult:
        """The widgets between heading and keys."""
        raise NotImplementedError

    def draw(self, record: Record, faults: list[Fault]) -> None:
        """Fill the body."""
        raise NotImplementedError

    def show(self) -> None:
        """Draw everything as the monitor stands."""
        app = self.monitor
        if app.attachment is None:
            return
        record = app.record
        place = f"[{app.which + 1}/{len(app.attachments)}]" if len(app.attachments) > 1 else ""
        self.query_one("#heading", Shown).put(
            parts.heading(record, app.attachment.path.name, app.at_s, place, app.size.width, app.now_utc())
        )
        trouble = app.attachment.trouble
        if trouble is None and record is None:
            trouble = f"opening {app.attachment.path} ..."
        trouble = trouble or app.said or None
        self._line("#trouble", f" {trouble}" if trouble else "")
        faults = standing_faults(record.notes, app.moment_s) if record else []
        notice = parts.fault_notice(faults[:1], app.size.width)
        widget = self.query_one("#fault", Shown)
        widget.display = bool(faults)
        if len(faults) > 1:
            notice.append(f"\n and {len(faults) - 1} more: see the log (key 3)", style="bold")
        widget.put(notice)
        if record is not None:
            self.draw(record, faults)

    def now(self, record: Record, trace: Trace, faults: list[Fault]) -> Now:
        """One station at the moment that is shown."""
        now = station_at(trace, faults, self.monitor.moment_s)
        over = record.ended and self.monitor.at_s is None
        return replace(now, step="ended", step_left_s=None) if over else now

    def ready(self, record: Record, now: Now) -> Readiness | None:
        """What the live fit says of its spoke."""
        if now.reached_s is None:
            return None
        return readiness(record.notes, now.name, now.reached_s, self.monitor.moment_s, record.allowed_loss_percent)

    def slack_s(self, record: Record, station: str) -> float | None:
        """How long its spoke has hung slack; after the run's end the clock goes on."""
        app = self.monitor
        over = record.ended and app.at_s is None
        at_s = app.now_utc() - record.started_utc if over else app.moment_s
        since_s = slack_since(record.notes, station, at_s)
        return None if since_s is None or at_s - since_s > SLACK_SHOWN_S else at_s - since_s

    def _line(self, selector: str, text: str) -> None:
        widget = self.query_one(selector, Shown)
        widget.display = bool(text)
        widget.put(text)
