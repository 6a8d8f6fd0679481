"""The smooth, bounded parametrisation of a cell and its least-squares fit to records.

All parameters are logarithms (shares: logits) in units of their family's spread, so every prior is
a unit normal and the start is zero: nothing has to be tuned by hand for another capacity. The
residuals are 60 s means of the voltage error and what is left within them, weighted by what a
small error of the charge does where the OCV is steep, with an asinh against outliers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband import identify_family as family
from socband.cell import ENTROPY, GAP, LAG, OCV, R0, R1, R2, SLOPE, CellScalars, CellTables
from socband.identify_ocv import GRID, rising
from socband.identify_parameters import (
    LAG_NODES,
    NAMES,
    OCV_MOVES,
    SIZE,
    curve_moves,
    factors,
    numbers,
    prior_residuals,
)
from socband.identify_trace import trace
from socband.logs import Log, charge_ah

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

Array = np.ndarray

_FLOOR_V = 3e-3
_SOC_ERROR = 4e-3
_OVER = 0.03  # of the overpotential that a record has beyond the calmest one's
_MEAN_S = 60.0
_RAW_WEIGHT = 0.3
BOUND = 4.0  # of a parameter, in spreads of its prior
SOFT = 4.0  # weighted errors beyond this count less
# Least squares ends in the nearest valley, and the lag has two: it saturates, or it does not.
_STARTS = ({}, {"saturation_lag_c_rate": 2.0})
# A third is that of a cell with next to no lag, 0.015 an hour's charge: from the usual lag the low
# end of its OCV bends away first. Few rounds show whether it is deeper than the other two.
_HARDLY_ANY_LAG = -2.5
_ROUNDS_TO_SEE = 8
# Near a bound the steps grow small, and a fit seems to have ended. It begins once more a little
# nearer to the priors, until that brings no more than a thousandth.
_INWARD, _GAIN, _AGAIN = 0.98, 1e-3, 4


@dataclass(frozen=True)
class Record:
    """A record whose true charge is known, ready to be traced.

    Attributes:
        name, temperature_c: [°C] of the air around the cell.
        log: the record.
        soc: (n,) true charge.
        capacity_ah: at this temperature.
        h0: hysteresis state at the start.
        stride: rows between evaluations.
        block: evaluations in a 60 s mean.
    """

    name: str
    temperature_c: float
    log: Log
    soc: Array
    capacity_ah: float
    h0: float
    stride: int
    dt_s: Array
    air_c: Array
    starts: Array  # first evaluation of each 60 s block
    blocks: Array  # block of each evaluation

    @classmethod
    def from_log(
        cls,
        log: Log,
        temperature_c: float,
        capacity_ah: float,
        start_soc: float = 1.0,
        h0: float = 1.0,
        evaluate_every_s: float = 5.0,
    ) -> Record:
        """With the true charge from the instrument's counters where there are any."""
        soc = log.true_soc if log.true_soc is not None else start_soc + charge_ah(log) / capacity_ah
        dt_s = np.diff(log.time_s, prepend=log.time_s[0])
        usual_s = float(np.median(dt_s[1:]))
        # At least 1200 evaluations where the record has them, at most 8000.
        lasts_s = float(log.time_s[-1] - log.time_s[0])
        every_s = min(max(evaluate_every_s, lasts_s / 8000.0), lasts_s / 1200.0)
        stride = max(1, round(every_s / usual_s))
        times = log.time_s[::stride] - log.time_s[0]
        blocks = (times / _MEAN_S).astype(np.int64)
        blocks = np.unique(blocks, return_inverse=True)[1]
        starts = np.concatenate([[0], np.flatnonzero(np.diff(blocks)) + 1])
        air_c = np.full(len(log), temperature_c) if log.temperature_c is None else log.temperature_c
        return cls(log.name, temperature_c, log, soc, capacity_ah, h0, stride, dt_s, air_c,
                   starts, blocks)  # fmt: skip

    def traced(self, tables: CellTables, *, every: bool = False, heated: bool = True) -> Array:
        """See `socband.identify_trace.trace`; `every` = on all rows.

        A temperature measured on the cell holds its own heat already.
        """
        heated = heated and not self.log.temperature_is_of_cell
        return trace(
            tables.table, tables.scalars, self.dt_s, self.log.current_a, self.soc, self.air_c,
            1 if every else self.stride, self.capacity_ah, self.h0, heated,
        )  # fmt: skip

    def means(self, values: Array) -> Array:
        """60 s means of values at the evaluations."""
        return np.add.reduceat(values, self.starts) / np.diff([*self.starts, len(values)])


