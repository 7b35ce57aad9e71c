"""One controller on one link: a lock of this computer's for as long as a frame may be commanded from here.

A frame with an owner register refuses a second controller by itself; this keeps two programs of one computer apart on
any frame, and two masters off one serial line.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bench.frametable import SerialLink, TcpLink
from bench.status import runtime_folder
from models.errors import InputError


def link_name(link: TcpLink | SerialLink) -> str:
    """The link, as a person names it; another name for the same serial port is the same link."""
    if isinstance(link, SerialLink):
        return f"serial {Path(link.port).resolve()}"
    return f"tcp {link.host}:{link.port}"


@contextmanager
def only_user(link: TcpLink | SerialLink) -> Iterator[None]:
    """Hold the link; it is let go when the process ends, however it ends.

    Raises
    ------
    InputError
        If another process of this computer holds it.
    """
    import fcntl

    name = link_name(link)
    path = runtime_folder() / (hashlib.sha256(name.encode()).hexdigest()[:24] + ".link")
    fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise InputError(f"{name}: another longhold of this computer uses this frame; end it there first") from None
        yield
    finally:
        os.close(fd)
