"""One step of many members side by side: the arithmetic of `kernels_lanes`, compiled to vectors.

The lanes' numbers lie in one flat array, row after row of `LANES` members. `advance` moves the
state by each lane's own step; between the look-ups `surface` finds the surface charge and `settle`
the voltage where the lane arrived. The cell's voltage function is in those two and nowhere else.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from socband.cell import FAST_SHARE, FAST_TIME, SLOW_SHARE
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
    HOTTEST_C,
    LAG,
    OCV,
    R0,
    R1,
    R2,
    SLOPE,
    W_CAPACITY,
    W_K0,
    W_K1,
    W_K2,
    W_LAG,
    WARMTH_LOW_C,
    WARMTH_PER_K,
    WARMTH_ROWS,
    root,
)
from socband.kernels_lookup import look_up_eight
from socband.kernels_math import asinh_slope_small, asinh_small, exp_short, log_positive
from socband.kernels_step import TAPER

LANES = 48
FINEST_S = 2.0
VOLT_STEP = 0.012
TINY_S = 1e-6
NULL_S = 1e-9
MOST_TRIES = 50.0  # a step is taken back so often and no more, whatever the limits do
STORE, EVENTS, FLIPPED = 1, 2, 4  # what a lane wants attention for, added up

# Where the rows of the lanes' array begin. One flat array with constant distances between rows is
# what lets the compiler see that they do not overlap.
(
    Z, I1, I2, I3, H, T, ZS, I1S, I2S, I3S, HS, TS,  # state, and where the step began
    NOW, DT, EVENT, STOP, GRADE, CAP,  # clock, step, events, next step's grade, cap on it
    QA, PAR, LEAD, RF, DF, SHIFT, WARM,  # what a member is
    P, A,  # loads
    E, R0N, R1N, RDN, REST, STEEP, ID,  # evaluated: see `settle`
    ES, R0S,  # where the step began
    VD, VC, BELOW0, BELOW1, DELAY0, DELAY1,  # limits, since when they are undercut
    GRID, OUT_AS, LOAD_J, LOSS_J, TOTAL, UMEAN, TRIES,
    AT, ALONG,  # within a step: charge at which its curves stand on the model's, and its slope
    SHARE, FREE, SHARE_T, LAGR,  # places in the tables, surface lag
    X0, X1, X2, X3, Q0, Q1, D0, D1, Y0, Y1,  # what functions are taken of, side by side
    MEAN, _M1, _M2, _M3, _M4, _M5, _M6, _M7,  # looked up at the mean charge,
    FACTOR, _F1, _F2, _F3, _F4,  # at the temperature,
    SURF, _S1, _S2, _S3, _S4, _S5, _S6, _S7,  # at the surface charge
    ROWS,
) = range(0, 87 * LANES, LANES)  # fmt: skip
SIZE = ROWS
# where a column of the look-up at the mean charge stands, and so on
M_OCV, M_GAP, M_LAG = (MEAN + column * LANES for column in (OCV, GAP, LAG))
F_K0, F_K1, F_K2, F_LAG, F_CAPACITY = (
    FACTOR + column * LANES for column in (W_K0, W_K1, W_K2, W_LAG, W_CAPACITY)
)
S_OCV, S_GAP, S_ENTROPY, S_R0, S_R1, S_R2, S_RISE = (
    SURF + column * LANES for column in (OCV, GAP, ENTROPY, R0, R1, R2, SLOPE)
)

_mean = look_up_eight((OCV, GAP, LAG), OCV)
_factor = look_up_eight((W_K0, W_K1, W_K2, W_LAG, W_CAPACITY))
_surface = look_up_eight((OCV, GAP, ENTROPY, R0, R1, R2, SLOPE), OCV, SLOPE)

_VECTOR = njit(
    cache=True,
    nogil=True,
    error_model="numpy",
    fastmath={"contract", "nsz"},
    _nrt=False,
    no_cpython_wrapper=True,
    no_cfunc_wrapper=True,
)


@_VECTOR
def _undercut(limit_v, e, rp):
    """Is U, the greater root of U² − e·U + rp, below a limit?"""
    return (2.0 * limit_v > e) & (limit_v * (limit_v - e) + rp > 0.0)


@_VECTOR
def choose(w, cell):
    """How long every lane's step will be, and what decays over it."""
    rate1 = -1.0 / cell[C_TAU1]
    rate2 = -1.0 / cell[C_TAU2]
    rate3 = rate2 / FAST_TIME
    cooling = -cell[C_CONDUCTANCE] / cell[C_HEAT]
    for k in range(LANES):
        now = w[NOW + k]
        e = w[E + k]
        r0 = w[R0N + k]
        # ---- is a limit undercut as the step begins?
        r = r0 * w[PAR + k] + w[LEAD + k]
        e_now = e - r * w[A + k]
        rp = r * w[P + k]
        below0 = _undercut(w[VD + k], e_now, rp)
        below1 = _undercut(w[VC + k], e_now, rp)
        since0 = min(w[BELOW0 + k], now) if below0 else np.inf
        since1 = min(w[BELOW1 + k], now) if below1 else np.inf
        w[BELOW0 + k] = since0
        w[BELOW1 + k] = since1
        w[ES + k] = e
        w[R0S + k] = r0
        # ---- the length of the step
        stop = min(w[EVENT + k], min(since0 + w[DELAY0 + k], since1 + w[DELAY1 + k]))
        w[STOP + k] = stop
        left = max(stop - now, NULL_S)
        grade = w[GRADE + k]
        dt = min(grade, w[CAP + k])
        steep = w[STEEP + k] * abs(w[ID + k]) * w[QA + k] * w[F_CAPACITY + k]
        dt = min(dt, max(VOLT_STEP / (steep + 1e-12), FINEST_S))
        # No stretching of the shortest steps: one that was taken back would come back as it was.
        dt = left if (dt > left - 0.5) & (dt > FINEST_S) else min(dt, left)
        w[DT + k] = dt
        w[GRADE + k] = min(max(3.0 * grade, 5.0), 300.0)
        w[X0 + k] = rate1 * dt
        w[X1 + k] = rate2 * dt
        w[X2 + k] = cooling * dt
        w[X3 + k] = rate3 * dt
    for k in range(4 * LANES):
        w[X0 + k] = exp_short(w[X0 + k])


