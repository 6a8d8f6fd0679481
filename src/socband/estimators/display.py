"""What the monitor shows: coulomb counting with a re-zero rule. It states no band."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband.estimators import Prior, RezeroRule, band_dataset, step_s
from socband.logs import Log
from socband.scoring import QUANTILES

if TYPE_CHECKING:
    import xarray as xr

    from socband.models import CellModel

Array = np.ndarray


def full_rows(log: Log, rule: RezeroRule) -> Array:
    """(n,) True where the monitor declares full.

    Voltage at least `voltage_v` and charge current at most `current_a`, without a break for
    `hold_s`; a discharge current counts as below. Common practice, no source.
    """
    holds = (log.voltage_v >= rule.voltage_v) & (log.current_a <= rule.current_a)
    held = np.zeros(len(log))
    for k, dt in enumerate(step_s(log)):
        held[k] = held[k - 1] + dt if k and holds[k] else 0.0
    return holds & (held >= rule.hold_s)


@dataclass(frozen=True)
class Display:
    """Counting over the assumed capacity, held within 0..1, set to 1 where declared full.

    All stated quantiles are the displayed number: a display without a band covers next to nothing,
    and its CRPS is its absolute error.
    """

    def estimate(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> xr.Dataset:
        """See `socband.estimators.Estimator`."""
        step = log.current_a * step_s(log) / (3600.0 * prior.assumed_capacity_ah)
        full = full_rows(log, prior.rezero)
        shown = np.empty(len(log))
        soc = prior.soc0_mean
        for k in range(len(log)):
            soc = 1.0 if full[k] else min(max(soc + step[k], 0.0), 1.0)
            shown[k] = soc
        return band_dataset(log, np.repeat(shown[:, None], len(QUANTILES), axis=1))
