"""A plan on real days: judged as laid, and made anew where the days spoil it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

import numpy as np
import pytest

from planner.answer import Plan
from planner.build import Build
from planner.ondays import CLEARLY, OnDays, on_days
from planner.outlook import Setting, draw_wheels, look_ahead
from planner.schedule import Schedule
from planner.search import find_plan
from planner.wheel import wheel_of
from tests.planner.batches import RIM, batch, build

MONDAY = datetime(2026, 3, 2, 9)
BATCH = batch()


def asked(**order: Any) -> Build:
    """A rim without much room, and a lacing that ends after hours: the wheel must stand overnight before its set."""
    return build(
        12,
        wheel={"rim": RIM | {"max_tension_N": 1150.0}},
        tension={"tolerance_percent": 5.0, "horizon_h": 336.0},
        shop={"laced_h": 2.0},
        order=order,
    )


def held(of: Build, schedule: Schedule, seed: int) -> float:
    """Share of new wheels that hold under a schedule, with draws that no search has seen."""
    wheel = wheel_of(of)
    draws = draw_wheels(of, wheel, BATCH, np.random.default_rng(seed), 400)
    return look_ahead(Setting.of(of, wheel, BATCH), draws, schedule, cores=1).share_that_holds(of.tension)


@pytest.fixture(scope="module")
def plan() -> Plan:
    return find_plan(asked(), BATCH, draws=200)


@pytest.fixture(scope="module")
def mended(plan: Plan) -> OnDays:
    return on_days(plan, BATCH, MONDAY, draws=200)


def test_a_plan_made_for_its_days_holds_on_them_where_the_other_does_not(plan: Plan, mended: OnDays) -> None:
    of = plan.build
    assert plan.holds and mended.without_them is not None
    [real] = mended.laid.schedules
    spoiled = replace(plan.best.schedule, laced=real.laced)
    assert mended.holds and held(of, real, 77) >= of.tension.probability - 0.05
    assert held(of, spoiled, 77) == pytest.approx(mended.without_them, abs=0.08)
    assert mended.without_them < of.tension.probability


def test_it_is_a_plan_of_the_very_build_that_was_asked_for(mended: OnDays) -> None:
    assert mended.plan.build.shop.laced_h == 2.0
    assert mended.plan.best.schedule.laced is not None and mended.plan.best.schedule.laced.hours > 12.0


def test_days_that_change_nothing_leave_the_plan_as_it_is() -> None:
    plan = find_plan(build(12, shop={"laced_h": 23.0}), BATCH, draws=120)
    days = on_days(plan, BATCH, MONDAY, draws=120)
    assert days.plan is plan and days.without_them is None and days.holds


def test_a_plan_that_its_days_leave_good_enough_is_kept_though_they_differ() -> None:
    plan = find_plan(build(12, shop={"laced_h": 2.0}, tension={"tolerance_percent": 12.0}), BATCH, draws=120)
    days = on_days(plan, BATCH, MONDAY, draws=120)
    assert days.differs and days.holds and days.plan is plan


def test_of_plans_that_all_fail_another_is_taken_only_for_clearly_fewer_passes_to_expect() -> None:
    """Working days so far apart that the stretch is all undone before the lacing."""
    off = ["Tuesday", "Wednesday", "Friday", "Saturday", "Sunday"]
    of = asked(days_off=off)
    plan = find_plan(of, BATCH, draws=120)
    days = on_days(plan, BATCH, MONDAY, draws=120)
    assert not days.holds
    if days.without_them is None:
        assert days.plan is plan
    else:
        assert days.to_expect < replace(days, plan=plan, probability=days.without_them).to_expect - CLEARLY


def test_passes_to_expect_count_those_that_failing_wheels_need_afterwards(mended: OnDays) -> None:
    plan = mended.plan
    listed = dict(zip(plan.tradeoff, plan.expected_passes, strict=True))[plan.best]
    as_planned = replace(mended, probability=None)
    assert as_planned.to_expect == pytest.approx(listed)
    assert replace(mended, probability=0.2).to_expect > listed
