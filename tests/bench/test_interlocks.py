"""Interlocks proved by hand: good ones pass, and each way in which one can be bad is found before anything is loaded."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from bench.cues import Cue
from bench.framecheck import Check
from bench.interlocks import INTERLOCKS, Interlock, provable, try_interlock
from bench.plantframe import PlantFrame
from tests.bench.frames import TOKEN, Rig, rig

BY_HAND: dict[str, tuple[Cue, int | None]] = {
    "estop_chain": (Cue.ESTOP, None),
    "guard": (Cue.GUARD, None),
    "local_remote": (Cue.LOCAL_PANEL, None),
    "limit_high": (Cue.LIMIT_HIGH, 0),
    "limit_low": (Cue.LIMIT_LOW, 0),
}
OPENED_S, CLOSED_S = 2.0, 5.0


async def walked(
    on: Rig,
    lock: Interlock,
    *,
    opens: bool = True,
    closes: bool = True,
    cue: tuple[Cue, int | None] | None = None,
    also: Callable[[float], Any] | None = None,
) -> tuple[Check, list[str]]:
    """A hand that opens at 2 s and closes at 5 s of the clock."""
    await on.frame.claim(TOKEN)
    assert isinstance(on.frame, PlantFrame)
    plant, said, start_s = on.frame.plant, [], on.clock.now_s()
    advance, (what, station) = on.clock._on_advance, cue or BY_HAND[lock.role]
    assert advance is not None

    async def handled(dt_s: float) -> None:
        await advance(dt_s)
        at_s = on.clock.now_s() - start_s
        held = opens and at_s >= OPENED_S and not (closes and at_s >= CLOSED_S)
        if held and (what, station) not in plant.cues:
            plant.cue(what, station)
        elif not held and (what, station) in plant.cues:
            plant.clear(what, station)
        if also is not None:
            also(at_s)

    on.clock._on_advance = handled
    check = await try_interlock(on.frame, on.clock, 0, lock, said.append, wait_s=10.0)
    assert not plant.enabled[0], "the drive is off at the end, whatever was found"
    return check, said


@pytest.mark.parametrize("lock", INTERLOCKS, ids=lambda x: x.role)
async def test_a_good_interlock_is_proved(lock: Interlock) -> None:
    async with rig("plant") as on:
        check, said = await walked(on, lock)
    assert check.good is True, check.says
    assert check.what == f"A: {lock.name}" and lock.opens in said[0] and lock.closes in said[1]
    if lock.drops:
        assert "lost its power within 0." in check.says and "stayed off" in check.says


@pytest.mark.parametrize("lock", INTERLOCKS, ids=lambda x: x.role)
async def test_one_that_never_reads_open_or_never_closed_again_is_a_fault(lock: Interlock) -> None:
    async with rig("plant") as on:
        check, _ = await walked(on, lock, opens=False)
        assert check.good is False and "not wired" in check.says
    async with rig("plant") as on:
        check, _ = await walked(on, lock, closes=False)
        assert check.good is False and "still after 10 s" in check.says


async def test_a_drive_that_keeps_its_power_while_the_chain_is_open_is_a_fault() -> None:
    async with rig("plant") as on:
        assert isinstance(on.frame, PlantFrame)
        plant = on.frame.plant
        check, _ = await walked(on, INTERLOCKS[0], also=lambda _: plant.enabled.__setitem__(0, True))
    assert check.good is False and "keeps its power" in check.says and "do not use" in check.says


async def test_a_drive_that_takes_power_by_itself_once_the_chain_is_closed_is_a_fault() -> None:
    async with rig("plant") as on:
        assert isinstance(on.frame, PlantFrame)
        plant = on.frame.plant

        def back(at_s: float) -> None:
            if at_s > CLOSED_S + 0.5:
                plant.enabled[0] = True

        check, _ = await walked(on, INTERLOCKS[0], also=back)
    assert check.good is False and "took power again by itself" in check.says


async def test_a_drive_that_moves_meanwhile_is_a_fault() -> None:
    async with rig("plant") as on:
        assert isinstance(on.frame, PlantFrame)
        plant = on.frame.plant

        def creeps(at_s: float) -> None:
            plant.motor_mm[0] += 0.001

        check, _ = await walked(on, INTERLOCKS[1], also=creeps)
    assert check.good is False and "moved" in check.says


async def test_a_loaded_station_and_an_inverted_contact_are_told_before_the_drive_takes_power() -> None:
    async with rig("plant") as on:
        assert isinstance(on.frame, PlantFrame)
        on.frame.plant.cue(Cue.GUARD, None)
        await on.pass_s(0.2)
        await on.frame.claim(TOKEN)
        check = await try_interlock(on.frame, on.clock, 0, INTERLOCKS[1], lambda _: None, wait_s=1.0)
        assert check.good is False and "inverted" in check.says
        on.frame.plant.clear(Cue.GUARD, None)
        on.frame.plant.cue(Cue.CELL_SATURATES, 0)
        await on.pass_s(0.2)
        check = await try_interlock(on.frame, on.clock, 0, INTERLOCKS[1], lambda _: None, wait_s=1.0)
        assert check.good is False and "take the spoke off" in check.says


async def test_only_what_the_frame_shows_is_asked_for() -> None:
    from dataclasses import replace

    async with rig("plant") as on:
        facts = replace(on.frame.facts, absent=("guard", "limit_low", "brake"))
    assert [lock.role for lock in provable(facts)] == ["estop_chain", "local_remote", "limit_high"]


@pytest.mark.parametrize("kind", ["tcp", "rtu"])
async def test_it_is_the_same_over_modbus(kind: str) -> None:
    async with rig(kind) as on:
        await on.frame.claim(TOKEN)
        advance, start_s, done = on.clock._on_advance, on.clock.now_s(), set()
        assert advance is not None

        async def handled(dt_s: float) -> None:
            await advance(dt_s)
            at_s = on.clock.now_s() - start_s
            if at_s >= OPENED_S and "open" not in done:
                done.add("open")
                await on.side.cue(Cue.ESTOP)
            if at_s >= CLOSED_S and "closed" not in done:
                done.add("closed")
                await on.side.clear(Cue.ESTOP)

        on.clock._on_advance = handled
        check = await try_interlock(on.frame, on.clock, 0, INTERLOCKS[0], lambda _: None, wait_s=10.0)
        assert check.good is True, check.says
        reading = await on.frame.read()
    assert not reading.stations[0].enabled and reading.stations[0].position_mm == pytest.approx(0.0, abs=1e-3)
