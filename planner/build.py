"""The build file: one wheel, its spokes, what tension is asked, the shop it is built in. Every key has a default.

Long because it is one list of keys, each with its default, its unit and its bounds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, datetime, time
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from models.kernels import shift
from models.units import GAS_CONSTANT_J_PER_MOL_K, KGF_N, ZERO_CELSIUS_K, fibre_area_mm2
from models.written import (
    Above0,
    Flag,
    Force,
    ForceOr0,
    NotNegative,
    Number,
    Table,
    Whole,
    as_tuple,
    between,
    checked,
    clock_time,
    day,
    one_or_more,
    read_toml,
)
from planner import assumed, geometry
from planner.schedule import hour_of

LOOP_ALLOWANCE_MM = 10.0
LEAST_TARGET_N = 200.0
ROOM_ACTIVATION_KJ_PER_MOL = 100.0  # of the recoverable part, which a night in the cold slows most (estimate)
HOTTEST_BENCH_C = 70.0  # polyethylene fibre: long-term service limit of the trade (from memory, medium confidence)


def _crosses(value: object) -> object:
    if isinstance(value, int) and not isinstance(value, bool):
        return {"left": value, "right": value}
    if not isinstance(value, Mapping | Crosses):
        raise ValueError("must be a whole number from 0 (radial) to 4, or { left = 2, right = 1 }")
    return value


def _profile(value: object) -> object:
    if not isinstance(value, list | tuple) or not all(isinstance(v, list | tuple) and len(v) == 2 for v in value):
        raise ValueError("must be pairs of share and hours, such as [[0.30, 0.2], [0.60, 0.2]]")
    return tuple(map(tuple, value))


Cross = Annotated[Whole, between(0, 4, "(0 is radial)")]
Share = Annotated[Above0, between(0, 1, "(a share)")]
Millimetres = Annotated[Above0, between(0.01, 2000, "mm")]
Hours = Annotated[NotNegative, between(0, 1e6, "h")]
RoomC = Annotated[Number, between(-20, 60, "degC")]
CabinetC = Annotated[Number, between(-20, HOTTEST_BENCH_C, "degC (the fibre softens above)")]
Profile = Annotated[tuple[tuple[Share, Hours], ...], BeforeValidator(_profile)]


class Crosses(Table):
    """How often a spoke crosses others of its side, per side."""

    left: Cross = 2
    right: Cross = 2


class Rim(Table):
    """What a builder knows of a rim; what was measured overrides what is estimated from mass, depth and width."""

    max_tension_N: Force = 1300.0
    material: Literal["aluminium", "carbon"] = "aluminium"
    mass_g: Annotated[Above0, between(100, 3000, "g")] = 480.0
    depth_mm: Annotated[Above0, between(5, 120, "mm")] = 25.0
    width_mm: Annotated[Above0, between(10, 120, "mm")] = 30.0
    area_mm2: Annotated[Above0, between(5, 2000, "mm2")] | None = None
    youngs_modulus_MPa: Annotated[Above0, between(1000, 400000, "MPa")] | None = None
    shear_modulus_MPa: Annotated[Above0, between(300, 200000, "MPa")] | None = None
    in_plane_inertia_mm4: Annotated[Above0, between(1, 1e7, "mm4")] | None = None
    out_of_plane_inertia_mm4: Annotated[Above0, between(1, 1e7, "mm4")] | None = None
    torsion_constant_mm4: Annotated[Above0, between(0.1, 1e7, "mm4")] | None = None
    expansion_per_K: Annotated[Number, between(-5e-6, 5e-5, "1/K")] | None = None
    centroid_offset_mm: Annotated[Number, between(-60, 60, "mm")] = 0.0  # outward, from nipple seats to the centroid
    hole_offset_mm: Annotated[Number, between(-30, 30, "mm")] = 0.0  # sideways, towards the spoke's own flange


class Flange(Table):
    """One side of the hub."""

    hole_circle_diameter_mm: Annotated[Above0, between(10, 200, "mm")] = 45.0
    flange_to_centre_mm: Annotated[NotNegative, between(0, 100, "mm")] = 35.0
    hole_mm: Annotated[NotNegative, between(0, 12, "mm")] = 2.6
    anchoring: Literal["hole", "straight-pull"] = "hole"
    spoke_angle_deg: Annotated[NotNegative, between(0, 90, "degrees")] | None = None  # instead of the crossings' angle
    flange_mm: Annotated[NotNegative, between(0, 20, "mm")] = 0.0  # thickness: spokes leave from one of its faces
    leave: Literal["alternate", "outside", "inside"] = "alternate"  # alternate: trailing spokes leave outside


class Hub(Table):
    """The hub: two flanges of one row each."""

    left: Flange = Flange()
    right: Flange = Flange()
    max_tension_N: Force = 1500.0


class Tyre(Table):
    """The tyre that the wheel will carry."""

    pressure_kPa: Annotated[Above0, between(20, 1500, "kPa (1 bar is 100 kPa)")]
    width_mm: Annotated[Above0, between(10, 130, "mm")]


class RimTest(Table):
    """One nipple turned in a tensioned wheel and every spoke read before and after: sharpens the rim's stiffness."""

    position: Annotated[Whole, between(1, 72, "(a position)")]
    turns: Annotated[Number, between(-2, 2, "turns")] = 0.5
    change_N: Annotated[tuple[Number, ...], BeforeValidator(as_tuple)]  # of each spoke, in order of position
    lateral_mm: Annotated[tuple[Number, ...], BeforeValidator(as_tuple)] = ()  # of the rim there, where measured
    tension_N: Force | None = None  # mean tension of the tighter side at the test; the target where not given
    change_sd_N: Annotated[Above0, between(0.1, 500, "N")] = 15.0  # of one difference of two readings
    lateral_sd_mm: Annotated[Above0, between(0.001, 2, "mm")] = 0.03

    @model_validator(mode="after")
    def _turned(self) -> Self:
        if abs(self.turns) < 0.1:
            raise ValueError(
                f"turns = {self.turns:g}: turn at least a tenth, better half a turn, to be seen over noise"
            )
        return self


