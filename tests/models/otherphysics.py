"""Hidden spokes for blind fits: physics other than the chain's (dense spectra, two flows, a bedding continuum, drift).

Written apart from models/ on purpose: its own stepping, its own forms. Everything in it is invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

R = 8.314462618e-3  # kJ/(mol K)
GAUGE_MM = 285.0
STEPS = 260


@dataclass
class HiddenBatch:
    """A batch's middle spoke in hidden form; ``spokes`` draws scales about it."""

    EA_N: float
    stiffening: float  # 1/N
    taus: np.ndarray
    compliance: np.ndarray  # strain per N
    bed_taus: np.ndarray
    bed: np.ndarray  # strain at 1000 N
    bed_power: float
    flow_rate: np.ndarray  # 1/s at 1000 N, one for each process
    flow_scale: np.ndarray  # N
    q_rec: float
    q_flow: float
    alpha: float
    scatter: tuple[float, float, float, float] = (0.03, 0.10, 0.09, 0.35)

    def scales(self, rng: np.random.Generator, spokes: int) -> np.ndarray:
        return np.exp(rng.standard_normal((spokes, 4)) * self.scatter)


def hidden_batch(rng: np.random.Generator) -> HiddenBatch:
    """A batch from a wide family: a bumpy power-law spectrum over eleven decades, and the rest to match."""
    EA = np.exp(rng.normal(np.log(380e3), 0.25))
    taus = 10 ** np.arange(-1, 10.01, 1 / 6)
    n = rng.uniform(0.03, 0.09)
    level = rng.uniform(0.10, 0.22)  # of elastic, per decade, at 1000 s
    log_c = np.log(level / 6 / EA) + n * np.log(taus / 1e3)
    for centre in rng.uniform(0, 8, 3):
        log_c = log_c + rng.normal(0, 0.2) * np.exp(-0.5 * ((np.log10(taus) - centre) / 1.0) ** 2)
    B = np.exp(rng.normal(np.log(1.2e-3), 0.5))
    now = rng.uniform(0.55, 0.85)
    bed_taus = np.concatenate([[0.0], 10 ** rng.uniform(1.0, 4.6, 8)])
    bed = B * np.concatenate([[now], (1 - now) * rng.dirichlet(np.full(8, 2.0))])
    area = EA / rng.uniform(60e3, 95e3)
    stress = 1000.0 / area
    v = rng.uniform(0.055, 0.11)
    scale = 1.380649e-23 * 293.15 / (v * 1e-27) / 1e6
    f1 = 2e-11 * np.exp(rng.normal(0, 0.7)) * np.sinh(stress / scale) / np.sinh(160 / scale)
    f2 = f1 * rng.uniform(0.0, 0.4)
    return HiddenBatch(
        EA_N=EA,
        stiffening=rng.uniform(0, 1.5e-4),
        taus=taus,
        compliance=np.exp(log_c),
        bed_taus=bed_taus,
        bed=bed,
        bed_power=rng.uniform(0.55, 0.9),
        flow_rate=np.array([f1, f2]),
        flow_scale=np.array([scale * area, scale * area * rng.uniform(1.5, 3.0)]),
        q_rec=rng.normal(100, 8),
        q_flow=rng.normal(122, 10),
        alpha=rng.normal(-12e-6, 1.5e-6),
    )


class Spokes:
    """Hidden spokes stepped in time; loads (S,)."""

    def __init__(self, b: HiddenBatch, scales: np.ndarray, reference_C: float = 20.0) -> None:
        self.b, self.s, self.ref = b, scales, reference_C
        S = len(scales)
        self.r = np.zeros((S, b.taus.size))
        self.g = np.zeros((S, b.bed.size))
        self.f = np.zeros(S)

    def elastic(self, load):
        x = self.b.stiffening * load
        return np.log1p(x) / max(self.b.stiffening, 1e-12) / self.b.EA_N * self.s[:, 0]

    def elastic_slope(self, load):
        return self.s[:, 0] / (self.b.EA_N * (1 + self.b.stiffening * load))

    def inelastic_after(self, dt, load, th):
        b = self.b
        kelvin = th + 273.15
        inverse = 1 / kelvin - 1 / (self.ref + 273.15)
        decay = np.exp(-dt * np.exp(-b.q_rec / R * inverse) / b.taus)
        target = b.compliance * self.s[:, 1:2] * load[:, None]
        r = target + (self.r - target) * decay
        goal = b.bed * self.s[:, 2:3] * (np.maximum(load, 0) / 1000.0)[:, None] ** b.bed_power
        d = np.where(b.bed_taus > 0, np.exp(-dt / np.where(b.bed_taus > 0, b.bed_taus, 1)), 0.0)
        g = np.maximum(self.g, goal + (self.g - goal) * d)
        rate = b.flow_rate * np.sinh(load[:, None] / b.flow_scale) / np.sinh(1000.0 / b.flow_scale)
        f = self.f + dt * np.exp(-b.q_flow / R * inverse) * rate.sum(-1) * self.s[:, 3]
        return r, g, f

    def step(self, dt, load, th):
        """Constant load over dt; returns total strain after it."""
        self.r, self.g, self.f = self.inelastic_after(dt, load, th)
        return self.strain(load, th)

    def strain(self, load, th):
        return self.elastic(load) + self.r.sum(-1) + self.g.sum(-1) + self.f + self.b.alpha * (th - self.ref)

    def step_chord(self, dt, chord, phi, th, guess):
        """Load after dt such that strain + phi load/EA0 = chord, by the secant on the end load."""
        load = guess.copy()
        follow = phi / self.b.EA_N
        for _ in range(40):
            r, g, f = self.inelastic_after(dt, load, th)
            miss = (
                self.elastic(load) + r.sum(-1) + g.sum(-1) + f + self.b.alpha * (th - self.ref) + follow * load - chord
            )
            change = miss / (self.elastic_slope(load) * 1.6 + follow)
            load = load - change
            if np.abs(change).max() < 1e-6:
                break
        self.r, self.g, self.f = self.inelastic_after(dt, load, th)
        return load


