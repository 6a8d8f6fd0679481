"""The simulated houses of `benchmarks/simulated_truth.py`, and that the posterior fits them.

Small: the benchmark itself ranks hundreds of houses. Seeds are fixed, tolerances are standard
errors or chi-squared bounds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from scipy import stats
from scripts import benchmark

from socband import kernels as k
from socband.models import CellModel, load_cell
from socband.posterior import Settings, _Run
from socband.unknowns import score_matrix

TOLERANCE = 5.0 * np.sqrt(2.0 / (10 * 720))  # of a mean of chi-squared, ten houses or more


@pytest.fixture(scope="module")
def st() -> Iterator[ModuleType]:
    with benchmark("simulated_truth") as module:
        yield module


@pytest.fixture(scope="module")
def cell(st: ModuleType) -> CellModel:
    return st.without_error_along_charge(load_cell("lfp-26650-2ah"))


def chi2_of_the_truth(
    st: ModuleType, cell: CellModel, own_curve: bool = False, **changes: float
) -> tuple[float, float]:
    """Mean squared innovation of a filter that knows the truth, over the noise; error in charge.

    The model errs by nothing, or by a curve of the cell's own alone.
    """
    told = replace(st.UNMEASURED, lasting_share=1.0) if own_curve else st.MEASURED
    std_v = cell.voltage_error.std_v if own_curve else 1e-9
    error = replace(cell.voltage_error, std_v=std_v, std_v_per_c_rate=0.0)
    quiet = replace(cell, voltage_error=error)
    n, steps, seed = 16, 720, 3
    houses = st.simulate(quiet, "same", n, seed, steps, told)
    scores = score_matrix(seed + 1_000_000, n)
    settings = Settings(members=1, eta=1.0, error_scale=1.0, tau_scale=1.0, cloud_soc=0.0)
    settings = replace(settings, cloud_bias=0.0, outlier_sigma=1e6, least_noise_v=0.0)
    settings = replace(settings, lasting_share=told.lasting_share)
    assert houses.kept.sum() >= 10  # as TOLERANCE goes by
    chi2, apart = [], []
    for j in np.flatnonzero(houses.kept):
        run = _Run(houses.tracks[j], quiet, st.prior(quiet, told), settings, ())
        run.drive[k.SIGMA_E_V], run.drive[k.KEEP_E] = 1e-9, 1.0
        state, parameters, pattern = run.start(scores[:, [j]])
        state[k.I1], state[k.I2] = houses.start_a[:, j]
        parameters[k.FAST_START_A] = houses.start_a[1, j]
        state[k.P0 :] = 0.0
        for name, factor in changes.items():
            parameters[getattr(k, name)] *= factor
        charge, _, loglik = run.advance(state, parameters, pattern, 0, steps, keep=True)
        variance = cell.voltage_error.noise_v**2
        chi2.append(-2.0 * (loglik[-1, 0] + 0.5 * steps * np.log(2 * np.pi * variance)) / steps)
        apart.append(np.abs(charge[:, 0] - houses.soc[j]).max())
    return float(np.mean(chi2)), float(np.max(apart))


@pytest.mark.parametrize("own_curve", [False, True])
def test_the_same_truth_is_the_inference_model(
    st: ModuleType, cell: CellModel, own_curve: bool
) -> None:
    """Two implementations, numpy and kernel: at the truth only the white noise is left."""
    chi2, apart = chi2_of_the_truth(st, cell, own_curve)
    assert apart < 1e-9
    assert abs(chi2 - 1.0) < TOLERANCE


@pytest.mark.parametrize("name", ["RESISTANCE", "DIFFUSION", "GAIN"])
def test_a_wrong_parameter_is_noticed(st: ModuleType, cell: CellModel, name: str) -> None:
    """Negative test: a tenth more of any of them, and the innovations are no longer the noise."""
    assert chi2_of_the_truth(st, cell, **{name: 1.1})[0] > 1.0 + 2.0 * TOLERANCE


@pytest.mark.parametrize("name", ["HYSTERESIS", "DECAY"])
def test_another_hysteresis_is_noticed(st: ModuleType, cell: CellModel, name: str) -> None:
    """Negative test: twice either of them."""
    assert chi2_of_the_truth(st, cell, True, **{name: 2.0})[0] > 1.0 + 2.0 * TOLERANCE


def test_the_other_truth_is_another_cell(st: ModuleType) -> None:
    """Its error is no smaller than stated and lasts for hours, not for the model's tau."""
    cell = load_cell("lfp-26650-2ah")
    houses = st.simulate(cell, "other", 60, 4, 720)
    error = houses.residual[houses.kept]
    assert error.std() > 1.0
    error = error - error.mean(axis=1, keepdims=True)
    hour = round(3600.0 / st.STEP_S)
    after_an_hour = np.mean(error[:, hour:] * error[:, :-hour]) / error.var()
    assert after_an_hour > 10.0 * np.exp(-3600.0 / cell.voltage_error.tau_s)


