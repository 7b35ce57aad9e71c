"""The state that every law runs on: elastic part, recoverable modes, bedding-in modes, flow; stepped exactly.

    strain = elastic(T) + sum r_k + sum b_j + sum f_i + alpha (th - th_ref)

    elastic(T) = (ln(1 + s T)/s + h (1 - exp(-T/T_h))) / EA0
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

from models import kernels
from models.kernels import shift as shift
from models.units import ZERO_CELSIUS_K

Floats = NDArray[np.float64]
BEDDING_UNIT_N = 1000.0
TOE_SCALE_N = 80.0  # where a file or a caller gives none
# fields that may differ between draws -> how many dimensions follow those of the draws
_TRAILING = {
    "EA0_N": 0,
    "stiffening_per_N": 0,
    "toe_N": 0,
    "toe_scale_N": 0,
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


def _array(value: object) -> Floats:
    return np.asarray(value, dtype=np.float64)


def _rows(name: str, first: Floats, other: str, second: Floats) -> list[dict[str, float]]:
    return [{name: float(a), other: float(b)} for a, b in zip(first, second, strict=True)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """Parameters of one spoke, or of many at once (leading dimensions ``...`` broadcast).

    Time constants are shared by all draws; compliances may differ between draws.
    """

    EA0_N: Floats  # (...,) N, axial stiffness at zero load but for the toe, positive
    stiffening_per_N: Floats  # (...,) 1/N, s in strain = ln(1 + s T)/(s EA0); 0 for a constant stiffness
    toe_N: Floats  # (...,) N, h in strain = h (1 - exp(-T/T_h))/EA0: a braid is soft while hardly loaded; 0: no toe
    toe_scale_N: Floats  # (...,) N, T_h: the toe is over at some three times this load
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
        positive = ("EA0_N", "toe_scale_N", "recoverable_tau_s", "bedding_exponent", "flow_force_scale_N")
        compliances = ("recoverable_compliance_per_N", "bedding_compliance_per_N")
        not_negative = ("stiffening_per_N", "toe_N", "bedding_tau_s", "flow_rate_per_s", *compliances)
        for f in fields(self):
            value = _array(getattr(self, f.name))
            if f.name != "reference_C":
                object.__setattr__(self, f.name, value)
            if not np.isfinite(value).all():
                raise ValueError(f"{f.name} must be finite, not {value}")
            if f.name in positive and not (value > 0).all():
                raise ValueError(f"{f.name} must be positive, not {value}")
            if f.name in not_negative and not (value >= 0).all():
                raise ValueError(f"{f.name} must not be negative, not {value}")
        if not (self.recoverable_nonlinearity_per_N > -1e-4).all():
            raise ValueError("recoverable_nonlinearity_per_N must be above -1e-4: the strain must rise with load")
        if self.reference_C <= -ZERO_CELSIUS_K:
            raise ValueError(f"reference_C must be above absolute zero, not {self.reference_C}")
        for modes, taus in (
            (self.recoverable_compliance_per_N, self.recoverable_tau_s),
            (self.bedding_compliance_per_N, self.bedding_tau_s),
        ):
            if taus.ndim != 1 or modes.shape[-1:] != taus.shape:
                raise ValueError("one compliance is needed for each time constant")
        rate, scale = self.flow_rate_per_s, self.flow_force_scale_N
        if rate.ndim < 1 or rate.shape[-1:] != scale.shape[-1:]:
            raise ValueError("one force scale is needed for each flow rate")

    @classmethod
    def of(
        cls,
        *,
        EA0_N: object,
        recoverable: tuple[object, object] = ((), ()),
        bedding: tuple[object, object] = ((), ()),
        flow: tuple[object, object] = ((), ()),
        stiffening_per_N: object = 0.0,
        toe: tuple[object, object] = (0.0, TOE_SCALE_N),
        recoverable_nonlinearity_per_N: object = 0.0,
        bedding_exponent: object = 1.0,
        activation_kJ_per_mol: tuple[object, object, object] = (100.0, 100.0, 120.0),
        expansion_per_K: object = -12e-6,
        reference_C: float = 20.0,
    ) -> Chain:
        """Build from pairs: ``recoverable`` and ``bedding`` are (tau_s, compliance_per_N), ``flow`` (rate, scale) and
        ``toe`` (toe_N, toe_scale_N)."""
        return cls(
            EA0_N=_array(EA0_N),
            stiffening_per_N=_array(stiffening_per_N),
            toe_N=_array(toe[0]),
            toe_scale_N=_array(toe[1]),
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
        arrays = ((getattr(self, name), tail) for name, tail in _TRAILING.items())
        return np.broadcast_shapes(*(a.shape[: a.ndim - tail] for a, tail in arrays))

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

    def take(self, index: Any, lead: tuple[int, ...] | None = None) -> Chain:
        """The chain of some of the draws: ``index`` is applied to the leading dimensions, or to ``lead`` that they
        broadcast to."""
        shape = self.shape if lead is None else lead
        taken: dict[str, Any] = {}
        for name, tail in _TRAILING.items():
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
        rec, bed = self.recoverable_compliance_per_N, self.bedding_compliance_per_N
        return {
            "elastic": {
                "EA0_N": float(self.EA0_N),
                "stiffening_per_N": float(self.stiffening_per_N),
                "toe_N": float(self.toe_N),
                "toe_scale_N": float(self.toe_scale_N),
            },
            "recoverable": _rows("tau_s", self.recoverable_tau_s, "compliance_per_N", rec),
            "recoverable_nonlinearity_per_N": float(self.recoverable_nonlinearity_per_N),
            "bedding": _rows("tau_s", self.bedding_tau_s, "compliance_per_N", bed),
            "bedding_exponent": float(self.bedding_exponent),
            "flow": _rows("rate_per_s", self.flow_rate_per_s, "force_scale_N", self.flow_force_scale_N),
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
            toe=(d["elastic"].get("toe_N", 0.0), d["elastic"].get("toe_scale_N", TOE_SCALE_N)),
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
        return kernels.total(self.recoverable) + kernels.total(self.bedding) + kernels.total(self.flow)

    def on(self, lead: tuple[int, ...]) -> ChainState:
        """A copy with the leading shape ``lead``."""
        own = {f.name: getattr(self, f.name) for f in fields(self)}
        return ChainState(**{k: np.array(np.broadcast_to(a, (*lead, a.shape[-1]))) for k, a in own.items()})

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
    """(...) elastic strain at a load in N: (ln(1 + s T)/s + h (1 - exp(-T/T_h)))/EA0.

    Below no load it goes on straight, with the slope that it has there.
    """
    load = _array(load_N)
    pull = np.maximum(load, 0.0)
    longer = load * kernels.log_ratio(chain.stiffening_per_N * pull) if chain.stiffening_per_N.any() else load
    if chain.toe_N.any():
        longer = longer + chain.toe_N * (
            np.minimum(load, 0.0) / chain.toe_scale_N - np.expm1(-pull / chain.toe_scale_N)
        )
    strain: Floats = longer / chain.EA0_N
    return strain


def elastic_slope_per_N(chain: Chain, load_N: object) -> Floats:
    """(...) d(elastic strain)/d(load) in 1/N: (1/(1 + s T) + h/T_h exp(-T/T_h))/EA0."""
    pull = np.maximum(_array(load_N), 0.0)
    slope: Floats = 1.0 / (chain.EA0_N * (1.0 + chain.stiffening_per_N * pull))
    if chain.toe_N.any():
        slope = slope + chain.toe_N / chain.toe_scale_N * np.exp(-pull / chain.toe_scale_N) / chain.EA0_N
    return slope


def thermal_strain(chain: Chain, temperature_C: object) -> Floats:
    """(...) alpha (th - th_ref)."""
    return chain.expansion_per_K * (_array(temperature_C) - chain.reference_C)


def total_strain(chain: Chain, state: ChainState, load_N: object, temperature_C: object) -> Floats:
    """(...) strain of the spoke counted from virgin, unloaded and at the reference temperature."""
    total: Floats = elastic_strain(chain, load_N) + state.strain + thermal_strain(chain, temperature_C)
    return total


def _bedding(
    chain: Chain, b0: Floats, dt_s: float, load0: Floats, load1: Floats, temperature_C: float
) -> tuple[Floats, Floats]:
    """Advance the one-way modes over one step; also their slope with the end load."""
    strain = chain.bedding_compliance_per_N * BEDDING_UNIT_N
    shape0, _ = kernels.power_of_load(load0, BEDDING_UNIT_N, chain.bedding_exponent)
    shape1, rise = kernels.power_of_load(load1, BEDDING_UNIT_N, chain.bedding_exponent)
    target0, target1, slope1 = strain * shape0[..., None], strain * shape1[..., None], strain * rise[..., None]
    a = shift(chain.activation_bedding_kJ_per_mol, temperature_C, chain.reference_C)
    at_once = chain.bedding_tau_s == 0.0
    tau = np.where(at_once, 1.0, chain.bedding_tau_s) / a[..., None]
    later, share = kernels.one_way_step(b0, dt_s, tau, target0, target1)
    instant = np.maximum(np.maximum(b0, target0), target1)
    b1 = np.where(at_once, instant, later)
    slope = slope1 * np.where(at_once, (target1 >= instant) & (target1 > b0), share)
    return b1, slope


def _flow(chain: Chain, dt_s: float, load0: Floats, load1: Floats, temperature_C: float) -> tuple[Floats, Floats]:
    """(..., F) flow strain gained over one step (exact for a linear tension), and its slope with the end load."""
    th = (temperature_C + ZERO_CELSIUS_K) / (chain.reference_C + ZERO_CELSIUS_K)
    scale = chain.flow_force_scale_N * th
    a = shift(chain.activation_flow_kJ_per_mol, temperature_C, chain.reference_C)
    rate = chain.flow_rate_per_s * a[..., None] * dt_s
    mean, slope = kernels.mean_sinh(load0[..., None] / scale, load1[..., None] / scale)
    return rate * mean, rate * slope / scale


def advance(
    chain: Chain, state: ChainState, dt_s: float, load0_N: object, load1_N: object, temperature_C: float
) -> tuple[ChainState, Floats]:
    """One exact step in which the load goes linearly from ``load0_N`` to ``load1_N``.

    Only the bedding target with an exponent other than 1 is approximated (by the chord between the two ends).

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
    after, slopes = advance_with_slopes(chain, state, dt_s, load0_N, load1_N, temperature_C)
    return after, slopes.strain


