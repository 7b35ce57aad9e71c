"""One more night, or four readings at two hours: which saves the overnight pass? Value of information by the draws.

Mean spokes (one a side) of many draws go through the schedule without its passes. For each way to go on the chance that
both side means stay within tolerance to the horizon is worked out; balance is left aside, as it depends little on it.
Readings help through what they allow: each draw in turn is taken for the truth, readings of it are made up, the other
draws are weighted by them, and the same-day touch is set to what then holds best (preposterior analysis).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from models.batch import Batch
from models.chain import ChainState, virgin
from planner.candidates import most_level, wheel_limits
from planner.life import usual_schedule
from planner.outlook import H, Setting, draw_wheels, standing_until
from planner.relaxation import Standing, first_set, let_stand, rested, retensioned, stretched
from planner.relaxation import laced as at_lacing
from planner.schedule import Schedule
from planner.screening import MeanDraws
from planner.wheel import wheel_of

if TYPE_CHECKING:
    from planner.build import Build

Floats = NDArray[np.float64]
DRAWS = 640
TIMES = 10
RATIO = 2.5
LEVELS = (0.95, 1.25)
LEVEL_GRID = 61
SMOOTH = 5  # levels
READ_AT_H = 2.0  # after the end of the set
READINGS = 4  # spokes
TOUCH_AFTER_READING_H = 0.25
READING_H = 0.02  # a reading takes about a minute
MORE_NIGHT_H = 12.0  # one more night on the frame, taken as so much longer on it


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A way to go on, and how surely it makes the overnight pass needless."""

    name: str
    what: str  # in words
    probability: float | None  # that the side means hold with no overnight pass; None: no longer possible
    hands_on_h: float  # more than the schedule without its passes

    def as_dict(self) -> dict[str, Any]:
        """For the JSON answer."""
        p = None if self.probability is None else round(self.probability, 4)
        return {"way": self.name, "what": self.what, "probability": p, "hands_on_h": round(self.hands_on_h, 2)}


