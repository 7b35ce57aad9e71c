"""One spoke's record looked over: units, slips, clipped cells, restarted zeros, short rests, named in plain words."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models import faults, plausible
from models.history import LoadHistory, Measured
from models.plausible import CUT, KEPT, LEFT_OUT, Say

Floats = NDArray[np.float64]
SLACK_N = 60.0  # below this a spoke counts as at rest (a frame needs a tare load of about 15 N)
SHOP_SLACK_S = 1800.0  # usual time that a spoke lies slack between bench and wheel: contracts of the build file
WHEEL_LOAD_N = 700.0  # a test that stays below it says little of a wheel at about 1000 N
LEAST_ROWS = 20
LEAST_UNDER_LOAD_S = 300.0
FARTHEST_ZERO_MM = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One fault of the data, in plain words, and what was done about it."""

    kind: str  # "slip", "restarted zero", "temperature", "rest", ...
    spoke: str | None  # label, or several with a comma between; None: the whole table
    text: str
    action: str  # "kept", "cut" or "left out"

    def __str__(self) -> str:
        if self.spoke is None:
            return self.text
        return f"spoke{'s' if ', ' in self.spoke else ''} {self.spoke}: {self.text}"


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
    findings: list[Finding] = []

    def found(kind: str, text: str, action: str = KEPT) -> None:
        findings.append(Finding(kind=kind, spoke=m.spoke, text=text, action=action))

    name = f"{source}: spoke {m.spoke}"
    if m.elongation_mm.size < LEAST_ROWS:
        found("too short", f"only {m.elongation_mm.size} rows, at least {LEAST_ROWS} are needed; left out", LEFT_OUT)
        return None, findings
    plausible.columns(name, m)
    m = _without_spikes(m, found)
    top = float(m.history.load_N.max())
    ea = plausible.apparent_EA_N(m)
    plausible.units(name, ea, top, found)
    plausible.length(name, m)
    plausible.clock(name, m, found)
    stiffness = ea if ea is not None else 4e5
    m, usable = _instruments(m, stiffness, found)
    if not usable:
        return None, findings
    under_load_s = _under_load_s(m.history)
    if under_load_s < LEAST_UNDER_LOAD_S:
        found(
            "too short",
            f"only {under_load_s:.0f} s under load: too short for a creep fit (is time_s in seconds?); left out",
            LEFT_OUT,
        )
        return None, findings
    m = _from_its_zero(m, stiffness, found)
    breaks = _breaks(m, stiffness, found)
    if breaks is None:
        return None, findings
    _coverage(m, found)
    return Record(measured=m, breaks_s=breaks), findings


def _without_spikes(m: Measured, found: Say) -> Measured:
    """The record without rows in which load or elongation, not both, stands out from its neighbours."""
    h = m.history
    most = float(np.quantile(np.abs(h.load_N), 0.98))
    in_load = faults.spikes(h.load_N, 0.05 * most)
    in_length = faults.spikes(m.elongation_mm, 0.02)
    both = in_load & in_length
    bad = (in_load | in_length) & ~both
    if not bad.any():
        return m
    if bad.mean() > 0.05:
        found("spikes", f"load or elongation jumps in {100 * bad.mean():.0f} % of the rows: a loose cable?")
        return m
    for column, where in (("load_N", in_load & ~both), ("elongation_mm", in_length & ~both)):
        if where.any():
            values = h.load_N if column == "load_N" else m.elongation_mm
            at = int(np.argmax(where))
            many = f"{int(where.sum())} rows" if where.sum() > 1 else "1 row"
            found(
                "spikes",
                f"{column} stands out from its neighbours in {many} (first {values[at]:.5g} at {h.time_s[at]:.0f} s): "
                "left out",
                CUT,
            )
    return _rows(m, ~bad)


def _rows(m: Measured, keep: NDArray[np.bool_]) -> Measured:
    h = m.history
    return replace(
        m,
        history=LoadHistory(time_s=h.time_s[keep], load_N=h.load_N[keep], temperature_C=h.temperature_C[keep]),
        elongation_mm=m.elongation_mm[keep],
        step=None if m.step is None else m.step[keep],
    )


def _instruments(m: Measured, EA_N: float, found: Say) -> tuple[Measured, bool]:
    """Cell and encoder: clipped, dead, astray. Returns the record up to where a spoke let go, and if it can be used."""
    h, y = m.history, m.elongation_mm
    load = h.load_N
    top = float(load.max())
    elastic_mm = m.gauge_length_mm * top / EA_N
    if faults.clipped(load, y, top):
        found(
            "clipped",
            f"load_N stands at exactly {top:g} N, never above, while the rest is noisy: cell or amplifier "
            "clipped; left out",
            LEFT_OUT,
        )
        return m, False
    if _dead("elongation_mm", y, load, 0.2 * top, h, found):
        return m, False
    for row, change, answer in faults.loads_without_answer(h.time_s, load, y, m.gauge_length_mm, EA_N):
        at = h.time_s[row]
        fell = f"load_N goes from {load[row]:.0f} to {load[row] + change:.0f} N at {at:.0f} s"
        if change < -0.5 * load[row] and answer > 0.2:
            found("let go", f"{fell} while elongation grows by {answer:.2f} mm: the spoke let go; cut there", CUT)
            m = _rows(m, h.time_s <= at)
            break
        found(
            "load cell",
            f"{fell} and elongation does not follow ({answer:+.3f} mm): the cell's zero or its cable; left out",
            LEFT_OUT,
        )
        return m, False
    if _dead("load_N", m.history.load_N, m.elongation_mm, 0.4 * elastic_mm, m.history, found):
        return m, False
    noise_N, noise_mm = faults.noise_of(m.history.load_N), faults.noise_of(m.elongation_mm)
    if noise_N > 0.02 * top:
        found(
            "noise", f"load_N scatters by {noise_N:.0f} N from row to row: creep-test standards hold a load within 1 %"
        )
    if noise_mm > 0.02:
        found("noise", f"elongation_mm scatters by {noise_mm:.3f} mm from row to row: the fit is as vague")
    lowest = float(np.quantile(m.history.load_N, 0.02))
    if lowest < -max(0.01 * top, 5.0 * noise_N):
        found(
            "load zero",
            f"load_N goes down to {lowest:.0f} N, and a spoke cannot push: the cell's zero is off; 0 is taken",
        )
    return m, True


