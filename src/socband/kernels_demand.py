"""Loads that switch at their own random times, compiled.

Every duration comes from a hash of (seed, member, load, switching), so neither the order in which
members are worked on, nor the other loads, nor a load that was switched off changes it: what-ifs
share their random numbers.
"""

from __future__ import annotations

import numpy as np

from socband.kernels_bank import warm_at
from socband.kernels_jit import INLINE, PART

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

# Columns of `states` (places, D_COUNT): where a load of a member under way stands.
(
    D_CHANGE,  # [s] when it is to be looked at again
    D_WATT,  # drawn now, over cells in series
    D_AMPERE,
    D_ON,  # 1 if on, within the hours
    D_OWN_ON,  # 1 if on, as far as its own process goes
    D_OWN_NEXT,  # [s] when that changes
    D_SWITCHINGS,  # so far; n < 0: begins, with the numbers from −1 − n on
    D_SPAN,  # row of the span that comes next
    D_SURGE_END,  # [s]
    D_POWER,  # drawn while on
    D_CURRENT,
    D_DUTY,
    D_CYCLE,  # [s]
    D_DRAW,  # number of the next switching: drawn when there is nothing to wait for
    D_COUNT,
) = range(15)

# Columns of `ahead` (members · INTERVALS, N_COUNT): what all loads together draw, one row for every
# interval between two moments at which a load is looked at.
(
    N_UNTIL,  # [s] when it ends
    N_WATT,  # over cells in series
    N_AMPERE,
    N_AIR,  # [°C] as it begins
    N_SWITCHED,  # 1 if a load switches as it begins
    N_COUNT,
) = range(6)
INTERVALS = 16  # laid out at a time


@INLINE
def _mixed(x):
    """The end of a round of splitmix64 (Steele et al. 2014)."""
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


@INLINE
def _key_of(seed, member, stream):
    """What the numbers of one stream of one member are made from."""
    x = np.uint64(seed) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(member)
    x = (x ^ np.uint64(stream)) * np.uint64(0xBF58476D1CE4E5B9)
    return _mixed(x + np.uint64(0x9E3779B97F4A7C15))


@INLINE
def _number(key, count):
    x = (key ^ np.uint64(count)) * np.uint64(0xBF58476D1CE4E5B9) + np.uint64(0x9E3779B97F4A7C15)
    return (np.float64(_mixed(x) >> np.uint64(11)) + 0.5) * 2.0**-53


@INLINE
def _update(t, k, duty, varies, jitter, keys, states):
    """Bring the on-off process at place k to time t; hours are left aside.

    A load that has not begun gets its first state and the rest of its first interval as in the
    steady state of the process. One that is always on or always off begins when it no longer is;
    where the duty `varies` that is looked at once a cycle.
    """
    count = np.int64(states[k, D_SWITCHINGS])
    if duty >= 1.0 or duty <= 0.0:
        states[k, D_OWN_ON] = 1.0 if duty >= 1.0 else 0.0
        states[k, D_OWN_NEXT] = t + states[k, D_CYCLE] if varies else np.inf
        states[k, D_SWITCHINGS] = min(count, -3 - count)  # number count + 1 is drawn already
    else:
        begins = count < 0
        on = states[k, D_OWN_ON] > 0.5
        due = states[k, D_OWN_NEXT]
        share = 1.0
        if begins:
            first = -1 - count
            on = _number(keys[k], first) >= duty  # turned round below
            share = _number(keys[k], first + 1)
            states[k, D_DRAW] = _number(keys[k], first + 2)
            count = first + 1
            due = t
        while begins or due <= t + 1e-6:
            on = not on
            count += 1
            mean = states[k, D_CYCLE] * (duty if on else 1.0 - duty)
            lasts = mean * (1.0 + jitter * (2.0 * states[k, D_DRAW] - 1.0))
            due += share * lasts if begins else max(lasts, 1.0)
            states[k, D_DRAW] = _number(keys[k], count + 1)
            begins = False
        states[k, D_OWN_ON] = 1.0 if on else 0.0
        states[k, D_OWN_NEXT] = due
        states[k, D_SWITCHINGS] = count


@INLINE
def _span_at(t, k, end, spans, states):
    """Inside the hours of a load at t, and when does that change?

    `end` is the row of `spans` after the load's last one.
    """
    row = np.int64(states[k, D_SPAN])
    while row < end and spans[row, 1] <= t + 1e-6:
        row += 1
    states[k, D_SPAN] = row
    inside = False
    until = np.inf
    if row < end:
        inside = spans[row, 0] <= t + 1e-6
        until = spans[row, 1] if inside else spans[row, 0]
    return inside, until


