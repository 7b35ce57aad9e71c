"""A station's conduct as pure functions: what a reading leads to, step by step of the program."""

from __future__ import annotations

from dataclasses import replace

from bench import control
from bench.control import Move, Slope
from bench.faults import RULES, Fault
from bench.frame import Command, StationReading
from bench.machine import StationEvent, StationState, after
from bench.station import Said, Station, Tick, entered
from bench.steps import Program, Step, StepKind, Until, touch_times_s

S, E = StationState, StationEvent
SLACK_MM = 0.3  # how far a drive backs off from where the spoke last bore
TOUCH_DWELL_S = 5.0
BARE_MM = 0.15  # this far below its first zero a spoke that has crept bears nothing
BARE_N = 40.0  # unless the cell reads more than its zero can have moved
_RAMP_TO_ZERO = (StepKind.UNLOAD, StepKind.REST, StepKind.TOUCH)


def steer(
    station: Station, reading: StationReading, program: Program, tick: Tick
) -> tuple[Station, Command | None, list[Said]]:
    """Go on with the program: the next state, at most one command, and what is worth a line in the log."""
    said: list[Said] = []
    if station.state is S.WAITING:
        station = _enter(station, reading, program, 0, tick, said)
    elif station.state is S.PAUSED and station.ask == "go on":
        station = _go_on(station, reading, program, tick, said)
    elif station.ask == "end step" and station.state in (S.HOLDING, S.RECOVERING, S.SLACK):
        station = _next(station, reading, program, tick, said, "ended at a person's request")
    move: Move | None = None
    step = program.steps[min(station.step, len(program.steps) - 1)]
    match station.state:
        case S.SEATING:
            station, move = _seat(station, reading, program, step, tick, said)
        case S.RAMPING:
            station, move = _ramp(station, reading, program, step, tick, said)
        case S.HOLDING | S.RECOVERING:
            station, move = _hold(station, reading, program, step, tick, said)
        case S.PAUSED:
            station, move = _keep_load(station, reading, tick, tick.at_s - station.step_began_s)
        case S.SLACK:
            station, move = _slack(station, reading, program, step, tick, said)
        case S.TOUCHING:
            station, move = _touch(station, reading, step, tick)
        case S.EASING_OFF:
            station, move = _ease(station, reading, program, tick, said)
        case S.KEPT if reading.moving or _on_its_way(station, reading):
            move = control.bounded(reading.position_mm, max(station.speed_mm_per_s, 0.01), station.facts)
        case S.DRIVE_OFF if reading.enabled or station.enable:
            station = replace(station, enable=False, target_mm=None)
            here = control.bounded(reading.position_mm, 0.1, station.facts)
            return station, _command(station, here, enable=False), said
        case _:
            pass
    if move is None:
        return station, None, said
    x = reading.position_mm
    station = replace(
        station,
        target_mm=move.target_mm,
        enable=True,
        span_mm=(min(x, move.target_mm), max(x, move.target_mm)),
        span_before_mm=station.span_mm,
        speed_mm_per_s=move.speed_mm_per_s,
        speed_before_mm_per_s=station.speed_mm_per_s,
    )
    return station, _command(station, move, enable=True), said


def _on_its_way(station: Station, reading: StationReading) -> bool:
    """Whether the last command would still move it."""
    target = station.target_mm
    return reading.enabled and target is not None and abs(target - reading.position_mm) > 2.0 * station.facts.step_mm


def _command(station: Station, move: Move, *, enable: bool) -> Command:
    return Command(station=station.index, enable=enable, target_mm=move.target_mm, speed_mm_per_s=move.speed_mm_per_s)


def _next(
    station: Station, reading: StationReading, program: Program, tick: Tick, said: list[Said], why: str = "done"
) -> Station:
    name = program.steps[station.step].name
    n = station.step + 1
    if n >= len(program.steps):
        said.append(Said(kind="done", message=f"{name} {why}; the program has ended", data={"step": n, "why": why}))
        return replace(entered(station, after(station.state, E.FINISH), station.set_load_N), ended="done", step=n - 1)
    said.append(
        Said(
            kind="step",
            message=f"{name} {why}, {program.steps[n].name} begun",
            data={"step": n, "began_s": tick.at_s, "why": why},
        )
    )
    return _enter(station, reading, program, n, tick, said)


