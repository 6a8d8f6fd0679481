"""How to condition, and what the compiled filter is told about the cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from socband import kernels as k
from socband.cell import TAPER, polarisation_factor, temperature_factors
from socband.models import CellModel

Array = np.ndarray

# What a cell without calibration gets: one setting over the calibration records of all cells
# (`benchmarks/calibrate.py --pooled`: 0.5, 0.7, 0.5; on the grids of 2026-12-01 0.25, 1.0 and 0.5,
# not taken over), its error widened by a third and its learning rate halved: with
# 0.5 the band of simulated houses with another cell (`house_bands.py`, 24 houses of development
# seed 0) held the truth in 79 % of the time, with 0.25 in 90 %.
POOLED_ETA = 0.25
POOLED_ERROR_SCALE = 0.93
POOLED_TAU_SCALE = 0.5
# Where the truth is another cell, a share of the error is a curve for life: without it offset and
# capacity are claimed too surely (`benchmarks/simulated_truth.py`, which chose 0.6).
POOLED_LASTING_SHARE = 0.6
PROBABILITIES = (0.025, 0.05, 0.25, 0.5, 0.75, 0.95, 0.975)


@dataclass(frozen=True)
class Settings:
    """How to condition. The noise scales come from the cell's calibration where it has one.

    Attributes:
        members: how many.
        seed: of everything random.
        eta: learning rate; None = the cell's.
        error_scale, tau_scale: multiply the model error's deviation and memory; None = the cell's.
        cloud_soc: standard deviation of a member's own cloud of start charge, 0..1.
        cloud_bias: share of the offset's standard deviation (its tails left out) that lies within a
            member.
        start_branch_c: standard deviation of the two branch currents at the start of a log, of
            whose time before nothing is known [C-rate].
        bias_walk_a_per_sqrt_s: random walk of the constant error [A/sqrt(s)], per cell.
        least_noise_v: white noise of a minute's mean voltage is never taken for smaller [V], that
            of a shorter step for so much more that a minute of them is worth the same. What models
            leave of calibration records moves by 1 to 3 mV (-25 °C: 6) from one minute to the next
            and by 2 to 4 mV within the hour, which an error with a memory of hours does not follow.
        lasting_share: share of the model error (its deviation, away from steep parts and loads)
            that belongs to the cell's curve, the same whenever that charge comes by again, 0..1.
            None: 0 for a calibrated cell, whose records do not ask for it (benchmarks/README.md),
            `POOLED_LASTING_SHARE` for another.
        outlier_sigma: an innovation beyond so many deviations counts as a bad reading.
        ess_share: resample when the effective sample size falls below this share.
        moves: Metropolis-Hastings steps after resampling.
        chunk: steps between looks at the effective sample size.
        use_voltage: False = open loop, the prior propagated.
        hindsight: also look back from the end (a smoother).
        full_std_soc: how far what a charger calls full and the end of the curve lie apart, 0..1:
            runs of one cell from full to empty differ by 1.4 to 2.6 % (open 26650 records).
        full_memory_s: how long that error lasts: chargers hold, taper and let go within minutes.
            Assumed; tried on simulated banks with a charger that holds each day, not on records.
        probabilities: of the quantiles kept, increasing.
    """

    members: int = 4000
    seed: int = 0
    eta: float | None = None
    error_scale: float | None = None
    tau_scale: float | None = None
    cloud_soc: float = 0.015
    cloud_bias: float = 0.5
    start_branch_c: tuple[float, float] = (0.2, 0.1)
    bias_walk_a_per_sqrt_s: float = 0.0
    least_noise_v: float = 0.004
    lasting_share: float | None = None
    outlier_sigma: float = 4.0
    ess_share: float = 0.5
    moves: int = 3
    chunk: int = 8
    use_voltage: bool = True
    hindsight: bool = False
    full_std_soc: float = 0.015
    full_memory_s: float = 600.0
    probabilities: tuple[float, ...] = PROBABILITIES

    def resolved(self, cell: CellModel) -> Noise:
        """Learning rate and scales: as set here, else as the cell was calibrated, else pooled."""
        known = (POOLED_ETA, POOLED_ERROR_SCALE, POOLED_TAU_SCALE, POOLED_LASTING_SHARE)
        if cell.calibration is not None:
            found = cell.calibration
            known = (found.eta, found.error_scale, found.tau_scale, 0.0)
        asked = (self.eta, self.error_scale, self.tau_scale, self.lasting_share)
        return Noise(*(b if a is None else a for a, b in zip(asked, known, strict=True)))


@dataclass(frozen=True)
class Noise:
    """How far the voltages are trusted; see `Settings`."""

    eta: float
    error_scale: float
    tau_scale: float
    lasting_share: float


def kernel_inputs(cell: CellModel, settings: Settings) -> tuple[Array, Array]:
    """The kernel's `common` vector and its table of temperature factors."""
    error = cell.voltage_error
    common = np.zeros(k.COMMON_SIZE)
    for index, value in (
        (k.TAU1_S, cell.tau1_s),
        (k.TAU2_S, cell.tau2_s),
        (k.SAT1_C, cell.saturation_1_c_rate),
        (k.SAT_LAG_C, cell.lag.saturation_c_rate),
        (k.GAMMA, cell.hysteresis_decay),
        (k.T_REF_C, cell.reference_temperature_c),
        (k.CELL_CAPACITY_AH, cell.capacity_ah),
        (k.EFFICIENCY, cell.coulombic_efficiency),
        (k.LEAK_PER_S, cell.self_discharge_per_day / 86400.0),
        (k.NOISE_V, error.noise_v),
        (k.MINUTE_NOISE_V, settings.least_noise_v),
        (k.BIAS_WALK_A, settings.bias_walk_a_per_sqrt_s),
        (k.OUTLIER_SIGMA, settings.outlier_sigma),
        (k.T_GRID_START_C, -60.0),
        (k.T_GRID_STEP_K, 0.5),
    ):
        common[index] = value
    grid = -60.0 + 0.5 * np.arange(301)
    return common, np.ascontiguousarray(np.stack(temperature_factors(cell, grid), axis=-1))


