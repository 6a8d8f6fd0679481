"""What `benchmarks/suspects_records.py` puts into measured records is put in exactly."""

from __future__ import annotations

import importlib
import sys
import tomllib
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from socband.causes import CAUSES
from socband.datasets import KNOWN, data_folder, set_file
from socband.layouts import read_record
from socband.logs import Log, charge_ah, sliced
from socband.open_sets import OPEN_SETS

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


@pytest.fixture(scope="module")
def records() -> ModuleType:
    sys.path.insert(0, str(BENCHMARKS))
    try:
        return importlib.import_module("suspects_records")
    finally:
        sys.path.remove(str(BENCHMARKS))


@pytest.fixture(scope="module")
def truth_module(records: ModuleType) -> ModuleType:
    return sys.modules["suspects_truth"]


def made_part(current_a: list[float], error_a: float = 0.0, full_v: float = 3.3) -> Log:
    """Hours at steady currents, a row each 10 s; the counter adds `error_a` to what flows."""
    amps = np.concatenate([[0.0], np.repeat(current_a, 360)])
    time_s = 10.0 * np.arange(len(amps))
    count = np.concatenate([[0.0], np.cumsum((amps[1:] + error_a) * 10.0 / 3600.0)])
    volt = np.where(amps == 0.0, full_v, 3.2 + 0.05 * amps)
    return Log("part", time_s, amps + error_a, volt, net_charge_ah=count)


def made_parts() -> list[Log]:
    """2 Ah out in eight hours, 2 Ah in within four, and two hours full."""
    recharge = made_part([0.5] * 4 + [0.0] * 2, 0.004, 3.6)
    return [made_part([-0.3] * 6), made_part([-0.1] * 2), recharge]


@pytest.fixture
def truth(truth_module: ModuleType):
    return truth_module.full_to_full(made_parts(), "lfp-26650-2ah", 10.0)


def quiet(put, **changes):
    """The injection without noise, steps and dead band."""
    return replace(put, noise_a=0.0, resolution_a=0.0, dead_band_a=0.0, **changes)


@pytest.mark.parametrize("cause", [c for c in CAUSES if c != "dead_band"])
def test_seen_current_and_the_rest_is_the_measured_current(records, truth, cause):
    rng = np.random.default_rng(3)
    put = quiet(records.draw(cause, truth.capacity_ah, rng))
    seen = records.inject(truth, put, 17.0, rng)
    hour = (17.0 + truth.log.time_s / 3600.0) % 24.0
    begin, end = put.window
    on = ((hour - begin) % 24.0) < end - begin
    true_a = (seen.current_a - put.offset_a) / (1.0 + put.gain) - put.untracked_a * on
    np.testing.assert_allclose(true_a / put.bank_per_cell, truth.log.current_a, atol=1e-12)
    measured_v = (seen.voltage_v - put.connection_ohm * true_a) / 4.0
    np.testing.assert_allclose(measured_v, truth.log.voltage_v, atol=1e-12)
    np.testing.assert_array_equal(seen.true_soc, truth.log.true_soc)
    # all of the bank's charge from full to empty is what the injection says it holds
    out_ah = -np.sum(np.minimum(true_a[1:], 0.0) * np.diff(seen.time_s)) / 3600.0
    assert out_ah == pytest.approx(put.rated_ah * put.fraction, rel=1e-9)


def test_noise_steps_and_dead_band_are_the_monitors(records, truth):
    put = records.draw("none", truth.capacity_ah, np.random.default_rng(1))
    put = replace(put, dead_band_a=2.0, noise_a=0.05, resolution_a=0.01)
    seen = records.inject(truth, put, 0.0, np.random.default_rng(2)).current_a
    assert np.all((seen == 0.0) | (np.abs(seen) >= 2.0))
    assert (seen == 0.0).sum() > 100  # the hours without current
    np.testing.assert_allclose(seen, np.round(seen / 0.01) * 0.01, atol=1e-9)
    again = records.inject(truth, put, 0.0, np.random.default_rng(2)).current_a
    np.testing.assert_array_equal(seen, again)


