"""Views of a charging dataset: text, JSON and a picture."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from socband import cautions
from socband.charging import FAULTS
from socband.charging_rules import DEFAULT_RULES, STOP, Check, Rules, checks, resting_check, too_hot
from socband.site_fields import ClockTime
from socband.summary import short_chance

if TYPE_CHECKING:
    import xarray as xr

WORDS = {
    "near_full": "the bank is near full, and the source idles or tapers",
    "too_cold": "the battery is too cold and refuses charge to protect itself",
    "weak_sun": "too little sun at this hour or in this sky",
    "charging": "the source charges about as it should",
    "cold_charge": "current flows though the cells are too cold for it, and nothing stops it",
    "low_current": "the source works, but gives less than half of what it should",
    "no_supply": "nothing arrives at the charger: no supply on its input side",
    "open_path": "an open fuse, holder or plug between charger and bank",
    "dead_charger": "the charger has its supply and gives nothing",
    "asleep": "the battery has switched itself off and has to be woken: see below",
    "held": "the source holds the bank at its limit, and a battery refuses charge",
    "other_source": "the current comes from another source, or is misread: see above",
}
WAKING = (
    "To wake a battery that has switched itself off: loads off, leave a charger meant for lithium "
    "iron phosphate on it, {waking} (common practice, no source). Some chargers give "
    "nothing until they see a voltage. Never bridge the battery's protection, "
    "and do not charge one that is below 0 °C, swollen, hot or smelling. Its display "
    "is wrong until the next full charge."
)
NEXT_TO_NOTHING_PER_H = 0.02  # of the capacity (assumed)
HINGES = 0.05  # a bank as likely to be too cold as this makes an answer of two kinds (assumed)
WELL_BELOW = 0.10  # of the charge: a source that only rested has started again there (assumed)
NEXT_TO_NOTHING = 0.05  # probability of all that a check could find: none is called for (assumed)
LOOKED_FOR = (*FAULTS, "asleep", "held", "other_source")
UNDECIDED = 0.15  # assumed: odds this near to even are no verdict


def charging_text(dataset: xr.Dataset) -> str:
    """The answer for its reader, in words that fit 80 columns."""
    from socband.report import caution_lines, present_lines, wrapped

    a = dataset.attrs
    kind = a["source_kind"]
    p = dict(zip(dataset["explanation"].values, dataset["probability"].values, strict=True))
    soc = 100.0 * dataset["soc_after"].values
    now = dataset["expected_a"].values
    given = (
        f"{a['amps']:g} A, taken as read with the loads off"
        if a["amps_given"]
        else "no reading of the current"
    )
    if not a["amps_given"] and np.isfinite(a["log_ends_at_a"]):
        given += f"; the log ends at {a['log_ends_at_a']:.1f} A, loads included"
    held = a["held_up"] > 0.5
    should = (
        "At its limit a source gives what the bank takes"
        if held
        else f"A sound source should give {now[2]:.0f} A now (90 % sure: {now[0]:.0f} to "
        f"{now[4]:.0f} A)"
    )
    charge = f"likely {soc[2]:.0f} %, 90 % sure between {soc[0]:.0f} and {soc[4]:.0f} %"
    verdict = _verdict(a["not_a_fault"])
    if p["asleep"] > 0.5:
        verdict = "the battery has switched itself off; that is no fault of the charger"
    if beyond_source(dataset):
        verdict = "no verdict, as more current flows than it can give"
    if not a["amps_given"]:
        verdict = f"no verdict without the current (amps=). If none flows: {verdict}"
    alarm = alarm_of(dataset)
    lines = [
        *([wrapped(alarm), ""] if alarm else []),
        wrapped(f"Charging from {kind}: {verdict}"),
        "",
        wrapped(f"Seen: {given}. {should}."),
        *([wrapped(reckoned_for(a))] if "sun_at_hour" in a else []),
        *([wrapped(too_much(dataset))] if beyond_source(dataset) else []),
        *([wrapped(assumed_size(dataset))] if a["source_is_assumed"] else []),
        *([wrapped(assumed_temperature(dataset))] if hinges_on_temperature(dataset) else []),
        wrapped(f"True charge: {charge}; room is left for a charger that filled it unseen."),
        *(present_lines(a, logged_temperature(a)) if "present_at_end" in a else []),
        *([wrapped(contradiction(dataset))] if a["contradiction"] > 0.5 else []),
        "",
        "What would explain it" if a["amps_given"] else "What would explain it, if none flows",
    ]  # fmt: skip
    for name in sorted(p, key=lambda key: -p[key]):
        if p[name] >= 0.01:
            fault = "fault" if name in FAULTS else "no fault"
            fault = "no verdict" if name == "other_source" else fault
            lines.append(
                wrapped(f"{short_chance(p[name]):>5}  {WORDS[name]} ({fault})", "  ", "         ")
            )
    if a["from_elsewhere"] >= 0.02:
        lines.append(wrapped(from_elsewhere(dataset)))
    rule = _resting(a)
    if held:
        rule += " The voltage is one at which a source holds the bank: it works."
        if abs(a["amps"]) <= NEXT_TO_NOTHING_PER_H * a["rated_capacity_ah"]:
            rule += (
                " A bank that takes next to nothing there is full, whatever the display says, or "
                "one of its batteries refuses charge, for the cold or for a fault of its own."
            )
        if a["other_sources"]:
            rule += f" To see whether it is this one, read again with {a['other_sources']} off."
    lines += ["", wrapped(rule)]
    if p["asleep"] >= 0.1:
        lines += ["", wrapped(WAKING.format(waking=_waking(a)))]
    lines += ["", "Expected current by true charge (90 % band)"]
    for z in (0.2, 0.5, 0.8, 0.9, 0.95, 1.0):
        row = dataset["expected_by_soc_a"].sel(soc=z, method="nearest").values
        lines.append(f"  {100 * z:4.0f} %   {row[0]:5.0f} to {row[4]:.0f} A, likely {row[2]:.0f} A")
    lines += ["", *_check_lines(dataset), "", *caution_lines(cautions.CHARGING)]
    return "\n".join(lines)


def _check_lines(dataset: xr.Dataset) -> list[str]:
    from socband.report import wrapped

    if nothing_to_look_for(dataset):
        return ["No check is called for: next to nothing here speaks for a fault."]
    lines = ["Checks, in this order"]
    for number, check in enumerate(checks_of(dataset), 1):
        lines.append(wrapped(f"{number}. {check.do}", "", "   "))
        lines.append(wrapped(f"Expect: {check.expect}.", "   ", "     "))
        lines.append(wrapped(f"If not: {check.otherwise}.", "   ", "     "))
        if check.reading:
            lines.append(f"   Enter: --reading {check.reading.replace(' ', ' --reading ')}")
    return [*lines, wrapped(stop_of(dataset))]


def _resting(attrs: Mapping[str, Any]) -> str:
    """What is known of a source that rests near full, and what of a shore charger besides."""
    kind, above = attrs["source_kind"], 100 * attrs["rests_above_soc"]
    if attrs["rests_stated"] and not attrs["rests_probability"]:
        said = (
            f"As the setup file says, the {kind} source never rests: it should give what it can up "
            "to full, less only where it tapers."
        )
    elif attrs["rests_stated"]:
        return (
            f"A {kind} source may idle above about {above:.0f} % (as the setup file says). That "
            "means the true charge, not the one on the display."
        )
    else:
        said = (
            f"Nobody says whether this {kind} source rests near full, as many do once finished, "
            "for hours or days until the bank is well below. Taken for "
            f"{100 * attrs['rests_probability']:.0f} % likely, above some {above:.0f} % of true "
            "charge, not of the display's (common practice, no source). If you know, say so by "
            "idle_above_soc of the source (1 if it never rests): it may change the verdict."
        )
    if kind == "shore":
        said += (
            " In bulk a shore charger gives its full current (common practice, no source). A bank "
            f"that has switched itself off wakes on it in {_waking(attrs)}, longer with loads on; "
            f"not while its batteries are below {attrs['charge_min_c']:g} °C: waking is charging."
        )
    return said


def _waking(attrs: Mapping[str, Any]) -> str:
    n = attrs["batteries"]
    batteries = f"{n} batteries in parallel" if n > 1 else "one battery"
    return f"{attrs['wake_from_h']:g} to {attrs['wake_to_h']:g} h for {batteries}"


def reckoned_for(attrs: Mapping[str, Any]) -> str:
    """The hour that a panel's current is reckoned for, and when its sun is up."""
    keys = ("sun_at_hour", "sunrise_hour", "sunset_hour")
    at, rise, fall = (ClockTime.from_hour(attrs[key]) for key in keys)
    said = f"Reckoned for {at} ({attrs['sun_hour_of']}), with the sun up from {rise} to {fall}."
    if not attrs["sunrise_hour"] < attrs["sun_at_hour"] < attrs["sunset_hour"]:
        said += " The sun is down: no panel gives anything, sound or not. Ask again by day."
    return said


