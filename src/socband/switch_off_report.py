"""What switching off buys, in plain English: a part of the answer of `tonight`."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.demand import INVERTER
from socband.nights import LEAST_FROST
from socband.report import chance_words, wrapped
from socband.site_parts import may_burn_fuel

if TYPE_CHECKING:
    import xarray as xr

BEFORE = (
    "Before anything goes off: medical devices, alarms and frost protection need another supply. "
    "What must not go off says essential = true in the setup file, and is not named then."
)
LEAST_CHANGE = 0.005  # a chance that changes by less is the same (a chance in words has no more)
LEAST_GAIN_H = 0.05  # as many hours are shown as none


def switch_off_lines(dataset: xr.Dataset) -> list[str]:
    """What each switch-off buys, and the fewest that are enough."""
    attrs, draws = dataset.attrs, dataset.sizes["member"]
    until = dataset["until"].values[0]
    if not dataset.sizes.get("load"):
        unlisted = not attrs["loads_described"] and attrs["draws_now_a"] > 0.0
        if not unlisted or dataset["served_until"].values[0] >= attrs["want"]:
            return []
        return [
            "",
            wrapped(
                f"Nothing is weighed that could go off to make {until} more likely: no load is "
                "listed ([[loads]]), so nobody knows which. Charge, or plan without the bank."
            ),
        ]
    lasts = np.mean(np.isinf(stop_hours(dataset)))
    lines = ["", f"What switching off buys (chance to last until {until}, hours gained)"]
    lines += _what_lasts_lines(dataset)
    for name, chance, gain, beyond in zip(
        *(dataset[key].values for key in ("load", "off_chance", "off_gain_hours", "off_beyond")),
        strict=True,
    ):
        words = chance_words(float(chance), draws)
        gained = f"{gain:+6.1f} h" if abs(gain) >= LEAST_GAIN_H else f"{0.0:6.1f} h"
        if beyond > 0.005 and gain > 0.0:
            gained += " at least"  # where the horizon ends nobody looked further
        if lasts > 0.5:  # where the horizon cuts most nights off, what is gained is unknown
            word = "lasts" if lasts > 0.995 else "likely"
            gained = f"{word} {attrs['horizon_hours']:.0f} h either way"
        lines.append(f"  {textwrap.shorten(str(name), 34):<36}{words:<17}{gained}")
        if name == INVERTER and attrs["behind_inverter"]:
            lines.append(wrapped(_along(attrs), "    ", "     "))
    lines += [*_lost_lines(dataset, shown=lasts <= 0.5), *_frost_lines(dataset)]
    if attrs["kept_by_name"]:
        kept = attrs["kept_by_name"].replace("; ", ", ")
        text = f"Never proposed, going by the name: {kept} (essential = false says otherwise)."
        lines.append(wrapped(text, "  "))
    text = _enough(dataset, 0) + _without_inverter(dataset, bool(attrs["enough_off"]))
    lines += [
        wrapped(text),
        *(wrapped(_enough(dataset, j)) for j in range(1, len(dataset["until"]))),
    ]
    return [*lines, wrapped(BEFORE)] if any(dataset["until_off"].values) else lines


def _enough(dataset: xr.Dataset, j: int) -> str:
    """The fewest switch-offs that are enough for the j-th hour asked; it is named where there are
    several."""
    attrs, several = dataset.attrs, dataset.sizes["until"] > 1
    until = f" until {dataset['until'].values[j]}" if several else ""
    want = f"{100 * attrs['want']:.0f} %"
    names = [name for name in str(dataset["until_off"].values[j]).split("; ") if name]
    # of the first hour it is said behind this
    alone = j > 0 and attrs["behind_inverter"] and INVERTER not in names
    alone = alone and not dataset["until_with_inverter"].values[j]
    if not names:
        return f"To be {want} sure{until} nothing has to go off{', for the bank' * bool(alone)}."
    off = [
        f"{name} {_along(attrs)}" if name == INVERTER and attrs["behind_inverter"] else name
        for name in names
    ]
    chance = float(dataset["until_chance"].values[j])
    reached = chance_words(chance, dataset.sizes["member"])
    if alone:
        reached += ", of the bank alone"
    if dataset["until_reached"].values[j]:
        return (
            f"To be {want} sure{until}, switch off: {', '.join(off)}. The chance is then {reached}."
        )
    everything = " and ".join([*([", ".join(off[:-1])] if off[1:] else []), off[-1]])
    last = not np.any(dataset["until_reached"].values[j + 1 :] == 0)
    plan = " Charge, or plan without the bank." if last else ""
    return (
        f"No switching off makes it {want} sure{until}: with {everything} off, the chance "
        f"is {reached}.{plan}"
    )


def _along(attrs: Mapping[str, Any]) -> str:
    """What an inverter takes along when it is switched off."""
    return f"(and with it: {attrs['behind_inverter'].replace('; ', ', ')})"


def stop_hours(dataset: xr.Dataset) -> np.ndarray:
    """(member,) hours until what counts stops: the bank, or its inverter where that counts."""
    lvd = dataset["lvd_hours"].values
    if not dataset.attrs["inverter_counts_for"]:
        return lvd
    return np.minimum(lvd, dataset["inverter_cutout_hours"].values)


def _what_lasts_lines(dataset: xr.Dataset) -> list[str]:
    """What it is that lasts, where an inverter may cut out before the bank disconnects."""
    if float(dataset["inverter_cuts_out"].values[0]) <= LEAST_CHANGE:
        return []
    until, names = dataset["until"].values[0], dataset.attrs["inverter_counts_for"]
    if not names:
        text = f"Counted is the bank alone: nothing behind the inverter is wanted at {until}."
    elif dataset.attrs["inverter_counts_always"]:
        text = "Counted are bank and inverter together, because what must not go off hangs on the "
        text += f"inverter: {names.replace('; ', ', ')}."
    else:
        text = "Counted are bank and inverter together, as long as something that is wanted at "
        text += f"{until} hangs on the inverter: {names.replace('; ', ', ')}."
    return [wrapped(text, "  ")]


def _frost_lines(dataset: xr.Dataset) -> list[str]:
    """What to think of before a heater goes off, in the frost above all."""
    heaters = dataset.attrs["heaters"].split("; ")
    offered = [name for name in dataset["load"].values if name in heaters]
    frost = dataset.attrs["frost"] >= LEAST_FROST
    if not any(heaters) and frost:
        text = "Frost: none of these is known to heat. If one does, say heats = true in its section"
        return [wrapped(f"{text} of the setup file, and it goes off last.", "  ")]
    if not offered:
        return []
    sentences = []
    if frost:
        sentences.append(
            f"Frost: think of people, pipes and the bank before {' or '.join(offered)} goes off."
        )
    if any(may_burn_fuel(name) for name in offered):
        sentences.append(
            "A heater that burns fuel is stopped by its own switch and must run down: never cut "
            "its power while it burns."
        )
    return [wrapped(" ".join(sentences), "  ")] if sentences else []


def _lost_lines(dataset: xr.Dataset, shown: bool) -> list[str]:
    """Why the bank lasts less well without some loads.

    Args:
        shown: whether the hours gained are.
    """
    cuts = float(dataset["inverter_cuts_out"].values[0])
    draws = dataset.sizes["member"]
    lines = []
    lasts = float(dataset["served_until"].values[0])
    for name, off, change, gain, then in zip(
        *(
            dataset[key].values
            for key in (
                *("load", "off_chance", "off_chance_change"),
                *("off_gain_hours", "off_inverter_cuts_out"),
            )
        ),
        strict=True,
    ):
        seen = chance_words(float(off), draws) != chance_words(lasts, draws)
        lower = change < 0.0 and (seen or change < -LEAST_CHANGE)
        if not lower and (gain >= -LEAST_GAIN_H or not shown):
            continue
        less = "the chance is lower" if lower else "the night is shorter"
        text = f"With {name} off {less}: "
        if then < cuts - LEAST_CHANGE:
            text += (
                f"the inverter then cuts out less often ({chance_words(float(then), draws)}), so "
                "that what else it feeds, and its own draw, go on."
            )
        else:
            text += "chargers, heaters or a battery's own switch come in at other times then."
        lines.append(wrapped(text, "  "))
    return lines


def _without_inverter(dataset: xr.Dataset, some_off: bool) -> str:
    """That the bank lasts without its inverter, where that is likely, behind what is enough."""
    attrs, draws = dataset.attrs, dataset.sizes["member"]
    if attrs["enough_with_inverter"] or INVERTER in attrs["enough_off"].split("; "):
        return ""
    # with nothing off it is what is said above, of all members
    nothing_off = float(dataset["inverter_cuts_out"].values[0])
    cuts = attrs["enough_inverter_cuts_out"] if some_off else nothing_off
    if cuts <= max(1.0 - attrs["want"], LEAST_CHANGE):
        return ""
    text = (
        " But that is the bank alone: the chance that the inverter cuts out before "
        f"{dataset['until'].values[0]} is {'then ' if some_off else ''}{chance_words(cuts, draws)}."
    )
    if some_off:
        off = attrs["enough_off"].split("; ")
        left = [name for name in attrs["behind_inverter"].split("; ") if name not in off]
        return text + (f" Behind it is then still: {', '.join(left)}." if left else "")
    off = dict(zip(dataset["load"].values, dataset["off_inverter_cuts_out"].values, strict=True))
    off.pop(INVERTER, None)
    best = min(off, key=off.get, default=None)
    if best is not None and off[best] < 0.5 * cuts:
        text += f" With {best} off it is {chance_words(float(off[best]), draws)}."
    return text
