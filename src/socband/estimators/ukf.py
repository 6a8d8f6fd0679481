"""Unscented Kalman filter with white noise, built on filterpy.

Scaled sigma points of Julier and van der Merwe (filterpy MerweScaledSigmaPoints), α = 0.1, β = 2,
κ = 0.
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

# A covariance that is not positive definite has no square root; the floor is far below any noise.
_FLOOR = np.diag([1e-14, 1e-10, 1e-10])


@dataclass(frozen=True)
class Ukf:
    """States charge and two branch currents."""

    noise: Noise = NOISE

    def estimate(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> xr.Dataset:
        """See `socband.estimators.Estimator`."""
        from filterpy.kalman import MerweScaledSigmaPoints, UnscentedKalmanFilter

        model = FilterModel.from_log(log, cell, prior)
        noise = model.for_steps(self.noise)
        row = 0

        def move(x: np.ndarray, dt: float) -> np.ndarray:
            f, b = model.transition(row)
            return f @ x + b * model.current_a[row]

        def measure(x: np.ndarray) -> np.ndarray:
            return np.array([model.voltage(row, *x)])

        points = MerweScaledSigmaPoints(3, alpha=0.1, beta=2.0, kappa=0.0)
        kf = UnscentedKalmanFilter(3, 1, dt=1.0, hx=measure, fx=move, points=points)
        kf.x = np.array([prior.soc0_mean, 0.0, 0.0])
        kf.P = np.diag([prior.soc0_std**2, 0.0, 0.0]) + _FLOOR
        kf.R = np.array([[noise.voltage_v**2]])
        mean, std = np.empty(len(log)), np.empty(len(log))
        for row in range(len(log)):
            kf.Q = model.process_noise(row, noise) + _FLOOR
            kf.predict()
            kf.update(np.array([model.voltage_v[row]]))
            kf.x[0] = min(max(kf.x[0], 0.0), 1.0)
            kf.P = 0.5 * (kf.P + kf.P.T)
            mean[row], std[row] = kf.x[0], np.sqrt(kf.P[0, 0])
        return normal_band(log, mean, std)