def assumed_size(dataset: xr.Dataset) -> str:
    """What stands for a source that the setup file does not describe."""
    a = dataset.attrs
    what = {"shore": "shore charger", "vehicle": "charger from a vehicle", "solar": "panel"}
    return (
        f"No {what[a['source_kind']]} is described in the setup file: "
        f"{a['bulk_per_h'] * a['rated_capacity_ah']:.0f} A are assumed, "
        f"{100 * a['bulk_per_h']:g} % of the bank's capacity an hour (common practice, no source)."
        f"{_described(a)}"
    )


def _described(attrs: Mapping[str, Any]) -> str:
    """Which sources the setup file does describe, and how to ask about them."""
    kinds = attrs["other_kinds"].split()
    if not kinds:
        return ""
    ask = " or ".join(f"--source {kind}" for kind in kinds)
    return f" It does describe {attrs['other_sources']}: to ask about that, {ask}."


def beyond_source(dataset: xr.Dataset) -> bool:
    """Is the current more than the source could give, so that it tells nothing of it?"""
    return bool(dataset["probability"].sel(explanation="other_source") > 0.5)


def too_much(dataset: xr.Dataset) -> str:
    """What a current means that no source of this kind gives."""
    a = dataset.attrs
    unknown = "one that is not in the setup file"
    others = f"{a['other_sources']} or {unknown}" if a["other_sources"] else unknown
    return (
        f"{a['amps']:g} A are more than a {a['source_kind']} source of this size can give, some "
        f"{a['most_a']:.0f} A at the most: another source ({others}) charges the bank too, or the "
        "reading is wrong (unit, decimal point, sign). Read again with every other source off."
    )


