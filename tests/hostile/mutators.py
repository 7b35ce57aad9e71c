"""Ways to spoil a file: bytes, lines and values of text, trees of JSON, datasets of HDF5, records of a journal."""

from __future__ import annotations

import io
import json
import re
import struct
import zlib
from collections.abc import Callable
from random import Random
from typing import Any

import h5py
import numpy as np

Mutator = Callable[[Random, bytes], bytes]

NUMBERS = (
    "0", "-0.0", "1", "-1", "2", "0.5", "1e-300", "1e300", "-1e300", "1e400", "nan", "inf", "-inf", "NaN", "Infinity",
    "1e-9", "1e9", "2147483647", "-2147483648", "4294967296", "9223372036854775808", "1" + "0" * 400, "0x1F", "1_000",
    "007", "1,5", "true", "false", "null", '""', '"x"', "[]", "{}", "1979-05-27", "07:32:00", "'100 kgf'", '"1e5 kgf"',
    '"nan N"', '"-5 N"', "١٢", "1e", ".", "+", "--1",
)  # fmt: skip
WORDS = (
    "", " ", "\x00", "a" * 5000, "ä", "\ud7ff", "🚲", "../../etc", "/dev/null", "\u202e", "%s%n", "${x}", "'", '"', "\\",
    "\n", "left", "right", "K07-01", "true", "None", "__class__", "\t", ",", "=", "#",
)  # fmt: skip
LEAVES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2, 1.5, -0.0, 1e-300, 1e300, -1e300, float("nan"), float("inf"), float("-inf"), 10**400,
    2**63, "", "x", "nan", "1e5", "a" * 5000, "\x00", "2026-03-03T07:00:00Z", "9999-12-31T23:59:59Z", [], {}, [[]],
    [None], {"": None}, [1, 2, 3], {"a": 1},
)  # fmt: skip


