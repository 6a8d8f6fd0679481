"""One step of many members side by side: the arithmetic of `kernels_lanes`, compiled to vectors.

The lanes' numbers lie in one flat array, row after row of `LANES` members. The first function moves
the state by each lane's own step, the others evaluate the cell where it arrived.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from socband.kernels_bank import (
    C_CAPACITY,
    C_CONDUCTANCE,
    C_EFFICIENCY,
    C_GAMMA,
    C_HEAT,
    C_LEAK,
    C_SAT1,
    C_SAT_LAG,
    C_T_REF,
    C_TAU1,
    C_TAU2,
    ENTROPY,
    GAP,
    LAG,
    OCV,
    R0,
    R1,
    R2,
)

LANES = 48
FINEST_S = 2.0
VOLT_STEP = 0.012
TINY_S = 1e-6
NULL_S = 1e-9
MOST_TRIES = 50.0  # a step is taken back so often and no more, whatever the limits do

# Where the rows of the lanes' array begin. One flat array with constant distances between rows is
# what lets the compiler see that they do not overlap.
(
    Z, I1, I2, H, T, ZS, I1S, I2S, HS, TS,  # state, and where the step began
    NOW, DT, EVENT, GRADE, CAP,  # clock, step, next event, next step's grade, cap on it
    QS, PAR, LEAD, RF, AMB, SWING, WARM,  # what a member is
    K0, K1, K2, KL, TF,  # temperature factors and the temperature they are for
    P, A,  # loads
    NL, V1, DS, RR0, RR1, RR2, SLOPE, REST, ENT, LAM, GAPV, SURF, BEND,  # evaluated
    M0, M1, PM0, PM1, VD, VC, BELOW0, BELOW1, DELAY0, DELAY1,  # limits
    ATTENTION, OUT_AH, LOAD_J, LOSS_J, BATTERY_J, STEPS, GRID, QV, TOTAL, UMEAN, K1INV, TRIES, LAGR,

) = range(0, 65 * LANES, LANES)  # fmt: skip
SIZE = 65 * LANES

_VECTOR = njit(
    cache=True, nogil=True, error_model="numpy", fastmath={"contract", "nsz"}, inline="never"
)


def _asinh_series() -> tuple[float, ...]:
    """Chebyshev interpolation of asinh(√y)/√y on 0..1, as coefficients of powers of y."""
    x = np.cos(np.pi * (np.arange(17) + 0.5) / 17)
    y = np.maximum(0.5 * (x + 1.0), 1e-300)
    chebyshev = np.polynomial.chebyshev.Chebyshev.fit(
        y, np.arcsinh(np.sqrt(y)) / np.sqrt(y), 16, domain=[0.0, 1.0]
    )
    power = chebyshev.convert(kind=np.polynomial.Polynomial, domain=[-1, 1], window=[-1, 1])
    return tuple(float(c) for c in power.coef)


(
    _A0, _A1, _A2, _A3, _A4, _A5, _A6, _A7, _A8,
    _A9, _A10, _A11, _A12, _A13, _A14, _A15, _A16,
) = _asinh_series()  # fmt: skip


@njit
def asinh_small(q):
    """asinh for |q| <= 1, to 1e-12."""
    y = q * q
    s = _A12 + y * (_A13 + y * (_A14 + y * (_A15 + y * _A16)))
    s = _A7 + y * (_A8 + y * (_A9 + y * (_A10 + y * (_A11 + y * s))))
    return q * (_A0 + y * (_A1 + y * (_A2 + y * (_A3 + y * (_A4 + y * (_A5 + y * (_A6 + y * s)))))))


@njit
def exp_short(x):
    """Taylor series of the exponential to x¹¹/11!: 3e-11 for |x| <= 0.7, 1e-13 for 0.4."""
    s = 1.0 / 362880.0 + x * (1.0 / 3628800.0 + x * (1.0 / 39916800.0))
    s = 1.0 / 720.0 + x * (1.0 / 5040.0 + x * (1.0 / 40320.0 + x * s))
    return 1.0 + x * (
        1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0 + x * (1.0 / 120.0 + x * s))))
    )


@njit
def exp_negative(x):
    """exp(x) for x <= 0: the series at x/128, squared seven times; 0 < -45 is held at exp(-45)."""
    s = exp_short(max(x, -45.0) * (1.0 / 128.0))
    s = s * s
    s = s * s
    s = s * s
    s = s * s
    s = s * s
    s = s * s
    return s * s


@_VECTOR
def step_lanes(w, cell):
    """Every lane one step on: its length, its mean current, its new state."""
    tau1 = cell[C_TAU1]
    tau2 = cell[C_TAU2]
    inv1 = 1.0 / tau1
    inv2 = 1.0 / tau2
    leak = cell[C_LEAK]
    efficiency = cell[C_EFFICIENCY]
    gamma = cell[C_GAMMA]
    heat_inv = 1.0 / cell[C_HEAT]
    conductance = cell[C_CONDUCTANCE]
    conductance_inv = 1.0 / conductance
    cooling = conductance * heat_inv
    for k in range(LANES):
        left = w[EVENT + k] - w[NOW + k]
        steep = w[SLOPE + k] * abs(w[I2 + k]) * w[QS + k]
        dt = min(w[GRADE + k], w[CAP + k])
        dt = min(dt, max(VOLT_STEP / (steep + 1e-12), FINEST_S))
        # No stretching of the shortest steps: one that was taken back would come back as it was.
        w[DT + k] = left if (dt > left - 0.5) & (dt > FINEST_S) else min(dt, left)
        w[GRADE + k] = min(max(3.0 * w[GRADE + k], 5.0), 300.0)
        w[PM0 + k] = w[M0 + k]
        w[PM1 + k] = w[M1 + k]
        w[STEPS + k] += 1.0
    for k in range(LANES):
        dt = w[DT + k]
        inv_dt = 1.0 / dt
        a1 = exp_negative(-dt * inv1)
        a2 = exp_negative(-dt * inv2)
        f1 = 1.0 - (1.0 - a1) * tau1 * inv_dt
        f2 = 1.0 - (1.0 - a2) * tau2 * inv_dt
        qs = w[QS + k]
        i1 = w[I1 + k]
        i2 = w[I2 + k]
        r1 = w[RR1 + k] * w[DS + k] * f1
        e = w[NL + k] + w[V1 + k] - r1 * i1 + (w[RR2 + k] * (1.0 - f2) - w[LAGR + k] * f2) * i2
        rc = w[RR0 + k] + r1 + (w[RR2 + k] + w[LAGR + k]) * f2
        r = (rc + 0.5 * w[SLOPE + k] * dt * qs) * w[PAR + k] + w[LEAD + k]
        half = 0.5 * (e - r * w[A + k])
        root = half * half - r * w[P + k]
        u = half + math.sqrt(max(root, 0.0))
        total = (u - e) / r
        i = total * w[PAR + k]
        ua = u - w[LEAD + k] * total
        w[TOTAL + k] = total
        w[UMEAN + k] = u
        w[OUT_AH + k] -= total * dt
        w[LOAD_J + k] -= total * u * dt
        w[LOSS_J + k] += w[LEAD + k] * total * total * dt
        w[BATTERY_J + k] += ua * total * dt
        z = w[Z + k]
        h = w[H + k]
        t = w[T + k]
        w[ZS + k] = z
        w[I1S + k] = i1
        w[I2S + k] = i2
        w[HS + k] = h
        w[TS + k] = t
        kept = i * efficiency if i > 0.0 else i
        w[Z + k] = min(max(z + kept * dt * qs - leak * dt, -0.2), 1.2)
        w[I1 + k] = i + a1 * (i1 - i)
        w[I2 + k] = i + a2 * (i2 - i)
        b = exp_short(-abs(i) * gamma * dt * qs)
        sign = -1.0 if i < 0.0 else (1.0 if i > 0.0 else 0.0)
        w[H + k] = sign + b * (h - sign)
        heat = i * (e + rc * i - w[REST + k]) + i * (t + 273.15) * w[ENT + k]
        steady = w[WARM + k] + heat * conductance_inv
        w[T + k] = steady + (t - steady) * exp_short(-cooling * dt)


@_VECTOR
def look_up_lanes(w, table):
    """What depends on the mean charge, at the mean charge."""
    for k in range(LANES):
        z = min(max(w[Z + k], 0.0), 1.0) * 1024.0
        j = np.uint64(min(z, 1023.0))
        f = z - j
        w[LAM + k] = table[j, LAG] + f * (table[j + np.uint64(1), LAG] - table[j, LAG])
        w[ENT + k] = table[j, ENTROPY] + f * (table[j + np.uint64(1), ENTROPY] - table[j, ENTROPY])
        w[RR0 + k] = table[j, R0] + f * (table[j + np.uint64(1), R0] - table[j, R0])
        w[RR1 + k] = table[j, R1] + f * (table[j + np.uint64(1), R1] - table[j, R1])
        w[RR2 + k] = table[j, R2] + f * (table[j + np.uint64(1), R2] - table[j, R2])
        rest = w[Z + k] * 1024.0 - j
        w[REST + k] = table[j, OCV] + rest * (table[j + np.uint64(1), OCV] - table[j, OCV])
        w[GAPV + k] = table[j, GAP] + f * (table[j + np.uint64(1), GAP] - table[j, GAP])


@_VECTOR
def surface_lanes(w, cell):
    """Surface charge of every lane."""
    s_lag = cell[C_SAT_LAG]
    per = 1.0 / (cell[C_CAPACITY] * s_lag)
    large = 0
    for k in range(LANES):
        q = w[KL + k] * w[RF + k] * w[I2 + k] * per
        w[QV + k] = q
        w[LAGR + k] = w[KL + k] * w[RF + k] * per * s_lag / math.sqrt(1.0 + q * q)
        large += 1 if abs(q) > 1.0 else 0
    if large == 0:
        for k in range(LANES):
            w[QV + k] = asinh_small(w[QV + k])
    else:
        for k in range(LANES):
            q = w[QV + k]
            w[QV + k] = asinh_small(q) if abs(q) <= 1.0 else math.asinh(q)
    for k in range(LANES):
        # discharging: I2 <= 0, or a rest of an earlier charge, for which the other formula holds
        g = w[QV + k] * s_lag
        z = w[Z + k]
        out = g < 0.0
        zc = max(z if out else 1.0 - z, 1e-4)
        x = w[LAM + k] * abs(g) / zc
        keep = exp_negative(-x)
        moved = zc * (1.0 - keep)
        w[SURF + k] = z - moved if out else z + moved
        w[BEND + k] = keep * (1.0 + x)
        w[LAGR + k] *= keep * w[LAM + k]


@_VECTOR
def look_up_surface_lanes(w, table):
    """What depends on the surface charge."""
    for k in range(LANES):
        z = w[SURF + k] * 1024.0
        j = np.uint64(min(max(z, 0.0), 1023.0))
        f = z - j
        rise = table[j + np.uint64(1), OCV] - table[j, OCV]
        w[NL + k] = table[j, OCV] + f * rise
        w[SLOPE + k] = rise * 1024.0
        f = min(max(f, 0.0), 1.0)
        w[SURF + k] = table[j, GAP] + f * (table[j + np.uint64(1), GAP] - table[j, GAP])


@_VECTOR
def finish_lanes(w, cell):
    """Voltages and limits at the end of the step; marks the lanes that need attention."""
    t_ref = cell[C_T_REF] - 273.15
    sat1 = cell[C_SAT1]
    sat1_inv = 1.0 / sat1
    large = 0
    for k in range(LANES):
        q = w[I1 + k] * w[K1 + k] * sat1_inv
        w[QV + k] = q
        w[DS + k] = 1.0 / math.sqrt(1.0 + q * q)
        large += 1 if abs(q) > 1.0 else 0
    if large == 0:
        for k in range(LANES):
            w[QV + k] = asinh_small(w[QV + k])
    else:
        for k in range(LANES):
            q = w[QV + k]
            w[QV + k] = asinh_small(q) if abs(q) <= 1.0 else math.asinh(q)
    for k in range(LANES):
        rf = w[RF + k]
        warmer = (w[T + k] - t_ref) * w[ENT + k]
        w[RR0 + k] *= rf * w[K0 + k]
        w[RR1 + k] *= rf * w[K1 + k]
        w[RR2 + k] *= rf * w[K2 + k]
        w[V1 + k] = w[RR1 + k] * w[QV + k] * sat1 * w[K1INV + k]
        w[NL + k] += warmer + w[SURF + k] * w[H + k]
        w[REST + k] += warmer + w[GAPV + k] * w[H + k]
        w[LAGR + k] *= w[SLOPE + k]
        w[SLOPE + k] *= w[BEND + k]
        e = w[NL + k] + w[V1 + k] + w[RR2 + k] * w[I2 + k]
        r = w[RR0 + k] * w[PAR + k] + w[LEAD + k]
        half = 0.5 * (e - r * w[A + k])
        root = half * half - r * w[P + k]
        u = half + math.sqrt(max(root, 0.0))
        m0 = u - w[VD + k]
        m1 = u - w[VC + k]
        w[M0 + k] = m0
        w[M1 + k] = m1
        now = w[NOW + k] + w[DT + k]
        w[NOW + k] = now
        flipped = ((m0 < 0.0) != (w[PM0 + k] < 0.0)) | ((m1 < 0.0) != (w[PM1 + k] < 0.0))
        moved = abs(w[T + k] - w[TF + k]) > 0.05
        due = now >= min(w[EVENT + k], w[GRID + k]) - TINY_S
        w[ATTENTION + k] = 1.0 if (flipped | moved | due) else 0.0
