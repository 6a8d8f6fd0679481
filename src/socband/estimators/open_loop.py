"""Open loop: the prior carried along the counted current, no voltage used.

The yardstick of sharpness: an estimator that reads the voltage should be narrower than this and
still cover. Honest by construction where faults come from the same prior.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband.estimators import Prior, Window, band_dataset, step_s
from socband.logs import Log
from socband.scoring import QUANTILES

if TYPE_CHECKING:
    import xarray as xr

    from socband.models import CellModel

_ROWS = 256  # rows sorted at a time: bounds the memory


@dataclass(frozen=True)
class OpenLoop:
    """Monte Carlo over the prior; `members` draws of everything in it."""

    members: int = 2000

    def estimate(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> xr.Dataset:
        """See `socband.estimators.Estimator`."""
        m = self.members
        soc0 = prior.soc0_mean + prior.soc0_std * rng.standard_normal(m)
        # The display is the clipped sum of truth and error; inside 0..1 the truth is as likely as
        # its distance says, and outside it cannot be: a truncated normal.
        outside = (soc0 < 0.0) | (soc0 > 1.0)
        while np.any(outside):
            again = prior.soc0_mean + prior.soc0_std * rng.standard_normal(outside.sum())
            soc0[outside] = again
            outside = (soc0 < 0.0) | (soc0 > 1.0)
        offset = prior.offset_std_a * rng.standard_normal(m)
        gain = 1.0 + prior.gain_std * rng.standard_normal(m)
        capacity = prior.assumed_capacity_ah / (1.0 + prior.capacity_std * rng.standard_normal(m))
        drift = prior.drift_std_a * rng.standard_normal(m)
        phase = 2.0 * np.pi * rng.random(m)
        has = rng.random(m) < prior.untracked_probability
        load = np.where(has, prior.untracked_mean_a * rng.exponential(size=m), 0.0)
        hours = rng.random(m) < prior.untracked_hours_probability
        start, duty = rng.random(m), rng.uniform(*prior.untracked_duty, m)

        dt = step_s(log)
        counted = np.cumsum(log.current_a * dt)
        angle = 2.0 * np.pi * log.time_s / prior.day_s
        sine, cosine = np.cumsum(np.sin(angle) * dt), np.cumsum(np.cos(angle) * dt)
        elapsed = log.time_s - log.time_s[0]
        # Amperes while on, so that both patterns draw the same charge on average.
        load = np.where(hours, load / duty, load)[:, None]
        window = Window(prior.day_s, start[:, None], duty[:, None])
        quantile = np.empty((len(log), len(QUANTILES)))
        mean, std = np.empty(len(log)), np.empty(len(log))
        for a in range(0, len(log), _ROWS):
            rows = slice(a, min(a + _ROWS, len(log)))
            wave = np.cos(phase)[:, None] * sine[rows] + np.sin(phase)[:, None] * cosine[rows]
            seen = counted[rows] - offset[:, None] * elapsed[rows] - drift[:, None] * wave
            on_s = np.where(hours[:, None], window.active_s(elapsed[rows]), elapsed[rows])
            charge = seen / gain[:, None] - load * on_s
            soc = np.clip(soc0[:, None] + charge / (3600.0 * capacity[:, None]), 0.0, 1.0)
            soc.sort(axis=0)
            at = np.array(QUANTILES) * (m - 1)
            low = at.astype(int)
            share = (at - low)[:, None]
            high = np.minimum(low + 1, m - 1)
            quantile[rows] = ((1.0 - share) * soc[low] + share * soc[high]).T
            mean[rows], std[rows] = soc.mean(axis=0), soc.std(axis=0)
        ess = np.full(len(log), float(m))
        return band_dataset(log, quantile, mean=mean, std=std, ess=ess)
