"""The reference pages that are written from the code: commands, keys of the files people write, laws, and the rest."""

from __future__ import annotations

import inspect
import io
import re
import textwrap
import tokenize
from collections.abc import Iterator
from typing import Any, Literal, Union, get_args, get_origin

import click
import meanings
import reference_bench
import state_diagram
from pydantic import BaseModel, BeforeValidator
from pydantic.fields import FieldInfo

from bench.roles import CABINET_COST, CABINET_ROLES, FRAME_ROLES, STATION_ROLES, Role
from models.laws import LAWS
from models.written import UNITS

WIDTH = 100
WRITTEN = "<!-- written by docs/make.py from the code: change it there -->\n\n"

# -- commands ---------------------------------------------------------------------------------------------------------


def commands_page() -> str:
    """Every command's own help, in the order of the job."""
    from tui.cli import COMMANDS, cli

    words = "In the order of the job. Exit statuses and units are in [Reference](../reference.md).\n"
    parts = ["# Commands\n\n", WRITTEN, words]
    for name in COMMANDS:
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        parts += _command(command, f"longhold {name}")
    return "".join(parts)


def _command(command: click.Command, path: str) -> Iterator[str]:
    """One command and those below it."""
    context = click.Context(
        command, info_name=path, terminal_width=WIDTH, max_content_width=WIDTH, help_option_names=["-h", "--help"]
    )
    text = command.get_help(context).rstrip()
    yield f"\n## {path}\n\n```text\n{text}\n```\n"
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from _command(below, f"{path} {name}")


# -- keys of files ----------------------------------------------------------------------------------------------------


def comments(model: type[BaseModel]) -> dict[str, str]:
    """What stands behind each field in the source, by its name."""
    found: dict[str, str] = {}
    source = textwrap.dedent(inspect.getsource(model))
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            m = re.match(r"\s*(\w+)\s*:", token.line)
            if m:
                found[m.group(1)] = token.string.lstrip("# ").rstrip()
    return found


def limits(kind: Any, metadata: list[Any]) -> Iterator[Any]:
    """Everything that is annotated to a type, at any depth."""
    yield from metadata
    yield from getattr(kind, "__metadata__", ())
    for part in get_args(kind):
        if hasattr(part, "__metadata__") or get_args(part):
            yield from limits(part, [])


def bounds(field: FieldInfo) -> str:
    """The range that a value must lie in."""
    low = high = None
    for one in limits(field.annotation, field.metadata):
        if isinstance(one, BeforeValidator) and inspect.isfunction(one.func):
            closure = inspect.getclosurevars(one.func).nonlocals
            if {"low", "high"} <= set(closure):
                return f"{closure['low']:g} to {closure['high']:g}"
        parts = one.metadata if isinstance(one, FieldInfo) else [one]
        for part in parts:
            low = getattr(part, "ge", low)
            high = getattr(part, "le", high)
    if low is not None and high is not None:
        return f"{low:g} to {high:g}"
    if high is not None:
        return f"at most {high:g}"
    return "" if low is None else f"at least {low:g}"


def inner(kind: Any) -> list[Any]:
    """The parts of a type that may be a table."""
    if get_origin(kind) in (Union, type(int | str), tuple, list, dict):
        return [one for part in get_args(kind) for one in inner(part)]
    return inner(get_args(kind)[0]) if hasattr(kind, "__metadata__") else [kind]


def choices(kind: Any) -> str:
    """The words of a Literal."""
    if get_origin(kind) is Literal:
        return " or ".join(f'"{c}"' for c in get_args(kind))
    return next((found for part in get_args(kind) if (found := choices(part))), "")


def default_of(field: FieldInfo) -> str:
    """As it would be written in a file; a dash for what has none."""
    value = field.get_default(call_default_factory=True)
    if field.is_required():
        return "needed"
    if value is None or isinstance(value, BaseModel) or value == {} or value == ():
        return "-"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return f"{value:g}"
    if isinstance(value, tuple):
        return "[" + ", ".join(default_value(v) for v in value) + "]"
    return default_value(value)


def default_value(value: Any) -> str:
    """One value of a file."""
    if isinstance(value, tuple):
        return "[" + ", ".join(default_value(v) for v in value) + "]"
    if isinstance(value, int | float):
        return f"{value:g}"
    return f'"{value:%H:%M}"' if hasattr(value, "hour") else f'"{value}"'


def unit_of(name: str) -> str:
    """From the key's own ending."""
    for ending in sorted(UNITS, key=len, reverse=True):
        if name.endswith(f"_{ending}"):
            return UNITS[ending]
    return ""


def key_rows(model: type[BaseModel], at: str, words: dict[str, str]) -> Iterator[tuple[str, str]]:
    """(table, row) for every key, tables within tables after it; of a table that was told already only where."""
    told: dict[type[BaseModel], str] = {}
    waiting = [(model, at, "")]
    while waiting:
        one, where, of_kind = waiting.pop(0)
        if one in told:
            yield where, f"As `[{told[one]}]`."
            continue
        told[one] = where
        said, below = comments(one), []
        for name, field in one.model_fields.items():
            key = f"{where}.{name}" if where else name
            tables = [k for k in inner(field.annotation) if inspect.isclass(k) and issubclass(k, BaseModel)]
            if tables:
                several = ".*" if get_origin(field.annotation) is dict else ""
                for table in tables:
                    kind = choices(table.model_fields["kind"].annotation) if len(tables) > 1 else ""
                    below.append((table, key + several, kind and f" with kind = {kind}"))
                continue
            lookup = (key, f"{where.removesuffix('.*')}.{name}", f"{where.rpartition('.')[2]}.{name}", name)
            meaning = next((words[k] for k in lookup if k in words), said.get(name, ""))
            if not meaning:
                raise SystemExit(f"docs/meanings.py: nothing is said of {key} ({one.__name__}.{name})")
            allowed = choices(field.annotation) or bounds(field)
            yield where + of_kind, f"| `{name}` | {default_of(field)} | {unit_of(name)} | {allowed} | {meaning} |"
        waiting[:0] = below


