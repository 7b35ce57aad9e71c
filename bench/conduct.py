"""A station's conduct as pure functions: what a reading leads to, step by step of the program."""

from __future__ import annotations

import math
from dataclasses import replace

from bench import control
from bench.control import Move, Slope
from bench.faults import RULES, Fault
from bench.frame import Command, StationReading
from bench.limits import BROKEN_SHARE
from bench.machine import StationEvent, StationState, after
from bench.station import Said, Station, Tick, entered
from bench.stepping import begin_ramp, enter, go_on, next_step, waits_its_turn, wheel_mm_per_N
from bench.steps import Program, Step, StepKind, Until, touch_times_s

S, E = StationState, StationEvent
SLACK_MM = 0.3  # how far a drive backs off from where the spoke last bore
TOUCH_DWELL_S = 5.0
BARE_MM = 0.15  # this far below its first zero a spoke that has crept bears nothing
ZERO_READINGS = 10  # that a zero is the mean of
LEAST_BARE = 3
SLACK_N = 20.0
BARE_N = 40.0  # unless the cell reads more than its zero can have moved
WHY_ENDED = {"end step": "ended at a person's request", "ready": "ended: ready for its wheel"}
_RAMP_TO_ZERO = (StepKind.UNLOAD, StepKind.REST, StepKind.TOUCH)


def steer(
    station: Station, reading: StationReading, program: Program, tick: Tick
) -> tuple[Station, Command | None, list[Said]]:
    """Go on with the program: the next state, at most one command, and what is worth a line in the log."""
    said: list[Said] = []
    if not _steerable(station, reading):  # soon a fault; until then the drive comes to rest at its last target
        return station, None, said
    if station.state is S.WAITING:
        station = enter(station, reading, program, 0, tick, said)
    elif station.state is S.PAUSED and station.ask == "go on":
        station = go_on(station, reading, program, tick, said)
    elif (why := WHY_ENDED.get(station.ask or "")) and station.state in (S.HOLDING, S.RECOVERING, S.SLACK):
        step = program.steps[station.step]
        if waits_its_turn(station, step, tick):
            station = begin_ramp(station, reading, step)
        else:
            station = next_step(station, reading, program, tick, said, why)
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
        case S.PULLING:
            station, move = _pull(station, reading, program, step, tick, said)
        case S.EASING_OFF:
            station, move = _ease(station, reading, program, tick, said)
        case S.KEPT if reading.moving or _on_its_way(station, reading):
            move = control.bounded(reading.position_mm, max(station.speed_mm_per_s, 0.01), station.facts)
        case S.DRIVE_OFF if reading.enabled or station.enable:
            here = control.bounded(_somewhere(station, reading), 0.1, station.facts)
            station = replace(station, enable=False, target_mm=None)
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


def _steerable(station: Station, reading: StationReading) -> bool:
    """Whether the reading holds the numbers that this state steers by."""
    if station.state is S.DRIVE_OFF:
        return True
    return math.isfinite(reading.position_mm) and (math.isfinite(reading.load_N) or station.state is S.KEPT)


def _somewhere(station: Station, reading: StationReading) -> float:
    """A position for a command that only switches off."""
    known = (reading.position_mm, station.target_mm, station.facts.travel_mm[0])
    return next(x for x in known if x is not None and math.isfinite(x))


def _on_its_way(station: Station, reading: StationReading) -> bool:
    """Whether the last command would still move it."""
    target = station.target_mm
    return reading.enabled and target is not None and abs(target - reading.position_mm) > 2.0 * station.facts.step_mm


def _command(station: Station, move: Move, *, enable: bool) -> Command:
    return Command(station=station.index, enable=enable, target_mm=move.target_mm, speed_mm_per_s=move.speed_mm_per_s)


