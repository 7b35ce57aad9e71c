"""Known loads on a load cell and a stiff bar in its place: `longhold frame check --span` and `--bar`."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from typing import Any

import click
import numpy as np

from bench.cellcheck import CellResult, check_cell, expanded_uncertainty_percent, frame_compliance_mm_per_N
from bench.clock import RealClock
from bench.framecheck import measure
from bench.framefile import FrameFile
from bench.modbusframe import ModbusFrame
from models.errors import InputError
from models.units import parse_force_N
from tui.out import say


def number_or_text(text: str) -> object:
    """What was typed, as a number where it is one."""
    try:
        return float(text)
    except ValueError:
        return text


def station_of(file: FrameFile, name: str, option: str) -> int:
    """Index of a station as painted on the frame. Raises InputError."""
    names = [s.name for s in file.facts.stations]
    if name not in names:
        raise InputError(f"{option} {name}: there is no such station, only {', '.join(names)}")
    return names.index(name)


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
    return parse_force_N(number_or_text(text))


def known_loads(
    file: FrameFile, name: str, gravity: float, readings: int, reference_percent: float | None, *, quiet: bool
) -> dict[str, Any]:
    """Known loads on one cell, one after the other; prints what to put into the frame file."""
    i = station_of(file, name, "--span")
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
        "iso_376_class_at_best": result.instrument_class_at_best,
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
    if result.instrument_class_at_best is not None:
        best = f"at best class {result.instrument_class_at_best}"
        click.echo(f"{name}: by itself {best} of ISO 376 (rotation, reversibility and creep were not tried)")
    click.echo("This is a calibration record of your own, not a certificate. Put into the frame file:")
    uncertainty = (
        "# uncertainty_percent: give --reference-percent to have it computed"
        if U is None
        else f"uncertainty_percent = {U:.2f}"
    )
    serial_line = f'serial = "{serial}"\n' if serial else ""
    click.echo(f"[station.cell]  # of station {name}; calibrated_on = the day\n{serial_line}zero_N = {zero_N:.3f}")
    click.echo(f"span = {span:.6f}\n{uncertainty}")


def stiff_bar(file: FrameFile, name: str, bar_compliance: float, readings: int, *, quiet: bool) -> dict[str, Any]:
    """A stiff bar in place of the spoke, pulled by the frame's own panel to three loads or more."""
    i = station_of(file, name, "--bar")
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


def write_found(
    file: FrameFile, span: dict[str, Any] | None, compliance: dict[str, Any] | None, cell_serial: str | None
) -> dict[str, Any]:
    """Put what was found into the frame file: zero, span, uncertainty, serial, today's date; and the compliance."""
    from bench.frameedit import with_calibration
    from bench.framefile import frame_from_text
    from tui.out import write_whole

    text, where = file.text, str(file.path)
    today = datetime.fromtimestamp(RealClock().utc(), UTC).date()
    if span is not None:
        cell: dict[str, Any] = {
            "calibrated_on": today,
            "zero_N": round(span["zero_N"], 3),
            "span": round(span["span"], 6),
        }
        if cell_serial is not None:
            cell["serial"] = cell_serial
        if span["uncertainty_percent"] is not None:
            cell["uncertainty_percent"] = round(span["uncertainty_percent"], 3)
        text = with_calibration(text, span["station"], {"cell": cell}, where)
    if compliance is not None:
        value = float(f"{compliance['frame_compliance_mm_per_N']:.3g}")
        text = with_calibration(text, compliance["station"], {"frame_compliance_mm_per_N": value}, where)
    frame_from_text(text, file.path)
    write_whole(file.path, text)
    say(f"{where}: written")
    return {"frame_file": where, "calibrated_on": today.isoformat()}
