"""A CSV file as a table of cells: its header, its separator, its numbers."""

from __future__ import annotations

import csv
import gzip
import re
import zlib
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from socband.errors import InputError, Problem, refuse_endless

if TYPE_CHECKING:
    import pandas as pd

# first bytes of what a CSV file may have been packed into
_PACKED = {b"PK": "zip", b"BZh": "bzip2", b"\xfd7zXZ": "xz", b"\x28\xb5\x2f\xfd": "zstandard",
           b"7z\xbc\xaf": "7z", b"\x1f\x8b": "gzip"}  # fmt: skip
_WRONG_COUNT = re.compile(r"expected (\d+) fields in line (\d+), saw (\d+)")


def is_gzip(path: Path) -> bool:
    """By its name."""
    return path.suffix.lower() == ".gz"


def refuse_packed(path: Path) -> None:
    """Refuse a file by its first bytes.

    Raises:
        InputError: it is packed, and not as `.gz`.
        OSError: it cannot be opened.
    """
    refuse_endless(path, "a CSV file, plain or .gz")
    with open(path, "rb") as stream:
        first = stream.read(8)
    for mark, kind in _PACKED.items():
        if first.startswith(mark) and not (kind == "gzip" and is_gzip(path)):
            hint = "a name ending in .gz" if kind == "gzip" else "unpack it first"
            found = f"{kind} data"
            raise InputError(Problem(path.name, found, "a CSV text file, plain or .gz", hint))


def read_header(path: Path) -> tuple[list[str], str, bool]:
    """Column labels, separator, and whether rows end in a separator that the header lacks.

    Raises:
        InputError: no file, or no CSV file; its second line has more fields than the header.
    """
    try:
        refuse_packed(path)
        opened = gzip.open if is_gzip(path) else open
        with opened(path, "rt", encoding="utf-8-sig", errors="replace") as stream:
            line = stream.readline(65536)
            first = stream.readline(65536)
    except (OSError, EOFError, zlib.error) as error:
        reason = (getattr(error, "strerror", None) or str(error) or "unreadable").lower()
        raise InputError(Problem(str(path), reason, "a log that can be read")) from None
    if not line.strip():
        raise InputError(Problem(path.name, "no header in the first row", "column labels there"))
    if "\0" in line:
        raise InputError(Problem(path.name, "binary data", "a CSV text file, plain or .gz"))
    unquoted = re.sub(r'"[^"]*"', "", line)  # a label may hold what separates the others
    separator = max(",;\t", key=unquoted.count)
    labels, fields = _fields(line, separator), _fields(first, separator)
    extra = len(fields) - len(labels)
    trailing = extra == 1 and not fields[-1].strip()
    if extra > 0 and not trailing:  # pandas would take it for an index
        raise InputError(_wrong_count(path.name, 2, len(fields), len(labels), separator))
    return [label.strip() for label in labels], separator, trailing


def _fields(line: str, separator: str) -> list[str]:
    return next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])


def _wrong_count(name: str, line: int, found: int, labels: int, separator: str) -> Problem:
    hint = ""
    if labels == 1:
        hint = "what stands before the column labels has to go"
    elif separator == "," and found == 2 * labels:
        hint = "numbers with decimal commas need semicolons or tabs between them"
    expected = f"as many as the header has, {labels}"
    return Problem(f"{name}, line {line}", f"{found} fields", expected, hint)


def read_table(path: Path, separator: str, trailing: bool, labels: list[str]) -> pd.DataFrame:
    """Every row of these columns, blank lines too, so that row numbers stay those of the file.

    Args:
        path, separator, trailing: see `read_header`.
        labels: of the columns wanted.

    Raises:
        InputError: a row of too many fields, or data that cannot be read.
    """
    import pandas as pd

    try:
        # No `usecols`: with it, rows of too many fields pass unseen, or shifted by one.
        table = pd.read_csv(
            path,
            sep=separator,
            encoding="utf-8-sig",
            encoding_errors="replace",
            skip_blank_lines=False,
            skipinitialspace=True,
            low_memory=False,
            compression="gzip" if is_gzip(path) else None,
            index_col=False if trailing else None,
        )
    except pd.errors.ParserError as error:
        text = str(error).removeprefix("Error tokenizing data. C error: ").strip().lower()
        if counts := _WRONG_COUNT.search(text):
            expected, line, found = (int(count) for count in counts.groups())
            raise InputError(_wrong_count(path.name, line, found, expected, separator)) from None
        expected = "as many fields in every row as the header has"
        raise InputError(Problem(path.name, text, expected)) from None
    except (OSError, EOFError, zlib.error, ValueError) as error:
        text = f"data that cannot be read: {error}".lower()
        raise InputError(Problem(path.name, text, "an undamaged CSV file")) from None
    table.columns = [str(label).strip() for label in table.columns]
    return table[labels]


def numbers(column: pd.Series, separator: str) -> np.ndarray:
    """(n,) as float64; NaN where there is no number.

    A decimal comma is seen by what it makes readable, and most values may be whole. Only where
    commas separate the columns must it explain most of them: in quotes it may part thousands.
    """
    import pandas as pd

    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        return column.to_numpy(dtype=float)
    text = column.astype("string").str.strip()
    plain = pd.to_numeric(text, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    missing = np.isnan(plain).mean() if plain.size else 0.0
    if missing > (0.5 if separator == "," else 0.0):
        comma = text.str.replace(",", ".", n=1, regex=False)
        with_comma = pd.to_numeric(comma, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        if np.isnan(with_comma).mean() < missing:
            return with_comma
    return plain
