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
from socband.identify_family import factor_at
from socband.identify_ocv import GRID, Branch
from socband.log_listing import runs
from socband.logs import Log, charge_ah

# At 90 % of charge, an hour after it was charged, the four shipped models rest at 3.32 to 3.37 V,
# full at 3.41 V and more: a cell may rest at 3.34 V from 70 % on. Its own low-rate charge says it
# better, where there is one.
_RESTED_FULL_V = 3.38
_RESTED_S = 3600.0
JITTER_S = 1.0  # a tester's hour
AT_REST_C_RATE = 0.02
_NEARLY_FULL = {True: 0.9, False: 0.97}  # of a charge, of a discharge
# On a charger the current lifts the voltage. At this much, and what it takes more at a current of
# 1C, the shipped models are charged to 97 % and more at 25 °C up to C/2, to 88 % at 0 °C; 3.5 V
# alone they reach at 95 % at C/2, from a half on at 1C, in the cold at any charge.
_CHARGING_FULL_V, _PER_C_RATE_V = 3.44, 0.33
_FALLS_V = 2e-3  # a rest after a load rises, one after a charge falls
# In the cold resistance grows by more than can be told of a cell not yet fitted: two simulated
# foreign cells held at 3.65 V to 0.15C at 0 °C, to 0.3C at 10 °C were charged to 91 to 96 %, one at
# 0.5C and 0 °C to 78 %; at 3.45 V to C/33 and 10 °C to 99 %.
COLD_C, _COLD_C_RATE = 15.0, 0.05
EMPTY_V = 3.0  # below some 5 % of charge in any LFP cell
# A cell rests at 3.18 V after a discharge to 10 % (four shipped models).
FLAT_V = 3.2
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
        how: "file", "both ends", "full", "empty", "assumed full", "assumed empty", or "voltage".
        top_soc: where it is most charged, if its voltages place it.
        doubt_soc: by how much they may err, half the width of a 90 % band.
        told_over_model: capacity that the file's own true charge implies, over that of the model.
    """

    start_soc: float
    how: str
    top_soc: float = 1.0
    doubt_soc: float = 0.0
    told_over_model: float = 1.0

    @property
    def guessed(self) -> bool:
        """Neither told by the file nor tied down at an end?"""
        return self.how in ("assumed full", "assumed empty", "voltage")


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


def at_rest(log: Log, still: np.ndarray) -> list[tuple[np.ndarray, float]]:
    """Rests: their rows, and how long each lasts [s], from the last row under load on.

    A rest that a record begins with is as long as the record shows, its first row's step included.

    Args:
        log: the record, n rows.
        still: (n,) the rows at rest.
    """
    step_s = float(np.median(np.diff(log.time_s)))
    return [
        (
            rows,
            float(log.time_s[rows[-1]])
            - (float(log.time_s[rows[0] - 1]) if rows[0] else float(log.time_s[0]) - step_s),
        )
        for rows in runs(still)
    ]


def rest_needed_s(log: Log, temperature_c: float) -> float:
    """How long a rest tells where a cell stands [s]: an hour, longer in the cold, where its slow
    part takes longer (below 15 °C; by the priors: two hours at 0 °C, three at -10 °C).

    Two simulated foreign cells of 76 and 88 % stood where full ones do after an hour at -10 °C.
    """
    if log.temperature_c is not None:
        temperature_c = float(np.median(log.temperature_c))
    slower = factor_at("2", temperature_c)[0] if temperature_c < COLD_C else 1.0
    return slower * _RESTED_S - JITTER_S


def anchor(
    log: Log,
    capacity_ah: float,
    has_end_point: bool = False,
    full_above_v: float = _RESTED_FULL_V,
    temperature_c: float = 25.0,
    capacity_spread: float = 0.0,
) -> Anchor:
    """Tie down the true charge of a record.

    With an end point the capacity is that of the run between its two ends, so the cell is full
    where it is most charged. Without one, a record that ends in charge and rested empty for an hour
    before is taken as empty there; any other as full at its most charged row, unless nothing shows
    that and its voltages are nearer to empty.

    Args:
        log: the record.
        capacity_ah: usable, at the record's temperature.
        has_end_point: is `capacity_ah` of this very run, from full to empty?
        full_above_v: see `rested_full_v`.
        temperature_c: of the record, where it has no column of it [°C].
        capacity_spread: of `capacity_ah` there, relative.

    Raises:
        InputError: the file's own true charge contradicts its current.
    """
    if log.true_soc is not None:
        ratio = _checked_truth(log, capacity_ah, capacity_spread)
        return Anchor(float(log.true_soc[0]), "file", told_over_model=ratio)
    charge = charge_ah(log)
    full = Anchor(
        1.0 - (float(charge.max()) - charge[0]) / capacity_ah,
        "both ends" if has_end_point else "full",
    )
    if has_end_point:
        return full
    from_empty = -(float(charge.min()) - charge[0]) / capacity_ah
    bottom = charge - charge.min() <= _NEAR * capacity_ah
    up = _ends_in_charge(charge)
    if up and _rested_empty(log, capacity_ah, bottom, temperature_c):
        return Anchor(from_empty, "empty")
    if shows_full(log, capacity_ah, full_above_v, temperature_c):
        return full
    c_rate = log.current_a / capacity_ah
    quiet = runs(bottom & (c_rate <= AT_REST_C_RATE) & (c_rate > -_SMALL_C_RATE))
    # Most of it below where it began, a record is nearer to full there than to empty at its lowest.
    mostly_up = up and charge[0] - charge.min() < 0.5 * (charge[-1] - charge.min())
    if mostly_up and any(log.voltage_v[rows[-1]] < FLAT_V for rows in quiet):
        return Anchor(from_empty, "assumed empty")
    return Anchor(full.start_soc, "assumed full")


def _rested_empty(log: Log, capacity_ah: float, bottom: np.ndarray, temperature_c: float) -> bool:
    """An hour's rest that still ends low. One after a load rises for hours, from any charge."""
    needed_s = rest_needed_s(log, temperature_c)
    still = np.abs(log.current_a) <= AT_REST_C_RATE * capacity_ah
    return any(
        rested_s >= needed_s and bool(bottom[rows[-1]]) and bool(log.voltage_v[rows[-1]] < EMPTY_V)
        for rows, rested_s in at_rest(log, still)
    )


