"""Evidence as it is typed: `full@3.5=unsure`, `clamp@12=-1.8`, `rested=13.2`, `capacity=180`.

Numbers as in a reading by hand: a unit may follow, a comma may stand for the point. The number
after @ is hours since the log began; without it, the end of the log, or now. A clamp reading says
little without what the display showed at that moment: `clamp=-1.8/-1.2` gives both, true and shown;
alone, it is held against the log's own current, or the setup's present one. A full charge needs a
log to lie in: of the present, display and hours since full say it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from socband.errors import InputError, Problem, did_you_mean, shown
from socband.evidence import CapacityTest, ClampReading, Evidence, FullCharge, RestedVoltage
from socband.readings import CLAMP_STD_A, CLAMP_STD_SHARE, number_of, value_of

_FORM = re.compile(r"\s*([A-Za-z_]+)\s*(?:@\s*([^=]*?))?\s*=\s*(\S.*?)\s*")

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
        kind, at, value = match[1].lower(), match[2], match[3]
        if kind not in KINDS:
            expected = "one of " + ", ".join(KINDS)
            problems.append(
                Problem("--evidence", shown(kind), expected, did_you_mean(kind, list(KINDS), 0))
            )
            continue
        hours, where = end_hours, f"--evidence {kind}"
        if at is not None:
            try:
                hours, unit = number_of(at)
            except ValueError:
                unit = None
            if unit not in ("", "h"):
                expected = f"hours since the log began behind @, such as {kind}@12={value}"
                problems.append(Problem(where, shown(at), expected))
                continue
        try:
            found.append(_piece(kind, 3600.0 * hours, value, rested_hours))
        except InputError as error:
            problems += error.problems
        except ValueError:
            problems.append(Problem(where, shown(value), KINDS[kind]))
    if problems:
        raise InputError(problems)
    return found


def _piece(kind: str, time_s: float, value: str, rested_hours: float) -> Evidence:
    if kind == "full":
        if value not in FULL_WORDS:
            raise ValueError(value)
        return FullCharge(time_s, FULL_WORDS[value])
    where = f"--evidence {kind}"
    if kind == "clamp":
        true, *shown_then = (value_of(kind, part, where) for part in value.split("/", 1))
        std_a = math.hypot(CLAMP_STD_A, CLAMP_STD_SHARE * true)
        return ClampReading(time_s, true, std_a, *shown_then)
    number = value_of(kind, value, where)
    if kind == "rested":
        return RestedVoltage(time_s, number, rested_hours)
    return CapacityTest(time_s, number, CAPACITY_STD_SHARE * number)
