"""Where a record that shows neither a full nor an empty cell lies along the charge.

Its counter tells how the charge moves. Where a low-rate branch tells the OCV, the voltages tell
where it stands: best where they pass a bend of the curve, least on the flat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from socband.identify_anchor import Anchor
from socband.identify_dynamic import (
    SIZE,
    Frame,
    Record,
    fit_shortly,
    record_residuals,
    tables_of,
    weights_of,
)

_STEP = 0.01  # of the charge, between two places that are tried
_NEARBY = (-0.06, -0.03, 0.0, 0.03, 0.06)  # of the best of them, tried with a short fit


def placed_by_voltage(
    tied: Sequence[tuple[Record, Anchor]], frame: Frame
) -> list[tuple[Record, Anchor]]:
    """Records and anchors, those that were only assumed to be full placed by their voltages.

    Args:
        tied: all of them.
        frame: with an OCV of low-rate branches.
    """
    found = []
    for record, at in tied:
        if at.how == "assumed full":
            record = placed(record, frame)
            at = Anchor(float(record.soc[0]), "voltage", float(record.soc.max()))
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

    best = min(np.arange(0.0, most + _STEP, _STEP), key=cost)
    near = [by for step in _NEARBY if 0.0 <= (by := float(best) + step) <= most]
    if len(near) > 1:
        best = min(near, key=lambda by: fit_shortly([lower(by)], frame).cost)
    return lower(float(best))
