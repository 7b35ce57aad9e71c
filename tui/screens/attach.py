"""A run file that the monitor is attached to: read again when it grows, kept on the screen when it vanishes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from models.errors import LongholdError
from tui.screens.view import Record


class Source(Protocol):
    """An open run file."""

    def refresh(self) -> Record:
        """Everything up to the newest row; raises LongholdError or OSError where the file cannot be read."""
        ...

    def close(self) -> None: ...


Opener = Callable[[Path], Source]


class Attachment:
    """One file: the last record that could be read of it, and what stands in the way now."""

    def __init__(self, path: Path, opener: Opener, growing: Path | None = None) -> None:
        """``growing``: the file that stands for ``path`` while the run goes on, where there is one."""
        self.path = path
        self._places = (path,) if growing is None else (growing, path)
        self.record: Record | None = None
        self.trouble: str | None = None
        self._opener = opener
        self._source: Source | None = None
        self._identity: tuple[int, int] | None = None

    def refresh(self) -> None:
        """Read what is new. A sealed file is read once; a file that was replaced under its name is opened anew."""
        try:
            identity = self._now_identity()
            if self._source is not None and identity != self._identity:
                self.close()
            elif self._source is None and self.record is not None and self.record.ended and not self.trouble:
                return
            if self._source is None:
                self._source = self._opener(self.path)
                self._identity = identity
            self.record = self._source.refresh()
            self.trouble = None
            if self.record.ended:
                self.close()
        except FileNotFoundError:
            self.close()
            seen = "; what was read of it is shown" if self.record is not None else ""
            self.trouble = f"{self.path} is not there (moved, deleted, or not yet begun){seen}"
        except (LongholdError, OSError) as error:
            self.close()
            self.trouble = f"{error}" if str(self.path) in str(error) else f"{self.path}: {error}"

    def _now_identity(self) -> tuple[int, int]:
        """Device and inode of what stands there now; raises FileNotFoundError where nothing does."""
        place = next((p for p in self._places if p.exists()), self.path)
        stat = place.stat()
        return stat.st_dev, stat.st_ino

    def close(self) -> None:
        """Let go of the file; the run is not touched."""
        source, self._source = self._source, None
        if source is not None:
            source.close()
