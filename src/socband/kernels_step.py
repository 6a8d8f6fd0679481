"""One step of the filter for a block of members: loops that the compiler turns into vectors.

A block's numbers lie in one flat array, row after row of `BLOCK` members. Constant distances
between rows are what lets the compiler see that the rows do not overlap. The first rows are those
of the state and of the parameters, in their order.
"""

from __future__ import annotations

import math

from numba import njit

from socband.cell import FAST_SHARE, SLOW_SHARE
from socband.kernels_layout import (
    BIAS_WALK_A,
    CELL_CAPACITY_AH,
    CURVE_NODES,
    EFFICIENCY,
    ENTROPY,
    F_CAPACITY,
    F_K0,
    F_K1,
    F_K2,
    F_LAG,
    GAMMA,
    HYST,
    HYST_ADD,
    HYST_KEEP,
    LAG,
    LEAK_PER_S,
    MINUTE_NOISE_V,
    MINUTE_S,
    NOISE_V,
    OCV,
    OUTLIER_SIGMA,
    R0,
    R1,
    R2,
    RC1_BEFORE,
    RC1_END,
    RC1_MEAN,
    RC2_BEFORE,
    RC2_END,
    RC2_MEAN,
    RC3_LEFT,
    RC3_MEAN,
    SAT1_C,
    SAT_LAG_C,
    SEEN_A,
    T_GRID_START_C,
    T_GRID_STEP_K,
    T_REF_C,
)
from socband.kernels_math import exp_negative, log_positive
from socband.kernels_shift import stands_in_filter

BLOCK = 64

# Where the rows begin.
(
    W_Z, W_I1, W_I2, W_E, W_B, W_H, W_LL,  # state
    ZZ, Z1, Z2, ZE, ZB, P11, P12, P1E, P1B, P22, P2E, P2B, PEE, PEB, PBB,  # its covariance
    W_GAIN, W_UNTRACKED, W_CAPACITY, W_RESISTANCE, W_DIFFUSION, W_TEMPERATURE, W_VOLTAGE,
    W_SHIFT, W_FAST, W_HYSTERESIS, W_DECAY, W_CURVE,  # parameters
) = range(0, 34 * BLOCK, BLOCK)  # fmt: skip
_NEXT = W_CURVE + CURVE_NODES * BLOCK
(
    ON, PER_A, TURN, K0, K1, K2, KL, SAT1, WARM,  # of the member at this temperature
    CUR, ZM, I1M, IDM, ZV, ZV_Z,  # current, and the states' means over the step
    ENT, A0, A1, A2, LAM, SURFACE, BEND, LAG_ID, GAP, OCV_V, SLOPE,  # looked up
    SAT_I1, ROOT_I1,  # sat(i1), and what its slope is one over
    TZ, T1, T2, TE, TB, NU, INV,  # P H', innovation, 1/S
    PRODUCT,  # of S since the log was last taken
) = range(_NEXT, _NEXT + 36 * BLOCK, BLOCK)  # fmt: skip
SIZE = _NEXT + 36 * BLOCK

_VECTOR = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "nsz"})


@_VECTOR
def at_temperature(w, factors, common, temperature_c):
    """All that depends on the temperature and the member alone."""
    n_temperature = factors.shape[0] - 1
    cell_ah = common[CELL_CAPACITY_AH]
    to_lag = 1.0 / (cell_ah * common[SAT_LAG_C])
    to_sat = 1.0 / (cell_ah * common[SAT1_C])
    turn = common[GAMMA] / 3600.0
    for j in range(BLOCK):
        member_t = temperature_c + w[W_TEMPERATURE + j]
        pos = (member_t - common[T_GRID_START_C]) / common[T_GRID_STEP_K]
        pos = min(max(pos, 0.0), n_temperature - 1e-9)
        k = int(pos)
        f = pos - k
        resistance = w[W_RESISTANCE + j]
        diffusion = w[W_DIFFUSION + j]
        k1 = factors[k, F_K1] + f * (factors[k + 1, F_K1] - factors[k, F_K1])
        w[K0 + j] = resistance * (factors[k, F_K0] + f * (factors[k + 1, F_K0] - factors[k, F_K0]))
        w[K1 + j] = resistance * k1
        w[K2 + j] = diffusion * (factors[k, F_K2] + f * (factors[k + 1, F_K2] - factors[k, F_K2]))
        kl = factors[k, F_LAG] + f * (factors[k + 1, F_LAG] - factors[k, F_LAG])
        w[KL + j] = diffusion * kl * to_lag
        w[SAT1 + j] = k1 * to_sat
        capacity = factors[k, F_CAPACITY] + f * (
            factors[k + 1, F_CAPACITY] - factors[k, F_CAPACITY]
        )
        w[PER_A + j] = 1.0 / (3600.0 * w[W_CAPACITY + j] * capacity)
        w[TURN + j] = -turn * w[W_DECAY + j] / w[W_CAPACITY + j]  # see DEVELOPERS.md, hysteresis
        w[WARM + j] = member_t - common[T_REF_C]


