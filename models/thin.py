"""Log-time thinning: a night of samples becomes a few hundred means, dense after every change of load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.faults import noise_of
from models.history import Measured

Floats = NDArray[np.float64]
PER_DECADE = 12  # means per decade of time since the last change of load
LONGEST_S = 1200.0  # no mean of a night is longer: temperature and drift are followed
MOST_OF_A_HOLD = 400  # means of equal length, at most: those of a test of months are longer
CHANGE = 0.015  # of the top load: a change of load
CHANGE_NOISES = 6.0  # and at least so many sd of the load's noise
REAL_STEP = 4.0  # noises of the step between two means: a change of load that is no noise
MOST_MEANS = 1500  # the work of a fit grows with their cube: a load that wanders is followed less closely


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinned:
    """Means of one spoke's record; load and temperature are taken as linear between them."""

    spoke: str
    gauge_length_mm: float
    time_s: Floats  # (n,) mean time of each bin
    load_N: Floats  # (n,)
    temperature_C: Floats  # (n,)
    elongation_mm: Floats  # (n,)
    count: Floats  # (n,) samples kept in each mean
    since_s: Floats  # (n,) time since the last change of load
    rate_N_per_s: Floats  # (n,) speed of the load where it is moving, else 0
    piece: NDArray[np.intp]  # (n,) 0, 1, ...: counts the unknown steps of elongation before the bin
    noise_mm: float  # sd of one sample of elongation
    load_sd_N: Floats  # (n,) error of each load by the noise of its cell

    @property
    def strain(self) -> Floats:
        """(n,) mean strain."""
        return self.elongation_mm / self.gauge_length_mm


def thin(m: Measured, breaks_s: tuple[float, ...] = ()) -> Thinned:
    """Average a record over bins that restart at every change of load and grow in log time.

    A mean of a curve that goes with log time over a twelfth of a decade differs from the curve at the mean time by
    (ln 10/12)^2/24 = 0.15 % of its change per e-fold, which is neglected.
    """
    h = m.history
    time, load, y = h.time_s, h.load_N, m.elongation_mm
    # 1. blocks of about a second, so that the walk below is short
    block_s = max(1.0, h.duration_s / 50_000)
    starts = _blocks(time, block_s)
    sizes = np.diff(np.append(starts, time.size)).astype(np.float64)
    t_b = np.add.reduceat(time, starts) / sizes
    l_b = np.add.reduceat(load, starts) / sizes
    # 2. walk: a bin ends when load has moved, when it is a twelfth of a decade long, or at a break
    change_N = CHANGE * float(np.abs(load).max())
    change_N = min(max(change_N, CHANGE_NOISES * noise_of(l_b)), 20.0 * change_N)
    longest_s = max(LONGEST_S, h.duration_s / MOST_OF_A_HOLD)
    cuts = _walk(t_b, l_b, change_N, breaks_s, longest_s)
    while cuts.edge.size > MOST_MEANS and change_N < np.abs(load).max():
        change_N *= 1.5
        cuts = _walk(t_b, l_b, change_N, breaks_s, longest_s)
    edges = starts[cuts.edge]
    noise = _noise(y, load)
    kept = ~_glitches(y, edges, noise)
    if not kept.all():
        time, load, y = time[kept], load[kept], y[kept]
        edges = np.searchsorted(np.flatnonzero(kept), edges)
        edges, first = np.unique(edges, return_index=True)
        whole = edges < time.size
        edges, pick = edges[whole], first[whole]
    else:
        pick = np.arange(edges.size)
    count = np.diff(np.append(edges, time.size)).astype(np.float64)
    temperature = h.temperature_C[kept] if not kept.all() else h.temperature_C

    def mean(x: Floats) -> Floats:
        out: Floats = np.add.reduceat(x, edges) / count
        return out

    t, force = mean(time), mean(load)
    moving = cuts.moving[pick]
    rate = np.where(moving, np.abs(np.gradient(force, np.maximum.accumulate(t + 1e-9 * np.arange(t.size)))), 0.0)
    force, load_sd = steadied(force, noise_of(load) ** 2 / count, cuts.event_s[pick], moving)
    return Thinned(
        spoke=m.spoke,
        gauge_length_mm=m.gauge_length_mm,
        time_s=t,
        load_N=force,
        temperature_C=mean(temperature),
        elongation_mm=mean(y),
        count=count,
        since_s=np.maximum(t - cuts.event_s[pick], 0.0),
        rate_N_per_s=rate,
        piece=np.searchsorted(np.asarray(breaks_s), t, side="right").astype(np.intp),
        noise_mm=noise,
        load_sd_N=load_sd,
    )


