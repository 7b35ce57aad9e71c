"""What a build file leaves open: values that follow from the rest, what was assumed, whether the fibre can fit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from models.units import FIBRE_DENSITY_KG_PER_M3
from planner.geometry import PACKING_LIMIT, circle_mm2

if TYPE_CHECKING:
    from planner.build import Build, Flange, Spoke

USUAL_PACKING = 0.75  # of a tight heat-set braid (estimate)
FIBRE_SHARE = 0.99  # of the way from hub hole to nipple seat; the rest is fitting and nipple


def completed(spoke: Spoke, chord_mm: float) -> Spoke:
    """The spoke with what follows from the rest of the file where it was not said."""
    guessed: dict[str, float] = {}
    if "fibre_length_mm" not in spoke.model_fields_set:
        guessed["fibre_length_mm"] = round(FIBRE_SHARE * chord_mm, 1)
    if "linear_density_g_per_m" not in spoke.model_fields_set and spoke.diameter_mm is not None:
        fibre_mm2 = USUAL_PACKING * circle_mm2(spoke.diameter_mm)
        guessed["linear_density_g_per_m"] = round(fibre_mm2 * FIBRE_DENSITY_KG_PER_M3 / 1000.0, 3)
    completed = spoke.model_copy()  # its fields_set stays: what was guessed still counts as not said
    completed.__dict__.update(guessed)
    return completed


def notes(build: Build) -> list[str]:
    """One sentence for each assumption or oddity that matters to tension or safety."""
    rim, spoke, wheel = build.wheel.rim, build.spoke, build.wheel
    out = []

    def unsaid(table: object, *keys: str) -> bool:
        said: set[str] = table.model_fields_set  # type: ignore[attr-defined]
        return not any(k in said for k in keys)

    if unsaid(rim, "max_tension_N"):
        out.append(f"rim limit not given: {rim.max_tension_N:g} N a spoke assumed; ask the rim's maker")
    if unsaid(wheel.hub, "max_tension_N"):
        out.append(f"hub limit not given: {wheel.hub.max_tension_N:g} N a spoke assumed; ask the hub's maker")
    if unsaid(spoke, "break_load_N"):
        out.append(
            f"break load not given: {spoke.break_load_N:g} N assumed; pull at least three spokes, or ask the maker"
        )
    if unsaid(wheel, "rim_seat_diameter_mm"):
        out.append(f"rim seat diameter not given: {wheel.rim_seat_diameter_mm:g} mm assumed")
    for name in ("left", "right"):
        flange: Flange = getattr(wheel.hub, name)
        if unsaid(flange, "hole_circle_diameter_mm") or unsaid(flange, "flange_to_centre_mm"):
            out.append(
                f"{name} flange not given whole: hole circle {flange.hole_circle_diameter_mm:g} mm, "
                f"{flange.flange_to_centre_mm:g} mm from the centre assumed"
            )
    if unsaid(spoke, "fibre_length_mm"):
        out.append(
            f"fibre length not given: {spoke.fibre_length_mm:g} mm assumed ({FIBRE_SHARE:g} of the way from hub to rim)"
        )
    if unsaid(spoke, "linear_density_g_per_m"):
        basis = (
            ""
            if spoke.diameter_mm is None
            else f" from the diameter, {spoke.diameter_mm:g} mm, at packing {USUAL_PACKING:g}"
        )
        out.append(f"fibre's linear density not given: {spoke.linear_density_g_per_m:g} g/m assumed{basis}")
    measured = ("area_mm2", "in_plane_inertia_mm4", "out_of_plane_inertia_mm4", "torsion_constant_mm4")
    estimated = [k for k in measured if getattr(rim, k) is None]
    if estimated:
        basis = "mass, depth and width" if not unsaid(rim, "mass_g", "depth_mm", "width_mm") else "a middling rim"
        out.append(f"rim stiffness estimated from {basis} ({', '.join(estimated)}): side-to-side answers are rough")
    if spoke.hub_end == "loop":
        least = math.sqrt(spoke.fibre_area_mm2 / (PACKING_LIMIT * circle_mm2(1.0)))
        for name in ("left", "right"):
            flange = getattr(wheel.hub, name)
            if flange.anchoring == "hole" and unsaid(flange, "hole_mm") and flange.hole_mm < least:
                out.append(f"{name} hub hole not given: this much fibre needs a hole of at least {least:.2f} mm")
    if spoke.diameter_mm is not None and spoke.hub_end == "loop":
        for name in ("left", "right"):
            flange = getattr(wheel.hub, name)
            if flange.anchoring == "hole" and 0 < flange.hole_mm < spoke.diameter_mm:
                out.append(
                    f"the braid, {spoke.diameter_mm:g} mm, is wider than the {name} hub hole, {flange.hole_mm:g} mm: "
                    "it must be pulled through flattened; round and polish the hole's edges"
                )
    squeeze = build.shop.stress_relief
    if squeeze.squeezes:
        share = build.shop.squeeze_share
        peak = squeeze.peak_fraction * share * build.tension.target_N
        for name, (limit, _) in build.wheel_limits_N().items():
            if peak > limit:
                out.append(
                    f"a stress-relief squeeze of {squeeze.peak_fraction:g} x {share:g} of target reaches {peak:.0f} N, "
                    f"over the {name}'s limit of {limit:.0f} N: squeeze to at most "
                    f"{limit / (share * build.tension.target_N):.2f} times what stands"
                )
    if build.shop.max_bench_load_N > build.bench_limit_N():
        out.append(
            f"shop.max_bench_load_N = {build.shop.max_bench_load_N:g} N is over "
            f"{spoke.max_fraction_of_break_bench:g} of the break load: bench loads stay below "
            f"{build.bench_limit_N():.0f} N"
        )
    return out


def fibre_fits(build: Build) -> None:
    """The fibre cannot have more area than the braid's circle or the hole that a loop is pulled through.

    Only what the file says is held against it; a hole that was not given is a matter for `notes`.

    Raises
    ------
    ValueError
        Names the key that is too small.
    """
    area = build.spoke.fibre_area_mm2
    openings = []
    if build.spoke.diameter_mm is not None:
        openings.append((build.spoke.diameter_mm, f"spoke.diameter_mm = {build.spoke.diameter_mm:g}"))
    if build.spoke.hub_end == "loop":
        for name in ("left", "right"):
            flange: Flange = getattr(build.wheel.hub, name)
            if flange.anchoring == "hole" and flange.hole_mm > 0 and "hole_mm" in flange.model_fields_set:
                openings.append((flange.hole_mm, f"wheel.hub.{name}.hole_mm = {flange.hole_mm:g}"))
    for diameter, key in openings:
        circle = circle_mm2(diameter)
        if area > PACKING_LIMIT * circle:
            raise ValueError(
                f"spoke.linear_density_g_per_m = {build.spoke.linear_density_g_per_m:g} is {area:.2f} mm2 of fibre and "
                f"cannot pass {key}: a circle of {circle:.2f} mm2 holds at most {PACKING_LIMIT:g} of its area"
            )
