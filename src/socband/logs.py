"""Logs of time, current, voltage and perhaps temperature, as plain arrays.

`read_log` reads CSV with the column labels of the Battery Data Format (or its machine names), plain
or gzipped, and any other labels by a mapping. Every row is looked at: what can be mended (rows that
cannot be read, doubled times, gaps) is reported in `Log.warnings`; what cannot (time running
backwards, a current of the wrong sign, voltages that the cells cannot have) is an `InputError`.
"""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from socband.errors import InputError, Problem, refuse_endless
from socband.log_check import Checked, check_rows
from socband.log_columns import FIELDS, factor_of, is_of_cell, matched

if TYPE_CHECKING:
    import pandas as pd

OnProblem = Literal["report", "reject"]


@dataclass(frozen=True)
class Log:
    """A recorded log in the conventions used inside: current positive into the battery.

    Attributes:
        name: what to call it (file name).
        time_s: (n,) seconds from the start, strictly increasing.
        current_a: (n,) [A], positive = charge.
        voltage_v: (n,) terminal voltage [V].
        temperature_c: (n,) [°C], or None.
        temperature_is_of_cell: measured on the cell, whose own heat is in it, not beside it.
        true_soc: (n,) 0..1 where the truth is known, or None.
        unix_time_s: (n,) seconds since 1970-01-01 UTC, or None.
        clock_is_local: its dates named no zone: `unix_time_s` counts the time on the wall.
        net_charge_ah: (n,) [Ah] net charge since the first row by the instrument's own counters,
            positive = charged, starts at 0; None where there is no counter.
        warnings: what was repaired on reading.
    """

    name: str
    time_s: np.ndarray
    current_a: np.ndarray
    voltage_v: np.ndarray
    temperature_c: np.ndarray | None = None
    true_soc: np.ndarray | None = None
    unix_time_s: np.ndarray | None = None
    net_charge_ah: np.ndarray | None = None
    clock_is_local: bool = False
    temperature_is_of_cell: bool = False
    warnings: tuple[Problem, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.time_s)

    @classmethod
    def from_arrays(
        cls,
        name: str,
        time_s: Any,
        current_a: Any,
        voltage_v: Any,
        *,
        cells_in_series: int | None = None,
        on_problem: OnProblem = "report",
        first_row: int = 1,
        **more: Any,
    ) -> Log:
        """From arrays, checked row by row just as a file is.

        Args:
            name: for messages.
            time_s, current_a, voltage_v: (n,) each; NaN where unknown.
            cells_in_series: of the bank the voltage belongs to; None = not checked.
            on_problem: "reject" turns every warning into an error.
            first_row: what the user calls the first row.
            more: temperature_c, true_soc, unix_time_s, net_charge_ah, or None each.

        Raises:
            InputError: the log cannot be used.
        """
        rows: dict[str, np.ndarray] = {
            key: np.asarray(value, dtype=float)
            for key, value in dict(
                time_s=time_s, current_a=current_a, voltage_v=voltage_v, **more
            ).items()
            if value is not None
        }
        checked = check_rows(rows, first_row, cells_in_series)
        return _log(name, checked, on_problem)


def _log(name: str, checked: Checked, on_problem: OnProblem) -> Log:
    problems = list(checked.errors)
    if on_problem == "reject":
        problems += checked.warnings
    if problems:
        raise InputError(problems, name)
    rows = dict(checked.rows)
    rows["time_s"] = rows["time_s"] - rows["time_s"][0]
    if "net_charge_ah" in rows:
        rows["net_charge_ah"] = rows["net_charge_ah"] - rows["net_charge_ah"][0]
    return Log(name=name, warnings=tuple(checked.warnings), **rows)


def charge_ah(log: Log) -> np.ndarray:
    """Net charge since the first row (n,) [Ah]: the counters', else the current by trapezoids.

    For test records, sampled at moments; a gap counts as a straight line between its two rows. What
    a monitor counts instead is in `monitor.counted_soc`, what may have flowed in `track`.
    """
    if log.net_charge_ah is not None:
        return log.net_charge_ah
    mean_a = 0.5 * (log.current_a[1:] + log.current_a[:-1])
    return np.concatenate([[0.0], np.cumsum(mean_a * np.diff(log.time_s))]) / 3600.0


