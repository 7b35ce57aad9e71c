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
import numpy as np

from bench.cellcheck import (
    CellResult,
    check_cell,
    expanded_uncertainty_percent,
    frame_compliance_mm_per_N,
)
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
    measure,
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
from tui.out import answer_json, say

TOKEN = 0x4C48  # who we are in the frame's owner register while we check it
INVENTED_LENGTH_MM = 280.0
SLACK_N = 20.0  # load of a spoke that is only just seated


def run_check(
    file: FrameFile,
    *,
    move: bool,
    span: str | None,
    bar: str | None,
    bar_compliance: float,
    gravity: float,
    reference_percent: float | None,
    readings: int,
    set_load: str,
    ramp: float,
    stiffness: float | None,
    band: float,
    as_json: bool,
) -> None:
    """Walk the frame and print what was found; raises CannotAnswer (exit 1) when a check found a fault."""
    try:
        set_load_N = parse_force_N(_number_or_text(set_load))
    except ValueError as error:
        raise InputError(f"--set-load: {error}") from None
    for name, value in (("--ramp", ramp), ("--band", band), ("--gravity", gravity), ("--set-load", set_load_N)):
        if not value > 0:
            raise InputError(f"{name} is {value:g}: must be above 0")
    if stiffness is not None and not stiffness > 0:
        raise InputError(f"--stiffness is {stiffness:g}: must be above 0, N/mm")
    _station(file, span, "--span")
    _station(file, bar, "--bar")
    if move and not person_at_terminal():
        raise InputError("--move: something will move, so a person must sit at this terminal and answer; run it there")
    if move or span or bar:
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
    if move:
        moved = _moves(file)
        checks += moved
        if not as_json:
            _print(moved)
    if span is not None:
        found["span"] = _span(file, span, gravity, readings, reference_percent, quiet=as_json)
    if bar is not None:
        found["compliance"] = _bar(file, bar, bar_compliance, readings, quiet=as_json)
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


def _number_or_text(text: str) -> object:
    try:
        return float(text)
    except ValueError:
        return text


def _station(file: FrameFile, name: str | None, option: str) -> int:
    names = [s.name for s in file.facts.stations]
    if name is None:
        return -1
    if name not in names:
        raise InputError(f"{option} {name}: there is no such station, only {', '.join(names)}")
    return names.index(name)


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


async def _measure(file: FrameFile, station: int, readings: int) -> tuple[float, float]:
    clock = RealClock()
    async with ModbusFrame(file, clock) as frame:
        return await measure(frame, clock, station, readings)


def _known_N(text: str, gravity: float) -> float:
    number, _, unit = text.strip().partition(" ")
    if unit.strip() == "kg":
        try:
            return float(number) * gravity
        except ValueError:
            pass
    return parse_force_N(_number_or_text(text))


def _span(
    file: FrameFile, name: str, gravity: float, readings: int, reference_percent: float | None, *, quiet: bool
) -> dict[str, Any]:
    """Known loads on one cell, one after the other; prints what to put into the frame file."""
    i = _station(file, name, "--span")
    say(
        f"\nStation {name}: hang known masses or pull against a reference cell by the frame's own panel. Give each "
        "load when it hangs still: '0', '20 kg', '500 N'. At least three different ones, best three times each; "
        "an empty line ends."
    )
    true_N: list[float] = []
    read_N: list[float] = []
    while True:
        text = click.prompt("Known load", default="", show_default=False, err=True)
        if not text.strip():
            break
        try:
            known = _known_N(text, gravity)
        except ValueError as error:
            say(str(error))
            continue
        if not known >= 0:
            say("a known load is not negative")
            continue
        load, _ = asyncio.run(_measure(file, i, readings))
        say(f"  {known:.2f} N known, {load:.2f} N read, {load - known:+.2f} N")
        true_N.append(known)
        read_N.append(load)
    facts, cell_range = file.facts.stations[i], file.facts.stations[i].cell_range_N
    result = check_cell(
        np.array(true_N),
        np.array(read_N),
        range_N=cell_range or facts.trip_load_N,
        resolution_N=file.stations[i]["load"].resolution * file.span[i],
    )
    U = (
        None
        if reference_percent is None
        else expanded_uncertainty_percent(
            reference_percent=reference_percent,
            error_left_percent=result.error_left_percent,
            repeat_percent=result.repeat_percent,
        )
    )
    # the readings were already corrected by the file's zero and span: fold the new line into the raw reading
    zero_N = file.zero_N[i] + result.zero_N / file.span[i]
    span = file.span[i] * result.span
    if not quiet:
        _print_span(result, name, facts.cell_serial, zero_N, span, U)
    return {
        "station": name,
        "cell_serial": facts.cell_serial,
        "points": [{"known_N": t, "read_N": r} for t, r in zip(true_N, read_N, strict=True)],
        "zero_N": zero_N,
        "span": span,
        "error_percent": result.error_percent,
        "error_left_percent": result.error_left_percent,
        "repeat_percent": result.repeat_percent,
        "iso_7500_1_class": result.iso_class,
        "iso_7500_1_class_left": result.iso_class_left,
        "uncertainty_percent": U,
    }


def _print_span(result: CellResult, name: str, serial: str | None, zero_N: float, span: float, U: float | None) -> None:
    def of_class(c: float | None) -> str:
        return "keeps none of ISO 7500-1's classes 0.5 to 3" if c is None else f"keeps the limits of class {c:g}"

    repeat = "not known, no load came twice" if result.repeat_percent is None else f"{result.repeat_percent:.2f} %"
    click.echo(
        f"{name}: as found, worst error {result.error_percent:+.2f} %: {of_class(result.iso_class)} (ISO 7500-1)"
    )
    click.echo(f"{name}: repeatability {repeat}; with the new line {of_class(result.iso_class_left)}")
    click.echo("This is a calibration record of your own, not a certificate. Put into the frame file:")
    uncertainty = (
        "# uncertainty_percent: give --reference-percent to have it computed"
        if U is None
        else f"uncertainty_percent = {U:.2f}"
    )
    serial_line = f'serial = "{serial}"\n' if serial else ""
    click.echo(f"[station.cell]  # of station {name}; calibrated_on = the day\n{serial_line}zero_N = {zero_N:.3f}")
    click.echo(f"span = {span:.6f}\n{uncertainty}")


def _bar(file: FrameFile, name: str, bar_compliance: float, readings: int, *, quiet: bool) -> dict[str, Any]:
    """A stiff bar in place of the spoke, pulled by the frame's own panel to three loads or more."""
    i = _station(file, name, "--bar")
    say(
        f"\nStation {name}: put a stiff bar in place of the spoke and pull it by the frame's own panel to at least "
        "three loads over the range you use, always upwards. Press Enter at each; type 'end' when done."
    )
    loads: list[float] = []
    positions: list[float] = []
    while click.prompt("Enter, or end", default="", show_default=False, err=True).strip() != "end":
        load, position = asyncio.run(_measure(file, i, readings))
        say(f"  {load:.1f} N at {position:.4f} mm")
        loads.append(load)
        positions.append(position)
    compliance, error = frame_compliance_mm_per_N(np.array(loads), np.array(positions), bar_mm_per_N=bar_compliance)
    if not quiet:
        click.echo(f"{name}: frame_compliance_mm_per_N = {compliance:.3g}  # standard error {error:.1g}")
    return {"station": name, "frame_compliance_mm_per_N": compliance, "standard_error_mm_per_N": error}
