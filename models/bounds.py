"""Bounds written in a function's signature, and the check that holds every call to them."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, ParamSpec, TypeVar, get_args, get_origin, get_type_hints

import numpy as np

from models.errors import InputError

P = ParamSpec("P")
R = TypeVar("R")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """What a parameter is measured in and where it may lie; both ends are left out unless ``closed``."""

    unit: str
    low: float = 0.0
    high: float = np.inf
    closed: bool = False  # the ends themselves are allowed

    def allow(self, value: object) -> bool:
        """Whether every element is finite and lies within."""
        x = np.asarray(value, dtype=np.float64)
        inside = (x >= self.low) & (x <= self.high) if self.closed else (x > self.low) & (x < self.high)
        return bool((inside & np.isfinite(x)).all())

    def __str__(self) -> str:
        low, high = ("[", "]") if self.closed else ("(", ")")
        return f"{low}{self.low:g}, {self.high:g}{high} {self.unit}"


def bounds_of(function: Callable[..., Any]) -> dict[str, Bounds]:
    """Bounds of each parameter that carries them in its annotation, in the order of the signature."""
    hints = get_type_hints(inspect.unwrap(function), include_extras=True)
    found: dict[str, Bounds] = {}
    for name, hint in hints.items():
        if get_origin(hint) is Annotated:
            found[name] = next(part for part in get_args(hint)[1:] if isinstance(part, Bounds))
    return found


def bounded(function: Callable[P, R]) -> Callable[P, R]:
    """Refuse a call whose parameters leave the bounds of the signature; nothing is clamped.

    Raises
    ------
    InputError
        Names the function, the parameter, its value and what is allowed.
    """
    bounds = bounds_of(function)
    signature = inspect.signature(function)

    @functools.wraps(function)
    def checked(*args: P.args, **kwargs: P.kwargs) -> R:
        given = signature.bind(*args, **kwargs).arguments
        for name, limit in bounds.items():
            if name in given and not limit.allow(given[name]):
                law = function.__name__.replace("_", " ")
                raise InputError(f"{law}: {name} is {given[name]}; {limit} is allowed")
        return function(*args, **kwargs)

    return checked
