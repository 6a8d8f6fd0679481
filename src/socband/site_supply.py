"""Sections of a setup file for what brings charge and for single batteries; as `site_parts`.

[[sources]]                            [[batteries]]
name = "roof"                          name = "old one"
kind = "solar"                         rated_capacity_ah = 100
power_w = 200                          capacity_factor = 0.8
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass

from socband.errors import InputError, Problem, did_you_mean, shown
from socband.site_check import DISCONNECT_V, FULL_V, RECONNECT_V, bank_voltage_problems
from socband.site_fields import (
    Clock,
    HoursOfDay,
    Name,
    number,
    optional,
    quantity,
)
from socband.site_fields import _field as field_type
from socband.site_priors import item_name

if TYPE_CHECKING:
    from socband.site_parts import Bank

_table = dataclass(
    frozen=True, kw_only=True, config=ConfigDict(extra="forbid", arbitrary_types_allowed=True)
)

KINDS = ("solar", "vehicle", "shore")


def _read_kind(raw: Any) -> str:
    if raw in KINDS:
        return raw
    hint = did_you_mean(raw, KINDS) if isinstance(raw, str) else ""
    raise InputError(Problem("", shown(raw), "one of " + ", ".join(KINDS), hint))


@_table
class Source:
    """Something that charges the bank.

    Attributes:
        name: what it is called.
        kind: "solar", "vehicle" (a DC-DC converter) or "shore" (a mains charger).
        power_w: of the panels in full sun, or what it gives in bulk [W], or None.
        current_a: what it gives in bulk [A], in place of power.
        current_limit_a: never more than this [A]; None = no limit of its own.
        voltage_limit_v: it holds the bank at most here, current tapering [V].
        hours: when it is there, for other kinds than solar.
        sunrise, sunset: the half-sine of clear-sky power runs between them.
        clearness: share of the clear-sky power that clouds let through, one draw a night.
        performance_ratio: of the panels in use.
        probability: that it will be there at all, 0..1.
        idle_above_soc: above this true charge it does nothing, 1 = it always works; None = nobody
            knows: a forecast lets it work, `charging` reckons with either.
    """

    name: Name
    kind: Annotated[str, field_type(_read_kind)]
    power_w: optional(quantity(0.0, 1e6)) = None
    current_a: optional(quantity(0.0, 1e4)) = None
    current_limit_a: optional(number(0.0, 1e4)) = None
    voltage_limit_v: number(0.0, 1000.0)
    hours: HoursOfDay
    sunrise: Clock
    sunset: Clock
    clearness: quantity(0.0, 1.0)
    performance_ratio: quantity(0.0, 1.0)
    probability: number(0.0, 1.0)
    idle_above_soc: optional(number(0.0, 1.0)) = None


@_table
class Battery:
    """One of the batteries in parallel; what is left out is as for the whole bank.

    Attributes:
        name: what it is called.
        rated_capacity_ah: [Ah].
        capacity_factor: its present capacity over that of an average battery of this bank. Beside a
            `bank.capacity_fraction` only ratios count; without one, factors below 1 on average
            count against the rated capacity.
        resistance_factor: the same for its resistance.
        lead_resistance_ohm: its own leads and fuse [ohm].
        warmer_k: how much warmer than the bank it is now [K].
        cutoff_v, cutoff_delay_s: its BMS opens below this for so long [V], [s]; None = never.
        reconnect_v: it closes again once it rests above this [V], or is charged.
        heater_w: its internal heater, fed by its cells behind the shunt's back [W].
        heater_on_c, heater_off_c: heater on below, off above [°C].
    """

    name: Name
    rated_capacity_ah: number(0.01, 1e5)
    capacity_factor: optional(quantity(0.05, 2.0)) = None
    resistance_factor: optional(quantity(0.05, 50.0)) = None
    lead_resistance_ohm: optional(quantity(0.0, 1.0)) = None
    warmer_k: optional(quantity(-50.0, 50.0)) = None
    cutoff_v: optional(quantity(0.0, 1000.0)) = None
    cutoff_delay_s: optional(quantity(0.0, 3600.0)) = None
    reconnect_v: optional(quantity(0.0, 1000.0)) = None
    heater_w: optional(quantity(0.0, 1e4)) = None
    heater_on_c: optional(quantity(-40.0, 40.0)) = None
    heater_off_c: optional(quantity(-40.0, 40.0)) = None


def supply_problems(parts: Mapping[str, Any]) -> list[Problem]:
    """Problems between the keys of these sections; broken ones are left out."""
    problems = []
    bank = parts.get("bank")
    for index, source in enumerate(parts.get("sources") or ()):
        where = item_name("sources", index, {"name": source.name})
        if (source.power_w is None) == (source.current_a is None):
            found = "neither power_w nor current_a" if source.power_w is None else "both of them"
            problems.append(Problem(where, found, "exactly one of power_w and current_a"))
        elif source.kind == "solar" and source.power_w is None:
            problems.append(Problem(f"{where}.current_a", "a current", "power_w for solar panels"))
        if source.kind == "solar" and source.sunset <= source.sunrise:
            found = f"{source.sunset}, not after sunrise at {source.sunrise}"
            problems.append(Problem(f"{where}.sunset", found, "a time after sunrise"))
        if bank is not None:
            problems += bank_voltage_problems(
                f"{where}.voltage_limit_v", source.voltage_limit_v, bank.cells_in_series, FULL_V
            )
    batteries = parts.get("batteries") or ()
    for index, battery in enumerate(batteries):
        problems += _battery_problems(f"batteries[{index + 1}] ({battery.name})", battery, bank)
    if batteries and bank is not None:
        if bank.strings_in_parallel not in (1, len(batteries)):
            found = f"{bank.strings_in_parallel}, beside {len(batteries)} [[batteries]]"
            problems.append(Problem("bank.strings_in_parallel", found, "one number of batteries"))
        total = sum(battery.rated_capacity_ah for battery in batteries)
        if abs(total / bank.rated_capacity_ah - 1.0) > 0.05:
            problems.append(
                Problem(
                    "batteries",
                    f"{total:g} Ah in all",
                    f"the bank's rated capacity, {bank.rated_capacity_ah:g} Ah, within 5 %",
                )
            )
    return problems


def _battery_problems(where: str, battery: Battery, bank: Bank | None) -> list[Problem]:
    problems = []
    for key, limits_v in (("cutoff_v", DISCONNECT_V), ("reconnect_v", RECONNECT_V)):
        value = getattr(battery, key)
        if value is not None and bank is not None:
            cells = bank.cells_in_series
            problems += bank_voltage_problems(f"{where}.{key}", value.median, cells, limits_v)
    for low, high, unit in (
        ("cutoff_v", "reconnect_v", "V"),
        ("heater_on_c", "heater_off_c", "°C"),
    ):
        below, above = getattr(battery, low), getattr(battery, high)
        if below is not None and above is not None and above.median <= below.median:
            expected = f"more than {low}, {below.describe(unit)}"
            problems.append(Problem(f"{where}.{high}", above.describe(unit), expected))
    return problems
