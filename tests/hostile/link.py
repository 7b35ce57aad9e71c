"""A Modbus peer that lies, stalls, splits, repeats and answers for others, and what the link makes of it.

    python -m tests.hostile.link --count 10000 --seed 1 [--serial]

Each request is answered truly or by one lie. Promises: a call ends within its deadline; it gives the words of *this*
request, or raises LineTrouble or FrameFault and nothing else; after a lie the next honest answer is taken; a request is
sent once; and what only reads never writes.

A serial line carries no number with an answer. After a time-out the link asks in another length for two seconds, so that
an answer to the request before does not fit; before a read of the longest length it asks a shorter one, which a device
that answers in turn cannot overtake. This peer answers out of turn, so that a late answer of the longest length may
still be taken; and a starved machine is later than two seconds. That is reported as broken here, with how many requests
it is behind; a frame's device counter is what finds it in a run.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import struct
import sys
import tty
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from random import Random
from typing import Any

from crccheck.crc import CrcModbus

from bench.clock import RealClock
from bench.errors import FrameFault, LineTrouble
from bench.frametable import SerialLink, TcpLink
from bench.registers import Block, Write
from bench.transport import Transport

TIMEOUT_S = 0.03
PATIENCE_S = 5.0  # a call that takes longer than this, on however busy a machine, hangs
WRITES = (5, 6, 15, 16, 22, 23)
TABLES = ("input", "holding")

LIES = (
    "truth", "truth", "split", "other transaction", "no transaction", "other unit", "other protocol", "long length",
    "short length", "no length", "other function", "exception", "odd exception", "fewer words", "more words",
    "wrong byte count", "silence", "half", "late", "twice", "last answer", "last answer, no transaction", "garbage",
    "garbage first", "flipped bit", "hang up", "empty", "another's answer too", "request echoed", "flood",
    "drip",
)  # fmt: skip
# lies that change what is inside a whole answer: over TCP there is no check sum that would show it
UNSEEN = ("flipped bit",)
SERIAL_LIES = (
    "truth", "truth", "split", "other unit", "other function", "exception", "fewer words", "more words",
    "wrong byte count", "silence", "half", "late", "twice", "garbage", "garbage first", "flipped bit", "wrong check sum",
    "empty", "flood", "drip",
)  # fmt: skip


class Peer:
    """Answers one request after the other as it is told to; what it answers truly depends on the request's number."""

    def __init__(self, rng: Random, *, serial: bool) -> None:
        self.rng, self.serial = rng, serial
        self.lie = "truth"
        self.requests = 0
        self.writes: list[bytes] = []
        self.words: list[int] = []  # the true ones of the request that came last
        self.told: dict[tuple[int, ...], int] = {}  # the true words of each request: its number
        self._last = b""  # the last true answer, framed

    def message(self, request: bytes) -> bytes:
        """The true answer to a request: function, then data."""
        function, address, count = struct.unpack_from(">BHH", request)
        self.requests += 1
        if function in WRITES:
            self.writes.append(request)
            return request[:5]
        self.words = [(self.requests * 257 + address + k) & 0xFFFF for k in range(count)]
        self.told[tuple(self.words[:1])] = self.requests  # as many of them as were asked for
        return struct.pack(f">BB{count}H", function, 2 * count, *self.words)

    def framed(
        self, message: bytes, transaction: int, unit: int, protocol: int = 0, length: int | None = None
    ) -> bytes:
        """With the header of TCP, or the check sum of a serial line."""
        if self.serial:
            data = bytes((unit,)) + message
            return data + int(CrcModbus.calc(data)).to_bytes(2, "little")
        return (
            struct.pack(">HHHB", transaction, protocol, len(message) + 1 if length is None else length, unit) + message
        )

    def answer(self, transaction: int, unit: int, request: bytes) -> list[bytes | float | None]:
        """What goes out: pieces, pauses in s, None to hang up."""
        rng, lie = self.rng, self.lie
        message = self.message(request)
        true = self.framed(message, transaction, unit)
        last, self._last = self._last, true
        other = (transaction + rng.choice((1, -1, 7, 256))) & 0xFFFF or 1
        cut = rng.randrange(len(true))
        junk = rng.randbytes(rng.choice((1, 3, 8, 40, 300)))
        fewer = bytes((message[0], max(0, message[1] - 2))) + message[2:-2]
        more = bytes((message[0], (message[1] + 2) & 0xFF)) + message[2:] + b"\x12\x34"
        flipped = bytearray(true)
        flipped[rng.randrange(len(true) if self.serial else 9, len(true) + 1) - 1] ^= 1 << rng.randrange(8)
        ways: dict[str, list[bytes | float | None]] = {
            "truth": [true],
            "split": [true[i : i + 1] for i in range(len(true))],
            "other transaction": [self.framed(message, other, unit)],
            "no transaction": [self.framed(message, 0, unit)],
            "other unit": [self.framed(message, transaction, unit % 247 + 1)],
            "other protocol": [self.framed(message, transaction, unit, protocol=rng.choice((1, 256, 65535)))],
            "long length": [self.framed(message, transaction, unit, length=len(message) + rng.choice((2, 9, 60000)))],
            "short length": [self.framed(message, transaction, unit, length=rng.choice((1, 2, len(message) - 1)))],
            "no length": [self.framed(message, transaction, unit, length=0)],
            "other function": [self.framed(bytes((rng.choice((1, 2, 3, 4, 7, 16, 23, 43, 99)),)) + message[1:],
                                           transaction, unit)],
            "exception": [self.framed(bytes((message[0] | 0x80, rng.choice((1, 2, 3, 4, 5, 6, 8, 10, 11)))),
                                      transaction, unit)],
            "odd exception": [self.framed(bytes((message[0] | 0x80, rng.randrange(256))) + junk[:3], transaction, unit)],
            "fewer words": [self.framed(fewer, transaction, unit)],
            "more words": [self.framed(more, transaction, unit)],
            "wrong byte count": [self.framed(bytes((message[0], rng.randrange(256))) + message[2:], transaction, unit)],
            "silence": [],
            "half": [true[:cut]],
            "late": [6 * TIMEOUT_S, true],
            "twice": [true, true],
            "last answer": [last or true],
            "last answer, no transaction": [b"\0\0" + (last or true)[2:]],
            "garbage": [junk],
            "garbage first": [junk[:9], true],
            "flipped bit": [bytes(flipped)],
            "wrong check sum": [true[:-1] + bytes((true[-1] ^ 0xFF,))],
            "hang up": [true[:cut], None],
            "empty": [self.framed(b"", transaction, unit)],
            "another's answer too": [self.framed(message, other, unit), true],
            "request echoed": [self.framed(request, transaction, unit)],
            "flood": [true[:cut], *[junk * 40] * 20],
            "drip": [x for i in range(min(12, len(true))) for x in (true[i : i + 1], 0.4 * TIMEOUT_S)],
        }  # fmt: skip
        return ways[lie]


