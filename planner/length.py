"""Spoke length to order: geometry, less what the spoke grows by, and where its thread then stands in the nipple."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from models.batch import Batch, draw_chains
from models.chain import elastic_slope_per_N
from planner import geometry
from planner.geometry import LEFT, RIGHT
from planner.life import MARKS, Strains, strains_of
from planner.outlook import of_its_fibre
from planner.rim import RimSection
from planner.schedule import Schedule
from planner.wheel import Wheel, wheel_of

if TYPE_CHECKING:
    from planner.build import Build

Floats = NDArray[np.float64]
STEEL_SPOKE_G = 4.79  # a light bladed steel spoke of the same length: common practice, no source
CATCH_MM = 1.5  # least thread in the nipple on the slack spoke: about three turns; common practice, no source
SIDES = ("left", "right")
DRAWS = 400
BUCKLING_SHARE = 0.6  # of the buckling tension, beyond which no plan goes


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How one length on sale sits in one side of the wheel. Positions count outward from the nipple seat, mm."""

    size_mm: float
    end_at_horizon_mm: float  # threaded end from the seat, median
    engaged_slack_mm: float  # thread in the nipple when laced slack
    engaged_set_mm: float  # at the first set
    room_mm: float  # left to tighten after the horizon, with the 95 % longest draw
    fits: bool
    why: str  # what is wrong, or nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class SideLength:
    """What to order for one side."""

    side: str
    target_N: float
    geometry_mm: float  # bearing edge of the hub hole to the nipple seat, unloaded
    rim_give_mm: float  # by how much the compressed rim brings the seat nearer at tension
    elongation_mm: dict[str, float]  # median at the horizon: total, elastic, lasting, recoverable
    elongation_p95_mm: float
    order_mm: float  # new, unloaded: bearing edge to threaded end
    thread_used_p95_mm: float  # by the nipple, from lacing to the horizon
    sizes: tuple[Fit, ...]
    recommended_mm: float | None  # None: no size on sale fits


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthAnswer:
    """Everything that `longhold length` says."""

    sides: tuple[SideLength, SideLength]
    thread_available_mm: float
    spokes_g: float  # the set of fibre spokes
    steel_g: float  # as many light steel spokes
    stretched: bool
    rim: dict[str, float]  # stiffness of its section and sd of each in percent
    buckling_N: float  # tension of the tighter side at which the rim leaves its plane by itself
    warnings: tuple[str, ...]

    @property
    def all_fit(self) -> bool:
        """Whether each side has a length on sale that fits."""
        return all(s.recommended_mm is not None for s in self.sides)

    def as_dict(self) -> dict[str, Any]:
        """The JSON answer."""
        return {
            "sides": {
                s.side: {
                    "target_N": s.target_N,
                    "geometry_mm": s.geometry_mm,
                    "rim_give_mm": s.rim_give_mm,
                    "elongation_mm": {**s.elongation_mm, "total_p95": s.elongation_p95_mm},
                    "order_mm": s.order_mm,
                    "recommended_mm": s.recommended_mm,
                    "thread_mm": {"used_p95": s.thread_used_p95_mm, "available": self.thread_available_mm},
                    "sizes": [
                        {
                            "size_mm": f.size_mm,
                            "end_at_horizon_mm": f.end_at_horizon_mm,
                            "engaged_slack_mm": f.engaged_slack_mm,
                            "engaged_set_mm": f.engaged_set_mm,
                            "room_mm": f.room_mm,
                            "fits": f.fits,
                            "why": f.why,
                        }
                        for f in s.sizes
                    ],
                }
                for s in self.sides
            },
            "thread_mm": {
                "used_p95": max(s.thread_used_p95_mm for s in self.sides),
                "available": self.thread_available_mm,
            },
            "mass_g": {
                "spokes": self.spokes_g,
                "steel": self.steel_g,
                "change": self.spokes_g - self.steel_g,
            },
            "stretched": self.stretched,
            "rim": self.rim,
            "buckling_tension_N": self.buckling_N,
            "warnings": list(self.warnings),
        }


def lengths(
    build: Build, batch: Batch, schedule: Schedule, rng: np.random.Generator, draws: int = DRAWS
) -> LengthAnswer:
    """Length to order for each side and what each length on sale does.

    A spoke ordered at S mm (bearing edge of the hub hole to threaded end, new and unloaded) has its end, at tension,
    S + elongation - (way to the seat - give of the rim) outward of the nipple seat. It is ordered so that the median
    end stands where the build asks (``spoke.end_past_seat_mm``) at the horizon.
    """
    wheel = wheel_of(build)
    batch = of_its_fibre(build, batch)
    chain = draw_chains(batch, rng, draws, 1).take((slice(None), 0))
    targets = wheel.side_targets_N()
    sides = []
    for which in (LEFT, RIGHT):
        strains = strains_of(chain, build, schedule, targets[which], which)
        sides.append(_side(build, wheel, strains, which, targets[which]))
    n = build.wheel.spokes
    buckling = wheel.buckling_tension_N(float(1.0 / elastic_slope_per_N(batch.chain, build.tension.target_N)))
    warnings = build.notes()
    if build.tension.target_N > BUCKLING_SHARE * buckling:
        warnings.append(
            f"the target, {build.tension.target_N:.0f} N, is over {BUCKLING_SHARE:g} of the tension at which this rim "
            f"leaves its plane by itself, {buckling:.0f} N: no plan will be made for it"
        )
    return LengthAnswer(
        sides=(sides[0], sides[1]),
        thread_available_mm=build.spoke.thread_length_mm,
        spokes_g=n * build.spoke.mass_g,
        steel_g=n * STEEL_SPOKE_G,
        stretched=schedule.prestretch is not None,
        rim=_rim(wheel.section),
        buckling_N=buckling,
        warnings=tuple(warnings),
    )


