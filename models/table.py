"""The run table: from a DataFrame to one record per spoke, with every fault of the data found and named."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError
from models.history import LoadHistory, Measured

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
NEEDED = ("time_s", "load_N", "elongation_mm")
SLACK_N = 60.0  # below this a spoke counts as at rest (a frame needs a tare load of about 15 N)
SHOP_SLACK_S = 1800.0  # usual time that a spoke lies slack between bench and wheel: contracts of the build file
PLAUSIBLE_EA_N = (60e3, 1.5e6)  # 1.5 to 10 g/m of braided polyethylene fibre at 50 to 130 GPa


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One fault of the data, in plain words, and what was done about it."""

    kind: str  # "slip", "restarted zero", "temperature", "rest", ...
    spoke: str | None  # None: the whole table
    text: str
    action: str  # "kept", "cut" or "left out"

    def __str__(self) -> str:
        return f"spoke {self.spoke}: {self.text}" if self.spoke is not None else self.text


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One spoke's record with the times at which its elongation took an unknown step."""

    measured: Measured
    breaks_s: tuple[float, ...] = ()  # elongation carries a new, unknown offset from each of these times


def _where(frame: pd.DataFrame, bad: NDArray[np.bool_], source: str) -> str:
    name = "line" if frame.index.name == "line" else "row"
    return f"{source}: {name} {frame.index[int(np.argmax(bad))]}"


def _numbers(frame: pd.DataFrame, column: str, source: str, *, needed: bool) -> Floats:
    import pandas as pd

    values = frame[column]
    if values.dtype.kind not in "fiu":
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


def examine(m: Measured, source: str = "table") -> tuple[Record | None, list[Finding]]:
    """Look one spoke's record over; returns None in place of the record where the spoke must be left out.

    Raises
    ------
    InputError
        Where the columns or their units cannot be what they say.
    """
    h = m.history
    load, y = h.load_N, m.elongation_mm
    name = f"{source}: spoke {m.spoke}"
    top = float(np.max(load))
    if np.ptp(y) > 30.0 and top < 30.0:
        raise InputError(
            f"{name}: load_N stays below {top:.3g} while elongation_mm spans {np.ptp(y):.3g}: swapped columns?"
        )
    if top <= 0:
        raise InputError(f"{name}: load_N never rises above zero: is its sign right?")
    ea = _apparent_EA_N(m)
    if ea is not None:
        _units(name, ea, top)
    if top < 200.0:
        raise InputError(
            f"{name}: the load never rose above {top:.0f} N: no load to fit was reached (200 N is the least)"
        )
    findings: list[Finding] = []

    def found(kind: str, text: str, action: str = "kept") -> None:
        findings.append(Finding(kind=kind, spoke=m.spoke, text=text, action=action))

    if ea is not None and not PLAUSIBLE_EA_N[0] <= ea <= PLAUSIBLE_EA_N[1]:
        found("stiffness", f"stiffness EA of {ea / 1000:.0f} kN is unusual for a fibre spoke: check units and zero")
    held = h.time_s[load > 0.7 * top]
    under_load_s = float(held[-1] - held[0]) if held.size else 0.0
    if under_load_s < 300.0:
        found("too short", f"only {under_load_s:.0f} s under load: too short for a creep fit; left out", "left out")
        return None, findings
    if under_load_s < 4 * 3600.0:
        found(
            "too short",
            f"only {under_load_s / 3600:.1f} h under load: forecasts beyond a few days rest on experience, "
            "not on this test",
        )
    if _clipped(load, y, top):
        found(
            "clipped",
            f"load_N stands at exactly {top:g} N, never above, while the rest is noisy: cell or amplifier "
            "clipped; left out",
            "left out",
        )
        return None, findings
    breaks = _steps(m, ea)
    kept: list[float] = []
    for at_s, size_mm, to_mm in breaks:
        if abs(to_mm) < 0.25 * abs(size_mm) and abs(size_mm) > 0.1:
            found(
                "restarted zero",
                f"elongation jumps to {to_mm:.3f} mm at {at_s:.0f} s with the load on: zero restarted; an "
                "unknown offset is fitted from there",
            )
        elif size_mm > 0:
            found(
                "slip",
                f"elongation steps by {size_mm:.3f} mm at {at_s:.0f} s without a change of load: an end fitting "
                "or grip slipped; the step is kept apart from creep",
            )
        else:
            found(
                "step",
                f"elongation steps back by {-size_mm:.3f} mm at {at_s:.0f} s without a change of load; an "
                "unknown offset is fitted from there",
            )
        kept.append(at_s)
    slips = sum(f.kind == "slip" for f in findings)
    if slips >= 2:
        found("slip", f"{slips} slips: reject this spoke; left out", "left out")
        return None, findings
    rest = longest_rest_s(m)
    if 0 < rest < SHOP_SLACK_S:
        found(
            "rest",
            f"the longest rest after load was {rest / 60:.0f} min: recovery beyond that is extrapolated "
            f"(spokes usually lie slack {SHOP_SLACK_S / 60:.0f} min or longer before lacing)",
        )
    if load[0] > 0.3 * top:
        found(
            "start",
            f"the record starts under {load[0]:.0f} N: what happened before is not in it, and a new spoke is assumed",
        )
    return Record(measured=m, breaks_s=tuple(kept)), findings


