"""Load histories: what a spoke has carried (measured) or is to carry (asked), in one shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadHistory:
    """Load and temperature of one spoke over time, linear between points.

    A step in load is two points at the same time.
    """

    time_s: Floats  # (n,) s, never falling
    load_N: Floats  # (n,) N
    temperature_C: Floats  # (n,) degC

    def __post_init__(self) -> None:
        for name in ("time_s", "load_N", "temperature_C"):
            object.__setattr__(self, name, np.ascontiguousarray(getattr(self, name), dtype=np.float64))
        n = self.time_s.shape
        if len(n) != 1 or n[0] < 1 or self.load_N.shape != n or self.temperature_C.shape != n:
            raise ValueError("time_s, load_N and temperature_C must be one-dimensional and of one length")
        if not all(np.isfinite(getattr(self, k)).all() for k in ("time_s", "load_N", "temperature_C")):
            raise ValueError("a load history must be finite throughout")
        if (np.diff(self.time_s) < 0).any():
            raise ValueError("time_s must not fall")

    @classmethod
    def of(cls, time_s: object, load_N: object, temperature_C: object = 20.0) -> LoadHistory:
        """Build from anything array-like; a single temperature serves all points."""
        time = np.asarray(time_s, dtype=np.float64)
        return cls(
            time_s=time,
            load_N=np.asarray(load_N, dtype=np.float64),
            temperature_C=np.broadcast_to(np.asarray(temperature_C, dtype=np.float64), time.shape).copy(),
        )

    @property
    def duration_s(self) -> float:
        """Time from first to last point, s."""
        return float(self.time_s[-1] - self.time_s[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One spoke's record from the frame: its load history and what it did.

    Elongation counts from the seated, unloaded spoke and is corrected for frame compliance.
    """

    spoke: str  # physical label
    history: LoadHistory
    elongation_mm: Floats  # (n,) mm
    gauge_length_mm: float  # length that the elongation belongs to
    step: NDArray[np.str_] | None = None  # (n,) step names as logged; None where the file has none
    station: str | None = None  # None where unknown

    @property
    def strain(self) -> Floats:
        """(n,) elongation over gauge length."""
        return self.elongation_mm / self.gauge_length_mm