def _dead(column: str, x: Floats, other: Floats, least: float, h: LoadHistory, found: Say) -> bool:
    """Whether one sensor stood still while the other saw the spoke being loaded or unloaded."""
    a, b = faults.longest_same(x)
    if b - a < faults.ALIKE or np.ptp(other[a : b + 1]) <= least:
        return False
    moves = "the load changes" if column == "elongation_mm" else "the elongation changes as with load"
    found(
        "dead sensor",
        f"{column} stands at exactly {x[a]:.6g} from {h.time_s[a]:.0f} to {h.time_s[b]:.0f} s while {moves}: "
        "sensor or cable dead; left out",
        LEFT_OUT,
    )
    return True


def _from_its_zero(m: Measured, EA_N: float, found: Say) -> Measured:
    """Elongation counted from the seated spoke, where it was counted from elsewhere."""
    load, y = m.history.load_N, m.elongation_mm
    seated = np.flatnonzero(load[:200] < SLACK_N)
    if not seated.size or seated[0] > 5:
        return m
    start = float(np.median(y[seated[:5]] - m.gauge_length_mm * np.maximum(load[seated[:5]], 0.0) / EA_N))
    if abs(start) < FARTHEST_ZERO_MM:
        return m
    found(
        "zero",
        f"elongation_mm starts at {start:.3f} mm with hardly any load: counted from elsewhere than the seated spoke; "
        f"{start:.3f} mm is taken off",
        CUT,
    )
    return replace(m, elongation_mm=y - start)


def _breaks(m: Measured, EA_N: float, found: Say) -> tuple[float, ...] | None:
    """Times from which elongation carries an unknown offset; None where the spoke is to be rejected."""
    h, y = m.history, m.elongation_mm
    kept: list[float] = []
    slips = 0
    for j in faults.jumps(h.time_s, h.load_N, y, h.temperature_C, m.gauge_length_mm, EA_N):
        within = f" within {j.end_s - j.start_s:.0f} s" if j.rows > 1 else ""
        at = f"at {j.end_s if j.rows == 1 else j.start_s:.0f} s"
        if abs(j.to_mm) < 0.25 * abs(j.size_mm) and abs(j.size_mm) > 0.1:
            found(
                "restarted zero",
                f"elongation jumps to {j.to_mm:.3f} mm {at}{within} with no change of load: zero restarted; an "
                "unknown offset is fitted from there",
            )
        elif j.size_mm > 0:
            slips += 1
            found(
                "slip",
                f"elongation steps by {j.size_mm:.3f} mm {at}{within} without a change of load: an end fitting "
                "or grip slipped; the step is kept apart from creep",
            )
        else:
            found(
                "step",
                f"elongation steps back by {-j.size_mm:.3f} mm {at}{within} without a change of load; an "
                "unknown offset is fitted from there",
            )
        kept += [j.end_s] if j.rows == 1 else [j.start_s + 1e-6, j.end_s]
    if slips >= 2:
        found("slip", f"{slips} slips: reject this spoke; left out", LEFT_OUT)
        return None
    if not kept:
        for rows in faults.holds(h.time_s, h.load_N):
            rest = y[rows] - m.gauge_length_mm * h.load_N[rows] / EA_N
            faster = faults.speeding_up(h.time_s[rows], rest, h.temperature_C[rows], faults.noise_of(y))
            if faster is not None:
                found(
                    "speeding up",
                    f"at {np.median(h.load_N[rows]):.0f} N creep gets faster ({1000 * faster[0]:.0f} um/h early, "
                    f"{1000 * faster[1]:.0f} um/h towards {h.time_s[rows[-1]]:.0f} s): a fitting gives way, or the "
                    "fibre is near its end; reject this spoke; left out",
                    LEFT_OUT,
                )
                return None
    return tuple(kept)


def _coverage(m: Measured, found: Say) -> None:
    """What the test did not cover."""
    h = m.history
    load = h.load_N
    top = float(load.max())
    under_load_s = _under_load_s(h)
    if under_load_s < 4 * 3600.0:
        found(
            "too short",
            f"only {under_load_s / 3600:.1f} h under load: forecasts beyond a few days rest on experience, "
            "not on this test",
        )
    if top < WHEEL_LOAD_N:
        found(
            "load not reached",
            f"the load never rose above {top:.0f} N: what the spoke does at a wheel's tension is extrapolated",
        )
    rest = longest_rest_s(m)
    if rest < SHOP_SLACK_S:
        long = f"the longest rest after load was {rest / 60:.0f} min" if rest > 0 else "there was no rest after load"
        found(
            "rest",
            f"{long}: recovery beyond that is extrapolated "
            f"(spokes usually lie slack {SHOP_SLACK_S / 60:.0f} min or longer before lacing)",
        )
    if load[0] > 0.3 * top:
        found(
            "start",
            f"the record starts under {load[0]:.0f} N: what happened before is not in it, and a new spoke is assumed",
        )


def _under_load_s(h: LoadHistory) -> float:
    """Time above half the top load, s."""
    held = h.load_N > 0.5 * h.load_N.max()
    return float(np.diff(h.time_s)[held[1:] & held[:-1]].sum())


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
