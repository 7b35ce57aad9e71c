"""What a batch's test saw, held against what a plan asks of its spokes: refused, or said by how much it goes beyond."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from models.batch import Batch
from models.errors import CannotAnswer

if TYPE_CHECKING:
    from planner.build import Build
    from planner.schedule import Schedule

WHEEL_BEYOND = 1.1  # tension in the wheel over the highest load tested, from which on nothing can be promised
LOAD_BEYOND = 1.05  # load of a session or of the frame over it, from which on it is said
LIKE_TESTED_K = 3.0  # a temperature so near to the tested ones counts as tested
DECADES_BEYOND = 2.0  # of time: the usual bound of extrapolation is said where it is passed


def refuse_untested(build: Build, batch: Batch, highest_target_N: float) -> None:
    """A wheel cannot be planned at tensions that no spoke of the batch has borne.

    Parameters
    ----------
    highest_target_N : of the tighter side

    Raises
    ------
    CannotAnswer
        Says what was tested, what is asked, and what would make it known.
    """
    tested = _range(batch, "load_N")
    if tested is not None and highest_target_N > WHEEL_BEYOND * tested[1]:
        raise CannotAnswer(
            f"tension.target_N = {build.tension.target_N:g}: the batch was tested up to {tested[1]:.0f} N only, and "
            "what its spokes do above that is not known; test it at the wheel's tension and above ('longhold program "
            f"new-batch'), or lower the target to {tested[1]:.0f} N"
        )


def beyond_test(build: Build, batch: Batch, schedule: Schedule, peak_N: float) -> list[str]:
    """By how much a schedule goes beyond the batch's test: in load, in temperature, in time."""
    shop, stretch, out = build.shop, schedule.prestretch, []
    if not batch.covers:
        return ["the batch file does not say what its test covered: how far this plan goes beyond it is not known"]
    tested = _range(batch, "load_N")
    peak = max(peak_N, stretch.load_N if stretch else 0.0)
    if tested is not None and peak > LOAD_BEYOND * tested[1]:
        out.append(f"the plan loads spokes to {peak:.0f} N and the batch was tested up to {tested[1]:.0f} N")
    seen = _range(batch, "temperature_C")
    asked = [shop.temperature_C, shop.standing_C, *([stretch.temperature_C] if stretch else [])]
    if seen is not None and (min(asked) < seen[0] - LIKE_TESTED_K or max(asked) > seen[1] + LIKE_TESTED_K):
        out.append(
            f"spokes are at {_span(min(asked), max(asked))} degC and the batch was tested at {_span(*seen)} degC: what "
            "temperature does is from experience"
        )
    longest_s = batch.covers.get("longest_hold_s")
    if longest_s and build.tension.horizon_h * 3600.0 > 10.0**DECADES_BEYOND * longest_s:
        decades = math.log10(build.tension.horizon_h * 3600.0 / longest_s)
        out.append(
            f"the horizon lies {decades:.1f} decades of time beyond the longest hold of the batch's test "
            f"({longest_s / 3600.0:.1f} h)"
        )
    return out


def _range(batch: Batch, key: str) -> tuple[float, float] | None:
    """The least and the greatest that the test saw; None where the batch does not say."""
    seen: Any = batch.covers.get(key)
    return None if seen is None else (float(min(seen)), float(max(seen)))


def _span(low: float, high: float) -> str:
    return f"{low:.0f}" if round(low) == round(high) else f"{low:.0f} to {high:.0f}"
