"""Evidence as it is typed: `full@3.5=unsure`, `clamp@12=-1.8`, `rested=13.2`, `capacity=180`.

The number after @ is hours since the log began; without it, the end of the log, or now. A clamp
reading says little without what the display showed at that moment: `clamp=-1.8/-1.2` gives both,
true and shown; alone, it is held against the log's own current, or the setup's present one.
A full charge needs a log to lie in: of the present, display and hours since full say it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from socband.errors import InputError, Problem, did_you_mean, shown
from socband.evidence import CapacityTest, ClampReading, Evidence, FullCharge, RestedVoltage
from socband.readings import CLAMP_STD_A, CLAMP_STD_SHARE
from socband.readings import KINDS as READINGS

_FORM = re.compile(r"\s*([a-z_]+)\s*(?:@\s*([0-9.]+)\s*h?)?\s*=\s*(\S.*?)\s*")

# How sure the owner is that a full charge was a true one.
FULL_WORDS = {"true": 0.98, "unsure": 0.5, "false": 0.02}
CAPACITY_STD_SHARE = 0.03  # assumed: how well an owner measures a capacity
RESTED_HOURS = 1.0  # assumed where nothing is said of the rest

KINDS = {
    "full": "a full charge: true, unsure or false",
    "clamp": "true current at the battery post [A], positive into the bank, alone or with the "
    "current shown then: -1.8/-1.2",
    "rested": "bank voltage after a rest [V]",
    "capacity": "capacity measured from full to cut-off [Ah]",
}  # those with a number have the limits of the reading of the same name


def parse_evidence(
    texts: Iterable[str], end_hours: float = 0.0, rested_hours: float = RESTED_HOURS
) -> list[Evidence]:
    """Pieces of evidence, in the order typed.

    Args:
        texts: see the module.
        end_hours: what "no time given" means [h].
        rested_hours: how long the bank had rested where a voltage is given [h].

    Raises:
        InputError: with every problem at once.
    """
    problems: list[Problem] = []
    found: list[Evidence] = []
    for text in texts:
        match = _FORM.fullmatch(text)
        if match is None:
            expected = "kind=value or kind@hours=value, such as clamp@12=-1.8"
            problems.append(Problem("--evidence", shown(text), expected))
            continue
        kind, at, value = match[1], match[2], match[3]
        if kind not in KINDS:
            expected = "one of " + ", ".join(KINDS)
            problems.append(
                Problem("--evidence", shown(kind), expected, did_you_mean(kind, list(KINDS), 0))
            )
            continue
        try:
            hours = end_hours if at is None else float(at)
            found.append(_piece(kind, 3600.0 * hours, value, rested_hours))
        except ValueError:
            problems.append(Problem(f"--evidence {kind}", shown(value), KINDS[kind]))
    if problems:
        raise InputError(problems)
    return found


def _piece(kind: str, time_s: float, value: str, rested_hours: float) -> Evidence:
    if kind == "full":
        if value not in FULL_WORDS:
            raise ValueError(value)
        return FullCharge(time_s, FULL_WORDS[value])
    if kind == "clamp":
        true, *shown_then = (_number(kind, part) for part in value.split("/", 1))
        std_a = math.hypot(CLAMP_STD_A, CLAMP_STD_SHARE * true)
        return ClampReading(time_s, true, std_a, *shown_then)
    number = _number(kind, value)
    if kind == "rested":
        return RestedVoltage(time_s, number, rested_hours)
    return CapacityTest(time_s, number, CAPACITY_STD_SHARE * number)


def _number(kind: str, text: str) -> float:
    """Within the limits that a reading of this name has."""
    number = float(text)
    if not READINGS[kind].low <= number <= READINGS[kind].high:  # nor is it NaN
        raise ValueError(text)
    return number
