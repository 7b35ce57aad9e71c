"""What every Frame keeps, whatever it is reached by: the plant in this process, Modbus TCP, RTU on a serial line."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from bench.cues import Cue
from bench.errors import BenchError, FrameFault, LineTrouble
from bench.frame import Command
from bench.ownlimits import write_limits
from tests.bench.frames import START_UTC, TOKEN, Rig, frame_file, rig


@pytest.fixture(params=["plant", "tcp", "rtu"])
async def on(request: pytest.FixtureRequest) -> AsyncIterator[Rig]:
    async with rig(request.param) as made:
        yield made


@pytest.fixture(params=["plant", "tcp", "rtu"])
async def hasty(request: pytest.FixtureRequest) -> AsyncIterator[Rig]:
    """The same with the short time-out of a real link."""
    async with rig(request.param, timeout_s=0.2) as made:
        yield made


def move(
    station: int, target_mm: float, speed_mm_per_s: float = 0.5, *, enable: bool = True, reset: bool = False
) -> Command:
    return Command(
        station=station, enable=enable, target_mm=target_mm, speed_mm_per_s=speed_mm_per_s, fault_reset=reset
    )


async def test_a_reading_tells_everything_that_the_frame_file_maps(on: Rig) -> None:
    await on.pass_unfed_s(1.0)
    r = await on.frame.read()
    assert (r.now_s, r.at_utc, r.frame_ms) == (1.0, START_UTC + 1.0, 1000)
    assert r.estop_closed and r.guard_closed and r.power_ok and not r.local and r.owner_token == 0
    assert r.deadman_ms == on.frame.facts.deadman_ms == 3500
    assert (r.max_load_N, r.max_speed_mm_per_s) == (2000.0, 1.0)
    assert r.air_temperature_C == pytest.approx(20.0, abs=1.1)
    assert r.cabinet_temperature_C is None and r.cabinet_door_closed is None
    assert len(r.stations) == 2
    for s in r.stations:
        assert abs(s.load_N) < 3.0 and not s.load_fault and s.position_valid and s.position_mm == 0.0
        assert not s.enabled and not s.moving and s.drive_fault == 0 and not s.limit_low and not s.limit_high
        assert s.brake is None


async def test_nothing_moves_before_the_frame_is_claimed(on: Rig) -> None:
    r = await on.pass_s(1.0, [move(0, 5.0)])
    assert r.stations[0].position_mm == 0.0 and not r.stations[0].enabled


async def test_a_bounded_move_goes_to_its_target_at_its_speed_and_no_further(on: Rig) -> None:
    await on.frame.claim(TOKEN)
    r = await on.pass_s(2.0, [move(0, 1.5, 0.5)])
    assert r.stations[0].position_mm == pytest.approx(1.0, abs=1e-3) and r.stations[0].moving
    assert r.stations[1].position_mm == 0.0
    r = await on.pass_s(3.0, [move(0, 1.5, 0.5)])
    assert r.stations[0].position_mm == pytest.approx(1.5, abs=1e-4) and not r.stations[0].moving


async def test_pulling_a_spoke_loads_it_and_holding_the_position_lets_the_load_fall(on: Rig) -> None:
    await on.frame.claim(TOKEN)
    r = await on.pass_s(16.0, [move(0, 7.2), move(1, 7.2)])
    first = r.stations[0].load_N
    assert 500.0 < first < 1700.0
    assert first == pytest.approx((await on.side.truth())["load_N"][0], abs=3.0)
    r = await on.pass_s(60.0, [move(0, 7.2), move(1, 7.2)], tick_s=1.0)
    assert r.stations[0].load_N < first - 5.0


async def test_a_move_stops_when_the_deadman_is_not_fed_and_does_not_go_on_when_it_is_fed_again(on: Rig) -> None:
    await on.frame.claim(TOKEN)
    await on.pass_s(1.0, [move(0, 50.0, 0.5)])
    await on.pass_unfed_s(10.0)
    r = await on.frame.read()
    stopped = r.stations[0].position_mm
    # fed at 0.9 s, alive for 3.5 s at 0.5 mm/s
    assert stopped == pytest.approx((0.9 + 3.5) * 0.5, abs=1e-3)
    assert not r.stations[0].enabled and not r.stations[0].moving
    r = await on.pass_s(1.0)
    assert r.stations[0].position_mm == stopped


async def test_the_frame_is_given_back_by_itself_when_its_controller_has_died(on: Rig) -> None:
    await on.frame.claim(TOKEN)
    await on.pass_unfed_s(4.0)
    assert (await on.frame.read()).owner_token == 0


async def test_a_frame_that_another_controller_holds_is_refused(on: Rig) -> None:
    await on.side.cue(Cue.FOREIGN_OWNER, None, 4712)
    with pytest.raises(FrameFault, match=r"another controller.*4712"):
        await on.frame.claim(TOKEN)


async def test_a_frame_that_its_panel_holds_is_refused(on: Rig) -> None:
    await on.side.cue(Cue.LOCAL_PANEL)
    with pytest.raises(FrameFault, match="local panel"):
        await on.frame.claim(TOKEN)


async def test_claiming_and_releasing_is_seen_in_the_owner_token(on: Rig) -> None:
    await on.frame.claim(TOKEN)
    assert (await on.frame.read()).owner_token == TOKEN
    await on.frame.release()
    assert (await on.frame.read()).owner_token == 0


@pytest.mark.parametrize(
    ("cue", "seen"),
    [(Cue.ESTOP, "estop_closed"), (Cue.GUARD, "guard_closed"), (Cue.POWER_DIP, "power_ok")],
)
async def test_an_open_interlock_stops_motion_which_does_not_come_back_with_it(on: Rig, cue: Cue, seen: str) -> None:
    await on.frame.claim(TOKEN)
    await on.pass_s(1.0, [move(0, 50.0)])
    await on.side.cue(cue)
    r = await on.pass_s(1.0)
    assert getattr(r, seen) is False
    where = r.stations[0].position_mm
    assert where == pytest.approx(0.5, abs=1e-3) and not r.stations[0].enabled
    await on.side.clear(cue)
    r = await on.pass_s(1.0)
    assert getattr(r, seen) is True and r.stations[0].position_mm == where and not r.stations[0].moving


async def test_a_drive_fault_latches_until_it_is_reset(on: Rig) -> None:
    await on.frame.claim(TOKEN)
    await on.pass_s(1.0, [move(0, 5.0)])
    await on.side.cue(Cue.DRIVE_FAULT, 0, 31)
    r = await on.pass_s(1.0, [move(0, 5.0)])
    assert r.stations[0].drive_fault == 31 and not r.stations[0].enabled
    await on.frame.write([move(0, 5.0, enable=False, reset=True)])
    r = await on.pass_s(1.0, [move(0, 5.0)])
    assert r.stations[0].drive_fault == 0 and r.stations[0].position_mm > 0.9


async def test_the_overload_cut_out_of_the_drive_stops_a_pull(on: Rig) -> None:
    await on.frame.claim(TOKEN)
    r = await on.pass_s(30.0, [move(0, 12.0)])
    truth = (await on.side.truth())["load_N"][0]
    trip = on.frame.facts.stations[0].trip_load_N
    assert r.stations[0].drive_fault != 0 and not r.stations[0].enabled
    assert trip * 0.85 < truth < trip + 0.5 * 1700.0 * 0.02  # it has crept since; at most 20 ms late


async def test_a_broken_spoke_reads_no_load(on: Rig) -> None:
    await on.frame.claim(TOKEN)
    assert (await on.pass_s(16.0, [move(0, 7.2)])).stations[0].load_N > 400.0
    await on.side.cue(Cue.SPOKE_BREAKS, 0)
    assert abs((await on.pass_s(0.2, [move(0, 7.2)])).stations[0].load_N) < 3.0


async def test_faults_of_sensors_show_as_what_they_read(on: Rig) -> None:
    await on.pass_unfed_s(1.0)
    await on.side.cue(Cue.CELL_UNPLUGGED, 0)
    await on.side.cue(Cue.ENCODER_JUMPS, 1, 0.25)
    await on.side.cue(Cue.POSITION_LOST, 0)
    r = await on.pass_s(0.1)
    assert r.stations[0].load_fault and r.stations[0].load_N == -2500.0
    assert not r.stations[0].position_valid and r.stations[1].position_valid
    assert r.stations[1].position_mm == pytest.approx(0.25, abs=1e-9)


async def test_a_frozen_cell_keeps_its_value(on: Rig) -> None:
    await on.pass_unfed_s(1.0)
    await on.side.cue(Cue.CELL_FROZEN, 0)
    seen = {(await on.pass_s(0.1)).stations[0].load_N for _ in range(6)}
    assert len(seen) == 1


async def test_old_values_are_refused_by_the_device_counter(on: Rig) -> None:
    await on.pass_s(1.0)
    await on.side.cue(Cue.STALE)
    with pytest.raises(LineTrouble, match="stale"):
        await on.pass_s(1.0)


async def test_a_restarted_device_is_noticed(on: Rig) -> None:
    await on.pass_s(5.0)
    await on.side.cue(Cue.RESTART)
    with pytest.raises(LineTrouble, match="jumped back"):
        await on.pass_s(0.5)
    assert not (await on.pass_s(0.1)).stations[0].position_valid


@pytest.mark.parametrize(
    ("cue", "value", "error"),
    [
        (Cue.SILENCE, 0.0, LineTrouble),
        (Cue.GARBAGE, 0.0, LineTrouble),
        (Cue.SHORT, 0.0, LineTrouble),
        (Cue.LATE, 0.6, LineTrouble),
        (Cue.FOREIGN_ANSWER, 0.0, LineTrouble),
        (Cue.EXCEPTION, 4.0, FrameFault),
        (Cue.EXCEPTION, 6.0, LineTrouble),
    ],
)
async def test_a_bad_link_is_reported_and_works_again_when_it_is_good(
    hasty: Rig, cue: Cue, value: float, error: type[BenchError]
) -> None:
    await hasty.pass_s(0.2)
    await hasty.side.cue(cue, None, value)
    with pytest.raises(error):
        await hasty.frame.read()
    await hasty.side.clear(cue)
    transport = getattr(hasty.frame, "transport", None)
    if transport is not None:
        await transport.wait_connected(2.0)
    r = await hasty.pass_s(0.2)
    assert r.frame_ms == round(1000 * hasty.clock.now_s())


async def test_a_move_outside_the_stated_travel_or_speed_is_never_sent(on: Rig) -> None:
    await on.frame.claim(TOKEN)
    for bad in (move(0, 60.1), move(0, -0.1), move(0, 5.0, 1.1), move(0, 5.0, 0.0), move(0, float("nan"))):
        with pytest.raises(ValueError, match="station A"):
            await on.frame.write([bad])
    assert (await on.side.truth())["motor_mm"] == [0.0, 0.0]


async def test_a_frame_without_a_cabinet_refuses_a_temperature(on: Rig) -> None:
    with pytest.raises(FrameFault, match="no cabinet"):
        await on.frame.set_cabinet_C(60.0)


async def test_the_lamp_is_lit(on: Rig) -> None:
    await on.frame.set_lamp(2)
    assert (await on.side.truth())["lamp"] == 2


# the frame's own limits ----------------------------------------------------------------------------------------------

SHIPPED = (
    'max_load = { table = "input", address = 5 }',
    'max_speed = { table = "input", address = 6, scale = 0.001 }',
)
ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")
CODINGS = [
    ("", ", scale = 0.001"),
    (', type = "int16", scale = 0.5', ', type = "uint16", scale = 0.0005'),
    *((f', type = "int32", scale = 0.01, order = "{o}"', f', type = "uint32", scale = 1e-5, order = "{o}"') for o in ORDERS),
    *((f', type = "float32", order = "{o}"', f', type = "float32", scale = 0.1, order = "{o}"') for o in ORDERS),
]  # fmt: skip


@asynccontextmanager
async def limited(kind: str, coding: tuple[str, str] = CODINGS[0]) -> AsyncIterator[Rig]:
    """A frame whose own limits may be written, in registers of this coding."""
    load, speed = coding
    changes = {
        SHIPPED[0]: f"max_load = {{ address = 900{load}, writable = true }}",
        SHIPPED[1]: f"max_speed = {{ address = 902{speed}, writable = true }}",
    }
    async with rig(kind, frame_file(2, changes)) as made:
        yield made


@pytest.mark.parametrize("kind", ["plant", "tcp", "rtu"])
@pytest.mark.parametrize("coding", CODINGS, ids=lambda c: c[0].strip(", ") or "uint16")
async def test_its_own_limits_are_written_and_read_back_however_they_are_coded(
    kind: str, coding: tuple[str, str]
) -> None:
    async with limited(kind, coding) as on:
        await on.frame.claim(TOKEN)
        before = await on.frame.read()
        assert (before.max_load_N, before.max_speed_mm_per_s) == (pytest.approx(2000.0), pytest.approx(1.0))
        after, said = await write_limits(on.frame, {"max_load": 1234.0, "max_speed": 0.321}, before)
        assert (after.max_load_N, after.max_speed_mm_per_s) == (pytest.approx(1234.0), pytest.approx(0.321))
        assert [s.data["before"] for s in said] == [pytest.approx(2000.0), pytest.approx(1.0)]
        limits = (await on.side.truth())["limits"]
        assert (limits["max_load"], limits["max_speed"]) == (pytest.approx(1234.0), pytest.approx(0.321))


@pytest.mark.parametrize("kind", ["plant", "tcp", "rtu"])
async def test_a_written_load_limit_acts_in_the_frame_itself_without_the_controller(kind: str) -> None:
    async with limited(kind) as on:
        await on.frame.claim(TOKEN)
        await on.frame.set_limit("max_load", 400.0)
        r = await on.pass_s(30.0, [move(0, 12.0)])  # nobody looks at the load: it would go on to the cut-out at 2200 N
        assert r.stations[0].drive_fault != 0 and not r.stations[0].enabled
        assert 400.0 * 0.8 < (await on.side.truth())["load_N"][0] < 400.0 + 0.5 * 1700.0 * 0.02
        await on.frame.write([move(0, 12.0, enable=False, reset=True)])
        r = await on.pass_s(1.0, [move(0, 0.0)])
        assert r.stations[0].enabled and r.stations[0].moving, "it may be let off"


@pytest.mark.parametrize("kind", ["plant", "tcp", "rtu"])
async def test_a_written_speed_limit_acts_in_the_frame_itself(kind: str) -> None:
    async with limited(kind) as on:
        await on.frame.claim(TOKEN)
        await on.frame.set_limit("max_speed", 0.05)
        assert (await on.pass_s(2.0, [move(0, 5.0, 1.0)])).stations[0].position_mm == pytest.approx(0.1, abs=2e-3)


@pytest.mark.parametrize("kind", ["plant", "tcp", "rtu"])
async def test_a_limit_is_taken_only_from_who_commands_the_frame_and_forgotten_by_a_restart(kind: str) -> None:
    async with limited(kind) as on:
        before = await on.frame.read()
        with pytest.raises(FrameFault, match=r"1000 N was written and 2000 N reads back"):
            await write_limits(on.frame, {"max_load": 1000.0}, before)
        await on.frame.claim(TOKEN)
        await write_limits(on.frame, {"max_load": 1000.0}, before)
        await on.pass_s(1.0)
        await on.side.cue(Cue.RESTART)
        with pytest.raises(LineTrouble, match="jumped back"):
            await on.pass_s(0.5)
        assert (await on.pass_s(0.1)).max_load_N == pytest.approx(2000.0)


@pytest.mark.parametrize("kind", ["plant", "tcp", "rtu"])
async def test_a_limit_above_what_the_file_states_or_that_is_not_writable_is_never_sent(kind: str) -> None:
    async with limited(kind) as on:
        await on.frame.claim(TOKEN)
        for role, bad in (("max_load", 2001.0), ("max_load", 0.0), ("max_speed", 1.01), ("max_load", float("nan"))):
            with pytest.raises(ValueError, match=role):
                await on.frame.set_limit(role, bad)
        assert (await on.side.truth())["limits"] == {"max_load": 2000.0, "max_speed": 1.0}
    async with rig(kind) as on:
        await on.frame.claim(TOKEN)
        with pytest.raises(ValueError, match="not writable"):
            await on.frame.set_limit("max_load", 1000.0)
