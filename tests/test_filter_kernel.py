"""The compiled filter against filterpy, and the weighted quantiles against a plain sort.

The oracle is filterpy's ExtendedKalmanFilter, an independent textbook implementation (Joseph form,
full matrices). It is given F, B, Q, H and h(x) written out below from the docstring of
`socband.kernels`, with plain `np.interp` for the tables; everything else is filterpy's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from socband import cell as physics
from socband import kernels as k
from socband import kernels_band
from socband.cell import CellTables
from socband.kernels_track import respond
from socband.models import CellModel, load_cell
from socband.posterior import Settings, kernel_inputs

ROWS = 3  # rows of the log in a step
NODES = np.arange(physics.INTERVALS + 1) / physics.INTERVALS


@pytest.fixture(scope="module")
def model() -> CellModel:
    return load_cell("lfp-18650-2ah")


@dataclass(frozen=True)
class Inputs:
    """All arguments of the kernel but its outputs, and the log's rows behind the drive.

    `row_s`, `row_a`: (steps, ROWS) length and current of the log's rows within each step.
    """

    state: np.ndarray
    parameters: np.ndarray
    pattern: np.ndarray
    dt_s: np.ndarray
    row_s: np.ndarray
    row_a: np.ndarray
    drive: np.ndarray
    voltage_v: np.ndarray
    temperature_c: np.ndarray
    patterns_on: np.ndarray
    charge_var: np.ndarray
    table: np.ndarray
    factors: np.ndarray
    common: np.ndarray

    def run(self, threads: int | None = 1, first: int = 0, last: int | None = None):
        """Final state, and charge, variance and log likelihood after each step."""
        last = len(self.dt_s) if last is None else last
        state, n = self.state.copy(), self.state.shape[1]
        out = tuple(np.full((last - first, n), np.nan) for _ in range(3))
        steps = slice(first, last)
        k.over_members(
            k.filter_range,
            n,
            state,
            self.parameters,
            self.pattern,
            self.dt_s[steps],
            np.ascontiguousarray(self.drive[:, steps]),
            self.voltage_v[steps],
            self.temperature_c[steps],
            np.ascontiguousarray(self.patterns_on[:, steps]),
            self.charge_var[steps],
            self.table,
            self.factors,
            self.common,
            *out,
            threads=threads,
        )
        return state, out


def covariance(state: np.ndarray, member: int) -> np.ndarray:
    """The full 5 by 5 matrix of one member."""
    full = np.zeros((5, 5))
    full[np.triu_indices(5)] = state[k.P0 : k.P0 + 15, member]
    return full + np.triu(full, 1).T


def make_drive(model: CellModel, row_s: np.ndarray, row_a: np.ndarray) -> np.ndarray:
    """What `Track.from_log` hands the kernel for these rows of a log."""
    time_s = np.concatenate([[0.0], np.cumsum(row_s)])
    current_a = np.concatenate([[0.0], row_a.ravel()])
    ends = row_s.shape[1] * np.arange(1, len(row_s) + 1)
    out = np.empty((k.DRIVE_ROWS, len(row_s)))
    turn = model.hysteresis_decay / (3600.0 * model.capacity_ah)
    respond(time_s, current_a, ends, model.tau1_s, model.tau2_s, turn, out)
    # any size of the voltage-model error, as long as it is one for all members
    out[k.SIGMA_E_V] = 0.004 + 0.004 * np.sin(np.arange(len(row_s)) / 9.0) ** 2
    out[k.KEEP_E] = 0.9 + 0.09 * np.cos(np.arange(len(row_s)) / 7.0)  # and any memory
    return out


def make_inputs(
    model: CellModel,
    n: int = 6,
    steps: int = 400,
    bad_v: float = 0.4,
    apart: float = 0.3,
    **common: float,
) -> Inputs:
    """A mission of discharge, rest, charge and a gap at changing temperature; members far apart."""
    rng = np.random.default_rng(5)
    settings = Settings(bias_walk_a_per_sqrt_s=common.pop("bias_walk", 1e-5), outlier_sigma=4.0)
    vector, factors = kernel_inputs(model, settings)
    vector[k.EFFICIENCY] = 0.99  # so that charge and discharge differ visibly
    vector[k.LEAK_PER_S] = 1e-7
    for name, value in common.items():
        vector[getattr(k, name.upper())] = value
    row_s = rng.choice([2.0, 7.0, 20.0], (steps, ROWS))
    phase = np.arange(steps) // 40 % 4
    row_a = np.select([phase == 0, phase == 2], [-1.2, 0.9], 0.0)[:, None]
    row_a = row_a + 0.3 * rng.standard_normal((steps, ROWS))
    dt_s = row_s.sum(axis=1)
    temperature_c = 20.0 + 12.0 * np.sin(np.arange(steps) / 70.0)
    time_s = np.concatenate([[0.0], np.cumsum(dt_s)])
    mean_a = (row_s * row_a).sum(axis=1) / dt_s
    rows = np.concatenate([[0], np.arange(steps)])
    truth = physics.simulate(model, time_s, mean_a[rows], temperature_c[rows], 0.6)
    voltage_v = truth.voltage_v[1:] + 0.005 * rng.standard_normal(steps)
    voltage_v[rng.random(steps) < 0.1] = np.nan  # not measured
    voltage_v[50::90] += bad_v  # bad readings
    charge_var = np.where(rng.random(steps) < 0.02, 1e-4, 0.0)
    patterns_on = np.stack([np.ones(steps), rng.random(steps)])
    state = np.zeros((k.STATE_ROWS, n))
    state[k.Z] = 0.6 + apart * rng.uniform(-1.0, 1.0, n)
    state[k.I1], state[k.I2] = rng.normal(0, 0.3, n), rng.normal(0, 0.3, n)
    state[k.E], state[k.B] = rng.normal(0, 1, n), rng.normal(0, 0.02, n)
    state[k.H] = rng.uniform(-1, 1, n)
    for j in range(n):
        root = rng.standard_normal((5, 5)) * np.array([0.01, 0.05, 0.05, 0.8, 0.01])[:, None]
        state[k.P0 : k.P0 + 15, j] = (root @ root.T)[np.triu_indices(5)]
    parameters = np.empty((k.PARAMETER_ROWS, n))
    parameters[k.GAIN] = rng.normal(1.0, 0.02, n)
    parameters[k.UNTRACKED_A] = rng.exponential(0.05, n)
    parameters[k.CAPACITY_AH] = 2.0745 * rng.uniform(0.8, 1.05, n)
    parameters[k.RESISTANCE] = rng.lognormal(0.1, 0.3, n)
    parameters[k.DIFFUSION] = rng.lognormal(0.0, 0.3, n)
    parameters[k.TEMPERATURE_K] = rng.normal(0.0, 3.0, n)
    parameters[k.VOLTAGE_V] = rng.normal(0.0, 0.003, n)
    parameters[k.SHIFT] = rng.normal(0.0, 0.01, n)
    parameters[k.FAST_START_A] = rng.normal(0.0, 0.3, n)
    parameters[k.HYSTERESIS] = rng.lognormal(0.0, 0.2, n)
    parameters[k.DECAY] = rng.lognormal(0.0, 0.3, n)
    parameters[k.CURVE_V : k.CURVE_V + k.CURVE_NODES] = rng.normal(0, 0.003, (k.CURVE_NODES, n))
    return Inputs(
        state,
        parameters,
        rng.integers(0, 2, n),
        dt_s,
        row_s,
        row_a,
        make_drive(model, row_s, row_a),
        voltage_v,
        temperature_c,
        patterns_on,
        charge_var,
        np.ascontiguousarray(CellTables.from_model(model).table),
        factors,
        vector,
    )


def as_modelled(capacity_ah: float) -> np.ndarray:
    """Parameters of one member that differs from its model in nothing but its capacity."""
    parameters = np.zeros((k.PARAMETER_ROWS, 1))
    parameters[[k.GAIN, k.RESISTANCE, k.DIFFUSION, k.HYSTERESIS, k.DECAY]] = 1.0
    parameters[k.CAPACITY_AH] = capacity_ah
    return parameters


# ---------------------------------------------------------------- the readable reference


class Reference:
    """One member as filterpy sees it; the names of matrices are the textbook's."""

    def __init__(self, inputs: Inputs, member: int) -> None:
        from filterpy.kalman import ExtendedKalmanFilter

        self.c, self.inputs, self.member = inputs.common, inputs, member
        self.kf = ExtendedKalmanFilter(dim_x=5, dim_z=1, dim_u=1)
        self.kf.x = inputs.state[:5, member].copy()[:, None]
        self.kf.P = covariance(inputs.state, member)
        self.h = inputs.state[k.H, member]
        self.seen_i3 = 0.0  # fast diffusion mode driven by the seen current alone
        self.log_likelihood = 0.0

    def p(self, row: int) -> float:
        return float(self.inputs.parameters[row, self.member])

    def temperature_factors(self, t: int) -> np.ndarray:
        c, table = self.c, self.inputs.factors
        grid = c[k.T_GRID_START_C] + c[k.T_GRID_STEP_K] * np.arange(len(table))
        at = self.inputs.temperature_c[t] + self.p(k.TEMPERATURE_K)
        return np.array([np.interp(at, grid, column) for column in table.T])

    def step(self, t: int) -> None:
        c, kf, inputs = self.c, self.kf, self.inputs
        dt = inputs.dt_s[t]
        on = inputs.patterns_on[inputs.pattern[self.member], t]
        row_s, row_a = inputs.row_s[t], inputs.row_a[t]
        seen_a = float(row_s @ row_a / dt)
        u = self.p(k.GAIN) * seen_a - self.p(k.UNTRACKED_A) * on
        self.amps = u + kf.x[4, 0]
        rest_a = self.amps - self.p(k.GAIN) * seen_a  # constant over the step
        self.factor = self.temperature_factors(t)
        self.q = dt / (3600.0 * self.p(k.CAPACITY_AH) * self.factor[4])
        if self.amps > 0.0:
            self.q *= c[k.EFFICIENCY]
        tau = np.array([c[k.TAU1_S], c[k.TAU2_S]])
        self.a = np.exp(-dt / tau)
        a_e = self.inputs.drive[k.KEEP_E, t]
        kf.F = np.array(
            [
                [1, 0, 0, 0, self.q],
                [0, self.a[0], 0, 0, 1 - self.a[0]],
                [0, 0, self.a[1], 0, 1 - self.a[1]],
                [0, 0, 0, a_e, 0],
                [0, 0, 0, 0, 1],
            ]
        )
        leak = c[k.LEAK_PER_S] * dt
        kf.B = np.array([[self.q], [1 - self.a[0]], [1 - self.a[1]], [0], [0]])
        kf.Q = np.diag(
            [inputs.charge_var[t], 0, 0, 1 - a_e**2, c[k.BIAS_WALK_A] ** 2 * inputs.dt_s[t]]
        )
        before = kf.x[:, 0].copy()
        kf.predict(u=np.array([[u]]))
        kf.x[0, 0] -= leak
        # states' means over the step, which the mean voltage is compared with; the branches follow
        # the log's own rows, one exact step each
        self.z_mean = before[0] + 0.5 * (self.q * self.amps - leak)
        i_now, i_sum = before[1:3], np.zeros(2)
        for row_dt, row_current in zip(row_s, self.p(k.GAIN) * row_a + rest_a, strict=True):
            fade = np.exp(-row_dt / tau)
            i_sum += row_current * row_dt + (i_now - row_current) * tau * (1 - fade)
            i_now = fade * i_now + (1 - fade) * row_current
        self.i_mean = i_sum / dt
        i3_sum, tau3 = 0.0, physics.FAST_TIME * c[k.TAU2_S]
        for row_dt, row_current in zip(row_s, row_a, strict=True):
            fade = math.exp(-row_dt / tau3)
            i3_sum += row_current * row_dt + (self.seen_i3 - row_current) * tau3 * (1 - fade)
            self.seen_i3 = fade * self.seen_i3 + (1 - fade) * row_current
        # what is not seen is constant, and the fast mode follows it at once
        left = math.exp(-inputs.dt_s[:t].sum() / tau3) * tau3 * (1 - math.exp(-dt / tau3)) / dt
        self.i3_mean = self.p(k.GAIN) * i3_sum / dt + self.p(k.FAST_START_A) * left + rest_a
        kf.x[1:3, 0] = i_now
        # hysteresis: the seen current row by row on the model's capacity, then the rest on its own
        keep, towards = 1.0, 0.0
        for row_dt, row_current in zip(row_s, row_a, strict=True):
            row_keep = self.kept(row_current * row_dt, c[k.CELL_CAPACITY_AH])
            towards = row_keep * towards + (1 - row_keep) * np.sign(row_current)
            keep *= row_keep
        # a member that turns faster does so towards where the model's steps lead together
        towards, keep = towards / (1 - keep) if keep < 1 else 0.0, keep ** self.p(k.DECAY)
        self.h = keep * self.h + (1 - keep) * towards
        keep = self.kept(rest_a * dt, self.p(k.CAPACITY_AH)) ** self.p(k.DECAY)
        self.h = keep * self.h + (1 - keep) * np.sign(rest_a)
        if not math.isnan(inputs.voltage_v[t]):
            self.update(t)

    def kept(self, charge_as: float, capacity_ah: float) -> float:
        """What is left of the hysteresis state after a charge [A s], Plett 2004."""
        return math.exp(-self.c[k.GAMMA] * abs(charge_as) / (3600.0 * capacity_ah))

    def noise_v2(self, t: int) -> float:
        """White noise of a step [V²]: the meter's, or that a minute of steps has together."""
        in_a_minute = max(60.0 / self.inputs.dt_s[t], 1.0)
        return max(self.c[k.NOISE_V] ** 2, self.c[k.MINUTE_NOISE_V] ** 2 * in_a_minute)

    def update(self, t: int) -> None:
        kf, noise2 = self.kf, self.noise_v2(t)
        predicted, jacobian = self.voltage(t)
        measured = np.array([[self.inputs.voltage_v[t]]])
        # the outlier rule: a reading beyond so many deviations is taken as exactly that far out
        nu = float((measured - predicted - jacobian[0, 3] * kf.x[3, 0]).item())
        s = float((jacobian @ kf.P @ jacobian.T).item() + noise2)
        s_wanted = max(s, nu**2 / self.c[k.OUTLIER_SIGMA] ** 2)
        kf.update(
            measured,
            lambda x: jacobian,
            lambda x: np.array([[predicted + jacobian[0, 3] * x[3, 0]]]),
            R=np.array([[noise2 + s_wanted - s]]),
        )
        self.log_likelihood += -0.5 * (nu**2 / s_wanted + math.log(2 * math.pi * s_wanted))

    def voltage(self, t: int) -> tuple[float, np.ndarray]:
        """U without e, and its derivatives by (z, i1, i2, e, b)."""
        c, table = self.c, self.inputs.table
        res, slow, shift = self.p(k.RESISTANCE), self.p(k.DIFFUSION), self.p(k.SHIFT)
        # where the member's own curves place its charge; the shift fades to nothing at full
        z = self.z_mean + shift * np.clip((1 - self.z_mean) / 0.05, 0, 1)
        dz = 1 - shift / 0.05 if 0 < (1 - self.z_mean) / 0.05 < 1 else 1.0
        k0, k1, k2, k_lag, _ = self.factor
        cell_ah = c[k.CELL_CAPACITY_AH]
        i1, i2 = self.i_mean
        diffusion = float(physics.diffusion_current(i2, self.i3_mean))

        def at(column: int, soc: float) -> float:
            return float(np.interp(soc, NODES, table[:, column]))

        drive = k_lag * slow * diffusion / cell_ah
        g = c[k.SAT_LAG_C] * math.asinh(drive / c[k.SAT_LAG_C])
        dg = k_lag * slow / cell_ah / math.sqrt(1 + (drive / c[k.SAT_LAG_C]) ** 2)
        lam = at(k.LAG, z)
        if g < 0:
            x = lam * abs(g) / z
            z_s = z * math.exp(-x)
        else:
            x = lam * g / (1 - z)
            z_s = 1 - (1 - z) * math.exp(-x)
        dzs_dz, dzs_did = math.exp(-x) * (1 + x), lam * dg * math.exp(-x)
        left = min(int(z_s * (len(NODES) - 1)), len(NODES) - 2)
        s1 = c[k.SAT1_C] * cell_ah / k1
        kelvin = self.inputs.temperature_c[t] + self.p(k.TEMPERATURE_K)
        # U is a sum of the tables' columns at z_s, each times what it acts on
        acts = {
            k.OCV: 1.0,
            k.ENTROPY: kelvin - c[k.T_REF_C],
            k.HYST: self.p(k.HYSTERESIS) * self.h,
            k.R0: res * k0 * self.amps,
            k.R1: res * k1 * s1 * math.asinh(i1 / s1),
            k.R2: slow * k2 * diffusion,
        }
        volt = sum(at(column, z_s) * size for column, size in acts.items()) + self.p(k.VOLTAGE_V)
        nodes = np.linspace(0.0, 1.0, k.CURVE_NODES)
        curve_v = self.inputs.parameters[k.CURVE_V : k.CURVE_V + k.CURVE_NODES, self.member]
        volt += np.interp(z_s, nodes, curve_v)
        rise = (table[left + 1] - table[left]) / (NODES[left + 1] - NODES[left])
        slope = sum(rise[column] * size for column, size in acts.items())
        slope += (np.diff(curve_v) / np.diff(nodes))[np.searchsorted(nodes, z_s, "right") - 1]
        s_e = self.inputs.drive[k.SIGMA_E_V, t]
        by_diffusion = slow * at(k.R2, z_s) * k2 + slope * dzs_did
        jacobian = [
            slope * dzs_dz * dz,
            res * at(k.R1, z_s) * k1 / math.sqrt(1 + (i1 / s1) ** 2),
            physics.SLOW_SHARE * by_diffusion,
            s_e,
            res * at(k.R0, z_s) * k0 + (1.0 - physics.SLOW_SHARE) * by_diffusion,
        ]
        return volt, np.array([jacobian])


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param({}, id="with outliers and a walking bias"),
        pytest.param(
            {"outlier_sigma": 1e6, "bias_walk": 0.0, "bad_v": 0.0, "apart": 0.05},
            id="no outlier rule",
        ),
    ],
)
def test_kernel_equals_filterpy(model: CellModel, changes: dict[str, float]) -> None:
    """Means, covariances and log likelihood of every member to 1e-9 after every step."""
    inputs = make_inputs(model, **changes)
    state, (charge, variance, loglik) = inputs.run()
    for member in range(inputs.state.shape[1]):
        reference = Reference(inputs, member)
        for t in range(len(inputs.dt_s)):
            reference.step(t)
            kf = reference.kf
            assert charge[t, member] == pytest.approx(kf.x[0, 0], abs=1e-9)
            assert variance[t, member] == pytest.approx(kf.P[0, 0], abs=1e-9)
            assert loglik[t, member] == pytest.approx(reference.log_likelihood, abs=1e-7, rel=1e-9)
        np.testing.assert_allclose(state[:5, member], kf.x[:, 0], rtol=0, atol=1e-9)
        np.testing.assert_allclose(covariance(state, member), kf.P, rtol=0, atol=1e-9)
        assert state[k.H, member] == pytest.approx(reference.h, abs=1e-12)


