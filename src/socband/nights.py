"""The same night over and over, with loads off: when what counts stops, and what is given up.

What counts is the bank, and the inverter with it where somebody waits for what it feeds; see
`counted_loads`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from socband.bank import air_in_its_day_c, heaters_warm_k
from socband.demand import INVERTER, Demand, duty_in
from socband.forward import Plan, Run, run
from socband.kernels_columns import O_INVERTER, O_LVD

if TYPE_CHECKING:
    from socband.models import CellModel
    from socband.site import Setup

Array = np.ndarray

LEAST_FROST = 0.05  # a chance of frost that counts
FROST_BELOW_C = 2.0  # air that a thermometer elsewhere calls no colder may be below 0 °C (assumed)
MUCH_LESS = 0.6  # of its usual duty; a thermostat that runs so much less is said (assumed)
NOMINAL_CELL_V = 3.2  # what turns a load given in amperes into watts where loads are compared


def frost_chance(ambient: Array) -> float:
    """Share of the members whose air comes within `FROST_BELOW_C` of frost within a day.

    Args:
        ambient: (n, 3), mean and half swing first; see `Plan`.
    """
    return float(np.mean(ambient[:, 0] - ambient[:, 1] <= FROST_BELOW_C))


def idle_in_the_cold(setup: Setup) -> dict[str, tuple[float, float]]:
    """Loads whose thermostat is reckoned to run much less at the bank's temperature than usually:
    duty now and usual duty by name, 0..1. They may stand elsewhere, where it is warm."""
    air_c = setup.ambient.temperature_c.median
    found = {}
    for load in setup.loads:
        if load.duty_per_k and load.duty_at_c is not None and not load.is_heater:
            usual = load.duty.median
            now = float(duty_in(air_c, usual, load.duty_per_k, load.duty_at_c))
            if now < MUCH_LESS * usual:
                found[load.name] = (now, usual)
    return found


def heater_draw_a(plan: Plan, cell: CellModel, until_h: float) -> Array:
    """(n,) what the batteries' own heaters draw on average until `until_h` hours from now [A].

    As each makes up for the heat that its battery loses, see `bank.heated_to_c`, hour by hour of
    the air's day; inside the battery, past any shunt.
    """
    from socband.kernels_bank import (
        B_COOLING,
        B_HEATER,
        B_HEATER_OFF,
        B_HEATER_ON,
        B_PARALLEL,
    )

    parallel, watt, cooling, on_c, off_c = (
        plan.batteries.parameters[:, :, column]
        for column in (B_PARALLEL, B_HEATER, B_COOLING, B_HEATER_ON, B_HEATER_OFF)
    )
    mean_c, swing_k, warmest_s = (plan.ambient[:, [column]] for column in range(3))
    parts = max(int(np.ceil(until_h)), 1)
    at_s = 3600.0 * until_h * (np.arange(parts)[:, None, None] + 0.5) / parts
    airs_c = air_in_its_day_c(mean_c, swing_k, warmest_s, at_s)
    warmer_k = heaters_warm_k(cell, airs_c, watt / cooling, on_c, off_c)
    lost_w = (
        parallel * cell.heat_conductance_w_per_k * cooling * np.where(watt > 0.0, warmer_k, 0.0)
    )
    return np.sum(lost_w, axis=1) / NOMINAL_CELL_V


def optional_loads(demand: Demand) -> tuple[str, ...]:
    """Names of the loads that may be switched off; the inverter, which takes all behind it, too."""
    return tuple(n for n, fixed in zip(demand.names, demand.essential, strict=True) if not fixed)


def counted_loads(demand: Demand, until_h: float, off: Sequence[str] = ()) -> tuple[str, ...]:
    """Loads for whose sake the inverter's own cut-out ends a night as the bank's disconnect does.

    Those behind it that are essential, whenever they draw. Without such a load, those that are
    still wanted at the hour asked about: an inverter that cut out after its last use is missed by
    nobody. Loads that are switched off count for nothing.

    Args:
        demand: the loads.
        until_h: the hour asked about [h] from now.
        off: what is switched off.

    Returns:
        Their names; none where only the bank counts.
    """
    from socband.kernels_demand import K_INVERTER

    gone = demand.all_off(off)
    behind = [
        j
        for j, name in enumerate(demand.names)
        if demand.kind[j, K_INVERTER] > 0.5 and name != INVERTER and name not in gone
    ]
    essential = [j for j in behind if demand.essential[j]]
    counted = essential or [j for j in behind if _wanted(demand, j, until_h)]
    return tuple(demand.names[j] for j in counted)


def _wanted(demand: Demand, load: int, until_h: float) -> bool:
    """Whether an hour of a load's day ends with that hour or reaches over it."""
    spans = demand.spans[demand.span_ptr[load] : demand.span_ptr[load + 1]]
    at_s = 3600.0 * until_h
    return bool(np.any((spans[:, 0] < at_s) & (spans[:, 1] >= at_s - 1.0)))


