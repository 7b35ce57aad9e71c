"""Batches and builds for the planner's tests: the reference spoke with a stated scatter; small wheels that step quickly."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from models.batch import Batch
from planner.build import Build, build_of, load_build
from tests.golden import default_chain

DEMO = Path(__file__).parents[2] / "datasets" / "demo" / "build.toml"
RIM = {
    "area_mm2": 85.0,
    "in_plane_inertia_mm4": 2100.0,
    "out_of_plane_inertia_mm4": 8400.0,
    "torsion_constant_mm4": 2600.0,
}


def batch(scatter: float = 1.0, spokes: int = 30, creep: float = 1.0, **parts: bool) -> Batch:
    """The reference spoke; ``creep`` multiplies its recoverable part, ``scatter`` its spread."""
    chain = default_chain(**parts).scaled(recoverable=creep).as_dict()
    sd = {"elastic": 0.04, "recoverable": 0.10, "bedding": 0.15, "flow": 0.4}
    spread = {"log_sd": {k: scatter * v for k, v in sd.items()}, "correlation": np.eye(4).tolist(), "spokes": spokes}
    return Batch.from_dict({"batch": "INVENTED-1", "chain": chain, "spread": spread})


def build(spokes: int = 16, **tables: dict[str, Any]) -> Build:
    """A small front wheel on a small frame."""
    wheel = {"spokes": spokes, "crosses": 1, "rim": RIM, **tables.pop("wheel", {})}
    shop = {"stations": spokes, **tables.pop("shop", {})}
    return build_of({"wheel": wheel, "shop": shop, **tables})


def demo_build(**tension: float) -> Build:
    """The demonstration's wheel, with some of what is asked of its tension changed."""
    content = load_build(DEMO).as_dict()
    content["tension"] |= tension
    return build_of(content)