def from_elsewhere(dataset: xr.Dataset) -> str:
    """What a charger that gives nothing would mean for a current that flows."""
    a = dataset.attrs
    return (
        f"With a chance of {100 * a['from_elsewhere']:.0f} % the source gives nothing, and the "
        f"{a['amps']:g} A come from another ({a['other_sources']}): read again with that off."
    )


def hinges_on_temperature(dataset: xr.Dataset) -> bool:
    """Is the temperature a mere assumption under which some banks are too cold to be charged?"""
    a = dataset.attrs
    return bool(a["temperature_assumed"]) and HINGES <= a["chance_cold"] <= 1.0 - HINGES


def assumed_temperature(dataset: xr.Dataset) -> str:
    """What to read where the answer hinges on a temperature that nobody told."""
    a = dataset.attrs
    return (
        f"The temperature is only assumed (some {a['temperature_p50']:.0f} °C), and the answer "
        f"hinges on it: {100 * a['chance_cold']:.0f} % that the battery is too cold to take "
        "charge. Read it at the battery: --reading temperature="
    )


def logged_temperature(attrs: Mapping[str, Any]) -> str:
    """That a log's own temperature is taken, where it is; behind a sentence."""
    if not np.isfinite(attrs["log_temperature_c"]) or "temperature=" in attrs["readings"]:
        return ""
    return f"; its temperature is the log's there, {attrs['log_temperature_c']:.0f} °C"


def contradiction(dataset: xr.Dataset) -> str:
    """One sentence on a voltage that does not go with the display, or with the log."""
    a = dataset.attrs
    before = 100.0 * dataset["soc_before"].values
    shown = f"The display ({100 * a['display_soc']:.0f} %)"
    if not np.isfinite(a["display_soc"]):
        shown = "What is known of the charge"
    at = f"at {a['amps']:g} A" if a["amps_given"] else "without current"
    says = f"{a['volts']:g} V {at} speak for"
    says += f" about {100 * a['soc_by_voltage']:.0f} %" if np.isfinite(a["soc_by_voltage"]) else (
        " no charge of such a bank")  # fmt: skip
    return (
        f"{shown} and the voltage contradict each other: {says}, the setup with its doubts for "
        f"{before[0]:.0f} to {before[4]:.0f} %; one of them is wrong, or a battery refuses charge."
    )


def _verdict(not_a_fault: float) -> str:
    """Fault or not, in words; neither where the odds are near even."""
    from socband.report import chance_words

    if abs(not_a_fault - 0.5) < UNDECIDED:
        return f"cannot be told from this; no fault: {chance_words(not_a_fault, 200)}"
    if not_a_fault > 0.5:
        return f"probably not a fault, {chance_words(not_a_fault, 200)}"
    return f"probably a fault, {chance_words(1.0 - not_a_fault, 200)}"


def alarm_of(dataset: xr.Dataset) -> str:
    """What must be done at once; "" where nothing must."""
    a = dataset.attrs
    if not a["cold_charge"]:
        return too_hot(a["temperature_p50"])
    return (
        f"ALARM: {a['amps']:g} A flow into a bank at {round(a['temperature_p50'])} °C. Charging "
        f"below {a['charge_min_c']:g} °C damages the cells for good (lithium plating). Stop "
        "charging now, until the battery itself is warm enough; what its maker says comes before "
        "this."
    )


