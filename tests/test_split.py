"""The frozen split: no fit and no calibration may touch a scoring record."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from socband.datasets import KNOWN, data_folder
from socband.models import load_cell
from socband.open_sets import OPEN_SETS

ROOT = Path(__file__).resolve().parents[1]
SPLIT = tomllib.loads((ROOT / "benchmarks" / "split.toml").read_text(encoding="utf-8"))
SCORING = {*SPLIT["scoring"]["records"], *SPLIT["scoring"]["closed"]}
MODELS = sorted((ROOT / "models").glob("*.toml"))


def _mentions(text: str, record: str) -> bool:
    """Does `text` name the record, with or without folder and ending, in any case?"""
    return re.search(rf"(?<![A-Za-z0-9]){re.escape(record)}(?![A-Za-z0-9])", text, re.I) is not None


def _touched(path: Path) -> list[str]:
    """Scoring records that a model file names in a source, in its calibration or anywhere else.

    Its notes alone may name them, to say how the finished model did on what it was never fitted to.
    """
    tree = tomllib.loads(path.read_text(encoding="utf-8"))
    tree.get("about", {}).pop("notes", None)
    text = repr(tree)
    return sorted(record for record in SCORING if _mentions(text, record))


def test_parts_do_not_overlap_and_name_known_records() -> None:
    calibration, reference = SPLIT["calibration"]["records"], SPLIT["reference"]["records"]
    parts = [*SPLIT["scoring"]["records"], *SPLIT["scoring"]["closed"], *calibration, *reference]
    assert len(parts) == len(set(parts))
    assert set(SPLIT["scoring"]["records"]) | set(calibration) == set(KNOWN)
    files = {f.rsplit("/", 1)[-1].split(".csv")[0].removesuffix(".mat")
             for s in OPEN_SETS.values() for f in s.checksums}  # fmt: skip
    assert set(parts) <= files


def test_scoring_records_are_those_of_the_issue() -> None:
    """2.06 Ah dynamic at 25 and −5 °C, the 2 Ah drive cycle, the 2.5 Ah steps discharge 0.1 A."""
    assert SPLIT["scoring"]["records"] == [
        *("A123_DYN_50_P25_s1", "A123_DYN_30_N05_s1"),
        *("LFP_25degC_DriveCycle", "COS_0.1A_Discharge"),
    ]


@pytest.mark.parametrize("path", MODELS, ids=lambda path: path.stem)
def test_no_model_was_fitted_or_calibrated_on_a_scoring_record(path: Path) -> None:
    assert _touched(path) == []
    if "[capacity]" not in path.read_text(encoding="utf-8"):
        return  # no cell model
    cell = load_cell(path)
    if cell.calibration is not None:
        known = {*SPLIT["calibration"]["records"], *SPLIT["reference"]["records"]}
        for record in cell.calibration.records:
            stem = Path(record).name.split(".csv")[0].removesuffix(".mat")
            assert stem in known, f"{record} is not in benchmarks/split.toml"


def test_the_check_would_catch_it(tmp_path: Path) -> None:
    """The negative: a model file that says so is found, whatever folder and ending it writes."""
    bad = tmp_path / "bad.toml"
    for text in (
        'source = "fitted: dynamic/A123_DYN_50_P25_s1.csv.gz"',
        'records = ["COS_0.1A_Discharge.mat"]',
        '[ocv]\nsource = "fitted to lfp_25degc_drivecycle.csv"',
    ):
        bad.write_text(text)
        assert len(_touched(bad)) == 1
    bad.write_text('records = ["COS_0.1A_Charge", "A123_OCV_P25_S1", "A123_DYN_50_P35_s1"]')
    assert _touched(bad) == []


def test_bench_models_exist() -> None:
    for known in KNOWN.values():
        load_cell(known.cell)


@pytest.mark.skipif(data_folder() is None, reason="the open records are not here (SOCBAND_DATA)")
def test_truth_of_every_known_record_stays_within_its_range() -> None:
    """Charge counted against the low-rate capacity starts full or empty and stays in 0..1."""
    from socband.datasets import bench_record

    for name in SPLIT["scoring"]["records"]:
        record = bench_record(name)
        soc = record.log.true_soc
        assert soc is not None
        assert soc[0] == 1.0
        assert soc.min() >= -0.005
        assert soc.max() <= 1.005
        # All four were run to the low-voltage end: at most a few percent are left.
        assert soc[-1] < 0.05