@_VECTOR
def advance(w, rows, rows_t, cell):
    """Every lane one step on: its mean current, its new state, where that is in the tables."""
    tau1 = cell[C_TAU1]
    tau2 = cell[C_TAU2]
    tau3 = FAST_TIME * tau2
    leak = cell[C_LEAK]
    efficiency = cell[C_EFFICIENCY]
    gamma = cell[C_GAMMA]
    conductance_inv = 1.0 / cell[C_CONDUCTANCE]
    for k in range(LANES):
        p = w[P + k]
        a = w[A + k]
        par = w[PAR + k]
        lead = w[LEAD + k]
        i1 = w[I1 + k]
        i2 = w[I2 + k]
        i3 = w[I3 + k]
        dt = w[DT + k]
        dq = dt * w[QA + k] * w[F_CAPACITY + k]
        # ---- mean voltage and current over the step, by constant power
        inv_dt = 1.0 / dt
        a1 = w[X0 + k]
        a2 = w[X1 + k]
        f1 = 1.0 - (1.0 - a1) * tau1 * inv_dt
        a3 = w[X3 + k]
        f2 = SLOW_SHARE * (1.0 - (1.0 - a2) * tau2 * inv_dt)
        f3 = FAST_SHARE * (1.0 - (1.0 - a3) * tau3 * inv_dt)
        r1 = w[R1N + k] * f1
        rd = w[RDN + k]
        e = w[E + k] - r1 * i1 - rd * (f2 * i2 + f3 * i3)
        rc = w[R0N + k] + r1 + rd * (f2 + f3)
        r = (rc + 0.5 * w[STEEP + k] * dq) * par + lead
        half = 0.5 * (e - r * a)
        u = root(half, r * p)
        total = (u - e) / r
        i = total * par
        moved = total * dt
        w[TOTAL + k] = total
        w[UMEAN + k] = u
        w[OUT_AS + k] -= moved
        w[LOAD_J + k] -= moved * u
        w[LOSS_J + k] += moved * total * lead
        # ---- the state
        z = w[Z + k]
        h = w[H + k]
        t = w[T + k]
        w[ZS + k] = z
        w[I1S + k] = i1
        w[I2S + k] = i2
        w[I3S + k] = i3
        w[HS + k] = h
        w[TS + k] = t
        step = i * dq
        kept = step * efficiency if step > 0.0 else step
        z = min(max(z + kept - leak * dt, -0.2), 1.2)
        w[Z + k] = z
        w[I1 + k] = i + a1 * (i1 - i)
        i2 = i + a2 * (i2 - i)
        i3 = i + a3 * (i3 - i)
        w[I2 + k] = i2
        w[I3 + k] = i3
        w[ID + k] = SLOW_SHARE * i2 + FAST_SHARE * i3
        # of the hysteresis, only its distance from where it goes to decays: the rest in `surface`
        w[Y1 + k] = -abs(step) * gamma
        heat = i * (e + rc * i - w[REST + k]) + i * (t + 273.15) * w[S_ENTROPY + k]
        steady = w[WARM + k] + heat * conductance_inv
        t = min(steady + (t - steady) * w[X2 + k], HOTTEST_C)
        w[T + k] = t
        # ---- where that is in the tables; see `kernels_bank.evaluate`
        shift = w[SHIFT + k]
        fading = (1.0 - z + shift) * (1.0 / TAPER)
        at = z - shift * (1.0 - min(max(fading, 0.0), 1.0))
        w[AT + k] = at
        within = (fading > 0.0) & (fading < 1.0)
        w[ALONG + k] = max(1.0 - shift * (1.0 / TAPER), 0.0) if within else 1.0
        x = min(max(at, 0.0), 1.0) * 1024.0
        row = np.int64(min(x, 1023.0))
        rows[k] = row
        w[SHARE + k] = x - row
        w[FREE + k] = at * 1024.0 - row
        x = min(max((t - WARMTH_LOW_C) * WARMTH_PER_K, 0.0), WARMTH_ROWS - 1.0)
        row = np.int64(min(x, WARMTH_ROWS - 2.0))
        rows_t[k] = row
        w[SHARE_T + k] = x - row