def advance_with_slopes(
    chain: Chain, state: ChainState, dt_s: float, load0_N: object, load1_N: object, temperature_C: float
) -> tuple[ChainState, ChainState]:
    """`advance` with the slope of every mode with ``load1_N``, 1/N, in the place of its strain."""
    if not dt_s >= 0:
        raise ValueError("a step cannot go back in time")
    load0, load1 = _array(load0_N), _array(load1_N)
    a = shift(chain.activation_recoverable_kJ_per_mol, temperature_C, chain.reference_C)
    x = dt_s * a[..., None] / chain.recoverable_tau_s
    decay, w0, w1 = kernels.exponential_weights(x)
    q = chain.recoverable_nonlinearity_per_N
    g0 = (load0 * (1.0 + q * load0))[..., None]
    g1 = (load1 * (1.0 + q * load1))[..., None]
    c = chain.recoverable_compliance_per_N
    r_slope: Floats = c * w1
    r1 = state.recoverable * decay + c * w0 * g0 + r_slope * g1
    if q.any():
        bend = c * kernels.curvature_weight(x, w1)
        change = load1 - load0
        r1 = r1 + (q * change * change)[..., None] * bend
        r_slope = r_slope * (1.0 + 2.0 * q * load1)[..., None] + bend * (2.0 * q * change)[..., None]
    b1, b_slope = _bedding(chain, state.bedding, dt_s, load0, load1, temperature_C)
    gain, f_slope = _flow(chain, dt_s, load0, load1, temperature_C)
    return (
        ChainState(recoverable=r1, bedding=b1, flow=state.flow + gain),
        ChainState(recoverable=r_slope, bedding=b_slope, flow=f_slope),
    )
