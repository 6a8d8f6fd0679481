"""Rested-voltage look-up: count, and at every rest read the charge off the open-circuit voltage.

What a technician does with a voltmeter. A rest counts after half an hour without load (common
practice, no source). The curve is the branch on which the last current left the cell, OCV + M·h.
On the plateau of LFP the look-up's own spread is wide; between rests the band grows with what the
prior says of offset and untracked load.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband.cell import GAP, OCV, CellTables, look_up
from socband.estimators import Prior, band_dataset, step_s
from socband.estimators.filter_model import FilterModel
from socband.logs import Log
from socband.scoring import QUANTILES

if TYPE_CHECKING:
    import xarray as xr

    from socband.models import CellModel


@dataclass(frozen=True)
class RestedVoltage:
    """Attributes: `rest_s` without load before the voltage counts, `rest_c_rate` taken for none."""

    rest_s: float = 1800.0
    rest_c_rate: float = 0.03

    def estimate(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> xr.Dataset:
        """See `socband.estimators.Estimator`."""
        from scipy.special import ndtri

        tables = CellTables.from_model(cell)
        soc = np.linspace(0.0, 1.0, 1025)
        ocv, gap = look_up(tables, OCV, soc), look_up(tables, GAP, soc)
        rising = 1e-9 * np.arange(len(soc))  # an inverse wants a strictly rising curve
        # How far the cell is between the branches is known to about a half of the gap M.
        error_v = np.hypot(cell.voltage_error.std_v, 0.5 * gap.mean())
        h = FilterModel.from_log(log, cell, prior).hysteresis
        normal = ndtri(np.array(QUANTILES))
        capacity_as = 3600.0 * prior.assumed_capacity_ah
        growth = prior.bias_std_a / capacity_as  # of the standard deviation, per second
        dt = step_s(log)
        rested_s = 0.0
        quantile = np.clip(prior.soc0_mean + prior.soc0_std * normal, 0.0, 1.0)
        since_s, counted = 0.0, 0.0
        out = np.empty((len(log), len(QUANTILES)))
        for k in range(len(log)):
            quiet = abs(log.current_a[k]) < self.rest_c_rate * cell.capacity_ah
            rested_s = rested_s + dt[k] if quiet else 0.0
            if rested_s >= self.rest_s:
                curve = np.maximum.accumulate(ocv + gap * h[k]) + rising
                quantile = np.interp(log.voltage_v[k] + error_v * normal, curve, soc)
                since_s, counted = 0.0, 0.0
            elif k:
                since_s += dt[k]
                counted += (log.current_a[k] - prior.bias_mean_a) * dt[k] / capacity_as
            middle = quantile[len(QUANTILES) // 2]
            spread = np.hypot(quantile - middle, growth * since_s * normal) * np.sign(normal)
            out[k] = middle + counted + spread
        return band_dataset(log, out)