def ways_to_save_the_pass(
    build: Build, batch: Batch, schedule: Schedule, *, on_bench_still: bool = True, seed: int = 0
) -> tuple[Way, ...]:
    """What would make the schedule hold without its overnight passes, surest first.

    Parameters
    ----------
    on_bench_still : whether spokes can still have another night on the frame (the wheel is not laced yet)
    """
    wheel = wheel_of(build)
    setting = Setting.of(build, wheel, batch)
    draws = MeanDraws.of(setting, draw_wheels(build, wheel, batch, np.random.default_rng([seed, 8]), DRAWS))
    limits = wheel_limits(build, wheel.buckling_tension_N(setting.EA_N))
    most = most_level(build, limits, max(setting.targets_N))
    own_sd = float(batch.spread.log_sd[1])
    shop, n = build.shop, build.wheel.spokes
    mount_h = n * shop.mount_min_per_spoke / 60.0
    read_h = READINGS * READING_H
    touch_h = shop.pass_session_h

    def case(longer_h: float) -> _Case:
        return _Case.of(setting, draws, schedule, most, longer_h, own_sd)

    def rng() -> np.random.Generator:
        return np.random.default_rng([seed, 9])

    plain = case(0.0)
    at_two = f"read {READINGS} spokes at the set and {READ_AT_H:g} h after it, then one touch the same day to match"
    night = "one more night on the frame before lacing, then"
    ways = [
        Way(name="set only", what="no touch and no pass", probability=plain.set_only(), hands_on_h=0.0),
        Way(name="touch", what="one touch on the day of the set", probability=plain.touch(), hands_on_h=touch_h),
        Way(name="readings", what=at_two, probability=plain.readings(rng()), hands_on_h=touch_h + read_h),
    ]
    if on_bench_still:
        longer = case(shop.max_bench_h if schedule.prestretch is None else MORE_NIGHT_H)
        ways += [
            Way(
                name="bench night",
                what=f"{night} one touch on the day of the set",
                probability=longer.touch(),
                hands_on_h=touch_h + mount_h,
            ),
            Way(
                name="bench night and readings",
                what=f"{night} {at_two}",
                probability=longer.readings(rng()),
                hands_on_h=touch_h + mount_h + read_h,
            ),
        ]
    else:
        ways.append(Way(name="bench night", what="too late: the wheel is laced", probability=None, hands_on_h=mount_h))
    return tuple(sorted(ways, key=lambda w: -1.0 if w.probability is None else w.probability, reverse=True))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Case:
    """The schedule without its passes: what each draw loses in two hours, and at which levels it then holds."""

    lost: Floats  # (D,) share of tension lost from the set to the reading
    own_sd: float  # of one spoke's loss about its wheel's mean, over the loss
    repeat: float  # sd of a reading, ratio
    touched: Floats  # (levels, D) 1 where the draw holds after a touch at that level, else 0
    alone: Floats  # (levels, D) the same for a set at that level and nothing after it

    @classmethod
    def of(
        cls, setting: Setting, draws: MeanDraws, schedule: Schedule, most: float, longer_h: float, own_sd: float
    ) -> _Case:
        """Through the set as scheduled, to the reading, then two levels; between them all is linear in the level."""
        build, shop, targets = setting.build, setting.build.shop, np.array(setting.targets_N)
        spokes = draws.spokes(setting)
        state = _before(setting, draws, schedule, longer_h)
        grid = np.linspace(LEVELS[0], max(min(LEVELS[1], most), LEVELS[0] + 0.01), LEVEL_GRID)
        ends = (float(grid[0]), float(grid[-1]))
        wanted = np.array(schedule.sessions[0].tension_N)
        standing = first_set(spokes, state, draws.stands_N(setting, wanted, 1), shop)
        read_at = shop.set_session_h + READ_AT_H
        _, at_reading = let_stand(spokes, standing, [read_at * H], RATIO)
        _, before_touch = let_stand(spokes, at_reading, [(read_at + TOUCH_AFTER_READING_H) * H], RATIO)

        def left(now: Standing) -> Floats:
            first = max(schedule.deliver.at_h, now.time_s / H + 1.0)
            times = np.geomspace(first, max(build.tension.horizon_h, 1.01 * first), TIMES)
            tensions, _ = standing_until(spokes, now, times, RATIO)
            out: Floats = np.stack(tensions) / targets
            return out

        def held(relative: list[Floats]) -> Floats:
            share = ((grid - grid[0]) / (grid[-1] - grid[0]))[:, None, None, None]
            lines = relative[0] + share * (relative[1] - relative[0])  # (levels, T, D, 2)
            within = 100.0 * np.abs(lines - 1.0).max(axis=(1, 3)) <= build.tension.tolerance_percent
            out: Floats = within.astype(np.float64)
            return out

        full = [draws.stands_N(setting, level * targets, 0) for level in ends]
        return cls(
            lost=1.0 - (at_reading.tension_N / standing.tension_N).mean(axis=1),
            own_sd=own_sd,
            repeat=build.tension.reading_repeat_percent / 100.0,
            touched=held([left(retensioned(spokes, before_touch, f, shop.pass_session_h)) for f in full]),
            alone=held([left(first_set(spokes, state, f, shop)) for f in full]),
        )

    def set_only(self) -> float:
        """The best chance that one set level, the same for all draws, gives."""
        return float(self.alone.mean(axis=1).max())

    def touch(self) -> float:
        """The same for the level of a touch."""
        return float(self.touched.mean(axis=1).max())

    def readings(self, rng: np.random.Generator) -> float:
        """The chance when the touch's level is chosen after reading some spokes at the set and two hours later."""
        # each spoke is read twice, and its own creep differs from the wheel's mean
        one = np.hypot(np.sqrt(2.0) * self.repeat, self.own_sd * float(self.lost.mean()))
        sd = max(float(one) / np.sqrt(READINGS), 1e-6)
        seen = self.lost + sd * rng.standard_normal(self.lost.size)
        log = -0.5 * ((self.lost[None, :] - seen[:, None]) / sd) ** 2  # (truth, draw)
        np.fill_diagonal(log, -np.inf)  # the truth itself is not among what is known
        weight = np.exp(log - log.max(axis=1, keepdims=True))
        weight /= weight.sum(axis=1, keepdims=True)
        chance = weight @ self.touched.T  # (truth, levels)
        # neighbouring levels hold nearly alike: smoothed, the choice follows fewer accidents of the draws
        even = np.stack([np.convolve(row, np.ones(SMOOTH) / SMOOTH, mode="same") for row in chance])
        chosen = even.argmax(axis=1)
        informed = float(self.touched[chosen, np.arange(self.lost.size)].mean())
        return max(informed, self.touch())  # readings can be ignored


def _before(setting: Setting, draws: MeanDraws, schedule: Schedule, longer_h: float) -> ChainState:
    """(D, 2) state of each side's mean spoke when the set begins; its time on the frame longer by ``longer_h``."""
    shop, n, chain = setting.build.shop, setting.wheel.n, draws.chain
    stretch = schedule.prestretch
    rests = schedule.rest_h(n)
    if stretch is None:
        if longer_h <= 0:
            return at_lacing(chain, virgin(chain), schedule.laced, 0.0)
        stretch, rests = usual_schedule(setting.build).prestretch, [shop.slack_h] * n
        assert stretch is not None
        stretch = replace(stretch, hours=0.0)
    unloaded = stretched(chain, replace(stretch, hours=stretch.hours + longer_h), shop.temperature_C)
    rest_N = schedule.rest.load_N if schedule.rest else 0.0
    names = ("recoverable", "bedding", "flow")
    total = {name: np.zeros_like(getattr(unloaded, name)) for name in names}
    for side in (0, 1):
        own = [rests[i] for i in range(n) if setting.wheel.side[i] == side]
        for rest in sorted(set(own)):
            part = rested(chain, unloaded, rest, rest_N, shop.standing_C)
            for name in names:
                total[name][:, side] += getattr(part, name)[:, side] * own.count(rest) / len(own)
    return at_lacing(chain, ChainState(**total), schedule.laced, rest_N)
