"""Loads that a log has seen: by time of day, as uncertain as its days are apart."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from socband.demand import Demand
from socband.logs import Log
from socband.models import load_cell
from socband.seen_loads import PARTS, USUAL_SPREAD, SeenLoads
from socband.site import setup_from_table
from socband.site_fields import Hours
from socband.unknowns import Unknowns

TABLE = {
    "bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 200.0},
    "monitor": {"offset_a": 0.4, "gain_error": 0.05},
}
NIGHT = datetime(2026, 11, 30, 21, 0)
STEP_S = 600.0


def logged(time_s: np.ndarray, amps: np.ndarray) -> Log:
    noise = 1e-3 * np.random.default_rng(0).standard_normal(len(amps))
    volts = 13.2 + 0.004 * amps + noise
    return Log.from_arrays("x", time_s, amps, volts, cells_in_series=4)


def log_of(days: float, drawn_a, first_hour: float = 21.0) -> Log:
    """An invented log; `drawn_a` of hour of the day and day gives its draw [A]."""
    time_s = STEP_S * np.arange(round(days * 86400.0 / STEP_S) + 1)
    at_h = first_hour + (time_s - 0.5 * STEP_S) / 3600.0
    amps = -np.array([drawn_a(h % 24.0, int((h - first_hour) // 24.0)) for h in at_h])
    return logged(time_s, amps)


def test_each_part_of_the_day_has_its_own_mean() -> None:
    seen = SeenLoads.of(
        log_of(3.0, lambda hour, day: 8.0 if 18.0 <= hour < 24.0 else 2.0), 21.0, 200.0
    )
    assert seen.part_a == pytest.approx([2.0] * 6 + [8.0] * 2)
    assert seen.mean_a(21.0, 9.0) == pytest.approx((3 * 8.0 + 6 * 2.0) / 9.0)
    assert seen.mean_a(1.0, 2.0) == pytest.approx(2.0)


def test_what_charged_says_nothing_of_the_loads() -> None:
    """By day the sun hides them: those hours draw as the others do on average; nor does a gap."""
    log = log_of(2.0, lambda hour, day: -30.0 if 9.0 <= hour < 15.0 else 5.0)
    seen = SeenLoads.of(log, 21.0, 200.0)
    assert seen.part_a == pytest.approx([5.0] * PARTS)
    assert list(np.flatnonzero(~seen.known)) == [3, 4]
    assert SeenLoads.of(log_of(1.0, lambda hour, day: -2.0), 21.0, 200.0) is None
    time_s = np.concatenate([np.arange(0.0, 36000.0, 60.0), np.arange(72000.0, 90000.0, 60.0)])
    amps = np.full(len(time_s), -3.0)
    amps[600] = -0.4  # a row behind the gap says nothing of its hours
    assert SeenLoads.of(logged(time_s, amps), 21.0, 200.0).part_a == pytest.approx([3.0] * PARTS)


def test_what_the_sun_leaves_of_a_load_is_no_load() -> None:
    """4 A; on one day in two the sun carries 3 of them, on the others it charges."""

    def drawn(hour: float, day: int) -> float:
        return 4.0 if not 9.0 <= hour < 15.0 else 1.0 if day % 2 else -10.0

    seen = SeenLoads.of(log_of(4.0, drawn), 21.0, 200.0)
    assert seen.part_a == pytest.approx([4.0] * PARTS)


def test_a_shunt_whose_zero_is_off_hides_no_small_draws() -> None:
    """A refrigerator of 5 A for 9 of 30 minutes over 0.1 A, 0.3 A of offset: 1.57 A drawn are
    shown as 1.27, whatever its zero; noise about zero averages out."""
    time_s = 60.0 * np.arange(2 * 1440 + 1)
    true_a = np.where(np.arange(len(time_s)) % 30 < 9, 5.0, 0.1)
    mean_a = float(true_a[1:].mean())
    for offset_a in (0.0, 0.3, -0.3):
        seen = SeenLoads.of(logged(time_s, offset_a - true_a), 12.0, 200.0)
        assert seen.mean_a(0.0, 24.0) == pytest.approx(mean_a - offset_a, rel=0.02)
    noise_a = 0.2 * np.random.default_rng(1).standard_normal(len(time_s))
    seen = SeenLoads.of(logged(time_s, noise_a - true_a), 12.0, 200.0)
    assert seen.mean_a(0.0, 24.0) == pytest.approx(mean_a, rel=0.02)


def test_rows_that_lie_further_apart_at_rest_count_for_their_time() -> None:
    """Every 10 s at 20 A for a fifth of an hour, every 2 min at 1 A for the rest: 4.8 A."""
    hour_s = np.concatenate([np.arange(10.0, 721.0, 10.0), np.arange(840.0, 3601.0, 120.0)])
    amps = np.where(hour_s <= 720.0, -20.0, -1.0)
    time_s = np.concatenate([[0.0], *(hour_s + 3600.0 * k for k in range(30))])
    log = logged(time_s, np.concatenate([[-1.0], np.tile(amps, 30)]))
    assert SeenLoads.of(log, 12.0, 200.0).mean_a(0.0, 24.0) == pytest.approx(4.8, rel=0.01)


def test_days_far_apart_make_a_night_uncertain() -> None:
    """One day: what is usual, and the mean of one is as uncertain again. An hour: far more so. Many
    alike: little."""

    def spread(days: float, drawn_a) -> float:
        return SeenLoads.of(log_of(days, drawn_a), 21.0, 200.0).spread

    assert spread(1.0, lambda hour, day: 4.0) == pytest.approx(USUAL_SPREAD * np.sqrt(2.0))
    assert spread(1.0 / 24.0, lambda hour, day: 4.0) > 3.0 * USUAL_SPREAD
    assert spread(6.0, lambda hour, day: 4.0) < 0.7 * USUAL_SPREAD
    assert spread(6.0, lambda hour, day: 2.0 if day % 2 else 6.0) > 2.0 * USUAL_SPREAD
    # older than a week counts no more
    moved = SeenLoads.of(log_of(14.0, lambda hour, day: 9.0 if day < 7 else 4.0), 21.0, 200.0)
    assert moved.part_a == pytest.approx([4.0] * PARTS)


def test_a_member_draws_what_its_monitor_saw_wrongly() -> None:
    """I_true = (I_seen - offset)/(1 + gain), charging positive: 4 A drawn, 0.4 A too much charge
    shown and a gain of 1.05 are (4 + 0.4)/1.05 A; the factor of the night has mean one."""
    setup, n = setup_from_table(TABLE), 20000
    members = Unknowns.from_setup(setup, cell=load_cell("lfp-prismatic-100ah")).draw(n, 1)
    seen = SeenLoads(np.full(PARTS, 4.0), np.ones(PARTS, bool), 0.25)
    bare = Demand.from_setup(setup, n, 1, NIGHT, 36 * 3600.0)
    demand = seen.added_to(bare, members, 1, NIGHT, 36 * 3600.0)
    drawn_a = demand.current_a[:, 0]
    assert np.mean(drawn_a) == pytest.approx((4.0 + 0.4) / 1.05, rel=0.01)
    assert np.std(drawn_a) == pytest.approx(0.25 * 4.4 / 1.05, rel=0.03)
    assert np.ptp(demand.current_a, axis=1) == pytest.approx(0.0)  # one factor a night
    spans = [demand.spans[a:b] for a, b in zip(demand.span_ptr, demand.span_ptr[1:], strict=False)]
    assert sum(float(np.diff(one, axis=1).sum()) for one in spans) == pytest.approx(36 * 3600.0)
    assert demand.essential.all()
    half = replace(seen, known=np.arange(PARTS) < 4).added_to(bare, members, 1, NIGHT, 36 * 3600.0)
    assert half.current_a[:, 5].std() > 1.5 * half.current_a[:, 0].std()  # never seen
    again = seen.added_to(bare, members, 1, NIGHT, 36 * 3600.0)
    np.testing.assert_array_equal(again.current_a, demand.current_a)


def test_what_the_sun_carried_is_no_load():
    """6 A all day; the panels of the file bring 4 A of it from six to six."""
    log = log_of(3.0, lambda hour, day: 6.0 - 4.0 * (6.0 <= hour < 18.0))
    naive = SeenLoads.of(log, 21.0, 200.0)
    assert naive.mean_a(0.0, 24.0) == pytest.approx(4.0, rel=0.02)
    sun = Hours(((360, 1080),))
    seen = SeenLoads.of(log, 21.0, 200.0, [sun])
    assert seen.mean_a(0.0, 24.0) == pytest.approx(6.0, rel=0.01)
    assert not seen.known[2:6].any()
    assert seen.known[[0, 1, 6, 7]].all()
    # sources that leave no hour are as if not there
    all_day = SeenLoads.of(log, 21.0, 200.0, [sun, Hours(((0, 360), (1080, 1440)))])
    assert all_day.part_a == pytest.approx(naive.part_a)
