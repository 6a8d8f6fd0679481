"""`benchmarks/forecast_records.py` forecasts a fitted record with a model that has not seen it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scripts import benchmark

from socband.models import dump_cell, load_cell


@pytest.fixture(scope="module")
def records():
    with benchmark("forecast_records") as module:
        yield module


@pytest.mark.parametrize(
    ("name", "shipped", "file"),
    [
        ("LFP_25degC_1C", "lfp-18650-2ah", "lfp-18650-2ah-without-1C"),
        ("A123_DYN_45_P15_s1", "lfp-26650-2ah", "lfp-26650-2ah-without-P15"),
    ],
)
def test_the_model_left_without_a_record_keeps_the_shipped_calibration(
    records, tmp_path, name, shipped, file
):
    cell = load_cell(shipped)
    left = replace(cell, name=file, capacity_ah=1.01 * cell.capacity_ah, calibration=None)
    (tmp_path / f"{file}.toml").write_text(dump_cell(left), encoding="utf-8")
    found = records.without(name, cell, tmp_path)
    assert found.capacity_ah == pytest.approx(1.01 * cell.capacity_ah)
    assert found.calibration == cell.calibration


def test_only_records_that_there_are(records, capsys):
    with pytest.raises(SystemExit) as ended:
        records.main(["--only", "3C"])
    assert ended.value.code == 2
    assert "Co2, 1C, 2C, DriveCycle, P25, N05" in capsys.readouterr().err
