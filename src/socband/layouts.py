"""Readers for the raw layouts in which open cell records are published; one function a layout.

Each reader knows its layout's traps (sign of the current, which counter to trust) and returns a
`Log` in the conventions used inside: current positive into the cell, net charge starting at 0.
A published record says nothing about its true charge (see `socband.logs.with_true_soc`), but for
the column `true_soc` that somebody may have added to its table.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from socband.errors import InputError, Problem
from socband.log_table import is_gzip, refuse_packed
from socband.logs import Log, read_log

_CELLS = 1  # all of them are records of single cells


def read_time_i_u_csv(path: str | Path) -> Log:
    """Columns `Time [s]`, `I[A]`, `U[V]`; negative = discharge; no counters.

    Layout of the open 2 Ah 18650 records (About:Energy Ltd, BPX parameterisation, CC BY-SA 4.0).

    Raises:
        InputError: another layout, or rows that cannot be used.
    """
    columns = {"time": "Time [s]", "current": "I[A]", "voltage": "U[V]"}
    return read_log(path, columns, cells_in_series=_CELLS)


def read_cycler_csv(path: str | Path) -> Log:
    """A cycler's export with `Test_Time(s)`, `Current(A)`, `Voltage(V)` and two Ah counters.

    Negative = discharge; both counters only ever rise, net charge is their difference. Rows are
    10 s apart in the low-rate tests, 60 s in rests, a fraction of a second at ends of steps.
    Layout of the open low-rate 26650 records (Plett 2015, supplement).

    Raises:
        InputError: another layout, or rows that cannot be used.
    """
    frame = _frame(path)
    names = ("Test_Time(s)", "Current(A)", "Voltage(V)")
    counters = ("Charge_Capacity(Ah)", "Discharge_Capacity(Ah)")
    column = _columns(frame, (*names, *counters), path)
    return Log.from_arrays(
        Path(path).name,
        *(column[name] for name in names),
        net_charge_ah=column[counters[0]] - column[counters[1]],
        true_soc=_truth(frame, path),
        cells_in_series=_CELLS,
        first_row=2,
    )


def read_dynamic_csv(path: str | Path) -> Log:
    """Columns `time`, `step`, `current`, `voltage`, `chgAh`, `disAh`; POSITIVE = discharge.

    The current is turned round here. The counters are the reference for charge: integrating the
    1 s current differs from them by up to 1.2 %. Layout of the open dynamic 26650 records (Plett
    2015, supplement).

    Raises:
        InputError: another layout, or rows that cannot be used.
    """
    frame = _frame(path)
    names = ("time", "current", "voltage", "chgAh", "disAh")
    column = _columns(frame, names, path)
    return Log.from_arrays(
        Path(path).name,
        column["time"],
        -column["current"],
        column["voltage"],
        net_charge_ah=column["chgAh"] - column["disAh"],
        true_soc=_truth(frame, path),
        cells_in_series=_CELLS,
        first_row=2,
    )


def read_steps_mat(path: str | Path) -> Log:
    """A MATLAB file with time, current, voltage, chargeCapacity, dischargeCapacity.

    Negative = discharge. One record has gaps of 60 s and others were resampled to whole seconds, so
    only the counters give the charge. Layout of the open 2.5 Ah 26650 step records (Gao & Onori
    2025, CC0).

    Raises:
        InputError: another layout, or rows that cannot be used.
    """
    import scipy.io

    names = ("time", "current", "voltage", "chargeCapacity", "dischargeCapacity")
    try:
        table = scipy.io.loadmat(path, variable_names=names)
    except (OSError, ValueError, TypeError, NotImplementedError) as error:
        found = f"no MATLAB file that can be read: {error}"
        raise InputError(Problem(str(path), found, "a MATLAB file, version 5")) from None
    column = _columns({key: np.ravel(table[key]) for key in names if key in table}, names, path)
    return Log.from_arrays(
        Path(path).name,
        column["time"],
        column["current"],
        column["voltage"],
        net_charge_ah=column["chargeCapacity"] - column["dischargeCapacity"],
        cells_in_series=_CELLS,
    )


def read_record(
    path: str | Path,
    columns: Mapping[str, str] | None = None,
    discharge_positive: bool = False,
) -> Log:
    """Read a record of any known layout, told by its content; else as a log by `read_log`.

    Args:
        path: the file.
        columns, discharge_positive: as for `read_log`; where either is given, the file is read as a
            log by it, whatever layout it looks like.

    Raises:
        InputError: no known layout, or rows that cannot be used.
    """
    path = Path(path)
    if columns or discharge_positive:
        return read_log(path, columns, discharge_positive, cells_in_series=_CELLS)
    head = _head(path)
    if head.startswith(b"MATLAB"):
        return read_steps_mat(path)
    labels = {label.strip() for label in head.decode("utf-8", "replace").split(",")}
    for needed, reader in _BY_LABELS.items():
        if needed <= labels:
            return reader(path)
    return read_log(path, cells_in_series=_CELLS)


_BY_LABELS: dict[frozenset[str], Callable[[str | Path], Log]] = {
    frozenset({"Time [s]", "I[A]", "U[V]"}): read_time_i_u_csv,
    frozenset({"Test_Time(s)", "Current(A)", "Voltage(V)"}): read_cycler_csv,
    frozenset({"time", "current", "voltage", "chgAh", "disAh"}): read_dynamic_csv,
}


def _head(path: Path) -> bytes:
    """The first line."""
    try:
        refuse_packed(path)
        opened = gzip.open if is_gzip(path) else open
        with opened(path, "rb") as stream:
            return stream.readline(65536).strip()
    except (OSError, EOFError) as error:
        reason = (getattr(error, "strerror", None) or str(error) or "unreadable").lower()
        raise InputError(Problem(str(path), reason, "a record that can be read")) from None


def _frame(path: str | Path) -> dict[str, np.ndarray]:
    import pandas as pd

    try:
        packing = "gzip" if is_gzip(Path(path)) else None  # whatever else its name suggests
        table = pd.read_csv(
            path, skipinitialspace=True, skip_blank_lines=False, compression=packing
        )
    except (OSError, EOFError, ValueError) as error:  # pandas' own errors are ValueErrors
        found = f"data that cannot be read: {error}"
        raise InputError(Problem(str(path), found, "an undamaged CSV file")) from None
    return {str(label).strip(): table[label].to_numpy() for label in table.columns}


def _truth(frame: dict[str, np.ndarray], path: str | Path) -> np.ndarray | None:
    """The column of true charge that somebody added; published layouts have none."""
    return _columns(frame, ("true_soc",), path)["true_soc"] if "true_soc" in frame else None


def _columns(
    frame: dict[str, np.ndarray], names: tuple[str, ...], path: str | Path
) -> dict[str, np.ndarray]:
    name = Path(path).name
    missing = [label for label in names if label not in frame]
    if missing:
        found = f"columns {', '.join(frame)}"
        raise InputError([Problem(name, found, f"a column {label!r}") for label in missing])
    columns, problems = {}, []
    for label in names:
        try:
            columns[label] = frame[label].astype(float)
        except (TypeError, ValueError):
            problems.append(Problem(f"{name}: {label}", "text among the numbers", "numbers"))
    if problems:
        raise InputError(problems)
    return columns
