"""Each piece of evidence against Bayes' rule worked out another way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from toys import EMPTY_V, SLOPE_V, straight_cell

from socband import kernels as k
from socband.evidence import (
    CapacityTest,
    ClampReading,
    Context,
    FullCharge,
    RestedVoltage,
    kalman_update,
    missed_by,
)
from socband.models import CellModel, load_cell
from socband.track import Scale

N = 5
ONE = Scale()
LOG_2PI = np.log(2.0 * np.pi)


def make_state(seed: int = 0) -> np.ndarray:
    """Members with full, different covariances."""
    rng = np.random.default_rng(seed)
    state = np.zeros((k.STATE_ROWS, N))
    state[k.Z] = rng.uniform(0.4, 0.95, N)
    state[k.I1 : k.B + 1] = rng.normal(0, 0.1, (4, N))
    for j in range(N):
        root = rng.standard_normal((5, 5)) * np.array([0.02, 0.1, 0.1, 0.5, 0.05])[:, None]
        state[k.P0 :, j] = (root @ root.T)[np.triu_indices(5)]
    state[k.LOGLIK] = rng.normal(-3, 1, N)
    return state


def matrix(state: np.ndarray, j: int) -> np.ndarray:
    full = np.zeros((5, 5))
    full[np.triu_indices(5)] = state[k.P0 :, j]
    return full + np.triu(full, 1).T


def context(cell: CellModel, scale: Scale = ONE, eta: float = 1.0, **changes) -> Context:
    rng = np.random.default_rng(1)
    parameters = np.zeros((k.PARAMETER_ROWS, N))
    parameters[k.GAIN] = rng.normal(1, 0.01, N)
    parameters[k.UNTRACKED_A] = rng.exponential(0.02, N)
    parameters[k.CAPACITY_AH] = cell.capacity_ah * rng.uniform(0.8, 1.0, N)
    parameters[k.RESISTANCE] = 1.0
    values = dict(
        cell=cell,
        scale=scale,
        parameters=parameters,
        seen_a=-3.0,
        untracked_on=np.array([0.0, 1.0, 1.0, 0.5, 0.0]),
        temperature_c=25.0,
        eta=eta,
        error_scale=1.0,
    )
    return Context(**(values | changes))


def gaussian_bayes(
    x: np.ndarray, p: np.ndarray, h: np.ndarray, nu: float, r: float
) -> tuple[np.ndarray, np.ndarray, float]:
    """Information form of one scalar measurement, and the density of its innovation."""
    precision = np.linalg.inv(p) + np.outer(h, h) / r
    cov = np.linalg.inv(precision)
    s = h @ p @ h + r
    return x + cov @ h * nu / r, cov, -0.5 * (nu**2 / s + LOG_2PI + np.log(s))


def assert_updated(before: np.ndarray, after: np.ndarray, h, nu, r, eta: float) -> None:
    for j, variance in enumerate(np.broadcast_to(r, N)):
        mean, cov, density = gaussian_bayes(before[:5, j], matrix(before, j), h[j], nu[j], variance)
        np.testing.assert_allclose(after[:5, j], mean, atol=1e-10)
        np.testing.assert_allclose(matrix(after, j), cov, atol=1e-10)
        gained = after[k.LOGLIK, j] - before[k.LOGLIK, j]
        assert gained == pytest.approx(density / eta, rel=1e-9)


def test_kalman_update_is_gaussian_bayes() -> None:
    """The information form of the same measurement; the likelihood divided by eta."""
    before = make_state()
    h = np.tile([0.7, 0.0, -0.1, 0.02, 0.0], (N, 1))
    nu = np.linspace(-0.05, 0.05, N)
    after = before.copy()
    kalman_update(after, {0: 0.7, 2: -0.1, 3: 0.02}, nu, 1e-4, 0.3)
    assert_updated(before, after, h, nu, 1e-4, 0.3)


def test_clamp_reading() -> None:
    """True = gain·seen - untracked while on + b: a direct measurement of b, at bank level."""
    cell, scale = straight_cell(), Scale(cells_in_series=4, cell_per_bank=0.02)
    before, at = make_state(), context(straight_cell(), Scale(4, 0.02), eta=0.2)
    after = before.copy()
    ClampReading(0.0, current_a=-3.4, reading_std_a=0.2).apply(after, at)
    p = at.parameters
    predicted = p[k.GAIN] * -3.0 * 0.02 - p[k.UNTRACKED_A] * at.untracked_on + before[k.B]
    h = np.tile([0.0, 0.0, 0.0, 0.0, 1.0], (N, 1))
    nu = -3.4 * scale.cell_per_bank - predicted
    assert_updated(before, after, h, nu, (0.2 * 0.02) ** 2, 0.2)
    # a display reading of its own replaces the log's
    other = before.copy()
    ClampReading(0.0, -3.4, 0.2, seen_a=-3.0).apply(other, context(cell, scale, 0.2, seen_a=9.0))
    np.testing.assert_array_equal(other, after)
    # an innovation's variance is that of b and of the meter
    std = np.sqrt(np.array([matrix(before, j)[4, 4] for j in range(N)]) + (0.2 * 0.02) ** 2)
    off = ClampReading(0.0, -3.4, 0.2).deviations(before, at)
    np.testing.assert_allclose(off, np.abs(nu) / std)


def test_a_reading_is_missed_by_the_best_members() -> None:
    """A load that one member of five has explains a current; of voltages a twentieth has to."""
    at, state = context(straight_cell(), eta=1.0, seen_a=0.0), make_state()
    at.parameters[k.UNTRACKED_A] = [0.0, 0.0, 0.0, 5.0, 0.0]
    clamp, rested = ClampReading(0.0, -2.5, 0.01), RestedVoltage(0.0, 3.3, 5.0)
    assert missed_by(clamp, state, at) == clamp.deviations(state, at).min()
    wanted = np.quantile(rested.deviations(state, at), 0.05)
    assert missed_by(rested, state, at) == pytest.approx(wanted)
    assert missed_by(FullCharge(0.0, 0.5), state, at) == 0.0


@pytest.mark.parametrize("error_scale", [1.0, 0.7])
def test_rested_voltage_on_a_straight_cell(error_scale: float) -> None:
    """U/4 = 3.0 + 0.5·z + s·e: a linear measurement after a rest long enough to relax."""
    cell = straight_cell(std_v=0.004)
    before, after = make_state(), make_state()
    scale = Scale(cells_in_series=4, cell_per_bank=0.02)
    at = context(cell, scale, eta=0.5, error_scale=error_scale)
    RestedVoltage(0.0, 13.3, rested_hours=100.0, reading_std_v=0.02).apply(after, at)
    s = 0.004 * error_scale
    h = np.tile([SLOPE_V, 0.0, 0.0, s, 0.0], (N, 1))
    nu = 13.3 / 4 - EMPTY_V - SLOPE_V * before[k.Z] - s * before[k.E]
    assert_updated(before, after, h, nu, 0.005**2, 0.5)


def test_a_cold_cell_has_more_left_to_relax() -> None:
    """By hand: the slow part takes 0.4 A · 50 mΩ, falls to 1/e in two hours of its own time
    constant, and is larger by the Arrhenius factor of its resistance at each member's temperature,
    the share of it that has one: 80 % with 30 kJ/mol, 4.2 times in all at -10 °C (computed)."""
    cell = straight_cell(std_v=0.0)
    r2 = replace(cell.r2, ref_ohm=0.05, share=0.2, activation_kj_mol=30.0)
    cell = replace(cell, r2=r2, tau2_s=7200.0)
    before, after = make_state(), make_state()
    at = context(cell, Scale(4, 0.02), temperature_c=-10.0)
    warmer_k = np.array([0.0, 5.0, 20.0, 35.0, -10.0])
    at.parameters[k.TEMPERATURE_K] = warmer_k
    RestedVoltage(0.0, 13.3, rested_hours=2.0, reading_std_v=0.02).apply(after, at)
    kelvin = 263.15 + warmer_k
    factor = 0.2 + 0.8 * np.exp(30e3 / 8.314462618 * (1.0 / kelvin - 1.0 / 298.15))
    assert factor[[0, 3]] == pytest.approx([4.20, 1.0], rel=0.01)
    left_v = 0.4 * 0.05 * factor * np.exp(-1.0)
    h = np.tile([SLOPE_V, 0.0, 0.0, 0.0, 0.0], (N, 1))
    nu = 13.3 / 4 - EMPTY_V - SLOPE_V * before[k.Z]
    assert_updated(before, after, h, nu, 0.005**2 + left_v**2, 1.0)


def test_a_rested_voltage_meets_each_members_own_curve() -> None:
    """On top of a straight cell lies a polygon over evenly spaced nodes; the lasting part of the
    model error is in it, and the rest of the variance is left for the error that passes."""
    rng = np.random.default_rng(9)
    before, after = make_state(), make_state()
    at = context(straight_cell(std_v=0.004), Scale(4, 0.02), lasting_share=0.6)
    curve_v = rng.normal(0.0, 0.003, (k.CURVE_NODES, N))
    at.parameters[k.CURVE_V : k.CURVE_V + k.CURVE_NODES] = curve_v
    RestedVoltage(0.0, 13.3, rested_hours=100.0, reading_std_v=0.02).apply(after, at)
    nodes = np.linspace(0.0, 1.0, k.CURVE_NODES)
    own = np.array([np.interp(before[k.Z, j], nodes, curve_v[:, j]) for j in range(N)])
    passing = 0.8 * 0.004  # sqrt(1 - 0.6²)
    h = np.tile([SLOPE_V, 0.0, 0.0, passing, 0.0], (N, 1))
    nu = 13.3 / 4 - EMPTY_V - SLOPE_V * before[k.Z] - own - passing * before[k.E]
    assert_updated(before, after, h, nu, 0.005**2, 1.0)


def test_a_shift_of_the_curves_fades_towards_full() -> None:
    """As in the filter: whole below 95 % of charge, half at 97.5 %, a fifth at 99 %."""
    before = make_state()
    before[k.Z] = 0.6, 0.94, 0.975, 0.975, 0.99
    before[k.H] = before[k.E] = 0.0
    after, at = before.copy(), context(straight_cell(std_v=0.004), Scale(4, 0.02))
    shift = np.array([0.02, 0.02, 0.02, 0.0, 0.02])
    at.parameters[k.SHIFT] = shift
    RestedVoltage(0.0, 13.8, rested_hours=100.0, reading_std_v=0.02).apply(after, at)
    share = np.array([1.0, 1.0, 0.5, 0.5, 0.2])
    moves = 1.0 - np.where(share < 1.0, shift / 0.05, 0.0)
    h = np.zeros((N, 5))
    h[:, 0], h[:, 3] = SLOPE_V * moves, 0.004
    nu = 13.8 / 4 - EMPTY_V - SLOPE_V * (before[k.Z] + share * shift)
    assert_updated(before, after, h, nu, 0.005**2, 1.0)


def test_what_has_not_relaxed_is_the_slow_branch() -> None:
    """R2·C/5, falling by e in an hour or the branch's time constant, beside the meter's 5 mV."""
    cell, state = load_cell("lfp-18650-2ah"), make_state()
    state[k.P0 :] = 0.0  # a state known exactly: the reading's variance is all of it
    for hours in (0.0, 2.0, 100.0):
        after = state.copy()
        after[k.LOGLIK] = 0.0
        RestedVoltage(0.0, 4 * 3.3, hours).apply(after, context(cell, Scale(4, 0.02)))
        left = 0.2 * cell.capacity_ah * cell.r2.ref_ohm
        left *= np.exp(-hours * 3600.0 / max(cell.tau2_s, 3600.0))
        probe = state.copy()
        probe[k.LOGLIK] = 0.0
        RestedVoltage(0.0, 4 * 3.3, 1e9, 4 * np.hypot(0.005, left)).apply(
            probe, context(cell, Scale(4, 0.02))
        )
        np.testing.assert_allclose(after[k.LOGLIK], probe[k.LOGLIK])


def test_a_short_rest_counts_for_less() -> None:
    """Negative test of the relaxation: with a real cell the same reading teaches less early."""
    cell = load_cell("lfp-18650-2ah")
    left = []
    for hours in (0.1, 1.0, 10.0):
        state = make_state()
        RestedVoltage(0.0, 3.31, hours).apply(state, context(cell))
        left.append(state[k.P0].copy())
    assert (left[0] > left[1]).all()
    assert (left[1] > left[2]).all()


@pytest.mark.parametrize("true_probability", [1.0, 0.6, 0.0])
def test_full_charge_is_a_mixture(true_probability: float) -> None:
    """Charge 1 ± 0.01; or 0.89 ± 0.06 at a false full, one in ten of them at any charge: moments by
    numerical integration."""
    before, after = make_state(), make_state()
    piece = FullCharge(0.0, true_probability)
    piece.apply(after, context(straight_cell(), eta=0.4))

    def density(x: np.ndarray, mean: float, std: float) -> np.ndarray:
        return np.exp(-0.5 * ((x - mean) / std) ** 2) / (std * np.sqrt(2 * np.pi))

    for j in range(N):
        z0, std = before[k.Z, j], np.sqrt(before[k.P0, j])
        z = np.linspace(z0 - 8 * std, max(z0 + 8 * std, 1.2), 400_001)
        likely = true_probability * density(z, 1.0, 0.01)
        likely += (1 - true_probability) * (0.9 * density(z, 0.89, 0.06) + 0.1)
        joint = density(z, z0, std) * likely
        total = np.trapezoid(joint, z)
        mean = np.trapezoid(z * joint, z) / total
        variance = np.trapezoid((z - mean) ** 2 * joint, z) / total
        if total < 1e-250:
            continue  # beyond what the integral's doubles hold
        assert after[k.Z, j] == pytest.approx(mean, abs=1e-8)
        assert after[k.P0, j] == pytest.approx(variance, rel=1e-5)
        gained = after[k.LOGLIK, j] - before[k.LOGLIK, j]
        assert gained == pytest.approx(np.log(total) / 0.4, abs=1e-5)
        assert (np.linalg.eigvalsh(matrix(after, j)) > 0).all()


def test_a_full_charge_far_off_counts_as_far_off() -> None:
    """35 and 70 deviations of 1 % and no covariance: the normal log density, not one floor."""
    state = np.zeros((k.STATE_ROWS, 2))
    state[k.Z] = 0.65, 0.3
    FullCharge(0.0, 1.0).apply(state, context(straight_cell()))
    wanted = -0.5 * np.array([35.0, 70.0]) ** 2 - 0.5 * LOG_2PI - np.log(0.01)
    np.testing.assert_allclose(state[k.LOGLIK], wanted)


@pytest.mark.parametrize("true_probability", [0.6, 0.5, 0.02])
def test_a_false_full_far_from_full_is_no_news(true_probability: float) -> None:
    """A bank at 40 ± 3 %: that somebody called it full, and may have erred, moves nothing."""
    state = np.zeros((k.STATE_ROWS, 1))
    state[k.Z], state[k.P0] = 0.4, 0.03**2
    piece, at = FullCharge(0.0, true_probability), context(straight_cell())
    assert missed_by(piece, state, at) == 0.0
    piece.apply(state, at)
    assert state[k.Z, 0] == pytest.approx(0.4, abs=1e-6)
    assert state[k.P0, 0] == pytest.approx(0.03**2, rel=1e-3)


def test_a_watched_full_charge_far_from_full_is_missed() -> None:
    """(1 - 0.4)/hypot(0.03, 0.01), in deviations: `replay` refuses it."""
    state = np.zeros((k.STATE_ROWS, 2))
    state[k.Z], state[k.P0] = (0.4, 0.35), 0.03**2
    missed = missed_by(FullCharge(0.0, 0.98), state, context(straight_cell()))
    assert missed == pytest.approx(0.6 / np.hypot(0.03, 0.01))


def test_capacity_test_weighs_by_the_normal_density() -> None:
    """Log likelihood of each member up to a constant; states untouched."""
    cell, scale = straight_cell(capacity_ah=2.0), Scale(4, 0.02)
    before, after = make_state(), make_state()
    at = context(cell, scale, eta=0.3)
    CapacityTest(0.0, capacity_ah=92.0, reading_std_ah=2.0).apply(after, at)
    members_ah = at.parameters[k.CAPACITY_AH] / scale.cell_per_bank
    wanted = -0.5 * ((92.0 - members_ah) / 2.0) ** 2 / 0.3
    np.testing.assert_allclose(after[k.LOGLIK] - before[k.LOGLIK], wanted)
    np.testing.assert_array_equal(np.delete(after, k.LOGLIK, 0), np.delete(before, k.LOGLIK, 0))


def test_capacity_test_takes_the_temperature() -> None:
    """A cold bank holds less: the same reading then speaks for a larger rated capacity.

    The likeliest member's capacity times the cell's own table of capacity against temperature is
    what was read, to the step of the members' grid.
    """
    cell, read_ah = load_cell("lfp-18650-2ah"), 1.6
    grid_ah = np.linspace(1.4, 2.6, 1201)
    likely = []
    for celsius in (25.0, -25.0):
        state = np.zeros((k.STATE_ROWS, len(grid_ah)))
        parameters = np.zeros((k.PARAMETER_ROWS, len(grid_ah)))
        parameters[k.CAPACITY_AH] = grid_ah
        at = context(cell, temperature_c=celsius, parameters=parameters)
        CapacityTest(0.0, read_ah, 0.05).apply(state, at)
        likely.append(grid_ah[np.argmax(state[k.LOGLIK])])
    table = cell.capacity_temperature
    share = np.interp([25.0, -25.0], table.temperature_c, table.value)
    assert likely == pytest.approx(read_ah / share, abs=1.1e-3)
    assert likely[1] > 1.05 * likely[0]
