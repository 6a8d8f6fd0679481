"""Speed and steps of the forward kernels, as ratios within one run.

    python benchmarks/forward_speed.py [--members 10000]

Prints nanoseconds a member-step of the lanes kernel on all cores and on one, the ratio to the
general kernel and to plain numpy on the same kind of step, and the error of the event-aligned steps
in the time to disconnect against steps of 0.1 s.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable

import numpy as np

from socband import kernels_columns as k
from socband.cell import voltage
from socband.forward import Plan, prepare, run
from socband.models import load_cell
from socband.quantity import Quantity
from socband.site import setup_from_table
from socband.unknowns import Unknowns

CELL = load_cell("lfp-prismatic-100ah")
# An invented cabin: a refrigerator, a furnace blower, lamps, a router.
TABLE = {
    "bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 200.0},
    "loads": [
        {"name": "fridge", "power_w": 50.0, "duty": 0.4, "cycle_min": 30},
        {"name": "router", "power_w": 6.0},
        {"name": "lamps", "power_w": 15.0, "hours": ["18:00-23:00"]},
        {"name": "blower", "current_a": 9.0, "duty": 0.3, "cycle_min": 20,
         "hours": ["20:00-08:00"]},
    ],
    "ambient": {"temperature_c": 4.0},
    "present": {"display_soc": 0.62, "hours_since_full": 26.0, "clock": "21:30"},
    "limits": {"disconnect_v": 10.0, "delay_s": 10.0},
    "question": {"until": ["07:00"], "horizon_hours": 72.0},
}  # fmt: skip


def planned(n: int, soc: float = 0.6) -> Plan:
    setup = setup_from_table(TABLE)
    start = Quantity.from_dist("norm", loc=soc, scale=0.08 * soc)
    return prepare(setup, CELL, Unknowns.from_setup(setup, start).draw(n, 0), seed=0)


def best(
    work: Callable[[], object], times: int = 5, clock: Callable[[], float] = time.perf_counter
) -> float:
    """Shortest of some runs [s]; the first, which may compile, does not count."""
    work()
    spent = []
    for _ in range(times):
        start = clock()
        work()
        spent.append(clock() - start)
    return min(spent)


def numpy_step_ns(n: int) -> float:
    """One step of the cell in plain numpy over all members (socband.cell), per member [ns]."""
    rng = np.random.default_rng(0)
    z, i1, i2, h = rng.uniform(0.2, 0.9, n), np.full(n, -4.0), np.full(n, -4.0), np.full(n, -0.5)
    current = np.full(n, -5.0)

    def step() -> np.ndarray:
        a1, a2 = np.exp(-60.0 / CELL.tau1_s), np.exp(-60.0 / CELL.tau2_s)
        keep = np.exp(-np.abs(CELL.hysteresis_decay * current) * 60.0 / 360000.0)
        return voltage(
            CELL, z + 60.0 * current / 360000.0, a1 * i1 + (1 - a1) * current,
            a2 * i2 + (1 - a2) * current, keep * h - (1 - keep), current, 15.0,
        )  # fmt: skip

    return best(step, 5, time.thread_time) / n * 1e9


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--members", type=int, default=10_000)
    args = parser.parse_args()
    plan = planned(args.members)
    steps = run(plan).column(k.O_STEPS).sum()
    cores = os.cpu_count() or 1
    all_cores = best(lambda: run(plan)) / steps * 1e9
    one = best(lambda: run(plan, threads=1), 3, time.thread_time) / steps * 1e9
    small = planned(max(args.members // 10, 1))
    general = best(lambda: run(small, general=True, threads=1), 3, time.thread_time)
    general *= 1e9 / run(small, general=True).column(k.O_STEPS).sum()
    numpy_ns = numpy_step_ns(args.members)
    print(f"{args.members} members, {steps / args.members:.0f} steps each, load average "
          f"{os.getloadavg()[0]:.1f} on {cores} cores")  # fmt: skip
    print(f"lanes, {cores} threads     {all_cores:8.1f} ns a step")
    print(f"lanes, 1 thread      {one:8.1f} ns a step (time of the core, others left aside)")
    print(f"general, 1 thread    {general:8.1f} ns a step, {general / one:.1f} times the lanes'")
    print(f"numpy, one step      {numpy_ns:8.1f} ns a step, {numpy_ns / one:.1f} times"
          " (no events, no limits)")  # fmt: skip
    ends = planned(40, soc=0.2)
    fine = run(ends, coarse=0.1 / 300.0).column(k.O_LVD)
    coarse = run(ends).column(k.O_LVD)
    error = np.abs(coarse - fine)
    print(
        f"time to disconnect against 0.1 s steps: median error {np.median(error):.2f} s, "
        f"95 % within {np.quantile(error, 0.95):.2f} s, of {np.median(fine) / 3600:.1f} h"
    )


if __name__ == "__main__":
    main()