@_VECTOR
def predict(w, drive, t, dt, a1, a2, ae, c1, c2, added, common):
    """x <- F x and P <- F P F' + Q, written out; F couples only through b."""
    seen, efficiency, leak = drive[SEEN_A, t], common[EFFICIENCY], common[LEAK_PER_S] * dt
    before1, end1, mean1 = drive[RC1_BEFORE, t], drive[RC1_END, t], drive[RC1_MEAN, t]
    before2, end2, mean2 = drive[RC2_BEFORE, t], drive[RC2_END, t], drive[RC2_MEAN, t]
    mean3, left3 = drive[RC3_MEAN, t], drive[RC3_LEFT, t]
    # h <- keep h + (1 - keep) towards; a member that turns faster keeps a power of it
    keep_h = drive[HYST_KEEP, t]
    log_keep = math.log(max(keep_h, 1e-30))
    towards = drive[HYST_ADD, t] / (1.0 - keep_h) if keep_h < 1.0 else 0.0
    g1 = 1.0 - a1
    g2 = 1.0 - a2
    d1 = 1.0 - c1
    d2 = 1.0 - c2
    qe = 1.0 - ae * ae
    qb = common[BIAS_WALK_A] ** 2 * dt
    for j in range(BLOCK):
        gain = w[W_GAIN + j]
        rest = w[W_B + j] - w[W_UNTRACKED + j] * w[ON + j]
        amps = gain * seen + rest
        w[CUR + j] = amps
        q = dt * w[PER_A + j]
        q = q * efficiency if amps > 0.0 else q
        # The branches answer linearly: to the seen current as worked out on the log's own rows, and
        # to the rest of the member's current, which is constant over the step.
        own1 = w[W_I1 + j] - gain * before1
        own2 = w[W_I2 + j] - gain * before2
        w[I1M + j] = gain * mean1 + c1 * own1 + d1 * rest
        slow = gain * mean2 + c2 * own2 + d2 * rest
        fast = gain * mean3 + left3 * w[W_FAST + j] + rest
        w[IDM + j] = SLOW_SHARE * slow + FAST_SHARE * fast
        w[W_I1 + j] = gain * end1 + a1 * own1 + g1 * rest
        w[W_I2 + j] = gain * end2 + a2 * own2 + g2 * rest
        w[ZM + j] = w[W_Z + j] + 0.5 * (q * amps - leak)
        w[ZV + j], w[ZV_Z + j] = stands_in_filter(w[ZM + j], w[W_SHIFT + j])
        w[W_Z + j] += q * amps - leak
        w[W_E + j] *= ae
        # hysteresis, Plett 2004: first what the seen current does, back and forth within the step,
        # then what the rest of the member's current does
        ah = exp_negative(w[TURN + j] * abs(rest) * dt)
        sign = 1.0 if rest > 0.0 else -1.0
        kept = exp_negative(log_keep * w[W_DECAY + j])
        turned = kept * w[W_H + j] + (1.0 - kept) * towards
        w[W_H + j] = ah * turned + (1.0 - ah) * sign
        zb, b1, b2, eb, bb = w[ZB + j], w[P1B + j], w[P2B + j], w[PEB + j], w[PBB + j]
        nzb = zb + q * bb
        n1b = a1 * b1 + g1 * bb
        n2b = a2 * b2 + g2 * bb
        w[ZZ + j] += q * (zb + nzb) + added
        w[Z1 + j] = a1 * (w[Z1 + j] + q * b1) + g1 * nzb
        w[Z2 + j] = a2 * (w[Z2 + j] + q * b2) + g2 * nzb
        w[ZE + j] = ae * (w[ZE + j] + q * eb)
        w[ZB + j] = nzb
        w[P12 + j] = a2 * (a1 * w[P12 + j] + g1 * b2) + g2 * n1b
        w[P11 + j] = a1 * (a1 * w[P11 + j] + g1 * b1) + g1 * n1b
        w[P22 + j] = a2 * (a2 * w[P22 + j] + g2 * b2) + g2 * n2b
        w[P1E + j] = ae * (a1 * w[P1E + j] + g1 * eb)
        w[P2E + j] = ae * (a2 * w[P2E + j] + g2 * eb)
        w[P1B + j] = n1b
        w[P2B + j] = n2b
        w[PEE + j] = ae * ae * w[PEE + j] + qe
        w[PEB + j] = ae * eb
        w[PBB + j] = bb + qb