def test_the_mission_exercises_everything(model: CellModel) -> None:
    """The comparison above is worth little if its input never discharges, charges or errs."""
    inputs = make_inputs(model)
    _, (charge, _, _) = inputs.run()
    assert (inputs.row_a < -0.5).any()
    assert (inputs.row_a > 0.5).any()
    assert np.isnan(inputs.voltage_v).any()
    assert (inputs.charge_var > 0).any()
    assert set(inputs.pattern) == {0, 1}
    assert np.ptp(charge) > 0.3
    # the outlier rule changed the answer
    _, (without, _, _) = make_inputs(model, outlier_sigma=1e6).run()
    assert np.abs(charge - without).max() > 1e-3


def test_wrong_sign_of_the_current_is_noticed(model: CellModel) -> None:
    """Negative test: a log whose charge counts as discharge is far less likely."""
    t = np.arange(0.0, 7200.0, 60.0)
    current = np.where(np.arange(len(t)) % 40 < 20, -1.0, 0.0)
    truth = physics.simulate(model, t, current, 25.0, 0.6, h0=-1.0)
    likely = []
    for sign in (1.0, -1.0):
        inputs = make_inputs(model, n=1, steps=len(t) - 1)
        inputs.state[:] = 0.0
        inputs.state[k.Z], inputs.state[k.H] = 0.6, -1.0
        inputs.state[[k.P0, k.P0 + 12]] = [[1e-4], [1.0]]
        inputs.parameters[:] = as_modelled(model.capacity_ah)
        inputs = replace(
            inputs,
            dt_s=np.diff(t),
            drive=make_drive(model, np.diff(t)[:, None], sign * current[1:, None]),
            voltage_v=truth.voltage_v[1:],
            temperature_c=np.full(len(t) - 1, 25.0),
            charge_var=np.zeros(len(t) - 1),
        )
        likely.append(inputs.run()[0][k.LOGLIK, 0])
    assert likely[0] > likely[1] + 50.0