@asynccontextmanager
async def lying_over_tcp(rng: Random) -> AsyncIterator[tuple[Peer, TcpLink]]:
    """The peer behind a port of loopback."""
    peer = Peer(rng, serial=False)
    clock = RealClock()

    async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                head = await reader.readexactly(7)
                transaction, _, length, unit = struct.unpack(">HHHB", head)
                request = await reader.readexactly(length - 1)
                for piece in peer.answer(transaction, unit, request):
                    if piece is None:
                        writer.transport.abort()
                        return
                    if isinstance(piece, float):
                        await clock.sleep_until(clock.now_s() + piece)
                    else:
                        writer.write(piece)
                        await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            pass  # the link let go, or the test is over
        finally:
            writer.close()

    server = await asyncio.start_server(connected, "127.0.0.1", 0)
    try:
        yield peer, TcpLink(kind="tcp", port=server.sockets[0].getsockname()[1], timeout_s=TIMEOUT_S)
    finally:
        server.close()


@asynccontextmanager
async def lying_over_serial(rng: Random) -> AsyncIterator[tuple[Peer, SerialLink]]:
    """The peer at the far end of a pseudo-terminal."""
    peer = Peer(rng, serial=True)
    loop = asyncio.get_running_loop()
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    heard = bytearray()
    later: list[asyncio.TimerHandle] = []

    def send(piece: bytes) -> None:
        try:
            os.write(master, piece)
        except OSError:
            return

    def readable() -> None:
        try:
            heard.extend(os.read(master, 1024))
        except BlockingIOError:
            return
        size = 8 if len(heard) < 7 or heard[1] != 16 else 9 + heard[6]
        if len(heard) < size:
            return
        unit, request = heard[0], bytes(heard[1 : size - 2])
        heard.clear()
        wait_s = 0.0
        for piece in peer.answer(0, unit, request):
            if isinstance(piece, float):
                wait_s += piece
            elif piece:
                later.append(loop.call_later(wait_s, send, piece))

    loop.add_reader(master, readable)
    link = SerialLink(
        kind="serial", port=os.ttyname(slave), baud=115200, parity="none", stop_bits=1, timeout_s=TIMEOUT_S
    )
    try:
        yield peer, link
    finally:
        for handle in later:
            handle.cancel()
        loop.remove_reader(master)
        os.close(master)
        os.close(slave)


