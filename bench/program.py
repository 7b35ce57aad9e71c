"""PROGRAM.toml: what the spokes are to go through, checked whole before a frame is energised, turned into steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from bench.programtable import (
    KINDS,
    LONGEST_H,
    Chord,
    Cycles,
    File,
    Hold,
    Proof,
    Pull,
    Ramp,
    Ready,
    Recover,
    Rest,
    Seat,
    Temperature,
    Touch,
    Unload,
)
from bench.steps import LEAST_ABOVE_PEAK, Program, ReadyRule, RunLimits, Step, StepKind, Until, label_of
from models.errors import InputError
from models.written import checked, parse_toml, read_text

WHAT = "a program file, PROGRAM.toml"


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
    file = checked(File, parse_toml(text, where, WHAT), where)
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
    ready = _ready(file.ready, steps, where)
    peak = max(max(s.load_N, s.tare_N) for s in steps)
    kept = max((max(s.load_N, s.tare_N) for s in steps if s.kind is not StepKind.PULL), default=0.0)
    max_load = file.limits.max_load_N if file.limits.max_load_N is not None else 1.1 * peak + 20.0
    if max_load < LEAST_ABOVE_PEAK * peak:
        raise InputError(
            f"{where}: key 'limits.max_load_N' is {max_load:g}: must be at least {LEAST_ABOVE_PEAK:g} x "
            f"the highest load of the steps ({peak:g} N), or noise trips the run"
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
        ready=ready,
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


def _ready(t: Ready | None, steps: Sequence[Step], where: str) -> ReadyRule | None:
    """The criterion of a hold until ready."""
    if t is None:
        if any(s.until is Until.READY for s in steps):
            raise InputError(
                f"{where}: key 'ready' is missing: a hold until \"ready\" needs [ready] with batch, target_N, "
                "sessions, followup and tolerance_percent of the planned wheel"
            )
        return None
    at = [a for a, _ in t.sessions]
    ends = [a + (t.pass_session_h if i else t.session_h) for i, a in enumerate(at)]
    if at[0] != 0 or any(b < end for end, b in zip(ends, at[1:], strict=False)):
        raise InputError(
            f"{where}: key 'ready.sessions': [at_h, tension_N] of set, touches and passes: the first at 0 h, each "
            f"after the end of the one before (session_h = {t.session_h:g}, pass_session_h = {t.pass_session_h:g})"
        )
    if not ends[-1] <= t.delivery_h < t.horizon_h:
        raise InputError(
            f"{where}: key 'ready.delivery_h' is {t.delivery_h:g}: must be after the last session and before "
            f"horizon_h ({t.horizon_h:g} h)"
        )
    return ReadyRule(**t.model_dump())


def _steps(raw: Sequence[dict[str, Any]], where: str, stations: Mapping[str, tuple[str, ...]]) -> tuple[Step, ...]:
    steps: list[Step] = []
    load = 0.0  # where the step before left the spoke
    for n, one in enumerate(raw, start=1):
        at = f"{where}: steps[{n}]"
        kind = one.get("kind")
        if not isinstance(kind, str) or kind not in KINDS:
            said = "is missing" if kind is None else f"is {kind!r}"
            raise InputError(f"{at}: key 'kind' {said}: must be one of {', '.join(KINDS)}")
        if n == 1 and kind != "seat":
            raise InputError(
                f"{at}: the first step must be a seat, this is a {kind}: the spoke's zero is learned there"
            )
        if n > 1 and kind == "seat":
            raise InputError(f"{at}: only the first step may be a seat")
        table: Any = checked(KINDS[kind], one, at)
        if isinstance(table, Pull):
            _alone(n == len(raw), stations, at)
        if isinstance(table, Unload):
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


def _in_turn(t: Unload, stations: Mapping[str, tuple[str, ...]], at: str) -> None:
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
        case Seat():
            return [
                step(StepKind.SEAT, f"seat {t.load_N:g} N", load_N=t.load_N, rate_N_per_s=10.0, duration_s=t.seconds)
            ]
        case Ramp():
            return [
                step(
                    StepKind.RAMP, f"ramp {t.load_N:g} N", load_N=t.load_N, rate_N_per_s=t.rate_N_per_s, duration_s=0.0
                )
            ]
        case Hold():
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
        case Proof():
            common = {"load_N": t.load_N, "rate_N_per_s": t.rate_N_per_s}
            return [step(StepKind.HOLD, f"proof {t.load_N:g} N", duration_s=t.seconds, **common)]
        case Cycles():
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
        case Unload():
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
        case Recover():
            return [
                step(
                    StepKind.RECOVER,
                    f"recover {t.tare_N:g} N",
                    load_N=t.tare_N,
                    rate_N_per_s=t.rate_N_per_s,
                    duration_s=t.hours * 3600.0,
                )
            ]
        case Rest():
            return [
                step(StepKind.REST, "rest slack", load_N=0.0, rate_N_per_s=t.rate_N_per_s, duration_s=t.hours * 3600.0)
            ]
        case Touch():
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
        case Chord():
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
        case Temperature():
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
        case Pull():
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
                Step(kind=StepKind.UNLOAD, name=f"{n} off", load_N=0.0, rate_N_per_s=t.rate_N_per_s, duration_s=0.0),
            ]
    raise AssertionError(t)
