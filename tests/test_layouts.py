"""Readers of the open record layouts, each with its trap.

Reference figures are those of the PROVENANCE.txt files beside the records. Synthetic files of the
same layouts keep the traps tested where the records are absent.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.io

from socband.errors import InputError
from socband.layouts import (
    read_cycler_csv,
    read_dynamic_csv,
    read_record,
    read_steps_mat,
    read_time_i_u_csv,
)
from socband.logs import Log, charge_ah, with_true_soc


def voltage_steps_agree(log: Log) -> float:
    """Share of large current steps at which the voltage moves the same way."""
    step_a, step_v = np.diff(log.current_a), np.diff(log.voltage_v)
    large = np.abs(step_a) > 0.2 * np.abs(step_a).max()
    return float(np.mean(step_a[large] * step_v[large] > 0))


@pytest.mark.parametrize(
    ("name", "discharged_ah"),
    [
        ("Co20", 2.0745),
        ("Co2", 2.0061),
        ("1C", 1.9434),
        ("2C", 1.8939),
        ("DriveCycle", 1.9952),
    ],
)
def test_18650_charge_by_integration(data_dir: Path, name: str, discharged_ah: float) -> None:
    """Source: PROVENANCE.txt of these records (discharged Ah, four decimals)."""
    log = read_time_i_u_csv(data_dir / "cell-18650-2ah" / f"LFP_25degC_{name}.csv")
    assert charge_ah(log)[-1] == pytest.approx(-discharged_ah, abs=1e-4)
    assert log.net_charge_ah is None
    assert log.warnings == ()


@pytest.mark.parametrize("temperature", ["N25", "N05", "P15", "P25", "P35", "P45"])
def test_26650_low_rate_counters_and_signs(data_dir: Path, temperature: str) -> None:
    folder = data_dir / "cell-26650-2p1ah-temperatures" / "ocv"
    down = read_cycler_csv(folder / f"A123_OCV_{temperature}_S1.csv.gz")
    up = read_cycler_csv(folder / f"A123_OCV_{temperature}_S3.csv.gz")
    assert charge_ah(down)[-1] < -1.9
    assert charge_ah(up)[-1] > 1.7
    # 0.0767 A is the rate that PROVENANCE.txt gives
    assert np.median(down.current_a) == pytest.approx(-0.0767, abs=5e-4)
    assert np.median(up.current_a) == pytest.approx(0.0767, abs=5e-4)
    # the current is steady, so that counter and integral must agree
    by_current = np.trapezoid(down.current_a, down.time_s) / 3600.0
    assert charge_ah(down)[-1] == pytest.approx(by_current, rel=2e-4)


@pytest.mark.parametrize("name", ["10_N25", "30_N05", "45_P15", "50_P25", "50_P35", "50_P45"])
def test_26650_dynamic_is_turned_round_and_uses_the_counters(data_dir: Path, name: str) -> None:
    folder = data_dir / "cell-26650-2p1ah-temperatures" / "dynamic"
    log = read_dynamic_csv(folder / f"A123_DYN_{name}_s1.csv.gz")
    assert log.time_s[0] == 0.0
    assert charge_ah(log)[-1] < -1.9  # it empties the cell
    assert voltage_steps_agree(log) > 0.99
    integral_ah = np.trapezoid(log.current_a, log.time_s) / 3600.0
    difference = abs(integral_ah / charge_ah(log)[-1] - 1.0)
    assert difference < 0.0125  # "up to 1.2 %", PROVENANCE.txt
    assert log.net_charge_ah is not None
    refilled = read_dynamic_csv(folder / f"A123_DYN_{name}_s3.csv.gz")
    assert charge_ah(refilled)[-1] > 1.9


def test_26650_dynamic_counter_differs_from_the_integral(data_dir: Path) -> None:
    """The trap itself: at 25 °C the two differ by more than 1 %."""
    folder = data_dir / "cell-26650-2p1ah-temperatures" / "dynamic"
    log = read_dynamic_csv(folder / "A123_DYN_50_P25_s1.csv.gz")
    integral_ah = np.trapezoid(log.current_a, log.time_s) / 3600.0
    assert abs(integral_ah / charge_ah(log)[-1] - 1.0) > 0.01


@pytest.mark.parametrize("kind", ["COS_0.05A", "COS_0.1A", "EIS_0.05A", "EIS_0.1A"])
def test_steps_records_count_a_tenth_of_the_cell_a_step(data_dir: Path, kind: str) -> None:
    """360 s at 2.5 A, a tenth of the cell, PROVENANCE.txt: nine or ten such steps downwards."""
    log = read_steps_mat(data_dir / "cell-26650-2p5ah-steps" / f"{kind}_Discharge.mat")
    assert voltage_steps_agree(log) > 0.99
    net_ah = charge_ah(log)
    stepping = np.flatnonzero(np.diff((log.current_a < -2.4).astype(int)))
    lengths = net_ah[stepping[1::2]] - net_ah[stepping[::2]][: len(stepping[1::2])]
    whole = lengths[lengths < -0.2]
    assert len(whole) >= 9
    np.testing.assert_allclose(whole, -0.25, atol=0.005)


def test_steps_record_with_gaps_says_so_and_keeps_to_the_counters(data_dir: Path) -> None:
    log = read_steps_mat(data_dir / "cell-26650-2p5ah-steps" / "EIS_0.1A_Discharge.mat")
    assert any("60" in warning.found for warning in log.warnings)
    integral_ah = np.trapezoid(log.current_a, log.time_s) / 3600.0
    assert abs(integral_ah - charge_ah(log)[-1]) > 1.0  # what integration would get wrong


def test_every_record_is_recognised(data_dir: Path) -> None:
    paths = [
        path
        for pattern in ("*/*.csv", "*/*.mat", "*/dynamic/*_P25_*.gz", "*/ocv/*_P25_*.gz")
        for path in sorted(data_dir.glob(pattern))
    ]
    assert len(paths) == 20
    for path in paths:
        log = read_record(path)
        assert np.all(np.diff(log.time_s) > 0.0), path.name
        assert 1.9 < log.voltage_v.min() < log.voltage_v.max() < 3.65, path.name


# ---------------------------------------------------------------- without the records


def test_dynamic_layout_synthetic(tmp_path: Path) -> None:
    path = tmp_path / "d.csv"
    rows = ["time, step, current, voltage, chgAh, disAh"]
    rows += [
        f"{100 + t}, 1, {2.0 if t > 4 else 0.0}, 3.{3 - (t > 4)}, 1.0, {2 + t}" for t in range(9)
    ]
    path.write_text("\n".join(rows))
    log = read_record(path)
    assert log.current_a[-1] == -2.0
    assert log.time_s[0] == 0.0
    assert charge_ah(log)[-1] == -8.0
    truth = with_true_soc(log, 1.0, 16.0).true_soc
    assert truth is not None
    assert truth[-1] == 0.5


def test_steps_layout_synthetic(tmp_path: Path) -> None:
    path = tmp_path / "s.mat"
    current_a = np.repeat([0.0, -2.5], 50)
    table = {
        "time": np.arange(100)[:, None],
        "current": current_a[:, None],
        "voltage": (3.3 + 0.02 * current_a)[:, None],
        "chargeCapacity": np.ones((100, 1)),
        "dischargeCapacity": np.linspace(3.0, 3.1, 100)[:, None],
    }
    scipy.io.savemat(path, table)
    assert charge_ah(read_record(path))[-1] == pytest.approx(-0.1)
    del table["voltage"]
    scipy.io.savemat(path, table)
    with pytest.raises(InputError, match="'voltage'"):
        read_record(path)


def test_unknown_layout_is_one_clear_error(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("a,b,c\n1,2,3\n")
    with pytest.raises(InputError, match="columns 'a, b, c'"):
        read_record(path)


def test_a_record_goes_by_its_content_not_its_name(tmp_path: Path) -> None:
    rows = ["time, step, current, voltage, chgAh, disAh"]
    rows += [f"{t}, 1, 2.0, 3.2, 1.0, {2 + t}" for t in range(9)]
    path = tmp_path / "d.csv.zip"
    path.write_text("\n".join(rows))
    assert charge_ah(read_record(path))[-1] == -8.0
    path.write_bytes(b"PK\x03\x04" + path.read_bytes())
    with pytest.raises(InputError, match="zip data"):
        read_record(path)


def test_true_charge_that_somebody_added_to_a_published_layout_is_read(tmp_path: Path) -> None:
    """Left out, a record would be placed by a guess beside its own truth."""
    time_s = np.arange(60.0)
    given_ah = time_s / 3600.0
    soc = 0.9 - given_ah / 2.0
    for reader, labels, amps in (
        (read_cycler_csv, "Test_Time(s),Current(A),Voltage(V),Charge_Capacity(Ah),"
         "Discharge_Capacity(Ah)", -1.0),
        (read_dynamic_csv, "time,current,voltage,chgAh,disAh", 1.0),
    ):  # fmt: skip
        columns = (time_s, np.full(60, amps), 3.3 - 1e-3 * time_s, np.zeros(60), given_ah, soc)
        path = tmp_path / f"{reader.__name__}.csv"
        np.savetxt(path, np.column_stack(columns), "%.9g", ",", header=f"{labels},true_soc",
                   comments="")  # fmt: skip
        log = reader(path)
        assert log.true_soc is not None
        np.testing.assert_allclose(log.true_soc, soc, atol=1e-8)
