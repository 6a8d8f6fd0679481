"""Views of a suspects dataset: text, JSON and pictures. Nothing is computed here."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np

from socband import cautions
from socband.summary import short_chance
from socband.suspects_judge import FEW_DRAWS
from socband.suspects_pairs_report import listed_tests, not_separable, pair_lines
from socband.suspects_words import (
    WORDS,
    error_per,
    few_draws_words,
    last_full_words,
    words_of,
)

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes

SHOWN = 0.01  # causes below this are summed up in one line
# Of a size: words before it, factor and format of its number, unit, words behind it.
_SIZES = {
    "untracked_steady": ("about ", 1.0, ".2g", "A", ""),
    "untracked_hours": ("about ", 1.0, ".2g", "A", ""),
    "dead_band": ("about ", 1.0, ".2g", "A", ""),
    "offset": ("", 1.0, "+.2g", "A", ""),
    "gain": ("", 100.0, "+.0f", "%", ""),
    "capacity_setting": ("", 100.0, "+.0f", "%", ""),
    "lost_capacity": ("", -100.0, ".0f", "%", " less than the {:.0f} Ah that it should hold"),
    "efficiency_setting": ("set to ", 100.0, ".0f", "%", ""),
    "false_rezero": ("", 100.0, ".0f", "%", " missing"),
    "connection": ("", 1e3, ".1f", "mΩ", ""),
}


def few_draws(dataset: xr.Dataset) -> bool:
    """Do the readings fit so few draws that a band of them would have next to no width?"""
    low, high = dataset.attrs["soc_p05"], dataset.attrs["soc_p95"]
    one = 0.0 < low == high < 1.0  # one draw stands for nearly all, however many others count
    return bool(dataset.attrs["effective_draws"] < FEW_DRAWS or one)


def size_words(cause: str, size: np.ndarray, dataset: xr.Dataset) -> str:
    """The size of a cause with its 90 % band in words; without a band where few draws tell of it,
    or where it has no width."""
    low, middle, high = size
    if cause == "missing_battery":
        return f"{-100 * middle:.0f} % of the bank"
    if cause not in _SIZES:
        return ""
    before, scale, form, unit, behind = _SIZES[cause]
    low, middle, high = (format(scale * x, form) for x in (low, middle, high))
    if scale < 0.0:
        low, high = high, low
    text = f"{before}{middle} {unit}{behind.format(dataset.attrs['holds_p50_ah'])}"
    if low != high and not few_draws(dataset):
        text += f" (90 % sure: {low} to {high} {unit})"
    if cause == "false_rezero" and dataset.attrs.get("false_fulls", 0) > 1:
        text = (
            "on average "
            + text
            + last_full_words(dataset["last_shortfall"].values, not few_draws(dataset))
        )
    if cause == "untracked_hours" and dataset.attrs.get("untracked_hours"):
        text += f", best guess of the hours {dataset.attrs['untracked_hours']}"
    return text


def suspects_text(dataset: xr.Dataset) -> str:
    """Ranked causes, what cannot be told apart, what to measure next; fits 80 columns."""
    from socband.next_measurement import TESTS
    from socband.report import caution_lines, wrapped

    attrs = dataset.attrs
    names = [str(n) for n in dataset["cause"].values]
    probability = dataset["probability"].values
    lines = [wrapped(attrs["title"][0].upper() + attrs["title"][1:]), ""]
    lines += _evidence_lines(dataset)
    lines += ["", "Suspects"]
    for j, name in enumerate(names):
        if probability[j] < SHOWN:
            continue
        words = words_of(name, attrs)
        lines.append(
            wrapped(f"{short_chance(probability[j]):>5}  {words.title}", "  ", "         ")
        )
        size = size_words(name, dataset["size"].values[j], dataset)
        drift = 100.0 * dataset["drift_per_day"].values[j]
        if size:
            lines.append(wrapped(f"Size: {size}.", "         "))
        if name in attrs["stated_facts"].split("; "):
            text = "Stated in the setup file, so it counts under every other cause too; here it is "
            lines.append(wrapped(f"{text}all that is wrong.", "         "))
        if name in attrs["stated_otherwise"].split("; "):
            lines.append(wrapped("Not the one stated in the setup file.", "         "))
        if np.abs(drift[1]) >= 0.05:
            wide = np.ptp(drift) >= 0.1 and not few_draws(dataset)
            span = f" ({drift[0]:+.1f} to {drift[2]:+.1f})" if wide else ""
            text = f"Display: off by {drift[1]:+.1f} %{span} {error_per(name, dataset.attrs)}."
            lines.append(wrapped(text, "         "))
        if name == "false_rezero" and attrs.get("declared_fulls") == 0:
            text = "This log has no full charge on the display: it tells nothing of this one."
            lines.append(wrapped(text, "         "))
        if probability[j] >= 0.10 and name != "none":
            lines.append(wrapped(f"{_sentence(words.does)} Comes about: {words.how}.", "         "))
            lines.append(wrapped(f"Put right: {words.mend}.", "         "))
    rest = probability[probability < SHOWN].sum()
    lines.append(f"  {short_chance(float(rest)):>5}  all other causes together")
    priors = dataset["prior"].values
    order = np.argsort(-priors, kind="stable")
    assumed = "; ".join(f"{WORDS[names[j]].title} {100 * priors[j]:.0f} %" for j in order)
    lines += ["", wrapped(f"Before any evidence (assumed): {assumed}.")]
    lines += pair_lines(dataset)
    heading = (
        "Measure next (bits of knowledge about the cause, per minute of work; an hour of waiting "
        "counts as a minute)"
    )
    lines += ["", wrapped(heading)]
    by_key = {test.key: test for test in TESTS}
    gains = dataset["gain_bits"].values
    if gains.size and gains.max() < 0.02:
        lines.append(wrapped("No test of the list would change the picture much.", "  "))
    for number, j in enumerate(listed_tests(dataset), 1):
        test = by_key[str(dataset["test"].values[j])]
        wait = f" and {test.waiting_hours:g} h of waiting" if test.waiting_hours else ""
        head = f"{number}. {test.what}: {max(gains[j], 0):.2f} bits, {test.minutes:g} min{wait}"
        lines.append(wrapped(head, "  ", "     "))
        lines.append(wrapped(f"Needs {test.needs}.", "     "))
        lines.append(wrapped(f"Caution: {test.caution}.", "     "))
        lines.append(wrapped(f"Enter: {test.as_readings}", "     "))
    lines += ["", *caution_lines(cautions.SUSPECTS)]
    return "\n".join(lines)


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + "."


def _evidence_lines(dataset: xr.Dataset) -> list[str]:
    from socband.report import present_lines, wrapped

    attrs = dataset.attrs
    said = []
    if "log_days" in attrs:
        fulls = attrs["declared_fulls"]
        many = f"{fulls} full charge{'' if fulls == 1 else 's'}"
        said.append(f"a log of {attrs['log_days']:.1f} days with {many} on the display")
    if attrs["readings"]:
        said.append(f"readings {attrs['readings']}")
    evidence = "; ".join(said) or "none yet, only the setup file and what is usual"
    lines = [wrapped(f"Evidence: {evidence}.")]
    soc = [100 * attrs[key] for key in ("soc_p05", "soc_p50", "soc_p95")]
    band = f", 90 % sure between {soc[0]:.0f} and {soc[2]:.0f} %"
    if few_draws(dataset):
        band = " (no band: see below)"
    lines.append(
        wrapped(
            f"True charge now{'' if 'log_days' in attrs else ', if the bank is on'}: likely "
            f"{soc[1]:.0f} %{band}. That reckons with one fault below at a time; "
            "tonight's band with all doubts of the setup file at once, and with "
            + ("faults of bank and shunt besides." if "log_days" in attrs else "no other.")
        )
    )
    if "log_days" in attrs:
        unused = "; its display is not used: the log speaks for itself"
        lines += present_lines(attrs, unused if attrs["display_not_used"] else "")
    if few_draws(dataset):
        many = attrs["readings_weighed"] > 1
        lines.append(wrapped(few_draws_words(many, attrs["draws_that_fit"] > 0)))
    if attrs["misfits"]:
        lines.append(
            wrapped(
                f"No single cause explains all readings well: {attrs['misfits']} does not fit even "
                "the likeliest one below. Two causes at once, or a slip: take the reading again."
            )
        )
    if dataset.sizes.get("interval"):
        lines += ["", "Between full charges the true net charge is zero. The monitor counted:"]
        lines.append("   from day   hours    counted      in     out   as a current")
        for j in range(min(dataset.sizes["interval"], 14)):
            row = dataset.isel(interval=j)
            lines.append(
                f"   {float(row['start']) / 86400:8.2f} {float(row['interval_hours']):7.1f}"
                f" {float(row['counted_ah']):+8.2f} Ah {float(row['charged_ah']):7.1f}"
                f" {float(row['discharged_ah']):7.1f}   {float(row['drift_a']):+.3f} A"
            )
        if dataset.sizes["interval"] > 14:
            lines.append(f"   and {dataset.sizes['interval'] - 14} more")
        if "drift_a" in attrs:
            lines.append(
                wrapped(
                    f"Together: {attrs['drift_a']:+.3f} ± {2 * attrs['drift_std_a']:.3f} A "
                    "(± 2 standard deviations) is counted that did not flow: offset and "
                    "untracked load as one sum.",
                    "   ",
                )
            )
    return lines


def suspects_json(dataset: xr.Dataset) -> dict[str, Any]:
    """One JSON object; sizes in the unit given, errors as a share of the capacity."""
    from socband.next_measurement import TESTS
    from socband.summary import plain

    by_key = {test.key: test for test in TESTS}
    size, drift = dataset["size"].values.copy(), dataset["drift_per_day"].values
    soc = {key: dataset.attrs[f"soc_{key}"] for key in ("p05", "p50", "p95")}
    few, several = few_draws(dataset), dataset.attrs.get("false_fulls", 0) > 1
    last = dataset["last_shortfall"].values
    last_full = {"p05": None if few else last[0], "p50": last[1], "p95": None if few else last[2]}
    if few:  # a band of so few has no width that means anything
        size[:, [0, 2]] = np.nan
        soc |= {"p05": None, "p95": None}
    out: dict[str, Any] = {
        "suspects": [
            {
                "cause": str(name),
                "probability": float(dataset["probability"].values[j]),
                "size": dict(zip(("p05", "p50", "p95"), size[j], strict=True)),
                "unit": str(dataset["unit"].values[j]),
                **({"size_at_last_full": last_full} if several and name == "false_rezero" else {}),
                "display_error": float(drift[j][1]),
                "display_error_per": error_per(str(name), dataset.attrs),
                "prior": float(dataset["prior"].values[j]),
            }
            for j, name in enumerate(dataset["cause"].values)
        ],
        "not_separable": [list(pair) for pair in not_separable(dataset)],
        "next_measurements": [
            {
                "test": str(key),
                "what": by_key[str(key)].what if str(key) in by_key else str(key),
                "gain_bits": float(dataset["gain_bits"].values[j]),
                "gain_error_bits": float(dataset["gain_error_bits"].values[j]),
                "minutes": float(dataset["minutes"].values[j]),
                "waiting_hours": float(dataset["waiting_hours"].values[j]),
            }
            for j, key in enumerate(dataset["test"].values)
        ],
        "readings_that_do_not_fit": [n for n in dataset.attrs["misfits"].split(", ") if n],
        "untracked_hours": dataset.attrs["untracked_hours"],
        "soc": soc,
        **({"present_taken_at": "the log's last row"} if "log_days" in dataset.attrs else {}),
        "effective_draws": dataset.attrs["effective_draws"],
        "too_few_draws_for_a_band": few,
        "cautions": list(cautions.SUSPECTS),
        "seed": dataset.attrs["seed"],
    }
    if "interval" in dataset.sizes:
        out["intervals"] = [
            {
                key: float(dataset[key].values[j])
                for key in ("start", "interval_hours", "counted_ah", "charged_ah",
                            "discharged_ah", "drift_a", "gap_hours")
            }
            for j in range(dataset.sizes["interval"])
        ]  # fmt: skip
    return plain(out)


# ---------------------------------------------------------------- pictures


def plot_probabilities(dataset: xr.Dataset, ax: Axes) -> Axes:
    """Horizontal bars: probability of each cause, with what was believed before as a tick."""
    from socband.plots import LIKELY, ON_WHITE, SHOWN

    keep = np.flatnonzero(dataset["probability"].values >= SHOWN_IN_PLOT)[::-1]
    p = 100.0 * dataset["probability"].values[keep]
    prior = 100.0 * dataset["prior"].values[keep]
    names = [WORDS[str(n)].title for n in dataset["cause"].values[keep]]
    places = np.arange(len(keep))
    ax.barh(places, p, color=LIKELY, height=0.6)
    ax.plot(prior, places, "|", color=SHOWN, markersize=14, markeredgewidth=2)
    for place, value, tick in zip(places, p, prior, strict=True):
        inside = value > 60.0
        ends = sorted((value, value + (-LABEL_WIDTH if inside else LABEL_WIDTH)))
        beside = tick if ends[0] < tick < ends[1] else value  # of bar and tick alike
        ax.text(
            beside - 1.5 if inside else beside + 1.5,
            place,
            f"{value:.0f} %",
            va="center",
            ha="right" if inside else "left",
            color="white" if inside else "black",
            fontsize=9,
            bbox=None if inside else ON_WHITE,
        )
    ax.set_yticks(places, [_two_lines(name) for name in names], fontsize=8)
    ax.set_xlim(0, 100)
    ax.set_xlabel("probability [%]; tick: before any evidence")
    ax.spines[["top", "right"]].set_visible(False)
    return ax


SHOWN_IN_PLOT = 0.02
LABEL_WIDTH = 13.0  # of a bar's label and the room before it, along the axis [%]


def _two_lines(text: str) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(text, 28))


def plot_drift(dataset: xr.Dataset, ax: Axes) -> Axes:
    """The error of the count growing between full charges and being reset at each."""
    from socband.plots import BAND, SHOWN

    if "interval" not in dataset.sizes or not dataset.sizes["interval"]:
        ax.text(0.5, 0.5, "no two full charges in this log", ha="center", transform=ax.transAxes)
        return ax
    start = dataset["start"].values / 86400.0
    end = start + dataset["interval_hours"].values / 24.0
    counted = dataset["counted_ah"].values
    days = np.stack([start, end, end], axis=1).ravel()
    error = np.stack([np.zeros_like(counted), counted, np.zeros_like(counted)], axis=1).ravel()
    ax.axhline(0.0, color="black", lw=0.8)
    ax.plot(days, error, color=SHOWN, lw=1.6)
    ax.fill_between(days, 0.0, error, color=BAND, alpha=0.3, lw=0)
    ax.plot(end, counted, "o", ms=4, color=SHOWN)
    ax.set_xlabel("days from the start of the log")
    ax.set_ylabel("error of the count [Ah]")
    ax.grid(alpha=0.25)
    return ax


def plot_tests(dataset: xr.Dataset, ax: Axes) -> Axes:
    """What each test is expected to bring against the minutes it takes."""
    from socband.plots import ALARM, LIKELY

    places = np.arange(dataset.sizes["test"])[::-1]
    gain = np.maximum(dataset["gain_bits"].values, 0.0)
    best = np.arange(len(places)) == 0
    ax.barh(places, gain, color=np.where(best, ALARM, LIKELY), height=0.6,
            xerr=2.0 * dataset["gain_error_bits"].values, ecolor="0.4")  # fmt: skip
    names = [str(key).replace("_", " ") for key in dataset["test"].values]
    minutes = dataset["minutes"].values
    wait = dataset["waiting_hours"].values
    labels = [
        f"{n}\n{m:g} min" + (f" + {w:g} h" if w else "")
        for n, m, w in zip(names, minutes, wait, strict=True)
    ]
    ax.set_yticks(places, labels, fontsize=8)
    ax.set_xlabel("expected information [bit], ± 2 standard errors")
    ax.set_xlim(left=0.0)
    ax.spines[["top", "right"]].set_visible(False)
    return ax


def suspects_figure(dataset: xr.Dataset) -> Any:
    """All of it on one page."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    has_log = "interval" in dataset.sizes and dataset.sizes["interval"] > 0
    # A line for every bar: two lines of its label need a third of an inch.
    shown = int(np.count_nonzero(dataset["probability"].values >= SHOWN_IN_PLOT))
    heights = [0.33 * shown + 0.8, *([2.4] if has_log else []), 0.33 * dataset.sizes["test"] + 0.8]
    figure = Figure(figsize=(6.0, sum(heights)), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(len(heights), 1, height_ratios=heights)
    title = dataset.attrs["title"]
    title = fill(title[0].upper() + title[1:], 50)
    plot_probabilities(dataset, axes[0]).set_title(title, fontsize=11)
    if has_log:
        plot_drift(dataset, axes[1]).set_title(
            "Counted too much since the last full charge", fontsize=11
        )
    plot_tests(dataset, axes[-1]).set_title("What to measure next", fontsize=11)
    return figure
