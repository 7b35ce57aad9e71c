"""What a wheel's own readings tell of its batch: draws that went through its history, weighted by how well they fit.

Every draw is one possible wheel: a batch (as far as it is known), its spokes, seats and rim. It goes through what the
wheel went through; at each reading it is weighted by the likelihood of both side means (importance sampling with the
prior as proposal). Where nearly all weight falls on a few draws the likelihoods are tempered, and the answer says so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from models.batch import PARTS, Batch
from models.chain import Chain, ChainState, virgin
from models.errors import CannotAnswer
from planner.outlook import Draws, H, Setting, Sides, draw_wheels, of_its_fibre
from planner.past import Past, Seen, Sitting
from planner.present import Expected, level_of, set_error_of, spread_of
from planner.relaxation import Spokes, Standing, first_set, laced, let_stand, rested, retensioned, stretched
from planner.schedule import Laced, Prestretch, Session

if TYPE_CHECKING:
    from planner.build import Build

Answer = TypeVar("Answer")
Floats = NDArray[np.float64]
TRIES = 5  # with other draws, where one of them does not settle
ANOTHER_SEED = 1_000_003
DRAWS = 384
RATIO = 2.0  # of the steps in log time
MODEL_ERROR = 0.05  # of what a side has lost since it was set: what the calculation itself may be off by
LEAST_MODEL_ERROR = 0.0005  # of its tension
LEAST_EFFECTIVE = 24.0  # draws; below that the likelihoods are tempered
LEAST_LEVEL_SD = 0.004
LEAST_OWN_SD = 0.004  # of a spoke's tension about its wheel's, from its own creep
MONTH_S = 30.0 * 86400.0  # what recoverable modes give in it is their size


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lives:
    """Draws that went through one history."""

    draws: Draws
    past: Past
    spokes: Spokes
    standing: Standing  # now
    left_N: Floats  # (D, 2) side means at the end of the last session
    log_weight: Floats  # (D,) log likelihood of the readings so far

    @property
    def now_N(self) -> Floats:
        """(D, n) tensions now, in terms of what a gauge would read (its shared error taken in)."""
        return self.standing.tension_N / (1.0 + self.draws.bias)


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What the readings said of the batch."""

    lost_percent: float  # mean of the wheel since the last session, as read
    foretold_percent: float  # median of the draws before these readings were counted
    foretold_low_percent: float
    foretold_high_percent: float  # 5 to 95 %
    scales: dict[str, tuple[float, float]]  # of the recoverable, bedding and flow parts: mean, sd; 1 is as fitted
    effective_draws: float
    tempered: float  # power the likelihoods were raised to; 1: as they are
    history: str  # the likeliest history, where none was noted

    @property
    def surprising(self) -> bool:
        """Whether the wheel lost what the batch all but rules out."""
        return self.tempered < 0.5


def with_other_draws(work: Callable[[int], Answer], seed: int) -> Answer:
    """Do ``work(seed)``; where a simulated wheel finds no balance (an odd draw, rarely), again with other draws.

    Raises
    ------
    CannotAnswer
        None of `TRIES` seeds gives an answer.
    """
    for k in range(TRIES):
        try:
            return work(seed + k * ANOTHER_SEED)
        except ArithmeticError:
            continue
    raise CannotAnswer("the simulated wheels find no balance: check the batch and the record's tensions and times")


def live_through(setting: Setting, draws: Draws, past: Past) -> Lives:
    """Put draws through a wheel's history, weighting them by the readings in it."""
    shop = setting.build.shop
    last = past.sittings[-1]
    spokes = setting.spokes(draws, setting.coupling(_session(last)))
    state = before_the_set(draws.chain, past, shop.standing_C)
    standing: Standing | None = None
    log_weight = np.zeros(draws.count)
    events: list[tuple[float, int, Sitting | Seen]] = [(s.at_h, 1, s) for s in past.sittings]
    events += [(s.at_h, 0, s) for s in past.seen]
    events.sort(key=lambda e: e[:2])
    row = 0
    left = np.zeros((draws.count, 2))
    for _, _, event in events:
        if isinstance(event, Seen):
            if standing is None:
                continue
            standing = _stood(spokes, standing, event.at_h * H)
            log_weight = log_weight + log_likelihood(setting, draws, standing.tension_N, left, event)
            continue
        full = _left_at(setting, draws, event, row)
        row += 1
        if standing is None:
            standing = first_set(spokes, state, full, shop)
        else:
            standing = retensioned(spokes, _stood(spokes, standing, event.at_h * H), full, event.hours)
        left = Sides.of(standing.tension_N, setting.wheel.side).mean_N
    assert standing is not None
    standing = _stood(spokes, standing, past.now_h * H)
    return Lives(draws=draws, past=past, spokes=spokes, standing=standing, left_N=left, log_weight=log_weight)


