"""The forward kernel for the usual bank: one battery, no sources; many members side by side.

It does what `kernels_forward.carry` does for such a bank, forty-eight members (*lanes*) at a time,
each with its own clock and its own step. Arithmetic runs in loops over the lanes that the compiler
turns into vector instructions; table look-ups and events stand in scalar loops of their own. A lane
whose member has met its disconnect takes the next member. A step that has to be taken back, or a
member just begun, shows as a step of a nanosecond, which brings the look-ups up to date.
"""

from __future__ import annotations

import math

import numpy as np

from socband.kernels_bank import (
    B_CAPACITY,
    B_LEAD,
    B_PARALLEL,
    B_RESISTANCE,
    JIT,
    S_H,
    S_I1,
    S_I2,
    S_SOC,
    S_T,
    factors,
)
from socband.kernels_demand import (
    K_DUTY_AT_C,
    K_DUTY_PER_K,
    K_INVERTER,
    K_JITTER,
    K_STREAM,
    K_SURGE,
    K_SURGE_S,
    span_at,
    update_load,
)
from socband.kernels_forward import (
    L_CUTOUT,
    L_CUTOUT_DELAY,
    L_DELAY,
    L_DISCONNECT,
    L_LEAD,
    O_BATTERY_J,
    O_CHARGE,
    O_COLDEST,
    O_COUNT,
    O_FIRST_BMS,
    O_FULL,
    O_INVERTER,
    O_LOAD_J,
    O_LOSS_J,
    O_LVD,
    O_OUT,
    O_SOC,
    O_STEPS,
    O_WHICH,
)
from socband.kernels_lanes_step import (
    ATTENTION,
    BATTERY_J,
    BELOW0,
    BELOW1,
    CAP,
    DELAY0,
    DELAY1,
    DS,
    DT,
    EVENT,
    FINEST_S,
    GRADE,
    GRID,
    HS,
    I1,
    I1S,
    I2,
    I2S,
    K0,
    K1,
    K1INV,
    K2,
    KL,
    LANES,
    LEAD,
    LOAD_J,
    LOSS_J,
    M0,
    M1,
    MOST_TRIES,
    NL,
    NOW,
    NULL_S,
    OUT_AH,
    PAR,
    PM0,
    PM1,
    QS,
    RF,
    RR0,
    RR1,
    RR2,
    SIZE,
    STEPS,
    TF,
    TINY_S,
    TOTAL,
    TRIES,
    TS,
    UMEAN,
    V1,
    VC,
    VD,
    WARM,
    ZS,
    A,
    H,
    P,
    T,
    Z,
    finish_lanes,
    look_up_lanes,
    look_up_surface_lanes,
    step_lanes,
    surface_lanes,
)


@JIT
def _begin(w, k, m, state0, battery, limits, ambient, out):
    """Put member m on lane k."""
    for r in range(0, SIZE, LANES):
        w[r + k] = 0.0
    w[Z + k] = state0[m, 0, S_SOC]
    w[I1 + k] = state0[m, 0, S_I1]
    w[I2 + k] = state0[m, 0, S_I2]
    w[H + k] = state0[m, 0, S_H]
    w[T + k] = state0[m, 0, S_T]
    w[QS + k] = 1.0 / (3600.0 * battery[m, 0, B_CAPACITY])
    w[K1INV + k] = 1.0
    w[PAR + k] = 1.0 / battery[m, 0, B_PARALLEL]
    w[RF + k] = battery[m, 0, B_RESISTANCE]
    w[LEAD + k] = battery[m, 0, B_LEAD] + limits[m, L_LEAD]
    w[VD + k] = limits[m, L_DISCONNECT]
    w[VC + k] = limits[m, L_CUTOUT]
    w[DELAY0 + k] = limits[m, L_DELAY]
    w[DELAY1 + k] = limits[m, L_CUTOUT_DELAY]
    w[BELOW0 + k] = np.inf
    w[BELOW1 + k] = np.inf
    w[STEPS + k] = -2.0
    w[TF + k] = -1e9
    w[WARM + k] = state0[m, 0, S_T]
    w[M0 + k] = w[M1 + k] = w[PM0 + k] = w[PM1 + k] = 1.0
    w[CAP + k] = 300.0
    w[GRADE + k] = NULL_S
    w[EVENT + k] = NULL_S
    w[NL + k] = 3.3  # any: in the null step that follows no current flows
    w[DS + k] = w[K0 + k] = w[K1 + k] = w[K2 + k] = w[KL + k] = 1.0
    w[RR0 + k] = w[RR1 + k] = w[RR2 + k] = 1e-3
    for r in range(O_COUNT):
        out[m, r] = 0.0
    for r in (O_LVD, O_INVERTER, O_FIRST_BMS, O_FULL, O_COLDEST):
        out[m, r] = np.inf


