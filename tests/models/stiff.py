"""An integrator that shares nothing with the chain's stepping: the rules of one spoke handed to scipy's stiff solver."""

from __future__ import annotations

import math

import numpy as np
from scipy.integrate import solve_ivp

from models.chain import Chain
from models.history import LoadHistory

GAS = 8.314462618


def _arrhenius(q_kJ: float, th_C: float, ref_C: float) -> float:
    return math.exp(-q_kJ * 1e3 / GAS * (1 / (th_C + 273.15) - 1 / (ref_C + 273.15)))


def elastic(chain: Chain, load_N: float) -> float:
    s, ea = float(chain.stiffening_per_N), float(chain.EA0_N)
    toe = float(chain.toe_N) * (1 - math.exp(-load_N / float(chain.toe_scale_N)))
    return (load_N + toe) / ea if s == 0 else (math.log(1 + s * load_N) / s + toe) / ea


def rates(chain: Chain, y: np.ndarray, load_N: float, th_C: float) -> np.ndarray:
    """d/dt of [recoverable, slow bedding, flow] in microstrain, from the rules as they are written in words."""
    ref = chain.reference_C
    slow = chain.bedding_tau_s > 0
    nr, nb = chain.recoverable_tau_s.size, int(slow.sum())
    r, b = y[:nr], y[nr : nr + nb]
    g = load_N * (1 + float(chain.recoverable_nonlinearity_per_N) * load_N)
    a = _arrhenius(float(chain.activation_recoverable_kJ_per_mol), th_C, ref)
    dr = a * (1e6 * chain.recoverable_compliance_per_N * g - r) / chain.recoverable_tau_s
    target = 1e9 * chain.bedding_compliance_per_N[slow] * (max(load_N, 0.0) / 1000.0) ** float(chain.bedding_exponent)
    a = _arrhenius(float(chain.activation_bedding_kJ_per_mol), th_C, ref)
    db = a * np.maximum(0.0, target - b) / chain.bedding_tau_s[slow]
    a = _arrhenius(float(chain.activation_flow_kJ_per_mol), th_C, ref)
    scale = chain.flow_force_scale_N * (th_C + 273.15) / (ref + 273.15)
    df = 1e6 * a * chain.flow_rate_per_s * np.sinh(load_N / scale)
    return np.concatenate([dr, db, df])


def strain(chain: Chain, history: LoadHistory) -> np.ndarray:
    """(n,) total strain at the points of the history, piece by piece between its corners."""
    at_once = chain.bedding_compliance_per_N[chain.bedding_tau_s == 0].sum() * 1000.0
    m, n = float(chain.bedding_exponent), chain.recoverable_tau_s.size
    y = np.zeros(n + int((chain.bedding_tau_s > 0).sum()) + chain.flow_rate_per_s.size)
    out, peak = [], 0.0
    for i in range(history.time_s.size):
        if i and history.time_s[i] > history.time_s[i - 1]:
            t0, t1 = history.time_s[i - 1], history.time_s[i]
            ends = [history.load_N[i - 1], history.load_N[i]]
            th = [history.temperature_C[i - 1], history.temperature_C[i]]

            def f(t, y, t0=t0, t1=t1, ends=ends, th=th):
                u = (t - t0) / (t1 - t0)
                return rates(chain, y, ends[0] + u * (ends[1] - ends[0]), th[0] + u * (th[1] - th[0]))

            done = solve_ivp(f, (t0, t1), y, method="LSODA", rtol=1e-10, atol=1e-9, first_step=min(1e-3, t1 - t0))
            assert done.success, done.message
            y = done.y[:, -1]
        peak = max(peak, history.load_N[i])
        thermal = float(chain.expansion_per_K) * (history.temperature_C[i] - chain.reference_C)
        out.append(
            elastic(chain, history.load_N[i]) + 1e-6 * y.sum() + at_once * (max(peak, 0) / 1000.0) ** m + thermal
        )
    return np.array(out)


def relaxation(chain: Chain, y0: np.ndarray, total: float, follow_per_N: float, th_C: float, times_s: np.ndarray):
    """Load at the times while strain + follow x load = total; ``y0`` as in `rates` and the load only falling.

    Bedding at once takes no part, since the load never passes its peak: put it into ``total``.
    """
    s, ea = float(chain.stiffening_per_N), float(chain.EA0_N)

    def load(y: np.ndarray) -> float:
        want = total - 1e-6 * y.sum()
        if s == 0 and chain.toe_N == 0:
            return want / (1 / ea + follow_per_N)
        low, high = 0.0, 1e5
        for _ in range(200):
            mid = 0.5 * (low + high)
            low, high = (mid, high) if elastic(chain, mid) + follow_per_N * mid < want else (low, mid)
        return 0.5 * (low + high)

    done = solve_ivp(
        lambda t, y: rates(chain, y, load(y), th_C),
        (0.0, times_s[-1]),
        y0,
        method="LSODA",
        t_eval=times_s,
        rtol=1e-10,
        atol=1e-9,
        first_step=1e-3,
    )
    assert done.success, done.message
    return np.array([load(y) for y in done.y.T])
