"""What `longhold frame check` does: reads, proves, and asks a person before anything moves or is hung on a cell."""

from __future__ import annotations

import asyncio
import shutil
import sys
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import click

from bench.clock import RealClock
from bench.frame import StationFacts
from bench.framecheck import (
    MOVE_MM,
    Check,
    Look,
    coasting_mm,
    faults,
    judge,
    judge_station,
    look,
    prove_station,
    try_axis,
)
from bench.framefile import FrameFile
from bench.invented import invented_batch
from bench.modbusframe import ModbusFrame
from bench.proofs import largest_speed_mm_per_s, series_stiffness_N_per_mm
from models.errors import CannotAnswer, InputError
from models.units import parse_force_N
from tui.cautions import MOTION
from tui.commands.framespan import known_loads, number_or_text, station_of, stiff_bar, write_found
from tui.commands.interlocks import by_hand
from tui.out import answer_json, say

TOKEN = 0x4C48  # who we are in the frame's owner register while we check it
INVENTED_LENGTH_MM = 280.0
SLACK_N = 20.0  # load of a spoke that is only just seated


def run_check(
    file: FrameFile,
    *,
    move: bool,
    interlocks: str | None,
    span: str | None,
    bar: str | None,
    bar_compliance: float,
    gravity: float,
    reference_percent: float | None,
    cell_serial: str | None,
    write: bool,
    readings: int,
    set_load: str,
    ramp: float,
    stiffness: float | None,
    band: float,
    as_json: bool,
) -> None:
    """Walk the frame and print what was found; raises CannotAnswer (exit 1) when a check found a fault."""
    try:
        set_load_N = parse_force_N(number_or_text(set_load))
    except ValueError as error:
        raise InputError(f"--set-load: {error}") from None
    for name, value in (("--ramp", ramp), ("--band", band), ("--gravity", gravity), ("--set-load", set_load_N)):
        if not value > 0:
            raise InputError(f"{name} is {value:g}: must be above 0")
    if stiffness is not None and not stiffness > 0:
        raise InputError(f"--stiffness is {stiffness:g}: must be above 0, N/mm")
    for station, option in ((span, "--span"), (bar, "--bar"), (interlocks, "--interlocks")):
        if station is not None:
            station_of(file, station, option)
    for asked, option in ((move, "--move"), (interlocks, "--interlocks")):
        if asked and not person_at_terminal():
            raise InputError(
                f"{option}: something may move, so a person must sit at this terminal and answer; run it there"
            )
    if write and span is None and bar is None:
        raise InputError("--write puts what --span or --bar found into the frame file: give one of them")
    if move or interlocks or span or bar:
        say(MOTION)
    identity, serial, seen = asyncio.run(_look(file, readings))
    checks = list(judge(file.facts, seen, identity=identity, serial=serial))
    for i in range(len(file.facts.stations)):
        checks += judge_station(file.facts, seen, i)
    proofs, speeds = _proofs(file, seen, set_load_N=set_load_N, ramp=ramp, stiffness=stiffness, band=band)
    checks += proofs
    if not as_json:
        _print_frame(file)
        _print(checks)
        _print_speeds(speeds)
    found: dict[str, Any] = {}
    tried = _moves(file) if move else []
    if interlocks is not None:
        tried += by_hand(file, station_of(file, interlocks, "--interlocks"))
    checks += tried
    if not as_json:
        _print(tried)
    if span is not None:
        found["span"] = known_loads(file, span, gravity, readings, reference_percent, quiet=as_json)
    if bar is not None:
        found["compliance"] = stiff_bar(file, bar, bar_compliance, readings, quiet=as_json)
    if write:
        found["written"] = write_found(file, found.get("span"), found.get("compliance"), cell_serial)
    bad = faults(checks)
    if as_json:
        answer_json(
            {
                "frame": file.facts.name,
                "link": ModbusFrame(file, RealClock()).transport.name,
                "faults": bad,
                "checks": [{"what": c.what, "good": c.good, "says": c.says} for c in checks],
                "stations": _values(file, seen),
                "largest_speed_mm_per_s": speeds,
                "absent": [{"role": role, "cost": cost} for role, cost in file.costs()],
                **found,
            }
        )
    if bad:
        raise CannotAnswer(f"{bad} of {len(checks)} checks found a fault")


def person_at_terminal() -> bool:
    """Whether somebody can answer here."""
    return sys.stdin.isatty()


async def _look(file: FrameFile, readings: int) -> tuple[str | None, str | None, Look]:
    clock = RealClock()
    async with ModbusFrame(file, clock) as frame:
        identity, serial = await frame.identify()
        return identity, serial, await look(frame, clock, clock, readings)


