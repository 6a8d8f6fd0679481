"""What a log would look like under each cause: prediction, likelihood, evidence.

The filter of `posterior` follows charge, offset and untracked load; it knows no dead band, no false
full charge, no bad connection. Here every member is a trajectory without process noise: given the
parameters of `causes`, the true current is

    I = (seen - offset·[shown not zero]) / (1 + gain) - untracked·[its hours] - standby·[shown zero]

and with it charge (reset at full charges), branch currents and voltage follow; all of them are
linear in a few columns computed once for a log. Data are the voltage in blocks of some minutes and
the full-to-full balance. The voltage model errs in two ways: an Ornstein-Uhlenbeck part, whitened
exactly, and an error of the OCV curve itself that returns in every cycle and would otherwise be
counted again each day; it is a sum of hat functions over the charge with Gaussian heights, which
are integrated out.

Per cause the posterior is found by Gauss-Newton steps on normal scores, and its evidence by
importance sampling around the optimum with a Student t proposal (Geweke 1989, Econometrica 57,
1317-1339).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from socband import cell as c
from socband.balance import FullRule, full_rows, start_hour
from socband.causes import CauseSettings, Hypothesis, P
from socband.track import GAP_STD_C_RATE, Scale, Track

if TYPE_CHECKING:
    from socband.logs import Log
    from socband.models import CellModel
    from socband.site import Setup

Array = np.ndarray

SEEN, NONZERO, ZERO, PATTERN = range(4)  # columns of true current
NODES = np.array([0.0, 0.04, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.92, 0.98, 1.0])
OFF_LOG = ("capacity_setting", "efficiency_setting")  # the log knows nothing of them


@dataclass(frozen=True)
class ModelSettings:
    """Sizes of the computation, and how far the cell model is trusted.

    Attributes:
        step_s: of the recursions [s].
        block_s: of the voltage data [s].
        most_blocks: blocks are lengthened for longer logs.
        draws: importance draws per hypothesis.
        iterations: Gauss-Newton steps, at most.
        eta: learning rate of the voltage; see `posterior`.
        error_scale: multiplies the cell's voltage error.
        lasting_share: share of that error (standard deviation) that belongs to the OCV curve.
    """

    step_s: float = 60.0
    block_s: float = 600.0
    most_blocks: int = 1500
    draws: int = 300
    iterations: int = 12
    eta: float = 0.5
    error_scale: float = 1.0
    lasting_share: float = 0.8


@dataclass(frozen=True)
class Design:
    """A log reduced to the columns that every member is made of; bank level unless said.

    Attributes:
        current_a, i1_a, i2_a, charge_ah: (4, k) columns per block; charge from the anchor.
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
        first_hour = start_hour(log)
        track = Track.from_log(
            log, self.scale, setup.ambient.temperature_c.median, settings.step_s, first_hour
        )
        self.track = track
        self.declared_s = log.time_s[full_rows(log, FullRule.of_monitor(setup))]
        self.true_s = log.time_s[
            full_rows(log, FullRule.of_cells(bank.cells_in_series, bank.rated_capacity_ah))
        ]
        seen = track.current_a / self.scale.cell_per_bank
        zero_rows = np.concatenate([[0.0], (log.current_a[1:] == 0.0) * np.diff(log.time_s)])
        total_zero = np.cumsum(zero_rows)
        ends = np.searchsorted(log.time_s, track.time_s, side="right") - 1
        starts = np.searchsorted(log.time_s, track.time_s - track.dt_s + 1e-6, side="right") - 1
        self.zero = np.clip((total_zero[ends] - total_zero[starts]) / track.dt_s, 0.0, 1.0)
        self.seen = seen
        self.kept = np.where(seen > 0.0, cell.coulombic_efficiency, 1.0) * seen
        self.a1 = np.exp(-track.dt_s / cell.tau1_s)
        self.a2 = np.exp(-track.dt_s / cell.tau2_s)
        self.base = [self.branches(x) for x in (seen, 1.0 - self.zero, self.zero)]
        self.hysteresis = self._hysteresis()

    def branches(self, current: Array) -> tuple[Array, Array]:
        """Both branch currents driven by a column of current."""
        out1, out2 = np.empty(len(current)), np.empty(len(current))
        _branch(current, self.a1, out1)
        _branch(current, self.a2, out2)
        return out1, out2

    def _hysteresis(self) -> Array:
        dose = self.seen * self.track.dt_s / 3600.0 / self.setup.bank.rated_capacity_ah
        out = np.empty(len(dose))
        _hysteresis(dose, self.cell.hysteresis_decay, out)
        return out

    def design(self, hypothesis: Hypothesis, causes: CauseSettings) -> Design:
        """Columns for one hypothesis: its hours, and the full charges it believes in."""
        from socband.unknowns import Pattern

        track, cell, settings = self.track, self.cell, self.settings
        rated = self.setup.bank.rated_capacity_ah
        if hypothesis.hours.is_always:
            on = np.ones(len(track))
        else:
            on = track.patterns_on((Pattern(hypothesis.hours),))[0]
        current = np.stack([self.seen, 1.0 - self.zero, self.zero, on])
        driven = [*self.base, self.branches(on)]
        i1, i2 = np.stack([d[0] for d in driven]), np.stack([d[1] for d in driven])
        dt_h = track.dt_s / 3600.0
        charge = np.stack([self.kept, current[1], current[2], current[3]]) * dt_h
        total = np.cumsum(charge, axis=1)
        middle = total - 0.5 * charge
        hours = track.time_s / 3600.0

        believes_all = hypothesis.cause != "false_rezero"
        moments = self.true_s
        if believes_all:
            moments = np.union1d(self.true_s, self.declared_s)
            near = np.concatenate([np.diff(moments) > 7200.0, [True]])
            moments = moments[near[: len(moments)]]
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
        lost = np.abs(gap_soc[1:] - gap_soc[anchor + 1]) > 0.02

        block = self._blocks()
        use = np.isfinite(track.voltage_v) & ~lost & (track.charge_var == 0.0)

        def mean(x: Array) -> Array:
            return _block_means(x, block, use)

        volt = mean(track.voltage_v)
        keep = np.isfinite(volt)
        time = mean(track.time_s)[keep]
        apart = np.diff(time, prepend=time[:1] - 1e9)
        tau = cell.voltage_error.tau_s * (
            cell.calibration.tau_scale if cell.calibration is not None else 1.0
        )
        covariance = np.zeros((max(len(resets) - 1, 0),) * 2)
        if len(resets) > 1:
            n = len(resets) - 1
            std = causes.full_std
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


