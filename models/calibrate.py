"""From readings taken on the frame to a gauge's curve: weighted polynomial or spline, scatter, hysteresis, classes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from models.errors import CannotAnswer, InputError
from models.gauge import COVERAGE, Direction, Gauge
from models.polynomial import Polynomial, fit_polynomial
from models.statistics import aicc

Floats = NDArray[np.float64]
Weighting = Literal["reading", "equal", "relative"]
LEAST_LEVELS = 4
LEVEL_GAP_PERCENT = 2.0  # loads closer than this are one level
OUTLIER_SD = 4.0
# ISO 7500-1:2018 table 2, from memory (high confidence): largest accuracy, repeatability, reversibility, resolution, %
CLASS_LIMITS: dict[str, tuple[float, float, float, float]] = {
    "0.5": (0.5, 0.5, 0.75, 0.25),
    "1": (1.0, 1.0, 1.5, 0.5),
    "2": (2.0, 2.0, 3.0, 1.0),
    "3": (3.0, 3.0, 4.5, 1.5),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Readings of one gauge on one spoke, held at a length by the frame."""

    load_N: Floats  # (n,) under the gauge
    reading: Floats  # (n,)
    load_before_N: Floats  # (n,) before the gauge went on; NaN where not logged
    rising: NDArray[np.bool_]  # (n,) the load had come from below
    series: NDArray[np.str_]  # (n,) which run through the loads
    line: NDArray[np.int64]  # (n,) line of the file, for messages

    def take(self, index: Any) -> Readings:
        """Some of the rows."""
        return Readings(**{name: getattr(self, name)[index] for name in self.__dataclass_fields__})


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What one load of a calibration showed, in percent of it (ISO 7500-1's four relative figures)."""

    load_N: float  # mean under the gauge
    readings: int
    accuracy_percent: float  # q: mean of (indicated - true)/true
    repeat_percent: float | None  # b: largest less smallest of one direction; None for a single reading
    reverse_percent: float | None  # v: indicated falling less rising; None where one direction is missing
    resolution_percent: float  # a
    best_class: str | None  # best class whose limits it keeps; None: worse than class 3


def class_of(accuracy: float, repeat: float | None, reverse: float | None, resolution: float) -> str | None:
    """Best class of ISO 7500-1 whose limits (percent) are kept; a figure that was not measured is left out."""
    for name, (q, b, v, a) in CLASS_LIMITS.items():
        if (
            abs(accuracy) <= q
            and (repeat is None or repeat <= b)
            and (reverse is None or abs(reverse) <= v)
            and resolution <= a
        ):
            return name
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrated:
    """A gauge with everything that its readings say about it."""

    gauge: Gauge
    residual_N: Floats  # (n,) indicated less true, of the readings used
    used: Readings
    sd_N: float  # scatter of one reading at the middle of the range, N
    dof: int
    hysteresis_percent: float | None  # largest |v|
    repeat_percent: float | None  # largest b
    levels: tuple[Level, ...]
    degree: int | None  # None for a spline
    tried: tuple[dict[str, Any], ...]  # degree, AICc or null, monotone
    warnings: tuple[str, ...]

    @property
    def best_class(self) -> str | None:
        """The class that every level keeps."""
        return self.class_from()[0][0] if self.levels and None not in {x.best_class for x in self.levels} else None

    def class_from(self) -> tuple[tuple[str, float], ...]:
        """(class, lowest load in N from which all loads keep its limits), from the widest range to the narrowest."""
        out: list[tuple[str, float]] = []
        worst = "0"
        for level in reversed(self.levels):
            if level.best_class is None:
                break
            worst = max(worst, level.best_class, key=float)
            out = [(name, load) for name, load in out if name != worst]
            out.append((worst, level.load_N))
        return tuple(reversed(out))


def levels_of(load_N: Floats) -> NDArray[np.int64]:
    """(n,) number of the level of each load: sorted loads more than `LEVEL_GAP_PERCENT` apart are two levels."""
    order = np.argsort(load_N, kind="stable")
    ordered = load_N[order]
    new = np.diff(ordered) > np.maximum(LEVEL_GAP_PERCENT / 100.0 * ordered[1:], 3.0)
    level = np.empty(load_N.size, dtype=np.int64)
    level[order] = np.concatenate([[0], np.cumsum(new)])
    return level


def resolution_of(reading: Floats) -> float:
    """Smallest step that all readings are multiples of, as far as their decimals show it."""
    for step in (10.0, 5.0, 2.0, 1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001):
        if np.abs(reading / step - np.round(reading / step)).max() < 1e-6:
            return step
    return 0.0


def calibrate(
    readings: Readings,
    *,
    reading_unit: str,
    direction: Direction = "both",
    curve: Literal["polynomial", "spline"] = "polynomial",
    degree: int | None = None,
    weighting: Weighting = "reading",
    resolution: float | None = None,
    load_U_percent: float = 1.0,
    path_mm: float | None = None,
    stiffness_N_per_mm: float | None = None,
    spoke_batch: str | None = None,
    made_on: str | None = None,
) -> Calibrated:
    """Fit the curve reading -> tension under the gauge, and say how good it is.

    Parameters
    ----------
    direction : readings to use: those that came from below, from above, or both.
    degree : of the polynomial, 1 to 3; None takes the one with the least AICc among those that are monotone.
    weighting : a reading's error is the same in its own unit ("reading"), in N ("equal") or in percent ("relative").
    resolution : in the reading's unit; None takes the step that all readings share.
    load_U_percent : expanded uncertainty (k = 2) of the frame's load.
    path_mm : extra path of the spoke under the gauge; None takes it from the loads before and under the gauge and
        ``stiffness_N_per_mm``, what the held spoke gains for each mm, where that is given.

    Raises
    ------
    InputError
        Too few loads, readings that do not follow the load, a degree that turns back.
    CannotAnswer
        No curve is monotone.
    """
    used = readings if direction == "both" else readings.take(readings.rising == (direction == "up"))
    if used.load_N.size == 0:
        raise InputError(f"no reading has direction '{direction}'")
    if not (used.load_N > 0.0).all():
        raise InputError(f"line {used.line[np.argmin(used.load_N)]}: load_N must be above 0")
    level = levels_of(used.load_N)
    count = int(level.max()) + 1
    if count < LEAST_LEVELS or used.load_N.size < LEAST_LEVELS + 1:
        raise InputError(
            f"{used.load_N.size} readings at {count} loads; at least {LEAST_LEVELS} loads and {LEAST_LEVELS + 1} "
            "readings are needed for a curve (a force standard asks for five loads in three series)"
        )
    _follows(used, level, count)
    step = resolution_of(used.reading) if resolution is None else resolution
    ends = (float(used.load_N.min()), float(used.load_N.max()))
    gauge, residual, sd_reading, dof, tried, best = _curve(
        used, level, count, ends, reading_unit, direction, curve, degree, weighting
    )
    path, path_sd, warnings = _path(used, path_mm, stiffness_N_per_mm)
    full = {
        "reading_sd": sd_reading,
        "resolution": step,
        "load_sd_percent": load_U_percent / COVERAGE,
        "path_mm": path,
        "path_sd_mm": path_sd,
        "spoke_batch": spoke_batch,
        "made_on": made_on,
    }
    levels = _levels(used, level, count, residual, step, gauge)
    points = tuple(
        {
            "load_before_N": None if np.isnan(b) else float(b),
            "load_N": float(t),
            "reading": float(r),
            "direction": "up" if up else "down",
            "series": str(s),
            "residual_N": float(e),
        }
        for b, t, r, up, s, e in zip(
            used.load_before_N, used.load_N, used.reading, used.rising, used.series, residual, strict=True
        )
    )
    gauge = Gauge(**(_fields(gauge) | full | {"points": points}))
    grid = np.linspace(*gauge.range_reading, 201)
    percent = 100.0 * COVERAGE * gauge.sd_N(grid) / gauge.curve_N(grid)
    gauge = Gauge(**(_fields(gauge) | {"U_percent": float(percent.max())}))
    middle = float(gauge.reading(0.5 * sum(ends))[0])
    reverse = [abs(x.reverse_percent) for x in levels if x.reverse_percent is not None]
    repeat = [x.repeat_percent for x in levels if x.repeat_percent is not None]
    sd_N = sd_reading * abs(float(gauge.slope_N(middle)))
    warnings += _warnings(used, residual, sd_reading, dof, count, gauge)
    return Calibrated(
        gauge=gauge,
        residual_N=residual,
        used=used,
        sd_N=sd_N,
        dof=dof,
        hysteresis_percent=max(reverse, default=None),
        repeat_percent=max(repeat, default=None),
        levels=levels,
        degree=best,
        tried=tried,
        warnings=tuple(warnings),
    )


def _within(gauge: Gauge, reading: Floats) -> Floats:
    """Readings moved to the ends of the range where scatter took them beyond: for slopes and residuals only."""
    ends = gauge.range_reading
    return np.clip(reading, min(ends), max(ends))


def _fields(gauge: Gauge) -> dict[str, Any]:
    return {name: getattr(gauge, name) for name in gauge.__dataclass_fields__}


def _follows(used: Readings, level: NDArray[np.int64], count: int) -> None:
    """The mean reading must rise, or fall, from load to load."""
    mean = np.array([used.reading[level == k].mean() for k in range(count)])
    steps = np.diff(mean)
    sign = np.sign(mean[-1] - mean[0])
    wrong = np.flatnonzero(steps * sign <= 0.0)
    if wrong.size or sign == 0:
        k = int(wrong[0]) if wrong.size else 0
        lines = ", ".join(str(n) for n in used.line[(level == k) | (level == k + 1)])
        loads = [used.load_N[level == j].mean() for j in (k, k + 1)]
        raise InputError(
            f"readings do not follow the load between {loads[0]:.0f} and {loads[1]:.0f} N (lines {lines}): "
            f"mean {mean[k]:.4g}, then {mean[k + 1]:.4g}"
        )


def _curve(
    used: Readings,
    level: NDArray[np.int64],
    count: int,
    ends: tuple[float, float],
    unit: str,
    direction: Direction,
    curve: str,
    degree: int | None,
    weighting: Weighting,
) -> tuple[Gauge, Floats, float, int, tuple[dict[str, Any], ...], int | None]:
    x, y = used.reading, used.load_N
    base: dict[str, Any] = {"reading_unit": unit, "direction": direction, "U_percent": 0.0}
    base["points"] = tuple({"reading": float(r)} for r in x)
    if curve == "spline":
        knots = np.array([[x[level == k].mean(), y[level == k].mean()] for k in range(count)])
        reach = (float(knots[0, 1]), float(knots[-1, 1]))
        spline = Gauge(**base, coefficients=np.empty(0), knots=knots, range_N=reach)
        residual = spline.curve_N(_within(spline, x)) - y
        dof = x.size - count
        if dof < 1:
            raise InputError("a spline goes through every load: it needs more than one reading at a load to be judged")
        slope = np.abs(spline.slope_N(_within(spline, x)))
        sd = float(np.sqrt(((residual / slope) ** 2).sum() / dof))
        # a spline has no covariance: the knots, means of n/count readings each, are as uncertain as that makes them
        return spline, residual, sd * float(np.sqrt(1.0 + count / x.size)), dof, (), None
    choices = (degree,) if degree is not None else tuple(range(1, min(3, count - 2) + 1))
    tried: list[dict[str, Any]] = []
    found: list[tuple[float, int, Gauge, Polynomial, float]] = []
    for d in choices:
        fit, size = _weighted(x, y, d, weighting)
        rss = fit.sd**2 * fit.dof * float(np.exp(2.0 * np.log(size).mean()))  # weighted, of unit geometric mean
        criterion = aicc(rss, x.size, d + 1)
        turns = np.polynomial.Polynomial(fit.coefficients).deriv().roots()
        try:
            if ((np.abs(turns.imag) < 1e-12) & (turns.real > x.min()) & (turns.real < x.max())).any():
                raise InputError("turns back among the readings")
            gauge = Gauge(**base, coefficients=fit.coefficients, knots=None, range_N=ends, covariance=fit.covariance)
        except InputError:
            tried.append({"degree": d, "AICc": criterion, "monotone": False})
            continue
        tried.append({"degree": d, "AICc": criterion, "monotone": True})
        slope = np.abs(gauge.slope_N(x))
        sd_reading = float(np.sqrt(((fit.residual / slope) ** 2).sum() / fit.dof))
        found.append((np.inf if criterion is None else criterion, d, gauge, fit, sd_reading))
    if not found:
        if degree is not None:
            raise InputError(f"a curve of degree {degree} turns back between {ends[0]:.0f} and {ends[1]:.0f} N")
        raise CannotAnswer("no curve of degree 1 to 3 rises or falls throughout: check the readings")
    _, best, gauge, fit, sd_reading = min(found, key=lambda item: item[:2])
    return gauge, -fit.residual, sd_reading, fit.dof, tuple(tried), best


def _weighted(x: Floats, y: Floats, degree: int, weighting: Weighting) -> tuple[Polynomial, Floats]:
    """The fit and the relative sizes of the standard uncertainties that it was weighted with."""
    size = y / y.mean() if weighting == "relative" else np.ones_like(y)
    fit = fit_polynomial(x, y, degree, size)
    if weighting == "reading" and degree > 1:
        for _ in range(3):  # an error of the reading counts by the slope, which the fit gives
            slope = np.abs(np.polynomial.Polynomial(fit.coefficients).deriv()(x))
            size = np.maximum(slope, 0.05 * slope.max())
            size = size / size.mean()
            fit = fit_polynomial(x, y, degree, size)
    return fit, size


def _levels(
    used: Readings, level: NDArray[np.int64], count: int, residual: Floats, resolution: float, gauge: Gauge
) -> tuple[Level, ...]:
    out: list[Level] = []
    for k in range(count):
        here = level == k
        load = float(used.load_N[here].mean())
        percent = 100.0 * residual[here] / used.load_N[here]
        rising = used.rising[here]
        spans = [float(np.ptp(part)) for part in (percent[rising], percent[~rising]) if part.size > 1]
        both = rising.any() and not rising.all()
        reverse = float(percent[~rising].mean() - percent[rising].mean()) if both else None
        slope = abs(float(gauge.slope_N(used.reading[here].mean())))
        accuracy, repeat = float(percent.mean()), max(spans, default=None)
        step = 100.0 * resolution * slope / load
        out.append(
            Level(
                load_N=load,
                readings=int(here.sum()),
                accuracy_percent=accuracy,
                repeat_percent=repeat,
                reverse_percent=reverse,
                resolution_percent=step,
                best_class=class_of(accuracy, repeat, reverse, step),
            )
        )
    return tuple(out)


def _path(
    used: Readings, path_mm: float | None, stiffness_N_per_mm: float | None
) -> tuple[float | None, float, list[str]]:
    gain = (used.load_N - used.load_before_N)[np.isfinite(used.load_before_N)]
    if path_mm is not None:
        return path_mm, 0.0, []
    if stiffness_N_per_mm is None or gain.size == 0:
        return (
            None,
            0.0,
            ["path_mm is not known: readings give the tension under the gauge, not that of the free spoke"],
        )
    if gain.mean() <= 0.0:
        raise InputError("load_N under the gauge is not above load_before_N: was the position held?")
    sd = float(gain.std(ddof=1)) / stiffness_N_per_mm if gain.size > 1 else 0.0
    return float(gain.mean()) / stiffness_N_per_mm, sd, []


def _warnings(used: Readings, residual: Floats, sd: float, dof: int, count: int, gauge: Gauge) -> list[str]:
    out: list[str] = []
    if count < 5:
        out.append(f"{count} loads; a force standard asks for at least five")
    if np.unique(used.series).size < 3:
        out.append(f"{np.unique(used.series).size} series; a force standard asks for three, and repeatability is rough")
    if dof < 10:
        out.append(f"only {dof} degrees of freedom: k = 2 covers somewhat less than 95 %")
    slope = np.abs(gauge.slope_N(_within(gauge, used.reading)))
    far = np.flatnonzero(np.abs(residual) > OUTLIER_SD * sd * slope)
    if far.size and sd > 0.0:
        out.append(f"line {', '.join(str(used.line[i]) for i in far)}: far off the curve: misread?")
    return out
