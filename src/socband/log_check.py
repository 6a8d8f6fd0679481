"""Row by row checks of a log: what can be mended is mended and reported, the rest are errors."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from socband.errors import Problem
from socband.log_clock import LAST_UNIX_S, moment_words
from socband.log_counter import running_on
from socband.log_listing import LISTED, listed, runs
from socband.log_sense import Bank, check_sign, frozen, one_way, unanswered

# No LFP cell in service shows a voltage outside these [V]; open cell records dip to 1.92 V.
_POSSIBLE_CELL_V = (1.0, 4.0)
# Half of a log's readings at least lie within these: from just below the 2.0 V at which open cell
# records end to just above the usual charge voltage of 3.65 V.
_USUAL_CELL_V = (1.9, 3.75)
MOST_C = 20.0  # assumed: more flows in no house bank, but through a tool across its terminals
MOST_A = 1e5  # where the bank is not known
MOST_YEARS = 20.0  # between first and last row
POSSIBLE_C = (-60.0, 90.0)  # of a battery and the air around it, as in a setup file [°C]
MOST_STUCK = 0.9  # share of rows that may repeat each other, else there is no log
_LONG_GAP_S = 3600.0  # is said however coarse the log
_SHORT_S = 600.0  # a log of less, in steps of less than the next, has its time in another unit
_SHORT_STEP_S = 0.5
_NEEDED = ("time_s", "current_a", "voltage_v")


@dataclass(frozen=True)
class Checked:
    """Rows that can be used, and what was found. Arrays have one common length n.

    `off_at_end_s` is how long rows at voltages of no bank that is on follow the last of them [s].
    """

    rows: dict[str, np.ndarray]
    warnings: list[Problem]
    errors: list[Problem]
    off_at_end_s: float = 0.0


@dataclass(frozen=True)
class InFile:
    """How the rows stand in their file.

    Attributes:
        blank: (n,) rows to drop without a word.
        cell: what a row holds of a field (name as in a `Log`, number of the row), in words.
        dates: its times are dates, so that they count since 1970.
        on_the_wall: its dates named no zone, and nobody else did.
    """

    blank: np.ndarray
    cell: Callable[[str, int], str]
    dates: bool = False
    on_the_wall: bool = False


def check_rows(
    rows: dict[str, np.ndarray],
    first_row: int,
    cells_in_series: int | None,
    rated_capacity_ah: float | None = None,
    in_file: InFile | None = None,
) -> Checked:
    """Check and mend.

    Args:
        rows: arrays (n,) named as the fields of a `Log`; NaN where a value could not be read.
        first_row: what the user calls the first row.
        cells_in_series: to recognise impossible voltages; None = not checked.
        rated_capacity_ah: to recognise impossible currents; None = only absurd ones are.
        in_file: None if they come from none.
    """
    warnings: list[Problem] = []
    errors: list[Problem] = []
    number = np.arange(len(rows["time_s"])) + first_row
    if in_file is not None:
        rows, number = _kept(rows, number, ~in_file.blank)
    if len(number) < 2:
        found = f"{len(number)} rows of data"
        return Checked(rows, warnings, [Problem("rows", found, "at least two")])

    bad = ~np.logical_and.reduce([np.isfinite(rows[key]) for key in _NEEDED])
    if bad.mean() > 0.5 or (~bad).sum() < 2:
        return Checked(rows, warnings, [_mostly_unreadable(rows, number, bad, in_file)])
    warnings += listed(
        number, bad, "time, current or voltage missing or no number", "three numbers", "left out"
    )
    rows, number = _kept(rows, number, ~bad)

    time_s = rows["time_s"]
    back = np.flatnonzero(np.diff(time_s) < 0.0) + 1
    for k in back[:LISTED]:
        before, after = (_moment(time_s[row], in_file) for row in (k - 1, k))
        found = f"time running backwards, {before} to {after}"
        hint = _clock_change(np.diff(time_s), k - 1, -_LONG_GAP_S, in_file)
        errors.append(Problem(f"row {number[k]}", found, "times that only increase", hint))
    if len(back) > LISTED:
        found = f"time running backwards in {len(back) - LISTED} more rows"
        errors.append(Problem("rows", found, "times that only increase"))
    years = float(time_s[-1] - time_s[0]) / (365.25 * 86400.0)
    if years > MOST_YEARS:
        found = f"{years:.4g} years from the first to the last"
        errors.append(Problem("rows", found, f"{MOST_YEARS:g} at most", "is the time in seconds?"))
    if errors:
        return Checked(rows, warnings, errors)

    warnings += _too_short(time_s)
    doubled = np.concatenate([[False], np.diff(time_s) == 0.0])
    warnings += listed(number, doubled, "the time of the row before", "a later time", "left out")
    rows, number = _kept(rows, number, ~doubled)
    if len(number) < 2:
        return Checked(rows, warnings, [Problem("rows", "one single time", "times that increase")])

    beyond = _impossible_current(rows["current_a"], number, rated_capacity_ah)
    if beyond:
        return Checked(rows, warnings, beyond)
    impossible, off_at_end_s = _impossible_voltage(rows["voltage_v"], cells_in_series), 0.0
    if impossible.any():
        problem = _voltage_problem(rows["voltage_v"], number, impossible, cells_in_series)
        if impossible.mean() > 0.05:
            return Checked(rows, warnings, [problem])
        warnings += listed(
            number, impossible, problem.found.split(",")[0], problem.expected, "left out"
        )
        off_at_end_s = _off_at_end_s(rows, impossible)
        rows, number = _kept(rows, number, ~impossible)

    bank = Bank(cells_in_series, rated_capacity_ah)
    alone = unanswered(rows, bank)
    warnings += listed(
        number,
        alone,
        "a current far from both its neighbours, to which the voltage does not answer",
        "a voltage that moves with the current",
        "left out",
    )
    rows, number = _kept(rows, number, ~alone)
    rows = _optional_columns(dict(rows), number, warnings, errors)
    stuck = frozen(rows, bank)
    if stuck.mean() > MOST_STUCK:
        found = f"one and the same current and voltage in {stuck.mean():.0%} of the rows"
        expected = "readings that move as the charge does"
        return Checked(rows, warnings, [Problem("rows", found, expected, "does the logger hang?")])
    warnings += listed(
        number,
        stuck,
        "the same current and voltage all the time, to the last digit",
        "readings that move as the charge does",
        "left out: the log is silent then",
    )
    rows, number = _kept(rows, number, ~stuck)
    if "net_charge_ah" in rows:
        rows["net_charge_ah"], said = running_on(rows, number)
        warnings += said
    warnings += _gaps(rows["time_s"], number, "net_charge_ah" in rows, in_file)
    check_sign(rows, bank, warnings, errors)
    warnings += one_way(rows, rated_capacity_ah)
    return Checked(rows, warnings, errors, off_at_end_s)


def _kept(
    rows: dict[str, np.ndarray], number: np.ndarray, keep: np.ndarray
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    if keep.all():
        return rows, number
    return {key: value[keep] for key, value in rows.items()}, number[keep]


def _mostly_unreadable(
    rows: dict[str, np.ndarray], number: np.ndarray, bad: np.ndarray, in_file: InFile | None
) -> Problem:
    worst = max(_NEEDED, key=lambda key: int((~np.isfinite(rows[key])).sum()))
    kind = worst.rsplit("_", 1)[0]
    first = int(number[np.flatnonzero(~np.isfinite(rows[worst]))[0]])
    where = f"row {first} and {int(bad.sum()) - 1} more"
    found = f"no number for {kind}"
    if in_file is not None:
        found += f" but {in_file.cell(worst, first)}"
    expected = "numbers with a decimal point, without units, in most rows"
    if kind == "time":
        expected = "seconds, or dates such as 2026-12-01 08:00:00, in most rows"
    return Problem(where, found, expected)


def _moment(seconds: float, in_file: InFile | None) -> str:
    if in_file is None or not in_file.dates:
        return f"{seconds:.10g} s"
    return moment_words(seconds) + ("" if in_file.on_the_wall else " UTC")


def _clock_change(step_s: np.ndarray, at: int, change_s: float, in_file: InFile | None) -> str:
    """A hint, where dates without a zone step by a usual step and an hour: the night of a clock
    change."""
    usual_s = float(np.median(np.abs(step_s)))
    off_s = abs(step_s[at] - usual_s - change_s)
    if in_file is None or not in_file.on_the_wall or off_s > 0.5 * usual_s:
        return ""
    return "a clock change? present.timezone in the setup file follows it"


def _too_short(time_s: np.ndarray) -> list[Problem]:
    """No monitor logs a house bank for minutes only, many times a second: another unit."""
    step_s, all_s = float(np.median(np.diff(time_s))), float(time_s[-1] - time_s[0])
    if not (0.0 < step_s < _SHORT_STEP_S and all_s < _SHORT_S):
        return []
    found = f"steps of {step_s:.3g} s, {all_s:.4g} s in all"
    hint = "is the time in hours or days? Then its label has to say so: Time / h, Time / d"
    return [Problem("time", found, "a log of hours or days", hint)]


def _impossible_current(
    current_a: np.ndarray, number: np.ndarray, rated_ah: float | None
) -> list[Problem]:
    """More flows than any house bank bears: another unit, or a broken row. One row is enough: left
    out, its neighbours' current would stand for it."""
    most_a = MOST_A if rated_ah is None else MOST_C * rated_ah
    beyond = np.flatnonzero(np.abs(current_a) > most_a)
    if not len(beyond):
        return []
    found = f"{current_a[beyond[0]]:.5g} A{_and_more(len(beyond) - 1)}"
    expected = f"at most {most_a:g} A either way"
    if rated_ah is not None:
        expected += f", {MOST_C:g} times the rated capacity an hour"
    hint = "a column that holds mA is named --column current='Current / mA'"
    where = f"row {number[beyond[0]]}"
    return [Problem(where, found, expected, hint if len(beyond) > 1 else "")]


