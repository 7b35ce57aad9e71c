"""Tables that a person wrote (TOML), checked against a pydantic model: one plain message when something is wrong."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Annotated, Any, Protocol, TypeVar, get_args

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from models.errors import InputError
from models.units import parse_force_N

Model = TypeVar("Model", bound=BaseModel)

UNITS = {
    "N": "N",
    "mm": "mm",
    "mm2": "mm2",
    "mm4": "mm4",
    "MPa": "MPa",
    "g": "g",
    "g_per_m": "g/m",
    "h": "h",
    "min": "min",
    "s": "s",
    "C": "degC",
    "percent": "percent",
    "kPa": "kPa",
    "per_K": "1/K",
    "deg": "degrees",
    "ms": "ms",
    "mm_per_s": "mm/s",
    "mm_per_N": "mm/N",
    "N_per_s": "N/s",
}


class Table(BaseModel):
    """A table of a TOML file: an unknown key is an error, and a read table cannot be changed."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=False, protected_namespaces=())


def _force(value: object) -> float:
    return parse_force_N(value)


def _above_zero(value: float) -> float:
    if not value > 0:
        raise ValueError("must be above 0")
    return value


def _not_negative(value: float) -> float:
    if not value >= 0:
        raise ValueError("must not be negative")
    return value


def between(low: float, high: float, unit: str) -> Any:
    """A number within bounds; the message names them with their unit."""

    def check(value: object) -> object:
        if isinstance(value, int | float) and not isinstance(value, bool) and not low <= value <= high:
            if low == 0 and value < 0:
                raise ValueError("must not be negative")
            raise ValueError(f"must be between {low:g} and {high:g} {unit}".rstrip())
        return value

    return BeforeValidator(check)


def as_tuple(value: object) -> object:
    """A list from a file as a tuple; anything else as it is, for the check after it to refuse."""
    return tuple(value) if isinstance(value, list | tuple) else value


def one_or_more(value: object) -> object:
    """One value or a list of them, as a tuple."""
    return as_tuple(value) if isinstance(value, list | tuple) else (value,)


