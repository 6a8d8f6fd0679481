"""Does a log as a whole make sense: rows that no battery gives, and the sign of its current."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from socband.errors import Problem
from socband.log_listing import runs

Rows = dict[str, np.ndarray]

# charge counted one way that is no drift of a shunt that sees all (assumed)
MOST_ONE_WAY = 3.0  # times the capacity
MOST_DRIFT_PER_DAY = 0.05  # of the capacity
LEAST_STEPS = 5  # that overrule a larger one
_LATER_STEPS = 10  # fewer say nothing of whether the voltage answers a row later
# Below the resistance of any cell of 100 Ah [ohm], others in proportion: large new cells have 0.15
# to 0.5 milliohm (memory).
LEAST_OHM_100AH = 1e-4
ALONE_C = 2.0  # a row so far from both neighbours may be broken (assumed: means of rows are less)
# Equal rows are a logger that hangs, if so many, and so long or with so much charge (assumed: on
# the plateau a voltage in steps of 10 mV may stand still for a tenth of the charge).
FROZEN_ROWS, FROZEN_S, FROZEN_CHARGE = 30, 12 * 3600.0, 0.2
OFTEN_EQUAL = 0.2  # of the other rows; then it is how this instrument shows things


class Bank(NamedTuple):
    """What is known of the bank that a log is of; None where it is not."""

    cells_in_series: int | None
    rated_capacity_ah: float | None

    @property
    def least_ohm(self) -> float:
        """No bank of this kind has less [ohm]; 0 where the bank is not known."""
        if self.cells_in_series is None or self.rated_capacity_ah is None:
            return 0.0
        return LEAST_OHM_100AH * self.cells_in_series * 100.0 / self.rated_capacity_ah


def unanswered(rows: Rows, bank: Bank) -> np.ndarray:
    """(n,) rows alone with a large current to which the voltage does not answer: broken ones.

    Left in, such a row counts for a step's length, and it alone would decide on the sign. The
    voltage may answer in the row itself or in the one after it.
    """
    current_a, voltage_v = rows["current_a"], rows["voltage_v"]
    broken = np.zeros(len(current_a), dtype=bool)
    if not bank.least_ohm or len(current_a) < 3:
        return broken
    up, down = np.diff(current_a)[:-1], -np.diff(current_a)[1:]
    far = (up * down > 0.0) & (
        np.minimum(np.abs(up), np.abs(down)) > ALONE_C * bank.rated_capacity_ah
    )
    least_v = bank.least_ohm * np.abs(up)
    answer_v = np.sign(up) * np.diff(voltage_v)[:-1]
    later_v = np.sign(up) * np.diff(voltage_v)[1:]
    broken[1:-1] = far & (answer_v < least_v) & (later_v < least_v)
    return broken


def frozen(rows: Rows, bank: Bank) -> np.ndarray:
    """(n,) rows, but for the first of each run, of a logger that hangs: it repeats itself while
    charge flows. A bank at rest may well show the same for days."""
    equal = np.concatenate([[False], np.ones(len(rows["time_s"]) - 1, dtype=bool)])
    for key in ("current_a", "voltage_v", "temperature_c", "net_charge_ah", "true_soc"):
        if key in rows:
            equal[1:] &= np.diff(rows[key]) == 0.0
    equal &= rows["current_a"] != 0.0
    stuck = np.zeros(len(equal), dtype=bool)
    for run in runs(equal):
        long_s = rows["time_s"][run[-1]] - rows["time_s"][run[0] - 1]
        moved_ah = abs(rows["current_a"][run[0]]) * long_s / 3600.0
        much = bank.rated_capacity_ah and moved_ah > FROZEN_CHARGE * bank.rated_capacity_ah
        stuck[run] = len(run) >= FROZEN_ROWS and (long_s >= FROZEN_S or bool(much))
    # in coarse steps of its instrument a log repeats itself now and then anyway
    return stuck & (np.sum(equal & ~stuck) <= OFTEN_EQUAL * np.sum(~stuck))


def one_way(rows: dict[str, np.ndarray], rated_ah: float | None) -> list[Problem]:
    """More charge counted one way than a bank holds: another unit, or a blind shunt."""
    dt_s = np.diff(rows["time_s"])
    dt_s[dt_s > 10.0 * np.median(dt_s)] = 0.0  # what flowed in a gap is not known
    counted_as = np.cumsum(rows["current_a"][1:] * dt_s)
    span_ah = float(np.ptp(np.append(counted_as, 0.0))) / 3600.0
    days = float(rows["time_s"][-1] - rows["time_s"][0]) / 86400.0
    if rated_ah is None or span_ah <= (MOST_ONE_WAY + MOST_DRIFT_PER_DAY * days) * rated_ah:
        return []
    found = f"{span_ah:.4g} Ah counted one way, {span_ah / rated_ah:.0f} times the rated capacity"
    hint = (
        "is the time in ms, the current in another unit, the monitor's zero off, or does a charger "
        "bypass the shunt?"
    )
    expected = f"less than {MOST_ONE_WAY:g} times, and {100 * MOST_DRIFT_PER_DAY:g} % a day"
    return [Problem("current", found, expected, hint)]


def check_sign(rows: Rows, bank: Bank, warnings: list[Problem], errors: list[Problem]) -> None:
    """Does the current's sign fit the voltage?

    A battery has a positive resistance: when the current into it steps up, so does its voltage.
    Only steps of at least a fifth of the largest count, and only between rows that follow closely.
    In the open cell records at least half of such steps agree, in most of them nearly all. Where
    the current of a row is that of the time after it, the voltage answers one row later: of the two
    the one that goes with the current more closely counts. A voltage that moves by less than any
    bank's resistance makes it is noise, and says nothing; nor does one single row, that may be
    broken, against what many smaller steps say.
    """
    current_a, voltage_v, time_s = rows["current_a"], rows["voltage_v"], rows["time_s"]
    step_a, step_v, step_s = np.diff(current_a), np.diff(voltage_v), np.diff(time_s)
    close = step_s <= 3.0 * np.median(step_s)
    largest = np.abs(step_a[close]).max(initial=0.0)
    steps = close & (np.abs(step_a) >= 0.2 * largest) & (step_v != 0.0) & (step_a != 0.0)
    expected = "a voltage that rises when the current into the battery rises"
    hint = "--discharge-positive, if the log counts discharge as positive"
    answer = _agreement(step_a[steps], step_v[steps])
    later_v = np.append(step_v[1:], 0.0)
    later = close & np.append(close[1:], False) & (np.abs(step_a) >= 0.2 * largest)
    later &= (later_v != 0.0) & (step_a != 0.0)
    if later.sum() >= _LATER_STEPS:
        answer = max(answer, _agreement(step_a[later], later_v[later]), key=_clearness)
    trend = _trend_against(current_a, voltage_v, step_s)
    count, against = answer.count, answer.against
    clear = count >= 2 and against >= 0.8 and answer.correlation < -0.5
    clear = clear and answer.ohm <= -bank.least_ohm
    if clear and count <= 2 and steps.sum() < close.sum():
        others = close & ~steps
        others &= np.abs(step_a) >= 0.2 * np.abs(step_a[others]).max()
        rest = _agreement(step_a[others], step_v[others])
        clear = not (rest.count >= LEAST_STEPS and rest.correlation > 0.5)
    if clear or (count and against == 1 and trend):
        found = f"the opposite at {against:.0%} of {count} steps of the current"
        errors.append(Problem("current", found, expected, hint))
    elif trend:
        sense = "charge" if np.sum(current_a[:-1] * step_s) > 0 else "discharge"
        found = f"a log of nothing but {sense} in which the voltage goes the other way"
        warnings.append(Problem("current", found, expected, hint))


class _Answer(NamedTuple):
    """How the voltage answers steps of the current: their number, the share of opposite sign, the
    correlation of the two about zero, and the resistance that makes of it [ohm]."""

    count: int
    against: float
    correlation: float
    ohm: float


def _clearness(answer: _Answer) -> float:
    return abs(answer.correlation)


def _agreement(step_a: np.ndarray, step_v: np.ndarray) -> _Answer:
    if not len(step_a):
        return _Answer(0, 0.0, 0.0, 0.0)
    together, own = float(np.sum(step_a * step_v)), float(np.sum(step_a**2))
    norm = np.sqrt(own * np.sum(step_v**2))
    correlation = together / norm if norm > 0 else 0.0
    against = float(np.mean(step_a * step_v < 0.0))
    return _Answer(len(step_a), against, float(correlation), together / own if own > 0 else 0.0)


def _trend_against(current_a: np.ndarray, voltage_v: np.ndarray, step_s: np.ndarray) -> bool:
    """One-way current, and the voltage over its last fifth of charge moved against it?"""
    charge = current_a[:-1] * step_s
    throughput = np.abs(charge).sum()
    net = charge.sum()
    if throughput == 0.0 or abs(net) < 0.95 * throughput:
        return False
    share = np.cumsum(np.abs(charge)) / throughput
    first, last = share <= 0.2, share >= 0.8
    if not first.any() or not last.any():
        return False
    weight = np.abs(charge)
    start_v = np.average(voltage_v[:-1][first], weights=weight[first] + 1e-30)
    end_v = np.average(voltage_v[:-1][last], weights=weight[last] + 1e-30)
    return bool((end_v - start_v) * np.sign(net) < -0.01 * abs(start_v))
