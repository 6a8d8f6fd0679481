"""What the monitor shows: coulomb counting with a re-zero rule. It states no band."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband.estimators import Prior, band_dataset
from socband.logs import Log
from socband.monitor import counted_soc
from socband.scoring import QUANTILES

if TYPE_CHECKING:
    import xarray as xr

    from socband.models import CellModel

Array = np.ndarray


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
        rule = prior.rezero
        shown = counted_soc(
            log.time_s,
            log.current_a,
            log.voltage_v,
            start_soc=prior.soc0_mean,
            assumed_capacity_ah=prior.assumed_capacity_ah,
            above_v=rule.voltage_v,
            below_a=rule.current_a,
            for_s=rule.hold_s,
        )
        return band_dataset(log, np.repeat(shown[:, None], len(QUANTILES), axis=1))
