"""What is still to come: how soft spokes are in a session, which set tension lasts, whether a night is needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.chain import Chain, advance, elastic_slope_per_N, total_strain
from planner.learning import RATIO, Lives
from planner.outlook import OUTPUT_TIMES, H, Setting, Sides, standing_until
from planner.relaxation import Spokes, Standing, let_stand, retensioned
from planner.schedule import Session

if TYPE_CHECKING:
    from planner.build import Build

Floats = NDArray[np.float64]
LEVELS = (0.94, 1.25)  # set levels that are stepped; between them tension is as good as linear in the level
LEVEL_GRID = 65
PROBE = 0.05  # of the target: change of tension by which the softness of spokes over a session is found
PROBE_DRAWS = 24
BLUR = 0.06  # of the tolerance: a draw so far inside it is counted as three in four
NIGHTS = (1, 2, 3, 4, 6, 8, 11, 14)  # that a pass is thought of being put off by
DAY_H = 24.0
AFTER_SESSION_H = 1.0  # a wheel is not judged in the hour after a session


def session_EA_N(setting: Setting, lives: Sequence[Lives], wanted_N: Floats, hours: float) -> float:
    """Stiffness of a spoke over the time of a session: creep that a turn calls up within it makes the spoke softer."""
    life = lives[int(np.argmax([one.log_weight.max() for one in lives]))]
    few = slice(0, PROBE_DRAWS)
    draws, state = life.draws.take(few), life.standing.state.take(few)
    now, th = life.standing.tension_N[few], setting.build.shop.temperature_C
    step = np.where(np.abs(wanted_N - now) > PROBE * wanted_N, wanted_N - now, PROBE * wanted_N)
    grown = []
    for load in (now, now + step):
        after, _ = advance(draws.chain, state, 0.0, now, load, th)
        after, _ = advance(draws.chain, after, 0.5 * hours * H, load, load, th)
        grown.append(total_strain(draws.chain, after, load, th))
    softness: Floats = (grown[1] - grown[0]) / step
    return 1.0 / float(np.asarray(softness).mean())


def creeping_EA_N(chain: Chain, tension_N: float, hours: float) -> float:
    """The same for a spoke of which only the batch is known: elastic part and recoverable modes, without bedding-in."""
    creep = chain.recoverable_compliance_per_N * -np.expm1(-0.5 * hours * H / chain.recoverable_tau_s)
    return 1.0 / (float(elastic_slope_per_N(chain, tension_N)) + float(creep.sum()))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToCome:
    """What the draws do after this session, left alone."""

    weight: Floats  # (D,)
    holds: NDArray[np.bool_]  # (D,) within tolerance and balance from delivery to horizon
    worst_percent: Floats  # (D,) the farthest that a side's mean is from its target
    night_percent: Floats  # (D,) mean lost over the next night
    until_h: float  # from the start of the set: up to when this is judged

    @property
    def probability(self) -> float:
        """That no further night is needed."""
        return min(float(self.weight @ self.holds), 1.0)

    def night(self, level: float) -> float:
        """Weighted quantile of the next night's loss, percent."""
        order = np.argsort(self.night_percent)
        at = int(np.searchsorted(np.cumsum(self.weight[order]), level))
        return float(self.night_percent[order][min(at, order.size - 1)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Later:
    """A pass some time later, nothing turned before it."""

    in_h: float  # from now
    tension_N: tuple[float, float]
    probability: float  # that the wheel holds after it

    @property
    def nights(self) -> int:
        """Until then."""
        return max(1, round(self.in_h / DAY_H))

    @property
    def when(self) -> str:
        """The same in words."""
        return "tomorrow" if self.nights == 1 else f"in {self.nights} nights"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prospect:
    """One wheel as its readings leave it: draws, how likely each is, and what becomes of them by what is done now."""

    setting: Setting
    lives: Sequence[Lives]
    weight: Floats  # (D,) of all lives' draws in a row
    covariance: (
        Floats  # (n, n) N2 of how well tensions are known, now and after turns that are read again and put right
    )
    deliver_h: float  # planned delivery, h from the start of the set
    most: float  # highest level over target that a limit leaves
    rng: np.random.Generator

    def left_at(self, tension_N: Floats, kind: str) -> ToCome:
        """Whether the wheel, brought to ``tension_N`` (n,) in this session, holds without another night."""
        build, side = self.setting.build, self.setting.wheel.side
        holds, worst, night, until = [], [], [], build.tension.horizon_h
        for life in self.lives:
            spokes, standing = self._put_to(life, tension_N, kind, self.rng)
            before = Sides.of(standing.tension_N, side).mean_N
            end_h = standing.time_s / H
            [after], _ = let_stand(spokes, standing, [(end_h + build.shop.pass_interval_h) * H], RATIO)
            night.append(100.0 * (1.0 - (Sides.of(after, side).mean_N / before).min(axis=1)))
            first = max(self.deliver_h, end_h + AFTER_SESSION_H)
            until = judged_until_h(build, first)
            good, far = self._stays(standing_until(spokes, standing, self._times_h(first), RATIO)[0])
            holds.append(good)
            worst.append(far)
        return ToCome(
            weight=self.weight,
            holds=np.concatenate(holds),
            worst_percent=np.concatenate(worst),
            night_percent=np.concatenate(night),
            until_h=until,
        )

    def left_alone(self, tension_N: Floats) -> float:
        """Probability that the wheel holds if no nipple is turned any more; ``tension_N`` (n,) is what it stands at.

        Each draw keeps of its spokes' tensions the shares that it would from now on; what they stand at now is read.
        """
        root, holds = _root(self.covariance), []
        for life in self.lives:
            error = self.rng.standard_normal((life.draws.count, self.setting.wheel.n)) @ root.T
            now = np.maximum((tension_N + error) * (1.0 + life.draws.bias), 1.0)
            times = self._times_h(max(self.deliver_h, life.past.now_h))
            tensions, _ = standing_until(life.spokes, life.standing, times, RATIO)
            share = now / np.maximum(life.standing.tension_N, 1.0)
            holds.append(self._stays([share * t for t in tensions])[0])
        return min(float(self.weight @ np.concatenate(holds)), 1.0)

    def as_planned(self, tension_N: Floats, kind: str, then: Sequence[Session]) -> float:
        """Probability that the wheel holds, brought to ``tension_N`` (n,) now and through the sessions ``then``."""
        holds = []
        for life in self.lives:
            spokes, standing = self._put_to(life, tension_N, kind, self.rng)
            for session in then:
                if session.at_h * H > standing.time_s:  # else the schedule is overdue, and it is done at once
                    _, standing = let_stand(spokes, standing, [session.at_h * H], RATIO)
                here = replace(life, spokes=spokes, standing=standing)
                wanted = np.array(session.tension_N)[self.setting.wheel.side]
                spokes, standing = self._put_to(here, wanted, session.kind, self.rng)
            first = max(self.deliver_h, standing.time_s / H + AFTER_SESSION_H)
            holds.append(self._stays(standing_until(spokes, standing, self._times_h(first), RATIO)[0])[0])
        return min(float(self.weight @ np.concatenate(holds)), 1.0)

    def best_level(self, kind: str) -> tuple[float, float]:
        """Set level over target at which most draws stay within tolerance, with room to spare; at most ``most``.

        Beside it the probability that both side means do.
        """
        build, side, targets = self.setting.build, self.setting.wheel.side, np.array(self.setting.targets_N)
        top = min(LEVELS[1], self.most)
        ends = (min(LEVELS[0], 0.95 * top), top)
        seed = int(self.rng.integers(2**32))
        relative = []
        for level in ends:
            same = np.random.default_rng(seed)  # both levels with the same errors
            rows = []
            for life in self.lives:
                spokes, standing = self._put_to(life, level * targets[side], kind, same)
                times = self._times_h(max(self.deliver_h, standing.time_s / H + AFTER_SESSION_H), 10)
                tensions, _ = standing_until(spokes, standing, times, RATIO)
                rows.append(np.stack([Sides.of(t, side).mean_N / targets for t in tensions]))
            relative.append(np.concatenate(rows, axis=1))  # (T, D, 2)
        grid = np.linspace(*ends, LEVEL_GRID)
        share = ((grid - ends[0]) / (ends[1] - ends[0]))[:, None, None, None]
        lines = relative[0] + share * (relative[1] - relative[0])
        off = 100.0 * np.abs(lines - 1.0).max(axis=(1, 3))  # (levels, D)
        spare = build.tension.tolerance_percent - off
        best = int((_likely(spare / (BLUR * build.tension.tolerance_percent)) @ self.weight).argmax())
        return float(grid[best]), float(self.weight @ (spare[best] >= 0.0))

    def best(self, kind: str) -> tuple[tuple[float, float], ToCome]:
        """The set tension (left, right) that holds most surely, and what comes of it."""
        level, _ = self.best_level(kind)
        return self.at(level), self.left_at(level * np.array(self.setting.targets_N)[self.setting.wheel.side], kind)

    def at(self, level: float) -> tuple[float, float]:
        """Set tension (left, right) of a level over target, N."""
        left, right = (level * t for t in self.setting.targets_N)
        return left, right

    def one_pass_later(self, in_h: Sequence[float]) -> Later | None:
        """The first of some times (h from now, rising) at which one pass makes the wheel hold as asked, if any does.

        The more of the creep is over when a wheel is set, the less is left that nobody knows.
        """
        asked, gone_h, then = self.setting.build.tension.probability, 0.0, self
        for hours in in_h:
            then = replace(then, lives=[_left_for(life, hours - gone_h) for life in then.lives])
            gone_h = hours
            if then.best_level("pass")[1] < asked:
                continue
            wanted, comes = then.best("pass")
            if comes.probability >= asked:
                return Later(in_h=hours, tension_N=wanted, probability=comes.probability)
        return None

    def _put_to(self, life: Lives, tension_N: Floats, kind: str, rng: np.random.Generator) -> tuple[Spokes, Standing]:
        """All draws of a life set to the same tensions, as far as these are known, and held there for the session."""
        setting, draws = self.setting, life.draws
        error = rng.standard_normal((draws.count, setting.wheel.n)) @ _root(self.covariance).T
        true = np.maximum((tension_N + error) * (1.0 + draws.bias), 1.0)
        left, right = (float(tension_N[setting.wheel.side == s].mean()) for s in (0, 1))
        session = Session(kind=kind, at_h=life.standing.time_s / H, left_N=left, right_N=right)
        spokes = replace(setting.spokes(draws, setting.coupling(session)), set_end_s=life.spokes.set_end_s)
        return spokes, retensioned(spokes, life.standing, true, session_hours(setting.build, kind))

    def _times_h(self, from_h: float, count: int = OUTPUT_TIMES) -> Floats:
        return np.geomspace(from_h, judged_until_h(self.setting.build, from_h), count)

    def _stays(self, tensions: Sequence[Floats]) -> tuple[NDArray[np.bool_], Floats]:
        """(D,) whether draws stay in tolerance and balance throughout; (D,) percent that a side is off at most."""
        asked, targets = self.setting.build.tension, np.array(self.setting.targets_N)
        good = np.ones(tensions[0].shape[0], dtype=bool)
        far = np.zeros(good.size)
        for t in tensions:
            sides = Sides.of(t, self.setting.wheel.side)
            off = 100.0 * np.abs(sides.mean_N / targets - 1.0).max(axis=1)
            far = np.maximum(far, off)
            good &= (off <= asked.tolerance_percent) & (sides.spread_percent.max(axis=1) <= asked.balance_percent)
        return good, far


def _left_for(life: Lives, hours: float) -> Lives:
    """No nipple turned for so long."""
    now_h = life.past.now_h + hours
    _, standing = let_stand(life.spokes, life.standing, [now_h * H], RATIO)
    return replace(life, standing=standing, past=replace(life.past, now_h=now_h))


def _likely(spare: Floats) -> Floats:
    """From 0 far outside the tolerance to 1 well inside it, so that room to spare counts where all draws hold."""
    return 1.0 / (1.0 + np.exp(-np.clip(spare, -50.0, 50.0)))


def judged_until_h(build: Build, from_h: float) -> float:
    """The horizon; for a wheel that is retensioned at or after it, as long again as the plan promised."""
    asked = build.tension
    return asked.horizon_h if from_h < 0.9 * asked.horizon_h else from_h + asked.horizon_h - asked.delivery_h


def session_hours(build: Build, kind: str) -> float:
    """How long a session of this kind takes."""
    return build.shop.set_session_h if kind == "set" else build.shop.pass_session_h


def _root(covariance: Floats) -> Floats:
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
    out: Floats = vectors * np.sqrt(np.clip(values, 0.0, None))
    return out
