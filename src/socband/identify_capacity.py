"""Usable capacity over temperature: measured where records tell it, assumed elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from socband.datasets import MOST_MOVED, counted_capacity_ah
from socband.errors import InputError, Problem
from socband.identify_anchor import (
    AT_REST_C_RATE,
    EMPTY_V,
    FLAT_V,
    at_rest,
    rest_needed_s,
    shows_full,
)
from socband.identify_family import (
    ASSUMED_CAPACITY,
    ASSUMED_CAPACITY_SPREAD,
    assumed_fraction,
    factor_at,
)
from socband.identify_low_rate import doubts_of_branches
from socband.identify_ocv import Branch
from socband.logs import Log, charge_ah, charge_moved_ah

_REFERENCE_C = 25.0
_SPREAD = 0.01  # of a measured capacity: another cell of the kind
_NOT_EMPTIED = 0.05  # and of what a run moved that ended above `EMPTY_V`: some 5 % are left there
# And of one that ends on the flat part of the curve, or begins there: the cell may hold as much
# again and more.
_ANYTHING = 0.5
_NEAR_BOTTOM = 0.005  # of what was moved
# What is left where a load ends a run at its lower limit and nobody saw the rest after it, of the
# capacity and for 1C at 25 °C: two simulated foreign cells kept 2 to 5 % at C/2, 5 to 9 % at 1C, 25
# and 41 % at 2C and 0 °C. Taken as one standard deviation.
_LEFT_PER_C_RATE, _MOST_LEFT = 0.1, 0.45
_MUCH_THE_SAME, _SAME_LIMIT_V = 0.75, 0.1
_NEAR_K = 5.0


@dataclass(frozen=True)
class Capacities:
    """Usable capacity by temperature.

    Attributes:
        by_temperature_ah: ascending [Ah by °C].
        reference_ah: at 25 °C.
        spread: of it, relative.
        measured_over_temperature: at two temperatures or more?
        told_by: what told it, in words that a source begins with; None: low-rate branches.
        measured_c: temperatures at which it was measured [°C]; empty: not told.
    """

    by_temperature_ah: dict[float, float]
    reference_ah: float
    spread: float
    measured_over_temperature: bool
    told_by: str | None
    measured_c: tuple[float, ...] = ()

    @property
    def guessed(self) -> bool:
        """Told by a run that showed no full or no empty cell?"""
        return self.spread >= _ANYTHING

    @classmethod
    def from_records(
        cls, branches: Sequence[Branch], logs: Sequence[tuple[Log, float]], notes: list[str]
    ) -> Capacities:
        """From low-rate discharges, else charges, else what other records moved.

        Args:
            branches: low-rate.
            logs: the records to fit and their temperatures [°C].
            notes: what is missing is added to them.
        """
        told: dict[float, list[float]] = {}
        told_by = None
        doubt, said_of_branches = doubts_of_branches(branches)
        notes += said_of_branches
        spread = max(doubt, _SPREAD)
        down = [b for b in branches if b.current_a < 0]
        if branches:
            for branch in down or branches:
                told.setdefault(branch.temperature_c, []).append(branch.capacity_ah)
            if not down:
                notes.append("no low-rate discharge: the capacity is what the low-rate charge took")
        elif own := [counted_capacity_ah(x, x.name) for x, _ in logs if x.true_soc is not None]:
            at_c = next(t for x, t in logs if x.true_soc is not None)
            told[at_c] = [float(np.median(own))]
            implied = "what the files' true charge implies"
            told_by = f"measured: {implied}"
            notes.append(f"no low-rate discharge: the capacity is {implied}")
        else:
            told_by = "most charge moved in a record"
            at_c, most_ah, spread, said = _most_moved(logs)
            told[at_c] = [most_ah]
            notes.append(said)
        measured = {t: float(np.mean(v)) for t, v in sorted(told.items())}
        return cls.from_measured(measured, told_by, spread)

    @classmethod
    def from_measured(
        cls, measured_ah: dict[float, float], told_by: str | None = None, spread: float = _SPREAD
    ) -> Capacities:
        """What was not measured has the fractions that other cells have.

        Args:
            measured_ah: ascending [Ah by °C].
            told_by: see above.
            spread: of the measured ones, relative.
        """
        table = dict(measured_ah)
        nearest_c = float(np.clip(_REFERENCE_C, min(table), max(table)))
        fraction = assumed_fraction(nearest_c)
        reference_ah = _between(table, nearest_c) / fraction
        if len(table) < 2:
            table = {t: reference_ah * x for t, x in ASSUMED_CAPACITY.items()}
        elif nearest_c != _REFERENCE_C:
            table = dict(sorted({**table, _REFERENCE_C: reference_ah}.items()))
        spread = float(np.hypot(spread, 1.0 - fraction))  # as much as is assumed
        at_c = tuple(measured_ah)
        return cls(table, reference_ah, spread, len(measured_ah) > 1, told_by, at_c)

    def at(self, temperature_c: float) -> float:
        """Usable capacity at a temperature [Ah]; beyond the table that of its end."""
        return _between(self.by_temperature_ah, temperature_c)

    def spread_at(self, temperature_c: float) -> float:
        """Of the capacity at a temperature, relative: what is assumed there is known less well."""
        known = self.measured_c
        if known and min(known) - _NEAR_K <= temperature_c <= max(known) + _NEAR_K:
            return self.spread
        return float(np.hypot(self.spread, ASSUMED_CAPACITY_SPREAD))

    def refuse_other_sizes(self, logs: Sequence[Log]) -> None:
        """Refuse records of another cell: they move more than this one holds.

        Raises:
            InputError: all of them.
        """
        if self.guessed:
            return
        problems = []
        for log in logs:
            moved_ah = charge_moved_ah(log)
            if moved_ah > max(MOST_MOVED, 1.0 + 2.0 * self.spread) * self.reference_ah:
                found = f"{moved_ah:.4g} Ah moved"
                expected = f"at most the {self.reference_ah:.4g} Ah that the other records tell"
                hint = "of another cell, or a current that is off?"
                problems.append(Problem(log.name, found, expected, hint))
        if problems:
            raise InputError(problems)


def _between(table: dict[float, float], temperature_c: float) -> float:
    return float(np.interp(temperature_c, list(table), list(table.values())))


def _most_moved(logs: Sequence[tuple[Log, float]]) -> tuple[float, float, float, str]:
    """The most charge that any record moved: at which temperature [°C], how much [Ah], how far the
    capacity may be off it, relative, and what is said of it."""
    moved = [charge_moved_ah(log) for log, _ in logs]
    (most, at_c), most_ah = logs[int(np.argmax(moved))], max(moved)
    if most_ah <= 0.0:
        found = "no charge moved in any record"
        expected = "a current that moves charge, or a low-rate branch (--ocv-discharge)"
        raise InputError(Problem("--dynamic", found, expected))
    emptiest_v, load_a = _emptiest(most, most_ah, at_c)
    low_v = float(most.voltage_v.min())
    if any(abs(t - at_c) <= _NEAR_K and _empties(x, most_ah, t, load_a, low_v) for x, t in logs):
        load_a = 0.0
    said = "no low-rate discharge: the capacity is the most charge that any record moved"
    no_full = not shows_full(most, most_ah, temperature_c=at_c)
    # Whichever end the record's charge is anchored at: the other is that capacity away.
    if emptiest_v > FLAT_V or no_full:
        missing = "full" if no_full else "empty"
        if no_full and (emptiest_v > EMPTY_V or load_a):
            missing = "full and no empty"
        said += (
            f"; it shows no {missing} cell: the cell holds more, perhaps twice as much,"
            f" ± {100 * _ANYTHING:.0f} % is a guess, and so is the true charge of all records,"
            " which is counted in it; a run from full (charged until the current falls below C/20)"
            " to empty (resting below 3 V an hour after it) would tell, or a C/20 discharge from"
            " full"
        )
        return at_c, most_ah, _ANYTHING, said
    if load_a:
        load_c_rate = load_a / most_ah
        left = _LEFT_PER_C_RATE * load_c_rate * max(1.0, factor_at("2", at_c)[0])
        left = max(left, _NOT_EMPTIED if emptiest_v > EMPTY_V else _SPREAD)
        left = min(left, _MOST_LEFT)
        said += (
            f"; at its lowest it is under a load of {load_c_rate:.2g}C, which leaves charge in the"
            f" cell: ± {100 * left:.0f} %; an hour's rest after it, or a C/20 discharge, would tell"
        )
        return at_c, most_ah, left, said
    if emptiest_v > EMPTY_V:
        said += f"; at its emptiest it stays above {EMPTY_V:g} V, so the cell holds more"
        return at_c, most_ah, _NOT_EMPTIED, said
    return at_c, most_ah, _SPREAD, said


def _emptiest(log: Log, moved_ah: float, temperature_c: float) -> tuple[float, float]:
    """Highest voltage where a record is least charged [V], at rest if it has one there, and the
    load whose voltage that may still be [A]: 0 after an hour's rest.

    Under a load a cell is below 3 V long before it is empty; of a record that is on charge there
    the lowest voltage has to do.
    """
    still_a = AT_REST_C_RATE * moved_ah
    bottom = _bottom(log, moved_ah) & (log.current_a <= still_a)
    if not bottom.any():
        return float(log.voltage_v.min()), 0.0
    needed_s = rest_needed_s(log, temperature_c)
    rested_v = [
        float(log.voltage_v[rows[bottom[rows]]].max())
        for rows, rested_s in at_rest(log, np.abs(log.current_a) <= still_a)
        if rested_s >= needed_s and bottom[rows].any()
    ]
    if rested_v:
        return max(rested_v), 0.0
    load_a = -float(log.current_a[bottom].min())
    return float(log.voltage_v[bottom].max()), load_a if load_a > still_a else 0.0


def _bottom(log: Log, moved_ah: float) -> np.ndarray:
    charge = charge_ah(log)
    return charge - charge.min() <= _NEAR_BOTTOM * moved_ah


def _empties(log: Log, moved_ah: float, temperature_c: float, load_a: float, low_v: float) -> bool:
    """Does a record show that much the same load, down to the same voltage, empties the cell? It
    rests below 3 V for an hour after it."""
    at_v, left_a = _emptiest(log, charge_moved_ah(log), temperature_c)
    down = _bottom(log, moved_ah) & (log.current_a <= -_MUCH_THE_SAME * load_a)
    down_v = log.voltage_v[down]
    same = bool(down_v.size) and bool(down_v.min() <= low_v + _SAME_LIMIT_V)
    return same and left_a == 0.0 and at_v <= EMPTY_V
