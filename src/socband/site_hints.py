"""What to write instead of a number that was not understood, or that is a percentage."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping
from typing import Any

from socband.errors import Problem
from socband.site_priors import unit_of

_TYPED = re.compile(r"([-+−]?\d+(?:[.,]\d+)?)\s*([^\d\s]*)")
_THOUSANDS = re.compile(r",\d{3}$")  # or a fraction: nobody can say
PERCENT = "62 % is 0.62"  # the example in hints; the very number says more
# What nobody can assume of a bank, and where its owner finds it.
WHERE_TO_LOOK = {
    "cell": '"lfp-prismatic-100ah" where nobody measured yours; `socband cell` lists all',
    "cells_in_series": "4 for a 12 V bank, 8 for 24 V, 16 for 48 V",
    "rated_capacity_ah": "as printed on the batteries; those in parallel added up",
}
# Units as people type them, in small letters: what they measure, and how much of its first one.
_TYPED_UNITS: dict[str, dict[str, float]] = {
    "": {"%": 0.01},
    "A": {"a": 1.0, "amp": 1.0, "amps": 1.0, "ma": 1e-3},
    "Ah": {"ah": 1.0, "mah": 1e-3},
    "V": {"v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3},
    "W": {"w": 1.0, "watt": 1.0, "watts": 1.0, "kw": 1e3},
    "ohm": {"ohm": 1.0, "ohms": 1.0, "ω": 1.0, "mohm": 1e-3, "mω": 1e-3},
    "°C": {"°c": 1.0, "c": 1.0, "°": 1.0},
    "K": {"k": 1.0, "°c": 1.0, "c": 1.0, "°": 1.0},
}  # fmt: skip
_SECONDS = {
    **dict.fromkeys(("s", "sec", "second", "seconds"), 1.0),
    **dict.fromkeys(("min", "mins", "minute", "minutes"), 60.0),
    **dict.fromkeys(("h", "hr", "hour", "hours"), 3600.0),
    **dict.fromkeys(("d", "day", "days"), 86400.0),
}
for _unit in ("s", "min", "h"):
    _TYPED_UNITS[_unit] = {typed: s / _SECONDS[_unit] for typed, s in _SECONDS.items()}


def with_hint(problem: Problem, key: str, raw: Any) -> Problem:
    """The problem of a key of a setup file, its hint saying what to write where that is plain.

    Args:
        problem: with `where` within the key's own value, "" for the value itself.
        key: that the value stands behind.
        raw: that value.
    """
    if problem.where and isinstance(raw, Mapping):
        raw = raw.get(problem.where.rpartition(".")[2])
    hint = problem.hint
    if isinstance(raw, str) and "number" in problem.expected:
        hint = _from_text(key, raw) or hint
    elif isinstance(raw, int | float) and 1.0 < raw <= 100.0:
        percent = f"{raw:g} % is {raw / 100.0:g}"
        if PERCENT in hint:
            hint = hint.replace(PERCENT, percent)
        elif problem.expected == "between 0 and 1":
            if key.endswith("_ohm"):
                percent = f"{raw:g} milliohm is {raw / 1000.0:g}"
            hint = f"{hint}; {percent}" if hint else percent
    return dataclasses.replace(problem, hint=hint)


def _from_text(key: str, text: str) -> str:
    """What to write for a number in quotes, its unit behind it or not; "" where nobody can say."""
    match = _TYPED.fullmatch(text.strip())
    if match is None or _THOUSANDS.search(match[1]):
        return ""
    value, typed = float(match[1].replace("−", "-").replace(",", ".")), match[2].casefold()
    unit = unit_of(key).removeprefix("of rated")
    factor = 1.0 if not typed else _TYPED_UNITS.get(unit, {}).get(typed)
    if factor is None and unit == "°C" and typed in ("f", "°f"):
        return f"write {(value - 32.0) / 1.8:.3g}, in °C"
    if factor is None and typed == "%":
        return f"write {0.01 * value:.12g}, {unit}" if unit else f"write {0.01 * value:.12g}"
    if factor is None:
        return f"write the number alone, in {unit}" if unit else "write the number alone"
    return f"write {value * factor:.12g}" + (f", in {unit}" if factor != 1.0 and unit else "")
