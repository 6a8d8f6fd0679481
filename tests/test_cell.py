"""Cell equations against scipy.integrate.solve_ivp, their limits, published Arrhenius factors."""

from __future__ import annotations

import numpy as np
import pytest

from socband import cell as physics
from socband import kernels_shift
from socband.cell import (
    FAST_TIME,
    SLOW_SHARE,
    CellTables,
    diffusion_current,
    simulate,
    stands_at,
    surface_soc,
    voltage,
)
from socband.models import load_cell


@pytest.fixture(scope="module")
def model():
    return load_cell("lfp-26650-2ah")


def test_arrhenius_published():
    """R(0 °C)/R(25 °C) at 20, 30, 40 kJ/mol: exp[(E/R)(1/T − 1/T_ref)] by hand."""
    factor = physics.arrhenius(np.array([20.0, 30.0, 40.0]), 0.0)
    np.testing.assert_allclose(factor, [2.09, 3.03, 4.38], atol=0.005)


def test_arrhenius_wrong_sign_would_fail():
    assert physics.arrhenius(30.0, 40.0) < 1.0 < physics.arrhenius(30.0, 10.0)


def _profile():
    rng = np.random.default_rng(4)
    time_s = np.concatenate([[0.0], np.cumsum(rng.uniform(5.0, 400.0, 60))])
    return time_s, rng.uniform(-1.5, 1.2, time_s.size)


def _rates(cell, self_heating):
    """The module's equations written once more, as rates of change."""
    s = CellTables.from_model(cell).scalars

    def rate(_t, y, current, air_c):
        z, i1, i2, i3, h, temperature_c = y
        fraction = physics.temperature_factors(cell, temperature_c)[4]
        charge_as = 3600.0 * s.capacity_ah * float(fraction)
        eta = s.coulombic_efficiency if current > 0 else 1.0
        warming = 0.0
        if self_heating:
            slow = diffusion_current(i2, i3)
            u = float(voltage(cell, z, i1, slow, h, current, temperature_c))
            tables = CellTables.from_model(cell)
            z_s = surface_soc(cell, z, slow, temperature_c)
            slope = float(physics.look_up(tables, physics.ENTROPY, z_s))
            rest = float(physics.look_up(tables, physics.OCV, z))
            rest += float(physics.look_up(tables, physics.GAP, z)) * h
            over = u - rest - (temperature_c - s.reference_temperature_c) * slope
            watt = current * (over + (temperature_c + 273.15) * slope)
            warming = watt - s.heat_conductance_w_per_k * (temperature_c - air_c)
            warming /= s.heat_capacity_j_per_k
        return [
            eta * current / charge_as - s.self_discharge_per_day / 86400.0,
            (current - i1) / s.tau1_s,
            (current - i2) / s.tau2_s,
            (current - i3) / (FAST_TIME * s.tau2_s),
            abs(s.decay * current) / charge_as * (np.sign(current) - h),
            warming,
        ]

    return rate


def _integrate(cell, time_s, current_a, air_c, state, self_heating):
    from scipy.integrate import solve_ivp

    rows = [state]
    for k in range(1, len(time_s)):
        solved = solve_ivp(
            _rates(cell, self_heating), (time_s[k - 1], time_s[k]), rows[-1],
            args=(current_a[k], air_c), rtol=1e-9, atol=1e-11, max_step=20.0,
        )  # fmt: skip
        rows.append(solved.y[:, -1])
    return np.array(rows)