def test_voltage_equals_that_of_the_cell_module(model: CellModel) -> None:
    """Two implementations: the kernel's innovation is zero where `cell.voltage` is measured."""
    rng = np.random.default_rng(2)
    n = 64
    dt = 1e-6  # so short that means over the step and end of the step agree
    inputs = make_inputs(model, n=n, steps=1)
    z, i1, i2 = rng.uniform(0.02, 0.98, n), rng.normal(0, 1, n), rng.normal(0, 1, n)
    h = rng.uniform(-1, 1, n)
    for member in range(n):
        state = np.zeros((k.STATE_ROWS, 1))
        state[[k.Z, k.I1, k.I2, k.H], 0] = z[member], i1[member], i2[member], h[member]
        amps, temp = rng.normal(0, 2), float(rng.integers(-20, 45))
        diffusion = physics.diffusion_current(i2[member], 0.0)  # dt is nothing to the fast mode
        volt = physics.voltage(model, z[member], i1[member], diffusion, h[member], amps, temp)
        one = replace(
            inputs,
            state=state,
            parameters=as_modelled(2.0),
            pattern=np.zeros(1, np.int64),
            dt_s=np.array([dt]),
            drive=make_drive(model, np.array([[dt]]), np.array([[amps]])),
            voltage_v=np.array([float(volt)]),
            temperature_c=np.array([temp]),
            charge_var=np.zeros(1),
        )
        one.common[[k.NOISE_V, k.MINUTE_NOISE_V]] = 1e-3, 0.0
        one.drive[k.SIGMA_E_V] = 0.0
        after, _ = one.run()
        # with P = 0 but for e's dt, the log likelihood is that of a perfect prediction
        best = -0.5 * math.log(2 * math.pi * 1e-6)
        assert after[k.LOGLIK, 0] == pytest.approx(best, abs=1e-6)


