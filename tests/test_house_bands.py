"""The bench of bands on whole houses scores what `replay` answers, against the house's truth."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))

import house_bands as hb
from house_truth import make_houses


def test_a_house_is_scored_against_its_own_truth():
    """The shares agree with each other, and a wrong truth shows."""
    from dataclasses import replace

    (house,) = make_houses(1, 7003, ["none"], longest_days=3.0)
    given = {"seed": 3, "days": 0.7, "members": 100, "full_std": 0.015, "full_memory_s": 600.0}
    row = hb.banded(house, **given)
    steps = np.array([n for n, _ in row["ranges"]])
    inside = np.array([k for _, k in row["ranges"]])
    assert steps.sum() == pytest.approx(0.7 * 1440, abs=2)
    assert inside.sum() / steps.sum() == pytest.approx(row["inside90"])
    assert 0.0 <= row["inside50"] <= row["inside90"] <= 1.0
    assert row["off"] < row["display_off"] + row["width"]
    log = replace(house.log, true_soc=np.clip(house.log.true_soc - 0.5, 0.0, 1.0))
    assert hb.banded(replace(house, log=log), **given)["off"] > 0.1
    assert "no house" in hb.lines([row], ["offset"], "offset")
    assert f"{row['inside90']:.2f} ± 0.00" in hb.lines([row], None, "all")
