"""Run tables from files: plain CSV and run files, as DataFrames whose index is the line of the file."""

from __future__ import annotations

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
        if b"\0" in head:
            raise InputError(f"{path}: not a text file (a CSV table was expected)")
        if not head.strip():
            raise InputError(f"{path}: the file is empty (a CSV table with a header line was expected)")
        first = head.split(b"\n", 1)[0]
        separator = ";" if first.count(b";") > first.count(b",") else ","
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            frame = pd.read_csv(
                path,
                sep=separator,
                skip_blank_lines=False,
                skipinitialspace=True,
                encoding="utf-8-sig",
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
        raise InputError(f"{path}: rows have more cells than the header has columns") from None
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
