"""Modbus by its own papers: example messages, quantities, exceptions, frames and timing.

Sources: MODBUS Application Protocol Specification V1.1b3 (example messages of section 6, exceptions of section 7);
MODBUS over Serial Line V1.02 (timing 2.5.1.1, CRC example of Appendix B); MODBUS Messaging on TCP/IP V1.0b (header of
section 3.1.3). Read in text transcriptions, except where marked 'from memory'.
"""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from crccheck.crc import CrcModbus
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from bench.registers import Table, raw_to_words, words_to_raw
from bench.responder import Responder, RtuPort
from bench.transport import silence_s, wire_s
from tests.bench.frames import frame_file, served


class Memory:
    """Registers and coils as the specification's examples set them (PDU addresses: number minus 1)."""

    def __init__(self, tables: dict[Table, dict[int, int]], size: int = 65536) -> None:
        self.tables, self.size, self.devices = tables, size, {0x11}
        self.plant: Any = type("NoCues", (), {"cues": {}})()

    def read(self, device: int, table: Table, address: int, count: int) -> list[int] | None:
        if address + count > self.size:
            return None
        return [self.tables.get(table, {}).get(a, 0) for a in range(address, address + count)]

    def write(self, device: int, table: Table, address: int, values: list[int]) -> bool:
        if address + len(values) > self.size:
            return False
        self.tables.setdefault(table, {}).update({address + i: v for i, v in enumerate(values)})
        return True


def bits(first: int, data: str) -> dict[int, int]:
    """Coils from the bytes of a printed answer, lowest bit first."""
    return {first + i: int(b) for i, b in enumerate("".join(f"{byte:08b}"[::-1] for byte in bytes.fromhex(data)))}


def responder(**how: Any) -> Responder:
    memory: Any = Memory(
        {
            "coil": bits(0x13, "CD6B05"),
            "discrete": bits(0xC4, "ACDB35"),
            "holding": {0x6B: 555, 0x6C: 0, 0x6D: 100},
            "input": {8: 10},
        },
        **how,
    )
    return Responder(memory, lambda: None)


def say(to: Responder, message: str) -> str:
    answer = to.answer(bytes.fromhex(message), 0x11)
    assert answer is not None
    return answer.hex(" ").upper()


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("01 00 13 00 13", "01 03 CD 6B 05"),  # 6.1
        ("02 00 C4 00 16", "02 03 AC DB 35"),  # 6.2
        ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),  # 6.3: registers 108 to 110 hold 555, 0, 100
        ("04 00 08 00 01", "04 02 00 0A"),  # 6.4
        ("05 00 AC FF 00", "05 00 AC FF 00"),  # 6.5
        ("06 00 01 00 03", "06 00 01 00 03"),  # 6.6
        ("0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A"),  # 6.11
        ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),  # 6.12
    ],
)
def test_the_specifications_example_requests_get_its_printed_answers(request_: str, answer: str) -> None:
    assert say(responder(), request_) == answer


def test_read_and_write_in_one_message_writes_first() -> None:
    """V1.1b3, 6.17, from memory: three registers written at 14, six read from 3."""
    to = responder()
    to.image.tables["holding"] = {3: 0x00FE, 4: 0x0ACD, 5: 1, 6: 3, 7: 13, 8: 0xFF}  # type: ignore[attr-defined]
    asked = "17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF"
    assert say(to, asked) == "17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF"
    assert say(to, "03 00 0E 00 03") == "03 06 00 FF 00 FF 00 FF"


def test_the_specifications_example_of_an_exception_is_given() -> None:
    """7: a read of a coil that does not exist, 01 04 A1 00 01, is answered 81 02."""
    assert say(responder(size=0x4A1), "01 04 A1 00 01") == "81 02"


