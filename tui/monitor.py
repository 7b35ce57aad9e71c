"""The monitor: attaches to run files, shows them, and leaves. It reads; nothing it does reaches a run."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import ClassVar

from textual.app import App
from textual.binding import Binding, BindingType

from tui.screens.attach import Attachment
from tui.screens.base import RunScreen
from tui.screens.log import LogScreen
from tui.screens.station import StationScreen
from tui.screens.stations import StationsScreen
from tui.screens.view import Record

POLL_S = 0.5
BACK_SHARE = 0.01  # one step back in time, as a share of the run
BACK_FAR = 10  # such steps for the long stride


class Monitor(App[None]):
    """All stations at a glance, one in detail, the event log; of one run file or several."""

    CSS_PATH = "monitor.tcss"
    TITLE = "longhold watch"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("1", "go('stations')", "all"),
        Binding("2", "go('station')", "one"),
        Binding("3", "go('log')", "log"),
        Binding("up,k", "choose(-1)", "up", show=False),
        Binding("down,j", "choose(1)", "down", show=False),
        Binding("left", "earlier(1)", "back in time"),
        Binding("right", "earlier(-1)", "on", show=False),
        Binding("shift+left,pageup", "earlier(10)", show=False),
        Binding("shift+right,pagedown", "earlier(-10)", show=False),
        Binding("home", "first", show=False),
        Binding("end", "newest", "newest"),
        Binding("f", "file(1)", "next file"),
        Binding("q", "quit", "leave"),
    ]

    def __init__(
        self,
        attachments: Sequence[Attachment],
        *,
        poll_s: float | None = POLL_S,
        now_utc: Callable[[], float] = time.time,
    ) -> None:
        """``poll_s`` None: read once, for pictures and tests."""
        super().__init__()
        self.attachments = list(attachments)
        self.which = 0
        self.selected = 0
        self.at_s: float | None = None  # None: the newest
        self.now_utc = now_utc
        self._poll_s = poll_s
        self._reading = False

    @property
    def attachment(self) -> Attachment:
        """The file that is shown."""
        return self.attachments[self.which]

    @property
    def record(self) -> Record | None:
        """The record that is shown; None while nothing could be read."""
        return self.attachment.record

    @property
    def moment_s(self) -> float:
        """The moment that is shown, s since the run's start."""
        record = self.record
        end_s = record.end_s if record else 0.0
        return end_s if self.at_s is None else min(self.at_s, end_s)

    def on_mount(self) -> None:
        for screen in (StationsScreen, StationScreen, LogScreen):
            self.install_screen(screen(), screen.NAME)
        self.push_screen("stations")
        if self._poll_s is None:
            for attachment in self.attachments:
                attachment.refresh()
        else:
            self.read_again()
            self.set_interval(self._poll_s, self.read_again)

    def on_unmount(self) -> None:
        for attachment in self.attachments:
            attachment.close()

    def read_again(self) -> None:
        """Read the shown file in a thread, so that a slow disk never freezes a key; never two at once."""
        if not self._reading:
            self._reading = True
            self.run_worker(self._read, thread=True, exit_on_error=True)

    def _read(self) -> None:
        attachment = self.attachment
        shown, trouble = attachment.record, attachment.trouble
        try:
            attachment.refresh()
        finally:
            self._reading = False
        record = attachment.record
        if record is None or not record.ended or record is not shown or attachment.trouble != trouble:
            self.call_from_thread(self.show_all)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the next file only where there is one."""
        return action != "file" or len(self.attachments) > 1

    def show_all(self) -> None:
        """Draw the screen that is up."""
        if isinstance(self.screen, RunScreen):
            self.screen.show()

    def action_go(self, name: str) -> None:
        self.switch_screen(name)

    def action_choose(self, by: int) -> None:
        count = len(self.record.traces) if self.record else 0
        if count:
            self.selected = (self.selected + by) % count
            self.show_all()

    def action_earlier(self, steps: int) -> None:
        record = self.record
        if record is None or record.end_s <= 0:
            return
        at_s = self.moment_s - steps * BACK_SHARE * record.end_s
        self.at_s = None if at_s >= record.end_s else max(at_s, 0.0)
        self.show_all()

    def action_first(self) -> None:
        if self.record is not None:
            self.at_s = 0.0
            self.show_all()

    def action_newest(self) -> None:
        self.at_s = None
        self.show_all()

    def action_file(self, by: int) -> None:
        self.which = (self.which + by) % len(self.attachments)
        self.selected, self.at_s = 0, None
        if self._poll_s is not None:
            self.read_again()
        self.show_all()
