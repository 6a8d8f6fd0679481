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

from socband.cell import (
    ENTROPY,
    FAST_SHARE,
    FAST_TIME,
    GAP,
    LAG,
    OCV,
    R0,
    R1,
    R2,
    SLOW_SHARE,
)
from socband.kernels_jit import INLINE, OPEN, PART
from socband.kernels_shift import stands_at

# Places in the vector of cell constants.
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

# Steps, the same in both forward kernels.
FIRST_S, LONGEST_S = 5.0, 300.0  # after a load has switched, and at most
FINEST_S = 2.0
TINY_S = 1e-6  # two moments nearer than this are one
VOLT_STEP = 0.012  # a step may change the open-circuit voltage by about so much [V]

# Per battery: parameters ...
(
    B_CAPACITY,  # [Ah] present capacity per cell at the reference temperature
    B_RESISTANCE,  # factor on R0 and R1
    B_PARALLEL,  # bank amperes per ampere of one cell
    B_LEAD,  # lead resistance over cells in series, in bank amperes [ohm]
    B_CUTOFF,  # BMS cut-off per cell [V]; -inf without
    B_DELAY,  # [s]
    B_RECONNECT,  # [V] per cell
    B_COLD,  # no charge below [°C]
    B_HEATER,  # [W] per cell, 0 without
    B_HEATER_ON,  # on below [°C]
    B_HEATER_OFF,  # off above [°C]
    B_DIFFUSION,  # factor on R2 and the surface lag
    B_SHIFT,  # how far along the charge the curves stand from the model's; see `evaluate`
    B_COOLING,  # factor on the heat conductance to the ambient
    B_COUNT,
) = range(15)
# ... and state.
S_SOC, S_I1, S_I2, S_I3, S_H, S_T, S_COUNT = range(7)
# Columns of the table of what depends on the temperature: factors of R0, R1, R2, surface lag, and
# one over that of the capacity. Its rows are so close that straight lines between them err by less
# than 1e-4 of a factor (tested).
W_K0, W_K1, W_K2, W_LAG, W_CAPACITY, W_COUNT = 0, 1, 2, 3, 4, 8
WARMTH_LOW_C, WARMTH_PER_K, WARMTH_ROWS = -60.0, 8, 1201  # up to 90 °C, an eighth of a kelvin apart
HOTTEST_C = WARMTH_LOW_C + (WARMTH_ROWS - 1) / WARMTH_PER_K  # where the table ends
# Columns of `bank`, one row per battery, in which all of it stands side by side (an array that goes
# into a function costs some ten pushes): the parameters above, then the state now and where the
# step began, what `evaluate` leaves, temperature factors, heater and BMS.
V_SOC, V_I1, V_I2, V_I3, V_H, V_T = range(B_COUNT, B_COUNT + S_COUNT)
V_BEGAN = B_COUNT + S_COUNT
(
    E_NL, E_R0, E_R1, E_R2, E_SAT, E_DSAT, E_SLOPE, E_REST, E_ENTROPY, E_E, E_R, E_MIDDLE, E_LAG,
    E_ID,  # diffusion current [A per cell]
    V_K0, V_K1, V_K2, V_KLAG, V_KCAP,
    V_HEATER_A,  # current of the heater, taken inside the battery [A per cell]
    V_HEATING,  # 1 if it is on
    V_OPEN,  # 1 if its BMS has opened it
    V_COUNT,
) = range(V_BEGAN + S_COUNT, V_BEGAN + S_COUNT + 23)  # fmt: skip
# Columns of `sources`, one row per source.
Y_POWER, Y_CURRENT, Y_TAKEN, Y_LIMIT, Y_IDLE, Y_COUNT = range(6)


@OPEN
def factors(warmth, b, bank):
    """Factors of R0, R1, R2, lag and capacity at the temperature of battery b."""
    place = (bank[b, V_T] - WARMTH_LOW_C) * WARMTH_PER_K
    place = min(max(place, 0.0), WARMTH_ROWS - 1.0)
    k = min(int(place), WARMTH_ROWS - 2)
    for c in range(W_CAPACITY + 1):
        bank[b, V_K0 + c] = warmth[k, c] + (place - k) * (warmth[k + 1, c] - warmth[k, c])
    bank[b, V_KCAP] = 1.0 / bank[b, V_KCAP]


