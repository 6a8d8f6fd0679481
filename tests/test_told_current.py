"""`benchmarks/told_current.py` finds how a simulated cell differs from its model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scripts import benchmark

from socband.bench import make_context
from socband.cell import simulate
from socband.datasets import BenchRecord
from socband.estimators.ensemble import BENCH_SETTINGS
from socband.logs import Log
from socband.models import load_cell

SLOW, VOLTS = 1.35, 0.004  # of the truth: slow part over the model's, and what its meter reads high


@pytest.fixture(scope="module")
def told():
    with benchmark("told_current") as module:
        yield module


def test_what_a_simulated_cell_has_of_its_own_is_found(told):
    """A discharge with rests of a cell whose slow part is 1.35 times its model's.

    Independent of the filter: the voltages come from `simulate`. The filter claims half of what is
    there at least, as its own error may be the cause too, and no more than a fifth beyond it.
    Nothing there: less than half of the 6 mV that the prior deviates by.
    """
    cell = replace(load_cell("lfp-26650-2ah"), calibration=None)
    slow = replace(cell.r2, ref_ohm=SLOW * cell.r2.ref_ohm)
    lag = replace(cell.lag, value=tuple(SLOW * x for x in cell.lag.value))
    time_s = np.arange(0.0, 6 * 3600.0, 10.0)
    current_a = np.where(time_s % 5400 < 2700, -0.6, -0.05)
    current_a[0] = 0.0
    truth = simulate(replace(cell, r2=slow, lag=lag), time_s, current_a, 25.0, 1.0, 1.0)
    log = Log("made", time_s, current_a, truth.voltage_v + VOLTS, None, truth.soc)
    record = BenchRecord("made", log, cell.name, cell.capacity_ah, 25.0)
    context = make_context([record], 0)
    settings = replace(BENCH_SETTINGS, members=400)
    steps, prior = context.records["made"].log, context.priors["made"]
    found = told.wanted(steps, cell, prior, 0.0, settings)
    assert 0.5 * np.log(SLOW) < found.log_slow < 1.2 * np.log(SLOW)
    assert abs(found.log_resistance) < 0.05
    assert abs(found.charge_shift) < 0.005
    same = simulate(cell, time_s, current_a, 25.0, 1.0, 1.0)
    context = make_context([replace(record, log=replace(log, voltage_v=same.voltage_v))], 0)
    unmoved = told.wanted(context.records["made"].log, cell, prior, 0.0, settings)
    assert abs(unmoved.log_slow) < 0.2 * np.log(SLOW)
    assert abs(unmoved.voltage_offset_v) < 0.003
    assert 0.3 * VOLTS < found.voltage_offset_v - unmoved.voltage_offset_v < 1.2 * VOLTS


def test_every_cell_has_calibration_records_alone(told):
    allowed = told.calibration_records()
    for model in told.RECORDS:
        assert set(told.names_of(model)) <= allowed
    assert len(told.names_of("lfp-26650-2.5ah")) == 7
