"""Pictures of results: each takes a dataset and an `ax` and returns the `ax`."""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.summary import short_chance, wall_clock

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Colours that stay apart for colour-blind readers and in grey (Okabe & Ito 2008).
BAND, LIKELY, SHOWN, TRUTH, ALARM = "#56B4E9", "#0072B2", "#D55E00", "#000000", "#CC79A7"
ROOM_FOR_A_LINE = 18.0  # of words above 100 % [%]
LINE_PT = 12.0  # of words above the frame [pt]
NEAR_LEFT, NEAR_RIGHT = 0.15, 0.85  # of the axis: words beside a line there would leave the frame
SEEN_APART = 0.01  # of a chance: closer, two lines are one
NUMBERS_APART = 0.03  # of a chance: closer, their numbers would lie on each other
LEAST_ENDED = 0.05  # share of the nights that end: fewer move no edge of the band
ENDED = "a bank that is off is drawn level"
ON_WHITE = {"fc": "white", "ec": "none", "alpha": 0.8, "pad": 0.8}  # words that cross a line


def new_figure(rows: int = 1, width: float = 5.2, height: float = 3.8) -> tuple[Figure, list[Axes]]:
    """A figure without a display behind it, narrow enough that its words can be read on a phone."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(rows, 1, sharex=True, squeeze=False)[:, 0]
    return figure, list(axes)


def legend_below(figure: Figure) -> Figure:
    """One legend of all that the figure's axes name, below them, where it covers no data."""
    named = {}
    for ax in figure.axes:
        for handle, label in zip(*ax.get_legend_handles_labels(), strict=True):
            named.setdefault(label, handle)
    if named:
        figure.legend(
            list(named.values()),
            list(named),
            loc="outside lower center",
            ncols=2,
            fontsize=8,
            frameon=False,
        )
    return figure


def charge_band(dataset: xr.Dataset, ax: Axes, hours: np.ndarray, name: str) -> Axes:
    """A band of charge quantiles over time: 90 % light, 50 % darker, the middle a line.

    Args:
        dataset: holds the variable `name` over a quantile dimension.
        hours: (t,) where to draw it [h].
    """
    q = dataset[name].transpose("quantile", ...)

    def at(p: float) -> np.ndarray:
        return 100.0 * q.sel(quantile=p, method="nearest").values

    ax.fill_between(hours, at(0.05), at(0.95), color=BAND, alpha=0.35, lw=0, label="90 % sure")
    ax.fill_between(hours, at(0.25), at(0.75), color=BAND, alpha=0.75, lw=0, label="50 % sure")
    ax.plot(hours, at(0.5), color=LIKELY, lw=1.6, label="middle of the band")
    ax.set_ylabel("charge [%]")
    ax.set_ylim(0.0, 102.0)
    ax.grid(alpha=0.25)
    return ax


def replay_band(dataset: xr.Dataset, ax: Axes) -> Axes:
    """The band over a log, the display beside it, and the truth where it is known."""
    hours = dataset["time"].values / 3600.0
    charge_band(dataset, ax, hours, "soc_quantile")
    if np.isfinite(dataset["display_soc"].values).any():
        ax.plot(
            hours, 100.0 * dataset["display_soc"], color=SHOWN, lw=1.4, ls="--", label="display"
        )
    if "hindsight_soc_quantile" in dataset:
        looking_back = dataset["hindsight_soc_quantile"].sel(quantile=[0.05, 0.95])
        for edge, label in ((0, "in hindsight, 90 %"), (1, None)):
            edge_values = 100.0 * looking_back.values[:, edge]
            ax.plot(hours, edge_values, color=LIKELY, lw=0.8, ls=":", label=label)
    if dataset.sizes.get("mark"):
        at = dataset["mark_time_s"].values / 3600.0
        ax.plot(at, np.full(len(at), 3.0), "^", color=ALARM, ms=6, label="evidence arrived")
    if "true_soc" in dataset:
        ax.plot(hours, 100.0 * dataset["true_soc"], color=TRUTH, lw=1.2, label="true")
    return ax


def replay_voltage(dataset: xr.Dataset, ax: Axes) -> Axes:
    """The measured voltage under the band."""
    ax.plot(dataset["time"].values / 3600.0, dataset["voltage_v"], color=TRUTH, lw=0.8)
    ax.set_ylabel("voltage [V]")
    ax.set_xlabel("hours since the start of the log")
    ax.grid(alpha=0.25)
    return ax


def replay_figure(dataset: xr.Dataset) -> Figure:
    """Band and voltage over a log."""
    figure, (upper, lower) = new_figure(rows=2, height=5.2)
    replay_band(dataset, upper)
    upper.set_title(fill(dataset.attrs["title"], 60), fontsize=10)
    replay_voltage(dataset, lower)
    return legend_below(figure)


