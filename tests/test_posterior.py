"""The ensemble on a straight cell, where Bayes' rule has a closed form.

With a straight OCV the voltage is linear in start charge and offset, all noise is normal, and the
posterior follows from generalised least squares with the covariance of an Ornstein-Uhlenbeck
process plus white noise: an oracle in plain numpy that shares no code with the filters. Monte Carlo
tolerances are standard errors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from toys import EMPTY_V, SLOPE_V, straight_cell

from socband.evidence import CapacityTest, ClampReading, Evidence, FullCharge
from socband.kernels_layout import CAPACITY_AH, CURVE_NODES, LOGLIK
from socband.logs import Log
from socband.models import CellModel, load_cell
from socband.posterior import Posterior, Settings, _Run, condition
from socband.posterior_resample import systematic
from socband.quantity import Quantity
from socband.site_fields import Hours
from socband.track import Scale, Track
from socband.unknowns import CURVE_LENGTH, NAMES, STEADY, Pattern, Unknowns, score_matrix

SOC_MEAN, SOC_STD = 0.6, 0.05
OFFSET_STD_A = 0.02
STEPS, DT_S = 96, 300.0


def fixed(value: float) -> Quantity:
    return Quantity.from_number(value)


def normal(loc: float, scale: float) -> Quantity:
    return Quantity.from_dist("norm", loc=loc, scale=scale)


UNKNOWNS = Unknowns(
    start_soc=normal(SOC_MEAN, SOC_STD),
    offset_a=normal(0.0, OFFSET_STD_A),
    gain_error=fixed(0.0),
    untracked_probability=0.0,
    untracked_a=fixed(0.0),
    capacity_fraction=fixed(1.0),
    resistance_factor=fixed(1.0),
    hysteresis_start=fixed(0.0),
    temperature_offset_k=fixed(0.0),
)

PLAIN = Settings(
    lasting_share=0.0,
    eta=1.0,
    error_scale=1.0,
    tau_scale=1.0,
    least_noise_v=0.0,
    outlier_sigma=1e6,
    ess_share=0.0,
)


def make_track(cell: CellModel, seed: int = 3, offset_a: float = 0.015) -> Track:
    """A synthetic record: true start charge 0.63, a monitor that reads `offset_a` too much."""
    rng = np.random.default_rng(seed)
    seen = np.where(np.arange(STEPS) % 8 < 5, -0.05, 0.03) + 0.01 * rng.standard_normal(STEPS)
    true_a = seen - offset_a
    q = DT_S / (3600.0 * cell.capacity_ah)
    charge = 0.63 + q * (np.cumsum(true_a) - 0.5 * true_a)
    error = cell.voltage_error
    keep = np.exp(-DT_S / error.tau_s)
    e = [error.std_v * rng.standard_normal()]
    for _ in range(STEPS - 1):
        e.append(keep * e[-1] + error.std_v * np.sqrt(1 - keep**2) * rng.standard_normal())
    volt = EMPTY_V + SLOPE_V * charge + cell.r0.ref_ohm * true_a + np.array(e)
    volt += error.noise_v * rng.standard_normal(STEPS)
    time_s = DT_S * np.arange(STEPS + 1)
    log = Log("synthetic", time_s, np.append(0.0, seen), np.append(volt[0], volt))
    return Track.from_log(log, cell, Scale(), 25.0, step_s=DT_S)


def closed_form(
    cell: CellModel,
    track: Track,
    eta: float = 1.0,
    clamp_std_a: float | None = None,
    lasting: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Posterior mean (2,) and covariance (2, 2) of charge at the end and offset.

    Generalised least squares for U - R0·I - U0 = S·(z0 + q·ΣI - q·o·(k - ½)) - R0·o + noise.
    """
    n = len(track)
    q = DT_S / (3600.0 * cell.capacity_ah)
    mid = np.arange(n) + 0.5
    counted = q * (np.cumsum(track.current_a) - 0.5 * track.current_a)
    y = track.voltage_v - EMPTY_V - SLOPE_V * counted - cell.r0.ref_ohm * track.current_a
    design = np.stack([np.full(n, SLOPE_V), -SLOPE_V * q * mid - cell.r0.ref_ohm], axis=1)
    error = cell.voltage_error
    apart = np.abs(track.time_s[:, None] - track.time_s[None, :])
    noise = error.std_v**2 * np.exp(-apart / error.tau_s) * (1.0 - lasting**2)
    noise += error.noise_v**2 * np.eye(n)
    # of a curve, straight between nodes, at the charges as they would be from the prior's mean
    nodes = np.linspace(0.0, 1.0, CURVE_NODES)
    hats = np.stack([np.interp(SOC_MEAN + counted, nodes, unit) for unit in np.eye(CURVE_NODES)])
    smooth = np.exp(-0.5 * (np.subtract.outer(nodes, nodes) / CURVE_LENGTH) ** 2)
    noise += (lasting * error.std_v) ** 2 * hats.T @ smooth @ hats
    prior = np.diag([SOC_STD**-2, OFFSET_STD_A**-2])
    precision = prior + eta * design.T @ np.linalg.solve(noise, design)
    right = prior @ [SOC_MEAN, 0.0] + eta * design.T @ np.linalg.solve(noise, y)
    if clamp_std_a is not None:  # a clamp meter that reads exactly what the monitor shows
        precision[1, 1] += clamp_std_a**-2
    cov = np.linalg.inv(precision)
    to_end = np.array([[1.0, -q * n], [0.0, 1.0]])
    mean = to_end @ cov @ right + [q * track.current_a.sum(), 0.0]
    return mean, to_end @ cov @ to_end.T


