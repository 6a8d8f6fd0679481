"""`socband bench` on files in other labels and signs, by flags and by a plan."""

from __future__ import annotations

import json

import numpy as np
import pytest

from socband.bench_plan import read_plan
from socband.cell import simulate
from socband.cli import main
from socband.errors import InputError
from socband.models import load_cell

LABELS = {"time": "t/h", "current": "amps", "voltage": "volts", "true_soc": "z"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The same record in the labels of the Battery Data Format and in others, of the other sign."""
    where = tmp_path_factory.mktemp("bench")
    time_s = np.arange(0.0, 6 * 3600.0, 60.0)
    current_a = np.where((time_s // 900) % 2 == 0, -0.5, -0.1)
    made = simulate(load_cell("lfp-26650-2ah"), time_s, current_a, 25.0, 0.95)
    plain = "Test Time / s,Current / A,Voltage / V,true_soc"
    for name, head, hours, sign in (("a", plain, 1.0, 1.0), ("b", "t/h,amps,volts,z", 3600.0, -1)):
        (where / name).mkdir()
        table = np.column_stack([time_s / hours, sign * current_a, made.voltage_v, made.soc])
        path = where / name / "made.csv"
        np.savetxt(path, table, "%.17g", ",", header=head, comments="")
    return where


def _scores(capsys, *argv):
    """Error, its size at most, score and width of the only estimator."""
    assert main(["bench", *argv, "--estimators", "open_loop", "--faults", "2", "--json"]) == 0
    [row] = json.loads(capsys.readouterr().out)["scores"]
    return [row[key] for key in ("rmse", "max_error", "crps", "width_90")]


def test_other_labels_and_signs_score_alike(folder, capsys):
    cell = ("--cell", "lfp-26650-2ah")
    asked = _scores(capsys, *cell, "--records", str(folder / "a" / "made.csv"))
    flags = [word for key, label in LABELS.items() for word in ("--column", f"{key}={label}")]
    other = str(folder / "b" / "made.csv")
    shown = _scores(capsys, *cell, "--records", other, *flags, "--discharge-positive")
    assert shown == pytest.approx(asked, rel=1e-6)

    plan = folder / "b" / "plan.toml"
    labels = ", ".join(f'{key} = "{label}"' for key, label in LABELS.items())
    plan.write_text(
        'records = ["made.csv"]\ncell = "lfp-26650-2ah"\n'
        f"columns = {{ {labels} }}\ndischarge_positive = true\n",
        encoding="utf-8",
    )
    assert _scores(capsys, str(plan)) == pytest.approx(asked, rel=1e-6)


def test_labels_of_a_plan_are_a_table(tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text('records = ["x.csv"]\ncolumns = "I"\n', encoding="utf-8")
    with pytest.raises(InputError, match="columns: found 'I'; expected a table of labels"):
        read_plan(plan)


def test_a_bench_on_which_nothing_scored_is_no_success(folder, tmp_path, capsys):
    broken = tmp_path / "broken.py"
    broken.write_text(
        "class Broken:\n    def estimate(self, log, cell, prior, rng):\n"
        "        raise ValueError('no such thing')\n",
        encoding="utf-8",
    )
    record = str(folder / "a" / "made.csv")
    argv = ["bench", "--cell", "lfp-26650-2ah", "--records", record, "--faults", "2"]
    assert main([*argv, "--estimators", f"{broken}:Broken"]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "no such thing" in shown.err
    assert "2 in all" in shown.err


def test_columns_that_no_record_asked_for_would_use_are_refused(data_dir, capsys):
    argv = ["bench", "--records", "COS_0.1A_Discharge", "--estimators", "display", "--faults", "1"]
    assert main([*argv, "--column", "voltage=volts", "--discharge-positive"]) == 2
    shown = " ".join(capsys.readouterr().err.split())
    assert "--column: found open records alone" in shown
    assert "--discharge-positive: found open records alone" in shown
