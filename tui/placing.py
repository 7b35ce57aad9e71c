"""Spokes put on the frame, station by station: labels, what is slack and what is not, and when it may go."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from bench.frame import FrameFacts, FrameReading
from bench.start import SLACK_N
from tui import format as show

GO = "go"
LONGEST_LABEL = 60


@dataclass(slots=True, kw_only=True)
class Placing:
    """What stands on which station; an empty label leaves a station out."""

    facts: FrameFacts
    labels: list[str]  # by station, as proposed or typed
    placed: list[bool] = field(default_factory=list)  # a person has said so
    cursor: int = 0

    def __post_init__(self) -> None:
        self.placed = self.placed or [False] * len(self.labels)

    @property
    def names(self) -> list[str]:
        """Of the stations, as painted on the frame."""
        return [s.name for s in self.facts.stations]

    @property
    def all_said(self) -> bool:
        """Every station was seen to."""
        return all(self.placed)

    @property
    def on_stations(self) -> list[tuple[str, str]]:
        """Station and label of the spokes that are to be tested."""
        return [
            (n, label) for n, label, there in zip(self.names, self.labels, self.placed, strict=True) if there and label
        ]

    def accept(self, label: str, reading: FrameReading | None) -> str | None:
        """Take a label for the station under the cursor and go on; or why not."""
        label = label.strip()
        i = self.cursor
        if len(label) > LONGEST_LABEL or any(c in label for c in '"\\') or not label.isprintable():
            return "a label is what stands on the spoke's tag: letters, digits and plain signs, at most 60"
        others = [x for k, x in enumerate(self.labels) if k != i and self.placed[k] and x]
        if label and label in others:
            return f"{label} is on another station already; each spoke has its own label"
        if label and reading is not None:
            why = not_slack(self.facts, reading, i)
            if why is not None:
                return why
        self.labels[i], self.placed[i] = label, True
        left = [k for k, said in enumerate(self.placed) if not said]
        self.cursor = next((k for k in left if k > i), left[0] if left else i)
        return None

    def back(self) -> None:
        """To the station before, which is then open again."""
        self.cursor = (self.cursor - 1) % len(self.labels)
        self.placed[self.cursor] = False


def not_slack(facts: FrameFacts, reading: FrameReading, station: int) -> str | None:
    """Why a new spoke cannot begin on this station now; None where it hangs slack and all is well."""
    s, name = reading.stations[station], facts.stations[station].name
    if s.load_fault or not math.isfinite(s.load_N):
        return f"station {name}: its load cell reports a fault: check plug and cable"
    if not s.position_valid:
        return f"station {name}: its position is not valid: re-reference the encoder"
    least = max(SLACK_N, 10.0 * facts.stations[station].load_noise_N)
    if abs(s.load_N) > least:
        return f"station {name} reads {show.number(s.load_N, 1)} N: a new spoke begins slack (at most {least:.0f} N)"
    return None


def interlocks(reading: FrameReading) -> list[str]:
    """What stands against moving, in words; the guard may be open while spokes are placed."""
    out = []
    if not reading.estop_closed:
        out.append("emergency stop is open")
    if not reading.guard_closed:
        out.append("guard is open")
    if not reading.power_ok:
        out.append("no motor power")
    if reading.local:
        out.append("the local panel holds the frame")
    return out
