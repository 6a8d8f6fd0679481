"""Views of an error budget: text, JSON and a picture."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.plots import BAND, LIKELY, legend_below, new_figure
from socband.report import wrapped
from socband.summary import as_percentiles, plain

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.figure import Figure

LEAST_SHARE = 0.005  # smaller ones are listed as one
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
        text = (
            f"Not even right after a full charge is it {wanted} (90 % sure): capacity and a full "
            "charge declared too early cost more than that by themselves."
        )
    elif longest >= a["days"]:
        text = f"For at least {longest:g} days it stays {wanted} (90 % sure)."
    elif longest >= 1.0:
        text = f"It stays {wanted} (90 % sure) for {longest:.2g} days: charge to full that often."
    else:
        text = (
            f"It stays {wanted} (90 % sure) for {max(24.0 * longest, 1.0):.0f} h only. A full "
            f"charge that often is hardly practical; what helps is to know the first of these "
            f"causes better: {dataset['cause'].values[0]}."
        )
    return "\n".join([*lines, "", wrapped(text)])


def _share_lines(dataset: xr.Dataset) -> list[str]:
    """By which error the display is off, the largest first, so that all add up to the whole."""
    days, std = dataset.attrs["days"], float(dataset["error_std"])
    if std == 0.0:
        return [wrapped(f"The setup file leaves no doubt about the display after {days:g} days.")]
    lines = [f"Where the doubt after {days:g} days comes from (alone: one deviation)"]
    rest = 0.0
    for cause, share in zip(dataset["cause"].values, dataset["variance_share"].values, strict=True):
        if share < LEAST_SHARE:
            rest += share
            continue
        alone = f"{100 * std * np.sqrt(share):.1f} %"
        lines.append(f"  {cause:<36}{100 * share:4.0f} %   alone {alone}")
    if rest >= LEAST_SHARE:
        lines.append(f"  {'all others':<36}{100 * rest:4.0f} %")
    together = float(dataset["variance_together"])
    if together >= LEAST_TOGETHER:
        lines.append(f"  {'several together, none of them alone':<36}{100 * together:4.0f} %")
    if float(dataset["variance_share"].sum()) > 1.0 + LEAST_TOGETHER:
        lines.append("  (more than 100 %: what is known ties some of them together)")
    return lines


def budget_json(dataset: xr.Dataset) -> dict[str, Any]:
    """The same as plain numbers."""
    causes = zip(dataset["cause"].values, dataset["variance_share"].values, strict=True)
    return plain(
        {
            **{key: dataset.attrs[key] for key in ("display_soc", "days", "within")},
            "error": [
                {"days": float(day), **as_percentiles(row)}
                for day, row in zip(dataset["day"].values, dataset["error"].values, strict=True)
            ],
            "error_std": float(dataset["error_std"]),
            "variance_share": dict(causes),
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
