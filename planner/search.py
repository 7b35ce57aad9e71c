"""The search for a schedule: fewest overnight passes, then bench nights and hands-on hours, then peak tension.

Candidates are screened by mean spokes (screening.py), all of them with the sessions before the last as high as the
limits allow, which holds best. Those that look good enough go through whole wheels, in order of what they cost, until
one holds with the asked probability; then its tensions are brought down as far as it goes on holding. The claim is made
with fresh draws, and a winner that only looked good by luck is passed over.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from models.batch import Batch
from models.errors import CannotAnswer
from planner.answer import Option, Plan, asked_of_limits, binding_limit, thread_used_mm, warnings_of, what_to_relax
from planner.beside import heat, tradeoff, would_buy
from planner.candidates import Candidate, benches, most_level, ways, wheel_limits
from planner.further import further_passes
from planner.learning import with_other_draws
from planner.outlook import Draws, Setting, draw_wheels, look_ahead, of_its_fibre, stiffness_at_target_N
from planner.relaxation import STEP_RATIO
from planner.schedule import check_schedule, peak_tension_N
from planner.screening import MeanDraws, Screened, bench_state, screen
from planner.untreated import untreated
from planner.wheel import wheel_of

if TYPE_CHECKING:
    from planner.build import Build

DRAWS = 1000
SCREENING_DRAWS = 128  # mean wheels
FIRST_LOOK_DRAWS = 256  # whole wheels in the search; the claim takes all
TRADE_DRAWS = 128  # whole wheels for what was not taken
UNTREATED_DRAWS = 128
RATIO = 2.2  # steps of the search in log time; the claim takes finer ones
CALMER_LEVELS = (1.0, 1.05, 1.1, 1.15)  # of sessions before the last, over target, where the highest is not needed
FURTHER_DRAWS = 48  # mean wheels that tell how many passes a failed one still needs
NEAR = 0.04  # a screened probability so far below what is asked is still looked at
LOOKS = 4  # candidates of one count of passes that whole wheels are spent on


class Search:
    """One batch, one build: candidates and what they do, all with the same draws."""

    def __init__(self, build: Build, batch: Batch, seed: int = 0, draws: int = DRAWS) -> None:
        wheel = wheel_of(build)
        self.build, self.batch = build, of_its_fibre(build, batch)
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
        self.setting = Setting.of(build, wheel, self.batch)
        self.draws = draw_wheels(build, wheel, self.batch, np.random.default_rng([seed, 1]), draws)
        self.quick = self.draws.take(slice(0, min(FIRST_LOOK_DRAWS, draws)))
        self.few = self.draws.take(slice(0, min(TRADE_DRAWS, draws)))
        self.mean_draws = MeanDraws.of(self.setting, self.draws.take(slice(0, SCREENING_DRAWS)))
        self.stretches = [(b, bench_state(self.setting, self.mean_draws, b)) for b in benches(build)]
        self.fresh = draw_wheels(build, wheel, self.batch, np.random.default_rng([seed, 2]), draws)
        self.further: dict[Candidate, float] = {}  # passes where the schedule fails
        self.screened = self.evaluated = 0

    def screen(self, passes: int) -> list[Screened]:
        """The best level for each timing and stretch with so many passes."""
        out: list[Screened] = []
        for timing in ways(self.build, passes):
            out += screen(self.setting, self.mean_draws, timing, self.stretches, [self.most], self.most)
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

    def expected_passes(self, option: Option) -> float:
        """An option's passes, and on average those that a wheel needs afterwards where it does not hold."""
        if option.candidate not in self.further:
            first = slice(0, FURTHER_DRAWS)
            state = dict(self.stretches)[option.candidate.bench].take(first)
            draws = self.mean_draws.take(first)
            self.further[option.candidate] = further_passes(self.setting, draws, option.candidate, state)
        return option.schedule.passes + (1.0 - option.probability) * self.further[option.candidate]

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
        hopeful = [s for s in found if s.probability >= asked - NEAR]
        hopeful.sort(key=lambda s: (*self.cost(s.candidate)[:3], -s.score))
        for s in hopeful[:LOOKS]:
            option = self.option(s.candidate, self.quick)
            looked.append(option)
            if self.good(option):
                for better in (*self.calmer(s), s.candidate):
                    claimed = self.claim(better)
                    if self.good(claimed):
                        return claimed, option.probability
                looked[-1] = claimed
        return None

    def calmer(self, chosen: Screened) -> list[Candidate]:
        """The same days with lower tension in the sessions before the last, where that is likely to hold as well.

        One at most: the lowest of `CALMER_LEVELS` that whole wheels do not speak against.
        """
        timing, bench = chosen.candidate.timing, chosen.candidate.bench
        levels = [level for level in CALMER_LEVELS if level < self.most]
        if not timing.at_h or not levels:
            return []
        state = dict(self.stretches)[bench]
        found = screen(self.setting, self.mean_draws, timing, [(bench, state)], levels, self.most)
        self.screened += len(found)
        for s in found:  # lowest first
            if s.probability >= self.build.tension.probability and self.good(self.option(s.candidate, self.quick)):
                return [s.candidate]
        return []


def surest(found: Sequence[Screened]) -> Screened:
    """The one that holds best."""
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
    passes to be expected, those counted that a wheel needs afterwards where it does not hold.

    Raises
    ------
    CannotAnswer
        The target itself is over a limit of the wheel, so no schedule can be given at all; or the simulated wheels
        find no balance.
    """
    return with_other_draws(lambda s: _find_plan(build, batch, s, draws, progress or _silent), seed)


def _find_plan(build: Build, batch: Batch, seed: int, draws: int, say: Callable[[str], None]) -> Plan:
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
    winner, in_search = won if won is not None else _least_expected(search, found, looked)
    say("what else is possible")
    trade = tradeoff(search, found, winner, looked)
    buckling = [limit.limit_N for limit in search.limits if limit.what == "lateral buckling"]
    problems = check_schedule(winner.schedule, build, buckling[0] if buckling else None)
    if problems:
        raise AssertionError(f"the search proposed a schedule that the build forbids: {problems[0]}")
    limits = asked_of_limits(winner, search.limits, build.bench_limit_N())
    holds = won is not None
    return Plan(
        batch=search.batch.batch,
        build=build,
        best=winner,
        holds=holds,
        tradeoff=trade,
        expected_passes=tuple(map(search.expected_passes, trade)),
        untreated=beside,
        limits=limits,
        binding=binding_limit(limits),
        relax=() if holds else what_to_relax(build.tension, winner),
        would_buy=would_buy(search, winner, holds),
        warnings=(*warnings_of(build, search.batch, winner), *heat(search, winner)),
        draws=search.fresh.count,
        search_probability=in_search,
        evaluated=search.evaluated,
        screened=search.screened,
    )


def _least_expected(search: Search, found: dict[int, list[Screened]], looked: list[Option]) -> tuple[Option, float]:
    """Where nothing holds as asked: the fewest passes to be expected, claimed with fresh draws."""
    for group in found.values():
        best = surest(group).candidate if group else None
        if best is not None and not any(o.candidate == best for o in looked):
            looked.append(search.option(best, search.quick))
    chosen = min(looked, key=lambda o: (round(search.expected_passes(o), 2), *search.cost(o.candidate)))
    return search.claim(chosen.candidate), chosen.probability


def _silent(_words: str) -> None:
    pass
