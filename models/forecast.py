"""What one new spoke of a batch will do: bands of strain under a load history, or of tension under a chord history."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.batch import Batch, draw_chains
from models.chain import Chain, advance, total_strain, virgin
from models.history import LoadHistory
from models.simulate import load_under_chord

Floats = NDArray[np.float64]
SEAT_N = 20.0  # a new spoke is seated at this load; strain and chord count from there
PERCENTILES = (5.0, 50.0, 95.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """Percentiles at each time, over batch uncertainty and spoke-to-spoke spread, without reading noise."""

    time_s: Floats  # (n,)
    p05: Floats  # (n,) strain (a ratio), or tension in N
    p50: Floats
    p95: Floats

    def as_dict(self) -> dict[str, list[float]]:
        """The band as contracts write it."""
        return {k: getattr(self, k).tolist() for k in ("p05", "p50", "p95")}


def _bands(time_s: Floats, draws: Floats) -> Bands:
    low, middle, high = np.percentile(draws, PERCENTILES, axis=1)
    return Bands(time_s=time_s, p05=low, p50=middle, p95=high)


def _seated(batch: Batch, rng: np.random.Generator, draws: int, temperature_C: float) -> tuple[Chain, Floats]:
    """New spokes of shape (draws,) and their total strain when just seated."""
    chain = draw_chains(batch, rng, draws, 1).take((slice(None), 0))
    state, _ = advance(chain, virgin(chain), 0.0, 0.0, SEAT_N, temperature_C)
    return chain, total_strain(chain, state, SEAT_N, temperature_C)


def coarsen(history: LoadHistory, load_N: float = 0.5, temperature_C: float = 0.05) -> NDArray[np.intp]:
    """Rows of a history that matter: ends, and rows where load or temperature leaves the last kept one.

    Rows in between are kept at least sixteen to a decade of time since the last change of load.
    """
    t, load, th = history.time_s, history.load_N, history.temperature_C
    if t.size <= 400:
        return np.arange(t.size)
    keep = [0]
    event = t[0]
    for i, (a, force, c) in enumerate(zip(t.tolist(), load.tolist(), th.tolist(), strict=True)):
        j = keep[-1]
        if abs(force - load[j]) > load_N or abs(c - th[j]) > temperature_C:
            if i - 1 > j:
                keep.append(i - 1)
            if i > keep[-1]:
                keep.append(i)
            if abs(force - load[j]) > load_N:
                event = a
        elif a - t[j] > 0.15 * max(t[j] - event, 0.0) + 1.0:
            keep.append(i)
    if keep[-1] != t.size - 1:
        keep.append(t.size - 1)
    return np.array(keep, dtype=np.intp)


def strain_bands(batch: Batch, history: LoadHistory, rng: np.random.Generator, draws: int = 2000) -> Bands:
    """Strain of one new spoke under a load history (load linear between rows), from the seated state.

    Returns
    -------
    Bands at the rows of the history.
    """
    chain, zero = _seated(batch, rng, draws, float(history.temperature_C[0]))
    load, th, time = history.load_N, history.temperature_C, history.time_s
    rows = coarsen(history)
    state, _ = advance(chain, virgin(chain), 0.0, 0.0, SEAT_N, float(th[0]))
    state, _ = advance(chain, state, 0.0, SEAT_N, load[0], float(th[0]))
    out = np.empty((rows.size, draws))
    out[0] = total_strain(chain, state, load[0], th[0])
    top = max(float(np.abs(load).max()), 1.0)
    for k in range(1, rows.size):
        i, j = rows[k - 1], rows[k]
        dt = time[j] - time[i]
        # temperature and the bedding target are taken as linear over a part
        parts = int(np.clip(np.ceil(max(abs(load[j] - load[i]) / (0.1 * top), abs(th[j] - th[i]) / 1.0)), 1, 24))
        edge = np.linspace(0.0, 1.0, parts + 1)
        for a, b in itertools.pairwise(edge):
            at = [load[i] + (load[j] - load[i]) * x for x in (a, b)]
            middle = float(th[i] + (th[j] - th[i]) * 0.5 * (a + b))
            state, _ = advance(chain, state, float(dt * (b - a)), at[0], at[1], middle)
        out[k] = total_strain(chain, state, load[j], th[j])
    out -= zero
    full = _bands(time[rows], out)
    if rows.size == time.size:
        return full
    # between kept rows the strain follows log time so closely that a straight line serves
    return Bands(
        time_s=time,
        p05=np.interp(time, full.time_s, full.p05),
        p50=np.interp(time, full.time_s, full.p50),
        p95=np.interp(time, full.time_s, full.p95),
    )


def tension_bands(
    batch: Batch,
    time_s: Floats,
    chord_mm: Floats,
    temperature_C: Floats,
    gauge_length_mm: float,
    rng: np.random.Generator,
    draws: int = 1000,
) -> Bands:
    """Tension in N of one new spoke held to a chord history (change of chord from the seated length, mm)."""
    chain, zero = _seated(batch, rng, draws, float(temperature_C[0]))
    state, _ = advance(chain, virgin(chain), 0.0, 0.0, SEAT_N, float(temperature_C[0]))
    strain = chord_mm[:, None] / gauge_length_mm + zero
    load, _ = load_under_chord(
        chain, time_s, strain, temperature_C, state=state, load0_N=np.full(draws, SEAT_N), tolerance_N=0.1
    )
    return _bands(time_s, load)


def beyond(batch: Batch, bands: Bands, load: LoadHistory | None, temperature_C: Floats) -> list[str]:
    """How far a forecast reaches beyond what the batch's test covered: in decades of time, in load, in temperature."""
    covers = batch.covers
    notes = []
    longest = covers.get("longest_hold_s")
    span = float(bands.time_s[-1] - bands.time_s[0])
    if longest and span > 1.1 * float(longest):
        notes.append(
            f"reaches {np.log10(span / float(longest)):.1f} decades of time beyond the longest hold of the test "
            f"({float(longest) / 3600:.1f} h): extrapolated, the band widens accordingly"
        )
    highest = covers.get("load_N")
    peak = float(load.load_N.max()) if load is not None else float(bands.p50.max())
    if highest and peak > 1.02 * float(highest[1]):
        notes.append(f"goes to {peak:.0f} N; the test saw {float(highest[1]):.0f} N at most: extrapolated")
    seen = covers.get("temperature_C")
    if seen:
        low, high, least, most = (float(x) for x in (temperature_C.min(), temperature_C.max(), *seen))
        if low < least - 3.0 or high > most + 3.0:
            notes.append(
                f"goes from {low:.0f} to {high:.0f} degC; the test saw {least:.0f} to {most:.0f} degC: the effect of "
                "temperature is from experience"
            )
    if not covers:
        notes.append("the batch file does not say what its test covered: how far this reaches beyond is unknown")
    return notes
