"""The run table: from a DataFrame to one record per spoke, with every fault of the data found and named."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models import faults
from models.errors import InputError
from models.examine import SLACK_N as SLACK_N
from models.examine import Finding as Finding
from models.examine import Record as Record
from models.examine import examine as examine
from models.history import LoadHistory, Measured
from models.plausible import CUT, KEPT, LEFT_OUT

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
LATEST_S = 3.2e10  # of a history
NEEDED = ("time_s", "load_N", "elongation_mm")
COLDEST_C, HOTTEST_C = -30.0, 90.0
HARMED_C = 70.0
WARM_C = 45.0  # a test that is never cooler is rather in degrees Fahrenheit
FAULTY = 0.05  # share of temperature rows that may be out of range and still count as faults of the sensor


def _where(frame: pd.DataFrame, bad: NDArray[np.bool_], source: str) -> str:
    return f"{source}: {_line(frame, int(np.argmax(bad)))}"


def _float(whole: int) -> float:
    try:
        return float(whole)
    except OverflowError:  # hundreds of digits
        return np.inf


def _decimal_comma(cell: object) -> bool:
    return isinstance(cell, str) and re.fullmatch(r"\s*-?\d+,\d+\s*", cell) is not None


def _numbers(frame: pd.DataFrame, column: str, source: str, *, needed: bool) -> Floats:
    import pandas as pd

    values = frame[column]
    if values.dtype.kind == "b":
        raise InputError(f"{source}: {column} is {values.iloc[0]}; numbers are needed")
    if values.dtype.kind not in "fiu":
        values = values.map(lambda v: _float(v) if isinstance(v, int) else v)
        read = pd.to_numeric(values, errors="coerce")
        text = np.asarray(read.isna() & values.notna())
        if text.any():
            at = values.iloc[int(np.argmax(text))]
            hint = " (a decimal comma? write 1.5, or put ; between the cells)" if _decimal_comma(at) else ""
            raise InputError(f"{_where(frame, text, source)}: {column} is {at!r}; a number is needed{hint}")
        values = read
    out = np.asarray(values, dtype=np.float64)
    bad = ~np.isfinite(out)
    if needed and bad.any():
        raise InputError(f"{_where(frame, bad, source)}: {column} is empty or not finite; every row needs a number")
    return out


def records(
    frame: pd.DataFrame,
    source: str = "table",
    *,
    gauge_length_mm: float | None = None,
    temperature_C: float | None = None,
) -> tuple[list[Record], list[Finding]]:
    """Read a run table (columns as in the file contract) into one record per spoke.

    Parameters
    ----------
    frame : DataFrame
        Needed: ``time_s, load_N, elongation_mm``; read where present: ``spoke, station, step, temperature_C,
        gauge_length_mm``. If its index is named ``line``, faults name the line, else the row.
    source : str
        Name of the file, for messages.
    gauge_length_mm, temperature_C : float, optional
        Serve where the table has no such column.

    Raises
    ------
    InputError
        Where the table cannot be used at all; what can be cut or kept comes back as findings.
    """
    missing = [c for c in NEEDED if c not in frame.columns]
    if missing:
        have = ", ".join(map(str, frame.columns)) or "none"
        raise InputError(f"{source}: column {missing[0]} is missing (needed: {', '.join(NEEDED)}; found: {have})")
    doubled = frame.columns[frame.columns.duplicated()]
    if len(doubled):
        raise InputError(f"{source}: column {doubled[0]} stands twice")
    if len(frame) < 20:
        raise InputError(f"{source}: {len(frame)} rows are too few for a fit; at least 20 are needed")
    time, load, elongation = (_numbers(frame, c, source, needed=True) for c in NEEDED)
    findings: list[Finding] = []
    temperature = _temperature(frame, source, temperature_C, findings)
    gauge = _gauge(frame, source, gauge_length_mm)
    codes, labels = _labels(frame, source)
    for k, label in enumerate(labels):
        temperature[codes == k] = _filled(temperature, codes == k, label, findings)
    _warmth(temperature, findings)
    out: list[Record] = []
    for k, label in enumerate(labels):
        rows = np.flatnonzero(codes == k)
        part = frame.iloc[rows]
        station = _station(part, label, source)
        back = np.concatenate([[False], np.diff(time[rows]) < 0])
        if back.any():
            at = int(np.argmax(back))
            raise InputError(
                f"{_where(part, back, source)}: time_s goes back from {time[rows[at - 1]]:g} to {time[rows[at]]:g} for "
                f"spoke {label}; rows of one spoke must be in time order (two spokes with one name, or a restarted "
                "clock?)"
            )
        measured = Measured(
            spoke=label,
            history=LoadHistory.of(time[rows] - time[rows[0]], load[rows], temperature[rows]),
            elongation_mm=elongation[rows],
            gauge_length_mm=_length(gauge[rows], part, label, source),
            step=np.asarray(part["step"].astype(str), dtype=np.str_) if "step" in part.columns else None,
            station=station,
        )
        record, found = examine(measured, source)
        findings.extend(found)
        if record is not None:
            out.append(record)
    if not out:
        raise InputError(
            f"{source}: no spoke can be used: {next(f for f in _merged(findings) if f.action == LEFT_OUT)}"
        )
    return out, _merged(_against_each_other(out, findings))


def _labels(frame: pd.DataFrame, source: str) -> tuple[NDArray[np.intp], list[str]]:
    """The spoke of each row as a number, and the spokes' labels."""
    if "spoke" not in frame.columns:
        return np.zeros(len(frame), dtype=np.intp), ["1"]
    empty = np.asarray(frame["spoke"].isna())
    if empty.any():
        raise InputError(f"{_where(frame, empty, source)}: spoke has no label")
    codes, uniques = frame["spoke"].astype(str).str.strip().factorize()
    labels = [str(label) for label in uniques]
    folded: dict[str, str] = {}
    for label in labels:
        other = folded.setdefault(label.casefold(), label)
        if other != label:
            raise InputError(
                f"{source}: spokes {other} and {label} differ in upper and lower case only: one spoke or two? "
                "Write one spoke's label alike throughout"
            )
    return codes, labels


