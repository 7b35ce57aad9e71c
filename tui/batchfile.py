"""A batch file read by name: what is none is refused, and the message says which file it was."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from models.errors import InputError
from tui.out import read_json

if TYPE_CHECKING:
    from models.batch import Batch


def read_batch(path: Path) -> Batch:
    """The batch of a BATCH.json; raises InputError naming the file."""
    return batch_in(read_json(path, "a batch file from 'longhold fit'"), path)


def batch_in(content: dict[str, Any], path: Path) -> Batch:
    """The batch of a file's content; raises InputError naming the file."""
    from models.batch import Batch

    try:
        return Batch.from_dict(content)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
