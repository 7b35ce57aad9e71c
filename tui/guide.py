"""Guided work as a program of its own: one screen, and what the person is told when it ends."""

from __future__ import annotations

from typing import ClassVar

from textual.app import App
from textual.binding import BindingType

from tui.screens.guided import GuidedScreen


class Guide(App[str]):
    """Shows one screen of guided work and ends with it; the return value is its last word, None where it was left."""

    CSS_PATH = "monitor.tcss"
    TITLE = "longhold guide"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = []

    def __init__(self, first: GuidedScreen) -> None:
        super().__init__()
        self.first = first

    def on_mount(self) -> None:
        self.push_screen(self.first, self.exit)
