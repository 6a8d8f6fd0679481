"""What a log's seen current does to a cell at rest, compiled: the filter's drive."""

from __future__ import annotations

import math

from numba import njit

from socband.cell import FAST_TIME
from socband.kernels import (
    HYST_ADD,
    HYST_KEEP,
    RC1_BEFORE,
    RC1_END,
    RC1_MEAN,
    RC2_BEFORE,
    RC2_END,
    RC2_MEAN,
    RC3_END,
    RC3_LEFT,
    RC3_MEAN,
    SEEN_A,
)


@njit(cache=True, nogil=True, error_model="numpy")
def respond(time_s, current_a, ends, tau1_s, tau2_s, turn_per_as, out):
    """What the seen current does to a cell at rest, row by row of the log, gathered into steps.

    Args:
        time_s, current_a: (r,) rows of the log; the current of a row holds since the row before.
        ends: (t,) last row of each step; the first step begins at row 0.
        tau1_s, tau2_s: time constants of the branches; the fast mode's follows from the second.
        turn_per_as: gamma over capacity [1/(A s)], how fast hysteresis follows the charge.
        out: (DRIVE_ROWS, t).
    """
    i1 = i2 = i3 = 0.0
    left = 1.0
    tau3_s = FAST_TIME * tau2_s
    row = 0
    for t in range(ends.shape[0]):
        out[RC1_BEFORE, t] = i1
        out[RC2_BEFORE, t] = i2
        charge = mean1 = mean2 = mean3 = mean_left = span = add = 0.0
        keep = 1.0
        while row < ends[t]:
            row += 1
            dt = time_s[row] - time_s[row - 1]
            amps = current_a[row]
            a1 = math.exp(-dt / tau1_s)
            a2 = math.exp(-dt / tau2_s)
            mean1 += amps * dt + (i1 - amps) * tau1_s * (1.0 - a1)
            mean2 += amps * dt + (i2 - amps) * tau2_s * (1.0 - a2)
            a3 = math.exp(-dt / tau3_s)
            mean3 += amps * dt + (i3 - amps) * tau3_s * (1.0 - a3)
            mean_left += left * tau3_s * (1.0 - a3)
            left *= a3
            i3 = a3 * i3 + (1.0 - a3) * amps
            i1 = a1 * i1 + (1.0 - a1) * amps
            i2 = a2 * i2 + (1.0 - a2) * amps
            x = math.exp(-turn_per_as * abs(amps) * dt)
            sign = 1.0 if amps > 0.0 else (-1.0 if amps < 0.0 else 0.0)
            add = x * add + (1.0 - x) * sign
            keep *= x
            charge += amps * dt
            span += dt
        out[SEEN_A, t] = charge / span
        out[RC1_END, t] = i1
        out[RC2_END, t] = i2
        out[RC3_END, t] = i3
        out[RC3_MEAN, t] = mean3 / span
        out[RC3_LEFT, t] = mean_left / span
        out[RC1_MEAN, t] = mean1 / span
        out[RC2_MEAN, t] = mean2 / span
        out[HYST_KEEP, t] = keep
        out[HYST_ADD, t] = add