# Rows of the coefficients of a member, for the kernel.
(
    C_SEEN,
    C_NONZERO,
    C_ZERO,
    C_PATTERN,
    C_CAPACITY,
    C_RESISTANCE,
    C_LEAD,  # connection over cells in series [ohm], times bank current
    C_START,
    C_WARMER,
    C_ROWS,
) = range(10)


@njit(cache=True, nogil=True, error_model="numpy")
def _residuals(
    coefficient, current, i1, i2, charge, hours, hyst, warm, volt, carry, table, scalar, out, soc
):
    """Whitened residuals of the OU error and minus the log determinant, member by member.

    `out` is (n, k); `soc` (n, k) the mean charge; returns (n,) sums of log standard deviations.
    """
    n = coefficient.shape[1]
    k_all = volt.shape[0]
    logs = np.zeros(n)
    grid = table.shape[0] - 1
    for m in range(n):
        before = 0.0
        for k in range(k_all):
            amps = b1 = b2 = ah = 0.0
            for col in range(4):
                w = coefficient[col, m]
                amps += w * current[col, k]
                b1 += w * i1[col, k]
                b2 += w * i2[col, k]
                ah += w * charge[col, k]
            kelvin = warm[k] + coefficient[C_WARMER, m]
            x = 1.0 / (kelvin + 273.15) - 1.0 / (scalar[0] + 273.15)
            k0 = scalar[1] + (1.0 - scalar[1]) * math.exp(scalar[5] * x)
            k1 = scalar[2] + (1.0 - scalar[2]) * math.exp(scalar[6] * x)
            k2 = scalar[3] + (1.0 - scalar[3]) * math.exp(scalar[7] * x)
            kl = scalar[4] + (1.0 - scalar[4]) * math.exp(scalar[8] * x)
            z = coefficient[C_START, m] + ah / coefficient[C_CAPACITY, m]
            z -= scalar[13] * hours[k] / 24.0
            soc[m, k] = z
            inside = min(max(z, 1e-4), 1.0 - 1e-4)
            p = inside * grid
            j = min(int(p), grid - 1)
            f = p - j
            lam = table[j, 6] + f * (table[j + 1, 6] - table[j, 6])
            r0 = table[j, 3] + f * (table[j + 1, 3] - table[j, 3])
            r1 = table[j, 4] + f * (table[j + 1, 4] - table[j, 4])
            r2 = table[j, 5] + f * (table[j + 1, 5] - table[j, 5])
            entropy = table[j, 2] + f * (table[j + 1, 2] - table[j, 2])
            per = scalar[9]
            g = scalar[12] * math.asinh(kl * b2 * per / scalar[10] / scalar[12])
            drag = lam * abs(g)
            if g < 0.0:
                zs = inside * math.exp(-drag / inside)
            else:
                zs = 1.0 - (1.0 - inside) * math.exp(-drag / (1.0 - inside))
            zs += z - inside
            p = min(max(zs, 0.0), 1.0) * grid
            j = min(int(p), grid - 1)
            f = zs * grid - j  # the curve goes on with its end slope
            rise = table[j + 1, 0] - table[j, 0]
            near = min(max(f, 0.0), 1.0)
            gap = table[j, 1] + near * (table[j + 1, 1] - table[j, 1])
            s1 = scalar[11] / k1
            u = table[j, 0] + min(max(f, -20.0), 20.0) * rise
            u += (kelvin - scalar[0]) * entropy + gap * hyst[k]
            u += coefficient[C_RESISTANCE, m] * (
                r0 * k0 * amps * per + r1 * k1 * s1 * math.asinh(b1 * per / s1) + r2 * k2 * b2 * per
            )
            u += coefficient[C_LEAD, m] * amps
            slope = table[j, 7] + near * (table[j + 1, 7] - table[j, 7])
            rate = amps * per / scalar[10]
            std = math.sqrt(scalar[14] ** 2 + (scalar[15] * slope) ** 2 + (scalar[16] * rate) ** 2)
            x_now = (volt[k] - u) / std
            q = 1.0 - carry[k] * carry[k]
            out[m, k] = (x_now - carry[k] * before) / math.sqrt(q)
            before = x_now
            logs[m] += math.log(std) + 0.5 * math.log(q)
    return logs


