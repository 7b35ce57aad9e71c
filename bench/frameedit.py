"""Puts what a calibration found into the text of FRAME.toml, every other character left as the person wrote it."""

from __future__ import annotations

import copy
import itertools
import re
import tomllib
from collections.abc import Mapping
from datetime import date
from typing import Any

from models.errors import InputError

_CELL = ("serial", "calibrated_on", "uncertainty_percent", "range_N", "zero_N", "span")


def with_calibration(text: str, station: str, changes: Mapping[str, Any], where: str) -> str:
    """The text of a frame file with other values in one station's table; key ``cell`` is a table of its own.

    What a cell's table had before stays unless it is changed; one that was stated for every station is copied first.

    Raises
    ------
    InputError
        Where the file is written in a way that this cannot change without touching anything else.
    """
    before = tomllib.loads(text)
    expected = copy.deepcopy(before)
    mine = next((s for s in expected["station"] if s["name"] == station), None)
    if mine is None:
        raise InputError(f"{where}: there is no station {station}")
    own = dict(changes)
    if "cell" in own:
        stated = mine.get("cell") or before.get("every_station", {}).get("cell") or {}
        own["cell"] = {**stated, **own["cell"]}
    mine.update(own)
    lines = text.splitlines(keepends=True)
    first, end = _block(lines, station)
    for key, value in own.items():
        line = f"{key} = {_cell_text(value) if key == 'cell' else _value(value)}\n"
        at = [i for i in range(first, end) if re.match(rf"\s*{key}\s*=", lines[i])]
        if at:
            comment = re.search(r"(\s+#[^\"'{}]*)$", lines[at[0]])
            lines[at[0]] = line.rstrip("\n") + (comment.group(1) if comment else "\n")
        else:
            lines.insert(end, line)
        first, end = _block(lines, station)
    new = "".join(lines)
    try:
        good = tomllib.loads(new) == expected
    except tomllib.TOMLDecodeError:
        good = False
    if not good:
        raise InputError(f"{where}: station {station} is written in a way that is not changed here: put it in by hand")
    return new


def _block(lines: list[str], station: str) -> tuple[int, int]:
    """Lines of the station's own table, from after its header to where its last own key ends."""
    heads = [i for i, line in enumerate(lines) if line.lstrip().startswith("[")] + [len(lines)]
    for head, after in itertools.pairwise(heads):
        if not re.match(r"\s*\[\[\s*station\s*\]\]", lines[head]):
            continue
        keys = [i for i in range(head + 1, after) if "=" in lines[i] and not lines[i].lstrip().startswith("#")]
        if any(re.match(rf"\s*name\s*=\s*[\"']{re.escape(station)}[\"']", lines[i]) for i in keys):
            return head + 1, keys[-1] + 1
    return 0, 0


def _cell_text(cell: Mapping[str, Any]) -> str:
    return "{ " + ", ".join(f"{key} = {_value(cell[key])}" for key in _CELL if key in cell) + " }"


def _value(value: Any) -> str:
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, date):
        return value.isoformat()
    return repr(value)
