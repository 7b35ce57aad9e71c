"""WHEEL.json on disk: read whole, written whole, one writer at a time."""

from __future__ import annotations

import fcntl
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from models.errors import InputError
from tui.out import json_text, read_json, write_whole

if TYPE_CHECKING:
    from planner.record import Record

TRY_EVERY_S = 0.05
TRIES = 100  # to get the lock while another program writes


def read_record(path: Path) -> tuple[Record, dict[str, Any]]:
    """The record, checked, and the file's content as it is.

    Raises
    ------
    InputError
        No such file, cut off, another kind of file, another version's: one message.
    """
    from planner.record import record_of

    content = read_json(path, "a wheel's record from 'longhold wheel new'")
    return record_of(content, str(path)), content


@contextmanager
def only_writer(path: Path, tries: int = TRIES) -> Iterator[None]:
    """Hold the record's lock; it is let go when the program ends, however it ends.

    Raises
    ------
    InputError
        Another program keeps it throughout all tries (5 s).
    """
    lock = path.with_name(f".{path.name}.lock")
    if not path.parent.is_dir():
        raise InputError(f"{path.parent} is not a folder")
    handle = os.open(lock, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        for left in range(tries - 1, -1, -1):
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if not left:
                    raise InputError(
                        f"{path}: another program is writing to it (lock {lock.name}); try again in a moment"
                    ) from None
                threading.Event().wait(TRY_EVERY_S)
        yield
    finally:
        os.close(handle)


def write_record(path: Path, content: dict[str, Any]) -> None:
    """Put the content in the file's place, whole or not at all."""
    write_whole(path, json_text(content))
