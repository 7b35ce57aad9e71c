"""Guided work as a program of its own: one screen, and what it ends with."""

from __future__ import annotations

from typing import ClassVar, Generic, TypeVar

from textual.app import App
from textual.binding import BindingType
from textual.screen import Screen

Result = TypeVar("Result")


class Guide(App[Result], Generic[Result]):
    """Shows one screen and ends with it; the return value is the screen's, None where it was left unfinished."""

    CSS_PATH = "monitor.tcss"
    TITLE = "longhold guide"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = []

    def __init__(self, first: Screen[Result]) -> None:
        super().__init__()
        self.first = first

    def on_mount(self) -> None:
        self.push_screen(self.first, self.exit)
