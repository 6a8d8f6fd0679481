"""`benchmarks/calibrate.py` on a model and records of one's own."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scripts import benchmark

from socband.cell import simulate
from socband.errors import InputError
from socband.logs import Log
from socband.models import VoltageError, dump_cell, load_cell

LABELS = ("Test Time / s", "Current / A", "Voltage / V")


@pytest.fixture(scope="module")
def calibrate():
    with benchmark("calibrate") as module:
        yield module


@pytest.fixture
def own(tmp_path):
    """An uncalibrated model, and a discharge from full with and without its true charge.

    `rest` empties the cell after it: the charge left, by the simulated truth.
    """
    cell = replace(load_cell("lfp-26650-2ah"), name="own", calibration=None)
    model = tmp_path / "own.toml"
    model.write_text(dump_cell(cell), encoding="utf-8")
    time_s = np.arange(0.0, 3 * 3600.0, 30.0)
    current_a = np.where(time_s % 1800 < 900, -0.8, -0.2)
    current_a[0] = 0.0
    made = simulate(cell, time_s, current_a, 25.0, 1.0, 1.0)
    table = np.column_stack([time_s, current_a, made.voltage_v, made.soc])
    for name, columns, labels in (
        ("told", table, (*LABELS, "true_soc")),
        ("full", table[:, :3], LABELS),
        ("A123_DYN_50_P25_s1", table, (*LABELS, "true_soc")),
    ):
        head = ",".join(labels)
        np.savetxt(tmp_path / f"{name}.csv", columns, "%.9g", ",", header=head, comments="")
    left_ah = float(made.soc[-1]) * cell.capacity_ah
    rest = np.array([[0.0, -0.1, 3.2], [3600.0 * left_ah / 0.1, -0.1, 2.0]])
    head = ",".join(LABELS)
    np.savetxt(tmp_path / "rest.csv", rest, "%.9g", ",", header=head, comments="")
    return tmp_path


def test_a_model_of_ones_own_is_calibrated_and_stored(calibrate, own, monkeypatch, capsys):
    grid = ((0.5, 1.0, 2.0, 0.2, 0.01, 0.2), (0.25, 0.7, 15.0, 0.4, 0.025, 0.2))
    monkeypatch.setattr(calibrate, "GRID", grid)
    ladders = ((0.5,), (1.0,), (2.0, 15.0), (0.2,), (0.01,), (0.1, 0.2))
    monkeypatch.setattr(calibrate, "LADDERS", ladders)
    model, record = str(own / "own.toml"), str(own / "told.csv@25")
    few = ("--faults", "1", "--members", "60")
    calibrate.main([model, "--records", record, *few])
    assert load_cell(model).calibration is None
    shown = capsys.readouterr().out
    calibrate.main([model, "--records", record, *few, "--write"])
    assert capsys.readouterr().out == f"{shown}stored in own.toml\n"
    stored = load_cell(model).calibration
    # three hours tell no memory of 15: one of the grid is left, and the walk knows one beside it
    assert calibrate.stored_setting(load_cell(model)) == grid[0]
    assert "1 settings, 1 faults a record, after a grid of 2" in shown
    assert stored.records == ("told",)
    calibrate.main([model, "--records", record, *few, "--walk"])
    assert "2 settings, 1 faults a record, after what the file" in capsys.readouterr().out


def test_a_walk_goes_one_step_at_a_time_and_ends_where_no_neighbour_is_better(calibrate):
    """CRPS as the distance from a setting six steps away: it gets there, and asks for none twice.

    A memory beyond what the records tell is not asked for.
    """
    start, asked = (0.5, 1.0, 2.0, 0.2, 0.01, 0.2), []
    goal = (0.5, 1.4, 6.0, 0.1, 0.002, 0.0)

    def rungs(setting):
        pairs = zip(calibrate.LADDERS, setting, strict=True)
        return np.array([ladder.index(x) for ladder, x in pairs])

    def run(settings):
        asked.extend(settings)
        away = [np.abs(rungs(s) - rungs(goal)).sum() for s in settings]
        rest = (0.5, 0.9, 0.85, 0.05, 0.1)
        return [calibrate.Outcome(*s, *rest, 0.01 * d) for s, d in zip(settings, away, strict=True)]

    found = calibrate.walk(run([start]), run, np.inf)
    assert calibrate.chosen(found).setting == goal
    assert len(set(asked)) == len(asked) == len(found)
    asked.clear()
    found = calibrate.walk(run([start]), run, 2.0)
    assert calibrate.chosen(found).setting == (*goal[:2], 2.0, *goal[3:])
    assert max(s[2] for s in asked) == 2.0
    asked.clear()
    found = calibrate.walk(run([start]), run, np.inf, lag=False)
    assert calibrate.chosen(found).setting == (*goal[:5], start[5])
    assert {s[5] for s in asked} == {start[5]}


def test_one_steady_current_tells_no_lag_of_another(calibrate):
    """A discharge at 1 A with a minute of rest before it, and one that goes between 1 and 0.2 A."""
    steady = np.append(np.zeros(2), -np.ones(100))
    steps = np.tile([-1.0, -0.2], 50)

    def context(*currents):
        logs = {
            str(k): SimpleNamespace(log=SimpleNamespace(current_a=a))
            for k, a in enumerate(currents)
        }
        return SimpleNamespace(records=logs)

    assert not calibrate.tells_lag(context(steady, 2.0 * steady))
    assert calibrate.tells_lag(context(steady, steps))


def test_what_a_file_does_not_say_is_walked_on_from_as_uncalibrated(calibrate):
    cell = load_cell("lfp-26650-2ah")
    bare = replace(cell.calibration, slow_spread=None, charge_shift=None, lag_share=None)
    bare = replace(cell, calibration=bare)
    assert calibrate.stored_setting(bare)[3:] == calibrate.UNCALIBRATED
    with pytest.raises(SystemExit, match="no calibration to walk on from"):
        calibrate.stored_setting(replace(cell, calibration=None))


def test_true_charge_lies_between_two_ends_where_no_column_tells_it(calibrate, own):
    model = str(own / "own.toml")
    texts = [str(own / "told.csv"), f"{own / 'full.csv'}+{own / 'rest.csv'}@25"]
    context = calibrate.own_context(model, texts)
    told, full = (context.records[name].log.true_soc for name in ("told", "full"))
    np.testing.assert_allclose(full, told, atol=2e-3)
    assert context.records["full"].capacity_ah == pytest.approx(2.06, rel=0.01)
    assert context.cells["full"].calibration is None


def test_what_cannot_calibrate_is_refused_all_at_once(calibrate, own):
    """A scoring record of the frozen split, one without a known end, a file that is not there."""
    texts = [str(own / f"{name}.csv") for name in ("A123_DYN_50_P25_s1", "full", "none")]
    with pytest.raises(InputError) as caught:
        calibrate.own_context(str(own / "own.toml"), texts)
    text = str(caught.value)
    assert "A123_DYN_50_P25_s1.csv: found a record that scores" in text
    assert "full.csv: found no true charge" in text
    assert "none.csv: found no such file" in text


def test_a_shipped_model_is_not_overwritten_from_records_of_ones_own(calibrate, own, capsys):
    with pytest.raises(SystemExit):
        calibrate.main(["lfp-26650-2ah", "--records", str(own / "told.csv"), "--write"])
    assert "path of your own model file" in capsys.readouterr().err


def test_records_the_model_was_fitted_to_are_said(calibrate):
    cell = load_cell("lfp-18650-2ah")
    said = calibrate.caution([], cell, ["LFP_25degC_1C", "other"])
    assert "fitted to LFP_25degC_1C: " in said
    assert calibrate.caution([], cell, ["other"]).count("\n") == 1


def test_a_memory_that_the_records_cannot_tell_is_not_chosen(calibrate):
    """7,200 s hold two stretches of 2 τ up to τ = 1,800 s: three times 600 s, by hand."""
    error = VoltageError(2e-3, 0.004, 0.0, 600.0, 5e-4)
    cell = replace(load_cell("lfp-18650-2ah"), voltage_error=error)
    time_s = np.array([0.0, 3600.0, 7200.0])
    record = SimpleNamespace(log=Log("two hours", time_s, time_s, time_s))
    short = SimpleNamespace(log=Log("short", time_s / 9, time_s, time_s))
    context = SimpleNamespace(records={"a": record, "b": short}, cells={"a": cell, "b": cell})
    assert calibrate.most_memory(context) == pytest.approx(3.0)
    good = calibrate.Outcome(0.5, 0.7, 15.0, 0.2, 0.01, 0.2, 0.5, 0.9, 0.9, 0.05, 0.1, 0.020)
    short = replace(good, tau_scale=2.0, crps=0.021)
    assert calibrate.told([good, short], np.inf) == [good, short]
    assert calibrate.told([good, short], 3.0) == [short]
    assert calibrate.told([good], 3.0) == [good]


def test_a_band_that_holds_too_much_is_not_chosen_while_another_says_what_it_holds(calibrate):
    """88 to 93 % of the time in the 90 % band; a band that holds less is no choice at all."""
    says = calibrate.Outcome(0.5, 0.7, 2.0, 0.2, 0.01, 0.2, 0.5, 0.9, 0.85, 0.05, 0.1, 0.020)
    wide = replace(says, eta=0.25, coverage_90=0.96, crps=0.019)
    narrow = replace(says, error_scale=0.5, coverage_90=0.86, crps=0.015)
    assert calibrate.chosen([says, wide, narrow]) is says
    assert calibrate.chosen([wide, narrow]) is wide
    assert calibrate.chosen([narrow, replace(narrow, worst_90=0.6)]) is narrow


def test_the_second_round_takes_what_may_be_honest_first(calibrate):
    """85 to 96 % by a few faults, by CRPS; then what holds more, by CRPS; then what holds most."""
    says = calibrate.Outcome(0.5, 0.7, 2.0, 0.2, 0.01, 0.2, 0.5, 0.9, 0.85, 0.05, 0.1, 0.020)
    better = replace(says, coverage_90=0.86, crps=0.018)
    wide = replace(says, coverage_90=0.99, crps=0.010)
    narrow = replace(says, coverage_90=0.80, crps=0.005)
    less = replace(says, coverage_90=0.60, crps=0.001)
    found = [less, narrow, wide, says, better]
    assert calibrate.finalists(found, 5) == [better, says, wide, narrow, less]
    assert calibrate.finalists(found, 1) == [better]


def test_a_grid_of_an_older_kind_is_to_be_made_again(calibrate, tmp_path):
    """Grids from before the slow part was calibrated say nothing of it."""
    new = calibrate.asdict(calibrate.Outcome(0.1, 1.0, 1.0, *calibrate.UNCALIBRATED, *(0.5,) * 6))
    for name in calibrate.RECORDS:
        (tmp_path / f"{name}.json").write_text(json.dumps([new]), encoding="utf-8")
    assert len(calibrate.pooled(tmp_path)) == 1
    last = list(calibrate.RECORDS)[-1]
    old = {key: value for key, value in new.items() if key != "slow_spread"}
    (tmp_path / f"{last}.json").write_text(json.dumps([new, old]), encoding="utf-8")
    with pytest.raises(SystemExit, match=f"run calibrate.py {last} again"):
        calibrate.pooled(tmp_path)