@INLINE
def warm_at(t, ambient):
    """Air temperature at t [s] from now [°C]; `ambient` is a member's mean, swing, warmest time."""
    if ambient[1] == 0.0:
        return ambient[0]
    return ambient[0] + ambient[1] * math.cos(2.0 * math.pi * (t - ambient[2]) / 86400.0)


@PART
def evaluate(cell, table, warmth, bank):
    """Open-circuit side of every battery at its state; see the equations in socband.cell.

    `V_SOC` is the charge at which the battery's own curves stand on the model's: true charge plus
    `B_SHIFT`, where that counts: see `cell.stands_at`.
    """
    for b in range(bank.shape[0]):
        factors(warmth, b, bank)
        shift = bank[b, B_SHIFT]
        at, along = stands_at(bank[b, V_SOC] - shift, shift)
        z = min(max(at, 0.0), 1.0)
        place = z * 1024.0
        k = min(int(place), 1023)
        w = place - k
        lam = table[k, LAG] + w * (table[k + 1, LAG] - table[k, LAG])
        diffusion = SLOW_SHARE * bank[b, V_I2] + FAST_SHARE * bank[b, V_I3]
        bank[b, E_ID] = diffusion
        drive = bank[b, V_KLAG] * bank[b, B_DIFFUSION] * diffusion / cell[C_CAPACITY]
        drive /= cell[C_SAT_LAG]
        lag_root = math.sqrt(1.0 + drive * drive)
        x = lam * cell[C_SAT_LAG] * abs(math.asinh(drive))
        zs = at
        bend = 1.0
        keep = 1.0
        if drive < 0.0:
            zc = max(zs, 1e-4)
            keep = math.exp(-x / zc)
            zs -= zc * (1.0 - keep)
            bend = keep * (1.0 + x / zc)
        elif drive > 0.0:
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
        bank[b, E_SLOPE] = slope * bend * along
        # how much the surface charge's voltage follows the diffusion current [ohm]
        bank[b, E_LAG] = (
            slope * keep * lam * bank[b, V_KLAG] * bank[b, B_DIFFUSION] / cell[C_CAPACITY]
        ) / lag_root
        entropy = table[ks, ENTROPY] + inside * (table[ks + 1, ENTROPY] - table[ks, ENTROPY])
        bank[b, E_ENTROPY] = entropy
        warmer = (bank[b, V_T] + 273.15 - cell[C_T_REF]) * entropy
        rest = table[k, OCV] + (at * 1024.0 - k) * (table[k + 1, OCV] - table[k, OCV])
        rest += (table[k, GAP] + w * (table[k + 1, GAP] - table[k, GAP])) * bank[b, V_H]
        bank[b, E_REST] = rest + warmer
        rf = bank[b, B_RESISTANCE]
        r0 = table[ks, R0] + inside * (table[ks + 1, R0] - table[ks, R0])
        bank[b, E_R0] = r0 * bank[b, V_K0] * rf
        r1 = table[ks, R1] + inside * (table[ks + 1, R1] - table[ks, R1])
        bank[b, E_R1] = r1 * bank[b, V_K1] * rf
        r2 = table[ks, R2] + inside * (table[ks + 1, R2] - table[ks, R2])
        bank[b, E_R2] = r2 * bank[b, V_K2] * bank[b, B_DIFFUSION]
        s1 = cell[C_SAT1] / bank[b, V_K1]
        q = bank[b, V_I1] / s1
        root = math.sqrt(1.0 + q * q)
        bank[b, E_SAT] = s1 * math.asinh(q)
        bank[b, E_DSAT] = 1.0 / root
        bank[b, E_NL] = ocv + warmer + gap * bank[b, V_H]


@PART
def mean_soc(bank):
    """Mean true charge of the bank, by capacity."""
    total = 0.0
    weight = 0.0
    for b in range(bank.shape[0]):
        w = bank[b, B_CAPACITY] * bank[b, B_PARALLEL]
        total += w * (bank[b, V_SOC] - bank[b, B_SHIFT])
        weight += w
    return total / weight


