"""Asking a run for something: chosen, then confirmed by typing the station's name; it goes through the run's socket."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen
from textual.widgets import Static

from tui.screens.inorder import KeysInOrder

EVERY = "ALL"
# what the run understands (bench/status.py: REQUESTS), and what it does
REQUESTS = (
    ("pause", "hold the load where it stands; the step's clock goes on"),
    ("go on", "after a pause: back to the load of the step"),
    ("end step", "this step is over; the next one begins"),
    ("ease off", "unload it; its program is over for good"),
)


class RequestScreen(KeysInOrder, ModalScreen[tuple[str, str | None] | None]):
    """Ends with (request, station or None for all), or None."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "choose(-1)", show=False),
        Binding("down", "choose(1)", show=False),
        Binding("enter", "enter", show=False),
        Binding("escape", "leave", show=False),
        Binding("tab", "all", show=False),
        Binding("backspace", "rub", show=False),
    ]

    def __init__(self, station: str, spoke: str, stations: int) -> None:
        super().__init__()
        self.station, self.spoke, self.stations = station, spoke, stations
        self.chosen, self.every, self.sure = 0, False, False
        self.typed, self.answer = "", ""

    def compose(self) -> ComposeResult:
        yield Static(id="request")

    def on_mount(self) -> None:
        self.show()

    @property
    def to_type(self) -> str:
        """What confirms."""
        return EVERY if self.every else self.station

    def typed_key(self, character: str) -> bool:
        if self.sure:
            self.typed += character
            self.answer = ""
            self.show()
        return self.sure

    def action_choose(self, by: int) -> None:
        if not self.sure:
            self.chosen = (self.chosen + by) % len(REQUESTS)
        self.show()

    def action_all(self) -> None:
        if not self.sure:
            self.every = not self.every and self.stations > 1
        self.show()

    def action_rub(self) -> None:
        self.typed = self.typed[:-1]
        self.show()

    def action_enter(self) -> None:
        if not self.sure:
            self.sure = True
        elif self.typed == self.to_type:
            self.dismiss((REQUESTS[self.chosen][0], None if self.every else self.station))
            return
        else:
            self.answer = f"'{self.typed}' is not {self.to_type}: nothing was asked" if self.typed else ""
            self.typed = ""
        self.show()

    def action_leave(self) -> None:
        self.dismiss(None)

    def show(self) -> None:
        """Draw it."""
        whom = f"all {self.stations} stations" if self.every else f"station {self.station} (spoke {self.spoke})"
        out = Text()
        out.append(f"Ask the run for {whom}\n\n", style="bold")
        if not self.sure:
            for i, (name, words) in enumerate(REQUESTS):
                mark = ">" if i == self.chosen else " "
                out.append(f"{mark} {name:<9} {words}\n", style="bold" if i == self.chosen else "")
            out.append("\nup/down choose, tab: this station or all, Enter: ask, Esc: leave\n")
            out.append("No limit can be changed here. In danger press the emergency stop at the frame.")
        else:
            name, words = REQUESTS[self.chosen]
            out.append(f"{name.capitalize()}: {words}.\n\n")
            out.append(f"Sure? Type {self.to_type} and Enter: {self.typed}_\n", style="bold")
            out.append(f"{self.answer}\n", style="bold reverse" if self.answer else "")
            out.append("Esc: leave, nothing is asked")
        self.query_one("#request", Static).update(out)
