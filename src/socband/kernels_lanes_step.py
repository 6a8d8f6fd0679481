"""Many members one step on side by side, compiled to vectors: the first half of a lanes' step.

`choose` says how long each lane's own step is, `advance` moves its state by it. What is in single
precision there rounds off some tenth of a microampere in an ampere, and half a microvolt.
"""

from __future__ import annotations

import math

import numpy as np

from socband.cell import FAST_TIME
from socband.kernels_bank import (
    C_CONDUCTANCE,
    C_EFFICIENCY,
    C_GAMMA,
    C_HEAT,
    C_LEAK,
    C_TAU1,
    C_TAU2,
    FINEST_S,
    HOTTEST_C,
    WARMTH_LOW_C,
    WARMTH_PER_K,
    WARMTH_ROWS,
)
from socband.kernels_lanes_layout import (
    ALONG,
    AS,
    AT,
    BELOW0,
    BELOW1,
    CAP,
    COOL,
    DELAY0,
    DELAY1,
    DRAWN,
    DT,
    ENOUGH,
    ES,
    EVENT,
    F_CAPACITY,
    FAST,
    FINEST_SINGLE,
    FIRST_SINGLE,
    FREE,
    GRADE,
    HALF,
    HEAT,
    HS,
    I1,
    I1S,
    I2,
    I2S,
    I3,
    I3S,
    ID,
    KEPT,
    LANES,
    LEAD,
    LEAST,
    LOAD_J,
    LONGEST_SINGLE,
    LOSS_J,
    NOW,
    NULL_S,
    ONE,
    OUT_AS,
    PAR,
    POWERED,
    PS,
    QA,
    R0N,
    R0S,
    R1N,
    RDN,
    REST,
    S_ENTROPY,
    SERVED,
    SHARE,
    SHARE_T,
    SHIFT,
    SLOW,
    SPAN,
    STEEP,
    STOP,
    THREE,
    TOTAL,
    TS,
    UMEAN,
    VC,
    VD,
    VECTOR,
    VOLT_STEP_SINGLE,
    WARM,
    WAS0,
    WAS1,
    X0,
    X1,
    X2,
    Y1,
    ZERO,
    ZS,
    A,
    E,
    H,
    P,
    T,
    Z,
    single,
)
from socband.kernels_lanes_voltage import undercut
from socband.kernels_math import (
    exp_short,
    exp_single,
)
from socband.kernels_shift import stands_at


@VECTOR
def choose(d, w, cell):
    """How long every lane's step will be, and what decays over it."""
    rate1 = single(-1.0 / cell[C_TAU1])
    rate2 = single(-1.0 / cell[C_TAU2])
    rate3 = single(-1.0 / (cell[C_TAU2] * FAST_TIME))
    cooling = -cell[C_CONDUCTANCE] / cell[C_HEAT]
    for k in range(LANES):
        steep = w[STEEP + k] * abs(w[ID + k]) * w[QA + k] * w[F_CAPACITY + k]
        grade = w[GRADE + k]
        least = max(VOLT_STEP_SINGLE / (steep + LEAST), FINEST_SINGLE)
        w[SPAN + k] = min(min(grade, w[CAP + k]), least)
        w[GRADE + k] = min(max(THREE * grade, FIRST_SINGLE), LONGEST_SINGLE)
    # ---- is a limit undercut as the step begins?
    for k in range(LANES):
        e = w[E + k]
        r0 = w[R0N + k]
        r = r0 * w[PAR + k] + w[LEAD + k]
        e_now = e - r * w[AS + k]
        rp = r * w[PS + k]
        w[WAS0 + k] = undercut(w[VD + k], e_now, rp)
        w[WAS1 + k] = undercut(w[VC + k], e_now, rp)
        w[ES + k] = e
        w[R0S + k] = r0
    # ---- the length of the step
    for k in range(LANES):
        now = d[NOW + k]
        since0 = min(d[BELOW0 + k], now) if w[WAS0 + k] > ZERO else np.inf
        since1 = min(d[BELOW1 + k], now) if w[WAS1 + k] > ZERO else np.inf
        d[BELOW0 + k] = since0
        d[BELOW1 + k] = since1
        stop = min(d[EVENT + k], min(since0 + d[DELAY0 + k], since1 + d[DELAY1 + k]))
        d[STOP + k] = stop
        left = max(stop - now, NULL_S)
        dt = np.float64(w[SPAN + k])
        # No stretching of the shortest steps: one that was taken back would come back as it was.
        dt = left if (dt > left - 0.5) & (dt > FINEST_S) else min(dt, left)
        d[DT + k] = dt
        w[SPAN + k] = dt
    for k in range(LANES):
        d[COOL + k] = exp_short(cooling * d[DT + k])
    for k in range(LANES):
        dt = w[SPAN + k]
        w[X0 + k] = rate1 * dt
        w[X1 + k] = rate2 * dt
        w[X2 + k] = rate3 * dt
    for k in range(3 * LANES):
        w[X0 + k] = exp_single(w[X0 + k])


