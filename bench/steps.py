"""A program's steps as values, and whether a frame can carry them out."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, replace
from enum import Enum

from bench.frame import FrameFacts, StationFacts
from bench.proofs import Proof, largest_speed_mm_per_s, prove_deadman, prove_speed, prove_step
from models.errors import InputError

CATCH_UP = 1.25  # most that a ramp may be hurried to make up for a soft spoke
HOLD_RATE_N_PER_S = 10.0  # no hold needs more
LEAST_ABOVE_PEAK = 1.02  # a load limit stands at least so much above the highest load, or noise trips the run
LEAST_SOFT = 0.4  # share of the expected stiffness that a new braid may show at low load [est]


class StepKind(Enum):
    """What a station does in one step."""

    SEAT = "seat"
    RAMP = "ramp"
    HOLD = "hold"
    RECOVER = "recover"
    UNLOAD = "unload"
    REST = "rest"
    TOUCH = "touch"
    CHORD = "chord"
    TEMPERATURE = "temperature"
    PULL = "pull to break"


class Until(Enum):
    """What ends a step of unknown length."""

    TIME = "time"
    READY = "ready"  # the live fit says that the spoke is ready for its wheel
    ASKED = "asked"  # a person asks for the next step


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step as a station carries it out."""

    kind: StepKind
    name: str  # as the run file and the monitor show it
    load_N: float  # load that is held or reached; 0 for slack
    rate_N_per_s: float  # of the way there
    duration_s: float  # counted from the load reached; the longest time where `until` is not TIME
    until: Until = Until.TIME
    tare_N: float = 0.0  # load of a touch
    per_decade: int = 0  # touches in a decade of time
    followup: float = 0.0  # of a chord hold: compliance of the wheel over that of the spoke
    temperature_C: float = 0.0  # of a temperature step
    within_C: float = 0.0
    soak_s: float = 0.0  # a temperature step ends this long after its temperature is reached
    order: tuple[str, ...] = ()  # of an unload step: stations in the order in which they come off; empty: all at once
    gap_s: float = 0.0  # time from one station of that order to the next

    def wait_s(self, station: str) -> float:
        """How long a station keeps its load before it is its turn to be unloaded."""
        return self.gap_s * self.order.index(station) if station in self.order else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RunLimits:
    """Limits of this run; never above the frame's own."""

    max_load_N: float
    max_elongation_mm: float  # beyond the seat
    max_slack_mm: float  # pulled in before a spoke must bear
    temperature_C: tuple[float, float]  # of the air around the frame
    ease_off_N_per_s: float
    hold_band_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadyRule:
    """When a spoke is done: what its wheel will do to it, and how little it may then lose."""

    batch: str  # BATCH.json, beside the program
    probability: float  # asked for
    tolerance_percent: float  # of the target that may be lost from delivery to the horizon
    target_N: float
    rest_h: float  # slack, off the frame
    laced_h: float  # then laced
    lacing_tension_N: float
    sessions: tuple[tuple[float, float], ...]  # (at_h from the start of the set, tension_N): set, touches, passes
    session_h: float  # how long the nipples are turned at the set
    pass_session_h: float  # and at each later session
    followup: float  # phi: compliance of the rim over that of the spoke
    seating_mm: float  # of nipple, seat and hub in this wheel, left after the set
    delivery_h: float
    horizon_h: float
    temperature_C: float
    every_min: float  # between two looks


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """A program that was read and found whole."""

    name: str
    batch: str
    spokes: tuple[tuple[str, str], ...]  # (station as painted on the frame, label of what hangs there)
    labels: tuple[tuple[str, ...], ...]  # spokes of each station: one, or several in series
    gauge_length_mm: float  # length that creeps, of one spoke
    bar_mm_per_N: float  # compliance of one bar that joins two spokes in series
    motion_tick_s: float
    hold_tick_s: float
    EA_N: float  # expected axial stiffness of one spoke
    limits: RunLimits
    steps: tuple[Step, ...]
    ready: ReadyRule | None  # what a hold "until ready" asks for
    log_after_trip_s: float  # how long a frame is watched after no station can go on
    text: str  # the file as read
    where: str  # its name, for messages

    @property
    def sha256(self) -> str:
        """Of the file's text."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    @property
    def waits_until_ready(self) -> bool:
        """Whether a hold ends when the live fit says so."""
        return any(s.until is Until.READY for s in self.steps)

    @property
    def peak_load_N(self) -> float:
        """Highest load asked for, N."""
        return max(max(s.load_N, s.tare_N) for s in self.steps)

    @property
    def longest_s(self) -> float:
        """Time from start to end, s, every ramp included; an open step counts with its longest time."""
        at, total = 0.0, 0.0
        for s in self.steps:
            if s.kind is not StepKind.CHORD:
                total += abs(s.load_N - at) / s.rate_N_per_s
                at = s.load_N
            total += s.duration_s + s.gap_s * max(len(s.order) - 1, 0)
        return total

    def stiffness_N_per_mm(self, station: StationFacts, spokes: int = 1) -> float:
        """Expected stiffness of so many spokes in series with the frame (and the bars between them)."""
        return 1.0 / (spokes * self.gauge_length_mm / self.EA_N + station.frame_compliance_mm_per_N)


def stations_of(program: Program, facts: FrameFacts) -> tuple[int, ...]:
    """Index on the frame of each station that the program uses, in the program's order. Raises InputError."""
    names = [s.name for s in facts.stations]
    out = []
    for name, _ in program.spokes:
        if name not in names:
            raise InputError(
                f"{program.where}: key 'stations.{name}': frame {facts.name} has no station \"{name}\"; "
                f"it has {', '.join(names)}"
            )
        out.append(names.index(name))
    return tuple(out)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What hangs on one station: one spoke, or several in series that share one load."""

    index: int  # on the frame
    label: str
    spokes: int
    facts: StationFacts  # bars between the spokes counted to the frame's compliance; no faster than the run's own limit


def label_of(spokes: tuple[str, ...]) -> str:
    """Short label of what hangs on a station."""
    return spokes[0] if len(spokes) == 1 else f"{spokes[0]} +{len(spokes) - 1}"


def lines_of(program: Program, facts: FrameFacts) -> list[Line]:
    """Each station that the program uses, with what hangs on it. Raises InputError."""
    out = []
    for index, (_, label), labels in zip(stations_of(program, facts), program.spokes, program.labels, strict=True):
        station = facts.stations[index]
        compliance = station.frame_compliance_mm_per_N + (len(labels) - 1) * program.bar_mm_per_N
        line = replace(station, frame_compliance_mm_per_N=compliance)
        out.append(Line(index=index, label=label, spokes=len(labels), facts=line))
    if "max_speed" not in facts.writable_limits:
        return out
    fastest = min(
        largest_speed_mm_per_s(
            line.facts,
            tick_s=program.motion_tick_s,
            deadman_s=facts.deadman_ms / 1000.0,
            set_load_N=program.peak_load_N,
            stiffness_N_per_mm=program.stiffness_N_per_mm(line.facts, line.spokes),
        )
        for line in out
    )
    fastest = rounded_down(fastest, facts.writable_limits["max_speed"])
    return [replace(line, facts=replace(line.facts, max_speed_mm_per_s=fastest)) for line in out]


def own_limits_of(program: Program, facts: FrameFacts) -> dict[str, float]:
    """Role -> limit that a run writes to the frame, N or mm/s; only what the frame file says is writable.

    The load at which the program stops a station, and the fastest move that the proof of speed allows at its highest
    load; never above what the file states of a station that the program uses. Raises InputError.
    """
    lines = lines_of(program, facts)
    load = min(program.limits.max_load_N, *(line.facts.max_load_N for line in lines))
    limits = {"max_load": load, "max_speed": lines[0].facts.max_speed_mm_per_s}
    return {role: rounded_down(limits[role], count) for role, count in facts.writable_limits.items()}


def rounded_down(value: float, count: float) -> float:
    """The highest whole number of counts that is not above the value."""
    return float(f"{math.floor(value / count + 1e-6) * count:.9g}")


def check_against(program: Program, facts: FrameFacts) -> None:
    """Whether this frame can carry the program out; before anything is energised.

    Raises
    ------
    InputError
        Names the file, the key and what this frame allows.
    """
    where = program.where
    lines = lines_of(program, facts)
    if program.motion_tick_s < facts.tick_s - 1e-9:
        raise InputError(
            f"{where}: key 'tick.motion_s' is {program.motion_tick_s:g}: must be at least {facts.tick_s:g}, "
            f"the shortest tick that the link of frame {facts.name} keeps"
        )
    if facts.deadman_ms < 3000.0 * program.motion_tick_s - 1e-6:
        raise InputError(
            f"{where}: key 'tick.motion_s' is {program.motion_tick_s:g}: must be at most "
            f"{facts.deadman_ms / 3000.0:g}, a third of the drive's deadman ({facts.deadman_ms} ms)"
        )
    if any(s.kind is StepKind.TEMPERATURE for s in program.steps) and not facts.has_cabinet:
        raise InputError(f"{where}: a temperature step needs a heated cabinet, and frame {facts.name} has none")
    if any(s.kind is StepKind.PULL for s in program.steps) and "guard" in facts.absent:
        raise InputError(f"{where}: a pull to break needs a guard that can be read, and frame {facts.name} has none")
    own = own_limits_of(program, facts)
    most, peak = own.get("max_load", math.inf), program.peak_load_N
    if most < LEAST_ABOVE_PEAK * peak:
        raise InputError(
            f"{where}: the highest load of the steps is {peak:g} N: the load limit that this run would write to the "
            f"frame is {most:g} N, the least of limits.max_load_N and its stations' max_load_N; it must be at least "
            f"{LEAST_ABOVE_PEAK:g} x the highest load, or noise trips the drive"
        )
    if own.get("max_speed", 1.0) <= 0:
        raise InputError(
            f"{where}: the speed that can be proved safe at {peak:g} N is less than one count of the frame's own "
            f"speed limit ({facts.writable_limits['max_speed']:g} mm/s): lower the loads or shorten the deadman"
        )
    for line in lines:
        _check_station(program, line)
    failed = next((p for p in proofs_of(program, facts) if not p.holds), None)
    if failed is not None:
        raise InputError(f"{where}: cannot be proved safe on frame {facts.name}: {failed.says}")


def _check_station(program: Program, line: Line) -> None:
    where, station = program.where, line.facts
    peak = program.peak_load_N
    if peak > station.max_load_N:
        raise InputError(
            f"{where}: the highest load of the steps is {peak:g} N: "
            f"station {station.name} allows {station.max_load_N:g} N"
        )
    if program.limits.max_load_N > station.trip_load_N:
        raise InputError(
            f"{where}: key 'limits.max_load_N' is {program.limits.max_load_N:g}: "
            f"must be at most {station.trip_load_N:g} N, where the cut-out of station {station.name} acts"
        )
    expected = program.stiffness_N_per_mm(station, line.spokes)
    soft = LEAST_SOFT * expected
    fastest = soft * station.max_speed_mm_per_s
    for s in program.steps:
        if s.rate_N_per_s > fastest:
            raise InputError(
                f'{where}: step "{s.name}": rate_N_per_s is {s.rate_N_per_s:g}: at most {fastest:.3g} can be reached '
                f"on station {station.name} ({station.max_speed_mm_per_s:g} mm/s on a spoke that may be as soft as "
                f"{soft:.0f} N/mm when new)"
            )
    if program.limits.ease_off_N_per_s > fastest:
        raise InputError(
            f"{where}: key 'limits.ease_off_N_per_s' is {program.limits.ease_off_N_per_s:g}: "
            f"at most {fastest:.3g} can be reached on station {station.name}"
        )
    low, high = station.travel_mm
    stretch = peak / expected
    if stretch > high - low:
        many = "spoke" if line.spokes == 1 else f"{line.spokes} spokes"
        raise InputError(
            f"{where}: {peak:g} N stretches {many} and frame by about {stretch:.2f} mm: station {station.name} "
            f"has {high - low:g} mm of travel"
        )


def proofs_of(program: Program, facts: FrameFacts, learned_N_per_mm: tuple[int, float] | None = None) -> list[Proof]:
    """What is proved before anything moves: deadman, speed and smallest step, for this program's own loads.

    ``learned_N_per_mm``: index of a station and its learned stiffness, for that station alone; else all stations, with
    the stiffness that the program expects.
    """
    deadman_s = facts.deadman_ms / 1000.0
    proofs = [prove_deadman(deadman_s=deadman_s, tick_s=loop_tick_s(program, facts))]
    rate = max([s.rate_N_per_s for s in program.steps if s.load_N > 0] + [HOLD_RATE_N_PER_S])
    held = [s.load_N for s in program.steps if s.kind in (StepKind.HOLD, StepKind.CHORD) and s.duration_s > 60.0]
    own_speed = "move_speed" in facts.absent  # the drive always moves at its own
    for line in lines_of(program, facts):
        station, k = line.facts, program.stiffness_N_per_mm(line.facts, line.spokes)
        if learned_N_per_mm is not None:
            if line.index != learned_N_per_mm[0]:
                continue
            k = learned_N_per_mm[1]
        proofs.append(
            prove_speed(
                station,
                speed_mm_per_s=station.max_speed_mm_per_s
                if own_speed
                else min(CATCH_UP * rate / k, station.max_speed_mm_per_s),
                tick_s=program.motion_tick_s,
                deadman_s=deadman_s,
                set_load_N=program.peak_load_N,
                stiffness_N_per_mm=k,
            )
        )
        if held:
            band = 0.01 * program.limits.hold_band_percent * min(held)
            proofs.append(prove_step(station, stiffness_N_per_mm=k, band_N=2.0 * band))
    return proofs


def loop_tick_s(program: Program, facts: FrameFacts) -> float:
    """Longest time between two readings: the program's tick in hold, but never over a third of the deadman."""
    return max(program.motion_tick_s, min(program.hold_tick_s, facts.deadman_ms / 3000.0))


def touch_times_s(step: Step) -> tuple[float, ...]:
    """When a touch step touches, s after the spoke went slack: log-spaced from two minutes to the step's end."""
    first = min(120.0, step.duration_s)
    decades = math.log10(step.duration_s / first) if step.duration_s > first else 0.0
    count = max(1, math.floor(decades * step.per_decade + 1e-9) + 1)
    times = [first * 10.0 ** (i / step.per_decade) for i in range(count)]
    if times[-1] < 0.97 * step.duration_s:
        times.append(step.duration_s)
    return tuple(times)
