"""PROGRAM.toml: what the spokes are to go through, checked whole before a frame is energised, turned into steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from bench.steps import Program, RunLimits, Step, StepKind, Until, label_of
from models.errors import InputError
from models.written import (
    Above0,
    Force,
    NotNegative,
    Number,
    Table,
    Whole,
    as_tuple,
    checked,
    one_or_more,
    parse_toml,
    read_text,
)

WHAT = "a program file, PROGRAM.toml"
LONGEST_H = 31 * 24.0
Rate = Annotated[Above0, Field(le=200)]
Hours = Annotated[Above0, Field(le=LONGEST_H)]
Labels = Annotated[tuple[str, ...], BeforeValidator(one_or_more), Field(min_length=1, max_length=32)]


# what a person writes ------------------------------------------------------------------------------------------------


class _Seat(Table):
    kind: Literal["seat"]
    load_N: Annotated[Force, Field(le=100)] = 20.0
    seconds: NotNegative = 20.0
    name: str | None = None


class _Ramp(Table):
    kind: Literal["ramp"]
    load_N: Force
    rate_N_per_s: Rate = 10.0
    name: str | None = None


class _Hold(Table):
    kind: Literal["hold"]
    load_N: Force | None = None  # None: where the step before left it
    rate_N_per_s: Rate = 10.0
    hours: Hours | None = None
    until: Literal["ready", "asked"] | None = None
    max_hours: Hours | None = None
    name: str | None = None


class _Proof(Table):
    kind: Literal["proof"]
    load_N: Force
    seconds: Above0 = 10.0
    rate_N_per_s: Rate = 10.0
    name: str | None = None


class _Cycles(Table):
    kind: Literal["cycles"]
    high_N: Force
    low_N: Force = 50.0
    count: Annotated[Whole, Field(ge=1, le=1000)] = 3
    rate_N_per_s: Rate = 20.0
    seconds_at_high: NotNegative = 0.0
    name: str | None = None


class _Unload(Table):
    kind: Literal["unload"]
    rate_N_per_s: Rate = 20.0
    order: Annotated[tuple[str, ...], BeforeValidator(as_tuple)] = ()
    gap_min: NotNegative | None = None
    name: str | None = None


class _Recover(Table):
    kind: Literal["recover"]
    hours: Hours
    tare_N: Annotated[Force, Field(le=100)] = 15.0
    rate_N_per_s: Rate = 20.0
    name: str | None = None


class _Rest(Table):
    kind: Literal["rest"]
    hours: Hours
    rate_N_per_s: Rate = 20.0
    name: str | None = None


class _Touch(Table):
    kind: Literal["touch"]
    hours: Hours
    tare_N: Annotated[Force, Field(le=100)] = 15.0
    per_decade: Annotated[Whole, Field(ge=1, le=10)] = 3
    rate_N_per_s: Rate = 20.0
    name: str | None = None


class _Chord(Table):
    kind: Literal["chord"]
    followup: Annotated[NotNegative, Field(le=2)]
    hours: Hours
    name: str | None = None


class _Temperature(Table):
    kind: Literal["temperature"]
    temperature_C: Annotated[Number, Field(ge=-10, le=70)]  # fibre is harmed above about 70 degC
    within_C: Above0 = 1.0
    soak_hours: NotNegative = 0.25
    max_hours: Hours = 3.0
    name: str | None = None


class _Pull(Table):
    kind: Literal["pull_to_break"]
    up_to_N: Force
    rate_N_per_s: Rate = 10.0
    name: str | None = None


_KINDS: dict[str, type[Table]] = {
    "seat": _Seat,
    "ramp": _Ramp,
    "hold": _Hold,
    "proof": _Proof,
    "cycles": _Cycles,
    "unload": _Unload,
    "recover": _Recover,
    "rest": _Rest,
    "touch": _Touch,
    "chord": _Chord,
    "temperature": _Temperature,
    "pull_to_break": _Pull,
}


class _Tick(Table):
    motion_s: Annotated[Above0, Field(le=2)] = 0.1
    hold_s: Annotated[Above0, Field(le=60)] = 1.0


class _Spoke(Table):
    EA_N: Annotated[Force, Field(ge=5e3, le=5e6)] = 400e3
    break_load_N: Force | None = None
    max_fraction_of_break: Annotated[Above0, Field(le=0.9)] = 0.6
    bar_mm_per_N: NotNegative = 0.0  # compliance of one bar between two spokes in series


class _Limits(Table):
    max_load_N: Force | None = None
    max_elongation_mm: Above0 = 15.0
    max_slack_mm: Above0 = 20.0
    temperature_C: tuple[Number, Number] = (5.0, 40.0)
    ease_off_N_per_s: Rate = 20.0
    hold_band_percent: Annotated[Above0, Field(le=5)] = 0.5
    total_h: Above0 | None = None  # the program is refused if it would take longer
    log_after_trip_h: NotNegative = 0.0


class _File(Table):
    name: Annotated[str, Field(min_length=1, max_length=80)]
    batch: Annotated[str, Field(max_length=80)] = ""
    gauge_length_mm: Annotated[Above0, Field(ge=20, le=5000)]
    stations: Annotated[dict[str, Labels], Field(min_length=1)]
    tick: _Tick = _Tick()
    spoke: _Spoke = _Spoke()
    limits: _Limits = _Limits()
    steps: Annotated[list[dict[str, Any]], Field(min_length=1)]


def read_program(path: Path) -> Program:
    """Read and check a program file on its own.

    Raises
    ------
    InputError
        One plain message that names the file, the key and what is allowed.
    """
    return program_from_text(read_text(path, WHAT), str(path))


def program_from_text(text: str, where: str) -> Program:
    """A program from the text of its file; ``where`` stands in messages. Raises InputError."""
    file = checked(_File, parse_toml(text, where, WHAT), where)
    for station, spokes in file.stations.items():
        for spoke in spokes:
            if not spoke.strip() or len(spoke) > 60:
                raise InputError(
                    f"{where}: key 'stations.{station}' is \"{spoke}\": must be a spoke's label, as on its tag"
                )
    labels = [spoke for spokes in file.stations.values() for spoke in spokes]
    twice = next((label for label in labels if labels.count(label) > 1), None)
    if twice is not None:
        raise InputError(f"{where}: key 'stations': spoke \"{twice}\" stands there twice; each spoke has its own label")
    if file.tick.hold_s < file.tick.motion_s:
        raise InputError(
            f"{where}: key 'tick.hold_s' is {file.tick.hold_s:g}: "
            f"must be at least tick.motion_s ({file.tick.motion_s:g} s)"
        )
    low, high = file.limits.temperature_C
    if not low < high:
        raise InputError(
            f"{where}: key 'limits.temperature_C' is [{low:g}, {high:g}]: lowest first, then highest, degC"
        )
    steps = _steps(file.steps, where, file.stations)
    peak = max(max(s.load_N, s.tare_N) for s in steps)
    kept = max((max(s.load_N, s.tare_N) for s in steps if s.kind is not StepKind.PULL), default=0.0)
    max_load = file.limits.max_load_N if file.limits.max_load_N is not None else 1.1 * peak + 20.0
    if max_load < 1.02 * peak:
        raise InputError(
            f"{where}: key 'limits.max_load_N' is {max_load:g}: must be at least 1.02 x the highest load of the steps "
            f"({peak:g} N), or noise trips the run"
        )
    if file.spoke.break_load_N is not None:
        most = file.spoke.max_fraction_of_break * file.spoke.break_load_N
        if kept > most:
            raise InputError(
                f"{where}: the highest load of the steps is {kept:g} N: must be at most {most:g} N "
                f"(max_fraction_of_break {file.spoke.max_fraction_of_break:g} x "
                f"break_load_N {file.spoke.break_load_N:g})"
            )
    program = Program(
        name=file.name,
        batch=file.batch,
        spokes=tuple((station, label_of(spokes)) for station, spokes in file.stations.items()),
        labels=tuple(file.stations.values()),
        gauge_length_mm=file.gauge_length_mm,
        bar_mm_per_N=file.spoke.bar_mm_per_N,
        motion_tick_s=file.tick.motion_s,
        hold_tick_s=file.tick.hold_s,
        EA_N=file.spoke.EA_N,
        limits=RunLimits(
            max_load_N=max_load,
            max_elongation_mm=file.limits.max_elongation_mm,
            max_slack_mm=file.limits.max_slack_mm,
            temperature_C=(low, high),
            ease_off_N_per_s=file.limits.ease_off_N_per_s,
            hold_band_percent=file.limits.hold_band_percent,
        ),
        steps=steps,
        log_after_trip_s=file.limits.log_after_trip_h * 3600.0,
        text=text,
        where=where,
    )
    total_h = program.longest_s / 3600.0
    allowed_h = file.limits.total_h if file.limits.total_h is not None else LONGEST_H
    if total_h > allowed_h:
        raise InputError(
            f"{where}: the steps take {total_h:.2f} h: must be at most {allowed_h:g} h (key 'limits.total_h')"
        )
    return program


def _steps(raw: Sequence[dict[str, Any]], where: str, stations: Mapping[str, tuple[str, ...]]) -> tuple[Step, ...]:
    steps: list[Step] = []
    load = 0.0  # where the step before left the spoke
    for n, one in enumerate(raw, start=1):
        at = f"{where}: steps[{n}]"
        kind = one.get("kind")
        if not isinstance(kind, str) or kind not in _KINDS:
            said = "is missing" if kind is None else f"is {kind!r}"
            raise InputError(f"{at}: key 'kind' {said}: must be one of {', '.join(_KINDS)}")
        if n == 1 and kind != "seat":
            raise InputError(
                f"{at}: the first step must be a seat, this is a {kind}: the spoke's zero is learned there"
            )
        if n > 1 and kind == "seat":
            raise InputError(f"{at}: only the first step may be a seat")
        table: Any = checked(_KINDS[kind], one, at)
        if isinstance(table, _Pull):
            _alone(n == len(raw), stations, at)
        if isinstance(table, _Unload):
            _in_turn(table, stations, at)
        for step in _expand(table, load, n, at):
            steps.append(step)
            load = step.load_N
    if len(steps) > 250:
        raise InputError(f"{where}: {len(steps)} steps once cycles are counted: at most 250")
    return tuple(steps)


def _alone(last: bool, stations: Mapping[str, tuple[str, ...]], at: str) -> None:
    """A pull to break is made with one spoke, and nothing comes after it."""
    if not last:
        raise InputError(f"{at}: a pull to break is the last step: nothing can be done with the spoke after it")
    if len(stations) != 1 or any(len(spokes) != 1 for spokes in stations.values()):
        raise InputError(f"{at}: a pull to break is made with one spoke on one station and nothing else on the frame")


def _in_turn(t: _Unload, stations: Mapping[str, tuple[str, ...]], at: str) -> None:
    """An order of unloading names every station once."""
    if bool(t.order) != (t.gap_min is not None):
        raise InputError(f"{at}: order and gap_min go together: who comes off after whom, and how long after")
    if t.order and sorted(t.order) != sorted(stations):
        raise InputError(
            f"{at}: key 'order' is {', '.join(t.order)}: must name each station once ({', '.join(stations)})"
        )


def _expand(t: Any, load: float, n: int, at: str) -> list[Step]:
    """One table of the file as one or more steps; ``load`` is where the step before left the spoke, N."""

    def step(kind: StepKind, words: str, **given: Any) -> Step:
        return Step(kind=kind, name=t.name or f"{n} {words}", **given)

    match t:
        case _Seat():
            return [
                step(StepKind.SEAT, f"seat {t.load_N:g} N", load_N=t.load_N, rate_N_per_s=10.0, duration_s=t.seconds)
            ]
        case _Ramp():
            return [
                step(
                    StepKind.RAMP, f"ramp {t.load_N:g} N", load_N=t.load_N, rate_N_per_s=t.rate_N_per_s, duration_s=0.0
                )
            ]
        case _Hold():
            target = load if t.load_N is None else t.load_N
            if target <= 0:
                raise InputError(f"{at}: key 'load_N' is missing: the spoke is slack before this hold")
            if (t.hours is None) == (t.until is None):
                raise InputError(f'{at}: a hold takes either hours or until ("ready" or "asked"), one of them')
            if t.until is not None and t.max_hours is None:
                raise InputError(f"{at}: key 'max_hours' is missing: a hold until \"{t.until}\" needs a longest time")
            if t.until is None and t.max_hours is not None:
                raise InputError(f"{at}: key 'max_hours' goes with until, not with hours")
            hours = float(t.hours if t.hours is not None else t.max_hours or 0.0)
            return [
                step(
                    StepKind.HOLD,
                    f"hold {target:g} N",
                    load_N=target,
                    rate_N_per_s=t.rate_N_per_s,
                    duration_s=hours * 3600.0,
                    until=Until(t.until) if t.until else Until.TIME,
                )
            ]
        case _Proof():
            common = {"load_N": t.load_N, "rate_N_per_s": t.rate_N_per_s}
            return [step(StepKind.HOLD, f"proof {t.load_N:g} N", duration_s=t.seconds, **common)]
        case _Cycles():
            if t.low_N >= t.high_N:
                raise InputError(f"{at}: key 'low_N' is {t.low_N:g}: must be below high_N ({t.high_N:g} N)")
            rate = {"rate_N_per_s": t.rate_N_per_s}
            return [
                one
                for i in range(1, t.count + 1)
                for one in (
                    step(
                        StepKind.HOLD,
                        f"cycle {i} up {t.high_N:g} N",
                        load_N=t.high_N,
                        duration_s=t.seconds_at_high,
                        **rate,
                    )
                    if t.seconds_at_high
                    else step(StepKind.RAMP, f"cycle {i} up {t.high_N:g} N", load_N=t.high_N, duration_s=0.0, **rate),
                    step(StepKind.RAMP, f"cycle {i} down {t.low_N:g} N", load_N=t.low_N, duration_s=0.0, **rate),
                )
            ]
        case _Unload():
            return [
                step(
                    StepKind.UNLOAD,
                    "unload",
                    load_N=0.0,
                    rate_N_per_s=t.rate_N_per_s,
                    duration_s=0.0,
                    order=t.order,
                    gap_s=60.0 * (t.gap_min or 0.0),
                )
            ]
        case _Recover():
            return [
                step(
                    StepKind.RECOVER,
                    f"recover {t.tare_N:g} N",
                    load_N=t.tare_N,
                    rate_N_per_s=t.rate_N_per_s,
                    duration_s=t.hours * 3600.0,
                )
            ]
        case _Rest():
            return [
                step(StepKind.REST, "rest slack", load_N=0.0, rate_N_per_s=t.rate_N_per_s, duration_s=t.hours * 3600.0)
            ]
        case _Touch():
            return [
                step(
                    StepKind.TOUCH,
                    f"touch {t.tare_N:g} N",
                    load_N=0.0,
                    rate_N_per_s=t.rate_N_per_s,
                    duration_s=t.hours * 3600.0,
                    tare_N=t.tare_N,
                    per_decade=t.per_decade,
                )
            ]
        case _Chord():
            if load <= 0:
                raise InputError(f"{at}: a chord hold starts under load, and the spoke is slack before it")
            return [
                step(
                    StepKind.CHORD,
                    f"chord {t.followup:g}",
                    load_N=load,
                    rate_N_per_s=10.0,
                    duration_s=t.hours * 3600.0,
                    followup=t.followup,
                )
            ]
        case _Temperature():
            if t.soak_hours > t.max_hours:
                raise InputError(
                    f"{at}: key 'soak_hours' is {t.soak_hours:g}: must be at most max_hours ({t.max_hours:g})"
                )
            return [
                step(
                    StepKind.TEMPERATURE,
                    f"{t.temperature_C:g} degC",
                    load_N=load,
                    rate_N_per_s=10.0,
                    duration_s=t.max_hours * 3600.0,
                    temperature_C=t.temperature_C,
                    within_C=t.within_C,
                    soak_s=t.soak_hours * 3600.0,
                )
            ]
        case _Pull():
            if load <= 0:
                raise InputError(f"{at}: a pull to break starts under load: seat the spoke first")
            if t.up_to_N <= load:
                raise InputError(f"{at}: key 'up_to_N' is {t.up_to_N:g}: must be above the load before ({load:g} N)")
            return [
                step(
                    StepKind.PULL,
                    f"pull to break, up to {t.up_to_N:g} N",
                    load_N=t.up_to_N,
                    rate_N_per_s=t.rate_N_per_s,
                    duration_s=0.0,
                ),
                Step(kind=StepKind.UNLOAD, name=f"{n} off", load_N=0.0, rate_N_per_s=20.0, duration_s=0.0),
            ]
    raise AssertionError(t)
