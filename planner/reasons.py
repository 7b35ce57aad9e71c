"""Why: what a wheel's readings come to, in a builder's words, and what to keep in mind."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from planner.learning import Learned
from planner.past import Past
from planner.present import Measured, Present
from planner.prospect import Later, ToCome
from planner.turning import Turning

if TYPE_CHECKING:
    from planner.build import Build
    from planner.wheel import Wheel

FIRST_SET = (
    "The first set: come up in rounds, squeeze pairs, and read again; what it loses is only known after the night."
)
MORE_THAN_FORETOLD = 0.15  # of the loss: worth naming
UNSETTLED_ABOVE = 1.0  # percent above what it was set to, beyond reading error: it was set to something else


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """What a session is to bring the wheel to."""

    kind: str  # set, touch or pass
    tension_N: tuple[float, float]  # left, right
    basis: str  # where the set tension comes from, in words


def fitting(present: Present) -> NDArray[np.bool_]:
    """(n,) spokes that tell something of the batch: neither misread nor slipped."""
    fits = np.ones(present.tension_N.size, dtype=bool)
    fits[[o.position - 1 for o in present.outliers]] = False
    return fits


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """What may be done with a wheel now, and how surely it holds then."""

    to_come: ToCome  # left at the tensions after this session's turns
    as_planned: float | None  # with the passes that the schedule still has; None: it has none
    left_alone: float | None  # no nipple turned
    better: tuple[tuple[float, float], float] | None  # another set tension that is worth naming, and its probability
    later: Later | None  # nothing turned now, one pass then


def in_words(
    build: Build,
    aim: Aim,
    present: Present,
    learned: Learned,
    noted: bool,
    passes_to_come: int,
    ways: Ways,
) -> str:
    """Why the answer is what it is, as one paragraph for the builder."""
    asked, to_come = build.tension, ways.to_come
    out = [_lost(learned, noted)]
    if ways.left_alone is not None:
        out.append(_left_alone(ways.left_alone, asked.probability))
    another = to_come.probability < asked.probability
    chance, done = to_come.probability, f"Left at {_sides(aim.tension_N)} now"
    if another and ways.as_planned is not None:
        chance, done = ways.as_planned, f"Brought to {_sides(aim.tension_N)} now and the rest done as planned"
    out.append(
        f"{done}, {round(100.0 * chance)} % of the wheels that fit these readings stay within "
        f"{asked.tolerance_percent:g} % of target and {asked.balance_percent:g} % balance to {to_come.until_h:.0f} h; "
        f"asked are {round(100 * asked.probability)} %."
    )
    out.append(_next_night(to_come))
    if ways.better is not None:
        out.append(f"{_sides(ways.better[0])} instead would hold in {round(100 * ways.better[1])} % (give --set).")
    if another and passes_to_come:
        out.append(f"Another night and a pass are needed, as planned ({passes_to_come} still to come).")
    elif another:
        out.append("Another night and a pass are needed.")
    elif passes_to_come:
        out.append("No further night is needed, though the schedule still has a pass.")
    else:
        out.append("No further night is needed.")
    if ways.later is not None:
        one, share = ways.later, round(100.0 * ways.later.probability)
        out.append(
            f"Or turn nothing now: one pass {one.when}, to {_sides(one.tension_N)}, would hold by itself in {share} %."
        )
    if present.outliers:
        out.append("Clear up what does not fit first; then read again.")
    return " ".join(out)


def _left_alone(alone: float, asked: float) -> str:
    share = f"{round(100.0 * alone)} % of the wheels that fit these readings hold"
    if alone >= asked:
        return f"Left as it stands, {share}: no nipple needs turning, but to true it."
    return f"Left as it stands, {share}."


def _next_night(to_come: ToCome) -> str:
    low, middle, high = (to_come.night(level) for level in (0.05, 0.5, 0.95))
    if middle < 0:
        return f"The next night is expected to give back {-middle:.1f} % ({-high:.1f} to {-low:.1f} %)."
    return f"The next night is expected to cost {middle:.1f} % ({low:.1f} to {high:.1f} %)."


def _lost(learned: Learned, noted: bool) -> str:
    lost, foretold = learned.lost_percent, learned.foretold_percent
    if not noted:
        where = f"{abs(lost):.1f} % {'below' if lost > 0 else 'above'} it"
        fits = (
            "which none of the usual histories explains: keep its record ('longhold wheel') for a better answer"
            if learned.surprising
            else f"which fits best: {learned.history}"
        )
        return (
            "No record was given, so it is taken to have been set to target and left for a night; it stands "
            f"{where}, {fits}."
        )
    words = f"It lost {lost:.1f} % since the last session" if lost >= 0 else f"It gained {-lost:.1f} %"
    if learned.surprising:
        turned = (
            " Were nipples turned since? Then note it, or give --after." if lost < learned.foretold_low_percent else ""
        )
        return (
            f"{words}; the batch foretold {foretold:.1f} % ({learned.foretold_low_percent:.1f} to "
            f"{learned.foretold_high_percent:.1f} %) and all but rules that out: check times, set tension, temperature "
            f"and the batch before trusting what follows.{turned}"
        )
    apart = abs(lost - foretold) > MORE_THAN_FORETOLD * max(abs(foretold), 1.0)
    how = ("more than" if lost > foretold else "less than") if apart else "as"
    return f"{words}, {how} the batch foretold ({foretold:.1f} %); its scales were brought in line."


def _sides(tension_N: tuple[float, float]) -> str:
    left, right = (f"{t:.0f}" for t in tension_N)
    return f"{left} N" if left == right else f"{left} N left and {right} N right"


def by_the_trade(
    wheel: Wheel, present: Present, measured: Measured, past: Past | None
) -> tuple[float | None, bool, str]:
    """Without a batch: the trade's stop rule on the night that is over."""
    asked, fits = wheel.build.tension, fitting(present)
    last = None if past is None else past.sittings[-1]
    if last is None:
        was, from_what = wheel.tensions_N(), "the target, taken as what it was set to"
    elif last.after_N is not None:
        was, from_what = last.after_N, "the readings after the last session"
    else:
        was, from_what = np.array(last.wanted_N)[wheel.side], "the last set tension"
    lost, sd = -np.inf, 0.0
    for s in (0, 1):
        own = fits & (wheel.side == s)
        mine = 100.0 * (1.0 - float(present.read_N[own].mean() / was[own].mean()))
        if mine > lost:
            lost = mine
            sd = 100.0 * float(measured.sd_N[own].mean() / present.read_N[own].mean()) / np.sqrt(own.sum())
    if last is not None and last.after_N is not None:
        sd *= np.sqrt(2.0)
    if lost < -2.0 * sd - UNSETTLED_ABOVE:
        return (
            None,
            True,
            f"It stands {-lost:.1f} % above {from_what}: what the night cost is not known from this. Keep the wheel's "
            "record ('longhold wheel') or give the batch; until then count on another night.",
        )
    probability = NormalDist(0.0, max(float(sd), 1e-3)).cdf(asked.settled_percent - lost)
    another = probability < asked.probability
    why = (
        f"No batch was given, so only the trade's rule tells: it lost {lost:.1f} % against {from_what}; a wheel is "
        f"called settled when a night cost less than {asked.settled_percent:g} %. "
        + ("Another night and a pass are needed." if another else "No further night is needed by that rule.")
    )
    return probability, another, why