class Likelihood:
    """Log likelihood of members under one hypothesis on one log."""

    def __init__(
        self,
        design: Design,
        hypothesis: Hypothesis,
        columns: LogColumns,
        causes: CauseSettings,
        voltage_v: Array | None = None,
        balance: Array | None = None,
    ) -> None:
        self.design, self.hypothesis, self.causes = design, hypothesis, causes
        self.settings = columns.settings
        setup, cell = columns.setup, columns.cell
        self.rated = setup.bank.rated_capacity_ah
        self.series = setup.bank.cells_in_series
        tables = c.CellTables.from_model(cell)
        self.table = np.ascontiguousarray(tables.table)
        s, error = tables.scalars, cell.voltage_error
        scale = self.settings.error_scale
        lasting = self.settings.lasting_share
        gas = 1e3 / 8.314462618
        self.scalar = np.array(
            [
                s.reference_temperature_c,
                s.share0, s.share1, s.share2, s.share_lag,
                s.activation0_kj_mol * gas, s.activation1_kj_mol * gas,
                s.activation2_kj_mol * gas, s.activation_lag_kj_mol * gas,
                columns.scale.cell_per_bank, s.capacity_ah, s.s1_a, s.s_lag_c_rate,
                s.self_discharge_per_day,
                math.hypot(scale * error.std_v * math.sqrt(1.0 - lasting**2), error.noise_v),
                scale * error.std_soc, scale * error.std_v_per_c_rate,
            ]
        )  # fmt: skip
        self.lasting_v = scale * error.std_v * lasting
        self.capacity_factor = float(
            c.temperature_factors(cell, np.mean(columns.track.temperature_c))[4]
        )
        self.self_discharge = s.self_discharge_per_day
        self.voltage_v = design.voltage_v if voltage_v is None else voltage_v
        self.balance = np.zeros(design.balance_hours.size) if balance is None else balance
        self.hats: tuple[Array, Array, float] | None = None

    def coefficients(self, values: Array) -> Array:
        """(C_ROWS, n) of parameter columns (len(PARAMETERS), n)."""
        gain = 1.0 / (1.0 + values[P["gain"]])
        out = np.empty((C_ROWS, values.shape[1]))
        out[C_SEEN] = gain
        out[C_NONZERO] = -values[P["offset_a"]] * gain
        out[C_ZERO] = -values[P["standby_a"]]
        out[C_PATTERN] = -values[P["untracked_a"]]
        out[C_CAPACITY] = self.rated * values[P["capacity_fraction"]] * self.capacity_factor
        out[C_RESISTANCE] = values[P["resistance_factor"]]
        out[C_LEAD] = values[P["connection_ohm"]] / self.series
        out[C_START] = 1.0 if self.design.anchored else values[P["start_soc"]]
        out[C_WARMER] = values[P["temperature_offset_k"]]
        return out

    def residuals(self, values: Array) -> tuple[Array, Array, Array, Array]:
        """Whitened voltage (n, k), log determinant (n,), whitened balance (n, e), charge (n, k)."""
        d = self.design
        coefficient = self.coefficients(values)
        n = values.shape[1]
        out, soc = np.empty((n, len(self.voltage_v))), np.empty((n, len(self.voltage_v)))
        logs = _residuals(
            coefficient, d.current_a, d.i1_a, d.i2_a, d.charge_ah, d.anchor_hours, d.hysteresis,
            d.temperature_c, self.voltage_v, d.carry, self.table, self.scalar, out, soc,
        )  # fmt: skip
        net = self.net_charge(coefficient, d.balance_ah, d.balance_hours)
        balance = (self.balance - net) @ d.balance_root.T
        if self.hypothesis.cause == "false_rezero" and d.event_hours.size:
            # Charge at a "full" that was none, as a measurement of the shortfall's prior.
            at = coefficient[C_START][:, None] + self.net_charge(
                coefficient, d.event_ah, d.event_hours
            )
            miss = 1.0 - self.causes.shortfall_mean - at
            # many of them average out less than independent ones would: one datum for each three
            width = self.causes.shortfall_std * math.sqrt(3.0)
            balance = np.concatenate([balance, miss / width], axis=1)
        return out, logs, balance, soc

    def net_charge(self, coefficient: Array, columns: Array, hours: Array) -> Array:
        """(n, e) change of the true charge, 0..1, over the columns of charge (4, e)."""
        ah = np.einsum("cn,ce->ne", coefficient[:4], columns)
        return ah / coefficient[C_CAPACITY][:, None] - self.self_discharge * hours / 24.0

    def prepare_hats(self, values: Array) -> None:
        """Hat functions of the lasting OCV error, whitened along one member's trajectory."""
        _, _, _, soc = self.residuals(values[:, :1])
        z = np.clip(soc[0], 0.0, 1.0)
        hats = np.stack([np.interp(z, NODES, row) for row in np.eye(len(NODES))], axis=1)
        # std along the way from the difference of two residuals that are one millivolt apart
        shifted = Likelihood.__new__(Likelihood)
        shifted.__dict__.update(self.__dict__)
        base = self.residuals(values[:, :1])[0][0]
        white = np.empty_like(hats)
        for j in range(hats.shape[1]):
            shifted.voltage_v = self.voltage_v + self.lasting_v * hats[:, j]
            white[:, j] = shifted.residuals(values[:, :1])[0][0] - base
        inner = self.settings.eta * white.T @ white + np.eye(white.shape[1])
        root = np.linalg.cholesky(inner)
        self.hats = (white, np.linalg.inv(root), float(np.log(np.diag(root)).sum()))

    def project(self, white: Array) -> Array:
        """(n, j) part of whitened voltages that the lasting error explains, in its own metric."""
        hats, inverse_root, _ = self.hats
        return self.settings.eta * (white @ hats) @ inverse_root.T

    def log_likelihood(self, values: Array) -> Array:
        """(n,) log likelihood; the voltage's part tempered by eta, constants left out."""
        white, logs, balance, _ = self.residuals(values)
        eta = self.settings.eta
        square = eta * np.einsum("nk,nk->n", white, white)
        part = self.project(white)
        square -= np.einsum("nj,nj->n", part, part)
        square += np.einsum("ne,ne->n", balance, balance)
        total = -0.5 * square - eta * logs - self.hats[2]
        if self.hypothesis.cause == "false_rezero" and self.design.event_hours.size:
            total -= self.design.event_hours.size * math.log(self.causes.shortfall_std)
            total += self.design.event_hours.size * math.log(self.causes.full_std)
        return total + self.full_rule()

    def full_rule(self) -> float:
        """What the declared fulls say of themselves: do the cells agree that the bank was full?"""
        d = self.design
        if d.declared == 0:
            return 0.0
        if self.hypothesis.cause == "false_rezero":
            return math.log(0.02) if d.only_declared == 0 else 0.0
        return 0.0 if d.only_declared == 0 else math.log(0.1)


