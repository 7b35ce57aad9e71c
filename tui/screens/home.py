"""The first screen of a folder: what waits for a person, what is on the frame, what comes later."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.widgets import Static

from tui import format as show
from tui.inwork import TITLES, Group, Item
from tui.screens.base import MonitorScreen
from tui.screens.keys import KeyLine


class HomeScreen(MonitorScreen):
    """Everything in work; the chosen one in full below."""

    NAME: ClassVar[str] = "home"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "open", "open"),
        Binding("r", "readings", "type readings"),
        Binding("p", "plan", "plan"),
    ]

    def compose(self) -> ComposeResult:
        yield Static(id="heading")
        yield Static(id="trouble")
        with VerticalScroll(id="items", can_focus=False):
            yield Static(id="item-rows")
        yield Static(id="detail")
        yield KeyLine()

    @property
    def item(self) -> Item | None:
        """The chosen one."""
        app = self.monitor
        return app.items[min(app.chosen, len(app.items) - 1)] if app.items else None

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Only what can be done with the chosen one is offered."""
        item = self.item
        if action == "open":
            return item is not None and item.kind == "run"
        if action in ("readings", "plan"):
            return item is not None and item.kind == "wheel" and not self.monitor.read_only
        return True

    def action_open(self) -> None:
        item = self.item
        if item is not None and item.kind == "run":
            self.monitor.open_run(item.path)

    def action_readings(self) -> None:
        item = self.item
        if item is not None:
            self.monitor.type_readings(item.path)

    def action_plan(self) -> None:
        item = self.item
        if item is not None:
            self.monitor.play_with_plan(item.path)

    # what is shown ----------------------------------------------------------------------------------------------------

    def show(self) -> None:
        """Draw everything as it stands."""
        app = self.monitor
        width = app.size.width
        waits = sum(i.group is Group.WAITS for i in app.items)
        clock = f"{show.utc(app.now_utc())} "
        left = (
            f" In work: {show.counted(waits, 'thing waits', 'things wait') if waits else 'nothing waits'} for a person"
        )
        title = Text(left, style="bold")
        title.append(" " * max(width - title.cell_len - len(clock), 1))
        title.append(clock)
        self.query_one("#heading", Static).update(title)
        trouble = self.query_one("#trouble", Static)
        trouble.display = bool(app.home_trouble)
        trouble.update(f" {app.home_trouble}")
        rows = self.query_one("#item-rows", Static)
        if app.items:
            rows.update(self._rows(width))
        else:
            rows.update(" looking ..." if not app.looked else _nothing(len(app.attachments)))
        self.query_one("#detail", Static).update(self._detail())

    def _rows(self, width: int) -> Text:
        app, out = self.monitor, Text()
        chosen = min(app.chosen, len(app.items) - 1)
        name_width = min(max(len(i.name) for i in app.items), max(width // 4, 12))
        when_width = min(max(len(i.when) for i in app.items), 26)
        before: Group | None = None
        for k, item in enumerate(app.items):
            if item.group is not before:
                before = item.group
                out.append(f" {TITLES[item.group]}\n", style="bold underline")
            mark = ">" if k == chosen else "!" if item.overdue or item.kind == "trouble" else " "
            slack = "" if item.slack_h is None else f"slack {show.duration(3600 * item.slack_h)}; "
            line = f" {mark} {_cut(item.name, name_width):<{name_width}}  {_cut(item.when, when_width):<{when_width}}  "
            line += _cut(slack + item.what, max(width - len(line) - 1, 10))
            style = "bold reverse" if item.overdue else "bold" if k == chosen else ""
            out.append(f"{line}\n", style=style)
        out.rstrip()
        return out

    def _detail(self) -> Text:
        item = self.item
        if item is None:
            return Text("")
        out = Text()
        out.append(f" {item.name}", style="bold")
        out.append(f"   {item.path.name}   {item.when}\n")
        for line in item.detail[:8]:
            out.append(f"  {line}\n")
        out.rstrip()
        return out


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else f"{text[: max(width - 1, 0)]}…"


def _nothing(runs: int) -> Text:
    over = f" {show.counted(runs, 'run')} of earlier days: key 1 shows the newest.\n\n" if runs else ""
    return Text(
        f" Nothing is in work in this folder.\n\n{over} To begin, type in a shell:\n"
        "   longhold guide batch    a new batch of spokes, a night on the frame\n"
        "   longhold wheel new      a wheel and its record\n"
        "   longhold demo           the whole job once, on a simulated frame"
    )
