"""One spoke's record looked over: units, slips, clipped cells, restarted zeros, short rests, named in plain words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError
from models.history import Measured

Floats = NDArray[np.float64]
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
    # creep just after a change of load is quick: the rows around must not be moving, in load or by creep
    out: list[tuple[float, float, float]] = []
    rows: list[int] = []
    near = np.convolve(moving, np.ones(7), mode="same") > 0.5
    for i in np.flatnonzero((np.abs(rest) > limit) & ~near & (dt < 600.0)):
        around = np.concatenate([rest[max(0, i - 6) : i], rest[i + 1 : i + 7]])
        creep = float(np.sort(np.abs(around))[-2]) if around.size > 1 else 0.0  # one of them may be the way back
        if abs(rest[i]) <= 4.0 * creep:
            continue
        if rows and i - rows[-1] <= 2 and abs(rest[i] + out[-1][1]) < 0.3 * abs(rest[i]):
            rows.pop()
            out.pop()  # up and straight down again: a spike, which the thinning drops
            continue
        rows.append(int(i))
        out.append((float(h.time_s[i + 1]), float(rest[i]), float(np.median(y[i + 1 : i + 4]))))
    return out
