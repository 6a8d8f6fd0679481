"""The forward kernel for the usual bank: one battery, no sources; many members side by side.

It does what `kernels_forward.carry` does for such a bank, forty-eight members (*lanes*) at a time,
each with its own clock and its own step. Arithmetic and look-ups run over all lanes as vector
instructions (`kernels_lanes_step`); here stands what a lane does now and then by itself: switching
of loads, limits, storing, the next member. A step that has to be taken back, or a member just
begun, shows as a step of a nanosecond, which brings the look-ups up to date.
"""

from __future__ import annotations

import numpy as np

from socband.cell import FAST_SHARE, SLOW_SHARE
from socband.kernels_bank import (
    B_CAPACITY,
    B_DIFFUSION,
    B_LEAD,
    B_PARALLEL,
    B_RESISTANCE,
    B_SHIFT,
    JIT,
    PART,
    S_H,
    S_I1,
    S_I2,
    S_I3,
    S_SOC,
    S_T,
    root,
    warm_at,
)
from socband.kernels_columns import (
    L_CUTOUT,
    L_CUTOUT_DELAY,
    L_DELAY,
    L_DISCONNECT,
    L_LEAD,
    O_BATTERY_J,
    O_CHARGE,
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
    O_TEMPERATURE,
    O_WHICH,
)
from socband.kernels_demand import D_COUNT, begin_loads, cut_inverter, switch_loads
from socband.kernels_lanes_step import (
    BELOW0,
    BELOW1,
    CAP,
    DELAY0,
    DELAY1,
    DF,
    DT,
    ES,
    EVENT,
    EVENTS,
    F_CAPACITY,
    FINEST_S,
    FLIPPED,
    GRADE,
    GRID,
    HS,
    I1,
    I1S,
    I2,
    I2S,
    I3,
    I3S,
    ID,
    LANES,
    LEAD,
    LOAD_J,
    LOSS_J,
    MOST_TRIES,
    NOW,
    NULL_S,
    OUT_AS,
    PAR,
    QA,
    R0N,
    R0S,
    REST,
    RF,
    SHIFT,
    SIZE,
    STORE,
    TINY_S,
    TOTAL,
    TRIES,
    TS,
    UMEAN,
    VC,
    VD,
    WARM,
    ZS,
    A,
    E,
    H,
    P,
    T,
    Z,
    advance,
    branches,
    choose,
    look_up,
    look_up_surface,
    settle,
    surface,
)
from socband.kernels_lookup import aligned_zeros


@PART
def _free(w, k):
    """A lane without a member: steps that mean nothing."""
    for r in range(0, SIZE, LANES):
        w[r + k] = 0.0
    w[Z + k] = 0.5
    w[QA + k] = w[PAR + k] = w[F_CAPACITY + k] = 1.0
    w[R0N + k] = 1e-3
    w[E + k] = w[REST + k] = 3.3  # any: no current flows
    w[GRADE + k] = w[CAP + k] = 300.0
    w[EVENT + k] = w[GRID + k] = np.inf
    w[BELOW0 + k] = w[BELOW1 + k] = np.inf
    w[VD + k] = w[VC + k] = -1.0


@PART
def _begin(w, k, m, state0, battery, limits, out):
    """Put member m on lane k: a null step will look everything up."""
    _free(w, k)
    w[Z + k] = state0[m, 0, S_SOC]
    w[I1 + k] = state0[m, 0, S_I1]
    w[I2 + k] = state0[m, 0, S_I2]
    w[I3 + k] = state0[m, 0, S_I3]
    w[ID + k] = SLOW_SHARE * w[I2 + k] + FAST_SHARE * w[I3 + k]
    w[H + k] = state0[m, 0, S_H]
    w[T + k] = w[WARM + k] = state0[m, 0, S_T]
    w[QA + k] = 1.0 / (3600.0 * battery[m, 0, B_CAPACITY])
    w[PAR + k] = 1.0 / battery[m, 0, B_PARALLEL]
    w[RF + k] = battery[m, 0, B_RESISTANCE]
    w[DF + k] = battery[m, 0, B_DIFFUSION]
    w[SHIFT + k] = battery[m, 0, B_SHIFT]
    w[LEAD + k] = battery[m, 0, B_LEAD] + limits[m, L_LEAD]
    w[VD + k] = limits[m, L_DISCONNECT]
    w[VC + k] = limits[m, L_CUTOUT]
    w[DELAY0 + k] = limits[m, L_DELAY]
    w[DELAY1 + k] = limits[m, L_CUTOUT_DELAY]
    w[GRADE + k] = w[EVENT + k] = NULL_S
    for r in range(O_COUNT):
        out[m, r] = 0.0
    for r in (O_LVD, O_INVERTER, O_FIRST_BMS, O_FULL):
        out[m, r] = np.inf