def _proofs(
    file: FrameFile, seen: Look, *, set_load_N: float, ramp: float, stiffness: float | None, band: float
) -> tuple[list[Check], list[dict[str, Any]]]:
    """The proofs of each station, and the fastest moves that they allow."""
    EA_N = float(invented_batch().chain.EA0_N)
    deadman_s = seen.readings[-1].deadman_ms / 1000.0
    checks: list[Check] = []
    speeds: list[dict[str, Any]] = []
    for station in _alike(file.facts.stations):
        compliance = station.frame_compliance_mm_per_N
        if stiffness is None:
            k = series_stiffness_N_per_mm(EA_N, INVENTED_LENGTH_MM, compliance)
        else:
            k = 1.0 / (1.0 / stiffness + compliance)
        load_N = min(set_load_N, station.max_load_N)
        checks += prove_station(
            file.facts,
            station,
            deadman_s=deadman_s,
            set_load_N=load_N,
            ramp_N_per_s=ramp,
            stiffness_N_per_mm=k,
            band_fraction=band / 100.0,
        )
        at = {
            what: largest_speed_mm_per_s(
                station, tick_s=file.facts.tick_s, deadman_s=deadman_s, set_load_N=load, stiffness_N_per_mm=k
            )
            for what, load in (("seated", SLACK_N), ("loaded", load_N))
        }
        speeds.append({"station": station.name, "stiffness_N_per_mm": k, "set_load_N": load_N, **at})
    return checks, speeds


def _alike(stations: Sequence[StationFacts]) -> list[StationFacts]:
    """Stations that differ only in name and cell as one, named after all of them: what holds for one holds for all."""
    groups: dict[tuple[float, ...], StationFacts] = {}
    for s in stations:
        key = (s.max_load_N, s.trip_load_N, s.max_speed_mm_per_s, s.step_mm, s.frame_compliance_mm_per_N)
        first = groups.get(key)
        groups[key] = s if first is None else replace(first, name=f"{first.name}, {s.name}")
    return list(groups.values())


def _values(file: FrameFile, seen: Look) -> list[dict[str, Any]]:
    last = seen.readings[-1]
    rows = []
    for i, (facts, s) in enumerate(zip(file.facts.stations, last.stations, strict=True)):
        mean, noise = seen.load_N(i)
        rows.append(
            {
                "station": facts.name,
                "load_N": mean,
                "load_noise_N": noise,
                "load_fault": s.load_fault,
                "position_mm": s.position_mm,
                "position_valid": s.position_valid,
                "moving": s.moving,
                "enabled": s.enabled,
                "drive_fault": s.drive_fault,
                "limit_low": s.limit_low,
                "limit_high": s.limit_high,
                "brake": s.brake,
                "cell_serial": facts.cell_serial,
                "cell_calibrated_on": facts.cell_calibrated_on,
                "cell_uncertainty_percent": facts.cell_uncertainty_percent,
            }
        )
    return rows


def _print_frame(file: FrameFile) -> None:
    click.echo(f"{file.facts.name}: {len(file.facts.stations)} stations")
    for s in file.facts.stations:
        known = f"cell {s.cell_serial or 'without a serial number'}, "
        known += f"calibrated {s.cell_calibrated_on}, " if s.cell_calibrated_on else "never calibrated, "
        known += f"U = {s.cell_uncertainty_percent:g} % (k = 2)" if s.cell_uncertainty_percent else "U not known"
        click.echo(f"  {s.name}: up to {s.max_load_N:g} N, cut-out at {s.trip_load_N:g} N, {known}")
    for role, cost in file.costs():
        click.echo(f"  without {role}: {cost}")


def _print(checks: Sequence[Check]) -> None:
    wide = max((len(c.what) for c in checks), default=0)
    columns = max(60, shutil.get_terminal_size((120, 24)).columns)
    for c in checks:
        mark = {True: "good ", False: "FAULT", None: "     "}[c.good]
        line = f"{mark}  {c.what:<{wide}}  {c.says}"
        click.echo(textwrap.fill(line, columns, subsequent_indent=" " * (wide + 9), drop_whitespace=True))


def _print_speeds(speeds: Sequence[dict[str, Any]]) -> None:
    slowest = min(speeds, key=lambda s: s["loaded"])
    click.echo(
        f"By these proofs a program may pull at most {slowest['loaded']:.3g} mm/s near {slowest['set_load_N']:.0f} N "
        f"and {min(s['seated'] for s in speeds):.3g} mm/s on a spoke that is only just seated."
    )


def _moves(file: FrameFile) -> list[Check]:
    """Guarded moves, station by station, each only after a typed yes."""
    checks: list[Check] = []
    for i, station in enumerate(file.facts.stations):
        phrase = f"move {station.name}"
        say(
            f"\nStation {station.name}: nothing may hang on it, nobody may reach into it. It will move {MOVE_MM:g} mm "
            f"to the pulled side and back, then be left alone for {file.facts.deadman_ms / 1000 + 1:.1f} s to see its "
            f"deadman stop it (never more than {coasting_mm(file.facts):.1f} mm)."
        )
        answer = click.prompt(
            f"Type '{phrase}' to let it move; anything else leaves it out", default="", show_default=False, err=True
        )
        if answer.strip() != phrase:
            checks.append(Check(what=f"{station.name}: guarded move", good=None, says="left out"))
            continue
        checks += asyncio.run(_move_one(file, i))
    return checks


async def _move_one(file: FrameFile, station: int) -> tuple[Check, ...]:
    clock = RealClock()
    async with ModbusFrame(file, clock) as frame:
        await frame.claim(TOKEN)
        try:
            return await try_axis(frame, clock, station)
        finally:
            await frame.release()