HEADINGS = "| key | default | unit | allowed | what it is |\n| --- | --- | --- | --- | --- |\n"


def keys_page(title: str, words: str, model: type[BaseModel], known: dict[str, str], extra: str = "") -> str:
    """One file's keys, a table of them for each table of the file."""
    parts = [f"# {title}\n\n", WRITTEN, words, "\n"]
    last: str | None = None
    for table, row in key_rows(model, "", known):
        if table != last:
            name, _, kind = table.partition(" ")
            heading = f"[{name}] {kind}".rstrip() if table else "at the top"
            parts.append(f"\n## {heading}\n\n" + (HEADINGS if row.startswith("|") else ""))
            last = table
        parts.append(row + "\n")
    return "".join(parts) + extra


def build_page() -> str:
    """BUILD.toml."""
    from planner.build import Build

    return keys_page(
        "BUILD.toml",
        "Every key has a default and may be left out; what was assumed is listed with the plan. A force may be typed\n"
        'as `"100 kgf"` or `"981 N"`. An unknown key is an error that names the nearest known one.',
        Build,
        meanings.BUILD,
    )


def program_page() -> str:
    """PROGRAM.toml: its tables, and a table of keys for each kind of step."""
    from bench import programtable as program

    steps = ["\n## [[steps]]\n\nOne table a step, in order. Each has `kind`, and may have a `name`.\n"]
    for kind, model in program.KINDS.items():
        rows = [
            row for _, row in key_rows(model, kind, meanings.PROGRAM) if not row.startswith(("| `kind`", "| `name`"))
        ]
        steps.append(f"\n### {kind}\n\n{(model.__doc__ or '').strip()}\n\n{HEADINGS}" + "".join(r + "\n" for r in rows))
    return keys_page(
        "PROGRAM.toml",
        "What the spokes go through. `longhold program` writes one for a purpose, and rehearses it.",
        program.File,
        meanings.PROGRAM,
        "".join(steps),
    )


def frame_page() -> str:
    """FRAME.toml: its tables, and the roles that registers play."""
    from bench.frametable import FrameTable

    def rows(roles: dict[str, Role]) -> str:
        head = "| role | form | what it is | if the frame lacks it |\n| --- | --- | --- | --- |\n"
        lines = [head]
        for name, r in roles.items():
            form = f"{r.form}, written" if r.written else f"{r.form}, may be `writable`" if r.limit else r.form
            lines.append(f"| `{name}` | {form} | {r.does} | {r.cost or '**the frame is refused**'} |\n")
        return "".join(lines)

    roles = (
        "\n## Roles\n\nEach register plays one role. A role that is neither mapped nor under `absent` is an error.\n"
        f"\n### Of the frame\n\n{rows(FRAME_ROLES)}\n### Of each station\n\n{rows(STATION_ROLES)}"
        f"\n### Of a cabinet\n\nA frame without one: {CABINET_COST}.\n\n{rows(CABINET_ROLES)}"
    )
    return keys_page(
        "FRAME.toml",
        "How a frame is reached and which register plays which role. `datasets/demo/frame.toml` is a whole one.",
        FrameTable,
        meanings.FRAME,
        roles,
    )


# -- laws -------------------------------------------------------------------------------------------------------------


def laws_page() -> str:
    """Formula, parameters and what each law converts to."""
    out = ["# Laws\n\n", WRITTEN]
    out.append(
        "T is the load in N, t the time under it in s; each formula is the strain (a ratio) at a constant load. Every\n"
        "law becomes modes of one chain on which everything runs, exactly or with an error that is stated.\n"
    )
    for law in LAWS.values():
        where = "the chain is the law itself" if law.exact else "the chain follows it over the span asked for"
        closed = "; relaxation in closed form" if law.relaxation is not None else ""
        out.append(f"\n## {law.name}\n\nPart: {law.part}; {where}{closed}.\n\n    {law.formula}\n")
        if law.bounds:
            out.append("\n| parameter | unit | from | to |\n| --- | --- | --- | --- |\n")
            for name, b in law.bounds.items():
                low = f"{b.low:g}" + ("" if b.closed else " (excluded)")
                out.append(f"| `{name}` | {b.unit} | {low} | {'-' if b.high == float('inf') else f'{b.high:g}'} |\n")
    return "".join(out)


PAGES = {
    "commands.md": commands_page,
    "build-file.md": build_page,
    "program-file.md": program_page,
    "frame-file.md": frame_page,
    "laws.md": laws_page,
    "faults.md": reference_bench.faults_page,
    "states.md": reference_bench.states_page,
    "states.svg": state_diagram.svg,
    "files.md": reference_bench.files_page,
}
