"""Batteries in parallel over one step, compiled: the parts that `kernels_forward` is made of.

Voltages here are per cell, currents those of the whole bank. In a step of constant current the RC
branches are exact and the mean voltage is linear in the current (branches averaged over the step,
charge at its middle), so constant power is a quadratic:

    U = E + R·(a + p/U)   ⇒   U = (B + √(B² + 4·R·p))/2,   B = E + R·a

with a, p the constant-current and constant-power parts of what flows into the bank. Batteries in
parallel: I_b = (U − E_b)/R_b, Σ I_b = I, so E = Σ(E_b/R_b)/Σ(1/R_b) and R = 1/Σ(1/R_b).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

# Without counted references (_nrt): the kernels allocate nothing, and an atomic increment for every
# array that goes into a function would cost as much as the work in it.
JIT = njit(cache=True, nogil=True, error_model="numpy", _nrt=False, no_cfunc_wrapper=True)
PART = njit(cache=True, nogil=True, error_model="numpy", _nrt=False, inline="always")

# Columns of a cell table (socband.cell), and places in the vector of cell constants.
OCV, GAP, ENTROPY, R0, R1, R2, LAG, SLOPE = range(8)
(
    C_CAPACITY,  # [Ah]
    C_TAU1,  # [s]
    C_TAU2,
    C_SAT1,  # [A] per cell
    C_SAT_LAG,  # [C-rate]
    C_GAMMA,
    C_T_REF,  # [K]
    C_EFFICIENCY,
    C_LEAK,  # self-discharge [1/s]
    C_HEAT,  # [J/K] per cell
    C_CONDUCTANCE,  # [W/K] per cell
    C_COUNT,
) = range(12)

# Per battery: parameters ...
(
    B_CAPACITY,  # [Ah] present capacity per cell at the reference temperature
    B_RESISTANCE,  # factor on R0, R1, R2 and the surface lag
    B_PARALLEL,  # bank amperes per ampere of one cell
    B_LEAD,  # lead resistance over cells in series, in bank amperes [ohm]
    B_CUTOFF,  # BMS cut-off per cell [V]; -inf without
    B_DELAY,  # [s]
    B_RECONNECT,  # [V] per cell
    B_COLD,  # no charge below [°C]
    B_HEATER,  # [W] per cell, 0 without
    B_HEATER_ON,  # on below [°C]
    B_HEATER_OFF,  # off above [°C]
    B_CONDUCTANCE,  # factor on the cell's own
    B_COUNT,
) = range(13)
# ... and state.
S_SOC, S_I1, S_I2, S_H, S_T, S_COUNT = range(6)
# Columns of the table of what depends on the temperature: factors of R0, R1, R2, surface lag, and
# one over that of the capacity. Its rows are so close that straight lines between them err by less
# than 1e-4 of a factor (tested).
W_K0, W_K1, W_K2, W_LAG, W_CAPACITY, W_COUNT = 0, 1, 2, 3, 4, 8
WARMTH_LOW_C, WARMTH_PER_K, WARMTH_ROWS = -60.0, 8, 1201  # up to 90 °C, an eighth of a kelvin apart
# What `evaluate` leaves for a battery.
E_NL, E_R0, E_R1, E_R2, E_SAT, E_DSAT, E_SLOPE, E_REST, E_ENTROPY, E_E, E_R = range(11)
E_MIDDLE, E_LAG, E_COUNT = 11, 12, 13


@JIT
def factors(warmth, temperature_c, out):
    """Factors of R0, R1, R2, lag and the capacity factor at a temperature."""
    place = min(max((temperature_c - WARMTH_LOW_C) * WARMTH_PER_K, 0.0), WARMTH_ROWS - 1.0)
    k = min(int(place), WARMTH_ROWS - 2)
    for c in range(W_CAPACITY + 1):
        out[c] = warmth[k, c] + (place - k) * (warmth[k + 1, c] - warmth[k, c])
    out[W_CAPACITY] = 1.0 / out[W_CAPACITY]


@JIT
def warm_at(t, ambient):
    """Air temperature at t [s] from now [°C]; `ambient` is a member's mean, swing, warmest time."""
    if ambient[1] == 0.0:
        return ambient[0]
    return ambient[0] + ambient[1] * math.cos(2.0 * math.pi * (t - ambient[2]) / 86400.0)


