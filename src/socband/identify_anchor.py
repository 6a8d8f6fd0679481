"""Where a record's true charge is tied down: its full end, its empty end, both, or its own truth.

Without a column of true charge the counter of a record tells how the charge moves, not where it
stands. Something must: the full cell it begins with, the empty one, or both ends of the run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from socband.datasets import counted_capacity_ah
from socband.errors import InputError, Problem
from socband.identify_ocv import GRID, Branch
from socband.logs import Log, charge_ah

# At 90 % of charge, an hour after it was charged, the four shipped models rest at 3.32 to 3.37 V,
# full at 3.41 V and more: a cell may rest at 3.34 V from 70 % on. Its own low-rate charge says it
# better, where there is one.
_RESTED_FULL_V = 3.38
_RESTED_S = 3600.0
_AT_REST_C_RATE = 0.02
_NEARLY_FULL = {True: 0.9, False: 0.97}  # of a charge, of a discharge
# On a charger the current lifts the voltage. At this much, and what it takes more at a current of
# 1C, the shipped models are charged to 97 % and more at 25 °C up to C/2, to 88 % at 0 °C; 3.5 V
# alone they reach at 95 % at C/2, from a half on at 1C, in the cold at any charge.
_CHARGING_FULL_V, _PER_C_RATE_V = 3.44, 0.33
EMPTY_V = 3.0  # below some 5 % of charge in any LFP cell
_NEAR = 0.005  # of the capacity: as good as at the end itself
_NEAR_FULL = 0.02  # a cell seen full and charged on by so little is full where that ends, no more
_SMALL_C_RATE = 0.1
_MOST_SLOPE_OFF = 0.05
_MOST_OFF = 0.03


@dataclass(frozen=True)
class Anchor:
    """True charge at the first row of a record and how it is known.

    Attributes:
        start_soc: true charge at the first row.
        how: "file", "both ends", "full", "empty", "assumed full", or "voltage".
        top_soc: where it is most charged, if its voltages place it.
        doubt_soc: by how much they may err, half the width of a 90 % band.
    """

    start_soc: float
    how: str
    top_soc: float = 1.0
    doubt_soc: float = 0.0

    @property
    def guessed(self) -> bool:
        """Neither told by the file nor tied down at an end?"""
        return self.how in ("assumed full", "voltage")


def rested_full_v(branches: Sequence[Branch], temperature_c: float) -> float:
    """Voltage that only a full cell rests above [V].

    Args:
        branches: low-rate; of each direction the nearest in temperature counts. A discharge alone
            lies below where a cell rests after charge and counts only where it is higher than that
            of any cell.
        temperature_c: of the record [°C].
    """
    found, after_charge = [], False
    for charge, soc in _NEARLY_FULL.items():
        ways = [b for b in branches if (b.current_a > 0) is charge]
        if ways:
            nearest = min(ways, key=lambda b: abs(b.temperature_c - temperature_c))
            voltage_v = float(np.interp(soc, GRID, nearest.voltage_v))
            found.append(voltage_v)
            after_charge = after_charge or (charge and np.isfinite(voltage_v))
    return float(np.nanmax(found if after_charge else [*found, _RESTED_FULL_V]))


def anchor(
    log: Log,
    capacity_ah: float,
    has_end_point: bool = False,
    full_above_v: float = _RESTED_FULL_V,
) -> Anchor:
    """Tie down the true charge of a record.

    With an end point the capacity is that of the run between its two ends, so the cell is full
    where it is most charged. Without one, a record that ends in charge and rested empty before is
    taken as empty there; any other as full at its most charged row.

    Args:
        log: the record.
        capacity_ah: usable, at the record's temperature.
        has_end_point: is `capacity_ah` of this very run, from full to empty?
        full_above_v: see `rested_full_v`.

    Raises:
        InputError: the file's own true charge contradicts its current.
    """
    if log.true_soc is not None:
        _check_truth(log, capacity_ah)
        return Anchor(float(log.true_soc[0]), "file")
    charge = charge_ah(log)
    full = Anchor(
        1.0 - (float(charge.max()) - charge[0]) / capacity_ah,
        "both ends" if has_end_point else "full",
    )
    if has_end_point:
        return full
    small_a = _SMALL_C_RATE * capacity_ah
    bottom = charge - charge.min() <= _NEAR * capacity_ah
    rested = bottom & (np.abs(log.current_a) < small_a)
    if _ends_in_charge(charge) and (log.voltage_v[rested] < EMPTY_V).any():
        return Anchor(-(float(charge.min()) - charge[0]) / capacity_ah, "empty")
    if shows_full(log, capacity_ah, full_above_v):
        return full
    return Anchor(full.start_soc, "assumed full")


def shows_full(log: Log, capacity_ah: float, full_above_v: float = _RESTED_FULL_V) -> bool:
    """Is a full cell seen where the record is most charged: on a charger whose current has fallen,
    or rested for an hour, by which what the charge lifted the voltage by is gone?

    What came before a record nobody sees; a cell without charge current at its first row is taken
    as rested.

    Args:
        log, capacity_ah, full_above_v: see `anchor`.
    """
    charge, c_rate = charge_ah(log), log.current_a / capacity_ah
    charging = c_rate > _AT_REST_C_RATE
    last_s = np.maximum.accumulate(np.where(charging, log.time_s, -np.inf))
    rested = ~charging & (log.time_s - last_s >= _RESTED_S) & (log.voltage_v >= full_above_v)
    held = charging & (log.voltage_v >= _CHARGING_FULL_V + _PER_C_RATE_V * c_rate)
    top = charge.max() - charge <= _NEAR_FULL * capacity_ah
    return bool((top & (rested | held)).any())


def _ends_in_charge(charge: np.ndarray) -> bool:
    # The last tenth of the charge that moved decides the direction.
    moved = np.cumsum(np.abs(np.diff(charge, prepend=charge[0])))
    return bool(charge[-1] > charge[np.searchsorted(moved, 0.9 * moved[-1])])


def _check_truth(log: Log, capacity_ah: float) -> None:
    """A true charge that does not move as the current says is of another cell or another run."""
    assert log.true_soc is not None
    told_ah = counted_capacity_ah(log, log.name)
    if abs(told_ah / capacity_ah - 1.0) > _MOST_SLOPE_OFF:
        found = f"true_soc that makes it a cell of {told_ah:.4g} Ah"
        raise InputError(Problem(log.name, found, f"{capacity_ah:.4g} Ah, as the other records"))
    off = log.true_soc - charge_ah(log) / capacity_ah
    off_rms = float(np.std(off))
    if off_rms > _MOST_OFF:
        found = f"true_soc {off_rms:.3f} (rms) beside what its own current counts"
        raise InputError(Problem(log.name, found, f"at most {_MOST_OFF:g}", "of another run?"))


def notes_on(anchors: list[tuple[str, Anchor]]) -> list[str]:
    """What a reader of the model has to know of its records' true charge; empty if nothing.

    Args:
        anchors: name of each record fitted, and its anchor.
    """
    found = []
    n = len(anchors)
    both = sum(a.how == "both ends" for _, a in anchors)
    if both:
        found.append(
            f"true charge of {both} of {n} records anchored at both ends, by the discharge that"
            " followed"
        )
    own = sum(a.how == "file" for _, a in anchors)
    if own:
        found.append(f"true charge of {own} of {n} records from the files themselves (true_soc)")
    assumed = [name for name, a in anchors if a.how == "assumed full"]
    if assumed:
        found.append(
            f"{', '.join(assumed)}: neither a full nor an empty cell is seen in it; taken as full"
            " where it is most charged, which may be far off"
        )
    for name, at in anchors:
        if at.how == "voltage":
            found.append(
                f"{name}: neither a full nor an empty cell is seen in it; placed where its voltages"
                f" fit the low-rate branches best, {100 * at.top_soc:.0f} % at its most charged,"
                f" which may be off by {100 * at.doubt_soc:.0f} % and more"
            )
    return found