def _and_more(count: int) -> str:
    return f", and {count} more such row{'s' * (count > 1)}" if count else ""


def _impossible_voltage(voltage_v: np.ndarray, cells: int | None) -> np.ndarray:
    if cells is None:
        return voltage_v <= 0.0
    low, high = _POSSIBLE_CELL_V
    if not _USUAL_CELL_V[0] <= np.median(voltage_v) / cells <= _USUAL_CELL_V[1]:
        low, high = _USUAL_CELL_V  # another bank: then hold every row to what is usual
    return (voltage_v < low * cells) | (voltage_v > high * cells)


def _off_at_end_s(rows: dict[str, np.ndarray], impossible: np.ndarray) -> float:
    """How long a log goes on behind its last possible voltage, at lower ones [s]."""
    last = int(np.flatnonzero(~impossible)[-1])
    after = rows["voltage_v"][last + 1 :]
    if not after.size or after.max() > rows["voltage_v"][last]:
        return 0.0
    return float(rows["time_s"][-1] - rows["time_s"][last])


def _voltage_problem(
    voltage_v: np.ndarray, number: np.ndarray, impossible: np.ndarray, cells: int | None
) -> Problem:
    first = int(np.flatnonzero(impossible)[0])
    where = f"row {number[first]}"
    found = f"{voltage_v[first]:.5g} V{_and_more(int(impossible.sum()) - 1)}"
    if cells is None:
        return Problem(where, found, "a voltage above 0")
    low, high = _USUAL_CELL_V if impossible.mean() > 0.05 else _POSSIBLE_CELL_V
    expected = f"{low * cells:g} to {high * cells:g} V for {cells} LFP cells in series"
    middle = float(np.median(voltage_v))
    likely = round(middle / 3.28)
    hint = ""
    if 1 <= likely <= 200 and likely != cells and abs(middle / likely - 3.28) < 0.15:
        hint = f"{middle:.4g} V looks like {likely} cell{'s' * (likely > 1)} in series"
    elif abs(middle / 1000.0 / cells - 3.28) < 0.4:
        hint = "are these millivolts?"
    elif not impossible[0] and np.all(voltage_v[impossible] < cells):
        hint = "was the bank off there? Then end the log above this row; what came later is another"
    return Problem(where, found, expected, hint)


