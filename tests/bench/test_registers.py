"""Registers as data: coding, places, and blocks."""

from __future__ import annotations

import struct
from itertools import pairwise
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.registers import (
    Kind,
    Order,
    Place,
    Table,
    join_writes,
    overlap,
    plan_reads,
    raw_to_words,
    text_to_words,
    words_to_raw,
    words_to_text,
)

FORMATS = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}
ORDERS: tuple[Order, ...] = get_args(Order)


def on_the_wire(value: float, kind: str, order: str) -> bytes:
    """The bytes A to D by Python's own struct, put where the order's name says."""
    data = struct.pack(FORMATS[kind], value)
    letters = "ABCD"[: len(data)]
    wanted = order if len(data) == 4 else {"ABCD": "AB", "CDAB": "AB", "BADC": "BA", "DCBA": "BA"}[order]
    return bytes(data[letters.index(c)] for c in wanted)


def values(kind: str) -> st.SearchStrategy[float]:
    if kind == "float32":
        return st.floats(width=32, allow_nan=False, allow_infinity=False)
    bits = 8 * struct.calcsize(FORMATS[kind])
    signed = kind.startswith("int")
    return st.integers(-(2 ** (bits - 1)) if signed else 0, 2 ** (bits - 1) - 1 if signed else 2**bits - 1)


@given(st.data(), st.sampled_from(sorted(FORMATS)), st.sampled_from(ORDERS))
def test_each_kind_in_each_order_is_coded_as_struct_does_and_comes_back(
    data: st.DataObject, kind: Kind, order: Order
) -> None:
    value = data.draw(values(kind))
    words = raw_to_words(value, kind, order)
    assert b"".join(w.to_bytes(2, "big") for w in words) == on_the_wire(value, kind, order)
    assert words_to_raw(words, kind, order) == value


@pytest.mark.parametrize(
    ("kind", "raw"),
    [("int16", 32768), ("int16", -32769), ("uint16", -1), ("uint16", 65536), ("int32", 2**31), ("uint32", -1),
     ("float32", 1e39), ("int16", float("nan")), ("float32", float("inf"))],
)  # fmt: skip
def test_a_number_that_does_not_fit_is_refused_and_not_wrapped(kind: Kind, raw: float) -> None:
    with pytest.raises(ValueError, match=r"fit|cannot"):
        raw_to_words(raw, kind)


def test_a_float_that_is_no_number_is_passed_on_as_the_device_sent_it() -> None:
    assert words_to_raw((0x7FC0, 0), "float32") != words_to_raw((0x7FC0, 0), "float32")


def test_text_is_two_characters_a_register_up_to_the_first_nul() -> None:
    assert text_to_words("AB1", 3) == (0x4142, 0x3100, 0)
    assert words_to_text((0x4142, 0x3100, 0x5858)) == "AB1"
    assert words_to_text((0x41FF, 0x0742)) == "A??B"
    with pytest.raises(ValueError, match="longer"):
        text_to_words("ABCDE", 2)


def test_scale_and_offset_turn_counts_into_plain_units_and_back() -> None:
    place = Place(device=1, table="holding", address=0, kind="int16", scale=0.1, offset=-40.0)
    assert place.number((1234,)) == pytest.approx(83.4)
    assert place.code(83.4) == (1234,)
    assert place.plain_range == pytest.approx((-3316.8, 3236.7))
    assert Place(device=1, table="input", address=0, kind="int16", scale=-0.5).plain_range == (-16383.5, 16384.0)


def test_a_flag_is_a_bit_a_coil_or_a_register_that_is_not_zero() -> None:
    bit = Place(device=1, table="input", address=0, bit=3)
    assert bit.flag((0b1000,)) and not bit.flag((0b0111,))
    low = Place(device=1, table="input", address=0, bit=3, inverted=True)
    assert low.flag((0b0111,)) and not low.flag((0b1000,))
    assert Place(device=1, table="coil", address=0).flag((1,))
    assert Place(device=1, table="discrete", address=0, inverted=True).flag((0,))
    assert Place(device=1, table="holding", address=0).flag((7,))


