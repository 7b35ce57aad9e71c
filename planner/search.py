"""The search for a schedule: fewest overnight passes, then nights and hands-on hours, then peak tension.

Candidates are screened by mean spokes (screening.py), all of them with the sessions before the last as high as the
limits allow, which holds best. Those that look good enough go through whole wheels, in order of what they cost, until
one holds with the asked probability; then its tensions are brought down as far as it holds as surely. Nights are those
on the frame and those before the passes that failing wheels need afterwards: so a touch is worth its half hour where it
makes a wheel surer. The claim is made with fresh draws, and a winner that only looked good by luck is passed over.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from models.batch import Batch
from models.errors import CannotAnswer
from planner.answer import Option, Plan, asked_of_limits, binding_limit, thread_used_mm, warnings_of, what_to_relax
from planner.beside import heat, inflated, tradeoff, would_buy
from planner.candidates import Bench, Candidate, benches, most_level, ways, wheel_limits
from planner.covered import refuse_untested
from planner.further import further_passes
from planner.learning import with_other_draws
from planner.outlook import Draws, Setting, draw_wheels, look_ahead, of_its_fibre, stiffness_at_target_N
from planner.relaxation import STEP_RATIO
from planner.schedule import check_schedule, peak_tension_N
from planner.screening import MeanDraws, Screened, bench_state, screen, surest
from planner.untreated import untreated
from planner.wheel import wheel_of

if TYPE_CHECKING:
    from planner.build import Build

DRAWS = 1000
SCREENING_DRAWS = 384  # mean wheels
LOOK_DRAWS = 192  # whole wheels in the search; the claim takes all
FEW_DRAWS = 128  # whole wheels for what was not taken
UNTREATED_DRAWS = 128
RATIO = 2.2  # steps of the search in log time; the claim takes finer ones
CALMER_LEVELS = (1.0, 1.05, 1.1, 1.15)  # of sessions before the last, over target, where the highest is not needed
FURTHER_DRAWS = 48  # mean wheels that tell how many passes a failed one still needs
NEAR = 0.02  # a screened probability so far below what is asked is still looked at
FEW_HOLD = 0.2  # of wheels: how many of these hold is too little known to be weighed against passes
PASS_IS_WORTH_PERCENT = 0.5  # of tension, where so few of the wheels hold
LOOKS = 3  # candidates of one count of passes that whole wheels are spent on
NIGHT_H = 8.0  # hours of work that a night is weighed as: more than all hands-on hours that ways may differ by
CLEARLY_H = 1.0  # of those hours: a way that is lighter by less is not said to be better


class Search:
    """One batch, one build: candidates and what they do, all with the same draws."""

    def __init__(
        self,
        build: Build,
        batch: Batch,
        seed: int = 0,
        draws: int = DRAWS,
        cores: int = -1,
        stretches: Sequence[Bench | None] | None = None,
    ) -> None:
        wheel = wheel_of(build)
        self.build, self.batch, self.cores = build, of_its_fibre(build, batch), cores
        highest = max(wheel.side_targets_N())
        refuse_untested(build, batch, highest)
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
        self.quick = self.draws.take(slice(0, min(LOOK_DRAWS, draws)))
        self.few = self.draws.take(slice(0, min(FEW_DRAWS, draws)))
        self.mean_draws = MeanDraws.of(self.setting, self.draws.take(slice(0, SCREENING_DRAWS)))
        on_the_frame = benches(build) if stretches is None else stretches
        self.stretches = [(b, bench_state(self.setting, self.mean_draws, b)) for b in on_the_frame]
        self.fresh = draw_wheels(build, wheel, self.batch, np.random.default_rng([seed, 2]), draws)
        self.claimed: dict[Candidate, Option] = {}
        self.further: dict[Candidate, float] = {}  # passes where the schedule fails
        self.screened = self.evaluated = 0

    def screen(self, passes: int) -> list[Screened]:
        """The best level for each timing and stretch with so many passes."""
        from joblib import Parallel, delayed

        found = Parallel(n_jobs=self.cores, backend="threading")(
            delayed(screen)(self.setting, self.mean_draws, timing, self.stretches, [self.most], self.most)
            for timing in ways(self.build, passes)
        )
        self.screened += sum(map(len, found))
        return [s for some in found for s in some]

    def option(self, candidate: Candidate, draws: Draws, ratio: float = RATIO) -> Option:
        """Put whole wheels through a candidate."""
        schedule = candidate.schedule(self.build, self.setting.targets_N)
        outlook = look_ahead(self.setting, draws, schedule, ratio, self.cores)
        self.evaluated += 1
        return Option(
            candidate=candidate,
            schedule=schedule,
            hands_on_h=candidate.hands_on_h(self.build),
            peak_N=peak_tension_N(schedule, self.build.shop),
            outlook=outlook,
            probability=outlook.share_that_holds(self.build.tension),
        )

    def look(self, screened: Screened, draws: Draws) -> Option:
        """Put some of the search's whole wheels through a candidate.

        What share holds is told from more: that of all screened draws is known by their means, and the whole wheels
        only say how much less it is (a control variate, Glasserman, Monte Carlo Methods in Financial Engineering, 4.1).
        """
        option = self.option(screened.candidate, draws)
        share = option.probability + screened.probability - float(screened.within[: draws.count].mean())
        return replace(option, probability=min(max(share, 0.0), 1.0))

    def further_passes(self, candidate: Candidate) -> float:
        """Passes that a wheel needs on average after a schedule that it does not hold under."""
        if candidate not in self.further:
            first = slice(0, FURTHER_DRAWS)
            state = dict(self.stretches)[candidate.bench].take(first)
            self.further[candidate] = further_passes(self.setting, self.mean_draws.take(first), candidate, state)
        return self.further[candidate]

    def expected_passes(self, option: Option) -> float:
        """An option's passes, and on average those that a wheel needs afterwards where it does not hold."""
        return option.schedule.passes + (1.0 - option.probability) * self.further_passes(option.candidate)

    def burden_h(self, candidate: Candidate, passes_afterwards: float) -> float:
        """Hours that a way comes to beyond its planned passes, its nights and those of passes afterwards counted."""
        return candidate.hands_on_h(self.build) + NIGHT_H * (candidate.nights + passes_afterwards)

    def beats(self, one: Option, other: Option) -> bool:
        """Whether one has fewer planned passes than another that holds too, or as many and clearly less of all else."""
        (few, light), (many, heavy) = (
            (o.schedule.passes, self.burden_h(o.candidate, self.expected_passes(o) - o.schedule.passes))
            for o in (one, other)
        )
        return few < many or (few == many and light < heavy - CLEARLY_H)

    def claim(self, candidate: Candidate) -> Option:
        """A candidate with fresh draws and finer steps."""
        if candidate not in self.claimed:
            self.claimed[candidate] = self.option(candidate, self.fresh, STEP_RATIO)
        return self.claimed[candidate]

    def cost(self, candidate: Candidate) -> tuple[float, ...]:
        """Planned passes, bench nights, hands-on hours and peak: how ways are listed."""
        schedule = candidate.schedule(self.build, self.setting.targets_N)
        return (
            schedule.passes,
            candidate.nights,
            round(candidate.hands_on_h(self.build), 3),
            peak_tension_N(schedule, self.build.shop),
        )

    def threads(self, option: Option) -> bool:
        """Whether the thread suffices."""
        return thread_used_mm(option.outlook) <= self.build.spoke.thread_length_mm

    def good(self, option: Option) -> bool:
        """Whether it holds as asked, with thread to spare."""
        return option.probability >= self.build.tension.probability and self.threads(option)

    def cheapest(self, found: Sequence[Screened], looked: list[Option]) -> tuple[Option, float] | None:
        """The least burden of one count of passes that holds, claimed with fresh draws; its probability in the search.

        ``looked`` takes every option that whole wheels went through.
        """
        asked = self.build.tension.probability
        hopeful = [s for s in found if s.probability >= asked - NEAR]
        if not hopeful:
            return None
        further = self.further_passes(min(hopeful, key=lambda s: s.score).candidate)  # much the same for all
        hopeful.sort(key=lambda s: (self.burden_h(s.candidate, (1.0 - s.probability) * further), -s.score))
        for _ in range(LOOKS):
            if not hopeful:
                break
            s = hopeful.pop(0)
            option = self.look(s, self.quick)
            looked.append(option)
            if self.good(option):
                for better in (*self.calmer(s), s.candidate):
                    claimed = self.claim(better)
                    if self.good(claimed):
                        return claimed, option.probability
                looked[-1] = claimed
            elif not self.threads(option):  # spokes of the same stretch take up as much whenever they are set
                hopeful = [other for other in hopeful if other.candidate.bench != s.candidate.bench]
        return None

    def calmer(self, chosen: Screened) -> list[Candidate]:
        """The same days with lower tension in the sessions before the last, where that is likely to hold as surely.

        One at most: the lowest of `CALMER_LEVELS` that means hold as surely under, if whole wheels hold as asked.
        """
        timing, bench = chosen.candidate.timing, chosen.candidate.bench
        least = max(chosen.probability, self.build.tension.probability)
        levels = [level for level in CALMER_LEVELS if level < self.most]
        if not timing.at_h or not levels:
            return []
        state = dict(self.stretches)[bench]
        found = screen(self.setting, self.mean_draws, timing, [(bench, state)], levels, self.most)
        self.screened += len(found)
        lowest = next((s for s in found if s.probability >= least), None)
        return [lowest.candidate] if lowest is not None and self.good(self.look(lowest, self.quick)) else []