def test_threads_and_chunks_change_no_number(model: CellModel) -> None:
    """The same bits for one, two and three threads, and for a run cut into pieces."""
    inputs = make_inputs(model, n=3 * k.BLOCK + 17, steps=60)
    state, out = inputs.run(threads=1)
    for threads in (2, 3):
        other, other_out = inputs.run(threads=threads)
        assert np.array_equal(state, other)
        assert all(np.array_equal(a, b) for a, b in zip(out, other_out, strict=True))
    part = inputs
    rows = []
    for first, last in ((0, 7), (7, 32), (32, 60)):
        end, piece = part.run(threads=2, first=first, last=last)
        part = replace(part, state=end)
        rows.append(piece[0])
    assert np.array_equal(part.state, state)
    assert np.array_equal(np.concatenate(rows), out[0])


def test_temperature_table_is_fine_enough(model: CellModel) -> None:
    """Straight lines between half degrees against the formulas: better than one in a thousand."""
    _, factors = kernel_inputs(model, Settings())
    between = np.linspace(-30.0, 55.0, 1000)
    exact = np.stack(physics.temperature_factors(model, between), axis=-1)
    grid = -60.0 + 0.5 * np.arange(len(factors))
    lines = np.stack([np.interp(between, grid, column) for column in factors.T], axis=-1)
    np.testing.assert_allclose(lines, exact, rtol=1e-3)


