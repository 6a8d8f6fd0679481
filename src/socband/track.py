"""From a log to the filter's steps: coarsened, scaled to one cell, with the hour of day.

A log at one second carries little more about the charge than its means over half a minute, and
costs thirty times as much. `Track.from_log` forms steps that never mix rows across a gap; the mean
current of a step carries exactly the charge that the log's own trapezoids carry.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from socband.cell import CellModel
    from socband.logs import Log
    from socband.unknowns import Pattern

Array = np.ndarray

GAP_S = 300.0  # a longer silence of the log is a gap: what flowed in it is not known
GAP_STD_C_RATE = 0.05  # assumed: how far the current in a gap may be from the straight line through


@dataclass(frozen=True)
class Scale:
    """How a bank's quantities become those of one cell.

    Attributes:
        cells_in_series: cells a bank voltage is shared by.
        cell_per_bank: cell capacity over the bank's rated capacity; scales currents.
    """

    cells_in_series: int = 1
    cell_per_bank: float = 1.0

    @classmethod
    def of(cls, cells_in_series: int, rated_capacity_ah: float, cell: CellModel) -> Scale:
        """Of a bank of so many Ah made of cells like `cell`, whatever its strings."""
        return cls(cells_in_series, cell.capacity_ah / rated_capacity_ah)


@dataclass(frozen=True)
class Track:
    """What the filter is fed, per step and per cell.

    Attributes:
        time_s: (t,) end of each step, seconds from the start of the log.
        dt_s: (t,) length of each step.
        current_a: (t,) mean current the monitor saw, per cell, positive = charge.
        voltage_v: (t,) mean voltage per cell, NaN where not measured.
        temperature_c: (t,) cell temperature, before a member's own offset.
        hour: (t,) hour of day at the middle of the step, 0..24.
        charge_var: (t,) variance added to the charge by what is not known of a gap.
        scale: back to the bank.
    """

    time_s: Array
    dt_s: Array
    current_a: Array
    voltage_v: Array
    temperature_c: Array
    hour: Array
    charge_var: Array
    scale: Scale

    def __len__(self) -> int:
        return len(self.time_s)

    @classmethod
    def from_log(
        cls,
        log: Log,
        scale: Scale,
        temperature_c: float,
        step_s: float = 60.0,
        start_hour: float = 0.0,
    ) -> Track:
        """Coarsen a log to steps of about `step_s`.

        Args:
            log: at bank level.
            scale: bank to cell.
            temperature_c: used where the log has no temperature.
            step_s: wanted length of a step [s]; never finer than the log.
            start_hour: hour of day of the log's first row, where it has no clock of its own.
        """
        t = log.time_s
        dt = np.diff(t)
        charge = np.concatenate(
            [[0.0], np.cumsum(0.5 * (log.current_a[1:] + log.current_a[:-1]) * dt)]
        )
        gap_before = np.concatenate([[False], dt > max(GAP_S, step_s)])
        # A step ends where the next row belongs to another bin, or lies behind a gap.
        bin_of = np.floor(t / step_s + 1e-9).astype(np.int64)
        ends = np.flatnonzero(np.concatenate([(np.diff(bin_of) != 0) | gap_before[1:], [True]]))
        ends = ends[ends > 0]
        starts = np.concatenate([[0], ends[:-1]])
        length = t[ends] - t[starts]
        mean_current = (charge[ends] - charge[starts]) / length
        in_gap = gap_before[ends] & (ends - starts == 1)
        voltage = _mean_over(log.voltage_v, starts, ends)
        temperature = (
            np.full(len(ends), float(temperature_c))
            if log.temperature_c is None
            else _mean_over(log.temperature_c, starts, ends)
        )
        temperature = np.where(np.isfinite(temperature), temperature, temperature_c)
        middle = 0.5 * (t[ends] + t[starts])
        if log.unix_time_s is not None:
            start_hour = (log.unix_time_s[0] / 3600.0) % 24.0
        c_hours = length / 3600.0 * GAP_STD_C_RATE
        return cls(
            time_s=t[ends],
            dt_s=length,
            current_a=mean_current * scale.cell_per_bank,
            voltage_v=np.where(in_gap, log.voltage_v[ends], voltage) / scale.cells_in_series,
            temperature_c=temperature,
            hour=np.mod(start_hour + middle / 3600.0, 24.0),
            charge_var=np.where(in_gap, c_hours**2, 0.0),
            scale=scale,
        )

    def patterns_on(self, patterns: tuple[Pattern, ...]) -> Array:
        """(patterns, t) share of each step in which a load of that pattern draws."""
        quarter = self.dt_s / 3600.0 / 4.0
        offsets = np.array([-1.5, -0.5, 0.5, 1.5])[:, None] * quarter
        return np.stack([p.active(self.hour + offsets).mean(axis=0) for p in patterns])


def _mean_over(values: Array, starts: Array, ends: Array) -> Array:
    """Mean of the finite values in rows start+1..end of each step; NaN where there is none."""
    good = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(good, values, 0.0))])
    count = np.concatenate([[0], np.cumsum(good)])
    number = count[ends + 1] - count[starts + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(
            number > 0, (total[ends + 1] - total[starts + 1]) / np.maximum(number, 1), np.nan
        )
