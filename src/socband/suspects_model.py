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
from socband.causes import CauseSettings, Hypothesis, P
from socband.cell import ENTROPY, GAP, LAG, OCV, R0, R1, R2

if TYPE_CHECKING:
    from socband.suspects_design import Design, LogColumns

Array = np.ndarray

NODES = np.array([0.0, 0.04, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.92, 0.98, 1.0])

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
    C_ROWS,
) = range(9)


@njit(cache=True, nogil=True, error_model="numpy")
def _residuals(
    coefficient,
    current,
    i1,
    i2,
    charge,
    hours,
    hyst,
    warm,
    factor,
    volt,
    std,
    carry,
    table,
    scalar,
    out,
    soc,
):
    """Whitened residuals of the OU error into `out` (n, k), mean charge into `soc` (n, k)."""
    n = coefficient.shape[1]
    k_all = volt.shape[0]
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
            k0, k1, k2, kl = factor[0, k], factor[1, k], factor[2, k], factor[3, k]
            z = coefficient[C_START, m] + ah / coefficient[C_CAPACITY, m]
            z -= scalar[5] * hours[k] / 24.0
            soc[m, k] = z
            inside = min(max(z, 1e-4), 1.0 - 1e-4)
            p = inside * grid
            j = min(int(p), grid - 1)
            f = p - j
            lam = table[j, LAG] + f * (table[j + 1, LAG] - table[j, LAG])
            per = scalar[1]
            g = scalar[4] * math.asinh(kl * b2 * per / scalar[2] / scalar[4])
            drag = lam * abs(g)
            if g < 0.0:
                zs = inside * math.exp(-drag / inside)
            else:
                zs = 1.0 - (1.0 - inside) * math.exp(-drag / (1.0 - inside))
            zs += z - inside
            p = min(max(zs, 0.0), 1.0) * grid
            j = min(int(p), grid - 1)
            f = zs * grid - j  # the curve goes on with its end slope
            rise = table[j + 1, OCV] - table[j, OCV]
            near = min(max(f, 0.0), 1.0)
            gap = table[j, GAP] + near * (table[j + 1, GAP] - table[j, GAP])
            entropy = table[j, ENTROPY] + near * (table[j + 1, ENTROPY] - table[j, ENTROPY])
            r0 = table[j, R0] + near * (table[j + 1, R0] - table[j, R0])
            r1 = table[j, R1] + near * (table[j + 1, R1] - table[j, R1])
            r2 = table[j, R2] + near * (table[j + 1, R2] - table[j, R2])
            s1 = scalar[3] / k1
            u = table[j, OCV] + min(max(f, -20.0), 20.0) * rise
            u += (warm[k] - scalar[0]) * entropy + gap * hyst[k]
            u += coefficient[C_RESISTANCE, m] * (
                r0 * k0 * amps * per + r1 * k1 * s1 * math.asinh(b1 * per / s1) + r2 * k2 * b2 * per
            )
            u += coefficient[C_LEAD, m] * amps
            x_now = (volt[k] - u) / std[k]
            q = 1.0 - carry[k] * carry[k]
            out[m, k] = (x_now - carry[k] * before) / math.sqrt(q)
            before = x_now


