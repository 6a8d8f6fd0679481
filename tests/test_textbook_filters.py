"""Published check values of filters, on filterpy as the baselines use it and on our own kernel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from filterpy.kalman import (
    ExtendedKalmanFilter,
    KalmanFilter,
    MerweScaledSigmaPoints,
    unscented_transform,
)
from toys import straight_cell

from socband import kernels as k
from socband.cell import CellTables
from socband.estimators import Prior
from socband.estimators.ekf import Ekf
from socband.estimators.filter_model import Noise
from socband.estimators.ukf import Ukf
from socband.logs import Log
from socband.models import Curve
from socband.posterior import Settings, kernel_inputs

# Welch & Bishop, TR 95-041: constant -0.37727, sigma 0.1, Q 1e-5, R 0.01, P0 1; the variances
# follow from the recursion alone (inputs seen, recursion computed).
WELCH_BISHOP = {1: 9.9010e-3, 2: 4.9776e-3, 10: 1.0273e-3, 50: 3.3921e-4}
STEADY_P, STEADY_K = 3.11267e-4, 0.031127


def readings(n: int) -> np.ndarray:
    return -0.37727 + 0.1 * np.random.default_rng(0).standard_normal(n)


def test_welch_bishop_with_filterpy() -> None:
    """The very class that the baselines are built on."""
    kf = ExtendedKalmanFilter(dim_x=1, dim_z=1)
    kf.x, kf.P = np.zeros((1, 1)), np.eye(1)
    kf.F, kf.Q, kf.R = np.eye(1), np.array([[1e-5]]), np.array([[0.01]])
    for step, value in enumerate(readings(400), 1):
        kf.predict()
        kf.update(np.array([[value]]), lambda x: np.eye(1), lambda x: x)
        if step in WELCH_BISHOP:
            assert kf.P[0, 0] == pytest.approx(WELCH_BISHOP[step], rel=5e-5)
    assert kf.P[0, 0] == pytest.approx(STEADY_P, rel=1e-5)
    assert kf.K[0, 0] == pytest.approx(STEADY_K, rel=2e-5)


def test_welch_bishop_with_our_kernel() -> None:
    """The compiled kernel on an OCV of one volt per unit of charge; means against filterpy.

    A constant of -0.37727 lies below an empty cell: the curve runs on with its end slope.
    """
    n = 400
    cell = replace(straight_cell(std_v=0.0, noise_v=0.1), ocv=Curve((0.0, 1.0), (0.0, 1.0)))
    common, factors = kernel_inputs(cell, Settings(outlier_sigma=1e9))
    values = readings(n)
    state = np.zeros((k.STATE_ROWS, 1))
    state[k.P0] = 1.0
    parameters = np.zeros((k.PARAMETER_ROWS, 1))
    parameters[[k.GAIN, k.CAPACITY_AH, k.RESISTANCE], 0] = 1.0
    charge, variance, loglik = np.empty((3, n, 1))
    k.filter_range(
        0,
        1,
        state,
        parameters,
        np.zeros(1, np.int64),
        np.ones(n),
        np.eye(k.DRIVE_ROWS)[:, [k.HYST_KEEP]] * np.ones(n),
        values,
        np.full(n, 25.0),
        np.ones((1, n)),
        np.full(n, 1e-5),
        np.ascontiguousarray(CellTables.from_model(cell).table),
        factors,
        common,
        charge,
        variance,
        loglik,
    )
    for step, wanted in WELCH_BISHOP.items():
        assert variance[step - 1, 0] == pytest.approx(wanted, rel=5e-5)
    assert variance[-1, 0] == pytest.approx(STEADY_P, rel=1e-5)
    kf = KalmanFilter(dim_x=1, dim_z=1)
    kf.x, kf.P, kf.H = np.zeros((1, 1)), np.eye(1), np.eye(1)
    kf.F, kf.Q, kf.R = np.eye(1), np.array([[1e-5]]), np.array([[0.01]])
    gathered = 0.0
    for step in range(n):
        kf.predict()
        kf.update(values[step])
        gathered += kf.log_likelihood
        assert charge[step, 0] == pytest.approx(kf.x[0, 0], abs=1e-9)
        assert loglik[step, 0] == pytest.approx(gathered, abs=1e-7)
    assert abs(charge[-1, 0] + 0.37727) < 4 * np.sqrt(STEADY_P)


def test_unscented_weights() -> None:
    """λ = α²(n+κ)-n (van der Merwe, Julier, seen): the first weight λ/(n+λ), others 1/(2(n+λ))."""
    for n, alpha, beta, kappa in ((1, 1.0, 0.0, 2.0), (3, 0.1, 2.0, 0.0), (5, 0.5, 2.0, -2.0)):
        points = MerweScaledSigmaPoints(n, alpha=alpha, beta=beta, kappa=kappa)
        lam = alpha**2 * (n + kappa) - n
        assert points.Wm[0] == pytest.approx(lam / (n + lam))
        assert points.Wc[0] == pytest.approx(lam / (n + lam) + 1 - alpha**2 + beta)
        np.testing.assert_allclose(points.Wm[1:], 0.5 / (n + lam))
        np.testing.assert_allclose(points.Wc[1:], 0.5 / (n + lam))
        assert points.Wm.sum() == pytest.approx(1.0)


def test_unscented_transform_of_a_square() -> None:
    """n = 1, λ = 2, x ~ N(3, variance 0.5), y = x²: mean 9.5, variance 18.5, exact (computed)."""
    points = MerweScaledSigmaPoints(1, alpha=1.0, beta=0.0, kappa=2.0)
    sigma = points.sigma_points(np.array([3.0]), np.array([[0.5]]))
    mean, variance = unscented_transform(sigma**2, points.Wm, points.Wc)
    assert mean[0] == pytest.approx(9.5, abs=1e-12)
    assert variance[0, 0] == pytest.approx(18.5, abs=1e-10)


def test_nonlinear_filters_agree_on_a_linear_cell() -> None:
    """EKF and UKF baselines on a straight OCV are the same linear Kalman filter."""
    cell = straight_cell(std_v=0.004)
    rng = np.random.default_rng(4)
    time_s = 60.0 * np.arange(120.0)
    current = -0.4 + 0.3 * rng.standard_normal(120)
    current[0] = 0.0
    soc = 0.8 + np.cumsum(current * 60.0) / (3600.0 * cell.capacity_ah)
    volt = 3.0 + 0.5 * soc + 0.02 * current + 0.01 * rng.standard_normal(120)
    log = Log("linear", time_s, current, volt)
    prior = Prior.for_record(log, cell).with_display(0.75)
    noise = Noise(current_c_rate=0.02, voltage_v=0.01)
    ekf = Ekf(noise).estimate(log, cell, prior, rng)
    ukf = Ukf(noise).estimate(log, cell, prior, rng)
    np.testing.assert_allclose(ekf["mean"], ukf["mean"], atol=1e-6)
    np.testing.assert_allclose(ekf["std"], ukf["std"], rtol=1e-4)
    # and they are right: the truth within three and a half of their standard deviations
    assert (np.abs(ekf["mean"].values[20:] - soc[20:]) < 3.5 * ekf["std"].values[20:]).all()
