"""Invented builds for the blind trial: BUILD.toml as a person would write it, and the wheel that it is in truth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from tests.blind.hidden import HiddenBatch
from tests.blind.wheelref import Ring, Wheel

USUAL_SHOP: dict[str, Any] = {
    "temperature_C": 20.0,
    "mount_min_per_spoke": 3.0,
    "slack_h": 0.5,
    "lacing_tension_N": 100.0,
    "laced_h": 11.5,
    "set_session_h": 1.0,
    "set_profile": [[0.30, 0.2], [0.60, 0.2], [0.85, 0.2]],
    "pass_session_h": 0.5,
    "pass_interval_h": 14.0,
    "max_bench_load_N": 1600.0,
    "max_bench_h": 16.0,
    "bench_temperature_C": 20.0,
    "overnight_bench": True,
}
HUBS = {
    "front": ({"flange_to_centre_mm": 35.0}, {"flange_to_centre_mm": 35.0}),
    "disc front": ({"flange_to_centre_mm": 26.0}, {"flange_to_centre_mm": 36.0}),
    "rear": ({"flange_to_centre_mm": 36.0}, {"flange_to_centre_mm": 20.0}),
}


def _box(mass_g: float, depth: float, width: float, radius: float, density_g_per_cm3: float) -> dict[str, float]:
    """A thin-walled box of the rim's mass: what depth, width and mass alone say of its section."""
    area = mass_g / density_g_per_cm3 * 1e3 / (2.0 * math.pi * radius)
    t = area / (2.0 * (depth + width))
    return {
        "area_mm2": area,
        "in_plane_inertia_mm4": t * (depth**3 / 6.0 + width * depth**2 / 2.0),
        "out_of_plane_inertia_mm4": t * (width**3 / 6.0 + depth * width**2 / 2.0),
        "torsion_constant_mm4": 0.5 * 4.0 * (depth * width) ** 2 * t / (2.0 * (depth + width)),
    }


def draw_build(seed: int, batch: HiddenBatch) -> tuple[dict[str, Any], Wheel]:
    """A build for a batch (7 % tolerance) and its wheel in truth, a few percent off what is written."""
    rng = np.random.default_rng([seed, 21])
    spokes = int(rng.choice([20, 24, 28, 32]))
    crosses = 3 if spokes == 32 and rng.random() < 0.5 else 2
    hub = str(rng.choice(list(HUBS)))
    radius = float(rng.choice([299.0, 302.0, 296.0]))
    carbon = rng.random() < 0.4
    stiffness = (
        {"youngs_modulus_MPa": 60000.0, "shear_modulus_MPa": 18000.0}
        if carbon
        else {"youngs_modulus_MPa": 69000.0, "shear_modulus_MPa": 26000.0}
    )
    depth, width = (
        (float(rng.uniform(30, 50)), float(rng.uniform(26, 31)))
        if carbon
        else (float(rng.uniform(18, 26)), float(rng.uniform(24, 30)))
    )
    mass = float(rng.uniform(420, 520))
    section = _box(mass, depth, width, radius, 1.55 if carbon else 2.70)
    left, right = ({"hole_circle_diameter_mm": 45.0, "hole_mm": 3.2, **side} for side in HUBS[hub])
    rough = rng.random() < 0.25  # the builder knows only material, mass, depth, width
    true = {k: v * math.exp(rng.normal(0.0, 0.12 if rough and k != "area_mm2" else 0.03)) for k, v in section.items()}
    rim: dict[str, Any] = {
        "max_tension_N": 1300.0,
        "material": "carbon" if carbon else "aluminium",
        "mass_g": round(mass),
        "depth_mm": round(depth, 1),
        "width_mm": round(width, 1),
    }
    if not rough:
        rim |= {k: round(v, 2) for k, v in section.items()} | stiffness
    stations = int(rng.choice([4, 8, 14, 28]))
    seating = float(rng.choice([0.02, 0.02, 0.03]))
    build = {
        "name": f"invented {hub} {spokes}, blind batch {seed}",
        "wheel": {
            "spokes": spokes,
            "crosses": crosses,
            "rim_seat_diameter_mm": 2.0 * radius,
            "first_spoke": "leading",
            "seating_mm": seating,
            "seating_sd_mm": 0.01,
            "rim": rim,
            "hub": {"left": left, "right": right, "max_tension_N": 1500.0},
        },
        "spoke": {
            "fibre_length_mm": round(radius - 14.0),
            "linear_density_g_per_m": round(batch.linear_density_g_per_m, 2),
            "hub_end": "loop",
            "break_load_N": float(rng.choice([2700.0, 2900.0])),
            "max_fraction_of_break_bench": 0.6,
            "max_fraction_of_break_wheel": 0.48,
            "thread_pitch_mm": 0.4536,
            "thread_length_mm": 12.0,
        },
        "tension": {
            "target_N": 981.0,
            "tolerance_percent": 7.0,
            "balance_percent": 8.0,
            "probability": 0.9,
            "settled_percent": 3.0,
            "delivery_h": 48.0,
            "horizon_h": 720.0,
            "reading_repeat_percent": 1.0,
            "reading_bias_percent": 1.0 if batch.nasty else 0.0,
        },
        "shop": {
            **USUAL_SHOP,
            "stations": stations,
            "spokes_per_station": int(rng.choice([1, 2])) if stations < 28 else 1,
            "stress_relief": {"squeezes": int(rng.choice([0, 2, 2])), "peak_fraction": 1.25, "seconds": 3.0},
        },
    }
    ring = Ring(
        spokes=spokes,
        crosses=(crosses, crosses),
        radius_mm=radius,
        hole_radius_mm=(22.5, 22.5),
        offset_mm=(left["flange_to_centre_mm"], right["flange_to_centre_mm"]),
        EA_N=stiffness["youngs_modulus_MPa"] * true["area_mm2"],
        EI_in_Nmm2=stiffness["youngs_modulus_MPa"] * true["in_plane_inertia_mm4"],
        EI_out_Nmm2=stiffness["youngs_modulus_MPa"] * true["out_of_plane_inertia_mm4"],
        GJ_Nmm2=stiffness["shear_modulus_MPa"] * true["torsion_constant_mm4"],
    )
    return build, Wheel.of(ring)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    return repr(value)


def as_toml(build: Mapping[str, Any]) -> str:
    """BUILD.toml; tables one deep, what is deeper inline."""
    lines = [f'name = "{build["name"]}"']
    for key, table in build.items():
        if isinstance(table, Mapping):
            lines.append(f"\n[{key}]")
            lines += [f"{k} = {_value(v)}" for k, v in table.items()]
    return "\n".join(lines) + "\n"
