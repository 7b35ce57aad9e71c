"""A simulated wheel for tests: hidden spokes, rim and seats that creep in time; nipples turned, spokes read with error."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.batch import Batch
from planner.build import Build
from planner.coupling import coupling_of
from planner.learning import before_the_set
from planner.outlook import Draws, H, Setting, draw_wheels
from planner.past import Past
from planner.present import Measured
from planner.relaxation import Spokes, Standing, first_set, let_stand
from planner.wheel import Wheel, wheel_of

Floats = NDArray[np.float64]


@dataclass
class SimWheel:
    """One wheel's truth."""

    build: Build
    wheel: Wheel  # with its own rim
    spokes: Spokes
    standing: Standing
    EA_N: Floats  # (n,)
    lateral_mm: Floats  # (n,)
    radial_mm: Floats
    rng: np.random.Generator

    @classmethod
    def built(
        cls, build: Build, batch: Batch, past: Past, seed: int, *, waviness_mm: float = 0.02, set_error: float = 0.02
    ) -> SimWheel:
        """Laced and set as the past's first session says, each spoke with an error; the rim slightly wavy."""
        rng = np.random.default_rng([seed, 77])
        nominal = wheel_of(build)
        wheel = nominal.with_rim(np.exp(0.06 * rng.standard_normal(4)))
        setting = Setting.of(build, wheel, batch)
        draws: Draws = draw_wheels(build, wheel, batch, rng, 1)
        draws = replace(draws, softer=np.ones((1, 1)), bias=np.zeros((1, 1)))
        spokes = setting.spokes(draws, coupling_of(wheel, setting.EA_N))
        state = before_the_set(draws.chain, past, build.shop.temperature_C)
        wanted = np.array(past.sittings[0].wanted_N)[wheel.side]
        full = wheel.reachable(wanted * (1.0 + set_error * rng.standard_normal((1, wheel.n))))
        standing = first_set(spokes, state, full, build.shop)
        EA = np.broadcast_to(draws.chain.EA0_N, (1, wheel.n))[0]
        # nipples placed unevenly move the rim without showing in the tensions set
        A = wheel.influence(None, EA)
        uneven = np.linalg.lstsq(A, (full - wanted)[0], rcond=1e-2)[0] + 0.05 * rng.standard_normal(wheel.n)
        lateral, radial = wheel.runout(None, EA)
        return cls(
            build=build, wheel=wheel, spokes=spokes, standing=standing, EA_N=EA,
            lateral_mm=lateral @ uneven + waviness_mm * rng.standard_normal(wheel.n),
            radial_mm=radial @ uneven + waviness_mm * rng.standard_normal(wheel.n),
            rng=rng,
        )  # fmt: skip

    @property
    def tension_N(self) -> Floats:
        return self.standing.tension_N[0]

    @property
    def now_h(self) -> float:
        return self.standing.time_s / H

    def _excess_mm(self) -> Floats:
        s = self.spokes
        creep = s.excess_strain(self.standing.state, self.standing.tension_N)[0]
        return self.wheel.fibre_mm * creep + s.seating_mm(self.standing.time_s)[0]

    def stand_until(self, at_h: float) -> None:
        """Nipples left alone; the rim moves as spokes creep."""
        before = self._excess_mm()
        _, self.standing = let_stand(self.spokes, self.standing, [at_h * H], 1.8)
        grown = self._excess_mm() - before
        lateral, radial = self.wheel.runout(None, self.spokes.coupling.EA_N)
        self.lateral_mm = self.lateral_mm - lateral @ grown
        self.radial_mm = self.radial_mm - radial @ grown

    def turn(self, turns: Floats, session_h: float) -> None:
        """Nipples turned at once, then left for the session."""
        s = np.asarray(turns) * self.build.spoke.thread_pitch_mm
        answer = self.wheel.respond(self.tension_N, s, self.EA_N)
        self.lateral_mm = self.lateral_mm + answer.lateral_mm
        self.radial_mm = self.radial_mm + answer.radial_mm
        self.standing = replace(self.standing, tension_N=answer.tension_N[None])
        if session_h > 0:
            self.stand_until(self.now_h + session_h)

    def slip(self, position: int, turns_back: float) -> None:
        """A nipple turns back by itself."""
        turns = np.zeros(self.wheel.n)
        turns[position - 1] = -turns_back
        self.turn(turns, 0.0)

    def read(self, error: float = 0.02, *, runout: bool = True) -> Measured:
        """All spokes and both run-outs, with errors (0.01 mm for the dial)."""
        n = self.wheel.n
        read = self.tension_N * (1.0 + error * self.rng.standard_normal(n))
        return Measured(
            tension_N=read,
            sd_N=error * read,
            lateral_mm=self.lateral_mm + 0.3 + 0.01 * self.rng.standard_normal(n) if runout else None,
            radial_mm=self.radial_mm + 0.01 * self.rng.standard_normal(n) if runout else None,
        )

    def spread_percent(self) -> float:
        """The worse side's 0.95 quantile about its mean."""
        sides = [self.tension_N[self.wheel.side == s] for s in (0, 1)]
        return max(100.0 * float(np.quantile(np.abs(t / t.mean() - 1.0), 0.95)) for t in sides)
