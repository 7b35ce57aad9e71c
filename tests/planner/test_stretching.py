"""Bench nights on real days: places, working hours, days off, rests as planned, due dates. 2025-03-03 is a Monday."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta, timezone
from itertools import pairwise
from typing import Any

import pytest

from models.errors import CannotAnswer, InputError
from planner.build import Build, build_of
from planner.candidates import bench
from planner.schedule import Deliver, Laced, Schedule, Session, check_schedule
from planner.stretching import Event, Laid, calendar_of

MONDAY = datetime(2025, 3, 3, 8, 0)


def build_with(order: dict[str, Any] | None = None, **shop: Any) -> Build:
    return build_of({"name": "front", "shop": {"spokes_per_station": 4} | shop, "order": order or {}})


def schedule_for(
    build: Build, hours: float = 16.0, passes: tuple[float, ...] = (24.0,), deliver_h: float = 48.0
) -> Schedule:
    stretch = bench(build, 1500.0, hours, 20.0)
    assert stretch is not None
    first, rest = stretch.steps(build.shop)
    return Schedule(
        prestretch=first,
        rest=rest,
        laced=Laced(hours=11.5, tension_N=100.0, temperature_C=20.0),
        sessions=(
            Session(kind="set", at_h=0.0, left_N=1030.0, right_N=1030.0),
            *(Session(kind="pass", at_h=h, left_N=1040.0, right_N=1040.0) for h in passes),
        ),
        deliver=Deliver(at_h=deliver_h),
    )


def of_kind(laid: Laid, kind: str, wheel: int = 1) -> list[Event]:
    return [e for e in laid.events if e.kind == kind and e.wheel == wheel]


def hour(moment: datetime) -> float:
    return moment.hour + moment.minute / 60.0


def assert_workable(laid: Laid, build: Build, off: tuple[str, ...] = ()) -> None:
    """Nothing that needs a person outside working hours or on a day off; one thing at a time; the frame holds one run."""
    for e in laid.events:
        if e.kind == "unload":
            continue
        assert hour(e.start) >= 9.0 - 1e-6 and hour(e.end) <= 18.0 + 1e-6, e
        assert f"{e.start:%A}" not in off
    busy = sorted((e.start, e.end) for e in laid.events if e.kind in ("load", "lace", "set", "touch", "pass"))
    for (_, ended), (began, _) in pairwise(busy):
        assert began >= ended
    runs = sorted(
        (load.end, off_.start)
        for wheel in {e.wheel for e in laid.events}
        for load, off_ in zip(of_kind(laid, "load", wheel), of_kind(laid, "unload", wheel), strict=True)
    )
    for (_, ended), (began, _) in pairwise(runs):
        assert began >= ended


def test_every_position_is_stretched_once_and_rests_as_the_plan_has_it() -> None:
    build = build_with()
    schedule = schedule_for(build)
    laid = calendar_of(build, schedule, MONDAY)
    loads = of_kind(laid, "load")
    assert sorted(p for e in loads for p in e.positions) == list(range(1, 29))
    assert all(len(e.positions) <= 16 for e in loads) and len(loads) == 2 == laid.nights
    lace = of_kind(laid, "lace")[0].start
    real = [(lace - e.start) / timedelta(hours=1) for e in of_kind(laid, "unload")]
    planned = sorted((g.rest_h for g in schedule.prestretch.groups), reverse=True) if schedule.prestretch else []
    assert real == pytest.approx(planned, abs=0.3)
    # the last run ends in the morning, when somebody is there to lace
    assert 8.0 <= hour(of_kind(laid, "unload")[-1].start) <= 17.5
    assert_workable(laid, build)


def test_the_schedule_as_laid_is_one_that_the_build_allows() -> None:
    build = build_with()
    laid = calendar_of(build, schedule_for(build), MONDAY)
    real = laid.schedules[0]
    assert check_schedule(real, build) == []
    assert real.laced is not None and real.laced.hours >= build.shop.laced_h


def test_two_wheels_share_the_frame_and_the_builder() -> None:
    build = build_with({"wheels": 2})
    laid = calendar_of(build, schedule_for(build), MONDAY)
    assert {e.wheel for e in laid.events} == {1, 2} and laid.nights == 4
    assert of_kind(laid, "load", 2)[0].start >= of_kind(laid, "unload", 1)[-1].start
    assert_workable(laid, build)


def test_a_rear_wheel_is_laid_out_beside_the_front_one() -> None:
    """Two different builds, one frame and one builder: the second begins when the first leaves room for it."""
    front, rear = build_with(), build_with(max_bench_h=10.0)
    first = calendar_of(front, schedule_for(front), MONDAY)
    second = calendar_of(rear, schedule_for(rear, hours=10.0, passes=(46.5,)), MONDAY, beside=[first.events])
    alone = calendar_of(rear, schedule_for(rear, hours=10.0, passes=(46.5,)), MONDAY)
    assert second.ready > alone.ready
    both = [replace(e, wheel=k) for k, laid in enumerate((first, second), start=1) for e in laid.events]
    events = tuple(sorted(both, key=lambda e: e.start))
    assert_workable(replace(first, events=events), front)


def test_days_off_are_kept_and_a_run_over_a_sunday_is_avoided_where_it_can_be() -> None:
    build = build_with({"days_off": ["Saturday", "Sunday"]})
    friday = datetime(2025, 3, 7, 8, 0)
    laid = calendar_of(build, schedule_for(build, passes=(24.0,)), friday)
    assert_workable(laid, build, ("Saturday", "Sunday"))
    # both runs on successive nights: not before Monday
    assert of_kind(laid, "load")[0].start.date() >= date(2025, 3, 10)
    assert not any("rests of" in w for w in laid.warnings)


def test_where_days_off_cannot_be_avoided_the_real_rests_are_said() -> None:
    build = build_with({"days_off": ["Sunday"]}, spokes_per_station=1)  # seven nights
    laid = calendar_of(build, schedule_for(build), MONDAY)
    assert laid.nights == 7
    assert_workable(laid, build, ("Sunday",))
    assert any("rests of" in w for w in laid.warnings)
    assert laid.schedules[0].rest_h(28) != schedule_for(build).rest_h(28)


@pytest.mark.parametrize(("slack_h", "rings"), [(0.0, {"Tuesday", "Wednesday", "Thursday", "Friday"}), (0.5, set())])
def test_a_run_that_ends_at_night_or_on_a_day_off_rings_for_nobody(slack_h: float, rings: set[str]) -> None:
    """Without slack time to wait for, runs end when the shop opens; with half an hour, before."""
    build = build_with({"days_off": ["Saturday", "Sunday"]}, spokes_per_station=1, slack_h=slack_h)
    ended = of_kind(calendar_of(build, schedule_for(build), MONDAY), "unload")
    assert any(f"{e.start:%A}" == "Saturday" for e in ended)
    assert {f"{e.start:%A}" for e in ended if e.alarm_min is not None} == rings


def test_without_night_work_runs_end_before_the_shop_closes() -> None:
    build = build_with(overnight_bench=False, spokes_per_station=7)
    laid = calendar_of(build, schedule_for(build, hours=6.0), MONDAY)
    for load, off in zip(of_kind(laid, "load"), of_kind(laid, "unload"), strict=True):
        assert load.start.date() == off.start.date() and hour(off.start) <= 18.0
    assert_workable(laid, build)


def test_a_plan_without_a_stretch_begins_with_lacing() -> None:
    build = build_with()
    schedule = Schedule(
        laced=Laced(hours=11.5, tension_N=100.0, temperature_C=20.0),
        sessions=(Session(kind="set", at_h=0.0, left_N=1000.0, right_N=1000.0),),
        deliver=Deliver(at_h=48.0),
    )
    laid = calendar_of(build, schedule, MONDAY)
    assert [e.kind for e in laid.events] == ["lace", "set", "deliver"]
    assert laid.events[1].start - laid.events[0].end >= timedelta(hours=11.5)


def test_touch_and_passes_stand_at_their_hours_after_the_set() -> None:
    build = build_with()
    laid = calendar_of(build, schedule_for(build, passes=(23.0, 46.0), deliver_h=50.0), MONDAY)
    began = of_kind(laid, "set")[0].start
    assert [(e.start - began) / timedelta(hours=1) for e in of_kind(laid, "pass")] == [23.0, 46.0]
    assert of_kind(laid, "deliver")[0].start - began >= timedelta(hours=50)
    assert_workable(laid, build)


def test_times_keep_the_zone_they_were_asked_in() -> None:
    build = build_with()
    zone = timezone(timedelta(hours=2))
    laid = calendar_of(build, schedule_for(build), MONDAY.replace(tzinfo=zone))
    assert all(e.start.tzinfo == zone for e in laid.events)
    assert_workable(laid, build)


def test_a_due_date_in_the_past_or_before_the_start_is_refused() -> None:
    build = build_with()
    schedule = schedule_for(build)
    with pytest.raises(InputError, match="lies in the past"):
        calendar_of(build, schedule, MONDAY, due=datetime(2025, 3, 20), now=datetime(2025, 4, 1))
    with pytest.raises(InputError, match="not after the start"):
        calendar_of(build, schedule, MONDAY, due=datetime(2025, 3, 1))


def test_a_due_date_that_cannot_be_kept_is_said_and_one_that_can_is_not() -> None:
    build = build_with()
    schedule = schedule_for(build)
    tight = calendar_of(build, schedule, MONDAY, due=datetime(2025, 3, 6))
    assert tight.late and "after the due date" in tight.warnings[-1]
    assert not calendar_of(build, schedule, MONDAY, due=datetime(2025, 3, 31)).late


def test_work_that_fits_no_day_is_refused() -> None:
    short = build_with(work_start="09:00", work_end="11:00")
    with pytest.raises(CannotAnswer, match="the set and what follows it"):
        calendar_of(short, schedule_for(build_with(), passes=(30.0,)), MONDAY)
    never = build_with({"days_off": ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"]})
    with pytest.raises(CannotAnswer, match="does not fit"):
        calendar_of(never, schedule_for(build_with()), MONDAY)