def find_plan(
    build: Build,
    batch: Batch,
    *,
    seed: int = 0,
    draws: int = DRAWS,
    progress: Callable[[str], None] | None = None,
    cores: int = -1,
    stretches: Sequence[Bench | None] | None = None,
) -> Plan:
    """Search, and claim with fresh draws.

    Parameters
    ----------
    draws : wheels in the claim
    progress : called with a few words at each stage
    cores : to work on; -1: all, 1 where many builds are planned side by side
    stretches : that come into question, where these are settled already; else all that are worth comparing

    Returns
    -------
    Plan; ``holds`` is false where nothing holds with the asked probability: then it is the schedule with the fewest
    passes to be expected, those counted that a wheel needs afterwards where it does not hold, or, where fewer than a
    fifth of the wheels would hold whatever is done, the one under which the middle wheel leaves the tolerance least.

    Raises
    ------
    CannotAnswer
        The target itself is over a limit of the wheel or over what the batch was tested at, so no schedule can be
        given at all; or the simulated wheels find no balance.
    """

    def find(with_seed: int) -> Plan:
        say = progress or _silent
        say("the wheel, and the spokes it may get")
        return _find_plan(Search(build, batch, with_seed, draws, cores, stretches), say)

    return with_other_draws(find, seed)


def _find_plan(search: Search, say: Callable[[str], None]) -> Plan:
    build, cores, draws = search.build, search.cores, search.fresh.count
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
    beside = untreated(search.setting, search.fresh.take(slice(0, min(UNTREATED_DRAWS, draws))), cores)
    winner, in_search = won if won is not None else _least_expected(search, found, looked)
    say("what else is possible")
    trade = tradeoff(search, found, winner, looked)
    for option in trade:  # one that was left out may be better after all
        if search.good(option) and (won is None or search.beats(option, replace(winner, probability=in_search))):
            claimed = search.claim(option.candidate)
            trade = tuple(claimed if o is option else o for o in trade)
            if search.good(claimed) and (won is None or search.beats(claimed, winner)):
                won = winner, in_search = claimed, option.probability
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
        relax=() if holds else what_to_relax(build, winner),
        would_buy=would_buy(search, winner, holds),
        warnings=(*warnings_of(build, search.batch, winner), *heat(search, winner), *inflated(search)),
        draws=search.fresh.count,
        search_probability=in_search,
        evaluated=search.evaluated,
        screened=search.screened,
    )


