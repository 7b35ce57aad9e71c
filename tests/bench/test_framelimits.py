"""Every fault of the frame as a whole in every state of a station: found, and followed as the table says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from bench.cabinet import Cabinet
from bench.faults import RULES, Fault, Scope
from bench.frame import FrameReading
from bench.framelimits import check_frame, device_dt_s, first_frame_watch
from bench.limits import Violation
from bench.machine import StationState
from bench.station import react
from tests.bench.fake_frame import frame_facts, make_program
from tests.bench.test_limits import DT, LIMITS, expected_state, reading, station_in

S = StationState

FRAME_FAULTS: dict[Fault, Callable[[FrameReading], FrameReading]] = {
    Fault.GUARD: lambda r: replace(r, guard_closed=False),
    Fault.ESTOP: lambda r: replace(r, estop_closed=False),
    Fault.POWER: lambda r: replace(r, power_ok=False),
    Fault.TEMPERATURE: lambda r: replace(r, air_temperature_C=41.0),
    Fault.CABINET: lambda r: replace(r, cabinet_temperature_C=70.0),
    Fault.STALE: lambda r: replace(r, frame_ms=5000),
    Fault.RESTARTED: lambda r: replace(r, frame_ms=1000),
    Fault.OWNER_LOST: lambda r: replace(r, owner_token=99),
    Fault.LOCAL: lambda r: replace(r, local=True, owner_token=0),
    Fault.DEADMAN: lambda r: replace(r, deadman_ms=200),
    Fault.OWN_LIMIT: lambda r: replace(r, max_load_N=1700.0),
    Fault.CLOCK_STEP: lambda r: replace(r, at_utc=r.at_utc + 3600.0),
}


def frame_reading(ms: int, now_s: float) -> FrameReading:
    return FrameReading(
        now_s=now_s,
        at_utc=1.8e9 + now_s,
        frame_ms=ms,
        estop_closed=True,
        guard_closed=True,
        power_ok=True,
        deadman_ms=3500,
        owner_token=7,
        local=False,
        air_temperature_C=20.0,
        frame_temperature_C=20.0,
        cabinet_temperature_C=40.0,
        stations=(reading(),),
        max_load_N=1670.0,
        max_speed_mm_per_s=0.198,
    )


FACTS = frame_facts(writable_limits={"max_load": 1.0, "max_speed": 0.001})


def look(change: Callable[[FrameReading], FrameReading], fault: Fault) -> Violation | None:
    watch = first_frame_watch(frame_reading(5000, 5.0))
    at_s = 5.0
    for _ in range(700):
        at_s += DT
        r = change(frame_reading(round(1000 * at_s), at_s))
        watch, broken = check_frame(watch, r, FACTS, LIMITS, token=7, cabinet_C=40.0, at_s=at_s)
        for v in broken:
            if v.fault is fault:
                return v
    return None


def test_a_healthy_frame_breaks_nothing() -> None:
    watch = first_frame_watch(frame_reading(5000, 5.0))
    for i in range(1, 50):
        r = frame_reading(5000 + 100 * i, 5.0 + 0.1 * i)
        watch, broken = check_frame(watch, r, FACTS, LIMITS, token=7, cabinet_C=40.0, at_s=5.0 + 0.1 * i)
        assert broken == ()


@pytest.mark.parametrize("state", list(S), ids=lambda s: s.name)
@pytest.mark.parametrize("fault", list(FRAME_FAULTS), ids=lambda f: f.name)
def test_each_fault_of_the_frame_is_found_and_followed_in_each_state(fault: Fault, state: StationState) -> None:
    found = look(FRAME_FAULTS[fault], fault)
    assert found is not None and found.station is None and RULES[fault].scope is Scope.FRAME
    station, said = react(station_in(state), (found,))
    assert station.state is expected_state(state, fault)
    assert RULES[fault].do in said[0].message and "station" not in said[0].message.split(":")[0]


def test_a_cabinet_whose_thermometer_reads_nothing_is_not_heated_on() -> None:
    found = look(lambda r: replace(r, cabinet_temperature_C=None), Fault.CABINET)
    assert found is not None


@pytest.mark.parametrize(
    "change", [{"max_load_N": None}, {"max_load_N": float("nan")}, {"max_speed_mm_per_s": 1.0}, {"max_load_N": 400.0}]
)
def test_a_limit_in_the_frame_that_no_longer_stands_there_is_a_fault(change: dict[str, float | None]) -> None:
    found = look(lambda r: replace(r, **change), Fault.OWN_LIMIT)  # type: ignore[arg-type]
    assert found is not None and found.limit in (1670.0, 0.198)


def test_a_limit_that_this_run_does_not_write_may_be_what_it_is() -> None:
    watch = first_frame_watch(frame_reading(5000, 5.0))
    r = replace(frame_reading(5100, 5.1), max_load_N=400.0)
    assert check_frame(watch, r, frame_facts(), LIMITS, token=7, cabinet_C=40.0, at_s=5.1)[1] == ()


def test_the_frame_counter_wraps_at_32_bits_without_a_fault() -> None:
    assert device_dt_s(0xFFFFFFFF - 49, 50) == pytest.approx(0.1)
    assert device_dt_s(5000, 1000) == pytest.approx(-4.0)


def test_a_cabinet_that_was_asked_to_cool_may_come_down_but_not_rise_again() -> None:
    cabinet = Cabinet(make_program("seat seconds=1"))

    def allowed(inside_C: float) -> float | None:
        return cabinet.allowed_C(replace(frame_reading(5000, 5.0), cabinet_temperature_C=inside_C))

    assert allowed(21.0) is None
    cabinet.asked_C = 50.0
    assert [allowed(t) for t in (21.0, 49.0, 51.0)] == [50.0, 50.0, 50.0]
    cabinet.asked_C = 23.0
    assert [allowed(t) for t in (50.0, 40.0, 47.0, 22.0, 31.0)] == [50.0, 40.0, 40.0, 23.0, 23.0]
