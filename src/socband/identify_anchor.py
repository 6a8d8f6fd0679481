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
MOST_SLOPE_OFF = 0.05
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


@dataclass(frozen=True)
class _Quiet:
    """A stretch of a record without charge current, as far as the cell is near its most charged.

    Attributes:
        log: the record, n rows.
        loaded: (n,) its rows under a load, and as high as a full cell rests.
        rests: the rows of each rest in it, as far as its charge stays what it was.
        began_s: when the charge before it ended [s].
        needed_s: see `rest_needed_s`.
        at_head: does the record begin with it? What came before, nobody sees.
    """

    log: Log
    loaded: np.ndarray
    rests: list[np.ndarray]
    began_s: float
    needed_s: float
    at_head: bool


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
    if _held_full(log, capacity_ah, temperature_c):
        return True
    return any(
        _stays_up_under_load(quiet)
        or _begins_full_under_load(quiet)
        or _rests_full(quiet, full_above_v)
        for quiet in _quiet_near_top(log, capacity_ah, full_above_v, temperature_c)
    )


def _near_top(log: Log, capacity_ah: float) -> np.ndarray:
    charge = charge_ah(log)
    return charge.max() - charge <= _NEAR_FULL * capacity_ah


def _held_full(log: Log, capacity_ah: float, temperature_c: float) -> bool:
    """On a charger, at a voltage that its current alone cannot lift the cell to; in the cold only
    at a small current."""
    c_rate = log.current_a / capacity_ah
    cell_c = np.full(len(log), temperature_c) if log.temperature_c is None else log.temperature_c
    believed = (cell_c >= COLD_C) | (c_rate <= _COLD_C_RATE)
    high = log.voltage_v >= _CHARGING_FULL_V + _PER_C_RATE_V * c_rate
    held = (c_rate > AT_REST_C_RATE) & high & believed
    return bool((held & _near_top(log, capacity_ah)).any())


def _quiet_near_top(
    log: Log, capacity_ah: float, full_above_v: float, temperature_c: float
) -> list[_Quiet]:
    charge, c_rate, top = charge_ah(log), log.current_a / capacity_ah, _near_top(log, capacity_ah)
    needed_s = rest_needed_s(log, temperature_c)
    found = []
    for rows, quiet_s in at_rest(log, c_rate <= AT_REST_C_RATE):
        quiet = np.zeros(len(log), bool)
        quiet[rows] = top[rows]
        still = quiet & (c_rate >= -AT_REST_C_RATE)
        loaded = quiet & ~still & (log.voltage_v >= full_above_v)
        rests = [
            rest[charge[rest[0]] - charge[rest] <= _NEAR * capacity_ah] for rest in runs(still)
        ]
        began_s = float(log.time_s[rows[-1]]) - quiet_s
        found.append(_Quiet(log, loaded, rests, began_s, needed_s, bool(rows[0] == 0)))
    return found


def _stays_up_under_load(quiet: _Quiet) -> bool:
    """Under a load a full cell stays above for a while, any other for less."""
    return bool((quiet.loaded & (quiet.log.time_s - quiet.began_s >= quiet.needed_s)).any())


def _begins_full_under_load(quiet: _Quiet) -> bool:
    """A load at the head, and no rest by it that falls from what a charger left."""
    volts = quiet.log.voltage_v
    falls = any(volts[rest[0]] - volts[rest[-1]] > _FALLS_V for rest in quiet.rests)
    return quiet.at_head and not falls and bool(quiet.loaded.any())


def _rests_full(quiet: _Quiet, full_above_v: float) -> bool:
    """A rest that is long enough and ends as high; at the head one that would."""
    for rest in quiet.rests:
        if float(quiet.log.time_s[rest[-1]]) - quiet.began_s >= quiet.needed_s:
            ends_v = float(quiet.log.voltage_v[rest[-1]])
        elif quiet.at_head:
            ends_v = _rested_v(quiet.log, rest, quiet.needed_s)
        else:
            continue
        if ends_v >= full_above_v:
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
    if abs(ratio - 1.0) > MOST_SLOPE_OFF and abs(np.log(ratio)) > 2.0 * capacity_spread:
        found = f"true_soc that makes it a cell of {told_ah:.4g} Ah"
        raise InputError(Problem(log.name, found, f"{capacity_ah:.4g} Ah, as the other records"))
    off_rms = float(np.std(log.true_soc - charge_ah(log) / told_ah))
    if off_rms > _MOST_OFF:
        found = f"true_soc {off_rms:.3f} (rms) beside what its own current counts"
        raise InputError(Problem(log.name, found, f"at most {_MOST_OFF:g}", "of another run?"))
    return ratio
