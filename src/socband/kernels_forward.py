"""Members carried ahead in time, compiled: loads switch, sources charge, limits trip.

One member is one loop over steps. A step begins at every switching of a load, source or limit and
grows from 5 to 300 s after it; it is shorter where the open-circuit voltage falls steeply. A limit
that is crossed inside a step sends the member back to take a shorter one; within the shortest, 2 s,
the moment is interpolated. The electrical side of a step stands in `kernels_bank`.
"""

from __future__ import annotations

import math

import numpy as np

from socband.cell import FAST_TIME
from socband.kernels_bank import (
    B_CAPACITY,
    B_COLD,
    B_COUNT,
    B_DELAY,
    B_HEATER,
    B_HEATER_OFF,
    B_HEATER_ON,
    B_RECONNECT,
    C_TAU1,
    C_TAU2,
    E_E,
    E_ID,
    E_SLOPE,
    FINEST_S,
    FIRST_S,
    LONGEST_S,
    S_COUNT,
    TINY_S,
    V_BEGAN,
    V_COUNT,
    V_HEATER_A,
    V_HEATING,
    V_OPEN,
    V_SOC,
    V_T,
    VOLT_STEP,
    Y_COUNT,
    Y_CURRENT,
    Y_IDLE,
    Y_LIMIT,
    Y_POWER,
    Y_TAKEN,
    evaluate,
    instant,
    margins,
    mean_soc,
    move,
    over_step,
    solve,
    warm_at,
)
from socband.kernels_columns import (
    L_CUTOUT,
    L_CUTOUT_DELAY,
    L_DELAY,
    L_DISCONNECT,
    L_FULL_A,
    L_FULL_S,
    L_FULL_V,
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
    O_SOURCE_J,
    O_STEPS,
    O_TEMPERATURE,
    O_WHICH,
    Q_CURRENT_LIMIT,
    Q_IDLE_SOC,
    Q_POWER,
    Q_RESUME_SOC,
    Q_VOLTAGE_LIMIT,
)
from socband.kernels_demand import D_COUNT, begin_loads, cut_inverter, switch_loads
from socband.kernels_jit import INLINE, JIT
from socband.kernels_monitor import full_since, says_full

GRADES_S = np.array([FIRST_S, 15.0, 45.0, 135.0, LONGEST_S])
_HEATER_STEP_S = 60.0
_TAPER_STEP_S = 20.0
_IDLE_STEP_S = 30.0  # near the charge at which a charger goes idle


@INLINE
def _copy(bank, source, target):
    for b in range(bank.shape[0]):
        for c in range(S_COUNT):
            bank[b, target + c] = bank[b, source + c]


def room_of(batteries: int, sources: int, loads: int) -> tuple[np.ndarray, ...]:
    """Arrays to work in, for one call at a time."""
    limits = batteries + 2
    return (
        np.zeros((batteries, V_COUNT)),
        np.zeros(limits),  # since when a limit is undercut: disconnect, cut-out, batteries
        np.zeros(limits),  # how far they are, now and where the step began
        np.zeros(limits),
        np.zeros(limits),
        np.zeros(4),  # accounts of a step
        np.zeros((sources, Y_COUNT)),
        np.zeros(loads, np.uint64),
        np.zeros((loads, D_COUNT)),
    )