# ---------------------------------------------------------------- quantiles


def plain_quantiles(x: np.ndarray, weight: np.ndarray, probabilities: np.ndarray) -> np.ndarray:
    """Inverse of the weighted empirical distribution, by sorting."""
    order = np.argsort(x)
    reached = np.cumsum(weight[order]) / weight.sum()
    return x[order][np.searchsorted(reached, probabilities)]


def test_band_rows_against_a_plain_sort() -> None:
    """Within one bin (1/4096 of full charge) of the sorted, weighted quantiles; moments exact."""
    rng = np.random.default_rng(8)
    steps, n, eta = 12, 3000, 0.4
    z = np.clip(rng.normal(0.5, 0.2, (steps, n)), -0.05, 1.1)
    variance = rng.uniform(0, 4e-4, (steps, n))
    loglik = rng.normal(-2000, 3, (steps, n))
    base, jitter = rng.normal(-1000, 1, n), rng.standard_normal(n)
    probabilities = np.array([0.025, 0.05, 0.25, 0.5, 0.75, 0.95, 0.975])
    quantiles, (mean, std, ess) = np.empty((steps, 7)), np.empty((3, steps))
    kernels_band.bands(
        z, variance, loglik, base, eta, jitter, probabilities, quantiles, mean, std, ess
    )
    for t in range(steps):
        log_weight = eta * (loglik[t] - base)
        weight = np.exp(log_weight - log_weight.max())
        x = np.clip(z[t] + jitter * np.sqrt(variance[t]), 0.0, 1.0)
        plain = plain_quantiles(x, weight, probabilities)
        np.testing.assert_allclose(quantiles[t], plain, rtol=0, atol=1.0 / kernels_band.BINS)
        assert mean[t] == pytest.approx(np.average(x, weights=weight), abs=1e-12)
        spread = np.sqrt(np.average((x - mean[t]) ** 2, weights=weight))
        assert std[t] == pytest.approx(spread, abs=1e-9)
        assert ess[t] == pytest.approx(weight.sum() ** 2 / (weight**2).sum(), rel=1e-12)