def assert_charge(posterior: Posterior, mean: np.ndarray, cov: np.ndarray) -> None:
    """Weighted mean, deviation and quantiles at the end, within five standard errors."""
    std = np.sqrt(cov[0, 0])
    ess = posterior.ess[-1]
    assert ess > 200
    assert abs(posterior.mean[-1] - mean[0]) < 5 * std / np.sqrt(ess)
    assert abs(posterior.std[-1] - std) < 5 * std / np.sqrt(2 * ess)
    for p, z in ((0.05, -1.6449), (0.95, 1.6449)):  # normal quantile; its density is 0.1031
        column = Settings().probabilities.index(p)
        error = np.sqrt(p * (1 - p) / ess) * std / 0.1031
        assert abs(posterior.quantiles[-1, column] - (mean[0] + z * std)) < 5 * error


@pytest.mark.parametrize(
    "split",
    [
        pytest.param({}, id="clouds as by default"),
        pytest.param({"cloud_soc": 0.0, "cloud_bias": 0.0}, id="members are points"),
        pytest.param({"cloud_soc": 0.03, "cloud_bias": 0.9}, id="mostly within the filters"),
    ],
)
def test_weighted_members_are_the_posterior(split: dict[str, float]) -> None:
    """However the prior is split between members and their clouds, the posterior is the same."""
    cell = straight_cell(std_v=0.02, noise_v=0.01)
    track = make_track(cell)
    settings = replace(PLAIN, members=8000, chunk=STEPS, moves=1, **split)
    posterior = condition(track, cell, UNKNOWNS, settings)
    assert_charge(posterior, *closed_form(cell, track))


def test_learning_rate_tempers_the_voltages() -> None:
    """Members as points: the posterior is prior times likelihood to the power eta, exactly."""
    cell = straight_cell(std_v=0.02, noise_v=0.01)
    track = make_track(cell)
    settings = replace(
        PLAIN, members=8000, chunk=STEPS, moves=1, eta=0.25, cloud_soc=0.0, cloud_bias=0.0
    )
    posterior = condition(track, cell, UNKNOWNS, settings)
    assert_charge(posterior, *closed_form(cell, track, eta=0.25))


def test_an_error_of_the_curve_stays() -> None:
    """Generalised least squares with the covariance of a random curve in place of a part."""
    cell = straight_cell(std_v=0.006, noise_v=0.004)
    track = make_track(cell)
    settings = replace(PLAIN, members=16_000, chunk=STEPS, moves=1, lasting_share=0.9)
    posterior = condition(track, cell, UNKNOWNS, settings)
    lasting = closed_form(cell, track, lasting=0.9)
    assert_charge(posterior, *lasting)
    # and it is another answer than that to an error that passes
    assert np.sqrt(lasting[1][0, 0] / closed_form(cell, track)[1][0, 0]) > 1.15