@dataclass(frozen=True)
class Fit:
    """The posterior under one hypothesis.

    Attributes:
        log_evidence: without the hypothesis's own weight.
        values: (len(PARAMETERS), n) draws.
        weights: (n,) of the draws, sum one.
        best: (len(PARAMETERS),) at the optimum.
        scores: normal scores of the optimum.
        root: (d, d) with root·rootᵀ the covariance of the proposal.
        effective: effective number of draws.
    """

    log_evidence: float
    values: Array
    weights: Array
    best: Array
    scores: Array
    root: Array
    effective: float


def fit(
    likelihood: Likelihood, rng: np.random.Generator, draws: int, start: Array | None = None
) -> Fit:
    """Optimum, evidence and draws under one hypothesis."""
    hypothesis = likelihood.hypothesis
    free = hypothesis.free
    use = np.array([name not in OFF_LOG and not (
        name == "start_soc" and likelihood.design.anchored) for name in free])  # fmt: skip
    d = int(use.sum())

    def full(x: Array) -> Array:
        scores = np.zeros((len(free), x.shape[1]))
        scores[use] = x
        return scores

    def values_of(x: Array) -> Array:
        return hypothesis.values(full(x))

    x, objective = _optimum(likelihood, values_of, d, rng, start)
    hessian = _hessian(likelihood, values_of, x)
    covariance = np.linalg.inv(hessian)
    root = np.linalg.cholesky(1.15 * 0.5 * (covariance + covariance.T))
    # Student t of five degrees of freedom: heavier tails than whatever the posterior has.
    nu = 5.0
    normal = rng.standard_normal((d, draws))
    chi = rng.chisquare(nu, draws) / nu
    drawn = x[:, None] + root @ (normal / np.sqrt(chi))
    distance = (normal**2).sum(axis=0) / chi
    log_proposal = (
        math.lgamma(0.5 * (nu + d)) - math.lgamma(0.5 * nu)
        - 0.5 * d * math.log(nu * math.pi)
        - np.log(np.diag(root)).sum()
        - 0.5 * (nu + d) * np.log1p(distance / nu)
    )  # fmt: skip
    log_prior = -0.5 * (drawn**2).sum(axis=0) - 0.5 * d * math.log(2.0 * math.pi)
    scores = full(drawn)
    off = np.array([name in OFF_LOG for name in free])
    scores[off] = rng.standard_normal((int(off.sum()), draws))
    values = hypothesis.values(scores)
    log_weight = likelihood.log_likelihood(values) + log_prior - log_proposal
    log_weight = np.where(np.isfinite(log_weight), log_weight, -np.inf)
    top = log_weight.max()
    weight = np.exp(log_weight - top)
    evidence = float(top + np.log(weight.mean()))
    weight /= weight.sum()
    return Fit(
        log_evidence=evidence,
        values=values,
        weights=weight,
        best=values_of(x[:, None])[:, 0],
        scores=x,
        root=root,
        effective=float(1.0 / np.sum(weight**2)),
    )


