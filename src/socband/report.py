"""Results in plain English that fits 80 columns. Views of a dataset: nothing is computed here
beyond quantiles of what it holds."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.demand import INVERTER
from socband.summary import quantiles_of, wall_clock
from socband.tonight import CAUTIONS

if TYPE_CHECKING:
    import xarray as xr

    from socband.errors import InputError, Problem
    from socband.logs import Log
    from socband.models import CellModel
    from socband.site import Setup

WIDTH = 78
FULL_DOUBT = 0.01  # of full and of empty nobody knows better where they lie (assumed)
LONG_GAP_H, SPLIT_GAP_H = 1.0, 12.0  # silence of a log worth a line; worth two logs (assumed)


def wrapped(text: str, indent: str = "", hang: str | None = None) -> str:
    """A paragraph that fits the screen; hyphenated words and file names stay whole."""
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent if hang is None else hang,
        break_on_hyphens=False,
        break_long_words=False,
    )


def clock_after(attrs: Mapping[str, Any], hours: float) -> str:
    """Time of day so many hours after the start of a result, with the day where it is not today."""
    when = wall_clock(attrs, hours)
    day = (when.date() - wall_clock(attrs, 0.0).date()).days
    return f"{when:%H:%M}" + {0: "", 1: " tomorrow"}.get(day, f" in {day} days")


def chance_words(p: float, draws: int) -> str:
    """A probability no finer than its ensemble: "about 72 %", "less than 1 %"."""
    if p <= 0.005 or p < 1.0 / draws:
        return "less than 1 %"
    if p >= 0.995 or p > 1.0 - 1.0 / draws:
        return "more than 99 %"
    return f"about {100 * p:.0f} %"


def tonight_text(dataset: xr.Dataset) -> str:
    """The answer of `tonight` for its owner."""
    soc = quantiles_of(dataset["soc_now"].values)
    charge = quantiles_of(dataset["charge_left_ah"].values)
    attrs = dataset.attrs
    lines = [wrapped(attrs["title"]), ""]
    if np.isfinite(attrs["display_soc"]):
        since = f"{attrs['hours_since_full']:.0f} h since full"
        if attrs["hours_since_full_assumed"]:
            since += ": assumed, the middle of a wide range"
        lines.append(_row("Display says", f"{100 * attrs['display_soc']:.0f} %", since))
    lines += [
        _row(
            "Likely true",
            f"{100 * soc[2]:.0f} %",
            f"90 % sure: {100 * soc[0]:.0f} to {100 * soc[4]:.0f} %",
        ),
        _row("", f"{charge[2]:.0f} Ah", f"90 % sure: {charge[0]:.0f} to {charge[4]:.0f} Ah"),
        *_disconnect_rows(dataset),
        "",
    ]
    draws = dataset.sizes["member"]
    for until, chance, hours in zip(
        dataset["until"].values,
        dataset["lasts_until"].values,
        dataset["until_hours"].values,
        strict=True,
    ):
        lines.append(
            wrapped(
                f"The chance that it lasts until {until} ({hours:.1f} h from now) is "
                f"{chance_words(float(chance), draws)}."
            )
        )
    cold = attrs["too_cold_to_charge"]
    if cold > 0.005:
        lines.append(
            wrapped(
                f"Too cold to take charge now (below {attrs['charge_min_c']:g} °C): "
                f"{chance_words(cold, draws)}. Then no source charges it until it is "
                "warmer; what is connected can still carry the loads."
            )
        )
    widest = attrs["widest_unknown"]
    share = float(dataset["variance_share"].values[0])
    if widest:
        how = f" ({HOW_TO_KNOW[widest]})" if widest in HOW_TO_KNOW else ""
        text = (
            f"What widens the band most: {widest} ({100 * share:.0f} % of the doubt about the "
            f"charge). Knowing it better narrows the answer most{how}."
        )
    else:
        text = (
            "No display was given, so the charge is taken to be anywhere between empty and full, "
            "as far as no reading says more. What the display says narrows the answer."
        )
    lines.append(wrapped(text))
    if attrs["untracked_hours"]:
        text = f"The untracked load's hours, {attrs['untracked_hours']}, are taken as certain."
        lines.append(wrapped(text))
    lines += [*_switch_off_lines(dataset), *_waking_lines(dataset)]
    lines += ["", *caution_lines(CAUTIONS)]
    return "\n".join(lines)


def _switch_off_lines(dataset: xr.Dataset) -> list[str]:
    """What each switch-off buys, and the fewest that are enough."""
    attrs, draws = dataset.attrs, dataset.sizes["member"]
    if not dataset.sizes.get("load"):
        return []
    until = dataset["until"].values[0]
    lines = ["", f"What switching off buys (chance to last until {until}, hours gained)"]
    for name, chance, gain, beyond in zip(
        *(dataset[key].values for key in ("load", "off_chance", "off_gain_hours", "off_beyond")),
        strict=True,
    ):
        words = chance_words(float(chance), draws)
        gained = f"{gain:+6.1f} h"
        if beyond > 0.005 and gain > 0.0:
            gained += " at least"  # where the horizon ends nobody looked further
        if beyond > 0.995 and gain < 0.05:
            gained = f"lasts {attrs['horizon_hours']:.0f} h either way"
        lines.append(f"  {textwrap.shorten(str(name), 34):<36}{words:<17}{gained}")
    if INVERTER in dataset["load"].values:
        lines.append("  Switching off the inverter takes along all that is behind it.")
    want = f"{100 * attrs['want']:.0f} %"
    off = [name for name in attrs["enough_off"].split("; ") if name]
    reached = chance_words(attrs["enough_chance"], draws)
    if not off:
        text = f"To be {want} sure nothing has to go off."
    elif attrs["enough_reached"]:
        text = f"To be {want} sure, switch off: {', '.join(off)}. The chance is then {reached}."
    else:
        text = (
            f"No switching off makes it {want} sure: with all of {', '.join(off)} off, the chance "
            f"is {reached}. Charge, or plan without the bank."
        )
    return [*lines, wrapped(text)]


def _waking_lines(dataset: xr.Dataset) -> list[str]:
    """How long waking takes after a disconnect, and what not to believe then."""
    off = quantiles_of(dataset["wake_off_hours"].values)
    on = quantiles_of(dataset["wake_on_hours"].values)
    with_loads = (
        f"{on[0]:.1f} to {on[4]:.1f} h with the loads on"
        if np.isfinite(on[4])
        else "longer, or never, with the loads on"
    )
    return [
        "",
        wrapped(
            f"If it does disconnect: on a shore charger it wakes in about {off[0]:.1f} to "
            f"{off[4]:.1f} h with the loads off, {with_loads} (common practice, no source). Do "
            f"not believe the display again before the next full charge{_until_full(dataset)}."
        ),
    ]


# How to narrow the doubt that an unknown of `snapshot` brings, where a single reading does.
HOW_TO_KNOW = {
    "untracked load": "a clamp meter on the battery's own lead while the usual loads run, and what "
    "the display shows then: --evidence clamp=TRUE/SHOWN",
    "shunt offset": "the display's current with everything off, as monitor.offset_a of the setup",
    "capacity": "the charge that the display counts from full to the disconnect: "
    "--evidence capacity=",
    "time since full": "the day of the last full charge: --since-full",
    "last full charge (false or true)": "a charge that is held until its current dies away",
}


def _until_full(dataset: xr.Dataset) -> str:
    """When that is, where the setup names a shore charger."""
    if not dataset.sizes["afterwards"]:
        return ""
    hours = dataset["believable_hours"].values
    reached = np.isfinite(hours)
    if not reached.any():
        return (
            ", which your shore charger does not reach as described (a limit below the voltage at "
            "which your monitor takes the bank for full, too little current, or too cold)"
        )
    low, *_, high = quantiles_of(hours[reached])
    text = f": {low:.0f} to {high:.0f} h on your shore charger, loads off"
    conditions = []
    if dataset.attrs["shore_rests_above_soc"] < 1.0:
        rests = f"{100 * dataset.attrs['shore_rests_above_soc']:.0f} %"
        conditions.append(f"it is told to charge past the {rests} at which it rests")
    if reached.mean() < 0.95:
        conditions.append(
            "it is warm enough to charge and the charger holds the voltage at which your monitor "
            "takes the bank for full (look both up)"
        )
    return text + (f", if {' and '.join(conditions)}" if conditions else "")


def _row(label: str, value: str, doubt: str) -> str:
    return f"  {label:<14} {value:>7}   {doubt}"


def _disconnect_rows(dataset: xr.Dataset) -> list[str]:
    lvd = quantiles_of(dataset["lvd_hours"].values)
    horizon = dataset.attrs["horizon_hours"]
    if np.isinf(lvd[0]):  # fewer than one member in twenty disconnects at all
        rows = [f"  {'Disconnects':<14} not within {horizon:.0f} h (more than 95 % sure)"]
    else:
        last = f"to {clock_after(dataset.attrs, lvd[4])}" if np.isfinite(lvd[4]) else "or later"
        rows = [
            _hours_row("Disconnects in", lvd, horizon),
            _row("", "", f"that is {clock_after(dataset.attrs, lvd[0])} {last}"),
        ]
    opens = quantiles_of(dataset["first_battery_open_hours"].values)
    if np.isfinite(opens[0]):
        rows += [
            _hours_row("One opens in", opens, horizon),
            _row("", "", "the first battery to go; the others carry on alone"),
        ]
    return rows


def _hours_row(label: str, hours: np.ndarray, horizon: float) -> str:
    """A row for quantiles of a time, which may lie beyond the horizon (inf)."""

    def words(value: float) -> str:
        return f"{value:.1f} h" if np.isfinite(value) else f"over {horizon:.0f} h"

    doubt = f"90 % sure: {words(hours[0])} to {words(hours[4])}"
    return _row(label, words(hours[2]).replace("over ", ">"), doubt)


def caution_lines(cautions: Sequence[str]) -> list[str]:
    """The cautions as a list with hanging indent."""
    return ["Cautions", *(wrapped(text, "  - ", "    ") for text in cautions)]


def replay_text(dataset: xr.Dataset) -> str:
    """The end of a replayed log in words, and the band over time as a small table."""
    quantile = dataset["soc_quantile"].sel(quantile=[0.05, 0.5, 0.95]).values
    hours = dataset["time"].values / 3600.0
    shown = dataset["display_soc"].values
    true = dataset["true_soc"].values if "true_soc" in dataset else None
    lines = [wrapped(dataset.attrs["title"]), wrapped(f"Log: {dataset.attrs['log']}"), ""]
    lines.append(
        "   hour   display   likely   90 % band" + ("       true" if true is not None else "")
    )
    for row in np.unique(np.linspace(0, len(hours) - 1, 9).astype(int)):
        display = f"{100 * shown[row]:6.1f} %" if np.isfinite(shown[row]) else "     -  "
        line = (
            f"  {hours[row]:5.1f}  {display} {100 * quantile[row, 1]:6.1f} %"
            f"   {_band_words(quantile[row, 0], quantile[row, 2])}"
        )
        lines.append(line + (f"  {100 * true[row]:6.1f} %" if true is not None else ""))
    low, middle, high = quantile[-1]
    band = f"between {100 * low:.1f} and {100 * high:.1f} %"
    if low > 1.0 - FULL_DOUBT or high < FULL_DOUBT:
        band = _band_words(low, high).strip()
    lines += [
        "",
        wrapped(
            f"At the end the true charge is likely {100 * middle:.1f} %, and with 90 % "
            f"certainty {band}."
        ),
    ]
    if np.isfinite(shown[-1]):
        lines.append(wrapped(f"The display would say {100 * shown[-1]:.1f} %."))
    lines += _unseen_lines(dataset)
    lines += _mark_lines(dataset)
    lines += _gap_lines(dataset.attrs)
    if true is not None:
        inside = (true >= quantile[:, 0]) & (true <= quantile[:, 2])
        lines.append(
            wrapped(
                f"The true charge lies in the band {100 * inside.mean():.0f} % of the time, at "
                f"the end {'inside' if inside[-1] else 'OUTSIDE'} it."
            )
        )
    lines += ["", *caution_lines(CAUTIONS[:1])]
    return "\n".join(lines)


def _gap_lines(attrs: Mapping[str, Any]) -> list[str]:
    """How long the log is silent, and what that means."""
    gap = attrs["longest_gap_hours"]
    if gap < LONG_GAP_H:
        return []
    text = (
        f"The log is silent for {gap:.1f} h from hour {attrs['gap_from_hours']:.1f} on. What "
        "flowed then is guessed from the hours beside it, and the band widened by as much as "
        "these differ; where that would move much of the bank, nothing is guessed."
    )
    if gap > SPLIT_GAP_H:
        text += " After so long the band begins anew, from what the voltages behind the gap say."
    return [wrapped(text)]


def _band_words(low: float, high: float) -> str:
    """A band 17 signs wide; at either end no finer than anybody knows what full or empty is."""
    if low > 1.0 - FULL_DOUBT:
        return f"over {100 * (1.0 - FULL_DOUBT):.0f} %".rjust(16)
    if high < FULL_DOUBT:
        return f"below {100 * FULL_DOUBT:.0f} %".rjust(16)
    return f"{100 * low:5.1f} to {100 * high:5.1f} %"


def _unseen_lines(dataset: xr.Dataset) -> list[str]:
    """What the display misses: the sum, and its parts only where they can be told apart."""
    unseen = quantiles_of(dataset["unseen_a"].values)
    lines = [
        wrapped(
            f"The display misses {unseen[2]:+.3f} A on average (90 %: {unseen[0]:+.3f} to "
            f"{unseen[4]:+.3f} A): shunt offset and untracked load together; above 0 it shows more "
            "and more too much."
        )
    ]
    if not dataset.attrs["told_apart"]:
        text = (
            "Which part of it is offset and which is load, nothing here says: read the display "
            "with everything switched off, that is the offset."
        )
        return [*lines, wrapped(text)]
    untracked = quantiles_of(dataset["untracked_a"].values)
    none = float(np.mean(dataset["untracked_a"].values == 0.0))
    offset = quantiles_of(dataset["offset_a"].values)
    parts = f"offset {offset[2]:+.3f} A (90 %: {offset[0]:+.3f} to {offset[4]:+.3f} A), "
    if none > 0.95:
        parts += f"no untracked load ({chance_words(none, dataset.sizes['member'])})"
    else:
        parts += (
            f"untracked load {untracked[2]:.3f} A (90 %: {untracked[0]:.3f} to "
            f"{untracked[4]:.3f} A; none at all: {100 * none:.0f} %)"
        )
    return [*lines, wrapped(f"Of that: {parts}.")]


def _mark_lines(dataset: xr.Dataset) -> list[str]:
    """Where evidence arrived and what it did to the band."""
    if not dataset.sizes.get("mark"):
        return []
    lines = ["Where evidence narrowed the 90 % band:"]
    for kind, at, before, after in zip(
        *(dataset[n].values for n in ("mark", "mark_time_s", "mark_before", "mark_after")),
        strict=True,
    ):
        width = f"{100 * before:5.1f} to {100 * after:4.1f} % wide"
        lines.append(f"  hour {at / 3600.0:5.1f}  {kind:<28} {width}")
    return lines


def check_text(setup: Setup, cell: CellModel, log: Log | None) -> str:
    """What `check` found: fine, and what is assumed."""
    lines = [f"{setup.name}: fine.", "", wrapped(f"Cell model: {cell.title}"), ""]
    if setup.assumptions:
        lines.append("Not said in the file, therefore assumed:")
        for item in setup.assumptions:
            lines.append(wrapped(f"{item.key} = {item.description}", "  ", "      "))
            lines.append(wrapped(item.source, "      "))
    else:
        lines.append("Nothing had to be assumed.")
    if log is not None:
        hours = (log.time_s[-1] - log.time_s[0]) / 3600.0
        state = "usable, but" if log.warnings else "fine"
        end = ":" if log.warnings else "."
        lines += ["", f"{log.name}: {len(log)} rows over {hours:.1f} h, {state}{end}"]
        lines += [wrapped(str(problem), "  - ", "    ") for problem in log.warnings]
    return "\n".join(lines)


def warn(problems: Sequence[Problem]) -> None:
    """What was mended on reading, to standard error."""
    for problem in problems:
        print(wrapped(f"note: {problem}", hang="      "), file=sys.stderr)


def problems_text(error: InputError) -> str:
    """Every problem of an input with the file it stands in, one paragraph each."""
    problems = error.located
    head = f"{len(problems)} problems:" if len(problems) > 1 else "1 problem:"
    texts = ["".join(sign if sign.isprintable() else " " for sign in str(p)) for p in problems]
    return "\n".join([head, *(wrapped(text, "  - ", "    ") for text in texts)])
