"""Answers Modbus messages from a register image, over TCP or RTU on a pseudo-terminal; shows the link's faults on cue.

Frames and messages are coded by pymodbus.
"""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import Callable
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerBase, FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU

from bench.clock import RealClock
from bench.cues import LINK_CUES, Cue
from bench.image import RegisterImage
from bench.registers import Table
from bench.transport import BITS_PER_CHARACTER, silence_s

_TABLE: dict[int, Table] = {
    1: "coil",
    2: "discrete",
    3: "holding",
    4: "input",
    5: "coil",
    6: "holding",
    15: "coil",
    16: "holding",
    23: "holding",
}


class _Context:
    """What pymodbus's messages ask for their values."""

    def __init__(self, image: RegisterImage) -> None:
        self._image = image

    async def async_getValues(self, device: int, function: int, address: int, count: int = 1) -> Any:
        table = _TABLE[function]
        values = self._image.read(device, table, address, count)
        if values is None:
            return ExcCodes.ILLEGAL_ADDRESS
        return [bool(v) for v in values] if table in ("coil", "discrete") else values

    async def async_setValues(self, device: int, function: int, address: int, values: Any) -> Any:
        good = self._image.write(device, _TABLE[function], address, [int(v) for v in values])
        return None if good else ExcCodes.ILLEGAL_ADDRESS


class Responder:
    """Answers Modbus messages from a plant, and shows the link's faults on cue."""

    def __init__(self, image: RegisterImage, before: Callable[[], None], answer_s: float = 0.0) -> None:
        """``before`` is called ahead of each message: it brings the plant up to the present; ``answer_s``: what each
        answer takes.
        """
        self.image, self._before = image, before
        self._decoder = DecodePDU(True)
        self._context: Any = _Context(image)
        self.messages = 0
        self._answer_s = answer_s

    def answer(self, message: bytes, device: int) -> bytes | None:
        """The answer to one message (function and data, no frame around it); None: no answer.

        Checked in the order of V1.1b3, section 7: function (exception 1), quantity (3), address (2).
        """
        function = message[0]
        if function not in _TABLE:
            return bytes((function | 0x80, ExcCodes.ILLEGAL_FUNCTION))
        request = self._decoder.decode(message)
        if request is None:
            return bytes((function | 0x80, ExcCodes.ILLEGAL_VALUE))
        asked: Any = request.datastore_update(self._context, device)
        try:
            asked.send(None)
        except StopIteration as done:
            reply = done.value
        else:
            raise AssertionError("a register access does not wait")
        return bytes((reply.function_code,)) + bytes(reply.encode())

    def handle(self, message: bytes, device: int, framer: FramerBase, transaction: int) -> tuple[bytes, float] | None:
        """The framed answer and how late it goes out, s; None: no answer."""
        self._before()
        self.messages += 1
        cues = {c: v for (c, _), v in self.image.plant.cues.items() if c in LINK_CUES} if self.image.plant.cues else {}
        serial = isinstance(framer, FramerRTU)
        if Cue.SILENCE in cues:
            return None
        if device not in self.image.devices:
            if serial:
                if device == 0:  # broadcast: done by all, answered by none
                    for each in self.image.devices:
                        self.answer(message, each)
                return None
            return framer.encode(bytes((message[0] | 0x80, ExcCodes.GATEWAY_NO_RESPONSE)), device, transaction), 0.0
        if Cue.EXCEPTION in cues:
            reply: bytes | None = bytes((message[0] | 0x80, int(cues[Cue.EXCEPTION]) or 4))
        else:
            reply = self.answer(message, device)
        if reply is None:
            return None
        if Cue.SHORT in cues and reply[0] in (3, 4) and len(reply) > 4:
            reply = bytes((reply[0], reply[1] - 2)) + reply[2:-2]
        if Cue.FOREIGN_ANSWER in cues:
            device = device % 247 + 1
        framed = framer.encode(reply, device, transaction)
        if Cue.GARBAGE in cues:
            framed = framed[:-2] + bytes(b ^ 0x5A for b in framed[-2:]) if serial else framed[:7] + b"\x2b\xff\x00"
        return framed, cues.get(Cue.LATE, self._answer_s)


class TcpPort(asyncio.Protocol):
    """One master's connection."""

    def __init__(self, server: Responder, open_ports: set[asyncio.Transport]) -> None:
        self._server, self._open = server, open_ports
        self._framer = FramerSocket(DecodePDU(True))
        self._buffer = b""
        self._transport: Any = None

    def connection_made(self, transport: Any) -> None:
        self._transport = transport
        self._open.add(transport)

    def connection_lost(self, exc: Exception | None) -> None:
        self._open.discard(self._transport)

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        while len(self._buffer) >= 8:
            if self._buffer[2:4] != b"\0\0" or not 2 <= int.from_bytes(self._buffer[4:6], "big") <= 254:
                self._transport.abort()  # no Modbus frame: nothing after it can be trusted
                return
            used, device, transaction, message = self._framer.decode(self._buffer)
            if not used:
                return
            self._buffer = self._buffer[used:]
            answer = self._server.handle(message, device, self._framer, transaction)
            if answer is None:
                continue
            framed, late_s = answer
            if late_s:
                asyncio.get_running_loop().call_later(late_s, self._send, framed)
            else:
                self._transport.write(framed)

    def _send(self, framed: bytes) -> None:
        if not self._transport.is_closing():
            self._transport.write(framed)


class RtuPort:
    """The server's end of a pseudo-terminal; ``baud`` delays each answer as a line of that speed would."""

    def __init__(self, server: Responder, baud: int | None) -> None:
        self._server, self._baud = server, baud
        self._framer = FramerRTU(DecodePDU(True))
        self._buffer = b""
        self._heard_s = 0.0
        self._busy_until_s = 0.0
        self._clock = RealClock()
        self._master, self._slave = os.openpty()  # the other end stays open, or the first client to leave ends it
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        asyncio.get_running_loop().add_reader(self._master, self._readable)

    def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self._master)
        os.close(self._master)
        os.close(self._slave)

    def _readable(self) -> None:
        try:
            data = os.read(self._master, 1024)
        except BlockingIOError:
            return
        self.hear(data)

    def hear(self, data: bytes) -> None:
        """Take what came over the line, and answer it if it ends a frame for one of ours."""
        now_s = self._clock.now_s()
        if now_s - self._heard_s > 0.05:
            self._buffer = b""  # a frame that stopped half-way is none
        self._heard_s = now_s
        self._buffer += data
        used, device, _, message = self._framer.decode(self._buffer)
        if not used:
            return
        heard = len(self._buffer)
        self._buffer = self._buffer[used:]
        if not message:
            return  # wrong check sum: say nothing
        answer = self._server.handle(message, device, self._framer, 0)
        if answer is None:
            return
        framed, late_s = answer
        if self._baud is not None:
            # both frames at the speed of the line, and the silence by which a device knows that a request has ended
            late_s += (heard + len(framed)) * BITS_PER_CHARACTER / self._baud + silence_s(self._baud)
        # one device, one line: what is asked meanwhile waits its turn
        self._busy_until_s = max(now_s, self._busy_until_s) + late_s
        wait_s = self._busy_until_s - now_s
        if wait_s > 0:
            asyncio.get_running_loop().call_later(wait_s, self._send, framed)
        else:
            self._send(framed)

    def _send(self, framed: bytes) -> None:
        try:
            os.write(self._master, framed)
        except OSError:
            return  # closed meanwhile