def _session(sitting: Sitting) -> Session:
    left, right = sitting.wanted_N
    return Session(kind=sitting.kind, at_h=sitting.at_h, left_N=left, right_N=right)


def _stood(spokes: Spokes, standing: Standing, time_s: float) -> Standing:
    if time_s <= standing.time_s + 1e-6:
        return standing
    return let_stand(spokes, standing, [time_s], RATIO)[1]


def _left_at(setting: Setting, draws: Draws, sitting: Sitting, row: int) -> Floats:
    """(D, n) true tensions at the end of a session: as read then, else as set, each with the error of a reading."""
    if sitting.after_N is None:
        return setting.stands_N(draws, _session(sitting), row)
    repeat = setting.build.tension.reading_repeat_percent / 100.0
    error = repeat * draws.reading[row % draws.reading.shape[0]] + draws.bias
    return setting.wheel.reachable(sitting.after_N * (1.0 + error))


def before_the_set(chain: Chain, past: Past, shop_C: float) -> ChainState:
    """(D, n) spokes when the first set begins, each after its own night and rest."""
    n = chain.shape[-1]
    state = virgin(chain)
    state = ChainState(recoverable=state.recoverable, bedding=state.bedding, flow=state.flow)
    for night in past.nights:
        which = np.zeros(n, dtype=bool)
        which[[p - 1 for p in night.positions]] = True
        own = chain.take((slice(None), which))
        part = stretched(
            own, Prestretch(load_N=night.load_N, hours=night.hours, temperature_C=night.temperature_C), shop_C
        )
        part = rested(own, part, night.rest_h, past.rest_load_N, shop_C)
        state.recoverable[:, which], state.bedding[:, which] = part.recoverable, part.bedding
        state.flow[:, which] = part.flow
    step = Laced(hours=past.laced_h, tension_N=past.lacing_N, temperature_C=shop_C) if past.laced_h > 0 else None
    return laced(chain, state, step, past.rest_load_N)


def log_likelihood(setting: Setting, draws: Draws, tension_N: Floats, left_N: Floats, seen: Seen) -> Floats:
    """(D,) of the side means of a reading.

    Parameters
    ----------
    tension_N : (D, n) what the draws stand at
    left_N : (D, 2) side means that the session before left them at
    """
    side, asked = setting.wheel.side, setting.build.tension
    good = np.ones(side.size, dtype=bool) if seen.good is None else seen.good
    out = np.zeros(draws.count)
    for s in (0, 1):
        own = good & (side == s)
        if not own.any():
            continue
        read = float(seen.tension_N[own].mean())
        would = tension_N[:, own].mean(axis=1) / (1.0 + draws.bias[:, 0])
        lost = abs(float(left_N[:, s].mean()) - read)
        model = max(MODEL_ERROR * lost, LEAST_MODEL_ERROR * read)
        sd = np.hypot(read * asked.reading_repeat_percent / 100.0 / np.sqrt(own.sum()), model)
        out -= 0.5 * ((would - read) / sd) ** 2
    return out


