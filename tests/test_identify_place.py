"""A record that shows neither a full nor an empty cell: where it lies, what that leaves open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from socband import identify_family, identify_place
from socband.cell import simulate
from socband.fit_report import fit_text
from socband.identify import is_dynamic
from socband.identify_anchor import Anchor
from socband.identify_capacity import Capacities
from socband.identify_command import fit_command
from socband.identify_doubts import doubts_on
from socband.identify_dynamic import NAMES, SIZE, Fit, Record
from socband.identify_notes import note_on_low_end, notes_on_scores
from socband.identify_place import scored
from socband.identify_residual import score_records
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
    assert row["rms_mv_as_placed"]["20-95"] < 20.0
    # What chose its place cannot test it: said, and no news about the model.
    text = fit_text(fitted)
    assert "score*" in text
    (said,) = [note for note in fitted.notes if note.startswith("from55.csv *")]
    assert "count that doubt in" in said
    assert said not in fitted.cell.notes
    assert max(map(len, text.splitlines())) <= 80


def test_a_record_is_placed_as_low_as_empty_and_no_lower(monkeypatch):
    """Its voltages speak for the lowest place there is, which is no whole number of steps away."""
    _, record = _drive(1.0, 0.0)
    record = replace(record, soc=record.soc + 0.0034)
    tried = []

    def cost_of(moved):
        tried.append(float(moved.soc.min()))
        return tried[-1] + 1.0

    monkeypatch.setattr(identify_place, "tables_of", lambda p, frame: None)
    monkeypatch.setattr(identify_place, "weights_of", lambda tables, records: [None])
    monkeypatch.setattr(
        identify_place, "record_residuals", lambda tables, moved, weight: np.array([cost_of(moved)])
    )
    monkeypatch.setattr(
        identify_place, "fit_shortly", lambda records, frame: Fit(None, None, cost_of(*records), 1)
    )
    assert identify_place.placed(record, None).soc.min() == pytest.approx(0.0, abs=1e-9)
    assert min(tried) >= -1e-9


def _drive(start_soc, off_soc):
    """A drive of 15 % from there, said to lie so much higher."""
    cell = load_cell("lfp-26650-2ah")
    amps = -np.tile(np.repeat([2.0, 0.5, 0.0], 6), 30)
    amps *= 0.15 * cell.capacity_ah * 360.0 / -amps.sum()
    time_s = 10.0 * np.arange(amps.size)
    voltage_v = simulate(cell, time_s, amps, 25.0, start_soc, 0.0).voltage_v
    log = Log("x", time_s, amps, voltage_v)
    return cell, Record.from_log(log, 25.0, cell.capacity_ah, start_soc + off_soc, 0.0)


@pytest.mark.parametrize("start_soc", [0.8, 0.35])
def test_the_doubt_of_a_place_is_part_of_the_score(start_soc):
    """Against the mean square over 41 places, weighted by the density of their deviation: a rule of
    three is within a third of it on these curves. At its true place the model is without error."""
    cell, record = _drive(start_soc, 0.0)
    row = scored(cell, record, Anchor(start_soc, "voltage", start_soc, 0.05))
    assert row["rms_mv_as_placed"]["20-95"] < 1.0
    std = 0.05 / 1.645
    by = np.linspace(-3.0, 3.0, 41) * std
    places = [_drive(start_soc, off)[1] for off in by]
    square = [one["rms_mv"]["20-95"] ** 2 for one in score_records(cell, places, "score")]
    density = np.exp(-0.5 * (by / std) ** 2)
    wanted = np.sqrt(np.sum(density * square) / density.sum())
    assert row["rms_mv"]["20-95"] == pytest.approx(wanted, rel=0.33)
    assert row["rms_mv"]["2-10"] is None


def test_a_known_place_is_scored_as_it_stands():
    cell, record = _drive(0.8, 0.0)
    row = scored(cell, record, Anchor(0.8, "both ends"))
    assert row == score_records(cell, [record], "score")[0]
    assert notes_on_scores([("x", Anchor(0.8, "both ends")), ("y", Anchor(0.8, "file"))]) == []


def test_no_score_asks_for_a_place_above_full_or_below_empty():
    """At full there is no place above: of the rule's three only those at and below count double."""
    cell, record = _drive(1.0, 0.0)
    row = scored(cell, record, Anchor(1.0, "voltage", 1.0, 0.05))
    _, lower = _drive(1.0, -np.sqrt(3.0) * 0.05 / 1.645)
    there, below = score_records(cell, [record, lower], "score")
    for span in ("10-95", "20-95"):
        wanted = np.sqrt((5.0 * there["rms_mv"][span] ** 2 + below["rms_mv"][span] ** 2) / 6.0)
        assert row["rms_mv"][span] == pytest.approx(wanted, abs=0.02)


def test_a_score_against_a_full_that_is_only_assumed_is_said_to_be_one():
    (said,) = notes_on_scores([("x", Anchor(1.0, "assumed full"))])
    assert "the guess's fault" in said


def test_a_record_of_a_part_of_the_charge_tells_no_capacity():
    """Moved half of it and stayed on the flat, or began below full: the cell holds what the note
    says, twice as much. From full to 7 % and a rest it holds some 5 % more."""
    cell = load_cell("lfp-26650-2ah")

    def told(start_soc, share):
        amps = np.concatenate([np.zeros(5), np.full(600, -share * cell.capacity_ah * 0.6),
                               np.zeros(400)])  # fmt: skip
        time_s = 10.0 * np.arange(amps.size)
        h0 = 1.0 if start_soc == 1.0 else 0.0
        voltage_v = simulate(cell, time_s, amps, 25.0, start_soc, h0).voltage_v
        notes: list[str] = []
        log = Log("x", time_s, amps, voltage_v)
        found = Capacities.from_records([], [(log, 25.0)], notes)
        return found, abs(cell.capacity_ah / found.reference_ah - 1.0), notes[0]

    for start_soc, share in ((1.0, 0.5), (0.8, 0.5), (0.6, 0.52)):
        part, off, note = told(start_soc, share)
        assert "perhaps twice as much" in note
        assert 0.9 < off < 2.0 * part.spread + 0.01
    whole, off, note = told(1.0, 0.93)
    assert 0.05 < off < 2.0 * whole.spread
    assert "stays above 3 V" in note
    assert whole.spread == pytest.approx(0.05)
    assert "twice" not in note


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


def test_what_stands_in_below_the_lowest_charge_is_said():
    """Down to 9 % nothing is missing; from rests alone the OCV below is another cell's."""
    _, deep = _drive(0.24, 0.0)
    _, record = _drive(0.8, 0.0)
    assert deep.soc.min() == pytest.approx(0.09, abs=0.005)
    assert note_on_low_end([record, deep]) == ""
    said = note_on_low_end([record], "another-cell", assumed=True)
    assert "below 65 % of charge, as its true charge is assumed: from there" in said
    assert "its OCV there is mostly that of another-cell. When" in said