PROGRAMS = {
    # seconds, N
    "levels": [(120, 20), (6 * 3600, 1000), (2 * 3600, 15), (4 * 3600, 1400)],
    "long": [(120, 20), (8 * 3600, 1000), (3 * 3600, 15), (5 * 3600, 1400)],
    "hold": [(120, 20), (12 * 3600, 1000)],
}


def night(
    b: HiddenBatch,
    scales: np.ndarray,
    rng: np.random.Generator,
    program: str = "levels",
    row_s: float = 5.0,
    noise_mm: float = 1e-3,
    drift_mm: float = 1.5e-3,
    swing_K: float = 1.0,
    names: tuple[str, ...] | None = None,
) -> pd.DataFrame:
    """The bench night of some spokes as a run table: 1 s rows while load moves and shortly after, then ``row_s``."""
    S = len(scales)
    spokes = Spokes(b, scales)
    t, load = 0.0, 20.0
    loads, times = [], []
    for hold, level in PROGRAMS[program]:
        ramp = abs(level - load) / 20.0
        k = round(ramp)
        for j in range(k):
            t += 1.0
            times.append(t)
            loads.append(load + (level - load) * (j + 1) / k)
        load = level
        end = t + hold
        while t < end - 1e-6:
            t += 1.0 if hold - (end - t) < 300 else row_s
            times.append(t)
            loads.append(level)
    time, load_N = np.array(times), np.array(loads)
    th = (
        20.5
        + swing_K * np.sin(2 * np.pi * time / 86400 + rng.uniform(0, 6.3))
        + 0.2 * rng.standard_normal() * time / 43200
    )
    out = np.empty((time.size, S))
    zero = spokes.step(1e-3, np.full(S, 20.0), th[0])
    before = 0.0
    held = 20.0
    for i in range(time.size):
        dt = time[i] - before
        for part in (1.0,) if abs(load_N[i] - held) < 1 else (0.25, 0.5, 0.75, 1.0):
            n = 1 if abs(load_N[i] - held) < 1 else 4
            out[i] = spokes.step(dt / n, np.full(S, held + (load_N[i] - held) * part), th[i])
        before, held = time[i], load_N[i]
    gap = np.diff(time, prepend=0.0)
    frames = []
    for k in range(S):
        wander = np.cumsum(rng.standard_normal(time.size) * np.sqrt(gap / 43200.0)) * drift_mm
        seat = rng.normal(0, 0.01)
        y = GAUGE_MM * (out[:, k] - zero[k]) + wander + seat + noise_mm * rng.standard_normal(time.size)
        frames.append(
            pd.DataFrame(
                {
                    "time_s": time,
                    "spoke": names[k] if names else f"T{k + 1:02d}",
                    "load_N": np.round(load_N + 0.5 * rng.standard_normal(time.size), 2),
                    "elongation_mm": np.round(y / 5e-4) * 5e-4,
                    "temperature_C": np.round(th + 0.05 * rng.standard_normal(time.size), 2),
                    "gauge_length_mm": GAUGE_MM,
                }
            )
        )
    return pd.concat(frames, ignore_index=True)


def wheel(
    b: HiddenBatch, scales: np.ndarray, phi: float, pre: tuple[float, float, float] | None, days: np.ndarray
) -> np.ndarray:
    """Mean in-wheel tension (days,) of spokes set to 1000 N (held 30 min) and left, each alone with follow-up phi.

    ``pre``: (load N, hours, slack hours) of a bench night before, or None.
    """
    spokes = Spokes(b, scales)
    S = len(scales)
    spokes.step(1e-3, np.full(S, 20.0), 20.0)

    def hold(load, seconds):
        edges = np.concatenate([[0], np.geomspace(1.0, seconds, STEPS // 4)])
        for dt in np.diff(edges):
            spokes.step(dt, np.full(S, float(load)), 20.0)

    if pre is not None:
        hold(pre[0], pre[1] * 3600)
        hold(0.0, pre[2] * 3600)
        hold(100.0, 11.5 * 3600)
    hold(1000.0, 1800.0)
    load = np.full(S, 1000.0)
    chord = spokes.strain(load, 20.0) + phi * load / b.EA_N
    edges = np.concatenate([[0], np.geomspace(1.0, days[-1] * 86400, STEPS)])
    out = []
    for dt in np.diff(edges):
        load = spokes.step_chord(dt, chord, phi, 20.0, load)
        out.append(load.mean())
    return np.interp(np.log(days * 86400), np.log(edges[1:]), out)
