"""Passes that a wheel still needs where its schedule fails: a builder pays for them too."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.chain import ChainState
from planner.outlook import H, Setting, output_times_h, standing_until
from planner.relaxation import Spokes, Standing, let_stand, retensioned
from planner.screening import MeanDraws, through_sessions

if TYPE_CHECKING:
    from planner.candidates import Candidate

Floats = NDArray[np.float64]
AFTER_LAST_PASS_H = 1.0
RATIO = 3.5  # of the steps: a count of passes needs no more
TIMES = 5
LEAST_SHARE = 1.0 / 12.0
ASKED_AFTER = (1, 2, 3, 4, 6, 9, 12)  # further passes


def further_passes(setting: Setting, draws: MeanDraws, candidate: Candidate, state: ChainState) -> float:
    """Mean number of further overnight passes until a wheel holds, over the wheels that the schedule fails.

    Mean spokes, so balance is left aside. Further passes are the trade's: to target, one each night, delivery waiting
    for them. A wheel that 12 do not bring to hold counts 13, and one that needs a number between those of `ASKED_AFTER`
    the next of them. Where fewer draws fail than `LEAST_SHARE` of them, those farthest off stand for wheels that fail.

    Parameters
    ----------
    state : (D, 2) mean state of each side when the first set begins (`screening.bench_state`)
    """
    build = setting.build
    shop, asked, targets = build.shop, build.tension, np.array(setting.targets_N)
    schedule = candidate.schedule(build, setting.targets_N)
    spokes, standing = through_sessions(setting, draws, schedule, state)
    off = _off_percent(setting, spokes, standing, schedule.deliver.at_h)
    fails = off > min(asked.tolerance_percent, float(np.quantile(off, 1.0 - LEAST_SHARE)))
    if not fails.any():  # all alike
        return 1.0
    draws, count = draws.take(fails), np.full(int(fails.sum()), float(ASKED_AFTER[-1] + 1))
    spokes = draws.spokes(setting)
    standing = Standing(state=standing.state.take(fails), tension_N=standing.tension_N[fails], time_s=standing.time_s)
    for done in range(1, ASKED_AFTER[-1] + 1):
        _, standing = let_stand(spokes, standing, [standing.time_s + shop.pass_interval_h * H], RATIO)
        if standing.time_s / H + shop.pass_session_h + AFTER_LAST_PASS_H >= asked.horizon_h:
            break
        full = draws.stands_N(setting, targets, done)
        standing = retensioned(spokes, standing, full, shop.pass_session_h)
        if done in ASKED_AFTER:
            begins_h = max(schedule.deliver.at_h, standing.time_s / H + AFTER_LAST_PASS_H)
            off = _off_percent(setting, spokes, standing, begins_h)
            count[(off <= asked.tolerance_percent) & (count > done)] = done
            if (count <= done).all():
                break
    return float(count.mean())


def _off_percent(setting: Setting, spokes: Spokes, standing: Standing, begins_h: float) -> Floats:
    """(D,) the farthest that a side is from its target between ``begins_h`` and the horizon."""
    tensions, _ = standing_until(spokes, standing, output_times_h(setting.build, begins_h, TIMES), RATIO)
    off: Floats = 100.0 * np.abs(np.stack(tensions) / np.array(setting.targets_N) - 1.0).max(axis=(0, 2))
    return off
