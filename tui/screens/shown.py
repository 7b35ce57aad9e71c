"""Text on the screen that is drawn again only where it changed: a monitor runs all night on a small computer."""

from __future__ import annotations

from rich.text import Text
from textual.widgets import Static


class Shown(Static):
    """A Static that keeps what it shows; the screen is laid out anew only where the number of lines changed."""

    _shown: Text | None = None

    def put(self, content: Text | str) -> bool:
        """Show this; False where it stands there already."""
        text = Text(content) if isinstance(content, str) else content
        before = self._shown
        if before is not None and before == text and before.style == text.style:
            return False
        self._shown = text
        self.update(text, layout=before is None or before.plain.count("\n") != text.plain.count("\n"))
        return True
