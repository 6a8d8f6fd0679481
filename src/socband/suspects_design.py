"""A log reduced to the few columns every member of `suspects_model` is made of."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from socband.balance import FullRule, full_rows, true_full_std
from socband.causes import CauseSettings, Hypothesis
from socband.cell import FAST_TIME, diffusion_current
from socband.monitor_rule import says_full
from socband.track import Scale, Track, hour_of_first_row
from socband.unknowns import Pattern

if TYPE_CHECKING:
    from socband.logs import Log
    from socband.models import CellModel
    from socband.site import Setup

Array = np.ndarray

SEEN, NONZERO, ZERO, PATTERN = range(4)  # columns of true current


@dataclass(frozen=True)
class ModelSettings:
    """Sizes of the computation, and how far the cell model is trusted.

    Attributes:
        step_s: of the recursions [s].
        block_s: of the voltage data [s].
        most_blocks: blocks are lengthened for longer logs.
        voltage_range: cell voltages used [V]; beyond, the curve is too steep for any model, and the
            full charges say what the upper end knows.
        draws: importance draws per hypothesis.
        iterations: Gauss-Newton steps, at most.
        eta: learning rate of the voltage; see `posterior`.
        error_scale: multiplies the cell's voltage error.
        lasting_share: share of that error (standard deviation) that belongs to the OCV curve.
        branch_spread: relative standard deviation of both RC branches and of the hysteresis.
    """

    step_s: float = 60.0
    block_s: float = 1500.0
    most_blocks: int = 300
    voltage_range: tuple[float, float] = (3.0, 3.4)
    draws: int = 600
    iterations: int = 12
    eta: float = 0.2
    error_scale: float = 1.0
    lasting_share: float = 0.8
    branch_spread: float = 0.25


@dataclass(frozen=True)
class Design:
    """A log reduced to the columns that every member is made of; bank level unless said.

    Attributes:
        current_a, i1_a, i2_a, charge_ah: (4, k) columns per block, i2 the diffusion current;
            charge from the anchor.
        anchor_hours: (k,) hours from the anchor, negative before it.
        hysteresis, temperature_c, voltage_v: (k,); voltage per cell.
        carry: (k,) correlation of the OU error with the block before, 0 where none.
        balance_ah: (4, e) columns per interval between full charges.
        balance_hours: (e,).
        balance_root: (e, e) inverse Cholesky root of the covariance of the intervals, in charge.
        event_ah, event_hours: (4, f), (f,) columns at declared fulls that are not resets.
        anchored: is the start charge given by a full charge?
        declared, true: numbers of full charges by the monitor's rule and by the cells.
        end_ah, end_hours: (4,) columns from the last declared full to the end of the log; the
            seen column is split in `end_in_ah`, `end_out_ah` (positive magnitudes).
    """

    current_a: Array
    i1_a: Array
    i2_a: Array
    charge_ah: Array
    anchor_hours: Array
    hysteresis: Array
    temperature_c: Array
    voltage_v: Array
    carry: Array
    balance_ah: Array
    balance_hours: Array
    balance_root: Array
    event_ah: Array
    event_hours: Array
    anchored: bool
    declared: int
    true: int
    only_declared: int
    end_ah: Array
    end_hours: float
    end_in_ah: float
    end_out_ah: float
    end_soc_ah: Array
    end_soc_hours: float
    zero_share: float


class LogColumns:
    """The recursions of one log, from which designs are cut for patterns and resets."""

    def __init__(self, log: Log, setup: Setup, cell: CellModel, settings: ModelSettings) -> None:
        bank = setup.bank
        self.setup, self.cell, self.settings = setup, cell, settings
        self.scale = Scale.of(bank.cells_in_series, bank.rated_capacity_ah, cell)
        track = Track.from_log(
            log,
            cell,
            self.scale,
            setup.ambient.temperature_c.median,
            settings.step_s,
            hour_of_first_row(log, setup, present_at_end=True),
        )
        self.track = track
        self.declared_s = log.time_s[full_rows(log, FullRule.of_monitor(setup))]
        self.true_rule = FullRule.of_cells(bank.cells_in_series, bank.rated_capacity_ah)
        true_s = log.time_s[full_rows(log, self.true_rule)]
        # A declared full with which the cells agree, if only for a moment, counts as a true one.
        rows = full_rows(log, FullRule.of_monitor(setup))
        true = self.true_rule
        agree = says_full(log.voltage_v[rows], log.current_a[rows], true.above_v, true.below_a)
        near = [s for s in log.time_s[rows[agree]] if not np.any(np.abs(true_s - s) < 7200.0)]
        self.true_s = np.union1d(true_s, near)
        seen = track.current_a / self.scale.cell_per_bank
        zero_rows = np.concatenate([[0.0], (log.current_a[1:] == 0.0) * np.diff(log.time_s)])
        total_zero = np.cumsum(zero_rows)
        ends = np.searchsorted(log.time_s, track.time_s, side="right") - 1
        starts = np.searchsorted(log.time_s, track.time_s - track.dt_s + 1e-6, side="right") - 1
        self.zero = np.clip((total_zero[ends] - total_zero[starts]) / track.dt_s, 0.0, 1.0)
        self.off = self._disconnected(log, starts, ends)
        self.zero *= 1.0 - self.off
        self.seen = seen
        self.kept = np.where(seen > 0.0, cell.coulombic_efficiency, 1.0) * seen
        self.a1 = np.exp(-track.dt_s / cell.tau1_s)
        self.a2 = np.exp(-track.dt_s / cell.tau2_s)
        self.a3 = np.exp(-track.dt_s / (FAST_TIME * cell.tau2_s))
        nonzero = (1.0 - self.zero) * (1.0 - self.off)
        self.base = [self.branches(x) for x in (seen, nonzero, self.zero)]
        self.hysteresis = self._hysteresis()

    def _disconnected(self, log: Log, starts: Array, ends: Array) -> Array:
        """(t,) share of each step in which the bank is off: from the disconnect until it charges.

        No load draws then, not even one that the monitor cannot see.
        """
        bank, limits = self.setup.bank, self.setup.limits
        row = np.arange(len(log))
        low = log.voltage_v <= limits.disconnect_v.median + 0.02
        charged = log.current_a > 0.002 * bank.rated_capacity_ah
        last_low = np.maximum.accumulate(np.where(low, row, -1))
        off = last_low > np.maximum.accumulate(np.where(charged, row, -1))
        total = np.concatenate([[0.0], np.cumsum(off[1:] * np.diff(log.time_s))])
        share = (total[ends] - total[starts]) / self.track.dt_s
        return np.clip(share, 0.0, 1.0)

    def branches(self, current: Array) -> tuple[Array, Array]:
        """The fast branch's and the diffusion current, driven by a column of current."""
        out1, slow, fast = (np.empty(len(current)) for _ in range(3))
        _branch(current, self.a1, out1)
        _branch(current, self.a2, slow)
        _branch(current, self.a3, fast)
        return out1, diffusion_current(slow, fast)

    def _hysteresis(self) -> Array:
        dose = self.seen * self.track.dt_s / 3600.0 / self.setup.bank.rated_capacity_ah
        out = np.empty(len(dose))
        _hysteresis(dose, self.cell.hysteresis_decay, out)
        return out

    def design(self, hypothesis: Hypothesis, causes: CauseSettings) -> Design:
        """Columns for one hypothesis: its hours, and the full charges it believes in."""
        track, cell, settings = self.track, self.cell, self.settings
        if hypothesis.hours.is_always:
            on = np.ones(len(track))
        else:
            on = track.patterns_on((Pattern(hypothesis.hours),))[0]
        on = on * (1.0 - self.off)
        nonzero = (1.0 - self.zero) * (1.0 - self.off)
        current = np.stack([self.seen, nonzero, self.zero, on])
        driven = [*self.base, self.branches(on)]
        i1, i2 = np.stack([d[0] for d in driven]), np.stack([d[1] for d in driven])
        dt_h = track.dt_s / 3600.0
        charge = np.stack([self.kept, current[1], current[2], current[3]]) * dt_h
        total = np.cumsum(charge, axis=1)
        middle = total - 0.5 * charge
        hours = track.time_s / 3600.0

        believes_all = hypothesis.cause not in ("false_rezero", "anything")
        # One moment for each cluster, the same for all hypotheses: what one of them takes for
        # a reset must differ only where cells and monitor disagree.
        moments = np.union1d(self.true_s, self.declared_s)
        last_of_cluster = np.concatenate([np.diff(moments) > 7200.0, [True]])
        moments = moments[last_of_cluster[: len(moments)]]
        if not believes_all:
            true = [np.any(np.abs(self.true_s - moment) <= 7200.0) for moment in moments]
            moments = moments[np.array(true, dtype=bool)]
        resets = np.unique(np.clip(np.searchsorted(track.time_s, moments), 0, len(track) - 1))
        anchored = len(resets) > 0
        before = np.searchsorted(resets, np.arange(len(track)), side="right") - 1
        anchor = resets[np.maximum(before, 0)] if anchored else np.full(len(track), -1)
        zero_col = np.zeros((4, 1))
        padded = np.concatenate([total, zero_col], axis=1)  # index -1 is the start of the log
        padded_hours = np.concatenate([hours, [0.0]])
        from_anchor = middle - padded[:, anchor]
        anchor_hours = hours - 0.5 * dt_h - padded_hours[anchor]
        # What flowed in a gap is not known: blocks behind a long one, up to the next reset, tell
        # nothing of the charge.
        gap_soc = np.concatenate([[0.0], np.cumsum(np.sqrt(track.charge_var))])
        every = np.union1d(self.true_s, self.declared_s)
        every = np.clip(np.searchsorted(track.time_s, every), 0, len(track) - 1).astype(int)
        before = np.searchsorted(every, np.arange(len(track)), side="right") - 1
        nearest = every[np.maximum(before, 0)] if len(every) else np.full(len(track), -1)
        lost = np.abs(gap_soc[1:] - gap_soc[nearest + 1]) > 0.02

        block = self._blocks()
        use = np.isfinite(track.voltage_v) & ~lost & (track.charge_var == 0.0)

        def mean(x: Array) -> Array:
            return _block_means(x, block, use)

        volt = mean(track.voltage_v)
        low, high = settings.voltage_range
        with np.errstate(invalid="ignore"):
            keep = (volt >= low) & (volt <= high)
        time = mean(track.time_s)[keep]
        apart = np.diff(time, prepend=time[:1] - 1e9)
        tau = cell.voltage_error.tau_s * (
            cell.calibration.tau_scale if cell.calibration is not None else 1.0
        )
        covariance = np.zeros((max(len(resets) - 1, 0),) * 2)
        if len(resets) > 1:
            n = len(resets) - 1
            std = true_full_std(cell, causes.full_std)
            covariance = std**2 * (2.0 * np.eye(n) - np.eye(n, k=1) - np.eye(n, k=-1))
            gaps = gap_soc[resets[1:] + 1] - gap_soc[resets[:-1] + 1]
            # What the model leaves out of a current error (temperature, drift): 0.2 % a day.
            covariance += np.diag(gaps**2 + (0.002**2) * np.diff(hours[resets]) / 24.0)
        root = np.linalg.inv(np.linalg.cholesky(covariance)) if len(resets) > 1 else covariance
        not_true = np.array(
            [s for s in self.declared_s if not np.any(np.abs(self.true_s - s) < 7200.0)]
        )
        event = np.clip(np.searchsorted(track.time_s, not_true), 0, len(track) - 1).astype(int)
        last = (
            int(np.clip(np.searchsorted(track.time_s, self.declared_s[-1]), 0, len(track) - 1))
            if len(self.declared_s)
            else -1
        )
        since = slice(last + 1, None)
        return Design(
            current_a=np.stack([mean(x)[keep] for x in current]),
            i1_a=np.stack([mean(x)[keep] for x in i1]),
            i2_a=np.stack([mean(x)[keep] for x in i2]),
            charge_ah=np.stack([mean(x)[keep] for x in from_anchor]),
            anchor_hours=mean(anchor_hours)[keep],
            hysteresis=mean(self.hysteresis)[keep],
            temperature_c=mean(track.temperature_c)[keep],
            voltage_v=volt[keep],
            carry=np.exp(-apart / tau),
            balance_ah=total[:, resets[1:]] - total[:, resets[:-1]],
            balance_hours=np.diff(hours[resets]),
            balance_root=root,
            event_ah=total[:, event] - padded[:, anchor[event]],
            event_hours=hours[event] - padded_hours[anchor[event]],
            anchored=anchored,
            declared=len(self.declared_s),
            true=len(self.true_s),
            only_declared=len(not_true),
            end_ah=total[:, -1] - padded[:, last],
            end_hours=float(hours[-1] - padded_hours[last]),
            end_in_ah=float(np.sum(np.maximum(self.seen[since], 0.0) * dt_h[since])),
            end_out_ah=float(np.sum(np.maximum(-self.seen[since], 0.0) * dt_h[since])),
            end_soc_ah=total[:, -1] - padded[:, anchor[-1]],
            end_soc_hours=float(hours[-1] - padded_hours[anchor[-1]]),
            zero_share=float(np.sum(self.zero * dt_h) / np.sum(dt_h)),
        )

    def _blocks(self) -> Array:
        span = self.track.time_s[-1]
        length = max(self.settings.block_s, span / self.settings.most_blocks)
        return np.floor((self.track.time_s - 1e-6) / length).astype(np.int64)


def _block_means(x: Array, block: Array, use: Array) -> Array:
    total = np.bincount(block[use], x[use], block[-1] + 1)
    count = np.bincount(block[use], minlength=block[-1] + 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)


@njit(cache=True, nogil=True)
def _branch(current, a, out):
    x = 0.0
    for j in range(current.shape[0]):
        old = x
        x = a[j] * x + (1.0 - a[j]) * current[j]
        out[j] = 0.5 * (old + x)


@njit(cache=True, nogil=True)
def _hysteresis(dose, decay, out):
    h = 0.0
    for j in range(dose.shape[0]):
        b = math.exp(-abs(decay * dose[j]))
        h = b * h + (1.0 - b) * np.sign(dose[j])
        out[j] = h
