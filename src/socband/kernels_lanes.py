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
from numba import njit

from socband.kernels_bank import (
    B_CAPACITY,
    B_LEAD,
    B_PARALLEL,
    B_RESISTANCE,
    C_CAPACITY,
    C_CONDUCTANCE,
    C_EFFICIENCY,
    C_GAMMA,
    C_HEAT,
    C_LEAK,
    C_SAT1,
    C_SAT_LAG,
    C_T_REF,
    C_TAU1,
    C_TAU2,
    ENTROPY,
    GAP,
    JIT,
    LAG,
    OCV,
    R0,
    R1,
    R2,
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

LANES = 48
_FINEST_S = 2.0
_VOLT_STEP = 0.012
_TINY_S = 1e-6
_NULL_S = 1e-9
_MOST_TRIES = 50.0  # a step is taken back so often and no more, whatever the limits do

# Where the rows of the lanes' array begin. One flat array with constant distances between rows is
# what lets the compiler see that they do not overlap.
(
    Z, I1, I2, H, T, ZS, I1S, I2S, HS, TS,  # state, and where the step began
    NOW, DT, EVENT, GRADE, CAP,  # clock, step, next event, next step's grade, cap on it
    QS, PAR, LEAD, RF, AMB, SWING, WARM,  # what a member is
    K0, K1, K2, KL, TF,  # temperature factors and the temperature they are for
    P, A,  # loads
    NL, V1, DS, RR0, RR1, RR2, SLOPE, REST, ENT, LAM, GAPV, SURF, BEND,  # evaluated
    M0, M1, PM0, PM1, VD, VC, BELOW0, BELOW1, DELAY0, DELAY1,  # limits
    ATTENTION, OUT_AH, LOAD_J, LOSS_J, BATTERY_J, STEPS, GRID, QV, TOTAL, UMEAN, K1INV, TRIES, LAGR,

) = range(0, 65 * LANES, LANES)  # fmt: skip
SIZE = 65 * LANES

_VECTOR = njit(
    cache=True, nogil=True, error_model="numpy", fastmath={"contract", "nsz"}, inline="never"
)


def _asinh_series() -> tuple[float, ...]:
    """Chebyshev interpolation of asinh(√y)/√y on 0..1, as coefficients of powers of y."""
    x = np.cos(np.pi * (np.arange(17) + 0.5) / 17)
    y = np.maximum(0.5 * (x + 1.0), 1e-300)
    chebyshev = np.polynomial.chebyshev.Chebyshev.fit(
        y, np.arcsinh(np.sqrt(y)) / np.sqrt(y), 16, domain=[0.0, 1.0]
    )
    power = chebyshev.convert(kind=np.polynomial.Polynomial, domain=[-1, 1], window=[-1, 1])
    return tuple(float(c) for c in power.coef)


(
    _A0, _A1, _A2, _A3, _A4, _A5, _A6, _A7, _A8,
    _A9, _A10, _A11, _A12, _A13, _A14, _A15, _A16,
) = _asinh_series()  # fmt: skip


@njit
def asinh_small(q):
    """asinh for |q| <= 1, to 1e-12."""
    y = q * q
    s = _A12 + y * (_A13 + y * (_A14 + y * (_A15 + y * _A16)))
    s = _A7 + y * (_A8 + y * (_A9 + y * (_A10 + y * (_A11 + y * s))))
    return q * (_A0 + y * (_A1 + y * (_A2 + y * (_A3 + y * (_A4 + y * (_A5 + y * (_A6 + y * s)))))))


@njit
def _exp_short(x):
    """Taylor series of the exponential to x¹¹/11!: 3e-11 for |x| <= 0.7, 1e-13 for 0.4."""
    s = 1.0 / 362880.0 + x * (1.0 / 3628800.0 + x * (1.0 / 39916800.0))
    s = 1.0 / 720.0 + x * (1.0 / 5040.0 + x * (1.0 / 40320.0 + x * s))
    return 1.0 + x * (
        1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0 + x * (1.0 / 120.0 + x * s))))
    )


@njit
def exp_negative(x):
    """exp(x) for x <= 0: the series at x/128, squared seven times; 0 < -45 is held at exp(-45)."""
    s = _exp_short(max(x, -45.0) * (1.0 / 128.0))
    s = s * s
    s = s * s
    s = s * s
    s = s * s
    s = s * s
    s = s * s
    return s * s


