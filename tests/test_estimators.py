"""Baselines: against closed forms, the readable cell equations and published filter numbers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from socband import cell as physics
from socband.cell import simulate
from socband.errors import InputError
from socband.estimators import (
    ESTIMATORS,
    Prior,
    Window,
    band_dataset,
    cell_temperature,
    estimator_names,
    load_estimator,
    load_estimators,
    step_s,
)
from socband.estimators.ekf import Ekf
from socband.estimators.ekf_bias import EkfBias
from socband.estimators.ensemble import Ensemble
from socband.estimators.filter_model import FilterModel, Noise
from socband.estimators.open_loop import OpenLoop
from socband.estimators.particle import Particle
from socband.estimators.rested_voltage import RestedVoltage
from socband.estimators.ukf import Ukf
from socband.faults import step_means
from socband.logs import Log
from socband.models import load_cell
from socband.posterior import Settings
from socband.posterior_resample import systematic
from socband.scoring import QUANTILES

SEED = 11
#: White noise that the simulated record really has: the filters' own assumptions hold.
NOISE = Noise(current_c_rate=0.002, voltage_v=0.005)


@pytest.fixture(scope="module")
def cell():
    return load_cell("lfp-26650-2ah")


@pytest.fixture(scope="module")
def record(cell) -> Log:
    """Six hours, 60 s steps, on the model itself, voltage with white noise; starts at 80 %."""
    rng = np.random.default_rng(SEED)
    time_s = np.arange(0.0, 6 * 3600.0 + 60.0, 60.0)
    level = np.repeat(rng.uniform(0.0, 0.25, len(time_s) // 15 + 1), 15)[: len(time_s)]
    current = -level * cell.capacity_ah
    run = simulate(cell, time_s, current, 25.0, 0.8)
    voltage = run.voltage_v + NOISE.voltage_v * rng.standard_normal(len(time_s))
    return Log("simulated", time_s, current, voltage, true_soc=run.soc)


@pytest.fixture(scope="module")
def prior(cell, record: Log) -> Prior:
    return Prior.for_record(record, cell).with_display(0.8)


def _rng() -> np.random.Generator:
    return np.random.default_rng(SEED)


def _quantile(answer, p: float) -> np.ndarray:
    return answer["soc_quantile"].sel(quantile=p, method="nearest").values


def test_the_ensemble_answers_for_the_moment_that_it_is_asked_about(cell) -> None:
    """Rows of 10 s, steps of 60 s, one capacity an hour, and nothing unknown worth the name: the
    answer follows the true charge from row to row, and does not stand at the step's end."""
    time_s = np.arange(0.0, 1801.0, 10.0)
    run = simulate(cell, time_s, np.full(len(time_s), -cell.capacity_ah), 25.0, 0.9)
    log = Log("steady", time_s, np.full(len(time_s), -cell.capacity_ah), run.voltage_v,
              np.full(len(time_s), 25.0))  # fmt: skip
    prior = replace(Prior.for_record(log, cell).with_display(0.9), soc0_std=1e-6, gain_std=1e-9,
                    offset_std_a=1e-9, untracked_probability=0.0, capacity_std=1e-9)  # fmt: skip
    settings = Settings(members=64, probabilities=QUANTILES, use_voltage=False)
    middle = _quantile(Ensemble(settings).estimate(log, cell, prior, _rng()), 0.5)
    np.testing.assert_allclose(middle, run.soc, atol=5e-4)  # a bin of the band's histogram is 2e-4


# ---------------------------------------------------------------- the protocol


@pytest.mark.parametrize("name", [n for n in ESTIMATORS if n != "ensemble"])
def test_every_estimator_fits_the_protocol(name: str, cell, record: Log, prior: Prior) -> None:
    short = replace(
        record, **{k: getattr(record, k)[:40] for k in ("time_s", "current_a", "voltage_v")}
    )
    short = replace(short, true_soc=None)
    answer = load_estimator(name).estimate(short, cell, prior, _rng())
    assert answer["soc_quantile"].dims == ("time", "quantile")
    values = answer["soc_quantile"].values
    assert values.shape == (40, len(QUANTILES))
    assert np.all(np.diff(values, axis=1) >= -1e-12)
    assert np.all((values >= 0) & (values <= 1))
    again = load_estimator(name).estimate(short, cell, prior, _rng())
    np.testing.assert_array_equal(values, again["soc_quantile"].values)


