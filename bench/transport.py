"""The link to a frame over Modbus TCP or a serial line: checked requests with a deadline; the only pymodbus client.

What the library does not do is done here: each answer is checked for device, function, length and echo; a call never
outlives its deadline; after a time-out the line is drained, because a late answer would be taken for the next one's.
An answer on a serial line carries no number: for a while after a time-out, a read of the same length from the same
device is asked in another length, so that an answer later than the draining does not fit it and is passed over.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from types import TracebackType
from typing import Any, Self

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException, ModbusIOException
from pymodbus.pdu import ModbusPDU

from bench.clock import RealClock
from bench.errors import FrameFault, LineTrouble
from bench.framefile import SerialLink, TcpLink
from bench.registers import BIT_TABLES, LAST_ADDRESS, MOST_BITS_READ, Block, Write

RECONNECT_S = 0.1
RECONNECT_MOST_S = 0.5
OPEN_S = 3.0  # opening a link is not pressed for time
EXTRA_S = 0.05  # a call's deadline beyond the library's own time-out
OWED_S = 2.0  # an answer later than this is found by the device counter: bench.freshness takes nothing older than 1 s
BITS_PER_CHARACTER = 11  # RTU: start, 8 data, parity or second stop bit, stop (Serial Line V1.02, 2.5.1)

EXCEPTIONS = {  # V1.1b3, section 7
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledge, not done yet",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target did not respond",
}
_LINE_EXCEPTIONS = (5, 6, 10, 11)
_READ_FUNCTION = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}

# the library prints what this file already turns into one plain message
logging.getLogger("pymodbus.logging").addHandler(logging.NullHandler())
logging.getLogger("pymodbus.logging").propagate = False


def silence_s(baud: int) -> float:
    """Least silence between RTU frames: 3.5 characters, 1.75 ms above 19200 baud (Serial Line V1.02, 2.5.1.1)."""
    return 1.75e-3 if baud > 19200 else 3.5 * BITS_PER_CHARACTER / baud


def wire_s(baud: int, octets: int) -> float:
    """Time that so many octets take on an RTU line."""
    return octets * BITS_PER_CHARACTER / baud


Shape = tuple[int, int, int]  # of the answer to a read: device, function, registers or octets of bits (refused: none)


def _shape(block: Block) -> Shape:
    """What tells one answer on a serial line from another: the device, the function, and how long it is."""
    size = (block.count + 7) // 8 if block.table in BIT_TABLES else block.count
    return block.device, _READ_FUNCTION[block.table], size


class Transport:
    """Requests to the devices behind one link; one at a time, each with a deadline."""

    def __init__(self, link: TcpLink | SerialLink) -> None:
        self.link = link
        self._serial = isinstance(link, SerialLink)
        self._client: Any = None
        self._lock = asyncio.Lock()
        self._clock = RealClock()  # the line lives in real time, also where a frame is rehearsed in virtual time
        self._quiet_from_s = 0.0  # when the line was last heard or spoken to
        self._owed: dict[Shape, float] = {}  # serial: unanswered reads -> until when their answers may still come
        self._waits_for: Shape | None = None  # serial: the read that is being asked
        self.requests = 0

    @property
    def name(self) -> str:
        """The link as a person would write it."""
        if isinstance(self.link, SerialLink):
            return f"{self.link.port} at {self.link.baud} baud"
        return f"{self.link.host}:{self.link.port}"

    @property
    def deadline_s(self) -> float:
        """An answer that takes longer is none: time-out, wire time of the longest frames, and a margin."""
        wire = 2 * wire_s(self.link.baud, 256) if isinstance(self.link, SerialLink) else 0.0
        return self.link.timeout_s + wire + EXTRA_S

    @property
    def drain_s(self) -> float:
        """How long a serial line is left alone after a missing or wrong answer."""
        return max(self.link.timeout_s, wire_s(self.link.baud, 256)) if isinstance(self.link, SerialLink) else 0.0

    @property
    def worst_s(self) -> float:
        """No request takes longer, whatever the line does."""
        return self.deadline_s + self.drain_s

    async def __aenter__(self) -> Self:
        self._client = self._make_client()
        line = self._client.ctx.comm_params
        answer_s, line.timeout_connect = line.timeout_connect, OPEN_S  # one setting of the library for both
        try:
            connected = await self._client.connect()
        except Exception as error:
            hint = '; a pseudo-terminal takes only link.parity = "none"' if "/pts/" in self.name else ""
            raise LineTrouble(f"{self.name}: cannot be opened: {error}{hint}") from None
        finally:
            line.timeout_connect = answer_s
        if not connected:
            self._client.close()
            raise LineTrouble(
                f"{self.name}: cannot be opened: "
                + ("is the port there, free, and yours to use?" if self._serial else "is the frame on and reachable?")
            )
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None

    def _make_client(self) -> Any:
        link = self.link
        common: dict[str, Any] = {
            "timeout": self.deadline_s - EXTRA_S,
            "retries": 0,  # a repeated write could repeat a move
            "reconnect_delay": RECONNECT_S,
            "reconnect_delay_max": RECONNECT_MOST_S,
        }
        if isinstance(link, SerialLink):
            stop_bits = link.stop_bits or (2 if link.parity == "none" else 1)
            client: Any = AsyncModbusSerialClient(
                link.port, baudrate=link.baud, parity=link.parity[0].upper(), stopbits=stop_bits, **common
            )
        else:
            client = AsyncModbusTcpClient(link.host, port=link.port, **common)
        client.set_max_no_responses(1_000_000)  # silence is ours to judge; the library must not close the line for it
        _fail_at_once(client, self._was_owed)
        return client

    async def read(self, block: Block) -> Sequence[int]:
        """The words (or bits) of one block, as many as asked.

        Raises
        ------
        LineTrouble
            No answer, a wrong one, or a gateway's exception.
        FrameFault
            The device refused.
        """
        other = self._in_another_length(block)
        if other is None:
            return await self._read(block)
        try:
            words = await self._read(other)
        except FrameFault:  # there is nothing beyond it; but the device has answered, so nothing earlier will come
            words = ()
        except LineTrouble:  # that it refuses may come late as well
            self._owed[block.device, _READ_FUNCTION[block.table] | 0x80, 0] = self._clock.now_s() + OWED_S
            raise
        return words[: block.count] if other.count > block.count and words else await self._read(block)

    def _in_another_length(self, block: Block) -> Block | None:
        """A read from the same place whose answer cannot be one that is still owed; None where nothing is owed."""
        now_s = self._clock.now_s()
        self._owed = {shape: until_s for shape, until_s in self._owed.items() if until_s > now_s}
        if _shape(block) not in self._owed:
            return None
        bits = block.table in BIT_TABLES
        step, most = (8, MOST_BITS_READ) if bits else (1, self.link.most_registers)
        most = min(most, LAST_ADDRESS + 1 - block.address)
        longer = range(block.count + step, most + 1, step)
        shorter = range(block.count - step, 0, -step)
        others = (replace(block, count=count) for count in (*longer, *shorter))
        return next((other for other in others if _shape(other) not in self._owed), None)

    async def _read(self, block: Block) -> Sequence[int]:
        if not self._serial:
            return await self._read_once(block)
        self._waits_for = _shape(block)
        try:
            return await self._read_once(block)
        except LineTrouble:
            self._owed[_shape(block)] = self._clock.now_s() + OWED_S
            raise
        finally:
            self._waits_for = None

    def _was_owed(self, answer: ModbusPDU) -> bool:
        """Whether this is the late answer to an earlier read while another is waited for; it is then owed no more."""
        if self._waits_for is None:
            return False
        size = len(answer.registers) or len(answer.bits) // 8
        shape = (answer.dev_id, answer.function_code, size)
        return shape != self._waits_for and self._owed.pop(shape, None) is not None

    async def _read_once(self, block: Block) -> Sequence[int]:
        client, function = self._client, _READ_FUNCTION[block.table]
        call = {
            1: client.read_coils,
            2: client.read_discrete_inputs,
            3: client.read_holding_registers,
            4: client.read_input_registers,
        }[function]
        answer = await self._ask(
            lambda: call(block.address, count=block.count, device_id=block.device),
            f"read of {block.count} from {block.table} {block.address} of device {block.device}",
            function,
            block.device,
        )
        values: Sequence[int]
        if function <= 2:
            values = [int(b) for b in answer.bits]
            expected = (block.count + 7) // 8 * 8
            good = len(values) == expected
            values = values[: block.count]
        else:
            values = answer.registers
            good = len(values) == block.count
        if not good:
            await self._drain()
            raise LineTrouble(
                f"{self.name}: asked device {block.device} for {block.count} from {block.table} {block.address}, "
                f"got {len(answer.registers or answer.bits)}: a wrong answer"
            )
        return values

    async def write(self, write: Write) -> None:
        """Write one run of registers or coils; raises as `read` does."""
        client = self._client
        function = 15 if write.table == "coil" else 16
        what = f"write of {len(write.words)} to {write.table} {write.address} of device {write.device}"
        if function == 15:
            bits = [bool(w) for w in write.words]
            answer = await self._ask(
                lambda: client.write_coils(write.address, bits, device_id=write.device), what, function, write.device
            )
        else:
            words = list(write.words)
            answer = await self._ask(
                lambda: client.write_registers(write.address, words, device_id=write.device),
                what,
                function,
                write.device,
            )
        if (answer.address, answer.count) != (write.address, len(write.words)):
            await self._drain()
            raise LineTrouble(
                f"{self.name}: {what} was answered for {answer.count} at {answer.address}: a wrong answer"
            )

    async def _ask(self, call: Any, what: str, function: int, device: int) -> Any:
        async with self._lock:
            if self._client is None:
                raise LineTrouble(f"{self.name}: the link is not open")
            if isinstance(self.link, SerialLink):
                await self._clock.sleep_until(self._quiet_from_s + silence_s(self.link.baud))
            self.requests += 1
            try:
                async with asyncio.timeout(self.deadline_s):
                    answer = await call()
            except TimeoutError:
                await self._drain()
                raise LineTrouble(f"{self.name}: no answer to the {what} within {self.deadline_s:.2f} s") from None
            except ModbusIOException as error:
                await self._drain()
                text = str(error.string)
                if "No response" in text:
                    text = f"no answer within {self.deadline_s - EXTRA_S:.2f} s"
                raise LineTrouble(f"{self.name}: {what}: {text}") from None
            except (ModbusException, OSError) as error:
                raise LineTrouble(f"{self.name}: {what}: the link is down ({error})") from None
            except (ValueError, IndexError, TypeError, AttributeError) as error:
                await self._drain()
                raise LineTrouble(f"{self.name}: {what}: an answer that is none ({error})") from None
            finally:
                self._quiet_from_s = self._clock.now_s()
            if not isinstance(answer, ModbusPDU):
                await self._drain()
                raise LineTrouble(f"{self.name}: {what}: an answer that is none")
            if answer.isError():
                code = answer.exception_code
                words = f"{self.name}: device {device} refused the {what}: exception {code}, " + EXCEPTIONS.get(
                    code, "not in the standard"
                )
                if code in _LINE_EXCEPTIONS:
                    raise LineTrouble(words)
                raise FrameFault(words + "; check the register map, then the device")
            if answer.function_code != function or answer.dev_id != device:
                await self._drain()
                raise LineTrouble(
                    f"{self.name}: {what} was answered by device {answer.dev_id}, function {answer.function_code}: "
                    "a wrong answer"
                )
            return answer

    async def _drain(self) -> None:
        """Let a late answer pass, so that it is not taken for the next one's.

        Over TCP a new connection leaves it behind; on a serial line it is waited out.
        """
        if self._client is None:
            return
        context = self._client.ctx
        if isinstance(self.link, SerialLink):
            await self._clock.sleep_until(self._clock.now_s() + self.drain_s)
            context.recv_buffer = b""
        elif context.transport is not None:
            context.connection_lost(ConnectionAbortedError("after a wrong or missing answer"))

    async def wait_connected(self, within_s: float) -> None:
        """Wait until a dropped link is back; raises LineTrouble after ``within_s``."""
        until = self._clock.now_s() + within_s
        while self._client is None or not self._client.connected:
            if self._clock.now_s() >= until:
                raise LineTrouble(f"{self.name}: the link did not come back within {within_s:g} s")
            await self._clock.sleep_until(self._clock.now_s() + 0.02)


def _fail_at_once(client: Any, pass_over: Callable[[ModbusPDU], bool]) -> None:
    """An answer that cannot be decoded fails the waiting call now, not in a callback that nobody hears.

    ``pass_over``: whether an answer is none to the waiting call, which goes on waiting.
    """
    context = client.ctx
    decode = context.framer.handleFrame

    def guarded(data: bytes, device: int, transaction: int) -> tuple[int, ModbusPDU | None]:
        try:
            used: int
            pdu: ModbusPDU | None
            used, pdu = decode(data, device, transaction)
        except Exception as error:
            waiting = context.response_future
            if not waiting.done():
                waiting.set_exception(ModbusIOException(f"an answer that is none ({error})"))
            return len(data), None
        if pdu is not None and pass_over(pdu):  # the right one may stand behind it; the library has taken both
            octets = 2 * len(pdu.registers) or len(pdu.bits) // 8
            head = (pdu.dev_id, pdu.function_code) if pdu.isError() else (pdu.dev_id, pdu.function_code, octets)
            end = data.index(bytes(head)) + octets + 5
            used, pdu = guarded(data[end:], device, transaction) if data[end:] else (0, None)
            return end + used, pdu
        if pdu is not None and pdu.transaction_id != transaction:  # the library takes 0 for any number
            waiting = context.response_future
            if not waiting.done():
                waiting.set_exception(ModbusIOException("a wrong answer: it does not carry the request's number"))
            return used, None
        return used, pdu

    context.framer.handleFrame = guarded