@_VECTOR
def _step(w, cell):
    """Every lane one step on: its length, its mean current, its new state."""
    tau1 = cell[C_TAU1]
    tau2 = cell[C_TAU2]
    inv1 = 1.0 / tau1
    inv2 = 1.0 / tau2
    leak = cell[C_LEAK]
    efficiency = cell[C_EFFICIENCY]
    gamma = cell[C_GAMMA]
    heat_inv = 1.0 / cell[C_HEAT]
    conductance = cell[C_CONDUCTANCE]
    conductance_inv = 1.0 / conductance
    cooling = conductance * heat_inv
    for k in range(LANES):
        left = w[EVENT + k] - w[NOW + k]
        steep = w[SLOPE + k] * abs(w[I2 + k]) * w[QS + k]
        dt = min(w[GRADE + k], w[CAP + k])
        dt = min(dt, max(_VOLT_STEP / (steep + 1e-12), _FINEST_S))
        # No stretching of the shortest steps: one that was taken back would come back as it was.
        w[DT + k] = left if (dt > left - 0.5) & (dt > _FINEST_S) else min(dt, left)
        w[GRADE + k] = min(max(3.0 * w[GRADE + k], 5.0), 300.0)
        w[PM0 + k] = w[M0 + k]
        w[PM1 + k] = w[M1 + k]
        w[STEPS + k] += 1.0
    for k in range(LANES):
        dt = w[DT + k]
        inv_dt = 1.0 / dt
        a1 = exp_negative(-dt * inv1)
        a2 = exp_negative(-dt * inv2)
        f1 = 1.0 - (1.0 - a1) * tau1 * inv_dt
        f2 = 1.0 - (1.0 - a2) * tau2 * inv_dt
        qs = w[QS + k]
        i1 = w[I1 + k]
        i2 = w[I2 + k]
        r1 = w[RR1 + k] * w[DS + k] * f1
        e = w[NL + k] + w[V1 + k] - r1 * i1 + (w[RR2 + k] * (1.0 - f2) - w[LAGR + k] * f2) * i2
        rc = w[RR0 + k] + r1 + (w[RR2 + k] + w[LAGR + k]) * f2
        r = (rc + 0.5 * w[SLOPE + k] * dt * qs) * w[PAR + k] + w[LEAD + k]
        half = 0.5 * (e - r * w[A + k])
        root = half * half - r * w[P + k]
        u = half + math.sqrt(max(root, 0.0))
        total = (u - e) / r
        i = total * w[PAR + k]
        ua = u - w[LEAD + k] * total
        w[TOTAL + k] = total
        w[UMEAN + k] = u
        w[OUT_AH + k] -= total * dt
        w[LOAD_J + k] -= total * u * dt
        w[LOSS_J + k] += w[LEAD + k] * total * total * dt
        w[BATTERY_J + k] += ua * total * dt
        z = w[Z + k]
        h = w[H + k]
        t = w[T + k]
        w[ZS + k] = z
        w[I1S + k] = i1
        w[I2S + k] = i2
        w[HS + k] = h
        w[TS + k] = t
        kept = i * efficiency if i > 0.0 else i
        w[Z + k] = min(max(z + kept * dt * qs - leak * dt, -0.2), 1.2)
        w[I1 + k] = i + a1 * (i1 - i)
        w[I2 + k] = i + a2 * (i2 - i)
        b = _exp_short(-abs(i) * gamma * dt * qs)
        sign = -1.0 if i < 0.0 else (1.0 if i > 0.0 else 0.0)
        w[H + k] = sign + b * (h - sign)
        heat = i * (e + rc * i - w[REST + k]) + i * (t + 273.15) * w[ENT + k]
        steady = w[WARM + k] + heat * conductance_inv
        w[T + k] = steady + (t - steady) * _exp_short(-cooling * dt)


