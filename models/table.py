"""The run table: from a DataFrame to one record per spoke, with every fault of the data found and named."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError
from models.examine import SLACK_N as SLACK_N
from models.examine import Finding as Finding
from models.examine import Record as Record
from models.examine import examine as examine
from models.history import LoadHistory, Measured

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
LATEST_S = 3.2e10  # of a history
NEEDED = ("time_s", "load_N", "elongation_mm")


def _where(frame: pd.DataFrame, bad: NDArray[np.bool_], source: str) -> str:
    name = "line" if frame.index.name == "line" else "row"
    return f"{source}: {name} {frame.index[int(np.argmax(bad))]}"


def _float(whole: int) -> float:
    try:
        return float(whole)
    except OverflowError:  # hundreds of digits
        return np.inf


def _numbers(frame: pd.DataFrame, column: str, source: str, *, needed: bool) -> Floats:
    import pandas as pd

    values = frame[column]
    if values.dtype.kind not in "fiu":
        values = values.map(lambda v: _float(v) if isinstance(v, int) else v)
        read = pd.to_numeric(values, errors="coerce")
        text = np.asarray(read.isna() & values.notna())
        if text.any():
            at = values.iloc[int(np.argmax(text))]
            raise InputError(f"{_where(frame, text, source)}: {column} is {at!r}; a number is needed")
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
    if "spoke" in frame.columns:
        if np.asarray(frame["spoke"].isna()).any():
            raise InputError(f"{_where(frame, np.asarray(frame['spoke'].isna()), source)}: spoke has no label")
        codes, uniques = frame["spoke"].astype(str).factorize()
        labels = [str(label) for label in uniques]
    else:
        codes, labels = np.zeros(len(frame), dtype=np.intp), ["1"]
    out: list[Record] = []
    for k, label in enumerate(labels):
        rows = np.flatnonzero(codes == k)
        part = frame.iloc[rows]
        station = None
        if "station" in part.columns:
            stations = part["station"].astype(str).unique()
            if len(stations) > 1:
                raise InputError(
                    f"{source}: spoke {label} stands on stations {stations[0]} and {stations[1]}: two spokes with "
                    "one name? Give each its own label"
                )
            station = str(stations[0])
        back = np.concatenate([[False], np.diff(time[rows]) < 0])
        if back.any():
            at = int(np.argmax(back))
            raise InputError(
                f"{_where(part, back, source)}: time_s goes back from {time[rows[at - 1]]:g} to {time[rows[at]]:g} for "
                f"spoke {label}; rows of one spoke must be in time order (two spokes with one name, or a restarted "
                "clock?)"
            )
        lengths = gauge[rows]
        if np.ptp(lengths) > 1e-9 * lengths[0]:
            raise InputError(
                f"{source}: spoke {label}: gauge_length_mm changes from {lengths.min():g} to {lengths.max():g}"
            )
        measured = Measured(
            spoke=str(label),
            history=LoadHistory.of(time[rows] - time[rows[0]], load[rows], temperature[rows]),
            elongation_mm=elongation[rows],
            gauge_length_mm=float(lengths[0]),
            step=np.asarray(part["step"].astype(str), dtype=np.str_) if "step" in part.columns else None,
            station=station,
        )
        record, found = examine(measured, source)
        findings.extend(found)
        if record is not None:
            out.append(record)
    if not out:
        raise InputError(f"{source}: no spoke can be used: {findings[-1]}")
    return out, _against_each_other(out, findings)


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
    n = len(frame)
    assumed = 20.0 if given is None else given
    if "temperature_C" not in frame.columns:
        if given is None:
            findings.append(
                Finding(
                    kind="temperature",
                    spoke=None,
                    text="no temperature was logged; 20 degC throughout is assumed (--temperature-C gives another)",
                    action="kept",
                )
            )
        return np.full(n, assumed)
    th = _numbers(frame, "temperature_C", source, needed=False)
    good = np.isfinite(th)
    if not good.any() or not np.abs(th[good]).max() > 0:
        findings.append(
            Finding(
                kind="temperature",
                spoke=None,
                text=f"temperature_C is {'empty' if not good.any() else 'zero'} throughout: no sensor? "
                f"{assumed:g} degC is used instead",
                action="cut",
            )
        )
        return np.full(n, assumed)
    if th[good].min() < -30 or th[good].max() > 90:
        raise InputError(
            f"{source}: temperature_C runs from {th[good].min():g} to {th[good].max():g}: outside -30 to 90 degC "
            "(fibre is harmed above 70 degC; is the column in another unit?)"
        )
    if not good.all():
        findings.append(
            Finding(
                kind="temperature",
                spoke=None,
                text=f"{int((~good).sum())} rows without temperature: filled from their neighbours",
                action="kept",
            )
        )
        th = np.interp(np.arange(n), np.flatnonzero(good), th[good])
    return th


def _gauge(frame: pd.DataFrame, source: str, given: float | None) -> Floats:
    n = len(frame)
    if "gauge_length_mm" in frame.columns:
        length = _numbers(frame, "gauge_length_mm", source, needed=given is None)
        length = np.where(np.isfinite(length), length, np.nan if given is None else given)
    elif given is not None:
        length = np.full(n, float(given))
    else:
        raise InputError(
            f"{source}: no column gauge_length_mm: give the length that creeps with --gauge-length-mm (for example 285)"
        )
    bad = ~((length >= 20.0) & (length <= 5000.0))
    if bad.any():
        raise InputError(
            f"{_where(frame, bad, source)}: gauge_length_mm is {length[int(np.argmax(bad))]:g}; 20 to 5000 "
            "mm is allowed"
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
