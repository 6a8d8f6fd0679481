"""Rows that no battery gives, and loggers that hang. All logs here are invented."""

from __future__ import annotations

import numpy as np
import pytest

from socband.log_check import Checked, check_rows
from socband.log_sense import Bank, frozen, unanswered

BANK = Bank(cells_in_series=4, rated_capacity_ah=200.0)
OHM = 0.004  # of the invented bank, leads included


def a_night(n: int = 1500, seed: int = 3) -> dict[str, np.ndarray]:
    """A row a minute: a refrigerator and a lamp, a meter in steps of 10 mA and 1 mV."""
    rng = np.random.default_rng(seed)
    time_s = 60.0 * np.arange(n)
    current_a = -1.0 - 4.0 * (np.arange(n) // 20 % 2) + 0.03 * rng.standard_normal(n)
    voltage_v = 13.25 + OHM * current_a + 0.002 * rng.standard_normal(n)
    return {
        "time_s": time_s,
        "current_a": current_a.round(2),
        "voltage_v": voltage_v.round(3),
    }


def checked(rows: dict[str, np.ndarray]) -> Checked:
    return check_rows(rows, 1, BANK.cells_in_series, BANK.rated_capacity_ah)


def test_a_broken_row_is_named_and_does_not_decide_the_sign() -> None:
    rows = a_night()
    rows["current_a"][700] = 900.0  # the voltage of that row is as of its neighbours
    found = checked(rows)
    assert not found.errors
    assert [p.where for p in found.warnings] == ["row 701"]
    assert "does not answer" in found.warnings[0].found
    assert np.abs(found.rows["current_a"]).max() < 10.0


@pytest.mark.parametrize("late", [0, 1])
def test_a_large_current_that_the_voltage_answers_stays(late: int) -> None:
    """A short-circuit-like pulse of 3 C with the sag of 4 mΩ, in its row or in the next."""
    rows = a_night()
    rows["current_a"][700] = -600.0
    rows["voltage_v"][700 + late] = 13.25 - 600.0 * OHM
    assert not unanswered(rows, BANK).any()
    assert checked(rows).warnings == []


@pytest.mark.parametrize("spike_a", [30.0, 90.0, 300.0])
def test_noise_beside_one_smaller_spike_is_no_wrong_sign(spike_a: float) -> None:
    """Whichever way the noise of two rows falls: no bank has a resistance of some microohm."""
    for row in range(100, 140):
        rows = a_night()
        rows["current_a"][row] = spike_a
        assert not checked(rows).errors, row


def test_a_log_of_the_other_sign_is_still_refused() -> None:
    rows = a_night()
    rows["current_a"] = -rows["current_a"]
    (error,) = checked(rows).errors
    assert error.where == "current"
    assert "opposite" in error.found


def test_a_logger_that_hangs_is_silent() -> None:
    rows = a_night()
    for key in ("current_a", "voltage_v"):
        rows[key][300:1100] = rows[key][300]
    found = checked(rows)
    assert not found.errors
    assert len(found.rows["time_s"]) == 1500 - 799
    assert found.warnings[0].where == "rows 302 to 1100"
    assert "silent" in found.warnings[0].hint
    assert "a gap of 13.33 h" in found.warnings[1].found


def test_a_log_that_hangs_all_the_time_is_refused() -> None:
    rows = a_night()
    for key in ("current_a", "voltage_v"):
        rows[key][20:] = rows[key][20]
    (error,) = checked(rows).errors
    assert "99% of the rows" in error.found


def test_rest_coarse_steps_and_a_running_counter_are_no_hanging_logger() -> None:
    resting = a_night()
    resting["current_a"][300:1100] = 0.0
    resting["voltage_v"][300:1100] = 13.31
    assert not frozen(resting, BANK).any()

    coarse = a_night()
    coarse["current_a"] = np.full(1500, -0.5)
    coarse["voltage_v"] = 13.3 - 0.1 * (np.arange(1500) // 500)
    coarse["current_a"][:400] = -1.0 - 0.5 * (np.arange(400) // 2 % 2)
    assert not frozen(coarse, BANK).any()

    counting = a_night()
    for key in ("current_a", "voltage_v"):
        counting[key][300:1100] = counting[key][300]
    counting["net_charge_ah"] = np.cumsum(counting["current_a"]) / 60.0
    assert not frozen(counting, BANK).any()