def _seat(
    station: Station, reading: StationReading, program: Program, step: Step, tick: Tick, said: list[Said]
) -> tuple[Station, Move | None]:
    x, f, facts = reading.position_mm, reading.load_N, station.facts
    reached_s = station.reached_s
    if reached_s is not None:
        if tick.at_s - reached_s >= step.duration_s:
            station = next_step(station, reading, program, tick, said)
            return (
                _ramp(station, reading, program, program.steps[station.step], tick, said)
                if (station.state is S.RAMPING)
                else (station, None)
            )
        return _keep_load(station, reading, tick, tick.at_s - reached_s)
    if f >= station.contact_N:
        station = replace(station, slope=control.learn(station.slope, x, f, 1e6), slack_from_mm=None)
    elif station.slack_from_mm is not None:
        station = station.bare(f)
    if f >= step.load_N - max(3.0 * facts.load_noise_N, 0.03 * step.load_N):
        k = _learned(station, station.slope, station.expected_k)
        zero = control.zero_of(station.slope, k)
        zero_N = station.bare_N if station.bare_n >= LEAST_BARE else station.zero_N
        said.append(
            Said(
                kind="seated",
                message=f"{station.spoke} seated: zero at {zero:.4f} mm, {k:.0f} N/mm with the frame",
                data={"zero_mm": zero, "stiffness_N_per_mm": k, "zero_N": _known(zero_N)},
            )
        )
        station = replace(station, zero_mm=zero, k=k, reached_s=tick.at_s, zero_N=zero_N)
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
            return _let_slack(_off(station, tick, said), reading, tick)
        return station, move
    waited = station.ramp_end_s is not None and tick.at_s - station.ramp_end_s > 4.0 * tick.lag_s
    if not control.arrived(f, reference, to, k, facts) and not waited:
        return station, move
    if step.kind is StepKind.RAMP:
        return next_step(station, reading, program, tick, said), move
    event = E.RECOVER if step.kind is StepKind.RECOVER else E.HOLD
    first = station.reached_s is None
    reached = tick.at_s if station.reached_s is None else station.reached_s
    station = replace(entered(station, after(station.state, event), f), set_load_N=to, reached_s=reached)
    if first:
        said.append(Said(kind="reached", message=f"{to:g} N reached", data={"reached_s": reached}))
        if step.until is Until.ASKED:
            words = f"{step.name}: holds until a person asks for the next step, {step.duration_s / 3600.0:g} h at most"
            said.append(Said(kind="waits", message=words, data={}))
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
    station = replace(station, bare_sum_N=0.0, bare_n=0)
    return station, control.bounded(slack, 0.2, facts)


def _off(station: Station, tick: Tick, said: list[Said]) -> Station:
    """The load has come off: from now on the spoke gives back what it can."""
    if station.off_s is not None:
        return station
    said.append(Said(kind="slack", message=f"{station.spoke} hangs slack from now on", data={"since_s": tick.at_s}))
    return replace(station, off_s=tick.at_s)


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
            return next_step(station, reading, program, tick, said), None
        if tick.at_s - station.step_began_s >= step.duration_s:
            return next_step(station, reading, program, tick, said, "not reached in time"), None
    elif step.kind is StepKind.UNLOAD:  # it waits for its turn to come off
        if not waits_its_turn(station, step, tick):
            return begin_ramp(station, reading, step), None
    elif over and step.kind is not StepKind.RAMP:
        why = "done" if step.until is Until.TIME else f"held to its longest time (until {step.until.value})"
        return next_step(station, reading, program, tick, said, why), None
    chord = wheel_mm_per_N(station, step, program) if step.kind is StepKind.CHORD else None
    return _keep_load(station, reading, tick, tick.at_s - reached, chord)


def _slack(
    station: Station, reading: StationReading, program: Program, step: Step, tick: Tick, said: list[Said]
) -> tuple[Station, Move | None]:
    facts = station.facts
    slack = station.slack_mm
    if slack is None:
        return station, None
    there = abs(reading.position_mm - slack) <= max(3.0 * facts.step_mm, 0.002)
    if there:
        station = station.bare(reading.load_N)
    since = tick.at_s - (station.reached_s if station.reached_s is not None else tick.at_s)
    match step.kind:
        case StepKind.UNLOAD if station.bare_n >= ZERO_READINGS:
            station = _zero_again(station, said)
            return next_step(station, reading, program, tick, said), None
        case StepKind.REST if since >= step.duration_s:
            return _leave_slack(station, reading, program, tick, said), None
        case StepKind.TEMPERATURE if tick.temperature_done:
            return _leave_slack(station, reading, program, tick, said), None
        case StepKind.TEMPERATURE if tick.at_s - station.step_began_s >= step.duration_s:
            return next_step(station, reading, program, tick, said, "not reached in time"), None
        case StepKind.TOUCH:
            times = touch_times_s(step)
            if station.touches >= len(times) and station.bare_n >= ZERO_READINGS:
                return _leave_slack(station, reading, program, tick, said), None
            if station.touches >= len(times):
                return station, None if there else control.bounded(slack, 0.2, facts)
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


