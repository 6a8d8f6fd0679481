"""`socband fit`: what it takes, what it refuses before a long fit, and what it says of files."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys

import numpy as np
import pytest

from socband.cell import simulate
from socband.cli import main
from socband.errors import InputError
from socband.identify_command import fit_command, import_command
from socband.models import load_cell

OWN = ("Test Time / s", "Current / A", "Voltage / V")


def _write(path, labels, *columns):
    np.savetxt(path, np.column_stack(columns), "%.9g", ",", header=",".join(labels), comments="")
    return path


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    """A low-rate discharge and a drive of a shipped cell; each also in other words and signs."""
    folder = tmp_path_factory.mktemp("records")
    cell = load_cell("lfp-26650-2ah")
    rng = np.random.default_rng(1)
    slow_s = np.arange(0.0, 25 * 3600.0, 120.0)
    slow_a = np.full(slow_s.size, -cell.capacity_ah / 25.0)
    fast_s = np.arange(0.0, 5400.0, 5.0)
    fast_a = np.repeat(rng.choice([-3.0, -1.5, 0.0, 1.0], fast_s.size // 6), 6)
    fast_a[:6] = 0.0
    for name, time_s, current_a in (("slow", slow_s, slow_a), ("fast", fast_s, fast_a)):
        voltage_v = simulate(cell, time_s, current_a, 25.0, 1.0, 1.0).voltage_v
        _write(folder / f"{name}.csv", OWN, time_s, current_a, voltage_v)
        labels = ("t/min", "I", "U/mV")
        columns = (time_s / 60.0, -current_a, 1e3 * voltage_v)
        _write(folder / f"{name}-other.csv", labels, *columns)
    return folder


def _fit(records, ending="", **more):
    return fit_command(
        name="own",
        ocv_discharge=records / f"slow{ending}.csv",
        dynamic=[records / f"fast{ending}.csv"],
        rounds=2,
        **more,
    )


@pytest.fixture(scope="module")
def plain(records):
    return _fit(records)


def test_records_in_other_labels_and_signs_give_the_same_cell(records, plain):
    """As far as nine digits of milliamperes and millivolts go."""
    columns = {"time": "t/min", "current": "I", "voltage": "U/mV"}
    other = _fit(records, "-other", columns=columns, discharge_positive=True)
    assert [row["name"] for row in other.records] == ["fast-other.csv"]
    assert other.cell.capacity_ah == pytest.approx(plain.cell.capacity_ah, rel=1e-4)
    assert other.cell.r0.ref_ohm == pytest.approx(plain.cell.r0.ref_ohm, rel=1e-3)
    np.testing.assert_allclose(other.cell.ocv.value, plain.cell.ocv.value, atol=1e-4)
    assert any("fast-other.csv: column 'U/mV'" in note for note in other.notes)


def test_the_flags_of_the_command_reach_the_files(records, capsys):
    """An unknown column is named with the flag and the file it is not in."""
    asked = ("--dynamic", str(records / "fast-other.csv"), "--discharge-positive")
    code = main(
        ["fit", "--name", "x", *asked, "--column", "current=Amps", "--column", "time=t/min"]
    )
    err = " ".join(capsys.readouterr().err.split())
    assert code == 2
    assert "--column current: found 'Amps'; expected a column of fast-other.csv" in err


def test_what_was_left_out_of_a_record_is_said(records, tmp_path):
    lines = (records / "fast.csv").read_text(encoding="utf-8").splitlines()
    lines[41:44] = ["205,,3.3", "210,x,3.3", "215,1,"]
    (tmp_path / "holes.csv").write_text("\n".join(lines), encoding="utf-8")
    fitted = fit_command(
        name="own", ocv_discharge=records / "slow.csv", dynamic=tmp_path / "holes.csv", rounds=1
    )
    said = " ".join(fitted.notes)
    assert "holes.csv: rows 42 to 44: found time, current or voltage missing" in said
    assert "holes.csv" not in " ".join(fitted.cell.notes)


def test_another_temperature_in_the_file_is_said(records, tmp_path):
    table = np.loadtxt(records / "fast.csv", delimiter=",", skiprows=1)
    cold = np.full(len(table), 10.0)
    path = _write(tmp_path / "cold.csv", (*OWN, "Ambient Temperature / degC"), table, cold)
    asked = {"name": "own", "ocv_discharge": records / "slow.csv", "rounds": 1}
    assert "@10" in " ".join(fit_command(dynamic=path, **asked).notes)
    assert "@10" not in " ".join(fit_command(dynamic=f"{path}@10", **asked).notes)


def test_cold_branches_do_not_measure_hysteresis(records, tmp_path):
    """Both branches, all records at 0 °C: there the capacity is the branch's, 0.98 of that at 25 °C
    (assumed); R0 at 25 °C is known no better than activation energies let it be."""
    cell = load_cell("lfp-26650-2ah")
    time_s = np.arange(0.0, 25 * 3600.0, 120.0)
    current_a = np.full(time_s.size, cell.capacity_ah / 25.0)
    up_v = simulate(cell, time_s, current_a, 25.0, 0.0, -1.0).voltage_v
    up = _write(tmp_path / "up.csv", OWN, time_s, current_a, up_v)
    asked = {
        "name": "own",
        "ocv_discharge": records / "slow.csv",
        "ocv_charge": up,
        "dynamic": records / "fast.csv",
        "rounds": 1,
    }
    cold = fit_command(**asked, temperature_c=0.0).cell
    warm = fit_command(**asked).cell
    assert cold.capacity_ah == pytest.approx(warm.capacity_ah / 0.98, rel=1e-3)
    usable = cold.capacity_temperature
    assert np.interp(0.0, usable.temperature_c, usable.value) == pytest.approx(0.98)
    assert any("far from rest" in note for note in cold.notes)
    assert cold.sources["hysteresis.half_gap_v"].startswith("assumed from published")
    assert warm.sources["hysteresis.half_gap_v"].startswith("low-rate records")
    assert cold.spread["ocv.voltage_v"] > 2.0 * warm.spread["ocv.voltage_v"]
    ratio = [c.spread["resistance.r0.ref_ohm"] / c.r0.ref_ohm for c in (cold, warm)]
    assert ratio[0] > 0.35 > ratio[1]


def test_a_wrong_record_to_score_is_refused_before_the_fit(records, tmp_path, monkeypatch):
    table = np.loadtxt(records / "fast.csv", delimiter=",", skiprows=1)[:-1]
    moved = np.cumsum(table[:, 1]) * 5.0 / 3600.0 / 1.0  # of a cell of 1 Ah
    path = _write(tmp_path / "wrong.csv", (*OWN, "true_soc"), table, 0.95 + 0.4 * moved)
    from socband import identify

    monkeypatch.setattr(identify, "fit_dynamic", lambda *a, **k: pytest.fail("fitted first"))
    with pytest.raises(InputError, match=r"wrong\.csv: found true_soc"):
        _fit(records, score=path)


def test_limits_of_the_cell_are_kept_with_their_source(records, plain, tmp_path):
    out = tmp_path / "own.toml"
    _fit(records, lower_v=2.5, upper_v=3.6, out=out)
    cell = load_cell(out)
    assert (cell.lower_v, cell.upper_v) == (2.5, 3.6)
    assert cell.sources["limits.lower_v"] == "given with --lower-v"
    assert (plain.cell.lower_v, plain.cell.upper_v) == (2.0, 3.65)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"upper_v": float("nan")}, "--upper-v: found nan"),
        ({"upper_v": -3.6}, "--upper-v: found -3.6"),
        ({"upper_v": 3.2}, r"--upper-v: found 3\.2 V; expected 3\.4 to 3\.8 V"),
        ({"lower_v": 3.3}, r"--lower-v: found 3\.3 V; expected 1\.5 to 3 V"),
        ({"lower_v": 12.0}, "of one cell, not of the bank"),
        ({"name": " "}, "--name"),
        ({"temperature_c": float("nan")}, "--temperature"),
    ],
)
def test_what_could_not_be_read_back_is_refused_before_the_fit(records, tmp_path, given, says):
    out = tmp_path / "own.toml"
    asked = {"name": "own", "dynamic": records / "fast.csv", "out": out} | given
    with pytest.raises(InputError, match=says):
        fit_command(**asked)
    assert not out.exists()


def test_every_bad_file_is_named_before_the_fit(records, tmp_path):
    bad = _write(tmp_path / "bank.csv", OWN, [0.0, 1.0], [0.0, -1.0], [13.2, 13.1])
    with pytest.raises(InputError) as caught:
        fit_command(name="x", dynamic=[bad, records / "fast-other.csv"])
    text = str(caught.value)
    assert "bank.csv, row 2: found 13.2 V" in text
    assert "fast-other.csv" in text


def test_flags_that_an_import_does_not_use_are_refused(capsys):
    asked = ["--bpx", "cell.json", "--report", "x.png", "--temperature", "10"]
    assert main(["fit", "--name", "x", *asked]) == 2
    err = capsys.readouterr().err
    assert "--temperature, --report" in err


def test_an_import_takes_limits_and_source(data_dir, tmp_path):
    pytest.importorskip("bpx", reason="the bpx extra is not installed")
    bpx = data_dir / "cell-18650-2ah" / "lfp_18650_cell_BPX.json"
    out = tmp_path / "imported.toml"
    import_command(name="x", bpx=bpx, source="the paper", lower_v=2.5, out=out)
    cell = load_cell(out)
    assert (cell.lower_v, cell.upper_v) == (2.5, 3.65)
    assert cell.sources["ocv.voltage_v"].endswith("; the paper")
    with pytest.raises(InputError, match="--lower-v"):
        import_command(name="x", bpx=bpx, lower_v=3.7)


def test_the_command_runs_as_a_module():
    done = subprocess.run(
        [sys.executable, "-m", "socband", "--version"],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    from socband import __version__

    assert done.stdout.strip() == __version__


def test_json_of_a_fit(records, capsys, monkeypatch):
    """The command and the function give the same records."""
    asked = ("--ocv-discharge", str(records / "slow.csv"), "--dynamic", str(records / "fast.csv"))
    from socband import identify_command

    whole = identify_command.fit_cell
    monkeypatch.setattr(
        identify_command, "fit_cell", lambda *a, **k: whole(*a, **(k | {"rounds": 1}))
    )
    assert main(["fit", "--name", "own", *asked, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert [row["name"] for row in answer["records"]] == ["fast.csv"]


def test_temperatures_without_the_cold_are_said(records, tmp_path):
    """A model of 25 and 40 °C is none of 0 °C; one of 0 and 40 °C needs no such word."""
    other = tmp_path / "other.csv"
    lines = (records / "fast.csv").read_text(encoding="utf-8").splitlines()
    other.write_text("\n".join(lines[:-1]), encoding="utf-8")  # no record is at two temperatures

    def said(at_c):
        pair = [f"{records / 'fast.csv'}@{at_c}", f"{other}@40"]
        asked = {"ocv_discharge": records / "slow.csv", "dynamic": pair, "rounds": 1}
        return [n for n in fit_command(name="x", **asked).notes if "activation energies" in n]

    (note,) = said(25)
    assert note.startswith("records at 25 to 40 °C alone")
    assert said(0) == []


def test_one_rest_near_empty_moves_no_plateau(tmp_path):
    """No low-rate branch, one rest at the end of a drive whose capacity is only what it moved."""
    cell = load_cell("lfp-26650-2ah")
    rng = np.random.default_rng(5)
    amps = np.repeat(rng.choice([-1.2, -0.6, -0.3, 0.4], 400), 6)
    amps *= 0.92 * cell.capacity_ah * 360.0 / -amps.sum()
    amps = np.concatenate([np.zeros(3), amps, np.zeros(500)])
    time_s = 10.0 * np.arange(amps.size)
    voltage_v = simulate(cell, time_s, amps, 25.0, 1.0, 1.0).voltage_v
    path = _write(tmp_path / "drive.csv", OWN, time_s, amps, voltage_v)
    fitted = fit_command(name="x", dynamic=path, rounds=2)
    half_v = np.interp(0.5, fitted.cell.ocv.soc, fitted.cell.ocv.value)
    assert abs(half_v - np.interp(0.5, cell.ocv.soc, cell.ocv.value)) < 0.04
    assert 0.015 < fitted.cell.spread["ocv.voltage_v"] < 0.035
    notes = "; ".join(fitted.notes)
    assert "OCV from 1 rested voltage, its shape" in notes
    assert "no rest at 10 to 95 %" in notes
    # It ended at 8 %, above 3 V: the cell holds more, within two of its spread.
    assert "stays above 3 V, so the cell holds more" in notes
    off_ah = fitted.cell.capacity_ah - cell.capacity_ah
    assert abs(off_ah) < 2.0 * fitted.cell.spread["capacity.capacity_ah"]


def test_a_coarse_voltmeter_is_said_and_widens_the_ocv(records, plain, tmp_path):
    """10 mV in the low-rate branch: 10/√12 more deviation of its OCV; 5 mV in the drive, 3 mV in
    one that is scored: in the steps' own records alone."""
    paths = {}
    for name, kind, step_v in (
        ("ocv", "slow", 0.010),
        ("run", "fast", 0.005),
        ("test", "fast", 0.003),
    ):
        table = np.loadtxt(records / f"{kind}.csv", delimiter=",", skiprows=1)
        table[:, 2] = np.round(table[:, 2] / step_v) * step_v
        paths[name] = _write(tmp_path / f"{name}.csv", OWN, table)
    fitted = fit_command(
        name="own",
        ocv_discharge=paths["ocv"],
        dynamic=paths["run"],
        score=paths["test"],
        rounds=2,
    )
    of_ocv, of_run, of_score = [n for n in fitted.notes if " in steps of " in n]
    assert "ocv.csv in steps of 10 mV. The flat part of the OCV" in of_ocv
    assert "widened by 2.9 mV" in of_ocv
    assert "run.csv in steps of 5 mV. What a small current" in of_run
    assert of_score.startswith("test.csv: its voltage is read in steps of 3 mV: 0.87 mV")
    assert of_ocv in fitted.cell.notes
    assert of_score not in fitted.cell.notes
    wanted_v = np.hypot(plain.cell.spread["ocv.voltage_v"], 0.010 / np.sqrt(12.0))
    assert fitted.cell.spread["ocv.voltage_v"] == pytest.approx(wanted_v, rel=0.02)
    published = "hysteresis.half_gap_v"  # not measured here, so no voltmeter's fault
    assert fitted.cell.spread[published] == plain.cell.spread[published]
    assert not [n for n in plain.notes if " in steps of " in n]