@JIT
def _idle(w, k):
    """A lane without a member: steps that mean nothing."""
    w[P + k] = 0.0
    w[A + k] = 0.0
    w[I1 + k] = 0.0
    w[I2 + k] = 0.0
    w[Z + k] = 0.5
    w[EVENT + k] = np.inf
    w[GRID + k] = np.inf
    w[VD + k] = -1.0
    w[VC + k] = -1.0
    w[M0 + k] = w[M1 + k] = w[PM0 + k] = w[PM1 + k] = 1.0


@JIT
def _crossed(w, k):
    """A limit was crossed within the lane's step: True if the step is to be taken again."""
    shorter = np.inf
    dt = w[DT + k]
    for j in range(2):
        now, before = w[M0 + j * LANES + k], w[PM0 + j * LANES + k]
        if now < 0.0 <= before:
            at = dt * before / (before - now)
            if dt > FINEST_S:
                shorter = min(shorter, min(max(0.5 * at, 0.125 * dt, FINEST_S), 0.5 * dt))
            elif at + w[DELAY0 + j * LANES + k] < dt - TINY_S:
                shorter = min(shorter, max(at + w[DELAY0 + j * LANES + k], 2.0 * TINY_S))
    w[TRIES + k] += 1.0
    if shorter == np.inf or w[TRIES + k] > MOST_TRIES:
        w[TRIES + k] = 0.0
        return False
    total, u = w[TOTAL + k], w[UMEAN + k]
    w[OUT_AH + k] += total * dt
    w[LOAD_J + k] += total * u * dt
    w[LOSS_J + k] -= w[LEAD + k] * total * total * dt
    w[BATTERY_J + k] -= (u - w[LEAD + k] * total) * total * dt
    w[STEPS + k] -= 2.0  # this one, and the null step that follows
    w[NOW + k] -= dt
    w[Z + k] = w[ZS + k]
    w[I1 + k] = w[I1S + k]
    w[I2 + k] = w[I2S + k]
    w[H + k] = w[HS + k]
    w[T + k] = w[TS + k]
    w[M0 + k] = w[PM0 + k]
    w[M1 + k] = w[PM1 + k]
    if dt > FINEST_S:
        w[CAP + k] = max(shorter, FINEST_S)
    else:
        w[EVENT + k] = w[NOW + k] + shorter
    w[GRADE + k] = NULL_S
    return True


@JIT
def _jump(w, k):
    """Voltage now under the lane's loads, and its margins."""
    e = w[NL + k] + w[V1 + k] + w[RR2 + k] * w[I2 + k]
    r = w[RR0 + k] * w[PAR + k] + w[LEAD + k]
    half = 0.5 * (e - r * w[A + k])
    u = half + math.sqrt(max(half * half - r * w[P + k], 0.0))
    w[M0 + k] = u - w[VD + k]
    w[M1 + k] = u - w[VC + k]