@dataclass(frozen=True)
class Yardstick:
    """How far the voltage model may be off along the log; the same for all hypotheses.

    Attributes:
        std_v: (k,) of the Ornstein-Uhlenbeck error of each block, per cell [V].
        lasting_v: (k, j) columns of errors that return in every cycle, each times a standard
            normal number: heights of the OCV curve, the slow and the fast branch, hysteresis.
    """

    std_v: Array
    lasting_v: Array

    @classmethod
    def flat(cls, blocks: int) -> Yardstick:
        """A wide one to begin with, before anything is known of the trajectory."""
        return cls(np.full(blocks, 0.04), np.zeros((blocks, 0)))

    @classmethod
    def along(cls, likelihood: Likelihood, values: Array) -> Yardstick:
        """Along the trajectory of one member (len(PARAMETERS), 1)."""
        design, settings = likelihood.design, likelihood.settings
        tables, error = likelihood.tables, likelihood.cell.voltage_error
        coefficient = likelihood.coefficients(values)
        soc = np.clip(likelihood.residuals(values)[2][0], 0.0, 1.0)
        i1, i2 = (
            np.einsum("c,ck->k", coefficient[:4, 0], x) * likelihood.scalar[1]
            for x in (design.i1_a, design.i2_a)
        )
        reach = 0.02
        ahead, behind = np.minimum(soc + reach, 1.0), np.maximum(soc - reach, 0.0)
        rise = c.look_up(tables, c.OCV, ahead) - c.look_up(tables, c.OCV, behind)
        slope = np.maximum(rise / (ahead - behind), c.look_up(tables, c.SLOPE, soc))
        colder = c.polarisation_factor(tables, design.temperature_c)
        scale = settings.error_scale * error.unfamiliar_factor(design.temperature_c)
        lasting = settings.lasting_share
        std = scale * np.sqrt(
            (1.0 - lasting**2) * error.std_v**2
            + (error.std_soc * slope) ** 2
            + (error.std_v_per_c_rate * colder * i2 / likelihood.cell.capacity_ah) ** 2
            + error.noise_v**2
        )
        hats = [np.interp(soc, NODES, row) * scale * lasting * error.std_v
                for row in np.eye(len(NODES))]  # fmt: skip
        fast = c.look_up(tables, c.R1, soc) * likelihood.factor[1] * i1
        slow = c.look_up(tables, c.R2, soc) * likelihood.factor[2] * i2
        gap = c.look_up(tables, c.GAP, soc) * design.hysteresis
        spread = settings.branch_spread
        columns = [*hats, spread * fast, spread * slow, spread * gap]
        return cls(std, np.stack(columns, axis=1))

    def widened(self, likelihood: Likelihood, values: Array) -> Yardstick:
        """Wider where even a member that is free to have every error is far off.

        Args:
            likelihood: with this yardstick.
            values: (len(PARAMETERS), 1) the best such member.
        """
        if not len(self.std_v):  # a log with no voltage that can be used
            return self
        white = likelihood.residuals(values)[0][0]
        explained = likelihood.inverse_root.T @ likelihood.project(white[None])[0]
        rest = white - likelihood.lasting @ explained
        level = max(1.0, float(np.sqrt(np.mean(np.clip(rest, -3.0, 3.0) ** 2))))
        far = np.maximum(np.abs(rest) / (2.5 * level), 1.0)
        # the block after a bad one is bad too: its whitened value contains both
        far = np.maximum(far, np.concatenate([far[1:], [1.0]]))
        return Yardstick(self.std_v * level * far, self.lasting_v)