def test_random_curves_have_unit_variance(st: ModuleType) -> None:
    """2,000 curves at three charges: mean 0, deviation 1, Gaussian covariance at one length."""
    z = np.broadcast_to([0.2, 0.3, 0.9], (2000, 3))
    curves = st.smooth(z, 0.1, np.random.default_rng(6))
    error = 1.0 / np.sqrt(2000)
    assert (np.abs(curves.mean(axis=0)) < 5 * error).all()
    assert (np.abs(curves.var(axis=0) - 1.0) < 5 * np.sqrt(2) * error).all()
    assert abs(np.mean(curves[:, 0] * curves[:, 1]) - np.exp(-0.5)) < 5 * np.sqrt(2) * error


def test_ranks_tell_a_right_posterior_from_a_narrow_one(st: ModuleType) -> None:
    """Normal mean with a normal prior, exact posterior: uniform. Half as wide: found out."""
    rng = np.random.default_rng(7)
    truth = rng.standard_normal(600)
    seen = truth + rng.standard_normal(600)
    for width, right in ((np.sqrt(0.5), True), (0.5 * np.sqrt(0.5), False)):
        draws = seen[:, None] / 2.0 + width * rng.standard_normal((600, st.DRAWS))
        ranks = [st.rank(d, t, rng) for d, t in zip(draws, truth, strict=True)]
        assert (st.uniformity(np.array(ranks))[1] > 0.001) is right


def test_ties_are_broken_evenly(st: ModuleType) -> None:
    """A truth of none among draws of which half are none: ranks spread over that half."""
    rng = np.random.default_rng(8)
    draws = np.concatenate([np.zeros(100), rng.exponential(1.0, 99)])
    ranks = np.array([st.rank(draws, 0.0, rng) for _ in range(2000)])
    assert stats.kstest(ranks, stats.uniform(0.0, 101 / 200).cdf).pvalue > 0.001


@pytest.mark.parametrize(
    ("told", "members", "effective", "seeds"),
    [("MEASURED", 512, 0.35, (2, 3)), ("UNMEASURED", 640, 0.3, (2,))],
)
def test_well_specified_houses(
    st: ModuleType,
    cell: CellModel,
    told: str,
    members: int,
    effective: float,
    seeds: tuple[int, ...],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Five or ten dozen houses of 12 h: NEES of the charge within 99.9 % bounds, ranks not heaped.

    Told as of a calibrated cell, and as of one that nobody measured: of that one houses are drawn
    with a curve and a hysteresis of their own, in more dimensions, and it takes more members.
    Effective are 0.39 of 512, 0.34 of 256; more than 0.4 of 256 before the 26650 was fitted with
    curves that its records move (2026-12-01), for a sharper model leaves fewer.

    The bounds are of chi-squared (check: n = 1, N = 100, 95 %: 0.742 to 1.296).
    """
    monkeypatch.setattr(st, "STEP_S", 360.0)
    settings = Settings(members=members, eta=1.0, error_scale=1.0, tau_scale=1.0, least_noise_v=0.0)
    settings = replace(settings, probabilities=tuple(np.arange(1, 200) / 200.0))
    verdicts, first = [], 0
    # The true offsets of seed 2 are drawn askew (KS of the prior 0.03): ranks of both together.
    for seed in seeds:
        houses = st.simulate(cell, "same", 64, seed, 120, getattr(st, told))
        for j in np.flatnonzero(houses.kept):
            truth = {
                name: getattr(houses.members, name)[j]
                for name in ("offset_a", "untracked_a", "capacity_fraction")
            }
            one = replace(settings, seed=int(j))
            verdicts.append(
                st.judge(houses.tracks[j], truth, houses.soc[j], cell, one, getattr(st, told))
            )
        first = first or len(verdicts)
    n = len(verdicts)
    low, high = stats.chi2.ppf([0.0005, 0.9995], n) / n
    nees = np.mean([v.nees for v in verdicts], axis=0)
    assert ((nees > low) & (nees < high)).all()
    ranks = np.array([v.ranks for v in verdicts])
    for column in ranks.T:
        assert stats.kstest(column, "uniform").pvalue > 0.001
    ess = [v.ess for v in verdicts[:first]]  # of the houses that the bounds were set on
    assert np.percentile(ess, 5) > effective * settings.members
    assert min(ess) > (effective - 0.05) * settings.members
