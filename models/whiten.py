"""Errors of a record's means (noise, drift, what the law gets wrong), and data and columns whitened with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dtrtri

from models import basis as bs
from models.thin import Thinned

Floats = NDArray[np.float64]
EXPANSION_PER_K = -12e-6  # of the fibre, from data sheets; what the frame adds is fitted apart
SYNCHRONY_S = 0.05  # load and elongation of one row may be so far apart in time
FLOOR_MM = 2e-4
DOUBT_MM = 10.0  # of a mean that is set aside
SOFTER_WHEN_SLACK = 2.0  # a braid that is hardly loaded gives so much more to a small change of load, and
FIRM_FROM_N = 80.0  # over some three times this load no more: noise of the load cell is an error of strain by that much
SLACK_N = 40.0  # below it a braid counts as slack
# A slack braid may give back part of its bedding over hours (published for braided sutures: gone within a day), of
# which the chain knows nothing. Left out, it is taken for recoverable modes and the slow ones come out far too small.
SLACK_LOSS_TAU_S = (1e4, 2e4, 4e4)
PACKED_AGAIN = 0.9  # of the highest load so far: what was given back is packed again
# of a usual bedding-in of 1e-3: between none and a fifth, the two cases that design names
SLACK_LOSS_MEAN = 1.0e-4
SLACK_LOSS_SD = 1.2e-4
DRIFT_MM = 1.0e-3  # of the instrument over 12 h
LAW_DRIFT_MM = 1.0e-3  # the same for what the law gets wrong
LOAD_CURVE = 0.0035  # of the elastic strain: how far the true elastic curve may leave the law's, in all spokes alike
BEDDING_CURVE = 0.012  # the same while the load is the highest so far
OWN_CURVE = 0.4  # of both, in each spoke for itself
CURVE_N = 400.0  # loads nearer than this are wrong alike
CURVE_WAVES = 4  # of the shapes that such a curve takes, the largest: eight tenths of its variance
FRAME_EXPANSION_SD_PER_K = 8e-6  # beside the fibre's own
# bedding-in that goes on under the highest load so far is only roughly a sum of one-way modes: what it leaves walks on
# with the logarithm of time, by nearly what packs slowly (a tenth of 1e-3 in a decade), and must not pass for flow,
# which would go on as it is; creep at lower loads and recovery are free of it. All spokes share one such walk, and each
# takes one of its own besides
PACKING_STRAIN = 8.0e-5  # for a root decade at 1000 N, and in proportion to load
OWN_PACKING_STRAIN = 2.2e-5
PACKING_WAVES = 5  # of the walk's own shapes, the largest: 96 % of its variance
SHARED = 1 + PACKING_WAVES + 2 * CURVE_WAVES  # what all spokes share: the frame's warmth, packing, curves over load
REMAINDER_MM = (0.2e-3, 0.4e-3, 0.8e-3, 1.6e-3, 3.2e-3, 6.4e-3, 12.8e-3)
REMAINDER_DECADES = 0.6
EACH_SPOKE = ("real", "load_N", "recoverable", "squared", "dt_s", "flow_shift", "warmth", "warmer_K", "activation")


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """Of one spoke's mean strains: (n, n) covariances whose sum is that of the whole."""

    own: Floats  # of this spoke's record alone
    law: Floats  # of what the law gets wrong, but for the remainder
    near: Floats  # of a correlated remainder of 1 mm

    def covariance(self, remainder_mm: float, alike: int = 1) -> Floats:
        """(n, n) of the errors of one spoke's mean strains.

        What the law gets wrong it gets wrong in all spokes alike, and more spokes do not average it out: with ``alike``
        spokes its variance in each is taken that many times, so that their mean keeps it.
        """
        out: Floats = self.own + alike * (self.law + remainder_mm**2 * self.near)
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Data:
    """Whitened data of S spokes: everything that does not change during a fit."""

    spokes: tuple[Thinned, ...]
    errors: tuple[Errors, ...]
    basis: bs.Basis
    use: NDArray[np.bool_]  # (S, n) means that count
    root: Floats  # (S, n, n) inverse Cholesky factor of the error's covariance (strain); zero rows where unused
    strain: Floats  # (S, n) as measured, what is given back while slack put back, the fibre's own expansion taken off
    common: Floats  # (S, n, W) strain for one sd of what all spokes share: see SHARED
    y: Floats  # (S, n) whitened strain
    recoverable: Floats  # (S, n, K) whitened
    squared: Floats  # (S, n, K) whitened
    bedding: Floats  # (M, S, n, J) whitened
    one: Floats  # (S, n)
    shared: Floats  # (S, n, W) whitened
    at_N: float  # load at which flow is stated
    log_det: float
    EA_N: float  # about; scales the errors
    remainder_mm: float


