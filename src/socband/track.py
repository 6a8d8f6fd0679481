"""From a log to the filter's steps: coarsened, scaled to one cell, with the hour of day.

A log at one second carries little more about the charge than its means over half a minute, and
costs thirty times as much. `Track.from_log` forms steps that never mix rows across a gap. What the
seen current does to RC branches and hysteresis is still worked out row by row (see
`kernels_track.respond`), so that coarse steps lose nothing of a pulsed load.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time
from typing import TYPE_CHECKING

import numpy as np

from socband import kernels as k
from socband.kernels_track import respond

if TYPE_CHECKING:
    from socband.cell import CellModel
    from socband.logs import Log
    from socband.site import Setup
    from socband.unknowns import Pattern

Array = np.ndarray

FIRST_S = 1800.0  # what flows for so long at first tells what flowed before (assumed)
LEANING_C = 0.05
GAP_S = 300.0  # a longer silence of the log is a gap: what flowed in it is not known, ...
USUAL_S = 1800.0  # ... but for a log all of whose rows lie up to so far apart: it stores means
MOST_IN_GAP = 0.4  # of the capacity; as a standard deviation, more than that of "anything" (0.29)
SENSOR_STD_K = 2.0  # of a log's temperature, by where its sensor sits (assumed)
BESIDE_GAP_S = 1800.0  # assumed: what flows for so long on both sides tells what flowed in a gap


def hour_of_first_row(log: Log, setup: Setup | None = None, present_at_end: bool = False) -> float:
    """Hour of day at which a log begins, 0..24, by the clock on the owner's wall.

    A clock change within the log is not followed: one hour, for what comes behind it.

    Args:
        log: with a clock of its own, `unix_time_s`, or without.
        setup: its time zone turns seconds since 1970 into a time of day (without one they count
            as UTC); its `present.clock` stands in for a log without a clock. None: UTC, or 0.
        present_at_end: the setup's present is the last row, else it is the first.
    """
    if log.unix_time_s is not None and not (present_at_end and owners_clock_counts(log, setup)):
        seconds = float(log.unix_time_s[0])
        zone = None if setup is None else setup.present.timezone
        if zone is not None and not log.clock_is_local:
            from datetime import datetime
            from zoneinfo import ZoneInfo

            seconds += datetime.fromtimestamp(seconds, ZoneInfo(zone)).utcoffset().total_seconds()
        return (seconds / 3600.0) % 24.0
    if setup is None:
        return 0.0
    before_h = float(log.time_s[-1]) / 3600.0 if present_at_end else 0.0
    return (setup.present.clock.minute / 60.0 - before_h) % 24.0


def owners_clock_counts(log: Log, setup: Setup | None) -> bool:
    """Whether the log's clock is UTC and its owner says what time it is, but not in which zone: by
    the owner's clock loads, sun and questions go."""
    utc = setup is not None and log.unix_time_s is not None and not log.clock_is_local
    return utc and setup.present.timezone is None and not setup.assumes("present.clock")


