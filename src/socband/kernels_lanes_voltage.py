"""Voltage of many members side by side, compiled to vectors: the second half of a lanes' step.

Between the look-ups `surface` finds the surface charge and `settle` the voltage where the lane
arrived. The cell's voltage function is in those two and `branches` and nowhere else.
"""

from __future__ import annotations

import math

import numpy as np

from socband.cell import ENTROPY, GAP, LAG, OCV, R0, R1, R2, SLOPE
from socband.kernels_bank import (
    C_CAPACITY,
    C_SAT1,
    C_SAT_LAG,
    C_T_REF,
    TINY_S,
    W_CAPACITY,
    W_K0,
    W_K1,
    W_K2,
    W_LAG,
)
from socband.kernels_lanes_layout import (
    ALONG,
    AS,
    AT,
    D0,
    D1,
    DF,
    DT,
    EVENTS,
    F_K0,
    F_K1,
    F_K2,
    F_LAG,
    FACTOR,
    FLIPPED,
    FREE,
    GRID,
    I1,
    ID,
    IS0,
    IS1,
    LAGR,
    LANES,
    LEAD,
    M_GAP,
    M_LAG,
    M_OCV,
    MEAN,
    NOW,
    ONE,
    PAR,
    PS,
    Q0,
    Q1,
    R0N,
    R1N,
    RDN,
    REST,
    RF,
    ROWS,
    S_ENTROPY,
    S_GAP,
    S_OCV,
    S_R0,
    S_R1,
    S_R2,
    S_RISE,
    SHARE,
    SHARE_T,
    STEEP,
    STOP,
    STORE,
    SURF,
    TOTAL,
    VC,
    VD,
    VECTOR,
    WAS0,
    WAS1,
    X0,
    X1,
    Y0,
    Y1,
    ZERO,
    E,
    H,
    T,
    single,
)
from socband.kernels_lookup import look_up_eight
from socband.kernels_math import (
    asinh_single,
    asinh_slope_single,
    exp_single,
    log_single,
)

_mean = look_up_eight((OCV, GAP, LAG), OCV)
_factor = look_up_eight((W_K0, W_K1, W_K2, W_LAG, W_CAPACITY))
_surface = look_up_eight((OCV, GAP, ENTROPY, R0, R1, R2, SLOPE), OCV, SLOPE)


@VECTOR
def undercut(limit_v, e, rp):
    """1 if U, the greater root of U² − e·U + rp, is below a limit, 0 if not."""
    return ONE if (limit_v + limit_v > e) & (limit_v * (limit_v - e) + rp > ZERO) else ZERO


@VECTOR
def look_up(w, rows, rows_t, table, warmth):
    """What depends on the mean charge, and on the temperature."""
    for k in range(0, LANES, 8):
        _mean(w, k, rows, SHARE, FREE, table, MEAN)
        _factor(w, k, rows_t, SHARE_T, SHARE_T, warmth, FACTOR)


@VECTOR
def branches(d, w, cell):
    """Saturation of the branches: of the surface lag and of R1."""
    s_lag = single(cell[C_SAT_LAG])
    s1_inv = single(1.0 / cell[C_SAT1])
    c_rate = single(1.0 / cell[C_CAPACITY])
    per = single(1.0 / (cell[C_CAPACITY] * cell[C_SAT_LAG]))
    large = 0
    for k in range(LANES):
        q0 = abs(w[F_LAG + k] * w[DF + k] * w[ID + k]) * per
        q1 = abs(w[I1 + k]) * w[F_K1 + k] * s1_inv
        w[Q0 + k] = q0
        w[Q1 + k] = q1
        large += 1 if max(q0, q1) > ONE else 0
    if large == 0:
        for k in range(2 * LANES):
            q = w[Q0 + k]
            w[Q0 + k] = asinh_single(q)
            w[D0 + k] = asinh_slope_single(q)
    else:
        for k in range(2 * LANES):
            q = w[Q0 + k]
            root = math.sqrt(ONE + q * q)
            w[D0 + k] = asinh_slope_single(q) if q <= ONE else ONE / root
            w[Q0 + k] = asinh_single(q) if q <= ONE else log_single(q + root)
    for k in range(LANES):
        at = d[AT + k]
        # discharging: ID <= 0, or a rest of an earlier charge, for which the other formula holds
        w[X0 + k] = max(at if w[ID + k] < ZERO else 1.0 - at, 1e-4)
    for k in range(LANES):
        lam = w[M_LAG + k]
        x = lam * w[Q0 + k] * s_lag / w[X0 + k]
        w[Y0 + k] = -x
        w[STEEP + k] = (ONE + x) * w[ALONG + k]
        w[LAGR + k] = w[F_LAG + k] * w[DF + k] * c_rate * lam * w[D0 + k]
    for k in range(2 * LANES):  # and the hysteresis' own, from `advance`
        w[Y0 + k] = exp_single(w[Y0 + k])


