"""Plans for the bench: what cannot be run is refused before anything is computed."""

from __future__ import annotations

import codecs
from pathlib import Path

import numpy as np
import pytest

from socband.bench_plan import Plan, read_plan
from socband.errors import InputError

CELL = "lfp-26650-2ah"


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """An hour of an invented record with a stated true charge."""
    time_s = 10.0 * np.arange(361.0)
    true_soc = 1.0 - time_s / 3600.0 / 2.0
    rows = np.column_stack([time_s, np.full(361, -1.03), 3.2 + 0.1 * true_soc, true_soc])
    path = tmp_path / "own.csv"
    labels = "Test Time / s,Current / A,Voltage / V,true_soc"
    np.savetxt(path, rows, delimiter=",", header=labels, comments="", fmt="%.6f")
    return path


def test_a_byte_order_mark_before_a_plan_is_read_over(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(codecs.BOM_UTF8 + b'records = ["own.csv"]\nfaults = 3\n')
    assert read_plan(path).faults == 3


@pytest.mark.parametrize(
    ("changes", "flag", "expected"),
    [
        ({"step_s": 1e9}, "--step", "1 to 3600 s"),
        ({"step_s": -60.0}, "--step", "1 to 3600 s"),
        ({"step_s": float("nan")}, "--step", "1 to 3600 s"),
        ({"step_s": 0.01}, "--step", "1 to 3600 s"),
        ({"step_s": 3600.0}, "--step", "10 or more"),
        ({"faults": 0}, "--faults", "from 1 to"),
        ({"faults": -3}, "--faults", "from 1 to"),
        ({"faults": 10**9}, "--faults", "from 1 to"),
        ({"seed": -1}, "--seed", "from 0 to"),
    ],
)
def test_absurd_steps_and_counts(record: Path, changes: dict, flag: str, expected: str) -> None:
    plan = Plan(records=(str(record),), cell=CELL, estimators=("display",), **changes)
    with pytest.raises(InputError) as caught:
        plan.context()
    (problem,) = caught.value.problems
    assert problem.where == flag
    assert expected in problem.expected


def test_the_same_keys_of_a_file(tmp_path: Path) -> None:
    tree = {"records": ["own.csv"], "step_s": 1e9, "faults": 0, "seed": 2**40}
    with pytest.raises(InputError) as caught:
        Plan.from_tree(tree, tmp_path)
    assert [p.where for p in caught.value.problems] == ["step_s", "faults", "seed"]


def test_sane_plans_pass(record: Path) -> None:
    for step_s in (None, 0.0, 10.0, 300.0):
        plan = Plan(records=(str(record),), cell=CELL, estimators=("display",), step_s=step_s)
        assert list(plan.context().records) == ["own"]