def _rim(section: RimSection) -> dict[str, float]:
    names = ("EA_N", "EI_in_plane_Nmm2", "EI_out_of_plane_Nmm2", "GJ_Nmm2")
    values = {name: float(v) for name, v in zip(names, section.stiffness, strict=True)}
    return values | {f"{name}_sd_percent": 100.0 * sd for name, sd in zip(names, section.log_sd, strict=True)}


def _side(build: Build, wheel: Wheel, strains: Strains, which: int, target_N: float) -> SideLength:
    own = wheel.side == which
    way = float(geometry.bearing_lengths_mm(build.wheel)[own].mean())
    fibre = float(wheel.fibre_mm[own].mean())
    # hoop compression of the rim, as a radial give, seen along the spoke
    hoop = sum(t * wheel.directions[wheel.side == s, 0].sum() for s, t in enumerate(wheel.side_targets_N())) / 2 / np.pi
    give = float(hoop * wheel.radius_mm / wheel.section.EA_N * wheel.directions[own, 0].mean())
    laced = build.shop.lacing_tension_N / target_N
    gives = np.array([0.0, give * laced, give, give])
    grown = fibre * strains.total  # (4, draws)
    # the end of a spoke of length 0, from the seat, at each mark
    end = grown - (way - gives)[:, None]
    at_horizon = float(np.median(end[-1]))
    order = build.spoke.end_past_seat_mm - at_horizon
    sizes = _sizes(build, order)
    fits = tuple(_fit(build, size, end) for size in sizes)
    good = [f for f in fits if f.fits]
    best = min(good, key=lambda f: abs(f.end_at_horizon_mm - build.spoke.end_past_seat_mm), default=None)
    horizon = MARKS.index("horizon")
    return SideLength(
        side=SIDES[which],
        target_N=target_N,
        geometry_mm=way,
        rim_give_mm=give,
        elongation_mm={
            "total": float(np.median(grown[horizon])),
            "elastic": fibre * float(np.median(strains.elastic[horizon])),
            "lasting": fibre * float(np.median(strains.lasting[horizon])),
            "recoverable": fibre * float(np.median(strains.recoverable[horizon])),
        },
        elongation_p95_mm=float(np.quantile(grown[horizon], 0.95)),
        order_mm=order,
        thread_used_p95_mm=float(np.quantile(end[horizon] - end[MARKS.index("laced")], 0.95)),
        sizes=fits,
        recommended_mm=None if best is None else best.size_mm,
    )


def _sizes(build: Build, order_mm: float) -> tuple[float, ...]:
    """The lengths on sale next below and above, or whole millimetres where none are given."""
    on_sale = sorted(build.spoke.sizes_mm) or [float(np.floor(order_mm)), float(np.floor(order_mm)) + 1.0]
    below = [s for s in on_sale if s <= order_mm]
    above = [s for s in on_sale if s > order_mm]
    return (*below[-1:], *above[:1])


def _fit(build: Build, size_mm: float, end: Floats) -> Fit:
    spoke = build.spoke
    at = size_mm + end  # (4, draws)
    engaged = np.minimum(at + spoke.nipple_thread_mm, spoke.thread_length_mm)
    # tightening ends when the nipple has run to the end of the spoke's thread, or the spoke's end leaves the nipple
    stop = min(spoke.thread_length_mm - spoke.nipple_thread_mm, spoke.nipple_head_mm)
    room = stop - float(np.quantile(at[MARKS.index("horizon")], 0.95))
    slack = float(np.quantile(engaged[MARKS.index("slack")], 0.05))
    at_set = float(np.quantile(engaged[MARKS.index("set")], 0.05))
    why = ""
    if slack < CATCH_MM:
        why = f"too short: only {max(slack, 0.0):.1f} mm of thread catch the nipple when the spoke is laced slack"
    elif at_set < spoke.least_engagement_mm:
        why = f"too short: {at_set:.1f} mm of thread in the nipple at tension, {spoke.least_engagement_mm:g} needed"
    elif room < 0.0:
        what = "the thread ends" if stop < spoke.nipple_head_mm else "the spoke's end comes out of the nipple"
        why = f"too long: {what} {-room:.1f} mm before the horizon's tension is held"
    return Fit(
        size_mm=size_mm,
        end_at_horizon_mm=float(np.median(at[MARKS.index("horizon")])),
        engaged_slack_mm=slack,
        engaged_set_mm=at_set,
        room_mm=room,
        fits=not why,
        why=why,
    )
