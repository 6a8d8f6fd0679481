"""The display's counting, compiled: each row depends on the one before."""

from __future__ import annotations

import numpy as np
from numba import njit

from socband import monitor_rule

says_full = njit(cache=True, nogil=True, error_model="numpy")(monitor_rule.says_full)
full_since = njit(cache=True, nogil=True, error_model="numpy")(monitor_rule.full_since)


@njit(cache=True, nogil=True, error_model="numpy")
def count_display(
    time_s, counted_a, voltage_v, start_soc, capacity_ah, efficiency, above_v, below_a, for_s, out
):
    """Fill `out` with the displayed charge; see `socband.monitor.counted_soc`. Returns re-zeros."""
    soc = start_soc
    since_s = full_since(np.inf, time_s[0], says_full(voltage_v[0], counted_a[0], above_v, below_a))
    times = 0
    out[0] = soc
    for k in range(1, time_s.shape[0]):
        dt = time_s[k] - time_s[k - 1]
        amps = counted_a[k]
        gain = amps * efficiency if amps > 0.0 else amps
        soc = min(max(soc + gain * dt / (3600.0 * capacity_ah), 0.0), 1.0)
        since_s = full_since(since_s, time_s[k], says_full(voltage_v[k], amps, above_v, below_a))
        if time_s[k] - since_s >= for_s:
            if soc < 1.0:
                times += 1
            soc = 1.0
        out[k] = soc
    return times