def _station(part: pd.DataFrame, label: str, source: str) -> str | None:
    if "station" not in part.columns:
        return None
    stations = part["station"].dropna().astype(str).str.strip().unique()
    if len(stations) > 1:
        raise InputError(
            f"{source}: spoke {label} stands on stations {stations[0]} and {stations[1]}: two spokes with "
            "one name? Give each its own label"
        )
    return str(stations[0]) if len(stations) else None


def _length(lengths: Floats, part: pd.DataFrame, label: str, source: str) -> float:
    """One spoke's gauge length; rows that have none take it from the others."""
    known = lengths[np.isfinite(lengths)]
    if not known.size:
        raise InputError(
            f"{_where(part, np.isnan(lengths), source)}: gauge_length_mm is empty for spoke {label}: fill it in, or "
            "give --gauge-length-mm (for example 285)"
        )
    if np.ptp(known) > 1e-9 * known[0]:
        raise InputError(f"{source}: spoke {label}: gauge_length_mm changes from {known.min():g} to {known.max():g}")
    return float(known[0])


def _merged(findings: list[Finding]) -> list[Finding]:
    """What is said of several spokes in the same words is said once."""
    spokes: dict[tuple[str, str, str], list[str | None]] = {}
    for f in findings:
        spokes.setdefault((f.kind, f.text, f.action), []).append(f.spoke)
    return [
        Finding(kind=kind, text=text, action=action, spoke=None if None in who else ", ".join(map(str, who)))
        for (kind, text, action), who in spokes.items()
    ]


