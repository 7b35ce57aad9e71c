"""Whether a record's columns can be what they say: swapped columns, units, signs, the clock; judged by physics."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from models import faults
from models.errors import InputError
from models.history import Measured
from models.units import KGF_N

PLAUSIBLE_EA_N = (60e3, 1.5e6)  # 1.5 to 10 g/m of braided polyethylene fibre at 50 to 130 GPa
MOST_LOAD_N = 6000.0  # no spoke bears more: 10 g/m at 3.5 N/tex would be 35 kN of bare fibre, its ends far less
LEAST_LOAD_N = 200.0
SLOWEST_RISE_S = 2 * 3600.0  # from a tenth to nine tenths of the top load
FASTEST_RISE_N_PER_S = 600.0
KEPT, CUT, LEFT_OUT = "kept", "cut", "left out"


class Say(Protocol):
    """Takes note of one fault: its kind, in plain words, and what was done about it."""

    def __call__(self, kind: str, text: str, action: str = KEPT) -> None: ...


def columns(name: str, m: Measured) -> None:
    """Whether load and elongation are what their headings say. Raises InputError."""
    load, y = m.history.load_N, m.elongation_mm
    top = float(np.max(load))
    if np.ptp(y) > 30.0 and top < 30.0:
        raise InputError(
            f"{name}: load_N stays below {top:.3g} while elongation_mm spans {np.ptp(y):.3g}: swapped columns?"
        )
    if top <= 0:
        raise InputError(f"{name}: load_N never rises above zero: is its sign right?")
    k = faults.woven(y)
    if k is not None:
        raise InputError(
            f"{name}: elongation_mm jumps to and fro from row to row, as where {k} records stand in one: "
            f"{k} spokes with one name? Give each its own label"
        )


def length(name: str, m: Measured) -> None:
    """Whether a spoke can be as much longer as it is said to be: none stretches by half. Raises InputError."""
    y = m.elongation_mm
    off = np.abs(y - np.median(y)) > 0.5 * m.gauge_length_mm
    if off.any():
        at = int(np.argmax(off))
        raise InputError(
            f"{name}: elongation_mm is {y[at]:.4g} at {m.history.time_s[at]:.0f} s, on {m.gauge_length_mm:g} mm of "
            "spoke: a sensor that came off, or another unit?"
        )


def clock(name: str, m: Measured, found: Say) -> None:
    """Whether the time is in seconds, by how fast the load rises; rows that share a time; gaps."""
    h = m.history
    load, time = h.load_N, h.time_s
    top = float(load.max())
    if h.duration_s > 3.2e8:
        raise InputError(f"{name}: time_s spans {h.duration_s:.3g} s; ten years is the most")
    last = int(np.argmax(load > 0.9 * top))
    low = np.flatnonzero(load[:last] < 0.1 * top)
    if low.size and last - low[-1] > 3:
        first = int(low[-1])
        rise_s = float(time[last] - time[first])
        steadily = bool((np.diff(load[np.linspace(first, last, min(last - first + 1, 9)).astype(np.intp)]) > 0).all())
        if steadily and rise_s > SLOWEST_RISE_S:
            raise InputError(
                f"{name}: the load takes {rise_s / 3600:.1f} h to rise to {top:.0f} N: is time_s in milliseconds?"
            )
        rate = 0.8 * top / max(rise_s, 1e-9)
        if rate > FASTEST_RISE_N_PER_S and steadily:
            found("time", f"the load rises by {rate:.0f} N/s: is time_s in minutes or hours? Seconds are taken")
    same = float((np.diff(time) == 0).mean())
    if same > 0.1:
        found(
            "time", f"{100 * same:.0f} % of the rows have the time of the row before: a clock that counts too coarsely"
        )
    for a, b in faults.gaps(time, load):
        found("gap", f"no rows from {a / 3600:.2f} to {b / 3600:.2f} h: the load is taken as going straight across")


def apparent_EA_N(m: Measured) -> float | None:
    """Stiffness seen in the changes between a low and a high load, N: the stiffest; None where there is none."""
    load, y = m.history.load_N, m.elongation_mm
    top = load.max()
    ends = np.flatnonzero((load > 0.6 * top) | (load < 0.3 * top))
    high = load[ends] > 0.6 * top
    change = np.flatnonzero(high[1:] != high[:-1])
    i, j = ends[change], ends[change + 1]
    strain = (y[j] - y[i]) / m.gauge_length_mm
    moved = np.abs(strain) > 1e-9
    if not moved.any():
        return None
    return float(((load[j] - load[i])[moved] / strain[moved]).max())


def units(name: str, ea: float | None, top: float, found: Say) -> None:
    """Units of load and elongation, by the stiffness that they give. Raises InputError."""
    low, high = PLAUSIBLE_EA_N
    kgf = "load in kgf? (1 kgf = 9.80665 N)"
    if top > MOST_LOAD_N:
        raise InputError(
            f"{name}: load_N peaks at {top:.4g}, more than any spoke bears ({MOST_LOAD_N:g} N is allowed): check the "
            "units (load off by 9.81 or by 1000?)"
        )
    if ea is not None:
        if ea < 0:
            raise InputError(f"{name}: elongation falls while the load rises: the sign of one column is wrong")
        comes_out = f"{name}: stiffness EA comes out as {ea / 1000:.3g} kN"
        if ea * 1000 >= low and ea * 1000 <= high and top < 10.0:
            raise InputError(
                f"{name}: load_N peaks at {top:.3g} and the stiffness comes out a thousand times too low: load in kN?"
            )
        if ea / 1000 >= low:
            raise InputError(f"{comes_out}, a thousand times too high: elongation in metres?")
        if ea * 1000 <= high and ea < low / 20:
            raise InputError(f"{comes_out}, far too low: elongation in micrometres, or load in kN?")
        if ea < low and ea * KGF_N <= high and top < 400.0:
            raise InputError(
                f"{name}: load_N peaks at {top:.0f} and stiffness EA comes out as {ea / 1000:.0f} kN, about ten times "
                f"too low: {kgf}"
            )
        if ea > 1.5 * high and ea / KGF_N >= low:
            raise InputError(f"{comes_out}, about ten times too high: check the units")
    if top < LEAST_LOAD_N:
        hint = f"; or is the {kgf}" if top > 0.3 * LEAST_LOAD_N else ""
        raise InputError(
            f"{name}: the load never rose above {top:.0f} N: no load to fit was reached ({LEAST_LOAD_N:g} N is the "
            f"least){hint}"
        )
    if ea is None:
        return
    if not low <= ea <= high:
        found(
            "stiffness",
            f"stiffness EA of {ea / 1000:.0f} kN is unusual for a fibre spoke: check units, gauge length and zero",
        )
    elif ea < 2.5 * low and top < 400.0:
        found(
            "stiffness",
            f"load_N peaks at {top:.0f} and stiffness EA comes out as {ea / 1000:.0f} kN, both low for a spoke: "
            "load in kgf or lbf?",
        )
