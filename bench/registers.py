"""Registers as data: where a quantity lives, how its words are coded, and which blocks are read or written at once.

Sources: Modbus Application Protocol V1.1b3 (register quantities, big-endian words); IEEE 754 single precision. The
order of a 32-bit value is named by where its bytes A (highest) to D (lowest) stand on the wire: ABCD, CDAB, BADC, DCBA.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

Table = Literal["holding", "input", "coil", "discrete"]
Kind = Literal["int16", "uint16", "int32", "uint32", "float32", "text"]
Order = Literal["ABCD", "CDAB", "BADC", "DCBA"]

MOST_READ = 125  # registers in one read (V1.1b3, 6.3)
MOST_WRITTEN = 123  # registers in one write (V1.1b3, 6.12)
MOST_BITS_READ = 2000  # coils or discrete inputs in one read (6.1)
MOST_BITS_WRITTEN = 1968  # coils in one write (6.11)
LAST_ADDRESS = 65535
BIT_TABLES = ("coil", "discrete")
READ_ONLY_TABLES = ("input", "discrete")

_RANGE: dict[str, tuple[float, float]] = {
    "int16": (-(2**15), 2**15 - 1),
    "uint16": (0, 2**16 - 1),
    "int32": (-(2**31), 2**31 - 1),
    "uint32": (0, 2**32 - 1),
    "float32": (-3.4028234663852886e38, 3.4028234663852886e38),
}
_F32 = struct.Struct(">f")


def width(kind: Kind, text_words: int = 0) -> int:
    """Registers that a value of this kind takes."""
    if kind == "text":
        return text_words
    return 1 if kind in ("int16", "uint16") else 2


def _swapped(word: int) -> int:
    return (word >> 8) | ((word & 0xFF) << 8)


def raw_to_words(raw: float, kind: Kind, order: Order = "ABCD") -> tuple[int, ...]:
    """Code one raw number; integers are rounded to the nearest.

    Raises
    ------
    ValueError
        If the number is not finite or does not fit: never wrapped, never clipped.
    """
    if kind == "text":
        raise ValueError("text is coded by text_to_words")
    low, high = _RANGE[kind]
    if not math.isfinite(raw):
        raise ValueError(f"{raw} cannot be put into a register")
    value = raw if kind == "float32" else round(raw)
    if not low <= value <= high:
        raise ValueError(f"{value:g} does not fit {kind} ({low:.0f} to {high:.0f})")
    if kind == "float32":
        bits = int.from_bytes(_F32.pack(value), "big")
    else:
        bits = int(value) & (0xFFFF if kind in ("int16", "uint16") else 0xFFFFFFFF)
    words = [bits] if kind in ("int16", "uint16") else [bits >> 16, bits & 0xFFFF]
    if order in ("CDAB", "DCBA"):
        words.reverse()
    if order in ("BADC", "DCBA"):
        words = [_swapped(w) for w in words]
    return tuple(words)


def words_to_raw(words: Sequence[int], kind: Kind, order: Order = "ABCD") -> float:
    """Decode one raw number from its registers; float32 may be NaN or infinite, as the device sent it."""
    first = words[0]
    if kind in ("int16", "uint16"):
        if order in ("BADC", "DCBA"):
            first = _swapped(first)
        return first - 0x10000 if kind == "int16" and first & 0x8000 else first
    second = words[1]
    if order in ("CDAB", "DCBA"):
        first, second = second, first
    if order in ("BADC", "DCBA"):
        first, second = _swapped(first), _swapped(second)
    bits = first << 16 | second
    if kind == "float32":
        value: float = _F32.unpack(bits.to_bytes(4, "big"))[0]
        return value
    return bits - 0x100000000 if kind == "int32" and bits & 0x80000000 else bits


def text_to_words(text: str, words: int) -> tuple[int, ...]:
    """Code ASCII text, two characters a register, the first in the high byte, filled with NUL.

    Raises
    ------
    ValueError
        If the text is not ASCII or too long.
    """
    data = text.encode("ascii", errors="strict")
    if len(data) > 2 * words:
        raise ValueError(f"{text!r} is longer than {2 * words} characters")
    data = data.ljust(2 * words, b"\0")
    return tuple(int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2))


def words_to_text(words: Sequence[int]) -> str:
    """Decode text up to the first NUL; characters that do not print become '?'."""
    data = b"".join(w.to_bytes(2, "big") for w in words).split(b"\0")[0]
    return "".join(chr(b) if 32 <= b < 127 else "?" for b in data).strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where one quantity lives on the bus and how it is coded."""

    device: int  # unit identifier: 1 to 247 on a serial line, 0 to 255 over TCP
    table: Table
    address: int  # as in the message: 0-based
    kind: Kind = "uint16"
    order: Order = "ABCD"
    scale: float = 1.0  # plain value = raw x scale + offset
    offset: float = 0.0
    bit: int | None = None  # 0 (lowest) to 15 of a one-word register; None: the whole value
    inverted: bool = False  # the bit is 0 when the statement is true
    text_words: int = 0  # registers of a text

    def __post_init__(self) -> None:
        if self.address < 0 or self.address + self.words - 1 > LAST_ADDRESS:
            raise ValueError(f"address {self.address} is outside 0 to {LAST_ADDRESS}")
        if not 0 <= self.device <= 255:
            raise ValueError(f"device {self.device} is outside 0 to 255")
        if self.scale == 0 or not math.isfinite(self.scale) or not math.isfinite(self.offset):
            raise ValueError("scale must be a finite number other than 0, offset finite")
        if self.bit is not None and (self.table in BIT_TABLES or self.words != 1 or not 0 <= self.bit <= 15):
            raise ValueError("bit 0 to 15 belongs to a one-word holding or input register")
        if self.kind == "text" and not 1 <= self.text_words <= MOST_READ:
            raise ValueError(f"a text takes 1 to {MOST_READ} registers")

    @property
    def words(self) -> int:
        """Registers (or bits) that it takes."""
        return 1 if self.table in BIT_TABLES else width(self.kind, self.text_words)

    @property
    def is_bit(self) -> bool:
        """One bit: of a register, a coil or a discrete input."""
        return self.bit is not None or self.table in BIT_TABLES

    @property
    def plain_range(self) -> tuple[float, float]:
        """Lowest and highest plain value that its registers can hold."""
        if self.is_bit:
            return (0.0, 1.0)
        if self.kind == "text":
            raise ValueError("a text has no range")
        low, high = (r * self.scale + self.offset for r in _RANGE[self.kind])
        return (min(low, high), max(low, high))

    @property
    def resolution(self) -> float:
        """Plain size of one count; 0 for float32."""
        return 0.0 if self.kind == "float32" else abs(self.scale)

    def number(self, words: Sequence[int]) -> float:
        """Plain value from its registers, which may be NaN where the device sent a float that is none."""
        return words_to_raw(words, self.kind, self.order) * self.scale + self.offset

    def flag(self, words: Sequence[int]) -> bool:
        """Plain statement from its register, coil or discrete input; a whole register is true when not 0."""
        if self.bit is None:
            return (words[0] != 0) is not self.inverted
        return bool(words[0] >> self.bit & 1) is not self.inverted

    def code(self, value: float) -> tuple[int, ...]:
        """Registers for a plain value.

        Raises
        ------
        ValueError
            If it does not fit.
        """
        return raw_to_words((value - self.offset) / self.scale, self.kind, self.order)


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Neighbouring registers that one request reads or writes."""

    device: int
    table: Table
    address: int
    count: int

    def holds(self, place: Place) -> bool:
        """Whether the place lies wholly inside."""
        return (
            (place.device, place.table) == (self.device, self.table)
            and self.address <= place.address
            and place.address + place.words <= self.address + self.count
        )


def plan_reads(places: Iterable[Place], *, max_gap: int = 16, most: int = MOST_READ) -> tuple[Block, ...]:
    """The fewest requests that read every place.

    Parameters
    ----------
    max_gap : int
        Unused registers that may be read along between two places; 0 where the device refuses to read gaps.
    most : int
        Registers in one request: 125 by the standard, fewer where the device takes fewer.

    Returns
    -------
    Blocks in order of device, table and address. Taking as much as fits from the left is optimal because a block is
    limited only by its length and its gaps.
    """
    blocks: list[Block] = []
    spans = sorted({(p.device, p.table, p.address, p.words) for p in places})
    for device, table, address, words in spans:
        limit = MOST_BITS_READ if table in BIT_TABLES else most
        if words > limit:
            raise ValueError(f"a value of {words} registers is never read within {limit}")
        last = blocks[-1] if blocks else None
        if last is not None and (last.device, last.table) == (device, table):
            end = last.address + last.count
            joined = max(end, address + words) - last.address
            if address - end <= max_gap and joined <= limit:
                blocks[-1] = Block(device=device, table=last.table, address=last.address, count=joined)
                continue
        blocks.append(Block(device=device, table=table, address=address, count=words))
    return tuple(blocks)


@dataclass(frozen=True, slots=True, kw_only=True)
class Write:
    """Neighbouring registers (or coils) and what goes into them."""

    device: int
    table: Table  # "holding" or "coil"
    address: int
    words: tuple[int, ...]


def join_writes(
    image: Mapping[tuple[int, Table, int], tuple[int, ...]], last: Place | None = None
) -> tuple[Write, ...]:
    """The fewest writes that set exactly the registers of ``image`` (no gap is ever written over).

    ``image`` maps (device, table, first address) to the words of one value, which stays in one write. The write that
    holds ``last`` (the deadman) is sent last.
    """
    writes: list[Write] = []
    for (device, table, address), words in sorted(image.items()):
        end = writes[-1] if writes else None
        limit = MOST_BITS_WRITTEN if table in BIT_TABLES else MOST_WRITTEN
        if (
            end is not None
            and (end.device, end.table, end.address + len(end.words)) == (device, table, address)
            and len(end.words) + len(words) <= limit
        ):
            writes[-1] = Write(device=device, table=table, address=end.address, words=end.words + words)
        else:
            writes.append(Write(device=device, table=table, address=address, words=words))
    if last is not None:
        writes.sort(
            key=lambda w: (
                (w.device, w.table) == (last.device, last.table)
                and w.address <= last.address < w.address + len(w.words)
            )
        )
    return tuple(writes)


def overlap(named: Mapping[str, Place]) -> tuple[str, str] | None:
    """The first two names whose registers collide; different bits of one register do not. None: no collision."""
    taken: dict[tuple[int, Table, int], list[str]] = {}
    for name, place in named.items():
        for i in range(place.words):
            cell = (place.device, place.table, place.address + i)
            for other in taken.get(cell, ()):
                rival = named[other]
                shared_word = place.bit is not None and rival.bit is not None and place.bit != rival.bit
                if not shared_word:
                    return other, name
            taken.setdefault(cell, []).append(name)
    return None
