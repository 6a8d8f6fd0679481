"""What a fitted model leaves over: scores by range of charge, and the statistics of the error."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from socband.cell import SLOPE, CellTables, polarisation_factor
from socband.errors import InputError, Problem
from socband.models import CellModel, VoltageError

if TYPE_CHECKING:
    from socband.identify_dynamic import Record

Array = np.ndarray
RANGES = {"2-10": (0.02, 0.10), "10-95": (0.10, 0.95), "20-95": (0.20, 0.95)}
_MEAN_S = 60.0
# A fit bends to its own records, and a short one leaves hardly any error of a kind. Another run of
# the same cell is off by no less than the measured cells are: 1.6 mV and 600 s (2.5 Ah steps, 2 Ah
# dynamic records), and by what an end of the charge is known to: 1.4 to 2.6 % lie between runs that
# were anchored at one end (open 26650 records), a quarter of that where both ends were.
_LEAST_STD_V = 1.5e-3
_LEAST_STD_SOC = {True: 4e-3, False: 6e-3}
_TAU_S = (600.0, 7200.0)
_LEAST_NOISE_V = 5e-4


def _block_means(record: Record, values: Array) -> Array:
    """60 s means over all rows of a record."""
    blocks = ((record.log.time_s - record.log.time_s[0]) / _MEAN_S).astype(np.int64)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(blocks)) + 1])
    return np.add.reduceat(values, starts) / np.diff([*starts, len(values)])


def _rms_mv(error: Array, soc: Array) -> dict[str, float | None]:
    out: dict[str, float | None] = {}
    for name, (low, high) in RANGES.items():
        inside = (soc >= low) & (soc <= high)
        out[name] = (
            round(float(np.sqrt(np.mean(error[inside] ** 2))) * 1e3, 2) if inside.any() else None
        )
    return out


def score_records(cell: CellModel, records: list[Record], used_for: str) -> list[dict[str, Any]]:
    """RMS voltage error by range of true charge [mV], for 60 s means and raw samples.

    Args:
        cell: the model as it stands in its file.
        records: with their true charge.
        used_for: "fit" or "score".
    """
    tables = CellTables.from_model(cell)
    rows = []
    for record in records:
        error = record.traced(tables, every=True)[:, 0] - record.log.voltage_v
        soc = _block_means(record, record.soc)
        row: dict[str, Any] = {
            "name": record.name,
            "used_for": used_for,
            "temperature_c": record.temperature_c,
            "rms_mv": _rms_mv(_block_means(record, error), soc),
            "raw_rms_mv": _rms_mv(error, record.soc),
        }
        rested = rest_errors(error, record)
        if len(rested):
            row["rested_rms_mv"] = round(float(np.sqrt(np.mean(rested**2))) * 1e3, 2)
        rows.append(row)
    return rows


def rest_errors(error_v: Array, record: Record, least_s: float = 6000.0) -> Array:
    """Model error at the end of each rest of `least_s` or longer at 10 to 95 % of charge [V]."""
    from socband.identify_rest import rests_of

    points = [p for p in rests_of(record, least_s) if 0.10 <= p.soc <= 0.95]
    return np.array([error_v[p.row] for p in points])


def voltage_error_of(
    tables: CellTables,
    records: list[Record],
    widen: float = 1.0,
    both_ends: bool = True,
) -> tuple[VoltageError, float]:
    """Statistics of the 60 s means of the residuals on the records fitted.

    variance = a² + (b·dOCV/dz(z_s))² + (c·k(T)·C-rate)² by non-negative least squares,
    reweighted, with the C-rate of the diffusion current, as what errs outlasts a load. The
    correlation time is the integrated autocorrelation of the error over its standard deviation; the
    noise is the scatter from one sample to the next while the current stands still.

    Args:
        tables: the fitted cell.
        records: those fitted.
        widen: factor on the standard deviations where the fit cannot see what it lacks.
        both_ends: is the true charge of all of them known at both ends?

    Returns:
        the voltage error, and the relative spread of its standard deviation.
    """
    from scipy.optimize import nnls

    parts, steps, grains = [], [], []
    for record in records:
        traced = record.traced(tables, every=True)
        error = traced[:, 0] - record.log.voltage_v
        slope = np.interp(
            traced[:, 2], np.linspace(0, 1, len(tables.table)), tables.table[:, SLOPE]
        )
        rate = np.abs(traced[:, 4]) / tables.scalars.capacity_ah
        rate = rate * polarisation_factor(tables, traced[:, 1])
        mean = np.stack([_block_means(record, x) for x in (error, slope, rate, record.soc)])
        parts.append(mean[:, (mean[3] > 0.02) & (mean[3] < 0.98)])
        calm = np.abs(np.diff(record.log.current_a)) < 0.005 * tables.scalars.capacity_ah
        steps.append(np.diff(error)[calm & (np.diff(record.log.time_s) <= _MEAN_S)])
        grains.append(resolution_v(record.log.voltage_v))
    error, slope, rate, _ = np.concatenate(parts, axis=1)
    if not error.size:
        found = "no minute between 2 and 98 % of charge in any record"
        hint = "times in another unit, or a record of a full cell alone?"
        raise InputError(Problem("--dynamic", found, "records that move the charge", hint))
    design = np.stack([np.ones_like(error), slope**2, rate**2], axis=1)
    variance = np.full(len(error), float(np.mean(error**2)))
    solved = np.zeros(3)
    for _ in range(8):
        solved = nnls(design / variance[:, None], error**2 / variance)[0]
        variance = np.maximum(design @ solved, _LEAST_STD_V**2)
    scaled = [p[0] / np.sqrt(np.maximum(np.stack([np.ones(p.shape[1]), p[1] ** 2, p[2] ** 2], 1)
                                        @ solved, _LEAST_STD_V**2)) for p in parts]  # fmt: skip
    tau = float(np.clip(np.mean([_correlation_s(x) for x in scaled]), *_TAU_S))
    still = np.concatenate(steps)
    noise = 1.4826 * float(np.median(np.abs(still))) / np.sqrt(2.0) if len(still) > 50 else 0.0
    # What a coarse voltmeter rounds away stands still with the voltage: no scatter shows it.
    noise = float(np.hypot(noise, max(grains) / np.sqrt(12.0)))
    root = widen * np.sqrt(solved)
    span_s = sum(p.shape[1] for p in parts) * _MEAN_S
    relative = float(np.clip(np.sqrt(tau / span_s), 0.1, 0.5))
    return (
        VoltageError(
            max(float(root[0]), _LEAST_STD_V), max(float(root[1]), _LEAST_STD_SOC[both_ends]),
            float(root[2]), tau, max(noise, _LEAST_NOISE_V),
        ),
        relative,
    )  # fmt: skip


def resolution_v(voltage_v: Array) -> float:
    """Smallest step between two different readings [V]."""
    apart = np.diff(np.unique(np.round(voltage_v, 6)))
    return float(apart.min()) if len(apart) else 0.0


def _correlation_s(x: Array) -> float:
    """Integrated autocorrelation time of 60 s means [s]: where it first falls below 0.1."""
    x = x - x.mean()
    total = float(x @ x)
    sum_ = 0.5
    for lag in range(1, len(x) // 3):
        rho = float(x[:-lag] @ x[lag:]) / total
        if rho < 0.1:
            break
        sum_ += rho
    return _MEAN_S * sum_
