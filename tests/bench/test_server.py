"""The simulated frame as a server: in a process of its own, read by other Modbus implementations."""

from __future__ import annotations

import asyncio
import struct
from pathlib import Path

import minimalmodbus
import pytest
from pyModbusTCP.client import ModbusClient

from bench.clock import VirtualClock
from bench.cues import Cue
from bench.errors import FrameFault, LineTrouble
from bench.frame import Command
from bench.framefile import frame_from_text
from bench.invented import invented_frame_text
from bench.modbusframe import ModbusFrame
from bench.registers import Block
from bench.server import serve, start_simulated
from bench.simulated import Simulated
from bench.transport import Transport
from models.errors import InputError
from tests.bench.frames import TOKEN, frame_file, served

FRAME = Path(__file__).parents[2] / "datasets" / "demo" / "frame.toml"


async def pulled(sim: Simulated, frame: ModbusFrame, clock: VirtualClock) -> None:
    """All four stations pulled to some load, each to another place."""
    await frame.claim(TOKEN)
    moves = [
        Command(station=i, enable=True, target_mm=6.8 + 0.1 * i, speed_mm_per_s=0.5) for i in range(4)
    ]  # fmt: skip
    for _ in range(160):
        await frame.read()
        await frame.write(moves)
        await clock.sleep_until(clock.now_s() + 0.1)


async def test_another_tcp_implementation_reads_what_the_controller_reads() -> None:
    """pyModbusTCP, in the same instant of virtual time; decoded here by struct, not by our own coding."""
    async with start_simulated(FRAME, virtual=True, seed=3) as sim:
        clock = VirtualClock(0.0, sim.advance)
        async with ModbusFrame(sim.file, clock) as frame:
            await pulled(sim, frame, clock)
            ours = await frame.read()
            other = ModbusClient(host=sim.host, port=sim.port, unit_id=1, timeout=5.0)
            words = await asyncio.to_thread(other.read_input_registers, 0, 34)
            commands = await asyncio.to_thread(other.read_holding_registers, 0, 18)
            beyond = await asyncio.to_thread(other.read_input_registers, 300, 1)
            other.close()
            truth = await sim.side.truth()
    assert words is not None and commands is not None and beyond is None
    data = struct.pack(">34H", *words)
    assert words[0] & 0b1111 == 0b0111 and words[1] == 3500 and words[4] == TOKEN
    assert struct.unpack_from(">I", data, 4)[0] == ours.frame_ms == 16000
    assert struct.unpack_from(">h", data, 14)[0] / 100 == pytest.approx(ours.air_temperature_C)
    for i, station in enumerate(ours.stations):
        load, position, status, fault = struct.unpack_from(">iiHH", data, 20 + 12 * i)
        assert load / 100 == pytest.approx(station.load_N) and station.load_N > 100.0
        assert load / 100 == pytest.approx(truth["load_N"][i], abs=3.0)
        assert position / 10000 == pytest.approx(station.position_mm) == pytest.approx(6.8 + 0.1 * i)
        assert bool(status & 8) is station.enabled is True and fault == 0
        target, speed, control = struct.unpack_from(">iHH", struct.pack(">18H", *commands), 8 * i)
        assert (target, speed, control) == (68000 + 1000 * i, 5000, 1)


async def test_another_rtu_implementation_reads_what_the_controller_reads() -> None:
    """minimalmodbus on the pseudo-terminal that our own transport uses before and after it."""
    async with Simulated(FRAME, seed=3, pty=True) as sim:
        clock = VirtualClock(0.0, sim.advance)
        async with ModbusFrame(sim.file, clock) as frame:
            await pulled(sim, frame, clock)
            ours = await frame.read()

        def others() -> tuple[list[float], list[float], int, str]:
            line = minimalmodbus.Instrument(sim.path, 1)
            line.serial.baudrate, line.serial.timeout = 115200, 1.0
            loads = [line.read_long(10 + 6 * i, functioncode=4, signed=True) / 100 for i in range(4)]
            positions = [line.read_long(12 + 6 * i, functioncode=4, signed=True) / 10000 for i in range(4)]
            owner, name = line.read_register(4, functioncode=4), line.read_string(200, 16, functioncode=4)
            with pytest.raises(minimalmodbus.IllegalRequestError):
                line.read_register(300, functioncode=4)
            line.write_registers(17, [0])  # gives the frame back
            line.serial.close()
            return loads, positions, owner, name.strip("\0")

        loads, positions, owner, name = await asyncio.to_thread(others)
        async with ModbusFrame(sim.file, clock) as frame:
            again = await frame.read()
    assert loads == pytest.approx([s.load_N for s in ours.stations])
    assert positions == pytest.approx([s.position_mm for s in ours.stations])
    assert (owner, name, again.owner_token) == (TOKEN, "longhold simulated frame", 0)


