"""From members to bands, compiled: weighted quantiles, and the look back from the end of a log."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from socband import kernels
from socband.kernels import (
    CAPACITY_AH,
    EFFICIENCY,
    F_CAPACITY,
    GAIN,
    LEAK_PER_S,
    T_GRID_START_C,
    T_GRID_STEP_K,
    TEMPERATURE_K,
    UNTRACKED_A,
    B,
    Z,
)

BINS = 4096
ROWS_TOGETHER, LEAST_SHARED = 4, 50_000  # of rows on one processor; of members times rows


@njit(cache=True, nogil=True, error_model="numpy")
def band_rows(
    first_row,
    last_row,
    z,
    variance,
    loglik,
    base,
    eta,
    jitter,
    probabilities,
    out_quantiles,
    out_mean,
    out_std,
    out_ess,
):
    """Weighted quantiles, mean and deviation of a mixture of Gaussian clouds, for some rows.

    Each member stands for one point of its cloud, `z + jitter sqrt(variance)`, clipped to 0..1;
    the quantiles come from a histogram of `BINS` bins with a straight line inside a bin, which
    is off by less than a hundredth of a percent of charge and needs no sorting.

    Args:
        first_row, last_row: the rows that are worked on, the last not included.
        z, variance, loglik: (t, n). base: (n,) log likelihood already used up.
        eta: learning rate. jitter: (n,) standard normal. probabilities: (q,) increasing.
        out_quantiles: (t, q); out_mean, out_std, out_ess: (t,).
    """
    n = z.shape[1]
    histogram = np.empty(BINS + 1)
    weight = np.empty(n)
    for t in range(first_row, last_row):
        top = -np.inf
        for j in range(n):
            weight[j] = eta * (loglik[t, j] - base[j])
            top = max(top, weight[j])
        histogram[:] = 0.0
        total = total2 = first = second = 0.0
        for j in range(n):
            w = math.exp(weight[j] - top)
            x = z[t, j] + jitter[j] * math.sqrt(max(variance[t, j], 0.0))
            x = min(max(x, 0.0), 1.0)
            total += w
            total2 += w * w
            first += w * x
            second += w * x * x
            histogram[int(x * BINS)] += w
        mean = first / total
        out_mean[t] = mean
        out_std[t] = math.sqrt(max(second / total - mean * mean, 0.0))
        out_ess[t] = total * total / total2
        gathered = 0.0
        b = 0
        for q in range(len(probabilities)):
            wanted = probabilities[q] * total
            while b < BINS and gathered + histogram[b] < wanted:
                gathered += histogram[b]
                b += 1
            inside = (wanted - gathered) / histogram[b] if histogram[b] > 0.0 else 0.0
            out_quantiles[t, q] = min((b + min(max(inside, 0.0), 1.0)) / BINS, 1.0)


def bands(z, *arguments):
    """`band_rows` for all rows, spread over the processors where that is worth it."""
    few = z.size < LEAST_SHARED
    kernels.over_members(
        band_rows, len(z), z, *arguments, threads=1 if few else None, block=ROWS_TOGETHER
    )


@njit(cache=True, nogil=True, error_model="numpy")
def look_back_range(
    first,
    last,
    state,
    parameters,
    pattern,
    dt_s,
    seen_a,
    temperature_c,
    patterns_on,
    factors,
    common,
    out_z,
):
    """Charge of members `first:last` before each step, going back from their charge at the end.

    Args:
        state: (STATE_ROWS, n); rows Z and B are the draw at the end of the last step, and are
            left as they are before the first step.
        out_z: (t, n) charge after each step.
    """
    n_temperature = factors.shape[0] - 1
    for t in range(dt_s.shape[0] - 1, -1, -1):
        for j in range(first, last):
            pos = temperature_c[t] + parameters[TEMPERATURE_K, j] - common[T_GRID_START_C]
            pos = min(max(pos / common[T_GRID_STEP_K], 0.0), n_temperature - 1e-9)
            k = int(pos)
            fc = factors[k, F_CAPACITY] + (pos - k) * (
                factors[k + 1, F_CAPACITY] - factors[k, F_CAPACITY]
            )
            on = patterns_on[pattern[j], t]
            amps = parameters[GAIN, j] * seen_a[t] - parameters[UNTRACKED_A, j] * on + state[B, j]
            q = dt_s[t] / (3600.0 * parameters[CAPACITY_AH, j] * fc)
            if amps > 0.0:
                q *= common[EFFICIENCY]
            out_z[t, j] = state[Z, j]
            state[Z, j] -= q * amps - common[LEAK_PER_S] * dt_s[t]
