"""Full-to-full balance: what the monitor counted between two full charges, against zero.

Between two moments at which the bank is truly full the real net charge is zero (charge efficiency
and self-discharge aside). What the monitor counted in between is therefore its error,

    counted = offset · hours + (1 + gain error) · ∫ untracked dt,

and the sum over a day is the best measurement an owner has without any instrument. A gain error
alone does not show here: what it adds while charging it takes away while discharging. Offset and a
steady untracked load show only as their sum; an untracked load of certain hours shows as such only
if the intervals cover those hours differently.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband.cell import voltage
from socband.monitor_rule import says_full
from socband.track import hour_of_first_row

if TYPE_CHECKING:
    import xarray as xr

    from socband.logs import Log
    from socband.models import CellModel
    from socband.site import Setup

Array = np.ndarray

# A charge that holds 3.43 V a cell with no more than C/20 has filled the cells to within a few per
# cent: charged steadily at C/20 and 25 °C, the models in models/ reach that voltage at 0.963
# (2.5 Ah 26650), 0.976 (2 Ah 26650), 0.986 (100 Ah prismatic) and 0.999 (18650); at 5 °C up to
# 0.006 earlier, with less current later. `true_full_std` turns that into doubt.
TRUE_FULL_V_PER_CELL = 3.43
TRUE_FULL_C_RATE = 0.05
TRUE_FULL_FOR_S = 300.0
MISSING_ROW_S = 300.0  # a longer silence of the log is a gap
APART_HOURS = 2.0  # two full moments closer together than this are one


@dataclass(frozen=True)
class FullRule:
    """When a log says "full".

    Attributes:
        above_v: bank voltage [V].
        below_a: magnitude of the current [A].
        for_s: how long both must hold [s].
    """

    above_v: float
    below_a: float
    for_s: float

    @classmethod
    def of_monitor(cls, setup: Setup) -> FullRule:
        """The monitor's own rule, as the setup file gives it (medians)."""
        rule = setup.monitor.re_zero
        return cls(rule.above_v.median, rule.below_a.median, rule.for_s.median)

    @classmethod
    def of_cells(cls, cells_in_series: int, rated_capacity_ah: float) -> FullRule:
        """A full by the physics of the cells, to within `true_full_std`, whatever is set."""
        return cls(
            TRUE_FULL_V_PER_CELL * cells_in_series,
            TRUE_FULL_C_RATE * rated_capacity_ah,
            TRUE_FULL_FOR_S,
        )


def lowest_full_soc(cell: CellModel) -> float:
    """The least charge, 0..1, at which a cell may be called full by `FullRule.of_cells`.

    Charged steadily with the highest current that the rule allows, at the reference temperature.
    """
    soc = np.linspace(0.8, 1.0, 4001)
    amps = np.full(len(soc), TRUE_FULL_C_RATE * cell.capacity_ah)
    celsius = np.full(len(soc), cell.reference_temperature_c)
    reached = voltage(cell, soc, amps, amps, 1.0, amps, celsius) >= TRUE_FULL_V_PER_CELL
    return float(soc[np.argmax(reached)]) if reached.any() else 1.0


def true_full_std(cell: CellModel, least: float) -> float:
    """How far from 100 % a full charge by `FullRule.of_cells` is, 0..1, and no less than `least`.

    Where the charge ended between the lowest possible and full is not known: evenly (assumed), so
    that the root mean square of what is missing is the width over √3.
    """
    return max(least, (1.0 - lowest_full_soc(cell)) / np.sqrt(3.0))


def full_rows(log: Log, rule: FullRule) -> Array:
    """Rows at which a full charge ends: the last row of each stretch for which the rule holds.

    The end and not the beginning: as long as the charger holds the bank full it stays full.

    Args:
        log: at bank level.
        rule: see there.

    Returns:
        (k,) row numbers, increasing, at least `APART_HOURS` apart.
    """
    good = says_full(log.voltage_v, log.current_a, rule.above_v, rule.below_a)
    edge = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(np.int8), [0]])))
    first, last = edge[0::2], edge[1::2] - 1
    long_enough = log.time_s[last] - log.time_s[first] >= rule.for_s
    rows: list[int] = []
    for row in last[long_enough]:
        if rows and log.time_s[row] - log.time_s[rows[-1]] < APART_HOURS * 3600.0:
            rows[-1] = int(row)
        else:
            rows.append(int(row))
    return np.array(rows, dtype=np.int64)


