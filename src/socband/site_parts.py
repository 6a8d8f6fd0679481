"""The sections of a setup file as frozen dataclasses; validation comes with the field types.

Every `quantity` is a `socband.quantity.Quantity`; a `number` is a float, a `whole` an int. Units
stand at the end of the names. Limits here are physical or absurd ones; checks between keys are in
`site_check`, the values of missing keys in `site_priors`.
"""

from __future__ import annotations

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass

from socband.site_fields import (
    Clock,
    Clocks,
    Date,
    Flag,
    HoursOfDay,
    Line,
    Name,
    Text,
    TimeZone,
    number,
    optional,
    quantity,
    whole,
)
from socband.site_hints import PERCENT

_CONFIG = ConfigDict(extra="forbid", arbitrary_types_allowed=True)
_table = dataclass(frozen=True, kw_only=True, config=_CONFIG)

# in the name of a load that heats
_HEATERS = ("heat", "furnace", "boiler", "stove", "radiator", "warmer", "warmth", "warm air")
# and of one that burns nothing, unless it also names what it burns; of any other nobody knows
_FUELS = ("diesel", "gas", "propane", "petrol", "kerosene", "oil", "wood", "pellet", "coal")
_FLAMELESS = ("heat pump", "heatpump", "heat-pump", "electric")
# in the name of a load that people, or the boat, may depend on
_VITAL = (
    *("cpap", "bipap", "oxygen", "breathing", "respirator", "nebuli", "insulin", "dialysis"),
    *("medical", "medicine", "alarm", "smoke", "monoxide", "co detector", "gas detector"),
    *("bilge", "anchor light", "navigation light"),
)
_FRACTION = f"the file takes 0 to 1: {PERCENT}"
_DISPLAY = f"{_FRACTION}; only the flag --display takes percent"


@_table
class About:
    """What the file is about."""

    title: Line = "untitled"
    note: optional(Text) = None


@_table
class Bank:
    """The battery bank.

    Attributes:
        cell: name or path of a cell model.
        cells_in_series, strings_in_parallel: its make-up; with [[batteries]] there are as many
            strings as batteries.
        rated_capacity_ah: of the whole bank, as printed on it [Ah].
        capacity_fraction: present over rated capacity at the model's reference temperature.
        resistance_factor: present cell resistance over the cell model's.
        connection_resistance_ohm: leads, fuses, terminals, shunt, of the whole bank [Ω].
    """

    cell: Text
    cells_in_series: whole(1, 200)
    strings_in_parallel: whole(1, 200) = 1
    rated_capacity_ah: number(0.01, 1e5)
    capacity_fraction: quantity(0.05, 1.3, "present over rated capacity: 0.9 after some years")
    resistance_factor: quantity(0.05, 50.0)
    connection_resistance_ohm: quantity(0.0, 1.0)


@_table
class ReZero:
    """When the monitor declares the bank full and jumps to 100 %.

    Attributes:
        above_v: bank voltage above which it may [V].
        below_a: charge current below which it may [A].
        for_s: how long both must hold [s].
        false_probability: chance that the last "full" was too early, 0..1.
        shortfall: charge missing at such a false full, 0..1 of capacity.
    """

    above_v: quantity(0.0, 1000.0)
    below_a: quantity(0.0, 1e4)
    for_s: quantity(0.0, 1e5)
    false_probability: number(0.0, 1.0, _FRACTION)
    shortfall: quantity(0.0, 1.0, _FRACTION)


@_table
class Monitor:
    """The shunt monitor and its settings.

    Attributes:
        offset_a: what it reads at zero current [A], positive reads as charge.
        gain_error: relative, 0.005 reads half a percent too much.
        dead_band_a: currents smaller than this count as zero [A].
        assumed_capacity_ah: the capacity set in it [Ah].
        assumed_charge_efficiency: the charge efficiency set in it, 0..1; of use only with a log or
            to `suspects`.
        drift_a_per_k: change of the offset with temperature away from 25 °C [A/K].
        re_zero: see `ReZero`.
    """

    offset_a: quantity(-1000.0, 1000.0)
    gain_error: quantity(-0.9, 0.9, "relative: half a percent is 0.005")
    dead_band_a: quantity(0.0, 1000.0)
    assumed_capacity_ah: quantity(0.01, 1e5)
    assumed_charge_efficiency: quantity(0.5, 1.0, _FRACTION)
    drift_a_per_k: quantity(-10.0, 10.0)
    re_zero: ReZero


