"""Load cell and frame against known loads: zero, span, class by ISO 7500-1 and 376, and the frame's compliance. Pure.

A cell in its frame is a machine's force indication: ISO 7500-1:2018, table 2, classes 0.5 to 3, in percent of true
force. Taken by itself it is a force-proving instrument: ISO 376:2011, table 2, classes 00 to 2; of that table only
repeatability without rotation, interpolation and resolution can be tried on a frame, so the class is one *at best*.
Both tables are quoted from memory (well known, not re-read).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError

Floats = NDArray[np.float64]
STANDARD_GRAVITY = 9.80665  # m/s2; a known mass weighs by the gravity of its place

# class -> (relative error q, repeatability b, zero f0, resolution a) in percent; q and f0 are plus or minus
CLASS_LIMITS: dict[float, tuple[float, float, float, float]] = {
    0.5: (0.5, 0.5, 0.05, 0.25),
    1.0: (1.0, 1.0, 0.1, 0.5),
    2.0: (2.0, 2.0, 0.2, 1.0),
    3.0: (3.0, 3.0, 0.3, 1.5),
}

# ISO 376 class -> (repeatability without rotation b', interpolation error fc, least load in resolutions); percent
INSTRUMENT_LIMITS: dict[str, tuple[float, float, float]] = {
    "00": (0.025, 0.025, 4000.0),
    "0.5": (0.05, 0.05, 2000.0),
    "1": (0.10, 0.10, 1000.0),
    "2": (0.20, 0.20, 500.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CellResult:
    """A cell's straight line through known loads, and how far its readings were off before."""

    zero_N: float  # reading at no load
    span: float  # true force over (reading - zero)
    error_percent: float  # worst relative error of indication as found
    error_left_percent: float  # the same with this zero and span
    repeat_percent: float | None  # worst spread at one load over that load; None without a repeated load
    iso_class: float | None  # best class that the readings as found keep; None: none of 0.5 to 3
    iso_class_left: float | None  # with this zero and span
    instrument_class_at_best: str | None  # ISO 376, as far as it was tried; None: none, or no load came twice


def iso_class(
    *, error_percent: float, repeat_percent: float | None, zero_percent: float, resolution_percent: float
) -> float | None:
    """Best class of 0.5, 1, 2, 3 whose limits are all kept; None if none is."""
    for name, (q, b, f0, a) in CLASS_LIMITS.items():
        if (
            abs(error_percent) <= q
            and (repeat_percent is None or repeat_percent <= b)
            and abs(zero_percent) <= f0
            and resolution_percent <= a
        ):
            return name
    return None


def instrument_class(
    *, interpolation_percent: float, repeat_percent: float | None, resolution_percent: float
) -> str | None:
    """Best class of ISO 376 that these do not rule out; None if none is left, or repeatability is not known."""
    if repeat_percent is None:
        return None
    for name, (b, fc, resolutions) in INSTRUMENT_LIMITS.items():
        if repeat_percent <= b and abs(interpolation_percent) <= fc and resolution_percent <= 100.0 / resolutions:
            return name
    return None


def check_cell(true_N: Floats, read_N: Floats, *, range_N: float, resolution_N: float) -> CellResult:
    """Zero and span from readings at known loads (n,), at least three different ones.

    The straight line is fitted by least squares; errors are relative to the true force (ISO 7500-1, 6.5).

    Raises
    ------
    InputError
        Fewer than three different loads, or loads that do not make a line.
    """
    levels = np.unique(np.round(true_N, 6))
    if levels.size < 3:
        raise InputError(f"a span needs at least three different known loads (0 counts), not {levels.size}")
    slope, zero = np.polyfit(true_N, read_N, 1)
    if not slope > 0:
        raise InputError("the readings do not rise with the known loads: is the cell wired the wrong way round?")
    loaded = true_N > 0
    before = 100.0 * (read_N - true_N)[loaded] / true_N[loaded]
    left_N = (read_N - zero) / slope
    after = 100.0 * (left_N - true_N)[loaded] / true_N[loaded]
    spreads = [
        100.0 * float(np.ptp(left_N[np.isclose(true_N, level)])) / level
        for level in levels
        if level > 0 and np.count_nonzero(np.isclose(true_N, level)) > 1
    ]
    repeat = max(spreads) if spreads else None
    worst, worst_left = (float(e[np.abs(e).argmax()]) for e in (before, after))
    resolution = 100.0 * resolution_N / float(levels[levels > 0].min())
    unloaded = read_N[~loaded]
    zero_before = float(np.abs(unloaded).max()) if unloaded.size else abs(float(zero))
    zero_left = float(np.abs(left_N[~loaded]).max()) if unloaded.size else 0.0
    return CellResult(
        zero_N=float(zero),
        span=float(1.0 / slope),
        error_percent=worst,
        error_left_percent=worst_left,
        repeat_percent=repeat,
        iso_class=iso_class(
            error_percent=worst,
            repeat_percent=repeat,
            zero_percent=100.0 * zero_before / range_N,
            resolution_percent=resolution,
        ),
        iso_class_left=iso_class(
            error_percent=worst_left,
            repeat_percent=repeat,
            zero_percent=100.0 * zero_left / range_N,
            resolution_percent=resolution,
        ),
        instrument_class_at_best=instrument_class(
            interpolation_percent=worst_left, repeat_percent=repeat, resolution_percent=resolution
        ),
    )


def expanded_uncertainty_percent(
    *, reference_percent: float, error_left_percent: float, repeat_percent: float | None
) -> float:
    """Expanded uncertainty (k = 2) of a calibrated cell, percent of reading.

    Root of the sum of squares of the reference's standard uncertainty and of two rectangular parts (GUM 4.3.7): what is
    left of the error, half-width ``error_left_percent``, and the repeatability, half-width ``repeat_percent / 2``.
    """
    parts = (reference_percent / 2.0, abs(error_left_percent) / 3**0.5, (repeat_percent or 0.0) / (2 * 3**0.5))
    return 2.0 * float(np.sqrt(np.square(parts).sum()))


def frame_compliance_mm_per_N(load_N: Floats, position_mm: Floats, *, bar_mm_per_N: float = 0.0) -> tuple[float, float]:
    """Compliance of the frame from a stiff bar pulled to at least three loads, and its standard error, mm/N.

    The slope of position over load by least squares, less the bar's own compliance.

    Raises
    ------
    InputError
        Fewer than three different loads, or a frame softer than nothing.
    """
    if np.unique(np.round(load_N, 0)).size < 3:
        raise InputError("a compliance needs readings at three different loads or more")
    slope, at = np.polyfit(load_N, position_mm, 1)
    residuals = position_mm - (slope * load_N + at)
    spread = float(((load_N - load_N.mean()) ** 2).sum())
    error = float(np.sqrt((residuals**2).sum() / max(load_N.size - 2, 1) / spread))
    compliance = float(slope) - bar_mm_per_N
    if compliance < -2.0 * error:
        raise InputError(
            f"the frame comes out at {compliance:.3g} mm/N, stiffer than rigid: is the bar's own compliance right?"
        )
    return max(compliance, 0.0), error
