"""What each part of a spoke does per unit of its compliance under a measured load: the columns that a fit combines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.chain import BEDDING_UNIT_N, shift
from models.kernels import log_ratio
from models.prior import Prior
from models.thin import Thinned
from models.units import ZERO_CELSIUS_K

Floats = NDArray[np.float64]

# Recoverable modes three quarters of a decade apart: a flat spectrum is then followed within 0.4 % of its compliance
# per decade (the ripple of a sum of exponentials is 2 |Gamma(2 pi i / ln spacing)|), up to three decades past a night.
RECOVERABLE_TAU_S: Floats = 10.0 ** np.arange(0.5, 8.01, 0.5)
BEDDING_TAU_S: Floats = np.concatenate([[0.0], 10.0 ** np.arange(1.0, 5.51, 0.5)])
EXPONENT_NODES: Floats = np.exp(
    0.5 * np.log(0.35 * 1.5) + 0.5 * np.log(1.5 / 0.35) * np.cos(np.pi * (np.arange(6) + 0.5) / 6)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """Columns of S spokes padded to n means; ``real`` marks the true ones."""

    real: NDArray[np.bool_]  # (S, n)
    load_N: Floats  # (S, n)
    recoverable: Floats  # (S, n, K) N: strain per 1/N of compliance
    squared: Floats  # (S, n, K) N^2: the same driven by the square of the load
    bedding: Floats  # (M, S, n, J) N: at each of EXPONENT_NODES
    dt_s: Floats  # (S, n) from the mean before
    flow_shift: Floats  # (S, n) Arrhenius factor of flow over the step before
    warmth: Floats  # (S, n) absolute temperature over that of reference
    warmer_K: Floats  # (S, n) temperature less that of reference
    reference_C: float
    exponent: Floats  # (M,)
    activation: Floats  # (S, n, A) strain that one sd of an activation energy makes; A = 0 in a test at one temperature


def _pad(rows: Sequence[Floats], n: int) -> Floats:
    return np.stack([np.concatenate([r, np.full(n - r.size, r[-1])]) for r in rows])


def build(
    spokes: Sequence[Thinned],
    reference_C: float,
    activation_kJ_per_mol: tuple[float, float, float] = (100.0, 100.0, 120.0),
    recoverable_tau_s: Floats = RECOVERABLE_TAU_S,
    bedding_tau_s: Floats = BEDDING_TAU_S,
    exponent: Floats = EXPONENT_NODES,
) -> Basis:
    """Step every mode of every spoke through the measured loads, exactly for loads linear between means.

    One pass serves all spokes: step i of each is taken together (padded steps have no length).
    """
    n = max(s.time_s.size for s in spokes)
    time, load, th = (_pad([getattr(s, k) for s in spokes], n) for k in ("time_s", "load_N", "temperature_C"))
    real = np.stack([np.arange(n) < s.time_s.size for s in spokes])
    load = np.maximum(load, 0.0)
    dt = np.diff(time, axis=1, prepend=time[:, :1])
    mid = 0.5 * (th + np.concatenate([th[:, :1], th[:, :-1]], axis=1))
    before = np.concatenate([np.zeros((len(spokes), 1)), load[:, :-1]], axis=1)  # the first load comes suddenly
    a_r, a_b, a_f = (shift(q, mid, reference_C) for q in activation_kJ_per_mol)
    x = (dt * a_r)[..., None] / recoverable_tau_s
    decay, w0, w1 = _weights(x)
    one, squared = (_filter(decay, w0 * (before**e)[..., None] + w1 * (load**e)[..., None]) for e in (1, 2))
    bedding = _bedding(dt * a_b, before, load, bedding_tau_s, exponent)
    return Basis(
        real=real,
        load_N=load,
        recoverable=one,
        squared=squared,
        bedding=bedding,
        dt_s=dt,
        flow_shift=a_f,
        warmth=(mid + ZERO_CELSIUS_K) / (reference_C + ZERO_CELSIUS_K),
        warmer_K=th - reference_C,
        reference_C=reference_C,
        exponent=exponent,
        activation=np.empty((*real.shape, 0)),
    )


WARM_TEST_K = (
    5.0  # a test whose temperature spans less tells nothing of activation energies, and is hardly moved by them
)


def with_activation_errors(
    basis: Basis,
    spokes: Sequence[Thinned],
    p: Prior,
    at_N: float,
    activation_kJ_per_mol: tuple[float, float, float],
    log_sd: tuple[float, float, float],
) -> Basis:
    """The basis with what is not known of the activation energies, as strain of the spoke that is expected.

    Forward differences of one sd, each energy for itself; a test at one temperature is left as it is.
    """
    warm = np.concatenate([s.temperature_C for s in spokes])
    if np.ptp(warm) < WARM_TEST_K:
        return basis

    def strain(energies: tuple[float, ...]) -> Floats:
        b = build(spokes, basis.reference_C, energies)  # type: ignore[arg-type]
        v = p.mean
        w, _ = at_exponent(b, float(np.exp(v[p.names.index("bedding_exponent")])))
        f, _ = flow(b, float(np.exp(v[p.names.index("flow_scale[0]")])), at_N)
        out: Floats = (
            b.recoverable @ np.exp(v[p.index("recoverable")])
            + np.tensordot(w, b.bedding, axes=1) @ np.exp(v[p.index("bedding")])
            + f * np.exp(v[p.names.index("flow[0]")])
        )
        return out

    still = strain(activation_kJ_per_mol)
    moved = [
        strain(tuple(q * (np.exp(log_sd[k]) if i == k else 1.0) for i, q in enumerate(activation_kJ_per_mol))) - still
        for k in range(3)
    ]
    return replace(basis, activation=np.stack(moved, axis=-1))


def _weights(x: Floats) -> tuple[Floats, Floats, Floats]:
    decay = np.exp(-x)
    safe = np.where(x > 1e-4, x, 1.0)
    w1 = np.where(x > 1e-4, 1.0 + np.expm1(-safe) / safe, 0.5 * x - x * x / 6.0)
    return decay, -np.expm1(-x) - w1, w1


def _filter(decay: Floats, gain: Floats) -> Floats:
    """r[i] = decay[i] r[i-1] + gain[i] along the second axis."""
    out = np.empty_like(gain)
    r = np.zeros_like(gain[:, 0])
    for i in range(gain.shape[1]):
        r = r * decay[:, i] + gain[:, i]
        out[:, i] = r
    return out


PARTS = 6  # an interval in which the load changes much is cut into so many for the one-way modes


def _bedding(dt: Floats, before: Floats, load: Floats, tau_s: Floats, exponent: Floats) -> Floats:
    """(M, S, n, J) one-way modes: b grows by (target - b)/tau where the target is above it."""
    spokes, n = dt.shape
    slow = tau_s > 0
    tau = np.where(slow, tau_s, 1.0)
    out = np.empty((exponent.size, spokes, n, tau_s.size))
    b = np.zeros((exponent.size, spokes, tau_s.size))
    m = exponent[:, None]
    much = (np.abs(load - before) > 0.02 * load.max()).any(axis=0)
    for i in range(n):
        parts = PARTS if much[i] else 1
        x = dt[:, i, None] / parts / tau
        decay, w0, w1 = _weights(x)
        t0 = BEDDING_UNIT_N * (before[:, i] / BEDDING_UNIT_N) ** m
        for p in range(parts):
            end = before[:, i] + (load[:, i] - before[:, i]) * ((p + 1) / parts)
            t1 = BEDDING_UNIT_N * (end / BEDDING_UNIT_N) ** m
            moved = b * decay + t0[..., None] * w0 + t1[..., None] * w1
            b = np.maximum(b, np.where(slow, moved, np.maximum(t0, t1)[..., None]))
            t0 = t1
        out[:, :, i] = b
    return out


def elastic_N(
    load_N: Floats, stiffening_per_N: Floats | float, toe_N: Floats | float, toe_scale_N: Floats | float
) -> tuple[Floats, Floats]:
    """ln(1 + s T)/s and h (1 - exp(-T/T_h)) in N, whose sum over EA0 is the elastic strain; all broadcast."""
    toe: Floats = -toe_N * np.expm1(-load_N / toe_scale_N)
    return load_N * log_ratio(stiffening_per_N * load_N), toe


def elastic(load_N: Floats, stiffening_per_N: float, toe_N: float, toe_scale_N: float) -> tuple[Floats, ...]:
    """The sum of `elastic_N`, and its derivatives with ln s, ln h and ln T_h."""
    spring, toe = elastic_N(load_N, stiffening_per_N, toe_N, toe_scale_N)
    x, part = stiffening_per_N * load_N, load_N / toe_scale_N
    slope = np.where(x < 1e-6, -0.5 * x * load_N, load_N / (1.0 + x) - spring)
    return spring + toe, slope, toe, -toe_N * part * np.exp(-part)


def flow_strain(basis: Basis, scale_N: Floats | float, at_N: float) -> Floats:
    """(..., S, n) s: flow strain per 1/s of flow rate at the load ``at_N``, for force scales of shape (..., 1, 1)."""
    load = basis.load_N
    before = np.concatenate([load[:, :1], load[:, :-1]], axis=1)
    hot = scale_N * basis.warmth
    a, b = before / hot, load / hot
    top = at_N / scale_N
    half = 0.5 * (b - a)
    small = np.abs(half) < 1e-4
    safe = np.where(small, 1.0, half)
    sinhc = np.where(small, 1.0 + half * half / 6.0, np.sinh(np.clip(safe, -300, 300)) / safe)
    # sinh(mid)/sinh(top) without overflow
    mid = 0.5 * (a + b)
    ratio = (np.exp(np.minimum(mid - top, 300.0)) - np.exp(-mid - top)) / -np.expm1(-2.0 * top)
    total: Floats = np.cumsum(basis.dt_s * basis.flow_shift * ratio * sinhc, axis=-1)
    return total


def flow(basis: Basis, scale_N: float, at_N: float) -> tuple[Floats, Floats]:
    """(S, n) s: `flow_strain` of one force scale, and its derivative with ln scale."""
    step = 1e-4
    up, down = (flow_strain(basis, scale_N * np.exp(x), at_N) for x in (step, -step))
    return flow_strain(basis, scale_N, at_N), (up - down) / (2.0 * step)


def exponent_weights(basis: Basis, exponent: Floats | float) -> Floats:
    """(..., M) weights over the exponent nodes that interpolate in ln m."""
    nodes = np.log(basis.exponent)
    away = np.log(exponent)[..., None] - nodes
    out = np.ones_like(away)
    for k in range(nodes.size):
        for j in range(nodes.size):
            if j != k:
                out[..., k] *= away[..., j] / (nodes[k] - nodes[j])
    return out


def at_exponent(basis: Basis, exponent: float) -> tuple[Floats, Floats]:
    """`exponent_weights` of one exponent, and their derivative with ln m."""
    step = 1e-4
    up, down = (exponent_weights(basis, exponent * np.exp(x)) for x in (step, -step))
    return exponent_weights(basis, exponent), (up - down) / (2.0 * step)
