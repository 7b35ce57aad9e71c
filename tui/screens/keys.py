"""The line of keys at the foot of every screen."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.screen import Screen
from textual.widgets import Footer


class KeyLine(Footer):
    """Built anew only where another key is offered: a key that is being rebuilt does not feel a touch."""

    def __init__(self) -> None:
        super().__init__(show_command_palette=False)
        self._built: list[tuple[object, ...]] | None = None

    def _offered(self) -> list[tuple[object, ...]]:
        bindings = self.screen.active_bindings.values()
        return [(b.key, b.description, enabled, tooltip) for _, b, enabled, tooltip in bindings if b.show]

    def compose(self) -> ComposeResult:
        if self._bindings_ready:
            self._built = self._offered()
        yield from super().compose()

    def bindings_changed(self, screen: Screen[object]) -> None:
        if self._built is None or screen is not self.screen or self._offered() != self._built:
            super().bindings_changed(screen)