def test_simulate_against_solve_ivp(model):
    """Exact steps: equal to scipy.integrate.solve_ivp on the same rates of change."""
    time_s, current_a = _profile()
    got = simulate(model, time_s, current_a, 12.0, 0.6, 0.3)
    want = _integrate(model, time_s, current_a, 12.0, [0.6, 0.0, 0.0, 0.0, 0.3, 12.0], False)
    np.testing.assert_allclose(got.soc, want[:, 0], atol=1e-8)
    np.testing.assert_allclose(got.i1_a, want[:, 1], atol=1e-7)
    np.testing.assert_allclose(got.i2_a, want[:, 2], atol=1e-7)
    np.testing.assert_allclose(got.i3_a, want[:, 3], atol=1e-7)
    np.testing.assert_allclose(got.hysteresis, want[:, 4], atol=1e-7)
    slow = diffusion_current(want[:, 2], want[:, 3])
    u = voltage(model, want[:, 0], want[:, 1], slow, want[:, 4], current_a, 12.0)
    np.testing.assert_allclose(got.voltage_v, u, atol=1e-6)


def test_self_heating_against_solve_ivp(model):
    """The loss is held over a step: at 1 s steps within 0.5 % of solve_ivp's rise."""
    time_s = np.arange(0.0, 900.0)
    current_a = np.full(time_s.size, -3.0)
    got = simulate(model, time_s, current_a, 10.0, 0.7, 0.0, self_heating=True)
    ends = np.array([0.0, 899.0])
    want = _integrate(model, ends, np.full(2, -3.0), 10.0, [0.7, 0.0, 0.0, 0.0, 0.0, 10.0], True)
    rise = want[-1, 5] - 10.0
    assert rise > 0.5
    assert got.temperature_c[-1] - 10.0 == pytest.approx(rise, rel=5e-3)


def test_members_at_once_are_members_one_by_one(model):
    time_s, current_a = _profile()
    both = simulate(model, time_s, np.stack([current_a, -current_a]), 25.0, np.array([0.4, 0.6]))
    for k, (start, sign) in enumerate(((0.4, 1.0), (0.6, -1.0))):
        alone = simulate(model, time_s, sign * current_a, 25.0, start)
        np.testing.assert_array_equal(both.voltage_v[k], alone.voltage_v)


def test_two_modes_stand_for_a_sphere():
    """Surface lag of a sphere after a step of flux, Crank chapter 6: 1 − Σ 10/λ_n² exp(−λ_n² t).

    The roots of tan λ = λ by scipy; time in R²/D. Both modes together have its mean time exactly
    (Σ 10/λ_n⁴ = 1/35) and stay within a fifth of the steady lag at the first moment, within 7 %
    from a tenth of the slow time on.
    """
    from scipy.optimize import brentq

    n = np.arange(1, 400)
    roots = np.array(
        [brentq(lambda x: np.sin(x) - x * np.cos(x), k * np.pi, (k + 0.5) * np.pi) for k in n]
    )
    slow = 1.0 / roots[0] ** 2
    assert SLOW_SHARE == pytest.approx(10.0 / roots[0] ** 2, rel=1e-12)
    mean_time = slow * (SLOW_SHARE + (1.0 - SLOW_SHARE) * FAST_TIME)
    assert mean_time == pytest.approx(np.sum(10.0 / roots**4), rel=1e-6)
    time = np.geomspace(1e-3, 5.0, 60) * slow
    exact = 1.0 - np.sum(10.0 / roots**2 * np.exp(-np.outer(time, roots**2)), axis=1)
    modes = 1.0 - diffusion_current(np.exp(-time / slow), np.exp(-time / (FAST_TIME * slow)))
    off = np.abs(modes - exact)
    assert off.max() < 0.2
    assert off[time > 0.1 * slow].max() < 0.07
    assert np.abs(1.0 - np.exp(-time / slow) - exact).max() > 0.25  # one mode alone would not do