@pytest.mark.parametrize(
    "bad",
    [{"address": 65536}, {"address": 65535, "kind": "int32"}, {"device": 256}, {"scale": 0.0}, {"bit": 16},
     {"bit": 0, "kind": "int32"}, {"bit": 0, "table": "coil"}, {"kind": "text", "text_words": 0}],
)  # fmt: skip
def test_a_place_that_cannot_be_is_refused(bad: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        Place(**{"device": 1, "table": "holding", "address": 0, **bad})  # type: ignore[arg-type]


places = st.builds(
    Place,
    device=st.integers(1, 2),
    table=st.sampled_from(["holding", "input"]),
    address=st.integers(0, 60),
    kind=st.sampled_from(["int16", "int32"]),
)


def fewest(spans: list[tuple[int, int]], max_gap: int, most: int) -> int:
    """Fewest intervals over sorted spans by trying every cut."""
    best = [0] + [10**6] * len(spans)
    for end in range(1, len(spans) + 1):
        for start in range(end):
            part = spans[start:end]
            reach = [max(e for _, e in part[: i + 1]) for i in range(len(part))]
            joins = all(part[i + 1][0] - reach[i] <= max_gap for i in range(len(part) - 1))
            if joins and reach[-1] - part[0][0] <= most:
                best[end] = min(best[end], best[start] + 1)
    return best[-1]


@given(st.lists(places, min_size=1, max_size=9), st.integers(0, 20), st.integers(2, 30))
def test_reads_cover_every_place_in_the_fewest_requests_within_the_limits(
    wanted: list[Place], max_gap: int, most: int
) -> None:
    blocks = plan_reads(wanted, max_gap=max_gap, most=most)
    assert all(any(b.holds(p) for b in blocks) for p in wanted)
    assert all(b.count <= most for b in blocks)
    least = 0
    for area in {(p.device, p.table) for p in wanted}:
        spans = sorted({(p.address, p.address + p.words) for p in wanted if (p.device, p.table) == area})
        least += fewest(spans, max_gap, most)
    assert len(blocks) == least


def test_125_registers_are_one_read_and_126_are_two() -> None:
    def row(n: int) -> list[Place]:
        return [Place(device=1, table="input", address=i) for i in range(n)]

    assert len(plan_reads(row(125))) == 1
    assert len(plan_reads(row(126))) == 2


def test_a_32_bit_value_is_never_read_in_two_halves() -> None:
    wanted = [Place(device=1, table="input", address=2 * i, kind="int32") for i in range(63)]
    blocks = plan_reads(wanted)
    assert [b.count for b in blocks] == [124, 2]


cells = st.dictionaries(
    st.tuples(st.integers(1, 2), st.sampled_from(["holding", "coil"]), st.integers(0, 12).map(lambda a: 2 * a)),
    st.tuples(st.integers(0, 9), st.integers(0, 9)),
    min_size=1,
)


@given(cells)
def test_writes_set_exactly_what_is_asked_and_nothing_between(
    image: dict[tuple[int, Table, int], tuple[int, ...]],
) -> None:
    writes = join_writes(image)
    written = {(w.device, w.table, w.address + i): v for w in writes for i, v in enumerate(w.words)}
    asked = {(d, t, a + i): v for (d, t, a), words in image.items() for i, v in enumerate(words)}
    assert written == asked
    assert sum(len(w.words) for w in writes) == len(asked)
    ends = [(w.device, w.table, w.address + len(w.words)) for w in writes]
    assert all(end != (w.device, w.table, w.address) for end, w in zip(ends, writes[1:], strict=False))


def test_the_deadman_is_written_last_and_with_its_neighbours() -> None:
    deadman = Place(device=1, table="holding", address=4)
    image: dict[tuple[int, Table, int], tuple[int, ...]] = {
        (1, "holding", 3): (1,),
        (1, "holding", 4): (9,),
        (1, "holding", 20): (5,),
    }
    assert [w.address for w in join_writes(image, deadman)] == [20, 3]


def test_a_write_holds_at_most_123_registers_and_keeps_values_whole() -> None:
    image: dict[tuple[int, Table, int], tuple[int, ...]] = {(1, "holding", 2 * i): (i, i) for i in range(80)}
    writes = join_writes(image)
    assert [len(w.words) for w in writes] == [122, 38]
    assert all(a.address + len(a.words) == b.address for a, b in pairwise(writes))


def test_registers_that_collide_are_named_and_bits_of_one_word_do_not_collide() -> None:
    def at(address: int, kind: Kind = "uint16", bit: int | None = None) -> Place:
        return Place(device=1, table="input", address=address, kind=kind, bit=bit)

    assert overlap({"a": at(0, "int32"), "b": at(1)}) == ("a", "b")
    assert overlap({"a": at(0, bit=0), "b": at(0, bit=1)}) is None
    assert overlap({"a": at(0, bit=1), "b": at(0, bit=1)}) == ("a", "b")
    assert overlap({"a": at(0, bit=1), "b": at(0)}) == ("a", "b")