def shows_full(
    log: Log,
    capacity_ah: float,
    full_above_v: float = _RESTED_FULL_V,
    temperature_c: float = 25.0,
) -> bool:
    """Is a full cell seen where the record is most charged: on a charger whose current has fallen,
    or rested for an hour, by which what the charge lifted the voltage by is gone?

    A rest is judged by its last row. What came before a record nobody sees: a cell without charge
    current at its first row is taken as rested, unless the rest that follows falls below what a
    full one keeps, or falls so fast that it would within the hour.

    Args:
        log, capacity_ah, full_above_v, temperature_c: see `anchor`.
    """
    charge, c_rate = charge_ah(log), log.current_a / capacity_ah
    cell_c = np.full(len(log), temperature_c) if log.temperature_c is None else log.temperature_c
    charging = c_rate > AT_REST_C_RATE
    top = charge.max() - charge <= _NEAR_FULL * capacity_ah
    needed_s = rest_needed_s(log, temperature_c)
    believed = (cell_c >= COLD_C) | (c_rate <= _COLD_C_RATE)
    held = charging & (log.voltage_v >= _CHARGING_FULL_V + _PER_C_RATE_V * c_rate)
    if (top & held & believed).any():
        return True
    for rows, quiet_s in at_rest(log, ~charging):
        began_s = float(log.time_s[rows[-1]]) - quiet_s
        quiet = np.zeros(len(log), bool)
        quiet[rows] = top[rows]
        still = quiet & (c_rate >= -AT_REST_C_RATE)
        # Under a load a full cell stays above for a while, any other for less.
        loaded = quiet & ~still & (log.voltage_v >= full_above_v)
        if (loaded & (log.time_s - began_s >= needed_s)).any():
            return True
        rests = [
            rest[charge[rest[0]] - charge[rest] <= _NEAR * capacity_ah] for rest in runs(still)
        ]
        falls = any(log.voltage_v[x[0]] - log.voltage_v[x[-1]] > _FALLS_V for x in rests)
        if rows[0] == 0 and not falls and loaded.any():
            return True
        for rest in rests:
            since_s = float(log.time_s[rest[-1]]) - began_s
            if since_s >= needed_s:
                if log.voltage_v[rest[-1]] >= full_above_v:
                    return True
            elif rows[0] == 0 and _rested_v(log, rest, needed_s) >= full_above_v:
                return True
    return False


