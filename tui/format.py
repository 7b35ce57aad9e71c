"""How numbers are shown to a person: units, how many places, and one rounding rule.

The rule: to the nearest, a tie to the even digit, decided on the decimal digits that the number prints with
(ISO 80000-1:2009 Annex B, rule A; from memory). What is not known is shown as a dash, never as a number.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from decimal import ROUND_HALF_EVEN, Decimal

from models.units import KGF_N

UNKNOWN = "-"


def rounded(value: float, places: int) -> Decimal:
    """The value to ``places`` decimal places (negative: tens, hundreds); never a negative zero."""
    step = Decimal(1).scaleb(-places)
    result = (Decimal(repr(float(value))) / step).to_integral_value(rounding=ROUND_HALF_EVEN) * step
    return abs(result) if result == 0 else result


def number(value: float | None, places: int = 0) -> str:
    """Digits alone, or a dash where there is no finite value."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    result = rounded(value, places)
    return f"{result:.{max(places, 0)}f}"


def with_unit(value: float | None, unit: str, places: int = 0) -> str:
    """Number and unit, or a dash alone."""
    digits = number(value, places)
    return digits if digits == UNKNOWN else f"{digits} {unit}"


def force(load_N: float | None) -> str:
    """A force as a builder reads it: whole newtons, and kgf to a tenth."""
    if load_N is None or not math.isfinite(load_N):
        return UNKNOWN
    return f"{number(load_N)} N ({number(load_N / KGF_N, 1)} kgf)"


def both_sides(tension_N: tuple[float, float]) -> str:
    """Tension of left and right side: one force where they read the same."""
    left, right = tension_N
    return force(left) if round(left) == round(right) else f"{force(left)} left, {force(right)} right"


def percent(value: float | None, places: int = 1) -> str:
    """A value that is already in percent."""
    return with_unit(value, "%", places)


def signed(value: float | None, places: int = 1) -> str:
    """Digits with their sign, for differences."""
    digits = number(value, places)
    return digits if digits == UNKNOWN or digits.startswith("-") or float(digits) == 0 else f"+{digits}"


def duration(seconds: float | None) -> str:
    """How long, in the two largest units that matter: 45 s, 4 min, 3 h 20 min, 2 d 4 h."""
    if seconds is None or not math.isfinite(seconds):
        return UNKNOWN
    if seconds < 0:
        return f"-{duration(-seconds)}"
    whole_s = int(rounded(seconds, 0))
    if whole_s < 100:
        return f"{whole_s} s"
    minutes = int(rounded(seconds / 60, 0))
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        h, m = divmod(minutes, 60)
        return f"{h} h {m} min" if m else f"{h} h"
    d, h = divmod(int(rounded(seconds / 3600, 0)), 24)
    return f"{d} d {h} h" if h else f"{d} d"


def stopwatch(seconds: float) -> str:
    """Time since a start as 03:12:44; hours go on past a day."""
    whole = math.floor(max(seconds, 0.0))
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def utc(at_utc: float | None, *, seconds: bool = False) -> str:
    """A moment in UTC: 2026-03-02 21:40Z."""
    if at_utc is None or not math.isfinite(at_utc):
        return UNKNOWN
    return datetime.fromtimestamp(at_utc, UTC).strftime("%Y-%m-%d %H:%M:%SZ" if seconds else "%Y-%m-%d %H:%MZ")


def counted(n: int, noun: str, plural: str | None = None) -> str:
    """``1 pass``, ``3 passes``, ``no passes``."""
    plural = plural if plural is not None else f"{noun}s"
    return f"{n if n else 'no'} {noun if n == 1 else plural}"
