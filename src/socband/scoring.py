"""Is a stated band accurate, honest and narrow? Proper scores and coverage, in plain numpy.

Accuracy is about the middle of a band (MAE, RMSE), honesty is about how often the truth lies inside
(coverage, PIT, NEES), sharpness is its width. Proper scores (interval score, CRPS, pinball) weigh
the last two against each other so that neither can be bought with the other.
What this is not: it neither estimates nor plots; `bench` calls it, `bench_report` shows it.

Means over a record are weighted with the length of the steps. Steps of one record are not
independent, so nothing here derives an uncertainty from their number: `bootstrap_interval`
resamples whole records and whole faults.

References: Gneiting & Raftery 2007, J. Am. Stat. Assoc. 102, 359 (10.1198/016214506000001437);
Gneiting, Balabdaoui, Raftery 2007, J. R. Stat. Soc. B 69, 243 (PIT); Bar-Shalom, Li, Kirubarajan
2001, Estimation with Applications to Tracking and Navigation, 5.4 (NEES).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

Array = np.ndarray

#: Probabilities at which an estimator states its band: fine enough that a CRPS taken from them is
#: within 0.4 % of the closed form for a normal distribution (tests/test_scoring.py).
QUANTILES: tuple[float, ...] = (
    *(0.005, 0.025, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5),
    *(0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 0.975, 0.995),
)
#: Nominal levels of the coverage curve; each one's ends are in `QUANTILES`.
LEVELS: tuple[float, ...] = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99)
#: Ranges of the true charge in which coverage is reported apart.
SOC_RANGES: tuple[tuple[float, float], ...] = (
    *((0.0, 0.1), (0.1, 0.25), (0.25, 0.6), (0.6, 0.95), (0.95, 1.0)),
)
PIT_BINS = 20


def soc_range_name(bounds: tuple[float, float]) -> str:
    """`(0.1, 0.25)` → "10-25"."""
    return f"{round(100 * bounds[0])}-{round(100 * bounds[1])}"


# ---------------------------------------------------------------- scores of one forecast


def interval_score(truth: Array, low: Array, high: Array, level: float) -> Array:
    """Interval score of the central `level` interval (Gneiting & Raftery 2007, 6.2, eq. 43).

    (u−l) + (2/α)(l−x)⁺ + (2/α)(x−u)⁺ with α = 1 − level; smaller is better, any one unit.
    """
    alpha = 1.0 - level
    below = np.maximum(low - truth, 0.0)
    above = np.maximum(truth - high, 0.0)
    return (high - low) + (2.0 / alpha) * (below + above)


def pinball(truth: Array, quantile: Array, probability: Array) -> Array:
    """Quantile (pinball) loss: (1{x<q} − p)(q − x); smaller is better, same unit as `truth`."""
    difference = np.asarray(quantile) - np.asarray(truth)
    return (np.asarray(difference > 0, dtype=float) - probability) * difference


def crps_normal(truth: Array, mean: Array, std: Array) -> Array:
    """Continuous ranked probability score of N(mean, std²), closed form.

    σ[z(2Φ(z)−1) + 2φ(z) − 1/√π], z = (x−μ)/σ (Gneiting & Raftery 2007, eq. 21).
    """
    from scipy.special import ndtr

    z = (np.asarray(truth) - mean) / std
    density = np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)
    return std * (z * (2.0 * ndtr(z) - 1.0) + 2.0 * density - 1.0 / np.sqrt(np.pi))


def crps_samples(truth: Array, samples: Array) -> Array:
    """CRPS of the empirical distribution of `samples`, sorted form (energy form sorted).

    E|X−x| − ½E|X−X'| with the mean over all pairs, so it is exact for the step function.

    Args:
        truth: (...).
        samples: (..., m) equally weighted.
    """
    ordered = np.sort(samples, axis=-1)
    m = ordered.shape[-1]
    distance = np.abs(ordered - np.asarray(truth)[..., None]).mean(axis=-1)
    rank = 2.0 * np.arange(1, m + 1) - m - 1.0
    return distance - (ordered * rank).sum(axis=-1) / m**2


def crps_quantiles(truth: Array, quantiles: Array, probabilities: Sequence[float]) -> Array:
    """CRPS of a distribution given by its quantiles, exact for a piecewise linear one.

    CRPS = 2∫ pinball(x, F⁻¹(p), p) dp (Laio & Tamea 2007, 10.5194/hess-11-1267-2007). Between the
    given probabilities F⁻¹ is linear; outside them it stays at the outermost quantile.

    Args:
        truth: (...).
        quantiles: (..., k), not decreasing along k.
        probabilities: (k,) increasing, within (0, 1).
    """
    x = np.asarray(truth, dtype=float)[..., None]
    q = np.asarray(quantiles, dtype=float)
    p = np.asarray(probabilities, dtype=float)
    q = np.concatenate([q[..., :1], q, q[..., -1:]], axis=-1)
    p = np.concatenate([[0.0], p, [1.0]])
    q0, q1, p0, p1 = q[..., :-1], q[..., 1:], p[:-1], p[1:]
    step = q1 - q0
    # Where the quantile function passes the truth inside a piece; outside the piece clipped to it.
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(step > 0, (x - q0) / step, (x > q0).astype(float))
    pc = p0 + np.clip(share, 0.0, 1.0) * (p1 - p0)
    qc = q0 + np.clip(share, 0.0, 1.0) * step

    def simpson(a: Array, b: Array, fa: Array, fm: Array, fb: Array) -> Array:
        return (b - a) / 6.0 * (fa + 4.0 * fm + fb)  # exact: the integrand is quadratic in p

    def integral(a: Array, b: Array, qa: Array, qb: Array, offset: float) -> Array:
        middle = 0.5 * (a + b)
        return simpson(
            a,
            b,
            (offset - a) * (qa - x),
            (offset - middle) * (0.5 * (qa + qb) - x),
            (offset - b) * (qb - x),
        )

    below = integral(p0, pc, q0, qc, 0.0)  # F⁻¹(p) ≤ x: indicator 0
    above = integral(pc, p1, qc, q1, 1.0)
    return 2.0 * (below + above).sum(axis=-1)


def pit(truth: Array, quantiles: Array, probabilities: Sequence[float]) -> Array:
    """Probability integral transform F(truth), F linear between the given quantiles.

    Beyond the outermost quantile the middle of the left-over probability is returned, so values
    stay inside (0, 1). A band without width gives 0.5 on the point and the ends beside it.
    """
    x = np.asarray(truth, dtype=float)
    q = np.asarray(quantiles, dtype=float)
    p = np.asarray(probabilities, dtype=float)
    above = (q < x[..., None]).sum(axis=-1)  # quantiles strictly below the truth
    not_above = (q <= x[..., None]).sum(axis=-1)
    right = np.clip(above, 1, len(p) - 1)
    q0 = np.take_along_axis(q, (right - 1)[..., None], axis=-1)[..., 0]
    q1 = np.take_along_axis(q, right[..., None], axis=-1)[..., 0]
    width = np.where(q1 > q0, q1 - q0, 1.0)
    value = p[right - 1] + (x - q0) / width * (p[right] - p[right - 1])
    tied = not_above - above >= 2  # a jump of F at the truth: the middle of the jump
    if np.any(tied):
        middle = 0.5 * (p[np.minimum(above, len(p) - 1)] + p[np.maximum(not_above - 1, 0)])
        value = np.where(tied, middle, value)
    value = np.where(not_above == 0, 0.5 * p[0], value)
    return np.where(above == len(p), 0.5 * (1.0 + p[-1]), value)


def nees(error: Array, covariance: Array) -> Array:
    """Normalised estimation error squared eᵀP⁻¹e (Bar-Shalom et al. 2001, 5.4.2).

    Args:
        error: (..., n), or (...) for a scalar state.
        covariance: (..., n, n), or (...) variance for a scalar state.
    """
    error, covariance = np.asarray(error, dtype=float), np.asarray(covariance, dtype=float)
    if covariance.shape == error.shape:
        with np.errstate(divide="ignore", invalid="ignore"):
            return error**2 / covariance
    solved = np.linalg.solve(covariance, error[..., None])[..., 0]
    return (error * solved).sum(axis=-1)


def nees_bounds(states: int, runs: int, level: float = 0.95) -> tuple[float, float]:
    """Bounds for the mean NEES of `runs` independent runs if the filter is consistent: χ²(nN)/N."""
    from scipy.special import gammaincinv

    tail = 0.5 * (1.0 - level)
    shape = 0.5 * states * runs
    low, high = 2.0 * gammaincinv(shape, [tail, 1.0 - tail]) / runs
    return float(low), float(high)


def coverage_bounds(nominal: float, runs: int, level: float = 0.95) -> tuple[float, float]:
    """Bounds for the share of `runs` independent truths inside if the band is honest (binomial)."""
    from scipy.stats import binom

    tail = 0.5 * (1.0 - level)
    low, high = binom.ppf([tail, 1.0 - tail], runs, nominal) / runs
    return float(low), float(high)


# ---------------------------------------------------------------- one record


def band(quantiles: Array, probabilities: Sequence[float], level: float) -> tuple[Array, Array]:
    """Ends of the central interval of `level`, from the stated quantiles.

    A probability that was not stated is interpolated between its neighbours, never extrapolated:
    a band wider than what was stated ends at the outermost stated quantile.
    """
    p = np.asarray(probabilities, dtype=float)

    def at(value: float) -> Array:
        near = int(np.argmin(np.abs(p - value)))
        if abs(p[near] - value) < 1e-9:
            return quantiles[..., near]
        right = int(np.clip(np.searchsorted(p, value), 1, len(p) - 1))
        share = np.clip((value - p[right - 1]) / (p[right] - p[right - 1]), 0.0, 1.0)
        return quantiles[..., right - 1] * (1.0 - share) + quantiles[..., right] * share

    return at(0.5 - level / 2.0), at(0.5 + level / 2.0)


def score_record(
    truth_soc: Array,
    soc_quantile: Array,
    probabilities: Sequence[float],
    dt_s: Array | None = None,
    *,
    mean: Array | None = None,
    std: Array | None = None,
    ess: Array | None = None,
) -> dict[str, float | Array]:
    """All scores of one estimator on one record with one fault.

    Args:
        truth_soc: (n,) true charge 0..1; rows with NaN are left out.
        soc_quantile: (n, k) stated quantiles of the charge; no row falls along k.
        probabilities: (k,) their probabilities, increasing, within 0 and 1; 0.5 among them.
        dt_s: (n,) [s] length of the step that ends at each row: the weights; None for equal ones.
        mean, std: (n,) the estimator's own moments for NEES; None: median and, as in a normal
            distribution, the 68 % interval's half width.
        ess: (n,) effective sample size, None where the estimator has none.

    Returns:
        mae, rmse, max_error, bias, width_90, interval_score_90, crps, nees, ess_p05 (floats; NaN
        where undefined), coverage (by `LEVELS`), coverage_90_by_soc and share_by_soc
        (by `SOC_RANGES`), pit (histogram, sums to 1).
    """
    truth_soc = np.asarray(truth_soc, dtype=float)
    q = np.asarray(soc_quantile, dtype=float)
    if q.shape != (len(truth_soc), len(probabilities)):
        raise ValueError(f"soc_quantile {q.shape}, expected {(len(truth_soc), len(probabilities))}")
    weight = np.ones_like(truth_soc) if dt_s is None else np.asarray(dt_s, dtype=float)
    known = np.isfinite(truth_soc) & (weight > 0)
    truth, q, weight = truth_soc[known], q[known], weight[known]
    if not np.all(np.isfinite(q)):
        raise ValueError("a stated quantile is not a finite number")
    weight = weight / weight.sum()

    def average(values: Array) -> float:
        return float(np.sum(weight * values))

    middle = band(q, probabilities, 0.0)[0]
    error = middle - truth
    low, high = band(q, probabilities, 0.9)
    inside = (truth >= low) & (truth <= high)
    coverage = []
    for level in LEVELS:
        a, b = band(q, probabilities, level)
        coverage.append(average((truth >= a) & (truth <= b)))
    by_soc, share = soc_coverage(truth, inside, weight)
    if std is None:
        a, b = band(q, probabilities, 0.6827)
        std_used, mean_used = 0.5 * (b - a), middle
    else:
        std_used = np.asarray(std, dtype=float)[known]
        mean_used = middle if mean is None else np.asarray(mean, dtype=float)[known]
    squared = nees(mean_used - truth, std_used**2)
    histogram, _ = np.histogram(
        pit(truth, q, probabilities), bins=PIT_BINS, range=(0.0, 1.0), weights=weight
    )
    return {
        "mae": average(np.abs(error)),
        "rmse": float(np.sqrt(average(error**2))),
        "max_error": float(np.max(np.abs(error))),
        "bias": average(error),
        "width_90": average(high - low),
        "interval_score_90": average(interval_score(truth, low, high, 0.9)),
        "crps": average(crps_quantiles(truth, q, probabilities)),
        "nees": average(squared) if np.all(std_used > 0) else float("nan"),
        "ess_p05": float("nan")
        if ess is None
        else float(np.quantile(np.asarray(ess)[known], 0.05)),
        "coverage": np.array(coverage),
        "coverage_90_by_soc": by_soc,
        "share_by_soc": share,
        "pit": histogram,
    }


def soc_coverage(truth_soc: Array, inside: Array, weight: Array) -> tuple[Array, Array]:
    """Coverage in each of `SOC_RANGES` (NaN where the record never is) and the share of time."""
    coverage = np.full(len(SOC_RANGES), np.nan)
    share = np.zeros(len(SOC_RANGES))
    for k, (low, high) in enumerate(SOC_RANGES):
        here = (truth_soc >= low) & (truth_soc < high)
        if k == len(SOC_RANGES) - 1:
            here |= truth_soc >= high
        if k == 0:
            here |= truth_soc < low
        share[k] = weight[here].sum()
        if share[k] > 0:
            coverage[k] = np.sum(weight[here] * inside[here]) / share[k]
    return coverage, share


def disconnect_scores(
    truth_hours: Array, quantile_hours: Array, probabilities: Sequence[float]
) -> dict[str, float]:
    """Scores of forecasts of the time until low-voltage disconnect.

    Args:
        truth_hours: (f,) hours that were really left when each forecast was made.
        quantile_hours: (f, k) stated quantiles; may be infinite (no disconnect foreseen).
        probabilities: (k,).

    Returns:
        mae_hours of the median, coverage_90, pinball_hours (mean over forecasts and
        probabilities; infinite if any forecast is), never (share of infinite medians).
    """
    truth = np.asarray(truth_hours, dtype=float)
    q = np.asarray(quantile_hours, dtype=float)
    p = np.asarray(probabilities, dtype=float)
    middle = band(q, probabilities, 0.0)[0]
    low, high = band(q, probabilities, 0.9)
    loss = pinball(truth[:, None], q, p[None, :])
    return {
        "mae_hours": float(np.mean(np.abs(middle - truth))),
        "coverage_90": float(np.mean((truth >= low) & (truth <= high))),
        "pinball_hours": float(np.mean(loss)),
        "never": float(np.mean(~np.isfinite(middle))),
    }


# ---------------------------------------------------------------- pooling


def pool_mean(by_record: Mapping[str, Array], weight: Mapping[str, Array] | None = None) -> float:
    """Mean over faults inside each record, then over records: every record counts the same.

    Args:
        by_record: record → (faults,) values; NaN (undefined) is left out.
        weight: record → (faults,), e.g. the share of time in a range of charge.
    """
    means = []
    for record, values in by_record.items():
        w = np.ones(len(values)) if weight is None else np.asarray(weight[record], dtype=float)
        use = np.isfinite(values) & (w > 0)
        if np.any(use):
            means.append(np.sum(w[use] * values[use]) / np.sum(w[use]))
    return float(np.mean(means)) if means else float("nan")


def bootstrap_interval(
    by_record: Mapping[str, Array],
    rng: np.random.Generator,
    weight: Mapping[str, Array] | None = None,
    level: float = 0.9,
    draws: int = 500,
) -> tuple[float, float]:
    """Percentile interval of `pool_mean` under resampling of records, then of faults in each.

    Time steps are never resampled: they are not independent (Davison & Hinkley 1997, 3.8,
    hierarchical data). With a handful of records the interval is itself rough.
    """
    counts = np.array([len(values) for values in by_record.values()])
    values = np.full((len(counts), counts.max(initial=1)), np.nan)
    weights = np.zeros_like(values)
    for k, (name, given) in enumerate(by_record.items()):
        values[k, : counts[k]] = given
        weights[k, : counts[k]] = 1.0 if weight is None else weight[name]
    weights = np.where(np.isfinite(values), weights, 0.0)
    values = np.where(weights > 0, values, 0.0)
    pooled = np.empty(draws)
    for d in range(draws):
        record = rng.integers(0, len(counts), len(counts))[:, None]
        fault = np.floor(rng.random(values.shape) * counts[record]).astype(int)
        counted = np.arange(values.shape[1]) < counts[record]
        w = weights[record, fault] * counted
        total = w.sum(axis=1)
        means = (w * values[record, fault]).sum(axis=1)[total > 0] / total[total > 0]
        pooled[d] = means.mean() if len(means) else np.nan
    finite = pooled[np.isfinite(pooled)]
    if not len(finite):
        return float("nan"), float("nan")
    low, high = np.quantile(finite, [0.5 - level / 2.0, 0.5 + level / 2.0])
    return float(low), float(high)
