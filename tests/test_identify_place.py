"""A record that shows neither a full nor an empty cell: where it lies, what that leaves open."""

from __future__ import annotations

import numpy as np
import pytest

from socband import identify_family
from socband.cell import simulate
from socband.identify import is_dynamic
from socband.identify_command import fit_command
from socband.identify_doubts import doubts_on
from socband.identify_dynamic import NAMES, SIZE, Fit
from socband.logs import Log
from socband.models import load_cell
from socband.unknowns import MOST_SHIFT

HEAD = "Test Time / s,Current / A,Voltage / V"


def _write(path, time_s, current_a, cell, soc, h0):
    voltage_v = simulate(cell, time_s, current_a, 25.0, soc, h0).voltage_v
    columns = np.column_stack([time_s, current_a, np.round(voltage_v, 4)])
    np.savetxt(path, columns, "%.6g", ",", header=HEAD, comments="")
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The low-rate discharge of a shipped cell, and drives of 40 % of its charge from 80 and 55 %,
    then a rest."""
    there = tmp_path_factory.mktemp("records")
    cell = load_cell("lfp-26650-2ah")
    slow_s = np.arange(0.0, 25 * 3600.0, 60.0)
    _write(there / "slow.csv", slow_s, np.full(slow_s.size, -cell.capacity_ah / 25), cell, 1.0, 1.0)
    rng = np.random.default_rng(4)
    amps = np.repeat(rng.choice([-2.0, -1.0, -0.3, 0.0, 0.6], 240), 12)
    time_s = 10.0 * np.arange(amps.size)
    amps *= 0.4 * cell.capacity_ah * 360.0 / -amps.sum()
    amps = np.concatenate([amps, np.zeros(400)])
    time_s = 10.0 * np.arange(amps.size)
    for percent in (80, 55):
        _write(there / f"from{percent}.csv", time_s, amps, cell, percent / 100, 0.0)
    return there


@pytest.mark.parametrize("percent", [80, 55])
def test_it_is_placed_where_its_voltages_fit(folder, percent):
    """Taken as full it was 20 and 45 % off. What is said of it, 5 %, holds."""
    name = f"from{percent}.csv"
    fitted = fit_command(
        name="x", ocv_discharge=folder / "slow.csv", dynamic=folder / name, rounds=4
    )
    assert [row["true_charge"] for row in fitted.records] == ["voltage"]
    (said,) = [note for note in fitted.notes if note.startswith(f"{name}: neither a full")]
    top = float(said.split(" % at its most charged")[0].split()[-1])
    assert abs(top - percent) <= 5.0
    assert fitted.records[0]["rms_mv"]["20-95"] < 10.0
    cell, truth = fitted.cell, load_cell("lfp-26650-2ah")
    off_v = np.interp(0.5, cell.ocv.soc, cell.ocv.value) - np.interp(0.5, truth.ocv.soc,
                                                                     truth.ocv.value)  # fmt: skip
    assert abs(off_v) < 2.0 * np.hypot(cell.spread["ocv.voltage_v"], identify_family.GAP_SPREAD)
    # No surer than before the record: its resistances hang on a charge that is a guess.
    assert cell.spread["resistance.r2.ref_ohm"] > 0.7 * cell.r2.ref_ohm  # 0.8 by the prior
    assert cell.spread["ocv.voltage_v"] > 0.005
    assert cell.spread["ocv.soc"] >= MOST_SHIFT


def test_one_that_is_only_scored_is_placed_too(folder):
    asked = {"name": "x", "ocv_discharge": folder / "slow.csv", "dynamic": folder / "from80.csv"}
    fitted = fit_command(**asked, score=folder / "from55.csv", rounds=2)
    row = fitted.records[-1]
    assert (row["name"], row["true_charge"]) == ("from55.csv", "voltage")
    assert row["rms_mv"]["20-95"] < 20.0


def test_what_is_far_from_other_cells_is_said_of_a_guessed_charge_alone():
    p = np.zeros(SIZE)
    p[NAMES.index("r2")], p[NAMES.index("tau2_s")] = 2.9, -4.0
    fit = Fit(p, np.eye(SIZE), 0.0, 1)
    rows = [{"name": "x", "used_for": "fit", "rms_mv": {"2-10": None, "20-95": 1.0}}]
    edge = "at the edge of what the fit allows: tau2_s"
    assert doubts_on(rows, fit, True) == [edge]
    said = doubts_on(rows, fit, True, charge_assumed=True)
    assert said[0] == edge
    assert said[1].startswith("far from what other cells have")
    assert said[1].endswith(": r2")


def test_a_rare_peak_makes_no_constant_current_of_a_drive():
    """One second at 12 A among hours at half an ampere and at one."""
    amps = -np.tile(np.repeat([0.5, 1.0], 60), 30)
    amps[7] = -12.0
    assert is_dynamic(Log("x", np.arange(amps.size, dtype=float), amps, np.full(amps.size, 3.3)))


def test_noise_and_a_taper_are_no_drive():
    """2 % of noise on a constant current; and the end of a charge, where the current decays."""
    rng = np.random.default_rng(2)
    time_s = 10.0 * np.arange(2000)
    steady = -2.0 + 0.04 * rng.standard_normal(2000)
    taper = 2.0 * np.exp(-np.clip(time_s - 8000.0, 0.0, None) / 1200.0)
    for amps in (steady, taper):
        assert not is_dynamic(Log("x", time_s, amps, np.full(2000, 3.3)))
