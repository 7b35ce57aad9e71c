"""Before anything moves: what a run file says of itself, every reason not to begin, and what is proved again after."""

from __future__ import annotations

import math
from typing import Any

from bench.errors import FrameFault
from bench.faults import Fault
from bench.frame import FrameFacts, FrameReading
from bench.limits import Violation
from bench.station import Said, Station, first_station
from bench.steps import Program, StepKind, lines_of, proofs_of

SLACK_N = 10.0  # a station that reads more than this before the start is not slack


def run_header(
    program: Program, facts: FrameFacts, *, frame_text: str, frame_where: str, token: int, start_utc: float
) -> dict[str, Any]:
    """What stands once at the head of the journal: enough to make the whole file, and to go on after a cut."""
    from importlib.metadata import version

    lines = lines_of(program, facts)
    return {
        "format": 1,
        "made_with": version("longhold"),
        "name": program.name,
        "batch": program.batch,
        "gauge_length_mm": program.gauge_length_mm,
        "hold_tick_s": program.hold_tick_s,
        "start_utc": start_utc,
        "token": token,
        "stations": [
            {"name": line.facts.name, "spoke": line.label, "spokes": list(labels), "index": line.index}
            for line, labels in zip(lines, program.labels, strict=True)
        ],
        "step_names": [s.name for s in program.steps],
        "step_s": [s.duration_s for s in program.steps],
        "program_text": program.text,
        "program_where": program.where,
        "frame_text": frame_text,
        "frame_where": frame_where,
        "frame_name": facts.name,
        "frame_serial": facts.serial,
        "calibration": [
            {
                "frame_compliance_mm_per_N": s.frame_compliance_mm_per_N,
                "load_noise_N": s.load_noise_N,
                "step_mm": s.step_mm,
                "cell_serial": s.cell_serial,
                "cell_calibrated_on": s.cell_calibrated_on,
                "cell_uncertainty_percent": s.cell_uncertainty_percent,
            }
            for s in (line.facts for line in lines)
        ],
    }


def frame_reasons(reading: FrameReading, facts: FrameFacts, program: Program, token: int) -> list[str]:
    """Why this frame must not be moved now; empty where nothing stands against it."""
    why: list[str] = []
    if not reading.estop_closed:
        why.append("the emergency-stop chain is open: clear the cause and release the button")
    if not reading.guard_closed:
        why.append("the guard is open: close it")
    if not reading.power_ok:
        why.append("motor power is missing: check the supply")
    if reading.local:
        why.append("the local panel holds the frame: switch it to remote")
    if reading.owner_token != token:
        why.append(f"the frame's owner is {reading.owner_token}, not this run: end the other controller first")
    if reading.deadman_ms != facts.deadman_ms:
        why.append(f"the deadman reads {reading.deadman_ms} ms, the frame file says {facts.deadman_ms} ms")
    own, peak = reading.max_load_N, program.peak_load_N
    if "max_load" not in facts.writable_limits and own is not None and 0 < own < peak * (1 - 1e-3):
        why.append(f"the frame's own load limit reads {own:g} N, the program goes to {peak:g} N")
    air = reading.air_temperature_C
    low, high = program.limits.temperature_C
    if air is not None and math.isfinite(air) and not low <= air <= high:
        why.append(f"the air is at {air:.1f} degC, the program allows {low:g} to {high:g} degC")
    return why


def station_reasons(station: Station, reading: FrameReading, *, fresh: bool) -> list[str]:
    """Why this station must not be moved now; ``fresh``: a new run, which begins slack."""
    r = reading.stations[station.index]
    name, facts = f"station {station.name}", station.facts
    why: list[str] = []
    if r.load_fault or not math.isfinite(r.load_N):
        why.append(f"{name}: the load cell reports a fault: check its plug and cable")
    if not r.position_valid or not math.isfinite(r.position_mm):
        why.append(f"{name}: the position is not valid: re-reference the encoder")
    elif not facts.travel_mm[0] - 3 * facts.step_mm <= r.position_mm <= facts.travel_mm[1] + 3 * facts.step_mm:
        why.append(
            f"{name}: stands at {r.position_mm:.3f} mm, outside its travel of {facts.travel_mm[0]:g} to "
            f"{facts.travel_mm[1]:g} mm: bring it back by hand"
        )
    if r.drive_fault and fresh:
        why.append(f"{name}: the drive reports fault {r.drive_fault}: clear it at the drive")
    if (r.limit_low or r.limit_high) and fresh:
        why.append(f"{name}: a travel switch is reached: bring it back by hand")
    least = max(SLACK_N, 10.0 * facts.load_noise_N)
    if fresh and math.isfinite(r.load_N) and abs(r.load_N) > least:
        why.append(
            f"{name}: reads {r.load_N:.1f} N before the start: a new spoke begins slack (at most {least:.0f} N); "
            "unload it, or check the cell's zero with 'longhold frame check'"
        )
    return why


def begin(program: Program, facts: FrameFacts, reading: FrameReading, token: int) -> list[Station]:
    """The stations of a new run.

    Raises
    ------
    FrameFault
        Every reason why nothing was moved, in one message.
    """
    stations = [
        first_station(
            program, line.index, line.facts, line.label, reading.stations[line.index], 0.0, spokes=line.spokes
        )
        for line in lines_of(program, facts)
    ]
    why = frame_reasons(reading, facts, program, token)
    for station in stations:
        why += station_reasons(station, reading, fresh=True)
    if any(s.kind is StepKind.PULL for s in program.steps):
        ours = {s.index for s in stations}
        why += [
            f"station {f.name}: carries {r.load_N:.0f} N: a spoke is pulled to break with nothing else under load"
            for i, (f, r) in enumerate(zip(facts.stations, reading.stations, strict=True))
            if i not in ours and not abs(r.load_N) <= SLACK_N
        ]
    if why:
        raise FrameFault(f"nothing was moved: {'; '.join(why)}")
    return stations


def proved_again(
    station: Station, program: Program, facts: FrameFacts, at_s: float
) -> tuple[tuple[Violation, ...], list[Said]]:
    """The proofs with the stiffness that was learned: speed is a matter of safety, a coarse step is only said."""
    broken, said = [], []
    for p in proofs_of(program, facts, (station.index, station.k)):
        if p.holds:
            continue
        if p.name == "speed":
            broken.append(
                Violation(
                    fault=Fault.UNPROVED,
                    station=station.index,
                    measured=p.measured,
                    limit=p.limit,
                    unit=p.unit,
                    since_s=at_s,
                )
            )
        else:
            said.append(Said(kind="note", message=f"proof of {p.name} no longer holds: {p.says}", data={}))
    return tuple(broken), said
