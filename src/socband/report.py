"""Results in plain English that fits 80 columns. Views of a dataset: nothing is computed here
beyond quantiles of what it holds."""

from __future__ import annotations

import re
import sys
import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from socband import cautions
from socband.narrowing import KINDS, MOST_MISFIT, MOST_STRAINED
from socband.pulled import pulled_in
from socband.site_check import setup_notes
from socband.summary import beyond_words, quantiles_of, wall_clock

if TYPE_CHECKING:
    import xarray as xr

    from socband.errors import InputError, Problem
    from socband.logs import Log
    from socband.models import CellModel
    from socband.site import Setup

WIDTH = 78
FULL_DOUBT = 0.01  # of full and of empty nobody knows better where they lie (assumed)
CLOCK_OFF_H = 1.5  # two clocks further apart mean two moments; a clock change is less (assumed)
DATE_OFF_DAYS = 1.2  # and two dates, noon of the one, in whatever zones
SHORT_MISFIT_H = 0.5  # voltages that fit no bank for less say little of the band (assumed)
MOST_MARKS = 8  # places where the band narrowed that a screen shows, the largest ones
_WITH_UNIT = re.compile(r"(?<=\d) (?=(?:%|°C|A/K|Ah|kWh|Wh|mV|mA|[AVWhKs]|min|ohm)(?!\w))")
_JOINED = "\ue000"  # stands for the space between a number and its unit: no text has it
LONG_GAP_H, SPLIT_GAP_H = 1.0, 12.0  # silence of a log worth a line; worth two logs (assumed)


def wrapped(text: str, indent: str = "", hang: str | None = None) -> str:
    """A paragraph that fits the screen; hyphenated words and file names stay whole, and a number
    stays with its unit."""
    return textwrap.fill(
        _WITH_UNIT.sub(_JOINED, text),
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent if hang is None else hang,
        break_on_hyphens=False,
        break_long_words=False,
    ).replace(_JOINED, " ")


def clock_after(attrs: Mapping[str, Any], hours: float) -> str:
    """Time of day so many hours after the start of a result, with the day where it is not today."""
    when = wall_clock(attrs, hours)
    day = (when.date() - wall_clock(attrs, 0.0).date()).days
    return f"{when:%H:%M}" + {0: "", 1: " tomorrow"}.get(day, f" in {day} days")


def chance_words(p: float, draws: int) -> str:
    """A probability no finer than its ensemble: "about 72 %", "less than 1 %"."""
    ends = {-1: "less than 1 %", 1: "more than 99 %"}
    return ends.get(beyond_words(p, draws), f"about {100 * p:.0f} %")


def caution_lines(cautions: Sequence[str]) -> list[str]:
    """The cautions as a list with hanging indent."""
    return ["Cautions", *(wrapped(text, "  - ", "    ") for text in cautions)]


def present_lines(
    attrs: Mapping[str, Any], more: str = "", *, clock_counts: bool = False
) -> list[str]:
    """For which row of a log [present] is taken, and whether its clock says another.

    Args:
        attrs: with those of `track.moment_of_present`.
        more: what else to say of it, behind the row.
        clock_counts: something hangs on the file's clock at the end of a log too.
    """
    from socband.site_fields import ClockTime

    row = "last" if attrs["present_at_end"] else "first"
    hour, file_hour = attrs["present_hour"], attrs["present_clock_hour"]
    zone = " UTC" if attrs["present_hour_is_utc"] else ""
    when = f" ({ClockTime.from_hour(hour)}{zone})" if np.isfinite(hour) else ""
    text = f"[present] of the setup file is taken for the log's {row} row{when}{more}."
    off = attrs["present_off_hours"] > CLOCK_OFF_H
    # at the end of a log that has a clock hardly anything hangs on the file's
    if off and not attrs["present_at_end"]:
        fits = attrs["present_other_off_hours"] <= CLOCK_OFF_H
        text += f" But its clock says {ClockTime.from_hour(file_hour)}"
        text += ", as the last row: was it read then?" if fits else ", which is not that row."
    elif off and clock_counts:
        text += (
            f" BUT THE CLOCK GIVEN IS {ClockTime.from_hour(file_hour)}: all here goes from the "
            "log's end, and what flowed since is not in it."
        )
    if abs(attrs["present_days_off"]) > DATE_OFF_DAYS:
        later = "after" if attrs["present_days_off"] > 0.0 else "before"
        text += (
            f" BUT THE DATE GIVEN IS {abs(attrs['present_days_off']):.0f} DAYS {later.upper()} "
            "THAT ROW: what flowed in between is not in it."
        )
    return [wrapped(text)]


