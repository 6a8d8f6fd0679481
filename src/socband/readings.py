"""Readings taken by hand, as given on the command line: `clamp=-1.8`, `rested=13.1`.

One table says what each reading means, its unit and its limits; everything wrong with a list of
readings is reported at once.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from socband.errors import InputError, Problem, did_you_mean, shown
from socband.quantity import Quantity
from socband.site_check import RESTED_V, bank_voltage_problems, drained_problems

if TYPE_CHECKING:
    from socband.site import Setup

# One standard deviation of a DC clamp meter: its zero [A] and a share of the reading, as roots of
# squares (assumed: common practice, meters of 2 % and a few digits at the most).
CLAMP_STD_A = 0.08
CLAMP_STD_SHARE = 0.015
CHARGED_V = (2.0, 3.8)  # of one cell, on a charger or not: as the limits of a setup file [V]


@dataclass(frozen=True)
class ReadingKind:
    """What one reading means.

    Attributes:
        unit: as it may be written behind the number.
        low, high: limits that a real reading cannot exceed.
        words: what is measured.
        needs: other readings that must be given with it.
        needs_one_of: of these, one at least.
        cell_v: lowest and highest of one cell, where it is a voltage of the bank [V].
        may_be_off: it may be lower, none even, where the battery's protection has opened.
    """

    unit: str
    low: float
    high: float
    words: str
    needs: tuple[str, ...] = ()
    needs_one_of: tuple[str, ...] = ()
    cell_v: tuple[float, float] | None = None
    may_be_off: bool = False

    def fits_off(self, value: float, cells_in_series: int) -> bool:
        """Lower than any live bank, and not the voltage of one of its cells?"""
        if not self.may_be_off or self.cell_v is None:
            return False
        low_v, high_v = self.cell_v
        return value < low_v * cells_in_series and not low_v <= value <= high_v


KINDS: dict[str, ReadingKind] = {
    "clamp": ReadingKind(
        "A",
        -2000,
        2000,
        "true current at the battery post by a clamp meter, + into the bank",
        ("display",),
    ),
    "display": ReadingKind(
        "A", -2000, 2000, "current on the display at that moment, + charging", ("clamp",)
    ),
    "hour": ReadingKind(
        "h", 0, 24, "hour of day of the clamp reading", needs_one_of=("clamp", "clamp_off")
    ),
    "display_off": ReadingKind(
        "A", -200, 200, "current on the display with every load and charger switched off"
    ),
    "clamp_off": ReadingKind(
        "A", -200, 200, "clamp meter at the battery post with everything switched off"
    ),
    "rested": ReadingKind(
        "V", 0.1, 1000, "bank voltage after a rest without current", cell_v=RESTED_V
    ),
    "rested_hours": ReadingKind("h", 0, 1000, "how long it had rested", ("rested",)),
    "night": ReadingKind(
        "Ah", -1e4, 1e4, "net charge the display counted from one watched full charge to the next"
    ),
    "night_hours": ReadingKind("h", 1, 1000, "time between those two full charges", ("night",)),
    "capacity": ReadingKind("Ah", 0.01, 1e5, "charge the display counted from full to cut-off"),
    "capacity_hours": ReadingKind("h", 0.1, 1000, "how long that discharge took", ("capacity",)),
    "load": ReadingKind(
        "A",
        0.1,
        2000,
        "current of a known load that was switched on",
        needs_one_of=("load_display", "load_sag"),
    ),
    "load_display": ReadingKind(
        "A", 0, 2000, "how much the displayed current changed by it", ("load",)
    ),
    "load_sag": ReadingKind("V", 0, 100, "how much the bank voltage fell at once", ("load",)),
    "lead_least": ReadingKind(
        "A",
        0,
        2000,
        "of batteries in parallel: current in the own lead of the one that carries least, by a "
        "clamp meter under a steady load",
        ("lead_most",),
    ),
    "lead_most": ReadingKind(
        "A", 0.1, 2000, "current in the own lead of the battery that carries most", ("lead_least",)
    ),
    "display_soc": ReadingKind("%", 0, 100, "charge on the display, in percent"),
    "since_full": ReadingKind("h", 0, 1e5, "hours since the display last said full"),
    "amps": ReadingKind("A", -2000, 2000, "charge current into the bank now, + charging"),
    "volts": ReadingKind("V", 0, 1000, "bank voltage now", cell_v=CHARGED_V, may_be_off=True),
    "temperature": ReadingKind("C", -60, 80, "temperature of the battery"),
    "panel_volts": ReadingKind("V", 0, 1000, "voltage at the panel's open plug"),
    "fuse_in": ReadingKind("V", 0, 1000, "voltage on the source side of the fuse", ("fuse_out",)),
    "fuse_out": ReadingKind("V", 0, 1000, "voltage on the battery side of the fuse", ("fuse_in",)),
}

# what only `charging` asks for, and what both commands do
_CHARGING_ONLY = ("amps", "volts", "temperature", "panel_volts", "fuse_in", "fuse_out")
_BOTH = ("display_soc", "since_full")


def readings_for(question: str) -> tuple[str, ...]:
    """Names of the readings that "suspects" or "charging" makes use of; of any other, all."""
    if question not in ("suspects", "charging"):
        return tuple(KINDS)
    charging = question == "charging"
    return tuple(n for n in KINDS if n in _BOTH or (n in _CHARGING_ONLY) == charging)


_FORM = re.compile(r"\s*([A-Za-z_]+)\s*=\s*(\S.*?)\s*")
_VALUE = re.compile(r"([-+−]?[0-9.,]+(?:[eE][-+−]?\d+)?)\s*([A-Za-z%°]*)")


def number_of(text: str) -> tuple[float, str]:
    """A number as people type it, and the unit behind it: a comma may stand for the point, and a
    true minus sign for the hyphen.

    Raises:
        ValueError: it is none.
    """
    match = _VALUE.fullmatch(text.strip())
    if match is None:
        raise ValueError(text)
    number = match[1].replace("−", "-")
    return float(number if "." in number else number.replace(",", ".")), match[2]


def value_of(name: str, text: str, where: str) -> float:
    """The value of a reading, in its unit and within its limits.

    Args:
        name: of `KINDS`.
        text: as typed.
        where: for the message.

    Raises:
        ValueError: no number.
        InputError: another unit, or beyond the limits.
    """
    kind = KINDS[name]
    value, unit = number_of(text)
    if unit and unit.casefold().lstrip("°") != kind.unit.casefold():
        raise InputError(Problem(where, f"the unit {unit!r}", kind.unit))
    if not kind.low <= value <= kind.high:
        limits = f"{kind.low:g} to {kind.high:g} {kind.unit} ({kind.words})"
        raise InputError(Problem(where, f"{value:g}", limits))
    if kind.unit == "%" and 0.0 < value < 1.0:
        percent = f"percent, so {100.0 * value:g} for {100.0 * value:g} %"
        raise InputError(Problem(where, f"{value:g}", percent))
    return value


def parse_readings(
    texts: Iterable[str], question: str = "", cells_in_series: int | None = None
) -> dict[str, float]:
    """Readings by name.

    Args:
        texts: "name=value" each; a unit may follow the number; a comma may stand for the point.
        question: the command that asks; readings it makes no use of are refused.
        cells_in_series: of the bank, to recognise the voltage of one cell; None = not checked.

    Raises:
        InputError: with every problem at once.
    """
    problems: list[Problem] = []
    found: dict[str, float] = {}
    for text in texts:
        match = _FORM.fullmatch(text)
        if match is None:
            problems.append(Problem("--reading", shown(text), "name=number, such as clamp=-1.8"))
            continue
        name, where = match[1].lower(), f"--reading {match[1].lower()}"
        if name not in KINDS:
            hint = did_you_mean(name, list(KINDS))
            known = "one of " + ", ".join(readings_for(question))
            problems.append(Problem("--reading", shown(name), known, hint))
            continue
        if name not in readings_for(question):
            expected = "one of " + ", ".join(readings_for(question))
            what = f"a reading that `{question}` makes no use of"
            problems.append(Problem(where, what, expected))
            continue
        kind = KINDS[name]
        try:
            value = value_of(name, match[2], where)
        except InputError as error:
            problems += error.problems
            continue
        except ValueError:
            problems.append(Problem(where, shown(match[2]), "a number"))
            continue
        if name in found:
            problems.append(Problem("--reading", f"{name} twice", "each reading once"))
        elif (
            kind.cell_v
            and cells_in_series
            and not kind.fits_off(value, cells_in_series)
            and (wrong := bank_voltage_problems(where, value, cells_in_series, kind.cell_v))
        ):
            problems += wrong
        else:
            found[name] = value
    named = {p.where.removeprefix("--reading ") for p in problems}
    problems += _missing(found, named)
    if problems:
        raise InputError(problems)
    return found


def _missing(found: Mapping[str, float], named: set[str]) -> list[Problem]:
    problems = []
    for name in found:
        either = KINDS[name].needs_one_of
        if either and not any(other in found or other in named for other in either):
            expected = " or ".join(f"{other}=" for other in either) + " with it"
            problems.append(Problem(f"--reading {name}", "it alone", expected))
        for other in KINDS[name].needs:
            if other not in found and other not in named:
                expected = f"{other}= with it ({KINDS[other].words})"
                problems.append(Problem(f"--reading {name}", "it alone", expected))
    return problems


def against_setup(readings: Mapping[str, float], setup: Setup) -> list[Problem]:
    """What readings and setup say together that no bank can do."""
    problems = _leads_against_setup(readings, setup)
    given = [name for name in ("since_full", "display_soc") if name in readings]
    present = setup.present
    display = readings.get("display_soc", 100.0 * (present.display_soc or 0.0)) / 100.0
    if not given or ("display_soc" not in readings and present.display_soc is None):
        return problems
    hours = readings.get("since_full", present.hours_since_full.interval(0.998)[1])
    assumed_ah = setup.monitor.assumed_capacity_ah.median
    return problems + drained_problems(
        f"--reading {given[0]}", display, hours, assumed_ah, setup.bank.rated_capacity_ah
    )


def _leads_against_setup(readings: Mapping[str, float], setup: Setup) -> list[Problem]:
    """Leads of batteries in parallel where there is one battery, or the two the wrong way round."""
    if "lead_least" not in readings:
        return []
    if setup.bank.strings_in_parallel < 2:
        several = "a bank of several, such as bank.strings_in_parallel = 2"
        return [Problem("--reading lead_least", "one battery in the setup file", several)]
    least, most = readings["lead_least"], readings["lead_most"]
    if least > most:
        return [Problem("--reading lead_least", f"{least:g}", f"no more than lead_most, {most:g}")]
    return []


def with_readings(setup: Setup, readings: Mapping[str, float]) -> Setup:
    """The setup with a display and hours since full that were read just now."""
    present = setup.present
    if "display_soc" in readings:
        present = replace(present, display_soc=readings["display_soc"] / 100.0)
    if "since_full" in readings:
        present = replace(present, hours_since_full=Quantity.from_number(readings["since_full"]))
    return replace(setup, present=present)


def describe_readings(names: Iterable[str] = tuple(KINDS)) -> str:
    """One line for each of these readings, for a help page."""
    return "\n".join(f"{name}= [{KINDS[name].unit}] {KINDS[name].words}" for name in names)