@VECTOR
def advance(d, w, rows, rows_t, cell):
    """Every lane one step on: its mean current, its new state, where that is in the tables."""
    tau1 = single(cell[C_TAU1])
    tau2 = single(cell[C_TAU2])
    tau3 = single(cell[C_TAU2] * FAST_TIME)
    efficiency = single(cell[C_EFFICIENCY])
    gamma = single(cell[C_GAMMA])
    for k in range(LANES):
        p = w[PS + k]
        a = w[AS + k]
        par = w[PAR + k]
        lead = w[LEAD + k]
        i1 = w[I1 + k]
        i2 = w[I2 + k]
        i3 = w[I3 + k]
        dt = w[SPAN + k]
        dq = dt * w[QA + k] * w[F_CAPACITY + k]
        # ---- mean voltage and current over the step, by constant power
        inv_dt = ONE / dt
        a1 = w[X0 + k]
        a2 = w[X1 + k]
        a3 = w[X2 + k]
        f1 = ONE - (ONE - a1) * tau1 * inv_dt
        f2 = SLOW * (ONE - (ONE - a2) * tau2 * inv_dt)
        f3 = FAST * (ONE - (ONE - a3) * tau3 * inv_dt)
        r1 = w[R1N + k] * f1
        rd = w[RDN + k]
        e = w[E + k] - r1 * i1 - rd * (f2 * i2 + f3 * i3)
        rc = w[R0N + k] + r1 + rd * (f2 + f3)
        r = (rc + HALF * w[STEEP + k] * dq) * par + lead
        half = HALF * (e - r * a)
        # the greater root; see `kernels_bank.root`
        rp = r * p
        square = half * half - rp
        more = math.sqrt(max(square, ZERO))
        nothing = (half < ZERO) & (rp >= ZERO)
        u = half + (half if nothing else more)
        # what flows follows from the loads where they get all they ask for: no small difference
        enough = (square >= ZERO) & (half > ZERO)
        powered = p / u if enough else (e - u) / r - a
        total = -(a + powered)
        i = total * par
        w[TOTAL + k] = total
        w[UMEAN + k] = u
        w[POWERED + k] = powered
        w[ENOUGH + k] = ONE if enough else ZERO
        w[I1S + k] = i1
        w[I2S + k] = i2
        w[I3S + k] = i3
        w[HS + k] = w[H + k]
        step = i * dq
        w[KEPT + k] = step * efficiency if step > ZERO else step
        w[I1 + k] = i + a1 * (i1 - i)
        i2 = i + a2 * (i2 - i)
        i3 = i + a3 * (i3 - i)
        w[I2 + k] = i2
        w[I3 + k] = i3
        w[ID + k] = SLOW * i2 + FAST * i3
        # of the hysteresis, only its distance from where it goes to decays: the rest in `surface`
        w[Y1 + k] = -abs(step) * gamma
        w[HEAT + k] = i * (e + rc * i - w[REST + k])
    leak = cell[C_LEAK]
    conductance_inv = 1.0 / cell[C_CONDUCTANCE]
    for k in range(LANES):
        dt = d[DT + k]
        total = np.float64(w[TOTAL + k])
        u = np.float64(w[UMEAN + k])
        # what is asked for is served to the last digit
        served = (d[P + k] if w[ENOUGH + k] > ZERO else w[POWERED + k] * u) + d[A + k] * u
        drawn = d[A + k] + w[POWERED + k]
        d[SERVED + k] = served
        d[DRAWN + k] = drawn
        d[OUT_AS + k] += drawn * dt
        d[LOAD_J + k] += served * dt
        d[LOSS_J + k] += total * total * w[LEAD + k] * dt
        # ---- the state
        z = d[Z + k]
        t = d[T + k]
        d[ZS + k] = z
        d[TS + k] = t
        z = min(max(z + w[KEPT + k] - leak * dt, -0.2), 1.2)
        d[Z + k] = z
        heat = w[HEAT + k] + total * w[PAR + k] * (t + 273.15) * w[S_ENTROPY + k]
        steady = w[WARM + k] + heat * conductance_inv
        t = min(steady + (t - steady) * d[COOL + k], HOTTEST_C)
        d[T + k] = t
        # ---- where that is in the tables; see `kernels_bank.evaluate`
        shift = d[SHIFT + k]
        at, along = stands_at(z - shift, shift)
        d[AT + k] = at
        w[ALONG + k] = along
        x = min(max(at, 0.0), 1.0) * 1024.0
        row = np.int64(min(x, 1023.0))
        rows[k] = row
        w[SHARE + k] = x - row
        w[FREE + k] = at * 1024.0 - row
        x = min(max((t - WARMTH_LOW_C) * WARMTH_PER_K, 0.0), WARMTH_ROWS - 1.0)
        row = np.int64(min(x, WARMTH_ROWS - 2.0))
        rows_t[k] = row
        w[SHARE_T + k] = x - row
