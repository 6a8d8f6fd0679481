"""The voltmeter of a record: the steps in which it reads, and what coarse ones hide from a fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from socband.logs import Log
from socband.models import CellModel

# On the flat part, 40 to 90 % of charge, the OCV of the four shipped models rises by 1 to 22 mV per
# 10 %, half of it by less than 10: means over 1 % of charge still tell slopes in steps of 2 mV.
_COARSE_V = 2.5e-3
_MOST_STEP_V = 0.2  # no voltmeter reads in more
# A few readings lie on some lattice by chance: of ten distances four fifths do one time in 600.
_LEAST_DISTANCES, _SHARE, _NEAR = 11, 0.8, 0.15
_FAR_APART = 5.5  # steps: a distance says little of a step that is so much smaller
_AGAIN = 0.7  # of the rows hold a reading that comes again: then the others are odd ones
_MANY_ROWS = 100  # with fewer different readings than above: the voltmeter has no more to give
_ROUNDED = 1.0 / np.sqrt(12.0)  # of a step: the deviation of what rounding takes away


def coarse_step_v(voltage_v: np.ndarray) -> float:
    """Step of a voltmeter, if it is coarser than the flat part of an LFP cell's OCV needs [V].

    The largest distance of which most distances between neighbouring readings are multiples; rows
    that an average or another instrument put between the steps do not hide it.

    Args:
        voltage_v: (n,) readings [V].

    Returns:
        0 for a finer one, and for a record too short to tell.
    """
    readings, rows = np.unique(np.round(voltage_v, 5), return_counts=True)
    again = rows > 1
    if rows[again].sum() >= _AGAIN * len(voltage_v):
        readings = readings[again]
    apart = np.diff(readings)
    if 0 < len(apart) < _LEAST_DISTANCES and len(voltage_v) >= _MANY_ROWS:
        return float(apart.min()) if apart.min() > _COARSE_V else 0.0
    tried = np.unique(np.round(apart, 4))
    for step_v in tried[(tried >= 0.9 * _COARSE_V) & (tried <= _MOST_STEP_V)][::-1]:
        steps = apart / step_v
        tells = steps < _FAR_APART
        whole = np.rint(steps)
        fits = tells & (whole >= 1.0) & (np.abs(steps - whole) <= _NEAR)
        if tells.sum() >= _LEAST_DISTANCES and fits.sum() >= _SHARE * tells.sum():
            found_v = float(apart[fits].sum() / whole[fits].sum())
            return found_v if found_v > _COARSE_V else 0.0
    return 0.0


def _coarse(logs: Sequence[Log]) -> dict[str, float]:
    steps_v = {log.name: coarse_step_v(log.voltage_v) for log in logs}
    return {name: step_v for name, step_v in steps_v.items() if step_v}


def _named(steps_v: dict[str, float]) -> str:
    listed = ", ".join(f"{name} in steps of {1e3 * v:.3g} mV" for name, v in steps_v.items())
    return f"the voltage is read coarsely: {listed}"


def notes_on_meters(for_ocv: Sequence[Log], others: Sequence[Log]) -> list[str]:
    """What coarse voltmeters hide from a model; empty where none is coarse.

    Args:
        for_ocv: the records its OCV comes from.
        others: those that are fitted besides.
    """
    found = []
    if steps_v := _coarse(for_ocv):
        widened_mv = 1e3 * _ROUNDED * max(steps_v.values())
        found.append(
            f"{_named(steps_v)}. The flat part of the OCV rises by only a few mV per 10 % of"
            " charge, much of which is lost between two steps: its spread is widened by"
            f" {widened_mv:.2g} mV. A voltmeter that reads 1 mV or less would tell"
        )
    if steps_v := _coarse(others):
        found.append(
            f"{_named(steps_v)}. What a small current or a rest moves it by less than that is not"
            " seen: resistances and times are told by its larger moves alone"
        )
    return found


def notes_on_scored_meters(logs: Sequence[Log]) -> list[str]:
    """What a coarse voltmeter alone puts into the score of a record."""
    return [
        f"{name}: its voltage is read in steps of {1e3 * step_v:.3g} mV:"
        f" {1e3 * _ROUNDED * step_v:.2g} mV of its figures may be rounding alone"
        for name, step_v in _coarse(logs).items()
    ]


def with_meter_doubt(cell: CellModel, for_ocv: Sequence[Log], gap_measured: bool) -> CellModel:
    """The model with the rounding of the coarsest voltmeter in the spread of its OCV, and of its
    hysteresis if that was measured; unchanged where no voltmeter is coarse."""
    step_v = max(_coarse(for_ocv).values(), default=0.0)
    if not step_v:
        return cell
    keys = ("ocv.voltage_v", *(("hysteresis.half_gap_v",) if gap_measured else ()))
    wider = {k: float(f"{np.hypot(cell.spread[k], _ROUNDED * step_v):.2g}") for k in keys}
    return replace(cell, spread={**cell.spread, **wider})