async def throw(count: int, seed: int, *, serial: bool) -> tuple[Counter[str], list[str]]:
    """So many requests, each answered truly or by a lie: what came of them, and every promise broken."""
    rng = Random(f"link:{serial}:{seed}")
    ended: Counter[str] = Counter()
    broken: list[str] = []
    over: Any = lying_over_serial(rng) if serial else lying_over_tcp(rng)
    async with over as (peer, link), Transport(link) as transport:
        for number in range(count):
            peer.lie = rng.choice(SERIAL_LIES if serial else LIES)
            block = Block(
                device=1, table=rng.choice(TABLES), address=rng.randrange(200), count=rng.choice((1, 2, 4, 34, 125))
            )
            result, words = await _call(transport, block)
            ended[f"{peer.lie}: {result}"] += 1
            wrong = _wrong(peer, block, result, words)
            if peer.writes:
                wrong.append("a read sent a write")
                peer.writes.clear()
            honest, peer.lie = peer.lie, "truth"
            if result != "words":
                await transport.wait_connected(PATIENCE_S)
            for _ in range(3):  # on a busy machine an honest answer may come too late as well
                again, words = await _call(transport, block)
                if again != "line trouble":
                    break
                await transport.wait_connected(PATIENCE_S)
            if again != "words" or words != peer.words[: block.count]:
                wrong.append(f"the honest answer after it was not taken: {again}{_whose(peer, words)}")
            broken += [f"request {number}, {honest}: {w}" for w in wrong]
    return ended, broken


async def _call(transport: Transport, block: Block) -> tuple[str, list[int]]:
    try:
        async with asyncio.timeout(PATIENCE_S):
            return "words", list(await transport.read(block))
    except LineTrouble:
        return "line trouble", []
    except FrameFault:
        return "frame fault", []
    except TimeoutError:
        return f"no end within {PATIENCE_S:g} s", []
    except Exception as error:
        return f"{type(error).__name__}: {error}", []


def _whose(peer: Peer, words: list[int]) -> str:
    before = peer.requests - peer.told.get(tuple(words[:1]), peer.requests)
    return f" but those of {before} before" if before else ""


def _wrong(peer: Peer, block: Block, result: str, words: list[int]) -> list[str]:
    if result not in ("words", "line trouble", "frame fault"):
        return [result]
    if result == "words" and words != peer.words[: block.count] and (peer.serial or peer.lie not in UNSEEN):
        return [f"words that are not this request's{_whose(peer, words)}: {words[:3]} for {peer.words[:3]}"]
    if result == "frame fault" and peer.lie in ("truth", "split"):
        return ["a true answer was taken for a refusal"]
    return []


async def silent_writes(count: int, seed: int) -> list[str]:
    """A write is sent once, whatever its answer is."""
    rng = Random(f"writes:{seed}")
    broken = []
    async with lying_over_tcp(rng) as (peer, link), Transport(link) as transport:
        for number in range(count):
            peer.lie = rng.choice(LIES)
            lie, before = peer.lie, len(peer.writes)
            try:
                async with asyncio.timeout(PATIENCE_S):
                    await transport.write(
                        Write(
                            device=1,
                            table="holding",
                            address=rng.randrange(100),
                            words=(1, 2, 3)[: rng.randrange(1, 4)],
                        )
                    )
            except (LineTrouble, FrameFault):
                peer.lie = "truth"
                await transport.wait_connected(PATIENCE_S)
            except Exception as error:
                broken.append(f"write {number}, {lie}: {type(error).__name__}: {error}")
            if len(peer.writes) - before > 1:
                broken.append(f"write {number}, {lie}: sent {len(peer.writes) - before} times")
    return broken


def main() -> int:
    """Exit status 1 if any promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--serial", action="store_true")
    given = parser.parse_args()
    ended, broken = asyncio.run(throw(given.count, given.seed, serial=given.serial))
    for what, times in sorted(ended.items()):
        print(f"{times:7d}  {what}")
    if not given.serial:
        broken += asyncio.run(silent_writes(given.count // 10, given.seed))
    print(f"{given.count} requests, {len(broken)} promises broken")
    for line in broken[:40]:
        print(f"  {line}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
