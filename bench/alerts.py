"""Alerts to a person who is not in the room: off by default, through a general notification library, never in the way.

Where to send comes from the environment (LONGHOLD_ALERTS: addresses of the notification library apprise, separated by
spaces) or from a file that only its owner may read (~/.config/longhold/alerts, one address a line). Addresses hold
secrets and are never logged or shown.
"""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Callable, Mapping
from pathlib import Path

from models.errors import InputError

VARIABLE = "LONGHOLD_ALERTS"
KINDS = ("finished", "fault", "waiting", "silent")
HEARTBEAT_TICKS = 5.0


def addresses(environment: Mapping[str, str], home: Path) -> list[str]:
    """Where to send alerts; empty where none are wanted.

    Raises
    ------
    InputError
        If the file of addresses can be read by others.
    """
    given = environment.get(VARIABLE, "").split()
    if given:
        return given
    file = home / ".config" / "longhold" / "alerts"
    try:
        mode = file.stat().st_mode
        text = file.read_text(encoding="utf-8")
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: cannot be read: {error}") from None
    if mode & 0o077:
        raise InputError(f"{file}: holds secrets and can be read by others: chmod 600 {file}")
    return [line.strip() for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]


class Alerts:
    """Sends in a thread of its own; what cannot be sent is counted, never raised."""

    def __init__(self, send: Callable[[str, str], bool] | None) -> None:
        """``send`` takes a title and a text, and says whether it went; None: alerts are off."""
        self._send = send
        self._queue: queue.Queue[tuple[str, str] | None] = queue.Queue(maxsize=100)
        self._thread: threading.Thread | None = None
        self.failed = 0

    @classmethod
    def off(cls) -> Alerts:
        """No alerts."""
        return cls(None)

    @classmethod
    def from_surroundings(cls) -> Alerts:
        """As the environment or the owner's file says. Raises InputError."""
        found = addresses(os.environ, Path.home())
        if not found:
            return cls.off()
        try:
            import apprise
        except ImportError:
            raise InputError(
                f"alerts are asked for ({VARIABLE} or the alerts file), and the package for them is not "
                "installed: pip install 'longhold[alerts]'"
            ) from None
        sender = apprise.Apprise()
        for number, address in enumerate(found, start=1):
            if not sender.add(address):
                raise InputError(f"alert address {number} of {len(found)} is not one that apprise knows")
        return cls(lambda title, text: bool(sender.notify(title=title, body=text)))

    @property
    def on(self) -> bool:
        """Whether anything is sent."""
        return self._send is not None

    def tell(self, kind: str, text: str) -> None:
        """Queue one alert; returns at once."""
        assert kind in KINDS, kind
        if self._send is None:
            return
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="alerts", daemon=True)
            self._thread.start()
        try:
            self._queue.put_nowait((f"longhold: {kind}", text))
        except queue.Full:
            self.failed += 1

    def _work(self) -> None:
        while (item := self._queue.get()) is not None:
            try:
                sent = self._send is not None and self._send(*item)
            except Exception:  # a service's own trouble must never reach the run
                sent = False
            self.failed += not sent

    def close(self, wait_s: float = 10.0) -> None:
        """Send what waits, for a while."""
        if self._thread is not None:
            self._queue.put(None)
            self._thread.join(wait_s)


def silent_for_s(last_utc: float, now_utc: float, hold_tick_s: float) -> float | None:
    """How long a run that should be going on has written nothing, s; None while that is no longer than it may be."""
    quiet = now_utc - last_utc
    return quiet if quiet > max(30.0, HEARTBEAT_TICKS * hold_tick_s) else None
