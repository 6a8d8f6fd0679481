"""What a reader has to know of the true charge of records, in words.

How it is known of those fitted and of those scored, and how far down it goes.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from socband.identify_anchor import MOST_SLOPE_OFF, Anchor

if TYPE_CHECKING:
    from socband.identify_dynamic import Record

_LOW_END_SOC = 0.10  # below it the voltage falls, and the disconnect is decided
Named = Sequence[tuple[str, Anchor]]  # name of a record and how its true charge is known

# What a record whose true charge is guessed lacks, and what it is taken as.
_NO_END = "neither a full nor an empty cell is seen in it"
_LACKS = {
    "assumed full": _NO_END,
    "assumed empty": "no full cell is seen in it, and no hour's rest shows an empty one",
    "voltage": _NO_END,
}
_TAKEN = {
    "assumed full": "full where it is most charged, which may be far off",
    "assumed empty": "empty where it is least charged, which may be far off",
}
_WOULD_TELL = (
    "the charge before it until the current falls, or an hour's rest after that, would show a full"
    " cell"
)


def notes_on(anchors: Named) -> list[str]:
    """Of the records that a model is fitted to; empty if nothing."""
    found = []
    n = len(anchors)
    both = sum(a.how == "both ends" for _, a in anchors)
    if both:
        found.append(
            f"true charge of {both} of {n} records anchored at both ends, by the discharge that"
            " followed"
        )
    own = sum(a.how == "file" for _, a in anchors)
    if own:
        found.append(f"true charge of {own} of {n} records from the files themselves (true_soc)")
    for how, taken in _TAKEN.items():
        names = [name for name, a in anchors if a.how == how]
        if names:
            more = f"; {_WOULD_TELL}" if how == "assumed full" else ""
            found.append(f"{', '.join(names)}: {_LACKS[how]}; taken as {taken}{more}")
    for name, at in anchors:
        if at.how == "voltage":
            found.append(
                f"{name}: {_LACKS[at.how]}; placed where its voltages fit the low-rate branches"
                f" best, {100 * at.top_soc:.0f} % at its most charged, which may be off by"
                f" {100 * at.doubt_soc:.0f} % and more"
            )
    return found


def notes_on_scores(anchors: Named) -> list[str]:
    """Of scores against a guessed true charge; empty if nothing."""
    found = []
    for name, at in anchors:
        if at.how == "voltage":
            found.append(
                f"{name} *: {_LACKS[at.how]}; placed by the same voltages that are scored,"
                f" {100 * at.top_soc:.0f} ± {100 * at.doubt_soc:.0f} % at its most charged. Its"
                " figures count that doubt in, and are no test of where the curve lies along the"
                " charge"
            )
        elif at.how in _TAKEN:
            found.append(
                f"{name} *: {_LACKS[at.how]}; scored as if {_TAKEN[at.how]}: its figures may be"
                " the guess's fault, not the model's"
            )
    return found


def notes_on_truth(anchors: Named) -> list[str]:
    """Of files whose true charge is counted in another capacity than the model has there."""
    return [
        f"{name}: its true_soc is counted in {100 * at.told_over_model:.0f} % of the capacity that"
        " the model has at its temperature"
        for name, at in anchors
        if abs(at.told_over_model - 1.0) > MOST_SLOPE_OFF
    ]


def note_on_low_end(records: Sequence[Record], like: str = "", assumed: bool = False) -> str:
    """Said where no record to fit goes below 10 % of charge; else nothing.

    Args:
        records: those fitted, with their true charge as it is taken.
        like: the model whose OCV stands in below the lowest rest, if rests alone told it.
        assumed: is that charge a guess?
    """
    lowest = min(float(record.soc.min()) for record in records)
    if lowest <= _LOW_END_SOC:
        return ""
    taken = ", as its true charge is assumed" if assumed else ""
    ocv = f", and its OCV there is mostly that of {like}" if like else ""
    return (
        f"no record to fit goes below {100 * lowest:.0f} % of charge{taken}: from there down"
        f" resistances and surface lag are priors{ocv}. When the low-voltage disconnect comes is"
        " decided there; a dynamic record down to the lower limit would tell"
    )
