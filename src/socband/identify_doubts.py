"""What should keep a reader from trusting a fit, in words."""

from __future__ import annotations

from typing import Any

import numpy as np

from socband.identify_dynamic import BOUND, Fit
from socband.identify_parameters import NAMES
from socband.models import CellModel

# What a good fit leaves [mV]. Constant current, or an OCV without a low-rate branch, may leave more
# below 10 %, and has a note of its own.
_MOST_LEFT_MV = {"20-95": 30.0, "2-10": 60.0}
_FAR = 2.0  # of a parameter, in spreads of its prior
# All resistance at 25 °C and half charge times the capacity [ohm·Ah]: 0.07 to 0.2 in three measured
# cells; what lies far outside is of a record of another cell, or of a current in another unit.
_OHM_AH = (0.01, 1.5)
_CAPACITY_AH = (0.05, 2000.0)  # of one cell (assumed)


def doubts_on_size(cell: CellModel) -> list[str]:
    """Whether capacity and resistance can be those of one cell; empty if they can."""
    found = []
    ohm = sum(
        r.ref_ohm * float(np.interp(0.5, r.soc, r.factor)) for r in (cell.r0, cell.r1, cell.r2)
    )
    ohm_ah = ohm * cell.capacity_ah
    low, high = _OHM_AH
    if not low <= ohm_ah <= high:
        word = "much" if ohm_ah > high else "little"
        found.append(
            f"{1e3 * ohm:.3g} mohm is far too {word} for an LFP cell of {cell.capacity_ah:.3g} Ah:"
            " are all records of one cell, and their currents in ampere?"
        )
    low, high = _CAPACITY_AH
    if not low <= cell.capacity_ah <= high:
        found.append(
            f"{cell.capacity_ah:.4g} Ah is the capacity of no single cell: currents in another"
            " unit than ampere?"
        )
    return found


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
