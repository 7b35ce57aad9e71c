"""The link: what it does with answers that lie, stall, split or come late. The peers here are raw sockets."""

from __future__ import annotations

import asyncio
import socket
import struct
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager, closing, suppress
from dataclasses import replace
from random import Random

import pytest
from pyModbusTCP.server import DataBank, ModbusServer

from bench.clock import RealClock
from bench.cues import Cue
from bench.errors import FrameFault, LineTrouble
from bench.frametable import TcpLink
from bench.registers import Block, Write
from bench.simulated import Side
from bench.transport import EXTRA_S, Transport, silence_s, wire_s
from tests.bench.frames import frame_file, served

Peer = Callable[[bytes, asyncio.StreamWriter], Awaitable[None]]
BLOCK = Block(device=1, table="input", address=10, count=4)
GOOD = struct.pack(">BB4H", 4, 8, 1, 2, 3, 4)


def framed(request: bytes, message: bytes, *, transaction: int | None = None, unit: int = 1) -> bytes:
    """An MBAP header for the answer to a request."""
    number = int.from_bytes(request[:2], "big") if transaction is None else transaction
    return struct.pack(">HHHB", number, 0, len(message) + 1, unit) + message


@asynccontextmanager
async def peer(answer: Peer, timeout_s: float = 0.1) -> AsyncIterator[Transport]:
    """A transport opened to a server that does with each request what ``answer`` does."""

    async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while head := await reader.readexactly(7):
                body = await reader.readexactly(int.from_bytes(head[4:6], "big") - 1)
                await answer(head + body, writer)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(connected, "127.0.0.1", 0)
    link = TcpLink(kind="tcp", port=server.sockets[0].getsockname()[1], timeout_s=timeout_s)
    try:
        async with Transport(link) as transport:
            yield transport
    finally:
        server.close()
        await asyncio.sleep(0)


async def bad_answer(message: bytes, **how: int) -> str:
    """What the transport says of one bad answer to a read; and that it works again afterwards."""
    lies = True

    async def answer(request: bytes, writer: asyncio.StreamWriter) -> None:
        writer.write(framed(request, message, **how) if lies else framed(request, GOOD))

    async with peer(answer) as transport:
        with pytest.raises(LineTrouble) as caught:
            await transport.read(BLOCK)
        lies = False
        await transport.wait_connected(2.0)
        assert list(await transport.read(BLOCK)) == [1, 2, 3, 4]
    return str(caught.value)


@pytest.mark.parametrize(
    ("message", "how"),
    [
        (GOOD[:-2], {}),  # fewer bytes than the count says
        (struct.pack(">BB3H", 4, 6, 1, 2, 3), {}),  # fewer registers than asked
        (struct.pack(">BB5H", 4, 10, 1, 2, 3, 4, 5), {}),  # more
        (struct.pack(">BB4H", 3, 8, 1, 2, 3, 4), {}),  # another function's answer
        (GOOD, {"unit": 2}),  # another device's
        (GOOD, {"transaction": 60000}),  # the answer to another request
        (b"\x63\x01", {}),  # a function that does not exist
        (b"\x04", {}),  # no data at all
    ],
)
async def test_a_wrong_answer_is_line_trouble_and_the_next_right_one_is_taken(
    message: bytes, how: dict[str, int]
) -> None:
    assert await bad_answer(message, **how)


@pytest.mark.parametrize("message", [b"\x63\x01", GOOD[:-2]])
async def test_an_answer_that_cannot_be_decoded_is_told_at_once_and_not_waited_out(message: bytes) -> None:
    assert "an answer that is none" in await bad_answer(message)


async def test_an_answer_without_a_transaction_number_but_of_wrong_length_is_refused() -> None:
    assert "wrong answer" in await bad_answer(struct.pack(">BB3H", 4, 6, 1, 2, 3), transaction=0)


async def test_an_answer_in_pieces_is_put_together() -> None:
    async def answer(request: bytes, writer: asyncio.StreamWriter) -> None:
        for byte in framed(request, GOOD):
            writer.write(bytes((byte,)))
            await writer.drain()

    async with peer(answer) as transport:
        assert list(await transport.read(BLOCK)) == [1, 2, 3, 4]


async def test_a_late_answer_is_not_taken_for_the_next_requests_answer() -> None:
    calls = 0
    given_up = asyncio.Event()

    async def answer(request: bytes, writer: asyncio.StreamWriter) -> None:
        nonlocal calls
        calls += 1
        if calls == 1:
            await given_up.wait()
            writer.write(framed(request, struct.pack(">BB4H", 4, 8, 9, 9, 9, 9), transaction=0))
        else:
            writer.write(framed(request, GOOD))

    async with peer(answer) as transport:
        with pytest.raises(LineTrouble, match="no answer"):
            await transport.read(BLOCK)
        given_up.set()
        await transport.wait_connected(2.0)
        assert list(await transport.read(BLOCK)) == [1, 2, 3, 4]


