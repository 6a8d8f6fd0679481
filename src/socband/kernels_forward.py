"""Members carried ahead in time, compiled: loads switch, sources charge, limits trip.

One member is one loop over steps. A step begins at every switching of a load, source or limit and
grows from 5 to 300 s after it; it is shorter where the open-circuit voltage falls steeply. A limit
that is crossed inside a step sends the member back to take a shorter one; within the shortest, 2 s,
the moment is interpolated. The electrical side of a step stands in `kernels_bank`.
"""

from __future__ import annotations

import math

import numpy as np

from socband.kernels_bank import (
    B_CAPACITY,
    B_COLD,
    B_DELAY,
    B_HEATER,
    B_HEATER_OFF,
    B_HEATER_ON,
    B_PARALLEL,
    B_RECONNECT,
    C_TAU1,
    C_TAU2,
    E_COUNT,
    E_E,
    E_SLOPE,
    JIT,
    S_COUNT,
    S_I2,
    S_SOC,
    S_T,
    evaluate,
    instant,
    margins,
    move,
    over_step,
    solve,
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

# Columns of `limits` (n, L_COUNT): volts per cell, bank amperes.
(
    L_DISCONNECT,
    L_DELAY,
    L_CUTOUT,
    L_CUTOUT_DELAY,
    L_LEAD,  # connection resistance over cells in series [ohm]
    L_FULL_V,
    L_FULL_A,
    L_FULL_S,
    L_COUNT,
) = range(9)

# Columns of `source_kind` (S, Q_COUNT).
Q_POWER, Q_CURRENT_LIMIT, Q_VOLTAGE_LIMIT, Q_IDLE_SOC, Q_RESUME_SOC, Q_COUNT = range(6)

# Columns of the report, one row per member.
(
    O_LVD,  # [s] disconnect, inf if not within the horizon
    O_WHICH,  # 1 low-voltage disconnect, 2 every battery's own BMS
    O_INVERTER,  # [s] inverter cut-out
    O_FIRST_BMS,  # [s] first battery that opened
    O_FULL,  # [s] full
    O_CHARGE,  # [Ah] net into the bank
    O_LOAD_J,  # per cell in series: taken by loads
    O_SOURCE_J,  # brought by sources
    O_LOSS_J,  # lost in leads and connections
    O_BATTERY_J,  # put into the batteries at their own terminals
    O_STEPS,
    O_SOC,  # mean charge at the end
    O_OUT,  # [Ah] taken by loads
    O_COLDEST,  # [°C] coldest battery on the way
    O_COUNT,
) = range(15)

GRADES_S = np.array([5.0, 15.0, 45.0, 135.0, 300.0])
_FINEST_S = 2.0
_VOLT_STEP = 0.012  # a step may change the open-circuit voltage by about so much [V]
_HEATER_STEP_S = 60.0
_TAPER_STEP_S = 20.0
_IDLE_STEP_S = 30.0  # near the charge at which a charger goes idle
_TINY_S = 1e-6


@JIT
def _mean_soc(state, par):
    total = 0.0
    weight = 0.0
    for b in range(par.shape[0]):
        w = par[b, B_CAPACITY] * par[b, B_PARALLEL]
        total += w * state[b, S_SOC]
        weight += w
    return total / weight


@JIT
def carry(
    first,
    stop,
    seed,
    horizon_s,
    grid_s,  # (g,) [s]
    cell,  # (C_COUNT,)
    table,  # (1025, 8)
    cap_curve,  # (151,) capacity factor at -60, -59, ... 90 °C
    state0,  # (n, nb, S_COUNT)
    battery,  # (n, nb, B_COUNT)
    limits,  # (n, L_COUNT)
    ambient,  # (n, 3): mean [°C], half swing [K], seconds from now to the warmest moment
    load_power,  # (n, L) [W] at the battery over cells in series
    load_current,  # (n, L) [A]
    load_duty,  # (n, L)
    load_cycle,  # (n, L) [s]
    load_kind,  # (L, K_COUNT)
    span_ptr,  # (L + 1,)
    spans,  # (m, 2) [s] from now
    enabled,  # (L,) bool
    source_scale,  # (n, S) [W over cells in series] or [A]
    source_kind,  # (S, Q_COUNT)
    source_shape,  # (S, K) share of the nominal in every slot
    slot_s,
    coarse,  # multiplies the step grades; 1 but for tests
    stop_at_lvd,
    soc_grid,  # (n, g) float32 out
    out,  # (n, O_COUNT) out
):
    """Carry members first..stop ahead to the horizon or their disconnect."""
    nb = state0.shape[1]
    nl = load_power.shape[1]
    ns = source_scale.shape[1]
    n_slots = source_shape.shape[1]
    n_grid = grid_s.shape[0]
    n_limits = nb + 2
    state = np.empty((nb, S_COUNT))
    saved = np.empty((nb, S_COUNT))
    ev = np.empty((nb, E_COUNT))
    fac = np.empty((nb, 6))
    heater_a = np.zeros(nb)
    heater_on = np.zeros(nb, np.bool_)
    is_open = np.zeros(nb, np.bool_)
    below = np.empty(n_limits)  # since when a limit is undercut: disconnect, cut-out, batteries
    margin = np.empty(n_limits)
    margin0 = np.empty(n_limits)
    delay = np.empty(n_limits)
    accounts = np.zeros(4)
    src_p = np.zeros(ns)
    src_a = np.zeros(ns)
    src_i = np.zeros(ns)
    src_lim = source_kind[:, Q_VOLTAGE_LIMIT].copy()
    idle = np.zeros(ns, np.bool_)
    own_on = np.zeros(nl, np.bool_)
    own_next = np.zeros(nl)
    surge_end = np.zeros(nl)
    count = np.zeros(nl, np.int64)
    place = np.zeros(nl, np.int64)
    on = np.zeros(nl, np.bool_)
    change = np.zeros(nl)  # when a load is to be looked at again

    for m in range(first, stop):
        par = battery[m]
        state[:] = state0[m]
        fac[:, 5] = -1e9
        is_open[:] = False
        heater_on[:] = False
        heater_a[:] = 0.0
        idle[:] = False
        below[:] = np.inf
        delay[0] = limits[m, L_DELAY]
        delay[1] = limits[m, L_CUTOUT_DELAY]
        for b in range(nb):
            delay[2 + b] = par[b, B_DELAY]
        lead = limits[m, L_LEAD]
        cutout_v = limits[m, L_CUTOUT]
        for k in range(O_COUNT):
            out[m, k] = 0.0
        for k in (O_LVD, O_INVERTER, O_FIRST_BMS, O_FULL, O_COLDEST):
            out[m, k] = np.inf
        full_since = np.inf
        for j in range(nl):
            count[j] = -1
            own_next[j] = 0.0
            surge_end[j] = -1.0
            place[j] = span_ptr[j]
            on[j] = False
            change[j] = 0.0
        src_p[:] = 0.0
        src_a[:] = 0.0
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
        evaluate(cell, table, state, par, fac, ev, cap_curve)
        z = _mean_soc(state, par)
        while True:
            # ---- events at t: limits that trip, loads that switch, sources that change
            if fresh or t >= next_event - _TINY_S:
                changed = fresh
                fresh = False
                tripped = False
                for j in range(n_limits):
                    if below[j] + delay[j] <= t + _TINY_S:
                        below[j] = np.inf
                        changed = True
                        if j == 0:
                            if out[m, O_LVD] == np.inf:
                                out[m, O_LVD] = t
                                out[m, O_WHICH] = 1.0
                            tripped = stop_at_lvd
                        elif j == 1:
                            out[m, O_INVERTER] = t
                            cutout_v = -np.inf
                        else:
                            is_open[j - 2] = True
                            out[m, O_FIRST_BMS] = min(out[m, O_FIRST_BMS], t)
                all_open = True
                for b in range(nb):
                    all_open = all_open and is_open[b]
                if all_open and not tripped:
                    if out[m, O_LVD] == np.inf:
                        out[m, O_LVD] = t
                        out[m, O_WHICH] = 2.0
                    tripped = True
                if tripped or t >= horizon_s - _TINY_S:
                    break
                next_event = horizon_s
                warm = ambient[m, 0] + ambient[m, 1] * math.cos(
                    2.0 * math.pi * (t - ambient[m, 2]) / 86400.0
                )
                load_p = 0.0
                load_a = 0.0
                for j in range(nl):
                    if change[j] <= t + _TINY_S:
                        duty = load_duty[m, j] + load_kind[j, K_DUTY_PER_K] * (
                            warm - load_kind[j, K_DUTY_AT_C]
                        )
                        update_load(
                            t, j, m, seed, duty, load_cycle[m, j], load_kind[j, K_JITTER],
                            np.int64(load_kind[j, K_STREAM]), own_on, own_next, count,
                        )  # fmt: skip
                        inside, until = span_at(t, j, span_ptr[j + 1], spans, place)
                        now_on = inside and own_on[j]
                        if now_on and not on[j] and load_kind[j, K_SURGE_S] > 0.0 and t > 0.0:
                            surge_end[j] = t + load_kind[j, K_SURGE_S]
                        if enabled[j] and (now_on != on[j] or surge_end[j] >= t - _TINY_S):
                            changed = True
                        on[j] = now_on
                        change[j] = min(own_next[j], until)
                        if surge_end[j] > t + _TINY_S:
                            change[j] = min(change[j], surge_end[j])
                    if not enabled[j]:
                        continue
                    next_event = min(next_event, change[j])
                    if on[j] and not (load_kind[j, K_INVERTER] > 0.5 and cutout_v == -np.inf):
                        surging = surge_end[j] > t + _TINY_S
                        factor = load_kind[j, K_SURGE] if surging else 1.0
                        load_p += load_power[m, j] * factor
                        load_a += load_current[m, j] * factor
                if ns > 0:
                    slot = min(int((t + _TINY_S) / slot_s), n_slots - 1)
                    if slot + 1 < n_slots:
                        next_event = min(next_event, (slot + 1) * slot_s)
                    for s in range(ns):
                        new_p = 0.0
                        new_a = 0.0
                        value = 0.0 if idle[s] else source_scale[m, s] * source_shape[s, slot]
                        if source_kind[s, Q_POWER] > 0.5:
                            volts = u if u > 0.0 else 3.3
                            if value / volts > source_kind[s, Q_CURRENT_LIMIT]:
                                new_a = source_kind[s, Q_CURRENT_LIMIT]
                            else:
                                new_p = value
                        else:
                            new_a = min(value, source_kind[s, Q_CURRENT_LIMIT])
                        if new_p != src_p[s] or new_a != src_a[s]:
                            changed = True
                        src_p[s] = new_p
                        src_a[s] = new_a
                if changed:
                    grade = 0
                    cap_s = GRADES_S[-1]
                # the voltage jumps with the loads: every limit is looked at again
                e_sum, g_sum = instant(state, par, is_open, ev, heater_a)
                u = solve(e_sum, g_sum, lead, no_charge, load_p, load_a,
                          src_p, src_a, src_lim, src_i)  # fmt: skip
                margins(u, lead, limits[m, L_DISCONNECT], cutout_v, par, is_open, ev,
                        heater_a, e_sum, g_sum, margin)  # fmt: skip
                for j in range(n_limits):
                    if margin[j] >= 0.0:
                        below[j] = np.inf
                    elif below[j] == np.inf:
                        below[j] = t
                    next_event = min(next_event, below[j] + delay[j])
                if next_event <= t + _TINY_S:
                    continue
            # ---- the length of the step
            dt = min(GRADES_S[grade] * coarse, cap_s * coarse)
            steep = 0.0
            for b in range(nb):
                steep = max(steep, ev[b, E_SLOPE] * abs(state[b, S_I2]) / par[b, B_CAPACITY])
                if heater_on[b]:
                    dt = min(dt, _HEATER_STEP_S)
            if steep * dt > _VOLT_STEP * coarse * 3600.0:
                dt = max(_VOLT_STEP * coarse * 3600.0 / steep, _FINEST_S * coarse)
            for q in range(ns):
                if not idle[q] and 0.0 <= source_kind[q, Q_IDLE_SOC] - z < 0.02:
                    dt = min(dt, _IDLE_STEP_S * coarse)
            left = next_event - t
            if dt > left - 0.5 * coarse:
                dt = left
            saved[:] = state
            margin0[:] = margin
            while True:
                # ---- one step: means over it give the currents, the states follow
                a1 = math.exp(-dt / cell[C_TAU1])
                a2 = math.exp(-dt / cell[C_TAU2])
                e_sum, g_sum = over_step(cell, state, par, fac, is_open, ev, heater_a, dt, a1, a2)
                u_mean = solve(e_sum, g_sum, lead, no_charge, load_p, load_a,
                               src_p, src_a, src_lim, src_i)  # fmt: skip
                total_a = (u_mean - e_sum / g_sum) / (1.0 / g_sum + lead)
                gained_a = 0.0
                for s in range(ns):
                    gained_a += src_i[s]
                warm = ambient[m, 0] + ambient[m, 1] * math.cos(
                    2.0 * math.pi * (t + 0.5 * dt - ambient[m, 2]) / 86400.0
                )
                accounts[:] = 0.0
                move(cell, state, par, fac, is_open, ev, heater_a, u_mean - lead * total_a,
                     dt, a1, a2, warm, accounts)  # fmt: skip
                evaluate(cell, table, state, par, fac, ev, cap_curve)
                e_sum, g_sum = instant(state, par, is_open, ev, heater_a)
                u = solve(e_sum, g_sum, lead, no_charge, load_p, load_a,
                          src_p, src_a, src_lim, src_i)  # fmt: skip
                margins(u, lead, limits[m, L_DISCONNECT], cutout_v, par, is_open, ev,
                        heater_a, e_sum, g_sum, margin)  # fmt: skip
                # ---- a limit crossed inside: go back, step shorter, at last up to its moment
                shorter = np.inf
                for j in range(n_limits):
                    if margin[j] < 0.0 and margin0[j] >= 0.0:
                        at = dt * margin0[j] / (margin0[j] - margin[j])
                        if dt > _FINEST_S * coarse:
                            wanted = max(0.5 * at, 0.125 * dt, _FINEST_S * coarse)
                            shorter = min(shorter, min(wanted, 0.5 * dt))
                        elif at + delay[j] < dt - _TINY_S:
                            shorter = min(shorter, max(at + delay[j], 2.0 * _TINY_S))
                if shorter == np.inf:
                    break
                if dt > _FINEST_S * coarse:
                    cap_s = max(shorter / coarse, _FINEST_S)
                dt = shorter
                state[:] = saved
                evaluate(cell, table, state, par, fac, ev, cap_curve)
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
            z_new = _mean_soc(state, par)
            while g_next < n_grid and grid_s[g_next] <= t + dt + _TINY_S:
                soc_grid[m, g_next] = z + (z_new - z) * (grid_s[g_next] - t) / dt
                g_next += 1
            z = z_new
            t += dt
            grade = min(grade + 1, GRADES_S.shape[0] - 1)
            # ---- what the batteries and sources decide by themselves at the end of a step
            cold = False
            for b in range(nb):
                out[m, O_COLDEST] = min(out[m, O_COLDEST], state[b, S_T])
                cold = cold or state[b, S_T] < par[b, B_COLD]
                if is_open[b]:
                    pushed = gained_a > 0.0 and u > ev[b, E_E]
                    if pushed or ev[b, E_E] >= par[b, B_RECONNECT]:
                        is_open[b] = False
                        fresh = True
                if par[b, B_HEATER] > 0.0:
                    was = heater_on[b]
                    if state[b, S_T] < par[b, B_HEATER_ON]:
                        heater_on[b] = True
                    elif state[b, S_T] > par[b, B_HEATER_OFF]:
                        heater_on[b] = False
                    heater_a[b] = par[b, B_HEATER] / ev[b, E_E] if heater_on[b] else 0.0
                    fresh = fresh or was != heater_on[b]
            if ns > 0:
                if cold != no_charge:
                    no_charge = cold
                    fresh = True
                for s in range(ns):
                    if not idle[s] and z > source_kind[s, Q_IDLE_SOC]:
                        idle[s] = True
                        fresh = True
                    elif idle[s] and z < source_kind[s, Q_RESUME_SOC]:
                        idle[s] = False
                        fresh = True
                # near its limit a charger's current falls within a minute or so: short steps
                near = False
                for s in range(ns):
                    near = near or (src_i[s] > 0.0 and u >= src_lim[s] - 0.05)
                if out[m, O_FULL] == np.inf and (near or u >= limits[m, L_FULL_V] - 0.05):
                    cap_s = min(cap_s, _TAPER_STEP_S)
                    if u >= limits[m, L_FULL_V] and 0.0 <= total_a <= limits[m, L_FULL_A]:
                        full_since = min(full_since, t)
                        if t >= full_since + limits[m, L_FULL_S]:
                            out[m, O_FULL] = t
                    else:
                        full_since = np.inf
        out[m, O_SOC] = z
        while g_next < n_grid:
            soc_grid[m, g_next] = z
            g_next += 1
