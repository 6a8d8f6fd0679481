"""Does the band hold on whole houses, with a charger that holds its limit each day?

    python benchmarks/house_bands.py [--houses 60] [--seed 0] [--days 3] [--members 600]
                                     [--full-std 0.015] [--full-memory-s 600]

The simulated houses of `house_truth.py` (another cell than the model's, all kinds of causes, their
sizes from other families than the priors), a log each, replayed as an owner would: the causal band
of `socband replay` beside the true charge, step by step. Printed are the shares of time within the
50 and the 90 % band, their standard error over the houses, the width and the mean absolute error,
for all houses and by cause; and within the 90 % band by range of the true charge. A charge above 1
counts as 1, as the band ends there.

`--full-std 0 --full-memory-s inf` is a filter to which the error near full is like any other.
Seeds from 0 to 9 are for development, what is printed on a page is of another.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import replace
from functools import partial

import numpy as np
from house_truth import House, make_houses

from socband.executors import executor_from
from socband.logs import sliced
from socband.models import load_cell
from socband.posterior import Settings
from socband.quantity import Quantity
from socband.replay import replay
from socband.scoring import SOC_RANGES as RANGES

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
    """Scores of one house: `inside50`, `inside90`, `width`, `off`, and `ranges`."""
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
    truth = np.interp(found["time"].values, log.time_s, truth)
    low, quarter, middle, upper, high = (
        found["soc_quantile"].sel(quantile=[0.05, 0.25, 0.5, 0.75, 0.95]).values.T
    )
    in90 = (truth >= low - 1e-6) & (truth <= high + 1e-6)
    in50 = (truth >= quarter - 1e-6) & (truth <= upper + 1e-6)
    ranges = [
        (int(part.sum()), int(in90[part].sum()))
        for a, b in RANGES
        for part in ((truth >= a) & (truth < b if b < 1.0 else truth <= b),)
    ]
    return {
        "cause": house.cause,
        "inside50": in50.mean(),
        "inside90": in90.mean(),
        "width": np.mean(high - low),
        "off": np.abs(middle - truth).mean(),
        "display_off": np.nanmean(np.abs(np.clip(found["display_soc"].values, 0, 1) - truth)),
        "ranges": ranges,
    }


def _banded(houses: list[House], j: int, **given) -> dict[str, object]:
    return banded(houses[j], **given)


def lines(rows: list[dict], causes: Iterable[str] | None, name: str) -> str:
    """One row of the table."""
    part = [row for row in rows if causes is None or row["cause"] in causes]
    if not part:
        return f"{name:<20} no house"
    inside = np.array([row["inside90"] for row in part])
    error = inside.std() / np.sqrt(max(len(part) - 1, 1))
    half, width, off, shown = (
        np.mean([row[key] for row in part]) for key in ("inside50", "width", "off", "display_off")
    )
    return (
        f"{name:<20} {len(part):4d}    {half:.2f}    {inside.mean():.2f} ± {error:.2f}"
        f"   {100 * width:5.1f}   {100 * off:5.1f}   {100 * shown:5.1f}"
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
    given = parser.parse_args()
    houses = make_houses(given.houses, 7000 + given.seed, longest_days=given.days)
    work = partial(
        _banded,
        seed=given.seed,
        days=given.days,
        members=given.members,
        full_std=given.full_std,
        full_memory_s=given.full_memory_s,
    )
    done = dict(executor_from(given.workers).run(work, houses, range(len(houses))))
    rows = [done[j] for j in range(len(houses))]
    for row in rows:
        if isinstance(row, Exception):
            raise row
    print(f"{given.houses} houses of up to {given.days:g} days, seed {given.seed}, "
          f"{given.members} members")  # fmt: skip
    print("                    houses  in 50 %  in 90 %      width %  MAE %  display's MAE %")
    print(lines(rows, None, "all"))
    named = {cause for causes in GROUPS.values() for cause in causes}
    for name, causes in GROUPS.items():
        rest = {row["cause"] for row in rows} - named
        print(lines(rows, causes or rest, name))
    counts = np.array([row["ranges"] for row in rows]).sum(axis=0)
    told = "  ".join(
        f"{100 * a:.0f}-{100 * b:.0f} %: {inside / max(n, 1):.2f}"
        for (a, b), (n, inside) in zip(RANGES, counts, strict=True)
    )
    print(f"inside 90 % by true charge   {told}")


if __name__ == "__main__":
    main()