async def test_on_a_serial_line_a_late_answer_is_waited_out() -> None:
    async with served(frame_file(2), pty=True, timeout_s=0.2) as (file, side), Transport(file.link) as transport:
        late = transport.deadline_s + 0.02  # comes while the line is drained
        await side.cue(Cue.LATE, None, late)
        with pytest.raises(LineTrouble, match="no answer"):
            await transport.read(Block(device=1, table="input", address=5, count=1))  # max_load, 2000
        await side.clear(Cue.LATE)
        assert list(await transport.read(Block(device=1, table="input", address=6, count=1))) == [1000]


LIMIT = Block(device=1, table="input", address=5, count=1)  # max_load, 2000; 6: max_speed, 1000
END = Block(device=1, table="input", address=216, count=8)  # the serial number, last of the table


async def too_late(transport: Transport, side: Side, block: Block, late_s: float) -> None:
    """A read whose answer comes ``late_s`` after the line has been drained for it."""
    await side.cue(Cue.LATE, None, transport.deadline_s - EXTRA_S + transport.drain_s + late_s)
    with pytest.raises(LineTrouble, match="no answer"):
        await transport.read(block)
    await side.clear(Cue.LATE)


@pytest.mark.parametrize("late_s", [0.05, 0.15])
async def test_on_a_serial_line_an_answer_later_than_the_draining_is_passed_over(late_s: float) -> None:
    """It is as long as the next one's, and no number stands in it: 2000 would be taken for the 1000 asked for."""
    async with served(frame_file(2), pty=True, timeout_s=0.2) as (file, side), Transport(file.link) as transport:
        for _ in range(3):
            await too_late(transport, side, LIMIT, late_s)
            assert list(await transport.read(replace(LIMIT, address=6))) == [1000]
            assert list(await transport.read(LIMIT)) == [2000]


async def test_however_late_a_device_answers_no_answer_is_taken_for_anothers() -> None:
    """It answers one request after the other; a refused read beyond its last register comes late as well."""
    rng, answered = Random(3), 0
    async with served(frame_file(2), pty=True, timeout_s=0.05) as (file, side), Transport(file.link) as transport:
        text = list(await transport.read(Block(device=1, table="input", address=200, count=24)))
        for _ in range(45):
            count = rng.choice((1, 2, 4))
            first = rng.randrange(25 - count)
            if late := rng.random() < 0.4:
                await side.cue(Cue.LATE, None, transport.deadline_s - EXTRA_S + rng.uniform(0.0, 0.3))
            with suppress(LineTrouble):
                words = await transport.read(Block(device=1, table="input", address=200 + first, count=count))
                assert list(words) == text[first : first + count]
                answered += 1
            if late:
                await side.clear(Cue.LATE)
    assert answered > 8


async def test_after_a_time_out_a_device_that_has_no_more_registers_is_asked_in_the_old_length() -> None:
    async with served(frame_file(2), pty=True, timeout_s=0.2) as (file, side), Transport(file.link) as transport:
        good = list(await transport.read(END))
        with pytest.raises(FrameFault, match="illegal data address"):
            await transport.read(replace(END, count=9))
        await too_late(transport, side, END, 0.05)
        assert list(await transport.read(END)) == good


async def test_the_longest_read_is_preceded_by_a_shorter_one_after_a_time_out() -> None:
    async with served(frame_file(2), pty=True, timeout_s=0.2) as (file, side):
        link = file.link.model_copy(update={"most_registers": 8})
        async with Transport(link) as transport:
            block = Block(device=1, table="input", address=0, count=8)
            await too_late(transport, side, block, 0.05)
            before = transport.requests
            assert len(await transport.read(block)) == 8
            assert transport.requests == before + 2