@INLINE
def _look(t, k, j, warm_c, kind, span_ptr, spans, keys, states):
    """Bring load j, at place k, to time t; True if it has switched."""
    per_k = kind[j, K_DUTY_PER_K]
    duty = states[k, D_DUTY] + per_k * (warm_c - kind[j, K_DUTY_AT_C])
    _update(t, k, duty, per_k != 0.0, kind[j, K_JITTER], keys, states)
    inside, until = _span_at(t, k, span_ptr[j + 1], spans, states)
    on = 1.0 if inside and states[k, D_OWN_ON] > 0.5 else 0.0
    surge_end = states[k, D_SURGE_END]
    if on > states[k, D_ON] and kind[j, K_SURGE_S] > 0.0 and t > 1e-3:
        surge_end = t + kind[j, K_SURGE_S]
        states[k, D_SURGE_END] = surge_end
    switched = on != states[k, D_ON] or surge_end >= t - 1e-6
    states[k, D_ON] = on
    change = min(states[k, D_OWN_NEXT], until)
    factor = on
    if surge_end > t + 1e-6:
        change = min(change, surge_end)
        factor = on * kind[j, K_SURGE]
    states[k, D_CHANGE] = change
    states[k, D_WATT] = states[k, D_POWER] * factor
    states[k, D_AMPERE] = states[k, D_CURRENT] * factor
    return switched


@PART
def begin_loads(at, m, seed, loads, keys, states):
    """Put a member's loads at places at..at+L, before their first moment.

    A load that is not enabled is never looked at: no other load's numbers depend on it.
    """
    power, current, duty, cycle, kind, span_ptr, _, enabled = loads
    for j in range(kind.shape[0]):
        k = at + j
        keys[k] = _key_of(seed, m, np.int64(kind[j, K_STREAM]))
        for column in range(D_COUNT):
            states[k, column] = 0.0
        states[k, D_CHANGE] = 0.0 if enabled[j] else np.inf
        states[k, D_SWITCHINGS] = -1.0
        states[k, D_SPAN] = span_ptr[j]
        states[k, D_SURGE_END] = -1.0
        states[k, D_POWER] = power[m, j]
        states[k, D_CURRENT] = current[m, j]
        states[k, D_DUTY] = duty[m, j]
        states[k, D_CYCLE] = cycle[m, j]


@INLINE
def switch_loads(t, at, warm_c, horizon_s, kind, span_ptr, spans, keys, states):
    """Bring the loads at places at..at+L to time t.

    Returns:
        Power and current that they draw, when to look again, and whether any has switched.
    """
    power = 0.0
    current = 0.0
    event = horizon_s
    changed = False
    for j in range(kind.shape[0]):
        k = at + j
        if states[k, D_CHANGE] <= t + 1e-6:
            switched = _look(t, k, j, warm_c, kind, span_ptr, spans, keys, states)
            changed = changed or switched
        power += states[k, D_WATT]
        current += states[k, D_AMPERE]
        event = min(event, states[k, D_CHANGE])
    return power, current, event, changed


@PART
def cut_inverter(at, kind, states):
    """The inverter has cut out: what is behind it draws nothing from now on."""
    for j in range(kind.shape[0]):
        if kind[j, K_INVERTER] > 0.5:
            states[at + j, D_CHANGE] = np.inf
            states[at + j, D_WATT] = 0.0
            states[at + j, D_AMPERE] = 0.0


GO_ON, FROM_START, WITHOUT_INVERTER = range(3)


@PART
def lay_out(t, how, at, start, m, seed, horizon_s, ambient, loads, keys, states, ahead):
    """Lay out the intervals from t [s] on of the loads at places at..at+L, from row `start` on.

    What loads do depends on the clock and the air alone, not on the bank: many intervals in a row
    cost less than one now and then, of which no processor can guess when it comes.

    Args:
        how: `GO_ON` where the last one laid out ended; `FROM_START` of the night; or, where the
            inverter cuts out at t, once more from its start `WITHOUT_INVERTER`: the others' numbers
            do not hang on the loads behind it.
    """
    _, _, _, _, kind, span_ptr, spans, _ = loads
    now = t
    if how != GO_ON:
        begin_loads(at, m, seed, loads, keys, states)
        now = 0.0
    if how == WITHOUT_INVERTER:
        cut_inverter(at, kind, states)
    row = start
    while row < start + INTERVALS and now < horizon_s:
        air_c = warm_at(now, ambient[m])
        power, current, event, switched = switch_loads(
            now, at, air_c, horizon_s, kind, span_ptr, spans, keys, states
        )
        ahead[row, N_UNTIL] = event
        ahead[row, N_WATT] = power
        ahead[row, N_AMPERE] = current
        ahead[row, N_AIR] = air_c
        ahead[row, N_SWITCHED] = 1.0 if switched else 0.0
        now = event
        row += 1 if event > t + 1e-6 else 0
