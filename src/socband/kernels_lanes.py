"""The forward kernel for the usual bank: one battery, no sources; many members side by side.

It does what `kernels_forward.carry` does for such a bank, eighty members (*lanes*) at a time, each
with its own clock and its own step. Arithmetic and look-ups run over all lanes as vector
instructions (`kernels_lanes_step`, `kernels_lanes_voltage`); here stands what a lane does now and
then by itself: loads that switch, as laid out ahead (`kernels_demand.lay_out`), limits, storing,
the next member. A step that has to be taken back, or a member just begun, shows as a step of a
nanosecond, which brings the look-ups up to date.
"""

from __future__ import annotations

import numpy as np

from socband.cell import FAST_SHARE, SLOW_SHARE
from socband.kernels_bank import (
    FINEST_S,
    TINY_S,
    root,
)
from socband.kernels_demand import (
    FROM_START,
    GO_ON,
    INTERVALS,
    N_AIR,
    N_AMPERE,
    N_SWITCHED,
    N_UNTIL,
    N_WATT,
    WITHOUT_INVERTER,
    lay_out,
)
from socband.kernels_jit import JIT, PART
from socband.kernels_lanes_layout import (
    AS,
    BELOW0,
    BELOW1,
    CAP,
    CUTOUT,
    DELAY0,
    DELAY1,
    DISCONNECT,
    DRAWN,
    DT,
    ES,
    EVENT,
    EVENTS,
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
    IS0,
    LANES,
    LEAD,
    LOAD_J,
    LOSS_J,
    MOST_TRIES,
    NOW,
    NULL_S,
    OUT_AS,
    PAR,
    PS,
    R0N,
    R0S,
    SERVED,
    SHIFT,
    SIGHT_S,
    STEPS,
    STORE,
    TOTAL,
    TRIES,
    TS,
    VC,
    VD,
    WARM,
    WAS0,
    ZERO,
    ZS,
    A,
    E,
    H,
    P,
    T,
    Z,
)
from socband.kernels_lanes_step import advance, choose
from socband.kernels_lanes_voltage import branches, look_up, look_up_surface, settle, surface


@PART
def _place(d, w, k, m, doubles, singles):
    """Put member m on lane k."""
    for r in range(doubles.shape[1]):
        d[r * LANES + k] = doubles[m, r]
    for r in range(singles.shape[1]):
        w[r * LANES + k] = singles[m, r]


@PART
def _terminal(d, w, k, e, r0):
    """Voltage of lane k under its loads now."""
    r = np.float64(r0) * w[PAR + k] + w[LEAD + k]
    return root(0.5 * (e - r * d[A + k]), r * d[P + k])


@PART
def _moment(dt, before, now):
    """When within a step a limit was crossed, from how far it was as the step began and ended."""
    before = max(before, 0.0)
    return dt * before / max(before - min(now, 0.0), 1e-12)


@PART
def _crossed(d, w, k):
    """Limits crossed within the lane's step: True if the step is to be taken again, shorter.

    Whether one is undercut `undercut` has said, and nothing else may, by however little: steps that
    are halved towards a crossing often end on it.
    """
    dt = d[DT + k]
    u0 = _terminal(d, w, k, w[ES + k], w[R0S + k])
    u = _terminal(d, w, k, w[E + k], w[R0N + k])
    shorter = np.inf
    for j in range(2):
        row = j * LANES + k
        if w[IS0 + row] > w[WAS0 + row]:
            at = _moment(dt, u0 - w[VD + row], u - w[VD + row])
            if dt > FINEST_S:
                shorter = min(shorter, min(max(0.5 * at, 0.125 * dt, FINEST_S), 0.5 * dt))
            else:
                # A step up to the crossing may end a hair before or behind it: single precision
                # sees no better. Before it, each try goes at least twice as far as the last;
                # behind it, what is left is not tried for.
                least = max(at + d[DELAY0 + row], 0.01 * SIGHT_S * 2.0 ** w[TRIES + k])
                if least < dt - SIGHT_S:
                    shorter = min(shorter, least)
    w[TRIES + k] += 1.0
    again = shorter < np.inf and w[TRIES + k] <= MOST_TRIES
    if again:
        total = np.float64(w[TOTAL + k])
        d[OUT_AS + k] -= d[DRAWN + k] * dt
        d[LOAD_J + k] -= d[SERVED + k] * dt
        d[LOSS_J + k] -= total * total * w[LEAD + k] * dt
        d[NOW + k] -= dt
        d[Z + k] = d[ZS + k]
        w[I1 + k] = w[I1S + k]
        w[I2 + k] = w[I2S + k]
        w[I3 + k] = w[I3S + k]
        w[ID + k] = SLOW_SHARE * w[I2S + k] + FAST_SHARE * w[I3S + k]
        w[H + k] = w[HS + k]
        d[T + k] = d[TS + k]
        w[E + k] = w[ES + k]
        w[R0N + k] = w[R0S + k]
        if dt > FINEST_S:
            w[CAP + k] = max(shorter, FINEST_S)
        else:
            d[EVENT + k] = d[NOW + k] + shorter
        w[GRADE + k] = NULL_S
    else:
        w[TRIES + k] = 0.0
        for j in range(2):
            row = j * LANES + k
            if w[IS0 + row] == ZERO:
                d[BELOW0 + row] = np.inf
            elif w[WAS0 + row] == ZERO:
                at = _moment(dt, u0 - w[VD + row], u - w[VD + row])
                d[BELOW0 + row] = d[NOW + k] - dt + at
    return again


