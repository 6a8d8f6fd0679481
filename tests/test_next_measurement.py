"""Expected information gain against closed forms, and what it recommends."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from socband.causes import CauseSettings
from socband.models import load_cell
from socband.next_measurement import TESTS, expected_information_gain, rank_tests
from socband.site import read_setup
from socband.suspects import Options, judge
from socband.suspects_draws import least_share, predictions

EXAMPLE = Path(__file__).resolve().parent.parent / "examples" / "workshop-van.toml"


@pytest.mark.parametrize(("signal", "noise"), [(1.0, 1.0), (0.5, 1.0), (3.0, 0.7)])
def test_linear_gaussian_gain_is_half_log_one_plus_signal_over_noise(signal, noise):
    # Closed form: mutual information of a Gaussian channel, ½ ln(1 + S/N) (Shannon 1948).
    rng = np.random.default_rng(5)
    theta = signal * rng.standard_normal((1, 4000))
    bits, error = expected_information_gain(
        theta, np.array([[noise]]), np.random.default_rng(6), outer=1500
    )
    exact = 0.5 * np.log2(1.0 + (signal / noise) ** 2)
    assert abs(bits - exact) < 3.0 * error, (bits, exact, error)
    assert error < 0.06


def test_two_independent_readings_add_their_gains():
    rng = np.random.default_rng(7)
    theta = rng.standard_normal((2, 4000))
    bits, error = expected_information_gain(
        theta, np.array([[1.0], [0.5]]), np.random.default_rng(8), outer=1500
    )
    exact = 0.5 * np.log2(2.0) + 0.5 * np.log2(5.0)
    assert abs(bits - exact) < 3.0 * error + 0.02  # the inner mean is biased upwards a little


def test_gain_about_groups_sharp_blind_and_bounded():
    groups = np.arange(4000) % 2
    mean = 10.0 * groups[None, :].astype(float)
    rng = np.random.default_rng(9)
    sharp, _ = expected_information_gain(mean, np.array([[0.1]]), rng, groups)
    assert sharp == pytest.approx(1.0, abs=0.01)  # two equal causes: one bit, no more
    blind, error = expected_information_gain(0.0 * mean, np.array([[0.1]]), rng, groups)
    assert abs(blind) < max(3.0 * error, 1e-3)


def test_offset_against_untracked_load_is_settled_with_everything_off():
    # Check by thought: only the offset shows on a display with everything switched off.
    setup, cell = read_setup(EXAMPLE), load_cell("lfp-prismatic-100ah")
    two = CauseSettings(weight={"offset": 0.5, "untracked_steady": 0.5})
    options = Options(causes=two)
    done = {"clamp": -1.8, "display": -1.4}
    verdict = judge(setup, cell, None, done, members=6000, options=options)
    assert 0.1 < verdict.probability["offset"] < 0.9
    ranked = rank_tests(verdict, setup, cell, done)
    assert ranked[0].key == "display_all_off"
    assert ranked[0].gain_bits > 5.0 * ranked[1].gain_bits
    assert "clamp_at_post" not in [test.key for test in ranked]
    rates = [test.rate for test in ranked]
    assert rates == sorted(rates, reverse=True)
    after = judge(setup, cell, None, done | {"display_off": 0.0}, members=6000, options=options)
    assert after.probability["untracked_steady"] > 0.99


def test_a_missing_battery_against_lost_capacity_is_settled_at_the_batteries_own_leads():
    """Both leave half a bank; only the current in each battery's own lead tells them apart: none in
    one of them, or much the same in all. Two causes to begin with: one bit at the most."""
    setup, cell = read_setup(EXAMPLE), load_cell("lfp-prismatic-100ah")
    assert setup.bank.strings_in_parallel == 2
    two = CauseSettings(weight={"missing_battery": 0.5, "lost_capacity": 0.5})
    options = Options(causes=two)
    half = {"capacity": 0.49 * setup.bank.rated_capacity_ah}
    verdict = judge(setup, cell, None, half, members=6000, options=options)
    likely = verdict.probability["missing_battery"]
    assert 0.1 < likely < 0.9
    ranked = rank_tests(verdict, setup, cell, half)
    assert ranked[0].key == "clamp_each_lead"
    entropy = -likely * np.log2(likely) - (1.0 - likely) * np.log2(1.0 - likely)
    assert abs(ranked[0].gain_bits - entropy) < 3.0 * ranked[0].error_bits  # all there is to know
    for least, missing in ((0.1, True), (9.0, False), (18.0, False)):
        read = half | {"lead_least": least, "lead_most": 19.0}
        after = judge(setup, cell, None, read, members=6000, options=options)
        assert (after.probability["missing_battery"] > 0.99) == missing
        assert (after.probability["missing_battery"] < 0.01) != missing
        assert "clamp_each_lead" not in [t.key for t in rank_tests(after, setup, cell, read)]


def test_a_single_battery_has_no_lead_of_its_own_to_be_clamped_against_another():
    setup, cell = read_setup(EXAMPLE), load_cell("lfp-prismatic-100ah")
    one = replace(setup, bank=replace(setup.bank, strings_in_parallel=1))
    verdict = judge(one, cell, None, {}, members=2000)
    assert "clamp_each_lead" not in [test.key for test in rank_tests(verdict, one, cell, {})]


def test_unequal_batteries_share_a_current_as_their_sizes_over_their_resistances():
    """100 Ah of 1.3 times the resistance beside 180 Ah: 0.43 of the current (Ohm's law)."""
    boat, cell = read_setup(EXAMPLE.with_name("long-boat.toml")), load_cell("lfp-prismatic-100ah")
    assert least_share(boat) == pytest.approx((100.0 / 1.3) / 180.0)
    draws = judge(boat, cell, None, {}, members=2000).draws
    read = {"lead_least": 0.0, "lead_most": 20.0}
    mean, std = predictions(draws, read, boat, cell)["lead_least"]
    missing = draws.causes == "missing_battery"
    assert missing.any()
    assert np.all(mean[missing] == 0.0)
    # assumed: 0.85 of the share, give or take 0.15 of it, and the meter's 0.08 A and 1.5 %
    assert mean[~missing] == pytest.approx(0.85 * 0.42735 * 20.0, rel=1e-4)
    assert std[~missing] == pytest.approx(
        np.hypot(0.15 * 0.42735 * 20.0, np.hypot(0.08, 0.3)), rel=1e-4
    )


def test_every_test_says_by_itself_what_to_do():
    assert not [test.key for test in TESTS if test.what.startswith("the same")]