async def test_nothing_is_asked_otherwise_while_the_line_is_good_nor_long_after(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("bench.transport.OWED_S", 0.3)
    asked: list[int] = []
    async with served(frame_file(2), pty=True, timeout_s=0.2) as (file, side), Transport(file.link) as transport:
        once = transport._read_once

        async def noted(block: Block) -> Sequence[int]:
            asked.append(block.count)
            return await once(block)

        monkeypatch.setattr(transport, "_read_once", noted)
        await transport.read(LIMIT)
        await too_late(transport, side, LIMIT, 0.0)
        await transport.read(LIMIT)
        await transport.read(LIMIT)
        await RealClock().sleep_until(RealClock().now_s() + 0.31)
        await transport.read(LIMIT)
    assert asked[:3] == [1, 1, 2] and asked[-1] == 1


async def test_silence_ends_within_the_stated_time() -> None:
    async def answer(request: bytes, writer: asyncio.StreamWriter) -> None:
        return None

    clock = RealClock()
    async with peer(answer) as transport:
        began_s = clock.now_s()
        with pytest.raises(LineTrouble, match=r"no answer .*within"):
            await transport.read(BLOCK)
        assert clock.now_s() - began_s < transport.worst_s + 0.5


async def test_a_connection_dropped_in_a_call_is_reported_and_comes_back_by_itself() -> None:
    drop = True

    async def answer(request: bytes, writer: asyncio.StreamWriter) -> None:
        if drop:
            writer.transport.abort()
        else:
            writer.write(framed(request, GOOD))

    async with peer(answer) as transport:
        with pytest.raises(LineTrouble):
            await transport.read(BLOCK)
        drop = False
        await transport.wait_connected(2.0)
        assert list(await transport.read(BLOCK)) == [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("code", "kind", "words"),
    [(1, FrameFault, "illegal function"), (2, FrameFault, "illegal data address"), (4, FrameFault, "device failure"),
     (6, LineTrouble, "device busy"), (11, LineTrouble, "gateway target did not respond"),
     (77, FrameFault, "not in the standard")],
)  # fmt: skip
async def test_an_exception_answer_says_what_the_standard_calls_it(
    code: int, kind: type[Exception], words: str
) -> None:
    async def answer(request: bytes, writer: asyncio.StreamWriter) -> None:
        writer.write(framed(request, bytes((request[7] | 0x80, code))))

    async with peer(answer) as transport:
        with pytest.raises(kind, match=f"exception {code}, {words}"):
            await transport.read(BLOCK)


async def test_a_write_that_is_echoed_for_another_place_is_line_trouble() -> None:
    async def answer(request: bytes, writer: asyncio.StreamWriter) -> None:
        writer.write(framed(request, struct.pack(">BHH", 16, 8, 2)))

    async with peer(answer) as transport:
        with pytest.raises(LineTrouble, match="answered for 2 at 8"):
            await transport.write(Write(device=1, table="holding", address=7, words=(1, 2)))


async def test_a_write_is_sent_once_even_when_it_is_not_answered() -> None:
    seen: list[bytes] = []

    async def answer(request: bytes, writer: asyncio.StreamWriter) -> None:
        seen.append(request)

    async with peer(answer) as transport:
        with pytest.raises(LineTrouble):
            await transport.write(Write(device=1, table="holding", address=7, words=(1, 2)))
    assert len(seen) == 1 and seen[0][7:] == struct.pack(">BHHBHH", 16, 7, 2, 4, 1, 2)


async def test_a_frame_that_is_not_there_is_named() -> None:
    with closing(socket.socket()) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(LineTrouble, match=f"127.0.0.1:{port}.*reachable"):
        async with Transport(TcpLink(kind="tcp", port=port)):
            pass


async def test_another_implementations_server_is_read_and_written() -> None:
    """pyModbusTCP, an independent library, holds the registers."""
    bank = DataBank()
    bank.set_input_registers(10, [1, 65535, 0x42F6, 0xE979])
    bank.set_discrete_inputs(3, [True, False, True])
    server = ModbusServer("127.0.0.1", 0, no_block=True, data_bank=bank)
    started = threading.Event()
    with closing(socket.socket()) as free:
        free.bind(("127.0.0.1", 0))
        server.port = free.getsockname()[1]
    await asyncio.to_thread(server.start)
    started.set()
    try:
        async with Transport(TcpLink(kind="tcp", port=server.port)) as transport:
            assert list(await transport.read(BLOCK)) == [1, 65535, 17142, 59769]
            bits = await transport.read(Block(device=1, table="discrete", address=3, count=3))
            assert list(bits) == [1, 0, 1]
            await transport.write(Write(device=1, table="holding", address=7, words=(500, 600)))
            await transport.write(Write(device=1, table="coil", address=2, words=(1, 0, 1)))
            assert bank.get_holding_registers(7, 2) == [500, 600]
            assert bank.get_coils(2, 3) == [True, False, True]
    finally:
        await asyncio.to_thread(server.stop)


def test_the_wire_time_of_a_tick_is_that_of_its_characters() -> None:
    """Read 8 and write 2 registers at 9600 baud: 50 octets of 11 bits and four silences of 3.5 characters, 73 ms."""
    octets = (8 + 21) + (13 + 8)
    assert wire_s(9600, octets) + 4 * silence_s(9600) == pytest.approx(0.0733, abs=1e-4)
