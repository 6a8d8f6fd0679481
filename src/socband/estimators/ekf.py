"""Extended Kalman filter with white noise, as textbooks have it, built on filterpy.

Plett 2004, J. Power Sources 134, 277-292 (part 3), with the cell model of this project. filterpy's
ExtendedKalmanFilter does the arithmetic (Joseph form).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband.estimators import Prior, normal_band
from socband.estimators.filter_model import NOISE, FilterModel, Noise
from socband.logs import Log

if TYPE_CHECKING:
    import xarray as xr

    from socband.models import CellModel


@dataclass(frozen=True)
class Ekf:
    """States charge and two branch currents; starts at the display with the prior's spread."""

    noise: Noise = NOISE

    def estimate(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> xr.Dataset:
        """See `socband.estimators.Estimator`."""
        from filterpy.kalman import ExtendedKalmanFilter

        model = FilterModel.from_log(log, cell, prior)
        noise = model.for_steps(self.noise)
        kf = ExtendedKalmanFilter(dim_x=3, dim_z=1, dim_u=1)
        kf.x = np.array([[prior.soc0_mean], [0.0], [0.0]])
        kf.P = np.diag([prior.soc0_std**2, 0.0, 0.0])
        kf.R = np.array([[noise.voltage_v**2]])
        mean, std = np.empty(len(log)), np.empty(len(log))
        for k in range(len(log)):
            if k:
                kf.F, b = model.transition(k)
                kf.B = b[:, None]
                kf.Q = model.process_noise(k, noise)
                kf.predict(u=np.array([[model.current_a[k]]]))
            kf.update(
                np.array([[model.voltage_v[k]]]),
                lambda x, row=k: model.jacobian(row, *x[:, 0]),
                lambda x, row=k: np.array([[model.voltage(row, *x[:, 0])]]),
            )
            kf.x[0, 0] = min(max(kf.x[0, 0], 0.0), 1.0)
            mean[k], std[k] = kf.x[0, 0], np.sqrt(kf.P[0, 0])
        return normal_band(log, mean, std)
