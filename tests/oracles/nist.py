"""Reads the certified data sets of datasets/reference/nist."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

FOLDER = Path(__file__).parents[2] / "datasets" / "reference" / "nist"


@dataclass(frozen=True, slots=True, kw_only=True)
class Certified:
    x: np.ndarray
    y: np.ndarray
    start: tuple[np.ndarray, np.ndarray]
    parameters: np.ndarray
    sd: np.ndarray
    residual_sd: float
    rss: float
    dof: int


def certified(name: str) -> Certified:
    """Data from line 61 (y first, then x), certified values above it."""
    lines = (FOLDER / f"{name}.dat").read_text(encoding="ascii").splitlines()
    rows = [[float(v) for v in line.split("=")[1].split()] for line in lines if re.match(r"\s*b\d+\s*=", line)]
    table = np.array(rows)

    def after(title: str) -> float:
        return float(next(line for line in lines if line.startswith(title)).split(":")[1])

    y, x = np.array([[float(v) for v in line.split()] for line in lines[60:] if line.strip()]).T
    return Certified(
        x=x,
        y=y,
        start=(table[:, 0], table[:, 1]),
        parameters=table[:, 2],
        sd=table[:, 3],
        residual_sd=after("Residual Standard Deviation"),
        rss=after("Residual Sum of Squares"),
        dof=int(after("Degrees of Freedom")),
    )
