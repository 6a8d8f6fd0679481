"""Open-circuit voltage and hysteresis from low-rate branches, polarisation and lag taken out.

Along a branch at a low current the branch currents have settled and the hysteresis state is known,
so with the resistances and the surface lag given the open-circuit voltage follows point by point:
U = OCV(z_s) + M(z_s)·h + (T−T_ref)·dU/dT + I·ΣR. Two branches give OCV and M, one gives OCV with
M taken from published values.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from socband import cell as physics
from socband.cell import CellTables
from socband.errors import InputError, Problem
from socband.logs import Log, charge_ah

Array = np.ndarray
GRID = np.arange(physics.INTERVALS + 1) / physics.INTERVALS
_LOWEST_GAP_V = 5e-4
_HIGHEST_V = 3.65  # charge limit of the kind of cell
_LEAST_MOVED = 0.05  # of the charge: moved by what is no steady current
# OCV of an LFP cell at half charge: 3.28 to 3.31 V in three measured cells. These limits lie far
# outside what temperature, age and a charge that is off by a fifth do to it (assumed).
_HALF_CHARGE_V = (3.2, 3.4)
# What a record's voltages say by themselves (assumed, wide): no LFP cell is kept above, none stays
# below through a record of more than its very end, and half of what it gives or takes, it does so
# below these, whatever the current.
_MOST_CELL_V, _LEAST_TOP_V = 3.8, 2.8
_HALF_GIVEN_V, _HALF_TAKEN_V = 3.45, 3.7
_FEW_ROWS = 0.01  # of a record, that a meter may have read wrongly
_RISE_V = 2e-6  # least step of OCV between two rows of the grid


@dataclass(frozen=True)
class Branch:
    """A low-rate branch on the grid of the charge.

    Attributes:
        name: of the record.
        temperature_c, current_a: [°C], mean current [A], positive = charge.
        capacity_ah: what its charge counts in: of a charge that of the discharge.
        voltage_v: (1025,) NaN where the record does not reach.
        moved_ah: what it moved itself; None where that is not known.
    """

    name: str
    temperature_c: float
    current_a: float
    capacity_ah: float
    voltage_v: Array
    moved_ah: float | None = None

    @classmethod
    def from_log(cls, log: Log, temperature_c: float, capacity_ah: float | None = None) -> Branch:
        """Cut the part at the record's steady low current and put it on the grid.

        Args:
            log: starting full and discharged to the end, or starting empty and charged.
            temperature_c: during the record.
            capacity_ah: of the discharge branch at the same temperature; for a charge branch.

        Raises:
            InputError: no current at all, or a charge that does not move with it.
        """
        charge = charge_ah(log)
        steady = _steady_current_a(log)
        on = np.abs(log.current_a - steady) < 0.2 * abs(steady)
        first = int(np.argmax(on))
        q = charge[on] - charge[max(first - 1, 0)]
        u = log.voltage_v[on]
        if q[-1] * steady <= 0.0:
            found = f"{q[-1]:+.3g} Ah at a current of {steady:+.3g} A"
            expected, hint = "a charge that moves with it", "a counter that runs the other way?"
            raise InputError(Problem(log.name, found, expected, hint))
        full = float(abs(q[-1])) if capacity_ah is None else capacity_ah
        soc = 1.0 + q / full if steady < 0 else q / full
        order = np.argsort(soc, kind="stable")
        voltage_v = _bin_means(soc[order], u[order])
        return cls(log.name, temperature_c, steady, full, voltage_v, float(abs(q[-1])))


def _steady_current_a(log: Log) -> float:
    """Median of the current while all but a twentieth of the charge moves [A].

    A noisy meter counts currents of any size in a rest, however long, but hardly moves charge.

    Raises:
        InputError: no current at all.
    """
    moved = np.abs(log.current_a) * np.diff(log.time_s, prepend=log.time_s[0])
    order = np.argsort(np.abs(log.current_a), kind="stable")
    upto = np.cumsum(moved[order])
    if upto[-1] <= 0.0:
        raise InputError(Problem(log.name, "no current in any row", "a low-rate branch"))
    return float(np.median(log.current_a[order][upto > _LEAST_MOVED * upto[-1]]))


def _bin_means(soc: Array, voltage_v: Array) -> Array:
    """Voltage on the grid: the mean of what falls near a grid point, else interpolated."""
    inside = np.interp(GRID, soc, voltage_v, left=np.nan, right=np.nan)
    which = np.rint(soc * physics.INTERVALS).astype(int)
    good = (which >= 0) & (which <= physics.INTERVALS)
    count = np.bincount(which[good], minlength=len(GRID))
    total = np.bincount(which[good], voltage_v[good], minlength=len(GRID))
    many = count >= 3
    many[:8] = many[-8:] = False  # steep ends: straight lines, no means
    inside[many] = total[many] / count[many]
    # Hold the ends where the record stops within 1 % of them.
    known = np.flatnonzero(np.isfinite(inside))
    if known[0] <= 10:
        inside[: known[0]] = inside[known[0]]
    if known[-1] >= len(GRID) - 11:
        inside[known[-1] :] = inside[known[-1]]
    return inside


def settled_ocv(branch: Branch, tables: CellTables, entropy_v_per_k: Array) -> tuple[Array, Array]:
    """OCV + M·h of a branch over the surface charge on the grid, and h there; NaN beyond it.

    Args:
        branch: the record.
        tables: resistances, lag and decay to take out (its OCV is not used).
        entropy_v_per_k: (1025,) to go to the reference temperature.
    """
    s = tables.scalars
    k0, k1, k2, _, _ = physics.temperature_factors(tables, branch.temperature_c)
    amp = branch.current_a
    surface = physics.surface_soc(tables, GRID, amp, branch.temperature_c)
    pol = physics.look_up(tables, physics.R0, surface) * k0 * amp
    pol = pol + physics.look_up(tables, physics.R1, surface) * k1 * physics.saturate(
        amp, s.s1_a / k1
    )
    pol = pol + physics.look_up(tables, physics.R2, surface) * k2 * amp
    warmer = branch.temperature_c - s.reference_temperature_c
    rest_v = branch.voltage_v - pol - warmer * np.interp(surface, GRID, entropy_v_per_k)
    if amp < 0:
        h = -1.0 + 2.0 * np.exp(-s.decay * (1.0 - GRID))
    else:
        h = 1.0 - 2.0 * np.exp(-s.decay * GRID)
    good = np.isfinite(rest_v)
    order = np.argsort(surface[good], kind="stable")
    x, v = _to_full(surface[good][order], rest_v[good][order])
    slack = 1.5 / physics.INTERVALS
    out_v = np.interp(GRID, x, v)
    out_h = np.interp(GRID, surface[good][order], h[good][order])
    out_v[(GRID < x[0] - slack) | (GRID > x[-1])] = np.nan
    return out_v, out_h


def ocv_and_gap(
    branches: list[Branch],
    tables: CellTables,
    entropy_v_per_k: Array,
    gap_v: Array,
    gap_measured: bool,
) -> tuple[Array, Array]:
    """OCV and half gap M on the grid.

    Args:
        branches: any number, both directions or one.
        tables, entropy_v_per_k: see `settled_ocv`.
        gap_v: (1025,) M where it is not measured.
        gap_measured: is M half the distance of these branches? They have both directions then.
    """
    down = [settled_ocv(b, tables, entropy_v_per_k) for b in branches if b.current_a < 0]
    up = [settled_ocv(b, tables, entropy_v_per_k) for b in branches if b.current_a > 0]
    if gap_measured:
        v_down, h_down = _mean(down)
        v_up, h_up = _mean(up)
        both = np.isfinite(v_down) & np.isfinite(v_up) & (GRID > 0.04) & (GRID < 0.97)
        gap = np.full(len(GRID), np.nan)
        gap[both] = (v_up - v_down)[both] / np.maximum(h_up - h_down, 0.5)[both]
        gap = _smooth(_fill(gap), 20)
        gap_v = np.maximum(gap, _LOWEST_GAP_V) * np.clip((1.0 - GRID) / 0.02, 0.2, 1.0)
    else:
        v_down, h_down = _mean(down) if down else (np.full(len(GRID), np.nan), np.zeros(len(GRID)))
        v_up, h_up = _mean(up) if up else (np.full(len(GRID), np.nan), np.zeros(len(GRID)))
    parts = np.stack([v_down - gap_v * h_down, v_up - gap_v * h_up])
    known = np.isfinite(parts)
    ocv = np.where(known, parts, 0.0).sum(0) / np.maximum(known.sum(0), 1)
    ocv[~known.any(0)] = np.nan
    return rising(_smooth_plateau(_fill(ocv))), gap_v


def refuse_other_voltages(logs: Sequence[Log]) -> None:
    """Refuse records that no single LFP cell gives, before anything is fitted to them.

    What only shows beside the true charge is left to `refuse_other_chemistry`.

    Args:
        logs: of every kind, low-rate or dynamic.

    Raises:
        InputError: each record that is none.
    """
    hint = "another kind of cell, or several in series?"
    problems = []
    for log in logs:
        low, high = np.quantile(log.voltage_v, (_FEW_ROWS, 1.0 - _FEW_ROWS))
        moved = log.current_a * np.diff(log.time_s, prepend=log.time_s[0])
        gives = -moved.clip(max=0.0).sum() >= moved.clip(min=0.0).sum()
        half_v = _half_moved_v(log.voltage_v, (-moved if gives else moved).clip(min=0.0))
        most_v = _HALF_GIVEN_V if gives else _HALF_TAKEN_V
        expected = ""
        if not _LEAST_TOP_V <= high <= _MOST_CELL_V:
            expected = f"a highest voltage of {_LEAST_TOP_V:g} to {_MOST_CELL_V:g} V"
        elif half_v > most_v:
            word = "discharge" if gives else "charge"
            expected = f"half of the {word} below {most_v:g} V, here it is {half_v:.2f} V"
        if expected:
            found = f"{low:.2f} to {high:.2f} V"
            problems.append(Problem(log.name, found, f"{expected}, as of one LFP cell", hint))
    if problems:
        raise InputError(problems)


def _half_moved_v(voltage_v: Array, moved: Array) -> float:
    """Voltage below which half of a charge moves [V]; 0 where none does."""
    order = np.argsort(voltage_v, kind="stable")
    upto = np.cumsum(moved[order])
    half = np.searchsorted(upto, 0.5 * upto[-1])
    return float(voltage_v[order][half]) if upto[-1] > 0.0 else 0.0


def refuse_other_chemistry(ocv: Array) -> None:
    """Refuse a curve that no LFP cell has: its flat part lies elsewhere.

    Args:
        ocv: (1025,) [V] on the grid.

    Raises:
        InputError: at half charge it is not within `_HALF_CHARGE_V`.
    """
    low, high = _HALF_CHARGE_V
    half_v = float(np.interp(0.5, GRID, ocv))
    if not low <= half_v <= high:
        raise InputError(
            Problem(
                "the OCV these records give",
                f"{half_v:.3f} V at 50 % of charge",
                f"{low:g} to {high:g} V, as in any LFP cell",
                "another kind of cell, or a record whose true charge is taken wrongly?",
            )
        )


def gap_from_published(
    ocv: Array, gap_v: Array, published_v: Array, gap_spread_v: float, published_spread_v: float
) -> tuple[Array, Array]:
    """One discharge branch only: share out its distance to a published OCV of the same cell.

    The branch fixes OCV − M. A priori M has a spread, and so has the published OCV; M moves by the
    share that least squares gives it, and OCV with it, between 10 and 95 %.
    """
    share = gap_spread_v**2 / (gap_spread_v**2 + published_spread_v**2)
    inside = np.clip(np.minimum(GRID - 0.08, 0.97 - GRID) / 0.02, 0.0, 1.0)
    moved = np.maximum(gap_v + inside * share * _smooth(published_v - ocv, 20), _LOWEST_GAP_V)
    return rising(ocv + moved - gap_v), moved


def _mean(parts: list[tuple[Array, Array]]) -> tuple[Array, Array]:
    v = np.stack([p[0] for p in parts])
    h = np.stack([p[1] for p in parts])
    good = np.isfinite(v)
    count = np.maximum(good.sum(0), 1)
    mean_v = np.where(good, v, 0.0).sum(0) / count
    mean_v[~good.any(0)] = np.nan
    return mean_v, h.mean(0)


def _to_full(soc: Array, voltage_v: Array) -> tuple[Array, Array]:
    """Let a branch run on to full as steeply as it ended; it rises to the charge limit there.

    A discharge's surface begins a little below full, so a curve held at its last value would be
    flat in its last step: a charger's hold would then say nothing, or any charge at all. From the
    branch's own last point on, wherever between two rows of the grid it lies: by whole rows, a fit
    would see its curve jump with a lag that moves a little (`DEVELOPERS.md`).

    Args:
        soc: (n,) increasing; voltage_v: (n,) at it.
    """
    last, over = soc[-1], 3.0 / physics.INTERVALS
    if not 0.95 < last < 1.0 or soc[0] > last - over:
        return soc, voltage_v
    slope_v = (voltage_v[-1] - np.interp(last - over, soc, voltage_v)) / over
    slope_v = max(float(slope_v), _RISE_V * physics.INTERVALS)
    most_v = max(_HIGHEST_V, voltage_v[-1])
    # where it meets the charge limit it stays
    meets = min(last + (most_v - voltage_v[-1]) / slope_v, 1.0)
    more = np.array([meets, 1.0])
    more_v = np.minimum(voltage_v[-1] + slope_v * (more - last), most_v)
    return np.append(soc, more), np.append(voltage_v, more_v)


def _fill(values: Array) -> Array:
    good = np.isfinite(values)
    if not good.any():
        found, expected = "low-rate branches that reach no part of the curve", "whole ones"
        raise InputError(Problem("--ocv-discharge", found, expected, "times in another unit?"))
    return np.interp(GRID, GRID[good], values[good])


def _smooth(values: Array, half: int) -> Array:
    """Moving mean over 2·half + 1 rows."""
    padded = np.concatenate([np.full(half, values[0]), values, np.full(half, values[-1])])
    total = np.concatenate([[0.0], np.cumsum(padded)])
    width = 2 * half + 1
    return (total[width:] - total[:-width]) / width


def _smooth_plateau(ocv: Array) -> Array:
    """Take the resolution of the voltmeter out of the flat part; leave the steep ends alone."""
    soft = _smooth(ocv, 4)
    weight = np.clip(np.minimum(GRID - 0.06, 0.97 - GRID) / 0.02, 0.0, 1.0)
    return weight * soft + (1.0 - weight) * ocv


def rising(ocv: Array) -> Array:
    """The nearest curve from above that rises everywhere."""
    step = _RISE_V * np.arange(len(ocv))
    return np.maximum.accumulate(ocv - step) + step


def fitted_entropy(
    branches: list[Branch], prior_v_per_k: Array, prior_spread: float
) -> tuple[Array, float]:
    """dU/dT on the grid from low-rate branches at several temperatures, and its spread.

    The mean of both directions at one temperature is free of polarisation. At every charge the
    slope over temperature is combined with the published value, weighted by their spreads; the
    spread of a mean is 1.5 mV and half a per cent of charge times the slope.
    """
    by_temperature: dict[float, list[Branch]] = {}
    for branch in branches:
        by_temperature.setdefault(branch.temperature_c, []).append(branch)
    means, temperatures = [], []
    for temperature_c, group in sorted(by_temperature.items()):
        down = [b.voltage_v for b in group if b.current_a < 0]
        up = [b.voltage_v for b in group if b.current_a > 0]
        if down and up and temperature_c > 5.0:  # colder, the branches are far from rest
            means.append((np.mean(down, axis=0) + np.mean(up, axis=0)) / 2.0)
            temperatures.append(temperature_c)
    if len(means) < 2:
        return prior_v_per_k, prior_spread
    u = np.stack(means)
    warmer = np.array(temperatures) - np.mean(temperatures)
    slope = (warmer[:, None] * u).sum(0) / (warmer**2).sum()
    steep = np.abs(np.gradient(u.mean(0), GRID))
    spread = np.hypot(1.5e-3, 0.005 * steep) / np.sqrt((warmer**2).sum())
    weight = 1.0 / (1.0 + (spread / prior_spread) ** 2)
    weight[~np.isfinite(slope + weight)] = 0.0
    mixed = prior_v_per_k + weight * (np.nan_to_num(slope) - prior_v_per_k)
    left = float(np.mean(prior_spread * np.sqrt(1.0 - weight[100:900])))
    return _smooth(mixed, 25), left
