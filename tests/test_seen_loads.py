"""Loads that a log has seen: by time of day, as uncertain as its days are apart."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from socband.demand import Demand
from socband.logs import Log
from socband.models import load_cell
from socband.seen_loads import USUAL_SPREAD, SeenLoads
from socband.site import setup_from_table
from socband.unknowns import Unknowns

TABLE = {
    "bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 200.0},
    "monitor": {"offset_a": 0.4, "gain_error": 0.05},
}
NIGHT = datetime(2026, 11, 30, 21, 0)
STEP_S = 600.0


def logged(time_s: np.ndarray, amps: np.ndarray) -> Log:
    volts = 13.2 + 0.01 * (np.arange(len(amps)) % 3)
    return Log.from_arrays("x", time_s, amps, volts, cells_in_series=4)


def log_of(days: float, drawn_a, first_hour: float = 21.0) -> Log:
    """An invented log; `drawn_a` of hour of the day and day gives its draw [A]."""
    time_s = STEP_S * np.arange(round(days * 86400.0 / STEP_S) + 1)
    at_h = first_hour + (time_s - 0.5 * STEP_S) / 3600.0
    amps = -np.array([drawn_a(h % 24.0, int((h - first_hour) // 24.0)) for h in at_h])
    return logged(time_s, amps)


def test_each_part_of_the_day_has_its_own_mean() -> None:
    seen = SeenLoads.of(log_of(3.0, lambda hour, day: 8.0 if 18.0 <= hour < 24.0 else 2.0), 21.0)
    assert seen.part_a == pytest.approx([2.0] * 6 + [8.0] * 2)
    assert seen.mean_a(21.0, 9.0) == pytest.approx((3 * 8.0 + 6 * 2.0) / 9.0)
    assert seen.mean_a(1.0, 2.0) == pytest.approx(2.0)


def test_what_charged_says_nothing_of_the_loads() -> None:
    """By day the sun hides them: those hours draw as the others do on average; nor does a gap."""
    log = log_of(2.0, lambda hour, day: -30.0 if 9.0 <= hour < 15.0 else 5.0)
    seen = SeenLoads.of(log, 21.0)
    assert seen.part_a == pytest.approx([5.0] * 8)
    assert SeenLoads.of(log_of(1.0, lambda hour, day: -1.0), 21.0) is None
    time_s = np.concatenate([np.arange(0.0, 36000.0, 60.0), np.arange(72000.0, 90000.0, 60.0)])
    amps = np.full(len(time_s), -3.0)
    amps[600] = -40.0  # a row behind the gap says nothing of its hours
    assert SeenLoads.of(logged(time_s, amps), 21.0).part_a == pytest.approx([3.0] * 8)


def test_days_far_apart_make_a_night_uncertain() -> None:
    """One day: what is usual, and the mean of one is as uncertain again. Many alike: little."""
    one = SeenLoads.of(log_of(1.0, lambda hour, day: 4.0), 21.0)
    assert one.spread == pytest.approx(USUAL_SPREAD * np.sqrt(2.0))
    alike = SeenLoads.of(log_of(6.0, lambda hour, day: 4.0), 21.0)
    assert alike.spread < 0.7 * USUAL_SPREAD
    apart = SeenLoads.of(log_of(6.0, lambda hour, day: 2.0 if day % 2 else 6.0), 21.0)
    assert apart.spread > 2.0 * USUAL_SPREAD
    # older than a week counts no more
    moved = SeenLoads.of(log_of(14.0, lambda hour, day: 9.0 if day < 7 else 4.0), 21.0)
    assert moved.part_a == pytest.approx([4.0] * 8)


def test_a_member_draws_what_its_monitor_saw_wrongly() -> None:
    """I_true = (I_seen - offset)/(1 + gain), charging positive: 4 A drawn, 0.4 A too much charge
    shown and a gain of 1.05 are (4 + 0.4)/1.05 A; the factor of the night has mean one."""
    setup, n = setup_from_table(TABLE), 20000
    members = Unknowns.from_setup(setup, cell=load_cell("lfp-prismatic-100ah")).draw(n, 1)
    seen = SeenLoads(np.full(8, 4.0), 0.25)
    bare = Demand.from_setup(setup, n, 1, NIGHT, 36 * 3600.0)
    demand = seen.added_to(bare, members, 1, NIGHT, 36 * 3600.0)
    drawn_a = demand.current_a[:, 0]
    assert np.mean(drawn_a) == pytest.approx((4.0 + 0.4) / 1.05, rel=0.01)
    assert np.std(drawn_a) == pytest.approx(0.25 * 4.0 / 1.05, rel=0.03)
    assert np.ptp(demand.current_a, axis=1) == pytest.approx(0.0)  # one factor a night
    spans = [demand.spans[a:b] for a, b in zip(demand.span_ptr, demand.span_ptr[1:], strict=False)]
    assert sum(float(np.diff(one, axis=1).sum()) for one in spans) == pytest.approx(36 * 3600.0)
    assert demand.essential.all()
    again = seen.added_to(bare, members, 1, NIGHT, 36 * 3600.0)
    np.testing.assert_array_equal(again.current_a, demand.current_a)
