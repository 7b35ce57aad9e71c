"""Proving a new frame by hand: each interlock opened and closed, each cell pulled, and the program sees the right one.

Nothing is moved and nothing is claimed: a person acts, the frame is read.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from bench.frame import FrameFacts, FrameReading
from models.errors import CannotAnswer

PULL_N = 30.0  # by hand: clear of the cell's noise and of its zero
LET_GO_N = 10.0
EMPTY_N = 50.0  # more than a zero that is off: something hangs there
OTHERS_N = 10.0  # what another cell may change by while one is pulled
Seen = Callable[[FrameReading, FrameReading], bool]  # the reading when the step began, and now
Why = Callable[[FrameReading, FrameReading], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """One thing for a person to do, and how it is seen."""

    name: str
    words: str
    seen: Seen
    wrong: Why = lambda _first, _now: ""  # what is amiss while it is awaited; empty: nothing


@dataclass(slots=True, kw_only=True)
class Proving:
    """Where the proof stands."""

    acts: tuple[Act, ...]  # in pairs: something is done, then undone
    done: list[bool | None] = field(default_factory=list)  # True: seen; None: left out
    first: FrameReading | None = None  # of the act that is awaited

    @property
    def current(self) -> Act | None:
        """What is awaited; None at the end."""
        return self.acts[len(self.done)] if len(self.done) < len(self.acts) else None

    @property
    def left_out(self) -> list[str]:
        """Names of the acts that were not seen."""
        return [a.name for a, d in zip(self.acts, self.done, strict=False) if d is None]

    def see(self, reading: FrameReading) -> str:
        """Take a reading: goes on where the act was seen; what is amiss, else empty."""
        act = self.current
        if act is None:
            return ""
        if self.first is None:
            self.first = reading
        if act.seen(self.first, reading):
            self.done.append(True)
            self.first = None
            return ""
        return act.wrong(self.first, reading)

    def leave_out(self) -> None:
        """Go on without it and what undoes it."""
        if self.current is not None:
            self.done += [None] * (2 - len(self.done) % 2)
            self.first = None

    def back(self) -> None:
        """To the beginning of the pair, or of the one before."""
        if self.done:
            del self.done[(len(self.done) - 1) // 2 * 2 :]
            self.first = None


def refuse_loaded(facts: FrameFacts, reading: FrameReading) -> None:
    """Nobody pulls by hand on a frame that holds a load.

    Raises
    ------
    CannotAnswer
        Names the stations.
    """
    held = [
        f"{facts.stations[i].name} ({s.load_N:.0f} N)"
        for i, s in enumerate(reading.stations)
        if not s.load_fault and abs(s.load_N) > EMPTY_N
    ]
    if held:
        raise CannotAnswer(f"station {', '.join(held)} holds a load: unload and empty the frame before it is proved")


def proving(facts: FrameFacts) -> Proving:
    """The acts for a frame: emergency stop, guard, then every station's cell."""
    acts: list[Act] = []
    for name, attribute, opens, closes in (
        ("emergency stop", "estop_closed", "Press the emergency stop.", "Release the emergency stop."),
        ("guard", "guard_closed", "Open the guard.", "Close the guard."),
    ):
        acts.append(Act(name=f"{name} opens", words=opens, seen=_is(attribute, False)))
        acts.append(Act(name=f"{name} closes", words=closes, seen=_is(attribute, True)))
    for i, station in enumerate(facts.stations):
        acts.append(
            Act(
                name=f"station {station.name} pulled",
                words=f"Station {station.name}: pull its hook by hand, as the spoke would, with 5 to 10 kg.",
                seen=lambda first, now, i=i: _change(first, now, i) >= PULL_N and not _others(first, now, i),  # type: ignore[misc]
                wrong=lambda first, now, i=i: _amiss(facts, first, now, i),  # type: ignore[misc]
            )
        )
        acts.append(
            Act(
                name=f"station {station.name} let go",
                words=f"Station {station.name}: let go.",
                seen=lambda _first, now, i=i: abs(now.stations[i].load_N) <= LET_GO_N,  # type: ignore[misc]
            )
        )
    return Proving(acts=tuple(acts))


def _is(attribute: str, wanted: bool) -> Seen:
    return lambda _first, now: getattr(now, attribute) is wanted


def _change(first: FrameReading, now: FrameReading, station: int) -> float:
    change = now.stations[station].load_N - first.stations[station].load_N
    return change if math.isfinite(change) else 0.0


def _others(first: FrameReading, now: FrameReading, station: int) -> list[int]:
    """Other stations whose cells change too."""
    return [k for k in range(len(now.stations)) if k != station and abs(_change(first, now, k)) > OTHERS_N]


def _amiss(facts: FrameFacts, first: FrameReading, now: FrameReading, station: int) -> str:
    own, others = _change(first, now, station), _others(first, now, station)
    names = ", ".join(facts.stations[k].name for k in others)
    if now.stations[station].load_fault:
        return f"the load cell of station {facts.stations[station].name} reports a fault: check plug and cable"
    if others and own < PULL_N:
        return f"station {names} changes instead: cells or names are swapped"
    if others:
        return f"station {names} changes with it: only one is to be pulled; or the cells are joined somewhere"
    if own <= -PULL_N:
        return "its load falls when it is pulled: the cell's wires are crossed, or its span has the wrong sign"
    return ""
