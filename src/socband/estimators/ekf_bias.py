"""Extended Kalman filter with the current's bias as a fourth state, built on filterpy.

The bias stands for offset and untracked load together and starts with their moments in the prior;
it is constant (Zhao, Duncan, Howey, 10.1109/TCST.2016.2542115, augment the state in this way).
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
class EkfBias:
    """States charge, two branch currents, bias b: the cell's current is I_seen − b.

    The bias does not enter the branch currents: at its size their voltage is below a millivolt,
    and left out it keeps the measurement equation that of the plain filter.
    """

    noise: Noise = NOISE

    def estimate(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> xr.Dataset:
        """See `socband.estimators.Estimator`."""
        from filterpy.kalman import ExtendedKalmanFilter

        model = FilterModel.from_log(log, cell, prior)
        noise = model.for_steps(self.noise)
        kf = ExtendedKalmanFilter(dim_x=4, dim_z=1, dim_u=1)
        kf.x = np.array([[prior.soc0_mean], [0.0], [0.0], [prior.bias_mean_a]])
        kf.P = np.diag([prior.soc0_std**2, 0.0, 0.0, prior.bias_std_a**2])
        kf.R = np.array([[noise.voltage_v**2]])
        mean, std = np.empty(len(log)), np.empty(len(log))
        f, b, q = np.eye(4), np.zeros((4, 1)), np.zeros((4, 4))
        for k in range(len(log)):
            if k:
                f[:3, :3], b[:3, 0] = model.transition(k)
                f[0, 3] = -b[0, 0]
                q[:3, :3] = model.process_noise(k, noise)
                kf.F, kf.B, kf.Q = f, b, q
                kf.predict(u=np.array([[model.current_a[k]]]))
            kf.update(
                np.array([[model.voltage_v[k]]]),
                lambda x, row=k: np.append(model.jacobian(row, *x[:3, 0]), 0.0)[None],
                lambda x, row=k: np.array([[model.voltage(row, *x[:3, 0])]]),
            )
            kf.x[0, 0] = min(max(kf.x[0, 0], 0.0), 1.0)
            mean[k], std[k] = kf.x[0, 0], np.sqrt(kf.P[0, 0])
        return normal_band(log, mean, std)
