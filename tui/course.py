"""Mean tension of a wheel from its first set to the horizon, sessions included: what the plan's picture draws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.batch import Batch
from planner.build import Build
from planner.outlook import Draws, H, Setting, Sides, draw_wheels
from planner.relaxation import first_set, let_stand, prepared, retensioned
from planner.schedule import Schedule, Session
from planner.untreated import schedule_of_trade
from planner.wheel import wheel_of
from tui.pictures import Tension

Floats = NDArray[np.float64]
DRAWS = 128
FIRST_S = 60.0  # after a session, where the curve begins again
POINTS_PER_REST = 14
RATIO = 2.0  # of the steps in log time


def _between(start_s: float, end_s: float) -> list[float]:
    """Times from a minute after ``start_s`` to ``end_s``, close at first."""
    span = end_s - start_s
    return [start_s + float(t) for t in np.geomspace(min(FIRST_S, 0.5 * span), span, POINTS_PER_REST)]


def course(setting: Setting, draws: Draws, schedule: Schedule) -> dict[str, Tension]:
    """Bands (5, 50, 95 % over the draws) of each side's mean tension from the end of the first set to the horizon."""
    build = setting.build
    horizon_s = build.tension.horizon_h * H
    spokes = setting.spokes(draws, setting.coupling(schedule.sessions[-1]))
    state = prepared(draws.chain, schedule, build.shop.temperature_C)
    last = len(schedule.sessions) - 1
    time_s: list[float] = []
    means: list[Floats] = []
    standing = None
    for i, session in enumerate(schedule.sessions):
        full = setting.stands_N(draws, session, last - i)
        if standing is None:
            standing = first_set(spokes, state, full, build.shop)
        else:
            standing = retensioned(spokes, standing, full, session.length_h(build.shop))
        end_s = schedule.sessions[i + 1].at_h * H if i < last else horizon_s
        time_s.append(standing.time_s)
        means.append(Sides.of(standing.tension_N, setting.wheel.side).mean_N)
        if end_s > standing.time_s:
            times = _between(standing.time_s, end_s)
            tensions, standing = let_stand(spokes, standing, times, RATIO)
            time_s += times
            means += [Sides.of(t, setting.wheel.side).mean_N for t in tensions]
    low, middle, high = np.quantile(np.array(means), (0.05, 0.5, 0.95), axis=1)  # each (T, 2)
    time_h = np.array(time_s) / H
    return {
        side: Tension(time_h=time_h, low_N=low[:, k], middle_N=middle[:, k], high_N=high[:, k])
        for k, side in enumerate(("left", "right"))
    }


def untreated_schedule(build: Build, targets_N: tuple[float, float], passes: int) -> Schedule:
    """The trade's way with so many overnight passes."""
    trade = schedule_of_trade(build, targets_N)
    sessions: list[Session] = list(trade.sessions)
    for _ in range(passes):
        before = sessions[-1]
        at_h = before.at_h + before.length_h(build.shop) + build.shop.pass_interval_h
        sessions.append(replace(before, kind="pass", at_h=at_h))
    return replace(trade, sessions=tuple(sessions))


def planned_and_untreated(
    build: Build, batch: Batch, schedule: Schedule, passes: int, rng: np.random.Generator
) -> tuple[dict[str, Tension], dict[str, Tension]]:
    """The plan's wheel and the untreated one with ``passes`` overnight passes, with the same draws."""
    wheel = wheel_of(build)
    setting = Setting.of(build, wheel, batch)
    draws = draw_wheels(build, wheel, batch, rng, DRAWS)
    trade = untreated_schedule(build, setting.targets_N, passes)
    return course(setting, draws, schedule), course(setting, draws, trade)
