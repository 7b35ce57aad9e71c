"""The monitor: a folder's work at a glance; attaches to run files, shows them, and leaves.

It reads. What reaches a run is one request at a time, asked twice, through the run's own socket, and not at all where
it is read-only (in a browser).
"""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, ClassVar

from textual.app import App
from textual.binding import Binding, BindingType

from bench.status import send_request
from models.errors import LongholdError
from tui.inwork import InWork, Item
from tui.screens.attach import Attachment
from tui.screens.base import RunScreen
from tui.screens.home import HomeScreen
from tui.screens.log import LogScreen
from tui.screens.request import RequestScreen
from tui.screens.station import StationScreen
from tui.screens.stations import StationsScreen
from tui.screens.view import Record

POLL_S = 1.0
BACK_SHARE = 0.01  # one step back in time, as a share of the run
BACK_FAR = 10  # such steps for the long stride
HOME_POLL_S = 5.0

Send = Callable[[Path, str, str | None], Awaitable[dict[str, Any]]]


class Monitor(App[None]):
    """What is in work in a folder; all stations at a glance, one in detail, the event log; of one run or several."""

    CSS_PATH = "monitor.tcss"
    TITLE = "longhold watch"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("h", "go('home')", "home"),
        Binding("1", "go('stations')", "all"),
        Binding("2", "go('station')", "one"),
        Binding("3", "go('log')", "log"),
        Binding("up,k", "choose(-1)", "up", show=False),
        Binding("down,j", "choose(1)", "down", show=False),
        Binding("left", "earlier(1)", "back"),
        Binding("right", "earlier(-1)", "on", show=False),
        Binding("shift+left,pageup", "earlier(10)", show=False),
        Binding("shift+right,pagedown", "earlier(-10)", show=False),
        Binding("home", "first", show=False),
        Binding("end", "newest", "newest"),
        Binding("f", "file(1)", "file"),
        Binding("a", "ask", "ask"),
        Binding("q", "quit", "leave"),
    ]

    def __init__(
        self,
        attachments: Sequence[Attachment],
        *,
        poll_s: float | None = POLL_S,
        now_utc: Callable[[], float] = time.time,
        home: InWork | None = None,
        attach: Callable[[Path], Attachment] | None = None,
        read_only: bool = False,
        send: Send = send_request,
    ) -> None:
        """``poll_s`` None: read once, for pictures and tests. ``home``: the folder of the first screen, where there is
        one; ``attach`` opens a run that is chosen there. ``read_only``: nothing can be asked, typed or written."""
        super().__init__()
        self.attachments = list(attachments)
        self.home, self.read_only = home, read_only
        self._attach_run, self._send_request = attach, send
        self.items: list[Item] = []
        self.chosen = 0
        self.looked = False
        self.home_trouble = ""
        self.said = ""  # what became of the last request
        self._looking = False
        self.which = 0
        self.selected = 0
        self.at_s: float | None = None  # None: the newest
        self.now_utc = now_utc
        self._poll_s = poll_s
        self._reading = False
        self._offered: object = None  # what decides which keys are offered

    @property
    def attachment(self) -> Attachment | None:
        """The file that is shown; None where there is none."""
        return self.attachments[self.which] if self.attachments else None

    @property
    def record(self) -> Record | None:
        """The record that is shown; None while nothing could be read."""
        return None if self.attachment is None else self.attachment.record

    @property
    def moment_s(self) -> float:
        """The moment that is shown, s since the run's start."""
        record = self.record
        end_s = record.end_s if record else 0.0
        return end_s if self.at_s is None else min(self.at_s, end_s)

    def on_mount(self) -> None:
        for screen in (StationsScreen, StationScreen, LogScreen):
            self.install_screen(screen(), screen.NAME)
        if self.home is not None:
            self.install_screen(HomeScreen(), HomeScreen.NAME)
        self.push_screen("home" if self.home is not None else "stations")
        if self._poll_s is None:
            for attachment in self.attachments:
                attachment.refresh()
            self._look()
        else:
            self.read_again()
            self.set_interval(self._poll_s, self.read_again)
            if self.home is not None:
                self.look_again()
                self.set_interval(HOME_POLL_S, self.look_again)

    def on_unmount(self) -> None:
        for attachment in self.attachments:
            attachment.close()
        if self.home is not None:
            self.home.close()

    def look_again(self) -> None:
        """Look at the folder in a thread; never twice at once."""
        if not self._looking and isinstance(self.screen, HomeScreen):
            self._looking = True
            self.run_worker(self._look_in_thread, thread=True, exit_on_error=True)

    def _look_in_thread(self) -> None:
        try:
            self._look()
        finally:
            self._looking = False
        self.call_from_thread(self.show_all)

    def _look(self) -> None:
        if self.home is None:
            return
        before = self.items[min(self.chosen, len(self.items) - 1)].path if self.items else None
        try:
            found = self.home.look(datetime.fromtimestamp(self.now_utc(), UTC))
        except LongholdError as error:
            self.home_trouble = str(error)
            return
        self.items, self.looked, self.home_trouble = found, True, ""
        self.chosen = next((i for i, item in enumerate(found) if item.path == before), self.chosen)

    def read_again(self) -> None:
        """Read the shown file in a thread, so that a slow disk never freezes a key; never two at once."""
        if not self._reading and self.attachment is not None:
            self._reading = True
            self.run_worker(self._read, thread=True, exit_on_error=True)

    def _read(self) -> None:
        attachment = self.attachment
        assert attachment is not None
        shown, trouble = attachment.record, attachment.trouble
        try:
            attachment.refresh()
        finally:
            self._reading = False
        record = attachment.record
        if record is None or not record.ended or record is not shown or attachment.trouble != trouble:
            self.call_from_thread(self.show_all)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what there is: another file, a home, a run that still listens; nothing above guided work."""
        if not isinstance(self.screen, RunScreen | HomeScreen):
            return action not in ("go", "choose", "earlier", "first", "newest", "file", "ask", "quit")
        if action == "file":
            return len(self.attachments) > 1
        if action == "go":
            return self.home is not None if parameters == ("home",) else bool(self.attachments)
        if action in ("earlier", "first", "newest"):
            return bool(self.attachments) and not isinstance(self.screen, HomeScreen)
        if action == "ask":
            return self._may_ask
        return True

    @property
    def _may_ask(self) -> bool:
        """A run that is shown as it is now, and that still writes."""
        record = self.record
        live = record is not None and record.written and not record.ended and bool(record.traces)
        return live and not self.read_only and self.at_s is None and isinstance(self.screen, RunScreen)

    def show_all(self) -> None:
        """Draw the screen that is up."""
        screen = self.screen
        if not isinstance(screen, RunScreen | HomeScreen):
            return
        screen.show()
        item = screen.item if isinstance(screen, HomeScreen) else None
        offered = (screen, self._may_ask, len(self.attachments), item and item.kind)
        if offered != self._offered:  # the line of keys costs more to draw than the rest
            self._offered = offered
            screen.refresh_bindings()

    def action_go(self, name: str) -> None:
        self.said = ""
        self.switch_screen(name)
        if name == "home" and self._poll_s is not None:
            self.call_after_refresh(self.look_again)

    # a run, a wheel ---------------------------------------------------------------------------------------------------

    def open_run(self, path: Path) -> None:
        """Show a run that was chosen on the first screen."""
        known = [a.path.resolve() for a in self.attachments]
        if path.resolve() not in known:
            if self._attach_run is None:
                return
            self.attachments.append(self._attach_run(path))
            known.append(path.resolve())
        self.which, self.selected, self.at_s = known.index(path.resolve()), 0, None
        attachment = self.attachment
        if self._poll_s is None and attachment is not None:
            attachment.refresh()
        self.action_go("stations")
        self.read_again()

    def type_readings(self, path: Path) -> None:
        """Type a wheel's readings; they are kept beside its record."""
        from tui.wheelwork import readings_screen

        try:
            self.push_screen(readings_screen(path, datetime.fromtimestamp(self.now_utc(), UTC)), self._said)
        except LongholdError as error:
            self.home_trouble = str(error)
            self.show_all()

    def play_with_plan(self, path: Path) -> None:
        """Play with the plan of a wheel; nothing is written."""
        from tui.wheelwork import plan_screen

        self.push_screen(plan_screen(path))

    def _said(self, words: str | None) -> None:
        self.home_trouble = words or ""
        self.show_all()

    def action_ask(self) -> None:
        """Ask the run for something; it is asked twice."""
        record, attachment = self.record, self.attachment
        if record is None or attachment is None or not self._may_ask:
            return
        trace = record.traces[min(self.selected, len(record.traces) - 1)]

        def decided(request: tuple[str, str | None] | None) -> None:
            if request is not None:
                self.run_worker(self._ask(attachment.path, *request), exit_on_error=True)

        self.push_screen(RequestScreen(trace.name, trace.spoke, len(record.traces)), decided)

    async def _ask(self, path: Path, what: str, station: str | None) -> None:
        whom = "all stations" if station is None else f"station {station}"
        try:
            await self._send_request(path, what, station)
        except LongholdError as error:
            self.said = f"NOT asked: {error}"
        else:
            self.said = f"asked: {what}, {whom}; the log (key 3) says what became of it"
        self.show_all()

    def action_choose(self, by: int) -> None:
        if isinstance(self.screen, HomeScreen):
            if self.items:
                self.chosen = (min(self.chosen, len(self.items) - 1) + by) % len(self.items)
                self.show_all()
            return
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