def _enter(
    station: Station, reading: StationReading, program: Program, n: int, tick: Tick, said: list[Said]
) -> Station:
    """Begin step ``n``."""
    step = program.steps[n]
    was_slack = station.state is S.SLACK
    slack_mm, slack_s = station.slack_mm, station.reached_s
    station = replace(station, step=n, step_began_s=tick.at_s, touches=0)
    match step.kind:
        case StepKind.SEAT:
            station = entered(station, after(station.state, E.SEAT), reading.load_N)
            return replace(station, set_load_N=step.load_N, reached_s=None, slack_from_mm=reading.position_mm)
        case StepKind.CHORD:
            return _begin_chord(station, reading, program, step, tick, said)
        case StepKind.TEMPERATURE if not was_slack:
            creep, load = station.creep, station.set_load_N
            station = entered(station, after(station.state, E.HOLD), reading.load_N)
            return replace(station, creep=creep, set_load_N=load, reached_s=tick.at_s)
        case StepKind.UNLOAD | StepKind.REST | StepKind.TOUCH | StepKind.TEMPERATURE if was_slack:
            station = entered(station, after(station.state, E.LET_SLACK), 0.0)
            return replace(station, slack_mm=slack_mm, reached_s=tick.at_s if slack_s is None else slack_s)
    return _begin_ramp(station, reading, step)


def _begin_ramp(station: Station, reading: StationReading, step: Step) -> Station:
    load = reading.load_N
    station = entered(station, after(station.state, E.RAMP), load)
    slack = load < station.contact_N and step.load_N > 0
    return replace(
        station,
        set_load_N=step.load_N,
        reached_s=None,
        slack_from_mm=reading.position_mm if slack else None,
    )


def _begin_chord(
    station: Station, reading: StationReading, program: Program, step: Step, tick: Tick, said: list[Said]
) -> Station:
    creep = station.creep
    load = creep_load(station, reading)
    chord = reading.position_mm - reading.load_N * station.facts.frame_compliance_mm_per_N
    chord += _wheel_compliance(station, step, program) * reading.load_N
    station = entered(station, after(station.state, E.HOLD), load)
    said.append(Said(kind="chord", message=f"chord kept from {reading.load_N:.1f} N", data={"chord_mm": chord}))
    return replace(station, creep=creep, chord_mm=chord, set_load_N=load, reached_s=tick.at_s)


def creep_load(station: Station, reading: StationReading) -> float:
    """Load now, smoothed where a hold was on."""
    if station.creep is None:
        return reading.load_N
    return station.k * (reading.position_mm - station.creep.y_mm)


def _wheel_compliance(station: Station, step: Step, program: Program) -> float:
    """phi L/EA of all spokes on the station, mm/N."""
    return step.followup * station.gauge_length_mm / program.EA_N


def _go_on(station: Station, reading: StationReading, program: Program, tick: Tick, said: list[Said]) -> Station:
    """After a pause or a gap: back to the step's load; the step's clock has gone on."""
    step = program.steps[station.step]
    said.append(Said(kind="step", message=f"{step.name} goes on", data={"step": station.step}))
    reached, touches = station.reached_s, station.touches
    if step.kind is StepKind.SEAT:
        if station.zero_mm is None:
            return _enter(station, reading, program, station.step, tick, said)
        station = entered(station, after(station.state, E.SEAT), reading.load_N)
        return replace(station, set_load_N=step.load_N, reached_s=tick.at_s if reached is None else reached)
    if step.kind is StepKind.CHORD and station.chord_mm:
        station = entered(station, after(station.state, E.HOLD), reading.load_N)
        return replace(station, reached_s=reached if reached is not None else tick.at_s)
    if step.kind is StepKind.TEMPERATURE:
        return _enter(station, reading, program, station.step, tick, said)
    station = _begin_ramp(station, reading, step)
    return replace(station, reached_s=reached, touches=touches)


def _seat(
    station: Station, reading: StationReading, program: Program, step: Step, tick: Tick, said: list[Said]
) -> tuple[Station, Move | None]:
    x, f, facts = reading.position_mm, reading.load_N, station.facts
    reached_s = station.reached_s
    if reached_s is not None:
        if tick.at_s - reached_s >= step.duration_s:
            station = _next(station, reading, program, tick, said)
            return (
                _ramp(station, reading, program, program.steps[station.step], tick, said)
                if (station.state is S.RAMPING)
                else (station, None)
            )
        return _keep_load(station, reading, tick, tick.at_s - reached_s)
    if f >= station.contact_N:
        station = replace(station, slope=control.learn(station.slope, x, f, 1e6), slack_from_mm=None)
    if f >= step.load_N - max(3.0 * facts.load_noise_N, 0.03 * step.load_N):
        k = _learned(station, station.slope, station.expected_k)
        zero = control.zero_of(station.slope, k)
        said.append(
            Said(
                kind="seated",
                message=f"{station.spoke} seated: zero at {zero:.4f} mm, {k:.0f} N/mm with the frame",
                data={"zero_mm": zero, "stiffness_N_per_mm": k},
            )
        )
        station = replace(station, zero_mm=zero, k=k, reached_s=tick.at_s)
        return _keep_load(station, reading, tick, 0.0)
    k = station.expected_k
    return station, control.approach(x, f, step.load_N, station.contact_N, k, tick.lag_s, facts)