@_VECTOR
def look_up(w, rows, rows_t, table, warmth):
    """What depends on the mean charge, and on the temperature."""
    for k in range(0, LANES, 8):
        _mean(w, k, rows, SHARE, FREE, table, MEAN)
        _factor(w, k, rows_t, SHARE_T, SHARE_T, warmth, FACTOR)


@_VECTOR
def branches(w, cell):
    """Saturation of the branches: of the surface lag and of R1."""
    s_lag = cell[C_SAT_LAG]
    s1 = cell[C_SAT1]
    s1_inv = 1.0 / s1
    c_rate = 1.0 / cell[C_CAPACITY]
    per = c_rate / s_lag
    large = 0
    for k in range(LANES):
        q0 = abs(w[F_LAG + k] * w[DF + k] * w[ID + k]) * per
        q1 = abs(w[I1 + k]) * w[F_K1 + k] * s1_inv
        w[Q0 + k] = q0
        w[Q1 + k] = q1
        large += 1 if max(q0, q1) > 1.0 else 0
    if large == 0:
        for k in range(2 * LANES):
            q = w[Q0 + k]
            w[Q0 + k] = asinh_small(q)
            w[D0 + k] = asinh_slope_small(q)
    else:
        for k in range(2 * LANES):
            q = w[Q0 + k]
            root = math.sqrt(1.0 + q * q)
            w[D0 + k] = asinh_slope_small(q) if q <= 1.0 else 1.0 / root
            w[Q0 + k] = asinh_small(q) if q <= 1.0 else log_positive(q + root)
    for k in range(LANES):
        lam = w[M_LAG + k]
        z = w[AT + k]
        # discharging: ID <= 0, or a rest of an earlier charge, for which the other formula holds
        zc = max(z if w[ID + k] < 0.0 else 1.0 - z, 1e-4)
        x = lam * w[Q0 + k] * s_lag / zc
        w[Y0 + k] = -x
        w[STEEP + k] = (1.0 + x) * w[ALONG + k]
        w[LAGR + k] = w[F_LAG + k] * w[DF + k] * c_rate * lam * w[D0 + k]
    for k in range(2 * LANES):  # and the hysteresis' own, from `advance`
        w[Y0 + k] = exp_short(w[Y0 + k])