def _coordinate(s: Thinned) -> Floats:
    """Distance along the record in decades of time since the last change of load."""
    dt = np.diff(s.time_s, prepend=s.time_s[0])
    out: Floats = np.cumsum(np.minimum(dt / (2.303 * np.maximum(s.since_s, 1.0)), 0.1))
    return out


def slack_loss(s: Thinned, tau_s: float) -> Floats:
    """(n,) share of its bedding that a braid may have given back: it grows while slack, stays until packed anew."""
    out = np.zeros(s.time_s.size)
    share, top_N = 0.0, 0.0
    for i in range(1, out.size):
        if s.load_N[i] < SLACK_N < top_N:
            share -= (1.0 - share) * float(np.expm1(-(s.time_s[i] - s.time_s[i - 1]) / tau_s))
        elif s.load_N[i] >= PACKED_AGAIN * top_N:
            share = 0.0
        top_N = max(top_N, float(s.load_N[i]))
        out[i] = share
    return out


def _packs(s: Thinned) -> NDArray[np.bool_]:
    """(n,) whether the load is the highest so far: then a braid packs."""
    out: NDArray[np.bool_] = s.load_N > 0.98 * np.maximum.accumulate(s.load_N)
    return out


def packed_decades(s: Thinned) -> Floats:
    """(n,) decades of time under the highest load so far, counted by the square of the load over 1000 N."""
    packs = _packs(s) & (s.rate_N_per_s == 0)
    out: Floats = np.cumsum(np.diff(_coordinate(s), prepend=0.0) * np.where(packs, s.load_N / 1000.0, 0.0) ** 2)
    return out


def errors_of(s: Thinned, EA_N: float, doubtful: NDArray[np.bool_] | None = None) -> Errors:
    """What is wrong with one spoke's means: noise, drift, curves over load, packing, and what the law gets wrong.

    ``doubtful``: (n,) means that say nothing.
    """
    length = s.gauge_length_mm
    give_mm_per_N = length / EA_N * (1.0 + SOFTER_WHEN_SLACK * np.exp(-np.maximum(s.load_N, 0.0) / FIRM_FROM_N))
    load = (s.rate_N_per_s * SYNCHRONY_S / EA_N * length) ** 2 + (s.load_sd_N * give_mm_per_N) ** 2
    white = s.noise_mm**2 / s.count + FLOOR_MM**2 + load
    if doubtful is not None:
        white = white + DOUBT_MM**2 * doubtful
    z = _coordinate(s)
    near = np.exp(-np.abs(z[:, None] - z) / REMAINDER_DECADES)
    like = np.exp(-np.abs(s.load_N[:, None] - s.load_N) / CURVE_N)
    drift = DRIFT_MM**2 / 43200.0 * np.minimum(s.time_s[:, None], s.time_s)
    virgin = _packs(s)
    curve = (OWN_CURVE * s.load_N.max() / EA_N * length) ** 2 * like
    curve *= LOAD_CURVE**2 + BEDDING_CURVE**2 * np.outer(virgin, virgin)
    walked = packed_decades(s)
    own = np.diag(white) + curve + (OWN_PACKING_STRAIN * length) ** 2 * np.minimum(walked[:, None], walked) + drift
    for k in range(1, int(s.piece.max()) + 1):
        after = (s.piece >= k).astype(np.float64)
        own += np.outer(after, after)  # an offset of 1 mm: unknown
    law = (LAW_DRIFT_MM / DRIFT_MM) ** 2 * drift
    for tau in SLACK_LOSS_TAU_S:
        lost = SLACK_LOSS_SD * length * slack_loss(s, tau)
        law += np.outer(lost, lost) / len(SLACK_LOSS_TAU_S)
    return Errors(own=own / length**2, law=law / length**2, near=near / length**2)


def packing_waves(spokes: Sequence[Thinned], n: int) -> Floats:
    """(S, n, PACKING_WAVES) strain: the walk of packing as Karhunen and Loeve's sum, each wave of standard size 1.

    A walk over 0 to X: sum of sqrt(2 X) sin((k - 1/2) pi x/X)/((k - 1/2) pi), k = 1, 2, ...;
    x as `packed_decades` has it.
    """
    walked = np.zeros((len(spokes), n))
    for i, s in enumerate(spokes):
        x = packed_decades(s)
        walked[i, : x.size], walked[i, x.size :] = x, x[-1]
    whole = max(float(walked.max()), 1e-9)
    turns = (np.arange(PACKING_WAVES) + 0.5) * np.pi
    waves: Floats = PACKING_STRAIN * np.sqrt(2.0 * whole) * np.sin(walked[..., None] / whole * turns) / turns
    return waves