def with_true_soc(log: Log, start_soc: float, capacity_ah: float) -> Log:
    """The log with its true charge counted from a known start.

    Args:
        log: with counters, better, or without.
        start_soc: charge at the first row, 0..1.
        capacity_ah: [Ah]; not clipped, so a wrong capacity shows as a charge outside 0..1.
    """
    return replace(log, true_soc=start_soc + charge_ah(log) / capacity_ah)


def emptied_ah(rest: Log) -> float:
    """Charge that the discharge after a record, down to the cell's end, still gave [Ah]."""
    return -float(charge_ah(rest).min())


def end_point_capacity_ah(log: Log, rest: Log, left_ah: float = 0.0) -> float:
    """Charge from full to empty of a record and of the discharge that empties the cell after it.

    Two anchors, and the counters of the run itself between them: what a run gives differs by some
    per cent from another test of the same cell (its counters, its full charge), which matters most
    where the voltage falls.

    Args:
        log: a record that begins full or passes full.
        rest: the discharge to the cell's end that follows it.
        left_ah: what a low-rate discharge at the record's temperature leaves, when `rest` is run
            warmer and takes that too [Ah].
    """
    charge = charge_ah(log)
    return float(charge.max() - charge[-1]) + emptied_ah(rest) - left_ah


def sliced(log: Log, start: int | None = None, stop: int | None = None, step: int = 1) -> Log:
    """Rows start:stop:step as a log of its own, its time and counter beginning at 0."""
    part = slice(start, stop, step)
    arrays = {
        key: None if value is None else value[part]
        for key, value in vars(log).items()
        if isinstance(value, np.ndarray | None)
    }
    arrays["time_s"] = arrays["time_s"] - arrays["time_s"][0]
    if arrays["net_charge_ah"] is not None:
        arrays["net_charge_ah"] = arrays["net_charge_ah"] - arrays["net_charge_ah"][0]
    return replace(log, **arrays)


# ---------------------------------------------------------------- files


def read_log(
    path: str | Path,
    columns: Mapping[str, str] | None = None,
    discharge_positive: bool = False,
    cells_in_series: int | None = None,
    on_problem: OnProblem = "report",
    rated_capacity_ah: float | None = None,
) -> Log:
    """Read a log from CSV (comma, semicolon or tab; `.gz` too).

    Args:
        path: the file.
        columns: role to column label where the labels are not those of the Battery Data Format;
            roles: time, unix_time, current, voltage, temperature, net_charge, true_soc.
        discharge_positive: the file counts discharge as positive.
        cells_in_series: of the logged bank, to recognise impossible voltages; None = unknown.
        on_problem: "reject" turns every warning into an error.
        rated_capacity_ah: of the logged bank, to recognise impossible currents; None = unknown.

    Raises:
        InputError: with row numbers as an editor counts them (the header is row 1).
    """
    path = Path(path)
    header, separator, trailing = _header(path)
    found = matched(header, columns or {}, path.name)
    table = _table(path, separator, trailing, list(dict.fromkeys(found.values())))
    blank = table.isna().all(axis=1).to_numpy()
    rows = {FIELDS[role]: _numbers(table[label], separator) for role, label in found.items()}
    warnings = []
    for role, label in found.items():
        factor = factor_of(role, label)
        if factor != 1.0:
            rows[FIELDS[role]] = rows[FIELDS[role]] * factor
            what = f"its unit, converted by {factor:g}"
            warnings.append(Problem(f"column {label!r}", what, "the unit used inside"))
    if "time_s" not in rows:
        rows["time_s"] = rows["unix_time_s"]
    if discharge_positive:
        rows["current_a"] = -rows["current_a"]
    if "unix_time" not in found and rows["time_s"].size and rows["time_s"][0] > 5e8:
        rows["unix_time_s"] = rows["time_s"]  # a date, then, or seconds since 1970
    checked = check_rows(rows, 2, cells_in_series, rated_capacity_ah, ignored=blank)
    checked.warnings[:0] = warnings
    clock = found.get("unix_time", found.get("time"))
    return replace(
        _log(path.name, checked, on_problem),
        clock_is_local=_dates_without_zone(table[clock]),
        temperature_is_of_cell=is_of_cell(found.get("temperature", "")),
    )


