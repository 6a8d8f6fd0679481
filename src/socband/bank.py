"""The bank: batteries in parallel, each with its own capacity, age, leads, temperature and BMS.

Without a [[batteries]] section the bank is one battery as large as the whole; with it, batteries
share the capacity of the whole by their rated one and their factors. The current split and
everything else that happens in a step is in `socband.kernels_bank`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband.models import CellModel
from socband.unknowns import Members, normal_scores, uniforms

if TYPE_CHECKING:
    from socband.site import Setup

Array = np.ndarray

# Where a battery's own protection stops the charge, one standard deviation about its cells' limit:
# its sensor, and cells not quite as warm as the place where it sits (assumed).
COLD_LIMIT_STD_K = 1.0


@dataclass(frozen=True)
class Batteries:
    """State and parameters of every battery of every member, in the kernel's layout.

    Attributes:
        names: (nb,) what they are called.
        state: (n, nb, S_COUNT): charge (as the kernel's curves stand; see `evaluate` there),
            branch currents [A per cell], hysteresis, temperature.
        parameters: (n, nb, B_COUNT).
    """

    names: tuple[str, ...]
    state: Array
    parameters: Array

    @property
    def plain(self) -> bool:
        """Neither a BMS cut-off nor a heater in it?"""
        from socband.kernels_bank import B_CUTOFF, B_HEATER

        return bool(
            np.all(self.parameters[:, :, B_CUTOFF] == -np.inf)
            and np.all(self.parameters[:, :, B_HEATER] == 0.0)
        )


def charge_limit_c(cell: CellModel, seed: int, n: int) -> Array:
    """(n,) temperature below which a member's batteries refuse charge [°C]."""
    return cell.charge_min_c + COLD_LIMIT_STD_K * normal_scores(seed, "cold limit", n)


def heated_to_c(
    cell: CellModel, ambient_c: Array, watt_per_cell: Array, on_c: Array, off_c: Array
) -> Array:
    """Temperature [°C] at which a battery's own heater has held it: midway between switching on and
    off, or as warm as it can; the ambient's where that is no colder than `on_c`.

    Args:
        cell: loses its `heat_conductance_w_per_k` to the ambient.
        ambient_c, watt_per_cell, on_c, off_c: broadcast against each other [°C], [W], [°C], [°C];
            where a battery loses more heat than its cells' model, its power over that factor.
    """
    warmest_c = ambient_c + watt_per_cell / cell.heat_conductance_w_per_k
    held_c = np.clip(0.5 * (on_c + off_c), ambient_c, warmest_c)
    return np.where(ambient_c < on_c, held_c, ambient_c)


def air_in_its_day_c(mean_c: Array, swing_k: Array, warmest_s: Array, at_s: Array) -> Array:
    """Air temperature [°C] at times from now, as `kernels_bank.warm_at` has it for one member.

    Args:
        mean_c, swing_k, warmest_s: mean [°C], half swing [K] and time of the warmest hour [s].
        at_s: the times [s]; all broadcast against each other.
    """
    return mean_c + swing_k * np.cos(2.0 * np.pi * (at_s - warmest_s) / 86400.0)


def heaters_warm_k(
    cell: CellModel, airs_c: Array, watt_per_cell: Array, on_c: Array, off_c: Array
) -> Array:
    """By how much their own heaters hold batteries warmer than the air, on average [K].

    Args:
        airs_c: temperatures of the air that take turns, along the first axis [°C]; the rest as in
            `heated_to_c`.
    """
    return np.mean(heated_to_c(cell, airs_c, watt_per_cell, on_c, off_c) - airs_c, axis=0)


def bank_of(
    setup: Setup, cell: CellModel, members: Members, temperature_c: Array, seed: int
) -> Batteries:
    """Every member's bank, from the setup and the ensemble.

    Args:
        members: charge, branch currents (bank level), hysteresis, age, how slow its cells are.
        temperature_c: (n,) of the batteries now.
        seed: of what differs between batteries.
    """
    from socband.kernels_bank import (
        B_CAPACITY,
        B_COLD,
        B_COOLING,
        B_COUNT,
        B_CUTOFF,
        B_DELAY,
        B_DIFFUSION,
        B_HEATER,
        B_HEATER_OFF,
        B_HEATER_ON,
        B_LEAD,
        B_PARALLEL,
        B_RECONNECT,
        B_RESISTANCE,
        S_COUNT,
        S_H,
        S_I1,
        S_I2,
        S_I3,
        S_SOC,
        S_T,
    )

    n = len(members.soc)
    listed = setup.batteries
    count = max(1, len(listed))
    state = np.zeros((n, count, S_COUNT))
    par = np.zeros((n, count, B_COUNT))
    bank_parallel = setup.bank.rated_capacity_ah / cell.capacity_ah
    series = setup.bank.cells_in_series
    state[:, :, S_SOC] = members.soc[:, None]
    state[:, :, S_I1] = (members.i1_a / bank_parallel)[:, None]
    state[:, :, S_I2] = (members.i2_a / bank_parallel)[:, None]
    state[:, :, S_I3] = (members.i3_a / bank_parallel)[:, None]
    state[:, :, S_H] = members.h[:, None]
    state[:, :, S_T] = temperature_c[:, None]
    par[:, :, B_CAPACITY] = (cell.capacity_ah * members.capacity_fraction)[:, None]
    par[:, :, B_RESISTANCE] = members.resistance_factor[:, None]
    par[:, :, B_DIFFUSION] = members.diffusion_factor[:, None]
    par[:, :, B_PARALLEL] = bank_parallel
    par[:, :, B_CUTOFF] = -np.inf
    par[:, :, B_RECONNECT] = np.inf
    par[:, :, B_COLD] = charge_limit_c(cell, seed, n)[:, None]
    par[:, :, B_COOLING] = 1.0
    names = ["bank"]

    def draw(key: str, quantity, default: float) -> Array:
        if quantity is None:
            return np.full(n, default)
        return quantity.ppf(uniforms(seed, key, n))

    if listed:
        names = [battery.name for battery in listed]
        total = sum(battery.rated_capacity_ah for battery in listed)
        scale = setup.bank.rated_capacity_ah / total
        for b, battery in enumerate(listed):
            key = f"batteries.{battery.name}."
            rated = battery.rated_capacity_ah * scale
            par[:, b, B_PARALLEL] = rated / cell.capacity_ah
            par[:, b, B_CAPACITY] *= draw(key + "capacity_factor", battery.capacity_factor, 1.0)
            # what is said of a battery's resistance is said of all of it, fast and slow
            resistance = draw(key + "resistance_factor", battery.resistance_factor, 1.0)
            par[:, b, B_RESISTANCE] *= resistance
            par[:, b, B_DIFFUSION] *= resistance
            par[:, b, B_LEAD] = draw(key + "lead_ohm", battery.lead_resistance_ohm, 0.0) / series
            par[:, b, B_CUTOFF] = draw(key + "cutoff_v", battery.cutoff_v, -np.inf) / series
            par[:, b, B_DELAY] = draw(key + "cutoff_delay_s", battery.cutoff_delay_s, 5.0)
            par[:, b, B_RECONNECT] = draw(key + "reconnect_v", battery.reconnect_v, np.inf) / series
            state[:, b, S_T] += draw(key + "warmer_k", battery.warmer_k, 0.0)
            watt = draw(key + "heater_w", battery.heater_w, 0.0)
            par[:, b, B_HEATER] = watt / series / par[:, b, B_PARALLEL]
            if battery.heater_w is not None:  # it decides what is too cold, and is hardly known
                cooling = normal_scores(seed, key + "cooling", n)
                par[:, b, B_COOLING] = np.exp(
                    cell.relative_spread("thermal.heat_conductance_w_per_k") * cooling
                )
            par[:, b, B_HEATER_ON] = draw(key + "heater_on_c", battery.heater_on_c, 2.0)
            par[:, b, B_HEATER_OFF] = draw(key + "heater_off_c", battery.heater_off_c, 5.0)
            state[:, b, S_T] = heated_to_c(
                cell,
                state[:, b, S_T],
                par[:, b, B_HEATER] / par[:, b, B_COOLING],
                par[:, b, B_HEATER_ON],
                par[:, b, B_HEATER_OFF],
            )
        # `capacity_fraction` is that of the whole bank, and factors are over an average battery's
        rated, capacity = par[:, :, B_PARALLEL], par[:, :, B_CAPACITY]
        whole = np.sum(rated * capacity, axis=1) / np.sum(rated, axis=1)
        capacity *= (cell.capacity_ah * members.capacity_fraction / whole)[:, None]
    return Batteries(tuple(names), state, par)
