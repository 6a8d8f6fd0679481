"""From a display and the hours since full to the true charge, in closed form.

Since it last said "full" the display fell by what the monitor counted,

    q_seen = (display - 1) · assumed capacity,

the bank by what truly flowed (offset and gain as in Movassagh et al. 2021, 10.3390/en14144074),

    q_true = (q_seen - offset · t) / (1 + gain error) - untracked · t - hidden in the dead band,
    charge = 1 - shortfall at a false full + q_true / capacity - self-discharge · t.

A battery's own heater draws inside it, past any shunt: it is taken to have held its temperature
since full in an ambient like now's, give or take a factor of two (assumed: cells in a case share
walls, and lose less than each alone).

A current below the dead band is not counted. Which share of the time it was below, no display says:
any, evenly (assumed), but none where the setup's standing loads alone exceed the band. The noise of
single readings averages out over hours; the charge efficiency set in the monitor cannot be taken
into account, as what was charged since full is not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband.bank import air_in_its_day_c, heaters_warm_k
from socband.unknowns import normal_scores, uniforms

if TYPE_CHECKING:
    from socband.models import CellModel
    from socband.site import Setup

Array = np.ndarray

USUAL_CELL_V = 3.3  # turns watts into amperes where a bank is far from empty
_HEATED_SPREAD = 0.7  # of the logarithm


@dataclass(frozen=True)
class SinceFull:
    """What happened since the display last said full that it does not show, as the setup doubts it.

    Attributes:
        hours: (n,) since then [h].
        shortfall: (n,) charge that was missing then, 0..1.
        drift_a: (n,) of the shunt's zero by the temperature [A].
        hidden_ah: (n,) drawn below the dead band [Ah].
        heated_ah: (n,) taken by the batteries' own heaters [Ah].
    """

    hours: Array
    shortfall: Array
    drift_a: Array
    hidden_ah: Array
    heated_ah: Array

    @classmethod
    def draw(cls, setup: Setup, cell: CellModel, temperature_c: Array, seed: int) -> SinceFull:
        """One draw for each temperature of the bank (n,) [°C]."""
        monitor, n = setup.monitor, len(temperature_c)

        def drawn(quantity, name: str) -> Array:
            return quantity.ppf(uniforms(seed, name, n))

        hours = drawn(setup.present.hours_since_full, "hours_since_full")
        false_full = uniforms(seed, "false_full", n) < monitor.re_zero.false_probability
        shortfall = np.where(false_full, drawn(monitor.re_zero.shortfall, "shortfall"), 0.0)
        drift_a = drawn(monitor.drift_a_per_k, "drift_a_per_k") * (temperature_c - 25.0)
        band_a = drawn(monitor.dead_band_a, "dead_band_a")
        below = np.where(band_a > standing_a(setup), uniforms(seed, "below_dead_band", n), 0.0)
        heated_ah = heater_a(setup, cell, temperature_c) * hours
        if np.any(heated_ah > 0.0):
            heated_ah *= np.exp(_HEATED_SPREAD * normal_scores(seed, "heated_before", n))
        return cls(hours, shortfall, drift_a, below * band_a * hours, heated_ah)

    def soc(
        self,
        cell: CellModel,
        display_soc: float,
        assumed_ah: Array,
        offset_a: Array,
        gain_error: Array,
        untracked_ah: Array,
        capacity_ah: Array,
    ) -> Array:
        """(n,) true charge under a display; beyond 0 or 1 where the draws contradict it.

        Args:
            cell: discharges itself.
            display_soc: 0..1.
            assumed_ah: capacity set in the monitor [Ah].
            offset_a, gain_error: of the shunt [A], relative.
            untracked_ah: drawn unseen since full [Ah].
            capacity_ah: of the bank at its temperature [Ah].
        """
        seen_ah = (display_soc - 1.0) * assumed_ah
        true_ah = (seen_ah - (offset_a + self.drift_a) * self.hours) / (1.0 + gain_error)
        true_ah = true_ah - (untracked_ah + self.hidden_ah + self.heated_ah)
        soc = 1.0 - self.shortfall + true_ah / capacity_ah
        return soc - cell.self_discharge_per_day * self.hours / 24.0


def standing_a(setup: Setup) -> float:
    """What the setup's loads draw at any time [A]: those that run all day without a cycle.

    At `USUAL_CELL_V` and without losses of an inverter: rather too little than too much.
    """
    bank_v = USUAL_CELL_V * setup.bank.cells_in_series
    return sum(
        load.power_w.median / bank_v if load.power_w is not None else load.current_a.median
        for load in setup.loads
        if load.hours.is_always and load.at is None and load.duty.interval(0.9)[0] >= 1.0
    )


def heater_a(setup: Setup, cell: CellModel, ambient_c: Array) -> Array:
    """(n,) mean current of the batteries' own heaters over a day of mean temperature (n,) [A].

    Each makes up for the heat that its battery loses to the ambient, see `bank.heated_to_c`, hour
    by hour where the air warms and cools with the day.
    """
    swing = setup.ambient.swing_k
    swing_k = 0.0 if swing is None else swing.median
    day_s = 3600.0 * np.arange(24 if swing_k else 1)[:, None]
    airs_c = air_in_its_day_c(ambient_c, swing_k, 0.0, day_s)
    series = setup.bank.cells_in_series
    total_ah = sum(battery.rated_capacity_ah for battery in setup.batteries)
    watt = np.zeros(len(ambient_c))
    for battery in setup.batteries:
        if battery.heater_w is None:
            continue
        share = battery.rated_capacity_ah / total_ah
        cells = series * share * setup.bank.rated_capacity_ah / cell.capacity_ah
        on_c, off_c = battery.heater_on_c.median, battery.heater_off_c.median
        warm_k = heaters_warm_k(cell, airs_c, battery.heater_w.median / cells, on_c, off_c)
        watt += cells * cell.heat_conductance_w_per_k * warm_k
    return watt / (USUAL_CELL_V * series)


def untracked_hours(setup: Setup, hours: Array) -> Array:
    """(n,) hours in which the untracked load drew during the last `hours` hours [h]."""
    window = setup.untracked_load.hours
    if window.is_always:
        return hours
    now = setup.present.clock.minute
    whole, rest = np.divmod(hours, 24.0)
    # What lies in the unfinished day, by the minute.
    minutes = np.arange(1440)
    inside = window.contains(now - 1 - minutes)
    gathered = np.concatenate([[0.0], np.cumsum(inside)]) / 60.0
    return whole * gathered[-1] + gathered[np.minimum((rest * 60.0).astype(int), 1440)]