def test_registry_names_are_the_issue_s() -> None:
    assert list(ESTIMATORS) == [
        *("display", "rested_voltage", "ekf", "ukf", "particle", "ekf_bias"),
        *("open_loop", "ensemble"),
    ]
    assert estimator_names("ekf, display,ekf") == ["ekf", "display"]
    assert set(estimator_names("all")) <= set(ESTIMATORS)


def test_own_estimator_from_a_file(tmp_path: Path, cell, record: Log, prior: Prior) -> None:
    own = tmp_path / "own.py"
    own.write_text(
        "from socband.estimators import normal_band\n"
        "import numpy as np\n"
        "class Half:\n"
        "    def estimate(self, log, cell, prior, rng):\n"
        "        n = len(log)\n"
        "        return normal_band(log, np.full(n, 0.5), np.full(n, 0.1))\n"
        "class NoMethod:\n    pass\n"
        "class Needs:\n    def __init__(self, x):\n        pass\n"
    )
    answer = load_estimator(f"{own}:Half").estimate(record, cell, prior, _rng())
    assert _quantile(answer, 0.5) == pytest.approx(0.5)
    assert _quantile(answer, 0.95) == pytest.approx(0.5 + 0.1 * 1.6449, abs=1e-4)
    wrong = [f"{own}:NoMethod", f"{own}:Needs", f"{own}:Missing", f"{tmp_path}/no.py:X"]
    with pytest.raises(InputError) as raised:
        load_estimators([*wrong, "ekff"])
    assert len(raised.value.problems) == 5  # all of them at once
    assert "did you mean 'ekf'" in str(raised.value)


# ---------------------------------------------------------------- the model they share


def test_scalar_voltage_is_the_reference_voltage(cell, record: Log, prior: Prior) -> None:
    """The filters' scalar look-up against socband.cell.voltage on random states, to 1e-12 V."""
    cold = replace(prior, temperature_c=-5.0)
    model = FilterModel.from_log(record, cell, cold)
    rng = _rng()
    for k in range(0, len(record), 7):
        z, i1, i2 = rng.uniform(0, 1), *rng.normal(0, 1, 2)
        expected = physics.voltage(
            cell, z, i1, physics.diffusion_current(i2, model.i3_a[k]), model.hysteresis[k],
            record.current_a[k], model.temperature_c[k],
        )  # fmt: skip
        assert model.voltage(k, z, i1, i2) == pytest.approx(float(expected), abs=1e-12)


def test_the_cell_warms_where_the_log_has_no_temperature(cell, prior: Prior) -> None:
    """C·dT/dt = I·(U − U_rest) + I·T·dU/dT − hA·(T − T_air) at 1C, against scipy solve_ivp.

    The heat is that of Bernardi, Pawlikowski, Newman 1985, 10.1149/1.2113792, U_rest the branch of
    the open-circuit voltage; half a percent for the steps of 5 s, whose heat is that of
    their start.
    """
    from scipy.integrate import solve_ivp

    time_s = np.arange(0.0, 2400.0, 5.0)
    current = np.full(len(time_s), -cell.capacity_ah)
    usable_ah = cell.capacity_ah * float(physics.temperature_factors(cell, 25.0)[4])
    prior = prior.with_display(0.9, usable_ah)
    run = simulate(cell, time_s, current, 25.0, 0.9, self_heating=True)
    log = Log("warm", time_s, current, run.voltage_v)
    warm = cell_temperature(log, cell, prior)
    np.testing.assert_allclose(warm, run.temperature_c, rtol=1e-12)
    tables = physics.CellTables.from_model(cell)
    ocv, gap = (physics.look_up(tables, c, run.soc) for c in (physics.OCV, physics.GAP))
    slow = physics.diffusion_current(run.i2_a, run.i3_a)
    surface = physics.surface_soc(cell, run.soc, slow, run.temperature_c)
    entropy = physics.look_up(tables, physics.ENTROPY, surface)
    over_v = run.voltage_v - ocv - gap * run.hysteresis - (run.temperature_c - 25.0) * entropy

    def slope(t: float, temperature_c: np.ndarray) -> np.ndarray:
        heat_w = current[0] * np.interp(t, time_s, over_v)
        heat_w += current[0] * (temperature_c + 273.15) * np.interp(t, time_s, entropy)
        lost_w = cell.heat_conductance_w_per_k * (temperature_c - 25.0)
        return (heat_w - lost_w) / cell.heat_capacity_j_per_k

    solved = solve_ivp(slope, (0.0, time_s[-1]), [25.0], rtol=1e-8, max_step=20.0).y[0, -1]
    assert solved > 28.0
    assert warm[-1] - 25.0 == pytest.approx(solved - 25.0, rel=5e-3)
    measured = replace(log, temperature_c=np.full(len(time_s), 31.0))
    assert np.all(cell_temperature(measured, cell, prior) == 31.0)


