"""A device that lies: counters that wrap, read-backs that are no numbers, any words at all in its registers."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from bench.clock import VirtualClock
from bench.errors import FrameFault
from bench.machine import RunState, StationState
from bench.modbusframe import ModbusFrame
from bench.recorder import Recorder, finish
from bench.registers import text_to_words
from bench.runfile import read_run
from bench.runner import prepare, run_program
from bench.start import run_header
from tests.bench.fake_frame import Memory, make_program
from tests.bench.frames import TOKEN, frame_file, served


async def test_a_run_goes_on_over_the_wrap_of_a_counter_of_sixteen_bits() -> None:
    """1 ms a count: wraps each 65.5 s, which must not be taken for a restarted controller."""
    file = frame_file(1, {'device_counter = { table = "input", address = 2, type = "uint32" }':
                          'device_counter = { table = "input", address = 2 }'})  # fmt: skip
    what = make_program("seat seconds=2", "hold load_N=300 rate_N_per_s=20 hours=0.04", "unload")
    async with served(file) as (led, side):
        clock = VirtualClock(1.8e9, side.advance)
        async with ModbusFrame(led, clock) as frame:
            prepared = await prepare(frame, what, TOKEN)
            outcome = await run_program(frame, clock, what, Memory(), prepared)
    assert outcome.finished and outcome.run_s > 2 * 65.6, outcome.message


async def test_another_frame_than_the_files_own_is_not_claimed() -> None:
    file = frame_file(1)
    async with served(file) as (led, side):
        clock = VirtualClock(1.8e9, side.advance)
        for serial, words in (
            ("OTHER-9", "OTHER-9, the frame file is of INVENTED-1"),
            ("", None),
            ("INVENTED-1", None),
        ):
            async with ModbusFrame(led, clock) as frame:
                read = frame.transport.read

                async def named(block, read=read, serial=serial):  # type: ignore[no-untyped-def]
                    words = list(await read(block))
                    return text_to_words(serial, block.count) if block.address == 216 else words

                frame.transport.read = named  # type: ignore[method-assign]
                if words is None:
                    await frame.claim(TOKEN)
                    await frame.release()
                    continue
                with pytest.raises(FrameFault, match=words):
                    await frame.claim(TOKEN)
                assert (await side.truth())["owner"] == 0, "nothing was written"


@pytest.mark.parametrize(
    ("bits", "what"),
    [(0x7FC00000, "not a number"), (0x7F800000, "infinite"), (0x7F7FFFFF, "larger than anything")],
    ids=lambda x: str(x),
)
async def test_a_deadman_that_is_read_back_as_no_number_is_not_taken_for_the_right_one(bits: int, what: str) -> None:
    file = frame_file(1, {'deadman_ms = { table = "input", address = 1 }':
                          'deadman_ms = { table = "input", address = 800, type = "float32" }'})  # fmt: skip
    async with served(file) as (led, side):
        clock = VirtualClock(1.8e9, side.advance)
        async with ModbusFrame(led, clock) as frame:
            assert (await frame.read()).deadman_ms == 3500
            read = frame.transport.read

            async def lying(block):  # type: ignore[no-untyped-def]
                words = list(await read(block))
                if block.address <= 800 < block.address + block.count:
                    words[800 - block.address : 802 - block.address] = [bits >> 16, bits & 0xFFFF]
                return words

            frame.transport.read = lying  # type: ignore[method-assign]
            assert (await frame.read()).deadman_ms == 0
            with pytest.raises(FrameFault, match="deadman reads 0 ms"):
                await prepare(frame, make_program("seat"), TOKEN)


async def test_whatever_a_lying_device_says_the_loop_ends_in_a_fault_and_its_record_is_whole(tmp_path: Path) -> None:
    """Every register of a reading gets any words at all: no value may break the loop or the journal."""
    file = frame_file(2, {'load = { table = "input", address = 10, type = "int32", scale = 0.01 }':
                          'load = { table = "input", address = 10, type = "float32" }'})  # fmt: skip
    rng, what = random.Random(5), make_program("seat seconds=1", "hold load_N=300 hours=1", stations=2)
    words = (0, 1, 0x7FFF, 0x8000, 0xFFFF, 0x7F7F, 0x7F80, 0x7FC0, 0xFF80)
    for n in range(25):
        async with served(file) as (led, side):
            clock = VirtualClock(1.8e9, side.advance)
            async with ModbusFrame(led, clock) as frame:
                read = frame.transport.read
                prepared = await prepare(frame, what, TOKEN)

                async def lying(block, read=read, clock=clock):  # type: ignore[no-untyped-def]
                    found = list(await read(block))
                    if clock.now_s() < 3.0 or len(found) < 10:
                        return found
                    for _ in range(rng.randrange(1, 6)):  # not the interlocks and the counter: they end the run at once
                        at = rng.randrange(10, len(found))
                        found[at] = rng.choice(words)
                    return found

                frame.transport.read = lying  # type: ignore[method-assign]
                run = tmp_path / f"{n}.h5"
                header = run_header(
                    what, file.facts, frame_text=file.text, frame_where="f", token=TOKEN, start_utc=1.8e9
                )
                with Recorder.create(run, header, live=False) as recorder:
                    outcome = await run_program(frame, clock, what, recorder, prepared)
                assert outcome.state in (RunState.FAULTED, RunState.LINK_LOST)
                assert all(s.faults for s in outcome.stations)
        finish(run, keep_journal=False)
        assert read_run(run).stations["A"].columns["time"].size > 20
        truth = outcome.stations
        assert not any(s.state in (StationState.HOLDING, StationState.SEATING, StationState.RAMPING) for s in truth)
