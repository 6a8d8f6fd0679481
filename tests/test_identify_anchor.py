"""What ends a record shows, and whose voltages it has: full, empty, or of no LFP cell at all."""

from __future__ import annotations

import numpy as np
import pytest

from socband import identify
from socband.cell import simulate
from socband.errors import InputError
from socband.identify_anchor import anchor
from socband.identify_capacity import Capacities
from socband.identify_command import fit_command
from socband.identify_ocv import refuse_other_voltages
from socband.logs import Log
from socband.models import available_cells, load_cell


def _log(current_a, voltage_v):
    return Log("log", 10.0 * np.arange(current_a.size), current_a, voltage_v)


@pytest.mark.parametrize("name", available_cells())
@pytest.mark.parametrize("rest_s", [20.0, 600.0, 7200.0])
@pytest.mark.parametrize("c_rate", [0.2, 0.5, 1.0])
def test_only_a_full_cell_is_taken_for_one(name, rest_s, c_rate):
    """Charged from 30 % to a known charge, at 1C well beyond 3.5 V in some, rested, discharged by
    20 %: full at the end of a current that falls or after two hours, never at 60 or 90 %.

    Rested 20 s after 1C the generic cell stands at 3.41 V at 60 %; after hours the 26650 at 90 % at
    3.36 V and the 2.5 Ah one, full, at 3.41 V (simulated).
    """
    cell = load_cell(name)

    def how(top, falls):
        charge_ah = (top - 0.3) * cell.capacity_ah
        lasts_s = 3600.0 * (top - 0.3) / c_rate
        up_a = np.full(round(lasts_s / 10.0), c_rate * cell.capacity_ah)
        if falls:  # by half of it to C/20
            up_a[up_a.size // 2 :] = np.geomspace(up_a[0], 0.05 * cell.capacity_ah,
                                                  up_a.size - up_a.size // 2)  # fmt: skip
            up_a = np.repeat(up_a, 2)
            up_a *= charge_ah * 360.0 / up_a.sum()
        down_a = np.full(144, -0.5 * cell.capacity_ah)
        amps = np.concatenate([up_a, np.zeros(round(rest_s / 10.0)), down_a])
        time_s = 10.0 * np.arange(amps.size)
        voltage_v = simulate(cell, time_s, amps, 25.0, 0.3, 0.0).voltage_v
        return anchor(Log("x", time_s, amps, voltage_v), cell.capacity_ah).how

    assert {how(top, falls) for top in (0.6, 0.9) for falls in (False, True)} == {"assumed full"}
    # A current that never fell is no proof of full while it flows, nor shortly after.
    assert how(1.0, True) == "full" or (name == "lfp-26650-2.5ah" and rest_s < 3600.0)
    if rest_s > 3600.0:
        assert how(1.0, False) == "full"


def test_a_full_cell_that_is_charged_on_is_full():
    """A pulse of a minute at C/2 after its rest, which lifts it by less than a steady charge."""
    cell = load_cell("lfp-26650-2ah")
    amps = cell.capacity_ah * np.concatenate([np.zeros(6), np.full(6, 0.5), np.full(200, -0.5)])
    time_s = 10.0 * np.arange(amps.size)
    voltage_v = simulate(cell, time_s, amps, 25.0, 1.0, 1.0).voltage_v
    assert anchor(Log("x", time_s, amps, voltage_v), cell.capacity_ah).how == "full"


def test_a_capacity_is_known_of_a_run_that_shows_both_ends():
    """From empty, where a rest shows it, to 60 %: anchored empty, and 40 % of the capacity nobody
    saw. To full, with a current that falls, it is known."""
    cell = load_cell("lfp-26650-2ah")
    found = {}
    for top in (0.6, 1.0):
        up_a = np.full(round(1440.0 * top), 0.25 * cell.capacity_ah)
        amps = np.concatenate([np.zeros(400), up_a])
        time_s = 10.0 * np.arange(amps.size)
        voltage_v = simulate(cell, time_s, amps, 25.0, 0.0, -1.0).voltage_v
        log = Log("x", time_s, amps, voltage_v)
        notes: list[str] = []
        told = Capacities.from_records([], [(log, 25.0)], notes)
        assert anchor(log, told.reference_ah).how == "empty"
        assert told.reference_ah == pytest.approx(top * cell.capacity_ah, rel=0.01)
        found[top] = (told.guessed, "true charge of all records" in notes[0])
    assert found == {0.6: (True, True), 1.0: (False, False)}


@pytest.mark.parametrize(
    ("low_v", "high_v", "said"),
    [(3.0, 3.98, "to 3.8 V"), (3.3, 3.75, "below 3.45 V"), (1.95, 2.15, "2.8 to")],
)
def test_another_kind_of_cell_is_refused_before_the_fit(tmp_path, monkeypatch, low_v, high_v, said):
    """A cell of another oxide, whole and in part, and a lead-acid one; also if it only scores."""
    for name in ("placed_by_voltage", "fit_dynamic"):
        monkeypatch.setattr(identify, name, lambda *a, **k: pytest.fail("begun to fit"))
    time_s = 60.0 * np.arange(240.0)
    amps = np.where(time_s % 3600.0 < 1800.0, -1.0, -0.1)
    head = "Test Time / s,Current / A,Voltage / V"
    for name, first_v, last_v in (("other", high_v, low_v), ("lfp", 3.35, 3.1)):
        columns = np.column_stack([time_s, amps, np.linspace(first_v, last_v, 240)])
        np.savetxt(tmp_path / f"{name}.csv", columns, "%.9g", ",", header=head, comments="")
    own, lfp = tmp_path / "other.csv", tmp_path / "lfp.csv"
    for asked in (
        {"ocv_discharge": own, "dynamic": own},
        {"dynamic": own},
        {"ocv_discharge": lfp, "dynamic": lfp, "score": own},
    ):
        with pytest.raises(InputError, match=f"{said}.*as of one LFP cell") as caught:
            fit_command(name="x", **asked)
        assert "another kind of cell" in str(caught.value)
        assert "other.csv" in str(caught.value)


def test_a_warm_full_rest_and_a_cold_low_end_are_of_an_lfp_cell():
    """Hours at 3.55 V before a short discharge; a discharge in the frost, most of it below 2.8 V;
    a fast charge in the cold, most of it above 3.5 V."""
    rest = _log(
        np.r_[np.zeros(900), np.full(100, -1.0)], np.r_[np.full(900, 3.55), np.full(100, 3.2)]
    )
    frost = _log(
        np.r_[np.zeros(20), np.full(380, -1.0)], np.r_[np.full(20, 3.35), np.full(380, 2.6)]
    )
    fast = _log(np.full(400, 1.0), np.linspace(3.45, 3.65, 400))
    refuse_other_voltages([rest, frost, fast])