@_VECTOR
def _look_up(w, table):
    """What depends on the mean charge, at the mean charge."""
    for k in range(LANES):
        z = min(max(w[Z + k], 0.0), 1.0) * 1024.0
        j = np.uint64(min(z, 1023.0))
        f = z - j
        w[LAM + k] = table[j, LAG] + f * (table[j + np.uint64(1), LAG] - table[j, LAG])
        w[ENT + k] = table[j, ENTROPY] + f * (table[j + np.uint64(1), ENTROPY] - table[j, ENTROPY])
        w[RR0 + k] = table[j, R0] + f * (table[j + np.uint64(1), R0] - table[j, R0])
        w[RR1 + k] = table[j, R1] + f * (table[j + np.uint64(1), R1] - table[j, R1])
        w[RR2 + k] = table[j, R2] + f * (table[j + np.uint64(1), R2] - table[j, R2])
        rest = w[Z + k] * 1024.0 - j
        w[REST + k] = table[j, OCV] + rest * (table[j + np.uint64(1), OCV] - table[j, OCV])
        w[GAPV + k] = table[j, GAP] + f * (table[j + np.uint64(1), GAP] - table[j, GAP])


@_VECTOR
def _surface(w, cell):
    """Surface charge of every lane."""
    s_lag = cell[C_SAT_LAG]
    per = 1.0 / (cell[C_CAPACITY] * s_lag)
    large = 0
    for k in range(LANES):
        q = w[KL + k] * w[RF + k] * w[I2 + k] * per
        w[QV + k] = q
        w[LAGR + k] = w[KL + k] * w[RF + k] * per * s_lag / math.sqrt(1.0 + q * q)
        large += 1 if abs(q) > 1.0 else 0
    if large == 0:
        for k in range(LANES):
            w[QV + k] = asinh_small(w[QV + k])
    else:
        for k in range(LANES):
            q = w[QV + k]
            w[QV + k] = asinh_small(q) if abs(q) <= 1.0 else math.asinh(q)
    for k in range(LANES):
        # discharging: I2 <= 0, or a rest of an earlier charge, for which the other formula holds
        g = w[QV + k] * s_lag
        z = w[Z + k]
        out = g < 0.0
        zc = max(z if out else 1.0 - z, 1e-4)
        x = w[LAM + k] * abs(g) / zc
        keep = exp_negative(-x)
        moved = zc * (1.0 - keep)
        w[SURF + k] = z - moved if out else z + moved
        w[BEND + k] = keep * (1.0 + x)
        w[LAGR + k] *= keep * w[LAM + k]


@_VECTOR
def _look_up_surface(w, table):
    """What depends on the surface charge."""
    for k in range(LANES):
        z = w[SURF + k] * 1024.0
        j = np.uint64(min(max(z, 0.0), 1023.0))
        f = z - j
        rise = table[j + np.uint64(1), OCV] - table[j, OCV]
        w[NL + k] = table[j, OCV] + f * rise
        w[SLOPE + k] = rise * 1024.0
        f = min(max(f, 0.0), 1.0)
        w[SURF + k] = table[j, GAP] + f * (table[j + np.uint64(1), GAP] - table[j, GAP])