@JIT
def carry_lanes(
    first, stop, seed, horizon_s, grid_s, cell, table, cap_curve, state0, battery, limits, ambient,
    load_power, load_current, load_duty, load_cycle, load_kind, span_ptr, spans, enabled,
    soc_grid, out,
):  # fmt: skip
    """Carry members first..stop ahead; arguments as in `kernels_forward.carry`."""
    nl = load_power.shape[1]
    n_grid = grid_s.shape[0]
    w = np.zeros(SIZE)
    fac = np.empty(6)
    member = np.full(LANES, -1)
    g_next = np.zeros(LANES, np.int64)
    own_on = np.zeros(LANES * nl, np.bool_)
    on = np.zeros(LANES * nl, np.bool_)
    own_next = np.zeros(LANES * nl)
    surge_end = np.zeros(LANES * nl)
    count = np.zeros(LANES * nl, np.int64)
    place = np.zeros(LANES * nl, np.int64)
    change = np.zeros(LANES * nl)
    following = first
    busy = 0
    for k in range(LANES):
        w[QS + k] = w[PAR + k] = w[K1INV + k] = 1.0
        w[GRADE + k] = w[CAP + k] = 300.0
        w[NL + k] = 3.3
        w[DS + k] = w[K0 + k] = w[K1 + k] = w[K2 + k] = w[KL + k] = 1.0
        w[BELOW0 + k] = w[BELOW1 + k] = np.inf
        _idle(w, k)
        w[ATTENTION + k] = 1.0
    starting = True
    while starting or busy > 0:
        if not starting:
            step_lanes(w, cell)
            look_up_lanes(w, table)
            surface_lanes(w, cell)
            look_up_surface_lanes(w, table)
            finish_lanes(w, cell)
        for k in range(LANES):
            if w[ATTENTION + k] == 0.0:
                continue
            m = member[k]
            done = m < 0
            if not done:
                dt = w[DT + k]
                if dt > NULL_S and _crossed(w, k):
                    continue
                t = w[NOW + k]
                if abs(w[T + k] - w[TF + k]) > 0.05:
                    # the factors are out of date: at once for the next step's resistances too
                    o0, o1, o2 = w[K0 + k], w[K1 + k], w[K2 + k]
                    factors(cell, w[T + k], cap_curve, fac)
                    w[K0 + k], w[K1 + k], w[K2 + k], w[KL + k] = fac[0], fac[1], fac[2], fac[3]
                    w[TF + k] = w[T + k]
                    w[QS + k] = 1.0 / (3600.0 * battery[m, 0, B_CAPACITY] * fac[4])
                    w[K1INV + k] = 1.0 / fac[1]
                    w[RR0 + k] *= fac[0] / o0
                    w[RR1 + k] *= fac[1] / o1
                    w[RR2 + k] *= fac[2] / o2
                    w[V1 + k] *= fac[1] / o1
                    if t <= TINY_S:
                        # a member just begun: look everything up once more with these
                        w[GRADE + k] = NULL_S
                        w[EVENT + k] = t + NULL_S
                        continue
                for j in range(2):
                    now, before = w[M0 + j * LANES + k], w[PM0 + j * LANES + k]
                    if now >= 0.0:
                        w[BELOW0 + j * LANES + k] = np.inf
                    elif before >= 0.0:
                        w[BELOW0 + j * LANES + k] = t - dt + dt * before / (before - now)
                    trip = w[BELOW0 + j * LANES + k] + w[DELAY0 + j * LANES + k]
                    w[EVENT + k] = min(w[EVENT + k], max(trip, t))
                while g_next[k] < n_grid and grid_s[g_next[k]] <= t + TINY_S:
                    back = (t - grid_s[g_next[k]]) / dt if dt > NULL_S else 0.0
                    soc_grid[m, g_next[k]] = w[Z + k] + (w[ZS + k] - w[Z + k]) * back
                    g_next[k] += 1
                w[GRID + k] = grid_s[g_next[k]] if g_next[k] < n_grid else np.inf
                changed = t <= TINY_S
                again = w[EVENT + k] <= t + TINY_S
                while again:
                    if w[BELOW1 + k] + w[DELAY1 + k] <= t + TINY_S:
                        out[m, O_INVERTER] = t
                        w[VC + k] = -np.inf
                        w[BELOW1 + k] = np.inf
                        changed = True
                    if w[BELOW0 + k] + w[DELAY0 + k] <= t + TINY_S:
                        out[m, O_LVD] = t
                        out[m, O_WHICH] = 1.0
                        done = True
                    if done or t >= horizon_s - TINY_S:
                        done = True
                        break
                    warm = ambient[m, 0]
                    if ambient[m, 1] != 0.0:
                        warm += ambient[m, 1] * math.cos(
                            2.0 * math.pi * (t - ambient[m, 2]) / 86400.0
                        )
                    w[WARM + k] = warm
                    event = horizon_s
                    load_p = 0.0
                    load_a = 0.0
                    for j in range(nl):
                        at = k * nl + j
                        if change[at] <= t + TINY_S:
                            duty = load_duty[m, j] + load_kind[j, K_DUTY_PER_K] * (
                                warm - load_kind[j, K_DUTY_AT_C]
                            )
                            update_load(
                                t, at, m, seed, duty, load_cycle[m, j], load_kind[j, K_JITTER],
                                np.int64(load_kind[j, K_STREAM]), own_on, own_next, count,
                            )  # fmt: skip
                            inside, until = span_at(t, at, span_ptr[j + 1], spans, place)
                            now_on = inside and own_on[at]
                            if now_on and not on[at] and load_kind[j, K_SURGE_S] > 0.0 and t > 1e-3:
                                surge_end[at] = t + load_kind[j, K_SURGE_S]
                            if enabled[j] and (now_on != on[at] or surge_end[at] >= t - TINY_S):
                                changed = True
                            on[at] = now_on
                            change[at] = min(own_next[at], until)
                            if surge_end[at] > t + TINY_S:
                                change[at] = min(change[at], surge_end[at])
                        if not enabled[j]:
                            continue
                        event = min(event, change[at])
                        if on[at] and not (load_kind[j, K_INVERTER] > 0.5 and w[VC + k] == -np.inf):
                            factor = 1.0
                            if surge_end[at] > t + TINY_S:
                                factor = load_kind[j, K_SURGE]
                            load_p += load_power[m, j] * factor
                            load_a += load_current[m, j] * factor
                    w[P + k] = load_p
                    w[A + k] = load_a
                    if changed:
                        w[GRADE + k] = 5.0
                        w[CAP + k] = 300.0
                        changed = False
                    _jump(w, k)
                    for j in range(2):
                        if w[M0 + j * LANES + k] >= 0.0:
                            w[BELOW0 + j * LANES + k] = np.inf
                        elif w[BELOW0 + j * LANES + k] == np.inf:
                            w[BELOW0 + j * LANES + k] = t
                        event = min(event, w[BELOW0 + j * LANES + k] + w[DELAY0 + j * LANES + k])
                    w[EVENT + k] = event
                    again = event <= t + TINY_S
            if not done:
                continue
            # ---- the lane is free: report its member, take the next one
            if m >= 0:
                busy -= 1
                out[m, O_SOC] = w[Z + k]
                out[m, O_CHARGE] = -w[OUT_AH + k] / 3600.0
                out[m, O_OUT] = w[OUT_AH + k] / 3600.0
                out[m, O_LOAD_J] = w[LOAD_J + k]
                out[m, O_LOSS_J] = w[LOSS_J + k]
                out[m, O_BATTERY_J] = w[BATTERY_J + k]
                out[m, O_STEPS] = w[STEPS + k]
                out[m, O_COLDEST] = w[T + k]
                while g_next[k] < n_grid:
                    soc_grid[m, g_next[k]] = w[Z + k]
                    g_next[k] += 1
                member[k] = -1
            if following < stop:
                m = following
                following += 1
                busy += 1
                member[k] = m
                g_next[k] = 0
                _begin(w, k, m, state0, battery, limits, ambient, out)
                for j in range(nl):
                    at = k * nl + j
                    count[at] = -1
                    own_next[at] = 0.0
                    surge_end[at] = -1.0
                    place[at] = span_ptr[j]
                    on[at] = False
                    change[at] = 0.0
            else:
                _idle(w, k)
                w[ATTENTION + k] = 0.0
        starting = False
