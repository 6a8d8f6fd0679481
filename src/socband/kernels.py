"""The filter's hot loop, compiled: an extended Kalman filter in every member at once.

State of a member (order of the rows of `STATE`):

    z   true state of charge, 0..1
    i1  current of the first RC branch [A], v1 = R1 i1
    i2  current of the second RC branch [A], v2 = R2 i2; it also drives the surface lag
    e   coloured voltage-model error, in units of its own standard deviation (so that its size can
        follow the slope of the OCV curve at once while its memory is a constant)
    b   constant current the monitor does not report truly [A]: minus offset, minus untracked load

The process is linear (F is the same for all members but for the capacity), the measurement

    U = OCV(z_s) + (T - Tr) dU/dT(z) + M(z_s) h + R0 k0 I + R1 k1 sat(i1) + R2 k2 i2 + s_e e + v

is not. U is the mean voltage over the step, so it is compared with the states' mean over the step.
All currents are those of one cell, positive into it.

How it is fast: members are worked on in blocks of `BLOCK`, time outside, so that a block's state
stays in the first-level cache; within a step, vector loop -> scalar look-ups -> vector loop,
because a table look-up in the same loop as the stores stops vectorisation. The range of members is
a parameter, so that threads share the work without sharing a number: results do not depend on how
many there are.
"""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numba import njit

BLOCK = 64

# rows of the state matrix (rows, n)
Z, I1, I2, E, B, H, LOGLIK = range(7)
P0 = 7  # 15 rows: the upper triangle of P, row by row over (z, i1, i2, e, b)
STATE_ROWS = P0 + 15
STATE = ("z", "i1", "i2", "e", "b")

# rows of the parameter matrix (rows, n)
GAIN, UNTRACKED_A, CAPACITY_AH, RESISTANCE, TEMPERATURE_K, VOLTAGE_V = range(6)
PARAMETER_ROWS = 6

# rows of the drive (rows, t): what the seen current alone does, worked out on the log's own rows
SEEN_A, RC1_BEFORE, RC1_END, RC1_MEAN, RC2_BEFORE, RC2_END, RC2_MEAN, HYST_KEEP, HYST_ADD = range(9)
DRIVE_ROWS = 9

# entries of the vector of numbers common to all members
(
    TAU1_S,
    TAU2_S,
    SAT1_C,
    SAT_LAG_C,
    GAMMA,
    T_REF_C,
    CELL_CAPACITY_AH,
    EFFICIENCY,
    SIGMA_V,
    SIGMA_SOC,
    SIGMA_PER_C,
    TAU_E_S,
    NOISE_V,
    BIAS_WALK_A,
    OUTLIER_SIGMA,
    T_GRID_START_C,
    T_GRID_STEP_K,
) = range(17)
COMMON_SIZE = 17

# columns of the cell table (see cell.CellTables)
OCV, HYST, ENTROPY, R0, R1, R2, LAG = range(7)