def measured_from(
    frame: pd.DataFrame,
    source: str = "table",
    *,
    gauge_length_mm: float | None = None,
    temperature_C: float | None = None,
) -> list[Measured]:
    """The records alone: see `records`."""
    found, _ = records(frame, source, gauge_length_mm=gauge_length_mm, temperature_C=temperature_C)
    return [r.measured for r in found]


def _temperature(frame: pd.DataFrame, source: str, given: float | None, findings: list[Finding]) -> Floats:
    """(n,) degC of each row; not a number where the sensor failed."""
    n = len(frame)
    assumed = 20.0 if given is None else given

    def found(text: str, action: str = KEPT) -> None:
        findings.append(Finding(kind="temperature", spoke=None, text=text, action=action))

    if "temperature_C" not in frame.columns:
        if given is None:
            found("no temperature was logged; 20 degC throughout is assumed (--temperature-C gives another)")
        return np.full(n, assumed)
    th = np.array(_numbers(frame, "temperature_C", source, needed=False))
    th[~np.isfinite(th)] = np.nan
    good = np.isfinite(th)
    if not good.any() or not np.abs(th[good]).max() > 0:
        what = "empty" if not good.any() else "zero"
        found(f"temperature_C is {what} throughout: no sensor? {assumed:g} degC is used instead", CUT)
        return np.full(n, assumed)
    middle = float(np.median(th[good]))
    out = good & ((th < COLDEST_C) | (th > HOTTEST_C))
    if out.any() and (out.sum() > FAULTY * good.sum() or not COLDEST_C <= middle <= HOTTEST_C):
        raise InputError(
            f"{source}: temperature_C runs from {th[good].min():g} to {th[good].max():g}: outside {COLDEST_C:g} to "
            f"{HOTTEST_C:g} degC from {_line(frame, int(np.argmax(out)))} on (fibre is harmed above 70 degC; is the "
            "column in another unit?)"
        )
    zero = good & (th == 0) & (abs(middle) > 8.0)
    for wrong, what in ((out, "out of range"), (zero, "exactly 0")):
        if wrong.any():
            at = int(np.argmax(wrong))
            found(
                f"temperature_C is {what} in {int(wrong.sum())} rows (first {th[at]:g} degC at {_line(frame, at)}): a "
                "sensor that dropped out; filled from the others",
                CUT,
            )
            th[wrong] = np.nan
    good = np.isfinite(th)
    if not good.all() and not (out.any() or zero.any()):
        found(f"{int((~good).sum())} rows without temperature: filled from their neighbours")
    return th


def _warmth(th: Floats, findings: list[Finding]) -> None:
    text = None
    if th.min() > WARM_C:
        text = f"temperature_C is never below {th.min():.0f}: degrees Fahrenheit? Taken as degC"
    elif th.max() > HARMED_C:
        text = f"temperature_C goes up to {th.max():.0f}: fibre is harmed above about {HARMED_C:.0f} degC"
    if text is not None:
        findings.append(Finding(kind="temperature", spoke=None, text=text, action=KEPT))


def _line(frame: pd.DataFrame, row: int) -> str:
    return f"{'line' if frame.index.name == 'line' else 'row'} {frame.index[row]}"


def _filled(temperature: Floats, own: NDArray[np.bool_], label: str, findings: list[Finding]) -> Floats:
    """One spoke's temperatures without holes and without spikes of the sensor."""
    th = temperature[own]
    good = np.isfinite(th)
    if not good.any():
        others = float(np.nanmedian(temperature))
        findings.append(
            Finding(
                kind="temperature",
                spoke=label,
                text=f"no temperature of its own: {others:.1f} degC, the middle of the other spokes', is used",
                action=CUT,
            )
        )
        return np.full(th.size, others)
    filled: Floats = np.interp(np.arange(th.size), np.flatnonzero(good), th[good])
    spike = faults.spikes(filled, 5.0)
    if spike.any() and spike.mean() <= FAULTY:
        findings.append(
            Finding(
                kind="temperature",
                spoke=label,
                text=f"temperature_C jumps and comes back in {int(spike.sum())} rows (first {filled[spike][0]:.1f}): "
                "filled from their neighbours",
                action=CUT,
            )
        )
        keep = np.flatnonzero(~spike)
        filled = np.interp(np.arange(th.size), keep, filled[keep])
    return filled


