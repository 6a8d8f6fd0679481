"""The kinds of value a setup file may hold: clock times, hours of the day, numbers with limits.

Each kind is a pydantic field type whose validator says what was found and what was expected; the
problems travel through pydantic, which goes on to the next key, and come out all together.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from functools import partial
from typing import Annotated, Any

import numpy as np
from pydantic import PlainValidator
from pydantic_core import PydanticCustomError

from socband.errors import InputError, Problem, shown
from socband.quantity import Quantity

MINUTES_A_DAY = 1440
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")


@dataclass(frozen=True, order=True)
class ClockTime:
    """A time of day.

    Attributes:
        minute: minutes since midnight, 0..1439.
    """

    minute: int

    @classmethod
    def from_text(cls, text: object, where: str = "") -> ClockTime:
        """From "HH:MM" on the 24-hour clock ("24:00" is midnight).

        Raises:
            InputError: anything else.
        """
        match = _CLOCK.fullmatch(text.strip()) if isinstance(text, str) else None
        if match is None:
            if isinstance(text, str) and text.strip() == "24:00":
                return cls(0)
            hint = "in quotes, in a TOML file" if not isinstance(text, str) else ""
            raise InputError(
                Problem(where, shown(text), 'a time of day such as "07:30", 24-hour clock', hint)
            )
        return cls(int(match[1]) * 60 + int(match[2]))

    @classmethod
    def from_hour(cls, hour: float) -> ClockTime:
        """The nearest minute to an hour of day, which may lie beyond 0..24."""
        return cls(round(60.0 * hour) % MINUTES_A_DAY)

    def __str__(self) -> str:
        return f"{self.minute // 60:02d}:{self.minute % 60:02d}"


@dataclass(frozen=True)
class Hours:
    """Hours of the day in which something may happen.

    Attributes:
        spans: (start, end) minutes since midnight, 0 <= start < end <= 1440, sorted and apart; a
            span across midnight is stored as two.
    """

    spans: tuple[tuple[int, int], ...] = ((0, MINUTES_A_DAY),)

    @classmethod
    def from_texts(cls, raw: object, where: str = "") -> Hours:
        """From "22:00-07:00" or a list of such; equal ends mean the whole day.

        Raises:
            InputError: a span that cannot be read, or an empty list.
        """
        texts = [raw] if isinstance(raw, str) else raw
        expected = 'hours such as ["22:00-07:00"]'
        if not isinstance(texts, list | tuple) or not texts:
            raise InputError(Problem(where, shown(raw), expected))
        problems, pieces = [], []
        for text in texts:
            ends = re.split(r"[-–]", text) if isinstance(text, str) else []
            try:
                start, end = (ClockTime.from_text(part).minute for part in ends)
            except ValueError:  # InputError is one too: a wrong time, or not two of them
                problems.append(Problem(where, shown(text), expected))
                continue
            end = end or MINUTES_A_DAY
            if start < end:
                pieces.append((start, end))
            else:
                pieces += [(start, MINUTES_A_DAY), (0, end)]
        if problems:
            raise InputError(problems)
        return cls(_merged(pieces))

    @property
    def is_always(self) -> bool:
        """The whole day?"""
        return self.spans == ((0, MINUTES_A_DAY),)

    @property
    def fraction(self) -> float:
        """Share of the day, 0..1."""
        return sum(end - start for start, end in self.spans) / MINUTES_A_DAY

    def contains(self, minute: Any) -> np.ndarray:
        """Is the minute of day (any number; taken modulo a day; any shape) within the hours?"""
        minute = np.mod(np.asarray(minute, dtype=float), MINUTES_A_DAY)
        inside = np.zeros(minute.shape, dtype=bool)
        for start, end in self.spans:
            inside |= (minute >= start) & (minute < end)
        return inside

    def __str__(self) -> str:
        if self.is_always:
            return "all day"
        spans = list(self.spans)
        if len(spans) > 1 and spans[0][0] == 0 and spans[-1][1] == MINUTES_A_DAY:
            spans = [*spans[1:-1], (spans[-1][0], spans[0][1])]  # one span across midnight
        return ", ".join(f"{ClockTime(a)}-{ClockTime(b % MINUTES_A_DAY)}" for a, b in spans)


def _merged(pieces: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    merged: list[tuple[int, int]] = []
    for start, end in sorted(pieces):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    return tuple(merged)


# ---------------------------------------------------------------- field types for pydantic


def _field(read: Callable[[Any], Any], kind: type | None = None) -> PlainValidator:
    def validate(raw: Any) -> Any:
        if kind is not None and isinstance(raw, kind):
            return raw  # read already: a copy with other values is being made
        try:
            return read(raw)
        except InputError as error:
            raise PydanticCustomError(
                "socband", "bad value", {"problems": error.problems}
            ) from None

    return PlainValidator(validate)


def _read_quantity(raw: Any, low: float, high: float, hint: str) -> Quantity:
    quantity = Quantity.from_value(raw)
    try:
        return quantity.within(low, high)
    except InputError as error:
        problem = error.problems[0]
        raise InputError(Problem("", problem.found, problem.expected, hint)) from None


def quantity(low: float = -np.inf, high: float = np.inf, hint: str = "") -> Any:
    """Field type: a `Quantity` within physical limits."""
    return Annotated[Quantity, _field(partial(_read_quantity, low=low, high=high, hint=hint))]


def optional(kind: Any) -> Any:
    """The field type `kind`, or None as the default (a TOML file cannot hold None)."""
    validate = kind.__metadata__[0].func
    passing = PlainValidator(lambda raw: None if raw is None else validate(raw))
    return Annotated[kind.__origin__ | None, passing]


def _read_number(raw: Any, low: float, high: float, hint: str) -> float:
    value = Quantity.from_value(raw)
    if not value.is_fixed:
        raise InputError(Problem("", shown(raw), "one number, exactly known"))
    return _read_quantity(raw, low, high, hint).median


def number(low: float = -np.inf, high: float = np.inf, hint: str = "") -> Any:
    """Field type: one float within limits."""
    return Annotated[float, _field(partial(_read_number, low=low, high=high, hint=hint))]


def _read_whole(raw: Any, low: int, high: int) -> int:
    if isinstance(raw, bool) or not isinstance(raw, int) or not low <= raw <= high:
        raise InputError(Problem("", shown(raw), f"a whole number from {low} to {high}"))
    return raw


def whole(low: int, high: int) -> Any:
    """Field type: an integer within limits."""
    return Annotated[int, _field(partial(_read_whole, low=low, high=high))]


def _read_text(raw: Any) -> str:
    if not isinstance(raw, str) or not raw.strip():
        raise InputError(Problem("", shown(raw), "some text in quotes"))
    return raw.strip()


def _read_line(raw: Any) -> str:
    text = _read_text(raw)
    if any(unicodedata.category(sign) == "Cc" for sign in text):
        raise InputError(Problem("", shown(raw), "one line of text, without control characters"))
    return text


def _read_name(raw: Any) -> str:
    name = _read_line(raw)
    if ";" in name:
        expected = "a name without semicolons, which stand between names in lists"
        raise InputError(Problem("", shown(raw), expected))
    return name


def _read_flag(raw: Any) -> bool:
    if not isinstance(raw, bool):
        raise InputError(Problem("", shown(raw), "true or false, without quotes"))
    return raw


def _read_clocks(raw: Any) -> tuple[ClockTime, ...]:
    texts = raw if isinstance(raw, list | tuple) and raw else [raw]
    problems, times = [], []
    for text in texts:
        try:
            times.append(text if isinstance(text, ClockTime) else ClockTime.from_text(text))
        except InputError as error:
            problems.extend(error.problems)
    if problems:
        raise InputError(problems)
    return tuple(times)


def _read_timezone(raw: Any) -> str:
    import zoneinfo

    try:
        zoneinfo.ZoneInfo(raw)
    except (TypeError, ValueError, OSError, zoneinfo.ZoneInfoNotFoundError):
        expected = 'the name of a time zone such as "Europe/Vienna"'
        raise InputError(Problem("", shown(raw), expected)) from None
    return raw


def _read_date(raw: Any) -> date:
    if isinstance(raw, datetime) or not isinstance(raw, date):
        raise InputError(Problem("", shown(raw), "a date such as 2026-03-28, without quotes"))
    if not 1970 <= raw.year < 2200:  # beyond, time zones and whole calendars end
        raise InputError(Problem("", f"{raw}", "a date from 1970 to 2199"))
    return raw


Text = Annotated[str, _field(_read_text)]
Line = Annotated[str, _field(_read_line)]
Name = Annotated[str, _field(_read_name)]
Flag = Annotated[bool, _field(_read_flag)]
Clock = Annotated[ClockTime, _field(ClockTime.from_text, ClockTime)]
Clocks = Annotated[tuple[ClockTime, ...], _field(_read_clocks)]
HoursOfDay = Annotated[Hours, _field(Hours.from_texts, Hours)]
TimeZone = Annotated[str, _field(_read_timezone)]
Date = Annotated[date, _field(_read_date)]
