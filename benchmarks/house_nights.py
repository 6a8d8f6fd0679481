"""Does `tonight` keep its word on whole houses, with a log and without one?

    python benchmarks/house_nights.py [--houses 120] [--seed 0] [--members 1000]

The simulated houses of `house_truth.py` (another cell than the model's, all kinds of causes, their
sizes from other families than the priors). Each log is cut at an evening; the display counts on as
the house's monitor does, from one that is off when the log begins (`house_bands.DISPLAY_OFF`), and
is full where the monitor says so. `tonight` is asked then by an owner who states what a technician
would, and no loads. Scored are

- the charge now, by the display, by `tonight SETUP` and by `tonight SETUP LOG`,
- the charge at six next morning, before the sun, by `tonight SETUP LOG`, which knows of the night's
  loads what the log drew,

by the share of houses whose true charge lies in the 50 and the 90 % band, the width of that, and
the mean absolute error of the middle. A bank that is off in the morning counts as empty on both
sides. Seeds from 0 to 9 are for development, what is printed on a page is of another.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from functools import partial

import numpy as np
from house_bands import DISPLAY_OFF, HOURS_SINCE_FULL, grouped, printed, rows_of
from house_truth import House, make_houses

from socband.errors import InputError
from socband.forward import prepare, run
from socband.logs import sliced
from socband.models import load_cell
from socband.monitor import counted_soc
from socband.narrowing import MOST_STRAINED
from socband.present import known_now
from socband.quantity import Quantity
from socband.site import Setup
from socband.site_fields import ClockTime
from socband.snapshot import take_snapshot

Array = np.ndarray

MORNING = 6.0
EVENING = (18.0, 23.0)
LEAST_DAYS = 1.5  # of a log, before the evening
ASKED = ("display", "now, no log", "now, with log", "at six, with log")
BAND = (0.05, 0.25, 0.5, 0.75, 0.95)


def evening_of(house: House, rng: np.random.Generator) -> tuple[int, int]:
    """Rows of an evening and of the morning after it, the last that the log holds."""
    hour = house.log.unix_time_s / 3600.0
    mornings = np.flatnonzero(np.diff(np.floor((hour - MORNING) / 24.0)) > 0) + 1
    asked = rng.uniform(*EVENING)
    ahead_rows = round((MORNING + 24.0 - asked) * 3600.0 / np.median(np.diff(house.log.time_s)))
    morning = int(mornings[-1])
    return morning - ahead_rows, morning


def displayed(house: House, shown: float) -> Array:
    """What the house's monitor shows along its log, from `shown`."""
    rated, monitor = house.setup.bank.rated_capacity_ah, house.setup.monitor
    return counted_soc(
        house.log.time_s,
        house.log.current_a,
        house.log.voltage_v,
        start_soc=shown,
        assumed_capacity_ah=house.parameters["capacity_setting"] * rated,
        assumed_charge_efficiency=house.parameters["efficiency_setting"],
        dead_band_a=0.0,  # what it swallows is zero in the log
        above_v=monitor.re_zero.above_v.median,
        below_a=monitor.re_zero.below_a.median,
        for_s=monitor.re_zero.for_s.median,
    )


def asked_at(
    house: House, evening: int, morning: int, rng: np.random.Generator
) -> tuple[Setup, float]:
    """The setup file of that evening, and the hours until the morning."""
    log = house.log
    shown = float(np.clip(log.true_soc[0] + DISPLAY_OFF * rng.standard_normal(), 0.0, 0.99))
    display = displayed(house, shown)[: evening + 1]
    full = np.flatnonzero(display > 1.0 - 1e-9)
    hours = log.time_s[evening] / 3600.0 + HOURS_SINCE_FULL
    if full.size:
        hours = (log.time_s[evening] - log.time_s[full[-1]]) / 3600.0
    present = replace(
        house.setup.present,
        clock=ClockTime.from_hour(log.unix_time_s[evening] / 3600.0 % 24.0),
        display_soc=round(float(np.clip(display[-1], 0.0, 1.0)), 2),
        hours_since_full=Quantity.from_number(round(hours, 1)),
    )
    until = (log.time_s[morning] - log.time_s[evening]) / 3600.0
    return replace(house.setup, present=present), until