@_VECTOR
def look_up(w, table):
    """How far the surface lags, at the mean charge as the member's own curves place it."""
    n_grid = table.shape[0] - 1
    for j in range(BLOCK):
        pos = min(max(w[ZV + j] * n_grid, 0.0), n_grid - 1e-9)
        k = int(pos)
        f = pos - k
        w[LAM + j] = table[k, LAG] + f * (table[k + 1, LAG] - table[k, LAG])


@_VECTOR
def surface(w, common):
    """Surface charge and its derivatives; it stays within 0..1 whatever the current."""
    s_lag = common[SAT_LAG_C]
    for j in range(BLOCK):
        y = w[KL + j] * w[IDM + j]
        root = math.sqrt(1.0 + y * y)
        g = s_lag * log_positive(abs(y) + root)  # |asinh|
        z = w[ZV + j]
        out = y < 0.0
        room = z if out else 1.0 - z
        clipped = max(room, 1e-4)
        x = w[LAM + j] * g / clipped
        fade = exp_negative(-x)
        moved = clipped * (1.0 - fade)
        w[SURFACE + j] = z - moved if out else z + moved
        w[BEND + j] = fade * (1.0 + x) if room > 1e-4 else 1.0
        w[LAG_ID + j] = w[LAM + j] * fade * w[KL + j] * s_lag / root
    sat = common[SAT1_C] * common[CELL_CAPACITY_AH]
    for j in range(BLOCK):
        y = w[SAT1 + j] * w[I1M + j]
        root = math.sqrt(1.0 + y * y)
        w[ROOT_I1 + j] = root
        size = sat * log_positive(abs(y) + root)
        w[SAT_I1 + j] = -size if y < 0.0 else size  # asinh


@_VECTOR
def look_up_surface(w, table):
    """What depends on the surface charge. The OCV runs on with its end slope outside 0..1.

    The slope is that of all the tables together, at the present currents: near empty the
    resistances rise as steeply as the curve falls.
    """
    n_grid = table.shape[0] - 1
    per_row = (CURVE_NODES - 1) / n_grid
    for j in range(BLOCK):
        pos = w[SURFACE + j] * n_grid
        k = int(min(max(pos, 0.0), n_grid - 1.0))
        beyond = pos - k
        rise = table[k + 1, OCV] - table[k, OCV]
        inside = 1.0 if (beyond >= 0.0) & (beyond <= 1.0) else 0.0
        f = min(max(beyond, 0.0), 1.0)
        wide = w[W_HYSTERESIS + j]
        gap = wide * (table[k + 1, HYST] - table[k, HYST])
        entropy = table[k + 1, ENTROPY] - table[k, ENTROPY]
        d0 = table[k + 1, R0] - table[k, R0]
        d1 = table[k + 1, R1] - table[k, R1]
        d2 = table[k + 1, R2] - table[k, R2]
        w[GAP + j] = wide * table[k, HYST] + f * gap
        w[ENT + j] = table[k, ENTROPY] + f * entropy
        w[A0 + j] = table[k, R0] + f * d0
        w[A1 + j] = table[k, R1] + f * d1
        w[A2 + j] = table[k, R2] + f * d2
        rest = gap * w[W_H + j] + entropy * w[WARM + j]
        drop = d0 * w[K0 + j] * w[CUR + j] + d1 * w[W_RESISTANCE + j] * w[SAT_I1 + j]
        drop += d2 * w[K2 + j] * w[IDM + j]
        node = int(k * per_row)
        left = w[W_CURVE + node * BLOCK + j]
        bend = w[W_CURVE + (node + 1) * BLOCK + j] - left
        w[OCV_V + j] = table[k, OCV] + beyond * rise + left + (pos * per_row - node) * bend
        w[SLOPE + j] = (rise + bend * per_row + inside * (rest + drop)) * n_grid


