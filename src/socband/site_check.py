"""Checks of a setup file that need more than one key."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from socband.errors import Problem
from socband.quantity import Quantity
from socband.site_full_rule import full_rule_note
from socband.site_priors import LEAST_LOST

if TYPE_CHECKING:
    from socband.site import Setup
    from socband.site_parts import Bank, Limits, Load
    from socband.site_supply import Battery, Source

# What the program itself calls two loads that no setup file lists.
INVERTER = "the inverter itself"
UNTRACKED = "untracked load"

# Per cell [V]. LFP cells are charged to 3.65 V and emptied to 2.0-2.5 V at the most (cell data
# sheets); a rested cell lies between the ends of the published OCV curve, 2.0 and 3.65 V.
DISCONNECT_V = (2.0, 3.2)
RESTED_V = (2.0, 3.65)
FULL_V = (3.2, 3.8)
RECONNECT_V = (2.2, 3.5)

MOST_MEAN_C = 5.0  # times the capacity an hour: no house bank gives or takes more (assumed)
# A rated capacity is a sound setting as long as the bank still holds this share of it; a setting is
# clearly off where it lies beside all sound ones by this factor (both assumed).
_STILL_SOUND = 0.8
CLEARLY_OFF = 1.2
_BESIDE_FACTORS = 1.1  # a whole bank so much above what its batteries' factors add up to (assumed)
_AS_PRINTED = 0.005  # so near the rated capacity a setting is taken from the label
_ROUNDED = 0.02  # a display may stand so far below full at once (assumed)


def cross_checks(parts: Mapping[str, Any], assumed: Collection[str]) -> list[Problem]:
    """Problems between keys; a section that is itself broken (None) is left out.

    Args:
        parts: section name to its dataclass of `socband.site_parts`, or None.
        assumed: keys that were left out and filled in.
    """
    problems: list[Problem] = []
    for index, load in enumerate(parts["loads"]):
        problems += _load_problems(f"loads[{index + 1}] ({load.name})", load)
    for section in ("loads", "sources", "batteries"):
        problems += _doubled_names(section, parts.get(section) or ())
    bank = parts["bank"]
    if bank is not None:
        problems += _voltage_problems(bank, parts)
        problems += _bank_problems(bank, parts)
    limits = parts["limits"]
    if limits is not None and limits.reconnect_v.median <= limits.disconnect_v.median:
        problems.append(_above_reconnect(limits, "limits.reconnect_v" in assumed))
    present = parts["present"]
    if (
        present is not None
        and present.rested_voltage_v is None
        and present.rested_hours is not None
    ):
        expected = "present.rested_voltage_v beside it"
        problems.append(Problem("present.rested_hours", f"{present.rested_hours:g}", expected))
    return problems


def _above_reconnect(limits: Limits, assumed: bool) -> Problem:
    """A disconnect above the reconnect voltage, told of the one that the user stated."""
    off, on = limits.disconnect_v.describe("V"), limits.reconnect_v.describe("V")
    if assumed:
        expected = f"less than the reconnect voltage, assumed to be {on}"
        return Problem("limits.disconnect_v", off, expected, "limits.reconnect_v states it")
    return Problem("limits.reconnect_v", on, f"more than the disconnect voltage, {off}")


def _load_problems(where: str, load: Load) -> list[Problem]:
    problems = []
    if (load.power_w is None) == (load.current_a is None):
        found = "neither power_w nor current_a" if load.power_w is None else "both of them"
        problems.append(Problem(where, found, "exactly one of power_w and current_a"))
    if load.through_inverter and load.current_a is not None:
        hint = "its current at the battery hangs on the voltage"
        problems.append(Problem(f"{where}.current_a", "a current", "power_w behind inverter", hint))
    if (load.surge is None) != (load.surge_s is None):
        given, other = ("surge_s", "surge") if load.surge is None else ("surge", "surge_s")
        expected = f"{other} beside it: starting power over running power, and for how long"
        problems.append(Problem(f"{where}.{given}", f"{getattr(load, given):g}", expected))
    if load.duty_at_c is not None and load.duty_per_k is None:
        expected = "duty_per_k beside it, the change of duty with each degree"
        problems.append(Problem(f"{where}.duty_at_c", f"{load.duty_at_c:g}", expected))
    if load.at is None and load.for_min is not None:
        found = f"{load.for_min:g}, without at"
        problems.append(Problem(f"{where}.for_min", found, "at, the time of the one-off event"))
    if load.at is not None and not load.hours.is_always:
        found = f"{load.hours}, beside at"
        problems.append(Problem(f"{where}.hours", found, "either hours or a one-off event at"))
    return problems


def _doubled_names(section: str, items: tuple[Load | Source | Battery, ...]) -> list[Problem]:
    """A name stands for one thing: its random numbers hang on it, and what is switched off."""
    seen: set[str] = set()
    problems = []
    for index, item in enumerate(items):
        where = f"{section}[{index + 1}].name"
        if item.name in seen:
            expected = f"a name that no other of the {section} has"
            problems.append(Problem(where, repr(item.name), expected))
        if section == "loads" and (item.name == INVERTER or item.name.startswith(UNTRACKED)):
            expected = "another name: the program calls a load of its own so"
            problems.append(Problem(where, repr(item.name), expected))
        seen.add(item.name)
    return problems


def _voltage_problems(bank: Bank, parts: Mapping[str, Any]) -> list[Problem]:
    limits, present, inverter = parts["limits"], parts["present"], parts["inverter"]
    monitor = parts["monitor"]
    rested = present.rested_voltage_v if present is not None else None
    checks: list[tuple[str, Quantity | None, tuple[float, float]]] = [
        ("limits.disconnect_v", limits and limits.disconnect_v, DISCONNECT_V),
        ("limits.reconnect_v", limits and limits.reconnect_v, RECONNECT_V),
        ("inverter.cutout_v", inverter and inverter.cutout_v, DISCONNECT_V),
        ("monitor.re_zero.above_v", monitor and monitor.re_zero.above_v, FULL_V),
        (
            "present.rested_voltage_v",
            None if rested is None else Quantity.from_number(rested),
            RESTED_V,
        ),
    ]
    cells = bank.cells_in_series
    problems = []
    for where, value, limits_v in checks:
        if value is not None:
            problems += bank_voltage_problems(where, value.median, cells, limits_v)
    return problems


def bank_voltage_problems(
    where: str, bank_v: float, cells: int, limits_v: tuple[float, float]
) -> list[Problem]:
    """One problem if a voltage is none of a bank of so many cells, else none.

    Args:
        where: for the message.
        bank_v: of the whole bank [V].
        cells: in series.
        limits_v: lowest and highest of one cell [V].
    """
    low, high = limits_v
    if low <= bank_v / cells <= high:
        return []
    found = f"{bank_v:g} V, which is {bank_v / cells:.3g} V a cell"
    expected = f"{low * cells:g} to {high * cells:g} V for {cells} LFP cells in series"
    hint = "give the voltage of the whole bank" if low <= bank_v <= high else ""
    return [Problem(where, found, expected, hint)]


def _bank_problems(bank: Bank, parts: Mapping[str, Any]) -> list[Problem]:
    problems = []
    monitor = parts["monitor"]
    if monitor is not None:
        ratio = monitor.assumed_capacity_ah.median / bank.rated_capacity_ah
        if not 0.1 <= ratio <= 10.0:
            problems.append(
                Problem(
                    "monitor.assumed_capacity_ah",
                    f"{monitor.assumed_capacity_ah.median:g} Ah, {ratio:.3g} times the rated one",
                    "roughly the capacity of the whole bank, in Ah",
                )
            )
    present = parts["present"]
    if present is not None and present.display_soc is not None and monitor is not None:
        hours, assumed_ah = present.hours_since_full, monitor.assumed_capacity_ah.median
        given = (present.display_soc, hours.interval(0.998)[1], assumed_ah, bank.rated_capacity_ah)
        problems += drained_problems("present.hours_since_full", *given)
    current = present.current_a if present is not None else None
    most_a = MOST_MEAN_C * bank.rated_capacity_ah
    if current is not None and abs(current.median) > most_a:
        problems.append(
            Problem(
                "present.current_a",
                f"{current.median:g} A",
                f"no more than {most_a:g} A, five times the capacity an hour",
                "in amperes, negative = discharging",
            )
        )
    return problems


def sound_capacity_settings_ah(bank: Bank) -> tuple[float, float]:
    """Lowest and highest capacity that is sound to enter in a monitor [Ah]: people enter what the
    bank still holds, or what is printed on it, which is sound while it holds `_STILL_SOUND`."""
    present = bank.capacity_fraction.median
    most = max(present, min(1.0, present / _STILL_SOUND))
    return min(present, 1.0) * bank.rated_capacity_ah, most * bank.rated_capacity_ah


def setup_notes(setup: Setup) -> list[str]:
    """What in a setup that can be used will spoil the answers: a capacity that two keys tell
    differently, a rule for "full" that is met at rest."""
    return [note for note in (capacity_setting_note(setup), full_rule_note(setup)) if note]


def capacity_setting_note(setup: Setup) -> str:
    """What a capacity that two keys tell differently does to the answers; "" where none is."""
    return _setting_note(setup) or _factors_note(setup)


def _factors_note(setup: Setup) -> str:
    """That weak batteries take nothing from a `bank.capacity_fraction` given beside them."""
    share, given = setup.share_by_factors, setup.bank.capacity_fraction.median
    if (
        share > 1.0 - LEAST_LOST
        or setup.assumes("bank.capacity_fraction")
        or given < _BESIDE_FACTORS * share
    ):
        return ""
    rated_ah = setup.bank.rated_capacity_ah
    return (
        f"bank.capacity_fraction, {given:.3g}, is that of the whole bank, which is reckoned with "
        f"{given * rated_ah:.0f} Ah; the capacity_factors of the [[batteries]] only share that "
        "among them. If they are meant against what is printed on each, the bank holds some "
        f"{share * rated_ah:.0f} Ah at most: give bank.capacity_fraction as {share:.2g} or less."
    )


def _setting_note(setup: Setup) -> str:
    """What a capacity setting far from the bank's does to the display; "" where it is near."""
    bank, assumed_ah = setup.bank, setup.monitor.assumed_capacity_ah.median
    low_ah, high_ah = sound_capacity_settings_ah(bank)
    if low_ah < CLEARLY_OFF * assumed_ah and assumed_ah < CLEARLY_OFF * high_ah:
        return ""
    rated_ah = bank.rated_capacity_ah
    present_ah = bank.capacity_fraction.median * rated_ah
    shown = 1.0 - 0.5 * present_ah / assumed_ah
    wrong = "high" if assumed_ah > present_ah else "low"
    printed = f"{assumed_ah / rated_ah:.3g} times the rated {rated_ah:g} Ah"
    if abs(assumed_ah / rated_ah - 1.0) < _AS_PRINTED:
        printed = f"as printed, but the bank is reckoned to hold {present_ah:.0f} Ah"
    return (
        f"monitor.assumed_capacity_ah is {assumed_ah:g} Ah, {printed}. If that is what the "
        "monitor is set to, its display is too "
        f"{wrong} the further from full: with half of the bank's charge used it shows about "
        f"{100.0 * max(shown, 0.0):.0f} %. Read the setting in the monitor, and the rated capacity "
        f"on the batteries; some {low_ah:.0f} to {high_ah:.0f} Ah would be sound."
    )


def drained_problems(
    where: str, display_soc: float, hours: float, assumed_ah: float, rated_ah: float
) -> list[Problem]:
    """One problem if a display fell faster since full than a bank can be emptied, else none.

    Args:
        where: for the message.
        display_soc: what it shows, 0..1.
        hours: since it said full; the most they may be [h].
        assumed_ah: capacity set in the monitor [Ah].
        rated_ah: of the bank [Ah].
    """
    counted_ah = (1.0 - display_soc - _ROUNDED) * assumed_ah
    least_h = counted_ah / (MOST_MEAN_C * rated_ah)
    if hours >= least_h:
        return []
    found = f"{hours:.3g} h since full, and {100.0 * display_soc:.3g} % on the display"
    expected = f"{least_h:.2g} h at least, five times the capacity an hour"
    return [Problem(where, found, expected, "hours since the display last said full")]