def _optional_columns(
    rows: dict[str, np.ndarray],
    number: np.ndarray,
    warnings: list[Problem],
    errors: list[Problem],
) -> dict[str, np.ndarray]:
    """Fill holes in the columns a log can do without; drop a column that is all holes."""
    for key in ("temperature_c", "net_charge_ah", "true_soc", "unix_time_s"):
        if key not in rows:
            continue
        value, good = rows[key], np.isfinite(rows[key])
        if key == "temperature_c":
            good = good & (value > POSSIBLE_C[0]) & (value < POSSIBLE_C[1])
        elif key == "unix_time_s":
            good = good & (value >= 0.0) & (value < LAST_UNIX_S)
        elif key == "net_charge_ah":
            good = good & (np.abs(value) < 1e9)
        if not good.any():
            del rows[key]
            warnings.append(Problem(key, "no sensible value in any row", "numbers", "left out"))
        elif not good.all():
            rows[key] = np.interp(rows["time_s"], rows["time_s"][good], value[good])
            warnings += listed(number, ~good, f"no sensible {key}", "a number", "interpolated")
    soc = rows.get("true_soc")
    if soc is not None and (soc.min() < -0.05 or soc.max() > 1.05):
        found = f"values from {soc.min():.4g} to {soc.max():.4g}"
        errors.append(Problem("true_soc", found, "0 to 1", "62 % is 0.62"))
    return rows


