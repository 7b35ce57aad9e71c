"""A hot stretch in use: tension rises with the heat, and the creep that the heat brought is missing afterwards."""

from __future__ import annotations

import numpy as np
import pytest

from planner.beside import inflated
from planner.build import Use
from planner.hotday import HotDay, hot_day
from planner.outlook import Setting, draw_wheels
from planner.schedule import schedule_of
from planner.screening import MeanDraws
from planner.search import Search, find_plan
from planner.wheel import wheel_of
from tests.planner.batches import batch, build


def heat(hottest_C: float, hours: float, material: str = "aluminium", **parts: float) -> HotDay:
    rim = {"material": material, "area_mm2": 85.0}
    b = build(wheel={"rim": rim})
    own = batch(scatter=0.0, spokes=10000, **parts)
    s = Setting.of(b, wheel_of(b), own)
    few = MeanDraws.of(s, draw_wheels(b, s.wheel, own, np.random.default_rng(1), 20))
    left, right = s.targets_N
    steps = [
        {"kind": "laced", "hours": 11.5, "tension_N": 100.0},
        {"kind": "set", "at_h": 0.0, "tension_N": {"left": left, "right": right}},
        {"kind": "deliver", "at_h": 48.0},
    ]
    return hot_day(s, few, None, schedule_of(steps), Use(hottest_C=hottest_C, hottest_h=hours))


def test_a_stretch_at_the_shops_temperature_costs_nothing() -> None:
    none = heat(20.0, 4.0)
    assert none.hottest_percent == pytest.approx(100.0, abs=0.01)
    assert none.at_horizon_percent == pytest.approx(0.0, abs=0.05)


def test_a_car_in_the_sun_costs_about_what_a_month_does() -> None:
    """4 h at 60 degC: with 100 kJ/mol about 100 times as fast, so 400 h at 20 degC (Arrhenius, calc)."""
    sun = heat(60.0, 4.0)
    assert sun.hottest_percent > 120.0
    assert -12.0 < sun.at_horizon_percent < -1.0
    assert heat(60.0, 8.0).at_horizon_percent < sun.at_horizon_percent < heat(45.0, 4.0).at_horizon_percent


def test_a_rim_that_does_not_grow_pulls_its_spokes_less() -> None:
    metal, laminate = heat(50.0, 2.0), heat(50.0, 2.0, "carbon")
    # an aluminium rim and this fibre: about 11 N a spoke for each degree; a laminate about 4 (estimates)
    assert 100.0 + 30.0 * 14.0 / 8.0 > metal.hottest_percent > 100.0 + 30.0 * 7.0 / 10.0
    assert metal.hottest_percent - 100.0 > 2.0 * (laminate.hottest_percent - 100.0) > 0


def test_the_plan_tells_what_heat_would_cost() -> None:
    plan = find_plan(build(12, use={"hottest_C": 60.0, "hottest_h": 4.0}), batch(creep=0.5), draws=100)
    [warning] = [w for w in plan.warnings if "60 degC" in w]
    assert "cost" in warning and "the forecast leaves that out" in warning


def test_the_plan_tells_what_the_tyre_takes_off() -> None:
    b = build(12, wheel={"tyre": {"pressure_kPa": 500.0, "width_mm": 32.0}})
    search = Search(b, batch(), draws=10)
    [said] = inflated(search)
    drop = search.setting.wheel.tyre_drop_N(EA_N=search.setting.EA_N).mean()
    assert 5.0 < drop < 100.0 and f"about {drop:.0f} N less" in said and "500 kPa" in said
    assert inflated(Search(build(12), batch(), draws=10)) == ()
