"""The shunt monitor: what it reads, what it counts, and how far that drifts.

    I_seen = (1 + g)·(I − I_untracked) + offset + drift·(T − 25 °C) + noise

rounded to its resolution and zero inside its dead band; the display is what it counts of that over
the capacity and the charge efficiency set in it. The re-zero rule (voltage above, current below,
for so long) puts it to 100 %, rightly or not. Four sources of error, each growing with time or
charge: Movassagh, Raihan, Balasingam, Pattipati 2021, 10.3390/en14144074.
"""

from __future__ import annotations

import math

import numpy as np

Array = np.ndarray

DRIFT_REFERENCE_C = 25.0


def seen_current(
    current_a: Array,
    *,
    offset_a: Array = 0.0,
    gain_error: Array = 0.0,
    untracked_a: Array = 0.0,
    drift_a_per_k: Array = 0.0,
    temperature_c: Array = DRIFT_REFERENCE_C,
    noise_a: float = 0.0,
    resolution_a: float = 0.0,
    dead_band_a: Array = 0.0,
    rng: np.random.Generator | None = None,
) -> Array:
    """What the monitor reads; the arguments broadcast.

    Args:
        current_a: true bank current [A], positive = charge, untracked loads included.
        offset_a: reading at no current [A].
        gain_error: relative.
        untracked_a: what is drawn behind the shunt's back [A], a magnitude ≥ 0.
        drift_a_per_k, temperature_c: change of the offset away from 25 °C [A/K], [°C].
        noise_a: standard deviation of one reading [A]; needs `rng`.
        resolution_a: step of the reading [A], 0 = none.
        dead_band_a: smaller readings count as zero [A].

    Raises:
        ValueError: noise without a generator.
    """
    tracked = np.asarray(current_a, dtype=float) + untracked_a
    drift = drift_a_per_k * (np.asarray(temperature_c) - DRIFT_REFERENCE_C)
    seen = (1.0 + np.asarray(gain_error)) * tracked + offset_a + drift
    if noise_a > 0.0:
        if rng is None:
            raise ValueError("noise_a > 0 needs a random generator: pass rng")
        seen = seen + noise_a * rng.standard_normal(np.shape(seen))
    if resolution_a > 0.0:
        seen = np.round(seen / resolution_a) * resolution_a
    return beyond_dead_band(seen, dead_band_a)


def beyond_dead_band(current_a: Array, dead_band_a: Array) -> Array:
    """A current as far as it counts [A]: smaller ones than the dead band are none; broadcast."""
    return np.where(np.abs(current_a) < dead_band_a, 0.0, current_a)


def moved_soc(
    time_s: Array,
    current_a: Array,
    *,
    assumed_capacity_ah: float,
    assumed_charge_efficiency: float,
    dead_band_a: float,
) -> float:
    """By how much a display moves over a log that it neither ends nor begins anew in, 0..1.

    Args:
        time_s, current_a, assumed_capacity_ah, assumed_charge_efficiency, dead_band_a: as in
            `counted_soc`, which holds the display within 0..1 and at full.
    """
    counted = beyond_dead_band(current_a, dead_band_a)
    kept = np.where(counted > 0.0, assumed_charge_efficiency, 1.0) * counted
    return float(kept @ np.diff(time_s, prepend=time_s[0])) / 3600.0 / assumed_capacity_ah


def counted_soc(
    time_s: Array,
    current_a: Array,
    voltage_v: Array | None = None,
    *,
    start_soc: float,
    assumed_capacity_ah: float,
    assumed_charge_efficiency: float = 1.0,
    dead_band_a: float = 0.0,
    above_v: float = math.inf,
    below_a: float = 0.0,
    for_s: float = 0.0,
) -> Array:
    """What the display shows over a log.

    Args:
        time_s: (n,) increasing [s]; current_a[k] flows from time_s[k−1] to time_s[k].
        current_a: (n,) what the monitor reads [A], positive = charge.
        voltage_v: (n,) bank voltage [V]; without it the re-zero rule never acts.
        start_soc: display at the first row, 0..1.
        assumed_capacity_ah, assumed_charge_efficiency: set in the monitor.
        dead_band_a: smaller currents are not counted [A].
        above_v, below_a, for_s: re-zero rule [V], [A], [s].

    Returns:
        (n,) 0..1.
    """
    from socband.kernels_monitor import count_display

    time_s = np.ascontiguousarray(time_s, dtype=float)
    current_a = np.asarray(current_a, dtype=float)
    if voltage_v is None:
        voltage_v = np.full(len(time_s), -math.inf)
    counted = beyond_dead_band(current_a, dead_band_a)
    out = np.empty(len(time_s))
    if len(time_s):
        count_display(
            time_s,
            np.ascontiguousarray(counted),
            np.ascontiguousarray(voltage_v, dtype=float),
            float(start_soc),
            float(assumed_capacity_ah),
            float(assumed_charge_efficiency),
            float(above_v),
            float(below_a),
            float(for_s),
            out,
        )
    return out