@JIT
def carry(
    first,
    stop,
    seed,
    horizon_s,
    grid_s,  # (g,) [s]
    cell,  # (C_COUNT,)
    table,  # (1025, 8)
    warmth,  # (1201, 8); see `kernels_bank`
    state0,  # (n, nb, S_COUNT)
    battery,  # (n, nb, B_COUNT)
    limits,  # (n, L_COUNT)
    ambient,  # (n, 3): mean [°C], half swing [K], seconds from now to the warmest moment
    loads,  # see `kernels_demand`
    source_scale,  # (n, S) [W over cells in series] or [A]
    source_kind,  # (S, Q_COUNT)
    source_shape,  # (S, K) share of the nominal in every slot
    slot_s,
    coarse,  # multiplies the step grades; 1 but for tests
    soc_grid,  # (n, g) float32 out
    out,  # (n, O_COUNT) out
    room,  # see `room_of`
):
    """Carry members first..stop ahead to the horizon or their disconnect."""
    nb = state0.shape[1]
    ns = source_scale.shape[1]
    n_slots = source_shape.shape[1]
    n_grid = grid_s.shape[0]
    n_limits = nb + 2
    bank, below, margin, margin0, delay, accounts, src, keys, states = room
    _, _, _, _, kind, span_ptr, spans, _ = loads
    for s in range(ns):
        src[s, Y_LIMIT] = source_kind[s, Q_VOLTAGE_LIMIT]

    for m in range(first, stop):
        for b in range(nb):
            for c in range(B_COUNT):
                bank[b, c] = battery[m, b, c]
            for c in range(S_COUNT):
                bank[b, V_SOC + c] = state0[m, b, c]
            bank[b, V_HEATER_A] = 0.0
            bank[b, V_HEATING] = 0.0
            bank[b, V_OPEN] = 0.0
        for s in range(ns):
            src[s, Y_POWER] = 0.0
            src[s, Y_CURRENT] = 0.0
            src[s, Y_IDLE] = 0.0
        below[:] = np.inf
        delay[0] = limits[m, L_DELAY]
        delay[1] = limits[m, L_CUTOUT_DELAY]
        for b in range(nb):
            delay[2 + b] = bank[b, B_DELAY]
        lead = limits[m, L_LEAD]
        cutout_v = limits[m, L_CUTOUT]
        for k in range(O_COUNT):
            out[m, k] = 0.0
        for k in (O_LVD, O_INVERTER, O_FIRST_BMS, O_FULL):
            out[m, k] = np.inf
        since_s = np.inf
        begin_loads(0, m, seed, loads, keys, states)
        t = 0.0
        next_event = 0.0
        grade = 0
        cap_s = GRADES_S[-1]
        g_next = 0
        load_p = 0.0
        load_a = 0.0
        u = 0.0
        e_sum = 0.0
        g_sum = 1.0
        no_charge = False
        fresh = True
        evaluate(cell, table, warmth, bank)
        z = mean_soc(bank)
        while True:
            # ---- events at t: limits that trip, loads that switch, sources that change
            if fresh or t >= next_event - TINY_S:
                changed = fresh
                fresh = False
                tripped = False
                for j in range(n_limits):
                    if below[j] + delay[j] <= t + TINY_S:
                        below[j] = np.inf
                        changed = True
                        if j == 0:
                            out[m, O_LVD] = t
                            out[m, O_WHICH] = 1.0
                            tripped = True
                        elif j == 1:
                            out[m, O_INVERTER] = t
                            cutout_v = -np.inf
                            cut_inverter(0, kind, states)
                        else:
                            bank[j - 2, V_OPEN] = 1.0
                            out[m, O_FIRST_BMS] = min(out[m, O_FIRST_BMS], t)
                all_open = True
                for b in range(nb):
                    all_open = all_open and bank[b, V_OPEN] > 0.5
                if all_open and not tripped:
                    out[m, O_LVD] = t
                    out[m, O_WHICH] = 2.0
                    tripped = True
                if tripped or t >= horizon_s - TINY_S:
                    break
                load_p, load_a, next_event, switched = switch_loads(
                    t, 0, warm_at(t, ambient[m]), horizon_s, kind, span_ptr, spans, keys, states
                )
                changed = changed or switched
                if ns > 0:
                    slot = min(int((t + TINY_S) / slot_s), n_slots - 1)
                    if slot + 1 < n_slots:
                        next_event = min(next_event, (slot + 1) * slot_s)
                    for s in range(ns):
                        new_p = 0.0
                        new_a = 0.0
                        value = (
                            0.0
                            if src[s, Y_IDLE] > 0.5
                            else source_scale[m, s] * source_shape[s, slot]
                        )
                        if source_kind[s, Q_POWER] > 0.5:
                            volts = u if u > 0.0 else 3.3
                            if value / volts > source_kind[s, Q_CURRENT_LIMIT]:
                                new_a = source_kind[s, Q_CURRENT_LIMIT]
                            else:
                                new_p = value
                        else:
                            new_a = min(value, source_kind[s, Q_CURRENT_LIMIT])
                        if new_p != src[s, Y_POWER] or new_a != src[s, Y_CURRENT]:
                            changed = True
                        src[s, Y_POWER] = new_p
                        src[s, Y_CURRENT] = new_a
                if changed:
                    grade = 0
                    cap_s = GRADES_S[-1]
                # the voltage jumps with the loads: every limit is looked at again
                e_sum, g_sum = instant(bank)
                u = solve(e_sum, g_sum, lead, no_charge, load_p, load_a, src)
                margins(u, lead, limits[m, L_DISCONNECT], cutout_v, bank, e_sum, g_sum, margin)
                for j in range(n_limits):
                    if margin[j] >= 0.0:
                        below[j] = np.inf
                    elif below[j] == np.inf:
                        below[j] = t
                    next_event = min(next_event, below[j] + delay[j])
                if next_event <= t + TINY_S:
                    continue
            # ---- the length of the step
            dt = min(GRADES_S[grade] * coarse, cap_s * coarse)
            steep = 0.0
            for b in range(nb):
                steep = max(steep, bank[b, E_SLOPE] * abs(bank[b, E_ID]) / bank[b, B_CAPACITY])
                if bank[b, V_HEATING] > 0.5:
                    dt = min(dt, _HEATER_STEP_S)
            if steep * dt > VOLT_STEP * coarse * 3600.0:
                dt = max(VOLT_STEP * coarse * 3600.0 / steep, FINEST_S * coarse)
            for q in range(ns):
                if src[q, Y_IDLE] < 0.5 and 0.0 <= source_kind[q, Q_IDLE_SOC] - z < 0.02:
                    dt = min(dt, _IDLE_STEP_S * coarse)
            left = next_event - t
            if dt > left - 0.5 * coarse:
                dt = left
            _copy(bank, V_SOC, V_BEGAN)
            for j in range(n_limits):
                margin0[j] = margin[j]
            while True:
                # ---- one step: means over it give the currents, the states follow
                a1 = math.exp(-dt / cell[C_TAU1])
                a2 = math.exp(-dt / cell[C_TAU2])
                a3 = math.exp(-dt / (FAST_TIME * cell[C_TAU2]))
                e_sum, g_sum = over_step(cell, bank, dt, a1, a2, a3)
                u_mean = solve(e_sum, g_sum, lead, no_charge, load_p, load_a, src)
                total_a = (u_mean - e_sum / g_sum) / (1.0 / g_sum + lead)
                gained_a = 0.0
                for s in range(ns):
                    gained_a += src[s, Y_TAKEN]
                warm = warm_at(t + 0.5 * dt, ambient[m])
                accounts[:] = 0.0
                move(cell, bank, u_mean - lead * total_a, dt, a1, a2, a3, warm, accounts)
                evaluate(cell, table, warmth, bank)
                e_sum, g_sum = instant(bank)
                u = solve(e_sum, g_sum, lead, no_charge, load_p, load_a, src)
                margins(u, lead, limits[m, L_DISCONNECT], cutout_v, bank, e_sum, g_sum, margin)
                # ---- a limit crossed inside: go back, step shorter, at last up to its moment
                shorter = np.inf
                for j in range(n_limits):
                    if margin[j] < 0.0 and margin0[j] >= 0.0:
                        at = dt * margin0[j] / (margin0[j] - margin[j])
                        if dt > FINEST_S * coarse:
                            wanted = max(0.5 * at, 0.125 * dt, FINEST_S * coarse)
                            shorter = min(shorter, min(wanted, 0.5 * dt))
                        elif dt > 4.0 * TINY_S and at + delay[j] < dt - TINY_S:
                            shorter = min(shorter, max(at + delay[j], 2.0 * TINY_S))
                if shorter == np.inf:
                    break
                if dt > FINEST_S * coarse:
                    cap_s = max(shorter / coarse, FINEST_S)
                dt = shorter
                _copy(bank, V_BEGAN, V_SOC)
                evaluate(cell, table, warmth, bank)
            for j in range(n_limits):
                if margin[j] >= 0.0:
                    below[j] = np.inf
                elif margin0[j] >= 0.0:
                    below[j] = t + dt * margin0[j] / (margin0[j] - margin[j])
                next_event = min(next_event, max(below[j] + delay[j], t + dt))
            # ---- accounts
            out[m, O_STEPS] += 1.0
            out[m, O_CHARGE] += accounts[3] / 3600.0
            out[m, O_LOSS_J] += accounts[1] + lead * total_a * total_a * dt
            out[m, O_BATTERY_J] += accounts[2]
            # what was served: less than asked where the bank could not give it
            out[m, O_LOAD_J] += (gained_a - total_a) * u_mean * dt
            out[m, O_SOURCE_J] += gained_a * u_mean * dt
            out[m, O_OUT] += (gained_a - total_a) * dt / 3600.0
            z_new = mean_soc(bank)
            while g_next < n_grid and grid_s[g_next] <= t + dt + TINY_S:
                soc_grid[m, g_next] = z + (z_new - z) * (grid_s[g_next] - t) / dt
                g_next += 1
            z = z_new
            t += dt
            grade = min(grade + 1, GRADES_S.shape[0] - 1)
            # ---- what the batteries and sources decide by themselves at the end of a step
            cold = True  # the bank refuses while every battery does: the warmest decides
            for b in range(nb):
                cold = cold and bank[b, V_T] < bank[b, B_COLD]
                if bank[b, V_OPEN] > 0.5:
                    pushed = gained_a > 0.0 and u > bank[b, E_E]
                    if pushed or bank[b, E_E] >= bank[b, B_RECONNECT]:
                        bank[b, V_OPEN] = 0.0
                        fresh = True
                if bank[b, B_HEATER] > 0.0:
                    was = bank[b, V_HEATING]
                    if bank[b, V_T] < bank[b, B_HEATER_ON]:
                        bank[b, V_HEATING] = 1.0
                    elif bank[b, V_T] > bank[b, B_HEATER_OFF]:
                        bank[b, V_HEATING] = 0.0
                    bank[b, V_HEATER_A] = (
                        bank[b, B_HEATER] / bank[b, E_E] if bank[b, V_HEATING] > 0.5 else 0.0
                    )
                    fresh = fresh or was != bank[b, V_HEATING]
            if ns > 0:
                if cold != no_charge:
                    no_charge = cold
                    fresh = True
                for s in range(ns):
                    if src[s, Y_IDLE] < 0.5 and z > source_kind[s, Q_IDLE_SOC]:
                        src[s, Y_IDLE] = 1.0
                        fresh = True
                    elif src[s, Y_IDLE] > 0.5 and z < source_kind[s, Q_RESUME_SOC]:
                        src[s, Y_IDLE] = 0.0
                        fresh = True
                # near its limit a charger's current falls within a minute or so: short steps
                near = False
                for s in range(ns):
                    near = near or (src[s, Y_TAKEN] > 0.0 and u >= src[s, Y_LIMIT] - 0.05)
                if out[m, O_FULL] == np.inf and (near or u >= limits[m, L_FULL_V] - 0.05):
                    cap_s = min(cap_s, _TAPER_STEP_S)
                full = says_full(u, total_a, limits[m, L_FULL_V], limits[m, L_FULL_A])
                since_s = full_since(since_s, t, full)
                if t >= since_s + limits[m, L_FULL_S]:
                    out[m, O_FULL] = min(out[m, O_FULL], t)
        out[m, O_SOC] = z
        out[m, O_TEMPERATURE] = np.inf
        for b in range(nb):
            out[m, O_TEMPERATURE] = min(out[m, O_TEMPERATURE], bank[b, V_T])
        while g_next < n_grid:
            soc_grid[m, g_next] = z
            g_next += 1
