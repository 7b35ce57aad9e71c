"""A force as it is typed on the command line: "1500", "981 N", "100 kgf"."""

from __future__ import annotations

import math

from models.errors import InputError
from models.units import parse_force_N


def typed_force_N(text: str, option: str, low: float = 0.0, high: float = math.inf) -> float:
    """The force in N.

    Raises
    ------
    InputError
        Names the option and what is possible.
    """
    try:
        try:
            value = float(text)
        except ValueError:
            value = parse_force_N(text)
    except ValueError as error:
        raise InputError(f"{option}: {error}") from None
    if not math.isfinite(value) or not low <= value <= high or value <= 0:
        span = "above 0 N is" if math.isinf(high) else f"{low:g} to {high:g} N are"
        raise InputError(f"{option} is {text}; {span} possible")
    return value