def test_transition_is_the_simulated_cell(cell, record: Log, prior: Prior) -> None:
    """x ← F·x + B·I over the record against socband.cell.simulate (charge and both branches)."""
    model = FilterModel.from_log(record, cell, prior)
    # Without what the filter model leaves out, self-discharge.
    pure = replace(cell, self_discharge_per_day=0.0)
    run = simulate(pure, record.time_s, record.current_a, 25.0, 0.8)
    x = np.array([0.8, 0.0, 0.0])
    for k in range(1, len(record)):
        f, b = model.transition(k)
        x = f @ x + b * record.current_a[k]
        np.testing.assert_allclose(x, [run.soc[k], run.i1_a[k], run.i2_a[k]], rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(model.i3_a, run.i3_a, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(model.hysteresis, run.hysteresis, atol=1e-12)


def test_jacobian_of_the_ohmic_and_rc_part(cell, record: Log, prior: Prior) -> None:
    """∂U/∂i1 at i1 = 0 is R1(z)·k1 in closed form; ∂U/∂z without current is near the OCV slope."""
    model = FilterModel.from_log(replace(record, current_a=0 * record.current_a), cell, prior)
    h = model.jacobian(5, 0.55, 0.0, 0.0)[0]
    r1 = float(physics.look_up(model.tables, physics.R1, 0.55))
    assert h[1] == pytest.approx(r1, rel=1e-4)
    low, high = (float(physics.look_up(model.tables, physics.OCV, z)) for z in (0.548, 0.552))
    assert h[0] == pytest.approx((high - low) / 0.004, rel=1e-6)


# ---------------------------------------------------------------- what they find


@pytest.mark.parametrize("kind", [Ekf, Ukf, Particle])
def test_white_noise_filters_work_where_their_assumptions_hold(
    kind, cell, record: Log, prior: Prior
) -> None:
    """No monitor faults, white noise only, a start wrong by 6 %: they find the charge."""
    wrong = prior.with_display(0.74)
    answer = kind(NOISE).estimate(record, cell, wrong, _rng())
    error = _quantile(answer, 0.5) - record.true_soc
    assert abs(error[0]) > 0.01
    assert np.abs(error[len(error) // 2 :]).mean() < 0.02
    inside = (record.true_soc >= _quantile(answer, 0.025)) & (
        record.true_soc <= _quantile(answer, 0.975)
    )
    assert inside.mean() > 0.6


def test_ekf_and_ukf_agree_where_the_model_is_nearly_linear(
    cell, record: Log, prior: Prior
) -> None:
    """Two filters, one model: a nonlinear filter equals the linear one on a linear model."""
    tight = replace(prior, soc0_std=0.01)
    noise = Noise(0.002, 0.05)
    a = Ekf(noise).estimate(record, cell, tight, _rng())
    b = Ukf(noise).estimate(record, cell, tight, _rng())
    part = slice(0, 150)  # above the knee
    assert np.abs(a["mean"].values - b["mean"].values)[part].max() < 0.004


def test_ekf_without_information_is_dead_reckoning(cell, record: Log, prior: Prior) -> None:
    """R → ∞: mean counts coulombs, variance grows by (σ·Δt/Q)² a step.

    Closed form of white noise: Movassagh et al. 2021, 10.3390/en14144074.
    """
    noise = Noise(0.01, 1e6)
    answer = Ekf(noise).estimate(record, cell, prior, _rng())
    q_as = 3600.0 * prior.assumed_capacity_ah
    expected = 0.8 + np.cumsum(record.current_a * step_s(record)) / q_as
    np.testing.assert_allclose(answer["mean"].values, expected, atol=1e-9)
    n = np.arange(len(record))
    variance = 0.08**2 + n * (0.01 * cell.capacity_ah * 60.0 / q_as) ** 2
    np.testing.assert_allclose(answer["std"].values ** 2, variance, rtol=1e-6)


def test_noise_of_continuous_time_does_not_depend_on_the_step(
    cell, record: Log, prior: Prior
) -> None:
    """The same record at 60 and 120 s: the band is as wide, which it is not per step.

    Information adds up as rows/R, so per step it doubles with the rows: σ falls by √2.
    """
    coarse = step_means(record, 120.0)

    def width(noise: Noise, log: Log) -> float:
        answer = Ekf(noise).estimate(log, cell, prior, _rng())
        return float(answer["std"].values[len(log) // 4])

    scaled, fixed = Noise(0.0, 0.3, step_s=120.0), Noise(0.0, 0.3)
    assert width(scaled, record) == pytest.approx(width(scaled, coarse), rel=0.03)
    assert width(fixed, record) < 0.97 * width(fixed, coarse)


def test_bias_filter_without_information_widens_by_its_prior(
    cell, record: Log, prior: Prior
) -> None:
    """R → ∞, Q = 0: variance σ0² + (σ_b·t/Q)², mean moved by the prior's mean bias."""
    answer = EkfBias(Noise(0.0, 1e6)).estimate(record, cell, prior, _rng())
    q_as = 3600.0 * prior.assumed_capacity_ah
    variance = 0.08**2 + (prior.bias_std_a * record.time_s / q_as) ** 2
    np.testing.assert_allclose(answer["std"].values ** 2, variance, rtol=1e-6)
    counted = 0.8 + np.cumsum(record.current_a * step_s(record)) / q_as
    expected = counted - prior.bias_mean_a * record.time_s / q_as
    keep = expected > 0
    np.testing.assert_allclose(answer["mean"].values[keep], expected[keep], atol=1e-9)


def test_bias_moments_are_those_of_the_prior(prior: Prior) -> None:
    """Against 200,000 draws, six standard errors."""
    rng = _rng()
    n = 200_000
    load = np.where(rng.random(n) < 0.5, rng.exponential(prior.untracked_mean_a, n), 0.0)
    drawn = prior.offset_std_a * rng.standard_normal(n) + load
    assert abs(drawn.mean() - prior.bias_mean_a) < 6 * drawn.std() / np.sqrt(n)
    assert drawn.std() == pytest.approx(prior.bias_std_a, rel=0.03)


def test_open_loop_spread_in_closed_form(cell, record: Log, prior: Prior) -> None:
    """Var = σ0² + (σ_off·t/Q)² + (ε·throughput/Q)²; one source at a time.

    Closed forms: Movassagh et al. 2021, 10.3390/en14144074.

    Standard deviations of 5,000 members within six standard errors.
    """
    middle = prior.with_display(0.5)
    flat = replace(record, current_a=np.full(len(record), -0.02), true_soc=None)
    none = replace(
        middle,
        soc0_std=1e-6,
        offset_std_a=0.0,
        gain_std=0.0,
        drift_std_a=0.0,
        untracked_probability=0.0,
        capacity_std=0.0,
    )
    hours, q = record.time_s[-1] / 3600, none.assumed_capacity_ah
    cases = (
        ({"offset_std_a": 0.01}, 0.01 * hours / q),
        ({"gain_std": 0.02}, 0.02 * 0.02 * hours / q),
        ({"capacity_std": 0.05}, 0.05 * 0.02 * hours / q),
        ({"soc0_std": 0.05}, 0.05),
    )
    m = 5_000
    for change, expected in cases:
        answer = OpenLoop(m).estimate(flat, cell, replace(none, **change), _rng())
        # Second order of 1/(1 + ε): gain and capacity by less than ε².
        assert answer["std"].values[-1] == pytest.approx(expected, rel=6 / np.sqrt(2 * m) + 0.01)
    with_load = replace(none, untracked_probability=1.0, untracked_mean_a=0.02)
    answer = OpenLoop(m).estimate(flat, cell, with_load, _rng())
    lowered = 0.5 - 0.02 * hours / q - float(answer["mean"].values[-1])
    # Mean of an exponential, its windows (std below 1.2 means); six standard errors.
    assert lowered == pytest.approx(0.02 * hours / q, rel=6 * 1.2 / np.sqrt(m))


def test_systematic_resampling_is_filterpy_s(monkeypatch: pytest.MonkeyPatch) -> None:
    """filterpy.monte_carlo.systematic_resample on the same uniform number."""
    import filterpy.monte_carlo.resampling as theirs

    rng = _rng()
    for _ in range(20):
        weight = rng.dirichlet(np.ones(50))
        u = rng.random()
        monkeypatch.setattr(theirs, "random", lambda value=u: value)

        class Fixed:
            def random(self, value=u):
                return value

        np.testing.assert_array_equal(
            systematic(weight, Fixed()), theirs.systematic_resample(weight)
        )


def test_rested_voltage_reads_the_charge_off_a_rest(cell) -> None:
    """After a long rest on the open-circuit curve, the look-up finds the charge where it is steep.

    True charge 12 %, display 30 %: OCV there rises by some 20 mV within 5 % (model file).
    """
    time_s = np.arange(0.0, 7200.0, 60.0)
    run = simulate(cell, time_s, np.zeros(len(time_s)), 25.0, 0.12)
    log = Log("rest", time_s, np.zeros(len(time_s)), run.voltage_v)
    prior = Prior.for_record(log, cell).with_display(0.30)
    answer = RestedVoltage().estimate(log, cell, prior, _rng())
    middle = _quantile(answer, 0.5)
    assert middle[0] == pytest.approx(0.30)
    assert middle[-1] == pytest.approx(0.12, abs=0.03)
    # On the plateau the voltage says little: the band there is wider.
    run = simulate(cell, time_s, np.zeros(len(time_s)), 25.0, 0.55)
    flat = RestedVoltage().estimate(replace(log, voltage_v=run.voltage_v), cell, prior, _rng())

    def width(answer) -> float:
        return float(_quantile(answer, 0.95)[-1] - _quantile(answer, 0.05)[-1])

    assert width(flat) > 2 * width(answer)


# ---------------------------------------------------------------- published filter numbers


def test_welch_and_bishop_recursion() -> None:
    """Welch & Bishop TR 95-041 constant (inputs seen there, recursion computed)."""
    from filterpy.kalman import KalmanFilter

    kf = KalmanFilter(dim_x=1, dim_z=1)
    kf.F, kf.H = np.eye(1), np.eye(1)
    kf.Q, kf.R, kf.P = np.array([[1e-5]]), np.array([[0.01]]), np.array([[1.0]])
    variance = []
    for _ in range(50):
        kf.predict()
        kf.update(np.array([[-0.37727]]))
        variance.append(float(kf.P[0, 0]))
    for step, expected in ((1, 9.9010e-3), (2, 4.9776e-3), (10, 1.0273e-3), (50, 3.3921e-4)):
        assert variance[step - 1] == pytest.approx(expected, rel=1e-4)


def test_unscented_transform_of_a_square() -> None:
    """n = 1, λ = 2, x ~ N(3, 0.5), y = x²: mean 9.5, variance 18.5 exact (moments of a normal).

    λ = α²(n+κ) − n = 2 with α = 1, κ = 2, β = 0 (van der Merwe, Julier).
    """
    from filterpy.kalman import MerweScaledSigmaPoints, unscented_transform

    points = MerweScaledSigmaPoints(1, alpha=1.0, beta=0.0, kappa=2.0)
    sigmas = points.sigma_points(np.array([3.0]), np.array([[0.5]]))
    mean, covariance = unscented_transform(sigmas**2, points.Wm, points.Wc)
    assert mean[0] == pytest.approx(9.5, abs=1e-12)
    assert covariance[0, 0] == pytest.approx(18.5, abs=1e-12)


def test_window_and_dataset_attributes(record: Log) -> None:
    assert Window(100.0, 0.0, 0.5).active(np.array([0.0, 49.0, 51.0, 149.0])).tolist() == [
        *(True, True, False, True)
    ]
    answer = band_dataset(record, np.full((len(record), len(QUANTILES)), 1.5))
    assert answer["soc_quantile"].max() == 1.0  # a charge above full is not stated
    assert answer["time"].attrs["units"] == "s"
