"""The bench of evenings on whole houses: truth, display and bands of the same moments."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))

import house_nights as hn
from house_truth import make_houses


def test_an_evening_is_asked_before_its_morning():
    """The truth of either moment is the log's own, and a band that misses it is counted."""
    houses = make_houses(2, 9003, ["none", "missing_battery"], longest_days=3.5)
    for j, house in enumerate(houses):
        evening, morning = hn.evening_of(house, np.random.default_rng([3, j]))
        hour = house.log.unix_time_s / 3600.0 % 24.0
        assert hn.EVENING[0] - 0.1 <= hour[evening] <= hn.EVENING[1] + 0.1
        assert hour[morning] == pytest.approx(hn.MORNING, abs=0.1)
        assert 0.0 < house.log.time_s[morning] - house.log.time_s[evening] < 12.1 * 3600.0
        row = hn.asked(houses, j, seed=3, members=200)
        assert row["cause"] == house.cause
        for what in hn.ASKED:
            band, truth = row[what]
            at = morning if what == hn.ASKED[-1] else evening
            assert truth == np.clip(house.log.true_soc[at], 0.0, 1.0)
            assert np.all(np.diff(band) >= 0.0)
        assert np.ptp(row["display"][0]) == 0.0
        assert np.any(row["now, with log"][0] != row["now, no log"][0])
    told = hn.line([row], "now, with log", "all").split()
    assert told[0] == "all"
    moved = {"now, with log": (row["now, with log"][0], 2.0)}
    assert " 0.00    0.00 ±" in hn.line([moved], "now, with log", "all")
    assert "no house" in hn.line([], "now, with log", "all")
