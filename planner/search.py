"""The search for a schedule: fewest overnight passes, then bench nights and hands-on hours, then peak tension.

Candidates are screened by mean spokes (screening.py); those that look good enough go through whole wheels, in order of
what they cost, until one holds with the asked probability. The claim is then made with fresh draws, and a winner that
only looked good by luck is passed over.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from models.batch import Batch
from models.errors import CannotAnswer
from planner.answer import (
    Option,
    Plan,
    asked_of_limits,
    binding_limit,
    thread_used_mm,
    warnings_of,
    what_to_relax,
)
from planner.candidates import Bench, Candidate, benches, most_level, ways, wheel_limits
from planner.hotday import hot_day
from planner.outlook import Draws, Setting, draw_wheels, look_ahead, stiffness_at_target_N
from planner.relaxation import STEP_RATIO
from planner.schedule import check_schedule, peak_tension_N
from planner.screening import MeanDraws, Screened, bench_state, screen
from planner.untreated import MOST_PASSES, Untreated, untreated
from planner.wheel import wheel_of

if TYPE_CHECKING:
    from planner.build import Build

DRAWS = 1000
SCREENING_DRAWS = 100  # mean wheels
FIRST_LOOK_DRAWS = 256  # whole wheels in the search; the claim takes all
TRADE_DRAWS = 128  # whole wheels for what was not taken
UNTREATED_DRAWS = 128
RATIO = 2.2  # steps of the search in log time; the claim takes finer ones
EARLY_LEVELS = (1.0, 1.1, 1.2, 9.9)  # of sessions before the last, over target; the last: as high as limits allow
SAME_SCORE = 0.01  # a lower early level is taken where it does nearly as well
NEAR = 0.04  # a screened probability so far below what is asked is still looked at
LOOKS = 4  # candidates of one count of passes that whole wheels are spent on
WIDER_PERCENT = 2.0  # tolerance in "what would it buy"
CHANGE_DRAWS = 48  # mean wheels for "what would it buy"


class Search:
    """One batch, one build: candidates and what they do, all with the same draws."""

    def __init__(self, build: Build, batch: Batch, seed: int = 0, draws: int = DRAWS) -> None:
        wheel = wheel_of(build)
        self.build, self.batch = build, batch
        highest = max(wheel.side_targets_N())
        self.limits = wheel_limits(build, wheel.buckling_tension_N(stiffness_at_target_N(build, batch)))
        self.most = most_level(build, self.limits, highest)
        if self.most < 1.0:
            tightest = min(self.limits, key=lambda limit: limit.limit_N)
            raise CannotAnswer(
                f"tension.target_N = {build.tension.target_N:g}: the {tightest.what} limit, {tightest.limit_N:.0f} N, "
                f"leaves no room for it; lower the target to {self.most * highest:.0f} N, or take a part that "
                "bears more"
            )
        self.setting = Setting.of(build, wheel, batch)
        self.draws = draw_wheels(build, wheel, batch, np.random.default_rng([seed, 1]), draws)
        self.quick = self.draws.take(slice(0, min(FIRST_LOOK_DRAWS, draws)))
        self.few = self.draws.take(slice(0, min(TRADE_DRAWS, draws)))
        self.mean_draws = MeanDraws.of(self.setting, self.draws.take(slice(0, SCREENING_DRAWS)))
        self.stretches = [(b, bench_state(self.setting, self.mean_draws, b)) for b in benches(build)]
        self.fresh = draw_wheels(build, wheel, batch, np.random.default_rng([seed, 2]), draws)
        self.screened = self.evaluated = 0

    def screen(self, passes: int) -> list[Screened]:
        """The best level for each timing, stretch and early level with so many passes."""
        out: list[Screened] = []
        for timing in ways(self.build, passes):
            early = sorted({min(level, self.most) for level in EARLY_LEVELS})
            out += screen(self.setting, self.mean_draws, timing, self.stretches, early, self.most)
        self.screened += len(out)
        return out

    def option(self, candidate: Candidate, draws: Draws, ratio: float = RATIO) -> Option:
        """Put whole wheels through a candidate."""
        schedule = candidate.schedule(self.build, self.setting.targets_N)
        outlook = look_ahead(self.setting, draws, schedule, ratio)
        asked = self.build.tension
        self.evaluated += 1
        return Option(
            candidate=candidate,
            schedule=schedule,
            hands_on_h=candidate.hands_on_h(self.build),
            peak_N=peak_tension_N(schedule, self.build.shop),
            outlook=outlook,
            probability=float(outlook.holds(asked.tolerance_percent, asked.balance_percent).mean()),
        )

    def claim(self, candidate: Candidate) -> Option:
        """A candidate with fresh draws and finer steps."""
        return self.option(candidate, self.fresh, STEP_RATIO)

    def cost(self, candidate: Candidate) -> tuple[float, ...]:
        """What is kept small, first things first."""
        schedule = candidate.schedule(self.build, self.setting.targets_N)
        return (
            schedule.passes,
            candidate.nights,
            round(candidate.hands_on_h(self.build), 3),
            peak_tension_N(schedule, self.build.shop),
        )

    def good(self, option: Option) -> bool:
        """Whether it holds as asked, with thread to spare."""
        thread = self.build.spoke.thread_length_mm
        return option.probability >= self.build.tension.probability and thread_used_mm(option.outlook) <= thread

    def cheapest(self, found: Sequence[Screened], looked: list[Option]) -> tuple[Option, float] | None:
        """The cheapest that holds, claimed with fresh draws, and its probability in the search.

        ``looked`` takes every option that whole wheels went through.
        """
        asked = self.build.tension.probability
        hopeful = _best_of_each([s for s in found if s.probability >= asked - NEAR])
        hopeful.sort(key=lambda s: self.cost(s.candidate))
        for s in hopeful[:LOOKS]:
            option = self.option(s.candidate, self.quick)
            looked.append(option)
            if self.good(option):
                claimed = self.claim(s.candidate)
                if self.good(claimed):
                    return claimed, option.probability
                looked[-1] = claimed
        return None


def _best_of_each(found: Sequence[Screened]) -> list[Screened]:
    """Of each timing and stretch only the early level that holds best, or a lower one that does nearly as well."""
    alike: dict[tuple[object, Bench | None], list[Screened]] = {}
    for s in found:
        alike.setdefault((s.candidate.timing, s.candidate.bench), []).append(s)
    return [
        min(
            (s for s in group if s.score >= max(g.score for g in group) - SAME_SCORE),
            key=lambda s: s.candidate.early_level,
        )
        for group in alike.values()
    ]


def _surest(found: Sequence[Screened]) -> Screened:
    return max(found, key=lambda s: s.score)


def find_plan(
    build: Build,
    batch: Batch,
    *,
    seed: int = 0,
    draws: int = DRAWS,
    progress: Callable[[str], None] | None = None,
) -> Plan:
    """Search, and claim with fresh draws.

    Parameters
    ----------
    draws : wheels in the claim
    progress : called with a few words at each stage

    Returns
    -------
    Plan; ``holds`` is false where nothing holds with the asked probability: then it is the schedule with the fewest
    passes to be expected, a wheel that does not hold being built the trade's way after all.

    Raises
    ------
    CannotAnswer
        The target itself is over a limit of the wheel, so no schedule can be given at all.
    """
    say = progress if progress is not None else _silent
    say("the wheel, and the spokes it may get")
    search = Search(build, batch, seed, draws)
    looked: list[Option] = []
    found: dict[int, list[Screened]] = {}
    won: tuple[Option, float] | None = None
    passes = 0
    while won is None and any(True for _ in ways(build, passes)):
        say(f"schedules with {passes} overnight {'pass' if passes == 1 else 'passes'}")
        found[passes] = search.screen(passes)
        won = search.cheapest(found[passes], looked)
        passes += 1
    say("the untreated wheel")
    beside = untreated(search.setting, search.fresh.take(slice(0, min(UNTREATED_DRAWS, draws))))
    winner, in_search = won if won is not None else _least_expected(search, found, beside, looked)
    say("what else is possible")
    trade = _tradeoff(search, found, winner, looked)
    return _answer(search, winner, in_search, trade, beside, holds=won is not None)


def _least_expected(
    search: Search, found: dict[int, list[Screened]], beside: Untreated, looked: list[Option]
) -> tuple[Option, float]:
    """Where nothing holds as asked: the fewest passes to be expected, claimed with fresh draws.

    A wheel that does not hold is counted as built the trade's way after all.
    """
    otherwise = beside.as_dict()["passes_to_hold"] or MOST_PASSES + 1
    for group in found.values():
        if group:
            looked.append(search.option(_surest(group).candidate, search.quick))
    best = min(looked, key=lambda o: o.schedule.passes + (1.0 - o.probability) * otherwise)
    return search.claim(best.candidate), best.probability


def _silent(_words: str) -> None:
    pass


def _tradeoff(
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
            best = _surest(own).candidate if own else None
            if best is None or (best.timing, best.bench) in out:
                continue
            key = (best.timing, best.bench)
            out[key] = known[key] if key in known else search.option(best, search.few)
    return tuple(sorted(out.values(), key=lambda o: search.cost(o.candidate)))


def _answer(
    search: Search, winner: Option, in_search: float, trade: tuple[Option, ...], beside: Untreated, *, holds: bool
) -> Plan:
    build = search.build
    buckling = [limit.limit_N for limit in search.limits if limit.what == "lateral buckling"]
    problems = check_schedule(winner.schedule, build, buckling[0] if buckling else None)
    if problems:
        raise AssertionError(f"the search proposed a schedule that the build forbids: {problems[0]}")
    limits = asked_of_limits(winner, search.limits, build.bench_limit_N())
    return Plan(
        batch=search.batch.batch,
        build=build,
        best=winner,
        holds=holds,
        tradeoff=trade,
        untreated=beside,
        limits=limits,
        binding=binding_limit(limits),
        relax=() if holds else what_to_relax(build.tension, winner),
        would_buy=_would_buy(search, winner, holds),
        warnings=(*warnings_of(build, search.batch, winner), *_heat(search, winner)),
        draws=search.fresh.count,
        search_probability=in_search,
        evaluated=search.evaluated,
        screened=search.screened,
    )


def _heat(search: Search, winner: Option) -> tuple[str, ...]:
    use = search.build.use
    if use is None or use.hottest_h <= 0:
        return ()
    heat = hot_day(search.setting, search.mean_draws, winner.candidate.bench, winner.schedule, use)
    return (
        f"{use.hottest_h:g} h at {use.hottest_C:g} degC after delivery raise the tension to about "
        f"{heat.hottest_percent:.0f} % and cost {-heat.at_horizon_percent:.1f} % by the horizon; the forecast leaves "
        "that out",
    )


def _would_buy(search: Search, winner: Option, holds: bool) -> tuple[tuple[str, str], ...]:
    """What a wider tolerance, one more night and one more station would bring, as far as mean spokes tell."""
    if holds and winner.schedule.passes == 0 and winner.candidate.nights == 0:
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
    out = []
    for words, table, key, value in changes:
        changed = build.model_copy(update={table: getattr(build, table).model_copy(update={key: value})})
        out.append((words, _effect(search, changed, winner)))
    return tuple(out)


def _effect(search: Search, changed: Build, winner: Option) -> str:
    """Fewest passes and bench nights for a changed build, in words."""
    setting = replace(search.setting, build=changed)
    draws = MeanDraws.of(setting, search.draws.take(slice(0, CHANGE_DRAWS)))
    top = [b for b in benches(changed) if b is None or b.load_N >= 0.99 * changed.bench_limit_N()][:2]
    stretches = [(b, bench_state(setting, draws, b)) for b in top]
    surest: Screened | None = None
    for passes in range(winner.schedule.passes + 1):
        timings = list(ways(changed, passes))[-1:]
        found = [s for t in timings for s in screen(setting, draws, t, stretches, [search.most], search.most)]
        fit = [s for s in found if s.probability >= changed.tension.probability]
        if fit:
            best = min(fit, key=lambda s: search.cost(s.candidate))
            nights = best.candidate.nights
            return f"about {passes} passes and {nights} bench nights, holds with about {best.probability:.2f}"
        if found:
            surest = _surest([*found, *([surest] if surest else [])])
    return f"still nothing; the best would hold with about {surest.probability:.2f}" if surest else "nothing"
