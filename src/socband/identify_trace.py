"""The cell's equations along a record whose charge is known, fast enough to fit with.

Same equations as `socband.cell` (the tests hold the two together); the voltage is evaluated on
every `stride`-th row only, the recursions run over all of them. The cell warms by its losses.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from socband.cell import (
    ENTROPY,
    FAST_SHARE,
    FAST_TIME,
    GAP,
    LAG,
    OCV,
    R0,
    R1,
    R2,
    SLOW_SHARE,
)
from socband.models import GAS_J_PER_MOL_K, KELVIN

_KJ = 1e3 / GAS_J_PER_MOL_K
_EDGE = 1e-4


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _at(table, column, soc):
    n = table.shape[0] - 1
    x = min(max(soc, 0.0), 1.0) * n
    k = min(int(x), n - 1)
    return table[k, column] + (x - k) * (table[k + 1, column] - table[k, column])


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _sat(x, scale):
    return scale * math.asinh(x / scale)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def trace(table, s, dt_s, current_a, soc, air_c, stride, charge_ah, h0, heated):
    """Model voltage on rows 0, stride, 2·stride, … of a record.

    Args:
        table, s: of `socband.cell.CellTables`.
        dt_s, current_a, soc, air_c: (n,) step before each row [s], current over it [A], true
            charge, temperature around the cell [°C].
        stride: rows between two evaluations.
        charge_ah: capacity that scales the hysteresis [Ah].
        h0: hysteresis state at the start.
        heated: with self-heating?

    Returns:
        (ceil(n/stride), 5): voltage [V], cell temperature [°C], surface charge, hysteresis,
        diffusion current [A].
    """
    n = len(current_a)
    out = np.empty(((n + stride - 1) // stride, 5))
    i1 = 0.0
    i2 = 0.0
    i3 = 0.0
    h = h0
    warmer = 0.0  # of the cell than its surroundings [K]
    last_dt = -1.0
    a1 = a2 = a3 = 0.0
    slow_v = 0.0
    r0_now = 0.0
    charge_as = 0.0  # since the last evaluation
    square_a2s = 0.0
    passed_s = 0.0
    reference_k = s.reference_temperature_c + KELVIN
    for k in range(n):
        amp = current_a[k]
        if k > 0:
            dt = dt_s[k]
            if dt != last_dt:
                a1 = math.exp(-dt / s.tau1_s)
                a2 = math.exp(-dt / s.tau2_s)
                a3 = math.exp(-dt / (FAST_TIME * s.tau2_s))
                last_dt = dt
            i1 = a1 * i1 + (1.0 - a1) * amp
            i2 = a2 * i2 + (1.0 - a2) * amp
            i3 = a3 * i3 + (1.0 - a3) * amp
            if amp != 0.0:
                b = math.exp(-abs(s.decay * amp) * dt / (3600.0 * charge_ah))
                h = b * h + (1.0 - b) * (1.0 if amp > 0 else -1.0)
            charge_as += amp * dt
            square_a2s += amp * amp * dt
            passed_s += dt
        if k % stride:
            continue
        if heated and passed_s > 0.0:
            energy_w = (charge_as * slow_v + square_a2s * r0_now) / passed_s
            keep = math.exp(-passed_s * s.heat_conductance_w_per_k / s.heat_capacity_j_per_k)
            steady = energy_w / s.heat_conductance_w_per_k
            warmer = steady + (warmer - steady) * keep
        charge_as = square_a2s = passed_s = 0.0
        temperature_c = air_c[k] + warmer
        inverse = _KJ * (1.0 / (temperature_c + KELVIN) - 1.0 / reference_k)
        k0 = s.share0 + (1.0 - s.share0) * math.exp(s.activation0_kj_mol * inverse)
        k1 = s.share1 + (1.0 - s.share1) * math.exp(s.activation1_kj_mol * inverse)
        k2 = s.share2 + (1.0 - s.share2) * math.exp(s.activation2_kj_mol * inverse)
        k_lag = s.share_lag + (1.0 - s.share_lag) * math.exp(s.activation_lag_kj_mol * inverse)
        z = min(max(soc[k], _EDGE), 1.0 - _EDGE)
        slow_a = SLOW_SHARE * i2 + FAST_SHARE * i3
        g = _sat(k_lag * slow_a / s.capacity_ah, s.s_lag_c_rate)
        x = _at(table, LAG, z) * abs(g)
        z_s = z * math.exp(-x / z) if g < 0 else 1.0 - (1.0 - z) * math.exp(-x / (1.0 - z))
        entropy = _at(table, ENTROPY, z_s)
        gap_v = _at(table, GAP, z_s) * h
        r0_now = _at(table, R0, z_s) * k0
        rest_v = _at(table, OCV, z_s) + gap_v
        slow_v = _at(table, R1, z_s) * k1 * _sat(i1, s.s1_a / k1) + (
            _at(table, R2, z_s) * k2 * slow_a
        )
        row = k // stride
        out[row, 0] = (
            rest_v + (temperature_c - s.reference_temperature_c) * entropy + slow_v + r0_now * amp
        )
        out[row, 1] = temperature_c
        out[row, 2] = z_s
        out[row, 3] = h
        out[row, 4] = slow_a
        # Heat: current times overpotential, plus the entropic heat I·T·dU/dT.
        slow_v += rest_v - _at(table, OCV, soc[k]) - gap_v + (temperature_c + KELVIN) * entropy
    return out