@OPEN
def thevenin(bank):
    """Shared voltage and resistance of the closed batteries, from each one's E_E and E_R."""
    g_sum = 0.0
    e_sum = 0.0
    for b in range(bank.shape[0]):
        if bank[b, V_OPEN] > 0.5:
            continue
        g = 1.0 / (bank[b, E_R] / bank[b, B_PARALLEL] + bank[b, B_LEAD])
        g_sum += g
        e_sum += g * (bank[b, E_E] - bank[b, E_R] * bank[b, V_HEATER_A])
    return e_sum, g_sum


@PART
def instant(bank):
    """E and R of the bank now, before any branch has moved."""
    for b in range(bank.shape[0]):
        bank[b, E_E] = (
            bank[b, E_NL] + bank[b, E_R1] * bank[b, E_SAT] + bank[b, E_R2] * bank[b, E_ID]
        )
        bank[b, E_R] = bank[b, E_R0]
        bank[b, E_MIDDLE] = 0.0
    return thevenin(bank)


@PART
def over_step(cell, bank, dt, a1, a2, a3):
    """E and R of the bank as means over a step of constant current."""
    f1 = 1.0 - (1.0 - a1) * cell[C_TAU1] / dt
    f2 = SLOW_SHARE * (1.0 - (1.0 - a2) * cell[C_TAU2] / dt)
    f3 = FAST_SHARE * (1.0 - (1.0 - a3) * FAST_TIME * cell[C_TAU2] / dt)
    for b in range(bank.shape[0]):
        r1 = bank[b, E_R1] * bank[b, E_DSAT] * f1
        slow = bank[b, E_R2] + bank[b, E_LAG]
        middle = bank[b, E_SLOPE] * dt / (7200.0 * bank[b, B_CAPACITY] * bank[b, V_KCAP])
        bank[b, E_E] = (
            bank[b, E_NL]
            + bank[b, E_R1] * bank[b, E_SAT]
            - r1 * bank[b, V_I1]
            + bank[b, E_R2] * bank[b, E_ID]
            - slow * (f2 * bank[b, V_I2] + f3 * bank[b, V_I3])
        )
        bank[b, E_R] = bank[b, E_R0] + r1 + slow * (f2 + f3) + middle
        bank[b, E_MIDDLE] = middle
    return thevenin(bank)


@INLINE
def root(half, rp):
    """The greater root of U² - 2·half·U + rp = 0: a terminal under the power p behind r.

    Without a root the load wants more than the bank can give: the voltage at its greatest power.
    With `half` below 0 nothing is left to give: a load gets no power, and charges no bank.
    """
    more = math.sqrt(max(half * half - rp, 0.0))
    return half + (half if (half < 0.0) & (rp >= 0.0) else more)


@PART
def solve(e_sum, g_sum, lead, no_charge, load_p, load_a, sources):
    """Terminal voltage for one E and R; leaves the current of every source in `sources`.

    Sources come in the order of their voltage limits; one that would push above its limit gives
    only what holds the limit (taper), at worst nothing. With `no_charge` (too cold) they give no
    more than the loads take.
    """
    e = e_sum / g_sum
    r = 1.0 / g_sum + lead
    p = -load_p
    a = -load_a
    for s in range(sources.shape[0]):
        p += sources[s, Y_POWER]
        a += sources[s, Y_CURRENT]
    u = root(0.5 * (e + r * a), -r * p)
    for s in range(sources.shape[0]):
        sources[s, Y_TAKEN] = sources[s, Y_CURRENT] + sources[s, Y_POWER] / u
    for s in range(sources.shape[0]):
        if sources[s, Y_TAKEN] > 0.0 and u > sources[s, Y_LIMIT]:
            p -= sources[s, Y_POWER]
            a -= sources[s, Y_CURRENT]
            need = (sources[s, Y_LIMIT] - e) / r - a - p / sources[s, Y_LIMIT]
            sources[s, Y_TAKEN] = min(max(need, 0.0), sources[s, Y_TAKEN])
            a += sources[s, Y_TAKEN]
            u = root(0.5 * (e + r * a), -r * p)
            # those with higher limits give the same power at another voltage
            for k in range(s + 1, sources.shape[0]):
                sources[k, Y_TAKEN] = sources[k, Y_CURRENT] + sources[k, Y_POWER] / u
    if no_charge and u > e and sources.shape[0] > 0:
        total = 0.0
        for s in range(sources.shape[0]):
            total += sources[s, Y_TAKEN]
        u = e
        share = min((load_a + load_p / u) / total, 1.0)
        for s in range(sources.shape[0]):
            sources[s, Y_TAKEN] *= share
    return u


