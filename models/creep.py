"""Named creep laws as vectorised functions, with formula, bounds and units; the table of them is laws.py.

A law of time gives the strain that its part adds at a constant load applied at time 0; parts add up to a spoke. The
functions named ``..._relaxation`` give the load that is left when a spoke of that law and an elastic part EA0_N is
loaded at once and its length, with a compliance phi/EA0_N in series, is then held. ``time_s`` and ``load_N``
broadcast; parameters may be arrays that broadcast with them, except the modes of a Kelvin chain.
"""

from __future__ import annotations

import math
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray

from models import kernels
from models.bounds import Bounds, bounded
from models.mittag_leffler import mittag_leffler

Floats = NDArray[np.float64]
BEDDING_UNIT_N = 1000.0

Time = Annotated[Any, Bounds(unit="s", closed=True)]
Load = Annotated[Any, Bounds(unit="N", closed=True)]
Stiffness = Annotated[Any, Bounds(unit="N")]
Viscosity = Annotated[Any, Bounds(unit="N s")]
Springpot = Annotated[Any, Bounds(unit="N s^a")]
Compliance = Annotated[Any, Bounds(unit="1/N", closed=True)]
Tau = Annotated[Any, Bounds(unit="s")]
Order = Annotated[Any, Bounds(unit="1", low=0.0, high=0.98)]
Rate = Annotated[Any, Bounds(unit="1/s", closed=True)]
Scale = Annotated[Any, Bounds(unit="N")]
FollowUp = Annotated[Any, Bounds(unit="1", closed=True)]
Activation = Annotated[Any, Bounds(unit="kJ/mol", closed=True)]


def _f(value: object) -> Floats:
    return np.asarray(value, dtype=np.float64)


@bounded
def linear_elastic(time_s: Time, load_N: Load, *, EA0_N: Stiffness) -> Floats:
    """T/EA0."""
    return _f(0.0 * _f(time_s) + _f(load_N) / EA0_N)


@bounded
def stiffening_elastic(time_s: Time, load_N: Load, *, EA0_N: Stiffness, stiffening_per_N: Compliance) -> Floats:
    """ln(1 + s T)/(s EA0): incremental stiffness EA0 (1 + s T)."""
    return linear_elastic(time_s, load_N, EA0_N=EA0_N) * kernels.log_ratio(_f(stiffening_per_N) * _f(load_N))


@bounded
def kelvin_chain(time_s: Time, load_N: Load, *, tau_s: Tau, compliance_per_N: Compliance) -> Floats:
    """T sum_k C_k (1 - exp(-t/tau_k)); the modes lie along the last axis of both parameters."""
    growth = -np.expm1(-_f(time_s)[..., None] / _f(tau_s))
    total: Floats = _f(load_N) * (_f(compliance_per_N) * growth).sum(-1)
    return total


@bounded
def kelvin_chain_relaxation(
    time_s: Time, load0_N: Load, *, EA0_N: Stiffness, tau_s: Tau, compliance_per_N: Compliance, phi: FollowUp = 0.0
) -> Floats:
    """T0 (1 - v'Q (1 - exp(-L t))/L Q'v/J0), Q L Q' = diag(1/tau) + v v'/J0, v_k^2 = C_k/tau_k, J0 = (1 + phi)/EA0.

    The modes' equations made symmetric and solved by eigenvalues: exact for any chain.
    """
    instant = (1.0 + float(phi)) / float(EA0_N)
    tau, compliance = np.atleast_1d(_f(tau_s)), np.atleast_1d(_f(compliance_per_N))
    v = np.sqrt(compliance / tau)
    rate, q = np.linalg.eigh(np.diag(1.0 / tau) + np.outer(v, v) / instant)
    part = (q.T @ v) ** 2 / rate / instant
    lost = (part * -np.expm1(-_f(time_s)[..., None] * rate)).sum(-1)
    return _f(_f(load0_N) * (1.0 - lost))


@bounded
def standard_linear_solid(
    time_s: Time, load_N: Load, *, EA0_N: Stiffness, compliance_per_N: Compliance, tau_s: Tau
) -> Floats:
    """T (1/EA0 + C (1 - exp(-t/tau))): a spring in series with one Kelvin element."""
    delayed = _f(load_N) * compliance_per_N * -np.expm1(-_f(time_s) / tau_s)
    return _f(linear_elastic(time_s, load_N, EA0_N=EA0_N) + delayed)


@bounded
def standard_linear_solid_relaxation(
    time_s: Time, load0_N: Load, *, EA0_N: Stiffness, compliance_per_N: Compliance, tau_s: Tau, phi: FollowUp = 0.0
) -> Floats:
    """T0 (F + (1 - F) exp(-t/tau_e)), F = (1 + phi)/(1 + phi + C EA0), tau_e = tau F."""
    left = (1.0 + _f(phi)) / (1.0 + _f(phi) + _f(compliance_per_N) * EA0_N)
    return _f(_f(load0_N) * (left + (1.0 - left) * np.exp(-_f(time_s) / (tau_s * left))))