def _minus_log_posterior(likelihood: Likelihood, values_of, x: Array) -> Array:
    return 0.5 * (x**2).sum(axis=0) - likelihood.log_likelihood(values_of(x))


def _jacobian(likelihood: Likelihood, values_of, x: Array) -> tuple[Array, Array, Array, Array]:
    step = 0.03
    d = len(x)
    around = np.concatenate([x[:, None], x[:, None] + step * np.eye(d)], axis=1)
    white, _, balance, _ = likelihood.residuals(values_of(around))
    return white[0], balance[0], (white[1:] - white[0]) / step, (balance[1:] - balance[0]) / step


def _normal_equations(likelihood: Likelihood, values_of, x: Array) -> tuple[Array, Array]:
    white, balance, jv, jb = _jacobian(likelihood, values_of, x)
    eta = likelihood.settings.eta
    pj, pw = likelihood.project(jv), likelihood.project(white[None])
    hessian = eta * jv @ jv.T - pj @ pj.T + jb @ jb.T + np.eye(len(x))
    gradient = eta * jv @ white - (pj @ pw.T)[:, 0] + jb @ balance + x
    return hessian, gradient


def _hessian(likelihood: Likelihood, values_of, x: Array) -> Array:
    return _normal_equations(likelihood, values_of, x)[0]


