"""After a night: what the readings say, which nipples to turn in which order, and whether another night is needed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from models.batch import Batch
from models.chain import elastic_slope_per_N
from models.errors import CannotAnswer
from planner.candidates import SHARE_OF_BUCKLING
from planner.learning import Learned, Lives, expected_now, learn, wheels_like_it, with_other_draws
from planner.outlook import Setting
from planner.past import Past, Seen, Turned, likely_pasts
from planner.present import (
    Expected,
    Measured,
    Present,
    at_shop_temperature,
    where_it_stands,
)
from planner.prospect import (
    DAY_H,
    NIGHTS,
    Later,
    Prospect,
    ToCome,
    creeping_EA_N,
    session_EA_N,
    session_hours,
)
from planner.reasons import FIRST_SET, Aim, Ways, by_the_trade, fitting, in_words, warnings_of
from planner.turning import Turning, deviations, turning

if TYPE_CHECKING:
    from planner.build import Build
    from planner.schedule import Session
    from planner.wheel import Wheel

Floats = NDArray[np.float64]
FIBRE_EXPANSION_PER_K = -12e-6  # of the fibre, where no batch is given
BETTER_BY = 0.05  # of a probability: another set tension is worth naming


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Retension:
    """The answer of `retension`."""

    build: Build
    aim: Aim
    present: Present
    start: tuple[Floats | None, Floats | None]  # run-outs as measured, means removed
    turning: Turning
    limit_N: float
    limit: str  # which limit it is
    learned: Learned | None  # None without a batch
    to_come: ToCome | None
    probability: float | None  # None: nothing can be said yet
    as_planned: float | None  # the same with the passes that the schedule still has; None: it has none
    left_alone: float | None  # the same if no nipple is turned; None: not to be said, or some were turned just now
    another_night: bool
    better: tuple[tuple[float, float], float] | None  # set tension that would hold more surely, and its probability
    later: Later | None  # nothing turned now, one pass then
    why: str
    warnings: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """The JSON answer (contracts: ``retension --json``) and what stands behind it."""
        turned, present = self.turning, self.present
        out: dict[str, Any] = {
            "turns": turned.turns.tolist(),
            "order": turned.order,
            "tension_after_N": np.round(turned.tension_N, 1).tolist(),
            "lateral_after_mm": None if turned.lateral_mm is None else np.round(turned.lateral_mm, 3).tolist(),
            "radial_after_mm": None if turned.radial_mm is None else np.round(turned.radial_mm, 3).tolist(),
            "another_night": self.another_night,
            "probability_settled": None if self.probability is None else round(self.probability, 4),
            "probability_as_planned": None if self.as_planned is None else round(self.as_planned, 4),
            "probability_left_alone": None if self.left_alone is None else round(self.left_alone, 4),
            "why": self.why,
            "outliers": [o.as_dict() for o in present.outliers],
            "rounds": [[m.as_dict() for m in moves] for moves in turned.rounds],
            "read_N": np.round(present.read_or_likely_N, 1).tolist(),
            "tension_now_N": np.round(present.tension_N, 1).tolist(),
            "set_tension_N": dict(zip(("left", "right"), (round(t, 1) for t in self.aim.tension_N), strict=True)),
            "session": self.aim.kind,
            "set_by": self.aim.basis,
            "peak_on_the_way_N": round(turned.peak_N, 1),
            "limit_N": {"what": self.limit, "limit_N": round(self.limit_N, 1)},
            "better": None,
            "later": None,
            "learned": None,
            "next_night_percent": None,
            "warnings": list(self.warnings),
        }
        if self.better is not None:
            left, right = (round(t, 1) for t in self.better[0])
            out["better"] = {"tension_N": {"left": left, "right": right}, "probability": round(self.better[1], 4)}
        if self.later is not None:
            left, right = (round(t, 1) for t in self.later.tension_N)
            out["later"] = {
                "nights": self.later.nights,
                "in_h": round(self.later.in_h, 3),
                "tension_N": {"left": left, "right": right},
                "probability": round(self.later.probability, 4),
            }
        if self.learned is not None:
            found = self.learned
            out["learned"] = {
                "lost_percent": round(found.lost_percent, 2),
                "foretold_percent": round(found.foretold_percent, 2),
                "foretold_p05_percent": round(found.foretold_low_percent, 2),
                "foretold_p95_percent": round(found.foretold_high_percent, 2),
                "scales": {part: {"mean": round(m, 3), "sd": round(s, 3)} for part, (m, s) in found.scales.items()},
                "effective_draws": round(found.effective_draws, 1),
                "tempered": round(found.tempered, 3),
                "history": found.history,
            }
        if self.to_come is not None:
            out["next_night_percent"] = {
                name: round(self.to_come.night(level), 2)
                for name, level in (("p05", 0.05), ("p50", 0.5), ("p95", 0.95))
            }
        return out


def tightest_limit(wheel: Wheel, EA_N: object) -> tuple[float, str]:
    """The lowest limit on a spoke in the wheel, N, and its name."""
    limits = {name: limit for name, (limit, _) in wheel.build.wheel_limits_N().items()}
    buckling = wheel.buckling_tension_N(EA_N)
    if np.isfinite(buckling):
        limits["lateral buckling"] = SHARE_OF_BUCKLING * buckling
    name = min(limits, key=lambda k: limits[k])
    return limits[name], name


def retension(
    wheel: Wheel,
    measured: Measured,
    *,
    batch: Batch | None = None,
    past: Past | None = None,
    turned: tuple[Turned, ...] = (),
    planned: Session | None = None,
    wanted_N: tuple[float, float] | None = None,
    then: tuple[Session, ...] = (),
    deliver_h: float | None = None,
    seed: int = 0,
) -> Retension:
    """Turns for this session, and what is to be expected after it.

    Parameters
    ----------
    measured : readings of now
    batch : None: the set tension is the target itself, and the trade's stop rule tells whether a night is needed
    past : the wheel's record up to now; None: the likeliest of a few histories is inferred from what it lost
    turned : nipples turned in this session before these readings, in order
    planned : this session as the schedule has it
    wanted_N : set tension (left, right) that goes before all else
    then : sessions that the schedule has after this one
    deliver_h : planned delivery, h from the start of the set

    Raises
    ------
    CannotAnswer
        The rim does not stand at these tensions, or the turns needed are beyond a session.
    """

    def work(with_seed: int) -> Retension:
        return _retension(wheel, measured, batch, past, turned, planned, wanted_N, then, deliver_h, with_seed)

    return with_other_draws(work, seed)


def _retension(
    wheel: Wheel,
    measured: Measured,
    batch: Batch | None,
    past: Past | None,
    turned: tuple[Turned, ...],
    planned: Session | None,
    wanted_N: tuple[float, float] | None,
    then: tuple[Session, ...],
    deliver_h: float | None,
    seed: int,
) -> Retension:
    build = wheel.build
    rng = np.random.default_rng([seed, 5])
    kind = planned.kind if planned is not None else "pass"
    first = kind == "set"
    setting = None if batch is None or first else Setting.of(build, wheel, batch)
    EA = wheel.nominal_EA_N if batch is None else 1.0 / float(elastic_slope_per_N(batch.chain, build.tension.target_N))
    expansion = FIBRE_EXPANSION_PER_K if batch is None else float(batch.chain.expansion_per_K)
    limit, limit_name = tightest_limit(wheel, EA)
    read = at_shop_temperature(wheel, measured.tension_N, measured.temperature_C, expansion, EA)
    A = wheel.influence(np.maximum(read, 1.0), EA)
    lives: list[Lives] = []
    if setting is not None and batch is not None:
        pasts = [past] if past is not None else likely_pasts(build, setting.targets_N)
        lives = wheels_like_it(setting, batch, pasts, rng)
    expected = _expected(wheel, setting, lives, past, turned, measured, read, A)
    present = where_it_stands(A, read, np.maximum(measured.sd_N, 0.5), expected, build.spoke.thread_pitch_mm)

    learned, prospect = None, None
    deliver = build.tension.delivery_h if deliver_h is None else deliver_h
    soft = EA
    if setting is not None and batch is not None:
        # what a night cost shows in the readings before any nipple was turned
        night = Seen(at_h=pasts[0].now_h, tension_N=read, good=fitting(present))
        seen = replace(night, tension_N=turned[0].before_N, good=None) if turned else night
        lives, weight, learned = learn(setting, batch, lives, seen)
        prospect = Prospect(
            setting=setting,
            lives=lives,
            weight=weight,
            covariance=present.covariance,
            deliver_h=deliver,
            most=_most(wheel, limit),
            rng=rng,
        )
    if wanted_N is not None:
        aim = Aim(kind=kind, tension_N=wanted_N, basis="as given")
    elif planned is not None:
        aim = Aim(kind=kind, tension_N=planned.tension_N, basis="the schedule")
    elif prospect is not None:
        level, _ = prospect.best_level(kind)
        aim = Aim(kind=kind, tension_N=prospect.at(level), basis="target, corrected by what is still to be lost")
    else:
        aim = Aim(kind=kind, tension_N=wheel.side_targets_N(), basis="target; no batch was given to foresee losses")
    if max(aim.tension_N) > limit:
        raise CannotAnswer(
            f"set tension {max(aim.tension_N):.0f} N is over the {limit_name} limit, {limit:.0f} N a spoke"
        )
    wanted = np.array(aim.tension_N)[wheel.side]
    if batch is not None and first:
        soft = creeping_EA_N(batch.chain, float(wanted.mean()), session_hours(build, kind))
    if setting is not None:
        soft = session_EA_N(setting, lives, wanted, session_hours(build, kind))
    again = [o.position for o in present.outliers if o.kind != "slipped"]
    found = turning(wheel, present.tension_N, wanted, limit, measured, soft, hold=again)
    ways, passes_to_come = None, sum(s.kind == "pass" for s in then)
    if first:
        probability, another, why = None, passes_to_come > 0, FIRST_SET
    elif prospect is not None:
        assert learned is not None
        ways = _ways(prospect, present, found, aim, then, believed=not turned and not learned.surprising)
        probability = ways.to_come.probability
        another = probability < build.tension.probability
        why = in_words(build, aim, present, learned, past is not None, passes_to_come, ways)
    else:
        probability, another, why = by_the_trade(wheel, present, measured, past)
    return Retension(
        build=build,
        aim=aim,
        present=present,
        start=deviations(measured),
        turning=found,
        limit_N=limit,
        limit=limit_name,
        learned=learned,
        to_come=None if ways is None else ways.to_come,
        probability=probability,
        as_planned=None if ways is None else ways.as_planned,
        left_alone=None if ways is None else ways.left_alone,
        later=None if ways is None else ways.later,
        another_night=another,
        better=None if ways is None else ways.better,
        why=why,
        warnings=warnings_of(wheel, measured, present, found, limit, limit_name, learned, batch is None),
    )


def _expected(
    wheel: Wheel,
    setting: Setting | None,
    lives: list[Lives],
    past: Past | None,
    turned: tuple[Turned, ...],
    measured: Measured,
    read: Floats,
    A: Floats,
) -> Expected:
    """From the turns just made, else from the record; guessed histories say too little of single spokes."""
    if turned:
        last = turned[-1]
        return Expected.after_turns(wheel, last.before_N, last.after_N, measured.sd_N, A)
    if setting is not None and past is not None:
        return expected_now(setting, lives, A)
    return Expected.of_any_wheel(wheel, read, A)


def _most(wheel: Wheel, limit_N: float) -> float:
    """The highest level at which single spokes, uneven as readings leave them, stay below the limit."""
    uneven = 1.0 + 2.0 * wheel.build.tension.reading_repeat_percent / 100.0
    return max(limit_N / (max(wheel.side_targets_N()) * uneven), 0.5)


def _ways(
    prospect: Prospect, present: Present, found: Turning, aim: Aim, then: tuple[Session, ...], *, believed: bool
) -> Ways:
    """What may be done with the wheel, and how surely it holds then.

    ``believed``: it did nothing that its batch all but rules out, and no nipple was turned yet.
    """
    asked = prospect.setting.build.tension.probability
    passes = [s for s in then if s.kind == "pass"]
    to_come = prospect.left_at(found.tension_N, aim.kind)
    alone = prospect.left_alone(present.tension_N) if believed else None
    planned = prospect.as_planned(found.tension_N, aim.kind, then) if believed and passes else None
    better = None
    if to_come.probability < asked and not aim.basis.startswith("target"):
        wanted, comes = prospect.best(aim.kind)
        # with a pass still to come it only counts if it makes that pass needless
        least = asked if passes else min(asked, to_come.probability + BETTER_BY)
        better = (wanted, comes.probability) if comes.probability >= least else None
    later = None
    if believed and max(to_come.probability, alone or 0.0, 0.0 if better is None else better[1]) < asked:
        # the last pass that is planned anyway; a morning more where what is planned does not do
        last_h = max(passes[-1].at_h - prospect.lives[0].past.now_h, 0.0) if passes else 0.0
        in_h = [last_h] if last_h else []
        if planned is None or planned < asked:
            in_h += [last_h + DAY_H * nights for nights in NIGHTS]
        later = prospect.one_pass_later(in_h)
    return Ways(to_come=to_come, as_planned=planned, left_alone=alone, better=better, later=later)