def test_a_run_is_closed_and_only_its_recharge_is_touched(truth_module, truth):
    log = truth.log
    raw = truth_module.full_to_full(made_parts(), "lfp-26650-2ah", 10.0, closed=False).log
    assert truth.capacity_ah == pytest.approx(2.0)
    assert log.true_soc[[0, -1]] == pytest.approx([1.0, 1.0])
    assert log.true_soc.min() == pytest.approx(0.0, abs=1e-12)
    moved_ah = np.sum(log.current_a[1:] * np.diff(log.time_s)) / 3600.0
    assert moved_ah == pytest.approx(0.0, abs=1e-9)
    np.testing.assert_allclose(charge_ah(log) / 2.0 + 1.0, log.true_soc, atol=1e-12)
    # the error of 4 mA over six hours stays where it is asked to stay
    apart = raw.current_a - log.current_a
    assert np.abs(apart[log.time_s < 8.0 * 3600.0]).max() == 0.0
    assert np.sum(apart[1:] * np.diff(log.time_s)) / 3600.0 == pytest.approx(0.024, rel=1e-6)
    np.testing.assert_array_equal(raw.true_soc, log.true_soc)
    assert set(log.temperature_c[log.time_s < 5.9 * 3600.0]) == {10.0}
    assert set(log.temperature_c[log.time_s > 6.1 * 3600.0]) == {25.0}


def test_days_follow_one_another_from_full_to_full(truth_module, truth):
    days = truth_module.days_of([truth], np.random.default_rng(5))
    assert np.all(np.diff(days.log.time_s) > 0.0)
    moved = np.cumsum(days.log.current_a[1:] * np.diff(days.log.time_s)) / 3600.0
    expected = days.log.true_soc[0] + moved / days.capacity_ah
    np.testing.assert_allclose(days.log.true_soc[1:], expected, atol=1e-9)


def test_the_counter_shows_the_truth_unless_it_is_misset(records, truth_module, truth):
    put = quiet(records.draw("none", truth.capacity_ah, np.random.default_rng(1)), offset_a=0.0,
                gain=0.0, efficiency=1.0, connection_ohm=0.0, rule=(14.0, 4.0, 180.0))  # fmt: skip
    put = replace(put, assumed=put.fraction)
    log = truth.log
    twice = truth_module.joined([log, log], "twice")
    full, later = np.searchsorted(log.time_s, [13.0 * 3600.0, 4.0 * 3600.0])
    part = replace(truth, log=sliced(twice, int(full), int(len(log) + later)))  # full, then in use
    seen = records.inject(part, put, 0.0, np.random.default_rng(0))
    shown, missed = records.counted(seen, put)
    assert shown == pytest.approx(seen.true_soc[-1], abs=1e-9)
    assert missed == 0.0
    too_large = replace(put, assumed=2.0 * put.fraction)
    assert 1.0 - records.counted(seen, too_large)[0] == pytest.approx(0.5 * (1.0 - shown))
    early = replace(put, rule=(12.0, 1000.0, 120.0))  # always "full"
    assert records.counted(seen, early)[1] == pytest.approx(1.0 - seen.true_soc[-1])
    assert np.isnan(records.counted(seen, replace(put, rule=(15.0, 4.0, 180.0)))[0])


def test_parts_of_scoring_runs_are_kept_from_fits():
    split = tomllib.loads((BENCHMARKS / "split.toml").read_text(encoding="utf-8"))
    runs = [name for name in split["scoring"]["records"] if "_DYN_" in name]
    assert runs
    assert {name[:-1] + k for name in runs for k in "23"} == set(split["scoring"]["closed"])


@pytest.mark.skipif(data_folder() is None, reason="no measured records (SOCBAND_DATA)")
def test_voltages_of_a_measured_run_are_those_of_its_files(truth_module):
    known = KNOWN["A123_DYN_45_P15_s1"]
    files = [known.file.replace("_s1", f"_s{k}") for k in (1, 2, 3)]
    parts = [read_record(set_file(OPEN_SETS[known.open_set], file)) for file in files]
    run = truth_module.full_to_full(parts, known.cell, known.temperature_c)
    first, last = parts[0], parts[2]
    for minute in (1, 200, 500):
        rows = slice(60 * minute - 59, 60 * minute + 1)
        assert run.log.voltage_v[minute] == pytest.approx(first.voltage_v[rows].mean(), abs=1e-3)
    assert run.log.voltage_v[-1] == pytest.approx(last.voltage_v[-5:].mean(), abs=5e-3)
    assert run.log.true_soc.min() == pytest.approx(0.0, abs=1e-9)
    # what is taken off is an error of a few milliampere, not a piece of the record
    raw = truth_module.full_to_full(parts, known.cell, known.temperature_c, closed=False)
    assert 0.0 < (raw.log.current_a - run.log.current_a).max() < 0.01
