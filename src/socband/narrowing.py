"""Where evidence arrived in a log and what it did to the band, or should have done."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from socband.posterior_log import row_of

if TYPE_CHECKING:
    from socband.evidence import Evidence
    from socband.models import CellModel
    from socband.posterior import Posterior
    from socband.track import Track

MARK_WINDOW_S = 1800.0  # evidence is said to arrive where the band narrows within this time
MARK_RATIO = 0.75  # to less than this share of its width
LEAST_STEP = 0.02  # and by more than nobody notices (assumed), 0..1 of charge
ONE_S = 7200.0  # what of one kind arrives again within this time is one arrival (assumed)
REST_C_RATE = 0.01  # below this the bank counts as resting (assumed)
# A voltage-model error beyond so many of its deviations is none of the cell model (assumed: four,
# as of a bad reading; sound invented logs under a wrong cell model stay below three).
MOST_MISFIT = 4.0
# A log is strained in which the voltage lies further off the band's banks than the cell model's own
# deviation, as fitted, for this share of the time. Chosen on simulated houses of `house_bands.py`,
# seeds 1 and 2: bands over the 8 of 80 so picked held the truth 61 % of the time, the others 91 %.
MOST_STRAINED = 0.1
# A bank without current that stands so far above its open-circuit voltage at 90 % does not rest:
# a charger holds it (assumed: half the distance of charge and discharge is 5 to 17 mV there).
HELD_V = 0.03
FULL, LOW, REST, HOLD, KNEE = KINDS = (
    "near full",
    "the low end",
    "a rest",
    "a charger's hold",
    "a knee of the voltage curve",
)


class Mark(NamedTuple):
    """Where evidence arrived.

    Attributes:
        time_s: when the band had narrowed.
        kind: what it was, one of `KINDS`, or the words for what was taken by hand.
        before, after: width of the 90 % band, 0..1.
    """

    time_s: float
    kind: str
    before: float
    after: float


def marks(
    track: Track,
    posterior: Posterior,
    cell: CellModel,
    evidence: Sequence[Evidence],
    low: int,
    high: int,
) -> list[Mark]:
    """Moments at which the band narrowed fast, and what taught it so.

    Args:
        evidence: pieces taken by hand, marked in any case.
        low, high: columns of the 5 % and 95 % quantile.
    """
    time_s = posterior.time_s
    width = posterior.quantiles[:, high] - posterior.quantiles[:, low]
    back = np.maximum(np.searchsorted(time_s, time_s - MARK_WINDOW_S), 0)
    narrowed = (width < MARK_RATIO * width[back]) & (width < width[back] - LEAST_STEP)
    found: list[Mark] = []
    starts = np.flatnonzero(narrowed & ~np.concatenate([[False], narrowed[:-1]]))
    for start in starts:
        stop = start
        while stop + 1 < len(time_s) and narrowed[stop + 1]:
            stop += 1
        kind = _kind(track, posterior, cell, int(stop))
        mark = Mark(float(time_s[stop]), kind, float(width[back[start]]), float(width[stop]))
        last = found[-1] if found else None
        if last and last.kind == kind and time_s[back[start]] - last.time_s < ONE_S:
            mark = mark._replace(before=last.before)
            found.pop()
        found.append(mark)
    for row in sorted({max(row_of(time_s, piece), 0) for piece in evidence}):
        # pieces of one step are taken in together: what each of them did is not known
        pieces = [piece for piece in evidence if max(row_of(time_s, piece), 0) == row]
        labels = " and ".join(dict.fromkeys(piece.label for piece in pieces))
        at, before = float(pieces[0].time_s), float(width[max(row - 1, 0)])
        found.append(Mark(at, labels, before, float(width[row])))
    return sorted(found)


def _kind(track: Track, posterior: Posterior, cell: CellModel, row: int) -> str:
    """What the voltage could tell at a step, from where the bank was."""
    soc = float(posterior.mean[row])
    first = int(np.searchsorted(track.time_s, track.time_s[row] - MARK_WINDOW_S))
    c_rate = float(np.max(np.abs(track.current_a[first : row + 1]))) / cell.capacity_ah
    if soc > 0.95:
        return FULL
    if soc < 0.12:
        return LOW
    if c_rate < REST_C_RATE:
        top_v = float(np.interp(0.9, cell.ocv.soc, cell.ocv.value))
        return HOLD if track.voltage_v[row] > top_v + HELD_V else REST
    return KNEE


def strained_share(posterior: Posterior, error_scale: float) -> float:
    """Share of a log's time in which the voltage asks for an error of the cell model, on average
    over the members, beyond one deviation of what was fitted, 0..1.

    Args:
        posterior: of the log.
        error_scale: what the conditioning multiplied the cell model's own error by.
    """
    dt_s = np.diff(posterior.time_s, prepend=0.0)
    return float(dt_s[np.abs(posterior.misfit) * error_scale > 1.0].sum() / dt_s.sum())
