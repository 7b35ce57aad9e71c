"""The state that every law runs on: elastic part, recoverable modes, bedding-in modes, flow; stepped exactly.

    strain = elastic(T) + sum r_k + sum b_j + sum f_i + alpha (th - th_ref)

    dr_k/dt = a_r(th) (C_k g(T) - r_k) / tau_k,          g(T) = T (1 + q T)
    db_j/dt = a_b(th) max(0, B_j 1000 N (T/1000 N)^m - b_j) / tau_j,   tau_j = 0: at once
    df_i/dt = a_f(th) e_i sinh(T / T_i),                  T_i proportional to absolute temperature
    a(th)   = exp(-Q/R (1/th - 1/th_ref))                 (Arrhenius)

Over one step the tension is linear in time and the temperature constant; every mode is then advanced in closed form
(exponential integrator; the bedding target is taken as linear over the step). All arrays broadcast: a chain may be one
spoke, or thousands of draws at once with leading dimensions ``...``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.units import GAS_CONSTANT_J_PER_MOL_K, ZERO_CELSIUS_K

Floats = NDArray[np.float64]
BEDDING_UNIT_N = 1000.0


def _array(value: object) -> Floats:
    return np.asarray(value, dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """Parameters of one spoke, or of many at once (leading dimensions ``...`` broadcast).

    Time constants are shared by all draws; compliances may differ between draws.
    """

    EA0_N: Floats  # (...,) N, axial stiffness at zero load, positive
    stiffening_per_N: Floats  # (...,) 1/N, s in strain = ln(1 + s T)/(s EA0); 0 for a constant stiffness
    recoverable_tau_s: Floats  # (K,) s, positive
    recoverable_compliance_per_N: Floats  # (..., K) 1/N, not negative
    recoverable_nonlinearity_per_N: Floats  # (...,) 1/N, q in g(T) = T (1 + q T)
    bedding_tau_s: Floats  # (J,) s; 0 means at once
    bedding_compliance_per_N: Floats  # (..., J) strain per N at 1000 N
    bedding_exponent: Floats  # (...,) m
    flow_rate_per_s: Floats  # (..., F) 1/s, e in e sinh(T/T0)
    flow_force_scale_N: Floats  # (..., F) N at the reference temperature, positive
    activation_recoverable_kJ_per_mol: Floats  # (...,)
    activation_bedding_kJ_per_mol: Floats  # (...,)
    activation_flow_kJ_per_mol: Floats  # (...,)
    expansion_per_K: Floats  # (...,) 1/K
    reference_C: float  # degC at which all rates are stated

    def __post_init__(self) -> None:
        for f in fields(self):
            if f.name != "reference_C":
                object.__setattr__(self, f.name, _array(getattr(self, f.name)))
        checks = {
            "EA0_N": (self.EA0_N > 0).all(),
            "stiffening_per_N": (self.stiffening_per_N >= 0).all(),
            "recoverable_tau_s": (self.recoverable_tau_s > 0).all(),
            "recoverable_compliance_per_N": (self.recoverable_compliance_per_N >= 0).all(),
            "bedding_tau_s": (self.bedding_tau_s >= 0).all(),
            "bedding_compliance_per_N": (self.bedding_compliance_per_N >= 0).all(),
            "bedding_exponent": (self.bedding_exponent > 0).all(),
            "flow_rate_per_s": (self.flow_rate_per_s >= 0).all(),
            "flow_force_scale_N": (self.flow_force_scale_N > 0).all(),
        }
        for name, good in checks.items():
            if not good:
                raise ValueError(f"chain: {name} out of range: {getattr(self, name)}")
        for modes, taus in (
            (self.recoverable_compliance_per_N, self.recoverable_tau_s),
            (self.bedding_compliance_per_N, self.bedding_tau_s),
        ):
            if taus.ndim != 1 or modes.shape[-1:] != taus.shape:
                raise ValueError("chain: one compliance for each time constant")

    @classmethod
    def of(
        cls,
        *,
        EA0_N: object,
        recoverable: tuple[object, object] = ((), ()),
        bedding: tuple[object, object] = ((), ()),
        flow: tuple[object, object] = ((), ()),
        stiffening_per_N: object = 0.0,
        recoverable_nonlinearity_per_N: object = 0.0,
        bedding_exponent: object = 1.0,
        activation_kJ_per_mol: tuple[object, object, object] = (100.0, 100.0, 120.0),
        expansion_per_K: object = -12e-6,
        reference_C: float = 20.0,
    ) -> Chain:
        """Build from pairs: ``recoverable`` and ``bedding`` are (tau_s, compliance_per_N), ``flow`` (rate, scale)."""
        return cls(
            EA0_N=_array(EA0_N),
            stiffening_per_N=_array(stiffening_per_N),
            recoverable_tau_s=_array(recoverable[0]),
            recoverable_compliance_per_N=_array(recoverable[1]),
            recoverable_nonlinearity_per_N=_array(recoverable_nonlinearity_per_N),
            bedding_tau_s=_array(bedding[0]),
            bedding_compliance_per_N=_array(bedding[1]),
            bedding_exponent=_array(bedding_exponent),
            flow_rate_per_s=_array(flow[0]),
            flow_force_scale_N=_array(flow[1]),
            activation_recoverable_kJ_per_mol=_array(activation_kJ_per_mol[0]),
            activation_bedding_kJ_per_mol=_array(activation_kJ_per_mol[1]),
            activation_flow_kJ_per_mol=_array(activation_kJ_per_mol[2]),
            expansion_per_K=_array(expansion_per_K),
            reference_C=float(reference_C),
        )

    @property
    def shape(self) -> tuple[int, ...]:
        """Leading shape of the draws: () for one spoke."""
        return np.broadcast_shapes(
            self.EA0_N.shape,
            self.stiffening_per_N.shape,
            self.recoverable_compliance_per_N.shape[:-1],
            self.recoverable_nonlinearity_per_N.shape,
            self.bedding_compliance_per_N.shape[:-1],
            self.bedding_exponent.shape,
            self.flow_rate_per_s.shape[:-1],
            self.flow_force_scale_N.shape[:-1],
        )

    def scaled(
        self, *, elastic: object = 1.0, recoverable: object = 1.0, bedding: object = 1.0, flow: object = 1.0
    ) -> Chain:
        """The chain with each part's compliance multiplied (arrays of any leading shape broadcast in front)."""
        return replace(
            self,
            EA0_N=self.EA0_N / _array(elastic),
            recoverable_compliance_per_N=self.recoverable_compliance_per_N * _array(recoverable)[..., None],
            bedding_compliance_per_N=self.bedding_compliance_per_N * _array(bedding)[..., None],
            flow_rate_per_s=self.flow_rate_per_s * _array(flow)[..., None],
        )

    def take(self, index: Any) -> Chain:
        """The chain of some of the draws: ``index`` is applied to the leading dimensions."""
        shape = self.shape
        per_draw = {
            "EA0_N": 0,
            "stiffening_per_N": 0,
            "recoverable_compliance_per_N": 1,
            "recoverable_nonlinearity_per_N": 0,
            "bedding_compliance_per_N": 1,
            "bedding_exponent": 0,
            "flow_rate_per_s": 1,
            "flow_force_scale_N": 1,
            "activation_recoverable_kJ_per_mol": 0,
            "activation_bedding_kJ_per_mol": 0,
            "activation_flow_kJ_per_mol": 0,
            "expansion_per_K": 0,
        }
        taken: dict[str, Any] = {}
        for name, tail in per_draw.items():
            a = getattr(self, name)
            lead = a.shape[: a.ndim - tail]
            if lead:
                taken[name] = np.broadcast_to(a, shape + a.shape[a.ndim - tail :])[index]
        return replace(self, **taken)

    def as_dict(self) -> dict[str, Any]:
        """The ``chain`` object of BATCH.json; only for a single spoke (shape ()).

        Raises
        ------
        ValueError
            If the chain holds many draws.
        """
        if self.shape != ():
            raise ValueError("only a single spoke's chain is written to a file")
        return {
            "elastic": {"EA0_N": float(self.EA0_N), "stiffening_per_N": float(self.stiffening_per_N)},
            "recoverable": [
                {"tau_s": float(t), "compliance_per_N": float(c)}
                for t, c in zip(self.recoverable_tau_s, self.recoverable_compliance_per_N, strict=True)
            ],
            "recoverable_nonlinearity_per_N": float(self.recoverable_nonlinearity_per_N),
            "bedding": [
                {"tau_s": float(t), "compliance_per_N": float(c)}
                for t, c in zip(self.bedding_tau_s, self.bedding_compliance_per_N, strict=True)
            ],
            "bedding_exponent": float(self.bedding_exponent),
            "flow": [
                {"rate_per_s": float(e), "force_scale_N": float(s)}
                for e, s in zip(self.flow_rate_per_s, self.flow_force_scale_N, strict=True)
            ],
            "activation_kJ_per_mol": {
                "recoverable": float(self.activation_recoverable_kJ_per_mol),
                "bedding": float(self.activation_bedding_kJ_per_mol),
                "flow": float(self.activation_flow_kJ_per_mol),
            },
            "expansion_per_K": float(self.expansion_per_K),
            "reference_C": self.reference_C,
        }

    @classmethod
    def from_dict(cls, d: Mapping[str, Any]) -> Chain:
        """Read the ``chain`` object of BATCH.json (missing optional parts: none)."""
        act = d.get("activation_kJ_per_mol", {})
        rec, bed, flow = d.get("recoverable", []), d.get("bedding", []), d.get("flow", [])
        return cls.of(
            EA0_N=d["elastic"]["EA0_N"],
            stiffening_per_N=d["elastic"].get("stiffening_per_N", 0.0),
            recoverable=([m["tau_s"] for m in rec], [m["compliance_per_N"] for m in rec]),
            recoverable_nonlinearity_per_N=d.get("recoverable_nonlinearity_per_N", 0.0),
            bedding=([m["tau_s"] for m in bed], [m["compliance_per_N"] for m in bed]),
            bedding_exponent=d.get("bedding_exponent", 1.0),
            flow=([m["rate_per_s"] for m in flow], [m["force_scale_N"] for m in flow]),
            activation_kJ_per_mol=(act.get("recoverable", 100.0), act.get("bedding", 100.0), act.get("flow", 120.0)),
            expansion_per_K=d.get("expansion_per_K", -12e-6),
            reference_C=d.get("reference_C", 20.0),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainState:
    """Where every mode stands: strains."""

    recoverable: Floats  # (..., K)
    bedding: Floats  # (..., J)
    flow: Floats  # (..., F)

    @property
    def strain(self) -> Floats:
        """(...) the part of the strain that is neither elastic nor thermal."""
        total: Floats = self.recoverable.sum(-1) + self.bedding.sum(-1) + self.flow.sum(-1)
        return total

    def take(self, index: Any) -> ChainState:
        """Some of the draws."""
        return ChainState(recoverable=self.recoverable[index], bedding=self.bedding[index], flow=self.flow[index])


def virgin(chain: Chain, shape: tuple[int, ...] | None = None) -> ChainState:
    """A new spoke: every mode at zero, with the leading shape of the chain (or ``shape``)."""
    lead = chain.shape if shape is None else shape
    return ChainState(
        recoverable=np.zeros((*lead, chain.recoverable_tau_s.size)),
        bedding=np.zeros((*lead, chain.bedding_tau_s.size)),
        flow=np.zeros((*lead, chain.flow_rate_per_s.shape[-1])),
    )


def elastic_strain(chain: Chain, load_N: object) -> Floats:
    """(...) elastic strain at a load in N: ln(1 + s T)/(s EA0), T/EA0 for s = 0 and for T < 0."""
    load = _array(load_N)
    s = chain.stiffening_per_N
    if not s.any():
        return load / chain.EA0_N
    x = s * np.maximum(load, 0.0)
    ratio = np.where(x > 1e-8, np.log1p(x) / np.where(x > 1e-8, x, 1.0), 1.0 - 0.5 * x)
    return load * ratio / chain.EA0_N


def elastic_load_N(chain: Chain, strain: object) -> Floats:
    """(...) load in N at an elastic strain: inverse of `elastic_strain`."""
    e = _array(strain)
    s = chain.stiffening_per_N
    if not s.any():
        return e * chain.EA0_N
    y = s * chain.EA0_N * np.maximum(e, 0.0)
    ratio = np.where(y > 1e-8, np.expm1(y) / np.where(y > 1e-8, y, 1.0), 1.0 + 0.5 * y)
    return e * chain.EA0_N * ratio


def elastic_slope_per_N(chain: Chain, load_N: object) -> Floats:
    """(...) d(elastic strain)/d(load) in 1/N: 1/(EA0 (1 + s T))."""
    slope: Floats = 1.0 / (chain.EA0_N * (1.0 + chain.stiffening_per_N * np.maximum(_array(load_N), 0.0)))
    return slope


def shift(activation_kJ_per_mol: object, temperature_C: object, reference_C: float) -> Floats:
    """Arrhenius factor exp(-Q/R (1/th - 1/th_ref)); shape of the broadcast arguments."""
    q = _array(activation_kJ_per_mol) * 1000.0 / GAS_CONSTANT_J_PER_MOL_K
    th = _array(temperature_C) + ZERO_CELSIUS_K
    factor: Floats = np.exp(-q * (1.0 / th - 1.0 / (reference_C + ZERO_CELSIUS_K)))
    return factor


def thermal_strain(chain: Chain, temperature_C: object) -> Floats:
    """(...) alpha (th - th_ref)."""
    return chain.expansion_per_K * (_array(temperature_C) - chain.reference_C)


def total_strain(chain: Chain, state: ChainState, load_N: object, temperature_C: object) -> Floats:
    """(...) strain of the spoke counted from virgin, unloaded and at the reference temperature."""
    total: Floats = elastic_strain(chain, load_N) + state.strain + thermal_strain(chain, temperature_C)
    return total


def _weights(x: Floats) -> tuple[Floats, Floats, Floats]:
    """For dy/ds = target - y over x: y1 = y0 E + target0 w0 + target1 w1 with target linear. Returns E, w0, w1."""
    decay = np.exp(-x)
    safe = np.where(x > 1e-4, x, 1.0)
    w1 = np.where(x > 1e-4, 1.0 + np.expm1(-safe) / safe, 0.5 * x - x * x / 6.0)
    w0 = -np.expm1(-x) - w1
    return decay, w0, w1


def _bedding_target(chain: Chain, load: Floats) -> tuple[Floats, Floats]:
    """(..., J) target strain and its slope with load."""
    t = np.maximum(load, 0.0) / BEDDING_UNIT_N
    m = chain.bedding_exponent
    if (m == 1.0).all():
        shape, slope = t, np.where(load > 0.0, 1.0 / BEDDING_UNIT_N, 0.0)
    else:
        shape = t**m
        slope = np.where(t > 1e-9, m * shape / np.maximum(t, 1e-9), 0.0) / BEDDING_UNIT_N
    b = chain.bedding_compliance_per_N * BEDDING_UNIT_N
    return b * shape[..., None], b * slope[..., None]


def _bedding(
    chain: Chain, b0: Floats, dt_s: float, load0: Floats, load1: Floats, temperature_C: float
) -> tuple[Floats, Floats]:
    """Advance the one-way modes over one step; also their slope with the end load."""
    target0, _ = _bedding_target(chain, load0)
    target1, slope1 = _bedding_target(chain, load1)
    a = shift(chain.activation_bedding_kJ_per_mol, temperature_C, chain.reference_C)
    at_once = chain.bedding_tau_s == 0.0
    tau = np.where(at_once, 1.0, chain.bedding_tau_s) / a[..., None]
    dt = np.float64(dt_s)
    safe_dt = dt if dt > 0 else np.float64(1.0)
    c1 = (target1 - target0) / safe_dt
    gap = target0 - b0
    # rising towards b0: nothing moves until the target passes it
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        wait = np.where((gap < 0) & (c1 > 0), -gap / np.where(c1 > 0, c1, 1.0), 0.0)
        dead = (gap <= 0) & (target1 <= b0)
        wait = np.where(dead, dt, np.minimum(wait, dt))
        start = np.maximum(gap, 0.0)  # distance of the target when motion starts
        run = dt - wait
        # falling target: the mode stops where it meets the target
        falling = (c1 < 0) & (start > 0)
        ratio = np.where(falling, c1 * tau / np.where(falling, c1 * tau - start, 1.0), 1.0)
        meet = np.where(falling, -tau * np.log(np.clip(ratio, 1e-300, 1.0)), np.inf)
        run = np.minimum(run, meet)
    x = run / tau
    decay, _, w1 = _weights(x)
    moved = start * (1.0 - decay) + c1 * run * w1
    later = b0 + np.maximum(moved, 0.0)
    instant = np.maximum(np.maximum(b0, target0), target1)
    b1 = np.where(at_once, instant, later)
    share = np.where(run > 0, w1 * run / safe_dt, 0.0)
    slope = slope1 * np.where(at_once, (target1 >= instant) & (target1 > b0), share)
    return b1, slope


def _flow(chain: Chain, dt_s: float, load0: Floats, load1: Floats, temperature_C: float) -> tuple[Floats, Floats]:
    """(..., F) flow strain gained over one step (exact for a linear tension), and its slope with the end load."""
    if chain.flow_rate_per_s.shape[-1] == 0:
        zero = np.zeros((*np.broadcast_shapes(load0.shape, load1.shape), 0))
        return zero, zero
    th = (temperature_C + ZERO_CELSIUS_K) / (chain.reference_C + ZERO_CELSIUS_K)
    scale = chain.flow_force_scale_N * th
    a = shift(chain.activation_flow_kJ_per_mol, temperature_C, chain.reference_C)
    rate = chain.flow_rate_per_s * a[..., None] * dt_s
    mid = (0.5 * (load0 + load1))[..., None] / scale
    half = (0.5 * (load1 - load0))[..., None] / scale
    # mean of sinh over the step = sinh(mid) sinh(half)/half
    small = np.abs(half) < 1e-3
    safe = np.where(small, 1.0, half)
    sinhc = np.where(small, 1.0 + half * half / 6.0, np.sinh(safe) / safe)
    dsinhc = np.where(small, half / 3.0, np.cosh(safe) / safe - np.sinh(safe) / (safe * safe))
    gain = rate * np.sinh(mid) * sinhc
    slope = rate * 0.5 / scale * (np.cosh(mid) * sinhc + np.sinh(mid) * dsinhc)
    return gain, slope


def advance(
    chain: Chain, state: ChainState, dt_s: float, load0_N: object, load1_N: object, temperature_C: float
) -> tuple[ChainState, Floats]:
    """One exact step in which the load goes linearly from ``load0_N`` to ``load1_N``.

    Parameters
    ----------
    dt_s : float
        Length of the step, s, not negative; 0 is a sudden change of load.
    load0_N, load1_N : array_like (...)
        Loads in N at both ends.
    temperature_C : float
        Temperature over the step, degC.

    Returns
    -------
    state : ChainState
    slope_per_N : array (...)
        d(strain of the state)/d(load1_N): what an implicit solver needs.
    """
    if dt_s < 0:
        raise ValueError("a step cannot go back in time")
    load0, load1 = _array(load0_N), _array(load1_N)
    a = shift(chain.activation_recoverable_kJ_per_mol, temperature_C, chain.reference_C)
    x = dt_s * a[..., None] / chain.recoverable_tau_s
    decay, w0, w1 = _weights(x)
    q = chain.recoverable_nonlinearity_per_N
    g0 = (load0 * (1.0 + q * load0))[..., None]
    g1 = (load1 * (1.0 + q * load1))[..., None]
    c = chain.recoverable_compliance_per_N
    r1 = state.recoverable * decay + c * (g0 * w0 + g1 * w1)
    slope: Floats = (c * w1).sum(-1) * (1.0 + 2.0 * q * load1)
    b1, b_slope = _bedding(chain, state.bedding, dt_s, load0, load1, temperature_C)
    gain, f_slope = _flow(chain, dt_s, load0, load1, temperature_C)
    slope = slope + b_slope.sum(-1) + f_slope.sum(-1)
    return ChainState(recoverable=r1, bedding=b1, flow=state.flow + gain), slope


def advance_to_strain(
    chain: Chain,
    state: ChainState,
    dt_s: float,
    load0_N: object,
    strain1: object,
    temperature_C: float,
    follow_per_N: object = 0.0,
    tolerance_N: float = 1e-9,
) -> tuple[ChainState, Floats]:
    """One step that ends where strain + follow x load equals ``strain1``; finds the end load (Newton).

    ``follow_per_N`` is the compliance in series, as strain of the spoke per N (0: a rigid chord).

    Raises
    ------
    ArithmeticError
        If no load is found within 60 iterations.
    """
    follow = _array(follow_per_N)
    target = _array(strain1)
    load0 = _array(load0_N)
    load1 = np.broadcast_to(load0, np.broadcast_shapes(load0.shape, target.shape, chain.shape)).astype(np.float64)
    for _ in range(60):
        state1, slope = advance(chain, state, dt_s, load0, load1, temperature_C)
        miss = total_strain(chain, state1, load1, temperature_C) + follow * load1 - target
        change = miss / (elastic_slope_per_N(chain, load1) + slope + follow)
        load1 = load1 - change
        if (np.abs(change) <= tolerance_N + 1e-13 * np.abs(load1)).all():
            state1, _ = advance(chain, state, dt_s, load0, load1, temperature_C)
            return state1, load1
    raise ArithmeticError(f"no load found that gives the asked length (last change {np.abs(change).max():.3g} N)")