def warnings_of(
    wheel: Wheel,
    measured: Measured,
    present: Present,
    turned: Turning,
    limit_N: float,
    limit: str,
    learned: Learned | None,
    no_batch: bool,
) -> tuple[str, ...]:
    """What to keep in mind beside the turns, one sentence each."""
    out = list(present.notes)
    missing = [n for n, v in (("lateral_mm", measured.lateral_mm), ("radial_mm", measured.radial_mm)) if v is None]
    if missing:
        out.append(f"{' and '.join(missing)} not measured: that run-out was left out of the turns")
    if no_batch:
        out.append("without a batch, creep within the session is not foreseen: read again after it")
    if (present.tension_N > limit_N).any():
        where = ", ".join(str(i + 1) for i in np.flatnonzero(present.tension_N > limit_N))
        out.append(f"over the {limit} limit of {limit_N:.0f} N now: position {where}; loosen first")
    elif turned.peak_N > limit_N * (1.0 + 1e-6):
        out.append(
            f"position {turned.peak_position} would pass {turned.peak_N:.0f} N on the way, over the {limit} limit of "
            f"{limit_N:.0f} N: go in eighths, all round, and read as you go"
        )
    held = [o.position for o in present.outliers if o.kind != "slipped"]
    if held:
        out.append(
            f"position {', '.join(map(str, held))}: not to be turned before it is read again; the other turns count on "
            "its likely tension"
        )
    if (present.tension_N < 0.05 * np.array(wheel.side_targets_N()).max()).any():
        out.append("some spokes are all but slack: take up the slack by hand, then read again")
    if learned is not None and learned.effective_draws < 30:
        out.append("few simulated wheels fit these readings: the probability is rough")
    return tuple(out)