class WheelTable(Table):
    """``[wheel]``: lacing, rim, hub."""

    spokes: Annotated[Whole, between(8, 72, "spokes")] = 28
    crosses: Annotated[Crosses, BeforeValidator(_crosses)] = Crosses()
    rim_seat_diameter_mm: Annotated[Above0, between(150, 1000, "mm")] = 598.0
    first_spoke: Literal["leading", "trailing"] = "leading"
    seating_mm: Annotated[NotNegative, between(0, 1, "mm")] = 0.02
    seating_sd_mm: Annotated[NotNegative, between(0, 1, "mm")] = 0.01
    rim: Rim = Rim()
    hub: Hub = Hub()
    tyre: Tyre | None = None
    rim_test: RimTest | None = None

    @model_validator(mode="after")
    def _can_be_laced(self) -> Self:
        n = self.spokes
        if n % 2:
            raise ValueError(f"spokes = {n}: two flanges take turns, so the number of spokes must be even")
        for name in ("left", "right"):
            flange: Flange = getattr(self.hub, name)
            crosses: int = getattr(self.crosses, name)
            where = f"{name} side"
            if crosses and (n // 2) % 2:
                raise ValueError(
                    f"crosses = {crosses} on the {where}: {n // 2} spokes a side are odd, and crossed spokes come in "
                    "pairs; allowed there is 0 (radial)"
                )
            angle = geometry.crossing_angle_deg(n, crosses)
            if angle > 90.0 and flange.spoke_angle_deg is None:
                most = int(90 * n // 720)
                raise ValueError(
                    f"crosses = {crosses} on the {where}: with {n} spokes the crossing angle is {angle:.1f} degrees, "
                    f"over 90; at most {most} crosses"
                )
            if flange.hole_circle_diameter_mm >= self.rim_seat_diameter_mm:
                raise ValueError(
                    f"rim_seat_diameter_mm = {self.rim_seat_diameter_mm:g} is not larger than the {where}'s "
                    f"hole_circle_diameter_mm = {flange.hole_circle_diameter_mm:g}"
                )
        if self.rim_test is not None:
            test = self.rim_test
            if test.position > n or len(test.change_N) != n or len(test.lateral_mm) not in (0, n):
                raise ValueError(
                    f"rim_test: position lies in 1 to {n}, change_N holds {n} numbers, lateral_mm {n} or none"
                )
        if self.hub.left.flange_to_centre_mm + self.hub.right.flange_to_centre_mm <= 0:
            raise ValueError("hub: both flanges in the rim's plane cannot hold a wheel sideways")
        return self


class Spoke(Table):
    """``[spoke]``: one fibre spoke."""

    fibre_length_mm: Millimetres = 285.0  # where not given: 0.99 of the mean chord (set by Build)
    linear_density_g_per_m: Annotated[Above0, between(0.2, 50, "g/m")] = 4.2  # or from diameter_mm at packing 0.75
    diameter_mm: Annotated[Above0, between(0.3, 12, "mm")] | None = None
    hub_end: Literal["loop", "head", "thread"] = "loop"
    mass_g: Annotated[Above0, between(0.2, 30, "g")] = 2.5
    break_load_N: Force = 2700.0
    max_fraction_of_break_bench: Share = 0.6
    max_fraction_of_break_wheel: Share = 0.48
    thread_pitch_mm: Annotated[Above0, between(0.1, 2, "mm")] = 0.4536
    thread_length_mm: Annotated[Above0, between(1, 60, "mm")] = 12.0
    end_past_seat_mm: Annotated[Number, between(-20, 20, "mm")] = 0.0  # the threaded end at tension, + outward
    nipple_thread_mm: Annotated[Above0, between(1, 30, "mm")] = 8.0  # the nipple's thread, inward from the seat
    nipple_head_mm: Annotated[NotNegative, between(0, 20, "mm")] = 3.0  # from the seat to the nipple's outer end
    least_engagement_mm: Annotated[NotNegative, between(0, 30, "mm")] = 5.0  # 2.5 diameters; common practice, no source
    sizes_mm: Annotated[tuple[Millimetres, ...], BeforeValidator(as_tuple)] = ()

    @property
    def fibre_area_mm2(self) -> float:
        """Fibre area: linear density over 970 kg/m3."""
        return fibre_area_mm2(self.linear_density_g_per_m)


class Tension(Table):
    """``[tension]``: what is asked of the wheel."""

    target_N: Force = 981.0
    tolerance_percent: Annotated[Above0, between(0.1, 50, "percent")] = 7.0
    balance_percent: Annotated[Above0, between(0.1, 100, "percent")] = 8.0
    probability: Number = 0.9
    settled_percent: Annotated[Above0, between(0.1, 50, "percent")] = 3.0
    delivery_h: Annotated[Above0, between(0.1, 1e5, "h")] = 48.0
    horizon_h: Annotated[Above0, between(0.1, 1e6, "h")] = 720.0
    reading_repeat_percent: Annotated[NotNegative, between(0, 30, "percent")] = 1.0
    reading_bias_percent: Annotated[NotNegative, between(0, 30, "percent")] = 0.0

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if not 0.0 < self.probability < 1.0:
            raise ValueError(f"probability = {self.probability:g} must lie between 0 and 1, both excluded")
        if self.horizon_h <= self.delivery_h:
            raise ValueError(f"horizon_h = {self.horizon_h:g} must come after delivery_h = {self.delivery_h:g}")
        if self.target_N < LEAST_TARGET_N:
            raise ValueError(
                f"target_N = {self.target_N:g} N is only {self.target_N / KGF_N:.1f} kgf; at least {LEAST_TARGET_N:g} "
                f'N (if kgf were meant, write "{self.target_N:g} kgf")'
            )
        return self


class StressRelief(Table):
    """Squeezing pairs of spokes: a few seconds at a higher tension."""

    squeezes: Annotated[Whole, between(0, 50, "squeezes")] = 2
    peak_fraction: Annotated[Number, between(1, 3, "(of the set tension)")] = 1.25
    seconds: Annotated[NotNegative, between(0, 120, "s")] = 3.0


class Shop(Table):
    """``[shop]``: the room, the frame and the builder's day."""

    temperature_C: RoomC = 20.0
    night_temperature_C: RoomC | None = None  # of the room outside working hours; None: the same
    stations: Annotated[Whole, between(1, 64, "stations")] = 4
    spokes_per_station: Annotated[Whole, between(1, 64, "spokes")] = 1
    mount_min_per_spoke: Annotated[NotNegative, between(0, 240, "min")] = 3.0
    slack_h: Hours = 0.5
    rest_load_N: ForceOr0 = 0.0  # what the shop can hang each spoke at between frame and lacing; 0: they lie slack
    lacing_tension_N: ForceOr0 = 100.0
    laced_h: Hours = 11.5
    set_session_h: Annotated[Above0, between(0.02, 48, "h")] = 1.0
    set_profile: Profile = ((0.30, 0.2), (0.60, 0.2), (0.85, 0.2))
    pass_session_h: Annotated[Above0, between(0.01, 48, "h")] = 0.5
    pass_interval_h: Hours = 14.0
    max_bench_load_N: Force = 1600.0
    max_bench_h: Annotated[Above0, between(0.01, 1000, "h")] = 16.0
    bench_temperature_C: Annotated[tuple[CabinetC, ...], BeforeValidator(one_or_more), Field(min_length=1)] = (20.0,)
    work_start: Annotated[time, BeforeValidator(clock_time)] = time(9)
    work_end: Annotated[time, BeforeValidator(clock_time)] = time(18)
    overnight_bench: Flag = True
    stress_relief: StressRelief = StressRelief()

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        rising = sum(hours for _, hours in self.set_profile)
        if rising >= self.set_session_h:
            raise ValueError(
                f"set_profile lasts {rising:g} h and set_session_h = {self.set_session_h:g} h: the session must be "
                "longer, its rest is at the full set tension"
            )
        if self.work_end <= self.work_start:
            raise ValueError(f"work_end = {self.work_end:%H:%M} must come after work_start = {self.work_start:%H:%M}")
        if self.set_session_h > self.day_h + 1e-9:
            raise ValueError(
                f"set_session_h = {self.set_session_h:g} does not fit between work_start = {self.work_start:%H:%M} and "
                f"work_end = {self.work_end:%H:%M}"
            )
        return self

    @property
    def day_h(self) -> float:
        """Length of the working day, h."""
        return hour_of(self.work_end) - hour_of(self.work_start)

    @property
    def standing_C(self) -> float:
        """The steady temperature at which what lies or stands in the room day and night creeps as much, degC."""
        if self.night_temperature_C is None:
            return self.temperature_C
        warm = float(shift(ROOM_ACTIVATION_KJ_PER_MOL, self.night_temperature_C, self.temperature_C))
        share = self.day_h / 24.0
        per_K = GAS_CONSTANT_J_PER_MOL_K / (1000.0 * ROOM_ACTIVATION_KJ_PER_MOL)
        inverse_K = 1.0 / (self.temperature_C + ZERO_CELSIUS_K) - per_K * math.log(share + (1.0 - share) * warm)
        return 1.0 / inverse_K - ZERO_CELSIUS_K

    @property
    def squeeze_share(self) -> float:
        """Share of the set tension at which pairs are squeezed: the profile's last below 1; 1 where it has none."""
        return next((share for share, _ in reversed(self.set_profile) if share < 1.0), 1.0)

    @property
    def squeezed_peak(self) -> float:
        """How many times its set tension a spoke bears in a session: squeezed before the last turn up, or just set."""
        relief = self.stress_relief
        return max(relief.peak_fraction * self.squeeze_share, 1.0) if relief.squeezes else 1.0


class Use(Table):
    """``[use]``: the hottest stretch that the wheel must stand, such as a car in the sun."""

    hottest_C: Annotated[Number, between(-20, 80, "degC")] = 60.0
    hottest_h: Annotated[NotNegative, between(0, 1000, "h")] = 4.0


Weekday = Literal["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"]
Day = Annotated[datetime, BeforeValidator(day)]


class Order(Table):
    """``[order]``: how many alike, from when, until when."""

    wheels: Annotated[Whole, between(1, 500, "wheels")] = 1
    start: Day | None = None
    due: Day | None = None
    days_off: Annotated[tuple[Weekday | date, ...], BeforeValidator(as_tuple)] = ()

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.start is not None and self.due is not None:
            if (self.start.tzinfo is None) != (self.due.tzinfo is None):
                raise ValueError("start and due: give the time zone in both or in neither")
            if self.due <= self.start:
                raise ValueError(f"due = {self.due:%Y-%m-%d %H:%M} must come after start = {self.start:%Y-%m-%d %H:%M}")
        return self


class Build(Table):
    """A whole BUILD.toml. Attribute names are the file's keys."""

    name: str = "wheel"
    wheel: WheelTable = WheelTable()
    spoke: Spoke = Spoke()
    tension: Tension = Tension()
    shop: Shop = Shop()
    use: Use | None = None
    order: Order = Order()

    @model_validator(mode="after")
    def _possible(self) -> Self:
        chord = float(geometry.chords_mm(self.wheel).mean())
        self.__dict__["spoke"] = assumed.completed(self.spoke, chord)
        if self.spoke.fibre_length_mm > chord + LOOP_ALLOWANCE_MM:
            raise ValueError(
                f"spoke.fibre_length_mm = {self.spoke.fibre_length_mm:g} is more than {LOOP_ALLOWANCE_MM:g} mm longer "
                f"than the way from hub hole to nipple seat, {chord:.1f} mm"
            )
        for limit, what in self.wheel_limits_N().values():
            if self.tension.target_N > limit:
                raise ValueError(f"tension.target_N = {self.tension.target_N:g} N is over {what} = {limit:g} N")
        assumed.fibre_fits(self)
        if self.tension.delivery_h < self.shop.set_session_h:
            raise ValueError(
                f"tension.delivery_h = {self.tension.delivery_h:g} falls into the set session "
                f"(shop.set_session_h = {self.shop.set_session_h:g}); both count from its start"
            )
        if self.shop.lacing_tension_N > self.tension.target_N:
            raise ValueError(
                f"shop.lacing_tension_N = {self.shop.lacing_tension_N:g} N is over tension.target_N = "
                f"{self.tension.target_N:g} N"
            )
        return self

    def wheel_limits_N(self) -> dict[str, tuple[float, str]]:
        """Limits on one spoke's tension in the wheel: name of the limit -> (N, the keys that it comes from)."""
        spoke = self.spoke
        return {
            "rim": (self.wheel.rim.max_tension_N, "wheel.rim.max_tension_N"),
            "hub": (self.wheel.hub.max_tension_N, "wheel.hub.max_tension_N"),
            "spoke": (
                spoke.max_fraction_of_break_wheel * spoke.break_load_N,
                "spoke.max_fraction_of_break_wheel x break_load_N",
            ),
        }

    def bench_limit_N(self) -> float:
        """The highest load allowed on the frame: the shop's own limit or the spoke's, whichever is less, N."""
        return min(self.shop.max_bench_load_N, self.spoke.max_fraction_of_break_bench * self.spoke.break_load_N)

    def notes(self) -> list[str]:
        """What was assumed because the file does not say, and what is worth a second look."""
        return assumed.notes(self)

    def changed(self, table: str, key: str, value: float) -> Build:
        """The build with one key of one of its tables changed; not checked."""
        return self.model_copy(update={table: getattr(self, table).model_copy(update={key: value})})

    def as_dict(self) -> dict[str, Any]:
        """What the file said, as JSON can hold it; `build_of` reads it back to the same build."""
        return self.model_dump(mode="json", exclude_unset=True)


def build_of(content: Mapping[str, Any], where: str = "build") -> Build:
    """A build from the content of a file or of `Build.as_dict`; raises InputError naming ``where`` and the key."""
    return checked(Build, content, where)


def load_build(path: Path | str) -> Build:
    """Read BUILD.toml.

    Raises
    ------
    InputError
        No such file, not TOML (with the line), or a key that is unknown or impossible (with what is allowed).
    """
    return build_of(read_toml(Path(path), "a build file"), str(path))