@PART
def _terminal(w, k, e, r0):
    """Voltage of lane k under its loads now."""
    r = r0 * w[PAR + k] + w[LEAD + k]
    return root(0.5 * (e - r * w[A + k]), r * w[P + k])


@PART
def _crossed(w, k):
    """Limits crossed within the lane's step: True if the step is to be taken again, shorter."""
    dt = w[DT + k]
    u0 = _terminal(w, k, w[ES + k], w[R0S + k])
    u = _terminal(w, k, w[E + k], w[R0N + k])
    shorter = np.inf
    for j in range(2):
        row = j * LANES + k
        now, before = u - w[VD + row], u0 - w[VD + row]
        if now < 0.0 <= before:
            at = dt * before / (before - now)
            if dt > FINEST_S:
                shorter = min(shorter, min(max(0.5 * at, 0.125 * dt, FINEST_S), 0.5 * dt))
            elif at + w[DELAY0 + row] < dt - TINY_S:
                shorter = min(shorter, max(at + w[DELAY0 + row], 2.0 * TINY_S))
    w[TRIES + k] += 1.0
    again = shorter < np.inf and w[TRIES + k] <= MOST_TRIES
    if again:
        moved = w[TOTAL + k] * dt
        w[OUT_AS + k] += moved
        w[LOAD_J + k] += moved * w[UMEAN + k]
        w[LOSS_J + k] -= moved * w[TOTAL + k] * w[LEAD + k]
        w[NOW + k] -= dt
        w[Z + k] = w[ZS + k]
        w[I1 + k] = w[I1S + k]
        w[I2 + k] = w[I2S + k]
        w[I3 + k] = w[I3S + k]
        w[ID + k] = SLOW_SHARE * w[I2S + k] + FAST_SHARE * w[I3S + k]
        w[H + k] = w[HS + k]
        w[T + k] = w[TS + k]
        w[E + k] = w[ES + k]
        w[R0N + k] = w[R0S + k]
        if dt > FINEST_S:
            w[CAP + k] = max(shorter, FINEST_S)
        else:
            w[EVENT + k] = w[NOW + k] + shorter
        w[GRADE + k] = NULL_S
    else:
        w[TRIES + k] = 0.0
        for j in range(2):
            row = j * LANES + k
            now, before = u - w[VD + row], u0 - w[VD + row]
            if now >= 0.0:
                w[BELOW0 + row] = np.inf
            elif before >= 0.0:
                w[BELOW0 + row] = w[NOW + k] - dt + dt * before / (before - now)
    return again


@PART
def _report(w, k, m, steps, out):
    """What became of the member of a lane."""
    out[m, O_SOC] = w[Z + k] - w[SHIFT + k]
    out[m, O_CHARGE] = -w[OUT_AS + k] / 3600.0
    out[m, O_OUT] = w[OUT_AS + k] / 3600.0
    out[m, O_LOAD_J] = w[LOAD_J + k]
    out[m, O_LOSS_J] = w[LOSS_J + k]
    out[m, O_BATTERY_J] = -w[LOAD_J + k] - w[LOSS_J + k]
    out[m, O_STEPS] = steps
    out[m, O_TEMPERATURE] = w[T + k]


def room_of(loads: int) -> tuple[np.ndarray, ...]:
    """Arrays to work in, for one call at a time."""
    return (
        aligned_zeros((SIZE,)),
        aligned_zeros((LANES,), np.int64),  # rows of the tables
        aligned_zeros((LANES,), np.int64),
        aligned_zeros((LANES,), np.int64),  # what lanes want
        np.zeros(LANES + 1, np.int64),  # lanes that want to store, that have events
        np.zeros(LANES + 1, np.int64),
        np.zeros(LANES, np.int64),  # member on the lane, or -1
        np.zeros(LANES, np.int64),  # the next moment of the grid
        np.zeros(LANES),  # steps, less the number of rounds so far
        np.zeros(LANES * loads, np.uint64),
        np.zeros((LANES * loads, D_COUNT)),
    )


