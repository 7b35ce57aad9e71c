"""Hidden batches for the blind trial: spokes whose physics is not the fit's, with their own exact stepping.

Nothing here imports the program. A hidden spoke has a dense spectrum of some sixty recoverable modes (a power law with
bumps, the stress entering through a hyperbolic sine), a toe in its elastic curve, bedding-in by one of three other
rules, two thermally activated flow processes that share the stress (so that flow has something like a threshold), and
in some batches bedding that is lost while the spoke lies slack. Ranges are the project's own estimates of a braided
gel-spun polyethylene spoke; `nasty` batches go beyond them and are reported apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
GAS_J_PER_MOL_K = 8.314462618
BOLTZMANN_J_PER_K = 1.380649e-23
DENSITY_KG_PER_M3 = 970.0
SLACK_N = 30.0  # below this load a braid counts as slack for the loss of bedding


@dataclass(frozen=True, kw_only=True)
class HiddenBatch:
    """Everything true of one batch; no part of it is ever shown to the program."""

    seed: int
    nasty: bool
    linear_density_g_per_m: float
    EA_N: float  # beyond the toe
    toe_strain: float
    toe_load_N: float
    tau_s: Floats  # (K,)
    compliance_per_N: Floats  # (K,)
    sinh_load_N: float  # inf: linear in stress
    bedding_kind: str  # modes, log or threshold
    bedding_strain: float  # at 1000 N, whole (modes, threshold) or the part taken at once (log)
    bedding_exponent: float
    bedding_tau_s: Floats  # (J,) modes and threshold; 0 = at once
    bedding_weight: Floats  # (J,)
    bedding_threshold_N: float
    bedding_log_strain: float  # strain per e-fold of time at 1000 N (log)
    bedding_log_start_s: float
    loss_share: float  # of the bedding, given back while slack
    loss_tau_s: float
    flow_rate_per_s: float  # at flow_stress_MPa and the reference temperature
    flow_stress_MPa: float
    flow_share: float  # of the stress carried by the process of large volume
    volume_nm3: tuple[float, float]
    activation_kJ_per_mol: tuple[float, float, float]  # recoverable, bedding, flow
    expansion_per_K: float
    reference_C: float
    log_sd: tuple[float, float, float, float]  # elastic, recoverable, bedding, flow
    correlation: float  # between elastic and recoverable scales
    shape_sd: float = (
        0.0  # spoke to spoke, of the spectrum's slope (log of compliance over e-folds of time from 1000 s)
    )
    slip_probability: float = 0.0  # of an end fitting, one spoke, one loading

    @property
    def area_mm2(self) -> float:
        return self.linear_density_g_per_m / 1000.0 / DENSITY_KG_PER_M3 * 1e6


def _spectrum(rng: np.random.Generator, EA_N: float, nasty: bool) -> tuple[Floats, Floats]:
    """Sixty modes over ten decades: a power law, a bump in half the batches, a far cut-off in a third."""
    decades = np.linspace(-1.0, 9.0, 61)[:-1] + 1.0 / 12.0
    tau = 10.0**decades
    slope = rng.uniform(0.03, 0.08)
    level = rng.uniform(0.6, 1.4) if not nasty else rng.uniform(0.5, 1.6)
    per_decade = 0.163 * level * (tau / 1e3) ** slope
    if rng.random() < 0.5:
        centre, width = rng.uniform(1.0, 6.0), rng.uniform(0.6, 1.4)
        per_decade *= 1.0 + rng.uniform(-0.3, 0.5) * np.exp(-0.5 * ((decades - centre) / width) ** 2)
    if rng.random() < 1.0 / 3.0:
        per_decade *= np.exp(-tau / 10.0 ** rng.uniform(6.0, 8.5))
    return tau, per_decade / 6.0 / EA_N


def draw_batch(seed: int, nasty: bool = False) -> HiddenBatch:
    """One hidden batch from its seed."""
    rng = np.random.default_rng([seed, 20])
    lin = rng.uniform(3.6, 6.0)
    area = lin / DENSITY_KG_PER_M3 * 1e3
    EA = rng.uniform(58.0, 110.0) * 1e3 * area
    tau, compliance = _spectrum(rng, EA, nasty)
    kind = str(rng.choice(["modes", "log", "threshold"]))
    exponent = rng.uniform(0.5, 1.0)
    bedding = math.exp(rng.uniform(math.log(0.5e-3), math.log(2.0e-3))) * (6.0 / lin) ** exponent
    if nasty and rng.random() < 0.5:
        bedding = rng.uniform(4e-3, 12e-3)  # hardly heat-set
    at_once = rng.uniform(0.6, 0.85)
    n = int(rng.integers(4, 9))
    slow = np.sort(10.0 ** rng.uniform(1.3, 5.0, n))
    weight = np.concatenate([[at_once], (1.0 - at_once) * rng.dirichlet(np.full(n, 2.0))])
    start = 10.0 ** rng.uniform(0.7, 2.0)
    loss = rng.uniform(0.05, 0.3) if rng.random() < 0.5 else 0.0
    if nasty and rng.random() < 0.5:
        loss = rng.uniform(0.5, 1.0)
    widen = 1.6 if nasty else 1.0
    return HiddenBatch(
        seed=seed,
        nasty=nasty,
        linear_density_g_per_m=float(lin),
        EA_N=float(EA),
        toe_strain=float(rng.uniform(1e-4, 6e-4)) if rng.random() < 0.7 else 0.0,
        toe_load_N=float(rng.uniform(40.0, 150.0)),
        tau_s=tau,
        compliance_per_N=compliance,
        sinh_load_N=float(rng.uniform(2200.0, 6000.0)) if rng.random() < 0.5 else math.inf,
        bedding_kind=kind,
        bedding_strain=float(bedding * (at_once if kind == "log" else 1.0)),
        bedding_exponent=float(exponent),
        bedding_tau_s=np.concatenate([[0.0], slow]),
        bedding_weight=weight,
        bedding_threshold_N=float(rng.uniform(50.0, 250.0)) if kind == "threshold" else 0.0,
        bedding_log_strain=float(bedding * (1.0 - at_once) / math.log(1e5 / start)),
        bedding_log_start_s=float(start),
        loss_share=float(loss),
        loss_tau_s=float(rng.uniform(3.0, 12.0) * 3600.0),
        flow_rate_per_s=float(2e-11 * math.exp(rng.normal(0.0, 0.6)) * (rng.uniform(2.0, 5.0) if nasty else 1.0)),
        flow_stress_MPa=160.0,
        flow_share=float(rng.uniform(0.0, 0.5)),
        volume_nm3=(float(rng.uniform(0.05, 0.11)), float(rng.uniform(0.3, 1.0))),
        activation_kJ_per_mol=(
            float(rng.uniform(90.0, 120.0)),
            float(rng.uniform(70.0, 120.0)),
            float(rng.uniform(110.0, 145.0)),
        ),
        expansion_per_K=float(rng.uniform(-16e-6, -8e-6)),
        reference_C=23.0,
        log_sd=(
            float(widen * 0.04 * rng.uniform(0.6, 1.2)),
            float(widen * 0.12 * rng.uniform(0.6, 1.2)),
            float(widen * rng.uniform(0.10, 0.20)),
            float(0.5 * rng.uniform(0.6, 1.2)),
        ),
        correlation=float(rng.uniform(0.0, 0.5)),
        shape_sd=float(rng.uniform(0.0, 0.01)),
        slip_probability=0.01 if nasty else 0.002,
    )


@dataclass(frozen=True, kw_only=True)
class State:
    """Strain parts of S spokes; steps return a new one."""

    r: Floats  # (S, K)
    b: Floats  # (S, J)
    peak: Floats  # (S, J) the most that each bedding part has been
    f: Floats  # (S,)


@dataclass(frozen=True, kw_only=True)
class HiddenSpokes:
    """S spokes of a hidden batch."""

    batch: HiddenBatch
    elastic: Floats  # (S,) scale of the elastic compliance
    recoverable: Floats  # (S, K)
    bedding: Floats  # (S,)
    flow: Floats  # (S,)
    _flow_table: dict[float, tuple[Floats, Floats]] = field(default_factory=dict, repr=False)

    @property
    def count(self) -> int:
        return int(self.elastic.size)

    def virgin(self) -> State:
        s, j = self.count, 1 if self.batch.bedding_kind == "log" else self.batch.bedding_tau_s.size
        return State(r=np.zeros((s, self.batch.tau_s.size)), b=np.zeros((s, j)), peak=np.zeros((s, j)), f=np.zeros(s))

    def take(self, which: Floats | list[int] | NDArray[np.int64]) -> HiddenSpokes:
        index = np.asarray(which)
        return replace(
            self,
            elastic=self.elastic[index],
            recoverable=self.recoverable[index],
            bedding=self.bedding[index],
            flow=self.flow[index],
        )

    # elastic -------------------------------------------------------------------------------------------------------
    def elastic_strain(self, load: Floats) -> Floats:
        b = self.batch
        return self.elastic * (load / b.EA_N - b.toe_strain * np.expm1(-load / b.toe_load_N))

    def elastic_slope(self, load: Floats) -> Floats:
        b = self.batch
        return self.elastic * (1.0 / b.EA_N + b.toe_strain / b.toe_load_N * np.exp(-load / b.toe_load_N))

    # recoverable ---------------------------------------------------------------------------------------------------
    def drive(self, load: Floats) -> Floats:
        n = self.batch.sinh_load_N
        return load if math.isinf(n) else n * np.sinh(load / n)

    def drive_slope(self, load: Floats) -> Floats:
        n = self.batch.sinh_load_N
        return np.ones_like(load) if math.isinf(n) else np.cosh(load / n)

    def shift(self, part: int, temperature_C: float) -> float:
        b = self.batch
        inverse = 1.0 / (b.reference_C + 273.15) - 1.0 / (temperature_C + 273.15)
        return math.exp(b.activation_kJ_per_mol[part] * 1e3 / GAS_J_PER_MOL_K * inverse)

    # bedding -------------------------------------------------------------------------------------------------------
    def bedding_target(self, load: Floats) -> Floats:
        """(S,) whole strain that the braid would pack to at once and with time (modes, threshold), or at once (log)."""
        b = self.batch
        over = np.maximum(load - b.bedding_threshold_N, 0.0) / (1000.0 - b.bedding_threshold_N)
        return b.bedding_strain * self.bedding * over**b.bedding_exponent

    def _bed(
        self, state: State, dt: float, load0: Floats, load1: Floats, temperature_C: float
    ) -> tuple[Floats, Floats]:
        b = self.batch
        a = self.shift(1, temperature_C)
        if b.bedding_kind == "log":
            middle = 0.5 * (load0 + load1)
            per_fold = b.bedding_log_strain * self.bedding * np.maximum(middle / 1000.0, 1e-6) ** b.bedding_exponent
            at_once = self.bedding_target(np.maximum(load0, load1))
            start = np.maximum(state.b[:, 0], at_once)
            # b = at_once + c ln(1 + t/t0): one-way, exact while the load stands still
            grow = np.log1p(
                a
                * dt
                / b.bedding_log_start_s
                * np.exp(-np.minimum((start - self.bedding_target(middle)) / per_fold, 700.0))
            )
            new = (start + per_fold * grow)[:, None]
        else:
            w = b.bedding_weight
            t0, t1 = self.bedding_target(load0)[:, None] * w, self.bedding_target(load1)[:, None] * w
            with np.errstate(divide="ignore"):
                x = np.where(b.bedding_tau_s > 0, a * dt / np.where(b.bedding_tau_s > 0, b.bedding_tau_s, 1.0), np.inf)
            decay = np.exp(-x)
            phi = np.where(x > 1e-9, -np.expm1(-x) / np.maximum(x, 1e-300), 1.0)
            phi = np.where(np.isinf(x), 0.0, phi)
            new = np.maximum(state.b, decay * state.b + (1.0 - phi) * t1 + (phi - decay) * t0)
            new[:, b.bedding_tau_s == 0] = np.maximum(new, np.maximum(t0, t1))[:, b.bedding_tau_s == 0]
        peak = np.maximum(state.peak, new)
        if b.loss_share > 0 and dt > 0:
            slack = (0.5 * (load0 + load1) < SLACK_N)[:, None]
            floor = (1.0 - b.loss_share) * peak
            lost = floor + (new - floor) * math.exp(-dt / b.loss_tau_s)
            new = np.where(slack & (new > floor), lost, new)
        return new, peak

    # flow ----------------------------------------------------------------------------------------------------------
    def flow_rate(self, load: Floats, temperature_C: float) -> Floats:
        """1/s: sigma = (kT/v1) asinh(rate/e1) + (kT/v2) asinh(rate/e2), read backwards from a fine table."""
        b = self.batch
        key = round(temperature_C, 2)
        if key not in self._flow_table:
            kelvin, ref = key + 273.15, b.reference_C + 273.15
            base = np.array([BOLTZMANN_J_PER_K * ref / (v * 1e-27) / 1e6 for v in b.volume_nm3])  # MPa
            part = np.array([1.0 - b.flow_share, b.flow_share]) * b.flow_stress_MPa
            hot = math.exp(b.activation_kJ_per_mol[2] * 1e3 / GAS_J_PER_MOL_K * (1.0 / ref - 1.0 / kelvin))
            y = np.linspace(math.log(1e-26), math.log(1e-3), 3000)
            sigma = np.zeros_like(y)
            for scale, share in zip(base, part, strict=True):
                if share > 0:
                    e = b.flow_rate_per_s / np.sinh(share / scale) * hot
                    sigma += scale * kelvin / ref * np.arcsinh(np.exp(y) / e)
            self._flow_table[key] = (sigma, y)
        sigma, y = self._flow_table[key]
        rate = np.exp(np.interp(load / b.area_mm2, sigma, y))
        return self.flow * np.where(load > 0, rate, 0.0)

    # stepping ------------------------------------------------------------------------------------------------------
    def step(self, state: State, dt: float, load0: Floats, load1: Floats, temperature_C: float) -> State:
        """Exact for the recoverable modes with the drive linear over the step; second order for the rest."""
        decay, gain1, gain0 = self.recoverable_weights(dt, temperature_C)
        r = decay * state.r + self.recoverable * (
            gain1 * self.drive(load1)[:, None] + gain0 * self.drive(load0)[:, None]
        )
        new, peak = self._bed(state, dt, load0, load1, temperature_C)
        f = state.f + 0.5 * dt * (self.flow_rate(load0, temperature_C) + self.flow_rate(load1, temperature_C))
        return State(r=r, b=new, peak=peak, f=f)

    def recoverable_weights(self, dt: float, temperature_C: float) -> tuple[Floats, Floats, Floats]:
        x = self.shift(0, temperature_C) * dt / self.batch.tau_s
        decay = np.exp(-x)
        phi = np.where(x > 1e-8, -np.expm1(-x) / np.maximum(x, 1e-300), 1.0 - 0.5 * x)
        return decay, 1.0 - phi, phi - decay

    def creep_strain(self, state: State) -> Floats:
        return state.r.sum(axis=1) + state.b.sum(axis=1) + state.f

    def strain(self, state: State, load: Floats, temperature_C: float) -> Floats:
        """Counted from the virgin, unloaded spoke at 20 degC."""
        return (
            self.elastic_strain(load) + self.creep_strain(state) + self.batch.expansion_per_K * (temperature_C - 20.0)
        )


def draw_spokes(batch: HiddenBatch, rng: np.random.Generator, count: int) -> HiddenSpokes:
    """New spokes of the batch, each with its own scales and a slightly tilted spectrum."""
    z = rng.standard_normal((count, 4))
    c = batch.correlation
    z[:, 1] = c * z[:, 0] + math.sqrt(1.0 - c * c) * z[:, 1]
    scale = np.exp(z * np.array(batch.log_sd))
    tilt = rng.standard_normal((count, 1)) * batch.shape_sd
    spectrum = batch.compliance_per_N * np.exp(tilt * np.log(batch.tau_s / 1e3))
    return HiddenSpokes(
        batch=batch,
        elastic=scale[:, 0],
        recoverable=spectrum * scale[:, 1:2],
        bedding=scale[:, 2],
        flow=scale[:, 3],
    )


def middle_spokes(batch: HiddenBatch, count: int = 1) -> HiddenSpokes:
    """Spokes with every scale 1."""
    one = np.ones(count)
    return HiddenSpokes(
        batch=batch,
        elastic=one,
        recoverable=np.tile(batch.compliance_per_N, (count, 1)),
        bedding=one.copy(),
        flow=one.copy(),
    )