@dataclass(frozen=True)
class Frame:
    """What the fit holds fixed.

    Attributes:
        capacity_ah: at the reference temperature.
        step_ohm: measured step resistance.
        entropy_v_per_k: (1025,).
        rest: gives (OCV, M) for the present parameters' tables.
        bare: scalars that are not fitted.
        capacity_temperature_c, capacity_fraction: see `CellTables`.
        priors: by name, as `identify_family.PRIORS`.
        soft: weighted errors beyond this count less.
        r_spread: of the logarithm of the factors of R0, R1, R2.
        entropy_spread: of entropy_v_per_k.
        ocv_moves_v: how far the records of the fit may move the OCV, one standard deviation [V],
            and with it dU/dT by its spread; 0: both are held.
        gap_measured: was hysteresis measured?
        charge_assumed: is the true charge of a record no more than a guess?
    """

    capacity_ah: float
    step_ohm: float
    entropy_v_per_k: Array
    rest: Callable[[CellTables], tuple[Array, Array]]
    bare: CellScalars
    capacity_temperature_c: Array
    capacity_fraction: Array
    priors: dict[str, family.Prior]
    soft: float = SOFT
    r_spread: tuple[float, float, float] = family.R_SPREAD
    entropy_spread: float = family.ENTROPY_SPREAD
    ocv_moves_v: float = 0.0
    gap_measured: bool = True
    charge_assumed: bool = False


def tables_of(p: Array, frame: Frame) -> CellTables:
    """The cell of a parameter vector, OCV and hysteresis made to agree with the rest."""
    v = numbers(p, frame.priors)
    f0, f1, f2, lag = factors(p, frame.r_spread)
    table = np.empty((len(GRID), 8))
    ocv_moves, entropy_moves = curve_moves(p, GRID)
    table[:, ENTROPY] = frame.entropy_v_per_k + frame.entropy_spread * entropy_moves
    for column, name, factor in ((R0, "r0", f0), (R1, "r1", f1), (R2, "r2", f2)):
        table[:, column] = frame.step_ohm * v[name] * np.interp(GRID, family.R_SOC, factor)
    table[:, LAG] = np.interp(GRID, family.LAG_SOC, lag)
    q = frame.capacity_ah
    scalars = frame.bare._replace(
        capacity_ah=q,
        tau1_s=v["tau1_s"],
        tau2_s=v["tau2_s"],
        s1_a=v["saturation_1_c_rate"] * q,
        s_lag_c_rate=v["saturation_lag_c_rate"],
        share0=v["share0"],
        share1=v["share1"],
        share2=v["share2"],
        share_lag=v["share_lag"],
        activation0_kj_mol=v["activation0"],
        activation1_kj_mol=v["activation1"],
        activation2_kj_mol=v["activation2"],
        activation_lag_kj_mol=v["activation_lag"],
        decay=v["decay"],
        heat_capacity_j_per_k=v["heat_capacity"] * q,
        heat_conductance_w_per_k=v["heat_conductance"] * (q / 2.0) ** (2.0 / 3.0),
    )
    tables = CellTables(table, scalars, frame.capacity_temperature_c, frame.capacity_fraction)
    ocv, table[:, GAP] = frame.rest(tables)
    table[:, OCV] = rising(ocv + frame.ocv_moves_v * ocv_moves)
    table[:, SLOPE] = np.gradient(table[:, OCV], GRID)
    return tables


def ocv_doubt_v(frame: Frame) -> float:
    """How far the curves move if the usual resistances and the lag are off by one spread.

    Low-rate branches stand off the OCV by what these make of their current. Rms over 10 to 95 %
    [V]; 0 for an OCV from rested voltages.
    """
    moved = np.zeros(SIZE)
    moved[[NAMES.index(name) for name in ("r0", "r1", "r2")]] = 1.0
    moved[LAG_NODES] = 1.0
    ocv = [frame.rest(tables_of(p, frame))[0] for p in (np.zeros(SIZE), moved)]
    middle = (GRID >= 0.1) & (GRID <= 0.95)
    return float(np.sqrt(np.mean((ocv[1] - ocv[0])[middle] ** 2)))


