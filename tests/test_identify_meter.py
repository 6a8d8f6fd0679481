"""The step of a voltmeter, found in its readings, and none where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from socband.identify_meter import coarse_step_v, with_meter_doubt
from socband.logs import Log
from socband.models import load_cell

# A discharge by hand: steep, flat, steep; 1 mV of noise as a load makes it.
_SOC = np.linspace(1.0, 0.0, 3000)
_VOLTS = 3.3 + 0.15 * np.exp((_SOC - 1.0) / 0.01) - 0.9 * np.exp(-_SOC / 0.03) + 0.02 * (_SOC - 0.5)
_VOLTS = _VOLTS + np.random.default_rng(7).normal(0.0, 1e-3, _SOC.size)


@pytest.mark.parametrize("step_mv", [3.0, 4.88, 5.0, 10.0, 12.2, 50.0])
def test_a_coarse_step_is_found(step_mv):
    volts = np.round(_VOLTS / step_mv * 1e3) * step_mv / 1e3
    assert coarse_step_v(volts) == pytest.approx(step_mv / 1e3, rel=0.01)
    odd = volts.copy()  # one row in fifty is an average of two
    odd[::50] = 0.5 * (volts[::50] + volts[1::50]) + 1.3e-4
    assert coarse_step_v(odd) == pytest.approx(step_mv / 1e3, rel=0.01)


@pytest.mark.parametrize("step_mv", [1e-3, 0.1, 0.1917, 1.0, 2.0])
def test_a_fine_step_is_none(step_mv):
    volts = np.round(_VOLTS / step_mv * 1e3) * step_mv / 1e3
    for every in (1, 20, 100):
        assert coarse_step_v(volts[::every]) == 0.0


def test_a_few_readings_lie_on_no_step_by_chance():
    """Up to 60 rows anywhere on the plateau, a thousand records: none."""
    rng = np.random.default_rng(1)
    found = [coarse_step_v(rng.uniform(3.2, 3.4, rng.integers(2, 60))) for _ in range(1000)]
    assert not any(found)


def test_next_to_no_readings_in_many_rows_are_coarse():
    """100 mV over a record that hardly leaves the plateau: four readings."""
    volts = np.round(np.linspace(3.38, 3.12, 400), 1)
    assert coarse_step_v(volts) == pytest.approx(0.1)
    assert coarse_step_v(np.full(400, 3.3)) == 0.0


def test_a_measured_hysteresis_is_as_doubtful_as_its_voltages():
    """By hand: 2 mV and 10/√12 = 2.89 mV together are 3.5 mV."""
    cell = load_cell("lfp-26650-2ah")
    assert cell.spread["hysteresis.half_gap_v"] == 0.002
    time_s = np.arange(float(_VOLTS.size))
    fine = Log("fine", time_s, np.full(_VOLTS.size, -1.0), _VOLTS)
    coarse = Log("coarse", time_s, fine.current_a, np.round(_VOLTS, 2))
    assert with_meter_doubt(cell, [fine], True) is cell
    found = {both: with_meter_doubt(cell, [fine, coarse], both).spread for both in (True, False)}
    assert found[True]["hysteresis.half_gap_v"] == pytest.approx(0.0035)
    assert found[False]["hysteresis.half_gap_v"] == 0.002
    assert found[True]["ocv.voltage_v"] == found[False]["ocv.voltage_v"] > 0.0028