def _leave_slack(station: Station, reading: StationReading, program: Program, tick: Tick, said: list[Said]) -> Station:
    if station.step + 1 == len(program.steps):
        station = _zero_again(station, said)
    return next_step(station, reading, program, tick, said)


def _zero_again(station: Station, said: list[Said]) -> Station:
    """The cell's zero with the load off, against the one before the run."""
    zero, drift = station.bare_N, station.bare_N - station.zero_N
    if not math.isfinite(drift):
        words = "from before: not known, the run was taken up under load"
        said.append(Said(kind="zero", message=f"load cell reads {zero:+.2f} N with the load off; {words}", data={}))
        return station
    data = {"zero_N": zero, "drift_N": drift}
    words = f"load cell reads {zero:+.2f} N with the load off, {drift:+.2f} N from before"
    said.append(Said(kind="zero", message=words, data=data))
    limit = max(6.0 * station.facts.load_noise_N, 0.002 * station.facts.max_load_N)
    if abs(drift) > limit:
        rule = RULES[Fault.CELL_DRIFT]
        measured = f"{drift:+.2f} N (limit {limit:.2f})"
        words = f"station {station.name}: {Fault.CELL_DRIFT.value}: {rule.means}: {measured}; do: {rule.do}"
        said.append(Said(kind="note", message=words, data={"fault": Fault.CELL_DRIFT.value, "measured": drift}))
    return replace(station, drift_N=drift)


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


def _pull(
    station: Station, reading: StationReading, program: Program, step: Step, tick: Tick, said: list[Said]
) -> tuple[Station, Move | None]:
    """Pull at a constant speed until the spoke breaks, or the load is reached that the step goes up to."""
    x, f, facts = reading.position_mm, reading.load_N, station.facts
    if f > station.peak_N:
        station = replace(station, peak_N=f, peak_mm=station.elongation_mm(reading)[0])
    data = {"load_N": station.peak_N, "elongation_mm": _known(station.peak_mm), "rate_N_per_s": step.rate_N_per_s}
    if f < BROKEN_SHARE * station.peak_N and station.peak_N > max(20.0 * facts.load_noise_N, 2.0 * SLACK_N):
        said.append(Said(kind="broke", message=f"{station.spoke} broke at {station.peak_N:.0f} N", data=data))
        station = next_step(replace(station, broke=True), reading, program, tick, said, "broke")
        return station, control.bounded(x, 0.01, facts)
    if f >= step.load_N - 3.0 * facts.load_noise_N:
        words = f"{station.spoke} did not break up to {station.peak_N:.0f} N: it has been overloaded, do not use it"
        said.append(Said(kind="held", message=words, data=data))
        station = next_step(station, reading, program, tick, said, "not broken")
        return station, control.bounded(x, 0.01, facts)
    speed = step.rate_N_per_s / station.k
    ahead = min((step.load_N - f) / (control.CAUTION * station.k), speed * 2.0 * tick.lag_s)
    return station, control.bounded(x + ahead, speed, facts)


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _ease(
    station: Station, reading: StationReading, program: Program, tick: Tick, said: list[Said]
) -> tuple[Station, Move | None]:
    x, f, facts = reading.position_mm, reading.load_N, station.facts
    if _bare(station, x, f):
        station = _off(station, tick, said)
        slack = station.slack_mm if station.slack_mm is not None else max(x - SLACK_MM, facts.travel_mm[0])
        if x > slack + max(3.0 * facts.step_mm, 0.002):
            return replace(station, slack_mm=slack, bare_sum_N=0.0, bare_n=0), control.bounded(slack, 0.2, facts)
        station = station.bare(f)
        if station.bare_n < ZERO_READINGS:
            return replace(station, slack_mm=slack), None
        said.append(Said(kind="eased", message=f"load off: {station.ended or 'eased off'}", data={}))
        station = _zero_again(station, said)
        return entered(station, after(station.state, E.LOAD_OFF), 0.0), None
    slope = control.learn(station.slope, x, f, max(40.0 * facts.load_noise_N, 20.0, 0.05 * f))
    k = _learned(station, slope, station.k)
    rate = program.limits.ease_off_N_per_s
    reference, move = control.ramp(x, f, station.reference_N, 0.0, rate, k, tick.dt_s, tick.lag_s, facts)
    move = control.bounded(min(move.target_mm, x), move.speed_mm_per_s, facts)  # easing off only ever unloads
    return replace(station, slope=slope, k=k, reference_N=reference, slack_mm=None), move
