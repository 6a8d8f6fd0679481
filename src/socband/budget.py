"""Which unknown widens the band: variance shares from the ensemble itself; a monitor's budget.

The first-order sensitivity index of an unknown X is Var(E[Y | X]) / Var(Y) (Sobol 1993; Saltelli et
al. 2010, 10.1016/j.cpc.2009.09.018). With the members at hand it is the correlation ratio of Y over
slices of X ("given data": Plischke, Borgonovo & Smith 2013, 10.1016/j.ejor.2012.11.047), so no
model run is needed, and what evidence has already taught is counted.

The budget of a monitor asks the same of its display after some days without a full charge: how far
it may be off (a coverage interval by Monte Carlo: JCGM 101:2008), and by which source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from socband.quantity import Quantity
from socband.snapshot import AllEmpty, take_snapshot
from socband.summary import QUANTILES, quantiles_of, with_attributes

if TYPE_CHECKING:
    import xarray as xr

    from socband.models import CellModel
    from socband.site import Setup

DAYS = (1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 14.0, 21.0, 30.0, 60.0, 90.0)  # that are shown
SHOWN_SOC = 0.5  # assumed where neither the setup nor the caller says what the display shows
LEAST_DAYS = 0.02  # half an hour: sooner is at once
Array = np.ndarray


def first_order_share(x: Array, y: Array, slices: int = 25) -> float:
    """Share of the variance of `y` that goes with `x`, 0..1.

    Args:
        x, y: (n,) one entry for each member.
        slices: groups of equal size along x; a value that repeats (a spike) is a group of its own.

    Returns:
        The correlation ratio, corrected for the number of slices as an unbiased variance is.
    """
    n = len(x)
    total = float(np.var(y))
    if total == 0.0 or np.ptp(x) == 0.0:
        return 0.0
    edges = np.quantile(x, np.linspace(0.0, 1.0, slices + 1))
    spikes = edges[1:][np.diff(edges) == 0.0]
    edges = np.unique(np.concatenate([edges, np.nextafter(spikes, -np.inf)]))
    group = np.searchsorted(edges[1:-1], x, side="left")
    count = np.bincount(group)
    used = count > 0
    mean = np.bincount(group, y)[used] / count[used]
    between = float(np.sum(count[used] * (mean - y.mean()) ** 2))
    within = total * n - between
    groups = int(used.sum())
    if n <= groups or groups < 2:
        return 0.0
    # epsilon squared (Kelley 1935): expectation zero when x does not matter
    epsilon = (between - (groups - 1) * within / (n - groups)) / (total * n)
    return float(np.clip(epsilon, 0.0, 1.0))


def variance_shares(causes: Mapping[str, Array], y: Array) -> dict[str, float]:
    """First-order share of each cause in the variance of `y`, largest first."""
    shares = {name: first_order_share(x, y) for name, x in causes.items()}
    return dict(sorted(shares.items(), key=lambda item: -item[1]))


def share_std(x: Array, y: Array, blocks: int = 20) -> float:
    """Standard error of `first_order_share` by leaving out one block of the members after another.

    The jackknife (Quenouille 1956, 10.1093/biomet/43.3-4.353) needs blocks that are independent:
    members that resampling made of one draw, and so of one y, go together.
    """
    _, draw = np.unique(y, return_inverse=True)
    count = int(draw.max()) + 1
    if count < 2 * blocks:
        return 0.0 if count == 1 else float("nan")
    # by chance and not along y: a block that is a slice of y would be no sample of it
    order = np.random.default_rng([0, 41]).permutation(count)
    block = (order % blocks)[draw]
    left = np.array([first_order_share(x[block != b], y[block != b]) for b in range(blocks)])
    return float(np.sqrt((blocks - 1) / blocks * np.sum((left - left.mean()) ** 2)))


def error_budget(
    setup: Setup,
    cell: CellModel,
    days: float = 7.0,
    within: float = 0.05,
    display_soc: float | None = None,
    members: int = 20_000,
    seed: int = 0,
) -> xr.Dataset:
    """How wrong a display may be after days without a full charge, and by which source.

    Args:
        setup: bank and monitor; of its present only the display and the clock are used.
        cell: its model.
        days: since the last full charge.
        within: what the display is wanted to be within of the true charge, 0..1.
        display_soc: what it shows then, 0..1; None: as the setup says, else `SHOWN_SOC`.
        members, seed: of the ensemble.

    Returns:
        Dataset: `error` (day, quantile), display less true charge, 0..1; `variance_share` (cause)
        on the last of these days, largest first, and its standard error `variance_share_std` for so
        many members (NaN where too few of them differ); `variance_together`, the rest of the
        variance, which goes with several of them together and with none alone (an offset counts
        for more in a bank that holds less), or for which the slices of a cause are too coarse, 1 to
        2 %; `error_at_once` (quantile) and `variance_share_at_once` (cause), the same for a display
        that got there before anything that needs time could add to it;
        attributes `display_soc`, `days`, `within`, `setting_over_bank`, the capacity set in the
        monitor over what the bank holds, and `longest_days`, the longest time at which the
        90 % band of the error is within that (`days` at most; 0 if not even at once), and
        `limited_by`, the cause of the largest share of its variance right after that.

    Raises:
        AllEmpty: after so many days nearly every possible bank would be empty.
    """
    import xarray as xr

    if display_soc is None:
        display_soc = setup.present.display_soc
    shown = SHOWN_SOC if display_soc is None else display_soc
    holds_ah = setup.bank.rated_capacity_ah * setup.bank.capacity_fraction.median

    def after(so_many: float) -> tuple[Array, Mapping[str, Array]]:
        present = replace(
            setup.present,
            display_soc=shown,
            hours_since_full=Quantity.from_number(24.0 * so_many),
            rested_voltage_v=None,
            rested_hours=None,
            current_a=None,
        )
        try:
            snapshot = take_snapshot(replace(setup, present=present), cell, members, seed)
        except AllEmpty as refused:
            found = (
                f"{so_many:.3g} days since the last full charge, and {100.0 * shown:.0f} % on the "
                "display: nearly every possible bank would be empty by now"
            )
            raise AllEmpty("--days", found, "fewer --days, or check", refused.doubts) from None
        return shown - snapshot.members.soc, snapshot.causes

    def holds(so_many: float) -> bool:
        low, *_, high = quantiles_of(after(so_many)[0])
        return -within <= low and high <= within

    last, causes = after(days)
    shown_days = [*(day for day in DAYS if day < days), days]
    errors = [quantiles_of(after(day)[0]) for day in shown_days[:-1]] + [quantiles_of(last)]
    low, high = (days, days) if holds(days) else (0.0, days)
    while high - low > max(0.01 * high, LEAST_DAYS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    shares = variance_shares(causes, last)
    beyond, causes_beyond = after(high)
    at_once, causes_at_once = after(0.0)
    shares_at_once = variance_shares(causes_at_once, at_once)
    together = max(0.0, 1.0 - sum(shares.values())) if np.ptp(last) > 0.0 else 0.0
    dataset = xr.Dataset(
        {
            "error": (("day", "quantile"), np.array(errors),
                      {"units": "1", "long_name": "displayed less true charge"}),
            "variance_share": ("cause", list(shares.values()),
                               {"units": "1", "long_name": "share of the error's variance"}),
            "variance_share_std": ("cause", [share_std(causes[name], last) for name in shares],
                                   {"units": "1", "long_name": "standard error of the share"}),
            "variance_together": ((), together,
                                  {"units": "1", "long_name": "share of several only together"}),
            "error_at_once": ("quantile", quantiles_of(at_once),
                              {"units": "1", "long_name": "error before time adds to it"}),
            "variance_share_at_once": ("cause", [shares_at_once.get(k, 0.0) for k in shares],
                                       {"units": "1", "long_name": "share of its variance"}),
            "error_std": ((), float(last.std()), {"units": "1", "long_name": "its deviation"}),
        },
        coords={
            "day": ("day", shown_days, {"units": "d", "long_name": "since the last full charge"}),
            "quantile": list(QUANTILES),
            "cause": list(shares),
        },
        attrs={"display_soc": shown, "days": days, "within": within, "longest_days": float(low),
               "setting_over_bank": setup.monitor.assumed_capacity_ah.median / holds_ah,
               "limited_by": next(iter(variance_shares(causes_beyond, beyond)), ""),
               "members": members},
    )  # fmt: skip
    return with_attributes(dataset, f"How wrong the display can be: {setup.about.title}", seed)
