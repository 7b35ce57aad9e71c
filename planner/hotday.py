"""A hot stretch in use, such as a car in the sun: what it costs by the horizon, told beside the plan."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from planner.outlook import H, Setting
from planner.relaxation import Standing, let_stand
from planner.schedule import Schedule
from planner.screening import MeanDraws, bench_state, through_sessions

if TYPE_CHECKING:
    from planner.build import Use
    from planner.candidates import Bench

AFTER_DELIVERY_H = 24.0
COOLED_H = 1.0  # back at the shop's temperature before the tension is read again
RATIO = 1.8


@dataclass(frozen=True, slots=True, kw_only=True)
class HotDay:
    """Medians over the draws, percent of the tension that the tighter side had without the heat."""

    hottest_percent: float  # tension in the heat: the rim grows, the fibre shrinks
    at_horizon_percent: float  # what has been lost for good by the horizon


def hot_day(setting: Setting, draws: MeanDraws, bench: Bench | None, schedule: Schedule, use: Use) -> HotDay:
    """The heat comes at once, a day after delivery; mean spokes, all of a side alike.

    A warmer rim grows and a warmer fibre shrinks, so tension first rises; at that tension and temperature the spokes
    creep, and back at the shop's temperature they stand lower than if nothing had happened.
    """
    build = setting.build
    targets = np.array(setting.targets_N)
    state = bench_state(setting, draws, bench)
    spokes, standing = through_sessions(setting, draws, schedule, state, RATIO)
    begins_s = (schedule.deliver.at_h + AFTER_DELIVERY_H) * H
    ends_s = begins_s + use.hottest_h * H
    horizon_s = max(build.tension.horizon_h * H, ends_s + COOLED_H * H)
    [cool_begin, cool_end], _ = let_stand(spokes, standing, [begins_s, horizon_s], RATIO)
    _, before = let_stand(spokes, standing, [begins_s], RATIO)
    expansion = float(np.mean(draws.chain.expansion_per_K))
    each = setting.wheel.rim_expansion_N_per_K(setting.EA_N, fibre_expansion_per_K=expansion)
    warmer_N = (use.hottest_C - spokes.temperature_C) * np.array(
        [each[setting.wheel.side == side].mean() for side in (0, 1)]
    )
    hot = Standing(state=before.state, tension_N=before.tension_N + warmer_N, time_s=begins_s)
    _, hot_end = let_stand(replace(spokes, temperature_C=use.hottest_C), hot, [ends_s], RATIO)
    cooled = replace(hot_end, tension_N=hot_end.tension_N - warmer_N)
    [after], _ = let_stand(spokes, cooled, [horizon_s], RATIO)
    tight = int(targets.argmax())
    return HotDay(
        hottest_percent=float(np.median(100.0 * (hot.tension_N / cool_begin)[:, tight])),
        at_horizon_percent=float(np.median(100.0 * (after / cool_end - 1.0)[:, tight])),
    )