def spoil_bytes(rng: Random, data: bytes) -> bytes:
    """Flips, cuts, repeats, foreign bytes."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 4, 16))):
        if not out:
            return bytes(rng.randbytes(rng.randrange(64)))
        at = rng.randrange(len(out))
        match rng.randrange(9):
            case 0:
                out[at] ^= 1 << rng.randrange(8)
            case 1:
                out[at] = rng.choice((0, 255, 10, 13, 32, 34, 44, 45, 91, 123, rng.randrange(256)))
            case 2:
                out[at:at] = rng.randbytes(rng.choice((1, 2, 4, 8, 64)))
            case 3:
                del out[at : at + rng.choice((1, 2, 4, 8, 64, 512))]
            case 4:
                out[at:at] = out[at : at + rng.choice((1, 8, 64, 512))] * rng.choice((1, 2, 16))
            case 5:
                del out[at:]
            case 6:
                end = at + rng.choice((2, 4, 8))
                out[at:end] = bytes(reversed(out[at:end]))
            case 7:
                out[at : at + 8] = struct.pack("<d", rng.choice((0.0, float("nan"), float("inf"), -1e300, 1e-310)))
            case _:
                out[at : at + 4] = struct.pack("<I", rng.choice((0, 1, 0x7FFFFFFF, 0xFFFFFFFF, rng.randrange(2**32))))
    return bytes(out)


def spoil_text(rng: Random, data: bytes) -> bytes:
    """Numbers, words and lines of a TOML or CSV file changed, moved, doubled, dropped."""
    text = data.decode("utf-8", "surrogateescape")
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        lines = text.split("\n")
        at = rng.randrange(len(lines))
        match rng.randrange(14):
            case 0 | 1 | 2 | 3:
                text = _at_random(rng, r"[-+]?\d[\d.eE+_-]*", text, lambda _: rng.choice(NUMBERS))
                continue
            case 4:
                text = _at_random(rng, r"[-+]?\d[\d.]*", text, lambda m: _scaled(rng, m))
                continue
            case 5:
                text = _at_random(rng, r"[A-Za-z_]\w+", text, lambda _: rng.choice(WORDS))
                continue
            case 6:
                text = _at_random(rng, r"[A-Za-z_]\w+", text, lambda m: m[::-1] if rng.random() < 0.5 else m.upper())
                continue
            case 7:
                del lines[at]
            case 8:
                lines.insert(rng.randrange(len(lines)), lines[at])
            case 9:
                other = rng.randrange(len(lines))
                lines[at], lines[other] = lines[other], lines[at]
            case 10:
                cells = lines[at].split(",")
                rng.shuffle(cells)
                lines[at] = ",".join(cells[: rng.randrange(len(cells) + 1)] if rng.random() < 0.3 else cells)
            case 11:
                lines = lines[:at] + lines[at : at + 1] * rng.choice((2, 50)) + lines[at:]
            case 12:
                text = _at_random(
                    rng, r"[=,\[\]{}\"']", text, lambda _: rng.choice(("", '"', "[", "{", ",,", "=", ";"))
                )
                continue
            case _:
                lines = _whole_file(rng, lines)
        text = "\n".join(lines)
    return text.encode("utf-8", "surrogateescape")


def _at_random(rng: Random, pattern: str, text: str, change: Callable[[str], str]) -> str:
    found = list(re.finditer(pattern, text))
    if not found:
        return text
    m = rng.choice(found)
    return text[: m.start()] + change(m.group()) + text[m.end() :]


def _scaled(rng: Random, number: str) -> str:
    try:
        return repr(float(number) * rng.choice((-1.0, 0.1, 9.80665, 10.0, 1000.0, 1e-3, 1e6)))
    except ValueError:
        return number


def _whole_file(rng: Random, lines: list[str]) -> list[str]:
    match rng.randrange(6):
        case 0:
            return ["\ufeff" + lines[0], *lines[1:]]
        case 1:
            return [line + "\r" for line in lines]
        case 2:
            return [line.replace(",", ";") for line in lines]
        case 3:
            return lines[: rng.randrange(len(lines))]
        case 4:
            return []
        case _:
            return [*lines, "x = " + "[" * 2000 + "]" * 2000]


def spoil_json(rng: Random, data: bytes) -> bytes:
    """A tree's values replaced, dropped, doubled, nested, renamed; now and then the bytes themselves."""
    if rng.random() < 0.15:
        return spoil_bytes(rng, data)
    if rng.random() < 0.15:
        return spoil_text(rng, data)
    tree = json.loads(data)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        places = list(_places(tree))
        if not places:
            break
        holder, key = rng.choice(places)
        value = holder[key]
        match rng.randrange(8):
            case 0 | 1 | 2:
                holder[key] = rng.choice(LEAVES)
            case 3:
                del holder[key]
            case 4 if isinstance(value, int | float) and not isinstance(value, bool):
                holder[key] = value * rng.choice((-1, 0, 10, 1000, 1e-3, 1e6))
            case 5 if isinstance(holder, list):
                holder.extend([value] * rng.choice((1, 1, 40)))
            case 5 | 6 if isinstance(holder, dict):
                holder[rng.choice((key + "x", key.upper(), "", rng.choice(WORDS)))] = holder.pop(key)
            case _:
                for _ in range(rng.choice((1, 3, 900))):
                    value = [value]
                holder[key] = value
    return json.dumps(tree, ensure_ascii=rng.random() < 0.5).encode("utf-8", "surrogatepass")


def _places(tree: Any) -> Any:
    """Every (container, key) of a tree."""
    stack = [tree]
    while stack:
        one = stack.pop()
        pairs = list(one.items()) if isinstance(one, dict) else list(enumerate(one)) if isinstance(one, list) else []
        for key, value in pairs:
            yield one, key
            if isinstance(value, dict | list):
                stack.append(value)


def spoil_hdf5(rng: Random, data: bytes) -> bytes:
    """Bytes of the file, or its groups, datasets and attributes through the library (no seal is left)."""
    if rng.random() < 0.4:
        return spoil_bytes(rng, data)
    store = io.BytesIO(data)
    with h5py.File(store, "r+") as f:
        names: list[str] = []
        f.visit(names.append)
        for _ in range(rng.choice((1, 1, 2, 4))):
            name = rng.choice(names)
            if name not in f:
                continue
            _spoil_object(rng, f, name)
    return store.getvalue()