def curve_waves(spokes: Sequence[Thinned], n: int, EA_N: float) -> Floats:
    """(S, n, 2 CURVE_WAVES) strain: how the curve over load leaves the law's, each wave of standard size 1.

    The largest eigenvectors of its covariance over load, exp(-|T - T'|/CURVE_N); first those that always count, then
    those that count while the load is the highest so far.
    """
    top_N = max(float(s.load_N.max()) for s in spokes)
    grid = np.linspace(0.0, top_N, 60)
    size, shape = np.linalg.eigh(np.exp(-np.abs(grid[:, None] - grid) / CURVE_N))
    shape = top_N / EA_N * (shape * np.sqrt(size))[:, : -CURVE_WAVES - 1 : -1]
    waves = np.zeros((len(spokes), n, 2 * CURVE_WAVES))
    for i, s in enumerate(spokes):
        at = np.maximum(s.load_N, 0.0)
        here = np.stack([np.interp(at, grid, one) for one in shape.T], axis=-1)
        waves[i, : at.size] = np.concatenate([LOAD_CURVE * here, BEDDING_CURVE * here * _packs(s)[:, None]], axis=-1)
    return waves


def prepare(
    spokes: Sequence[Thinned],
    basis: bs.Basis,
    EA_N: float,
    remainder_mm: float,
    at_N: float,
    use: NDArray[np.bool_] | None = None,
    alike: int | None = None,
    errors: Sequence[Errors] | None = None,
) -> Data:
    """Whiten data and columns with the errors' covariance (block by block, one block a spoke).

    ``errors``: of these spokes at this ``EA_N``, where they are there from before.
    """
    errors = [errors_of(s, EA_N) for s in spokes] if errors is None else errors
    n = basis.real.shape[1]
    strain = -EXPANSION_PER_K * basis.warmer_K
    for i, s in enumerate(spokes):
        given_back = np.mean([slack_loss(s, tau) for tau in SLACK_LOSS_TAU_S], axis=0)
        strain[i, : s.time_s.size] += s.strain + SLACK_LOSS_MEAN * given_back
    warmth = FRAME_EXPANSION_SD_PER_K * basis.warmer_K[..., None]
    common = np.concatenate([warmth, packing_waves(spokes, n), curve_waves(spokes, n, EA_N)], axis=-1)
    used = basis.real if use is None else basis.real & use
    return _whitened(tuple(spokes), tuple(errors), basis, strain, common, used, at_N, EA_N, remainder_mm, alike)


def _whitened(
    spokes: tuple[Thinned, ...],
    errors: tuple[Errors, ...],
    basis: bs.Basis,
    strain: Floats,
    common: Floats,
    used: NDArray[np.bool_],
    at_N: float,
    EA_N: float,
    remainder_mm: float,
    alike: int | None,
) -> Data:
    S, n = basis.real.shape
    root = np.zeros((S, n, n))
    log_det = 0.0
    for i in range(S):
        rows = np.flatnonzero(used[i])
        covariance = errors[i].covariance(remainder_mm, alike or S)[np.ix_(rows, rows)]
        warm = basis.activation[i, rows]  # the same in all spokes
        lower = np.linalg.cholesky(covariance + (alike or S) * warm @ warm.T)
        inverse, _ = dtrtri(lower, lower=1)
        root[i, rows[:, None], rows] = inverse
        log_det += 2.0 * float(np.log(np.diag(lower)).sum())
    return Data(
        spokes=spokes,
        errors=errors,
        basis=basis,
        use=used,
        root=root,
        strain=strain,
        common=common,
        y=(root @ strain[..., None])[..., 0],
        recoverable=root @ basis.recoverable,
        squared=root @ basis.squared,
        bedding=root[None] @ basis.bedding,
        one=root.sum(-1),
        shared=root @ common,
        at_N=at_N,
        log_det=log_det,
        EA_N=EA_N,
        remainder_mm=remainder_mm,
    )


def anew(
    data: Data,
    *,
    remainder_mm: float | None = None,
    use: NDArray[np.bool_] | None = None,
    alike: int | None = None,
) -> Data:
    """The same spokes with another size of the remainder, or other rows; what is left out is as it is."""
    return _whitened(
        data.spokes,
        data.errors,
        data.basis,
        data.strain,
        data.common,
        data.use if use is None else data.basis.real & use,
        data.at_N,
        data.EA_N,
        data.remainder_mm if remainder_mm is None else remainder_mm,
        alike,
    )


def some_of(data: Data, most: int) -> Data:
    """The data of at most so many spokes, evenly taken."""
    pick = np.unique(np.linspace(0, len(data.spokes) - 1, min(most, len(data.spokes))).round().astype(np.intp))
    if pick.size == len(data.spokes):
        return data
    each = {k: getattr(data.basis, k)[pick] for k in EACH_SPOKE}
    basis = replace(data.basis, **each, bedding=data.basis.bedding[:, pick])
    spokes, errors = tuple(data.spokes[i] for i in pick), tuple(data.errors[i] for i in pick)
    return _whitened(
        spokes, errors, basis, data.strain[pick], data.common[pick], data.use[pick], data.at_N, data.EA_N,
        data.remainder_mm, None,
    )  # fmt: skip
