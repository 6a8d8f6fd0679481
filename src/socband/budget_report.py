"""Views of an error budget: text, JSON and a picture."""

from __future__ import annotations

import textwrap
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.plots import BAND, LIKELY, legend_below, new_figure
from socband.report import wrapped
from socband.summary import as_percentiles, plain

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.figure import Figure

MOST_LEADERS = 3
LEAST_SHARE = 0.005  # smaller ones are listed as one
LEAST_LED = 0.1  # of the variance: a cause that helps little is not named
LEAST_TOGETHER = 0.02  # slices too coarse for a cause lose as much of it


def budget_text(dataset: xr.Dataset) -> str:
    """For the engineer, within 80 columns."""
    a = dataset.attrs
    percent = 100.0 * dataset["error"].values
    lines = [
        wrapped(a["title"]),
        "",
        wrapped(
            f"The display shows {100 * a['display_soc']:.0f} % so many days after the last full "
            "charge, and the bank is still on. Shown less true charge, in percent of charge:"
        ),
        "",
        "    days    likely    90 % sure",
    ]
    for day, (low, _, middle, _, high) in zip(dataset["day"].values, percent, strict=True):
        lines.append(f"  {day:6.3g}   {middle:+7.1f}    {low:+.1f} to {high:+.1f}")
    lines += ["", *_share_lines(dataset)]
    longest, wanted = a["longest_days"], f"within {100 * a['within']:.3g} % of the truth"
    if longest == 0.0:
        text = f"It is not {wanted} (90 % sure) for any time at all: {_at_once(dataset)}"
    elif longest >= a["days"]:
        text = f"For at least {longest:g} days it stays {wanted} (90 % sure)."
    elif longest >= 1.0:
        text = f"It stays {wanted} (90 % sure) for {longest:.2g} days: charge to full that often."
    else:
        text = (
            f"It stays {wanted} (90 % sure) for {max(24.0 * longest, 1.0):.0f} h only. A full "
            f"charge that often is hardly practical; what helps is to know better what widens "
            f"it most by then: {a['limited_by']}."
        )
    return "\n".join([*lines, "", wrapped(text)])


def _at_once(dataset: xr.Dataset) -> str:
    """By how much a display is off before time adds to it, and what helps: no charging does."""
    low, _, middle, _, high = 100.0 * dataset["error_at_once"].values
    shares = dict(
        zip(dataset["cause"].values, dataset["variance_share_at_once"].values, strict=True)
    )
    causes = sorted((name for name in shares if shares[name] >= LEAST_LED), key=shares.get)[::-1]
    share = float(dataset["variance_share"].values[0])
    leaders = _leaders(dataset)
    # where nearly everything may be the largest part, nothing is worth naming for it
    told = share >= LEAST_LED and len(leaders) <= MOST_LEADERS
    later = [name for name in leaders if name not in causes] if told else []
    text = (
        f"at {100 * dataset.attrs['display_soc']:.0f} % shown it may be off by {low:+.1f} to "
        f"{high:+.1f} % before shunt offset and unseen loads have had time to add anything. "
        "Charging to full more often does not mend that; what helps "
        f"{'against that ' if later else ''}is"
    )
    helps = [f" to know better: {', '.join(causes)}"] if causes else []
    off = dataset.attrs["setting_over_bank"] - 1.0
    if abs(middle) > 50.0 * dataset.attrs["within"] and abs(off) > 0.5 * dataset.attrs["within"]:
        helps.append(" to set the monitor's capacity to what the bank holds")
    text = f"{text}{'; and'.join(helps)}." if helps else f"{text.partition(';')[0]}."
    if not later:
        return text
    return (
        f"{text} After {dataset.attrs['days']:g} days the largest part of the doubt is "
        f"another, {' or '.join(later)} ({100 * share:.0f} %): where full charges are so rare, "
        "know that better first."
    )