async def test_time_told_and_not_yet_answered_is_lived_before_the_next_reading() -> None:
    async with start_simulated(FRAME, seed=1) as sim:
        clock = VirtualClock(0.0, sim.advance)
        async with ModbusFrame(sim.file, clock) as frame:
            for i in range(1, 200):
                await clock.sleep_until(0.25 * i)
                assert (await frame.read()).frame_ms == 250 * i


async def test_a_simulated_frame_ends_with_whoever_started_it() -> None:
    sim = start_simulated(FRAME)
    async with sim:
        process = sim._process
        assert process is not None and process.returncode is None
        with pytest.raises(ValueError, match="needs a station"):
            await sim.side.cue(Cue.STALL)
    assert process.returncode == 0
    with pytest.raises(LineTrouble, match="has ended"):
        await sim.advance(1.0)


async def test_a_bad_frame_file_is_refused_before_a_process_is_started(tmp_path: Path) -> None:
    path = tmp_path / "f.toml"
    path.write_text("name = 'x'\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"f\.toml: key '\w+' is missing"):
        async with start_simulated(path):
            pass


async def test_a_port_that_is_taken_is_named() -> None:
    async with served(frame_file(1)) as (file, _):
        taken = int(file.link.port)
        with pytest.raises(InputError, match=f"cannot listen on 127.0.0.1:{taken}.*--port"):
            await serve(frame_file(1), seed=0, port=taken, ready=lambda where: None)


@pytest.mark.parametrize("order", ["ABCD", "CDAB", "BADC", "DCBA"])
@pytest.mark.parametrize("kind", ["int32", "float32"])
async def test_every_order_and_kind_goes_through_the_whole_path(order: str, kind: str) -> None:
    scale = "" if kind == "float32" else ", scale = 0.0001"
    file = frame_file(
        2,
        {
            'order = "ABCD" ': f'order = "{order}" ',
            'move_target = { address = 0, type = "int32", scale = 0.0001 }': (
                f'move_target = {{ address = 0, type = "{kind}"{scale} }}'
            ),
            'position = { table = "input", address = 12, type = "int32", scale = 0.0001 }': (
                f'position = {{ table = "input", address = 12, type = "{kind}"{scale} }}'
            ),
        },
    )
    async with served(file) as (led, side):
        clock = VirtualClock(0.0, side.advance)
        async with ModbusFrame(led, clock) as frame:
            await frame.claim(TOKEN)
            for _ in range(40):
                await frame.write([Command(station=1, enable=True, target_mm=1.2345, speed_mm_per_s=0.5)])
                await clock.sleep_until(clock.now_s() + 0.1)
                reading = await frame.read()
            assert reading.stations[1].position_mm == pytest.approx(1.2345, abs=1e-4)
            assert reading.stations[0].position_mm == 0.0
            assert reading.frame_ms == 4000


async def test_stations_on_several_devices_of_one_serial_line_are_one_frame() -> None:
    file = frame_file(2, {'name = "B"\n': 'name = "B"\ndevice = 2\n'})
    async with served(file, pty=True) as (led, side):
        clock = VirtualClock(0.0, side.advance)
        async with ModbusFrame(led, clock) as frame:
            assert frame.requests_per_read == 2
            await frame.claim(TOKEN)
            for _ in range(20):
                await frame.write([Command(station=1, enable=True, target_mm=1.0, speed_mm_per_s=1.0)])
                await clock.sleep_until(clock.now_s() + 0.1)
                reading = await frame.read()
            assert [s.position_mm for s in reading.stations] == pytest.approx([0.0, 1.0])


async def test_zero_and_span_of_the_frame_file_correct_what_the_cell_reads() -> None:
    file = frame_file(1, {"range_N = 2500 }": "range_N = 2500, zero_N = 100.0, span = 0.5 }"})
    async with served(file) as (led, side):
        clock = VirtualClock(0.0, side.advance)
        async with ModbusFrame(led, clock) as frame, Transport(led.link) as raw:
            await clock.sleep_until(1.0)
            load = (await frame.read()).stations[0].load_N
            words = await raw.read(Block(device=1, table="input", address=10, count=2))
    assert abs(load) < 3.0
    assert (words[0] << 16 | words[1]) / 100 == pytest.approx(100.0 + 2 * load, abs=0.011)


async def test_a_command_of_one_station_leaves_the_others_registers_alone() -> None:
    """Enable bits of two stations in one word: commanding one must not switch the other off."""
    text = invented_frame_text(2)
    text = text.replace("enable = { address = 3, bit = 0 }\nfault_reset = { address = 3, bit = 1 }\n", "")
    for name, bit in (("A", 0), ("B", 2)):
        text = text.replace(
            f'name = "{name}"\n',
            f'name = "{name}"\nregisters.enable = {{ address = 30, bit = {bit} }}\n'
            f"registers.fault_reset = {{ address = 30, bit = {bit + 1} }}\n",
        )
    async with served(frame_from_text(text, Path("f"))) as (led, side):
        clock = VirtualClock(0.0, side.advance)
        async with ModbusFrame(led, clock) as frame:
            await frame.claim(TOKEN)
            await frame.write([Command(station=0, enable=True, target_mm=1.0, speed_mm_per_s=0.5)])
            await frame.write([Command(station=1, enable=True, target_mm=1.0, speed_mm_per_s=0.5)])
            await clock.sleep_until(0.1)
            assert (await side.truth())["enabled"] == [True, True]
            await frame.write([Command(station=1, enable=False, target_mm=1.0, speed_mm_per_s=0.5)])
            assert (await side.truth())["enabled"] == [True, False]


async def test_a_frame_that_does_not_take_our_token_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    async def nothing(role: str, value: int) -> None:
        return None

    async with served(frame_file(1)) as (led, side):
        clock = VirtualClock(0.0, side.advance)
        async with ModbusFrame(led, clock) as frame:
            monkeypatch.setattr(frame, "_set", nothing)
            with pytest.raises(FrameFault, match="did not take our token: it shows 0, we wrote 77"):
                await frame.claim(TOKEN)


async def test_absent_roles_are_filled_in_as_their_cost_says() -> None:
    text = invented_frame_text(1)
    gone = ("deadman_ms", "device_counter", "owner", "max_load", "max_speed", "air_temperature", "guard", "power_ok",
            "local_remote", "owner_token", "moving", "enabled", "load_fault", "position_valid", "limit_low",
            "limit_high", "drive_fault", "fault_reset", "move_speed", "frame_temperature", "lamp", "identity", "serial")  # fmt: skip
    lines = [line for line in text.splitlines() if not any(line.startswith(f"{role} = {{") for role in gone)]
    names = ", ".join(f'"{g}"' for g in gone)
    text = "\n".join(lines).replace('absent = ["brake", "cabinet"]', f'absent = ["brake", "cabinet", {names}]')
    async with served(frame_from_text(text, Path("f"))) as (led, side):
        clock = VirtualClock(0.0, side.advance)
        async with ModbusFrame(led, clock) as frame:
            assert await frame.identify() == (None, None)
            await frame.claim(TOKEN)
            await frame.write([Command(station=0, enable=True, target_mm=2.0, speed_mm_per_s=0.1)])
            await clock.sleep_until(1.0)
            reading = await frame.read()
            assert reading.stations[0].position_mm == pytest.approx(1.0)  # at the drive's own speed of 1 mm/s
            assert reading.stations[0].moving and reading.stations[0].enabled
            await clock.sleep_until(3.0)
            await frame.read()
            reading = await frame.read()
    assert reading.deadman_ms == 3500 and reading.owner_token == TOKEN and reading.max_load_N is None
    assert reading.air_temperature_C is None and reading.guard_closed and reading.power_ok and not reading.local
    station = reading.stations[0]
    assert station.position_valid and not station.load_fault and not station.moving and station.drive_fault == 0


async def test_a_float_that_is_no_number_becomes_a_fault_and_not_a_load() -> None:
    file = frame_file(1, {'load = { table = "input", address = 10, type = "int32", scale = 0.01 }':
                          'load = { table = "input", address = 10, type = "float32" }'})  # fmt: skip
    async with served(file) as (led, side):
        clock = VirtualClock(0.0, side.advance)
        async with ModbusFrame(led, clock) as frame:
            before = (await frame.read()).stations[0]
            read = frame.transport.read

            async def with_nan(block):  # type: ignore[no-untyped-def]
                words = list(await read(block))
                words[10:12] = [0x7FC0, 0]
                return words

            frame.transport.read = with_nan  # type: ignore[method-assign]
            after = (await frame.read()).stations[0]
    assert not before.load_fault and abs(before.load_N) < 3.0
    assert after.load_fault and after.load_N != after.load_N


async def test_a_counter_of_sixteen_bits_and_slow_counts_wraps_without_alarm_and_still_shows_old_values() -> None:
    """10 ms a count, 65536 counts: wraps after 655.36 s."""
    file = frame_file(1, {'device_counter = { table = "input", address = 2, type = "uint32" }':
                          'device_counter = { table = "input", address = 2, scale = 10 }'})  # fmt: skip
    async with served(file) as (led, side):
        clock = VirtualClock(0.0, side.advance)
        async with ModbusFrame(led, clock) as frame:
            for i in range(1, 150):
                await clock.sleep_until(5.0 * i)
                reading = await frame.read()
            assert reading.frame_ms == 745_000, "a wrap is unrolled: device time only goes on"
            await side.cue(Cue.STALE)
            await clock.sleep_until(750.0)
            with pytest.raises(LineTrouble, match="stale"):
                await frame.read()
