"""What the screens of guided work share: a heading, large figures, one line that answers, the keys."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.events import Resize
from textual.screen import Screen
from textual.widgets import Static

from tui.screens.inorder import KeysInOrder
from tui.screens.keys import KeyLine


class GuidedScreen(KeysInOrder, Screen[str]):
    """One piece of guided work; it ends with words for the person, or None where it was left unfinished."""

    TITLE_WORDS: ClassVar[str]

    def __init__(self) -> None:
        super().__init__()
        self.typed = ""  # not taken yet
        self.answer = ""  # what was said to the last key
        self.wrong = False  # that answer says no

    def compose(self) -> ComposeResult:
        yield Static(id="heading")
        yield Static(id="figures-large")
        yield Static(id="answer")
        with VerticalScroll(id="all", can_focus=False):
            yield Static(id="all-rows")
        yield KeyLine()

    def typed_key(self, character: str) -> bool:
        """Nothing is typed here, unless a screen says so."""
        return False

    def write(self, character: str, most: int) -> bool:
        """One more character behind what is typed, as far as ``most``."""
        if len(self.typed) < most:
            self.typed += character
        self.say("")
        self.show()
        return True

    def action_rub(self) -> None:
        """Take the last character away."""
        self.typed = self.typed[:-1]
        self.show()

    def heading(self) -> str:
        """First line."""
        raise NotImplementedError

    def large(self, width: int) -> Text:
        """The large figures and what stands beside them."""
        raise NotImplementedError

    def rows(self, width: int) -> Text:
        """Everything at a glance."""
        raise NotImplementedError

    def on_mount(self) -> None:
        self.show()

    def on_resize(self, _event: Resize) -> None:
        self.call_after_refresh(self.show)

    def say(self, words: str, *, wrong: bool = False) -> None:
        """Answer the last key."""
        self.answer, self.wrong = words, wrong

    def show(self) -> None:
        """Draw everything as it stands; nothing before the screen is there, and nothing after it has gone."""
        if not self.query("#heading"):
            return
        width = self.app.size.width
        self.query_one("#heading", Static).update(f" {self.heading()}"[:width])
        self.query_one("#figures-large", Static).update(self.large(width))
        answer = self.query_one("#answer", Static)
        answer.update(
            Text(f" {'! ' if self.wrong else ''}{self.answer}", style="bold reverse" if self.wrong else "bold")
        )
        self.query_one("#all-rows", Static).update(self.rows(width))