@_table
class Load:
    """A load the owner knows of.

    Attributes:
        name: what it is called.
        power_w: what it draws while on [W], or None: at the inverter's output if through it.
        current_a: the same as a current [A], positive = drawn, or None. Exactly one is given.
        duty: share of the cycle it is on, 0..1.
        cycle_min: length of an on-off cycle [min]; None if no duty is given.
        hours: hours of the day in which it runs.
        essential: not to be switched off; None: if its name says so, see `must_stay`.
        through_inverter: fed by the inverter.
        jitter: every on and off time lies evenly within ± this share of its mean; None: 0.3.
        surge, surge_s: starting power over running power, and for how long [s].
        duty_per_k, duty_at_c: change of duty with the ambient temperature [1/K] from `duty` at this
            temperature [°C]: what a thermostat does.
        at, for_min: a one-off event instead of hours: the next such times of day, for so long
            [min].
        heats: it keeps people, pipes or the bank warm: said before it is switched off in the frost.
    """

    name: Name
    power_w: optional(quantity(0.0, 1e6)) = None
    current_a: optional(quantity(0.0, 1e5, "a load's current counts positive")) = None
    duty: quantity(0.0, 1.0, "the share of the time it is on, 0 to 1")
    cycle_min: optional(quantity(0.1, 1440.0)) = None
    hours: HoursOfDay
    essential: optional(Flag) = None
    through_inverter: Flag = False
    jitter: optional(number(0.0, 0.95)) = None
    surge: optional(number(1.0, 20.0)) = None
    surge_s: optional(number(0.0, 3600.0)) = None
    duty_per_k: optional(number(-0.5, 0.5)) = None
    duty_at_c: optional(number(-50.0, 60.0)) = None
    at: optional(Clocks) = None
    for_min: optional(number(0.0, 1440.0)) = None
    heats: Flag = False

    @property
    def vital_by_name(self) -> bool:
        """Called like something that people depend on, and not said to be otherwise."""
        return self.essential is None and any(word in self.name.casefold() for word in _VITAL)

    @property
    def must_stay(self) -> bool:
        """Never to be proposed for switching off."""
        return bool(self.essential) or self.vital_by_name

    @property
    def is_heater(self) -> bool:
        """Said to heat, called so, or on more the colder it is."""
        called = any(word in self.name.casefold() for word in _HEATERS)
        return self.heats or called or (self.duty_per_k or 0.0) < 0.0


def may_burn_fuel(heater: str) -> bool:
    """Whether a heater of this name may have a flame that must not lose its fan."""
    name = heater.casefold()
    return any(fuel in name for fuel in _FUELS) or not any(word in name for word in _FLAMELESS)


@_table
class Inverter:
    """The inverter.

    Attributes:
        efficiency: 0..1.
        idle_w: what it draws with no load [W].
        cutout_v: its own low-voltage cut-out, whole bank [V].
    """

    efficiency: quantity(0.3, 1.0, _FRACTION)
    idle_w: quantity(0.0, 1e4)
    cutout_v: quantity(0.0, 1000.0)


@_table
class UntrackedLoad:
    """A load the monitor does not see.

    Attributes:
        probability: that there is one, 0..1.
        current_a: what it draws if there is one [A], positive = discharging.
        hours: hours of the day in which it draws.
    """

    probability: number(0.0, 1.0, _FRACTION)
    current_a: quantity(0.0, 1e4, "an untracked load's current counts positive")
    hours: HoursOfDay


@_table
class Ambient:
    """Surroundings.

    Attributes:
        temperature_c: temperature of the bank now, and of its surroundings over the day [°C].
        swing_k: half of what the surroundings warm and cool between day and night [K], or None.
    """

    temperature_c: quantity(-60.0, 90.0, "in degrees Celsius")
    swing_k: optional(quantity(0.0, 30.0)) = None


@_table
class Present:
    """What is known now.

    Attributes:
        display_soc: what the display says, 0..1; None if not said.
        hours_since_full: since the monitor last showed full [h].
        rested_voltage_v: bank voltage after a rest with next to no current [V], or None.
        rested_hours: how long it had rested [h], or None.
        clock: time of day.
        current_a: net bank current now [A], positive = charging, or None.
        timezone: name in the IANA time zone database, for clock changes in the night and in a log,
            and for the hours of a log whose clock is UTC, or None.
        date: today, a TOML date; the computer's if None.
    """

    display_soc: optional(number(0.0, 1.0, _DISPLAY)) = None
    hours_since_full: quantity(0.0, 1e5)
    rested_voltage_v: optional(number(0.1, 1000.0)) = None
    rested_hours: optional(number(0.0, 1e4)) = None
    clock: Clock
    current_a: optional(quantity(-1e5, 1e5)) = None
    timezone: optional(TimeZone) = None
    date: optional(Date) = None


@_table
class Limits:
    """Where the bank switches itself off.

    Attributes:
        disconnect_v: low-voltage disconnect, whole bank [V].
        delay_s: how long the voltage must stay below it [s].
        reconnect_v: where it switches on again [V].
    """

    disconnect_v: quantity(0.0, 1000.0)
    delay_s: quantity(0.0, 3600.0)
    reconnect_v: quantity(0.0, 1000.0)


@_table
class Question:
    """What is asked.

    Attributes:
        until: times of day until which the bank should last.
        horizon_hours: how far to look ahead [h].
        want: how sure the owner wants to be, 0..1.
    """

    until: Clocks
    horizon_hours: number(0.1, 1000.0)
    want: number(0.5, 0.999, _FRACTION)
