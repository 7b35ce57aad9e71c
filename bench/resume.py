"""Going on after a cut: what the journal knows, what the frame shows, what a person must say before anything moves."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from bench.errors import FrameFault
from bench.faults import Fault
from bench.frame import FrameFacts, FrameReading
from bench.journal import OFFSET_UNKNOWN, STATE_MASK, Event, is_being_written
from bench.limits import clock_text
from bench.machine import StationEvent, StationState, after, state_of
from bench.program import program_from_text
from bench.record import checked_header, journal_path, meta_of
from bench.replay import read_journal
from bench.start import frame_reasons, station_reasons
from bench.station import Said, Station, first_station, react
from bench.steps import Program, lines_of
from models.errors import InputError

S, E = StationState, StationEvent
_LOST = {Fault.POSITION_LOST.value, Fault.ENCODER_JUMP.value, Fault.RESTARTED.value}


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """One station as its last row and its events left it."""

    name: str
    spoke: str
    state: StationState
    step: int
    step_began_s: float
    reached_s: float | None
    zero_mm: float | None
    stiffness_N_per_mm: float | None
    zero_N: float  # of the cell before the run; NaN where not known
    off_s: float | None  # since when it hangs slack
    drift_N: float | None
    why: str | None  # why its last hold ended
    chord_mm: float
    load_N: float  # NaN where it has no row
    position_mm: float
    elongation_mm: float  # last finite one; NaN where there is none
    at_s: float
    offset_unknown: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Interrupted:
    """A run that can go on."""

    path: Path
    header: dict[str, Any]
    program: Program
    stations: tuple[Left, ...]
    last_s: float  # run time of the last row or event
    ended: str | None  # how it ended; None: it was cut off


def read_interrupted(path: Path) -> Interrupted:
    """What the journal beside RUN.h5 knows.

    Raises
    ------
    InputError
        If the run ended (no journal stands beside it), goes on in another process, or cannot be read.
    """
    journal = journal_path(path)
    if not journal.exists():
        known = "has ended: nothing is left to resume" if path.exists() else "no such run"
        raise InputError(f"{path}: {known} (its journal {journal.name} is not there)")
    if is_being_written(journal):
        raise InputError(f"{path}: this run is going on in another process; end that first")
    raw, samples, events = read_journal(journal)
    header = checked_header(raw, str(journal))
    try:
        program = program_from_text(header["program_text"], header["program_where"])
        left = tuple(
            _left(s["name"], s["spoke"], samples[samples["station"] == i], events)
            for i, s in enumerate(header["stations"])
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"{journal}: it does not hold what a run does: {error}") from None
    last = max([float(samples["time_s"].max())] if samples.size else [0.0])
    return Interrupted(
        path=path,
        header=header,
        program=program,
        stations=left,
        last_s=max([last, *(e.time_s for e in events)]),
        ended=meta_of(header, events).ended,
    )


def _left(name: str, spoke: str, rows: Any, events: list[Event]) -> Left:
    step, began, reached, chord = 0, 0.0, None, 0.0
    zero_N, off, drift, why = math.nan, None, None, None
    zero: float | None = None
    k: float | None = None
    lost = False
    for e in events:
        if e.station not in ("", name):
            continue
        if e.data.get("fault") in _LOST and e.kind == "fault":
            lost = True
        if e.station != name:
            continue
        if e.kind == "step" and "began_s" in e.data:
            step, began, reached = int(e.data["step"]), float(e.data["began_s"]), None
            why = e.data.get("held", why)
        elif e.kind == "reached":
            reached, off = float(e.data["reached_s"]), None
        elif e.kind == "slack":
            off = float(e.data["since_s"])
        elif e.kind == "zero" and "drift_N" in e.data:
            drift = float(e.data["drift_N"])
        elif e.kind in ("seated", "zero again"):
            zero = float(e.data["zero_mm"])
            k = float(e.data.get("stiffness_N_per_mm", k or 0.0)) or k
            if e.kind == "seated":
                reached = e.time_s
                found = e.data.get("zero_N")
                zero_N = math.nan if found is None else float(found)
        elif e.kind == "chord":
            chord, reached = float(e.data["chord_mm"]), e.time_s
    last = rows[-1] if rows.size else None
    finite = np.flatnonzero(np.isfinite(rows["elongation_mm"])) if rows.size else np.empty(0, int)
    flags = int(last["flags"]) if last is not None else 0
    return Left(
        name=name,
        spoke=spoke,
        state=state_of(flags & STATE_MASK) if last is not None else S.WAITING,
        step=step,
        step_began_s=began,
        reached_s=reached,
        zero_mm=zero,
        stiffness_N_per_mm=k,
        zero_N=zero_N,
        off_s=off,
        drift_N=drift,
        why=why,
        chord_mm=chord,
        load_N=float(last["load_N"]) if last is not None else math.nan,
        position_mm=float(last["position_mm"]) if last is not None else math.nan,
        elongation_mm=float(rows["elongation_mm"][finite[-1]]) if finite.size else math.nan,
        at_s=float(last["time_s"]) if last is not None else 0.0,
        offset_unknown=bool(flags & OFFSET_UNKNOWN) or lost,
    )


def rebuilt(run: Interrupted, facts: FrameFacts, reading: FrameReading, at_s: float) -> list[Station]:
    """The stations as they stand now: cut off, nothing asked of them; where position was lost, with a new zero."""
    stations = []
    untold = "position_valid" in facts.absent  # then every interruption counts as position lost
    for left, line in zip(run.stations, lines_of(run.program, facts), strict=True):
        r = reading.stations[line.index]
        station = first_station(run.program, line.index, line.facts, left.spoke, r, at_s, spokes=line.spokes)
        c = station.facts.frame_compliance_mm_per_N
        zero, offset, chord = left.zero_mm, left.offset_unknown, left.chord_mm
        moved = abs(r.position_mm - left.position_mm)
        kept = r.position_valid and not untold and moved <= 5.0 * station.facts.step_mm + 0.02
        if zero is not None and (offset or not kept):
            # nobody knows how the spoke moved meanwhile: go on from its last elongation, with an unknown offset
            offset = True
            last = left.elongation_mm if math.isfinite(left.elongation_mm) else 0.0
            zero = r.position_mm - max(r.load_N, 0.0) * c - last
            chord += zero - (left.zero_mm or 0.0)
        state = left.state if left.state is S.DONE else after(left.state, E.CUT)
        stations.append(
            replace(
                station,
                state=state,
                step=left.step,
                step_began_s=left.step_began_s,
                reached_s=left.reached_s,
                zero_mm=zero,
                k=left.stiffness_N_per_mm or station.k,
                zero_N=left.zero_N,
                off_s=left.off_s,
                drift_N=left.drift_N,
                why=left.why,
                chord_mm=chord,
                offset_unknown=offset,
                ended="done" if state is S.DONE else None,
                set_load_N=max(r.load_N, 0.0) if math.isfinite(r.load_N) else 0.0,
            )
        )
    return stations


def describe(
    run: Interrupted, stations: list[Station], reading: FrameReading, at_s: float, *, untold: bool = False
) -> list[str]:
    """What a person must see before saying anything: each station's real state beside what was recorded last.

    ``untold``: this frame does not tell whether its positions are valid.
    """
    lines = [f"recorded until {clock_text(run.last_s)} of the run, {clock_text(at_s - run.last_s)} ago"]
    for station, left in zip(stations, run.stations, strict=True):
        r = reading.stations[station.index]
        valid = "valid" if r.position_valid else "NOT VALID"
        valid = "which nobody can tell to be VALID" if untold and r.position_valid else valid
        step = run.program.steps[station.step].name
        offset = "; elongation carries an unknown offset from here" if station.offset_unknown else ""
        lines.append(
            f"station {station.name} ({station.spoke}): load {r.load_N:.1f} N (last {left.load_N:.1f} N), position "
            f"{r.position_mm:.4f} mm, {valid} (last {left.position_mm:.4f} mm); was {left.state.value} in step "
            f'"{step}"{offset}'
        )
    return lines


def phrase(station: str) -> str:
    """What a person types so that a station may move."""
    return f"station {station} may move"


def acknowledge(
    stations: list[Station],
    program: Program,
    facts: FrameFacts,
    reading: FrameReading,
    token: int,
    answers: dict[str, str],
) -> tuple[list[Station], list[tuple[str, Said]]]:
    """Take each station on, ease it off, or leave it, as the person said; nothing moves here.

    Parameters
    ----------
    answers : dict
        Station's name -> "move", "ease off" or "leave". A station without an answer is left.

    Returns
    -------
    The stations, and what is worth a line in the log for each.

    Raises
    ------
    FrameFault
        If something stands against moving: all reasons at once.
    """
    said: list[tuple[str, Said]] = []
    out: list[Station] = []
    why = frame_reasons(reading, facts, program, token)
    for station in stations:
        answer = answers.get(station.name, "leave")
        if station.state is S.DONE:
            out.append(station)
            continue
        if answer != "leave":
            why += station_reasons(station, reading, fresh=False)
        if answer == "move":
            station = replace(station, state=after(station.state, E.ACKNOWLEDGE), ask="go on")
        elif answer == "ease off":
            station = replace(
                station,
                state=after(station.state, E.ASK_EASE),
                ended="eased off at a person's request",
                reference_N=station.watch.load_N,
                set_load_N=0.0,
            )
        else:
            station, _ = react(station, ())
            station = replace(station, state=after(station.state, E.TRIP_KEEP), ended="left as it stands by a person")
        words = f"a person acknowledges at the frame: {answer}"
        said.append((station.name, Said(kind="acknowledged", message=words, data={"answer": answer})))
        if station.offset_unknown:
            data = {"zero_mm": station.zero_mm, "stiffness_N_per_mm": station.k}
            words = "position was lost: elongation goes on from its last value with an unknown offset"
            said.append((station.name, Said(kind="zero again", message=words, data=data)))
        out.append(station)
    if why:
        raise FrameFault(f"nothing was moved: {'; '.join(why)}")
    return out, said
