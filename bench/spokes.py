"""Simulated spokes on the frame: the chain of models/ in series with the frame, stepped fast in virtual time.

The equations are those of models.chain; this stepper holds mutable arrays and keeps its coefficients between steps,
so that a night of many stations passes in seconds. tests/bench/test_plant.py holds it to models.chain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.chain import (
    BEDDING_UNIT_N,
    Chain,
    ChainState,
    elastic_slope_per_N,
    elastic_strain,
    shift,
    virgin,
)
from models.units import ZERO_CELSIUS_K

Floats = NDArray[np.float64]
RATE_STEP_C = 0.05  # temperature at which rates are computed is rounded to this; expansion is not
FLOOR_N = 0.01  # below this a spoke is slack for the slope of its bedding-in
CLOSE_N = 0.2  # Newton stops here: what is left is of the order of 1e-4 of its square


def in_series(chain: Chain, spokes: Sequence[int]) -> Chain:
    """Several spokes in a row as one of their length: the mean of each part's compliance, for all bear one load.

    ``chain`` of leading shape (sum of ``spokes``,), whose draws differ in their compliances and rates alone; the result
    has leading shape (stations,). Exact, because every part of the strain is proportional to what differs.
    """
    edges = np.cumsum([0, *spokes[:-1]])

    def mean(a: Floats) -> Floats:
        full = np.broadcast_to(a, (sum(spokes), *a.shape[1:]))
        share = np.asarray(spokes, dtype=np.float64).reshape(-1, *([1] * (full.ndim - 1)))
        out: Floats = np.add.reduceat(full, edges, axis=0) / share
        return out

    first = chain.take(edges)
    return replace(
        first,
        EA0_N=1.0 / mean(1.0 / chain.EA0_N),
        recoverable_compliance_per_N=mean(chain.recoverable_compliance_per_N),
        bedding_compliance_per_N=mean(chain.bedding_compliance_per_N),
        flow_rate_per_s=mean(chain.flow_rate_per_s),
    )


class Spokes:
    """One spoke (or one line of them) on each of n stations."""

    def __init__(self, chain: Chain, gauge_length_mm: float | Floats, series_mm_per_N: Floats) -> None:
        """``chain`` of leading shape (n,); ``gauge_length_mm`` () or (n,): length that creeps on each station;
        ``series_mm_per_N`` (n,): compliance of frame, bars and spring in series.
        """
        (n,) = chain.shape
        self.chain = chain
        self.gauge_length_mm = gauge_length_mm
        self.load_N: Floats = np.zeros(n)
        self._follow = np.broadcast_to(series_mm_per_N / gauge_length_mm, (n,))
        self._K = chain.recoverable_tau_s.size
        J = chain.bedding_tau_s.size
        self._C = np.broadcast_to(chain.recoverable_compliance_per_N, (n, self._K))
        self._B = np.broadcast_to(chain.bedding_compliance_per_N, (n, J)) * BEDDING_UNIT_N
        self._tau = np.concatenate([chain.recoverable_tau_s, np.where(chain.bedding_tau_s > 0, chain.bedding_tau_s, 1)])
        self._at_once = np.concatenate([np.zeros(self._K, bool), chain.bedding_tau_s == 0])
        self._linear = not (chain.stiffening_per_N.any() or chain.toe_N.any())
        self._elastic_slope = np.broadcast_to(1.0 / chain.EA0_N, (n,))
        self._modes: Floats = np.zeros((n, self._K + J))  # recoverable, then bedding
        self._target: Floats = np.zeros((n, self._K + J))
        self._flow: Floats = np.zeros((n, chain.flow_rate_per_s.shape[-1]))
        # a product with ones is the fastest sum of so few numbers
        self._ones: Floats = np.ones(self._K + J)
        self._ones_bedding: Floats = np.ones(J)
        self._ones_flow: Floats = np.ones(chain.flow_rate_per_s.shape[-1])
        self._proportional = not chain.recoverable_nonlinearity_per_N.any()
        self._rates_at = np.nan
        self._weights_at = (np.nan, np.nan)

    @property
    def state(self) -> ChainState:
        """Where every mode stands, as models.chain has it."""
        blank = virgin(self.chain)
        return ChainState(
            recoverable=self._modes[:, : self._K].copy(),
            bedding=self._modes[:, self._K :].copy(),
            flow=self._flow.copy() if self._flow.size else blank.flow,
        )

    def replace(self, station: int) -> None:
        """A new virgin spoke of the same draw is put on a station."""
        self._modes[station] = 0.0
        self._target[station] = 0.0
        self._flow[station] = 0.0
        self.load_N[station] = 0.0

    def _set_rates(self, temperature_C: float) -> None:
        rounded = round(temperature_C / RATE_STEP_C) * RATE_STEP_C
        if rounded == self._rates_at:
            return
        c = self.chain
        self._rates_at = rounded
        self._weights_at = (np.nan, np.nan)
        a_r = np.asarray(shift(c.activation_recoverable_kJ_per_mol, rounded, c.reference_C))
        a_b = np.asarray(shift(c.activation_bedding_kJ_per_mol, rounded, c.reference_C))
        if a_r.ndim or a_b.ndim:
            n = self.load_N.size
            speed = np.concatenate(
                [
                    np.repeat(np.broadcast_to(a_r, (n,))[:, None], self._K, 1),
                    np.repeat(np.broadcast_to(a_b, (n,))[:, None], self._tau.size - self._K, 1),
                ],
                axis=1,
            )
        else:
            speed = np.concatenate([np.full(self._K, a_r), np.full(self._tau.size - self._K, a_b)])
        self._per_s = speed / self._tau
        self._flow_rate = (
            c.flow_rate_per_s * np.asarray(shift(c.activation_flow_kJ_per_mol, rounded, c.reference_C))[..., None]
        )
        self._flow_per_N = 1.0 / (c.flow_force_scale_N * (rounded + ZERO_CELSIUS_K) / (c.reference_C + ZERO_CELSIUS_K))

    def _set_weights(self, dt_s: float) -> None:
        """Exponential integrator: mode1 = mode0 E + target0 w0 + target1 w1 for a target linear over the step."""
        if self._weights_at == (dt_s, self._rates_at):
            return
        x = self._per_s * dt_s
        small = x < 1e-4
        safe = np.where(small, 1.0, x)
        fall = -np.expm1(-x)
        w1 = np.where(small, 0.5 * x, 1.0 - fall / safe)
        w1 = np.where(self._at_once, 1.0, w1)
        self._E = np.where(self._at_once, 0.0, 1.0 - fall)
        self._w0 = np.where(self._at_once, 0.0, fall - w1)
        self._w1 = w1
        self._Cw1 = (self._C * w1[..., : self._K]).sum(-1)
        self._Bw1 = self._B * w1[..., self._K :]
        self._weights_at = (dt_s, self._rates_at)

    def step(self, dt_s: float, extension_mm: Floats, temperature_C: float, gone: NDArray[np.bool_]) -> None:
        """Advance by ``dt_s`` in which the extension of spoke and frame together goes to ``extension_mm`` (n,).

        ``gone`` (n,): spokes that have let go and carry nothing. A load is never negative: a spoke goes slack.
        """
        self._set_rates(temperature_C)
        self._set_weights(dt_s)
        K, chain = self._K, self.chain
        held = self._modes[:, K:]
        # a bedding target below where the mode stands does not pull it back
        np.maximum(self._target[:, K:], held, out=self._target[:, K:])
        base = self._modes * self._E + self._target * self._w0
        load0 = self.load_N
        rate = self._flow_rate * dt_s
        want = (
            extension_mm / self.gauge_length_mm
            - chain.expansion_per_K * (temperature_C - chain.reference_C)
            - base @ self._ones
            - self._flow @ self._ones_flow
        )
        q, m = chain.recoverable_nonlinearity_per_N, chain.bedding_exponent
        plain = self._proportional
        load = load0
        for _ in range(40):
            at = np.maximum(load, FLOOR_N)
            shape = (at / BEDDING_UNIT_N) ** m
            bedding = self._B * shape[:, None]
            pushes = bedding > held
            b_sum = (self._w1[..., K:] * np.maximum(bedding, held)) @ self._ones_bedding
            b_slope = (self._Bw1 * pushes) @ self._ones_bedding * shape * m / at
            mid = np.minimum((0.5 * (load0 + load))[:, None] * self._flow_per_N, 60.0)
            grown = np.exp(mid)
            flow = 0.5 * rate * (grown - 1.0 / grown)
            f_slope = (0.25 * rate * self._flow_per_N * (grown + 1.0 / grown)) @ self._ones_flow
            if self._linear:
                elastic, e_slope = load * self._elastic_slope, self._elastic_slope
            else:
                elastic, e_slope = elastic_strain(chain, load), elastic_slope_per_N(chain, load)
            g = load if plain else load * (1.0 + q * load)
            g_slope = self._Cw1 if plain else self._Cw1 * (1.0 + 2.0 * q * load)
            miss = elastic + self._Cw1 * g + b_sum + flow @ self._ones_flow + self._follow * load - want
            nearer = np.maximum(load - miss / (e_slope + g_slope + b_slope + f_slope + self._follow), 0.0)
            nearer[gone] = 0.0
            change = float(np.abs(nearer - load).max())
            load = nearer
            if change < CLOSE_N:
                break
        g = load if plain else load * (1.0 + q * load)
        target = self._target
        target[:, :K] = self._C * g[:, None]
        target[:, K:] = self._B * ((load / BEDDING_UNIT_N) ** m)[:, None]
        np.maximum(target[:, K:], held, out=target[:, K:])
        self._modes = base + target * self._w1
        mid = np.minimum((0.5 * (load0 + load))[:, None] * self._flow_per_N, 60.0)
        self._flow = self._flow + rate * np.sinh(mid)
        self.load_N = load