# first bytes of what a CSV file may have been packed into
_PACKED = {b"PK": "zip", b"BZh": "bzip2", b"\xfd7zXZ": "xz", b"\x28\xb5\x2f\xfd": "zstandard",
           b"7z\xbc\xaf": "7z", b"\x1f\x8b": "gzip"}  # fmt: skip


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


def _header(path: Path) -> tuple[list[str], str, bool]:
    """Column labels, separator, and whether rows end in a separator that the header lacks."""
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
    separator = max(",;\t", key=line.count)
    labels = line.strip("\r\n").split(separator)
    extra = first.count(separator) + 1 - len(labels)
    trailing = extra == 1 and first.rstrip(" \r\n").endswith(separator)
    if extra > 0 and not trailing and '"' not in first:  # pandas would take it for an index
        found = f"expected {len(labels)} fields in line 2, saw {len(labels) + extra}"
        raise InputError(Problem(path.name, found, "as many fields in every row as the header has"))
    return [label.strip().strip('"').strip() for label in labels], separator, trailing


def _table(path: Path, separator: str, trailing: bool, labels: list[str]) -> pd.DataFrame:
    import pandas as pd

    try:
        # No `usecols`: with it, rows of too many fields pass unseen, or shifted by one.
        table = pd.read_csv(
            path,
            sep=separator,
            encoding="utf-8-sig",
            encoding_errors="replace",
            skip_blank_lines=False,  # so that row numbers stay those of the file
            skipinitialspace=True,
            low_memory=False,
            compression="gzip" if is_gzip(path) else None,
            index_col=False if trailing else None,
        )
    except pd.errors.ParserError as error:
        text = str(error).removeprefix("Error tokenizing data. C error: ").strip().lower()
        expected = "as many fields in every row as the header has"
        raise InputError(Problem(path.name, text, expected)) from None
    except (OSError, EOFError, zlib.error, ValueError) as error:
        text = f"data that cannot be read: {error}".lower()
        raise InputError(Problem(path.name, text, "an undamaged CSV file")) from None
    table.columns = [str(label).strip() for label in table.columns]
    return table[labels]


def _numbers(column: pd.Series, separator: str) -> np.ndarray:
    """As float64; dates as seconds since 1970; NaN where neither.

    A decimal comma is seen by what it makes readable, and most values may be whole. Only where
    commas separate the columns must it explain most of them: in quotes it may part thousands.
    """
    import pandas as pd

    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        return column.to_numpy(dtype=float)
    text = column.astype("string").str.strip()
    numbers = pd.to_numeric(text, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    missing = np.isnan(numbers).mean() if numbers.size else 0.0
    if missing > (0.5 if separator == "," else 0.0):
        comma = text.str.replace(",", ".", n=1, regex=False)
        with_comma = pd.to_numeric(comma, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        if np.isnan(with_comma).mean() < missing:
            return with_comma
    if missing > 0.5:
        dates = pd.to_datetime(text, errors="coerce", format="ISO8601", utc=True)
        if dates.notna().mean() > 0.5:
            epoch = pd.Timestamp("1970-01-01", tz="UTC")
            return ((dates - epoch) / pd.Timedelta(seconds=1)).to_numpy(dtype=float)
    return numbers


def _dates_without_zone(column: pd.Series) -> bool:
    """Dates as a clock on the wall shows them, no row naming a zone?"""
    import pandas as pd

    if pd.api.types.is_numeric_dtype(column):
        return False
    text = column.astype("string").str.strip()
    zone = text.str.contains(r"(?:[Zz]|[+-]\d\d(?::?\d\d)?)$", regex=True)
    return bool((text.str.contains(":", regex=False) & ~zone).fillna(False).mean() > 0.5)