@JIT
def carry_lanes(
    first,
    stop,
    seed,
    horizon_s,
    grid_s,  # (g,) [s]
    cell,  # (C_COUNT,)
    table,  # (1024, 16), (1200, 16); see `kernels_lookup.with_rises`
    warmth,
    doubles,  # see `starts`
    singles,
    ambient,  # as in `kernels_forward.carry`
    loads,  # see `kernels_demand`
    soc_grid,  # (n, g) float32 out
    ends,  # (n, SIZE / LANES) out; see `report_of`
    room,  # see `room_of`
):
    """Carry members first..stop ahead to the horizon or their disconnect."""
    nobody = doubles.shape[0] - 1
    nl = loads[4].shape[0]
    n_grid = grid_s.shape[0]
    (
        d, w, rows, rows_t, wants, storing, switching, member, g_next, keys, states, ahead,
        interval,
    ) = room  # fmt: skip
    member[:] = -1
    following = first
    busy = 0
    rounds = 0
    for k in range(LANES):
        _place(d, w, k, nobody, doubles, singles)
        wants[k] = EVENTS
    while rounds == 0 or busy > 0:
        if rounds > 0:
            choose(d, w, cell)
            advance(d, w, rows, rows_t, cell)
            look_up(w, rows, rows_t, table, warmth)
            branches(d, w, cell)
            surface(d, w, rows)
            look_up_surface(w, rows, table)
            settle(d, w, wants, cell)
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
                if wants[k] >= FLIPPED and d[DT + k] > NULL_S and _crossed(d, w, k):
                    d[STEPS + k] -= 2.0  # this one, and the null step that follows
                    wants[k] = 0
        for n in range(stores):
            k = storing[n] & 127  # not below 0: the compiler need not look
            dt = d[DT + k]
            while d[NOW + k] >= d[GRID + k] - TINY_S:
                back = (d[NOW + k] - d[GRID + k]) / dt if dt > NULL_S else 0.0
                soc = d[Z + k] + (d[ZS + k] - d[Z + k]) * back
                soc_grid[member[k], g_next[k]] = soc - d[SHIFT + k]
                g_next[k] += 1
                d[GRID + k] = grid_s[g_next[k]] if g_next[k] < n_grid else np.inf
        for n in range(events):
            k = switching[n] & 127
            if wants[k] == 0:
                continue
            m = member[k]
            done = m < 0
            if not done:
                t = d[NOW + k]
                anew = FROM_START if t <= TINY_S else GO_ON
                if d[BELOW1 + k] + d[DELAY1 + k] <= t + TINY_S:
                    anew = WITHOUT_INVERTER
                    d[CUTOUT + k] = t
                    d[BELOW1 + k] = np.inf
                    w[VC + k] = -np.inf
                if d[BELOW0 + k] + d[DELAY0 + k] <= t + TINY_S:
                    d[DISCONNECT + k] = t
                    done = True
                done = done or t >= horizon_s - TINY_S
                if not done and (anew != GO_ON or t >= d[EVENT + k] - TINY_S):
                    row = interval[k] & 0xFFFF  # not below 0: the compiler need not look
                    switched = anew != GO_ON
                    if switched or t >= ahead[row, N_UNTIL] - TINY_S:
                        row += 1
                        if switched or row == (k + 1) * INTERVALS:
                            row = k * INTERVALS
                            lay_out(
                                t, anew, k * nl, row, m, seed, horizon_s, ambient, loads, keys,
                                states, ahead,
                            )  # fmt: skip
                        interval[k] = row
                        switched = switched or ahead[row, N_SWITCHED] > 0.0
                    d[EVENT + k] = ahead[row, N_UNTIL]
                    d[P + k] = w[PS + k] = ahead[row, N_WATT]
                    d[A + k] = w[AS + k] = ahead[row, N_AMPERE]
                    w[WARM + k] = ahead[row, N_AIR]
                    if switched:
                        w[GRADE + k] = 5.0
                        w[CAP + k] = 300.0
            if not done:
                continue
            # ---- the lane is free: report its member, take the next one
            if m >= 0:
                busy -= 1
                d[STEPS + k] += rounds
                for r in range(ends.shape[1]):
                    ends[m, r] = d[r * LANES + k]
                while g_next[k] < n_grid:
                    soc_grid[m, g_next[k]] = d[Z + k] - d[SHIFT + k]
                    g_next[k] += 1
            m = following if following < stop else -1
            member[k] = m
            if m < 0:
                _place(d, w, k, nobody, doubles, singles)
                wants[k] = 0
                continue
            following += 1
            busy += 1
            _place(d, w, k, m, doubles, singles)
            d[STEPS + k] = -1.0 - rounds  # the null step that looks everything up is none
            g_next[k] = 0
            d[GRID + k] = grid_s[0] if n_grid > 0 else np.inf