def wheels_like_it(setting: Setting, batch: Batch, pasts: Sequence[Past], rng: np.random.Generator) -> list[Lives]:
    """Draws for each possible history, `DRAWS` in all."""
    each = max(DRAWS // len(pasts), 64)
    build: Build = setting.build
    return [live_through(setting, draw_wheels(build, setting.wheel, batch, rng, each), past) for past in pasts]


def expected_now(setting: Setting, lives: Sequence[Lives], influence: Floats) -> Expected:
    """What the draws say of the wheel before it is read, for `present.where_it_stands`.

    Single spokes differ by the reading error they were set with, and by their own creep and seats; the size of the
    first is known, the second makes up what the draws scatter beyond it.
    """
    weight, _ = weights([life.log_weight for life in lives])
    tension = np.concatenate([life.now_N for life in lives])
    mean = weight @ tension
    level = (tension / setting.wheel.tensions_N()).mean(axis=1)
    middle = float(weight @ level)
    level_sd = float(np.sqrt(weight @ (level - middle) ** 2)) / middle
    own = tension / level[:, None] - mean / middle
    variance = (weight @ (own - weight @ own) ** 2) * middle**2
    set_error = set_error_of(setting.wheel, setting.build.tension.reading_repeat_percent / 100.0 * mean)
    rest = np.maximum(variance - np.diag(set_error), LEAST_OWN_SD**2 * mean**2)
    shortening = np.sqrt(rest) / np.linalg.norm(influence, axis=1)
    return Expected(
        tension_N=mean,
        covariance=set_error + spread_of(influence, shortening) + level_of(mean, max(level_sd, LEAST_LEVEL_SD)),
        from_record=len(lives) == 1,
    )


def weights(log_weight: Sequence[Floats]) -> tuple[Floats, float]:
    """Weights that sum to 1, and the power that the likelihoods were raised to so that enough draws count."""
    together = np.concatenate(list(log_weight))

    def at(power: float) -> Floats:
        w = np.exp(power * (together - together.max()))
        out: Floats = w / w.sum()
        return out

    power = 1.0
    least = min(LEAST_EFFECTIVE, 0.5 * together.size)
    if effective(at(1.0)) < least:
        low, high = 0.0, 1.0
        for _ in range(40):
            power = 0.5 * (low + high)
            low, high = (power, high) if effective(at(power)) >= least else (low, power)
        power = low
    return at(power), power


def effective(weight: Floats) -> float:
    """Number of equally weighted draws that would be worth as much."""
    return float(1.0 / (weight**2).sum())


def learn(setting: Setting, batch: Batch, lives: Sequence[Lives], seen: Seen) -> tuple[list[Lives], Floats, Learned]:
    """Count a reading of now.

    Returns the lives with their new likelihoods, the weights of all their draws in a row, and what was learned.
    """
    before, _ = weights([life.log_weight for life in lives])
    lost = np.concatenate([_lost_percent(setting, life) for life in lives])
    order = np.argsort(lost)
    cumulated = np.cumsum(before[order])

    def foretold(level: float) -> float:
        return float(lost[order][min(int(np.searchsorted(cumulated, level)), lost.size - 1)])

    counted = [
        replace(
            life,
            log_weight=life.log_weight
            + log_likelihood(setting, life.draws, life.standing.tension_N, life.left_N, seen),
        )
        for life in lives
    ]
    weight, power = weights([life.log_weight for life in counted])
    shares = np.split(weight, np.cumsum([life.draws.count for life in lives])[:-1])
    likeliest = int(np.argmax([s.sum() for s in shares]))
    last = lives[likeliest].past.sittings[-1]
    good = np.ones(setting.wheel.n, dtype=bool) if seen.good is None else seen.good
    left = last.after_N if last.after_N is not None else np.array(last.wanted_N)[setting.wheel.side]
    read = float(seen.tension_N[good].mean() / left[good].mean())
    return (
        counted,
        weight,
        Learned(
            lost_percent=100.0 * (1.0 - read),
            foretold_percent=foretold(0.5),
            foretold_low_percent=foretold(0.05),
            foretold_high_percent=foretold(0.95),
            scales=_scales(of_its_fibre(setting.build, batch), counted, weight),
            effective_draws=effective(weight),
            tempered=power,
            history=lives[likeliest].past.words,
        ),
    )


def _lost_percent(setting: Setting, life: Lives) -> Floats:
    now = Sides.of(life.standing.tension_N, setting.wheel.side).mean_N
    out: Floats = 100.0 * (1.0 - now.mean(axis=1) / life.left_N.mean(axis=1))
    return out


def _scales(batch: Batch, lives: Sequence[Lives], weight: Floats) -> dict[str, tuple[float, float]]:
    """Mean and sd of each part's size against the batch as fitted."""
    out = {}
    fitted = _sizes(batch.chain)
    for k, part in enumerate(PARTS):
        if k == 0 or fitted[k] <= 0:
            continue
        size = np.concatenate([_mean_of_spokes(_sizes(life.draws.chain)[k], life.draws.count) for life in lives])
        ratio = size / fitted[k]
        mean = float(weight @ ratio)
        out[part] = (mean, float(np.sqrt(weight @ (ratio - mean) ** 2)))
    return out


def _sizes(chain: Chain) -> list[Floats]:
    """Elastic compliance, what recoverable modes give in a month, bedding summed over modes, flow rate: shape (...)."""
    return [
        1.0 / chain.EA0_N,
        (chain.recoverable_compliance_per_N * -np.expm1(-MONTH_S / chain.recoverable_tau_s)).sum(-1),
        chain.bedding_compliance_per_N.sum(-1),
        chain.flow_rate_per_s.sum(-1),
    ]


def _mean_of_spokes(size: Floats, draws: int) -> Floats:
    return np.broadcast_to(size.mean(axis=-1), (draws,))
