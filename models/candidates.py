"""The laws that a fit compares: each turns two or three numbers into the recoverable part on the fit's own modes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.basis import RECOVERABLE_TAU_S
from models.projection import Law

Floats = NDArray[np.float64]
GENERAL = "smooth Kelvin chain"
NOTHING = -35.0  # natural logarithm of a mode that is not there, 1/N
LN_TAU: Floats = np.log(RECOVERABLE_TAU_S)
SPACING = float(np.diff(LN_TAU).mean())


def _power(v: Floats) -> Floats:
    """J = C t^n: spectrum C n tau^n/Gamma(1 - n) for each unit of ln tau."""
    ln_c, ln_n = v
    n = math.exp(min(ln_n, -0.05))
    out: Floats = ln_c + ln_n + n * LN_TAU - math.lgamma(1.0 - n) + math.log(SPACING)
    return out


def _logarithmic(v: Floats) -> Floats:
    """J = C ln(1 + t/t0): a flat spectrum, C for each unit of ln tau, cut off below t0 (here below the first mode)."""
    return np.full(LN_TAU.size, v[0] + math.log(SPACING))


def _single(v: Floats) -> Floats:
    """One mode of any time constant, shared by the two nearest of the grid."""
    share = np.maximum(1.0 - np.abs(LN_TAU - v[1]) / SPACING, 0.0)
    out: Floats = v[0] + np.log(np.maximum(share, math.exp(NOTHING)))
    return out


def _stretched(v: Floats) -> Floats:
    """J = C (1 - exp(-(t/tau)^m)): spectrum by Schwarzl and Staverman's second approximation, good for m below 0.6."""
    ln_c, ln_tau, ln_m = v
    m = math.exp(min(ln_m, 0.0))
    z = np.exp(np.clip(m * (LN_TAU + math.log(2.0) - ln_tau), -700.0, 6.0))
    density = m * z * np.exp(-z) * (1.0 - m * (1.0 - z))
    out: Floats = ln_c + np.log(np.maximum(density * SPACING, math.exp(NOTHING)))
    return out


def laws(EA_N: float) -> tuple[Law, ...]:
    """The candidates beside the general chain, started for a spoke of about this stiffness; values are logarithms."""
    per_e = math.log(0.16 / math.log(10.0) / EA_N)  # of the elastic compliance for each unit of ln t

    def law(
        name: str,
        start: tuple[float, ...],
        sd: tuple[float, ...],
        names: tuple[str, ...],
        f: object,
        flow: bool = False,
    ) -> Law:
        return Law(
            name=name,
            start=np.array(start),
            sd=np.array(sd),
            names=names,
            log_compliance=f,  # type: ignore[arg-type]
            linear_flow=flow,
        )

    c, tau = "ln compliance_per_N", "ln tau_s"
    one = math.log(0.5 / EA_N)
    return (
        law("power law", (per_e + math.log(20.0), math.log(0.05)), (1.5, 0.6), (c, "ln exponent"), _power),
        law("logarithmic", (per_e,), (1.5,), (c,), _logarithmic),
        law(
            "stretched exponential",
            (one, math.log(1e4), math.log(0.3)),
            (1.5, 4.0, 0.5),
            (c, tau, "ln exponent"),
            _stretched,
        ),
        law("standard linear solid", (one, math.log(3e3)), (1.5, 3.0), (c, tau), _single),
        law("Burgers", (one, math.log(1e3)), (1.5, 3.0), (c, tau), _single, flow=True),
    )
