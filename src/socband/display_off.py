"""Since when a display that a log contradicts has been off: a full charge too early, or before."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

Array = np.ndarray

LEAST_OFF = 0.05  # of charge by which a display is worth a word (assumed)
MOST_PART = 0.5  # what was there at once must be so much of what is off at the end (assumed)
_SHOWS_FULL, _BELOW_FULL, _MAY_BE_FULL = 0.9995, 0.98, 0.97


class DisplayOff(NamedTuple):
    """Where most of what a display is off by at the end of a log came from.

    Attributes:
        at_hours: since the log began; 0: before it.
        by: display less likely charge then, 0..1.
        called_full: the display stood at 100 % then; else the log began with it.
    """

    at_hours: float
    by: float
    called_full: bool


def _came_at_once(display_soc: Array, middle: Array, row: int) -> bool:
    """Whether a display that stands at 100 % was much less off before it came to stand there: one
    that drifts up stays at 100 % in the end, and nobody has declared anything."""
    below = np.flatnonzero(display_soc[:row] < _SHOWS_FULL)
    if not below.size:
        return True
    before = int(below[-1])
    by = display_soc[row] - middle[row]
    return bool(display_soc[before] - middle[before] < (1.0 - MOST_PART) * by)


def display_off(
    time_s: Array, display_soc: Array, band_soc: Array, start_soc: Array
) -> DisplayOff | None:
    """Since when the display is off, where one moment accounts for most of it.

    Args:
        time_s: (t,) of the log's steps.
        display_soc: (t,) what it would show, NaN if not known.
        band_soc: (t, 3) low end, middle and high end of the band.
        start_soc: (m,) charge of the members when the log began, as they are at its end.

    Returns:
        None where the display lies in the band at the end, or drifted off bit by bit.
    """
    low, middle, high = band_soc[-1]
    off = float(display_soc[-1] - middle)
    if not np.isfinite(off) or low <= display_soc[-1] <= high or abs(off) < LEAST_OFF:
        return None
    been_below = np.minimum.accumulate(display_soc) < _BELOW_FULL
    fulls = np.flatnonzero((display_soc >= _SHOWS_FULL) & been_below)
    if fulls.size:
        row = int(fulls[-1])
        if not _came_at_once(display_soc, band_soc[:, 1], row):
            return None
        at_hours, by = time_s[row] / 3600.0, float(display_soc[row] - band_soc[row, 1])
        sure = band_soc[row, 2] < _MAY_BE_FULL
    else:
        at_hours, by = 0.0, float(display_soc[0] - np.median(start_soc))
        sure = not np.quantile(start_soc, 0.05) <= display_soc[0] <= np.quantile(start_soc, 0.95)
    if not sure or by * np.sign(off) < MOST_PART * abs(off):
        return None
    return DisplayOff(float(at_hours), by, bool(fulls.size))
