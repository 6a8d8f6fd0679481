"""The cell: equations on arrays, per cell. Plain reference of what `socband.kernels` does fast.

State: true charge z (0..1), branch currents i1, i2, i3 [A], hysteresis h (-1..1), temperature T.
With the current I positive into the cell and constant over a step Δt (exact steps):

    z   ← z + Δt·(η·I/(3600·Q) − self-discharge),     η on charge only, Q = capacity at T
    i_k ← a·i_k + (1−a)·I,                            a = exp(−Δt/τ_k),  τ3 = 0.162·τ2
    i_d = 0.495·i2 + 0.505·i3                         diffusion current
    h   ← b·h + (1−b)·sgn I,                          b = exp(−|γ·I·Δt/(3600·Q)|)
    U   = OCV(z_s) + (T−T_ref)·dU/dT(z_s) + M(z_s)·h
          + R0(z_s)·k0·I + R1(z_s)·k1·sat(i1, s1/k1) + R2(z_s)·k2·i_d

    k_x(T) = share + (1−share)·exp[(E/R)(1/T − 1/T_ref)],   sat(x, s) = s·asinh(x/s)
    g = sat(k_lag·i_d/capacity, s_lag);  x = λ(z)·|g|       surface lag, C-rate
    discharge: z_s = z·exp(−x/z);  charge: z_s = 1 − (1−z)·exp(−x/(1−z))

The hysteresis state is the one-state form of Plett 2004, J. Power Sources 134, 252-292; sat is the
inverse Butler-Volmer relation with equal transfer coefficients. The surface lag stands for
diffusion in the particles: it bends the low end and stays within 0..1 whatever the current. Its
two states are the slowest mode of a sphere after a step of current and all faster ones in one
(see `SLOW_SHARE`), so that a cell recovers from a burst as fast as it does.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from socband.models import GAS_J_PER_MOL_K, KELVIN, CellModel

Array = np.ndarray

INTERVALS = 1024
OCV, GAP, ENTROPY, R0, R1, R2, LAG, SLOPE = range(8)  # columns of the table
_EDGE = 1e-4
TAPER = 0.05  # over so much charge a shift of a cell's curves fades out, see `stands_at`

# The surface of a sphere approaches its steady lag as 1 - Σ w_n exp(-t/τ_n), w_n = 10/λ_n² and
# τ_n = R²/(D·λ_n²) with tan λ = λ (Crank, The Mathematics of Diffusion, chapter 6). The slowest
# mode (λ = 4.4934) counts for itself, all others for one of their mean time: Σ w_n τ_n = R²/(35·D).
SLOWEST_SQUARE = 4.493409457909064**2  # λ_1²
SLOW_SHARE = 10.0 / SLOWEST_SQUARE
FAST_SHARE = 1.0 - SLOW_SHARE
FAST_TIME = (SLOWEST_SQUARE / 35.0 - SLOW_SHARE) / FAST_SHARE  # of the slow one


class CellScalars(NamedTuple):
    """The numbers of a cell that are no tables, in the units of `CellModel`; `s1_a` in ampere."""

    capacity_ah: float
    tau1_s: float
    tau2_s: float
    s1_a: float
    s_lag_c_rate: float
    share0: float
    share1: float
    share2: float
    share_lag: float
    activation0_kj_mol: float
    activation1_kj_mol: float
    activation2_kj_mol: float
    activation_lag_kj_mol: float
    decay: float
    reference_temperature_c: float
    coulombic_efficiency: float
    self_discharge_per_day: float
    heat_capacity_j_per_k: float
    heat_conductance_w_per_k: float
    lower_v: float
    upper_v: float


@dataclass(frozen=True, eq=False)
class CellTables:
    """A cell model laid out for computing.

    Attributes:
        table: (1025, 8) on z = k/1024: OCV [V], M [V], dU/dT [V/K], R0, R1, R2 [ohm] at T_ref,
            λ [1 per C-rate], dOCV/dz [V].
        scalars: everything else.
        capacity_temperature_c, capacity_fraction: usable capacity against temperature.
    """

    table: Array
    scalars: CellScalars
    capacity_temperature_c: Array
    capacity_fraction: Array

    @classmethod
    def from_model(cls, cell: CellModel) -> CellTables:
        """Interpolate every table of the model to the uniform grid."""
        return _tables_of(cell)


@lru_cache(maxsize=64)
def _tables_of(cell: CellModel) -> CellTables:
    z = np.arange(INTERVALS + 1) / INTERVALS
    table = np.empty((INTERVALS + 1, 8))
    for column, curve in ((OCV, cell.ocv), (GAP, cell.hysteresis), (ENTROPY, cell.entropy)):
        table[:, column] = np.interp(z, curve.soc, curve.value)
    for column, part in ((R0, cell.r0), (R1, cell.r1), (R2, cell.r2)):
        table[:, column] = part.ref_ohm * np.interp(z, part.soc, part.factor)
    table[:, LAG] = np.interp(z, cell.lag.soc, cell.lag.value)
    table[:, SLOPE] = np.gradient(table[:, OCV], 1.0 / INTERVALS)
    table.flags.writeable = False
    scalars = CellScalars(
        capacity_ah=cell.capacity_ah,
        tau1_s=cell.tau1_s,
        tau2_s=cell.tau2_s,
        s1_a=cell.saturation_1_c_rate * cell.capacity_ah,
        s_lag_c_rate=cell.lag.saturation_c_rate,
        share0=cell.r0.share,
        share1=cell.r1.share,
        share2=cell.r2.share,
        share_lag=cell.lag.share,
        activation0_kj_mol=cell.r0.activation_kj_mol,
        activation1_kj_mol=cell.r1.activation_kj_mol,
        activation2_kj_mol=cell.r2.activation_kj_mol,
        activation_lag_kj_mol=cell.lag.activation_kj_mol,
        decay=cell.hysteresis_decay,
        reference_temperature_c=cell.reference_temperature_c,
        coulombic_efficiency=cell.coulombic_efficiency,
        self_discharge_per_day=cell.self_discharge_per_day,
        heat_capacity_j_per_k=cell.heat_capacity_j_per_k,
        heat_conductance_w_per_k=cell.heat_conductance_w_per_k,
        lower_v=cell.lower_v,
        upper_v=cell.upper_v,
    )
    curve = cell.capacity_temperature
    return CellTables(table, scalars, np.array(curve.temperature_c), np.array(curve.value))


def _tables(cell: CellModel | CellTables) -> CellTables:
    return cell if isinstance(cell, CellTables) else _tables_of(cell)


def look_up(tables: CellTables, column: int, soc: Array) -> Array:
    """A column of the table at any charge, straight lines between its rows, held beyond 0..1."""
    x = np.clip(np.asarray(soc, dtype=float), 0.0, 1.0) * INTERVALS
    k = np.minimum(x.astype(np.int64), INTERVALS - 1)
    values = tables.table[:, column]
    return values[k] + (x - k) * (values[k + 1] - values[k])


def arrhenius(activation_kj_mol: Array, temperature_c: Array, reference_c: float = 25.0) -> Array:
    """exp[(E/R)(1/T − 1/T_ref)]: above 1 when it is colder than the reference.

    Args:
        activation_kj_mol: E [kJ/mol].
        temperature_c: T [°C], broadcast against E.
        reference_c: T_ref [°C].
    """
    inverse = 1.0 / (np.asarray(temperature_c) + KELVIN) - 1.0 / (reference_c + KELVIN)
    return np.exp(np.asarray(activation_kj_mol) * 1e3 / GAS_J_PER_MOL_K * inverse)


def temperature_factors(
    cell: CellModel | CellTables, temperature_c: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """k0, k1, k2, k_lag and the capacity factor at a temperature [°C] of any shape."""
    tables = _tables(cell)
    s = tables.scalars
    temperature_c = np.asarray(temperature_c, dtype=float)

    def factor(share: float, activation: float) -> Array:
        return share + (1.0 - share) * arrhenius(
            activation, temperature_c, s.reference_temperature_c
        )

    capacity = np.interp(temperature_c, tables.capacity_temperature_c, tables.capacity_fraction)
    return (
        factor(s.share0, s.activation0_kj_mol),
        factor(s.share1, s.activation1_kj_mol),
        factor(s.share2, s.activation2_kj_mol),
        factor(s.share_lag, s.activation_lag_kj_mol),
        capacity,
    )


def polarisation_factor(cell: CellModel | CellTables, temperature_c: Array) -> Array:
    """Resistance R0 + R1 + R2 at half charge over that at T_ref, for temperatures of any shape.

    What a model errs by under load grows with the overpotential, and so with the cold.
    """
    tables = _tables(cell)
    parts = np.array([float(look_up(tables, column, np.array(0.5))) for column in (R0, R1, R2)])
    factors = np.stack(temperature_factors(tables, temperature_c)[:3], axis=-1)
    return factors @ (parts / parts.sum())


def saturate(x: Array, scale: Array) -> Array:
    """sat(x, s) = s·asinh(x/s): x when small, logarithmic when large."""
    return scale * np.arcsinh(np.asarray(x) / scale)


def diffusion_current(i2_a: Array, i3_a: Array) -> Array:
    """i_d [A]: what the surface lag and the slow resistance see of the two diffusion modes."""
    return SLOW_SHARE * np.asarray(i2_a) + FAST_SHARE * np.asarray(i3_a)


def surface_soc(
    cell: CellModel | CellTables, soc: Array, diffusion_a: Array, temperature_c: Array = 25.0
) -> Array:
    """Surface charge z_s, 0..1, from the mean charge and the diffusion current.

    Args:
        soc, diffusion_a, temperature_c: broadcast against each other; [1], [A], [°C].
    """
    tables = _tables(cell)
    s = tables.scalars
    k_lag = temperature_factors(tables, temperature_c)[3]
    z = np.clip(np.asarray(soc, dtype=float), _EDGE, 1.0 - _EDGE)
    g = saturate(k_lag * np.asarray(diffusion_a) / s.capacity_ah, s.s_lag_c_rate)
    x = look_up(tables, LAG, z) * np.abs(g)
    return np.where(g < 0, z * np.exp(-x / z), 1.0 - (1.0 - z) * np.exp(-x / (1.0 - z)))


def stands_at(soc: Array, charge_shift: Array, *, in_forecast: bool = True) -> tuple[Array, Array]:
    """Charge at which a cell's own curves stand on its model's, and its slope.

    A shift along the charge counts in full between `TAPER` above empty and `TAPER` below full. At
    full it is nothing, whatever the cell: there charge is defined. At empty, in a forecast, a cell
    whose curves stand left of its model's (a shift above 0) is as empty as the model: there is no
    charge below none. One whose curves stand right is empty, for its voltage, with some of its
    charge left. What conditions on a voltage has to find out where empty lies, and lets the shift
    stand there. Both are compiled in `kernels_shift`.

    Args:
        soc: true charge, 0..1.
        charge_shift: see `unknowns.Members`; below `TAPER` in size. With a larger one the curves
            turn back near full: a forecast takes a slope of 0 there.
        in_forecast: or in what conditions on a voltage?

    Returns:
        The charge on the model's curves, and its derivative by the true one.
    """
    soc, shift = np.broadcast_arrays(soc, charge_shift)
    full = (1.0 - soc) / TAPER
    near_full = (full > 0.0) & (full < 1.0)
    slope = np.where(near_full, 1.0 - shift / TAPER, 1.0)
    if not in_forecast:
        return soc + shift * np.clip(full, 0.0, 1.0), slope
    empty = np.where(shift > 0.0, soc / TAPER, 1.0)
    at = soc + shift * np.clip(np.minimum(full, empty), 0.0, 1.0)
    near_empty = (empty > 0.0) & (empty < 1.0)
    return at, np.where(near_empty, 1.0 + shift / TAPER, np.maximum(slope, 0.0))


def voltage(
    cell: CellModel | CellTables,
    soc: Array,
    i1_a: Array,
    diffusion_a: Array,
    hysteresis: Array,
    current_a: Array,
    temperature_c: Array = 25.0,
) -> Array:
    """Terminal voltage U of one cell [V]; all arguments broadcast (see the module's equations)."""
    tables = _tables(cell)
    s = tables.scalars
    k0, k1, k2, _, _ = temperature_factors(tables, temperature_c)
    z_s = surface_soc(tables, soc, diffusion_a, temperature_c)
    warmer = np.asarray(temperature_c) - s.reference_temperature_c
    return (
        look_up(tables, OCV, z_s)
        + warmer * look_up(tables, ENTROPY, z_s)
        + look_up(tables, GAP, z_s) * hysteresis
        + look_up(tables, R0, z_s) * k0 * current_a
        + look_up(tables, R1, z_s) * k1 * saturate(i1_a, s.s1_a / k1)
        + look_up(tables, R2, z_s) * k2 * diffusion_a
    )


class Simulated(NamedTuple):
    """What `simulate` returns; every array (..., n) like the current."""

    soc: Array
    i1_a: Array
    i2_a: Array
    i3_a: Array
    hysteresis: Array
    temperature_c: Array
    voltage_v: Array


def simulate(
    cell: CellModel | CellTables,
    time_s: Array,
    current_a: Array,
    temperature_c: Array,
    soc0: Array,
    h0: Array = 0.0,
    *,
    i1_0_a: Array = 0.0,
    i2_0_a: Array = 0.0,
    i3_0_a: Array = 0.0,
    capacity_ah: float | None = None,
    self_heating: bool = False,
) -> Simulated:
    """Run the cell through a current; current_a[k] flows from time_s[k−1] to time_s[k].

    The first row is the starting state under current_a[0].

    Args:
        time_s: (n,) increasing [s].
        current_a: (..., n) [A], positive = charge.
        temperature_c: scalar or (..., n) [°C]: of the cell, or of the air with `self_heating`.
        soc0, h0, i1_0_a, i2_0_a, i3_0_a: starting state, scalar or (...).
        capacity_ah: at T_ref; None takes the model's. C-rates always use the model's.
        self_heating: let the cell warm: C·dT/dt = I·(U − OCV − M·h) + I·T·dU/dT − hA·(T − T_air).
    """
    tables = _tables(cell)
    s = tables.scalars
    time_s = np.asarray(time_s, dtype=float)
    current_a = np.asarray(current_a, dtype=float)
    air_c = np.broadcast_to(np.asarray(temperature_c, dtype=float), current_a.shape)
    full_ah = s.capacity_ah if capacity_ah is None else capacity_ah
    lead = current_a.shape[:-1]
    start = (soc0, h0, i1_0_a, i2_0_a, i3_0_a)
    z, h, i1, i2, i3 = (np.array(np.broadcast_to(x, lead), float) for x in start)
    warm_c = np.array(air_c[..., 0])
    out = Simulated(*(np.empty_like(current_a) for _ in Simulated._fields))
    for k in range(len(time_s)):
        current = current_a[..., k]
        if k:
            dt_s = time_s[k] - time_s[k - 1]
            if not self_heating:
                warm_c = air_c[..., k]
            charge_ah = 3600.0 * full_ah * temperature_factors(tables, warm_c)[4]
            eta = np.where(current > 0, s.coulombic_efficiency, 1.0)
            z = z + dt_s * (eta * current / charge_ah - s.self_discharge_per_day / 86400.0)
            a1, a2 = np.exp(-dt_s / s.tau1_s), np.exp(-dt_s / s.tau2_s)
            a3 = np.exp(-dt_s / (FAST_TIME * s.tau2_s))
            i1 = a1 * i1 + (1.0 - a1) * current
            i2 = a2 * i2 + (1.0 - a2) * current
            i3 = a3 * i3 + (1.0 - a3) * current
            b = np.exp(-np.abs(s.decay * current) * dt_s / charge_ah)
            h = b * h + (1.0 - b) * np.sign(current)
        diffusion = diffusion_current(i2, i3)
        volt = voltage(tables, z, i1, diffusion, h, current, warm_c)
        for store, value in zip(out, (z, i1, i2, i3, h, warm_c, volt), strict=True):
            store[..., k] = value
        if self_heating and k + 1 < len(time_s):
            rest = look_up(tables, OCV, z) + look_up(tables, GAP, z) * h
            slope = look_up(tables, ENTROPY, surface_soc(tables, z, diffusion, warm_c))
            warmer = warm_c - s.reference_temperature_c
            watt = current * (volt - rest - warmer * slope + (warm_c + KELVIN) * slope)
            keep = np.exp(
                -(time_s[k + 1] - time_s[k]) * s.heat_conductance_w_per_k / s.heat_capacity_j_per_k
            )
            steady = air_c[..., k + 1] + watt / s.heat_conductance_w_per_k
            warm_c = steady + (warm_c - steady) * keep
    return out