def _learned(station: Station, slope: Slope, otherwise: float) -> float:
    """Stiffness of the line, kept within what a spoke on this frame can be."""
    k = control.learned_N_per_mm(slope, station.facts.load_noise_N)
    return otherwise if k is None else min(max(k, 0.1 * station.expected_k), 1.5 * station.expected_k)


def _ramp(
    station: Station, reading: StationReading, program: Program, step: Step, tick: Tick, said: list[Said]
) -> tuple[Station, Move | None]:
    x, f, facts = reading.position_mm, reading.load_N, station.facts
    to = 0.0 if step.kind in _RAMP_TO_ZERO else step.load_N
    if station.slack_from_mm is not None:
        if f < station.contact_N:
            k = station.expected_k
            return station, control.approach(x, f, min(to, 20.0), station.contact_N, k, tick.lag_s, facts)
        station = replace(station, slack_from_mm=None, reference_N=f)
    forget = max(40.0 * facts.load_noise_N, 20.0, 0.05 * f)
    slope = control.learn(station.slope, x, f, forget)
    k = _learned(station, slope, station.k)
    reference, move = control.ramp(x, f, station.reference_N, to, step.rate_N_per_s, k, tick.dt_s, tick.lag_s, facts)
    end_s = station.ramp_end_s if reference == to and station.ramp_end_s is not None else tick.at_s
    station = replace(
        station, slope=slope, k=k, reference_N=reference, set_load_N=to, ramp_end_s=end_s if reference == to else None
    )
    if to == 0.0:
        if _bare(station, x, f):
            return _let_slack(station, reading, tick)
        return station, move
    waited = station.ramp_end_s is not None and tick.at_s - station.ramp_end_s > 4.0 * tick.lag_s
    if not control.arrived(f, reference, to, k, facts) and not waited:
        return station, move
    if step.kind is StepKind.RAMP:
        return _next(station, reading, program, tick, said), move
    event = E.RECOVER if step.kind is StepKind.RECOVER else E.HOLD
    first = station.reached_s is None
    reached = tick.at_s if station.reached_s is None else station.reached_s
    station = replace(entered(station, after(station.state, event), f), set_load_N=to, reached_s=reached)
    if first:
        said.append(Said(kind="reached", message=f"{to:g} N reached", data={"reached_s": reached}))
    return _keep_load(station, reading, tick, 0.0)


def _bare(station: Station, x: float, f: float) -> bool:
    """Nothing bears any more: by the load, or, where the cell's zero has moved, by the position."""
    if f <= station.contact_N:
        return True
    return station.zero_mm is not None and x < station.zero_mm - BARE_MM and f < BARE_N


def _let_slack(station: Station, reading: StationReading, tick: Tick) -> tuple[Station, Move]:
    reached, facts = station.reached_s, station.facts
    station = entered(station, after(station.state, E.LET_SLACK), 0.0)
    low = facts.travel_mm[0]
    slack = max(reading.position_mm - SLACK_MM, low)
    station = replace(station, set_load_N=0.0, slack_mm=slack, reached_s=tick.at_s if reached is None else reached)
    return station, control.bounded(slack, 0.2, facts)


def _keep_load(
    station: Station, reading: StationReading, tick: Tick, under_load_s: float, chord: float | None = None
) -> tuple[Station, Move | None]:
    """The hold law on whatever load is set."""
    x, f, k, facts = reading.position_mm, reading.load_N, station.k, station.facts
    jump = max(8.0 * facts.load_noise_N, 0.01 * station.set_load_N, 3.0) / k
    creep = control.follow(station.creep, x - f / k, tick.at_s, max(under_load_s, 0.0), jump)
    set_N = station.set_load_N
    if chord is not None:
        set_N = control.chord_set_N(creep, station.chord_mm, k, facts.frame_compliance_mm_per_N, chord)
    station = replace(station, creep=creep, set_load_N=set_N)
    move = control.hold(creep, set_N, x, f, station.target_mm, k, tick.tick_s, tick.delay_s, facts)
    return station, move


def _hold(
    station: Station, reading: StationReading, program: Program, step: Step, tick: Tick, said: list[Said]
) -> tuple[Station, Move | None]:
    reached = station.reached_s if station.reached_s is not None else tick.at_s
    over = tick.at_s - reached >= step.duration_s
    if step.kind is StepKind.TEMPERATURE:
        if tick.temperature_done:
            return _next(station, reading, program, tick, said), None
        if tick.at_s - station.step_began_s >= step.duration_s:
            return _next(station, reading, program, tick, said, "not reached in time"), None
    elif over and step.kind is not StepKind.RAMP:
        why = "done" if step.until is Until.TIME else f"held to its longest time (until {step.until.value})"
        return _next(station, reading, program, tick, said, why), None
    chord = _wheel_compliance(station, step, program) if step.kind is StepKind.CHORD else None
    return _keep_load(station, reading, tick, tick.at_s - reached, chord)