def record_residuals(
    tables: CellTables, record: Record, weight: Array, soft: float = SOFT
) -> Array:
    """Weighted, softened voltage errors of one record."""
    model = record.traced(tables)[:, 0]
    error = model - record.log.voltage_v[:: record.stride]
    mean = record.means(error)
    within = error - mean[record.blocks]
    slow = soft * np.arcsinh(mean * record.means(weight) / soft)
    thin = max(1, len(within) // 2500)
    fast = _RAW_WEIGHT * soft * np.arcsinh((within * weight)[::thin] / soft)
    return np.concatenate([slow, fast])


def weights_of(tables: CellTables, records: Sequence[Record]) -> list[Array]:
    """1/(3 mV, what 0.4 % of charge does to the OCV, and a share of the overpotential), [1/V].

    The last part counts what a record's overpotential has beyond the calmest record's: a cold cell
    misses by more than a warm one, and must not bend the warm one's numbers.
    """
    slopes, usual = [], []
    for record in records:
        soc = record.soc[:: record.stride]
        over = record.log.voltage_v[:: record.stride] - np.interp(soc, GRID, tables.table[:, OCV])
        middle = (soc > 0.2) & (soc < 0.95)
        usual.append(float(np.sqrt(np.mean(over[middle] ** 2))) if middle.any() else 0.0)
        slopes.append(np.interp(soc, GRID, tables.table[:, SLOPE]))
    floors = [np.hypot(_FLOOR_V, _OVER * (u - min(usual))) for u in usual]
    return [
        1.0 / np.hypot(floor, _SOC_ERROR * slope)
        for floor, slope in zip(floors, slopes, strict=True)
    ]


@dataclass(frozen=True)
class Fit:
    """The fitted parameter vector, its covariance, and how it went.

    Attributes:
        p: (SIZE,) in units of the priors' spreads.
        covariance: (SIZE, SIZE), less the moves of curves that are held, from the Jacobian; data
            counted once per correlation time.
        cost: half the sum of squares at the end.
        evaluations: of the residuals.
    """

    p: Array
    covariance: Array
    cost: float
    evaluations: int


def fit_dynamic(records: Sequence[Record], frame: Frame, *, rounds: int = 25) -> Fit:
    """Fit all parameters to records whose charge is known, from the priors, with a lag that hardly
    saturates, and with hardly any; the best end is kept.

    Args:
        records: at least one.
        frame: what is held fixed.
        rounds: most iterations.
    """
    # The same weights whatever the start, or the ends could not be compared.
    weights = weights_of(tables_of(np.zeros(SIZE), frame), records)
    fits = [_fit_from(_start(moved), records, weights, frame, rounds) for moved in _STARTS]
    best = min(fits, key=lambda fit: fit.cost)
    small = _start({}, lag=_HARDLY_ANY_LAG)
    seen = _fit_from(small, records, weights, frame, min(rounds, _ROUNDS_TO_SEE))
    if seen.cost >= best.cost:
        return best
    return _fit_from(seen.p, records, weights, frame, rounds)


def fit_shortly(records: Sequence[Record], frame: Frame) -> Fit:
    """A few rounds from the priors, to see how well records can be fitted at all."""
    weights = weights_of(tables_of(np.zeros(SIZE), frame), records)
    return _fit_from(_start({}), records, weights, frame, _ROUNDS_TO_SEE)


def _start(moved: dict[str, float], lag: float = 0.0) -> Array:
    p = np.zeros(SIZE)
    p[LAG_NODES] = lag
    for name, spreads in moved.items():
        p[NAMES.index(name)] = spreads
    return p


def _fit_from(
    p0: Array, records: Sequence[Record], weights: list[Array], frame: Frame, rounds: int
) -> Fit:
    from scipy.optimize import least_squares

    # Curves that are held have nothing to fit.
    size = SIZE if frame.ocv_moves_v > 0.0 else OCV_MOVES.start

    def residuals(x: Array) -> Array:
        tables = tables_of(np.concatenate([x, p0[size:]]), frame)
        parts = [
            record_residuals(tables, record, weight, frame.soft)
            for record, weight in zip(records, weights, strict=True)
        ]
        return np.concatenate([*parts, prior_residuals(x)])

    def ended(start: Array) -> OptimizeResult:
        return least_squares(
            residuals, start, bounds=(-BOUND, BOUND), max_nfev=rounds, x_scale=1.0, diff_step=1e-4,
            ftol=1e-5, xtol=1e-5,
        )  # fmt: skip

    result, evaluations = _begun_again(ended, p0[:size], _AGAIN if rounds > _ROUNDS_TO_SEE else 0)
    n_prior = len(prior_residuals(p0[:size]))
    data, prior = result.jac[:-n_prior], result.jac[-n_prior:]
    left = result.fun[:-n_prior]
    # Neighbouring 60 s means are hardly independent: one observation per correlation time.
    thinning = max(1.0, 2.0 * _correlation_s(left) / _MEAN_S)
    scale = max(float(np.mean(left**2)), 1e-3) * thinning
    covariance = np.linalg.pinv(data.T @ data / scale + prior.T @ prior)
    p = np.concatenate([result.x, p0[size:]])
    return Fit(p, covariance, float(result.cost), evaluations)


def _begun_again(
    ended: Callable[[Array], OptimizeResult], p0: Array, most: int
) -> tuple[OptimizeResult, int]:
    """Where a fit ends that begins again, a little nearer to the priors, while that pays.

    Args:
        ended: where it ends that begins at a point, with its `x`, `cost` and `nfev`.
        p0: where it begins first.
        most: times that it begins again.

    Returns:
        the best end, and the evaluations of all.
    """
    result = ended(p0)
    evaluations = result.nfev
    for _ in range(most):
        other = ended(_INWARD * result.x)
        evaluations += other.nfev
        enough = other.cost > (1.0 - _GAIN) * result.cost
        result = min(result, other, key=lambda end: end.cost)
        if enough:
            break
    return result, int(evaluations)


def _correlation_s(left: Array) -> float:
    """Integrated correlation time of the slow residuals, in seconds; crude but bounded."""
    x = left - left.mean()
    total = float(x @ x)
    if total == 0.0:
        return _MEAN_S
    sum_ = 0.5
    for lag in range(1, 60):
        rho = float(x[:-lag] @ x[lag:]) / total
        if rho < 0.05:
            break
        sum_ += rho
    return _MEAN_S * sum_