@_VECTOR
def _finish(w, cell):
    """Voltages and limits at the end of the step; marks the lanes that need attention."""
    t_ref = cell[C_T_REF] - 273.15
    sat1 = cell[C_SAT1]
    sat1_inv = 1.0 / sat1
    large = 0
    for k in range(LANES):
        q = w[I1 + k] * w[K1 + k] * sat1_inv
        w[QV + k] = q
        w[DS + k] = 1.0 / math.sqrt(1.0 + q * q)
        large += 1 if abs(q) > 1.0 else 0
    if large == 0:
        for k in range(LANES):
            w[QV + k] = asinh_small(w[QV + k])
    else:
        for k in range(LANES):
            q = w[QV + k]
            w[QV + k] = asinh_small(q) if abs(q) <= 1.0 else math.asinh(q)
    for k in range(LANES):
        rf = w[RF + k]
        warmer = (w[T + k] - t_ref) * w[ENT + k]
        w[RR0 + k] *= rf * w[K0 + k]
        w[RR1 + k] *= rf * w[K1 + k]
        w[RR2 + k] *= rf * w[K2 + k]
        w[V1 + k] = w[RR1 + k] * w[QV + k] * sat1 * w[K1INV + k]
        w[NL + k] += warmer + w[SURF + k] * w[H + k]
        w[REST + k] += warmer + w[GAPV + k] * w[H + k]
        w[LAGR + k] *= w[SLOPE + k]
        w[SLOPE + k] *= w[BEND + k]
        e = w[NL + k] + w[V1 + k] + w[RR2 + k] * w[I2 + k]
        r = w[RR0 + k] * w[PAR + k] + w[LEAD + k]
        half = 0.5 * (e - r * w[A + k])
        root = half * half - r * w[P + k]
        u = half + math.sqrt(max(root, 0.0))
        m0 = u - w[VD + k]
        m1 = u - w[VC + k]
        w[M0 + k] = m0
        w[M1 + k] = m1
        now = w[NOW + k] + w[DT + k]
        w[NOW + k] = now
        flipped = ((m0 < 0.0) != (w[PM0 + k] < 0.0)) | ((m1 < 0.0) != (w[PM1 + k] < 0.0))
        moved = abs(w[T + k] - w[TF + k]) > 0.05
        due = now >= min(w[EVENT + k], w[GRID + k]) - _TINY_S
        w[ATTENTION + k] = 1.0 if (flipped | moved | due) else 0.0


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
    w[GRADE + k] = _NULL_S
    w[EVENT + k] = _NULL_S
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
            if dt > _FINEST_S:
                shorter = min(shorter, min(max(0.5 * at, 0.125 * dt, _FINEST_S), 0.5 * dt))
            elif at + w[DELAY0 + j * LANES + k] < dt - _TINY_S:
                shorter = min(shorter, max(at + w[DELAY0 + j * LANES + k], 2.0 * _TINY_S))
    w[TRIES + k] += 1.0
    if shorter == np.inf or w[TRIES + k] > _MOST_TRIES:
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
    if dt > _FINEST_S:
        w[CAP + k] = max(shorter, _FINEST_S)
    else:
        w[EVENT + k] = w[NOW + k] + shorter
    w[GRADE + k] = _NULL_S
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
            _step(w, cell)
            _look_up(w, table)
            _surface(w, cell)
            _look_up_surface(w, table)
            _finish(w, cell)
        for k in range(LANES):
            if w[ATTENTION + k] == 0.0:
                continue
            m = member[k]
            done = m < 0
            if not done:
                dt = w[DT + k]
                if dt > _NULL_S and _crossed(w, k):
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
                    if t <= _TINY_S:
                        # a member just begun: look everything up once more with these
                        w[GRADE + k] = _NULL_S
                        w[EVENT + k] = t + _NULL_S
                        continue
                for j in range(2):
                    now, before = w[M0 + j * LANES + k], w[PM0 + j * LANES + k]
                    if now >= 0.0:
                        w[BELOW0 + j * LANES + k] = np.inf
                    elif before >= 0.0:
                        w[BELOW0 + j * LANES + k] = t - dt + dt * before / (before - now)
                    trip = w[BELOW0 + j * LANES + k] + w[DELAY0 + j * LANES + k]
                    w[EVENT + k] = min(w[EVENT + k], max(trip, t))
                while g_next[k] < n_grid and grid_s[g_next[k]] <= t + _TINY_S:
                    back = (t - grid_s[g_next[k]]) / dt if dt > _NULL_S else 0.0
                    soc_grid[m, g_next[k]] = w[Z + k] + (w[ZS + k] - w[Z + k]) * back
                    g_next[k] += 1
                w[GRID + k] = grid_s[g_next[k]] if g_next[k] < n_grid else np.inf
                changed = t <= _TINY_S
                again = w[EVENT + k] <= t + _TINY_S
                while again:
                    if w[BELOW1 + k] + w[DELAY1 + k] <= t + _TINY_S:
                        out[m, O_INVERTER] = t
                        w[VC + k] = -np.inf
                        w[BELOW1 + k] = np.inf
                        changed = True
                    if w[BELOW0 + k] + w[DELAY0 + k] <= t + _TINY_S:
                        out[m, O_LVD] = t
                        out[m, O_WHICH] = 1.0
                        done = True
                    if done or t >= horizon_s - _TINY_S:
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
                        if change[at] <= t + _TINY_S:
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
                            if enabled[j] and (now_on != on[at] or surge_end[at] >= t - _TINY_S):
                                changed = True
                            on[at] = now_on
                            change[at] = min(own_next[at], until)
                            if surge_end[at] > t + _TINY_S:
                                change[at] = min(change[at], surge_end[at])
                        if not enabled[j]:
                            continue
                        event = min(event, change[at])
                        if on[at] and not (load_kind[j, K_INVERTER] > 0.5 and w[VC + k] == -np.inf):
                            factor = 1.0
                            if surge_end[at] > t + _TINY_S:
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
                    again = event <= t + _TINY_S
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