def asked(houses: list[House], j: int, seed: int, members: int) -> dict[str, object] | None:
    """Bands (quantiles `BAND`) and truths of one house; None if its log is too short."""
    house, rng = houses[j], np.random.default_rng([seed, j])
    evening, morning = evening_of(house, rng)
    log, cell = house.log, load_cell(house.cell)
    if log.time_s[evening] < LEAST_DAYS * 86400.0 or log.voltage_v[evening] < 10.8:
        return None
    setup, until = asked_at(house, evening, morning, rng)
    truth = np.clip(log.true_soc, 0.0, 1.0)
    shown = setup.present.display_soc
    found = {"cause": house.cause, "display": (np.full(5, shown), truth[evening])}
    try:
        alone = take_snapshot(setup, cell, members, seed).members.soc
        before = replace(sliced(log, 0, evening + 1), true_soc=None)
        known = known_now(setup, cell, members, seed, log=before)
    except InputError as error:
        return {"cause": house.cause, "refused": str(error)}
    setup, now, seen = known.setup, known.snapshot, known.seen
    plan = prepare(setup, cell, now.members, seed=seed, patterns=now.patterns, seen=seen)
    night = run(plan)
    at_six = night.soc[:, np.argmin(np.abs(plan.grid_s / 3600.0 - until))]
    found["now, no log"] = (np.quantile(alone, BAND), truth[evening])
    found["now, with log"] = (np.quantile(now.members.soc, BAND), truth[evening])
    found["at six, with log"] = (np.quantile(at_six, BAND), truth[morning])
    found["strained"] = known.of_log["strained_share"] > MOST_STRAINED
    return found


def line(rows: list[dict], what: str, name: str) -> str:
    """One row of the table."""
    told = [row[what] for row in rows if what in row]
    if not told:
        return f"{name:<18} {what:<17} no house"
    band, truth = np.array([b for b, _ in told]), np.array([t for _, t in told])
    rounding = 0.005  # a display's, and of what is printed
    half, most = (
        np.mean((band[:, a] - rounding <= truth) & (truth <= band[:, 4 - a] + rounding))
        for a in (1, 0)
    )
    error = np.sqrt(most * (1.0 - most) / len(told))
    off = 100.0 * (band[:, 2] - truth)
    return (
        f"{name:<18} {what:<17} {len(told):4d}    {half:.2f}    {most:.2f} ± {error:.2f}   "
        f"{100 * np.mean(band[:, 4] - band[:, 0]):5.1f}  {abs(off).mean():5.1f}  {off.mean():+5.1f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n", maxsplit=1)[0])
    parser.add_argument("--houses", type=int, default=120)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--members", type=int, default=1000)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    if given.houses < 1:
        parser.error("--houses of at least 1")
    houses = make_houses(given.houses, 9000 + given.seed, longest_days=5.0)
    work = partial(asked, seed=given.seed, members=given.members)
    rows = rows_of(work, houses, given.workers)
    refused = [row for row in rows if row and "refused" in row]
    rows = [row for row in rows if row and "refused" not in row]
    print(f"{len(rows)} of {given.houses} houses asked in an evening, seed {given.seed}, "
          f"{given.members} members; {len(refused)} refused")  # fmt: skip
    for row in refused:
        print(f"  {row['cause']}: {row['refused']}")
    print(f"{'':36} houses  in 50 %  in 90 %       width %  MAE %  bias %")
    for name, part in {"all": rows, **grouped(rows)}.items():
        for what in ASKED:
            print(line(part, what, name))
    print(line([row for row in rows if row["strained"]], ASKED[2], "log strained"))
    print(line([row for row in rows if not row["strained"]], ASKED[2], "log not strained"))


if __name__ == "__main__":
    printed(main)
