"""How every command answers: JSON alone on stdout, whole files or none, numbers rounded in one way."""

from __future__ import annotations

import json
import math
import os
import tempfile
from pathlib import Path
from typing import Any

import click

from models.errors import InputError

DEEPEST = 60  # lists and objects within one another, in a file that we read


def plain(value: Any) -> Any:
    """The value as JSON can hold it: arrays as lists, NaN and infinity as null."""
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


def json_text(value: Any) -> str:
    """One JSON object as text; never NaN."""
    return json.dumps(plain(value), indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def answer_json(value: Any) -> None:
    """Print the result alone on stdout."""
    click.echo(json_text(value), nl=False)


def say(text: str = "") -> None:
    """Words for a person, on stderr, so that a pipe gets the result alone."""
    click.echo(text, err=True)


def refuse_existing(path: Path, force: bool) -> None:
    """Never overwrite a result without ``--force``; says so before any work is done.

    Raises
    ------
    InputError
        If the file exists and ``force`` is false, or its folder does not exist.
    """
    if path.exists() and not force:
        raise InputError(f"{path} exists; give --force to replace it, or another name")
    if not path.parent.is_dir():
        raise InputError(f"{path.parent} is not a folder; make it first, or give another name")


def write_whole(path: Path, content: str | bytes, *, fresh: bool = False) -> None:
    """Write a file whole or not at all: a temporary file beside it, synced, then renamed.

    Parameters
    ----------
    fresh : there must be no such file yet, also if another program wrote one since `refuse_existing` looked

    Raises
    ------
    InputError
        ``fresh``, and there is one now; it is left as it is.
    """
    data = content.encode() if isinstance(content, str) else content
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as f:
            f.write(data)
            f.flush()
            os.fsync(f.fileno())
        Path(temporary).chmod(0o644)
        if not fresh:
            Path(temporary).replace(path)
            return
        _claim(Path(temporary), path)
        Path(temporary).unlink(missing_ok=True)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def _claim(temporary: Path, path: Path) -> None:
    """Give the whole file its name, if no other has it; whoever comes second is refused."""
    taken = f"{path} was written by another program meanwhile; give --force to replace it, or another name"
    try:
        os.link(temporary, path)
    except FileExistsError:
        raise InputError(taken) from None
    except OSError:  # a file system without links
        try:
            path.touch(exist_ok=False)
        except FileExistsError:
            raise InputError(taken) from None
        temporary.replace(path)


def read_json(path: Path, what: str) -> dict[str, Any]:
    """Read a JSON file that must hold one object.

    Raises
    ------
    InputError
        Names the file, and the line where it is not JSON.
    """
    try:
        value = json.loads(
            path.read_text(encoding="utf-8"),
            parse_int=_whole_number,
            parse_constant=lambda name: _no_number(path, name),
        )
    except FileNotFoundError:
        raise InputError(f"{path}: no such file ({what} was expected)") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: not a text file ({what} was expected)") from None
    except RecursionError:
        raise InputError(f"{path}: nested too deeply to be {what}") from None
    except json.JSONDecodeError as error:
        raise InputError(f"{path}: line {error.lineno}: not JSON: {error.msg} ({what} was expected)") from None
    except OSError as error:
        raise InputError(f"{path}: {error.strerror}") from None
    if not isinstance(value, dict):
        raise InputError(f"{path}: {what} is one JSON object, this is a {type(value).__name__}")
    if _depth(value) > DEEPEST:
        raise InputError(f"{path}: nested too deeply to be {what}")
    return value


def _whole_number(text: str) -> int | float:
    """Numbers of more digits than any count has are decimals: they overflow to infinity, which readers refuse."""
    return int(text) if len(text) <= 18 else float(text)


def _no_number(path: Path, name: str) -> float:
    raise InputError(f"{path}: holds {name}, which is no number in JSON")


def _depth(value: object) -> int:
    """How deep lists and objects stand in one another."""
    depth, level = 0, [value]
    while level:
        depth += 1
        level = [
            inner
            for one in level
            if isinstance(one, dict | list)
            for inner in (one.values() if isinstance(one, dict) else one)
        ]
    return depth
