"""Logs of time, current, voltage and perhaps temperature."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from socband.errors import Problem


@dataclass(frozen=True)
class Log:
    """A recorded log in the conventions used inside: current positive into the battery.

    Attributes:
        name: what to call it (file name).
        time_s: (n,) seconds from the start, strictly increasing.
        current_a: (n,) [A], positive = charge.
        voltage_v: (n,) terminal voltage [V].
        temperature_c: (n,) [°C], or None.
        true_soc: (n,) 0..1 where the truth is known, or None.
        unix_time_s: (n,) seconds since 1970-01-01 UTC, or None.
        net_charge_ah: (n,) [Ah] net charge since the first row by the instrument's own counters,
            positive = charged, starts at 0; None where there is no counter.
        warnings: what was repaired on reading.
    """

    name: str
    time_s: np.ndarray
    current_a: np.ndarray
    voltage_v: np.ndarray
    temperature_c: np.ndarray | None = None
    true_soc: np.ndarray | None = None
    unix_time_s: np.ndarray | None = None
    net_charge_ah: np.ndarray | None = None
    warnings: tuple[Problem, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.time_s)
