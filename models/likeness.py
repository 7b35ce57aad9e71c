"""Is this delivery like the last one? Two batches side by side, part by part, within what is known of both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from models.batch import Batch
from models.errors import InputError
from models.verdicts import night

CLEAR = 2.0  # standard deviations: a clear difference
MATTERS = 0.05  # and one that a builder would notice


@dataclass(frozen=True, slots=True, kw_only=True)
class Likeness:
    """One part of the new batch over that of the old one."""

    part: str
    ratio: float  # new over old
    low: float  # 90 % band of the ratio, from what is not known of both batches
    high: float
    differs: bool  # clearly, and by enough to matter

    def as_dict(self) -> dict[str, Any]:
        return {"part": self.part, "ratio": self.ratio, "p05": self.low, "p95": self.high, "differs": self.differs}


def compare_batches(new: Batch, old: Batch, load_N: float = 1000.0) -> list[Likeness]:
    """Elastic part, what comes back and what stays after a night at one load: new over old.

    Raises
    ------
    InputError
        If one of the two gives no strain at all at that load.
    """
    a, b = night(new, load_N), night(old, load_N)
    out = []
    for part, x, y in (
        ("spring", a.elastic, b.elastic),
        ("creep that comes back", a.comes_back, b.comes_back),
        ("stretch that stays", a.stays, b.stays),
    ):
        if min(*x, *y) <= 0:
            raise InputError(f"one of the batches has no {part} at {load_N:.0f} N: they cannot be compared")
        middle = float(np.log(x[1] / y[1]))
        sd = float(np.hypot(np.log(x[2] / x[0]), np.log(y[2] / y[0]))) / 3.29
        out.append(
            Likeness(
                part=part,
                ratio=float(np.exp(middle)),
                low=float(np.exp(middle - 1.645 * sd)),
                high=float(np.exp(middle + 1.645 * sd)),
                differs=abs(middle) > max(CLEAR * sd, MATTERS),
            )
        )
    return out


def in_words(rows: list[Likeness], old: str) -> list[str]:
    """One line for a builder, and one for each part that differs."""
    odd = [r for r in rows if r.differs]
    if not odd:
        worst = max(rows, key=lambda r: abs(np.log(r.ratio)))
        return [
            f"Like batch {old}, as far as both are known (largest difference: {worst.part}, "
            f"{100 * (worst.ratio - 1):+.0f} %, {100 * (worst.low - 1):+.0f} to {100 * (worst.high - 1):+.0f} %)."
        ]
    return [
        f"Not like batch {old}: {r.part} is {100 * (r.ratio - 1):+.0f} % "
        f"({100 * (r.low - 1):+.0f} to {100 * (r.high - 1):+.0f} %)."
        for r in odd
    ]