def _gaps(
    time_s: np.ndarray, number: np.ndarray, counted: bool, in_file: InFile | None
) -> list[Problem]:
    step_s = np.diff(time_s)
    usual_s = float(np.median(step_s))
    longest_s = min(10.0 * usual_s, usual_s + _LONG_GAP_S - 1.0)  # a clock change is one hour
    gaps = runs(step_s > max(longest_s, 30.0))
    expected = f"steps near {usual_s:.4g} s"
    done = "what flowed in it is not known; it is guessed from both sides"
    if counted:
        done = "what flowed in it is taken from the counter"
    problems = []
    for run in gaps[:LISTED]:
        longest = span_words(float(step_s[run].max()))
        many = f"{len(run)} gaps of up to" if len(run) > 1 else "a gap of"
        where = f"rows {number[run[0]]} to {number[run[-1] + 1]}"
        since = float(time_s[run[0]] - time_s[0])
        found = f"{many} {longest}, {span_words(since)} after the first row"
        change = _clock_change(step_s, run[0], _LONG_GAP_S, in_file)
        hint = f"{done}; {change}" if change and len(run) == 1 else done
        problems.append(Problem(where, found, expected, hint))
    if len(gaps) > LISTED:
        rest_s = sum(float(step_s[run].sum()) for run in gaps[LISTED:])
        where = f"{len(gaps) - LISTED} more places"
        problems.append(Problem(where, f"gaps, {span_words(rest_s)} together", expected, done))
    return problems


def span_words(seconds: float) -> str:
    """A length of time in the unit in which people think of it."""
    for unit, length, most in (("s", 1.0, 600.0), ("min", 60.0, 7200.0), ("h", 3600.0, 172_800.0)):
        if seconds < most:
            return f"{seconds / length:.4g} {unit}"
    return f"{seconds / 86400.0:.3g} days"
