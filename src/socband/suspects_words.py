"""Plain words about each cause: what it is, how it comes about, how it is put right, safely."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any


@dataclass(frozen=True)
class CauseWords:
    """What a reader needs to know about one cause.

    Attributes:
        title: short name.
        how: how it comes about.
        mend: how it is put right, and where a technician comes in.
        does: what it does to the display.
    """

    title: str
    how: str
    mend: str
    does: str


WORDS: dict[str, CauseWords] = {
    "none": CauseWords(
        "no fault at all",
        "every monitor drifts a little between full charges",
        "charge until truly full once a week; nothing else is needed",
        "the display is within its normal error",
    ),
    "untracked_steady": CauseWords(
        "a load the monitor does not see, day and night",
        "something is wired straight to the battery's negative post and not to the load side of "
        "the shunt: an alarm, a heater, a tracker, a charger's own standby",
        "follow every cable on the battery's negative post; only the shunt belongs there. Moving "
        "a cable: bank isolated, insulated tools, or a technician",
        "the display stays too high and the error grows with time",
    ),
    "untracked_hours": CauseWords(
        "a load the monitor does not see, in certain hours",
        "something that is switched is wired straight to the battery's negative post and not to the "
        "load side of the shunt: a heater, a pump, a light, a battery's own heating",
        "see what runs in those hours; then follow its negative cable. Moving it: bank isolated, "
        "insulated tools, or a technician",
        "the display is too high after those hours",
    ),
    "offset": CauseWords(
        "the shunt's zero is off",
        "the monitor reads a current although none flows; its zero was never set, or set while a "
        "load was running",
        "with all loads and chargers off at their switches, set the zero in the monitor's menu",
        "the display drifts steadily, up or down",
    ),
    "gain": CauseWords(
        "every current is read too large or too small",
        "the wrong shunt size is set in the monitor, or a sense wire is loose",
        "compare with a clamp meter at a heavy load; set the shunt's rating as printed on it",
        "the error grows with what is taken out, and goes back when it is charged",
    ),
    "lost_capacity": CauseWords(
        "the bank holds less than it should",
        "age, heat, cold, or a weak cell that ends each discharge early",
        "enter the measured capacity in the monitor; have cells out of balance looked at by a "
        "technician",
        "the display falls too slowly, and the bank ends while it still shows charge",
    ),
    "capacity_setting": CauseWords(
        "the wrong capacity is set in the monitor",
        "the bank was changed, or the setting was never made",
        "set the capacity printed on the batteries, all of them together",
        "the display falls too slowly (set too large) or too fast (set too small)",
    ),
    "efficiency_setting": CauseWords(
        "the wrong charge efficiency is set in the monitor",
        "a setting for lead-acid batteries was left in",
        "set it close to 100 %, as the maker of the lithium batteries says",
        "charge that came in is not all counted: the display is too low until full",
    ),
    "false_rezero": CauseWords(
        "the display jumps to 100 % before the bank is full",
        "the voltage for 'full' is set too low, or the current for it too high, or a cloud "
        "passed at the wrong moment",
        "set the voltage for 'full' just below the charger's, and the current to a few percent of "
        "the capacity",
        "the display starts each time too high by what was still missing",
    ),
    "dead_band": CauseWords(
        "a small standby load that the display rounds to zero",
        "currents below a threshold count as none, so a standby load is never counted",
        "lower the threshold in the monitor, or switch the standby load off at night",
        "the display stays still while the bank empties slowly",
    ),
    "missing_battery": CauseWords(
        "one of the batteries in parallel takes no part",
        "a battery's own protection has opened, a fuse is blown, or a lead is off",
        "clamp each battery's lead in turn under load: all should carry about the same. Anything "
        "at the leads themselves is for a technician: very high fault currents",
        "the bank ends long before the display says so",
    ),
    "connection": CauseWords(
        "a bad connection between battery and monitor",
        "a loose or corroded terminal, a worn fuse holder, a lead that is too thin",
        "it can get hot enough to start a fire: switch heavy loads off now, and have every "
        "connection checked and torqued, bank isolated, by a technician",
        "the display of charge is right; the voltage sags under load and limits trip early",
    ),
}

# Two causes that evidence leaves together: why, and what tells them apart.
PAIRS: dict[frozenset[str], tuple[str, str]] = {
    frozenset({"untracked_steady", "offset"}): (
        "both add the same current to the count, hour by hour; log, full charges and clamp meter "
        "see only their sum",
        "read the display with every load and charger off: an offset still shows there, an "
        "untracked load does not",
    ),
    frozenset({"untracked_hours", "offset"}): (
        "full charges at the same hours, or a single reading, show only one sum",
        "read the display with everything off; or clamp the post inside and outside those hours",
    ),
    frozenset({"untracked_steady", "untracked_hours"}): (
        "full charges at the same hours, or a single reading, do not show when it draws",
        "clamp meter against display at noon, in the evening and at night",
    ),
    frozenset({"dead_band", "untracked_steady"}): (
        "both let charge go uncounted while little else runs",
        "everything off, clamp meter at the post: switch off the suspected standby load and see "
        "whether the current goes",
    ),
    frozenset({"dead_band", "offset"}): (
        "both let charge go uncounted by the hour",
        "clamp meter at the post with the display at zero: a standby load shows there, an offset "
        "does not",
    ),
    frozenset({"gain", "lost_capacity"}): (
        "a current read too small and a smaller bank make the display fall by too little alike",
        "clamp meter against display under a heavy load: only a wrong gain shows there",
    ),
    frozenset({"gain", "none"}): (
        "what a wrong gain adds while charging it takes away while discharging",
        "clamp meter against display under a heavy load",
    ),
    frozenset({"lost_capacity", "missing_battery"}): (
        "both make the bank smaller, and its resistance is not known well enough",
        "clamp each battery's own lead in turn under a steady load",
    ),
    frozenset({"capacity_setting", "efficiency_setting"}): (
        "one display reading depends on both settings",
        "read both settings in the monitor",
    ),
    frozenset({"capacity_setting", "none"}): (
        "the log holds current and voltage, not the display's percentage",
        "read the setting in the monitor, and enter the charge on the display (display_soc=)",
    ),
    frozenset({"efficiency_setting", "none"}): (
        "the log holds current and voltage, not the display's percentage",
        "read the setting in the monitor, and enter the charge on the display (display_soc=)",
    ),
    frozenset({"false_rezero", "lost_capacity"}): (
        "both make the bank end early after the display said 100 %",
        "watch one full charge to its very end, then discharge to cut-off",
    ),
    frozenset({"connection", "none"}): (
        "the resistance of such a bank is not known well enough to see a small extra one",
        "known load: note how far the voltage falls, at the posts and at the monitor",
    ),
}


def words_of(cause: str, attrs: Mapping[str, Any]) -> CauseWords:
    """Plain words about a cause in this very bank, by the attributes of a result.

    To set what is printed is no mending where the bank is known to hold far less.
    """
    words = WORDS[cause]
    if cause != "capacity_setting" or attrs["rated_is_sound_setting"]:
        return words
    low, middle, high = (f"{attrs[f'holds_{key}_ah']:.0f}" for key in ("p05", "p50", "p95"))
    band = f" (90 % sure: {low} to {high} Ah)" if low != high else ""
    return replace(
        words,
        how="the bank has aged, and what is printed on it was left in, or the setting was never "
        "made",
        mend=f"set what the bank holds, by the setup file about {middle} Ah{band}, and not the "
        f"{attrs['rated_capacity_ah']:g} Ah printed on the batteries",
    )


def why_together(a: str, b: str) -> tuple[str, str]:
    """Reason and separating measurement of two causes that the evidence leaves together; "" for
    the measurement where only what they predict tells which it is."""
    alike = "at the size they would have here both leave the same traces within the noise"
    return PAIRS.get(frozenset({a, b}), (alike, ""))


def few_draws_words(many: bool, some_fit: bool) -> str:
    """Why readings leave too few draws for a band: what they speak for is rarely drawn, or nothing
    goes with them.

    Args:
        many: more readings than one.
        some_fit: there are draws that come near all of them at once.
    """
    these, them = ("these readings", "them") if many else ("this reading", "it")
    moment = ", and whether they were taken at the same moment" if many else ""
    if some_fit:
        why = (
            f"Only few of the draws come as far as {these}, which {'are' if many else 'is'} rare, "
            f"too few for a band. Check sign (charging is positive) and unit{moment}."
        )
    else:
        why = (
            f"{these.capitalize()} {'fit' if many else 'fits'} badly "
            f"{'together or ' if many else ''}with the setup: hardly any of the draws "
            f"{'fit' if many else 'fits'} {them}, too few for a band. Check "
            f"{'their signs' if many else 'its sign'} (charging is positive), "
            f"{'their units' if many else 'its unit'}{moment}."
        )
    return f"{why} The figures below are rough."


def error_per(cause: str, attrs: Mapping[str, Any]) -> str:
    """What the display's error by a cause goes with, in words, by the attributes of a result."""
    whose = "assumed" if attrs["use_is_assumed"] else "in this log"
    if cause == "false_rezero":
        several = attrs.get("false_fulls", 0) > 1
        return f"after each full charge, once{', on average' if several else ''}"
    if cause in ("gain", "lost_capacity", "missing_battery", "capacity_setting"):
        return f"for each {100 * attrs['used_per_day']:.0f} % used (a day's use, {whose})"
    if cause == "efficiency_setting":
        return f"for each {100 * attrs['charged_per_day']:.0f} % charged (a day's, {whose})"
    return "a day"


def last_full_words(missing: Sequence[float], band: bool) -> str:
    """What was missing at the last of several full charges that came too early, behind the mean.

    Args:
        missing: 5, 50 and 95 % quantile, 0..1.
        band: whether its band means anything.
    """
    low, middle, high = (f"{100.0 * x:.0f}" for x in missing)
    span = f" (90 % sure: {low} to {high} %)" if band and low != high else ""
    return f"; at the last one {middle} %{span}"
