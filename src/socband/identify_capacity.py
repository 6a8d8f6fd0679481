"""Usable capacity over temperature: measured where records tell it, assumed elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from socband.datasets import counted_capacity_ah
from socband.identify_anchor import EMPTY_V, shows_full
from socband.identify_family import ASSUMED_CAPACITY, assumed_fraction
from socband.identify_ocv import Branch
from socband.logs import Log, charge_ah

_REFERENCE_C = 25.0
_SPREAD = 0.01  # of a measured capacity: another cell of the kind
_NOT_EMPTIED = 0.05  # and of what a run moved that ended above `EMPTY_V`: some 5 % are left there
# And of one that ends on the flat part of the curve, or begins there: the cell may hold as much
# again and more. A cell rests at 3.18 V after a discharge to 10 % (four shipped models), and rises.
_FLAT_V = 3.2
_ANYTHING = 0.5
_NEAR_BOTTOM = 0.005  # of what was moved


@dataclass(frozen=True)
class Capacities:
    """Usable capacity by temperature.

    Attributes:
        by_temperature_ah: ascending [Ah by °C].
        reference_ah: at 25 °C.
        spread: of it, relative.
        measured_over_temperature: at two temperatures or more?
        told_by: what told it, in words that a source begins with; None: low-rate branches.
    """

    by_temperature_ah: dict[float, float]
    reference_ah: float
    spread: float
    measured_over_temperature: bool
    told_by: str | None

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
        told_by, spread = None, _SPREAD
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
            moved = [float(np.ptp(charge_ah(log))) for log, _ in logs]
            most, at_c = logs[int(np.argmax(moved))]
            told[at_c] = [max(moved)]
            told_by = "most charge moved in a record"
            said = "no low-rate discharge: the capacity is the most charge that any record moved"
            emptiest_v = _emptiest_v(most, max(moved))
            # Whichever end the record's charge is anchored at: the other is that capacity away.
            if emptiest_v > _FLAT_V or not shows_full(most, max(moved)):
                said += (
                    "; it shows no full or no empty cell: the cell holds more, perhaps twice as"
                    f" much, ± {100 * _ANYTHING:.0f} % is a guess, and so is the true charge of all"
                    " records, which is counted in it"
                )
                spread = _ANYTHING
            elif emptiest_v > EMPTY_V:
                said += f"; at its emptiest it stays above {EMPTY_V:g} V, so the cell holds more"
                spread = _NOT_EMPTIED
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
        return cls(table, reference_ah, spread, len(measured_ah) > 1, told_by)

    def at(self, temperature_c: float) -> float:
        """Usable capacity at a temperature [Ah]; beyond the table that of its end."""
        return _between(self.by_temperature_ah, temperature_c)


def _between(table: dict[float, float], temperature_c: float) -> float:
    return float(np.interp(temperature_c, list(table), list(table.values())))


def _emptiest_v(log: Log, moved_ah: float) -> float:
    """Highest voltage where a record is least charged [V], at rest if it has one there.

    Under a load a cell is below 3 V long before it is empty; of a record that is on charge there
    the lowest voltage has to do.
    """
    charge = charge_ah(log)
    bottom = (charge - charge.min() <= _NEAR_BOTTOM * moved_ah) & (log.current_a <= 0.0)
    return float(log.voltage_v[bottom].max() if bottom.any() else log.voltage_v.min())