@JIT
def carry_lanes(
    first, stop, seed, horizon_s, grid_s, cell, table, warmth, state0, battery, limits, ambient,
    loads, soc_grid, out, room,
):  # fmt: skip
    """Carry members first..stop ahead; arguments as in `kernels_forward.carry`."""
    _, _, _, _, kind, span_ptr, spans, _ = loads
    nl = kind.shape[0]
    n_grid = grid_s.shape[0]
    w, rows, rows_t, wants, storing, switching, member, g_next, steps, keys, states = room
    member[:] = -1
    following = first
    busy = 0
    rounds = 0
    for k in range(LANES):
        _free(w, k)
        wants[k] = EVENTS
    while rounds == 0 or busy > 0:
        if rounds > 0:
            choose(w, cell)
            advance(w, rows, rows_t, cell)
            look_up(w, rows, rows_t, table, warmth)
            branches(w, cell)
            surface(w, rows)
            look_up_surface(w, rows, table)
            settle(w, wants, cell)
        rounds += 1
        # lists of the lanes that want something: a branch for each lane would be guessed wrong
        flips = stores = events = 0
        for k in range(LANES):
            want = wants[k]
            storing[stores] = switching[events] = k
            stores += want & STORE
            events += (want & EVENTS) >> 1
            flips += want >> 2
        if flips > 0:
            for k in range(LANES):
                if wants[k] >= FLIPPED and w[DT + k] > NULL_S and _crossed(w, k):
                    steps[k] -= 2.0  # this one, and the null step that follows
                    wants[k] = 0
        for n in range(stores):
            k = storing[n]
            dt = w[DT + k]
            while w[NOW + k] >= w[GRID + k] - TINY_S:
                back = (w[NOW + k] - w[GRID + k]) / dt if dt > NULL_S else 0.0
                soc = w[Z + k] + (w[ZS + k] - w[Z + k]) * back
                soc_grid[member[k], g_next[k]] = soc - w[SHIFT + k]
                g_next[k] += 1
                w[GRID + k] = grid_s[g_next[k]] if g_next[k] < n_grid else np.inf
        for n in range(events):
            k = switching[n]
            if wants[k] == 0:
                continue
            m = member[k]
            done = m < 0
            if not done:
                t = w[NOW + k]
                begins = t <= TINY_S
                look = begins or t >= w[EVENT + k] - TINY_S
                if w[BELOW1 + k] + w[DELAY1 + k] <= t + TINY_S:
                    out[m, O_INVERTER] = t
                    w[VC + k] = -np.inf
                    cut_inverter(k * nl, kind, states)
                    w[BELOW1 + k] = np.inf
                    begins = look = True
                if w[BELOW0 + k] + w[DELAY0 + k] <= t + TINY_S:
                    out[m, O_LVD] = t
                    out[m, O_WHICH] = 1.0
                    done = True
                done = done or t >= horizon_s - TINY_S
                if look and not done:
                    w[WARM + k] = warm_at(t, ambient[m])
                    w[P + k], w[A + k], w[EVENT + k], changed = switch_loads(
                        t, k * nl, w[WARM + k], horizon_s, kind, span_ptr, spans, keys, states
                    )
                    if changed or begins:
                        w[GRADE + k] = 5.0
                        w[CAP + k] = 300.0
            if not done:
                continue
            # ---- the lane is free: report its member, take the next one
            if m >= 0:
                busy -= 1
                _report(w, k, m, steps[k] + rounds, out)
                while g_next[k] < n_grid:
                    soc_grid[m, g_next[k]] = w[Z + k] - w[SHIFT + k]
                    g_next[k] += 1
            member[k] = following if following < stop else -1
            if member[k] < 0:
                _free(w, k)
                wants[k] = 0
                continue
            _begin(w, k, following, state0, battery, limits, out)
            begin_loads(k * nl, following, seed, loads, keys, states)
            steps[k] = -1.0 - rounds  # the null step that looks everything up is none
            g_next[k] = 0
            w[GRID + k] = grid_s[0] if n_grid > 0 else np.inf
            following += 1
            busy += 1
