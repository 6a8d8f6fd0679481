"""Make `workshop-van.csv`, the log of an invented van whose shunt misses a load.

Sixty hours from a full charge on, a row every ten minutes. A small load wired past the shunt draws
1.4 A day and night, and the bank holds 93 % of what the monitor believes. Nothing in it was
measured: cells from the generic model, loads and sun made up.

    python examples/make_log.py
"""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

from socband.cell import simulate
from socband.models import load_cell
from socband.monitor import seen_current

CELLS, STRINGS = 4, 2
STEP_S = 600.0
START = datetime(2026, 11, 21, 20, 30, tzinfo=UTC)
HOURS, HOLD_ROWS = 62, 12  # the charger holds the bank for the first two hours
HOLD_V = 14.0
UNTRACKED_A, OFFSET_A = 1.4, 0.02
CAPACITY_AH = 0.93 * 200.0
TEMPERATURE_C, START_SOC = 12.0, 0.88
CHARGER_A = 30.0


def made() -> tuple[np.ndarray, float]:
    """(rows, 4) time and since 1970 [s], seen current [A], voltage [V]; true charge at the end."""
    cell = load_cell("lfp-prismatic-100ah")
    rng = np.random.default_rng(7)
    time_s = STEP_S * np.arange(HOURS * 6 + 1)
    unix_s = START.timestamp() + time_s
    hour = unix_s / 3600.0 % 24.0

    def voltage(current_a: np.ndarray) -> np.ndarray:
        """Of the bank [V], for its current up to a row [A]."""
        run = simulate(
            cell,
            time_s[: len(current_a)],
            current_a / STRINGS,
            TEMPERATURE_C,
            START_SOC,
            1.0,
            capacity_ah=CAPACITY_AH / STRINGS,
        )
        return CELLS * run.voltage_v

    fridge_a = 3.0 * rng.binomial(10, 0.35, len(time_s)) / 10.0
    lamps_a = np.where((hour >= 18.0) & (hour < 23.0), 2.0, 0.0)
    cloud = rng.uniform(0.3, 1.0, len(time_s))
    sun_a = 6.6 * cloud * np.clip(np.sin(np.pi * (hour - 8.0) / 9.0), 0.0, None)
    true_a = sun_a - fridge_a - lamps_a - UNTRACKED_A
    for row in range(HOLD_ROWS):
        before = true_a[:row]

        def above_v(amps: float, before: np.ndarray = before) -> float:
            return voltage(np.append(before, amps))[-1] - HOLD_V

        full_on = above_v(CHARGER_A) < 0.0
        true_a[row] = CHARGER_A if full_on else brentq(above_v, -CHARGER_A, CHARGER_A)
    seen_a = seen_current(
        true_a, offset_a=OFFSET_A, untracked_a=UNTRACKED_A, resolution_a=0.01, dead_band_a=0.1
    )
    left = START_SOC + np.sum(true_a[1:]) * STEP_S / 3600.0 / CAPACITY_AH
    return np.column_stack([time_s, unix_s, seen_a, np.round(voltage(true_a), 2)]), left


def main(argv: list[str] | None = None) -> None:
    """Write the log beside this file; with --help only say so."""
    form = argparse.RawDescriptionHelpFormatter
    argparse.ArgumentParser(description=__doc__, formatter_class=form).parse_args(argv)
    rows, left = made()
    path = Path(__file__).with_name("workshop-van.csv")
    np.savetxt(
        path,
        rows,
        delimiter=",",
        header="Test Time / s,Unix Time / s,Current / A,Voltage / V",
        comments="",
        fmt=["%.0f", "%.0f", "%.2f", "%.2f"],
    )
    print(f"{path.name}: {len(rows)} rows; true charge at the end {100 * left:.1f} %")


if __name__ == "__main__":
    main()
