"""What should keep a reader from trusting a fit, in words."""

from __future__ import annotations

from typing import Any

from socband.identify_dynamic import BOUND, NAMES, Fit

# What a good fit leaves [mV]. Constant current, or an OCV without a low-rate branch, may leave more
# below 10 %, and has a note of its own.
_MOST_LEFT_MV = {"20-95": 30.0, "2-10": 60.0}
_FAR = 2.0  # of a parameter, in spreads of its prior


def doubts_on(
    rows: list[dict[str, Any]], fit: Fit, low_end: bool, charge_assumed: bool = False
) -> list[str]:
    """What should keep a reader from trusting a fit; empty for a good one.

    `low_end`: had the fit what it takes to be good below 10 % too? `charge_assumed`: is the true
    charge of a record a guess, so that what is far from other cells may be made up?
    """
    found = []
    for row in rows:
        for span, most_mv in _MOST_LEFT_MV.items():
            left_mv = row["rms_mv"][span]
            asked = row["used_for"] == "fit" and (low_end or span != "2-10")
            if asked and left_mv is not None and left_mv > most_mv:
                found.append(
                    f"{row['name']}: {left_mv:.0f} mV are left at {span.replace('-', ' to ')} %,"
                    f" where a good fit leaves less than {most_mv:g}: is its true charge or its"
                    " temperature wrong?"
                )
    at_edge = [name for name, x in zip(NAMES, fit.p, strict=False) if abs(x) > 0.98 * BOUND]
    if at_edge:
        found.append(f"at the edge of what the fit allows: {', '.join(at_edge)}")
    far = [
        name
        for name, x in zip(NAMES, fit.p, strict=False)
        if charge_assumed and name not in at_edge and abs(x) > _FAR
    ]
    if far:
        found.append(
            f"far from what other cells have, as a wrong true charge makes them: {', '.join(far)}"
        )
    return found
