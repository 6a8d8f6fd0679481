"""Scores against published values, closed forms and a second implementation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtri

from socband import scoring
from socband.posterior_resample import effective_sample_size
from socband.scoring import (
    LEVELS,
    QUANTILES,
    bootstrap_interval,
    coverage_bounds,
    crps_normal,
    crps_quantiles,
    crps_samples,
    disconnect_scores,
    interval_score,
    nees,
    nees_bounds,
    pinball,
    pit,
    pool_mean,
    score_record,
)

P = np.array(QUANTILES)
NORMAL = ndtri(P)

# CRPS of N(0,1) at y = 0, 1, 2: computed from σ[z(2Φ(z)−1)+2φ(z)−1/√π], Gneiting & Raftery 2007
# eq. 21.
CRPS_STANDARD_NORMAL = {0.0: 0.233695, 1.0: 0.602441, 2.0: 1.452792}


@pytest.mark.parametrize(("y", "expected"), CRPS_STANDARD_NORMAL.items())
def test_crps_closed_form(y: float, expected: float) -> None:
    assert crps_normal(y, 0.0, 1.0) == pytest.approx(expected, abs=1e-6)
    assert crps_normal(5 + 3 * y, 5.0, 3.0) == pytest.approx(3 * expected, abs=3e-6)  # scale


@pytest.mark.parametrize(("y", "expected"), CRPS_STANDARD_NORMAL.items())
def test_crps_from_quantiles_is_within_four_thousandths(y: float, expected: float) -> None:
    assert crps_quantiles(np.array([y]), NORMAL[None], P)[0] == pytest.approx(expected, rel=4e-3)


@pytest.mark.parametrize(("y", "expected"), CRPS_STANDARD_NORMAL.items())
def test_crps_from_samples_within_six_standard_errors(y: float, expected: float) -> None:
    rng = np.random.default_rng(1)
    runs = crps_samples(np.full(200, y), rng.normal(size=(200, 400)))
    # The mean over all pairs is biased by E|X−X'|/(2m) = 1/(m√π) for a standard normal.
    error = runs.mean() - expected - 1 / (400 * np.sqrt(np.pi))
    assert abs(error) < 6 * runs.std() / np.sqrt(200)


def test_crps_of_samples_equals_its_definition() -> None:
    rng = np.random.default_rng(2)
    samples, y = rng.normal(size=7), 0.3
    pairs = np.abs(samples[:, None] - samples[None, :]).mean()  # E|X−x| − ½E|X−X'| (eq. 21)
    assert crps_samples(y, samples) == pytest.approx(
        np.abs(samples - y).mean() - pairs / 2, abs=1e-14
    )


def test_crps_of_quantiles_equals_numerical_integral_of_its_cdf() -> None:
    """CRPS = ∫(F(x) − 1{x ≥ y})² dx (Gneiting & Raftery 2007 eq. 20), F piecewise linear."""
    p = np.array([0.05, 0.25, 0.5, 0.75, 0.95])
    q = np.array([0.1, 0.3, 0.35, 0.7, 0.9])
    x = np.linspace(-1, 2, 600_001)
    cdf = np.where(x < q[0], 0.0, np.where(x >= q[-1], 1.0, np.interp(x, q, p)))
    for y in (-0.2, 0.1, 0.2, 0.35, 0.5, 0.9, 1.3):
        expected = np.sum((cdf - (x >= y)) ** 2) * (x[1] - x[0])
        assert crps_quantiles(y, q, p) == pytest.approx(expected, abs=2e-5)


def test_crps_without_width_is_the_absolute_error() -> None:
    assert crps_quantiles(np.array([0.7]), np.full((1, len(P)), 0.4), P)[0] == pytest.approx(0.3)


def test_scoringrules_agrees() -> None:
    """An independent library as an oracle, where it is installed."""
    scoringrules = pytest.importorskip("scoringrules", reason="scoringrules is not installed")
    rng = np.random.default_rng(3)
    y, samples = rng.normal(size=20), rng.normal(size=(20, 50))
    assert crps_normal(y, 0.2, 1.3) == pytest.approx(
        scoringrules.crps_normal(y, 0.2, 1.3, backend="numpy")
    )
    theirs = scoringrules.crps_ensemble(y, samples, estimator="nrg", backend="numpy")
    assert crps_samples(y, samples) == pytest.approx(theirs)
    theirs = scoringrules.interval_score(
        y, np.full(20, -1.0), np.full(20, 1.0), 0.1, backend="numpy"
    )
    assert interval_score(y, -1.0, 1.0, 0.9) == pytest.approx(theirs)


def test_interval_score_published() -> None:
    """N(0,1), 95 %: x = 0 → 3.91993, x = 2.5 → 25.5214 (formula: the same, 6.2)."""
    low, high = ndtri(0.025), ndtri(0.975)
    assert interval_score(0.0, low, high, 0.95) == pytest.approx(3.91993, abs=1e-5)
    assert interval_score(2.5, low, high, 0.95) == pytest.approx(25.5214, abs=1e-4)
    assert interval_score(-2.5, low, high, 0.95) == pytest.approx(25.5214, abs=1e-4)


def test_pinball_is_half_the_absolute_error_at_the_median() -> None:
    assert pinball(3.0, 5.0, 0.5) == pytest.approx(1.0)
    assert pinball(5.0, 3.0, 0.9) == pytest.approx(1.8)  # (0 − 0.9)(3 − 5), by hand
    assert pinball(3.0, 5.0, 0.9) == pytest.approx(0.2)  # (1 − 0.9)(5 − 3), by hand


@pytest.mark.parametrize(
    ("states", "low", "high"), [(1, 0.742, 1.296), (4, 3.465, 4.573)]
)  # N = 100, computed from χ²
def test_nees_bounds(states: int, low: float, high: float) -> None:
    assert nees_bounds(states, 100) == pytest.approx((low, high), abs=5e-4)


def test_coverage_bounds() -> None:
    """Nominal 90 %, N = 1000: [88.1, 91.8] % (binomial, computed)."""
    assert coverage_bounds(0.9, 1000) == pytest.approx((0.881, 0.918), abs=5e-4)


def test_nees_of_a_vector_is_chi_squared() -> None:
    rng = np.random.default_rng(4)
    covariance = np.array([[2.0, 0.6], [0.6, 0.5]])
    error = rng.multivariate_normal([0, 0], covariance, size=100)
    value = nees(error, np.broadcast_to(covariance, (100, 2, 2))).mean()
    low, high = nees_bounds(2, 100, level=0.9999)
    assert low < value < high
    assert nees(np.array([3.0]), np.array([4.0]))[0] == pytest.approx(2.25)


def test_pit_is_uniform_for_the_right_distribution_and_not_for_a_wrong_one() -> None:
    from scipy.stats import kstest

    rng = np.random.default_rng(5)
    y = rng.normal(size=2000)
    right = pit(y, np.broadcast_to(NORMAL, (2000, len(P))), P)
    narrow = pit(y, np.broadcast_to(0.5 * NORMAL, (2000, len(P))), P)
    inner = (right > P[0]) & (right < P[-1])  # the tails are lumped by construction
    scaled = (right[inner] - P[0]) / (P[-1] - P[0])
    assert kstest(scaled, "uniform").pvalue > 1e-3
    assert kstest(narrow, "uniform").pvalue < 1e-9
    assert pit(np.array([0.0]), NORMAL[None], P)[0] == pytest.approx(0.5)
    assert pit(np.array([0.5]), np.full((1, len(P)), 0.5), P)[0] == pytest.approx(0.5)


def test_effective_sample_size() -> None:
    assert effective_sample_size(np.ones(50)) == pytest.approx(50)
    assert effective_sample_size(np.array([1.0, 0, 0])) == pytest.approx(1)


def _normal_record(spread: float, n: int = 4000) -> dict:
    """Truth drawn from N(0.5, 0.05²), stated spread `spread` times that."""
    rng = np.random.default_rng(6)
    truth = 0.5 + 0.05 * rng.normal(size=n)
    q = np.broadcast_to(0.5 + 0.05 * spread * NORMAL, (n, len(P)))
    return score_record(truth, q, P)


def test_honest_band_covers_what_it_says_and_a_narrow_one_does_not() -> None:
    honest, narrow = _normal_record(1.0), _normal_record(0.5)
    for level, seen in zip(LEVELS, honest["coverage"], strict=True):
        low, high = coverage_bounds(level, 4000, level=0.9999)
        assert low <= seen <= high
    # P(|N| < 1.645/2) = 0.589 for half the width (scipy.special.ndtr)
    assert narrow["coverage"][LEVELS.index(0.9)] == pytest.approx(0.589, abs=0.03)
    assert honest["crps"] < narrow["crps"]
    assert honest["interval_score_90"] < narrow["interval_score_90"]
    low, high = nees_bounds(1, 4000, 0.9999)
    assert low < honest["nees"] < high
    assert narrow["nees"] == pytest.approx(4 * honest["nees"])
    assert honest["width_90"] == pytest.approx(2 * 1.6449 * 0.05, rel=1e-4)
    assert honest["pit"].sum() == pytest.approx(1.0)


def test_score_record_by_hand() -> None:
    """Three rows, the last three times as long; every figure worked out on paper."""
    p = [0.05, 0.25, 0.5, 0.75, 0.95]
    offsets = np.array([-0.2, -0.1, 0.0, 0.1, 0.2])
    q = np.array([0.5, 0.5, 0.5])[:, None] + offsets
    got = score_record(np.array([0.5, 0.65, 0.80]), q, p, dt_s=np.array([1.0, 1.0, 3.0]))
    assert got["mae"] == pytest.approx((0 + 0.15 + 3 * 0.30) / 5)
    assert got["rmse"] == pytest.approx(np.sqrt((0.15**2 + 3 * 0.3**2) / 5))
    assert got["max_error"] == pytest.approx(0.30)
    assert got["bias"] == pytest.approx(-(0.15 + 3 * 0.30) / 5)
    assert got["coverage"][LEVELS.index(0.9)] == pytest.approx(2 / 5)
    assert got["coverage"][LEVELS.index(0.5)] == pytest.approx(1 / 5)
    assert got["width_90"] == pytest.approx(0.4)
    assert got["interval_score_90"] == pytest.approx(0.4 + 20 * 0.1 * 3 / 5)
    assert got["coverage_90_by_soc"][2:4] == pytest.approx([1.0, 1 / 4])  # 25-60 %, 60-95 %
    assert got["share_by_soc"] == pytest.approx([0, 0, 1 / 5, 4 / 5, 0])
    assert np.isnan(got["coverage_90_by_soc"][0])


def test_ranges_of_charge_take_in_the_ends_and_what_lies_beyond() -> None:
    truth = np.array([-0.01, 0.0, 0.1, 1.0, 1.01])
    _, share = scoring.soc_coverage(truth, np.ones(5, bool), np.full(5, 0.2))
    assert share == pytest.approx([0.4, 0.2, 0, 0, 0.4])
    assert [scoring.soc_range_name(r) for r in scoring.SOC_RANGES] == [
        *("0-10", "10-25", "25-60", "60-95", "95-100")
    ]


def test_score_record_refuses_what_it_cannot_score() -> None:
    with pytest.raises(ValueError, match="expected"):
        score_record(np.zeros(3), np.zeros((3, 2)), [0.05, 0.5, 0.95])
    with pytest.raises(ValueError, match="finite"):
        score_record(np.zeros(3), np.full((3, 3), np.nan), [0.05, 0.5, 0.95])


def test_disconnect_scores_by_hand() -> None:
    p = [0.05, 0.5, 0.95]
    truth = np.array([4.0, 10.0])
    q = np.array([[3.0, 5.0, 6.0], [5.0, 6.0, 8.0]])
    got = disconnect_scores(truth, q, p)
    assert got["coverage_90"] == pytest.approx(0.5)
    assert got["mae_hours"] == pytest.approx(2.5)
    losses = [0.95 * 0 + 0.05 * 1, 0.5 * 1, 0.05 * 2, 0.05 * 5, 0.5 * 4, 0.95 * 2]
    assert got["pinball_hours"] == pytest.approx(np.mean(losses))
    assert disconnect_scores(truth, np.full((2, 3), np.inf), p)["never"] == 1.0


def test_pooling_counts_every_record_the_same() -> None:
    values = {"a": np.array([1.0, 3.0]), "b": np.array([10.0, np.nan, 10.0])}
    assert pool_mean(values) == pytest.approx(6.0)
    weights = {"a": np.array([3.0, 1.0]), "b": np.array([1.0, 1.0, 0.0])}
    assert pool_mean(values, weights) == pytest.approx((1.5 + 10) / 2)


def test_bootstrap_covers_the_mean_as_often_as_it_says() -> None:
    """30 records × 3 faults from a two-level normal; 90 % interval, 150 repeats.

    Coverage within six binomial standard errors of 0.9, less the known small-sample shortfall of
    the percentile bootstrap (n = 30 records: below 0.03, Efron & Tibshirani 1993, memory).
    """
    rng = np.random.default_rng(7)
    hits = 0
    for _ in range(150):
        records = {str(k): rng.normal() + 0.5 * rng.normal(size=3) for k in range(30)}
        low, high = bootstrap_interval(records, rng, draws=100)
        hits += low <= 0.0 <= high
    error = 6 * np.sqrt(0.9 * 0.1 / 150)
    assert 0.9 - 0.03 - error < hits / 150 < 0.9 + error
