"""Schedules: written and read back whole; what breaks a value of the build is named, what does not is let through."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from models.errors import InputError
from planner.build import Build, build_of
from planner.schedule import (
    Deliver,
    Group,
    Laced,
    Prestretch,
    Rest,
    Schedule,
    Session,
    check_schedule,
    peak_tension_N,
    schedule_of,
)

# the shape that outside readers rely on
EXAMPLE: list[dict[str, Any]] = [
    {"kind": "prestretch", "load_N": 1500.0, "hours": 8.0, "temperature_C": 20.0},
    {"kind": "rest", "hours": 0.5, "load_N": 0.0, "temperature_C": 20.0},
    {"kind": "laced", "hours": 11.5, "tension_N": 100.0, "temperature_C": 20.0},
    {"kind": "set", "at_h": 0.0, "tension_N": {"left": 1040.0, "right": 1040.0}},
    {"kind": "touch", "at_h": 3.0, "tension_N": {"left": 1040.0, "right": 1040.0}},
    {"kind": "pass", "at_h": 15.0, "tension_N": {"left": 1000.0, "right": 1000.0}},
    {"kind": "deliver", "at_h": 48.0},
]


def build(**tables: object) -> Build:
    return build_of({"shop": {"stations": 28}, **tables})


def changed(i: int, **keys: object) -> Schedule:
    steps = [dict(s) for s in EXAMPLE]
    steps[i] |= keys
    return schedule_of(steps)


def test_a_schedule_goes_through_json_unchanged() -> None:
    groups = (Group(positions=(1, 3), rest_h=24.5), Group(positions=(2, 4), rest_h=0.5))
    first = schedule_of(EXAMPLE)
    assert first.as_list() == EXAMPLE
    assert first.passes == 1 and first.touches == 1
    assert first.prestretch is not None
    grouped = replace(first, prestretch=replace(first.prestretch, groups=groups))
    again = schedule_of(json.loads(json.dumps(grouped.as_list())))
    assert again == grouped
    assert again.rest_h(4) == [24.5, 0.5, 24.5, 0.5]
    assert first.rest_h(3) == [0.5, 0.5, 0.5]


def test_optional_steps_may_be_left_out() -> None:
    bare = schedule_of([EXAMPLE[3], EXAMPLE[6]])
    assert (bare.prestretch, bare.rest, bare.laced, bare.passes) == (None, None, None, 0)
    assert [s["kind"] for s in bare.as_list()] == ["set", "deliver"]


@pytest.mark.parametrize(
    ("steps", "says"),
    [
        ([{"kind": "stretch", "load_N": 1.0}], "kind 'stretch' is unknown"),
        ([{"load_N": 1.0}], "kind None is unknown"),
        ([EXAMPLE[2], EXAMPLE[1], EXAMPLE[3], EXAMPLE[6]], r"step 2 \(rest\): comes too late or twice"),
        ([EXAMPLE[3], EXAMPLE[3], EXAMPLE[6]], r"step 2 \(set\): comes too late or twice"),
        ([EXAMPLE[5], EXAMPLE[6]], "exactly one set"),
        ([EXAMPLE[3]], "the last step is deliver"),
        ([{"kind": "set", "at_h": 0.0}, EXAMPLE[6]], r"step 1 \(set\): key 'tension_N' is missing"),
        ([{"kind": "laced", "hours": "long", "tension_N": 1}, EXAMPLE[3], EXAMPLE[6]], r"step 1 \(laced\)"),
        ([{"kind": "set", "at_h": 0.0, "tension_N": 900.0}, EXAMPLE[6]], r"step 1 \(set\)"),
        ([EXAMPLE[3], {"kind": "deliver", "at_h": None}], r"step 2 \(deliver\): at_h is None; allowed is a number"),
        (
            [{"kind": "set", "at_h": 0.0, "tension_N": None}, EXAMPLE[6]],
            r"step 1 \(set\): tension_N is None; allowed is an object of left and right",
        ),
        ([EXAMPLE[3], {"kind": "deliver", "at_h": True}], r"step 2 \(deliver\): at_h is True; allowed is a number"),
        (
            [{"kind": "set", "at_h": 0.0, "tension_N": {"left": -1e300, "right": 900.0}}, EXAMPLE[6]],
            r"step 1 \(set\): left is -1e\+300; allowed is a number from -1e\+06 to 1e\+06",
        ),
    ],
)
def test_steps_that_cannot_be_read_are_refused_with_their_place(steps: list[dict[str, Any]], says: str) -> None:
    with pytest.raises(InputError, match=says):
        schedule_of(steps)


def test_the_usual_schedule_breaks_nothing() -> None:
    assert check_schedule(schedule_of(EXAMPLE), build(), buckling_N=2000.0) == []


@pytest.mark.parametrize(
    ("schedule", "says"),
    [
        (changed(0, load_N=1630.0), "over the bench's limit, 1600 N"),
        (changed(0, hours=16.5), "shop.max_bench_h = 16"),
        (changed(0, temperature_C=40.0), "not one of shop.bench_temperature_C"),
        (changed(0, load_N=0.0), "is no stretch"),
        (changed(1, hours=0.4), "shop.slack_h = 0.5"),
        (changed(1, load_N=-5.0), "below 0"),
        (changed(2, hours=11.0), "shop.laced_h = 11.5"),
        (changed(2, tension_N=300.0), "not shop.lacing_tension_N"),
        (changed(3, at_h=1.0), "at_h 0"),
        (changed(3, tension_N={"left": 1230.0, "right": 900.0}), "1307 N is over the rim's limit, 1300 N"),
        (changed(3, tension_N={"left": 1000.0, "right": 0.0}), "above 0"),
        (changed(4, at_h=1.9), "at least 1 h after the set"),
        (changed(4, at_h=8.6), "not over on the day of the set"),
        (changed(4, tension_N={"left": 1299.0, "right": 1299.0}), "over the rim's limit"),
        (changed(5, at_h=14.9), "shop.pass_interval_h = 14"),
        (changed(5, at_h=47.8), "the last session ends at 48.3 h"),
        (changed(6, at_h=60.0), "later than tension.delivery_h = 48"),
    ],
)
def test_what_breaks_a_value_of_the_build_is_named(schedule: Schedule, says: str) -> None:
    problems = check_schedule(schedule, build(), buckling_N=2000.0)
    assert len(problems) >= 1
    assert any(says in p for p in problems), problems


def test_a_pass_waits_a_night_after_the_set_and_after_another_pass() -> None:
    two = schedule_of([*EXAMPLE[:6], {**EXAMPLE[5], "at_h": 29.4}, EXAMPLE[6]])
    assert any("pass at 29.4 h" in p for p in check_schedule(two, build()))
    fine = schedule_of([*EXAMPLE[:6], {**EXAMPLE[5], "at_h": 29.5}, EXAMPLE[6]])
    assert check_schedule(fine, build()) == []
    over = schedule_of([*EXAMPLE[:4], {**EXAMPLE[4], "at_h": 14.9}, EXAMPLE[5], EXAMPLE[6]])
    assert any("before the session before it has ended" in p for p in check_schedule(over, build()))


def test_lateral_buckling_is_held_against_squeezed_tension() -> None:
    schedule = schedule_of(EXAMPLE)
    # squeezed at the last share below full tension: 1105 N for a set at 1040 N, as outside readers have it
    assert peak_tension_N(schedule, build().shop) == pytest.approx(0.85 * 1.25 * 1040.0) == pytest.approx(1105.0)
    assert check_schedule(schedule, build(), buckling_N=1105.0) == []
    assert any("lateral buckling" in p for p in check_schedule(schedule, build(), buckling_N=1104.0))


def test_a_squeeze_is_done_at_the_last_share_below_full_tension_or_at_full_where_there_is_none() -> None:
    def peak(**shop: object) -> float:
        return peak_tension_N(schedule_of(EXAMPLE), build(shop={"stations": 28, **shop}).shop)

    assert peak(set_profile=[[0.5, 0.2], [0.9, 0.2], [1.0, 0.2]]) == pytest.approx(0.9 * 1.25 * 1040.0)
    assert peak(set_profile=[[0.3, 0.2], [0.6, 0.2]]) == 1040.0  # 0.75 of it: less than the set itself
    assert peak(set_profile=[]) == pytest.approx(1.25 * 1040.0)


def test_without_squeezes_a_session_asks_its_own_tension() -> None:
    calm = build(shop={"stations": 28, "stress_relief": {"squeezes": 0}})
    assert peak_tension_N(schedule_of(EXAMPLE), calm.shop) == 1040.0


def test_a_frame_that_is_too_small_needs_groups_that_do_not_overlap() -> None:
    four = build_of({"shop": {"stations": 4}, "wheel": {"spokes": 8, "crosses": 1}})
    schedule = schedule_of(EXAMPLE)
    assert any("give groups" in p for p in check_schedule(schedule, four))
    assert schedule.prestretch is not None

    def with_groups(*groups: Group) -> list[str]:
        assert schedule.prestretch is not None
        return check_schedule(replace(schedule, prestretch=replace(schedule.prestretch, groups=groups)), four)

    one, two = Group(positions=(1, 2, 5, 6), rest_h=9.0), Group(positions=(3, 4, 7, 8), rest_h=0.5)
    assert with_groups(one, two) == []
    assert any("overlap" in p for p in with_groups(replace(one, rest_h=8.0), two))
    assert any("once" in p for p in with_groups(one, replace(two, positions=(3, 4, 7, 7))))
    assert any("not the shortest" in p for p in with_groups(replace(one, rest_h=12.0), replace(two, rest_h=1.0)))
    assert any("does not fit on 4 places" in p for p in with_groups(Group(positions=(1, 2, 3, 4, 5), rest_h=9.0), two))


def test_without_overnight_holds_a_stretch_fits_the_day() -> None:
    day = build(shop={"stations": 28, "overnight_bench": False})
    assert check_schedule(changed(0, hours=9.0), day) == []
    assert any("working day of 9 h" in p for p in check_schedule(changed(0, hours=9.5), day))


def test_rest_and_lacing_that_the_shop_needs_may_not_be_left_out() -> None:
    schedule = Schedule(
        prestretch=Prestretch(load_N=1200.0, hours=2.0, temperature_C=20.0),
        sessions=(Session(kind="set", at_h=0.0, left_N=900.0, right_N=900.0),),
        deliver=Deliver(at_h=40.0),
    )
    problems = check_schedule(schedule, build())
    assert any(p.startswith("rest: none") for p in problems) and any(p.startswith("laced: none") for p in problems)
    whole = replace(
        schedule,
        rest=Rest(hours=0.5, temperature_C=20.0),
        laced=Laced(hours=11.5, tension_N=100.0, temperature_C=20.0),
    )
    assert check_schedule(whole, build()) == []
