"""When a spoke that is held until it is ready will be so: from what the live fit has said of it so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tui import format as show
from tui.screens.view import Note

KINDS = ("live fit", "ready")  # of the notes that the live fit leaves
LATE = 0.4  # looks from this share of the hold on tell the trend
POWER = 0.2  # of the time against which the loss is led on straight
LEAST_FALL = 0.02  # of the loss over these looks: less is no trend
FARTHEST = 5.0  # of the hold so far: nothing is said beyond


@dataclass(frozen=True, slots=True, kw_only=True)
class Readiness:
    """What is known of one held spoke."""

    looked_s: float  # run time of the newest look
    ready: bool
    loss_percent: float | None  # of its wheel's tension, at the probability that was asked for; None: nothing yet
    allowed_percent: float | None
    left_s: float | None  # until it is ready, from that look on; None where the looks show no trend

    def in_words(self, at_s: float) -> str:
        """One line."""
        allowed = "" if self.allowed_percent is None else f", {self.allowed_percent:g} % is allowed"
        loss = f"would {'' if self.ready else 'now '}lose up to {show.percent(self.loss_percent)}{allowed}"
        if self.ready:
            return f"READY since {show.stopwatch(self.looked_s)}: {loss}"
        if self.loss_percent is None:
            return "not ready: nothing can be said of its wheel yet"
        left_s = self.left_at_s(at_s)
        return f"not ready: {loss}" if left_s is None else f"ready in about {show.duration(left_s)}: {loss}"

    def left_at_s(self, at_s: float) -> float | None:
        """What is left of it at a later moment, to five minutes; never less than that."""
        if self.left_s is None or self.ready:
            return None
        return max(300.0, 300.0 * round((self.left_s - (at_s - self.looked_s)) / 300.0))


def readiness(
    notes: Sequence[Note], station: str, began_s: float, at_s: float, allowed_percent: float | None
) -> Readiness | None:
    """What the live fit had said by ``at_s`` of a spoke whose load was reached at ``began_s``; None: nothing.

    The loss is led on straight against a low power of the hold's time, by least squares over the later looks. On
    invented spokes the time that is left came out within a quarter of itself from a third of the way on.
    """
    own = [n for n in notes if n.station == station and n.kind in KINDS and began_s <= n.time_s <= at_s]
    if not own:
        return None
    known = [(n.time_s - began_s, float(n.data["loss_percent"][1])) for n in own if n.data.get("loss_percent")]
    newest = own[-1]
    return Readiness(
        looked_s=newest.time_s,
        ready=newest.kind == "ready",
        loss_percent=known[-1][1] if known else None,
        allowed_percent=allowed_percent,
        left_s=None if allowed_percent is None else _left_s(known, allowed_percent),
    )


def _left_s(known: Sequence[tuple[float, float]], allowed_percent: float) -> float | None:
    late = [(t, loss) for t, loss in known if t >= LATE * known[-1][0]]
    if len(late) < 3:
        return None
    x, loss = np.array([t for t, _ in late]) ** POWER, np.array([loss for _, loss in late])
    slope, start = (float(v) for v in np.polyfit(x, loss, 1))
    if -slope * float(np.ptp(x)) < LEAST_FALL * float(loss[-1]):
        return None
    left_s = max((allowed_percent - start) / slope, 0.0) ** (1.0 / POWER) - late[-1][0]
    return left_s if left_s <= FARTHEST * late[-1][0] else None
