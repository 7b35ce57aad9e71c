"""From a batch and the records it was fitted to, to what the pictures show of each spoke: measured, fitted, to come."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.batch import Batch, draw_chains
from models.chain import Chain, advance, elastic_strain, thermal_strain, total_strain, virgin
from models.history import LoadHistory
from models.table import SLACK_N, Record
from models.thin import Thinned, thin
from tui.pictures import Hold

Floats = NDArray[np.float64]
AHEAD_S = 7 * 86400.0
AHEAD_POINTS = 24
DRAWS = 400
LEAST_SD = 0.01  # a spoke's own scales are never held tighter to the batch than this
NOISE_MM = 5e-4  # of a mean, drift included
NEAR = 0.01  # of the load: the same hold


@dataclass(frozen=True, slots=True, kw_only=True)
class SpokeFit:
    """One spoke's own scales about the batch's middle spoke, and what they give at each of its means."""

    thinned: Thinned
    scales: Floats  # (4,) elastic, recoverable, bedding, flow
    fitted_mm: Floats  # (n,)


def _history(t: Thinned) -> LoadHistory:
    return LoadHistory.of(t.time_s, t.load_N, t.temperature_C)


def _parts(chain: Chain, history: LoadHistory) -> Floats:
    """(n, 4) strain of each part of one spoke along a history."""
    state, _ = advance(chain, virgin(chain), 0.0, 0.0, history.load_N[0], float(history.temperature_C[0]))
    rows = []
    for i in range(history.time_s.size):
        if i:
            dt_s = float(history.time_s[i] - history.time_s[i - 1])
            mean_C = float(history.temperature_C[i - 1 : i + 1].mean())
            state, _ = advance(chain, state, dt_s, history.load_N[i - 1], history.load_N[i], mean_C)
        elastic = float(elastic_strain(chain, history.load_N[i]))
        rows.append((elastic, state.recoverable.sum(), state.bedding.sum(), state.flow.sum()))
    return np.array(rows, dtype=np.float64)


def fit_of_spoke(batch: Batch, record: Record) -> SpokeFit:
    """A spoke's own scales by least squares, held to the batch's spread; its zero is free at each unknown step."""
    t = thin(record.measured, record.breaks_s)
    parts = _parts(batch.chain, _history(t))
    thermal = np.array([float(thermal_strain(batch.chain, c)) for c in t.temperature_C])
    still = t.rate_N_per_s == 0
    zeros = np.eye(int(t.piece.max()) + 1)[t.piece]
    design = np.hstack([parts, zeros])
    sd = np.maximum(batch.spread.log_sd, LEAST_SD)
    weight = NOISE_MM / t.gauge_length_mm
    hold = np.hstack([np.diag(1.0 / sd), np.zeros((4, zeros.shape[1]))])
    left = np.vstack([design[still] / weight, hold])
    right = np.concatenate([(t.strain - thermal)[still] / weight, 1.0 / sd])
    solution, *_ = np.linalg.lstsq(left, right, rcond=None)
    return SpokeFit(thinned=t, scales=solution[:4], fitted_mm=t.gauge_length_mm * (design @ solution + thermal))


def _longest_stretch(t: Thinned, wanted: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Rows of the longest unbroken stretch at one load in which ``wanted`` holds."""
    rows = np.flatnonzero(wanted & (t.rate_N_per_s == 0))
    breaks = np.flatnonzero((np.diff(rows) > 1) | (np.diff(t.since_s[rows]) <= 0)) + 1
    stretches = [s for s in np.split(rows, breaks) if s.size]
    if not stretches:
        return rows
    return max(stretches, key=lambda s: float(t.time_s[s[-1]] - t.time_s[s[0]]))


def _to_come(batch: Batch, t: Thinned, end: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """(m,) times since the present hold began and (3, m) growth of strain from row ``end`` on: 5, 50, 95 %."""
    history = _history(t)
    chain = draw_chains(batch, rng, DRAWS, 1).take((slice(None), 0))
    state, _ = advance(chain, virgin(chain), 0.0, 0.0, history.load_N[0], float(history.temperature_C[0]))
    for i in range(1, end + 1):
        dt_s = float(history.time_s[i] - history.time_s[i - 1])
        mean_C = float(history.temperature_C[i - 1 : i + 1].mean())
        state, _ = advance(chain, state, dt_s, history.load_N[i - 1], history.load_N[i], mean_C)
    load_N, at_C = history.load_N[end], float(history.temperature_C[end])
    start = total_strain(chain, state, load_N, at_C)
    since_s = np.geomspace(max(float(t.since_s[end]), 1.0), AHEAD_S, AHEAD_POINTS)
    growth = [np.zeros(3)]
    for before, after in itertools.pairwise(since_s):
        state, _ = advance(chain, state, float(after - before), load_N, load_N, at_C)
        growth.append(np.percentile(total_strain(chain, state, load_N, at_C) - start, (5.0, 50.0, 95.0)))
    return since_s, np.array(growth).T


def holds(batch: Batch, records: Sequence[Record], rng: np.random.Generator) -> tuple[list[Hold], list[Hold]]:
    """The longest hold at each spoke's highest load, with the creep to come; its longest recovery, if any."""
    loaded, recovered = [], []
    for record in records:
        fit = fit_of_spoke(batch, record)
        t = fit.thinned
        rows = _longest_stretch(t, t.load_N > (1.0 - NEAR) * t.load_N.max())
        if rows.size > 2:
            since_s, growth = _to_come(batch, t, int(rows[-1]), rng)
            ahead = fit.fitted_mm[rows[-1]] + t.gauge_length_mm * growth
            loaded.append(_hold(fit, rows, since_s, ahead))
        rested = np.maximum.accumulate(t.load_N) > 2.0 * SLACK_N  # a rest before the first load is no recovery
        rows = _longest_stretch(t, rested & (t.load_N < SLACK_N))
        if rows.size > 2:
            recovered.append(_hold(fit, rows, np.empty(0), np.empty((3, 0))))
    return loaded, recovered


def _hold(fit: SpokeFit, rows: NDArray[np.intp], ahead_s: Floats, ahead_mm: Floats) -> Hold:
    t = fit.thinned
    return Hold(
        spoke=t.spoke,
        load_N=round(float(np.median(t.load_N[rows]))),
        since_s=np.maximum(t.since_s[rows], 0.1),
        measured_mm=t.elongation_mm[rows],
        fitted_mm=fit.fitted_mm[rows],
        ahead_s=ahead_s,
        ahead_mm=ahead_mm,
    )
