"""The injected faults: closed forms of what they do to a count, and what stays untouched."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from socband.estimators import Prior, RezeroRule, Window, step_s
from socband.estimators.display import Display
from socband.faults import Fault, apply_fault, seen_current, step_means, stream
from socband.logs import Log, charge_ah, with_true_soc

HOURS = 10.0
CAPACITY_AH = 2.0


def _log(step: float = 10.0, current_a: float = -0.15) -> Log:
    """A constant discharge; voltage falls a little so that rows can be told apart."""
    time_s = np.arange(0.0, HOURS * 3600.0 + step, step)
    voltage = 3.3 - 1e-6 * time_s
    log = Log("flat", time_s, np.full(len(time_s), current_a), voltage)
    return with_true_soc(log, 1.0, CAPACITY_AH)


class _Cell:
    """Only what Prior.for_record reads when the capacity is given."""

    capacity_ah = CAPACITY_AH
    reference_temperature_c = 25.0


@pytest.fixture(scope="module")
def log() -> Log:
    return _log()


@pytest.fixture(scope="module")
def prior(log: Log) -> Prior:
    return Prior.for_record(log, _Cell(), CAPACITY_AH)


def _counted_ah(log: Log) -> float:
    return float(np.sum(log.current_a * step_s(log)) / 3600.0)


def test_prior_scales_with_the_length_of_the_record(prior: Prior) -> None:
    """Issue 4: offset σ 4 % of capacity over the record, untracked load 10 % on average."""
    assert prior.offset_std_a * HOURS / CAPACITY_AH == pytest.approx(0.04)
    assert prior.untracked_mean_a * HOURS / CAPACITY_AH == pytest.approx(0.10)
    assert (prior.soc0_std, prior.untracked_probability) == (0.08, 0.5)
    longer = Prior.for_record(replace(_log(), time_s=2 * _log().time_s), _Cell(), CAPACITY_AH)
    assert longer.offset_std_a == pytest.approx(prior.offset_std_a / 2)


def test_no_fault_changes_nothing(log: Log, prior: Prior) -> None:
    view = apply_fault(log, Fault.none(prior), prior)
    assert np.array_equal(view.log.current_a, log.current_a)
    assert np.array_equal(view.log.voltage_v, log.voltage_v)
    assert np.array_equal(view.truth_soc, log.true_soc)
    assert view.prior.soc0_mean == 1.0
    shown = Display().estimate(view.log, None, view.prior, stream(0))
    assert np.allclose(shown.soc_quantile[:, 11], log.true_soc, atol=1e-12)


@pytest.mark.parametrize("name", ["offset_a", "gain", "untracked_a"])
def test_count_moves_by_its_closed_form(log: Log, prior: Prior, name: str) -> None:
    """I_off·t, ε·throughput (Movassagh et al. 2021, 10.3390/en14144074), untracked load·t."""
    value = {"offset_a": 0.008, "gain": 0.01, "untracked_a": 0.02}[name]
    fault = replace(Fault.none(prior), **{name: value})
    moved = _counted_ah(apply_fault(log, fault, prior).log) - _counted_ah(log)
    expected = {
        "offset_a": 0.008 * HOURS,
        "gain": -0.01 * 0.15 * HOURS,
        "untracked_a": 0.02 * HOURS,  # unseen discharge: the count stays too high
    }[name]
    assert moved == pytest.approx(expected, rel=1e-9)


def test_untracked_load_makes_the_display_too_high(log: Log, prior: Prior) -> None:
    fault = replace(Fault.none(prior), untracked_a=0.02)
    view = apply_fault(log, fault, prior)
    shown = Display().estimate(view.log, None, view.prior, stream(0)).soc_quantile[-1, 11]
    assert float(shown) - view.truth_soc[-1] == pytest.approx(0.02 * HOURS / CAPACITY_AH)


def test_untracked_load_in_some_hours(log: Log, prior: Prior) -> None:
    window = Window(day_s=HOURS * 3600 / 4, start=0.7, duty=0.5)  # wraps round the day's end
    fault = replace(Fault.none(prior), untracked_a=0.02, window=window)
    moved = _counted_ah(apply_fault(log, fault, prior).log) - _counted_ah(log)
    # A tolerance of one step per edge of the eight windows.
    assert moved == pytest.approx(0.02 * HOURS / 2, abs=8 * 0.02 * 10 / 3600)


def test_window_time_in_closed_form_is_the_sum_of_its_steps() -> None:
    window = Window(day_s=1000.0, start=0.7, duty=0.5)
    time_s = np.arange(0.0, 3500.0, 0.5)
    summed = np.cumsum(window.active(time_s)) * 0.5
    assert np.abs(window.active_s(time_s) - summed).max() < 8 * 0.5


def test_quantisation_and_dead_band(log: Log, prior: Prior) -> None:
    coarse = replace(Fault.none(prior), resolution_a=0.04)
    assert np.allclose(seen_current(log, coarse, 1e4), -0.16)  # -0.15 → −0.16, ties to even of 3.75
    deaf = replace(Fault.none(prior), dead_band_a=0.16)
    assert np.all(seen_current(log, deaf, 1e4) == 0.0)
    assert np.all(seen_current(log, replace(deaf, dead_band_a=0.14), 1e4) == -0.15)


def test_drift_averages_out_over_a_day(log: Log, prior: Prior) -> None:
    fault = replace(Fault.none(prior), drift_a=0.01, drift_phase=1.0)
    day_s = HOURS * 3600 / 3
    assert _counted_ah(replace(log, current_a=seen_current(log, fault, day_s))) == pytest.approx(
        _counted_ah(log), abs=0.01 * 10 / 3600
    )
    assert np.ptp(seen_current(log, fault, day_s)) == pytest.approx(0.02, rel=1e-3)


def test_wrong_capacity_reaches_display_and_prior(log: Log, prior: Prior) -> None:
    view = apply_fault(log, replace(Fault.none(prior), capacity_error=0.05), prior)
    assert view.prior.assumed_capacity_ah == pytest.approx(1.05 * CAPACITY_AH)
    shown = Display().estimate(view.log, None, view.prior, stream(0)).soc_quantile[-1, 11]
    assert 1 - float(shown) == pytest.approx((1 - view.truth_soc[-1]) / 1.05)


def test_start_point_cuts_and_display_errs_and_is_clipped(log: Log, prior: Prior) -> None:
    view = apply_fault(log, replace(Fault.none(prior), start=0.25, soc0_error=-0.1), prior)
    assert view.log.time_s[0] == 0.0
    assert view.truth_soc[0] == pytest.approx(1 - 0.25 * 0.75, abs=1e-3)
    assert view.prior.soc0_mean == pytest.approx(view.truth_soc[0] - 0.1)
    high = apply_fault(log, replace(Fault.none(prior), soc0_error=0.2), prior)
    assert high.prior.soc0_mean == 1.0


def test_lost_samples_and_drifting_clock(log: Log, prior: Prior) -> None:
    fault = replace(Fault.none(prior), gaps=((0.2, 0.3), (0.95, 1.2)), clock_error=0.01)
    view = apply_fault(log, fault, prior)
    assert len(view.log) == pytest.approx(0.85 * len(log), abs=3)
    assert view.log.time_s[-1] == pytest.approx(1.01 * log.time_s[-1])
    assert np.all(np.diff(view.log.time_s) > 0)
    # Truth stays with its row, and the weights are true time.
    assert view.truth_soc[-1] == log.true_soc[-1]
    assert view.dt_s.sum() == pytest.approx(log.time_s[-1])


def test_false_full_fires_on_the_plateau_and_a_right_rule_does_not(prior: Prior) -> None:
    time_s = np.arange(0.0, 3600.0, 10.0)
    rest = Log("rest", time_s, np.zeros(len(time_s)), np.full(len(time_s), 3.32))
    right = RezeroRule(3.45, 0.1, 120.0)

    def shown(rule: RezeroRule, amps: float = 0.0) -> np.ndarray:
        told = replace(prior.with_display(0.5, 1000.0), rezero=rule)
        log = replace(rest, current_a=np.full(len(time_s), amps))
        return Display().estimate(log, None, told, stream(0)).soc_quantile[:, 11].values

    assert np.all(shown(right) == 0.5)
    eager = replace(right, voltage_v=3.30)
    assert np.all(shown(eager)[:12] == 0.5)
    assert np.all(shown(eager)[12:] == 1.0)
    for amps in (0.5, -0.5):  # neither while it charges nor under a load
        np.testing.assert_allclose(shown(eager, amps), 0.5 + amps * time_s / 3.6e6, atol=1e-12)


def test_the_log_holds_no_truth(log: Log, prior: Prior) -> None:
    view = apply_fault(log, Fault.draw(prior, stream(0, "x")), prior)
    assert view.log.true_soc is None
    assert view.log.net_charge_ah is None


def test_draws_follow_the_prior(prior: Prior) -> None:
    """Moments of 2000 draws within six standard errors of the stated prior."""
    n = 2000
    faults = [Fault.draw(prior, stream(3, "moments", k)) for k in range(n)]
    offset = np.array([f.offset_a for f in faults]) / prior.offset_std_a
    assert abs(offset.mean()) < 6 / np.sqrt(n)
    assert abs(offset.std() - 1) < 6 / np.sqrt(2 * n)
    none = np.array([f.untracked_a == 0 for f in faults])
    assert abs(none.mean() - 0.5) < 6 * 0.5 / np.sqrt(n)
    mean = np.array([f.untracked_a * (f.window.duty if f.window else 1.0) for f in faults])
    mean = mean[~none] / prior.untracked_mean_a
    assert abs(mean.mean() - 1) < 6 / np.sqrt(len(mean))
    steady = np.array([f.window is None for f in faults])[~none]
    assert abs(steady.mean() - 0.5) < 6 * 0.5 / np.sqrt(len(mean))
    assert all(0 <= f.start <= 1 / 3 for f in faults)
    assert {f.rezero.voltage_v == prior.rezero.voltage_v for f in faults} == {True, False}


def test_same_labels_same_numbers() -> None:
    assert stream(1, "a", 2).random() == stream(1, "a", 2).random()
    drawn = {stream(1, "a", 2).random(), stream(2, "a", 2).random(), stream(1, "b", 2).random()}
    assert len(drawn | {stream(1, "a", 3).random()}) == 4


def test_step_means_keep_the_charge() -> None:
    rng = np.random.default_rng(0)
    time_s = np.arange(0.0, 3601.0)
    current = rng.normal(-0.5, 1.0, len(time_s))
    log = Log("noisy", time_s, current, 3.3 + 0.01 * current)
    log = with_true_soc(replace(log, net_charge_ah=charge_ah(log)), 0.9, 2.0)
    coarse = step_means(log, 60.0)
    assert len(coarse) == 61
    assert coarse.time_s[1] == 60.0
    assert _counted_ah(coarse) == pytest.approx(charge_ah(log)[-1], abs=1e-12)
    assert coarse.true_soc[-1] == log.true_soc[-1]
    assert np.allclose(coarse.true_soc[1:], log.true_soc[60::60])
    assert coarse.voltage_v[1] == pytest.approx(log.voltage_v[1:61].mean())
    assert step_means(log, 0.0) is log
