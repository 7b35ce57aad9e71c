"""The reference pages of the frame's faults and states, and of the files that the program writes."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import meanings

WRITTEN = "<!-- written by docs/make.py from the code: change it there -->\n\n"
FORMATS = Path(__file__).parents[1] / "datasets" / "formats"


def faults_page() -> str:
    """Every fault, what follows, and in which states it is looked for."""
    from bench.faults import Reaction, states_markdown, table_markdown

    reactions = ", ".join(f"*{r.value}*" for r in Reaction)
    return (
        f"# Faults\n\n{WRITTEN}"
        "Each is looked for at every tick, from fresh readings. What happens is one of, from mild to strong: "
        f"{reactions}.\nThe stronger of two wins. A fault that latches is taken further only by a person at the frame "
        "(`longhold resume`).\nNone of this is a safety function: [emergency stop](../how-to/emergency-stop.md).\n\n"
        f"{table_markdown()}\n## Fault by state\n\nThe states are those of [a station](states.md).\n\n"
        f"{states_markdown()}"
    )


def states_page() -> str:
    """What a station and a run may go through, as pictures of their tables."""
    from bench.machine import MAY_MOVE, RUN_TABLE, STATION_TABLE, StationState

    out = [
        f"# States\n\n{WRITTEN}## Of a station\n\n"
        "![States of a station and what leads from one to the other](states.svg)\n\n"
        "Thick border: something may move. Dashed: only a person does this. An event that is not in the table below is "
        "refused,\nand changes nothing.\n\n| state | may move | what may happen, and what it becomes |\n"
        "| --- | --- | --- |\n"
    ]
    for state in StationState:
        told = "; ".join(
            f"{event.value}: " + ("stays" if to is state else f"**{to.value}**")
            for (s, event), to in STATION_TABLE.items()
            if s is state
        )
        out.append(f"| {state.value} | {'yes' if state in MAY_MOVE else 'no'} | {told} |\n")
    out.append("\n## Of a run\n\n| state | event | becomes |\n| --- | --- | --- |\n")
    out += [f"| {a.value} | {e.value} | {b.value} |\n" for (a, e), b in RUN_TABLE.items()]
    return "".join(out)


# -- files ------------------------------------------------------------------------------------------------------------


def newest() -> Path:
    """The samples of the newest version."""
    return max((p for p in FORMATS.iterdir() if p.is_dir() and not p.name.startswith("_")), key=_version)


def _version(folder: Path) -> tuple[int, ...]:
    return tuple(int(part) for part in folder.name.split("."))


def files_page() -> str:
    """Layout of the files that the program writes, read from the samples that are kept of each."""
    from models.table import NEEDED

    folder = newest()
    out = [
        f"# Files that the program writes\n\n{WRITTEN}"
        f"As in the samples of version {folder.name} (`datasets/formats`), which every later version still reads. The "
        "files that you\nwrite have pages of their own: [BUILD.toml](build-file.md), [PROGRAM.toml](program-file.md), "
        "[FRAME.toml](frame-file.md).\nUnits stand in the names; null is *not known*.\n"
    ]
    for name in ("batch", "gauge", "schedule", "wheel", "answer"):
        content = json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
        title, words = meanings.JSON_FILES[name]
        out.append(f"\n## {title}\n\n{words}\n\n| key | holds | what it is |\n| --- | --- | --- |\n")
        for key, value in content.items():
            meaning = meanings.JSON_KEYS.get(f"{name}.{key}")
            if meaning is None:
                raise SystemExit(f"docs/meanings.py: nothing is said of {name}.{key}")
            out.append(f"| `{key}` | {kind_of(value)} | {meaning} |\n")
    out.append("\n## RUN.h5\n\n" + meanings.RUN_FILE + "\n| where | holds | what it is |\n| --- | --- | --- |\n")
    out += run_rows(folder / "run.h5")
    out.append(f"\n## Tables (CSV)\n\n{meanings.TABLES}\n| table | columns |\n| --- | --- |\n")
    for name in ("run", "readings", "gauge-readings", "positions", "history"):
        with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as f:
            columns = next(csv.reader(f))
        out.append(f"| {name}.csv | {', '.join(f'`{c}`' for c in columns)} |\n")
    needed = ", ".join(f"`{name}`" for name in NEEDED)
    out.append(f"\nA table of measurements from any instrument needs {needed}; also read: {meanings.ALSO_READ}\n")
    return "".join(out)


def kind_of(value: Any) -> str:
    """What sort of value, in plain words."""
    if isinstance(value, list):
        return "a list" if not value else f"a list of {len(value)}"
    return {
        "str": "text", "bool": "yes or no", "int": "a whole number", "float": "a number", "dict": "a table",
        "NoneType": "null here",
    }[type(value).__name__]  # fmt: skip


def run_rows(path: Path) -> Iterator[str]:
    """Every group and field of a run file; of the stations only the first."""
    import h5py

    rows: list[str] = []

    def row(name: str, node: Any) -> None:
        if "station_b" in name:
            return
        what = node.attrs.get("long_name") or meanings.RUN_KEYS.get(name.replace("station_a", "STATION"))
        if what is None:
            raise SystemExit(f"docs/meanings.py: nothing is said of {name} in a run file")
        holds = "group" if isinstance(node, h5py.Group) else str(node.dtype).replace("object", "text")
        rows.append(f"| `/{name}` | {holds} | {what} |\n")

    with h5py.File(path) as f:
        f.visititems(row)
    return iter(rows)
