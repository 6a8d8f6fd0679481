"""A bench's answer shown: one table in text, three pictures. Nothing is computed here.

The pictures take a Dataset or pooled entries and an `ax`, and return the `ax`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.summary import beside

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes

Entry = Mapping[str, Any]

# Colour-blind safe (Okabe & Ito 2008); order of the registry.
_COLOURS = {
    "display": "#999999",
    "rested_voltage": "#CC79A7",
    "ekf": "#D55E00",
    "ukf": "#E69F00",
    "particle": "#56B4E9",
    "ekf_bias": "#0072B2",
    "open_loop": "#000000",
    "ensemble": "#009E73",
}
_MARKERS = {
    **{"display": "x", "rested_voltage": "v", "ekf": "s", "ukf": "D", "particle": "P"},
    **{"ekf_bias": "^", "open_loop": "o", "ensemble": "*"},
}


# ---------------------------------------------------------------- text


def table(answer: Mapping[str, Any], per_record: bool = True) -> str:
    """The answer as one table that fits 80 columns; charges in percent of capacity."""
    lines = [
        "                      error, % of charge    truth inside, %    width  CRPS   us/",
        "estimator             mean  rms  max    50 %  90 %  95 %   90 %     %   step",
    ]
    groups: dict[str, list[Entry]] = {}
    if per_record:
        for entry in answer["scores"]:
            groups.setdefault(entry["record"], []).append(entry)
    groups["all records pooled"] = list(answer["pooled"])
    for record, entries in groups.items():
        faults = max((entry["n_faults"] for entry in entries), default=0)
        lines.append(f"-- {record} ({faults} faults)"[:80])
        lines += [_row(entry) for entry in entries]
    intervals = [
        f"  {e['estimator']:<18.18}  MAE {_span(e['mae_interval'])} %,"
        f"  inside 90 % band {_span(e['coverage_interval']['90'], 0)} %"
        for e in answer["pooled"]
    ]
    lines += ["", "pooled, 90 % bootstrap interval over records and faults:", *intervals]
    lines += ["", "truth inside the 90 % band by true charge, pooled, %:"]
    ranges = list(answer["pooled"][0]["coverage_90_by_soc"]) if answer["pooled"] else []
    lines.append(f"  {'true charge, %':<18}" + "".join(f"{name:>9}" for name in ranges))
    for entry in answer["pooled"]:
        shares = entry["coverage_90_by_soc"].values()
        lines.append(f"  {entry['estimator']:<18.18}" + "".join(f"{_pc(s, 0):>9}" for s in shares))
    if answer.get("failures"):
        lines += ["", "failed:", *(f"  {text}" for text in answer["failures"])]
    return "\n".join(lines)


def disconnect_table(hours: xr.Dataset) -> str:
    """Scores of time-to-disconnect forecasts, from `forecast_scores.score_disconnect`."""
    lines = [
        "time until low-voltage disconnect, forecast at random times",
        f"{'forecaster':<20}{'record':<24}{'MAE h':>7}{'pinball h':>11}{'in 90 %':>9}{'never':>7}",
    ]
    for name in hours["forecaster"].values.tolist():
        for record in hours["record"].values.tolist():
            at = hours.sel(forecaster=name, record=record)
            lines.append(
                f"{name:<20.20}{record:<24.24}{_hours(float(at['mae_hours'])):>7}"
                f"{_hours(float(at['pinball_hours'])):>11}{100 * float(at['coverage_90']):>8.0f}%"
                f"{100 * float(at['never']):>6.0f}%"
            )
    return "\n".join(lines)


def _hours(value: float) -> str:
    return f"{value:.2f}" if np.isfinite(value) else "inf"


def _pc(value: float | None, digits: int = 1) -> str:
    return "-" if value is None else f"{100 * value:.{digits}f}"


def _span(ends: Sequence[float | None], digits: int = 1) -> str:
    return f"{_pc(ends[0], digits)} to {_pc(ends[1], digits)}"


def _row(entry: Entry) -> str:
    cover = entry["coverage"]
    name = entry["estimator"]
    name = name if len(name) <= 20 else "…" + name[-19:]
    return (
        f"{name:<20}{_pc(entry['mae']):>6}{_pc(entry['rmse']):>5}{_pc(entry['max_error'], 0):>5}"
        f"{_pc(cover['50'], 0):>8}{_pc(cover['90'], 0):>6}{_pc(cover['95'], 0):>6}"
        f"{_pc(entry['width_90']):>7}{_pc(entry['crps'], 2):>6}{entry['us_per_step']:>7.0f}"
    )


# ---------------------------------------------------------------- pictures


def plot_accuracy_honesty(pooled: Sequence[Entry], ax: Axes) -> Axes:
    """Mean absolute error against the coverage of the nominal 90 % band, with their intervals."""
    # What the binomial law allows is far narrower than the spread over records: the target is drawn
    # as a line, not as a band.
    ax.axvline(90, color="#009E73", lw=1, ls="--")
    ax.annotate(
        "stated: 90 %", (90, 1), xycoords=("data", "axes fraction"), va="top", ha="right",
        xytext=(-4, -4), textcoords="offset points", fontsize=8, color="#006b4f", rotation=90,
    )  # fmt: skip
    for entry in pooled:
        name = entry["estimator"]
        x, y = 100 * entry["coverage"]["90"], 100 * entry["mae"]
        across = _error_bar(x, entry["coverage_interval"]["90"])
        up = _error_bar(y, entry["mae_interval"])
        ax.errorbar(
            x, y, xerr=across, yerr=up, fmt=_MARKERS.get(name, "h"), ms=8, lw=0.8, alpha=0.9,
            color=_COLOURS.get(name, "#7f3fbf"), label=name,
        )  # fmt: skip
    ax.set_xlim(-3, 103)
    ax.set_ylim(bottom=0)
    ax.set_xlabel("honesty: truth inside the stated 90 % band [% of the time]")
    ax.set_ylabel("accuracy: mean absolute error [% of charge]")
    ax.legend(fontsize=8, frameon=False, bbox_to_anchor=(1.02, 1), loc="upper left")
    ax.set_title("Accuracy against honesty, injected monitor faults", fontsize=10)
    return ax


def _error_bar(value: float, ends: Sequence[float | None]) -> Any:
    if ends[0] is None or ends[1] is None:
        return None
    return [[max(value - 100 * ends[0], 0.0)], [max(100 * ends[1] - value, 0.0)]]


def plot_coverage_curve(pooled: Sequence[Entry], ax: Axes) -> Axes:
    """How often the truth lies inside each stated interval; honest bands lie on the diagonal."""
    ax.plot([0, 100], [0, 100], color="0.6", lw=1, ls="--")
    for entry in pooled:
        name = entry["estimator"]
        levels = [float(level) for level in entry["coverage_curve"]]
        inside = [np.nan if v is None else 100 * v for v in entry["coverage_curve"].values()]
        ax.plot(
            levels, inside, marker=_MARKERS.get(name, "h"), ms=4, lw=1.2, label=name,
            color=_COLOURS.get(name, "#7f3fbf"),
        )  # fmt: skip
    ax.set_xlim(0, 100)
    ax.set_ylim(0, 100)
    ax.set_aspect("equal")
    ax.set_xlabel("stated probability of the interval [%]")
    ax.set_ylabel("truth inside [% of the time]")
    ax.text(30, 78, "too wide", fontsize=8, color="0.4")
    ax.text(66, 22, "too narrow", fontsize=8, color="0.4")
    ax.legend(fontsize=8, frameon=False, bbox_to_anchor=(1.02, 1), loc="upper left")
    ax.set_title("Coverage curve, all records pooled", fontsize=10)
    return ax


def plot_bands(bands: xr.Dataset, ax: Axes, shaded: Sequence[str] = ()) -> Axes:
    """One record with one fault: the truth and every estimator's 90 % band.

    Args:
        bands: from `bench.record_bands`: soc_quantile[estimator, time, quantile], truth_soc[time].
        shaded: estimators whose band is filled; the others are drawn by their two edges.
    """
    hours = bands["time"].values / 3600.0
    for name in bands["estimator"].values.tolist():
        colour = _COLOURS.get(name, "#7f3fbf")
        of = bands["soc_quantile"].sel(estimator=name)
        low, mid, high = (
            100 * of.sel(quantile=p, method="nearest").values for p in (0.05, 0.5, 0.95)
        )
        if name in shaded:
            ax.fill_between(hours, low, high, color=colour, alpha=0.25, lw=0)
        elif np.any(high > low):
            ax.plot(hours, low, color=colour, lw=0.6, ls=":")
            ax.plot(hours, high, color=colour, lw=0.6, ls=":")
        ax.plot(hours, mid, color=colour, lw=1.1, label=name)
    ax.plot(hours, 100 * bands["truth_soc"].values, color="red", lw=1.6, label="true charge")
    ax.set_ylim(-2, 102)
    ax.set_xlabel("time since the start of the log [h]")
    ax.set_ylabel("charge [%]")
    ax.legend(fontsize=8, frameon=False, bbox_to_anchor=(1.02, 1), loc="upper left")
    ax.set_title(
        f"{bands.attrs['record']}, fault {bands.attrs['fault']}: medians and 90 % bands",
        fontsize=10,
    )
    return ax


PICTURES = ("accuracy-honesty.png", "coverage.png", "bands.png")  # that `save_plots` draws


def save_plots(
    answer: Mapping[str, Any], bands: xr.Dataset | None, folder: str | Path, dpi: int = 130
) -> list[Path]:
    """The three pictures as PNG files in `folder` (made if missing)."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    pictures: list[tuple[str, tuple[float, float], Any]] = [
        (PICTURES[0], (7.4, 4.6), lambda ax: plot_accuracy_honesty(answer["pooled"], ax)),
        (PICTURES[1], (6.4, 4.6), lambda ax: plot_coverage_curve(answer["pooled"], ax)),
    ]
    if bands is not None:
        names = bands["estimator"].values.tolist()
        shaded = [name for name in ("ensemble", "open_loop", "ekf") if name in names][:2]
        pictures.append((PICTURES[2], (8.4, 4.6), lambda ax: plot_bands(bands, ax, shaded)))
    paths = []
    for name, size, draw in pictures:
        figure = Figure(figsize=size, layout="constrained")
        FigureCanvasAgg(figure)
        draw(figure.add_subplot())
        paths.append(folder / name)
        with beside(paths[-1]) as scratch:
            figure.savefig(scratch, dpi=dpi)
    return paths