@pytest.mark.parametrize("eta", [1.0, 0.25])
def test_a_reading_by_hand_counts_in_full(eta: float) -> None:
    """A clamp reading is not tempered: its precision adds whatever the learning rate."""
    cell = straight_cell(std_v=0.02, noise_v=0.01)
    track = make_track(cell)
    settings = replace(
        PLAIN, members=8000, chunk=STEPS, moves=1, eta=eta, cloud_soc=0.0, cloud_bias=0.0
    )
    clamp = ClampReading(track.time_s[40], current_a=-0.05, reading_std_a=0.02, seen_a=-0.05)
    posterior = condition(track, cell, UNKNOWNS, settings, [clamp])
    assert_charge(posterior, *closed_form(cell, track, eta=eta, clamp_std_a=0.02))


def test_resampling_and_moves_keep_the_posterior() -> None:
    """IBIS: eight seeds of a run with many resamplings; their mean against the closed form.

    The standard error comes from the seeds themselves; 5.4 of them are Student's t with seven
    degrees of freedom at one in a thousand.
    """
    cell = straight_cell(std_v=0.001, noise_v=0.0005)
    track = make_track(cell)
    mean, cov = closed_form(cell, track)
    ends, times = [], 0
    for seed in range(8):
        settings = replace(PLAIN, members=1000, seed=seed, ess_share=0.5, chunk=8)
        posterior = condition(track, cell, UNKNOWNS, settings)
        times += len(posterior.resampled_at_s)
        members = posterior.members
        draws = np.stack([members.soc, members.offset_a])
        ends.append(np.concatenate([draws.mean(axis=1), draws.std(axis=1)]))
    assert times >= 16  # one in the middle of each run and one at its end
    ends = np.array(ends)
    exact = np.concatenate([mean, np.sqrt(np.diag(cov))])
    error = ends.std(axis=0, ddof=1) / np.sqrt(len(ends))
    assert (np.abs(ends.mean(axis=0) - exact) < 5.4 * error + 1e-4 * exact[2]).all()


def test_branches_of_a_short_log_are_handed_on_whole() -> None:
    """Members that begin with a diffusion current and rest since: both modes are i·exp(-t/τ)."""
    cell = load_cell("lfp-26650-2ah")
    hours, step_s = 0.5, 60.0
    n = round(3600.0 * hours / step_s)
    time_s = step_s * np.arange(n + 1)
    log = Log("rest", time_s, np.zeros(n + 1), np.full(n + 1, 3.29))
    track = Track.from_log(log, cell, Scale(), 25.0)
    unknowns = replace(UNKNOWNS, offset_a=Quantity.from_number(0.0))
    settings = Settings(members=200, use_voltage=False)
    found = condition(track, cell, unknowns, settings)
    slow = NAMES.index("slow_current_start")
    start_a = settings.start_branch_c[1] * cell.capacity_ah * found.scores[slow]
    # Sphere, w_n = 10/λ_n², τ_n = 1/λ_n² in R²/D, tan λ = λ, Σ w_n τ_n = 1/35 (Crank, chapter 6).
    square = brentq(lambda x: np.tan(x) - x, 4.4, 4.6) ** 2
    tau3_s = cell.tau2_s * square * (1.0 / 35.0 - 10.0 / square**2) / (1.0 - 10.0 / square)
    for current_a, tau_s in ((found.members.i2_a, cell.tau2_s), (found.members.i3_a, tau3_s)):
        want = start_a * np.exp(-3600.0 * hours / tau_s)
        np.testing.assert_allclose(current_a, want, atol=1e-9)


def test_open_loop_is_the_prior_carried_along() -> None:
    """Without voltage the charge is start + counted - offset·t/C: Movassagh et al. 2021."""
    cell = straight_cell(std_v=0.02, noise_v=0.01)
    track = make_track(cell)
    posterior = condition(track, cell, UNKNOWNS, replace(PLAIN, members=8000, use_voltage=False))
    hours = track.time_s[-1] / 3600.0
    mean = SOC_MEAN + track.current_a.mean() * hours / cell.capacity_ah
    std = np.hypot(SOC_STD, OFFSET_STD_A * hours / cell.capacity_ah)
    n = 8000
    assert posterior.ess[-1] == pytest.approx(n)
    assert abs(posterior.mean[-1] - mean) < 5 * std / np.sqrt(n)
    assert abs(posterior.std[-1] - std) < 5 * std / np.sqrt(2 * n)


def test_wrong_offset_prior_is_noticed() -> None:
    """Negative test: the closed form of another record lies far outside the tolerance."""
    cell = straight_cell(std_v=0.02, noise_v=0.01)
    track = make_track(cell)
    other, _ = closed_form(cell, make_track(cell, offset_a=-0.04))
    posterior = condition(track, cell, UNKNOWNS, replace(PLAIN, members=8000, chunk=STEPS, moves=1))
    assert abs(posterior.mean[-1] - other[0]) > 5 * posterior.std[-1] / np.sqrt(posterior.ess[-1])