def clock_time(value: object) -> object:
    """A time of day from "HH:MM" (or a TOML time)."""
    if isinstance(value, time):
        return value
    try:
        return time.fromisoformat(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise ValueError('must be a time of day such as "09:00"') from None


def day(value: object) -> object:
    """A date and time from an ISO text or a TOML date."""
    if isinstance(value, datetime):
        return value
    if isinstance(value, date):
        return datetime(value.year, value.month, value.day)
    try:
        return datetime.fromisoformat(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise ValueError('must be a date such as "2025-03-14" or "2025-03-14T18:00"') from None


Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Above0 = Annotated[Number, AfterValidator(_above_zero)]
NotNegative = Annotated[Number, AfterValidator(_not_negative)]
Force = Annotated[Above0, BeforeValidator(_force)]  # N, or a text such as "100 kgf"
ForceOr0 = Annotated[NotNegative, BeforeValidator(_force)]
Whole = Annotated[int, Field(strict=True)]
Flag = Annotated[bool, Field(strict=True)]


class Readable(Protocol):
    """Something with a name and bytes, such as a path: this package opens nothing by itself."""

    def read_bytes(self) -> bytes: ...


def read_text(path: Readable, what: str) -> str:
    """The file's text.

    Raises
    ------
    InputError
        No such file, or not text.
    """
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise InputError(f"{path}: no such file ({what} was expected)") from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder ({what} was expected)") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: not a text file ({what} was expected)") from None
    except OSError as error:
        raise InputError(f"{path}: {error.strerror}") from None
    if "\0" in text:
        raise InputError(f"{path}: not a text file ({what} was expected)")
    return text


def parse_toml(text: str, where: str, what: str) -> dict[str, Any]:
    """The tables of a text; raises InputError with the line if it is not TOML."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{where}: not TOML: {error} ({what} was expected)") from None
    except (RecursionError, ValueError) as error:  # nested too deeply; a date or number out of range
        raise InputError(f"{where}: not TOML: {error or 'nested too deeply'} ({what} was expected)") from None


def read_toml(path: Readable, what: str) -> dict[str, Any]:
    """The file's tables; raises InputError."""
    return parse_toml(read_text(path, what), str(path), what)


def checked(model: type[Model], content: Mapping[str, Any], where: str) -> Model:
    """The content as a model.

    Raises
    ------
    InputError
        One message that names ``where`` (the file), the key and what is allowed.
    """
    try:
        return model.model_validate(dict(content))
    except ValidationError as error:
        problems = error.errors(include_url=False, include_context=True)
        unknown = [p for p in problems if p["type"] == "extra_forbidden"]
        first = (unknown or problems)[0]
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        raise InputError(f"{where}: {_worded(model, first)}{more}") from None
    except RecursionError:
        raise InputError(f"{where}: nested too deeply") from None


def _tables(annotation: Any) -> list[type[BaseModel]]:
    """The models that an annotation may hold."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for part in get_args(annotation) for m in _tables(part)]


def _table_at(model: type[BaseModel], path: tuple[Any, ...]) -> type[BaseModel] | None:
    """The table that ``path`` leads to; names of a table of tables and the kind of a choice lead no deeper."""
    here: type[BaseModel] | None = model
    choice: list[type[BaseModel]] = []
    for name in path:
        if not isinstance(name, str) or here is None:
            continue
        field = here.model_fields.get(name)
        if field is None and len(choice) > 1:
            here = next((m for m in choice if name in _kinds(m)), here)
        elif field is not None:
            choice = _tables(field.annotation)
            here = choice[0] if choice else None
    return here


def _said(model: type[BaseModel], loc: tuple[Any, ...]) -> tuple[Any, ...]:
    """Where a person finds the key: without the kind of a choice, which is no part of the file."""
    out: list[Any] = []
    for i, name in enumerate(loc):
        table = _table_at(model, loc[: i - 1]) if i else None
        field = table.model_fields.get(str(loc[i - 1])) if table is not None else None
        if field is None or len(_tables(field.annotation)) < 2 or name not in _kinds(field.annotation):
            out.append(name)
    return tuple(out)


def _kinds(annotation: Any) -> set[str]:
    fields = [m.model_fields["kind"] for m in _tables(annotation) if "kind" in m.model_fields]
    return {kind for f in fields for kind in get_args(f.annotation)}


def _key(loc: tuple[Any, ...]) -> str:
    """``wheel.rim.mass_g`` or ``shop.set_profile[1]`` (counting from 1)."""
    text = ""
    for part in loc:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        elif part.isidentifier():
            text += f".{part}" if text else part
    return text


def _worded(model: type[BaseModel], problem: Any) -> str:
    found_at: tuple[Any, ...] = problem["loc"]
    loc = _said(model, found_at)
    kind: str = problem["type"]
    if kind == "extra_forbidden":
        table = _table_at(model, found_at[:-1])
        known = list(table.model_fields) if table is not None else []
        near = difflib.get_close_matches(str(loc[-1]), known, n=1, cutoff=0.5)
        hint = f"did you mean '{near[0]}'?" if near else f"known here: {', '.join(known)}"
        key = ".".join(str(part) for part in loc)
        return f"unknown key '{key}'; {hint}"
    key = _key(loc)
    given = _given(problem.get("input"))
    if kind == "value_error":
        text = str(problem["ctx"]["error"])
        return f"key '{key}' is {given}: {text}" if key and given else f"key '{key}': {text}" if key else text
    if kind in ("float_type", "float_parsing", "finite_number"):
        unit = next((u for end, u in sorted(UNITS.items(), key=lambda p: -len(p[0])) if key.endswith("_" + end)), "")
        return f"key '{key}' is {given}: must be a plain number{' in ' + unit if unit else ''}"
    if kind in ("int_type", "int_from_float", "int_parsing"):
        return f"key '{key}' is {given}: must be a whole number"
    if kind in ("bool_type", "bool_parsing"):
        return f"key '{key}' is {given}: must be true or false"
    if kind == "missing":
        return f"key '{key}' is missing"
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return f"key '{key}' is {given}: must be a table of keys"
    text = problem["msg"].replace("Input should be", "must be").replace("Value should", "must")
    return f"key '{key}' is {given}: {text}"


def _given(value: object) -> str:
    """The value as the person typed it; nothing for a whole table."""
    if isinstance(value, Mapping | BaseModel):
        return ""
    if isinstance(value, str):
        return f'"{value[:40]}"'
    if isinstance(value, bool):
        return str(value).lower()
    text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."