@dataclass(frozen=True)
class Balance:
    """The intervals between full charges; every array has one entry for each interval.

    Attributes:
        start_s, end_s: from the start of the log [s].
        counted_ah: net charge the monitor counted [Ah], positive = charge.
        charged_ah, discharged_ah: both parts, positive magnitudes [Ah].
        hours_by_clock: (n, 24) hours spent in each hour of the day [h].
        zero_hours: hours in which the display showed exactly zero [h].
        gap_hours: hours that the log is silent about [h].
    """

    start_s: Array
    end_s: Array
    counted_ah: Array
    charged_ah: Array
    discharged_ah: Array
    hours_by_clock: Array
    zero_hours: Array
    gap_hours: Array

    def __len__(self) -> int:
        return len(self.start_s)

    @property
    def hours(self) -> Array:
        """(n,) length of each interval [h]."""
        return (self.end_s - self.start_s) / 3600.0

    @property
    def drift_a(self) -> Array:
        """(n,) what each interval alone says: error of the monitor as a mean current [A]."""
        return self.counted_ah / self.hours


def balance_of(log: Log, rows: Array, first_hour: float | None = None) -> Balance:
    """Intervals between the full charges at `rows`.

    The current is taken by trapezoids, a gap as a straight line between its two rows: no side is
    preferred, and `gap_hours` says how much of an interval is nothing but that.

    Args:
        log: at bank level; its current is what the monitor saw.
        rows: see `full_rows`.
        first_hour: hour of day of the first row; None: by the log's own clock, in UTC.
    """
    t, current = log.time_s, log.current_a
    dt_h = np.diff(t) / 3600.0
    mean = 0.5 * (current[1:] + current[:-1])

    def until(values: Array) -> Array:
        return np.concatenate([[0.0], np.cumsum(values)])

    def between(values: Array) -> Array:
        total = until(values)
        return total[rows[1:]] - total[rows[:-1]]

    if first_hour is None:
        first_hour = hour_of_first_row(log)
    hour = np.mod(first_hour + 0.5 * (t[1:] + t[:-1]) / 3600.0, 24.0).astype(int)
    gap = dt_h * 3600.0 > MISSING_ROW_S
    n = max(len(rows) - 1, 0)
    by_clock = np.zeros((n, 24))
    for j in range(n):
        part = slice(rows[j], rows[j + 1])
        by_clock[j] = np.bincount(hour[part], dt_h[part], 24)
    zero = (current[1:] == 0.0) & (current[:-1] == 0.0)
    return Balance(
        start_s=t[rows[:-1]] if n else np.zeros(0),
        end_s=t[rows[1:]] if n else np.zeros(0),
        counted_ah=between(mean * dt_h) if n else np.zeros(0),
        charged_ah=between(np.maximum(mean, 0.0) * dt_h) if n else np.zeros(0),
        discharged_ah=between(np.maximum(-mean, 0.0) * dt_h) if n else np.zeros(0),
        hours_by_clock=by_clock,
        zero_hours=between(zero * dt_h) if n else np.zeros(0),
        gap_hours=between(gap * dt_h) if n else np.zeros(0),
    )


def drift_current(balance: Balance, full_std_ah: float) -> tuple[float, float]:
    """Offset plus untracked load as one current, and its standard deviation [A].

    Neighbouring intervals share the full charge between them, whose uncertainty cancels in their
    sum: adjoining intervals count as one long one.

    Args:
        balance: at least one interval.
        full_std_ah: how far from 100 % a full charge may be [Ah].
    """
    hours = balance.hours
    chains = 1 + int(np.sum(np.abs(balance.start_s[1:] - balance.end_s[:-1]) > 1.0))
    drift = float(balance.counted_ah.sum() / hours.sum())
    return drift, float(np.sqrt(2.0 * chains) * full_std_ah / hours.sum())


def balance_dataset(balance: Balance, capacity_ah: float) -> xr.Dataset:
    """The table of intervals as a dataset with the dimension `interval`."""
    import xarray as xr

    def column(values: Array, units: str, long_name: str) -> tuple:
        return "interval", values, {"units": units, "long_name": long_name}

    return xr.Dataset(
        {
            "start": column(balance.start_s, "s", "start, from the start of the log"),
            "interval_hours": column(balance.hours, "h", "length"),
            "counted_ah": column(balance.counted_ah, "A h", "net charge counted; truly zero"),
            "charged_ah": column(balance.charged_ah, "A h", "charge counted in"),
            "discharged_ah": column(balance.discharged_ah, "A h", "charge counted out"),
            "drift_a": column(balance.drift_a, "A", "error of the monitor as a mean current"),
            "drift_soc_per_day": column(
                balance.drift_a * 24.0 / capacity_ah, "1", "drift of the display per day"
            ),
            "gap_hours": column(balance.gap_hours, "h", "hours the log is silent about"),
        }
    )
