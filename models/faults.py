"""What instruments and fittings do to a record: spikes, dead sensors, clipped cells, steps, gaps; found, not judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
FIBRE_EXPANSION_PER_K = -12e-6  # from data sheets
LEAST_STEP_MM = 0.02
SLOWEST_STEP_S = 300.0  # a step is over within this
SPANS_S = (1.0, 3.0, 10.0, 30.0, 60.0, 120.0, 240.0)  # looked at beside the step from one row to the next
ALIKE = 50  # rows that repeat one value exactly, and more: a sensor that is dead or at its end


@dataclass(frozen=True, slots=True, kw_only=True)
class Jump:
    """A step of elongation that neither the load nor creep explains."""

    start_s: float  # last row before it
    end_s: float  # first row after it
    size_mm: float
    to_mm: float  # elongation after it
    rows: int  # that it took: 1 from one row to the next


def noise_of(y: Floats) -> float:
    """Sd of one sample from second differences, which a slow curve hardly touches; at least 0."""
    if y.size < 5:
        return 0.0
    second = np.diff(y, 2)
    return float(1.4826 * np.median(np.abs(second - np.median(second))) / np.sqrt(6.0))


def spikes(x: Floats, least: float) -> Bools:
    """Samples that stand out from the two before and the two after them, alone or in pairs, by more than ``least``.

    A step, a ramp or a corner is no spike: of the four neighbours two are then on the sample's own side. The first two
    and the last two stand beside the four next to them, and must stand out from them by five times their range.
    """
    bad = np.zeros(x.size, dtype=bool)
    if x.size < 7:
        return bad
    near = np.sort(np.stack([x[:-4], x[1:-3], x[3:-1], x[4:]]), axis=0)
    limit = max(least, 10.0 * noise_of(x))
    bad[2:-2] = (x[2:-2] > near[2] + limit) | (x[2:-2] < near[1] - limit)
    for end, beside in ((slice(0, 2), x[2:6]), (slice(-2, None), x[-6:-2])):
        bad[end] = np.abs(x[end] - np.median(beside)) > limit + 5.0 * np.ptp(beside)
    return bad


def longest_same(x: Floats) -> tuple[int, int]:
    """First and last row of the longest run of one exact value."""
    change = np.flatnonzero(np.diff(x) != 0)
    starts = np.concatenate([[0], change + 1])
    ends = np.concatenate([change, [x.size - 1]])
    i = int(np.argmax(ends - starts))
    return int(starts[i]), int(ends[i])


def clipped(load: Floats, y: Floats, top: float) -> bool:
    """Whether the highest load is the end of the cell's or the amplifier's range, not a load that was held."""
    # dead quiet at the top, noisy where it was held or at rest below it
    high, below = load[load > 0.97 * top], load[load < 0.97 * top]
    if high.size >= ALIKE and below.size >= ALIKE and noise_of(below) > 0:
        at_top = float((high == top).mean())
        if (at_top >= 0.5 and np.unique(high).size >= 5) or at_top > 0.9:
            return True
    # a flat top that begins while the spoke is still being pulled at the same speed
    first = int(np.argmax(load >= top))
    k = max(3, first // 20)
    if first > 3 * k and first + k < load.size and (load[first : first + k] == top).all():
        before, after = y[first] - y[first - k], y[first + k] - y[first]
        noisy = np.diff(load[: max(first - k, 2)])
        return bool(after > 0.8 * before > 0 and before > 0.02 and np.unique(np.round(noisy, 9)).size > k)
    return False


def loads_without_answer(
    time: Floats, load: Floats, y: Floats, length_mm: float, EA_N: float
) -> list[tuple[int, float, float]]:
    """Steps of load between two quiet stretches that elongation does not follow: (row, change in N, answer in mm)."""
    out: list[tuple[int, float, float]] = []
    n = load.size
    if n < 16:
        return out
    top = float(load.max())
    quiet = max(0.005 * top, 6.0 * noise_of(load))
    windows = np.lib.stride_tricks.sliding_window_view(load, 4)
    still = np.ptp(windows, axis=1) < quiet  # of rows i to i + 3
    for w in (1, 2, 4):
        i = np.arange(3, n - w - 3)
        change = load[i + w] - load[i]
        sudden = (np.abs(change) > max(0.03 * top, 2.0 * quiet)) & still[i - 3] & still[i + w]
        for k in i[sudden & (time[i + w] - time[i] < SLOWEST_STEP_S)]:
            if out and k - out[-1][0] <= 6:
                continue
            answer = float(np.median(y[k + w : k + w + 4]) - np.median(y[k - 3 : k + 1]))
            expected = length_mm * change[k - 3] / EA_N
            if answer * np.sign(expected) < 0.25 * abs(expected):
                out.append((int(k), float(change[k - 3]), answer))
    return sorted(out)


def jumps(time: Floats, load: Floats, y: Floats, temperature_C: Floats, length_mm: float, EA_N: float) -> list[Jump]:
    """Steps of elongation, from one row to the next or within a few minutes, that load and creep do not explain.

    Creep slows down between changes of load, so that the same span just before any row moved more than the span after
    it; a step stands out from both its neighbours.
    """
    moving = np.abs(np.diff(load)) > 0.005 * load.max()
    if moving.all() or y.size < 12:
        return []
    rest = y - length_mm * (load / EA_N + FIBRE_EXPANSION_PER_K * (temperature_C - temperature_C[0]))
    near = np.concatenate([[True], np.convolve(moving, np.ones(7), mode="same") > 0.5])  # of the row and the one before
    one = np.diff(rest)[~moving]
    noise = max(1.4826 * float(np.median(np.abs(one - np.median(one)))), 1.4 * noise_of(rest))
    limit = max(12.0 * noise, LEAST_STEP_MM)
    found = _next_row(time, rest, near, limit)
    for span_s in SPANS_S:
        found += _within(span_s, time, rest, load, limit)
    # the shortest stretch that holds nearly all of a step tells where it is
    best: list[tuple[int, int, float]] = []  # first row, last row, size
    found.sort(key=lambda f: (float(time[f[1]] - time[f[0]]), -abs(f[2])))
    for a, b, size in found:
        same = next((k for k, other in enumerate(best) if a <= other[1] + 2 and other[0] <= b + 2), None)
        if same is None:
            best.append((a, b, size))
        elif abs(size) > 1.25 * abs(best[same][2]) and size * best[same][2] > 0:
            best[same] = (a, b, size)
    out = [
        Jump(
            start_s=float(time[a]),
            end_s=float(time[b]),
            size_mm=size,
            to_mm=float(np.median(y[b : b + 3])),
            rows=b - a,
        )
        for a, b, size in sorted(best)
    ]
    return [j for k, j in enumerate(out) if not _and_back(out, k) and not _across_a_gap(j, time)]


def _next_row(time: Floats, rest: Floats, near: Bools, limit: float) -> list[tuple[int, int, float]]:
    """Steps from one row to the next that stand out from those of the six rows before and after."""
    change = np.diff(rest)
    out = []
    for k in np.flatnonzero((np.abs(change) > limit) & ~near[:-1] & ~near[1:] & (np.diff(time) < 600.0)):
        beside = np.concatenate([change[max(0, k - 6) : k], change[k + 1 : k + 7]])
        creep = float(np.sort(np.abs(beside))[-2])  # one of them may be the way back
        if abs(change[k]) > 4.0 * creep:
            out.append((int(k), int(k) + 1, float(change[k])))
    return out


def _within(span_s: float, time: Floats, rest: Floats, load: Floats, limit: float) -> list[tuple[int, int, float]]:
    """Steps within a span that stand out from what the same time before and the same time after did."""
    a = np.arange(time.size)
    b = np.searchsorted(time, time + span_s)
    a, b = a[b < time.size], b[b < time.size]
    took = time[b] - time[a]
    before, after = np.searchsorted(time, time[a] - took, side="right") - 1, np.searchsorted(time, time[b] + took)
    whole = (b > a + 1) & (took < SLOWEST_STEP_S) & (before >= 0) & (after < time.size)
    a, b, before, after = a[whole], b[whole], before[whole], after[whole]
    change = rest[b] - rest[a]
    creep = np.maximum(np.abs(rest[a] - rest[before]), np.abs(rest[after] - rest[b]))
    hit = np.abs(change) > np.maximum(limit, 4.0 * creep)
    a, b, before, after = (rows[hit] for rows in (a, b, before, after))
    change = change[hit]
    looked_at = (before + np.linspace(0.0, 1.0, 25)[:, None] * (after - before)).round().astype(np.intp)
    hit = np.ptp(load[looked_at], axis=0) < max(0.01 * float(load.max()), 8.0 * noise_of(load))
    return [(int(i), int(j), float(c)) for i, j, c in zip(a[hit], b[hit], change[hit], strict=True)]


def _across_a_gap(j: Jump, time: Floats) -> bool:
    """Whether rows are missing just there (a spoke slack between two touches), and no restarted zero explains it."""
    at = int(np.searchsorted(time, j.start_s))
    usual = float(np.median(np.diff(time[max(0, at - 6) : at + 8])))
    restarted = abs(j.to_mm) < 0.25 * abs(j.size_mm)
    return j.rows == 1 and j.end_s - j.start_s > 4.0 * max(usual, 1e-9) and not restarted


def _and_back(found: list[Jump], k: int) -> bool:
    """Whether a step is undone within a few rows: a spike of some rows, no step."""
    for j in (k - 1, k + 1):
        if 0 <= j < len(found):
            a, b = found[k], found[j]
            close = abs(b.start_s - a.start_s) < 3.0 * max(a.end_s - a.start_s, b.end_s - b.start_s)
            if close and abs(a.size_mm + b.size_mm) < 0.3 * abs(a.size_mm):
                return True
    return False


def speeding_up(time: Floats, rest: Floats, temperature_C: Floats, noise_mm: float) -> tuple[float, float] | None:
    """Rates of creep in mm/h early and late in one hold, where it gets clearly faster at one load and temperature."""
    span = float(time[-1] - time[0])
    if span < 3600.0 or np.ptp(temperature_C) > 3.0:
        return None
    rates = []
    for a, b in ((0.25, 0.5), (0.75, 1.0)):
        part = (time >= time[0] + a * span) & (time <= time[0] + b * span)
        if part.sum() < 5:
            return None
        rates.append(float(np.polyfit(time[part] - time[0], rest[part], 1)[0]))
    early, late = rates
    gained = (late - early) * 0.25 * span
    if late > 1.5 * max(early, 0.0) and gained > max(LEAST_STEP_MM, 10.0 * noise_mm):
        return 3600.0 * early, 3600.0 * late
    return None


def holds(time: Floats, load: Floats) -> list[NDArray[np.intp]]:
    """Rows of each stretch above half the top load in which it stays within 2 %; at most some thousand rows."""
    rows = np.unique(np.linspace(0, load.size - 1, min(load.size, 4000)).round().astype(np.intp))
    top = float(load.max())
    out: list[list[int]] = []
    level = -np.inf
    for i, force in zip(rows.tolist(), load[rows].tolist(), strict=True):
        if force < 0.5 * top:
            level = -np.inf
        elif abs(force - level) > 0.02 * top:
            level = force
            out.append([i])
        else:
            out[-1].append(i)
    return [np.array(h, dtype=np.intp) for h in out if time[h[-1]] - time[h[0]] > 0 and len(h) > 20]


def woven(y: Floats) -> int | None:
    """How many records stand interleaved in one, where rows some way apart agree better than neighbours; else None."""
    if y.size < 200:
        return None
    step = float(np.median(np.abs(np.diff(y))))
    if step < LEAST_STEP_MM / 2:
        return None
    for k in range(2, 33):
        if float(np.median(np.abs(y[k:] - y[:-k]))) < 0.2 * step:
            return k
    return None


def gaps(time: Floats, load: Floats) -> list[tuple[float, float]]:
    """Stretches without rows that hide something: an hour or more, or five minutes across a change of load."""
    dt = np.diff(time)
    usual = float(np.median(dt)) if dt.size else 0.0
    moved = np.abs(np.diff(load)) > 0.1 * load.max()
    hidden = (dt > 20.0 * usual) & ((dt > 3600.0) | ((dt > 300.0) & moved))
    return [(float(time[i]), float(time[i + 1])) for i in np.flatnonzero(hidden)]