@JIT
def evaluate(cell, table, warmth, state, par, fac, ev):
    """Open-circuit side of every battery at its state; see the equations in socband.cell."""
    for b in range(state.shape[0]):
        factors(warmth, state[b, S_T], fac[b])
        z = min(max(state[b, S_SOC], 0.0), 1.0)
        place = z * 1024.0
        k = min(int(place), 1023)
        w = place - k
        lam = table[k, LAG] + w * (table[k + 1, LAG] - table[k, LAG])
        drive = fac[b, 3] * par[b, B_RESISTANCE] * state[b, S_I2] / cell[C_CAPACITY]
        g = cell[C_SAT_LAG] * math.asinh(drive / cell[C_SAT_LAG])
        x = lam * abs(g)
        zs = state[b, S_SOC]
        bend = 1.0
        keep = 1.0
        if g < 0.0:
            zc = max(zs, 1e-4)
            keep = math.exp(-x / zc)
            zs -= zc * (1.0 - keep)
            bend = keep * (1.0 + x / zc)
        elif g > 0.0:
            zc = max(1.0 - zs, 1e-4)
            keep = math.exp(-x / zc)
            zs += zc * (1.0 - keep)
            bend = keep * (1.0 + x / zc)
        # beyond empty and full the curve goes on as steep as it ends: that is what makes the
        # current of a charger taper and a model that is off by a percent still reach its limit
        splace = zs * 1024.0
        ks = min(max(int(splace), 0), 1023)
        ws = splace - ks
        ocv = table[ks, OCV] + ws * (table[ks + 1, OCV] - table[ks, OCV])
        inside = min(max(ws, 0.0), 1.0)
        gap = table[ks, GAP] + inside * (table[ks + 1, GAP] - table[ks, GAP])
        slope = (table[ks + 1, OCV] - table[ks, OCV]) * 1024.0
        ev[b, E_SLOPE] = slope * bend
        drive /= cell[C_SAT_LAG]
        # how much the surface charge's voltage follows the slow branch current [ohm]
        ev[b, E_LAG] = (
            slope * keep * lam * fac[b, 3] * par[b, B_RESISTANCE] / cell[C_CAPACITY]
        ) / math.sqrt(1.0 + drive * drive)
        entropy = table[k, ENTROPY] + w * (table[k + 1, ENTROPY] - table[k, ENTROPY])
        ev[b, E_ENTROPY] = entropy
        warmer = (state[b, S_T] + 273.15 - cell[C_T_REF]) * entropy
        rest = table[k, OCV] + (state[b, S_SOC] * 1024.0 - k) * (table[k + 1, OCV] - table[k, OCV])
        rest += (table[k, GAP] + w * (table[k + 1, GAP] - table[k, GAP])) * state[b, S_H]
        ev[b, E_REST] = rest + warmer
        rf = par[b, B_RESISTANCE]
        ev[b, E_R0] = (table[k, R0] + w * (table[k + 1, R0] - table[k, R0])) * fac[b, 0] * rf
        ev[b, E_R1] = (table[k, R1] + w * (table[k + 1, R1] - table[k, R1])) * fac[b, 1] * rf
        ev[b, E_R2] = (table[k, R2] + w * (table[k + 1, R2] - table[k, R2])) * fac[b, 2] * rf
        s1 = cell[C_SAT1] / fac[b, 1]
        q = state[b, S_I1] / s1
        ev[b, E_SAT] = s1 * math.asinh(q)
        ev[b, E_DSAT] = 1.0 / math.sqrt(1.0 + q * q)
        ev[b, E_NL] = ocv + warmer + gap * state[b, S_H]


@JIT
def thevenin(par, is_open, ev, heater_a):
    """Shared voltage and resistance of the closed batteries, from each one's E_E and E_R."""
    g_sum = 0.0
    e_sum = 0.0
    for b in range(par.shape[0]):
        if is_open[b]:
            continue
        g = 1.0 / (ev[b, E_R] / par[b, B_PARALLEL] + par[b, B_LEAD])
        g_sum += g
        e_sum += g * (ev[b, E_E] - ev[b, E_R] * heater_a[b])
    return e_sum, g_sum


@JIT
def instant(state, par, is_open, ev, heater_a):
    """E and R of the bank now, before any branch has moved."""
    for b in range(par.shape[0]):
        ev[b, E_E] = ev[b, E_NL] + ev[b, E_R1] * ev[b, E_SAT] + ev[b, E_R2] * state[b, S_I2]
        ev[b, E_R] = ev[b, E_R0]
        ev[b, E_MIDDLE] = 0.0
    return thevenin(par, is_open, ev, heater_a)


@JIT
def over_step(cell, state, par, fac, is_open, ev, heater_a, dt, a1, a2):
    """E and R of the bank as means over a step of constant current."""
    f1 = 1.0 - (1.0 - a1) * cell[C_TAU1] / dt
    f2 = 1.0 - (1.0 - a2) * cell[C_TAU2] / dt
    for b in range(par.shape[0]):
        r1 = ev[b, E_R1] * ev[b, E_DSAT] * f1
        middle = ev[b, E_SLOPE] * dt / (7200.0 * par[b, B_CAPACITY] * fac[b, 4])
        ev[b, E_E] = (
            ev[b, E_NL]
            + ev[b, E_R1] * ev[b, E_SAT]
            - r1 * state[b, S_I1]
            + (ev[b, E_R2] * (1.0 - f2) - ev[b, E_LAG] * f2) * state[b, S_I2]
        )
        ev[b, E_R] = ev[b, E_R0] + r1 + (ev[b, E_R2] + ev[b, E_LAG]) * f2 + middle
        ev[b, E_MIDDLE] = middle
    return thevenin(par, is_open, ev, heater_a)


