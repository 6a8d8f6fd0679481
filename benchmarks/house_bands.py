"""Does the band hold on whole houses, with a charger that holds its limit each day?

    python benchmarks/house_bands.py [--houses 60] [--seed 0] [--days 3] [--members 600]
                                     [--full-std 0.015] [--full-memory-s 600]

The simulated houses of `house_truth.py` (another cell than the model's, all kinds of causes, their
sizes from other families than the priors), a log each, replayed as an owner would: the causal band
of `socband replay` beside the true charge, step by step. Printed are the shares of time within the
50 and the 90 % band, their standard error over the houses, the width and the mean absolute error,
for all houses, by cause, and by whether the voltage strains the band (`narrowing.MOST_STRAINED`);
and within the 90 % band by range of the true charge. A charge above 1 counts as 1, as the band ends
there.

`--full-std 0 --full-memory-s inf` is a filter to which the error near full is like any other, and
`--no-capacity` an owner who says nothing of what the bank still holds.
Seeds from 0 to 9 are for development, what is printed on a page is of another.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
from house_truth import House, make_houses

from socband.executors import executor_from
from socband.logs import sliced
from socband.models import load_cell
from socband.narrowing import MOST_STRAINED
from socband.posterior import Settings
from socband.quantity import Quantity
from socband.replay import replay
from socband.scoring import LEVELS, SOC_RANGES, score_record
from socband.site import setup_from_table

DISPLAY_OFF = 0.08  # deviation of the display when the log begins, and what is told of its age
HOURS_SINCE_FULL = 48.0
GROUPS = {
    "nothing wrong": ("none",),
    "untracked load": ("untracked_steady", "untracked_hours"),
    "offset, dead band": ("offset", "dead_band"),
    "other causes": (),
}


def banded(
    house: House, seed: int, days: float, members: int, full_std: float, full_memory_s: float
) -> dict[str, object]:
    """Scores of one house (`scoring.score_record`), `cause`, `display_mae`, `hours`, `strained`."""
    rows = int(days * 86400.0 / np.median(np.diff(house.log.time_s)))
    log = sliced(house.log, 0, rows)
    truth = np.clip(log.true_soc, 0.0, 1.0)
    rng = np.random.default_rng([seed, int(1e6 * truth[0])])
    shown = float(np.clip(truth[0] + DISPLAY_OFF * rng.standard_normal(), 0.0, 1.0))
    present = replace(
        house.setup.present,
        display_soc=round(shown, 2),
        hours_since_full=Quantity.from_number(HOURS_SINCE_FULL),
    )
    settings = Settings(
        members=members, seed=seed, full_std_soc=full_std, full_memory_s=full_memory_s
    )
    cell = load_cell(house.cell)
    found = replay(replace(house.setup, present=present), cell, log, settings)
    time_s = found["time"].values
    truth = np.interp(time_s, log.time_s, truth)
    display = np.clip(found["display_soc"].values, 0.0, 1.0)
    scores = score_record(
        truth,
        found["soc_quantile"].values,
        settings.probabilities,
        np.diff(time_s, prepend=0.0),
    )
    return scores | {
        "cause": house.cause,
        "display_mae": np.nanmean(np.abs(display - truth)),
        "hours": time_s[-1] / 3600.0,
        "strained": found.attrs["strained_share"] > MOST_STRAINED,
    }


def without_capacity(house: House) -> House:
    """The house of an owner who says nothing of its capacity: the setup's own prior."""
    bank = {"cell": house.cell, "cells_in_series": 4, "rated_capacity_ah": 100.0}
    assumed = setup_from_table({"bank": bank}).bank.capacity_fraction
    setup = house.setup
    return replace(house, setup=replace(setup, bank=replace(setup.bank, capacity_fraction=assumed)))


def rows_of(work: Callable, houses: list[House], workers: int) -> list:
    """What `work(houses, j)` answers, house by house.

    Raises:
        Exception: whatever the work ended with.
    """
    done = dict(executor_from(workers).run(work, houses, range(len(houses))))
    for row in done.values():
        if isinstance(row, Exception):
            raise row
    return [done[j] for j in range(len(houses))]


def grouped(rows: list[dict]) -> dict[str, list[dict]]:
    """Rows by `GROUPS` of their causes; all others in the one that names none."""
    named = {cause for causes in GROUPS.values() for cause in causes}
    return {
        name: [
            row for row in rows if (row["cause"] in causes if causes else row["cause"] not in named)
        ]
        for name, causes in GROUPS.items()
    }


def printed(main: Callable[[], None]) -> None:
    """Run a bench; where nobody reads on (`| head`), what is left to write goes nowhere."""
    try:
        main()
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _banded(houses: list[House], j: int, **given) -> dict[str, object]:
    return banded(houses[j], **given)


def lines(part: list[dict], name: str) -> str:
    """One row of the table."""
    if not part:
        return f"{name:<20} no house"
    half, inside = (
        np.array([row["coverage"][LEVELS.index(p)] for row in part]) for p in (0.5, 0.9)
    )
    error = inside.std() / np.sqrt(max(len(part) - 1, 1))
    width, off, shown = (
        100 * np.mean([row[key] for row in part]) for key in ("width_90", "mae", "display_mae")
    )
    return (
        f"{name:<20} {len(part):4d}    {half.mean():.2f}    {inside.mean():.2f} ± {error:.2f}"
        f"   {width:5.1f}   {off:5.1f}   {shown:5.1f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n", maxsplit=1)[0])
    parser.add_argument("--houses", type=int, default=60)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--days", type=float, default=3.0)
    parser.add_argument("--members", type=int, default=600)
    parser.add_argument("--workers", type=int, default=2)
    usual = Settings()
    parser.add_argument("--full-std", type=float, default=usual.full_std_soc)
    parser.add_argument("--full-memory-s", type=float, default=usual.full_memory_s)
    parser.add_argument(
        "--no-capacity", action="store_true", help="the setups say nothing of the capacity"
    )
    given = parser.parse_args()
    if given.days < 3.0 or given.houses < 1:
        parser.error("--days of at least 3, as long as the houses live, and --houses of at least 1")
    houses = make_houses(given.houses, 7000 + given.seed, longest_days=given.days)
    if given.no_capacity:
        houses = [without_capacity(house) for house in houses]
    work = partial(
        _banded,
        seed=given.seed,
        days=given.days,
        members=given.members,
        full_std=given.full_std,
        full_memory_s=given.full_memory_s,
    )
    rows = rows_of(work, houses, given.workers)
    unsaid = ", no capacity said" if given.no_capacity else ""
    print(f"{given.houses} houses of up to {given.days:g} days, seed {given.seed}, "
          f"{given.members} members{unsaid}")  # fmt: skip
    print("                    houses  in 50 %  in 90 %      width %  MAE %  display's MAE %")
    print(lines(rows, "all"))
    for name, part in grouped(rows).items():
        print(lines(part, name))
    for name, strained in (("log strained", True), ("log not strained", False)):
        print(lines([row for row in rows if row["strained"] == strained], name))
    share, inside = (
        np.array([row[key] for row in rows]) for key in ("share_by_soc", "coverage_90_by_soc")
    )
    spent = share.sum(axis=0)
    told = "  ".join(
        f"{100 * a:.0f}-{100 * b:.0f} %: " + (f"{within / time:.2f}" if time else "-")
        for (a, b), within, time in zip(
            SOC_RANGES, np.nansum(share * inside, axis=0), spent, strict=True
        )
    )
    print(f"inside 90 % by true charge   {told}")


if __name__ == "__main__":
    printed(main)
