"""Run tables from files: plain CSV and run files, as DataFrames whose index is the line of the file."""

from __future__ import annotations

import codecs
import hashlib
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from models.errors import InputError

if TYPE_CHECKING:
    import pandas as pd


def sha256(path: Path) -> str:
    """SHA-256 of a file's content, in hexadecimal."""
    with path.open("rb") as f:
        return hashlib.file_digest(f, "sha256").hexdigest()


def read_table(path: Path) -> pd.DataFrame:
    """Read a run: ``.h5`` through the bench's reader, anything else as CSV.

    Raises
    ------
    InputError
        Names the file and the line.
    """
    if path.suffix.lower() in (".h5", ".hdf5", ".nxs"):
        from bench import runfile

        if not path.exists():
            raise InputError(f"{path}: no such file (a run was expected)")
        frame: pd.DataFrame = runfile.read_table(path)
        return frame
    return read_csv(path)


def read_csv(path: Path) -> pd.DataFrame:
    """Read a CSV file with a header line; the index is the line number, named ``line``.

    Columns that hold numbers throughout come back as numbers; others as text, for the caller to refuse by line.

    Raises
    ------
    InputError
        If there is no such file, it is no text, has no header or no rows, or rows of uneven length.
    """
    import pandas as pd

    try:
        with path.open("rb") as f:
            head = f.read(4096)
        encoding = "utf-16" if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) else "utf-8-sig"
        if b"\0" in head and encoding != "utf-16":
            raise InputError(f"{path}: not a text file (a CSV table was expected)")
        if not head.strip():
            raise InputError(f"{path}: the file is empty (a CSV table with a header line was expected)")
        separator, decimal = _punctuation(path, head.decode(encoding, errors="replace"))
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            frame = pd.read_csv(
                path,
                sep=separator,
                decimal=decimal,
                skip_blank_lines=False,
                skipinitialspace=True,
                encoding=encoding,
                dtype={"spoke": str, "station": str, "step": str},
                low_memory=False,
                index_col=False,
            )
    except FileNotFoundError:
        raise InputError(f"{path}: no such file (a CSV table was expected)") from None
    except IsADirectoryError:
        raise InputError(f"{path}: this is a folder; a CSV table was expected") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: not a text file in UTF-8 (a CSV table was expected)") from None
    except pd.errors.EmptyDataError:
        raise InputError(f"{path}: the file is empty (a CSV table with a header line was expected)") from None
    except pd.errors.ParserWarning:
        raise InputError(
            f"{path}: rows have more cells than the header has columns (decimal commas? put ; between the cells)"
        ) from None
    except (pd.errors.ParserError, ValueError) as error:
        raise InputError(f"{path}: not a plain table: {str(error).strip().splitlines()[-1]}") from None
    except OSError as error:
        raise InputError(f"{path}: {error.strerror}") from None
    frame.columns = frame.columns.astype(str).str.strip()
    frame.index = pd.RangeIndex(2, 2 + len(frame), name="line")
    frame = frame.dropna(how="all")
    if frame.empty:
        raise InputError(f"{path}: no rows below the header")
    return frame


def _punctuation(path: Path, head: str) -> tuple[str, str]:
    """What stands between cells, and the decimal sign, by the heading and the first row.

    Raises
    ------
    InputError
        If the first line is no heading: empty, a remark, or with one name twice.
    """
    lines = head.splitlines()
    first = lines[0].strip() if lines else ""
    if not first or first.startswith("#"):
        what = "a remark" if first else "empty"
        raise InputError(f"{path}: line 1 is {what}: the names of the columns belong there")
    separator = max(",;\t|", key=first.count)
    names = [name.strip().strip('"') for name in first.split(separator)]
    twice = next((name for name in names if name and names.count(name) > 1), None)
    if twice is not None:
        raise InputError(f"{path}: column {twice} stands twice in line 1")
    second = next((line for line in lines[1:] if line.strip()), "")
    whole = separator != "," and "." not in second and any("," in cell for cell in second.split(separator))
    return separator, "," if whole else "."
