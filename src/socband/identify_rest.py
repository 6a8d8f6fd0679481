"""Open-circuit voltage from rested voltages, where no low-rate branch was measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband.cell import INTERVALS
from socband.models import CellModel

if TYPE_CHECKING:
    from socband.identify_dynamic import Record

Array = np.ndarray
_REST_S = 3600.0
_REST_C_RATE = 0.01
_POINT_V = 3e-3  # spread of a rested voltage as an OCV
_NODES = (0.0, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
_STEP_V = 4e-3  # spread of the correction's step between nodes on the plateau
_END_STEP_V = 40e-3  # and at the steep ends


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


def rests_of(record: Record, least_s: float = _REST_S, decay: float = 20.0) -> list[Rest]:
    """Every rest of at least `least_s` in a record that had moved charge before it.

    Args:
        record: with its true charge.
        least_s: shortest rest [s].
        decay: γ of the hysteresis state that the rest inherits.
    """
    log = record.log
    still = np.abs(log.current_a) < _REST_C_RATE * record.capacity_ah
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(int)))
    found = []
    h = record.h0
    row = 0
    charge_as = 3600.0 * record.capacity_ah
    for start, stop in edges.reshape(-1, 2):
        moved = record.dt_s[row:start] * log.current_a[row:start]
        for amount in _runs(moved):
            keep = np.exp(-abs(decay * amount) / charge_as)
            h = keep * h + (1.0 - keep) * np.sign(amount)
        row = stop
        last = stop - 1
        rested = float(log.time_s[last] - log.time_s[start])
        if rested >= least_s:
            u = float(np.median(log.voltage_v[max(start, last - 30) : last + 1]))
            found.append(Rest(log.name, int(last), float(record.soc[last]), u, float(h), rested))
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

    The shape of another cell plus a smooth correction through the points; the size of the gap is
    fitted with them if they were reached both ways. Linear least squares, unit-normal priors.
    """
    from socband.identify_ocv import rising

    grid = np.arange(INTERVALS + 1) / INTERVALS
    base = np.interp(grid, shape.ocv.soc, shape.ocv.value)
    nodes = np.array(_NODES)
    z = np.clip([p.soc for p in points], 0.0, 1.0)
    u = np.array([p.voltage_v for p in points])
    h = np.array([p.direction for p in points])
    slope = np.abs(np.interp(z, grid, np.gradient(base, grid)))
    weight = 1.0 / np.hypot(_POINT_V, 0.01 * slope)
    hats = np.stack([np.interp(z, nodes, row) for row in np.eye(len(nodes))], axis=1)
    rows = [np.column_stack([hats, np.interp(z, grid, gap_v) * h]) * weight[:, None]]
    right = [(u - np.interp(z, grid, base)) * weight]
    steps = np.diff(np.eye(len(nodes)), axis=0)
    steep = np.where((nodes[1:] > 0.1) & (nodes[1:] < 0.96), _STEP_V, _END_STEP_V)
    rows.append(np.column_stack([steps / steep[:, None], np.zeros(len(steep))]))
    right.append(np.zeros(len(steep)))
    sure = 1.0 / (0.5 if both_ways else 1e-3)  # of the published size of the gap
    rows.append(np.array([[*np.zeros(len(nodes)), sure]]))
    right.append(np.array([sure]))
    matrix, target = np.concatenate(rows), np.concatenate(right)
    solved = np.linalg.lstsq(matrix, target, rcond=None)[0]
    ocv = rising(base + np.interp(grid, nodes, solved[:-1]))
    covariance = np.linalg.inv(matrix.T @ matrix)
    middle = [k for k, node in enumerate(nodes) if 0.1 <= node <= 0.95]
    spread = float(np.sqrt(np.mean(np.diag(covariance)[middle])))
    return ocv, np.maximum(solved[-1], 0.1) * gap_v, float(np.hypot(spread, 0.002))