@_VECTOR
def update(w, volt, dt, h_e, common):
    """Compare with the measured voltage: mean, covariance and log likelihood.

    `h_e` is the standard deviation of the voltage-model error. It must be the same for all members:
    if it followed the slope at each member's own charge, members on the flat would win over those
    on the steep merely for claiming less doubt, whenever the model errs less than it might.

    What the model leaves from one minute to the next hardly moves within a minute: six steps of ten
    seconds are no more evidence than one of sixty.
    """
    minute2 = common[MINUTE_NOISE_V] ** 2 * max(1.0, MINUTE_S / max(dt, 1.0))
    noise2 = max(common[NOISE_V] ** 2, minute2)
    in_outliers = 1.0 / common[OUTLIER_SIGMA] ** 2
    for j in range(BLOCK):
        amps = w[CUR + j]
        h_z = w[SLOPE + j] * w[BEND + j] * w[ZV_Z + j]
        h_1 = w[A1 + j] * w[K1 + j] / w[ROOT_I1 + j]
        h_d = w[A2 + j] * w[K2 + j] + w[SLOPE + j] * w[LAG_ID + j]
        h_2 = SLOW_SHARE * h_d
        ohmic = w[A0 + j] * w[K0 + j]
        h_b = ohmic + FAST_SHARE * h_d
        predicted = (
            w[OCV_V + j]
            + w[WARM + j] * w[ENT + j]
            + w[GAP + j] * w[W_H + j]
            + ohmic * amps
            + w[A1 + j] * w[W_RESISTANCE + j] * w[SAT_I1 + j]
            + w[A2 + j] * w[K2 + j] * w[IDM + j]
        )
        nu = volt - predicted - w[W_VOLTAGE + j] - h_e * w[W_E + j]
        tz = h_z * w[ZZ + j] + h_1 * w[Z1 + j] + h_2 * w[Z2 + j] + h_e * w[ZE + j] + h_b * w[ZB + j]
        t1 = (h_z * w[Z1 + j] + h_1 * w[P11 + j] + h_2 * w[P12 + j] + h_e * w[P1E + j]) + h_b * w[
            P1B + j
        ]
        t2 = (h_z * w[Z2 + j] + h_1 * w[P12 + j] + h_2 * w[P22 + j] + h_e * w[P2E + j]) + h_b * w[
            P2B + j
        ]
        te = (h_z * w[ZE + j] + h_1 * w[P1E + j] + h_2 * w[P2E + j] + h_e * w[PEE + j]) + h_b * w[
            PEB + j
        ]
        tb = (h_z * w[ZB + j] + h_1 * w[P1B + j] + h_2 * w[P2B + j] + h_e * w[PEB + j]) + h_b * w[
            PBB + j
        ]
        s = h_z * tz + h_1 * t1 + h_2 * t2 + h_e * te + h_b * tb + noise2
        # An innovation beyond `outlier` standard deviations counts as a bad reading: its variance
        # is raised until it is exactly that far out.
        s = max(s, nu * nu * in_outliers)
        inv = 1.0 / s
        w[W_LL + j] -= 0.5 * nu * nu * inv
        w[PRODUCT + j] *= s
        w[TZ + j] = tz
        w[T1 + j] = t1
        w[T2 + j] = t2
        w[TE + j] = te
        w[TB + j] = tb
        w[NU + j] = nu
        w[INV + j] = inv
    for j in range(BLOCK):
        tz, t1, t2, te, tb = w[TZ + j], w[T1 + j], w[T2 + j], w[TE + j], w[TB + j]
        inv = w[INV + j]
        gain_nu = w[NU + j] * inv
        w[W_Z + j] += tz * gain_nu
        w[W_I1 + j] += t1 * gain_nu
        w[W_I2 + j] += t2 * gain_nu
        w[W_E + j] += te * gain_nu
        w[W_B + j] += tb * gain_nu
        gz, g1, g2, ge, gb = tz * inv, t1 * inv, t2 * inv, te * inv, tb * inv
        w[ZZ + j] -= tz * gz
        w[Z1 + j] -= tz * g1
        w[Z2 + j] -= tz * g2
        w[ZE + j] -= tz * ge
        w[ZB + j] -= tz * gb
        w[P11 + j] -= t1 * g1
        w[P12 + j] -= t1 * g2
        w[P1E + j] -= t1 * ge
        w[P1B + j] -= t1 * gb
        w[P22 + j] -= t2 * g2
        w[P2E + j] -= t2 * ge
        w[P2B + j] -= t2 * gb
        w[PEE + j] -= te * ge
        w[PEB + j] -= te * gb
        w[PBB + j] -= tb * gb


@_VECTOR
def take_logs(w, updates):
    """Bring log S of the last few updates into the log likelihood: the log of their product."""
    constant = updates * math.log(2.0 * math.pi)
    for j in range(BLOCK):
        w[W_LL + j] -= 0.5 * (log_positive(w[PRODUCT + j]) + constant)
        w[PRODUCT + j] = 1.0