@JIT
def _root(e, r, a, p):
    half = 0.5 * (e + r * a)
    square = half * half + r * p
    # Without a root the load wants more than the bank can give: the voltage at its greatest power.
    return half + math.sqrt(square) if square > 0.0 else half


@JIT
def solve(e_sum, g_sum, lead, no_charge, load_p, load_a, src_p, src_a, src_lim, src_i):
    """Terminal voltage for one E and R; leaves the current of every source in `src_i`.

    Sources come in the order of their voltage limits; one that would push above its limit gives
    only what holds the limit (taper), at worst nothing. With `no_charge` (too cold) they give no
    more than the loads take.
    """
    e = e_sum / g_sum
    r = 1.0 / g_sum + lead
    p = -load_p
    a = -load_a
    for s in range(src_p.shape[0]):
        p += src_p[s]
        a += src_a[s]
    u = _root(e, r, a, p)
    for s in range(src_p.shape[0]):
        src_i[s] = src_a[s] + src_p[s] / u
    for s in range(src_p.shape[0]):
        if src_i[s] > 0.0 and u > src_lim[s]:
            p -= src_p[s]
            a -= src_a[s]
            need = (src_lim[s] - e) / r - a - p / src_lim[s]
            src_i[s] = min(max(need, 0.0), src_i[s])
            a += src_i[s]
            u = _root(e, r, a, p)
            # those with higher limits give the same power at another voltage
            for k in range(s + 1, src_p.shape[0]):
                src_i[k] = src_a[k] + src_p[k] / u
    if no_charge and u > e and src_p.shape[0] > 0:
        total = 0.0
        for s in range(src_p.shape[0]):
            total += src_i[s]
        u = e
        share = min((load_a + load_p / u) / total, 1.0)
        for s in range(src_p.shape[0]):
            src_i[s] *= share
    return u


@JIT
def margins(u, lead, disconnect_v, cutout_v, par, is_open, ev, heater_a, e_sum, g_sum, out):
    """How far each limit is: disconnect, inverter cut-out, then every battery's cut-off [V]."""
    bus = u - lead * (u - e_sum / g_sum) / (1.0 / g_sum + lead)
    out[0] = u - disconnect_v
    out[1] = u - cutout_v
    for b in range(par.shape[0]):
        if is_open[b]:
            out[2 + b] = np.inf
        else:
            i_b = battery_current(b, bus, par, ev, heater_a)
            out[2 + b] = bus - par[b, B_LEAD] * i_b - par[b, B_CUTOFF]
    return bus


@JIT
def battery_current(b, bus, par, ev, heater_a):
    """Current into battery b, in bank amperes, at a bus voltage."""
    return (bus - ev[b, E_E] + ev[b, E_R] * heater_a[b]) / (
        ev[b, E_R] / par[b, B_PARALLEL] + par[b, B_LEAD]
    )


@JIT
def move(cell, state, par, fac, is_open, ev, heater_a, bus, dt, a1, a2, ambient_c, accounts):
    """Every battery one step on; adds terminal energy and leads' loss [J per cell] to accounts."""
    for b in range(par.shape[0]):
        i_b = 0.0 if is_open[b] else battery_current(b, bus, par, ev, heater_a)
        u_b = bus - par[b, B_LEAD] * i_b
        accounts[1] += par[b, B_LEAD] * i_b * i_b * dt
        accounts[2] += u_b * i_b * dt
        accounts[3] += i_b * dt
        i = i_b / par[b, B_PARALLEL] - heater_a[b]
        capacity = par[b, B_CAPACITY] * fac[b, 4]
        gain = i * cell[C_EFFICIENCY] if i > 0.0 else i
        z = state[b, S_SOC] + gain * dt / (3600.0 * capacity)
        state[b, S_SOC] = min(max(z - cell[C_LEAK] * dt, -0.2), 1.2)
        # a branch remembers: exact for constant current
        state[b, S_I1] = a1 * state[b, S_I1] + (1.0 - a1) * i
        state[b, S_I2] = a2 * state[b, S_I2] + (1.0 - a2) * i
        decay = math.exp(-abs(i) * cell[C_GAMMA] * dt / (3600.0 * capacity))
        sign = 1.0 if i > 0.0 else (-1.0 if i < 0.0 else 0.0)
        state[b, S_H] = decay * state[b, S_H] + (1.0 - decay) * sign
        # heat: overpotential, entropy, heater; exact for constant heat
        over = ev[b, E_E] + (ev[b, E_R] - ev[b, E_MIDDLE]) * i - ev[b, E_REST]
        heat = i * over + i * (state[b, S_T] + 273.15) * ev[b, E_ENTROPY]
        heat += heater_a[b] * (ev[b, E_E] + ev[b, E_R] * i)
        conductance = cell[C_CONDUCTANCE] * par[b, B_CONDUCTANCE]
        x = conductance * dt / cell[C_HEAT]
        rise = heat / conductance + ambient_c - state[b, S_T]
        state[b, S_T] += rise * -math.expm1(-x)