def longest_rest_s(m: Measured) -> float:
    """Longest time in s at rest (below 60 N) after the spoke carried load; 0 where there was none."""
    h = m.history
    top = h.load_N.max()
    slack = h.load_N < max(SLACK_N, 0.06 * top)
    first = int(np.argmax(h.load_N > 0.5 * top))
    slack[:first] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[0], slack.astype(np.int8), [0]])))
    if not edges.size:
        return 0.0
    starts, ends = edges[::2], edges[1::2] - 1
    return float((h.time_s[ends] - h.time_s[starts]).max())


def _apparent_EA_N(m: Measured) -> float | None:
    """Stiffness seen in the quickest large change of load, N; None where load hardly changes."""
    h = m.history
    load, y = h.load_N, m.elongation_mm
    top = load.max()
    high = load > 0.9 * top
    best: float | None = None
    # from the seat to the first moment near the top load; and from the last such moment to rest
    first = int(np.argmax(high))
    last = load.size - 1 - int(np.argmax(high[::-1]))
    pairs = [(0, first)]
    low = np.flatnonzero(load[last:] < 0.3 * top)
    if low.size:
        pairs.append((last, last + int(low[0])))
    for i, j in pairs:
        dl, de = load[j] - load[i], (y[j] - y[i]) / m.gauge_length_mm
        if abs(dl) > 0.5 * top and abs(de) > 1e-9:
            ea = float(dl / de)
            if best is None or ea > best:
                best = ea
    return best


def _units(name: str, ea: float, top: float) -> None:
    low, high = PLAUSIBLE_EA_N
    if ea < 0:
        raise InputError(f"{name}: elongation falls while the load rises: the sign of one column is wrong")
    if ea * 1000 >= low and ea * 1000 <= high and top < 10.0:
        raise InputError(
            f"{name}: load_N peaks at {top:.3g} and the stiffness comes out a thousand times too low: load in kN?"
        )
    if ea / 1000 >= low:
        raise InputError(
            f"{name}: stiffness EA comes out as {ea / 1000:.0f} kN, a thousand times too high: elongation in metres?"
        )
    if ea * 1000 <= high and ea < low / 20:
        raise InputError(
            f"{name}: stiffness EA comes out as {ea / 1000:.3g} kN, far too low: elongation in micrometres, "
            "or load in kN?"
        )
    if ea < low and ea * 9.80665 <= high and top < 400.0:
        raise InputError(
            f"{name}: load_N peaks at {top:.0f} and stiffness EA comes out as {ea / 1000:.0f} kN, about ten "
            "times too low: "
            "load in kgf? (1 kgf = 9.80665 N)"
        )
    if ea > 1.5 * high and ea / 9.80665 >= low:
        raise InputError(
            f"{name}: stiffness EA comes out as {ea / 1000:.0f} kN, about ten times too high: check the units"
        )


def _clipped(load: Floats, y: Floats, top: float) -> bool:
    high = load[load > 0.97 * top]
    if high.size < 50:
        return False
    if np.unique(high).size >= 5 and np.median(high) == top:
        return True
    # a flat top that begins while the spoke is still being pulled at the same speed
    first = int(np.argmax(load >= top))
    k = max(3, first // 20)
    if first > 3 * k and first + k < load.size and (load[first : first + k] == top).all():
        before, after = y[first] - y[first - k], y[first + k] - y[first]
        noisy = np.diff(load[: max(first - k, 2)])
        return bool(after > 0.8 * before > 0 and before > 0.02 and np.unique(np.round(noisy, 9)).size > k)
    return False


def _steps(m: Measured, ea: float | None) -> list[tuple[float, float, float]]:
    """Jumps of elongation that the load does not explain: (time, size, elongation after), mm."""
    h, y = m.history, m.elongation_mm
    stiffness = ea if ea is not None else 4e5
    explained = m.gauge_length_mm * h.load_N / stiffness
    rest = np.diff(y) - np.diff(explained)
    dt = np.maximum(np.diff(h.time_s), 1e-9)
    moving = np.abs(np.diff(h.load_N)) > 0.005 * h.load_N.max()
    if moving.all():
        return []
    noise = 1.4826 * np.median(np.abs(rest[~moving] - np.median(rest[~moving])))
    limit = max(12.0 * float(noise), 0.02)
    # creep just after a load change is quick: ask that the rows around are not moving, in load or by creep
    out: list[tuple[float, float, float]] = []
    near = np.convolve(moving, np.ones(7), mode="same") > 0.5
    for i in np.flatnonzero((np.abs(rest) > limit) & ~near & (dt < 600.0)):
        around = np.concatenate([rest[max(0, i - 6) : i], rest[i + 1 : i + 7]])
        creep = np.abs(around).max() if around.size else 0.0
        if abs(rest[i]) > 4.0 * creep or (around.size and np.sum(np.abs(around) > limit) <= 1 and abs(rest[i]) > limit):
            if out and h.time_s[i + 1] - out[-1][0] < 5.0 and np.sign(rest[i]) != np.sign(out[-1][1]):
                out.pop()  # up and straight down again: a glitch, which the thinning drops
                continue
            after = y[i + 1 : i + 4]
            out.append((float(h.time_s[i + 1]), float(rest[i]), float(np.median(after))))
    return out


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