def test_surface_charge_limits(model):
    """No current: the mean charge. Any current: within 0..1, on the side the current pushes."""
    z = np.linspace(0.001, 0.999, 200)
    np.testing.assert_allclose(surface_soc(model, z, 0.0), z, atol=1e-12)
    down = surface_soc(model, z, -50.0)
    up = surface_soc(model, z, 50.0)
    assert np.all((down >= 0) & (down < z))
    assert np.all((up <= 1) & (up > z))
    # First order in the current: z_s = z + λ·i_d/capacity.
    tables = CellTables.from_model(model)
    small = 1e-6
    slope = (surface_soc(model, 0.5, small) - surface_soc(model, 0.5, -small)) / (2 * small)
    lag = physics.look_up(tables, physics.LAG, np.array(0.5)) / model.capacity_ah
    assert float(slope) == pytest.approx(float(lag), rel=1e-4)


def test_current_signs(model):
    """Charging lifts the voltage, discharging lowers it; cold, by more."""
    u = voltage(model, 0.5, 0.0, 0.0, 0.0, np.array([-2.0, 0.0, 2.0]), 25.0)
    assert u[0] < u[1] < u[2]
    cold = voltage(model, 0.5, 0.0, 0.0, 0.0, -2.0, -10.0)
    assert voltage(model, 0.5, 0.0, 0.0, 0.0, -2.0, 25.0) > cold


def test_saturation_is_linear_when_small():
    assert physics.saturate(1e-6, 1.0) == pytest.approx(1e-6, rel=1e-9)
    assert physics.saturate(np.array(100.0), 1.0) == pytest.approx(np.log(200.0), rel=1e-4)


def test_trace_is_the_same_cell(model):
    """The fit's compiled path against the plain one, on a known charge."""
    from socband.identify_trace import trace

    time_s, current_a = _profile()
    tables = CellTables.from_model(model)
    got = simulate(model, time_s, current_a, 5.0, 0.5, -0.4)
    dt_s = np.diff(time_s, prepend=time_s[0])
    charge_ah = model.capacity_ah * float(physics.temperature_factors(model, 5.0)[4])
    out = trace(tables.table, tables.scalars, dt_s, current_a, got.soc, np.full(61, 5.0), 1,
                charge_ah, -0.4, False)  # fmt: skip
    np.testing.assert_allclose(out[:, 0], got.voltage_v, atol=1e-10)
    np.testing.assert_allclose(out[:, 3], got.hysteresis, atol=1e-12)


def test_where_a_shifted_curve_stands() -> None:
    """By hand, over the last 5 %: nothing at full; at empty nothing if it stands left of the
    model's, all of it if it stands right. The compiled one says the same; slopes by differences."""
    soc = np.array([0.0, 0.01, 0.025, 0.05, 0.5, 0.95, 0.98, 1.0])
    left, _ = stands_at(soc, 0.02)
    np.testing.assert_allclose(
        left - soc, [0.0, 0.004, 0.01, 0.02, 0.02, 0.02, 0.008, 0.0], atol=1e-15
    )
    right, _ = stands_at(soc, -0.02)
    np.testing.assert_allclose(soc - right, [0.02] * 6 + [0.008, 0.0], atol=1e-15)
    told, _ = stands_at(soc, 0.02, in_forecast=False)  # to the filter: empty is anywhere
    np.testing.assert_allclose(told - soc, [0.02] * 6 + [0.008, 0.0], atol=1e-15)
    z = np.linspace(-0.049, 1.049, 400)
    forms = ((True, kernels_shift.stands_at), (False, kernels_shift.stands_in_filter))
    for ahead_of_it, kernel in forms:
        for shift in (-0.03, 0.0, 0.03):
            at, slope = stands_at(z, shift, in_forecast=ahead_of_it)
            ahead, _ = stands_at(z + 1e-9, shift, in_forecast=ahead_of_it)
            np.testing.assert_allclose((ahead - at) / 1e-9, slope, atol=1e-5)
            assert np.all(np.diff(at) > 0.0)
        for shift in (-0.07, -0.03, 0.0, 0.03, 0.07):
            at, slope = stands_at(z, shift, in_forecast=ahead_of_it)
            compiled = np.array([kernel(one, shift) for one in z])
            np.testing.assert_allclose(compiled.T, [at, slope], atol=1e-14)