def test_of_100_registers_four_from_96_are_there_and_five_are_not() -> None:
    """The specification's own example of exception 02 (7, ILLEGAL DATA ADDRESS)."""
    to = responder(size=100)
    assert say(to, "03 00 60 00 04").startswith("03 08")
    assert say(to, "03 00 60 00 05") == "83 02"


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("03 00 00 00 7D", "03 FA"),  # 125 registers, the most
        ("03 00 00 00 7E", "83 03"),
        ("03 00 00 00 00", "83 03"),
        ("04 FF FF 00 00", "84 03"),
        ("01 00 00 07 D0", "01 FA"),  # 2000 coils, the most
        ("01 00 00 07 D1", "81 03"),
        ("10 00 00 00 7B F6" + " 00" * 246, "10 00 00 00 7B"),  # 123 registers, the most
        ("10 00 00 00 7C F8" + " 00" * 248, "90 03"),
        ("10 00 00 00 02 03 00 0A 01", "90 03"),  # byte count and quantity disagree
        ("2B 0E 01 00", "AB 01"),  # a function that is not offered
        ("63", "E3 01"),
    ],
)
def test_quantities_and_functions_are_checked_as_the_specification_orders(request_: str, answer: str) -> None:
    """Section 6: function first (01), then quantity (03), then address (02); limits 0x7D, 0x7D0, 0x7B."""
    assert say(responder(), request_)[: len(answer)] == answer


@pytest.mark.parametrize(
    ("function", "unit_bytes", "most"),
    [("01", 0, 2000), ("02", 0, 2000), ("03", 0, 125), ("04", 0, 125), ("10", 2, 123)],
)
def test_the_most_in_one_message_is_that_of_the_specification(function: str, unit_bytes: int, most: int) -> None:
    """Section 6: of all quantities, 1 to this are done and no other (exception 03)."""

    def ask(quantity: int) -> str:
        data = unit_bytes * quantity
        return f"{function} 00 00 {quantity:04X}" + (f" {data:02X}" + " 00" * data if data else "")

    done = [n for n in range(2100 if not unit_bytes else 128) if say(responder(), ask(n))[:2] == function]
    assert done == list(range(1, len(done) + 1))
    assert len(done) == most


def test_a_wrong_quantity_is_told_before_a_wrong_address() -> None:
    assert say(responder(size=10), "03 00 60 00 00") == "83 03"


RTU_FRAMES = [  # message and check sum, low byte first: the examples above as device 11 hex
    ("11 01 00 13 00 25", "0E 84"),
    ("11 02 00 C4 00 16", "BA A9"),
    ("11 03 00 6B 00 03", "76 87"),
    ("11 04 00 08 00 01", "B2 98"),
    ("11 05 00 AC FF 00", "4E 8B"),
    ("11 06 00 01 00 03", "9A 9B"),
    ("11 0F 00 13 00 0A 02 CD 01", "BF 0B"),
    ("11 10 00 01 00 02 04 00 0A 01 02", "C6 F0"),
    ("11 01 05 CD 6B B2 0E 1B", "45 E6"),
    ("11 02 03 AC DB 35", "20 18"),
    ("11 03 06 AE 41 56 52 43 40", "49 AD"),
    ("11 04 02 00 0A", "F8 F4"),
    ("11 0F 00 13 00 0A", "26 99"),
    ("11 10 00 01 00 02", "12 98"),
    ("0A 81 02", "B0 53"),
    ("01 03 00 00 00 0A", "C5 CD"),
    ("02 07", "41 12"),  # Serial Line V1.02, Appendix B: CRC 1241 hex
]


@pytest.mark.parametrize(("message", "check"), RTU_FRAMES)
def test_frames_on_a_serial_line_carry_the_published_check_sums(message: str, check: str) -> None:
    data = bytes.fromhex(message)
    framed = FramerRTU(DecodePDU(True)).encode(data[1:], data[0], 0)
    assert framed == data + bytes.fromhex(check)
    assert CrcModbus.calc(data).to_bytes(2, "little") == bytes.fromhex(check)  # an independent library


def test_the_check_value_of_the_crc_is_the_catalogued_one() -> None:
    """'123456789' gives 4B37 hex (three independent libraries agree)."""
    assert FramerRTU.compute_CRC(b"123456789") == 0x374B  # kept low byte first
    assert CrcModbus.calc(b"123456789") == 0x4B37