def test_rows_shared_by_threads_are_the_same_rows(monkeypatch) -> None:
    """Ranges of rows leave no gap and touch no other's numbers."""
    rng = np.random.default_rng(9)
    rows = (
        rng.uniform(0, 1, (23, 400)),
        rng.uniform(0, 1e-3, (23, 400)),
        rng.normal(0, 3, (23, 400)),
    )
    given = *rows, np.zeros(400), 0.5, rng.standard_normal(400), np.array([0.05, 0.95])
    answers = []
    for least in (10**9, 1):
        monkeypatch.setattr(kernels_band, "LEAST_SHARED", least)
        out = np.full((23, 2), np.nan), *np.full((3, 23), np.nan)
        kernels_band.bands(*given, *out)
        answers.append(np.column_stack(out))
    assert np.isfinite(answers[0]).all()
    np.testing.assert_array_equal(*answers)


def test_band_rows_at_the_edges() -> None:
    """All mass at full or empty stays there; nothing leaves 0..1."""
    probabilities = np.array([0.05, 0.5, 0.95])
    for value, wanted in ((1.4, 1.0), (-0.3, 0.0)):
        z, zero = np.full((1, 500), value), np.zeros((1, 500))
        quantiles, (mean, std, ess) = np.empty((1, 3)), np.empty((3, 1))
        kernels_band.bands(
            z, zero, zero, zero[0], 1.0, zero[0], probabilities, quantiles, mean, std, ess
        )
        np.testing.assert_allclose(quantiles, wanted, atol=1.0 / kernels_band.BINS)
        assert (quantiles >= 0).all()
        assert (quantiles <= 1).all()
        assert mean[0] == wanted


def test_a_faster_decay_is_that_of_a_cell_with_that_decay(model: CellModel) -> None:
    """Where the current keeps its direction within each step: a factor on the decay, or a model
    whose decay is as much larger, are the same."""
    inputs = make_inputs(model, n=8, steps=40)
    one_way = np.abs(inputs.row_a) * np.where(np.arange(40) // 13 % 2, 1.0, -1.0)[:, None]
    ends = []
    for factor, larger in ((1.7, 1.0), (1.0, 1.7), (1.0, 1.0)):
        cell = replace(model, hysteresis_decay=larger * model.hysteresis_decay)
        inputs.parameters[k.DECAY] = factor
        inputs.common[k.GAMMA] = cell.hysteresis_decay
        drive = make_drive(cell, inputs.row_s, one_way)
        ends.append(replace(inputs, row_a=one_way, drive=drive).run()[0])
    np.testing.assert_allclose(ends[0], ends[1], rtol=1e-9, atol=1e-12)
    assert np.abs(ends[0][k.H] - ends[2][k.H]).max() > 0.01