@VECTOR
def surface(d, w, rows):
    """Surface charge of every lane, and its hysteresis."""
    for k in range(LANES):
        at = d[AT + k]
        moved = w[X0 + k] * (ONE - w[Y0 + k])
        zs = (at - moved if w[ID + k] < ZERO else at + moved) * 1024.0
        row = np.int64(min(max(zs, 0.0), 1023.0))
        rows[k] = row
        w[SHARE + k] = min(max(zs - row, 0.0), 1.0)
        w[FREE + k] = zs - row
    for k in range(LANES):
        keep = w[Y0 + k]
        w[LAGR + k] *= keep
        w[STEEP + k] *= keep
        mean = w[TOTAL + k]
        sign = -ONE if mean < ZERO else (ONE if mean > ZERO else ZERO)
        w[H + k] = sign + w[Y1 + k] * (w[H + k] - sign)


@VECTOR
def look_up_surface(w, rows, table):
    """What depends on the surface charge."""
    for k in range(0, LANES, 8):
        _surface(w, k, rows, SHARE, FREE, table, SURF)


@VECTOR
def settle(d, w, wants, cell):
    """Voltages and limits at the end of the step; says in `wants` which lanes want attention.

    Leaves E [V]: all but R0·I, at this moment; R1N, RDN [ohm]: how E follows i1 and i_d,
    the surface lag included; STEEP [V]: how it follows the charge; REST [V]: without overpotential.
    """
    t_ref = cell[C_T_REF] - 273.15
    s1 = single(cell[C_SAT1])
    for k in range(LANES):
        w[X1 + k] = d[T + k] - t_ref
    for k in range(LANES):
        h = w[H + k]
        rf = w[RF + k]
        slope = w[S_RISE + k] * ROWS
        warmer = w[X1 + k] * w[S_ENTROPY + k]
        w[REST + k] = w[M_OCV + k] + w[M_GAP + k] * h + warmer
        # R1·sat(i1, s1/k1): the factor k1 is in the argument alone
        r1 = w[S_R1 + k] * rf
        v1 = r1 * s1 * w[Q1 + k]
        rd = w[S_R2 + k] * w[DF + k] * w[F_K2 + k]
        w[R0N + k] = w[S_R0 + k] * rf * w[F_K0 + k]
        w[R1N + k] = r1 * w[F_K1 + k] * w[D1 + k]
        w[RDN + k] = rd + w[LAGR + k] * slope
        w[STEEP + k] *= slope
        e = (v1 if w[I1 + k] > ZERO else -v1) + rd * w[ID + k]
        w[E + k] = e + (w[S_OCV + k] + w[S_GAP + k] * h + warmer)
    for k in range(LANES):
        r = w[R0N + k] * w[PAR + k] + w[LEAD + k]
        e_now = w[E + k] - r * w[AS + k]
        rp = r * w[PS + k]
        w[IS0 + k] = undercut(w[VD + k], e_now, rp)
        w[IS1 + k] = undercut(w[VC + k], e_now, rp)
    for k in range(LANES):
        now = d[NOW + k] + d[DT + k]
        d[NOW + k] = now
        flipped = (w[IS0 + k] != w[WAS0 + k]) | (w[IS1 + k] != w[WAS1 + k])
        wants[k] = (
            (STORE if now >= d[GRID + k] - TINY_S else 0)
            + (EVENTS if flipped | (now >= d[STOP + k] - TINY_S) else 0)
            + (FLIPPED if flipped else 0)
        )