def _spoil_object(rng: Random, f: h5py.File, name: str) -> None:
    thing = f[name]
    holder, key = (f[name.rpartition("/")[0]] if "/" in name else f), name.rpartition("/")[2]
    match rng.randrange(6):
        case 0:
            del holder[key]
        case 1 if len(thing.attrs):
            attribute = rng.choice(list(thing.attrs))
            thing.attrs[attribute] = rng.choice(("", "x", 0, -1.0, float("nan"), "K07", 2**40))
        case 2 if isinstance(thing, h5py.Dataset) and thing.dtype.kind in "fiu" and thing.size:
            values = thing[()]
            if np.ndim(values):
                with np.errstate(all="ignore"):
                    values[rng.randrange(values.shape[0])] = np.array(
                        rng.choice((0, float("nan"), float("inf"), -1e30, 1e30)) if values.dtype.kind == "f" else 255
                    ).astype(values.dtype)
                thing[...] = values
        case 3 | 4:
            header = key == "header" and isinstance(thing, h5py.Dataset)
            fresh: Any = rng.choice(
                (
                    np.zeros(3),
                    np.zeros((2, 2)),
                    np.array([b"abc"]),
                    "x",
                    7,
                    np.zeros(0),
                    np.full(4, np.nan),
                    np.arange(5, dtype="u1"),
                    np.zeros(1000, "f8"),
                )
            )
            if header:
                fresh = spoil_json(rng, thing[()]).replace(b"\x00", b"") or b"x"
            del holder[key]
            holder[key] = fresh
        case _:
            if key + "_" not in holder:
                holder.move(key, key + "_")


def spoil_journal(rng: Random, data: bytes) -> bytes:
    """Bytes of the file, or records with a right check sum and a wrong content."""
    if rng.random() < 0.5:
        return spoil_bytes(rng, data)
    length = struct.unpack_from("<I", data, 8)[0]
    header, rest = data[12 : 12 + length], data[12 + length :]
    if rng.random() < 0.4:
        header = spoil_json(rng, header)
    else:
        rest = _spoil_records(rng, rest)
    body = struct.pack("<I", len(header)) + header
    return b"LHJ1" + struct.pack("<I", zlib.crc32(body)) + body + rest


def _spoil_records(rng: Random, rest: bytes) -> bytes:
    at = rest.find(b"LS")
    if at < 0:
        return rest
    pieces = []
    for _ in range(rng.choice((1, 3))):
        if rng.random() < 0.5:  # a sample with one field of another value
            body = bytearray(rest[at + 6 : at + 58])
            where, kind, value = rng.choice(
                (
                    (4, "B", rng.randrange(256)), (5, "B", rng.randrange(256)), (6, "H", rng.randrange(65536)),
                    (8, "d", rng.choice((float("nan"), -1.0, 1e300))), (16, "d", rng.choice((float("nan"), 1e300, -1e18))),
                    (28, "f", float("nan")), (32, "f", float("inf")), (36, "f", 1e38), (0, "I", rng.randrange(2**32)),
                )
            )  # fmt: skip
            struct.pack_into("<" + kind, body, where, value)
            pieces.append(b"LS" + struct.pack("<I", zlib.crc32(body)) + body)
        else:
            event = {"time_s": 1.0, "utc": 1.8e9, "station": "A", "kind": "end", "message": "m", "data": {"ended": "x"}}
            event["kind"] = rng.choice(("end", "resumed", "seated", "reached", "step", "zero", "done", "fault", "x"))
            text = spoil_json(rng, json.dumps(event).encode())
            body = struct.pack("<II", rng.randrange(2**32), len(text)) + text
            pieces.append(b"LE" + struct.pack("<I", zlib.crc32(body)) + body)
    cut = rng.choice((0, at, at + 58 * rng.randrange(200), len(rest)))
    return rest[:cut] + b"".join(pieces) + rest[cut:]


def either(*ways: Mutator) -> Mutator:
    """One of several ways, at random."""

    def spoil(rng: Random, data: bytes) -> bytes:
        return rng.choice(ways)(rng, data)

    return spoil