def _least_expected(search: Search, found: dict[int, list[Screened]], looked: list[Option]) -> tuple[Option, float]:
    """Where nothing holds as asked: the fewest passes to be expected, claimed with fresh draws.

    Where fewer than a fifth of the wheels would hold whatever is done, the schedule under which the middle wheel leaves
    the tolerance least; a pass more must bring it nearer by `PASS_IS_WORTH_PERCENT`. How many of the few hold hangs on
    the far ends of the bands, which are known worst; how near the middle wheel comes does not.
    """
    for group in found.values():
        best = surest(group) if group else None
        if best is not None and not any(o.candidate == best.candidate for o in looked):
            looked.append(search.look(best, search.quick))
    looked = list(filter(search.threads, looked)) or looked
    if max(o.probability for o in looked) < FEW_HOLD:

        def off(option: Option) -> float:
            middle = float(np.median(option.outlook.worst_deviation_percent))
            return round(middle + PASS_IS_WORTH_PERCENT * option.schedule.passes, 1)

        chosen = min(looked, key=lambda o: (off(o), *search.cost(o.candidate)))
        return search.claim(chosen.candidate), chosen.probability
    looked.sort(key=lambda o: (_least_passes(o), *search.cost(o.candidate)))
    chosen, fewest = looked[0], search.expected_passes(looked[0])
    for option in looked[1:]:
        if _least_passes(option) < fewest and search.expected_passes(option) < fewest:
            chosen, fewest = option, search.expected_passes(option)
    return search.claim(chosen.candidate), chosen.probability


def _least_passes(option: Option) -> float:
    """What an option's passes come to at the very least: one more for each wheel that does not hold."""
    return option.schedule.passes + 1.0 - option.probability


def _silent(_words: str) -> None:
    pass