def nothing_to_look_for(dataset: xr.Dataset) -> bool:
    """Do the readings leave next to nothing that a check could find?"""
    a = dataset.attrs
    if not a["amps_given"] or a["cold_charge"] or a["contradiction"] > 0.5:
        return False
    left = float(dataset["probability"].sel(explanation=list(LOOKED_FOR)).sum())
    return left < NEXT_TO_NOTHING and not hinges_on_temperature(dataset)


def checks_of(dataset: xr.Dataset, rules: Rules = DEFAULT_RULES) -> list[Check]:
    """The checks that go with a result, without those that its readings answer."""
    a = dataset.attrs
    if nothing_to_look_for(dataset):
        return []
    every = checks(a["source_kind"], rules, int(a["cells_in_series"]), float(a["charge_min_c"]))
    given = [pair.split("=")[0] for pair in a["readings"].split(", ")]
    left = [check for check in every if not check.answered(given)]
    likely_soc = float(dataset["soc_after"].sel(quantile=0.5))
    near_full = float(dataset["probability"].sel(explanation="near_full"))
    down_to = a["rests_above_soc"] - WELL_BELOW
    if a["rests_probability"] and near_full >= HINGES and likely_soc > down_to > 0.0:
        used_ah = (1.0 - down_to) * a["rated_capacity_ah"]
        left.append(resting_check(a["source_kind"], down_to, used_ah))
    return left


def stop_of(dataset: xr.Dataset) -> str:
    """Where to stop looking for a fault; "" where none is looked for."""
    return "" if nothing_to_look_for(dataset) else STOP[dataset.attrs["source_kind"]]


def charging_json(dataset: xr.Dataset) -> dict[str, Any]:
    """One JSON object."""
    from socband.summary import as_percentiles, plain

    a = dataset.attrs
    impossible = beyond_source(dataset)
    return plain(
        {
            "source": a["source_kind"],
            "alarm": alarm_of(dataset),
            "current_was_read": bool(a["amps_given"]),
            "not_a_fault": None if not a["amps_given"] or impossible else a["not_a_fault"],
            "impossible_current": too_much(dataset) if impossible else "",
            "temperature_is_assumed": bool(a["temperature_assumed"]),
            "source_is_assumed": bool(a["source_is_assumed"]),
            "contradiction": contradiction(dataset) if a["contradiction"] > 0.5 else "",
            "explanations": [
                {"explanation": str(e), "probability": float(p), "fault": str(e) in FAULTS}
                for e, p in zip(
                    dataset["explanation"].values, dataset["probability"].values, strict=True
                )
            ],
            "soc": as_percentiles(dataset["soc_after"].values),
            **({"present_taken_at": "the log's last row"} if "present_at_end" in a else {}),
            "temperature_c": a["temperature_p50"],
            "expected_current_a": as_percentiles(dataset["expected_a"].values),
            "checks": [
                {k: v for k, v in vars(check).items() if k != "once"}
                for check in checks_of(dataset)
            ],
            "stop": stop_of(dataset),
            "cautions": list(cautions.CHARGING),
            "seed": a["seed"],
        }
    )


def charging_plot(dataset: xr.Dataset, ax: Any) -> Any:
    """Expected current against true charge as a band, with the reading and where the bank is."""
    from socband.plots import BAND, LIKELY, SHOWN

    soc = 100.0 * dataset["soc"].values
    q = dataset["expected_by_soc_a"].values
    ax.fill_between(soc, q[:, 0], q[:, 4], color=BAND, alpha=0.35, lw=0, label="sound, 90 % sure")
    ax.fill_between(soc, q[:, 1], q[:, 3], color=BAND, alpha=0.75, lw=0, label="sound, 50 % sure")
    ax.plot(soc, q[:, 2], color=LIKELY, lw=1.6, label="sound, middle of the band")
    band = 100.0 * dataset["soc_after"].values
    amps = dataset.attrs["amps"]
    if dataset.attrs["amps_given"]:
        ax.plot(band[[0, 4]], [amps, amps], color=SHOWN, lw=2.0)
        ax.plot(band[2], amps, "o", color=SHOWN, label="seen, at the likely true charge")
    ax.set_xlabel("true charge [%]")
    ax.set_ylabel(f"{dataset.attrs['source_kind']} current [A]")
    ax.set_xlim(0, 100)
    ax.set_ylim(min(-1.0, amps - 1.0), max(ax.get_ylim()[1], 1.0))  # also where none is to come
    ax.grid(alpha=0.25)
    return ax


def charging_figure(dataset: xr.Dataset) -> Any:
    """The picture of `charging_plot`, readable at the width of a phone."""
    from socband.plots import legend_below, new_figure

    figure, (ax,) = new_figure()
    charging_plot(dataset, ax)
    title = dataset.attrs["title"]
    ax.set_title(title[0].upper() + title[1:], fontsize=10, wrap=True)
    return legend_below(figure)