class Likelihood:
    """Log likelihood of members under one hypothesis on one log.

    Args:
        design, hypothesis, columns, causes: what is compared.
        yardstick: see there.
        voltage_v, balance: data to put in the place of the log's own, for what-if questions.
    """

    def __init__(
        self,
        design: Design,
        hypothesis: Hypothesis,
        columns: LogColumns,
        causes: CauseSettings,
        yardstick: Yardstick | None = None,
        voltage_v: Array | None = None,
        balance: Array | None = None,
    ) -> None:
        self.design, self.hypothesis, self.causes = design, hypothesis, causes
        self.settings, self.cell = columns.settings, columns.cell
        bank = columns.setup.bank
        self.rated, self.series = bank.rated_capacity_ah, bank.cells_in_series
        self.tables = c.CellTables.from_model(self.cell)
        s = self.tables.scalars
        self.scalar = np.array(
            [
                s.reference_temperature_c,
                columns.scale.cell_per_bank,
                s.capacity_ah,
                s.s1_a,
                s.s_lag_c_rate,
                s.self_discharge_per_day,
            ]
        )
        self.factor = np.stack(c.temperature_factors(self.tables, design.temperature_c)[:4])
        self.capacity_factor = float(
            c.temperature_factors(self.cell, np.mean(columns.track.temperature_c))[4]
        )
        self.voltage_v = design.voltage_v if voltage_v is None else voltage_v
        self.balance = np.zeros(design.balance_hours.size) if balance is None else balance
        self.yardstick = yardstick or Yardstick.flat(len(self.voltage_v))
        white = self.yardstick.lasting_v / self.yardstick.std_v[:, None]
        before = np.concatenate([np.zeros((1, white.shape[1])), white[:-1]])
        carry = design.carry[:, None]
        self.lasting = (white - carry * before) / np.sqrt(1.0 - carry**2)
        inner = self.settings.eta * self.lasting.T @ self.lasting + np.eye(white.shape[1])
        self.inverse_root = np.linalg.inv(np.linalg.cholesky(inner))
        self.constant = self._constant()

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
        return out

    def residuals(self, values: Array) -> tuple[Array, Array, Array]:
        """Whitened voltage (n, k), whitened balance (n, e), charge (n, k)."""
        d = self.design
        coefficient = self.coefficients(values)
        n = values.shape[1]
        white, soc = np.empty((n, len(self.voltage_v))), np.empty((n, len(self.voltage_v)))
        _residuals(
            coefficient, d.current_a, d.i1_a, d.i2_a, d.charge_ah, d.anchor_hours, d.hysteresis,
            d.temperature_c, self.factor, self.voltage_v, self.yardstick.std_v, d.carry,
            self.tables.table, self.scalar, white, soc,
        )  # fmt: skip
        net = self.net_charge(coefficient, d.balance_ah, d.balance_hours)
        balance = (self.balance - net) @ d.balance_root.T
        if self.at_events:
            # Charge at a "full" that was none, as a measurement with the shortfall's prior.
            at = coefficient[C_START][:, None] + self.net_charge(
                coefficient, d.event_ah, d.event_hours
            )
            miss = 1.0 - self.causes.shortfall_mean - at
            balance = np.concatenate([balance, miss / self.causes.shortfall_std], axis=1)
        return white, balance, soc

    @property
    def at_events(self) -> bool:
        """Are there full charges that this hypothesis takes for false?"""
        return self.hypothesis.cause == "false_rezero" and self.design.event_hours.size > 0

    def net_charge(self, coefficient: Array, columns: Array, hours: Array) -> Array:
        """(n, e) change of the true charge, 0..1, over the columns of charge (4, e)."""
        ah = np.einsum("cn,ce->ne", coefficient[:4], columns)
        return ah / coefficient[C_CAPACITY][:, None] - self.scalar[5] * hours / 24.0

    def project(self, white: Array) -> Array:
        """(n, j) part of whitened voltages that lasting errors explain, in its own metric."""
        return self.settings.eta * (white @ self.lasting) @ self.inverse_root.T

    def log_likelihood(self, values: Array) -> Array:
        """(n,) log likelihood; the voltage's part tempered by eta, common constants left out."""
        white, balance, _ = self.residuals(values)
        square = self.settings.eta * np.einsum("nk,nk->n", white, white)
        part = self.project(white)
        square -= np.einsum("nj,nj->n", part, part)
        square += np.einsum("ne,ne->n", balance, balance)
        return self.constant - 0.5 * square

    def _constant(self) -> float:
        """Normalisation of the balance, whose rows differ, and what declared fulls say.

        Where the cells agree with every declared full, a false one is unlikely; where they do
        not, it is a true one that would be (0.02 and 0.1: assumed).
        """
        d = self.design
        rows = d.balance_hours.size
        total = float(np.log(np.diag(d.balance_root)).sum()) if rows else 0.0
        if self.at_events:
            rows += d.event_hours.size
            total -= d.event_hours.size * math.log(self.causes.shortfall_std)
        total -= 0.5 * rows * math.log(2.0 * math.pi)
        if d.declared and self.hypothesis.cause == "false_rezero":
            total += math.log(0.02) if d.only_declared == 0 else 0.0
        elif d.declared:
            total += math.log(0.1) if d.only_declared else 0.0
        return total
