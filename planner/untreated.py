"""The wheel built the trade's way: set to target, rest overnight, retension to target, until it is settled or holds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from models.chain import ChainState
from planner.outlook import Draws, H, Setting, Sides, output_times_h, standing_until
from planner.relaxation import Spokes, Standing, first_set, let_stand, prepared, retensioned
from planner.schedule import Deliver, Laced, Schedule, Session
from planner.screening import MeanDraws, bench_state

if TYPE_CHECKING:
    from planner.build import Build

Floats = NDArray[np.float64]
MOST_PASSES = 12
AFTER_LAST_PASS_H = 1.0
RATIO = 2.2  # of the steps
SCOUTS = 100  # draws whose mean spokes are asked first
TIMES = 12  # output times by which it is judged whether a wheel holds
ENOUGH = 0.6  # share of the draws that must hold before no further pass is tried: the median is known by then


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Untreated:
    """Both counts of passes for each draw, and where the trade's stop rule leaves the wheel."""

    passes: Floats  # (D,) until a night in which neither side's mean lost more than `settled_percent`; inf: never
    passes_to_hold: Floats  # (D,) until the wheel holds as a plan must; inf above 12, or where no longer asked
    horizon_percent: Floats  # (D,) mean tension against target at the horizon, left as the stop rule leaves it
    first_night_percent: Floats  # (D,) change of mean tension over the first night

    def as_dict(self) -> dict[str, Any]:
        """The ``untreated`` of schedule.json: medians over the draws, null where there is none."""

        def middle(values: Floats) -> int | None:
            m = float(np.quantile(values, 0.5, method="inverted_cdf"))
            return int(m) if np.isfinite(m) else None

        return {
            "passes": middle(self.passes),
            "passes_to_hold": middle(self.passes_to_hold),
            "forecast_percent_at_horizon": round(float(np.median(self.horizon_percent)), 2),
            "first_night_percent": round(float(np.median(self.first_night_percent)), 2),
        }


def schedule_of_trade(build: Build, targets_N: tuple[float, float]) -> Schedule:
    """Laced as the shop laces, set to target, delivered."""
    shop = build.shop
    return Schedule(
        laced=Laced(hours=shop.laced_h, tension_N=shop.lacing_tension_N, temperature_C=shop.standing_C),
        sessions=(Session(kind="set", at_h=0.0, left_N=targets_N[0], right_N=targets_N[1]),),
        deliver=Deliver(at_h=build.tension.delivery_h),
    )


def untreated(setting: Setting, draws: Draws, cores: int = -1) -> Untreated:
    """Build every draw the trade's way, on so many cores (-1: all).

    Mean spokes first tell from which pass on it is worth asking whether a whole wheel holds.
    """
    from joblib import Parallel, delayed

    session = schedule_of_trade(setting.build, setting.targets_N).sessions[0]
    few = MeanDraws.of(setting, draws.take(slice(0, SCOUTS)))
    scouts = _rounds(
        setting,
        few.spokes(setting),
        bench_state(setting, few, None),
        lambda row: few.stands_N(setting, np.array(session.tension_N), row),
        np.array([0, 1]),
        0,
    )
    worth = float(np.quantile(scouts.passes_to_hold, 0.4, method="inverted_cdf"))
    coupling = setting.coupling(session)

    def wheels(part: Draws) -> Untreated:
        trade = schedule_of_trade(setting.build, setting.targets_N)
        return _rounds(
            setting,
            setting.spokes(part, coupling),
            prepared(part.chain, trade, setting.build.shop.temperature_C),
            lambda row: setting.stands_N(part, session, row),
            setting.wheel.side,
            worth,
        )

    parts = Parallel(n_jobs=cores, backend="threading")(delayed(wheels)(d) for d in draws.chunks())
    return Untreated(
        passes=np.concatenate([p.passes for p in parts]),
        passes_to_hold=np.concatenate([p.passes_to_hold for p in parts]),
        horizon_percent=np.concatenate([p.horizon_percent for p in parts]),
        first_night_percent=np.concatenate([p.first_night_percent for p in parts]),
    )


def _rounds(
    setting: Setting,
    spokes: Spokes,
    state: ChainState,
    stands_N: Callable[[int], Floats],
    side: NDArray[np.int64],
    worth_asking: float,
) -> Untreated:
    """Nights and passes; ``stands_N`` gives the tensions that the n-th session leaves, ``side`` each spoke's side.

    Whether wheels hold is asked from the pass ``worth_asking`` on.
    """
    shop, asked, targets = setting.build.shop, setting.build.tension, np.array(setting.targets_N)
    standing = first_set(spokes, state, stands_N(0), shop)
    night_s, session_s, horizon_s = shop.pass_interval_h * H, shop.pass_session_h * H, asked.horizon_h * H
    d = standing.tension_N.shape[0]
    settled, holds, left = np.full(d, np.inf), np.full(d, np.inf), np.full(d, np.nan)
    first_night = np.full(d, np.nan)

    def at_horizon(now: Standing) -> Floats:
        [final], _ = let_stand(spokes, now, [max(horizon_s, now.time_s + 1.0)], RATIO)
        off: Floats = 100.0 * (Sides.of(final, side).mean_N / targets - 1.0).mean(axis=1)
        return off

    for done in range(MOST_PASSES + 1):
        if done >= worth_asking and np.isinf(holds).mean() > 1.0 - ENOUGH:
            holds[_holds(setting, spokes, standing, side) & np.isinf(holds)] = done
        if np.isfinite(settled).all() and np.isfinite(holds).mean() >= ENOUGH:
            break
        before = Sides.of(standing.tension_N, side).mean_N
        [overnight], rested = let_stand(spokes, standing, [standing.time_s + night_s], RATIO)
        after = Sides.of(overnight, side).mean_N
        if done == 0:
            first_night = 100.0 * (after / before - 1.0).mean(axis=1)
        lost = 100.0 * (1.0 - after / before).max(axis=1)
        stops = (lost <= asked.settled_percent) & np.isinf(settled)
        if stops.any():
            settled[stops] = done
            left[stops] = at_horizon(rested)[stops]
        if done == MOST_PASSES or rested.time_s + session_s >= horizon_s:
            break
        standing = retensioned(spokes, rested, stands_N(done + 1), shop.pass_session_h)
    if np.isnan(left).any():
        left = np.where(np.isnan(left), at_horizon(standing), left)
    return Untreated(passes=settled, passes_to_hold=holds, horizon_percent=left, first_night_percent=first_night)


def _holds(setting: Setting, spokes: Spokes, standing: Standing, side: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(D,) whether wheels left alone now hold as a plan must, delivery moved to the last pass + 1 h."""
    build = setting.build
    deliver_h = max(build.tension.delivery_h, standing.time_s / H + AFTER_LAST_PASS_H)
    good = np.ones(standing.tension_N.shape[0], dtype=bool)
    if deliver_h >= build.tension.horizon_h:
        return good
    tensions, _ = standing_until(spokes, standing, output_times_h(build, deliver_h, TIMES), RATIO)
    for t in tensions:
        sides = Sides.of(t, side)
        off = 100.0 * np.abs(sides.mean_N / np.array(setting.targets_N) - 1.0)
        good &= (off <= build.tension.tolerance_percent).all(axis=1)
        good &= (sides.spread_percent <= build.tension.balance_percent).all(axis=1)
    return good