def replay_text(dataset: xr.Dataset) -> str:
    """The end of a replayed log in words, and the band over time as a small table."""
    quantile = dataset["soc_quantile"].sel(quantile=[0.05, 0.5, 0.95]).values
    hours = dataset["time"].values / 3600.0
    shown = dataset["display_soc"].values
    true = dataset["true_soc"].values if "true_soc" in dataset else None
    lines = [wrapped(dataset.attrs["title"]), wrapped(f"Log: {dataset.attrs['log']}")]
    shown_first = dataset.attrs["present_display_soc"]
    more = f": display {100 * shown_first:.0f} %" if np.isfinite(shown_first) else ""
    lines += [*present_lines(dataset.attrs, more), ""]
    looking_back = None
    if "hindsight_soc_quantile" in dataset:
        looking_back = dataset["hindsight_soc_quantile"].sel(quantile=[0.05, 0.95]).values
        lines.append(" " * 28 + "known then         in hindsight")
    lines.append(
        "   hour   display   likely   90 % band"
        + ("          90 % band" if looking_back is not None else "")
        + ("       true" if true is not None else "")
    )
    for row in np.unique(np.linspace(0, len(hours) - 1, 9).astype(int)):
        display = f"{100 * shown[row]:6.1f} %" if np.isfinite(shown[row]) else "     -  "
        line = (
            f"  {hours[row]:5.1f}  {display} {100 * quantile[row, 1]:6.1f} %"
            f"   {_band_words(quantile[row, 0], quantile[row, 2])}"
        )
        if looking_back is not None:
            line += f"   {_band_words(*looking_back[row])}"
        lines.append(line + (f"  {100 * true[row]:6.1f} %" if true is not None else ""))
    if looking_back is not None:
        text = "In hindsight: what the whole log says of that hour, looking back from its end."
        lines.append(wrapped(text))
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
    lines += _misfit_lines(dataset)
    if np.isfinite(shown[-1]):
        lines.append(
            wrapped(f"The display would say {100 * shown[-1]:.1f} %.{_off_words(dataset)}")
        )
    lines += _unseen_lines(dataset)
    lines += pulled_lines(dataset)
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
    text = "How long it lasts: if the log ends now, `tonight` goes on from here, with a [present] "
    lines.append(wrapped(f"{text}rewritten for the log's last row: display and hours since full."))
    lines += ["", *caution_lines(cautions.TONIGHT[:1])]
    return "\n".join(lines)


def _gap_lines(attrs: Mapping[str, Any]) -> list[str]:
    """How long the log is silent, and what that means."""
    gap = attrs["longest_gap_hours"]
    if gap < LONG_GAP_H:
        return []
    if gap <= 1.5 * attrs["usual_step_hours"]:
        minutes = 60.0 * attrs["usual_step_hours"]
        return [
            wrapped(
                f"The log has a row only every {minutes:.0f} min. What flowed between is guessed "
                "from the rows on both sides, and the band widened by as much as these differ."
            )
        ]
    text = (
        f"The log is silent for {gap:.1f} h from hour {attrs['gap_from_hours']:.1f} on. What "
        "flowed then is guessed from the hours beside it, and the band widened by as much as "
        "these differ; where that would move much of the bank, nothing is guessed, "
        "and the display is taken to have stood still."
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


def _off_words(dataset: xr.Dataset) -> str:
    """Where most of what the display is off by came from; "" where it came bit by bit."""
    attrs = dataset.attrs
    if "display_off_by" not in attrs:
        return ""
    by = 100 * attrs["display_off_by"]
    if attrs["display_off_called_full"]:
        return (
            f" When it last stood at 100 %, at hour {attrs['display_off_at_hours']:.1f}, the bank "
            f"was likely at {100 - by:.0f} %. Most of what it is off by dates from then: a full "
            "charge declared too early, or charge that never arrived."
        )
    drawn, counted = ("drawn", "high") if by > 0 else ("charged", "low")
    early = "the last full charge was declared too early, or " if by > 0 else ""
    return (
        f" Most of what it is off by was there when the log began, then some {abs(by):.0f} % too "
        f"{counted}: {early}more was {drawn} before than it counted, or it was set by hand."
    )


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
            f"untracked load {untracked[2]:.3f} A while it draws (90 %: {untracked[0]:.3f} to "
            f"{untracked[4]:.3f} A; none at all: {100 * none:.0f} %)"
        )
    return [*lines, wrapped(f"Of that: {parts}.")]