def night_fan(dataset: xr.Dataset, ax: Axes) -> Axes:
    """The charge over the night, and the fall that the display alone would promise."""
    hours = dataset["time"].values
    charge_band(dataset, ax, hours, "soc")
    shown = dataset.attrs["display_soc"]
    if np.isfinite(shown):
        promised = 100.0 * dataset["promised_soc"].values
        ax.plot(hours, promised, color=SHOWN, ls="--", lw=1.4, label="what the display promises")
    asked = list(zip(dataset["until"].values, dataset["until_hours"].values, strict=True))
    end = night_end_hours(dataset)
    # a member ends at its disconnect: what sources bring to a bank that is off is not reckoned
    if np.any(dataset["survival"].values[hours <= end] < 1.0 - LEAST_ENDED):
        ax.plot([], [], " ", label=ENDED)
    ax.set_yticks(range(0, 101, 20))
    for line, (until, at) in enumerate(reversed(asked)):  # one above the other, above the frame
        ax.axvline(at, color=ALARM, lw=1.2)
        ax.annotate(
            f"until {until}",
            (at, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3 + LINE_PT * line),
            textcoords="offset points",
            fontsize=9,
            color=ALARM,
            va="bottom",
            ha="left" if at < NEAR_LEFT * end else "right" if at > NEAR_RIGHT * end else "center",
        )
    return ax


def night_survival(dataset: xr.Dataset, ax: Axes) -> Axes:
    """The chance that the bank is still on, and its inverter where that goes before it."""
    hours, bank, inverter = (
        dataset[key].values for key in ("time", "survival", "inverter_survival")
    )
    ax.plot(hours, 100.0 * bank, color=LIKELY, lw=1.6)
    if np.max(bank - inverter) > SEEN_APART:
        ax.plot(hours, 100.0 * inverter, color=TRUTH, lw=1.2, ls=":", label="inverter still on")
        _inverter_chance(dataset, ax)
    asked = zip(dataset["until_hours"].values, dataset["lasts_until"].values, strict=True)
    end = night_end_hours(dataset)
    for line, (at, chance) in enumerate(asked):  # several may lie close
        last = line + 1 == len(dataset["until"])
        left = at > (NEAR_RIGHT if last else NEAR_LEFT) * end
        ax.axvline(at, color=ALARM, lw=1.2)
        ax.plot([at], [100.0 * chance], "o", color=ALARM)
        ax.annotate(
            short_chance(float(chance), dataset.sizes["member"]),
            (at, 100.0 * chance),
            xytext=(-6 if left else 6, 6 if left or last else -16),
            ha="right" if left else "left",
            textcoords="offset points",
            fontsize=10,
            color=ALARM,
            bbox=ON_WHITE,
        )
    ax.set_ylim(0.0, 100.0 + ROOM_FOR_A_LINE)
    ax.set_yticks(range(0, 101, 20))
    ax.set_ylabel("chance it is still on [%]")
    ax.set_xlabel("hours from now, and time of day")
    ax.grid(alpha=0.25)
    return ax


def _inverter_chance(dataset: xr.Dataset, ax: Axes) -> None:
    """What is left of the inverter at the first hour asked about, where the bank's chance differs
    by so much that both can be read."""
    at, bank, both = (
        float(dataset[key].values[0])
        for key in ("until_hours", "lasts_until", "inverter_lasts_until")
    )
    if bank - both < NUMBERS_APART:
        return
    ax.plot([at], [100.0 * both], "o", color=TRUTH, ms=4)
    left = at > NEAR_LEFT * night_end_hours(dataset)
    ax.annotate(
        short_chance(both, dataset.sizes["member"]),
        (at, 100.0 * both),
        xytext=(-6 if left else 6, -16 if both > 0.15 else 6),  # the bank's own stands above
        ha="right" if left else "left",
        textcoords="offset points",
        fontsize=10,
        color=TRUTH,
        bbox=ON_WHITE,
    )


def night_end_hours(dataset: xr.Dataset) -> float:
    """Where a picture of the night ends: once the bank is off for sure, behind the hours asked."""
    hours = dataset["time"].values
    off = np.flatnonzero(dataset["survival"].values < 0.005)
    end = hours[off[0]] if len(off) else hours[-1]
    return max(float(end), 1.05 * float(dataset["until_hours"].max()))


def tonight_figure(dataset: xr.Dataset) -> Figure:
    """The night ahead at a glance; readable at the width of a phone."""
    figure, (upper, lower) = new_figure(rows=2, height=5.2)
    night_fan(dataset, upper)
    above = LINE_PT * dataset.sizes["until"]  # of the hours asked about
    upper.set_title(fill(dataset.attrs["title"], 60), fontsize=10, pad=6.0 + above)
    night_survival(dataset, lower)
    end = night_end_hours(dataset)
    lower.set_xlim(0.0, end)
    clock_ticks(lower, end, dataset.attrs)
    return legend_below(figure)


def clock_ticks(ax: Axes, end_hours: float, attrs: Mapping[str, Any]) -> Axes:
    """Ticks every few hours that also say the time of day; `attrs` as in `wall_clock`."""
    step = next(s for s in (1, 2, 3, 6, 12, 24, 48, 1000) if end_hours / s <= 8.0)
    ticks = np.arange(0.0, end_hours + 1e-9, step)
    ax.set_xticks(ticks, [f"{t:.0f}\n{wall_clock(attrs, t):%H:%M}" for t in ticks], fontsize=9)
    return ax