def test_a_low_end_that_no_record_shows_is_said(records, plain):
    """The lowest charge by hand, from the drive's current and the cell's capacity."""
    amps = np.loadtxt(records / "fast.csv", delimiter=",", skiprows=1)[:, 1]
    lowest = (
        1.0 + np.cumsum(0.5 * (amps[1:] + amps[:-1])).min() * 5.0 / 3600.0 / plain.cell.capacity_ah
    )
    (said,) = [n for n in plain.cell.notes if n.startswith("no record to fit goes below")]
    assert float(said.split(" % of charge")[0].split()[-1]) == pytest.approx(100 * lowest, abs=1.5)
    down = fit_command(
        name="own",
        ocv_discharge=records / "slow.csv",
        dynamic=[records / "fast.csv", records / "slow.csv"],
        rounds=1,
    )
    assert not [n for n in down.notes if "goes below" in n]


def test_a_record_given_twice_is_refused_before_the_fit(records, tmp_path, monkeypatch):
    """By another path, by another flag; and a copy of it under another name, packed."""
    from socband import identify_command

    monkeypatch.setattr(identify_command, "fit_cell", lambda *a, **k: pytest.fail("fitted"))
    fast, slow = records / "fast.csv", records / "slow.csv"
    again = records / ".." / records.name / "fast.csv"
    copy = tmp_path / "copy.csv.gz"
    copy.write_bytes(gzip.compress(fast.read_bytes()))
    for asked, says in (
        ({"dynamic": [fast, f"{again}@40"]}, r"--dynamic .*fast\.csv: found the same file twice"),
        (
            {"ocv_discharge": [slow, slow]},
            r"--ocv-discharge .*slow\.csv: found the same file twice",
        ),
        ({"ocv_charge": [slow, slow]}, r"--ocv-charge .*slow\.csv: found the same file twice"),
        ({"score": [slow, slow]}, r"--score .*slow\.csv: found the same file twice"),
        ({"score": again}, r"--score .*fast\.csv: found a record that is fitted too"),
        ({"score": copy}, r"--score .*copy\.csv\.gz: found row for row what is in .*fast\.csv"),
        ({"dynamic": slow, "ocv_discharge": fast, "score": copy}, "row for row what is in .*fast"),
        ({"dynamic": [fast, copy]}, r"--dynamic .*copy\.csv\.gz: found row for row"),
    ):
        with pytest.raises(InputError, match=says) as caught:
            fit_command(**({"name": "x", "dynamic": fast} | asked))
        assert len(caught.value.problems) == 1


def test_an_empty_column_of_true_charge_is_said(records, tmp_path):
    """However many rows had to be left out before it."""
    lines = (records / "fast.csv").read_text(encoding="utf-8").splitlines()
    rows = [f"{line}," for line in lines[1:]]
    for k in (50, 100, 150, 200, 250):
        rows[k] = f"{rows[k].split(',')[0]},,3.3,"
    path = tmp_path / "untold.csv"
    path.write_text("\n".join([f"{lines[0]},true_soc", *rows]), encoding="utf-8")
    fitted = fit_command(name="x", ocv_discharge=records / "slow.csv", dynamic=path, rounds=1)
    said = [note for note in fitted.notes if "true_soc" in note]
    assert said == [
        "untold.csv: it has a column true_soc, but no number in it: its true charge is taken from"
        " its ends or its voltages instead, as if it had none"
    ]
    assert fitted.records[0]["true_charge"] == "full"
