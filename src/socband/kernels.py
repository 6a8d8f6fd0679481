"""The filter's hot loop, compiled: an extended Kalman filter in every member at once.

State of a member (order of the rows of `STATE`):

    z   true state of charge, 0..1
    i1  current of the first RC branch [A], v1 = R1 i1
    i2  slow mode of the diffusion current [A]
    e   coloured voltage-model error, in units of its own standard deviation (so that its size can
        follow the slope of the OCV curve at once while its memory is a constant); its size is
        given, one for all members
    b   constant current the monitor does not report truly [A]: minus offset, minus untracked load

The fast mode i3 needs no state of its own: it is what the seen current makes of it, worked out on
the log's own rows, where the member believes it started, and the rest of the member's current,
which it follows within minutes. The
process is linear (F is the same for all members but for the capacity), the measurement

    U = OCV(z_s) + (T - Tr) dU/dT(z_s) + M(z_s) h + R0 k0 I + R1 k1 sat(i1) + R2 k2 i_d
        + c(z_s) + s_e e + v

is not: the tables are taken at the surface charge z_s, i_d is made of i2 and i3 (see
`socband.cell`), and c is what this member's curve lies above its model's, a polygon over
`CURVE_NODES` nodes. U is the mean voltage over the step, so it is compared with the states' mean
over the step. All currents are those of one cell, positive into it.

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

from socband.kernels_layout import (  # noqa: F401  (the names the other modules use)
    BIAS_WALK_A,
    CAPACITY_AH,
    CELL_CAPACITY_AH,
    COMMON_SIZE,
    CURVE_NODES,
    CURVE_V,
    DECAY,
    DIFFUSION,
    DRIVE_ROWS,
    EFFICIENCY,
    ENTROPY,
    F_CAPACITY,
    FAST_START_A,
    GAIN,
    GAMMA,
    HYST,
    HYST_ADD,
    HYST_KEEP,
    HYSTERESIS,
    I1,
    I2,
    KEEP_E,
    LAG,
    LEAK_PER_S,
    LOGLIK,
    MINUTE_NOISE_V,
    NOISE_V,
    OCV,
    OUTLIER_SIGMA,
    P0,
    PARAMETER_ROWS,
    R0,
    R1,
    R2,
    RC1_BEFORE,
    RC1_END,
    RC1_MEAN,
    RC2_BEFORE,
    RC2_END,
    RC2_MEAN,
    RC3_END,
    RC3_LEFT,
    RC3_MEAN,
    RESISTANCE,
    SAT1_C,
    SAT_LAG_C,
    SEEN_A,
    SHIFT,
    SIGMA_E_V,
    STATE,
    STATE_ROWS,
    T_GRID_START_C,
    T_GRID_STEP_K,
    T_REF_C,
    TAU1_S,
    TAU2_S,
    TEMPERATURE_K,
    UNTRACKED_A,
    VOLTAGE_V,
    B,
    E,
    H,
    Z,
)
from socband.kernels_step import (
    BLOCK,
    ON,
    PRODUCT,
    SIZE,
    W_GAIN,
    W_LL,
    W_Z,
    ZZ,
    at_temperature,
    look_up,
    look_up_surface,
    predict,
    surface,
    take_logs,
    update,
)

LOG_EVERY = 16  # updates: the product of so many variances stays far from underflow


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
            `kernels_track.respond`, and the voltage-model error's deviation [V] and memory.
        patterns_on: (patterns, t) share of the step in which the untracked load draws.
        charge_var: (t,) variance that the step adds to the charge of unknown cause (a gap).
        table: (k, >=7) cell table on a uniform charge grid over 0..1.
        factors: (j, 5) k0, k1, k2, k_lag, capacity factor on a uniform temperature grid.
        common: (COMMON_SIZE,).
        out_z, out_var, out_loglik: (t, n) or (0, 0) if not wanted: mean and variance of the
            charge, and the log likelihood gathered so far, after each step.
    """
    n_steps = dt_s.shape[0]
    keep = out_z.shape[0] > 0
    tau1 = common[TAU1_S]
    tau2 = common[TAU2_S]
    w = np.empty(SIZE)
    which = np.empty(BLOCK, np.uint64)
    for start in range(first, last, BLOCK):
        m = min(BLOCK, last - start)
        for r in range(STATE_ROWS):
            for j in range(BLOCK):  # the last block is filled up with its last member
                w[r * BLOCK + j] = state[r, start + min(j, m - 1)]
        for r in range(PARAMETER_ROWS):
            for j in range(BLOCK):
                w[W_GAIN + r * BLOCK + j] = parameters[r, start + min(j, m - 1)]
        for j in range(BLOCK):
            which[j] = pattern[start + min(j, m - 1)]
            w[PRODUCT + j] = 1.0
        updates = 0
        last_dt = last_temperature = np.nan
        a1 = a2 = c1 = c2 = 0.0
        for t in range(n_steps):
            dt = dt_s[t]
            if dt != last_dt:
                last_dt = dt
                a1 = math.exp(-dt / tau1)
                a2 = math.exp(-dt / tau2)
                # Mean of an exponential approach over the step, as a weight on its start.
                c1 = tau1 * (1.0 - a1) / dt if dt > 0.0 else 1.0
                c2 = tau2 * (1.0 - a2) / dt if dt > 0.0 else 1.0
            if temperature_c[t] != last_temperature:
                last_temperature = temperature_c[t]
                at_temperature(w, factors, common, last_temperature)
            for j in range(BLOCK):
                w[ON + j] = patterns_on[which[j], t]
            predict(w, drive, t, dt, a1, a2, drive[KEEP_E, t], c1, c2, charge_var[t], common)
            if not math.isnan(voltage_v[t]):
                look_up(w, table)
                surface(w, common)
                look_up_surface(w, table)
                update(w, voltage_v[t], dt, drive[SIGMA_E_V, t], common)
                updates += 1
                if keep or updates == LOG_EVERY:
                    take_logs(w, updates)
                    updates = 0
            if keep:
                for j in range(m):
                    out_z[t, start + j] = w[W_Z + j]
                    out_var[t, start + j] = w[ZZ + j]
                    out_loglik[t, start + j] = w[W_LL + j]
        take_logs(w, updates)
        for r in range(STATE_ROWS):
            for j in range(m):
                state[r, start + j] = w[r * BLOCK + j]


def n_threads() -> int:
    """Worker threads: the processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def over_members(
    kernel, n: int, *arguments, threads: int | None = None, block: int = BLOCK
) -> None:
    """Call `kernel(first, last, *arguments)` on ranges that together cover 0..n.

    The ranges are whole blocks of members (or of rows); the kernel releases the interpreter lock.
    Which thread works on which range changes no number.
    """
    threads = threads or n_threads()
    blocks = -(-n // block)
    share = max(1, -(-blocks // threads)) * block
    ranges = [(first, min(first + share, n)) for first in range(0, n, share)]
    if len(ranges) == 1:
        kernel(0, n, *arguments)
        return
    with ThreadPoolExecutor(len(ranges)) as pool:
        for job in [pool.submit(kernel, *span, *arguments) for span in ranges]:
            job.result()