def steadied(load: Floats, variance: Floats, event_s: Floats, moving: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """(n,) loads without the noise of their cell, as far as it can be told, and (n,) the error that is left (sd).

    A fit takes loads as they are. Where a load stands still its noise would then say that the spoke does not give to
    small changes of load, and the spoke would come out far too stiff. Between two changes a load is therefore taken as
    a random walk seen through the noise (Kalman's filter, and Rauch, Tung and Striebel's smoother, from memory); how
    far it walks is what makes the means most likely, and a load that stands still becomes its mean. Real steps, which
    stand out of the noise, are kept.
    """
    out, sd = load.copy(), np.sqrt(variance)
    step = np.abs(np.diff(load)) > REAL_STEP * np.sqrt(variance[1:] + variance[:-1])
    ends = step | moving[1:] | moving[:-1] | (np.diff(event_s) != 0)
    for at in np.split(np.arange(load.size), np.flatnonzero(ends) + 1):
        if at.size > 1 and (variance[at] > 0).all():
            out[at], sd[at] = _smoothed(load[at], variance[at])
    return out, sd


def _smoothed(x: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Local level of a noisy series and its sd; the variance of its steps is the likeliest of a row of them."""
    steps = np.concatenate([[0.0], float(np.median(variance)) * 10.0 ** np.arange(-4.0, 0.6, 0.5)])
    level, spread = np.full((x.size, steps.size), x[0]), np.full((x.size, steps.size), variance[0])
    unlikely = np.zeros(steps.size)
    for i in range(1, x.size):
        before = spread[i - 1] + steps
        total = before + variance[i]
        miss = x[i] - level[i - 1]
        level[i] = level[i - 1] + before / total * miss
        spread[i] = before * variance[i] / total
        unlikely += np.log(total) + miss * miss / total
    best = int(np.argmin(unlikely))
    m, p = level[:, best], spread[:, best]
    for i in range(x.size - 2, -1, -1):
        gain = p[i] / (p[i] + steps[best])
        m[i] += gain * (m[i + 1] - m[i])
        p[i] += gain * gain * (p[i + 1] - p[i] - steps[best])
    return m, np.sqrt(np.maximum(p, 0.0))


def _blocks(time: Floats, block_s: float) -> NDArray[np.intp]:
    bins = np.floor((time - time[0]) / block_s)
    new = np.concatenate([[True], np.diff(bins) > 0])
    if time.size > 1 and np.diff(time).min() > 0.5 * block_s:  # already at about one sample a block, ramps included
        return np.arange(time.size)
    return np.flatnonzero(new)


@dataclass(frozen=True, slots=True)
class _Cuts:
    edge: NDArray[np.intp]  # first block of each bin
    event_s: Floats  # last change of load before the bin
    moving: NDArray[np.bool_]


def _walk(time: Floats, load: Floats, change_N: float, breaks_s: tuple[float, ...], longest_s: float) -> _Cuts:
    ratio = 10.0 ** (1.0 / PER_DECADE)
    edge: list[int] = [0]
    event: list[float] = [float(time[0])]
    moving: list[bool] = [False]
    level, event_s, end_s = float(load[0]), float(time[0]), float(time[0])
    pending = [b for b in breaks_s if b > time[0]]
    steps = np.diff(load)
    noise = 1.4826 * float(np.median(np.abs(steps))) / np.sqrt(2.0) if steps.size else 0.0
    quiet_N = min(max(0.1 * change_N, 4.0 * noise), 0.5 * change_N)
    loads = load.tolist()
    for i, (t, force) in enumerate(zip(time.tolist(), loads, strict=True)):
        if i == 0:
            end_s = t
            continue
        changed = abs(force - level) > change_N
        broke = bool(pending) and t >= pending[0]
        if broke:
            pending.pop(0)
        if changed and not moving[-1]:
            # load is taken as linear between means: the last still block stands alone, and so does each one after it
            still = i - 1
            while still > edge[-1] and abs(loads[still] - level) > quiet_N:
                still -= 1
            for j in range(max(still, edge[-1] + 1), i):
                edge.append(j)
                event.append(event_s)
                moving.append(j > still)
        if changed:
            level, event_s = force, t
        if changed or broke or t > end_s:
            edge.append(i)
            event.append(event_s)
            moving.append(changed)
            since = t - event_s
            end_s = t if changed else t + min(max(since * (ratio - 1.0), 0.0), longest_s)
            if not changed:
                level += 0.3 * (force - level)
    return _Cuts(np.array(edge, dtype=np.intp), np.array(event), np.array(moving))


def _noise(y: Floats, load: Floats) -> float:
    still = np.abs(np.diff(load)) < 0.005 * np.abs(load).max()
    steps = np.diff(y)[still]
    if steps.size < 10:
        return 1e-3
    second = np.diff(steps)
    return float(max(1.4826 * np.median(np.abs(second - np.median(second))) / np.sqrt(6.0), 1e-5))


def _glitches(y: Floats, edges: NDArray[np.intp], noise: float) -> NDArray[np.bool_]:
    """Samples far from the middle of both their neighbours, alone or in pairs: a spike of the sensor."""
    bad = np.zeros(y.size, dtype=bool)
    if y.size < 7:
        return bad
    limit = max(10.0 * noise, 0.01)
    left = np.maximum(y[:-4], y[1:-3])
    right = np.maximum(y[4:], y[3:-1])
    low = np.minimum(np.minimum(y[:-4], y[1:-3]), np.minimum(y[4:], y[3:-1]))
    high = np.maximum(left, right)
    at = y[2:-2]
    bad[2:-2] = (at > high + limit) | (at < low - limit)
    if bad.mean() > 0.02:  # not glitches, then: leave the record alone
        return np.zeros(y.size, dtype=bool)
    return bad
