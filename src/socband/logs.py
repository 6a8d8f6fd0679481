"""Logs of time, current, voltage and perhaps temperature, as plain arrays.

`read_log` reads CSV with the column labels of the Battery Data Format (or its machine names), plain
or gzipped, and any other labels by a mapping. Every row is looked at: what can be mended (rows that
cannot be read, doubled times, gaps) is reported in `Log.warnings`; what cannot (time running
backwards, a current of the wrong sign, voltages that the cells cannot have) is an `InputError`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from socband.errors import InputError, Problem, shown
from socband.log_check import Checked, InFile, check_rows
from socband.log_clock import read_times
from socband.log_columns import FIELDS, converted, is_of_cell, matched
from socband.log_table import numbers, read_header, read_table

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
        off_at_end_s: how long rows that were left out, at voltages of a bank that is off, follow
            the last one [s].
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
    off_at_end_s: float = 0.0
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
    off_s = checked.off_at_end_s
    return Log(name=name, off_at_end_s=off_s, warnings=tuple(checked.warnings), **rows)


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


def charge_moved_ah(log: Log) -> float:
    """Charge between where a record is most and where it is least charged [Ah]."""
    return float(np.ptp(charge_ah(log)))


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

_CLOCKS = ("time", "unix_time")
_FIRST_ROW = 2  # the header is row 1, as editors count


def read_log(
    path: str | Path,
    columns: Mapping[str, str] | None = None,
    discharge_positive: bool = False,
    cells_in_series: int | None = None,
    on_problem: OnProblem = "report",
    rated_capacity_ah: float | None = None,
    timezone: str | None = None,
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
        timezone: name in the IANA time zone database of dates that name no zone, so that a clock
            change is followed; None: they stay the time on the wall.

    Raises:
        InputError: with row numbers as an editor counts them (the header is row 1).
    """
    path = Path(path)
    header, separator, trailing = read_header(path)
    found = matched(header, columns or {}, path.name)
    table = read_table(path, separator, trailing, list(dict.fromkeys(found.values())))
    rows: dict[str, np.ndarray] = {}
    times = {}
    warnings: list[Problem] = []
    problems: list[Problem] = []
    for role, label in found.items():
        try:
            if role in _CLOCKS:
                times[role] = read_times(table[label], separator, timezone, _FIRST_ROW)
                values, notes = times[role].seconds, times[role].warnings
            else:
                values, notes = numbers(table[label], separator), []
            if role not in times or not times[role].are_dates:
                values, notes = converted(role, label, values)
        except InputError as error:
            problems += error.problems
            continue
        rows[FIELDS[role]] = values
        warnings += notes
    if problems:
        raise InputError(problems, path.name)
    if "time_s" not in rows:
        rows["time_s"] = rows["unix_time_s"]
    if discharge_positive:
        rows["current_a"] = -rows["current_a"]
    if "unix_time" not in found and rows["time_s"].size and rows["time_s"][0] > 5e8:
        rows["unix_time_s"] = rows["time_s"]  # a date, then, or seconds since 1970

    by_field = {FIELDS[role]: label for role, label in found.items()}

    def cell(key: str, number: int) -> str:
        label = by_field.get(key, found.get("unix_time"))
        value = table[label].iloc[number - _FIRST_ROW]
        text = "nothing" if value != value else shown(str(value))
        return f"{text} in column {label!r}"

    blank = table.isna().all(axis=1).to_numpy()
    counted, clock = (times.get(a, times.get(b)) for a, b in (_CLOCKS, _CLOCKS[::-1]))
    in_file = InFile(blank, cell, counted.are_dates, counted.on_the_wall)
    checked = check_rows(rows, _FIRST_ROW, cells_in_series, rated_capacity_ah, in_file)
    checked.warnings[:0] = dict.fromkeys(warnings)  # time and clock may be one column
    return replace(
        _log(path.name, checked, on_problem),
        clock_is_local=clock.on_the_wall,
        temperature_is_of_cell=is_of_cell(found.get("temperature", "")),
    )
