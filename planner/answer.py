"""The plan as it is handed over: the schedule, what else was possible, limits, what to relax, what it does not know."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from models.batch import Batch
from planner.candidates import Candidate, Limit
from planner.covered import beyond_test
from planner.outlook import Outlook
from planner.schedule import Schedule
from planner.untreated import Untreated

if TYPE_CHECKING:
    from planner.build import Build, Tension

Floats = NDArray[np.float64]
BINDS = 0.985  # share of a limit from which on it is said to bind
WIDEST_PERCENT = 50.0  # of tolerance or balance that it makes sense to speak of
LEAST_HORIZON_H = 168.0  # a week: nobody asks for a wheel that holds until the day after tomorrow
RISES = 1.01  # mean tension over that at delivery, from which on a rise is pointed out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Option:
    """A schedule with what it costs and how it does."""

    candidate: Candidate
    schedule: Schedule
    hands_on_h: float
    peak_N: float  # highest tension that a session asks, squeezes included
    outlook: Outlook
    probability: float

    def as_dict(self) -> dict[str, Any]:
        """An entry of ``tradeoff``."""
        return {
            "passes": self.schedule.passes,
            "bench_nights": self.candidate.nights,
            "hands_on_h": round(self.hands_on_h, 2),
            "peak_N": round(self.peak_N, 1),
            "probability_holds": round(self.probability, 4),
            "steps": self.schedule.as_list(),
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """The answer: the schedule, what else was possible, the untreated wheel beside it."""

    batch: str
    build: Build
    best: Option
    holds: bool  # with the asked probability
    tradeoff: tuple[Option, ...]
    expected_passes: tuple[float, ...]  # of each: its own, and those that its failures need afterwards
    untreated: Untreated
    limits: tuple[tuple[Limit, float], ...]  # each with the peak that the schedule asks of it, N
    binding: str | None  # the limit that keeps the schedule from a higher tension or load
    relax: tuple[str, ...]  # where nothing holds: which requirement to relax, and by how much
    would_buy: tuple[tuple[str, str], ...]  # a change of the build, and what it would bring
    warnings: tuple[str, ...]
    draws: int
    search_probability: float  # of the schedule with the search's own draws
    evaluated: int  # times that whole wheels went through a schedule
    screened: int  # schedules that were compared

    def as_dict(self) -> dict[str, Any]:
        """The content of schedule.json."""
        best = self.best
        clock = best.candidate.timing.set_clock_h
        return {
            "batch": self.batch,
            "build": self.build.name,
            "holds": self.holds,
            "steps": best.schedule.as_list(),
            "passes": best.schedule.passes,
            "set_begins": f"{int(clock):02d}:{round(clock % 1 * 60):02d}",
            "bench_nights": best.candidate.nights,
            "hands_on_h": round(best.hands_on_h, 2),
            "untreated": self.untreated.as_dict(),
            "forecast": best.outlook.forecast(round(best.probability, 4)),
            "target_N": dict(zip(("left", "right"), (round(t, 2) for t in best.outlook.targets_N), strict=True)),
            "limits": [
                {"what": limit.what, "limit_N": round(limit.limit_N, 1), "peak_N": round(peak, 1)}
                for limit, peak in self.limits
            ],
            "binding_limit": self.binding,
            "thread_mm": {
                "used_p95": round(thread_used_mm(best.outlook), 2),
                "available": self.build.spoke.thread_length_mm,
            },
            "tradeoff": [
                {**option.as_dict(), "expected_passes": round(passes, 2)}
                for option, passes in zip(self.tradeoff, self.expected_passes, strict=True)
            ],
            "relax": list(self.relax),
            "would_buy": [{"change": change, "effect": effect} for change, effect in self.would_buy],
            "search": {
                "draws": self.draws,
                "screened": self.screened,
                "evaluated": self.evaluated,
                "probability_in_search": round(self.search_probability, 4),
            },
            "proof": None,
            "warnings": list(self.warnings),
        }


def thread_used_mm(outlook: Outlook) -> float:
    """What 95 % of wheels stay below with their worst spoke, mm."""
    return float(np.quantile(outlook.thread_mm, 0.95))


def asked_of_limits(best: Option, limits: Sequence[Limit], bench_limit_N: float) -> tuple[tuple[Limit, float], ...]:
    """Each limit with the highest tension or load that the schedule asks of it."""
    rises = float(np.quantile(best.outlook.side_mean_N.max(axis=(0, 2)), 0.95))
    out = [(limit, max(best.peak_N, rises)) for limit in limits]
    if best.schedule.prestretch is not None:
        out.append((Limit(what="bench load", limit_N=bench_limit_N), best.schedule.prestretch.load_N))
    return tuple(out)


def binding_limit(limits: Sequence[tuple[Limit, float]]) -> str | None:
    """The limit that is all but reached; None where there is room under all of them."""
    near = [(peak / limit.limit_N, limit.what) for limit, peak in limits if peak >= BINDS * limit.limit_N]
    return max(near)[1] if near else None


def what_to_relax(build: Build, best: Option) -> tuple[str, ...]:
    """Which requirement to relax, and by how much, for the best schedule to hold as asked; any one is enough.

    A thread that is too short comes first: where it is, nothing else is enough without it.
    """
    asked, thread_mm = build.tension, build.spoke.thread_length_mm
    needs_mm = thread_used_mm(best.outlook)
    thread = f"spoke.thread_length_mm: {_up(needs_mm)} instead of {thread_mm:g}" if needs_mm > thread_mm else ""
    if best.probability >= asked.probability:
        return (thread,)
    return tuple(f"{thread}, and {other}" if thread else other for other in _other_than_thread(asked, best))


def _other_than_thread(asked: Tension, best: Option) -> tuple[str, ...]:
    """What of tolerance, balance, probability and horizon; nothing that nobody would ask for."""
    off, spread = best.outlook.worst_deviation_percent, best.outlook.worst_spread_percent
    need = int(np.ceil(asked.probability * off.size)) - 1
    out = []
    balanced = np.sort(off[spread <= asked.balance_percent])
    if need < balanced.size and balanced[need] > asked.tolerance_percent:
        out.append(f"tension.tolerance_percent: {_up(balanced[need])} instead of {asked.tolerance_percent:g}")
    central = np.sort(spread[off <= asked.tolerance_percent])
    if need < central.size and central[need] > asked.balance_percent:
        out.append(f"tension.balance_percent: {_up(central[need])} instead of {asked.balance_percent:g}")
    if not out:
        each = 0.5 * (1.0 + asked.probability)
        wide, uneven = float(np.quantile(off, each)), float(np.quantile(spread, each))
        if wide <= WIDEST_PERCENT and uneven <= WIDEST_PERCENT:
            out.append(
                f"tension.tolerance_percent ({_up(wide)} instead of {asked.tolerance_percent:g}) together with "
                f"tension.balance_percent ({_up(uneven)} instead of {asked.balance_percent:g})"
            )
    if best.probability >= 0.01:
        sure = math.floor(best.probability * 100.0) / 100.0
        out.append(f"tension.probability: {sure:.2f} instead of {asked.probability:g}")
    until = _holds_until_h(asked, best.outlook)
    if until is not None and until >= LEAST_HORIZON_H:
        out.append(f"tension.horizon_h: {math.floor(until)} instead of {asked.horizon_h:g}")
    if not out:
        out.append(
            f"no one of them by itself: of ten wheels one leaves target by more than {_up(np.quantile(off, 0.9))} % or "
            f"has spokes more than {_up(np.quantile(spread, 0.9))} % off their side (see the warnings)"
        )
    return tuple(out)


def _up(percent: float) -> str:
    """A percentage to a tenth, upwards."""
    return f"{np.ceil(float(percent) * 10.0) / 10.0:.1f}"


def _holds_until_h(asked: Tension, outlook: Outlook) -> float | None:
    """How long a schedule holds with the asked probability; None if not from delivery on."""
    off = 100.0 * np.abs(outlook.side_mean_N / np.array(outlook.targets_N) - 1.0)
    fine = (off <= asked.tolerance_percent).all(axis=2) & (outlook.spread_percent <= asked.balance_percent).all(axis=2)
    share = np.logical_and.accumulate(fine, axis=0).mean(axis=1)
    good = np.flatnonzero(share >= asked.probability)
    return float(outlook.time_h[good[-1]]) if good.size and good[-1] > 0 else None


def warnings_of(build: Build, batch: Batch, best: Option) -> tuple[str, ...]:
    """What the plan rests on and what it does not know."""
    out = [*build.notes(), *(f"batch: {w}" for w in batch.warnings)]
    out += beyond_test(build, batch, best.schedule, best.peak_N)
    middle = np.median(best.outlook.side_mean_N, axis=1)
    if (middle.max(axis=0) > RISES * middle[0]).any():
        out.append("tension is expected to rise for a while after delivery: the stretch still gives length back")
    if thread_used_mm(best.outlook) > build.spoke.thread_length_mm:
        out.append("the thread may not suffice: in more than 5 % of wheels a spoke takes up more than its length")
    if build.shop.stress_relief.squeezes:
        share = build.shop.squeeze_share
        when = f"at {100 * share:.0f} % of it, before the last turn up" if share < 1.0 else "at the tension named here"
        out.append(f"squeeze pairs {when}, in the set session and in any touch or pass: only that much is counted")
    return tuple(out)
