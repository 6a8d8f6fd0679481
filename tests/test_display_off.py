"""Since when a display is off: made-up bands, answers by hand; one invented log."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
from test_replay import RATED_AH, SETUP

from socband.cell import simulate
from socband.display_off import display_off
from socband.logs import Log
from socband.models import load_cell
from socband.posterior import Settings
from socband.replay import replay, replay_json
from socband.report import replay_text
from socband.site import setup_from_table

HOURS = 11
TIME_S = 3600.0 * np.arange(1.0, HOURS + 1)
START = np.linspace(0.6, 0.7, 101)


def band(middle: np.ndarray, half: float = 0.03) -> np.ndarray:
    return np.stack([middle - half, middle, middle + half], axis=1)


def test_off_since_the_display_stood_at_full() -> None:
    middle = np.linspace(0.5, 0.7, HOURS)
    shown = np.linspace(0.5, 0.7, HOURS)
    shown[6:] = 1.0 - 0.02 * np.arange(HOURS - 6)
    found = display_off(TIME_S, shown, band(middle), START)
    assert found == pytest.approx((7.0, 1.0 - middle[6], True))
    assert display_off(TIME_S, shown, band(middle, 0.4), START) is None  # within the band


def test_off_since_before_the_log() -> None:
    shown = np.linspace(0.9, 0.6, HOURS)
    found = display_off(TIME_S, shown, band(shown - 0.25), START)
    assert found == pytest.approx((0.0, 0.9 - 0.65, False))
    low = display_off(TIME_S, shown - 0.5, band(shown - 0.25), START)
    assert low == pytest.approx((0.0, 0.4 - 0.65, False))


def test_a_display_that_drifts_is_off_since_no_moment() -> None:
    shown = np.linspace(0.66, 0.6, HOURS)
    assert display_off(TIME_S, shown, band(np.linspace(0.65, 0.4, HOURS)), START) is None
    assert display_off(TIME_S, np.full(HOURS, np.nan), band(shown), START) is None


def test_a_display_that_drifts_up_to_full_has_declared_nothing() -> None:
    """2 % an hour too high, from the start: at 100 % it stays, 16 % above the bank by then."""
    middle = np.linspace(0.8, 0.84, HOURS)
    shown = np.minimum(middle + 0.02 * np.arange(HOURS), 1.0)
    assert shown[-1] == 1.0
    shown = np.append(shown, 0.95)
    middle = np.append(middle, 0.75)
    time_s = 3600.0 * np.arange(1.0, HOURS + 2)
    assert display_off(time_s, shown, band(middle), np.linspace(0.78, 0.82, 101)) is None
    jumped = np.where(shown == 1.0, 1.0, middle)
    jumped[-1] = 0.95
    found = display_off(time_s, jumped, band(middle), np.linspace(0.78, 0.82, 101))
    assert found is not None
    assert found.called_full


def test_a_full_charge_that_was_none_is_named_behind_its_log() -> None:
    """200 Ah at 70 % under a display of 100 %, half of it drawn: said, and in the JSON."""
    cell = load_cell("lfp-prismatic-100ah")
    time_s = 120.0 * np.arange(361.0)
    amps = np.where(np.arange(361) // 30 % 2, -16.0, -4.0) * RATED_AH / 200.0
    cells = simulate(cell, time_s, amps * cell.capacity_ah / RATED_AH, 25.0, 0.72, 0.0)
    table = tomllib.loads(SETUP)
    table["monitor"]["re_zero"]["false_probability"] = 0.5
    table["monitor"]["offset_a"]["scale"] = 0.05
    table["present"] |= {"display_soc": 1.0, "hours_since_full": 0.1}
    setup = setup_from_table(table)
    log = Log.from_arrays("x", time_s, amps, 4 * cells.voltage_v, cells_in_series=4)
    found = replay(setup, cell, log, Settings(members=600))
    told = replay_json(found)["display_off"]
    assert not told["called_full"]
    assert told["by"] == pytest.approx(0.28, abs=0.08)
    text = " ".join(replay_text(found).split())
    assert "was there when the log began" in text
    assert "declared too early" in text
