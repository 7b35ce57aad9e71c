"""Figures of a run that do not grow with the night: how late ticks come, how well loads are held."""

from __future__ import annotations

import math
from typing import Any

EDGES_PER_DECADE = 20
FIRST_S = 1e-6


class Lateness:
    """Counts lateness in log-spaced bins from a microsecond to the worst."""

    def __init__(self) -> None:
        self.ticks = 0
        self.overruns = 0  # ticks that began after the next was due
        self.worst_s = 0.0
        self._bins: dict[int, int] = {}

    def add(self, late_s: float, period_s: float) -> None:
        """One tick that began ``late_s`` after it was due."""
        self.ticks += 1
        late = max(late_s, 0.0)
        self.worst_s = max(self.worst_s, late)
        self.overruns += late > period_s
        b = math.ceil(EDGES_PER_DECADE * math.log10(late / FIRST_S)) if late > FIRST_S else 0
        self._bins[b] = self._bins.get(b, 0) + 1

    def percentile_s(self, percent: float) -> float:
        """Upper edge of the bin that holds this percentile, s."""
        want, seen = percent / 100.0 * self.ticks, 0
        for b in sorted(self._bins):
            seen += self._bins[b]
            if seen >= want:
                return min(FIRST_S * math.pow(10.0, b / EDGES_PER_DECADE), self.worst_s)
        return self.worst_s

    def as_dict(self) -> dict[str, Any]:
        """For the record."""
        return {
            "ticks": self.ticks,
            "overruns": self.overruns,
            "lateness_p50_ms": 1000.0 * self.percentile_s(50),
            "lateness_p99_ms": 1000.0 * self.percentile_s(99),
            "lateness_p999_ms": 1000.0 * self.percentile_s(99.9),
            "lateness_worst_ms": 1000.0 * self.worst_s,
        }


class HoldError:
    """How far one station's load was from what was asked, in settled holds; and how far it overshot."""

    def __init__(self) -> None:
        self.readings = 0
        self.worst_percent = 0.0
        self.overshoot_percent = 0.0
        self.peak_N = 0.0
        self._weight_s = 0.0
        self._sum = 0.0

    def settled(self, load_N: float, set_N: float, for_s: float) -> None:
        """One reading of a settled hold that stands for ``for_s`` seconds."""
        percent = 100.0 * (load_N - set_N) / set_N
        self.readings += 1
        self.worst_percent = max(self.worst_percent, abs(percent))
        self._weight_s += for_s
        self._sum += percent * percent * for_s

    def seen(self, load_N: float, aim_N: float) -> None:
        """Any reading on the way up or at a load."""
        self.peak_N = max(self.peak_N, load_N)
        if aim_N > 0:
            self.overshoot_percent = max(self.overshoot_percent, 100.0 * (load_N - aim_N) / aim_N)

    @property
    def rms_percent(self) -> float | None:
        """Root mean square over time, percent of the set load; None where nothing was held."""
        return math.sqrt(self._sum / self._weight_s) if self._weight_s > 0 else None

    def as_dict(self) -> dict[str, Any]:
        """For the record."""
        return {
            "hold_rms_percent": self.rms_percent,
            "hold_worst_percent": self.worst_percent if self.readings else None,
            "overshoot_percent": self.overshoot_percent,
            "peak_load_N": self.peak_N,
        }
