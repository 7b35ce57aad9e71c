"""Keys taken in the order they came, however fast: a scanner or a slow line sends a label and its Enter in one piece.

The framework runs a key's binding when the key has travelled up to the application, by which time the keys behind it
have been typed already; here it runs at once.
"""

from __future__ import annotations

from textual.binding import Binding
from textual.events import Key
from textual.screen import Screen


class KeysInOrder:
    """For a screen that is typed on: letters go to ``typed_key``, every other key to its binding, one after another."""

    def typed_key(self, character: str) -> bool:
        """Take a printable character; False where it is not one to type."""
        raise NotImplementedError

    async def on_key(self, event: Key) -> None:
        """A character or a binding; what is neither goes its usual way."""
        assert isinstance(self, Screen)
        character = event.character or ""
        if len(character) == 1 and character.isprintable() and self.typed_key(character):
            event.stop()
            return
        for binding in self.BINDINGS:
            if isinstance(binding, Binding) and event.key in binding.key.split(","):
                event.stop()
                await self.app.run_action(binding.action, self)
                return
