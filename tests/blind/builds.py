"""Invented builds for the blind trial: BUILD.toml as a person would write it, and the wheel that it is in truth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
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
EXAMPLE_SHARE = 0.6
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


EXAMPLE_RIM: dict[str, Any] = {
    "max_tension_N": 1300.0,
    "material": "aluminium",
    "mass_g": 480,
    "depth_mm": 25.0,
    "width_mm": 30.0,
    "area_mm2": 85.0,
    "youngs_modulus_MPa": 69000.0,
    "shear_modulus_MPa": 26000.0,
    "in_plane_inertia_mm4": 2100.0,
    "out_of_plane_inertia_mm4": 8400.0,
    "torsion_constant_mm4": 2600.0,
    "expansion_per_K": 23e-6,
}
SECTION = ("area_mm2", "in_plane_inertia_mm4", "out_of_plane_inertia_mm4", "torsion_constant_mm4")


@dataclass(frozen=True, kw_only=True)
class _Parts:
    """What differs from build to build."""

    spokes: int
    crosses: int
    hub: str
    radius_mm: float
    rim: dict[str, Any]  # as the builder writes it
    section: dict[str, float]  # what the builder would write of the section if he knew it all
    modulus_MPa: tuple[float, float]
    unknown: float  # sd of what the builder does not know of the section, log
    stations: int
    spokes_per_station: int
    seating_mm: float
    squeezes: int
    break_load_N: float


def _example() -> _Parts:
    """The worked example of the build file: a symmetrical front wheel of 28 on a frame of four stations."""
    return _Parts(
        spokes=28,
        crosses=2,
        hub="front",
        radius_mm=299.0,
        rim=EXAMPLE_RIM,
        section={k: EXAMPLE_RIM[k] for k in SECTION},
        modulus_MPa=(69000.0, 26000.0),
        unknown=0.03,
        stations=4,
        spokes_per_station=1,
        seating_mm=0.02,
        squeezes=2,
        break_load_N=2700.0,
    )


def _variant(rng: np.random.Generator) -> _Parts:
    """Another wheel and another shop: 20 to 32 spokes, dished or not, carbon or aluminium, known well or roughly."""
    spokes = int(rng.choice([20, 24, 28, 32]))
    crosses = 3 if spokes == 32 and rng.random() < 0.5 else 2
    hub = str(rng.choice(list(HUBS)))
    radius = float(rng.choice([299.0, 302.0, 296.0]))
    carbon = rng.random() < 0.4
    modulus = (60000.0, 18000.0) if carbon else (69000.0, 26000.0)
    depth, width = (
        (float(rng.uniform(30, 50)), float(rng.uniform(26, 31)))
        if carbon
        else (float(rng.uniform(18, 26)), float(rng.uniform(24, 30)))
    )
    mass = float(rng.uniform(420, 520))
    section = _box(mass, depth, width, radius, 1.55 if carbon else 2.70)
    rough = rng.random() < 0.25  # the builder knows only material, mass, depth, width
    rim: dict[str, Any] = {
        "max_tension_N": 1300.0,
        "material": "carbon" if carbon else "aluminium",
        "mass_g": round(mass),
        "depth_mm": round(depth, 1),
        "width_mm": round(width, 1),
    }
    if not rough:
        rim |= {k: round(v, 2) for k, v in section.items()}
        rim |= {"youngs_modulus_MPa": modulus[0], "shear_modulus_MPa": modulus[1]}
    stations = int(rng.choice([4, 8, 14, 28]))
    return _Parts(
        spokes=spokes,
        crosses=crosses,
        hub=hub,
        radius_mm=radius,
        rim=rim,
        section=section,
        modulus_MPa=modulus,
        unknown=0.12 if rough else 0.03,
        stations=stations,
        spokes_per_station=int(rng.choice([1, 2])) if stations < 28 else 1,
        seating_mm=float(rng.choice([0.02, 0.02, 0.03])),
        squeezes=int(rng.choice([0, 2, 2])),
        break_load_N=float(rng.choice([2700.0, 2900.0])),
    )


def draw_build(seed: int, batch: HiddenBatch) -> tuple[dict[str, Any], Wheel]:
    """A build for a batch (7 % tolerance) and its wheel in truth, a few percent off what is written.

    Six in ten are the worked example of the build file, with the batch's own linear density; the others vary.
    """
    rng = np.random.default_rng([seed, 21])
    parts = _example() if rng.random() < EXAMPLE_SHARE else _variant(rng)
    true = {
        k: v * math.exp(rng.normal(0.0, min(parts.unknown, 0.03) if k == "area_mm2" else parts.unknown))
        for k, v in parts.section.items()
    }
    # the loop must pass the flange's hole: the example's 2.6 mm lets fibre of up to 4.6 g/m through
    hole = 2.6 if batch.area_mm2 < 0.88 * math.pi / 4.0 * 2.6**2 else 3.2
    left, right = ({"hole_circle_diameter_mm": 45.0, "hole_mm": hole, **side} for side in HUBS[parts.hub])
    build = {
        "name": f"invented {parts.hub} {parts.spokes}, blind batch {seed}",
        "wheel": {
            "spokes": parts.spokes,
            "crosses": parts.crosses,
            "rim_seat_diameter_mm": 2.0 * parts.radius_mm,
            "first_spoke": "leading",
            "seating_mm": parts.seating_mm,
            "seating_sd_mm": 0.01,
            "rim": parts.rim,
            "hub": {"left": left, "right": right, "max_tension_N": 1500.0},
        },
        "spoke": {
            "fibre_length_mm": round(parts.radius_mm - 14.0),
            "linear_density_g_per_m": round(batch.linear_density_g_per_m, 2),
            "hub_end": "loop",
            "break_load_N": parts.break_load_N,
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
            "stations": parts.stations,
            "spokes_per_station": parts.spokes_per_station,
            "stress_relief": {"squeezes": parts.squeezes, "peak_fraction": 1.25, "seconds": 3.0},
        },
    }
    young, shear = parts.modulus_MPa
    ring = Ring(
        spokes=parts.spokes,
        crosses=(parts.crosses, parts.crosses),
        radius_mm=parts.radius_mm,
        hole_radius_mm=(22.5, 22.5),
        offset_mm=(left["flange_to_centre_mm"], right["flange_to_centre_mm"]),
        EA_N=young * true["area_mm2"],
        EI_in_Nmm2=young * true["in_plane_inertia_mm4"],
        EI_out_Nmm2=young * true["out_of_plane_inertia_mm4"],
        GJ_Nmm2=shear * true["torsion_constant_mm4"],
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