def _gauge(frame: pd.DataFrame, source: str, given: float | None) -> Floats:
    """(n,) mm; not a number where the table leaves it open."""
    n = len(frame)
    if "gauge_length_mm" in frame.columns:
        length = _numbers(frame, "gauge_length_mm", source, needed=False)
        length = np.where(np.isfinite(length), length, np.nan if given is None else given)
    elif given is not None:
        length = np.full(n, float(given))
    else:
        raise InputError(
            f"{source}: no column gauge_length_mm: give the length that creeps with --gauge-length-mm (for example 285)"
        )
    bad = (length < 20.0) | (length > 5000.0)
    if bad.any():
        raise InputError(
            f"{_where(frame, bad, source)}: gauge_length_mm is {length[int(np.argmax(bad))]:g}; 20 to 5000 is allowed"
        )
    return length


def _against_each_other(found: Iterable[Record], findings: list[Finding]) -> list[Finding]:
    tops = {r.measured.spoke: float(r.measured.history.load_N.max()) for r in found}
    middle = float(np.median(list(tops.values())))
    for spoke, top in tops.items():
        if top < 0.8 * middle:
            findings.append(
                Finding(
                    kind="load not reached",
                    spoke=spoke,
                    text=f"reached only {top:.0f} N where the others reached {middle:.0f} N",
                    action="kept",
                )
            )
    return findings


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A history to forecast: of load, or of the chord."""

    time_s: Floats  # (n,)
    temperature_C: Floats  # (n,)
    load: LoadHistory | None  # None: a chord history
    chord_mm: Floats | None  # (n,) change of chord from the seated length; None: a load history


def history_from(frame: pd.DataFrame, source: str, reference_C: float) -> Asked:
    """Read a history to forecast: ``time_s`` with ``load_N`` or ``chord_mm``, and ``temperature_C`` if it changes.

    Raises
    ------
    InputError
        Names the file and the line.
    """
    has = [c for c in ("load_N", "chord_mm") if c in frame.columns]
    if "time_s" not in frame.columns or len(has) != 1:
        what = "has both load_N and chord_mm" if len(has) == 2 else f"has {', '.join(map(str, frame.columns))}"
        raise InputError(f"{source}: {what}; a history needs time_s and either load_N or chord_mm")
    time = _numbers(frame, "time_s", source, needed=True)
    back = np.concatenate([[False], np.diff(time) < 0])
    if back.any():
        raise InputError(f"{_where(frame, back, source)}: time_s goes back; rows must be in time order")
    late = np.abs(time) > LATEST_S
    if late.any():
        raise InputError(f"{_where(frame, late, source)}: time_s is {time[late][0]:g}; a thousand years is the most")
    value = _numbers(frame, has[0], source, needed=True)
    th = np.full(time.size, reference_C)
    if "temperature_C" in frame.columns:
        th = _numbers(frame, "temperature_C", source, needed=True)
        far = (th < -30.0) | (th > 90.0)
        if far.any():
            raise InputError(f"{_where(frame, far, source)}: temperature_C outside -30 to 90 degC")
    if has[0] == "load_N":
        far = (value < -1.0) | (value > 20_000.0)
        if far.any():
            raise InputError(f"{_where(frame, far, source)}: load_N is {value[far][0]:g}; 0 to 20000 N is allowed")
        load = LoadHistory.of(time, np.maximum(value, 0.0), th)
        return Asked(time_s=time, temperature_C=th, load=load, chord_mm=None)
    far = np.abs(value) > 100.0
    if far.any():
        raise InputError(f"{_where(frame, far, source)}: chord_mm is {value[far][0]:g}; -100 to 100 mm is allowed")
    return Asked(time_s=time, temperature_C=th, load=None, chord_mm=value)