def _misfit_lines(dataset: xr.Dataset) -> list[str]:
    """Voltages that no bank within the band shows, now or before, and what to think of them."""
    misfit, hours = dataset["misfit"].values, dataset["time"].values / 3600.0
    far = np.abs(misfit) > MOST_MISFIT
    long_h = float(np.diff(hours, prepend=0.0)[far].sum())
    if not far.any():
        return _strained_lines(dataset)
    rows = np.flatnonzero(far)
    below = misfit[rows[-1]] < 0.0
    side, fuller = ("below", "emptier") if below else ("above", "fuller")
    if long_h < SHORT_MISFIT_H:
        return [
            wrapped(
                f"For a moment, at hour {hours[rows[-1]]:.1f}, the voltage was far {side} that of "
                "any bank in the band: a broken row, or too heavy a load for the model."
            ),
            *_strained_lines(dataset),
        ]
    reasons = "lost capacity, a load that is not counted, a bad connection"
    if not below:
        reasons = "a charge that is not counted"
    reasons += ", a voltage that is read wrongly"
    if far[-1]:
        near = np.flatnonzero(~far)
        start = near[-1] + 1 if len(near) else 0
        text = (
            f"since hour {hours[start]:.1f} the voltage is far {side} that of any bank in it. "
            f"Likely the bank is {fuller} than the band says"
        )
    else:
        text = (
            f"for {long_h:.1f} h, last at hour {hours[rows[-1]]:.1f}, the voltage was far {side} "
            "that of any bank in it, and the band has since gone to where it fits"
        )
    return [
        wrapped(
            f"DO NOT TRUST THIS BAND: {text}. What can do that: {reasons}. Measure the voltage at "
            "the battery's own posts; `suspects` with the same files weighs the rest."
        )
    ]


def strained_words(share: float, of: str) -> str:
    """What a strained log is, of the banks that are meant."""
    return (
        f"for {100 * share:.0f} % of the log the voltage lay further off that of the banks {of} "
        "than the cell model usually errs by"
    )


def _strained_lines(dataset: xr.Dataset) -> list[str]:
    """Voltages somewhat off the band's banks for much of the log, unless `pulled_lines` warns."""
    share = dataset.attrs["strained_share"]
    if share <= MOST_STRAINED or pulled_in(dataset):
        return []
    return [
        wrapped(
            f"Careful: {strained_words(share, 'in this band')}. Over "
            "such logs of simulated banks a band held the truth 60 to 80 % of the time, not 90 %: "
            "something may be wrong that the setup file hardly allows. `suspects` with the same "
            "files weighs that."
        )
    ]


def pulled_lines(dataset: xr.Dataset, reckons: str = "The band reckons") -> list[str]:
    """Numbers that the log pulls away from the setup file: a sign of what nobody described."""
    words = {
        "capacity_fraction": "a capacity of some {:.0f} Ah",
        "offset_a": "a shunt offset of some {:+.2f} A",
        "gain_error": "a gain error of the monitor of some {:+.0%}",
    }
    scales = {"capacity_fraction": dataset.attrs["rated_capacity_ah"]}
    pulled = pulled_in(dataset)
    if not pulled:
        return []
    draws = dataset.sizes["member"]
    said = " and ".join(
        f"{words[name].format(to * scales.get(name, 1.0))} ({chance_words(p, draws)})"
        for name, (p, to) in pulled.items()
    )
    return [
        wrapped(
            f"The log speaks for {said}, which the setup file gives hardly any chance. {reckons} "
            "with that, but something may be wrong with bank or monitor: `suspects` with "
            "the same files weighs what, and proposes what to measure."
        )
    ]


def _mark_lines(dataset: xr.Dataset) -> list[str]:
    """Where evidence arrived and what it did to the band."""
    if not dataset.sizes.get("mark"):
        return []
    names = ("mark", "mark_time_s", "mark_before", "mark_after")
    marks = list(zip(*(dataset[name].values for name in names), strict=True))
    by_step = sorted(marks, key=lambda mark: mark[3] - mark[2])
    least = by_step[min(len(marks), MOST_MARKS) - 1]
    shown = [m for m in marks if m[0] not in KINDS or m[3] - m[2] <= least[3] - least[2]]
    lines = ["Where evidence changed the 90 % band:"]
    for kind, at, before, after in shown:
        width = f"{100 * before:5.1f} to {100 * after:4.1f} % wide"
        lines.append(f"  hour {at / 3600.0:5.1f}  {kind:<28} {width}")
    if len(shown) < len(marks):
        lines.append(f"  and {len(marks) - len(shown)} lesser ones, see --json.")
    return lines


def check_text(setup: Setup, cell: CellModel, log: Log | None) -> str:
    """What `check` found: fine, and what is assumed."""
    notes = setup_notes(setup)
    lines = [f"{setup.name}: {'usable, but:' if notes else 'fine.'}"]
    lines += [wrapped(note, "  - ", "    ") for note in notes]
    lines += ["", wrapped(f"Cell model: {cell.title}"), ""]
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
