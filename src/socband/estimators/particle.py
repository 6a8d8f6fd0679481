"""Bootstrap particle filter with white noise.

Gordon, Salmond, Smith 1993, 10.1049/ip-f-2.1993.0015: particles move with noisy currents, are
weighted with the normal likelihood of the voltage, and are resampled (systematic) when the
effective sample size falls below half.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband import cell as physics
from socband.estimators import Prior, band_dataset
from socband.estimators.filter_model import NOISE, FilterModel, Noise
from socband.logs import Log
from socband.posterior_resample import effective_sample_size, systematic
from socband.scoring import QUANTILES

if TYPE_CHECKING:
    import xarray as xr

    from socband.models import CellModel


@dataclass(frozen=True)
class Particle:
    """Particles of charge and two branch currents, moved by one noisy current each."""

    noise: Noise = NOISE
    particles: int = 500

    def estimate(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> xr.Dataset:
        """See `socband.estimators.Estimator`."""
        model = FilterModel.from_log(log, cell, prior)
        noise = model.for_steps(self.noise)
        n = self.particles
        z = np.clip(prior.soc0_mean + prior.soc0_std * rng.standard_normal(n), 0.0, 1.0)
        i1, i2 = np.zeros(n), np.zeros(n)
        weight = np.full(n, 1.0 / n)
        sigma_a = noise.current_c_rate * cell.capacity_ah
        quantile = np.empty((len(log), len(QUANTILES)))
        mean, std, ess = (np.empty(len(log)) for _ in range(3))
        for k in range(len(log)):
            current = model.current_a[k]
            if k:
                f, b = model.transition(k)
                moved = current + sigma_a * rng.standard_normal(n)
                z = np.clip(z + b[0] * moved, 0.0, 1.0)
                i1, i2 = f[1, 1] * i1 + b[1] * moved, f[2, 2] * i2 + b[2] * moved
            expected = physics.voltage(
                model.tables, z, i1, physics.diffusion_current(i2, model.i3_a[k]),
                model.hysteresis[k], current, model.temperature_c[k],
            )  # fmt: skip
            log_weight = -0.5 * ((model.voltage_v[k] - expected) / noise.voltage_v) ** 2
            weight = weight * np.exp(log_weight - log_weight.max())
            total = weight.sum()
            weight = weight / total if total > 0 else np.full(n, 1.0 / n)
            ess[k] = effective_sample_size(weight)
            order = np.argsort(z)
            reached = np.cumsum(weight[order]) - 0.5 * weight[order]
            quantile[k] = np.interp(QUANTILES, reached, z[order])
            mean[k] = weight @ z
            std[k] = np.sqrt(max(weight @ (z - mean[k]) ** 2, 0.0))
            if ess[k] < 0.5 * n:
                pick = systematic(weight, rng)
                z, i1, i2 = z[pick], i1[pick], i2[pick]
                weight = np.full(n, 1.0 / n)
        return band_dataset(log, quantile, mean=mean, std=std, ess=ess)