def run(evidence: Sequence[Evidence] = (), **settings) -> Posterior:
    cell = straight_cell(std_v=0.02, noise_v=0.01)
    unknowns = replace(
        UNKNOWNS,
        untracked_probability=0.5,
        untracked_a=Quantity.from_dist("expon", loc=0.0, scale=0.05),
        capacity_fraction=normal(0.95, 0.05),
        patterns=(STEADY, Pattern(Hours(((0, 240),)), size=6.0)),
    )
    return condition(
        make_track(cell), cell, unknowns, replace(PLAIN, members=640, **settings), evidence
    )


def test_same_seed_same_numbers_whatever_the_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    results = []
    for threads in (1, 2, 5):
        monkeypatch.setattr("socband.kernels.n_threads", lambda threads=threads: threads)
        results.append(run(ess_share=0.5, seed=4))
    for other in results[1:]:
        assert np.array_equal(results[0].quantiles, other.quantiles)
        assert np.array_equal(results[0].state, other.state)
    assert not np.array_equal(results[0].quantiles, run(ess_share=0.5, seed=5).quantiles)


def test_evidence_falls_at_its_time() -> None:
    """Before it the numbers are untouched; after it they differ; `progress` reaches the end."""
    at = 50
    late = run([FullCharge(DT_S * (at + 0.5), true_probability=0.5)], chunk=STEPS)
    plain = run(chunk=STEPS)
    assert np.array_equal(late.quantiles[: at - 1], plain.quantiles[: at - 1])
    assert not np.array_equal(late.quantiles[at:], plain.quantiles[at:])


def test_capacity_test_moves_the_capacity() -> None:
    """Normal prior N(0.95, 0.05) of the fraction, reading 1.8 ± 0.05 Ah of 2 Ah rated.

    The product of two normals: mean 0.91, deviation 0.0224 (computed); the voltages say next to
    nothing about the capacity here, so open loop.
    """
    posterior = run([CapacityTest(0.0, 1.8, 0.05)], use_voltage=False, ess_share=0.0)
    precision = 0.05**-2 + (0.05 / 2.0) ** -2
    mean = (0.95 * 0.05**-2 + 0.9 * 0.025**-2) / precision
    fraction = posterior.members.capacity_fraction
    ess = posterior.ess[-1] / 4  # after three moves only some of the members are independent
    assert abs(fraction.mean() - mean) < 5 * precision**-0.5 / np.sqrt(ess)


def test_systematic_resampling_keeps_expected_numbers() -> None:
    """Each member is kept floor or ceil of n·weight times (Kitagawa 1996)."""
    weights = np.random.default_rng(1).dirichlet(np.ones(500))
    kept = np.bincount(systematic(weights, np.random.default_rng(2)), minlength=500)
    assert (np.abs(kept - 500 * weights) < 1.0).all()


def test_what_is_known_before_gaps_holds_each_piece_of_evidence_once() -> None:
    """A log whose first step is a gap, with a capacity test before it, and another gap later."""
    cell = straight_cell()
    charge_var = np.zeros(STEPS)
    charge_var[[0, 40]] = 0.05**2
    track = replace(make_track(cell), charge_var=charge_var)
    unknowns = replace(UNKNOWNS, capacity_fraction=normal(1.0, 0.05))
    test = CapacityTest(0.0, 0.97 * cell.capacity_ah, 0.02 * cell.capacity_ah)
    settings = replace(PLAIN, members=64)
    run = _Run(track, cell, unknowns, settings, [test])
    run.run(None)  # lays out the model error's size
    scores = score_matrix(1, 64)
    known = run.before_gaps(scores)
    assert sorted(known) == [0, 40]
    state, parameters, pattern = run.start(scores)
    off = (parameters[CAPACITY_AH] / cell.capacity_ah - 0.97) / 0.02
    np.testing.assert_allclose(known[0][LOGLIK], -0.5 * off**2, rtol=1e-9)
    run.advance(state, parameters, pattern, 0, 40, keep=False)
    np.testing.assert_array_equal(known[40], state)


