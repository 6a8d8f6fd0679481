"""The prior ensemble: streams, distributions, the spike at "no untracked load"."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from socband.cell import polarisation_factor
from socband.kernels_layout import CURVE_NODES
from socband.models import Calibration, load_cell
from socband.quantity import Quantity
from socband.site import setup_from_table
from socband.site_fields import Hours
from socband.unknowns import (
    CURVE_LENGTH,
    MOST_SHIFT,
    NAMES,
    UNCALIBRATED_SLOW_SPREAD,
    Pattern,
    Unknowns,
    cell_unknowns,
    normal_scores,
    score_matrix,
    uniforms,
)

N = 20_000


def quantity(dist: str, **parameters: float) -> Quantity:
    return Quantity.from_dist(dist, **parameters)


PRIOR = Unknowns(
    start_soc=quantity("beta", a=8.0, b=4.0),
    offset_a=quantity("norm", loc=0.01, scale=0.08),
    gain_error=quantity("uniform", loc=-0.01, scale=0.02),
    untracked_probability=0.3,
    untracked_a=quantity("expon", loc=0.0, scale=0.5),
    capacity_fraction=quantity("norm", loc=0.93, scale=0.05),
    resistance_factor=quantity("lognorm", s=0.3, loc=0.0, scale=1.1),
    hysteresis_start=quantity("uniform", loc=-1.0, scale=2.0),
    temperature_offset_k=quantity("norm", loc=0.0, scale=3.0),
    patterns=(Pattern(weight=0.5), Pattern(Hours(((0, 360),)), weight=0.5, size=4.0)),
)


def test_a_longer_draw_begins_with_the_shorter_one() -> None:
    """Counter-based streams: more members change none already drawn."""
    for name in ("offset_a", "anything"):
        long = uniforms(7, name, 5000)
        for n in (1, 2, 3, 999):
            assert np.array_equal(uniforms(7, name, n), long[:n])
    few, many = PRIOR.draw(100, 3), PRIOR.draw(1000, 3)
    for name in few.__dataclass_fields__:
        assert np.array_equal(getattr(few, name), getattr(many, name)[:100]), name


def test_streams_of_other_names_and_seeds_are_others() -> None:
    """No two rows of a score matrix go together: correlations within 4.5 standard errors."""
    scores = np.concatenate([score_matrix(0, N), score_matrix(1, N)])
    correlation = np.corrcoef(scores) - np.eye(len(scores))
    assert np.abs(correlation).max() < 4.5 / np.sqrt(N)


def test_uniforms_are_uniform_and_open() -> None:
    u = uniforms(11, "test", 200_000)
    assert u.min() > 0
    assert u.max() < 1
    assert stats.kstest(u, "uniform").pvalue > 1e-3
    assert stats.kstest(normal_scores(11, "test", N), "norm").pvalue > 1e-3


@pytest.mark.parametrize(
    ("name", "exact"),
    [
        ("soc", stats.beta(8, 4)),
        ("offset_a", stats.norm(0.01, 0.08)),
        ("gain_error", stats.uniform(-0.01, 0.02)),
        ("capacity_fraction", stats.norm(0.93, 0.05)),
        ("resistance_factor", stats.lognorm(0.3, scale=1.1)),
        ("h", stats.uniform(-1, 2)),
        ("temperature_offset_k", stats.norm(0, 3)),
    ],
)
def test_members_follow_the_distributions_asked_for(name: str, exact) -> None:
    """Kolmogorov-Smirnov against scipy.stats; and against a wrong one it fails."""
    values = getattr(PRIOR.draw(N, 0), name)
    assert stats.kstest(values, exact.cdf).pvalue > 1e-3
    assert stats.kstest(values + 0.2 * values.std(), exact.cdf).pvalue < 1e-6


def test_untracked_load_has_a_spike_at_none() -> None:
    """A share of exactly 1 - probability has none; the rest follows its distribution and size."""
    members = PRIOR.draw(N, 0)
    some = members.untracked_a > 0
    assert abs(some.mean() - 0.3) < 4.5 * np.sqrt(0.3 * 0.7 / N)
    for pattern, size in ((0, 1.0), (1, 4.0)):
        of_it = some & (members.untracked_pattern == pattern)
        values = members.untracked_a[of_it] / size
        assert stats.kstest(values, stats.expon(scale=0.5).cdf).pvalue > 1e-3
    assert abs((members.untracked_pattern == 1).mean() - 0.5) < 4.5 * 0.5 / np.sqrt(N)


def test_no_untracked_load_and_always_one() -> None:
    assert (replace(PRIOR, untracked_probability=0.0).draw(1000, 0).untracked_a == 0).all()
    assert (replace(PRIOR, untracked_probability=1.0).draw(1000, 0).untracked_a > 0).all()


def test_quantities_rise_with_their_scores() -> None:
    """Each score moves its own quantity, upwards, and no other."""
    low = np.zeros((len(NAMES), 1))
    low[NAMES.index("untracked_a")] = 1.0  # above the spike
    for row, name in enumerate(NAMES):
        high = low.copy()
        high[row] += 1.5
        before, after = PRIOR.members(low), PRIOR.members(high)
        changed = [
            f for f in before.__dataclass_fields__ if np.any(getattr(after, f) > getattr(before, f))
        ]
        if name == "untracked_pattern":
            assert set(changed) == {"untracked_pattern", "untracked_a"}
        elif name in ("voltage_offset_v", "charge_shift", "hysteresis_factor", "decay_factor"):
            assert changed == []  # exactly known by default
        elif name == "slow_current_start":
            assert changed == []  # a branch current of the filter: the posterior scales it
        elif name.startswith("curve"):
            assert changed == ["curve"]
        else:
            assert len(changed) == 1, (name, changed)


def test_take_keeps_members_whole() -> None:
    members = PRIOR.draw(50, 1)
    taken = members.take(np.array([3, 3, 40]))
    assert len(taken) == 3
    assert taken.soc[1] == members.soc[3]
    assert taken.offset_a[2] == members.offset_a[40]


def test_a_calibrated_cell_says_how_far_its_slow_part_may_differ():
    """20 % where it was fitted, growing away from there as the error does, to 40 % at most.

    The activation energy's own doubt is taken out by making it certain.
    """
    cell = load_cell("lfp-26650-2ah")
    sure = dict(cell.spread) | {"resistance.r2.activation_kj_mol": 0.0}
    told = Calibration(0.5, 1.0, 2.0, "2026-11-29", ("own",), 0.2)
    for calibration, temperature_c, expected in (
        (told, 15.0, 0.2),
        (told, -5.0, 0.2 * np.hypot(1.0, 20.0 / 15.0)),
        (told, -60.0, UNCALIBRATED_SLOW_SPREAD),
        (replace(told, slow_spread=0.5), -60.0, 0.5),
        (replace(told, slow_spread=None), 15.0, UNCALIBRATED_SLOW_SPREAD),
        (None, 15.0, UNCALIBRATED_SLOW_SPREAD),
    ):
        mine = replace(cell, calibration=calibration, spread=sure)
        found = cell_unknowns(mine, temperature_c)["diffusion_factor"]
        assert dict(found.parameters)["s"] == pytest.approx(expected)


@pytest.mark.parametrize(("calibrated", "at_25_c"), [(None, 0.015), (0.004, 0.004)])
def test_curves_shift_further_in_the_cold_and_away_from_the_fit(calibrated, at_25_c):
    """1.5 % at 25 °C, or what the calibration says; times k(T) and the distance's factor elsewhere,
    3 % at most.
    """
    cell = load_cell("lfp-26650-2ah")
    cell = replace(cell, calibration=replace(cell.calibration, charge_shift=calibrated))
    for temperature_c in (45.0, 25.0, 15.0, 5.0, -25.0):
        k = max(1.0, float(polarisation_factor(cell, np.array(temperature_c))))
        away = float(cell.voltage_error.unfamiliar_factor(np.array(temperature_c)))
        found = cell_unknowns(cell, temperature_c)["charge_shift"]
        assert dict(found.parameters)["scale"] == pytest.approx(min(at_25_c * k * away, MOST_SHIFT))
    generic = cell_unknowns(load_cell("lfp-prismatic-100ah"), -20.0)["charge_shift"]
    assert dict(generic.parameters)["scale"] == MOST_SHIFT


def test_a_voltage_is_known_as_the_curve_and_what_heat_does_to_it():
    """Of a calibrated cell 2 mV, and what 0.065 mV/K makes of the way from 25 °C; by hand.

    At -25 °C, a temperature of the fit, hypot(2, 3.25) mV; at -5 °C, 20 K from the next of it,
    hypot(2 x 5/3, 1.95) mV. In a house, and of a cell nobody calibrated, 6 mV at least.
    """
    cell = load_cell("lfp-26650-2ah")
    spread = {"ocv.voltage_v": 0.002, "entropy.slope_v_per_k": 6.5e-5}
    cell = replace(cell, spread=dict(cell.spread) | spread)

    def volts(cell, temperature_c, least_v=0.0):
        found = cell_unknowns(cell, temperature_c, least_v)["voltage_offset_v"]
        return dict(found.parameters)["scale"]

    assert volts(cell, -25.0) == pytest.approx(np.hypot(2.0e-3, 3.25e-3))
    assert volts(cell, -5.0) == pytest.approx(np.hypot(2.0e-3 * 5.0 / 3.0, 1.95e-3))
    assert volts(cell, -25.0, 0.006) == 0.006
    assert volts(replace(cell, calibration=None), -25.0) == 0.006
    bank = {"cell": "lfp-26650-2ah", "cells_in_series": 4, "rated_capacity_ah": 100}
    house = setup_from_table({"bank": bank})
    in_a_house = Unknowns.from_setup(house, cell=cell).voltage_offset_v
    assert dict(in_a_house.parameters)["scale"] == 0.006


def test_a_curve_of_its_own_is_smooth_and_of_deviation_one() -> None:
    """Covariance exp(-d²/2l²) between nodes (Gaussian; Rasmussen & Williams 2006, eq. 2.31)."""
    curve = PRIOR.draw(20_000, 4).curve
    assert curve.shape == (20_000, CURVE_NODES)
    apart = np.subtract.outer(np.arange(CURVE_NODES), np.arange(CURVE_NODES)) / (CURVE_NODES - 1)
    wanted = np.exp(-(apart**2) / (2.0 * CURVE_LENGTH**2))
    np.testing.assert_allclose(np.cov(curve.T), wanted, atol=6.0 * np.sqrt(2.0 / 20_000))