def _optimum(
    likelihood: Likelihood, values_of, d: int, rng: np.random.Generator, start: Array | None
) -> tuple[Array, float]:
    tries = rng.standard_normal((d, 24)) * 0.8
    tries[:, 0] = 0.0
    if start is not None and len(start) == d:
        tries[:, 1] = start
    likelihood.prepare_hats(values_of(np.zeros((d, 1))))
    rough = _minus_log_posterior(likelihood, values_of, tries)
    x = tries[:, int(np.argmin(rough))]
    best = np.inf
    factors = np.array([1.0, 0.6, 0.3, 0.1, 0.03, 0.0])
    for _ in range(likelihood.settings.iterations):
        likelihood.prepare_hats(values_of(x[:, None]))
        hessian, gradient = _normal_equations(likelihood, values_of, x)
        step = -np.linalg.solve(hessian, gradient)
        length = np.linalg.norm(step)
        step *= min(1.0, 2.0 / max(length, 1e-12))
        ahead = x[:, None] + step[:, None] * factors
        objective = _minus_log_posterior(likelihood, values_of, ahead)
        chosen = int(np.nanargmin(objective))
        x = ahead[:, chosen]
        gained = objective[-1] - objective[chosen]
        best = float(objective[chosen])
        if gained < 0.01:
            break
    likelihood.prepare_hats(values_of(x[:, None]))
    return x, best
