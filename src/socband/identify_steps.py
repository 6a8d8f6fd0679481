"""Steps of the current in measured records: what they tell of resistance and of time."""

from __future__ import annotations

import numpy as np

from socband import identify_family as family
from socband.identify_ocv import GRID, Branch
from socband.logs import Log

_MOVES = 10  # of the current, from which on a record is dynamic
_NOT_FAR_K = 15.0  # of 25 °C: by the priors the ohmic part there is 1.4 or 0.8 times as large
_STEP_SHARE = 0.25  # of the current's root mean square: a step, not a meter's noise


def step_resistance(log: Log, low_rate: Branch | None = None) -> float | None:
    """Median resistance of sudden current steps, 0.1 to 2 s after them, or one row later [ohm].

    Sudden is a quarter of the highest current; where that is a rare peak, of the usual one.
    What the mean charge does to the open-circuit voltage meanwhile is taken out with the low-rate
    branch, which matters at the first step of a full cell.

    Returns:
        None when the record has no such steps.
    """
    for size_a in (np.max(np.abs(log.current_a)), np.sqrt(np.mean(log.current_a**2))):
        found = _steps(log, low_rate, max(float(size_a), 1e-9))
        if found:
            return float(np.median(found))
    return None


def _steps(log: Log, low_rate: Branch | None, size: float) -> list[float]:
    """Resistance of each step of more than a quarter of a current `size` [A]."""
    step_a = np.abs(np.diff(log.current_a))
    latest_s = max(2.0, 1.01 * float(np.median(np.diff(log.time_s))))
    found = []
    for k in np.flatnonzero(step_a > 0.25 * size)[:4000]:
        after = k + 1
        while after + 1 < len(log) and log.time_s[after] - log.time_s[k] < 0.1:
            after += 1
        if not 0.1 <= log.time_s[after] - log.time_s[k] <= min(latest_s, 30.0):
            continue
        change_a = log.current_a[after] - log.current_a[k]
        change_v = log.voltage_v[after] - log.voltage_v[k]
        if low_rate is not None and k < 3:
            moved_as = (log.time_s[after] - log.time_s[k]) * log.current_a[after]
            ends = np.array([1.0 + moved_as / 3600.0 / low_rate.capacity_ah, 1.0])
            below, at = np.interp(ends, GRID, low_rate.voltage_v)
            change_v += at - below
        if abs(change_a) > 0.2 * size and change_v / change_a > 0:
            found.append(change_v / change_a)
    return found


def is_dynamic(log: Log) -> bool:
    """Does the current change often enough to tell time constants?

    Counted are times it begins, ends or turns round, and steps from one load to another: where the
    highest peak is a rare one, what is usual may all lie below a tenth of it.
    """
    amps = log.current_a
    size = float(np.max(np.abs(amps)))
    moves = np.abs(np.diff(np.sign(amps) * (np.abs(amps) > 0.1 * size))) > 0
    steps = np.abs(np.diff(amps)) > _STEP_SHARE * float(np.sqrt(np.mean(amps**2)))
    return max(int(np.sum(moves)), int(np.sum(steps))) >= _MOVES


def start_state(log: Log) -> float:
    """Hysteresis at the start: opposite to where the record goes first."""
    on = np.flatnonzero(np.abs(log.current_a) > 0.05 * np.max(np.abs(log.current_a)))
    return 1.0 if len(on) == 0 or log.current_a[on[0]] < 0 else -1.0


def steps_at_25_c(
    branches: list[Branch], logs: list[tuple[Log, float]]
) -> tuple[list[float], float]:
    """Step resistances of the records [ohm], and the relative doubt of carrying them to 25 °C.

    Records not far from 25 °C on both sides are left as they are, for their median lies near it.
    Else those nearest to it are taken: a step at -25 °C is ten times one at 45 °C, and no mean of
    the two tells what lies between. Where all are at one temperature the fit holds what carries
    them, and the doubt comes after it.
    """
    down = next((b for b in branches if b.current_a < 0), None)
    found = [(s, t) for log, t in logs if (s := step_resistance(log, down))]
    if not found:
        return [], 0.0
    below_k, above_k = (
        min((abs(t - 25.0) for _, t in found if sign * (t - 25.0) >= 0.0), default=np.inf)
        for sign in (-1.0, 1.0)
    )
    if max(below_k, above_k) <= _NOT_FAR_K:
        return [s for s, _ in found], 0.0
    apart_k = min(below_k, above_k)
    near = [(s, t) for s, t in found if abs(t - 25.0) < apart_k + 1.0]
    alone = len({t for _, t in found}) < 2
    doubt = 0.0 if alone else max(family.factor_at("0", t)[1] for _, t in near)
    return [s / family.factor_at("0", t)[0] for s, t in near], doubt
