"""How good are the suspects? Simulated houses with random causes; see `house_truth.py`.

    python benchmarks/suspects_houses.py [--houses 300] [--seed 0] [--processes 2] [--eta 0.2]

Prints the share of houses whose top suspect is right (all, and where the cause is identifiable),
the calibration of the probabilities, the coverage of the untracked current, how many healthy houses
are called faulty, and the entropy after the recommended measurement against a random one. The
scores are those of `suspects_scoring.py`.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from house_truth import CELL, make_houses
from suspects_scoring import report, score_all, score_house

from socband.logs import Log
from socband.models import load_cell
from socband.suspects import Options, suspects


def thirty_days() -> str:
    """Time for a log of 30 days at 10 s, made of a simulated house's fortnight and its repetition.

    The repetition is not physical at the seam; only the time it takes is of interest.
    """
    house = make_houses(1, 99, ["untracked_steady"])[0]
    old = house.log
    t = np.arange(0.0, 30.0 * 86400.0, 10.0)
    at = np.mod(t, old.time_s[-1])
    log = Log("thirty days", t, np.interp(at, old.time_s, old.current_a),
              np.interp(at, old.time_s, old.voltage_v), np.full(len(t), 15.0),
              unix_time_s=t + old.unix_time_s[0])  # fmt: skip
    began, work = time.perf_counter(), time.process_time()
    suspects(house.setup, load_cell(CELL), log, {}, 0)
    wall, cpu = time.perf_counter() - began, time.process_time() - work
    return f"30 days at 10 s ({len(t)} rows): {wall:.1f} s, {cpu:.1f} s CPU   target <= 60 s"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n", maxsplit=1)[0])
    parser.add_argument("--houses", type=int, default=300)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--eta", type=float, default=None)
    parser.add_argument("--quick", action="store_true", help="no criterion, no tests")
    parser.add_argument("--speed", action="store_true", help="only time a log of 30 days")
    given = parser.parse_args()
    if given.speed:
        print(thirty_days())
        return
    options = Options()
    if given.eta is not None:
        options = replace(options, model=replace(options.model, eta=given.eta))
    rows: list[dict[str, Any]] = []
    for first in range(0, given.houses, 50):
        houses = make_houses(min(50, given.houses - first), given.seed * 1000 + first)
        work = partial(score_house, seed=given.seed, options=options, quick=given.quick)
        rows += score_all(houses, work, given.processes)
        print(f"{len(rows)} houses done", flush=True)
    print(report(rows))


if __name__ == "__main__":
    main()