def _slack(
    station: Station, reading: StationReading, program: Program, step: Step, tick: Tick, said: list[Said]
) -> tuple[Station, Move | None]:
    facts = station.facts
    slack = station.slack_mm
    if slack is None:
        return station, None
    there = abs(reading.position_mm - slack) <= max(3.0 * facts.step_mm, 0.002)
    since = tick.at_s - (station.reached_s if station.reached_s is not None else tick.at_s)
    match step.kind:
        case StepKind.UNLOAD if there:
            said.extend(_zero_again(station, reading))
            return _next(station, reading, program, tick, said), None
        case StepKind.REST if since >= step.duration_s:
            return _next(station, reading, program, tick, said), None
        case StepKind.TEMPERATURE if tick.temperature_done:
            return _next(station, reading, program, tick, said), None
        case StepKind.TEMPERATURE if tick.at_s - station.step_began_s >= step.duration_s:
            return _next(station, reading, program, tick, said, "not reached in time"), None
        case StepKind.TOUCH:
            times = touch_times_s(step)
            if station.touches >= len(times):
                return _next(station, reading, program, tick, said), None
            if there and since >= times[station.touches]:
                slack_since = station.reached_s
                station = entered(station, after(station.state, E.TOUCH), 0.0)
                return replace(
                    station,
                    set_load_N=step.tare_N,
                    reached_s=slack_since,
                    slack_from_mm=reading.position_mm,
                ), None
    return station, None if there else control.bounded(slack, 0.2, facts)


def _zero_again(station: Station, reading: StationReading) -> list[Said]:
    """The cell's zero with the load off, against the one before the run."""
    zero = reading.load_N
    drift = zero - station.first_load_N
    data = {"zero_N": zero, "drift_N": drift}
    said = [
        Said(
            kind="zero",
            message=f"load cell reads {zero:+.2f} N with the load off, {drift:+.2f} N from before",
            data=data,
        )
    ]
    limit = max(6.0 * station.facts.load_noise_N, 0.002 * station.facts.max_load_N)
    if abs(drift) > limit:
        rule = RULES[Fault.CELL_DRIFT]
        measured = f"{drift:+.2f} N (limit {limit:.2f})"
        words = f"station {station.name}: {Fault.CELL_DRIFT.value}: {rule.means}: {measured}; do: {rule.do}"
        said.append(Said(kind="note", message=words, data={"fault": Fault.CELL_DRIFT.value, "measured": drift}))
    return said


def _touch(station: Station, reading: StationReading, step: Step, tick: Tick) -> tuple[Station, Move | None]:
    x, f, facts = reading.position_mm, reading.load_N, station.facts
    tare = step.tare_N
    if f >= station.contact_N:
        station = replace(station, slack_from_mm=None)
    if station.ramp_end_s is None:
        if f < tare - max(3.0 * facts.load_noise_N, 0.03 * tare):
            return station, control.approach(x, f, tare, station.contact_N, station.k, tick.lag_s, facts)
        station = replace(station, ramp_end_s=tick.at_s)
    if tick.at_s - (station.ramp_end_s or 0.0) < TOUCH_DWELL_S:
        return _keep_load(station, reading, tick, 0.0)
    return _let_slack(replace(station, touches=station.touches + 1), reading, tick)


def _ease(
    station: Station, reading: StationReading, program: Program, tick: Tick, said: list[Said]
) -> tuple[Station, Move | None]:
    x, f, facts = reading.position_mm, reading.load_N, station.facts
    if _bare(station, x, f):
        slack = station.slack_mm if station.slack_mm is not None else max(x - SLACK_MM, facts.travel_mm[0])
        if x <= slack + max(3.0 * facts.step_mm, 0.002):
            said.append(Said(kind="eased", message=f"load off: {station.ended or 'eased off'}", data={}))
            return entered(station, after(station.state, E.LOAD_OFF), 0.0), None
        return replace(station, slack_mm=slack), control.bounded(slack, 0.2, facts)
    slope = control.learn(station.slope, x, f, max(40.0 * facts.load_noise_N, 20.0, 0.05 * f))
    k = _learned(station, slope, station.k)
    rate = program.limits.ease_off_N_per_s
    reference, move = control.ramp(x, f, station.reference_N, 0.0, rate, k, tick.dt_s, tick.lag_s, facts)
    move = control.bounded(min(move.target_mm, x), move.speed_mm_per_s, facts)  # easing off only ever unloads
    return replace(station, slope=slope, k=k, reference_N=reference, slack_mm=None), move
