"""The tables of PROGRAM.toml as a person writes them: keys, units and what each may be."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from models.written import Above0, Force, NotNegative, Number, Table, Whole, as_tuple, one_or_more

LONGEST_H = 31 * 24.0
Rate = Annotated[Above0, Field(le=200)]
Hours = Annotated[Above0, Field(le=LONGEST_H)]
Labels = Annotated[tuple[str, ...], BeforeValidator(one_or_more), Field(min_length=1, max_length=32)]


class Seat(Table):
    """Pull the new spoke to a small load and learn its zero and stiffness."""

    kind: Literal["seat"]
    load_N: Annotated[Force, Field(le=100)] = 20.0
    seconds: NotNegative = 20.0
    name: str | None = None


class Ramp(Table):
    """Go to a load."""

    kind: Literal["ramp"]
    load_N: Force
    rate_N_per_s: Rate = 10.0
    name: str | None = None


class Hold(Table):
    """Keep a load, for a time or until something."""

    kind: Literal["hold"]
    load_N: Force | None = None  # None: where the step before left it
    rate_N_per_s: Rate = 10.0
    hours: Hours | None = None
    until: Literal["ready", "asked"] | None = None
    max_hours: Hours | None = None
    name: str | None = None


class Proof(Table):
    """A load for a few seconds."""

    kind: Literal["proof"]
    load_N: Force
    seconds: Above0 = 10.0
    rate_N_per_s: Rate = 10.0
    name: str | None = None


class Cycles(Table):
    """Up and down: bedding-in by cycles."""

    kind: Literal["cycles"]
    high_N: Force
    low_N: Force = 50.0
    count: Annotated[Whole, Field(ge=1, le=1000)] = 3
    rate_N_per_s: Rate = 20.0
    seconds_at_high: NotNegative = 0.0
    name: str | None = None


class Unload(Table):
    """Take the load off; where an order is given, one station after the other."""

    kind: Literal["unload"]
    rate_N_per_s: Rate = 20.0
    order: Annotated[tuple[str, ...], BeforeValidator(as_tuple)] = ()
    gap_min: NotNegative | None = None
    name: str | None = None


class Recover(Table):
    """Keep the tare: what comes back is read."""

    kind: Literal["recover"]
    hours: Hours
    tare_N: Annotated[Force, Field(le=100)] = 15.0
    rate_N_per_s: Rate = 20.0
    name: str | None = None


class Rest(Table):
    """Hang slack."""

    kind: Literal["rest"]
    hours: Hours
    rate_N_per_s: Rate = 20.0
    name: str | None = None


class Touch(Table):
    """Hang slack, and read the recovery by short touches to the tare."""

    kind: Literal["touch"]
    hours: Hours
    tare_N: Annotated[Force, Field(le=100)] = 15.0
    per_decade: Annotated[Whole, Field(ge=1, le=10)] = 3
    rate_N_per_s: Rate = 20.0
    name: str | None = None


class Chord(Table):
    """Live as in a wheel: extension + followup x L T/EA stays."""

    kind: Literal["chord"]
    followup: Annotated[NotNegative, Field(le=2)]
    hours: Hours
    name: str | None = None


class Temperature(Table):
    """Bring the cabinet to a temperature, under whatever load is on."""

    kind: Literal["temperature"]
    temperature_C: Annotated[Number, Field(ge=-10, le=70)]  # fibre is harmed above about 70 degC
    within_C: Above0 = 1.0
    soak_hours: NotNegative = 0.25
    max_hours: Hours = 3.0
    name: str | None = None


class Pull(Table):
    """Pull one spoke until it breaks: a test that destroys it."""

    kind: Literal["pull_to_break"]
    up_to_N: Force
    rate_N_per_s: Rate = 10.0
    name: str | None = None


KINDS: dict[str, type[Table]] = {
    "seat": Seat,
    "ramp": Ramp,
    "hold": Hold,
    "proof": Proof,
    "cycles": Cycles,
    "unload": Unload,
    "recover": Recover,
    "rest": Rest,
    "touch": Touch,
    "chord": Chord,
    "temperature": Temperature,
    "pull_to_break": Pull,
}


class Tick(Table):
    """Time between two readings."""

    motion_s: Annotated[Above0, Field(le=2)] = 0.1
    hold_s: Annotated[Above0, Field(le=60)] = 1.0


class Spoke(Table):
    """What is known of the spokes before the run."""

    EA_N: Annotated[Force, Field(ge=5e3, le=5e6)] = 400e3
    break_load_N: Force | None = None
    max_fraction_of_break: Annotated[Above0, Field(le=0.9)] = 0.6
    bar_mm_per_N: NotNegative = 0.0  # compliance of one bar between two spokes in series


class Limits(Table):
    """Limits of this run; never above the frame's own."""

    max_load_N: Force | None = None
    max_elongation_mm: Above0 = 15.0
    max_slack_mm: Above0 = 20.0
    temperature_C: tuple[Number, Number] = (5.0, 40.0)
    ease_off_N_per_s: Rate = 20.0
    hold_band_percent: Annotated[Above0, Field(le=5)] = 0.5
    total_h: Above0 | None = None  # the program is refused if it would take longer
    log_after_trip_h: NotNegative = 0.0


class Ready(Table):
    """The planned wheel, for holds until ready."""

    batch: Annotated[str, Field(min_length=1)]  # BATCH.json, beside the program
    tolerance_percent: Annotated[Above0, Field(le=50)]
    target_N: Force
    sessions: Annotated[tuple[tuple[NotNegative, Force], ...], BeforeValidator(as_tuple), Field(min_length=1)]
    followup: Annotated[NotNegative, Field(le=2)]
    probability: Annotated[Above0, Field(lt=1)] = 0.9
    rest_h: NotNegative = 0.5
    laced_h: NotNegative = 0.0
    lacing_tension_N: Force = 100.0
    session_h: Annotated[Above0, Field(le=12)] = 1.0
    pass_session_h: Annotated[Above0, Field(le=12)] = 0.5
    seating_mm: NotNegative = 0.02
    delivery_h: Above0 = 48.0
    horizon_h: Above0 = 720.0
    temperature_C: Annotated[Number, Field(ge=-20, le=60)] = 20.0
    every_min: Annotated[Above0, Field(ge=0.5, le=240)] = 10.0


class File(Table):
    """The whole file."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    batch: Annotated[str, Field(max_length=80)] = ""
    gauge_length_mm: Annotated[Above0, Field(ge=20, le=5000)]
    stations: Annotated[dict[str, Labels], Field(min_length=1)]
    tick: Tick = Tick()
    spoke: Spoke = Spoke()
    limits: Limits = Limits()
    ready: Ready | None = None
    steps: Annotated[list[dict[str, Any]], Field(min_length=1)]
