"""The cell as a three-state model for textbook filters: charge and two RC branch currents.

x = (z, i1, i2); z ← z + I·Δt/(3600·Q), i_k ← a_k·i_k + (1−a_k)·I, y = U(z, i1, i2, h, I, T): see
`socband.cell`. Hysteresis h and the diffusion current's fast mode are carried along by the seen
current and are no states; i2 is its slow mode. White noise, as textbooks have it: the current's on
the charge, the voltage model's on the measurement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband import cell as physics
from socband.cell import CellTables, temperature_factors
from socband.estimators import Prior, cell_temperature, step_s
from socband.logs import Log

if TYPE_CHECKING:
    from socband.models import CellModel

Array = np.ndarray


@dataclass(frozen=True)
class Noise:
    """White noise of the textbook filters.

    Attributes:
        current_c_rate: standard deviation of the current, per step, as a C-rate: Q of the filter.
        voltage_v: standard deviation of the measured less the modelled voltage: √R [V].
        step_s: length of the steps for which both hold; on others they follow the white noise of
            continuous time, σ ~ 1/√Δt, so that the band does not depend on the step. None: they
            hold per step whatever its length, as if every row brought news of its own [s].
    """

    current_c_rate: float
    voltage_v: float
    step_s: float | None = None


#: Lowest mean CRPS of the grid in benchmarks/bench_table.py --tune, which looks at the calibration
#: records of benchmarks/split.toml only, at the bench's own steps of 10 to 60 s.
NOISE = Noise(current_c_rate=0.3, voltage_v=0.16)


@dataclass(frozen=True, eq=False)
class FilterModel:
    """Everything about a log that does not depend on the filter's state.

    Attributes:
        dt_s, current_a, voltage_v: (n,) of the log.
        a1, a2: (n,) decay of the branches over each step.
        i3_a: (n,) fast mode of the diffusion current, carried by the seen current [A].
        hysteresis: (n,) carried by the seen current.
        factors: (n, 5) k0, k1, k2, k_lag and T − T_ref.
        capacity_as: 3600·Q [A s].
        tables: of the cell; `columns` the same as lists, for scalar look-up without numpy.
    """

    dt_s: Array
    current_a: Array
    voltage_v: Array
    a1: Array
    a2: Array
    i3_a: Array
    hysteresis: Array
    factors: Array
    capacity_as: float
    tables: CellTables
    columns: tuple[list[float], ...]
    temperature_c: Array

    @classmethod
    def from_log(cls, log: Log, cell: CellModel, prior: Prior) -> FilterModel:
        """Lay out a log; capacity is the one set in the monitor, temperature `cell_temperature`."""
        tables = CellTables.from_model(cell)
        s = tables.scalars
        dt_s = step_s(log)
        temperature_c = cell_temperature(log, cell, prior)
        k0, k1, k2, k_lag, _ = temperature_factors(tables, temperature_c)
        warmer = temperature_c - s.reference_temperature_c
        capacity_as = 3600.0 * prior.assumed_capacity_ah
        keep = np.exp(-np.abs(s.decay * log.current_a) * dt_s / capacity_as)
        drive = (1.0 - keep) * np.sign(log.current_a)
        h, hysteresis = 0.0, np.zeros(len(log))
        i3, i3_a = 0.0, np.zeros(len(log))
        a3 = np.exp(-dt_s / (physics.FAST_TIME * s.tau2_s))
        for k in range(len(log)):
            h = keep[k] * h + drive[k]
            hysteresis[k] = h
            i3 = a3[k] * i3 + (1.0 - a3[k]) * log.current_a[k]
            i3_a[k] = i3
        return cls(
            dt_s=dt_s,
            current_a=log.current_a,
            voltage_v=log.voltage_v,
            a1=np.exp(-dt_s / s.tau1_s),
            a2=np.exp(-dt_s / s.tau2_s),
            i3_a=i3_a,
            hysteresis=hysteresis,
            factors=np.stack([k0, k1, k2, k_lag, warmer], axis=1),
            capacity_as=capacity_as,
            tables=tables,
            columns=tuple(tables.table[:, c].tolist() for c in range(7)),
            temperature_c=temperature_c,
        )

    def transition(self, k: int) -> tuple[Array, Array]:
        """F (3, 3) and B (3,) of the step that ends at row `k`: x ← F·x + B·I."""
        a1, a2 = self.a1[k], self.a2[k]
        return np.diag([1.0, a1, a2]), np.array(
            [self.dt_s[k] / self.capacity_as, 1.0 - a1, 1.0 - a2]
        )

    def for_steps(self, noise: Noise) -> Noise:
        """The noise that holds at this log's usual step."""
        if noise.step_s is None:
            return noise
        ratio = math.sqrt(noise.step_s / float(np.median(self.dt_s[1:])))
        return Noise(noise.current_c_rate * ratio, noise.voltage_v * ratio)

    def process_noise(self, k: int, noise: Noise) -> Array:
        """Q (3, 3) of a current that errs by white noise over the step: σ²·B·Bᵀ."""
        b = self.transition(k)[1] * noise.current_c_rate * self.tables.scalars.capacity_ah
        return np.outer(b, b)

    def voltage(self, k: int, z: float, i1: float, i2: float) -> float:
        """U at row `k` for a scalar state: the equations of `socband.cell.voltage`, in floats."""
        s = self.tables.scalars
        k0, k1, k2, k_lag, warmer = self.factors[k].tolist()
        z = min(max(z, 0.0), 1.0)
        diffusion = float(physics.diffusion_current(i2, self.i3_a[k]))
        inner = min(max(z, 1e-4), 1.0 - 1e-4)
        g = s.s_lag_c_rate * math.asinh(k_lag * diffusion / s.capacity_ah / s.s_lag_c_rate)
        x = self._at(physics.LAG, inner) * abs(g)
        if g < 0:
            z_s = inner * math.exp(-x / inner)
        else:
            z_s = 1.0 - (1.0 - inner) * math.exp(-x / (1.0 - inner))
        return (
            self._at(physics.OCV, z_s)
            + warmer * self._at(physics.ENTROPY, z_s)
            + self._at(physics.GAP, z_s) * float(self.hysteresis[k])
            + self._at(physics.R0, z_s) * k0 * float(self.current_a[k])
            + self._at(physics.R1, z_s) * s.s1_a * math.asinh(i1 * k1 / s.s1_a)
            + self._at(physics.R2, z_s) * k2 * diffusion
        )

    def _at(self, column: int, soc: float) -> float:
        x = soc * physics.INTERVALS
        k = min(int(x), physics.INTERVALS - 1)
        values = self.columns[column]
        return values[k] + (x - k) * (values[k + 1] - values[k])

    def jacobian(self, k: int, z: float, i1: float, i2: float) -> Array:
        """∂U/∂x (1, 3) by central differences; one-sided at the ends of the table."""
        dz, di = 2e-3, 1e-3 * self.tables.scalars.capacity_ah
        low, high = max(z - dz, 0.0), min(z + dz, 1.0)
        return np.array(
            [
                [
                    (self.voltage(k, high, i1, i2) - self.voltage(k, low, i1, i2)) / (high - low),
                    (self.voltage(k, z, i1 + di, i2) - self.voltage(k, z, i1 - di, i2)) / (2 * di),
                    (self.voltage(k, z, i1, i2 + di) - self.voltage(k, z, i1, i2 - di)) / (2 * di),
                ]
            ]
        )
