"""What the night ahead is reckoned with, where the setup does not make that plain.

Notes of `tonight`. A view of its dataset: nothing is computed here beyond quantiles of what it
holds.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.narrowing import MOST_STRAINED
from socband.present import ends_off
from socband.report import present_lines, pulled_lines, strained_words, wrapped
from socband.summary import quantiles_of

if TYPE_CHECKING:
    import xarray as xr


RECKONS = "The numbers above reckon"
SHOWS_FULL, LONG_SINCE_FULL_H = 0.995, 12.0  # a display at full; so long ago it is odd (assumed)
APART_K = 3.0  # two temperatures further apart are worth a word (assumed)


def reckoned_lines(dataset: xr.Dataset) -> list[str]:
    """Paragraphs with a blank line behind each; none where there is nothing to say."""
    attrs = dataset.attrs
    return [
        *_off_lines(attrs),
        *_full_lines(attrs),
        *_log_lines(dataset),
        *_weak_batteries_lines(attrs),
        *([wrapped(attrs["full_rule_note"]), ""] if attrs["full_rule_note"] else []),
        *_charging_now_lines(attrs),
        *_clamp_lines(attrs),
        *_brought_lines(attrs),
        *_any_hour_lines(attrs),
        *_no_loads_lines(dataset),
        *_idle_lines(dataset),
        *_battery_heater_lines(dataset),
    ]


def _long(hours: float) -> str:
    return f"{60.0 * hours:.0f} min" if hours < 1.5 else f"{hours:.0f} h"


def _log_lines(dataset: xr.Dataset) -> list[str]:
    """What a log has to do with the answer, and whether setup and voltages fit it."""
    attrs = dataset.attrs
    if not attrs["log"]:
        return []
    text = (
        f"The charge is that of {attrs['log']}, {_long(attrs['log_hours'])} long, at its end; the "
        "display is counted back and used only where the log begins."
    )
    low, *_, high = quantiles_of(dataset["soc_now"].values)
    shown = attrs["display_soc"]
    if shown < low or shown > high:
        side = "below" if shown < low else "above"
        text += (
            f" The {100 * shown:.0f} % that it says lie {side} all of the band: go by the band "
            "until the bank has been full again."
        )
    lines = [wrapped(text), *present_lines(attrs, clock_counts=True)]
    if np.isnan(attrs["present_hour"]):
        text = "What time that was, nobody says: this computer's clock is taken (--now says it)."
        lines.append(wrapped(text))
    if attrs["present_hour_is_utc"]:
        text = "The night is reckoned by that clock, UTC: present.timezone or --now makes it yours."
        lines.append(wrapped(text))
    if abs(attrs["temperature_c"] - attrs["stated_temperature_c"]) > APART_K:  # no: NaN
        text = (
            f"The log's own temperature, {attrs['temperature_c']:.0f} °C at its end, is taken for "
            f"the night, and not the {attrs['stated_temperature_c']:.0f} °C given."
        )
        lines.append(wrapped(text))
    if attrs["strained_share"] > MOST_STRAINED:
        text = (
            "DO NOT TRUST THE NUMBERS ABOVE TOO FAR: "
            f"{strained_words(attrs['strained_share'], 'they come from')}. Something may be wrong "
            "that the setup file hardly allows: ask `suspects` with the same files."
        )
        lines.append(wrapped(text))
    return [*lines, "", *(line for each in pulled_lines(dataset, RECKONS) for line in (each, ""))]


def _off_lines(attrs: Mapping[str, Any]) -> list[str]:
    """That a log ends at a voltage at which the bank is off."""
    if not attrs["log"] or not ends_off(attrs):
        return []
    if attrs["log_off_hours"] > 0.0:
        text = (
            f"THE LOG GOES ON FOR {_long(attrs['log_off_hours']).upper()} at voltages of a bank "
            "that is off: it has disconnected, and what stands here is of the moment before. "
        )
    else:
        text = (
            f"THE LOG ENDS AT {attrs['log_ends_v']:.1f} V, below the {attrs['disconnect_v']:.1f} V "
            "at which this bank disconnects: it is off already or about to be, whatever chances "
            "stand here. "
        )
    text += "Charge it, and do not believe the display before the next full charge."
    return [wrapped(text), ""]


def _brought_lines(attrs: Mapping[str, Any]) -> list[str]:
    """How much the sources are reckoned to bring, which may decide the night."""
    brought = attrs["sources_bring_ah_per_day"]
    if not brought >= 0.5:  # or NaN
        return []
    text = f"The sources are reckoned to bring about {brought:.0f} Ah a day, what goes straight to "
    text += "the loads with it"
    if attrs["log"]:
        text += f"; in the log {attrs['log_charged_ah_per_day']:.0f} Ah a day flowed into the bank"
    return [wrapped(f"{text}. Does that fit?"), ""]


def _any_hour_lines(attrs: Mapping[str, Any]) -> list[str]:
    """Sources reckoned to run at any hour, for want of a word when they do."""
    if not attrs["sources_at_any_hour"]:
        return []
    names = attrs["sources_at_any_hour"].replace("; ", ", ")
    text = (
        f"Reckoned as charging at any hour, since the setup file does not say when: {names}. If "
        "that is not so tonight, give its hours, or probability = 0."
    )
    return [wrapped(text), ""]


def _weak_batteries_lines(attrs: Mapping[str, Any]) -> list[str]:
    """What the bank is reckoned with where all that is said of it are its batteries' factors."""
    if np.isnan(attrs["capacity_by_factors_ah"]):
        return []
    text = (
        f"Reckoned with some {attrs['capacity_by_factors_ah']:.0f} Ah in place of the rated "
        f"{attrs['rated_capacity_ah']:g} Ah: the capacity_factors of the [[batteries]] are taken "
        "against what is printed on them. bank.capacity_fraction says it better, if you know it."
    )
    return [wrapped(text), ""]


