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
def _duration(seed, member, jitter, stream, count, mean_s):
    return mean_s * (1.0 + jitter * (2.0 * hashed(seed, member, stream, count) - 1.0))


@JIT
def update_load(t, at, member, seed, duty, cycle_s, jitter, stream, own_on, own_next, count):
    """Bring the on-off process at place `at` of the arrays to time t; hours are left aside.

    `count[at]` < 0 marks a load that has not begun: its first state and the rest of its first
    interval are drawn as in the steady state of the process.
    """
    if duty >= 1.0 or duty <= 0.0:
        own_on[at] = duty >= 1.0
        own_next[at] = np.inf
        count[at] = max(count[at], 0)
        return
    if count[at] < 0:
        own_on[at] = hashed(seed, member, stream, 0) < duty
        share = hashed(seed, member, stream, 1)
        count[at] = 2
        mean = cycle_s * (duty if own_on[at] else 1.0 - duty)
        own_next[at] = t + share * _duration(seed, member, jitter, stream, 2, mean)
    while own_next[at] <= t + 1e-6:
        own_on[at] = not own_on[at]
        count[at] += 1
        mean = cycle_s * (duty if own_on[at] else 1.0 - duty)
        own_next[at] += max(_duration(seed, member, jitter, stream, count[at], mean), 1.0)


@JIT
def span_at(t, at, end, spans, place):
    """Inside the hours of a load at t, and when does that change? `place[at]` remembers where.

    `end` is the row of `spans` after the load's last one.
    """
    k = place[at]
    while k < end and spans[k, 1] <= t + 1e-6:
        k += 1
    place[at] = k
    if k >= end:
        return False, np.inf
    if spans[k, 0] <= t + 1e-6:
        return True, spans[k, 1]
    return False, spans[k, 0]


@JIT
def switches(seed, member, duty, cycle_s, jitter, stream, spans, horizon_s, out):
    """Times at which a load switches: on, off, on, ...; for tests and pictures.

    Fills `out` and returns how many; the same process as in the forecast.
    """
    own_on = np.zeros(1, np.bool_)
    own_next = np.zeros(1)
    count = np.full(1, -1)
    place = np.zeros(1, np.int64)
    on = False
    t = 0.0
    n = 0
    while t < horizon_s and n < out.shape[0]:
        update_load(t, 0, member, seed, duty, cycle_s, jitter, stream, own_on, own_next, count)
        inside, until = span_at(t, 0, spans.shape[0], spans, place)
        now_on = inside and own_on[0]
        if now_on != on:
            out[n] = t
            n += 1
            on = now_on
        t = min(own_next[0], until)
    return n