# How far the surface charge lags is known to this share of itself, unless the cell's calibration
# says better (assumed: one lag of one time constant stands for diffusion in many particles). It
# counts where the curve is steep: near empty, under load.
LAG_ERROR_SHARE = 0.2


def lag_error_share(cell: CellModel) -> float:
    """To what share of itself a cell's surface lag is known, 0..1."""
    found = None if cell.calibration is None else cell.calibration.lag_share
    return LAG_ERROR_SHARE if found is None else found


def error_std_v(
    cell: CellModel,
    error_scale: float,
    slope_v: Array,
    c_rate: Array,
    lag: Array,
    temperature_c: Array,
    full_v: Array | float = 0.0,
    lasting_share: float = 0.0,
) -> Array:
    """Standard deviation of the voltage-model error [V].

    Args:
        cell: its `voltage_error` says how the deviation is made up.
        error_scale: multiplies it.
        slope_v: dOCV/dz at the surface charge [V].
        c_rate: size of the diffusion current: what errs under load errs on for a while after it.
        lag: how far the surface charge is from the mean charge, 0..1.
        temperature_c: of the cell: what errs with the current grows as its resistance does.
        full_v: what the doubt of where full is does to the voltage [V].
        lasting_share: of what is left out here, see `lasting_std_v`.
    """
    error = cell.voltage_error
    along = error_scale**2 * error.std_soc**2 + (lag_error_share(cell) * lag) ** 2
    loaded = error.std_v_per_c_rate * c_rate * polarisation_factor(cell, temperature_c)
    across = (1.0 - lasting_share**2) * error.std_v**2 + loaded**2
    size = np.sqrt(error_scale**2 * across + along * np.square(slope_v) + np.square(full_v))
    return error.unfamiliar_factor(temperature_c) * size


def lasting_std_v(cell: CellModel, settings: Settings, temperature_c: float) -> float:
    """Deviation of what a cell's curve lies above its model's, all its life [V]."""
    error = cell.voltage_error
    away = float(error.unfamiliar_factor(np.array(temperature_c)))
    noise = settings.resolved(cell)
    return noise.lasting_share * noise.error_scale * error.std_v * away


def share_of_full(surface: Array) -> Array:
    """How much of the doubt of full counts: nothing below 1 - `TAPER`, all of it at full.

    It comes in as the shift of the curves (`kernels_step.predict`) fades out.
    """
    return np.clip(1.0 - (1.0 - surface) / TAPER, 0.0, 1.0)


def kept_of_error(dt_s: Array, tau_s: float, full_memory_s: float, at_full: Array) -> Array:
    """What the model error keeps of itself over a step, 0..1.

    Near full the error is one of its own: a filter that carried it over as it was would take what
    a charger does at the top for news about the plateau, and a steady voltage there for proof that
    no current flows.

    Args:
        dt_s: of the steps.
        tau_s: memory of the error away from full; full_memory_s: at full, if that is shorter.
        at_full: `share_of_full`, averaged over the members.
    """
    rate = (1.0 - at_full) / tau_s + at_full / min(full_memory_s, tau_s)
    return np.exp(-dt_s * rate)