def moment_of_present(log: Log, setup: Setup, at_end: bool) -> dict[str, float | int]:
    """For which row of a log a setup's present stands, and how far its clock is off there.

    Args:
        log, setup: see `hour_of_first_row`.
        at_end: it is taken for the last row, else for the first.

    Returns:
        Attributes of a result: `present_at_end`; `present_hour`, hour of day of that row, 0..24,
        NaN if nobody said, and `present_hour_is_utc`, whether that is the log's own clock, UTC, and
        no zone is known to turn it; where the log has a clock and the setup file says one too (else
        NaN), `present_clock_hour`, the file's, and the hours between it and that of the row taken,
        `present_off_hours`, and of the log's other end, `present_other_off_hours`, 0..12; and
        `present_days_off`, from that row to noon of the date given, 0 where either says none.
    """
    first = hour_of_first_row(log, setup, at_end)
    ends = first, (first + float(log.time_s[-1]) / 3600.0) % 24.0
    said, own = not setup.assumes("present.clock"), log.unix_time_s is not None
    no_zone = setup.present.timezone is None
    owners = at_end and owners_clock_counts(log, setup)
    clock = setup.present.clock.minute / 60.0 if said and own else float("nan")
    off = [abs((hour - clock + 12.0) % 24.0 - 12.0) for hour in ends]
    days_off = 0.0
    if own and setup.present.date is not None:
        given = datetime.combine(setup.present.date, time(12), UTC).timestamp()
        days_off = (given - float(log.unix_time_s[-1 if at_end else 0])) / 86400.0
    return {
        "present_at_end": int(at_end),
        "present_hour": ends[at_end] if said or own else float("nan"),
        "present_hour_is_utc": int(own and not log.clock_is_local and no_zone and not owners),
        "present_clock_hour": clock,
        "present_off_hours": off[at_end],
        "present_other_off_hours": off[not at_end],
        "present_days_off": days_off,
    }


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
        drive: (DRIVE_ROWS, t) mean current the monitor saw, per cell, positive = charge, and what
            it does to the RC branches and to hysteresis; see `kernels_track.respond`.
        voltage_v: (t,) mean voltage per cell, NaN where not measured.
        temperature_c: (t,) cell temperature, before a member's own offset.
        hour: (t,) hour of day at the middle of the step, 0..24.
        charge_var: (t,) variance added to the charge by what is not known of a gap.
        scale: back to the bank.
    """

    time_s: Array
    dt_s: Array
    drive: Array
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
        cell: CellModel,
        scale: Scale,
        temperature_c: float,
        step_s: float = 60.0,
        start_hour: float | None = None,
    ) -> Track:
        """Coarsen a log to steps of about `step_s`.

        Args:
            log: at bank level.
            cell: its time constants make the drive.
            scale: bank to cell.
            temperature_c: used where the log has no temperature.
            step_s: wanted length of a step [s]; never finer than the log.
            start_hour: hour of day of the log's first row; None: by the log's own clock, in UTC.
        """
        t = log.time_s
        dt = np.diff(t)
        usual_s = float(np.median(dt))
        longest_s = 1.5 * usual_s if usual_s <= USUAL_S else 0.0
        gap_before = np.concatenate([[False], dt > max(GAP_S, step_s, longest_s)])
        # A step ends where the next row belongs to another bin or lies behind a gap, and with a gap
        # itself. A row on the edge of a bin belongs to the step that ends there.
        bin_of = np.ceil((t - t[0]) / step_s - 1e-6).astype(np.int64)
        ends_here = (np.diff(bin_of) != 0) | gap_before[1:] | gap_before[:-1]
        ends = np.flatnonzero(np.concatenate([ends_here, [True]]))
        ends = ends[ends > 0]
        starts = np.concatenate([[0], ends[:-1]])
        length = t[ends] - t[starts]
        in_gap = gap_before[ends] & (ends - starts == 1)
        row_a, row_var = _row_currents(log, gap_before, cell.capacity_ah / scale.cell_per_bank)
        row_a = row_a * scale.cell_per_bank
        drive = np.empty((k.DRIVE_ROWS, len(ends)))
        turn = cell.hysteresis_decay / (3600.0 * cell.capacity_ah)
        respond(t, row_a, ends, cell.tau1_s, cell.tau2_s, turn, drive)
        voltage = _mean_over(log.voltage_v, starts, ends)
        temperature = (
            np.full(len(ends), float(temperature_c))
            if log.temperature_c is None
            else _mean_over(log.temperature_c, starts, ends)
        )
        temperature = np.where(np.isfinite(temperature), temperature, temperature_c)
        middle = 0.5 * (t[ends] + t[starts])
        if start_hour is None:
            start_hour = hour_of_first_row(log)
        unsure_ah = np.sqrt(row_var[ends]) * scale.cell_per_bank * length / 3600.0
        return cls(
            time_s=t[ends],
            dt_s=length,
            drive=drive,
            voltage_v=np.where(in_gap, log.voltage_v[ends], voltage) / scale.cells_in_series,
            temperature_c=temperature,
            hour=np.mod(start_hour + middle / 3600.0, 24.0),
            charge_var=np.where(in_gap, (unsure_ah / cell.capacity_ah) ** 2, 0.0),
            scale=scale,
        )

    @property
    def current_a(self) -> Array:
        """(t,) mean current the monitor saw in each step, per cell [A]."""
        return self.drive[k.SEEN_A]

    @property
    def first_a(self) -> float:
        """Mean seen current of the first half hour, per cell [A].

        Best guess of what flowed before the log began: loads and chargers run for longer than that.
        """
        early = self.time_s - self.dt_s < self.time_s[0] - self.dt_s[0] + FIRST_S
        return float(np.average(self.current_a[early], weights=self.dt_s[early]))

    def leaning(self, h: Array, capacity_ah: float) -> Array:
        """A hysteresis state before the log, any of -1..1, made to lean to where the log begins.

        The distance u of 0..1 from the end that the current leads to becomes u³ with a current of
        `LEANING_C` or more: four fifths of an even prior then lie on that side (assumed).
        """
        rate = np.clip(self.first_a / (LEANING_C * capacity_ah), -1.0, 1.0)
        u = 0.5 * (1.0 - np.sign(rate) * h)
        power = 1.0 + 2.0 * abs(rate)
        return np.sign(rate) * (1.0 - 2.0 * u**power) if rate else h

    def patterns_on(self, patterns: tuple[Pattern, ...]) -> Array:
        """(patterns, t) share of each step in which a load of that pattern draws."""
        quarter = self.dt_s / 3600.0 / 4.0
        offsets = np.array([-1.5, -0.5, 0.5, 1.5])[:, None] * quarter
        return np.stack([p.active(self.hour + offsets).mean(axis=0) for p in patterns])


def _row_currents(log: Log, gap_before: Array, capacity_ah: float) -> tuple[Array, Array]:
    """Current that holds between each row and the one before, and what a gap leaves unsure of it.

    From the instrument's own charge counter where the log has one (a sampled current misses what
    happens between the samples), else the row's own current, as loggers store means. In a gap it
    is the mean current on both sides, and may be off by as much as the two sides differ and as
    half of that mean (assumed: a load may have run, or not): the best guess of what truly flowed,
    where a display goes on with one row's current (`replay.displayed`) and a balance with a
    straight line (`balance_of`). Where that guess would move more than `MOST_IN_GAP` of the bank,
    something else must have run meanwhile: then nothing is guessed, and the charge may be anywhere.

    Returns:
        (r,) current [A] and (r,) its variance, not 0 only behind a gap; bank level.
    """
    variance = np.zeros(len(log))
    if log.net_charge_ah is not None:
        between = 3600.0 * np.diff(log.net_charge_ah) / np.diff(log.time_s)
        return np.concatenate([between[:1], between]), variance
    amps = log.current_a.copy()
    dt = np.diff(log.time_s, prepend=log.time_s[0])
    inside = np.where(gap_before, 0.0, dt)
    charge, span = np.cumsum(inside * amps), np.cumsum(inside)
    for row in np.flatnonzero(gap_before):
        early, late = np.searchsorted(
            log.time_s, [log.time_s[row - 1] - BESIDE_GAP_S, log.time_s[row] + BESIDE_GAP_S]
        )
        late = min(late, len(log) - 1)
        sides = [
            (charge[b] - charge[a]) / (span[b] - span[a])
            for a, b in ((early, row - 1), (row, late))
            if span[b] > span[a]
        ]
        amps[row] = np.mean(sides) if sides else log.current_a[row]
        variance[row] = (
            np.ptp(sides) ** 2 / 4.0 + (0.5 * amps[row]) ** 2 if sides else amps[row] ** 2
        )
        most_a = MOST_IN_GAP * capacity_ah * 3600.0 / dt[row]
        if abs(amps[row]) > most_a:
            amps[row], variance[row] = 0.0, most_a**2
    return amps, variance


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