@bounded
def burgers(
    time_s: Time, load_N: Load, *, EA0_N: Stiffness, compliance_per_N: Compliance, tau_s: Tau, viscosity_N_s: Viscosity
) -> Floats:
    """T (1/EA0 + t/eta + C (1 - exp(-t/tau))): the standard linear solid with a dashpot in series."""
    solid = standard_linear_solid(time_s, load_N, EA0_N=EA0_N, compliance_per_N=compliance_per_N, tau_s=tau_s)
    return _f(solid + _f(load_N) * _f(time_s) / viscosity_N_s)


@bounded
def burgers_relaxation(
    time_s: Time,
    load0_N: Load,
    *,
    EA0_N: Stiffness,
    compliance_per_N: Annotated[Any, Bounds(unit="1/N")],
    tau_s: Tau,
    viscosity_N_s: Viscosity,
    phi: FollowUp = 0.0,
) -> Floats:
    """T0 ((q1 - q2 r1) exp(-r1 t) - (q1 - q2 r2) exp(-r2 t))/(A E1), r1, r2 = (p1 -+ A)/(2 p2), A^2 = p1^2 - 4 p2.

    E1 = EA0/(1 + phi), E2 = 1/C, eta2 = tau E2, p1 = eta/E1 + eta/E2 + eta2/E2, p2 = eta eta2/(E1 E2), q1 = eta,
    q2 = eta eta2/E2. Findley, Lai & Onaran, Creep and Relaxation of Nonlinear Viscoelastic Materials, table 5.1.
    """
    e1, tau, eta = EA0_N / (1.0 + _f(phi)), _f(tau_s), _f(viscosity_N_s)
    p1 = eta / e1 + eta * compliance_per_N + tau
    p2 = eta * tau / e1
    a = np.sqrt(p1 * p1 - 4.0 * p2)
    r1, r2 = 2.0 / (p1 + a), (p1 + a) / (2.0 * p2)
    t = _f(time_s)
    left = (eta * (1.0 - tau * r1) * np.exp(-r1 * t) - eta * (1.0 - tau * r2) * np.exp(-r2 * t)) / (a * e1)
    return _f(_f(load0_N) * left)


@bounded
def power_law(time_s: Time, load_N: Load, *, compliance_per_N: Compliance, exponent: Order) -> Floats:
    """T C (t/1 s)^n."""
    return _f(_f(load_N) * compliance_per_N * _f(time_s) ** exponent)


@bounded
def power_law_relaxation(
    time_s: Time, load0_N: Load, *, EA0_N: Stiffness, compliance_per_N: Compliance, exponent: Order, phi: FollowUp = 0.0
) -> Floats:
    """T0 E_n(-C EA0 Gamma(1 + n)/(1 + phi) t^n), E_n the Mittag-Leffler function; n one number."""
    n = float(exponent)
    x = _f(compliance_per_N) * EA0_N * math.gamma(1.0 + n) / (1.0 + _f(phi)) * _f(time_s) ** n
    return _f(load0_N) * mittag_leffler(n, x)


@bounded
def logarithmic(time_s: Time, load_N: Load, *, compliance_per_N: Compliance, onset_s: Tau) -> Floats:
    """T C ln(1 + t/t0): the same strain in every decade once t0 is passed."""
    return _f(_f(load_N) * compliance_per_N * np.log1p(_f(time_s) / onset_s))


@bounded
def stretched_exponential(
    time_s: Time,
    load_N: Load,
    *,
    compliance_per_N: Compliance,
    tau_s: Tau,
    exponent: Annotated[Any, Bounds(unit="1", low=0.05, high=1.0, closed=True)],
) -> Floats:
    """T C (1 - exp(-(t/tau)^b))."""
    return _f(_f(load_N) * compliance_per_N * -np.expm1(-((_f(time_s) / tau_s) ** exponent)))


@bounded
def springpot(time_s: Time, load_N: Load, *, springpot_N_s: Springpot, order: Order) -> Floats:
    """T t^a/(V Gamma(1 + a)): between a spring (a = 0) and a dashpot (a = 1); V in N s^a. Add an elastic part."""
    return _f(_f(load_N) * _f(time_s) ** order / (_f(springpot_N_s) * math.gamma(1.0 + float(order))))


@bounded
def springpot_relaxation(
    time_s: Time, load0_N: Load, *, EA0_N: Stiffness, springpot_N_s: Springpot, order: Order, phi: FollowUp = 0.0
) -> Floats:
    """T0 E_a(-EA0 t^a/(V (1 + phi))): a springpot in series with a spring (fractional Maxwell body)."""
    x = EA0_N / (_f(springpot_N_s) * (1.0 + _f(phi))) * _f(time_s) ** order
    return _f(load0_N) * mittag_leffler(float(order), x)


@bounded
def fractional_kelvin(time_s: Time, load_N: Load, *, compliance_per_N: Compliance, tau_s: Tau, order: Order) -> Floats:
    """T C (1 - E_a(-(t/tau)^a)): a springpot beside a spring; a one number. Add an elastic part."""
    left = mittag_leffler(float(order), (_f(time_s) / tau_s) ** float(order))
    return _f(_f(load_N) * compliance_per_N * (1.0 - left))


