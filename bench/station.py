"""One station as a value: what is remembered of it between two readings, and what faults and persons do to it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from bench.control import Creep, Slope
from bench.faults import RULES, Fault, Reaction, worse
from bench.frame import Command, StationFacts, StationReading
from bench.limits import SLIP_STRAIN_PER_S, Asked, Violation, Watch, first_watch
from bench.machine import ENDED, PROGRAM_STATES, StationEvent, StationState, after
from bench.steps import Program, RunLimits, Until

S, E = StationState, StationEvent
LOG_TICK_SHARE = 0.01  # a hold is read every hundredth of its age, between the two ticks of the program
NO_SLOPE = Slope()


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """What holds for all stations in one pass of the loop."""

    at_s: float  # run time of the reading
    dt_s: float  # since the reading before
    lag_s: float  # from this reading until the next command takes effect
    delay_s: float  # from this reading until this command takes effect
    tick_s: float  # until the next reading
    temperature_done: bool = False  # the cabinet has soaked as long as the step asks


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """Something for the event log."""

    kind: str
    message: str
    data: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """Everything that is remembered of one station between two readings."""

    index: int  # on the frame
    name: str
    spoke: str  # label of what hangs there
    spokes: int  # how many of them, in series
    gauge_length_mm: float  # length that creeps, of all of them
    facts: StationFacts  # with the bars between spokes counted to the frame's compliance
    limits: RunLimits  # of this station: lengths are those of all its spokes
    state: StationState
    watch: Watch
    expected_k: float  # stiffness that the program expects, N/mm
    k: float  # stiffness of spokes and frame, N/mm: expected first, then learned
    step: int = 0  # index into the program's steps
    step_began_s: float = 0.0
    reached_s: float | None = None  # when the held load, the tare or the slack was reached
    set_load_N: float = 0.0
    reference_N: float = 0.0  # where a ramp stands
    ramp_end_s: float | None = None  # when the reference of a ramp came to its end
    slope: Slope = NO_SLOPE
    creep: Creep | None = None
    zero_mm: float | None = None  # position of the seated, unloaded spoke
    slack_from_mm: float | None = None  # where slack began to be taken up
    slack_mm: float | None = None  # where the drive waits while the spoke is slack
    chord_mm: float = 0.0
    touches: int = 0  # made in this step
    peak_N: float = 0.0  # highest load of a pull to break
    peak_mm: float = math.nan  # elongation there
    broke: bool = False
    zero_N: float = math.nan  # what the cell read with nothing on it, before the run; NaN where nobody knows
    bare_sum_N: float = 0.0  # readings of the cell while nothing bears
    bare_n: int = 0
    drift_N: float | None = None  # of the cell's zero over the run; None until the load is off
    off_s: float | None = None  # run time since which the spoke hangs slack after its load
    why: str | None = None  # why its last hold ended
    slip_mm_per_s: float = math.inf  # slowest growth of length that is taken for a slipping fitting
    target_mm: float | None = None
    enable: bool = False
    span_mm: tuple[float, float] = (0.0, 0.0)
    span_before_mm: tuple[float, float] = (0.0, 0.0)
    speed_mm_per_s: float = 0.0
    speed_before_mm_per_s: float = 0.0
    faults: frozenset[Fault] = frozenset()  # raised so far; a trip latches
    ended: str | None = None  # why it ended
    offset_unknown: bool = False  # position was lost: elongation carries an unknown offset
    ask: str | None = None  # asked for: "end step" or "go on" by a person, "ready" by the live fit

    @property
    def contact_N(self) -> float:
        """Load above which the spoke bears."""
        return max(5.0 * self.facts.load_noise_N, 2.0)

    @property
    def under_load(self) -> bool:
        """Whether the spoke bore load at the last reading."""
        return not self.watch.load_N < max(self.contact_N, 5.0)

    @property
    def asked(self) -> Asked:
        """What the limits hold a reading against."""
        low = min(self.span_mm[0], self.span_before_mm[0])
        high = max(self.span_mm[1], self.span_before_mm[1])
        return Asked(
            state=self.state,
            enable=self.enable,
            target_mm=self.target_mm,
            span_mm=(low, high),
            speed_mm_per_s=max(self.speed_mm_per_s, self.speed_before_mm_per_s),
            set_load_N=self.set_load_N,
            stiffness_N_per_mm=self.k,
            zero_mm=self.zero_mm,
            slack_from_mm=self.slack_from_mm,
            reached_s=self.reached_s,
            creep_mm_per_s=self.creep.rate_mm_per_s if self.creep is not None else 0.0,
            slip_mm_per_s=self.slip_mm_per_s,
        )

    def waits_until_ready(self, program: Program) -> bool:
        """Whether it holds until the live fit finds its spoke ready."""
        until = program.steps[self.step].until
        return self.state is S.HOLDING and until is Until.READY and self.reached_s is not None

    def stop_where_it_stands(self, reading: StationReading) -> Command | None:
        """What ends its motion and leaves the load on; None where it does not move."""
        if not (self.enable and reading.enabled and math.isfinite(reading.position_mm)):
            return None
        low, high = self.facts.travel_mm
        x = min(max(reading.position_mm, low), high)
        return Command(station=self.index, enable=True, target_mm=x, speed_mm_per_s=0.01)

    def bare(self, load_N: float) -> Station:
        """One more reading with nothing on the cell."""
        return replace(self, bare_sum_N=self.bare_sum_N + load_N, bare_n=self.bare_n + 1)

    @property
    def bare_N(self) -> float:
        """Mean of those readings; NaN where there is none."""
        return self.bare_sum_N / self.bare_n if self.bare_n else math.nan

    def elongation_mm(self, reading: StationReading) -> tuple[float, float]:
        """(corrected for frame compliance, raw), mm; NaN while nothing bears or before the seat."""
        if self.zero_mm is None or not reading.load_N >= self.contact_N:
            return float("nan"), float("nan")
        raw = reading.position_mm - self.zero_mm
        return raw - reading.load_N * self.facts.frame_compliance_mm_per_N, raw


def first_station(
    program: Program,
    index: int,
    facts: StationFacts,
    spoke: str,
    reading: StationReading,
    at_s: float,
    *,
    spokes: int = 1,
) -> Station:
    """A station before anything moves, with so many spokes in series on it."""
    x = reading.position_mm
    k = program.stiffness_N_per_mm(facts, spokes)
    length_mm = spokes * program.gauge_length_mm
    limits = program.limits
    return Station(
        index=index,
        name=facts.name,
        spoke=spoke,
        spokes=spokes,
        gauge_length_mm=length_mm,
        facts=facts,
        limits=replace(
            limits,
            max_elongation_mm=spokes * limits.max_elongation_mm,
            max_slack_mm=spokes * limits.max_slack_mm,
        ),
        state=S.WAITING,
        watch=first_watch(reading, at_s),
        expected_k=k,
        k=k,
        span_mm=(x, x),
        span_before_mm=(x, x),
        enable=reading.enabled,
        zero_N=reading.load_N,
        slip_mm_per_s=SLIP_STRAIN_PER_S * length_mm,
    )


# faults and persons --------------------------------------------------------------------------------------------------

_TRIP = {Reaction.EASE_OFF: E.TRIP_EASE, Reaction.KEEP: E.TRIP_KEEP, Reaction.STOP: E.TRIP_STOP}


def react(station: Station, violations: tuple[Violation, ...]) -> tuple[Station, list[Said]]:
    """Follow the fault table; every fault is logged once, and a trip latches."""
    said: list[Said] = []
    reaction: Reaction | None = None
    for v in violations:
        rule = RULES[v.fault]
        if v.fault not in station.faults or v.fault is Fault.SLIP_SUSPECTED:
            message = v.message(station.name if v.station is not None else None)
            kind = "fault" if rule.latches else "note"
            said.append(Said(kind=kind, message=message, data={"fault": v.fault.value, "measured": v.measured}))
        elif rule.latches and station.state in ENDED:
            continue
        station = replace(station, faults=station.faults | {v.fault})
        if rule.latches:
            reaction = rule.reaction if reaction is None else worse(reaction, rule.reaction)
    if reaction is None:
        return station, said
    to = after(station.state, _TRIP[reaction])
    if to is station.state:
        return station, said
    why = ", ".join(f.value for f in sorted(station.faults, key=list(Fault).index) if RULES[f].latches)
    station = replace(station, ended=station.ended or why)
    return entered(station, to, station.watch.load_N), said


def ask(station: Station, what: str, at_s: float) -> tuple[Station, list[Said]]:
    """What a person asks for: pause, go on, ease off, end step; where it cannot be, it is said and nothing changes."""
    no = [Said(kind="request", message=f"'{what}' cannot be: station {station.name} is {station.state.value}", data={})]
    yes = [Said(kind="request", message=f"a person asks: {what}", data={"request": what})]
    if what == "pause" and station.state in PROGRAM_STATES:
        return entered(station, after(station.state, E.PAUSE), station.watch.load_N), yes
    if what == "ease off" and station.state in (*PROGRAM_STATES, S.PAUSED, S.DONE):
        to = after(station.state, E.ASK_EASE)
        return entered(replace(station, ended="eased off at a person's request"), to, station.watch.load_N), yes
    if (what == "go on" and station.state is S.PAUSED) or (
        what == "end step" and station.state in (S.HOLDING, S.RECOVERING, S.SLACK)
    ):
        return replace(station, ask=what), yes
    return station, no


def entered(station: Station, state: StationState, load_N: float) -> Station:
    """A new state with its own fresh memory."""
    held = state is S.PAUSED
    return replace(
        station,
        state=state,
        set_load_N=max(load_N, 0.0) if held else 0.0 if state is S.EASING_OFF else station.set_load_N,
        reference_N=load_N,
        ramp_end_s=None,
        slope=NO_SLOPE,
        creep=None,
        slack_from_mm=None,
        slack_mm=None,
        ask=None,
    )


def wants_tick_s(station: Station, program: Program, at_s: float) -> float | None:
    """How soon this station wants to be read again; None where it does not matter."""
    if station.state in ENDED or station.state is S.CUT_OFF:
        return None
    motion, slow = program.motion_tick_s, program.hold_tick_s
    if station.state in (S.HOLDING, S.RECOVERING, S.PAUSED, S.SLACK) and station.reached_s is not None:
        if station.state is S.SLACK:
            since = station.step_began_s if station.slack_mm is None else max(station.step_began_s, station.reached_s)
        else:
            since = max(station.reached_s, station.step_began_s)
            band = 0.01 * program.limits.hold_band_percent * station.set_load_N
            if abs(station.watch.load_N - station.set_load_N) > max(2.0 * band, 8.0 * station.facts.load_noise_N):
                return motion
        return min(max(LOG_TICK_SHARE * (at_s - since), motion), slow)
    return motion