def _charging_now_lines(attrs: Mapping[str, Any]) -> list[str]:
    """What is made of a current that flows into the bank now."""
    amps = attrs["charges_now_a"]
    if amps <= 0.0 and attrs["log"]:
        amps = attrs["log_ends_a"]
    if amps <= 0.0:
        return []
    text = (
        f"{amps:.1f} A flow into the bank as the log ends. That "
        if attrs["log"]
        else f"The display says {amps:.1f} A flow into the bank now. The voltage starts from that, "
        "but it "
    )
    text += "is not taken to go on: "
    if attrs["sources_described"]:
        text += "what charges the bank from now on are the [[sources]] of the setup file."
    else:
        text += "the setup file names no [[sources]], so nothing charges the bank from now on."
    return [wrapped(text), ""]


def _full_lines(attrs: Mapping[str, Any]) -> list[str]:
    """A display at full that is said to have been full long ago."""
    hours = attrs["hours_since_full"]
    if attrs["log"] or attrs["hours_since_full_assumed"]:
        return []
    if not (attrs["display_soc"] >= SHOWS_FULL and hours > LONG_SINCE_FULL_H):
        return []
    text = (
        f"The display says full, and the last full charge is said to be {hours:.0f} h ago. If it "
        "says so only now, --since-full is 0; if it has not moved for so long, it counts nothing."
    )
    return [wrapped(text), ""]


def _clamp_lines(attrs: Mapping[str, Any]) -> list[str]:
    """A clamp reading that may lack its minus sign."""
    amps = attrs["clamp_in_a"]
    if amps <= 0.0 or attrs["sources_described"]:
        return []
    text = (
        f"CHECK THE SIGN of the clamp reading: {amps:g} A without a minus flow into the bank, and "
        "the setup file names no [[sources]]. What the bank gives has a minus sign, as in "
        f"clamp=-{amps:g}; then the numbers above are too high."
    )
    return [wrapped(text), ""]


def _no_loads_lines(dataset: xr.Dataset) -> list[str]:
    """What the night is reckoned with where the setup names no load."""
    attrs = dataset.attrs
    if attrs["loads_described"]:
        return []
    if attrs["drawn_in_log"]:
        text = "its loads are taken to draw what the monitor showed in the log at the same time "
        text += f"of day while nothing charged, {attrs['draws_now_a']:.1f} A on average until "
        text += str(dataset["until"].values[0])
        if attrs["stated_draw_a"] > 0.0:
            text += f"; the {attrs['stated_draw_a']:.1f} A of [present] are not used"
    elif attrs["draws_now_a"] > 0.0:
        text = f"what draws now, {attrs['draws_now_a']:.1f} A, is taken to go on"
    elif attrs["charges_now_a"] > 0.0:
        text = "this reckons with none. List them, or give present.current_a as it reads while "
        text += "nothing charges the bank (negative: drawn)"
    else:
        text = "this reckons with none. List them, or give present.current_a, what is drawn now"
    return [wrapped(f"No load is described in the setup file: {text}."), ""]


def _idle_lines(dataset: xr.Dataset) -> list[str]:
    """Loads reckoned to idle in the cold, as the bank's temperature is taken for theirs."""
    if not dataset.sizes["idle_load"]:
        return []
    loads = ", ".join(
        f"{name} {100 * now:.0f} % of the time (usually {100 * usual:.0f})"
        for name, now, usual in zip(
            *(dataset[key].values for key in ("idle_load", "idle_duty", "usual_duty")), strict=True
        )
    )
    text = f"Reckoned as standing in the cold with the bank: {loads}. In a room that is warm it "
    return [wrapped(f"{text}draws more: then give the load duty_per_k = 0."), ""]


def _battery_heater_lines(dataset: xr.Dataset) -> list[str]:
    """What the batteries' own heaters take, where that is much of what is gone, or of what is left.

    No load of the setup file is it, and no display shows it.
    """
    attrs = dataset.attrs
    text = ""
    if attrs["heaters_took_much"]:
        low, _, middle, _, high = quantiles_of(dataset["heater_before_ah"].values)
        text = (
            f"About {middle:.0f} Ah (90 % sure: {low:.0f} to {high:.0f} Ah) are reckoned to have "
            "gone into the battery heaters since the last full charge: they draw inside the "
            "batteries, where the display does not see it. "
        )
    if attrs["heaters_take_much"]:
        low, _, middle, _, high = quantiles_of(dataset["heater_ahead_a"].values)
        hours, until = dataset["until_hours"].values[-1], dataset["until"].values[-1]
        text += (
            f"In the night ahead the battery heaters draw about {middle:.1f} A (90 % sure: "
            f"{low:.1f} to {high:.1f} A) on average, {middle * hours:.0f} Ah until {until} if the "
            "bank lasts; switching loads off does not change that."
        )
    return [wrapped(text), ""] if text else []
