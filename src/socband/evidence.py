"""Evidence beyond current and voltage of a log, in one place and with one likelihood.

Each piece says at what time it was taken and how a member's state and log likelihood change when it
is taken into account (a scalar Kalman update in the member). A log's voltage goes through the
compiled filter; all else comes through here, with or without a log.

Calibration tempers the likelihood of the voltages, because the cell model errs in its own way all
along a record. A reading taken by hand has no such history and counts in full: its log likelihood
is divided by the learning rate that the posterior multiplies with.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from socband import kernels as k
from socband.cell import stands_at, temperature_factors
from socband.posterior_settings import error_std_v
from socband.track import Scale

if TYPE_CHECKING:
    from socband.cell import CellModel

Array = np.ndarray

RELAXING_S = 3600.0  # assumed: a voltage at rest still drifts after an hour

# position of P[i, j] in the upper triangle, row by row over (z, i1, i2, e, b)
_ROW_START = (0, 4, 7, 9, 10)


def _p(state: Array, i: int, j: int) -> Array:
    i, j = min(i, j), max(i, j)
    return state[k.P0 + _ROW_START[i] + j]


@dataclass(frozen=True)
class Context:
    """What a piece of evidence may need to know.

    Attributes:
        cell, scale: the cell model, and bank to cell.
        parameters: (PARAMETER_ROWS, n) of the kernel.
        seen_a: current the monitor shows at that moment, bank level [A].
        untracked_on: (n,) 0..1, whether each member's untracked load draws at that moment.
        temperature_c: of the cells, before the members' own offset.
        eta: learning rate of the posterior.
        error_scale: multiplies the model error's deviation, as in the filter.
        lasting_share: see `posterior_settings.Settings`; the members hold that part of the error.
    """

    cell: CellModel
    scale: Scale
    parameters: Array
    seen_a: float
    untracked_on: Array
    temperature_c: float
    eta: float
    error_scale: float
    lasting_share: float = 0.0


class Evidence(Protocol):
    """One piece of evidence, taken at `time_s` seconds from the start of the log."""

    time_s: float

    @property
    def label(self) -> str:
        """What it is, in words."""
        ...

    def apply(self, state: Array, context: Context) -> None:
        """Update state means, covariances and log likelihood of all members in place."""
        ...

    def deviations(self, state: Array, context: Context) -> Array:
        """(n,) by how many of its standard deviations each member misses the reading."""
        ...


def kalman_update(
    state: Array,
    jacobian: dict[int, Array | float],
    innovation: Array,
    variance: Array | float,
    eta: float,
) -> None:
    """One scalar measurement in every member.

    Args:
        state: (STATE_ROWS, n), changed in place.
        jacobian: index of the Kalman state (0..4 for z, i1, i2, e, b) -> derivative.
        innovation: (n,) measured less predicted.
        variance: of the measurement.
        eta: see the module.
    """
    pht = [sum(h * _p(state, i, j) for j, h in jacobian.items()) for i in range(5)]
    s = sum(h * pht[i] for i, h in jacobian.items()) + variance
    state[k.LOGLIK] -= 0.5 * (innovation**2 / s + np.log(2.0 * np.pi * s)) / eta
    for i in range(5):
        state[i] += pht[i] / s * innovation
        for j in range(i, 5):
            _p(state, i, j)[...] -= pht[i] * pht[j] / s


@dataclass(frozen=True)
class RestedVoltage:
    """The bank's voltage after a rest.

    Attributes:
        voltage_v: of the whole bank [V].
        rested_hours: how long next to no current had flowed [h].
        reading_std_v: of the meter and of connections, whole bank [V].
    """

    time_s: float
    voltage_v: float
    rested_hours: float
    reading_std_v: float = 0.02

    @property
    def label(self) -> str:
        """What it is, in words."""
        return "rested voltage"

    def apply(self, state: Array, context: Context) -> None:
        jacobian, innovation, variance, _ = self._measured(state, context)
        kalman_update(state, jacobian, innovation, variance, context.eta)

    def deviations(self, state: Array, context: Context) -> Array:
        """(n,) by how many of its standard deviations each member misses the reading.

        No error of charge explains a voltage beyond empty or full: what lies beyond counts against
        the other errors alone.
        """
        jacobian, innovation, variance, beyond = self._measured(state, context)
        pairs = [(i, j, g * h) for i, g in jacobian.items() for j, h in jacobian.items()]
        std = np.sqrt(sum(gh * _p(state, i, j) for i, j, gh in pairs) + variance)
        return np.maximum(np.abs(innovation) / std, beyond)

    def _measured(
        self, state: Array, context: Context
    ) -> tuple[dict[int, Array | float], Array, Array, Array]:
        """Jacobian, innovation and variance of `kalman_update`, per cell [V]; and how far beyond
        the ends of the OCV the reading lies, in deviations that have nothing to do with charge."""
        cell = context.cell
        # the shift of the curves fades towards full, as in the filter
        z, moves = stands_at(state[k.Z], context.parameters[k.SHIFT], in_forecast=False)
        measured = self.voltage_v / context.scale.cells_in_series
        soc = np.array(cell.ocv.soc)
        ocv = np.array(cell.ocv.value)
        gap = np.interp(z, cell.hysteresis.soc, cell.hysteresis.value)
        entropy = np.interp(z, cell.entropy.soc, cell.entropy.value)
        celsius = context.temperature_c + context.parameters[k.TEMPERATURE_K]
        predicted = (
            np.interp(z, soc, ocv)
            + gap * context.parameters[k.HYSTERESIS] * state[k.H]
            + _curve_v(context.parameters, z)
            + (celsius - cell.reference_temperature_c) * entropy
        )
        offset = context.parameters[k.VOLTAGE_V]
        miss_v = measured - predicted - offset
        slope = _slope(z, miss_v, soc, ocv)
        given = (cell, context.error_scale)
        at_rest = (0.0, 0.0, np.array(context.temperature_c))  # neither current nor lag
        spread = error_std_v(*given, slope, *at_rest, lasting_share=context.lasting_share)
        # What has not relaxed yet: the slow branch's voltage after a fifth of the capacity an hour,
        # as much more in the cold as its resistance, falling with its time constant or an hour
        # (assumed; no model's time constant knows the cold), beside the meter's own error. The slow
        # 26650, simulated, has 11, 19 and 27 mV left an hour after a discharge at 25, 5 and -5 °C,
        # where this says 12, 19 and 26.
        slow_factor = temperature_factors(cell, celsius)[2]
        left = (
            0.2
            * cell.capacity_ah
            * cell.r2.ref_ohm
            * slow_factor
            * np.exp(-self.rested_hours * 3600.0 / max(cell.tau2_s, RELAXING_S))
        )
        variance = (self.reading_std_v / context.scale.cells_in_series) ** 2 + left**2
        stands_v = np.interp(z, soc, ocv) + miss_v
        beyond_v = np.abs(stands_v - np.clip(stands_v, ocv[0], ocv[-1]))
        beyond = beyond_v / np.sqrt(error_std_v(*given, 0.0, *at_rest) ** 2 + variance)
        return {0: slope * moves, 3: spread}, miss_v - spread * state[k.E], variance, beyond


def _curve_v(parameters: Array, z: Array) -> Array:
    """(n,) what each member's curve lies above its model's at z [V]."""
    at = np.clip(z, 0.0, 1.0) * (k.CURVE_NODES - 1)
    node = np.minimum(at.astype(int), k.CURVE_NODES - 2)
    left, right = (parameters[k.CURVE_V + node + side, np.arange(len(z))] for side in (0, 1))
    return left + (at - node) * (right - left)


def _slope(z: Array, miss_v: Array, soc: Array, ocv: Array) -> Array:
    """(n,) slope of the OCV at z [V]: the tangent, or the chord to where the curve stands
    `miss_v` [V] away, whichever is less.

    Near empty the tangent is so steep that a small error of charge would explain any voltage; the
    curve bends, and the chord says how far the charge must really move to explain this one.
    """
    step = 0.004
    tangent = (np.interp(z + step, soc, ocv) - np.interp(z - step, soc, ocv)) / (2.0 * step)
    here = np.interp(z, soc, ocv)
    there = np.interp(here + miss_v, ocv, soc)
    away = np.abs(there - z) >= step
    chord = (np.interp(there, soc, ocv) - here) / np.where(away, there - z, 1.0)
    return np.where(away, np.minimum(tangent, chord), tangent)


CLAIMED = 0.9  # a full charge that sure is claimed; one less sure may have been false (assumed)


@dataclass(frozen=True)
class FullCharge:
    """The monitor, or the owner, says the bank is full.

    It is full; or short by what a false full usually lacks; or the word says nothing of the charge:
    without that last a charge far from full would be pulled up by a false full no less than by a
    true one.

    Attributes:
        true_probability: that it is really full: 1 a watched full charge, 0.5 unsure.
        full_std: how far from 100 % a really full bank may be, 0..1.
        shortfall_mean, shortfall_std: charge missing at a false full, 0..1.
        anyhow: share of the false ones that come at any charge, none likelier (assumed).
    """

    time_s: float
    true_probability: float
    full_std: float = 0.01
    shortfall_mean: float = 0.11
    shortfall_std: float = 0.06
    anyhow: float = 0.1

    @property
    def label(self) -> str:
        """What it is, in words."""
        return "full charge"

    def apply(self, state: Array, context: Context) -> None:
        before = state.copy()
        false = 1.0 - self.true_probability
        branches = []
        for weight, mean, std in (
            (self.true_probability, 1.0, self.full_std),
            (false * (1.0 - self.anyhow), 1.0 - self.shortfall_mean, self.shortfall_std),
            (false * self.anyhow, None, None),
        ):
            branch = before.copy()
            branch[k.LOGLIK] = 0.0  # of a charge anywhere: its density over 0..1 is 1
            if mean is not None:
                kalman_update(branch, {0: 1.0}, mean - branch[k.Z], std**2, 1.0)
            with np.errstate(divide="ignore"):  # a weight of 0 leaves the other branches alone
                branch[k.LOGLIK] += np.log(weight)
            branches.append(branch)
        total = np.logaddexp.reduce([branch[k.LOGLIK] for branch in branches])
        # Three Gaussians become one of the same mean and covariance (moment matching).
        shares = [np.exp(branch[k.LOGLIK] - total) for branch in branches]
        mixed = list(zip(shares, branches, strict=True))
        for i in range(5):
            state[i] = sum(share * branch[i] for share, branch in mixed)
        for i in range(5):
            for j in range(i, 5):
                _p(state, i, j)[...] = sum(
                    share * (_p(branch, i, j) + (branch[i] - state[i]) * (branch[j] - state[j]))
                    for share, branch in mixed
                )
        state[k.LOGLIK] = before[k.LOGLIK] + total / context.eta

    def deviations(self, state: Array, context: Context) -> Array:
        """(n,) by how many of its standard deviations each member misses a full bank, where that is
        what is claimed; 0 where it may as well have been a false one: any charge goes with it."""
        if self.true_probability < CLAIMED:
            return np.zeros(state.shape[1])
        return np.abs(1.0 - state[k.Z]) / np.sqrt(_p(state, 0, 0) + self.full_std**2)


@dataclass(frozen=True)
class ClampReading:
    """The true current, measured at the battery post with a clamp meter.

    Attributes:
        current_a: positive into the bank [A].
        reading_std_a: of the meter [A].
        seen_a: what the display said at that moment [A]; the log's own value if None.
    """

    time_s: float
    current_a: float
    reading_std_a: float
    seen_a: float | None = None

    @property
    def label(self) -> str:
        """What it is, in words."""
        return "clamp-meter reading"

    def apply(self, state: Array, context: Context) -> None:
        innovation, variance = self._measured(state, context)
        kalman_update(state, {4: 1.0}, innovation, variance, context.eta)

    def deviations(self, state: Array, context: Context) -> Array:
        """(n,) by how many of its standard deviations each member misses the reading."""
        innovation, variance = self._measured(state, context)
        return np.abs(innovation) / np.sqrt(_p(state, 4, 4) + variance)

    def _measured(self, state: Array, context: Context) -> tuple[Array, float]:
        """Innovation and variance of `kalman_update`, per cell."""
        seen = context.seen_a if self.seen_a is None else self.seen_a
        scale = context.scale.cell_per_bank
        parameters = context.parameters
        predicted = (
            parameters[k.GAIN] * seen * scale
            - parameters[k.UNTRACKED_A] * context.untracked_on
            + state[k.B]
        )
        return self.current_a * scale - predicted, (self.reading_std_a * scale) ** 2


@dataclass(frozen=True)
class CapacityTest:
    """A capacity measured from full to cut-off at a low rate.

    Attributes:
        capacity_ah: of the bank [Ah].
        reading_std_ah: how well it was measured [Ah].
    """

    time_s: float
    capacity_ah: float
    reading_std_ah: float

    @property
    def label(self) -> str:
        """What it is, in words."""
        return "capacity test"

    def apply(self, state: Array, context: Context) -> None:
        state[k.LOGLIK] -= 0.5 * self.deviations(state, context) ** 2 / context.eta

    def deviations(self, state: Array, context: Context) -> Array:
        """(n,) by how many of its standard deviations each member misses the reading."""
        factor = temperature_factors(context.cell, np.array(context.temperature_c))[4]
        members_ah = context.parameters[k.CAPACITY_AH] / context.scale.cell_per_bank * factor
        return np.abs(self.capacity_ah - members_ah) / self.reading_std_ah


def missed_by(piece: Evidence, state: Array, context: Context) -> float:
    """By how many deviations the members miss a reading: all but a twentieth of them a voltage, all
    another one, which a load that few have may explain."""
    share = 0.05 if isinstance(piece, RestedVoltage) else 0.0
    return float(np.quantile(piece.deviations(state, context), share))
