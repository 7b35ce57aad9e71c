"""What stands beside a plan: other schedules that were weighed, a hot day, a tyre, what a change would buy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from planner.answer import Option
from planner.candidates import benches, ways
from planner.hotday import hot_day
from planner.outlook import look_ahead
from planner.screening import Screened, bench_state, screen, surest

if TYPE_CHECKING:
    from planner.build import Build
    from planner.search import Search

WIDER_PERCENT = 2.0  # tolerance in "what would it buy"
CHANGE_DRAWS = 48  # mean wheels for it
COARSE_RATIO = 2.2  # steps of whole wheels in log time
LATER_DAYS = (2, 3, 4, 6, 8, 11, 14)  # of delivery, where nothing holds and a night more is not enough
SAME = 0.02  # of a probability: no better


def tradeoff(
    search: Search, found: dict[int, list[Screened]], winner: Option, looked: Sequence[Option]
) -> tuple[Option, ...]:
    """For each count of passes the surest without and with a stretch, and the winner."""
    more = max(found) + 1
    if winner.schedule.passes == more - 1 and any(True for _ in ways(search.build, more)):
        found = {**found, more: search.screen(more)}
    known = {(o.candidate.timing, o.candidate.bench): o for o in [*looked, winner]}
    out = {(winner.candidate.timing, winner.candidate.bench): winner}
    for group in found.values():
        for stretched in (False, True):
            own = [s for s in group if (s.candidate.bench is not None) == stretched]
            if own:
                best = surest(own)
                key = (best.candidate.timing, best.candidate.bench)
                if key not in out:
                    out[key] = known[key] if key in known else search.look(best, search.few)
    return tuple(sorted(out.values(), key=lambda o: search.cost(o.candidate)))


def heat(search: Search, winner: Option) -> tuple[str, ...]:
    """What the hottest stretch of use would do, in a sentence; nothing where the build names none."""
    use = search.build.use
    if use is None or use.hottest_h <= 0:
        return ()
    hot = hot_day(search.setting, search.mean_draws, winner.candidate.bench, winner.schedule, use)
    return (
        f"{use.hottest_h:g} h at {use.hottest_C:g} degC after delivery raise the tension to about "
        f"{hot.hottest_percent:.0f} % and cost {-hot.at_horizon_percent:.1f} % by the horizon; the forecast leaves "
        "that out",
    )


def inflated(search: Search) -> tuple[str, ...]:
    """What the tyre would take off each side, in a sentence; nothing where the build names none."""
    wheel, tyre = search.setting.wheel, search.build.wheel.tyre
    if tyre is None:
        return ()
    drop = wheel.tyre_drop_N(EA_N=search.setting.EA_N)
    left, right = (float(drop[wheel.side == s].mean()) for s in (0, 1))
    both = (
        f"{left:.0f} N" if round(left) == round(right) else f"{left:.0f} N on the left and {right:.0f} N on the right"
    )
    return (
        f"with the tyre at {tyre.pressure_kPa:g} kPa a spoke reads about {both} less (an estimate within a factor of "
        "two); all tensions here are of the bare wheel",
    )


def would_buy(search: Search, winner: Option, holds: bool) -> tuple[tuple[str, str], ...]:
    """What a wider tolerance, one more night and one more station would each bring, in words."""
    if not search.threads(winner) or (holds and winner.schedule.passes == 0 and winner.candidate.nights == 0):
        return ()
    build = search.build
    asked, shop = build.tension, build.shop
    wider, later = asked.tolerance_percent + WIDER_PERCENT, asked.delivery_h + 24.0
    changes = [
        (
            f"tension.tolerance_percent {wider:g} instead of {asked.tolerance_percent:g}",
            "tension",
            "tolerance_percent",
            wider,
        )
    ]
    if later < asked.horizon_h:
        changes.append((f"one more night (tension.delivery_h {later:g})", "tension", "delivery_h", later))
    if winner.candidate.bench is not None and shop.stations * shop.spokes_per_station < build.wheel.spokes:
        changes.append((f"one more station (shop.stations {shop.stations + 1})", "shop", "stations", shop.stations + 1))
    from joblib import Parallel, delayed

    effects = Parallel(n_jobs=search.cores, backend="threading")(
        delayed(_effect)(search, build.changed(table, key, value), winner, holds) for _, table, key, value in changes
    )
    bought = [(words, effect) for (words, *_), (_, effect) in zip(changes, effects, strict=True)]
    night = [enough for (_, _, key, _), (enough, _) in zip(changes, effects, strict=True) if key == "delivery_h"]
    return (*bought, *([] if holds or any(night) else _later_delivery(search, winner)))


def _later_delivery(search: Search, winner: Option) -> list[tuple[str, str]]:
    """The soonest of some later deliveries at which no more passes than the best has are enough: more is over then."""
    asked = search.build.tension
    days = [d for d in LATER_DAYS if asked.delivery_h + 24.0 * d < 0.9 * asked.horizon_h]
    found: list[tuple[str, str]] = []
    while days:  # the latest first: where that is not enough no other is; then halving
        day = days[-1] if not found else days[(len(days) - 1) // 2]
        hours = asked.delivery_h + 24.0 * day
        enough, effect = _effect(search, search.build.changed("tension", "delivery_h", hours), winner, False)
        if enough:
            found = [(f"delivery {day} days later (tension.delivery_h {hours:g})", effect)]
        elif not found:
            break
        days = [d for d in days if (d < day if enough else d > day)]
    return found


def _effect(search: Search, build: Build, winner: Option, holds: bool) -> tuple[bool, str]:
    """Whether a (changed) build can hold as asked, and how.

    The cheapest schedule that does, or else the best; screened, then put through whole wheels.
    """
    setting = replace(search.setting, build=build)
    first = slice(0, CHANGE_DRAWS)
    draws, asked = search.mean_draws.take(first), build.tension
    known = {b: state.take(first) for b, state in search.stretches}
    longest = max((b.hours for b in benches(build) if b is not None), default=0.0)
    planned = winner.candidate.bench.hours if winner.candidate.bench else longest
    likely = [b for b in benches(build) if b is None or b.hours in (longest, planned)]
    stretches = [(b, known[b] if b in known else bench_state(setting, draws, b)) for b in likely]
    best: tuple[float, Screened] | None = None
    for passes in range(winner.schedule.passes + 1):
        found = [
            s for t in ways(build, passes) for s in screen(setting, draws, t, stretches, [search.most], search.most)
        ]
        fit = [s for s in found if s.probability >= asked.probability]
        tried = [min(fit, key=lambda s: search.cost(s.candidate))] if fit else []
        tried += [surest(found)] if found else []
        for s in dict.fromkeys(tried):
            schedule = s.candidate.schedule(build, setting.targets_N)
            outlook = look_ahead(setting, search.few, schedule, COARSE_RATIO, 1)
            search.evaluated += 1
            probability = outlook.share_that_holds(asked)
            if probability >= asked.probability:
                return True, _in_words(winner, holds, passes, s, probability)
            if best is None or probability > best[0]:
                best = probability, s
    if best is None:
        return False, "nothing"
    if best[0] <= winner.probability + SAME:
        return False, f"nothing to speak of: the best would hold with about {best[0]:.2f}"
    return False, f"not enough: the best would hold with about {best[0]:.2f}"


def _in_words(winner: Option, holds: bool, passes: int, found: Screened, probability: float) -> str:
    nights = found.candidate.nights
    needs = (
        f"{passes} overnight pass{'' if passes == 1 else 'es'} and {nights} bench night{'' if nights == 1 else 's'}, "
        f"holds with about {probability:.2f}"
    )
    if holds and (passes, nights) >= (winner.schedule.passes, winner.candidate.nights):
        return f"no pass and no night less: {needs}"
    return needs
