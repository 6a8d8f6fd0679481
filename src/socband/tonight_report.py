"""The answer of `tonight` in plain English that fits 80 columns.

A view of its dataset: nothing is computed here beyond quantiles of what it holds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from socband import cautions
from socband.reckoned_report import reckoned_lines
from socband.report import caution_lines, chance_words, clock_after, wrapped
from socband.summary import quantiles_of
from socband.switch_off_report import LEAST_CHANGE, switch_off_lines

if TYPE_CHECKING:
    import xarray as xr


LEAST_AH = 1.0
TOGETHER_H = 0.05  # a battery that opens so near the disconnect goes with it
TOGETHER_SHARE = 0.9  # of the members: so nearly always that the two are told as one


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
        *_usable_rows(dataset),
        *_disconnect_rows(dataset),
        "",
        *reckoned_lines(dataset),
    ]
    lines += _lasts_lines(dataset)
    lines += _inverter_lines(dataset)
    cold = attrs["too_cold_to_charge"]
    if cold > 0.005:
        words = chance_words(cold, dataset.sizes["member"])
        lines.append(
            wrapped(
                f"Too cold to take charge now (below {attrs['charge_min_c']:g} °C): "
                f"{words}. Then no source charges it until it is "
                "warmer; what is connected can still carry the loads."
                + (
                    " The temperature is only assumed: read it at the battery (--temperature)."
                    if attrs["temperature_assumed"]
                    else ""
                )
            )
        )
    frozen = attrs["too_cold_to_discharge"]
    if frozen > LEAST_CHANGE:
        words = chance_words(frozen, dataset.sizes["member"])
        lines.append(
            wrapped(
                f"Too cold to deliver (below {attrs['discharge_min_c']:g} °C, by the cell model): "
                f"{words}. A battery may then switch itself off at any charge, which is not "
                "reckoned with here: warm it first, or plan without the bank."
            )
        )
    widest = attrs["widest_unknown"]
    share = float(dataset["variance_share"].values[0])
    if attrs["log"] and not widest:
        text = (
            "What doubt the log leaves about the charge is mostly that of the cell model and of "
            "the charge at its beginning: a longer log, or a rest or full charge in it, narrows it."
        )
    elif not widest and np.isfinite(attrs["display_soc"]):
        text = (
            "The setup file leaves no doubt about the charge. What doubt is left about the hours "
            "is that of the loads' switching and of the cell model near empty."
        )
    elif widest:
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
    lines += [*switch_off_lines(dataset), *_waking_lines(dataset)]
    lines += ["", *caution_lines(cautions.TONIGHT)]
    return "\n".join(lines)


def _lasts_lines(dataset: xr.Dataset) -> list[str]:
    """The chance of every hour asked about, of the bank and of what hangs on its inverter."""
    draws, lines = dataset.sizes["member"], []
    for until, bank, served, hours in zip(
        *(dataset[key].values for key in ("until", "lasts_until", "served_until", "until_hours")),
        strict=True,
    ):
        counts = bank - served > LEAST_CHANGE
        text = (
            f"The chance that {'the bank' if counts else 'it'} lasts until {until} ({hours:.1f} h "
            f"from now) is {chance_words(float(bank), draws)}"
        )
        if counts:
            text += f", and that its inverter does too {chance_words(float(served), draws)}"
        lines.append(wrapped(f"{text}."))
    return lines


def _usable_rows(dataset: xr.Dataset) -> list[str]:
    """What of the charge the loads get until the disconnect; of nights that outlast the horizon it
    is known only that it lies between what was drawn until then and all there is."""
    least = dataset["usable_least_ah"].values
    usable, left = dataset["usable_charge_ah"].values, dataset["charge_left_ah"].values
    low, _, middle, _, _ = quantiles_of(least)
    _, _, most, _, high = quantiles_of(np.where(np.isfinite(usable), usable, left))
    label = "Of it usable"
    if not dataset.attrs["loads_described"] and dataset.attrs["draws_now_a"] <= 0.0:
        return [_row(label, "", "not reckoned: no load is described")]
    if np.mean(np.isfinite(usable)) < 0.5:
        outlasts = chance_words(float(np.mean(~np.isfinite(usable))), len(usable))
        sure = f"outlasts {dataset.attrs['horizon_hours']:.0f} h: {outlasts}"
        if low < LEAST_AH:  # sources carry the loads: how little is drawn of it says nothing
            return [_row(label, "", f"not known: {sure}")]
        return [_row(label, f">{low:.0f} Ah", f"95 % sure; {sure}")]
    sign = "" if f"{middle:.0f}" == f"{most:.0f}" else ">"
    return [_row(label, f"{sign}{middle:.0f} Ah", f"90 % sure: {low:.0f} to {high:.0f} Ah")]


def _inverter_lines(dataset: xr.Dataset) -> list[str]:
    """The chance that the inverter cuts out by itself, and what that means."""
    attrs, draws = dataset.attrs, dataset.sizes["member"]
    lines: list[str] = []
    for until, cuts in zip(
        dataset["until"].values, dataset["inverter_cuts_out"].values, strict=True
    ):
        if cuts <= LEAST_CHANGE:
            continue
        words = chance_words(float(cuts), draws)
        if lines:
            lines.append(wrapped(f"Before {until} that chance is {words}."))
            continue
        behind = attrs["behind_inverter"].replace("; ", ", ")
        lines.append(
            wrapped(
                f"The chance that the inverter cuts out by itself before {until} is {words} "
                f"(below {attrs['inverter_cutout_v']:g} V): the loads through it ({behind}) then "
                "stop, and are taken to stay off; the bank itself may carry on."
            )
        )
    return lines


def _waking_lines(dataset: xr.Dataset) -> list[str]:
    """How long waking takes after a disconnect, where one may come, and what not to believe."""
    if np.mean(np.isfinite(dataset["lvd_hours"].values)) < 0.005:
        return []
    off = quantiles_of(dataset["wake_off_hours"].values)
    on = quantiles_of(dataset["wake_on_hours"].values)
    with_loads = (
        f"{_half_hours(on[0])} to {_half_hours(on[4])} h with the loads on"
        if np.isfinite(on[4])
        else "longer, or never, with the loads on"
    )
    attrs = dataset.attrs
    n, amps = attrs["batteries"], attrs["shore_a"]
    charger = f"your shore charger ({amps:.0f} A)" if np.isfinite(amps) else "a shore charger"
    wakes = f"its {n} batteries in parallel wake" if n > 1 else "it wakes"
    practice = "common practice, no source: one to two hours for one battery"
    practice += ", half as long again for each more"
    below = f"below {attrs['charge_min_c']:g} °C"
    first, cold = "If it does disconnect:", ""
    if attrs["too_cold_to_wake"] > 0.5:
        first = f"If it does disconnect, it does not wake while its batteries are {below}, as now "
        first += "(waking is charging). Once warmer:"
    elif max(attrs["too_cold_to_wake"], attrs["frost"]) > LEAST_CHANGE:
        cold = f" Not while its batteries are {below}: waking is charging."
    return [
        "",
        wrapped(
            f"{first} on {charger} {wakes} in about {_half_hours(off[0])} to "
            f"{_half_hours(off[4])} h with the loads off, {with_loads} ({practice}).{cold} Do not "
            f"believe the display again before the next full charge{_until_full(dataset)}."
        ),
    ]


def _half_hours(hours: float) -> str:
    """As `charging` tells the same practice: it is not known to minutes."""
    return f"{round(2.0 * hours) / 2.0:g}"


# How to narrow the doubt that an unknown of `snapshot` brings, where a single reading does.
HOW_TO_KNOW = {
    "untracked load": "a clamp meter on the battery's own lead while the usual loads run, and what "
    "the display shows then: --evidence clamp=TRUE/SHOWN",
    "shunt offset": "the display's current with everything off, as monitor.offset_a of the setup",
    "drift of the shunt's zero": "the display's current with everything off, once in the warmth "
    "and once in the cold, as monitor.drift_a_per_k of the setup; and --temperature",
    "capacity": "the charge that the display counts from full to the disconnect: "
    "--evidence capacity=",
    "gain error": "a clamp meter beside the display at a heavy load, as monitor.gain_error of the "
    "setup",
    "dead band": "the smallest current that the display shows and no longer rounds to zero, as "
    "monitor.dead_band_a of the setup",
    "battery heater": "the clamp meter on a battery's own lead while its heater is on, or its "
    "label, as heater_w of that battery; and the temperature at the battery: --temperature",
    "capacity set in the monitor": "read in the monitor's own menu, as monitor.assumed_capacity_ah "
    "of the setup",
    "temperature": "read at the battery itself: --temperature",
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


def _inverter_rows(dataset: xr.Dataset) -> list[str]:
    """Until when the inverter feeds its loads, where its own cut-out may come before the bank's."""
    cutout = dataset["inverter_cutout_hours"].values
    if np.mean(np.isfinite(cutout)) < 0.05:
        return []
    stops = quantiles_of(np.minimum(cutout, dataset["lvd_hours"].values))
    return [
        _hours_row("Inverter stops", stops, dataset.attrs["horizon_hours"]),
        _row("", "", "by its own cut-out, or with the bank"),
    ]


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
    if np.isfinite(opens[0]) and _open_together(dataset):
        rows.append(_row("", "", "as the first battery opens; the others go with it"))
    elif np.isfinite(opens[0]):
        rows += [
            _hours_row("One opens in", opens, horizon),
            _row("", "", "the first battery to go; the others carry on alone"),
        ]
    return rows + _inverter_rows(dataset)


def _open_together(dataset: xr.Dataset) -> bool:
    """Whether the bank nearly always ends as its first battery opens, of nights that end."""
    ends, opens = dataset["lvd_hours"].values, dataset["first_battery_open_hours"].values
    inside = np.isfinite(ends)
    same = np.abs(ends[inside] - opens[inside]) < TOGETHER_H
    return bool(np.isfinite(opens[~inside]).sum() == 0 and np.mean(same) > TOGETHER_SHARE)


def _hours_row(label: str, hours: np.ndarray, horizon: float) -> str:
    """A row for quantiles of a time, which may lie beyond the horizon (inf)."""

    def words(value: float) -> str:
        return f"{value:.1f} h" if np.isfinite(value) else f"over {horizon:.0f} h"

    doubt = f"90 % sure: {words(hours[0])} to {words(hours[4])}"
    return _row(label, words(hours[2]).replace("over ", ">"), doubt)
