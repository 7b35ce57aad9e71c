"""What was possible: the schedules that a plan did not take, on the trial's own wheels, told once their truth is known.

No planner can know what is looked up here, neither the batch's physics nor the luck of five wheels. So the passes that
are needed even then say how near to its goal a planner can come within the limits of these builds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from tests.blind import report, rules
from tests.blind.executor import Bench, Floats, Outcome

Steps = Sequence[Mapping[str, Any]]
SESSIONS = ("set", "touch", "pass")
TRIED = (0.98, 1.04)  # of the last session's tension: what two runs say of all others
LEVELS = np.arange(0.90, 1.12, 0.004)  # of the last session's tension


def timings(schedule: Mapping[str, Any]) -> list[Steps]:
    """The plan and what it was weighed against, one for each set of session times and bench nights."""
    found: dict[Any, Steps] = {}
    for steps in (schedule["steps"], *(o["steps"] for o in schedule["tradeoff"])):
        times = tuple((s["kind"], s.get("at_h"), s.get("hours"), s.get("load_N")) for s in steps)
        found.setdefault(times, steps)
    return list(found.values())


def at_level(steps: Steps, level: float) -> list[dict[str, Any]]:
    """The steps with the last session's tensions times ``level``."""
    last = max(i for i, s in enumerate(steps) if s["kind"] in SESSIONS)
    return [
        dict(s) if i != last else {**s, "tension_N": {k: level * v for k, v in s["tension_N"].items()}}
        for i, s in enumerate(steps)
    ]


def _passes(steps: Steps) -> int:
    return sum(s["kind"] == "pass" for s in steps)


def _reach(outcome: Outcome) -> Floats:
    """(2, W) percent: least and most that a side mean is off its target from delivery to the horizon."""
    error = outcome.side_error_percent
    return np.stack([error.min(axis=(0, 2)), error.max(axis=(0, 2))])


def allowed(bench: Bench, steps: Steps) -> list[float]:
    """The levels at which the schedule breaks none of its build's rules."""
    stiffness = bench.spokes.batch.EA_N / bench.length_mm
    return [x for x in LEVELS.tolist() if not rules.faults(at_level(steps, x), bench.build, bench.wheel, stiffness)]


def best_level(bench: Bench, steps: Steps, levels: Sequence[float], tolerance: float) -> float:
    """The level of the last session at which most wheels should hold; of those the one with most room to spare.

    Side means go nearly in a straight line with that level, so two runs tell what the others would do.
    """
    low, high = (_reach(bench.execute(at_level(steps, x))) for x in TRIED)
    room = []
    for level in levels:
        share = (level - TRIED[0]) / (TRIED[1] - TRIED[0])
        least, most = low + share * (high - low)
        spare = tolerance - np.maximum(-least, most)
        room.append((int((spare > 0).sum()), float(spare.min())))
    return levels[max(range(len(room)), key=room.__getitem__)]


def fewest(bench: Bench, schedule: Mapping[str, Any], tolerance: float, known: Sequence[float]) -> dict[str, Any]:
    """The fewest passes of these wheels, plan's own (``known``, one for each wheel) included.

    Tried are all of the plan's timings with the last session's tension turned up and down; what breaks the build's rules
    is left out.
    """
    best = {"needed": list(known), "level": None, "passes": int(schedule["passes"])}
    for steps in sorted(timings(schedule), key=_passes):
        levels, passes = allowed(bench, steps), _passes(steps)
        if not levels or passes >= np.mean(best["needed"]):
            continue  # no level makes it fewer
        level = best_level(bench, steps, levels, tolerance)
        further = bench.passes_to_hold(at_level(steps, level), [tolerance])[0]
        needed = report.altogether(passes, report.known(further))
        if np.mean(needed) < np.mean(best["needed"]):
            best = {"needed": needed, "level": level, "passes": passes}
    return best


def weighed(bench: Bench, schedule: Mapping[str, Any]) -> list[dict[str, Any]]:
    """What each schedule that the plan weighed claims of itself, and which of the wheels hold under it."""
    return [
        {
            "passes": option["passes"],
            "claimed": option["probability_holds"],
            "wheels": {"holds": bench.execute(option["steps"]).holds.tolist()},
        }
        for option in schedule["tradeoff"]
    ]