@njit(cache=True, nogil=True, error_model="numpy")
def filter_range(
    first,
    last,
    state,
    parameters,
    pattern,
    dt_s,
    drive,
    voltage_v,
    temperature_c,
    patterns_on,
    charge_var,
    table,
    factors,
    common,
    out_z,
    out_var,
    out_loglik,
):
    """Run members `first:last` through all steps; state is changed in place.

    Args:
        state: (STATE_ROWS, n), parameters: (PARAMETER_ROWS, n), pattern: (n,) int64.
        dt_s, voltage_v, temperature_c: (t,); voltage NaN = not measured.
        drive: (DRIVE_ROWS, t) the seen current and its RC and hysteresis responses, see
            `kernels_track.respond`.
        patterns_on: (patterns, t) share of the step in which the untracked load draws.
        charge_var: (t,) variance that the step adds to the charge of unknown cause (a gap).
        table: (k, >=7) cell table on a uniform charge grid over 0..1.
        factors: (j, 5) k0, k1, k2, k_lag, capacity factor on a uniform temperature grid.
        common: (COMMON_SIZE,).
        out_z, out_var, out_loglik: (t, n) or (0, 0) if not wanted: mean and variance of the
            charge, and the log likelihood gathered so far, after each step.
    """
    n_steps = dt_s.shape[0]
    n_grid = table.shape[0] - 1
    n_temperature = factors.shape[0] - 1
    keep = out_z.shape[0] > 0
    tau1 = common[TAU1_S]
    tau2 = common[TAU2_S]
    gamma = common[GAMMA]
    cell_ah = common[CELL_CAPACITY_AH]
    outlier2 = common[OUTLIER_SIGMA] ** 2
    noise2 = common[NOISE_V] ** 2
    s_lag = common[SAT_LAG_C]
    w = np.empty((39, BLOCK))
    z, i1, i2, e, b, h, ll = w[0], w[1], w[2], w[3], w[4], w[5], w[6]
    pzz, pz1, pz2, pze, pzb = w[7], w[8], w[9], w[10], w[11]
    p11, p12, p1e, p1b = w[12], w[13], w[14], w[15]
    p22, p2e, p2b, pee, peb, pbb = w[16], w[17], w[18], w[19], w[20], w[21]
    cur, zmid, i1m, i2m = w[22], w[23], w[24], w[25]
    uhat, hz, h1, h2, he, hb = w[26], w[27], w[28], w[29], w[30], w[31]
    gain, unt, cap, res, dtemp, du = w[32], w[33], w[34], w[35], w[36], w[37]
    qz = w[38]
    for start in range(first, last, BLOCK):
        m = min(BLOCK, last - start)
        for r in range(STATE_ROWS):
            for j in range(m):
                w[r, j] = state[r, start + j]
        for r in range(PARAMETER_ROWS):
            for j in range(m):
                w[32 + r, j] = parameters[r, start + j]
        for t in range(n_steps):
            dt = dt_s[t]
            seen = drive[SEEN_A, t]
            volt = voltage_v[t]
            temp = temperature_c[t]
            a1 = math.exp(-dt / tau1)
            a2 = math.exp(-dt / tau2)
            ae = math.exp(-dt / common[TAU_E_S])
            g1 = 1.0 - a1
            g2 = 1.0 - a2
            # Mean of an exponential approach over the step, as a weight on its start.
            c1 = tau1 * g1 / dt if dt > 0.0 else 1.0
            c2 = tau2 * g2 / dt if dt > 0.0 else 1.0
            qe = 1.0 - ae * ae
            qb = common[BIAS_WALK_A] ** 2 * dt
            qc = charge_var[t]
            for j in range(m):
                # capacity factor at the member's temperature, and with it charge per ampere
                pos = (temp + dtemp[j] - common[T_GRID_START_C]) / common[T_GRID_STEP_K]
                pos = min(max(pos, 0.0), n_temperature - 1e-9)
                k = int(pos)
                f = pos - k
                fc = factors[k, 4] + f * (factors[k + 1, 4] - factors[k, 4])
                on = patterns_on[pattern[start + j], t]
                amps = gain[j] * seen - unt[j] * on + b[j]
                cur[j] = amps
                q = dt / (3600.0 * cap[j] * fc)
                if amps > 0.0:
                    q *= common[EFFICIENCY]
                qz[j] = q
            for j in range(m):
                # predict: x <- F x
                amps = cur[j]
                q = qz[j]
                # The branches answer linearly: to the seen current as worked out on the log's own
                # rows, and to the rest of the member's current, which is constant over the step.
                seen_gain = gain[j]
                rest = amps - seen_gain * seen
                own1 = i1[j] - seen_gain * drive[RC1_BEFORE, t]
                own2 = i2[j] - seen_gain * drive[RC2_BEFORE, t]
                i1m[j] = seen_gain * drive[RC1_MEAN, t] + c1 * own1 + (1.0 - c1) * rest
                i2m[j] = seen_gain * drive[RC2_MEAN, t] + c2 * own2 + (1.0 - c2) * rest
                i1[j] = seen_gain * drive[RC1_END, t] + a1 * own1 + g1 * rest
                i2[j] = seen_gain * drive[RC2_END, t] + a2 * own2 + g2 * rest
                zmid[j] = z[j] + 0.5 * q * amps
                z[j] += q * amps
                e[j] *= ae
                # P <- F P F' + Q, written out; F couples only through b
                zb, b1, b2, eb, bb = pzb[j], p1b[j], p2b[j], peb[j], pbb[j]
                nzb = zb + q * bb
                n1b = a1 * b1 + g1 * bb
                n2b = a2 * b2 + g2 * bb
                pzz[j] += q * (zb + nzb) + qc
                pz1[j] = a1 * (pz1[j] + q * b1) + g1 * nzb
                pz2[j] = a2 * (pz2[j] + q * b2) + g2 * nzb
                pze[j] = ae * (pze[j] + q * eb)
                pzb[j] = nzb
                p12[j] = a2 * (a1 * p12[j] + g1 * b2) + g2 * n1b
                p11[j] = a1 * (a1 * p11[j] + g1 * b1) + g1 * n1b
                p22[j] = a2 * (a2 * p22[j] + g2 * b2) + g2 * n2b
                p1e[j] = ae * (a1 * p1e[j] + g1 * eb)
                p2e[j] = ae * (a2 * p2e[j] + g2 * eb)
                p1b[j] = n1b
                p2b[j] = n2b
                pee[j] = ae * ae * pee[j] + qe
                peb[j] = ae * eb
                pbb[j] = bb + qb
            keep_h = drive[HYST_KEEP, t]
            add_h = drive[HYST_ADD, t]
            for j in range(m):
                # hysteresis, Plett 2004: first what the seen current does, back and forth within
                # the step, then what the rest of the member's current does
                rest = cur[j] - gain[j] * seen
                x = gamma * abs(rest) * dt / (3600.0 * cap[j])
                ah = math.exp(-x)
                sign = 1.0 if rest > 0.0 else (-1.0 if rest < 0.0 else 0.0)
                h[j] = ah * (keep_h * h[j] + add_h) + (1.0 - ah) * sign
            if not math.isnan(volt):
                for j in range(m):
                    # look-ups
                    member_t = temp + dtemp[j]
                    pos = (member_t - common[T_GRID_START_C]) / common[T_GRID_STEP_K]
                    pos = min(max(pos, 0.0), n_temperature - 1e-9)
                    k = int(pos)
                    f = pos - k
                    k0 = factors[k, 0] + f * (factors[k + 1, 0] - factors[k, 0])
                    k1 = factors[k, 1] + f * (factors[k + 1, 1] - factors[k, 1])
                    k2 = factors[k, 2] + f * (factors[k + 1, 2] - factors[k, 2])
                    kl = factors[k, 3] + f * (factors[k + 1, 3] - factors[k, 3])
                    zz = zmid[j]
                    pos = min(max(zz * n_grid, 0.0), n_grid - 1e-9)
                    k = int(pos)
                    f = pos - k
                    dudt = table[k, ENTROPY] + f * (table[k + 1, ENTROPY] - table[k, ENTROPY])
                    r0 = table[k, R0] + f * (table[k + 1, R0] - table[k, R0])
                    r1 = table[k, R1] + f * (table[k + 1, R1] - table[k, R1])
                    r2 = table[k, R2] + f * (table[k + 1, R2] - table[k, R2])
                    lam = table[k, LAG] + f * (table[k + 1, LAG] - table[k, LAG])
                    # surface lag: the surface charge stays within 0..1 whatever the current
                    y = kl * res[j] * i2m[j] / cell_ah / s_lag
                    g = s_lag * math.asinh(y)
                    dg = kl * res[j] / cell_ah / math.sqrt(1.0 + y * y)
                    zs = zz
                    dzs = 1.0
                    dzs_i2 = 0.0
                    if g < 0.0:
                        zc = max(zz, 1e-4)
                        x = -lam * g / zc
                        ex = math.exp(-x)
                        zs = zz - zc * (1.0 - ex)
                        dzs = ex * (1.0 + x) if zz > 1e-4 else 1.0
                        dzs_i2 = lam * dg * ex
                    elif g > 0.0:
                        zc = max(1.0 - zz, 1e-4)
                        x = lam * g / zc
                        ex = math.exp(-x)
                        zs = zz + zc * (1.0 - ex)
                        dzs = ex * (1.0 + x) if 1.0 - zz > 1e-4 else 1.0
                        dzs_i2 = lam * dg * ex
                    # OCV runs on with its end slope outside 0..1: no member gets stuck there
                    pos = zs * n_grid
                    k = min(max(math.floor(pos), 0), n_grid - 1)
                    f = pos - k
                    rise = table[k + 1, OCV] - table[k, OCV]
                    ocv = table[k, OCV] + f * rise
                    slope = rise * n_grid
                    f = min(max(f, 0.0), 1.0)
                    gap = table[k, HYST] + f * (table[k + 1, HYST] - table[k, HYST])
                    s1 = common[SAT1_C] * cell_ah / k1
                    y = i1m[j] / s1
                    root = math.sqrt(1.0 + y * y)
                    rr = res[j]
                    uhat[j] = (
                        ocv
                        + (member_t - common[T_REF_C]) * dudt
                        + gap * h[j]
                        + rr * (r0 * k0 * cur[j] + r1 * k1 * s1 * math.asinh(y) + r2 * k2 * i2m[j])
                    )
                    hz[j] = slope * dzs
                    h1[j] = rr * r1 * k1 / root
                    h2[j] = rr * r2 * k2 + slope * dzs_i2
                    hb[j] = rr * r0 * k0
                    crate = cur[j] / cell_ah
                    he[j] = math.sqrt(
                        common[SIGMA_V] ** 2
                        + (common[SIGMA_SOC] * slope * dzs) ** 2
                        + (common[SIGMA_PER_C] * crate) ** 2
                    )
                for j in range(m):
                    az, a_1, a_2, a_e, a_b = hz[j], h1[j], h2[j], he[j], hb[j]
                    tz = az * pzz[j] + a_1 * pz1[j] + a_2 * pz2[j] + a_e * pze[j] + a_b * pzb[j]
                    t1 = az * pz1[j] + a_1 * p11[j] + a_2 * p12[j] + a_e * p1e[j] + a_b * p1b[j]
                    t2 = az * pz2[j] + a_1 * p12[j] + a_2 * p22[j] + a_e * p2e[j] + a_b * p2b[j]
                    te = az * pze[j] + a_1 * p1e[j] + a_2 * p2e[j] + a_e * pee[j] + a_b * peb[j]
                    tb = az * pzb[j] + a_1 * p1b[j] + a_2 * p2b[j] + a_e * peb[j] + a_b * pbb[j]
                    s = az * tz + a_1 * t1 + a_2 * t2 + a_e * te + a_b * tb + noise2
                    nu = volt - uhat[j] - du[j] - he[j] * e[j]
                    # An innovation beyond `outlier` standard deviations counts as a bad reading:
                    # its variance is raised until it is exactly that far out.
                    s = max(s, nu * nu / outlier2)
                    inv = 1.0 / s
                    gain_nu = nu * inv
                    z[j] += tz * gain_nu
                    i1[j] += t1 * gain_nu
                    i2[j] += t2 * gain_nu
                    e[j] += te * gain_nu
                    b[j] += tb * gain_nu
                    ll[j] -= 0.5 * (nu * gain_nu + math.log(2.0 * math.pi * s))
                    pzz[j] -= tz * tz * inv
                    pz1[j] -= tz * t1 * inv
                    pz2[j] -= tz * t2 * inv
                    pze[j] -= tz * te * inv
                    pzb[j] -= tz * tb * inv
                    p11[j] -= t1 * t1 * inv
                    p12[j] -= t1 * t2 * inv
                    p1e[j] -= t1 * te * inv
                    p1b[j] -= t1 * tb * inv
                    p22[j] -= t2 * t2 * inv
                    p2e[j] -= t2 * te * inv
                    p2b[j] -= t2 * tb * inv
                    pee[j] -= te * te * inv
                    peb[j] -= te * tb * inv
                    pbb[j] -= tb * tb * inv
            if keep:
                for j in range(m):
                    out_z[t, start + j] = z[j]
                    out_var[t, start + j] = pzz[j]
                    out_loglik[t, start + j] = ll[j]
        for r in range(STATE_ROWS):
            for j in range(m):
                state[r, start + j] = w[r, j]


def n_threads() -> int:
    """Worker threads: the processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def over_members(kernel, n: int, *arguments, threads: int | None = None) -> None:
    """Call `kernel(first, last, *arguments)` on ranges that together cover 0..n.

    The ranges are whole blocks; the kernel releases the interpreter lock. Which thread works on
    which range changes no number.
    """
    threads = threads or n_threads()
    blocks = -(-n // BLOCK)
    share = max(1, -(-blocks // threads)) * BLOCK
    ranges = [(first, min(first + share, n)) for first in range(0, n, share)]
    if len(ranges) == 1:
        kernel(0, n, *arguments)
        return
    with ThreadPoolExecutor(len(ranges)) as pool:
        for job in [pool.submit(kernel, *span, *arguments) for span in ranges]:
            job.result()