@_VECTOR
def surface(w, rows):
    """Surface charge of every lane, and its hysteresis."""
    for k in range(LANES):
        z = w[AT + k]
        keep = w[Y0 + k]
        out = w[ID + k] < 0.0
        zc = max(z if out else 1.0 - z, 1e-4)
        moved = zc * (1.0 - keep)
        zs = (z - moved if out else z + moved) * 1024.0
        row = np.int64(min(max(zs, 0.0), 1023.0))
        rows[k] = row
        w[SHARE + k] = min(max(zs - row, 0.0), 1.0)
        w[FREE + k] = zs - row
        w[LAGR + k] *= keep
        w[STEEP + k] *= keep
        mean = w[TOTAL + k]
        sign = -1.0 if mean < 0.0 else (1.0 if mean > 0.0 else 0.0)
        w[H + k] = sign + w[Y1 + k] * (w[H + k] - sign)


@_VECTOR
def look_up_surface(w, rows, table):
    """What depends on the surface charge."""
    for k in range(0, LANES, 8):
        _surface(w, k, rows, SHARE, FREE, table, SURF)


@_VECTOR
def settle(w, wants, cell):
    """Voltages and limits at the end of the step; says in `wants` which lanes want attention.

    Leaves E [V]: all but R0·I, at this moment; R1N, RDN [ohm]: how E follows i1 and i_d,
    the surface lag included; STEEP [V]: how it follows the charge; REST [V]: without overpotential.
    """
    t_ref = cell[C_T_REF] - 273.15
    s1 = cell[C_SAT1]
    for k in range(LANES):
        h = w[H + k]
        rf = w[RF + k]
        slope = w[S_RISE + k] * 1024.0
        warmer = (w[T + k] - t_ref) * w[S_ENTROPY + k]
        w[REST + k] = w[M_OCV + k] + w[M_GAP + k] * h + warmer
        # R1·sat(i1, s1/k1): the factor k1 is in the argument alone
        r1 = w[S_R1 + k] * rf
        v1 = r1 * s1 * w[Q1 + k]
        rd = w[S_R2 + k] * w[DF + k] * w[F_K2 + k]
        w[R0N + k] = w[S_R0 + k] * rf * w[F_K0 + k]
        w[R1N + k] = r1 * w[F_K1 + k] * w[D1 + k]
        w[RDN + k] = rd + w[LAGR + k] * slope
        w[STEEP + k] *= slope
        e = (v1 if w[I1 + k] > 0.0 else -v1) + rd * w[ID + k]
        e += w[S_OCV + k] + w[S_GAP + k] * h + warmer
        w[E + k] = e
        r = w[R0N + k] * w[PAR + k] + w[LEAD + k]
        e_now = e - r * w[A + k]
        rp = r * w[P + k]
        below0 = _undercut(w[VD + k], e_now, rp)
        below1 = _undercut(w[VC + k], e_now, rp)
        now = w[NOW + k] + w[DT + k]
        w[NOW + k] = now
        flipped = (below0 != (w[BELOW0 + k] < np.inf)) | (below1 != (w[BELOW1 + k] < np.inf))
        wants[k] = (
            (STORE if now >= w[GRID + k] - TINY_S else 0)
            + (EVENTS if flipped | (now >= w[STOP + k] - TINY_S) else 0)
            + (FLIPPED if flipped else 0)
        )
