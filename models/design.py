"""Which night tells most: candidate batch tests judged by how sharp they would leave the planned wheel's forecast.

For each candidate the record that a frame would make of the expected spoke is built as the means that a fit works on.
The fit's own equations, with its errors (noise, drift, what a law gets wrong) and with what is known of fibre spokes
before a test, then give the joint errors that the fit of that night would end with: the inverse of J'J at the expected
values (Bayesian experimental design for a linearised model, Chaloner and Verdinelli 1995, from memory). Their effect on
the tension of the planned wheel, from delivery to the horizon, ranks the candidates. The wheel is the mean field of
`models.relax`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models import basis as bs
from models.batch import Batch, multiplied
from models.chain import Chain, advance, virgin
from models.errors import InputError
from models.fit import Fitted
from models.learn import covers, uncertainty
from models.nights import SHOP_C, Night, family, plain_hold, record_of, touched
from models.prior import ACTIVATION_KJ, ACTIVATION_LOG_SD, SPREAD_DF, SPREAD_LOG_SD, Prior, prior
from models.projection import Projection, expected
from models.relax import Session, in_wheel, rest
from models.thin import Thinned
from models.unknown import Spread
from models.verdicts import CannotTell, cannot_tell
from models.whiten import SHARED, prepare

Floats = NDArray[np.float64]
REMAINDER_MM = 1.6e-3  # of what no law follows: usual in simulated nights
ALIKE = 0.02  # of the band: a simpler night that is no worse than this is taken
TIMES = 12
LONGEST_NIGHT_H = 200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedWheel:
    """The wheel that the batch is for, as far as it is known before the test."""

    target_N: float = 981.0
    followup: float = 0.3
    delivery_h: float = 48.0
    horizon_h: float = 720.0
    stretch_N: float | None = 1471.5  # None: set without a bench night before
    stretch_h: float = 8.0
    rest_h: float = 0.5
    laced_h: float = 11.5
    lacing_N: float = 100.0
    session_h: float = 1.0
    temperature_C: float = SHOP_C


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What one night would leave the forecast of the planned wheel as."""

    night: Night
    time_h: Floats  # (n,) from the set, delivery to horizon
    tension_N: Floats  # (n,) of the expected spoke
    sd_N: Floats  # (n,) of what would still not be known
    cannot_tell: tuple[CannotTell, ...]

    @property
    def band_N(self) -> float:
        """Width of the 90 % band, mean over log time from delivery to the horizon."""
        return float(2 * 1.645 * self.sd_N.mean())

    @property
    def horizon_band_N(self) -> float:
        """Width of the 90 % band at the horizon."""
        return float(2 * 1.645 * self.sd_N[-1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """The night that tells most, beside the plain hold of the same length."""

    best: Expected
    plain: Expected
    looked_at: int

    def as_dict(self) -> dict[str, Any]:
        """For --json: half widths of the 90 % band, and what stays open."""
        return {
            "night": self.best.night.name,
            "half_band_N": self.best.band_N / 2,
            "half_band_at_horizon_N": self.best.horizon_band_N / 2,
            "plain_hold_half_band_N": self.plain.band_N / 2,
            "plain_hold_half_band_at_horizon_N": self.plain.horizon_band_N / 2,
            "tells": [q.what for q in self.plain.cannot_tell if q.what not in {p.what for p in self.best.cannot_tell}],
            "cannot_tell": [q.as_dict() for q in self.best.cannot_tell],
        }


def propose(
    *,
    hours: float,
    stations: int,
    service_N: float,
    high_N: float,
    warm_C: float | None = None,
    touches: bool = False,
    wheel: PlannedWheel | None = None,
    EA_N: float = 400e3,
    gauge_length_mm: float = 285.0,
    linear_density_g_per_m: float | None = None,
) -> Proposal:
    """The best of the family for a night of ``hours`` of holds and recoveries.

    Parameters
    ----------
    service_N, high_N : tension in the wheel, and the highest load that the spoke and the frame may see
    warm_C : temperature of a cabinet, where there is one
    touches : recoveries while truly slack, read by short touches
    EA_N : stiffness of the spokes, roughly: nothing depends on it much

    Raises
    ------
    InputError
        If loads or hours leave nothing to choose from.
    """
    if not 0 < hours <= LONGEST_NIGHT_H:
        raise InputError(f"a night of {hours:g} h: above 0 and at most {LONGEST_NIGHT_H:g} h is allowed")
    wheel = PlannedWheel(target_N=service_N, stretch_N=high_N) if wheel is None else wheel
    bench = _Bench(wheel, min(stations, 8), EA_N, gauge_length_mm, linear_density_g_per_m, max(service_N, high_N))
    plain = bench.expect(plain_hold(hours, service_N))
    nights = list(family(hours, service_N, high_N, warm_C))
    if not nights:
        raise InputError(f"{hours:.1f} h of holds and recoveries are too short for a warm step: 8 h or more are needed")
    if touches:
        nights = [touched(night) for night in nights]
    found = sorted((bench.expect(night) for night in nights), key=lambda e: e.band_N)
    good = [e for e in found if e.band_N <= (1.0 + ALIKE) * found[0].band_N]
    best = min(good, key=lambda e: (len(e.night.segments), e.band_N))
    return Proposal(best=best, plain=plain, looked_at=len(nights))


class _Bench:
    """What does not change from one candidate to the next: what is known before, and what the wheel makes of it."""

    def __init__(
        self,
        wheel: PlannedWheel,
        stations: int,
        EA_N: float,
        gauge_length_mm: float,
        linear_density_g_per_m: float | None,
        top_N: float,
    ) -> None:
        self.wheel, self.stations, self.EA_N, self.length_mm = wheel, stations, EA_N, gauge_length_mm
        self.at_N = 1000.0 if top_N >= 700.0 else top_N
        self.p: Prior = prior(EA_N, self.at_N, bs.RECOVERABLE_TAU_S, bs.BEDDING_TAU_S, SHOP_C, linear_density_g_per_m)
        self.spread = np.array(SPREAD_LOG_SD)
        names = self.p.names
        step = 0.02
        middle = self.fitted(self.p.covariance).chain()
        moved = {
            name: np.exp(step * np.concatenate([np.eye(len(names))[i], -np.eye(len(names))[i], [0.0]]))
            for i, name in enumerate(names)
        }
        self.time_h = np.geomspace(wheel.delivery_h, wheel.horizon_h, TIMES)
        tension = tension_in(wheel, multiplied(middle, moved, self.at_N), self.time_h)
        n = len(names)
        self.tension_N = tension[:, -1]
        self.slope = (tension[:, :n] - tension[:, n : 2 * n]) / (2.0 * step)  # (times, p)

    def fitted(self, covariance: Floats) -> Fitted:
        """The fit that a night is expected to end with: everything as it was expected, known as well as that."""
        one = np.ones((self.stations, 4))
        return Fitted(
            prior=self.p,
            value=self.p.mean,
            covariance=covariance,
            scales=one,
            scales_sd=one * self.spread,
            offset_mm=np.zeros(self.stations),
            shared=np.zeros(SHARED),
            spread_sd=self.spread,
            flow_alike=True,
            remainder_mm=REMAINDER_MM,
            chi2=0.0,
            points=0,
            cost=0.0,
            converged=True,
            evaluations=0,
            message="",
            at_N=self.at_N,
            reference_C=SHOP_C,
            recoverable_tau_s=bs.RECOVERABLE_TAU_S,
            bedding_tau_s=bs.BEDDING_TAU_S,
        )

    def expect(self, night: Night) -> Expected:
        """The night's record, its fit's joint errors, the wheel's band."""
        s = record_of(night, self.length_mm)
        known = self.posterior(s)
        var = np.einsum("ti,ij,tj->t", self.slope, known, self.slope)
        f = self.fitted(known)
        covered = covers([s])
        batch = Batch(
            batch="expected",
            law="",
            chain=f.chain(),
            spread=Spread(
                log_sd=self.spread,
                correlation=np.eye(4),
                spokes=self.stations,
                degrees_of_freedom=SPREAD_DF + self.stations - 1,
            ),
            uncertainty=uncertainty(f, covered["longest_hold_s"]),
            covers=covered,
        )
        return Expected(
            night=night,
            time_h=self.time_h,
            tension_N=self.tension_N,
            sd_N=np.sqrt(var),
            cannot_tell=tuple(cannot_tell(f, batch)),
        )

    def posterior(self, s: Thinned) -> Floats:
        """(p, p) errors of the logarithms after a fit of as many such records as there are stations."""
        p = self.p
        basis = bs.build([s], SHOP_C, ACTIVATION_KJ)
        basis = bs.with_activation_errors(basis, [s], p, self.at_N, ACTIVATION_KJ, ACTIVATION_LOG_SD)
        data = prepare([s], basis, self.EA_N, REMAINDER_MM, self.at_N, alike=self.stations)
        theta = expected(data, p)
        model = Projection(data, p, self.spread, flow_alike=True)
        model.evaluate(theta)
        seen = model.columns @ model.inner_mean  # whitened strain of the expected spoke
        model = Projection(replace(data, y=seen), p, self.spread, flow_alike=True)
        model.evaluate(theta)
        n = seen.shape[1] + model.columns.shape[-1]
        own = model.jacobian[:n]
        before = model.jacobian[n:]
        hessian = self.stations * own.T @ own + before.T @ before
        known: Floats = np.linalg.inv(hessian)[: len(p.names), : len(p.names)]
        return 0.5 * (known + known.T)


def tension_in(wheel: PlannedWheel, chain: Chain, time_h: Sequence[float] | Floats) -> Floats:
    """(n, ...) N: mean-field tension of the planned wheel, set once and left alone, at times from the set."""
    state = virgin(chain)
    th = wheel.temperature_C
    load = 0.0
    if wheel.stretch_N is not None:
        state, _ = advance(chain, state, 50.0, 0.0, wheel.stretch_N, th)
        state = rest(chain, state, 3600.0 * wheel.stretch_h, wheel.stretch_N, th)
        state = rest(chain, state, 3600.0 * wheel.rest_h, 0.0, th)
        state = rest(chain, state, 3600.0 * wheel.laced_h, wheel.lacing_N, th)
        load = wheel.lacing_N
    times = 3600.0 * np.asarray(time_h, dtype=np.float64)
    session = Session(at_s=0.0, tension_N=wheel.target_N, hold_s=3600.0 * wheel.session_h)
    tension, _ = in_wheel(
        chain, state, [session], times, wheel.followup, th, load0_N=load, steps_per_decade=12, first_step_s=30.0
    )
    return tension


def in_words(proposal: Proposal, wheel: PlannedWheel) -> list[str]:
    """What the night is expected to tell, for a builder."""
    best, plain = proposal.best, proposal.plain
    days = wheel.horizon_h / 24.0
    bench = "" if wheel.stretch_N is None else f"stretched {wheel.stretch_h:g} h at {wheel.stretch_N:.0f} N, "

    def half(e: Expected, horizon: bool) -> str:
        return f"{(e.horizon_band_N if horizon else e.band_N) / 2:.0f}"

    def less(a: float, b: float) -> str:
        return f"{100 * (1 - a / b):.0f} % narrower"

    lines = [
        f"{best.night.name} (the best of {proposal.looked_at} nights looked at): a wheel {bench}set to "
        f"{wheel.target_N:.0f} N would be known after {days:.0f} days within +/- {half(best, True)} N (90 %); after a "
        f"plain hold within +/- {half(plain, True)} N ({less(best.horizon_band_N, plain.horizon_band_N)}). From "
        f"delivery to then, on average: +/- {half(best, False)} and {half(plain, False)} N "
        f"({less(best.band_N, plain.band_N)})."
    ]
    told = proposal.as_dict()["tells"]
    if told:
        lines.append(f"It will tell {'; '.join(told)}.")
    lines += [f"It will not tell {q.what}: {q.because}. Cheapest test that would: {q.test}." for q in best.cannot_tell]
    lines.append("All this is expected of fibre spokes in general; the fit says what the night really told.")
    return lines
