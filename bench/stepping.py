"""Which step of the program a station is in: how one step ends, how the next begins, how one goes on after a gap."""

from __future__ import annotations

import math
from dataclasses import replace

from bench.frame import StationReading
from bench.machine import StationEvent, StationState, after
from bench.station import Said, Station, Tick, entered
from bench.steps import Program, Step, StepKind

S, E = StationState, StationEvent


def next_step(
    station: Station, reading: StationReading, program: Program, tick: Tick, said: list[Said], why: str = "done"
) -> Station:
    """End the step, say why, and begin the next one, or end the program."""
    name = program.steps[station.step].name
    n = station.step + 1
    if station.state in (S.HOLDING, S.RECOVERING):
        station = replace(station, why=f"{name} {why}")
    if n >= len(program.steps):
        said.append(Said(kind="done", message=f"{name} {why}; the program has ended", data={"step": n, "why": why}))
        return replace(entered(station, after(station.state, E.FINISH), station.set_load_N), ended="done", step=n - 1)
    said.append(
        Said(
            kind="step",
            message=f"{name} {why}, {program.steps[n].name} begun",
            data={"step": n, "began_s": tick.at_s, "why": why, "held": station.why},
        )
    )
    return enter(station, reading, program, n, tick, said)


def enter(station: Station, reading: StationReading, program: Program, n: int, tick: Tick, said: list[Said]) -> Station:
    """Begin step ``n``."""
    step = program.steps[n]
    was_slack = station.state is S.SLACK
    slack_mm, slack_s = station.slack_mm, station.reached_s
    station = replace(station, step=n, step_began_s=tick.at_s, touches=0)
    match step.kind:
        case StepKind.SEAT:
            station = entered(station, after(station.state, E.SEAT), reading.load_N)
            return replace(
                station,
                set_load_N=step.load_N,
                reached_s=None,
                slack_from_mm=reading.position_mm,
                bare_sum_N=0.0,
                bare_n=0,
            )
        case StepKind.CHORD:
            return _begin_chord(station, reading, program, step, tick, said)
        case StepKind.PULL:
            station = entered(station, after(station.state, E.PULL), reading.load_N)
            return replace(station, set_load_N=step.load_N, reached_s=None, peak_N=0.0, peak_mm=math.nan)
        case StepKind.TEMPERATURE if not was_slack:
            return _hold_on(station, reading, tick)
        case StepKind.UNLOAD if not was_slack and waits_its_turn(station, step, tick):
            return _hold_on(station, reading, tick)
        case StepKind.UNLOAD | StepKind.REST | StepKind.TOUCH | StepKind.TEMPERATURE if was_slack:
            station = entered(station, after(station.state, E.LET_SLACK), 0.0)
            return replace(station, slack_mm=slack_mm, reached_s=tick.at_s if slack_s is None else slack_s)
    return begin_ramp(station, reading, step)


def _hold_on(station: Station, reading: StationReading, tick: Tick) -> Station:
    """Keep the load that is on."""
    creep, load = station.creep, station.set_load_N
    station = entered(station, after(station.state, E.HOLD), reading.load_N)
    return replace(station, creep=creep, set_load_N=load, reached_s=tick.at_s)


def waits_its_turn(station: Station, step: Step, tick: Tick) -> bool:
    """Whether other stations come off before this one."""
    return step.kind is StepKind.UNLOAD and tick.at_s - station.step_began_s < step.wait_s(station.name)


def begin_ramp(station: Station, reading: StationReading, step: Step) -> Station:
    """Go to the load of the step; slack is taken up first."""
    load = reading.load_N
    station = entered(station, after(station.state, E.RAMP), load)
    slack = load < station.contact_N and step.load_N > 0
    return replace(
        station,
        set_load_N=step.load_N,
        reached_s=None,
        slack_from_mm=reading.position_mm if slack else None,
        off_s=None if step.load_N > 0 else station.off_s,
    )


def _begin_chord(
    station: Station, reading: StationReading, program: Program, step: Step, tick: Tick, said: list[Said]
) -> Station:
    creep = station.creep
    load = creep_load(station, reading)
    chord = reading.position_mm - reading.load_N * station.facts.frame_compliance_mm_per_N
    chord += wheel_mm_per_N(station, step, program) * reading.load_N
    station = entered(station, after(station.state, E.HOLD), load)
    said.append(Said(kind="chord", message=f"chord kept from {reading.load_N:.1f} N", data={"chord_mm": chord}))
    return replace(station, creep=creep, chord_mm=chord, set_load_N=load, reached_s=tick.at_s)


def creep_load(station: Station, reading: StationReading) -> float:
    """Load now, smoothed where a hold was on."""
    if station.creep is None:
        return reading.load_N
    return station.k * (reading.position_mm - station.creep.y_mm)


def wheel_mm_per_N(station: Station, step: Step, program: Program) -> float:
    """phi L/EA of all spokes on the station, mm/N."""
    return step.followup * station.gauge_length_mm / program.EA_N


def go_on(station: Station, reading: StationReading, program: Program, tick: Tick, said: list[Said]) -> Station:
    """After a pause or a gap: back to the step's load; the step's clock has gone on."""
    step = program.steps[station.step]
    said.append(Said(kind="step", message=f"{step.name} goes on", data={"step": station.step}))
    reached, touches = station.reached_s, station.touches
    if step.kind is StepKind.SEAT:
        if station.zero_mm is None:
            return enter(station, reading, program, station.step, tick, said)
        station = entered(station, after(station.state, E.SEAT), reading.load_N)
        return replace(station, set_load_N=step.load_N, reached_s=tick.at_s if reached is None else reached)
    if step.kind is StepKind.CHORD and station.chord_mm:
        station = entered(station, after(station.state, E.HOLD), reading.load_N)
        return replace(station, reached_s=reached if reached is not None else tick.at_s)
    if step.kind is StepKind.TEMPERATURE:
        return enter(station, reading, program, station.step, tick, said)
    if waits_its_turn(station, step, tick) and station.under_load:
        return _hold_on(station, reading, tick)
    station = begin_ramp(station, reading, step)
    return replace(station, reached_s=reached, touches=touches)