def test_a_log_without_gaps_starts_no_filter_for_them(monkeypatch: pytest.MonkeyPatch) -> None:
    cell = straight_cell()
    run = _Run(make_track(cell), cell, UNKNOWNS, replace(PLAIN, members=64), [])
    monkeypatch.setattr(run, "start", lambda scores: pytest.fail("started"))
    assert run.before_gaps(score_matrix(1, 64)) == {}


def test_the_hindsight_band_across_a_gap_is_the_closed_form() -> None:
    """Least squares with the gap's charge as a third unknown: what was known before a gap stays.

    The model error is forgotten within a step, so that nothing but charge and offset links the two
    sides.
    """
    cell = straight_cell(std_v=0.004, tau_s=30.0, noise_v=0.01)
    plain, gap, gap_std = make_track(cell), 40, 0.08
    charge_var, voltage_v = np.zeros(STEPS), plain.voltage_v.copy()
    charge_var[gap] = gap_std**2
    voltage_v[gap:] -= SLOPE_V * 0.06  # a load ran unseen
    track = replace(plain, charge_var=charge_var, voltage_v=voltage_v)
    settings = replace(PLAIN, members=8000, chunk=STEPS, moves=2, hindsight=True)
    posterior = condition(track, cell, UNKNOWNS, settings)

    q = DT_S / (3600.0 * cell.capacity_ah)
    seen = np.cumsum(track.current_a)
    behind = (np.arange(STEPS) >= gap).astype(float)
    mid = np.arange(STEPS) + 0.5
    r0 = cell.r0.ref_ohm
    y = voltage_v - EMPTY_V - SLOPE_V * q * (seen - 0.5 * track.current_a) - r0 * track.current_a
    design = np.stack([np.full(STEPS, SLOPE_V), -SLOPE_V * q * mid - r0, SLOPE_V * behind], axis=1)
    noise = 0.004**2 + 0.01**2
    prior = np.diag([SOC_STD**-2, OFFSET_STD_A**-2, gap_std**-2])
    cov = np.linalg.inv(prior + design.T @ design / noise)
    middle = cov @ (prior @ [SOC_MEAN, 0.0, 0.0] + design.T @ y / noise)
    ends = np.stack([np.ones(STEPS), -q * (mid + 0.5), behind], axis=1)
    mean = ends @ middle + q * seen
    std = np.sqrt(np.einsum("ij,jk,ik->i", ends, cov, ends))
    assert std[gap - 1] < 0.5 * gap_std  # what the gap adds is not added to what lies before it
    ess = posterior.ess[-1]
    assert ess > 200
    columns = [Settings().probabilities.index(p) for p in (0.05, 0.5, 0.95)]
    low, median, high = posterior.hindsight_quantiles[:, columns].T
    # standard errors of a normal sample's quantiles: 1.25 and 2.11 deviations over the root of ess
    assert np.all(np.abs(median - mean) < 5 * 1.25 * std / np.sqrt(ess))
    assert np.all(np.abs(high - mean - 1.6449 * std) < 5 * 2.11 * std / np.sqrt(ess))
    assert np.all(np.abs(mean - low - 1.6449 * std) < 5 * 2.11 * std / np.sqrt(ess))


def test_a_minute_of_short_steps_is_worth_one_long_one() -> None:
    """White noise of a minute: 240 of them leave 4 mV / sqrt(240), however finely they are cut.

    By hand with nothing else unknown: 1 / (0.05^-2 + 240 (SLOPE_V / 4 mV)^2).
    """
    cell = straight_cell()
    sure = replace(cell.voltage_error, std_v=1e-6, std_soc=0.0, noise_v=1e-6)
    cell = replace(cell, voltage_error=sure)
    unknowns = replace(UNKNOWNS, offset_a=fixed(0.0))
    time_s = np.arange(0.0, 4 * 3600.0 + 1.0, 10.0)
    log = Log("still", time_s, np.zeros(len(time_s)), np.full(len(time_s), EMPTY_V + SLOPE_V * 0.6))
    settings = replace(PLAIN, members=2000, least_noise_v=0.004)
    wanted = (SOC_STD**-2 + 240.0 * (SLOPE_V / 0.004) ** 2) ** -0.5
    for step_s in (10.0, 60.0):
        track = Track.from_log(log, cell, Scale(), 25.0, step_s=step_s)
        found = condition(track, cell, unknowns, settings)
        ess = found.ess[-1]
        assert ess > 100
        assert abs(found.std[-1] / wanted - 1.0) < 5.0 / np.sqrt(2.0 * ess)
