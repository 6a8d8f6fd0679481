"""The bench of bands on whole houses scores what `replay` answers, against the house's truth."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))

import house_bands as hb
from house_truth import make_houses

from socband.scoring import LEVELS


def test_a_house_is_scored_against_its_own_truth():
    """The shares agree with each other, and a wrong truth shows."""
    from dataclasses import replace

    (house,) = make_houses(1, 7003, ["none"], longest_days=3.0)
    given = {"seed": 3, "days": 0.7, "members": 100, "full_std": 0.015, "full_memory_s": 600.0}
    row = hb.banded(house, **given)
    inside50, inside90 = (row["coverage"][LEVELS.index(level)] for level in (0.5, 0.9))
    by_range = np.nansum(row["share_by_soc"] * row["coverage_90_by_soc"])
    assert row["hours"] * 60.0 == pytest.approx(0.7 * 1440, abs=2)
    assert row["share_by_soc"].sum() == pytest.approx(1.0)
    assert by_range == pytest.approx(inside90)
    assert 0.0 <= inside50 <= inside90 <= 1.0
    assert not row["strained"]
    assert row["mae"] < row["display_mae"] + row["width_90"]
    log = replace(house.log, true_soc=np.clip(house.log.true_soc - 0.5, 0.0, 1.0))
    assert hb.banded(replace(house, log=log), **given)["mae"] > 0.1
    assert "no house" in hb.lines([], "offset")
    assert f"{inside90:.2f} ± 0.00" in hb.lines([row], "all")


def test_a_pipe_that_nobody_reads_is_no_failure():
    """As `| head` leaves it: nothing is said, by the interpreter's own ending neither."""
    read, write = os.pipe()
    os.close(read)
    script = Path(hb.__file__)
    few = ["--houses", "1", "--members", "30", "--workers", "1"]
    done = subprocess.run(
        [sys.executable, str(script), *few], stdout=write, stderr=subprocess.PIPE, text=True
    )
    os.close(write)
    assert (done.returncode, done.stderr) == (0, "")


def test_an_owner_who_says_no_capacity_gets_the_assumed_one():
    """The prior of a setup file without the key; nothing else of the house changes."""
    (house,) = make_houses(1, 7003, ["none"], longest_days=3.0)
    bare = hb.without_capacity(house)
    assert bare.setup.bank.capacity_fraction.dist == "gumbel_l"
    assert house.setup.bank.capacity_fraction.dist == "norm"
    same = hb.replace(bare.setup.bank, capacity_fraction=house.setup.bank.capacity_fraction)
    assert same == house.setup.bank
    assert bare.log is house.log
