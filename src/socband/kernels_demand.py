"""Loads that switch at their own random times, compiled.

Every duration comes from a hash of (seed, member, load, switching), so neither the order in which
members are worked on, nor the other loads, nor a load that was switched off changes it: what-ifs
share their random numbers.
"""

from __future__ import annotations

import numpy as np
from numba import njit

JIT = njit(cache=True, nogil=True, error_model="numpy")

# Columns of the array `load_kind` (L, K_COUNT).
(
    K_JITTER,  # every on and off time lies evenly within ± this share of its mean
    K_SURGE,  # power while starting, over the running power
    K_SURGE_S,  # how long starting takes [s]; 0 without
    K_DUTY_PER_K,  # change of duty with the ambient temperature [1/K] ...
    K_DUTY_AT_C,  # ... from this one [°C]
    K_INVERTER,  # 1 if behind the inverter
    K_STREAM,  # number of the random stream
    K_COUNT,
) = range(8)

OFF, STARTING, RUNNING = 0, 1, 2


@JIT
def hashed(seed, member, stream, count):
    """Uniform number in (0, 1) of a counter: two rounds of splitmix64 (Steele et al. 2014)."""
    x = np.uint64(seed) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(member)
    for word in (np.uint64(stream), np.uint64(count)):
        x = (x ^ word) * np.uint64(0xBF58476D1CE4E5B9) + np.uint64(0x9E3779B97F4A7C15)
        x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        x = x ^ (x >> np.uint64(31))
    return (np.float64(x >> np.uint64(11)) + 0.5) * 2.0**-53


@JIT
def _duration(seed, member, kind, count, mean_s):
    u = hashed(seed, member, np.int64(kind[K_STREAM]), count)
    return mean_s * (1.0 + kind[K_JITTER] * (2.0 * u - 1.0))


@JIT
def update_load(t, j, member, seed, duty, cycle_s, kind, own_on, own_next, surge_end, count, on):
    """Bring load j to time t; `own_*` is its own on-off process, hours of the day left aside.

    `count[j]` < 0 marks a load that has not begun: its first state and the rest of its first
    interval are drawn as in the steady state of the process.
    """
    if duty >= 1.0 or duty <= 0.0:
        own_on[j] = duty >= 1.0
        own_next[j] = np.inf
        count[j] = max(count[j], 0)
        return
    stream = np.int64(kind[j, K_STREAM])
    if count[j] < 0:
        own_on[j] = hashed(seed, member, stream, 0) < duty
        share = hashed(seed, member, stream, 1)
        count[j] = 2
        mean = cycle_s * (duty if own_on[j] else 1.0 - duty)
        own_next[j] = t + share * _duration(seed, member, kind[j], 2, mean)
    while own_next[j] <= t + 1e-6:
        own_on[j] = not own_on[j]
        count[j] += 1
        mean = cycle_s * (duty if own_on[j] else 1.0 - duty)
        own_next[j] += max(_duration(seed, member, kind[j], count[j], mean), 1.0)


@JIT
def span_at(t, j, span_ptr, spans, place):
    """Is t inside the hours of load j, and when does that change? `place` remembers where."""
    k = place[j]
    while k < span_ptr[j + 1] and spans[k, 1] <= t + 1e-6:
        k += 1
    place[j] = k
    if k >= span_ptr[j + 1]:
        return False, np.inf
    if spans[k, 0] <= t + 1e-6:
        return True, spans[k, 1]
    return False, spans[k, 0]


@JIT
def switches(seed, member, duty, cycle_s, kind, span_ptr, spans, horizon_s, j, out):
    """Times at which load j switches on and off, for tests and pictures: (on, off, on, ...).

    Fills `out` and returns how many; the same process as in the forecast.
    """
    n_loads = kind.shape[0]
    own_on = np.zeros(n_loads, np.bool_)
    own_next = np.zeros(n_loads)
    surge_end = np.zeros(n_loads)
    count = np.full(n_loads, -1)
    place = span_ptr[:-1].copy()
    on = False
    t = 0.0
    n = 0
    while t < horizon_s and n < out.shape[0]:
        update_load(t, j, member, seed, duty, cycle_s, kind, own_on, own_next, surge_end, count, on)
        inside, until = span_at(t, j, span_ptr, spans, place)
        now_on = inside and own_on[j]
        if now_on != on:
            out[n] = t
            n += 1
            on = now_on
        t = min(own_next[j], until)
    return n