@bounded
def nonlinear_recoverable(
    time_s: Time,
    load_N: Load,
    *,
    tau_s: Tau,
    compliance_per_N: Compliance,
    nonlinearity_per_N: Annotated[Any, Bounds(unit="1/N", closed=True)],
) -> Floats:
    """T (1 + q T) sum_k C_k (1 - exp(-t/tau_k)): a Kelvin chain that answers more than in proportion."""
    load = _f(load_N)
    linear = kelvin_chain(time_s, load, tau_s=tau_s, compliance_per_N=compliance_per_N)
    return _f(linear * (1.0 + nonlinearity_per_N * load))


@bounded
def log_time_bedding(
    time_s: Time,
    load_N: Load,
    *,
    at_once_per_N: Compliance,
    compliance_per_N: Compliance,
    onset_s: Tau,
    bedding_exponent: Annotated[Any, Bounds(unit="1", high=3.0)] = 1.0,
) -> Floats:
    """1000 N (T/1000 N)^m (B0 + B ln(1 + t/t0)): one-way; nothing of it comes back."""
    shape, _ = kernels.power_of_load(_f(load_N), BEDDING_UNIT_N, _f(bedding_exponent))
    return _f(BEDDING_UNIT_N * shape * (at_once_per_N + _f(compliance_per_N) * np.log1p(_f(time_s) / onset_s)))


@bounded
def activated_flow(time_s: Time, load_N: Load, *, rate_per_s: Rate, force_scale_N: Scale) -> Floats:
    """t e sinh(T/T0): one stress-activated process (Eyring)."""
    return _f(_f(time_s) * rate_per_s * np.sinh(_f(load_N) / force_scale_N))


@bounded
def activated_flow_relaxation(
    time_s: Time, load0_N: Load, *, EA0_N: Stiffness, rate_per_s: Rate, force_scale_N: Scale, phi: FollowUp = 0.0
) -> Floats:
    """T from tanh(T/2 T0) = tanh(T(0)/2 T0) exp(-EA0 e t/(T0 (1 + phi)))."""
    scale = _f(force_scale_N)
    decay = np.exp(-EA0_N * _f(rate_per_s) * _f(time_s) / (scale * (1.0 + _f(phi))))
    return _f(2.0 * scale * np.arctanh(np.tanh(0.5 * _f(load0_N) / scale) * decay))


@bounded
def two_activated_flows(
    time_s: Time,
    load_N: Load,
    *,
    rate_1_per_s: Rate,
    force_scale_1_N: Scale,
    rate_2_per_s: Rate,
    force_scale_2_N: Scale,
) -> Floats:
    """t (e1 sinh(T/T1) + e2 sinh(T/T2)): two processes whose rates add."""
    first = activated_flow(time_s, load_N, rate_per_s=rate_1_per_s, force_scale_N=force_scale_1_N)
    return first + activated_flow(time_s, load_N, rate_per_s=rate_2_per_s, force_scale_N=force_scale_2_N)


@bounded
def flows_sharing_load(
    time_s: Time,
    load_N: Load,
    *,
    rate_1_per_s: Annotated[Any, Bounds(unit="1/s")],
    force_scale_1_N: Scale,
    rate_2_per_s: Annotated[Any, Bounds(unit="1/s")],
    force_scale_2_N: Scale,
) -> Floats:
    """t e with T = T1 asinh(e/e1) + T2 asinh(e/e2): two processes that share the load (Ward & Wilding)."""
    load, ratio = _f(load_N), _f(rate_1_per_s) / rate_2_per_s
    low, high = np.zeros_like(load), load / force_scale_1_N
    for _ in range(80):  # x = asinh(e/e1), the share of the first process over its scale
        x = 0.5 * (low + high)
        over = force_scale_1_N * x + force_scale_2_N * np.arcsinh(ratio * np.sinh(x)) > load
        low, high = np.where(over, low, x), np.where(over, x, high)
    return _f(_f(time_s) * rate_1_per_s * np.sinh(0.5 * (low + high)))


@bounded
def arrhenius(
    temperature_C: Annotated[Any, Bounds(unit="degC", low=-273.15)],
    *,
    activation_kJ_per_mol: Activation,
    reference_C: float = 20.0,
) -> Floats:
    """exp(-Q/R (1/th - 1/th_ref)): how many times faster a part runs."""
    return kernels.shift(activation_kJ_per_mol, temperature_C, reference_C)


@bounded
def expansion(
    temperature_C: Annotated[Any, Bounds(unit="degC", low=-273.15)],
    *,
    expansion_per_K: Annotated[Any, Bounds(unit="1/K", low=-1e-3, high=1e-3)],
    reference_C: float = 20.0,
) -> Floats:
    """alpha (th - th_ref); alpha is negative along the fibre."""
    return _f(expansion_per_K * (_f(temperature_C) - reference_C))
