"""Where a record that shows neither a full nor an empty cell lies along the charge, and its score.

Its counter tells how the charge moves. Where a low-rate branch tells the OCV, the voltages tell
where it stands: best where they pass a bend of the curve, least on the flat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.identify_anchor import COLD_C, Anchor
from socband.identify_dynamic import (
    Frame,
    Record,
    fit_shortly,
    record_residuals,
    tables_of,
    weights_of,
)
from socband.identify_parameters import SIZE
from socband.identify_residual import score_records
from socband.quantity import STD_IN_HALF_BAND

if TYPE_CHECKING:
    from socband.models import CellModel

_STEP = 0.01  # of the charge, between two places that are tried
_NEARBY, _FARTHER = (-0.03, 0.0, 0.03), 2  # of the best of them, tried with a short fit each
# Half the width of a 90 % band. Drives simulated with two cells against their own branches were
# placed up to 1 % off where they move 40 % of the charge and more, 4 % at 25 %, 9 % at 15 % (by
# hand, twelve in all). What a real cell does that no model does comes on top (assumed).
# In the cold, and begun low soon after a load, whose rise no record shows the cause of, two of a
# foreign cell were 9 and 13 % off.
_DOUBT_SOC, _SHORT_DOUBT_SOC, _SHORT = 0.05, 0.10, 0.30


def placed_by_voltage(
    tied: Sequence[tuple[Record, Anchor]], frame: Frame
) -> list[tuple[Record, Anchor]]:
    """Records and anchors, those whose end was only assumed placed by their voltages.

    Args:
        tied: all of them.
        frame: with an OCV of low-rate branches.
    """
    found = []
    for record, at in tied:
        if at.how in ("assumed full", "assumed empty"):
            record = replace(record, soc=record.soc + 1.0 - float(record.soc.max()))
            record = placed(record, frame)
            short = float(np.ptp(record.soc)) < _SHORT
            doubtful = short or at.how == "assumed empty" or record.temperature_c < COLD_C
            doubt_soc = _SHORT_DOUBT_SOC if doubtful else _DOUBT_SOC
            at = Anchor(float(record.soc[0]), "voltage", float(record.soc.max()), doubt_soc)
        found.append((record, at))
    return found


def placed(record: Record, frame: Frame) -> Record:
    """The record moved along the charge to where its voltages are fitted best.

    First by the usual resistances everywhere between empty and full, then by short fits about the
    best place, as resistances of its own move it by some per cent.

    Args:
        record: taken as full where it is most charged.
        frame: with an OCV of low-rate branches.
    """
    tables = tables_of(np.zeros(SIZE), frame)
    most = max(float(record.soc.min()), 0.0)

    def lower(by: float) -> Record:
        return replace(record, soc=record.soc - by)

    def cost(by: float) -> float:
        moved = lower(by)
        left = record_residuals(tables, moved, weights_of(tables, [moved])[0])
        return float(left @ left)

    rough = float(min(np.append(np.arange(0.0, most, _STEP), most), key=cost))
    steps = [step for step in _NEARBY if 0.0 <= rough + step <= most]
    if len(steps) == 1:
        return lower(rough)
    fitted = {step: fit_shortly([lower(rough + step)], frame).cost for step in steps}
    best = min(fitted, key=fitted.__getitem__)
    if best and 0.0 <= rough + _FARTHER * best <= most:  # on the way further out
        farther = fit_shortly([lower(rough + _FARTHER * best)], frame).cost
        best *= _FARTHER if farther < fitted[best] else 1
    return lower(rough + best)


def scored(cell: CellModel, record: Record, at: Anchor) -> dict[str, Any]:
    """The score of a record that was not fitted, the doubt of its place included.

    A place that was found by the very voltages that are scored leaves the least error that any
    place leaves. The mean square is therefore that over all places it may have, normal about the
    one found: by the three-point Gauss-Hermite rule.

    Args:
        cell: the model.
        record: with its true charge.
        at: how that is known; without `doubt_soc` the score is that of the record as it stands.

    Returns:
        a row of `score_records`; with a doubt `rms_mv_as_placed` besides, without the doubt.
    """
    if not at.doubt_soc:
        return score_records(cell, [record], "score")[0]
    reach = float(np.sqrt(3.0)) * at.doubt_soc / STD_IN_HALF_BAND
    down = min(reach, max(float(record.soc.min()), 0.0))  # no place is below empty or above full
    up = min(reach, max(1.0 - float(record.soc.max()), 0.0))
    places = [replace(record, soc=record.soc + by) for by in (0.0, -down, up)]
    rows = score_records(cell, places, "score")
    row = rows[0] | {"rms_mv_as_placed": rows[0]["rms_mv"]}
    for kind in ("rms_mv", "raw_rms_mv"):
        row[kind] = {span: _over_places([each[kind][span] for each in rows]) for span in row[kind]}
    rested = _over_places([each.get("rested_rms_mv") for each in rows])
    return row if rested is None else row | {"rested_rms_mv": rested}


def _over_places(rms_mv: list[float | None]) -> float | None:
    """Of the place found and those on either side; where nothing is in range, they do not count."""
    seen = [(w, x) for w, x in zip((4.0, 1.0, 1.0), rms_mv, strict=True) if x is not None]
    if not seen:
        return None
    return round(float(np.sqrt(sum(w * x**2 for w, x in seen) / sum(w for w, _ in seen))), 2)
