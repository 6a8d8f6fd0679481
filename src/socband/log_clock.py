"""The times of a log: seconds, or dates, and what a clock change makes of dates on the wall."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from socband.errors import InputError, Problem
from socband.log_table import numbers

if TYPE_CHECKING:
    import pandas as pd

Array = np.ndarray

# dates without any sign between their digits, 1900 to 2199: whole numbers, and their format
_COMPACT = ((1.9e13, 2.2e13, "%Y%m%d%H%M%S"), (1.9e11, 2.2e11, "%Y%m%d%H%M"))
_NAMES_ZONE = r"[:T ].*(?:[Zz]|[+-]\d\d(?::?\d\d)?)$"
_HOUR_S = 3600.0
LAST_UNIX_S = 7.26e9  # the year 2200


@dataclass(frozen=True)
class Times:
    """A column of times.

    Attributes:
        seconds: (n,) as in the file; of dates since 1970, UTC; NaN where there is none.
        are_dates: and not numbers.
        on_the_wall: dates that named no zone: the seconds count the time on the wall.
        warnings: what was made of a clock change.
    """

    seconds: Array
    are_dates: bool = False
    on_the_wall: bool = False
    warnings: list[Problem] = field(default_factory=list)


def read_times(column: pd.Series, separator: str, zone: str | None, first_row: int) -> Times:
    """Numbers, or dates in the forms of ISO 8601, also without any sign between their digits.

    Args:
        column: as read.
        separator: of the file's columns.
        zone: name in the IANA time zone database of dates that name none; None if not known.
        first_row: what the user calls the first row.

    Raises:
        InputError: some dates name a zone, others do not.
    """
    import pandas as pd

    seconds = numbers(column, separator)
    readable = np.isfinite(seconds)
    for low, high, form in _COMPACT:
        if readable.any() and np.all((seconds[readable] >= low) & (seconds[readable] < high)):
            text = pd.Series(np.where(readable, seconds, 0.0)).map("{:.0f}".format)
            dates = pd.to_datetime(text, errors="coerce", format=form, utc=True)
            if dates.notna().mean() > 0.5:
                return _of_dates(dates, np.ones(len(dates), dtype=bool), zone, first_row)
    if not len(column) or np.mean(~readable) <= 0.5:
        return Times(seconds)
    text = column.astype("string").str.strip()
    dates = pd.to_datetime(text, errors="coerce", format="ISO8601", utc=True)
    if dates.notna().mean() <= 0.5:
        return Times(seconds)
    unnamed = ~text.str.contains(_NAMES_ZONE, regex=True).to_numpy(dtype=bool, na_value=True)
    return _of_dates(dates, unnamed, zone, first_row)


def _of_dates(dates: pd.Series, unnamed: Array, zone: str | None, first_row: int) -> Times:
    """Dates read as if of UTC, of which those `unnamed` (n,) named no zone."""
    seconds = _since_1970(dates)
    at = np.flatnonzero(np.isfinite(seconds))
    if not unnamed[at].any():
        return Times(seconds, are_dates=True)
    if not unnamed[at].all():
        row = at[np.argmax(unnamed[at] != unnamed[at[0]])]
        found = "a date without a zone" if unnamed[row] else "a date with a zone"
        expected = "a zone in all dates, or in none"
        raise InputError(
            Problem(f"row {row + first_row}", f"{found}, unlike those before", expected)
        )
    if zone is None:
        return Times(seconds, are_dates=True, on_the_wall=True)
    at = at[(seconds[at] >= 0.0) & (seconds[at] < LAST_UNIX_S)]
    seconds[at], problem = _resolved(seconds[at], zone, at + first_row)
    warnings = [] if problem is None else [problem]
    return Times(seconds, True, on_the_wall=problem is not None, warnings=warnings)


def _since_1970(dates: pd.Series | pd.DatetimeIndex) -> Array:
    """(n,) seconds since 1970-01-01 UTC of dates that know their zone; NaN for none."""
    import pandas as pd

    epoch = pd.Timestamp("1970-01-01", tz="UTC")
    return ((dates - epoch) / pd.Timedelta(seconds=1)).to_numpy(dtype=float, copy=True)


def _resolved(wall_s: Array, zone: str, number: Array) -> tuple[Array, Problem | None]:
    """Seconds since 1970, UTC, of times on the wall; or as they are and why their clock cannot have
    followed the clock changes of its zone.

    Args:
        wall_s: (n,) seconds since 1970-01-01 on the wall, finite.
        zone: name in the IANA time zone database.
        number: (n,) what the user calls each row.
    """
    from zoneinfo import ZoneInfo

    import pandas as pd

    index = pd.DatetimeIndex(np.round(1e6 * wall_s).astype("datetime64[us]"))
    early_s, late_s = (
        _since_1970(
            index.tz_localize(
                ZoneInfo(zone), ambiguous=np.full(len(index), summer), nonexistent="NaT"
            )
        )
        for summer in (True, False)
    )
    skipped = np.flatnonzero(np.isnan(early_s))
    if len(skipped):
        row = skipped[0]
        found = f"{moment_words(wall_s[row])}, an hour that clocks skip in {zone}"
        return wall_s, _unfollowed(f"row {number[row]}", found)
    twice = np.flatnonzero(early_s != late_s)
    for run in np.split(twice, np.flatnonzero(np.diff(wall_s[twice]) > 2.0 * _HOUR_S) + 1):
        if not len(run):
            continue
        rows = slice(max(run[0] - 1, 0), run[-1] + 2)
        late_from = _second_pass(wall_s, early_s, late_s, run[0], run[-1] + 1)
        early_s[late_from : run[-1] + 1] = late_s[late_from : run[-1] + 1]
        step_s, shown_s = np.diff(early_s[rows]), np.diff(wall_s[rows])
        seamless = len(shown_s) and 0.0 < shown_s.min() and shown_s.max() <= _HOUR_S
        if seamless and step_s.max() > shown_s.max() + 0.4 * _HOUR_S:
            found = f"{moment_words(wall_s[run[0]])}, an hour that comes twice in {zone}, once"
            return wall_s, _unfollowed(f"row {number[run[0]]}", found)
    return early_s, None


def _second_pass(wall_s: Array, early_s: Array, late_s: Array, start: int, stop: int) -> int:
    """The row from which on rows start:stop, all in an hour that comes twice, belong to its second
    coming: so that time runs back least often, then so that it stands still least often, then so
    that one long gap goes before two."""

    def cost(late_from: int) -> tuple[int, int, float]:
        times = early_s[max(start - 1, 0) : stop + 1].copy()
        skip = start - max(start - 1, 0)
        times[skip + late_from - start : skip + stop - start] = late_s[late_from:stop]
        step_s = np.diff(times)
        back, still = int((step_s < 0.0).sum()), int((step_s == 0.0).sum())
        return back, still, float(np.sqrt(np.abs(step_s)).sum())  # the root of a sum is less

    back = start + 1 + np.flatnonzero(np.diff(wall_s[start:stop]) <= 0.0)
    return min([stop, start, *back.tolist()], key=cost)


def _unfollowed(where: str, found: str) -> Problem:
    expected = "a clock that follows the clock change"
    return Problem(where, found, expected, "its times are taken as they stand")


def moment_words(seconds: float) -> str:
    """Seconds since 1970 as a date and the time of day."""
    return datetime.fromtimestamp(math.floor(seconds), UTC).strftime("%Y-%m-%d %H:%M:%S")
