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
MOST_FURTHER = 12
AFTER_LAST_PASS_H = 1.0
RATIO = 2.5
TIMES = 8


def further_passes(setting: Setting, draws: MeanDraws, candidate: Candidate, state: ChainState) -> float:
    """Mean number of further overnight passes until a wheel holds, over the wheels that the schedule fails.

    Mean spokes, so balance is left aside. Further passes are the trade's: to target, one each night, delivery waiting
    for them. 0 where no draw fails; a wheel that 12 do not bring to hold counts 13.

    Parameters
    ----------
    state : (D, 2) mean state of each side when the first set begins (`screening.bench_state`)
    """
    build = setting.build
    shop, asked, targets = build.shop, build.tension, np.array(setting.targets_N)
    schedule = candidate.schedule(build, setting.targets_N)
    spokes, standing = through_sessions(setting, draws, schedule, state)
    fails = ~_holds(setting, spokes, standing, schedule.deliver.at_h)
    if not fails.any():
        return 0.0
    draws, count = draws.take(fails), np.full(int(fails.sum()), float(MOST_FURTHER + 1))
    spokes = draws.spokes(setting)
    standing = Standing(state=standing.state.take(fails), tension_N=standing.tension_N[fails], time_s=standing.time_s)
    for done in range(1, MOST_FURTHER + 1):
        _, standing = let_stand(spokes, standing, [standing.time_s + shop.pass_interval_h * H], RATIO)
        if standing.time_s / H + shop.pass_session_h + AFTER_LAST_PASS_H >= asked.horizon_h:
            break
        full = draws.stands_N(setting, targets, done)
        standing = retensioned(spokes, standing, full, shop.pass_session_h)
        count[_holds(setting, spokes, standing, schedule.deliver.at_h) & (count > done)] = done
        if (count <= done).all():
            break
    return float(count.mean())


def _holds(setting: Setting, spokes: Spokes, standing: Standing, deliver_h: float) -> NDArray[np.bool_]:
    """(D,) whether both side means stay within tolerance, delivery moved to the last pass + 1 h where that is later."""
    begins_h = max(deliver_h, standing.time_s / H + AFTER_LAST_PASS_H)
    tensions, _ = standing_until(spokes, standing, output_times_h(setting.build, begins_h, TIMES), RATIO)
    off = np.abs(np.stack(tensions) / np.array(setting.targets_N) - 1.0)
    within: NDArray[np.bool_] = 100.0 * off.max(axis=(0, 2)) <= setting.build.tension.tolerance_percent
    return within