async def over_rtu(sent: list[bytes], monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """What a serial line's device 11 hex answers to bursts of raw bytes."""
    port = RtuPort(responder(), None)
    answers: list[bytes] = []
    monkeypatch.setattr(port, "_send", answers.append)
    try:
        for i, burst in enumerate(sent):
            port.hear(burst)
            answers += [b""] * (i + 1 - len(answers))
    finally:
        port.close()
    return answers


async def test_a_frame_with_a_wrong_check_sum_or_for_another_device_is_not_answered(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Serial Line V1.02, 2.4.1. '01 03 00 6B 00 03 76 87' is a frame often copied with another device's check sum."""
    good = bytes.fromhex("11 03 00 6B 00 03 76 87")
    answers = await over_rtu(
        [bytes.fromhex("01 03 00 6B 00 03 76 87"), bytes.fromhex("01 03 00 6B 00 03 74 17"), good], monkeypatch
    )
    assert answers[:2] == [b"", b""]
    assert answers[2] == bytes.fromhex("11 03 06 02 2B 00 00 00 64") + CrcModbus.calcbytes(
        bytes.fromhex("11 03 06 02 2B 00 00 00 64"), byteorder="little"
    )


async def test_a_broadcast_is_done_and_not_answered(monkeypatch: pytest.MonkeyPatch) -> None:
    """Serial Line V1.02, 2.1: address 0 is for all, and nobody answers."""
    write = bytes.fromhex("00 06 00 6B 12 34")
    read = bytes.fromhex("11 03 00 6B 00 01")
    answers = await over_rtu([m + CrcModbus.calcbytes(m, byteorder="little") for m in (write, read)], monkeypatch)
    assert answers[0] == b"" and answers[1][:5] == bytes.fromhex("11 03 02 12 34")


async def test_the_header_over_tcp_is_that_of_the_guide() -> None:
    """V1.0b, 3.1.3: transaction and unit are copied, protocol 0, length counts unit and message: 15 01 ... as printed."""
    async with served(frame_file(1)) as (file, _):
        reader, writer = await asyncio.open_connection(file.link.host, file.link.port)  # type: ignore[union-attr]
        writer.write(bytes.fromhex("15 01 00 00 00 06 FF 03 00 04 00 01"))  # the printed request, unit FF: not ours
        refused = await reader.readexactly(9)
        writer.write(bytes.fromhex("15 02 00 00 00 06 01 03 00 04 00 01"))
        answered = await reader.readexactly(11)
        writer.close()
    assert refused == bytes.fromhex("15 01 00 00 00 03 FF 83 0B")  # gateway: nobody there
    assert answered == bytes.fromhex("15 02 00 00 00 05 01 03 02 00 00")


@pytest.mark.parametrize(("baud", "silence_ms"), [(9600, 4.0104), (19200, 2.0052), (38400, 1.750), (115200, 1.750)])
def test_frames_are_parted_by_three_and_a_half_characters_of_eleven_bits(baud: int, silence_ms: float) -> None:
    """Serial Line V1.02, 2.5.1.1: 3.5 characters; above 19200 baud a fixed 1.750 ms."""
    assert 1000 * silence_s(baud) == pytest.approx(silence_ms, abs=5e-5)


def test_a_character_is_eleven_bits() -> None:
    """Serial Line V1.02, 2.5.1: start, 8 data, parity, stop."""
    assert 1000 * wire_s(9600, 1) == pytest.approx(11 / 9.6)


@pytest.mark.parametrize(("value", "words"), [(123.456, (17142, 59769)), (1013.25, (0x447D, 0x5000))])
def test_float_registers_hold_ieee_754_single_precision(value: float, words: tuple[int, int]) -> None:
    """IEEE 754: 123.456 is 42F6E979 hex, 1013.25 is 447D5000 hex."""
    assert raw_to_words(value, "float32", "ABCD") == words
    assert words_to_raw(words, "float32", "ABCD") == pytest.approx(value, rel=1e-7)


def test_a_register_is_sent_high_byte_first() -> None:
    """V1.1b3, 4.2: 1234 hex is sent as 12 34."""
    to = responder()
    to.image.tables["input"] = {0: raw_to_words(0x1234, "uint16")[0]}  # type: ignore[attr-defined]
    assert say(to, "04 00 00 00 01") == "04 02 12 34"