@dataclass(frozen=True)
class Nights:
    """The same night over and over, with loads off; no night is run twice.

    Attributes:
        plan: from `prepare`.
        threads: see `run`.
        known: (n,) hours to the disconnect, by the loads that are off; may be given where known.
        cutouts: (n,) hours to the inverter's own cut-out, likewise.
    """

    plan: Plan
    threads: int | None = None
    known: dict[frozenset[str], Array] = field(default_factory=dict)
    cutouts: dict[frozenset[str], Array] = field(default_factory=dict)

    def _run(self, key: frozenset[str], off: Sequence[str]) -> None:
        night = self._night(off, self.plan.horizon_s)
        self.known[key] = night.column(O_LVD) / 3600.0
        self.cutouts[key] = night.column(O_INVERTER) / 3600.0

    def _night(self, off: Sequence[str], horizon_s: float) -> Run:
        # the charge on the way is not asked for
        bare = replace(self.plan, grid_s=np.zeros(0), horizon_s=horizon_s)
        return run(bare, off, self.threads)

    def cutout_hours(self, off: Sequence[str] = ()) -> Array:
        """(n,) hours to the inverter's own cut-out with loads off; inf if it never does while the
        bank is on."""
        if INVERTER in off:  # what is off does not cut out
            return np.full(len(self.plan.ambient), np.inf)
        key = self.plan.demand.all_off(off)
        if key not in self.cutouts:
            self._run(key, off)
        return self.cutouts[key]

    def lvd_hours(self, off: Sequence[str] = ()) -> Array:
        """(n,) hours to the disconnect with loads off; inf beyond the horizon."""
        key = self.plan.demand.all_off(off)
        if key not in self.known:
            self._run(key, off)
        return self.known[key]

    def stop_hours(self, until_h: float, off: Sequence[str] = ()) -> Array:
        """(n,) hours until what counts stops: the bank, or its inverter where that counts.

        Args:
            until_h: the hour asked about, for `counted_loads`.
            off: what is switched off.
        """
        hours = self.lvd_hours(off)
        if counted_loads(self.plan.demand, until_h, off):
            hours = np.minimum(hours, self.cutout_hours(off))
        return hours

    def lasts(self, hours: float, off: Sequence[str] = ()) -> Array:
        """(n,) whether what counts lasts for so long; looks no further than that if it need not."""
        horizon_s = min(3600.0 * hours + 1.0, self.plan.horizon_s)
        key = self.plan.demand.all_off(off)
        if key in self.known or horizon_s == self.plan.horizon_s:
            return self.stop_hours(hours, off) > hours
        night = self._night(off, horizon_s)
        stops_s = night.column(O_LVD)
        if counted_loads(self.plan.demand, hours, off):
            stops_s = np.minimum(stops_s, night.column(O_INVERTER))
        return stops_s / 3600.0 > hours

    def chills(self, off: Sequence[str]) -> bool:
        """Does a heater go off with these, in the frost?"""
        heaters = {load.name for load in self.plan.setup.loads if load.is_heater}
        gone = self.plan.demand.all_off(off)
        return frost_chance(self.plan.ambient) >= LEAST_FROST and not heaters.isdisjoint(gone)

    def sacrifice(self, until_h: float, off: Sequence[str]) -> tuple[bool, float]:
        """What switching these off takes away, to be compared, the smallest first.

        The inverter as a whole comes last, and a heater in the frost; before that counts the energy
        [Wh] that the loads would draw until the hour asked about.
        """
        plan = self.plan
        gone = plan.demand.all_off(off)
        volts = NOMINAL_CELL_V * plan.cells_in_series
        mean_w = plan.demand.mean_power_w(volts, 3600.0 * until_h, plan.ambient[:, 0]).mean(axis=0)
        drawn = sum(w for name, w in zip(plan.demand.names, mean_w, strict=True) if name in gone)
        return INVERTER in off or self.chills(off), float(drawn) * until_h


def of_all(chances: Array | float, now: float, now_of_all: float) -> Array:
    """Chances told from a few members, as all of them would tell.

    What changes nothing then has the very chance of all. By the ratio of failures, or of successes
    where a chance falls.

    Args:
        chances: with something switched off, of the few, 0..1.
        now, now_of_all: with nothing switched off, of the few and of all.
    """
    chances = np.asarray(chances, dtype=float)
    fails = (1.0 - chances) * ((1.0 - now_of_all) / (1.0 - now) if now < 1.0 else 1.0)
    falls = chances * (now_of_all / now if now > 0.0 else 1.0)
    return np.where(chances >= now, np.maximum(1.0 - fails, 0.0), np.minimum(falls, 1.0))
