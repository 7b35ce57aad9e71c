"""A handheld gauge's curve in use: reading to tension and back, each with its uncertainty, never beyond its range."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError

Floats = NDArray[np.float64]
Direction = Literal["up", "down", "both"]
DIRECTIONS: tuple[Direction, ...] = ("up", "down", "both")
COVERAGE = 2.0  # k of an expanded uncertainty
STRONGEST_N = 1e5  # ten tonnes: no gauge of spokes
LARGEST = 1e60  # of any number in a record: what is beyond would overflow when squared


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """Calibration record of one gauge on one kind of spoke, as in GAUGE.json.

    A gauge bends the spoke and so loads it: the curve gives the tension *under the gauge*; `true_tension_N` takes the
    bending off again.
    """

    reading_unit: str  # what the dial says, free text
    direction: Direction  # how the spoke came to its load: rising, falling, or both mixed
    coefficients: Floats  # (d + 1,) tension under the gauge in N = sum c_k reading^k; empty for a spline
    knots: Floats | None  # (m, 2) reading and tension of a monotone spline; None for a polynomial
    range_N: tuple[float, float]  # tensions under the gauge between which it was calibrated
    U_percent: float  # largest expanded uncertainty (k = 2) of one reading within the range
    covariance: Floats | None = None  # (d + 1, d + 1) of the coefficients; None where the file has none
    reading_sd: float | None = None  # scatter of one reading about the curve, in its own unit
    resolution: float = 0.0  # smallest step that can be read
    load_sd_percent: float = 0.0  # standard uncertainty of the frame's load
    path_mm: float | None = None  # how much longer the gauge makes the spoke's path; None where not known
    path_sd_mm: float = 0.0
    points: tuple[Mapping[str, Any], ...] = ()
    spoke_batch: str | None = None
    made_on: str | None = None  # date
    extra: Mapping[str, Any] = field(default_factory=dict)  # further keys of the file

    def __post_init__(self) -> None:
        low, high = self.range_N
        if not (np.isfinite(self.range_N).all() and 0.0 <= low < high):
            raise InputError(f"range_N is {list(self.range_N)}; two rising tensions in N, not negative, are needed")
        if self.knots is None and not 2 <= self.coefficients.size <= 4:
            raise InputError("coefficients: two to four are needed (a polynomial of degree 1 to 3)")
        if not np.isfinite(self.coefficients).all():
            raise InputError("coefficients must be finite")
        if self.direction not in DIRECTIONS:
            raise InputError(f"direction is '{self.direction}'; up, down or both is allowed")
        if not (np.isfinite(self.U_percent) and self.U_percent >= 0.0):
            raise InputError("U_percent must be a number that is not negative")
        _reading_range(self)  # refuses a curve that turns back

    @property
    def range_reading(self) -> tuple[float, float]:
        """Readings at the two ends of `range_N` (falling where the dial falls with tension)."""
        return _reading_range(self)

    def curve_N(self, reading: object) -> Floats:
        """(...) tension under the gauge in N, without any check of the range."""
        return _value(self, np.asarray(reading, dtype=np.float64), 0)

    def slope_N(self, reading: object) -> Floats:
        """(...) N for one unit of reading."""
        return _value(self, np.asarray(reading, dtype=np.float64), 1)

    def sd_N(self, reading: object) -> Floats:
        """(...) standard uncertainty of the tension under the gauge from one reading, N.

        After the Guide to the Expression of Uncertainty (JCGM 100:2008, 5.2.2): curve (covariance of the
        coefficients), scatter of a single reading, resolution (rectangular, 5.2.2 and F.2.2.1) and load of the frame,
        combined in quadrature. Where the record gives only U_percent: U_percent/2 of the tension.
        """
        r = np.asarray(reading, dtype=np.float64)
        tension = self.curve_N(r)
        if self.reading_sd is None:
            return self.U_percent / 100.0 / COVERAGE * np.abs(tension)
        slope = self.slope_N(r)
        variance = (slope * self.reading_sd) ** 2 + (slope * self.resolution) ** 2 / 12.0
        variance = variance + (self.load_sd_percent / 100.0 * tension) ** 2
        if self.covariance is not None:
            powers = r[..., None] ** np.arange(self.coefficients.size)
            variance = variance + np.einsum("...i,ij,...j->...", powers, self.covariance, powers)
        sd: Floats = np.sqrt(variance)
        return sd

    def tension_N(self, reading: object) -> tuple[Floats, Floats]:
        """(...) tension under the gauge, N, and its standard uncertainty.

        Raises
        ------
        InputError
            Names a reading off the curve: nothing is extrapolated.
        """
        r = np.asarray(reading, dtype=np.float64)
        ends = sorted(self.range_reading)
        reach = 1e-9 * (ends[1] - ends[0])
        off = ~((r >= ends[0] - reach) & (r <= ends[1] + reach))
        if off.any():
            first = float(np.atleast_1d(r)[np.argmax(np.atleast_1d(off))])
            raise InputError(
                f"reading {first:g} {self.reading_unit} is off the gauge's curve: it was calibrated from "
                f"{ends[0]:.4g} to {ends[1]:.4g} {self.reading_unit} ({self.range_N[0]:.0f} to {self.range_N[1]:.0f} N)"
            )
        return self.curve_N(r), self.sd_N(r)

    def reading(self, tension_N: object) -> tuple[Floats, Floats]:
        """(...) reading at a tension under the gauge, and its standard uncertainty in the reading's unit.

        Raises
        ------
        InputError
            Names a tension outside the range.
        """
        wanted = np.asarray(tension_N, dtype=np.float64)
        reach = 1e-9 * self.range_N[1]
        off = ~((wanted >= self.range_N[0] - reach) & (wanted <= self.range_N[1] + reach))
        if off.any():
            first = float(np.atleast_1d(wanted)[np.argmax(np.atleast_1d(off))])
            raise InputError(
                f"{first:.1f} N under the gauge is outside its curve: it was calibrated from "
                f"{self.range_N[0]:.0f} to {self.range_N[1]:.0f} N"
            )
        at_low, at_high = self.range_reading
        low, high = np.full(wanted.shape, at_low), np.full(wanted.shape, at_high)
        for _ in range(100):  # the curve is monotone, so halving is sure
            middle = 0.5 * (low + high)
            over = self.curve_N(middle) > wanted
            low, high = np.where(over, low, middle), np.where(over, middle, high)
        found: Floats = 0.5 * (low + high)
        return found, self.sd_N(found) / np.abs(self.slope_N(found))

    def true_tension_N(self, reading: object, stiffness_N_per_mm: object) -> tuple[Floats, Floats]:
        """(...) tension of the spoke with the gauge taken off, N, and its standard uncertainty.

        Tension under the gauge less path x the stiffness that the spoke meets there: in a wheel the own tension's
        answer to one mm of shortening of that spoke, on a frame that holds position its stiffness EA/L.

        Raises
        ------
        InputError
            Off the curve, or the record has no path.
        """
        under, sd = self.tension_N(reading)
        k = np.asarray(stiffness_N_per_mm, dtype=np.float64)
        return under - self._path(k) * k, np.hypot(sd, self.path_sd_mm * k)

    def reading_for(self, true_tension_N: object, stiffness_N_per_mm: object) -> tuple[Floats, Floats]:
        """(...) reading at which a spoke stands at a tension once the gauge is off; inverse of `true_tension_N`."""
        k = np.asarray(stiffness_N_per_mm, dtype=np.float64)
        found, sd = self.reading(np.asarray(true_tension_N, dtype=np.float64) + self._path(k) * k)
        return found, np.hypot(sd, self.path_sd_mm * k / np.abs(self.slope_N(found)))

    def _path(self, stiffness: Floats) -> float:
        if not ((stiffness >= 0.0) & np.isfinite(stiffness)).all():
            raise InputError("a stiffness is a number in N/mm that is not negative")
        if self.path_mm is None:
            raise InputError("path_mm is missing: without the gauge's extra path its own load cannot be taken off")
        return self.path_mm

    def as_dict(self) -> dict[str, Any]:
        """The content of GAUGE.json."""
        return {
            "kind": "calibration record",
            "reading_unit": self.reading_unit,
            "direction": self.direction,
            "curve": "polynomial" if self.knots is None else "monotone spline",
            "coefficients": self.coefficients.tolist(),
            "knots": None if self.knots is None else self.knots.tolist(),
            "covariance": None if self.covariance is None else self.covariance.tolist(),
            "range_N": list(self.range_N),
            "range_reading": list(self.range_reading),
            "reading_sd": self.reading_sd,
            "resolution": self.resolution,
            "load_sd_percent": self.load_sd_percent,
            "path_mm": self.path_mm,
            "path_sd_mm": self.path_sd_mm,
            "U_percent": self.U_percent,
            "points": [dict(p) for p in self.points],
            "spoke_batch": self.spoke_batch,
            "made_on": self.made_on,
            **self.extra,
        }

    @classmethod
    def from_dict(cls, d: Mapping[str, Any]) -> Gauge:
        """Read GAUGE.json; ``coefficients``, ``range_N`` and ``U_percent`` are needed.

        Raises
        ------
        InputError
            Names the key that is missing or wrong.
        """
        for key in ("coefficients", "range_N", "U_percent"):
            if key not in d:
                raise InputError(f"key '{key}' is missing: a gauge file needs coefficients, range_N and U_percent")

        def array(key: str) -> Floats | None:
            if d.get(key) is None:
                return None
            try:
                values = np.asarray(d[key], dtype=np.float64)
            except (TypeError, ValueError, OverflowError):
                raise InputError(f"key '{key}' must hold numbers") from None
            if not (np.abs(values) < LARGEST).all():
                raise InputError(f"key '{key}' holds a number that is not finite, or larger than any gauge's")
            return values

        def number(key: str, default: float | None) -> float | None:
            value = d.get(key, default)
            if value is None:
                return None
            if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < LARGEST:
                raise InputError(f"key '{key}' must be a number, not {value!r}")
            return float(value)

        coefficients, ends, knots, covariance = (array(k) for k in ("coefficients", "range_N", "knots", "covariance"))
        if ends is None or ends.shape != (2,) or not (np.abs(ends) <= STRONGEST_N).all():
            raise InputError(f"key 'range_N' must hold two tensions in N, {STRONGEST_N:g} at most")
        if coefficients is None or coefficients.ndim != 1:
            raise InputError("key 'coefficients' must be a list of numbers")
        if knots is not None and (knots.ndim != 2 or knots.shape[1] != 2 or len(knots) < 3):
            raise InputError("key 'knots' must be a list of at least three pairs of reading and tension")
        if covariance is not None and covariance.shape != (coefficients.size, coefficients.size):
            raise InputError("key 'covariance' must be square, one row for each coefficient")
        if covariance is not None and covariance.size:
            own = np.linalg.eigvalsh(0.5 * (covariance + covariance.T))
            if own[0] < -1e-6 * abs(own[-1]):
                raise InputError(
                    "key 'covariance' is none: some combination of coefficients would have a negative variance"
                )
        points = d.get("points", ())
        known = set(cls.__dataclass_fields__) | {"kind", "curve", "range_reading"}
        return cls(
            reading_unit=str(d.get("reading_unit", "")),
            direction=d.get("direction", "both"),
            coefficients=coefficients,
            knots=knots,
            range_N=(float(ends[0]), float(ends[1])),
            U_percent=number("U_percent", None) or 0.0,
            covariance=covariance,
            reading_sd=number("reading_sd", None),
            resolution=number("resolution", 0.0) or 0.0,
            load_sd_percent=number("load_sd_percent", 0.0) or 0.0,
            path_mm=number("path_mm", None),
            path_sd_mm=number("path_sd_mm", 0.0) or 0.0,
            points=tuple(points) if isinstance(points, list | tuple) else (),
            spoke_batch=d.get("spoke_batch"),
            made_on=d.get("made_on"),
            extra={k: v for k, v in d.items() if k not in known},
        )


def _value(gauge: Gauge, reading: Floats, derivative: int) -> Floats:
    if gauge.knots is None:
        poly = np.polynomial.Polynomial(gauge.coefficients)
        out: Floats = poly.deriv(derivative)(reading) if derivative else poly(reading)
        return out
    from scipy.interpolate import PchipInterpolator

    order = np.argsort(gauge.knots[:, 0])
    spline = PchipInterpolator(gauge.knots[order, 0], gauge.knots[order, 1])
    value: Floats = spline(reading, nu=derivative)
    return value


def _reading_range(gauge: Gauge) -> tuple[float, float]:
    """Readings at both ends of the range, on the branch that is monotone between them."""
    low, high = gauge.range_N
    if gauge.knots is not None:
        order = np.argsort(gauge.knots[:, 1])
        reading, tension = gauge.knots[order].T
        step = np.diff(reading)
        if (np.diff(tension) <= 0.0).any() or not ((step > 0.0).all() or (step < 0.0).all()):
            raise InputError("the curve turns back: knots must rise or fall throughout")
        if low < tension[0] - 1e-9 * high or high > tension[-1] + 1e-9 * high:
            raise InputError("range_N reaches beyond the knots")
        return float(np.interp(low, tension, reading)), float(np.interp(high, tension, reading))
    poly = np.polynomial.Polynomial(gauge.coefficients)
    turns = [float(t.real) for t in poly.deriv().roots() if abs(t.imag) < 1e-12 * (1.0 + abs(t.real))]

    def roots(level: float) -> list[float]:
        found = (poly - level).roots()
        return [float(x.real) for x in found if abs(x.imag) < 1e-9 * (1.0 + abs(x.real))]

    pairs = [(a, b) for a in roots(low) for b in roots(high) if not any(min(a, b) <= t <= max(a, b) for t in turns)]
    if not pairs:
        raise InputError("the curve turns back or does not reach range_N: a gauge's curve must rise or fall throughout")
    near = _near(gauge)
    return min(pairs, key=lambda ab: abs(0.5 * (ab[0] + ab[1]) - near) if near is not None else abs(ab[0] - ab[1]))


def _near(gauge: Gauge) -> float | None:
    """Where the readings were: tells two branches of a curve apart."""
    seen = [p.get("reading") for p in gauge.points if isinstance(p, Mapping)]
    numbers = [float(x) for x in seen if isinstance(x, int | float)]
    return float(np.mean(numbers)) if numbers else None