def _share_lines(dataset: xr.Dataset) -> list[str]:
    """By which error the display is off, the largest first, so that all add up to the whole."""
    days, std = dataset.attrs["days"], float(dataset["error_std"])
    if std == 0.0:
        return [wrapped(f"The setup file leaves no doubt about the display after {days:g} days.")]
    members = int(dataset.attrs["members"])
    lines = [
        f"Where the doubt after {days:g} days comes from (alone: one deviation;",
        f"±: two standard errors of a share, with {members} members)",
    ]
    rest = 0.0
    for cause, share, error in _shares(dataset):
        if share < LEAST_SHARE:
            rest += share
            continue
        alone = f"{100 * std * np.sqrt(share):.1f} %"
        doubt = f"{np.ceil(200 * error):2.0f}" if np.isfinite(error) else " ?"
        lines.append(f"  {cause:<36}{100 * share:4.0f} % ± {doubt}   alone {alone}")
    if rest >= LEAST_SHARE:
        lines.append(f"  {'all others':<36}{100 * rest:4.0f} %")
    together = float(dataset["variance_together"])
    if together >= LEAST_TOGETHER:
        lines.append(f"  {'several together, none of them alone':<36}{100 * together:4.0f} %")
    for tied in _not_in_order(dataset):
        which = f"The order of {', '.join(tied[:-1])} and {tied[-1]} is not known"
        lines.append(wrapped(f"{which}: --members draws more.", "  "))
    if float(dataset["variance_share"].sum()) > 1.0 + LEAST_TOGETHER:
        lines.append("  (more than 100 %: what is known ties some of them together)")
    return lines


def _shares(dataset: xr.Dataset) -> list[tuple[str, float, float]]:
    """Cause, its share and the standard error of that, largest first."""
    keys = ("cause", "variance_share", "variance_share_std")
    return list(zip(*(dataset[key].values for key in keys), strict=True))


def _not_in_order(dataset: xr.Dataset) -> list[list[str]]:
    """Runs of causes of which other members might turn the order round: neighbours that lie within
    two standard errors of their difference."""
    shown = [row for row in _shares(dataset) if row[1] >= LEAST_SHARE]
    runs: list[list[str]] = []
    for (first, more, error), (second, less, other) in pairwise(shown):
        if more - less > 2.0 * np.hypot(error, other):
            continue
        if runs and runs[-1][-1] == first:
            runs[-1].append(second)
        else:
            runs.append([first, second])
    return runs


def _leaders(dataset: xr.Dataset) -> list[str]:
    """The cause of the largest share, and those that may have a larger one."""
    leading = str(dataset["cause"].values[0])
    runs = _not_in_order(dataset)
    return runs[0] if runs and runs[0][0] == leading else [leading]


def budget_json(dataset: xr.Dataset) -> dict[str, Any]:
    """The same as plain numbers."""
    shares = _shares(dataset)
    return plain(
        {
            **{key: dataset.attrs[key] for key in ("display_soc", "days", "within")},
            "error": [
                {"days": float(day), **as_percentiles(row)}
                for day, row in zip(dataset["day"].values, dataset["error"].values, strict=True)
            ],
            "error_at_once": as_percentiles(dataset["error_at_once"].values),
            "error_std": float(dataset["error_std"]),
            "variance_share": {cause: share for cause, share, _ in shares},
            "variance_share_std": {cause: error for cause, _, error in shares},
            "variance_together": float(dataset["variance_together"]),
            "longest_days": dataset.attrs["longest_days"],
            "members": dataset.attrs["members"],
            "seed": dataset.attrs["seed"],
        }
    )


def budget_figure(dataset: xr.Dataset) -> Figure:
    """The error over the days, and what it has to stay within."""
    figure, (ax,) = new_figure(height=3.6)
    days, percent = dataset["day"].values, 100.0 * dataset["error"].values
    ax.fill_between(days, percent[:, 0], percent[:, 4], color=BAND, alpha=0.4, label="90 % sure")
    ax.plot(days, percent[:, 2], color=LIKELY, label="middle of the band")
    for sign in (-1, 1):
        wanted = 100.0 * dataset.attrs["within"]
        label = f"within {wanted:.3g} % of the truth" if sign < 0 else None
        ax.axhline(sign * wanted, color="0.4", lw=0.8, ls=":", label=label)
    ax.set_xlabel("days since the last full charge")
    ax.set_ylabel("shown less true charge [%]")
    ax.set_title(textwrap.fill(dataset.attrs["title"], 60), fontsize=10)
    return legend_below(figure)