@PART
def margins(u, lead, disconnect_v, cutout_v, bank, e_sum, g_sum, out):
    """How far each limit is: disconnect, inverter cut-out, then every battery's cut-off [V]."""
    bus = u - lead * (u - e_sum / g_sum) / (1.0 / g_sum + lead)
    out[0] = u - disconnect_v
    out[1] = u - cutout_v
    for b in range(bank.shape[0]):
        if bank[b, V_OPEN] > 0.5:
            out[2 + b] = np.inf
        else:
            i_b = battery_current(b, bus, bank)
            out[2 + b] = bus - bank[b, B_LEAD] * i_b - bank[b, B_CUTOFF]
    return bus


@INLINE
def battery_current(b, bus, bank):
    """Current into battery b, in bank amperes, at a bus voltage."""
    return (bus - bank[b, E_E] + bank[b, E_R] * bank[b, V_HEATER_A]) / (
        bank[b, E_R] / bank[b, B_PARALLEL] + bank[b, B_LEAD]
    )


@PART
def move(cell, bank, bus, dt, a1, a2, a3, ambient_c, accounts):
    """Every battery one step on; adds terminal energy and leads' loss [J per cell] to accounts."""
    for b in range(bank.shape[0]):
        i_b = 0.0 if bank[b, V_OPEN] > 0.5 else battery_current(b, bus, bank)
        u_b = bus - bank[b, B_LEAD] * i_b
        accounts[1] += bank[b, B_LEAD] * i_b * i_b * dt
        accounts[2] += u_b * i_b * dt
        accounts[3] += i_b * dt
        i = i_b / bank[b, B_PARALLEL] - bank[b, V_HEATER_A]
        capacity = bank[b, B_CAPACITY] * bank[b, V_KCAP]
        gain = i * cell[C_EFFICIENCY] if i > 0.0 else i
        z = bank[b, V_SOC] + gain * dt / (3600.0 * capacity)
        bank[b, V_SOC] = min(max(z - cell[C_LEAK] * dt, -0.2), 1.2)
        # a branch remembers: exact for constant current
        bank[b, V_I1] = a1 * bank[b, V_I1] + (1.0 - a1) * i
        bank[b, V_I2] = a2 * bank[b, V_I2] + (1.0 - a2) * i
        bank[b, V_I3] = a3 * bank[b, V_I3] + (1.0 - a3) * i
        decay = math.exp(-abs(i) * cell[C_GAMMA] * dt / (3600.0 * capacity))
        sign = 1.0 if i > 0.0 else (-1.0 if i < 0.0 else 0.0)
        bank[b, V_H] = decay * bank[b, V_H] + (1.0 - decay) * sign
        # heat: overpotential, entropy, heater; exact for constant heat
        over = bank[b, E_E] + (bank[b, E_R] - bank[b, E_MIDDLE]) * i - bank[b, E_REST]
        heat = i * over + i * (bank[b, V_T] + 273.15) * bank[b, E_ENTROPY]
        heat += bank[b, V_HEATER_A] * (bank[b, E_E] + bank[b, E_R] * i)
        conductance = cell[C_CONDUCTANCE] * bank[b, B_COOLING]
        x = conductance * dt / cell[C_HEAT]
        rise = heat / conductance + ambient_c - bank[b, V_T]
        bank[b, V_T] = min(bank[b, V_T] - rise * math.expm1(-x), HOTTEST_C)
