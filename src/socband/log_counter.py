"""The charge counter of a log: where it begins anew, and whether the current bears it out."""

from __future__ import annotations

import numpy as np

from socband.errors import Problem
from socband.log_listing import listed

_RESET_SHARE = 0.01  # of all that a counter covers: less is no reset, or does no harm
_RESET_TIMES = 20.0  # what the largest current moves in the time of one row
_COUNTER_OFF = 0.25  # of what it covers, rms, beside what the current adds up to
# A steady load hides a counter in another unit, or of the other sign, from that: it runs away as
# steadily as the load. Less or more than so many times the current, over rows of the usual length.
_LEAST_TIMES, _MOST_TIMES, _STEADY = 0.5, 2.0, 0.5


def running_on(rows: dict[str, np.ndarray], number: np.ndarray) -> tuple[np.ndarray, list[Problem]]:
    """The counter without its resets, and what was found of it.

    A reset is a row back near zero from further away than any current of the log reaches; over it
    the current counts. Otherwise the counter is believed: it sees what flows between two rows.
    """
    counter_ah, current_a = rows["net_charge_ah"], rows["current_a"]
    step_s = np.diff(rows["time_s"])
    seen_ah = 0.5 * (current_a[1:] + current_a[:-1]) * step_s / 3600.0
    moved_ah = np.diff(counter_ah)
    within_ah = np.abs(current_a).max() * step_s / 3600.0
    far_ah = np.maximum(_RESET_TIMES * within_ah, _RESET_SHARE * np.ptp(counter_ah))
    near_zero = np.abs(counter_ah[1:]) <= 2.0 * within_ah + 0.05 * np.abs(moved_ah)
    reset = near_zero & (np.abs(moved_ah) > far_ah)
    moved_ah = np.where(reset, seen_ah, moved_ah)
    said = listed(
        number[1:], reset, "the charge counter back at zero", "one that runs on",
        "taken as a reset; the current counts there",
    )  # fmt: skip
    usual = step_s <= 10.0 * np.median(step_s)
    told_ah, added_ah = (np.cumsum(np.where(usual, x, 0.0)) for x in (moved_ah, seen_ah))
    off_ah = told_ah - added_ah
    off = np.std(off_ah) > _COUNTER_OFF * max(np.ptp(told_ah), np.ptp(added_ah))
    plain = step_s <= 1.5 * np.median(step_s)
    steady_ah = float(seen_ah[plain].sum())
    if abs(steady_ah) > _STEADY * np.abs(seen_ah[plain]).sum():
        off |= not _LEAST_TIMES < moved_ah[plain].sum() / steady_ah < _MOST_TIMES
    if off:
        k = int(np.argmax(np.abs(off_ah)))
        found = f"{told_ah[k]:+.3g} Ah on the charge counter, {added_ah[k]:+.3g} Ah by the current"
        where = f"rows {number[0]} to {number[k + 1]}"
        said.append(Problem(where, found, "about the same", "the counter is believed"))
    if not reset.any():
        return counter_ah, said
    return counter_ah[0] + np.concatenate([[0.0], np.cumsum(moved_ah)]), said