def _rested_v(log: Log, rest: np.ndarray, needed_s: float) -> float:
    """Where a rest that falls would stand after `needed_s` [V]: each doubling of its time takes
    about as much as its last one did."""
    time_s, voltage_v = log.time_s[rest] - log.time_s[rest[0]], log.voltage_v[rest]
    if time_s[-1] <= 0.0:
        return float(voltage_v[-1])
    half_v = float(np.interp(0.5 * time_s[-1], time_s, voltage_v))
    fell_v = max(half_v - float(voltage_v[-1]), 0.0)
    return float(voltage_v[-1]) - fell_v * float(np.log2(max(needed_s / time_s[-1], 1.0)))


def _ends_in_charge(charge: np.ndarray) -> bool:
    # The last tenth of the charge that moved decides the direction.
    moved = np.cumsum(np.abs(np.diff(charge, prepend=charge[0])))
    return bool(charge[-1] > charge[np.searchsorted(moved, 0.9 * moved[-1])])


def _checked_truth(log: Log, capacity_ah: float, capacity_spread: float) -> float:
    """What capacity a file's true charge implies, over `capacity_ah`; one that does not move as the
    current says is of another cell or another run."""
    assert log.true_soc is not None
    told_ah = counted_capacity_ah(log, log.name)
    ratio = told_ah / capacity_ah
    # By a factor: a capacity known to ± 50 % may well be half or twice what is told.
    if abs(ratio - 1.0) > _MOST_SLOPE_OFF and abs(np.log(ratio)) > 2.0 * capacity_spread:
        found = f"true_soc that makes it a cell of {told_ah:.4g} Ah"
        raise InputError(Problem(log.name, found, f"{capacity_ah:.4g} Ah, as the other records"))
    off_rms = float(np.std(log.true_soc - charge_ah(log) / told_ah))
    if off_rms > _MOST_OFF:
        found = f"true_soc {off_rms:.3f} (rms) beside what its own current counts"
        raise InputError(Problem(log.name, found, f"at most {_MOST_OFF:g}", "of another run?"))
    return ratio


def notes_on_truth(anchors: Sequence[tuple[str, Anchor]]) -> list[str]:
    """Said of files whose true charge is counted in another capacity than the model has there."""
    return [
        f"{name}: its true_soc is counted in {100 * at.told_over_model:.0f} % of the capacity that"
        " the model has at its temperature"
        for name, at in anchors
        if abs(at.told_over_model - 1.0) > _MOST_SLOPE_OFF
    ]


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
            " where it is most charged, which may be far off; the charge before it until the"
            " current falls, or an hour's rest after that, would show a full cell"
        )
    low = [name for name, a in anchors if a.how == "assumed empty"]
    if low:
        found.append(
            f"{', '.join(low)}: no full cell is seen in it, and no hour's rest shows an empty one;"
            " taken as empty where it is least charged, which may be far off"
        )
    for name, at in anchors:
        if at.how == "voltage":
            found.append(
                f"{name}: neither a full nor an empty cell is seen in it; placed where its voltages"
                f" fit the low-rate branches best, {100 * at.top_soc:.0f} % at its most charged,"
                f" which may be off by {100 * at.doubt_soc:.0f} % and more"
            )
    return found
