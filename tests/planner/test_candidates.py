"""What may be asked of a wheel: runs on the frame, times of sessions, levels within the limits."""

from __future__ import annotations

import numpy as np
import pytest

from planner.answer import binding_limit
from planner.candidates import (
    Limit,
    bench,
    benches,
    most_level,
    run_ends_h,
    spread_groups,
    timings,
    ways,
    wheel_limits,
)
from planner.schedule import check_schedule, hour_of, schedule_of
from planner.search import find_plan
from tests.planner.batches import batch, build


@pytest.mark.parametrize(("n", "places"), [(28, 4), (28, 8), (20, 3), (36, 5), (32, 4), (32, 14), (24, 28), (16, 6)])
def test_runs_of_the_frame_take_both_sides_and_go_round_the_wheel(n: int, places: int) -> None:
    groups = spread_groups(n, places)
    assert sorted(p for g in groups for p in g) == list(range(1, n + 1))
    assert len(groups) == -(-n // places) and max(map(len, groups)) <= places
    for g in groups:
        left = sum(p % 2 for p in g)
        assert abs(left - (len(g) - left)) <= 1
        if len(g) > 1:
            gaps = np.diff([*g, g[0] + n])
            assert gaps.max() <= 2 * n / len(g) + 2  # no half of the wheel is all of one night


def test_runs_begin_in_working_hours_and_a_long_hold_takes_the_night() -> None:
    shop = build().shop
    ends, nights = run_ends_h(shop, 3, 16.0, 0.2)
    assert ends == pytest.approx([25.2, 49.2, 73.2])  # mounted at nine each morning
    assert nights == 3
    ends, nights = run_ends_h(shop, 3, 4.0, 0.2)
    assert ends == pytest.approx([13.2, 17.4, 21.6]) and nights == 1  # the third begins at 17:36 and runs on alone
    day = build(shop={"overnight_bench": False}).shop
    ends, nights = run_ends_h(day, 3, 4.0, 0.2)
    assert ends == pytest.approx([13.2, 17.4, 24 + 13.2]) and nights == 2


def test_each_run_rests_from_its_own_end_to_the_lacing() -> None:
    b = build(28, shop={"stations": 4})
    found = bench(b, 1500.0, 16.0, 20.0)
    assert found is not None and found.nights == 7
    assert [g.rest_h for g in found.groups] == pytest.approx([144.5, 120.5, 96.5, 72.5, 48.5, 24.5, 0.5])
    once = bench(build(28, shop={"stations": 28}), 1500.0, 16.0, 20.0)
    assert once is not None and once.nights == 1
    assert once.steps(b.shop)[0].groups == () and once.steps(b.shop)[1].hours == 0.5
    assert bench(build(shop={"overnight_bench": False}), 1500.0, 12.0, 20.0) is None


def test_no_stretch_is_proposed_beyond_what_shop_and_spoke_allow() -> None:
    weak = build(spoke={"break_load_N": 2400.0}, shop={"max_bench_h": 10.0, "bench_temperature_C": [20.0, 45.0]})
    found = benches(weak)
    assert found[0] is None
    stretched = [b for b in found if b is not None]
    assert {b.temperature_C for b in stretched} == {20.0, 45.0}
    assert max(b.load_N for b in stretched) == 1440.0  # 0.6 of the break load
    assert max(b.hours for b in stretched) == 10.0
    day = [b for b in benches(build(shop={"overnight_bench": False})) if b is not None]
    assert day and max(b.hours for b in day) <= 9.0


@pytest.mark.parametrize("passes", [0, 1, 2])
@pytest.mark.parametrize("touches", [0, 1, 2])
def test_sessions_fall_into_working_hours_and_keep_their_distance(passes: int, touches: int) -> None:
    b = build()
    timing = timings(b, passes, touches)
    assert timing is not None
    assert (timing.passes, timing.touches) == (passes, touches)
    start, end = hour_of(b.shop.work_start), hour_of(b.shop.work_end)
    for kind, at in (("set", 0.0), *timing.at_h):
        clock = (timing.set_clock_h + at) % 24.0
        length = b.shop.set_session_h if kind == "set" else b.shop.pass_session_h
        assert start - 1e-9 <= clock and clock + length <= end + 1e-9, (kind, at, clock)
    steps = [
        {"kind": "laced", "hours": 11.5, "tension_N": 100.0},
        {"kind": "set", "at_h": 0.0, "tension_N": {"left": 900.0, "right": 900.0}},
        *({"kind": k, "at_h": a, "tension_N": {"left": 900.0, "right": 900.0}} for k, a in timing.at_h),
        {"kind": "deliver", "at_h": timing.deliver_h},
    ]
    assert check_schedule(schedule_of(steps), b) == []


def test_the_last_pass_is_as_late_as_the_working_day_allows() -> None:
    one = timings(build(), 1, 0)
    assert one is not None and one.at_h == (("pass", 46.5),)  # over an hour before delivery
    assert list(ways(build(), 3)) == []  # a night between each: three do not fit into two days
    slow = build(tension={"delivery_h": 120.0})
    four = timings(slow, 4, 0)
    assert four is not None and four.at_h[-1][1] > 110.0


def test_no_session_is_later_than_the_delivery() -> None:
    soon = build(tension={"delivery_h": 3.0, "horizon_h": 12.0})
    assert [t.at_h for t in ways(soon, 0)] == [(), (("touch", 2.5),)]
    at_once = build(12, tension={"delivery_h": 1.0, "horizon_h": 1.5})
    plan = find_plan(at_once, batch(creep=0.5), draws=100)
    assert plan.holds and len(plan.best.schedule.sessions) == 1


def test_limits_leave_room_for_squeezes() -> None:
    b = build()
    limits = wheel_limits(b, 5000.0)
    assert {limit.what: limit.limit_N for limit in limits} == {
        "rim": 1300.0,
        "hub": 1500.0,
        "spoke": pytest.approx(1296.0),
        "lateral buckling": 3000.0,
    }
    assert most_level(b, limits, 1000.0) == pytest.approx(1.296 / (0.85 * 1.25))
    straight_up = build(shop={"set_profile": []})  # nothing below full tension to squeeze at
    assert most_level(straight_up, limits, 1000.0) == pytest.approx(1.296 / 1.25)
    calm = build(shop={"stress_relief": {"squeezes": 0}})
    assert most_level(calm, limits, 1000.0) == pytest.approx(1.296)
    assert wheel_limits(b, float("inf"))[-1].what == "spoke"
    assert binding_limit([(Limit(what="a", limit_N=100.0), 99.0), (Limit(what="b", limit_N=90.0), 89.9)]) == "b"
    assert binding_limit([(Limit(what="a", limit_N=100.0), 90.0)]) is None
