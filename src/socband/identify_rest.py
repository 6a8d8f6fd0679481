"""Open-circuit voltage from rested voltages, where no low-rate branch was measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband.identify_anchor import JITTER_S, at_rest
from socband.identify_family import GAP_SPREAD
from socband.identify_ocv import GRID, rising
from socband.models import CellModel, load_cell

if TYPE_CHECKING:
    from socband.identify_dynamic import Record

Array = np.ndarray
_REST_S = 3600.0
_REST_C_RATE = 0.01
_POINT_V = 3e-3  # spread of a rested voltage as an OCV
_NODES = (0.0, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
_STEP_V = 4e-3  # spread of the correction's step between nodes on the plateau
_END_STEP_V = 40e-3  # and at the steep ends
# Without points of both ways all along it the points do not say where the plateau lies: one near
# empty, where a per cent of charge is 0.2 V, would carry it along. The mean of the curve from 20 to
# 95 % is then held about that of the generic cell, within `_MEAN_STD_V`: three measured cells lie
# -12, 0 and 12 mV off it (another maker's: more, assumed). Their steps from node to node differ by
# 7 mV (rms), up to 16.
_GENERIC = "lfp-prismatic-100ah"
_MEAN_STD_V = 20e-3
_MEAN_FROM = 0.2
_FEW_STEP_V = 8e-3
_ON_PLATEAU = (0.1, 0.95)
_FEW = 3  # points on the plateau
_GAP_STEP_V = 3e-3  # spread of the step between nodes of what the gap differs by


@dataclass(frozen=True)
class Rest:
    """A rested voltage.

    Attributes:
        record: name.
        row: of its last sample.
        soc: true charge there.
        voltage_v: [V].
        direction: hysteresis state to be expected, -1..1, from the charge moved before.
        rested_s: how long.
    """

    record: str
    row: int
    soc: float
    voltage_v: float
    direction: float
    rested_s: float


def few_rests(points: list[Rest]) -> str:
    """Said where rests say little of where the curve lies; else nothing.

    Args:
        points: rested voltages that a curve is made from.
    """
    n = sum(_ON_PLATEAU[0] <= p.soc <= _ON_PLATEAU[1] for p in points)
    if n >= _FEW:
        return ""
    seen = f"only {n} rest{'' if n == 1 else 's'}" if n else "no rest"
    return (
        f"{seen} at 10 to 95 %: how high the flat part of the OCV lies is mostly taken from other"
        f" LFP cells, which differ by {1e3 * _MEAN_STD_V:.0f} mV (one standard deviation, assumed);"
        " rests of an hour at several charges would tell"
    )


def rests_of(record: Record, least_s: float = _REST_S, decay: float = 20.0) -> list[Rest]:
    """Every rest of at least `least_s` in a record that had moved charge before it.

    Args:
        record: with its true charge.
        least_s: shortest rest [s].
        decay: γ of the hysteresis state that the rest inherits.
    """
    log = record.log
    still = np.abs(log.current_a) < _REST_C_RATE * record.capacity_ah
    found = []
    h = record.h0
    row = 0
    charge_as = 3600.0 * record.capacity_ah
    for rows, rested_s in at_rest(log, still):
        start, stop = int(rows[0]), int(rows[-1]) + 1
        moved = record.dt_s[row:start] * log.current_a[row:start]
        for amount in _runs(moved):
            keep = np.exp(-abs(decay * amount) / charge_as)
            h = keep * h + (1.0 - keep) * np.sign(amount)
        row = stop
        last = stop - 1
        if rested_s >= least_s - JITTER_S:
            u = float(np.median(log.voltage_v[max(start, last - 30) : last + 1]))
            found.append(Rest(log.name, int(last), float(record.soc[last]), u, float(h), rested_s))
    return found


def _runs(moved: Array) -> Array:
    """Sums over runs of one sign."""
    if len(moved) == 0:
        return moved
    change = np.flatnonzero(np.diff(np.sign(moved)) != 0) + 1
    return np.add.reduceat(moved, np.concatenate([[0], change]))


def rested_ocv(
    points: list[Rest], shape: CellModel, gap_v: Array, both_ways: bool
) -> tuple[Array, Array, float]:
    """OCV and half gap on the grid from rested voltages, and the spread of the OCV [V].

    The shape of another cell plus a smooth correction through the points. If they were reached both
    ways, the gap is the other cell's too, corrected in the same way: where the curve is steep its
    branches lie as far apart along the charge as elsewhere, several times as far in voltage, and a
    published mean size says nothing of that. If not, the mean of the curve on the plateau is held
    about that of the generic cell. Linear least squares, unit-normal priors.

    Args:
        points: rested voltages.
        shape: the other cell.
        gap_v: published half gap on the grid [V], taken as it is without points of both ways.
        both_ways: were the points reached by charge and by discharge?
    """
    base = np.interp(GRID, shape.ocv.soc, shape.ocv.value)
    if both_ways:
        gap_v = np.interp(GRID, shape.hysteresis.soc, shape.hysteresis.value)
    nodes = np.array(_NODES)
    n = len(nodes)
    z = np.clip([p.soc for p in points], 0.0, 1.0)
    u = np.array([p.voltage_v for p in points])
    h = np.array([p.direction for p in points])
    slope = np.abs(np.interp(z, GRID, np.gradient(base, GRID)))
    weight = 1.0 / np.hypot(_POINT_V, 0.01 * slope)
    hats = np.stack([np.interp(z, nodes, row) for row in np.eye(n)], axis=1)
    steps = np.diff(np.eye(n), axis=0)
    step_v = _STEP_V if both_ways else _FEW_STEP_V
    steep = np.where((nodes[1:] > 0.1) & (nodes[1:] < 0.96), step_v, _END_STEP_V)
    sure_v = GAP_SPREAD if both_ways else 1e-6
    matrix = np.block(
        [
            [hats * weight[:, None], hats * (h * weight)[:, None]],
            [steps / steep[:, None], np.zeros((n - 1, n))],
            [np.zeros((n - 1, n)), steps / _GAP_STEP_V],
            [np.zeros((n, n)), np.eye(n) / sure_v],
        ]
    )
    left = u - np.interp(z, GRID, base) - h * np.interp(z, GRID, gap_v)
    target = np.concatenate([left * weight, np.zeros(3 * n - 2)])
    if not both_ways:
        usual = load_cell(_GENERIC).ocv
        on = (GRID >= _MEAN_FROM) & (GRID <= _ON_PLATEAU[1])
        mean = np.stack([np.interp(GRID, nodes, row)[on].mean() for row in np.eye(n)])
        row = np.concatenate([mean, np.zeros(n)]) / _MEAN_STD_V
        off_v = float((np.interp(GRID, usual.soc, usual.value) - base)[on].mean())
        matrix, target = np.vstack([matrix, row]), np.append(target, off_v / _MEAN_STD_V)
    solved = np.linalg.lstsq(matrix, target, rcond=None)[0]
    ocv = rising(base + np.interp(GRID, nodes, solved[:n]))
    gap = np.maximum(gap_v + np.interp(GRID, nodes, solved[n:]), 0.1 * gap_v)
    covariance = np.linalg.inv(matrix.T @ matrix)
    middle = [k for k, node in enumerate(nodes) if _ON_PLATEAU[0] <= node <= _ON_PLATEAU[1]]
    spread = float(np.sqrt(np.mean(np.diag(covariance)[middle])))
    return ocv, gap, float(np.hypot(spread, 0.002))
