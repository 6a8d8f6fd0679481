"""From a log to steps: charge is conserved, nothing is mixed across a gap, hours are right."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from socband.balance import balance_of
from socband.logs import Log
from socband.models import load_cell
from socband.site import Setup, setup_from_table
from socband.site_fields import Hours
from socband.suspects_design import LogColumns, ModelSettings
from socband.track import GAP_S, MOST_IN_GAP, Scale, Track, hour_of_first_row
from socband.unknowns import STEADY, Pattern

CELL = load_cell("lfp-18650-2ah")
ONE = Scale()


def make_log(time_s: np.ndarray, seed: int = 0, **more) -> Log:
    rng = np.random.default_rng(seed)
    n = len(time_s)
    return Log("made", time_s, rng.normal(-0.5, 1.0, n), rng.normal(3.3, 0.01, n), **more)


def track_of(
    log: Log, step_s: float = 60.0, scale: Scale = ONE, hour: float | None = None
) -> Track:
    return Track.from_log(log, CELL, scale, 25.0, step_s, hour)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.sampled_from([0.5, 1.0, 10.0, 60.0, 61.0, 299.0]), min_size=1, max_size=80),
    st.sampled_from([1.0, 30.0, 60.0, 300.0]),
)
def test_charge_and_time_are_conserved(lengths: list[float], step_s: float) -> None:
    """Whatever the rows: steps tile the log, and carry the charge of its rows."""
    log = make_log(np.concatenate([[0.0], np.cumsum(lengths)]))
    track = track_of(log, step_s)
    assert track.dt_s.min() > 0
    assert track.dt_s.sum() == pytest.approx(log.time_s[-1])
    np.testing.assert_allclose(np.cumsum(track.dt_s), track.time_s)
    rows = np.sum(log.current_a[1:] * np.diff(log.time_s))
    assert np.sum(track.current_a * track.dt_s) == pytest.approx(rows, rel=1e-9, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 200), st.integers(0, 59))
def test_a_gap_is_a_step_of_its_own(rows_before: int, shift: int) -> None:
    """Wherever in a step the gap begins and ends; its charge is uncertain, others' is not."""
    gap_s = 3600.0 + shift
    before = np.arange(float(rows_before + 1))
    log = make_log(np.concatenate([before, before[-1] + gap_s + np.arange(200.0)]))
    track = track_of(log)
    unsure = np.flatnonzero(track.charge_var)
    assert len(unsure) == 1
    assert track.dt_s[unsure[0]] == pytest.approx(gap_s)
    # the voltage after a gap is the reading there, no mean across it
    assert track.voltage_v[unsure[0]] == log.voltage_v[rows_before + 1]
    assert np.delete(track.dt_s, unsure).max() <= 60.0 + 1e-9


def test_slow_rows_are_no_gap() -> None:
    """A log of one row every five or fifteen minutes has no gaps but where a row is missing; one
    row an hour has only gaps."""
    assert GAP_S == 300.0
    assert (track_of(make_log(300.0 * np.arange(50.0))).charge_var == 0).all()
    quarters = 900.0 * np.arange(50.0)
    assert (track_of(make_log(quarters)).charge_var == 0).all()
    track = track_of(make_log(np.delete(quarters, 20)))
    assert list(track.time_s[track.charge_var > 0]) == [900.0 * 21]
    assert (track_of(make_log(3600.0 * np.arange(50.0))).charge_var > 0).all()


def _with_a_gap(before_a: float, after_a: float) -> Track:
    """Half an hour, two hours of silence, half an hour; a cell of 2 Ah."""
    time_s = np.concatenate([np.arange(0.0, 1801.0, 10.0), 9000.0 + np.arange(0.0, 1801.0, 10.0)])
    current = np.where(time_s < 9000.0, before_a, after_a)
    return track_of(Log("gap", time_s, current, np.full(len(time_s), 3.3)))


def test_a_gap_carries_the_current_beside_it() -> None:
    """The same 0.2 A on both sides: 0.2 A in the gap, unsure by half of it; other 0.04 and 0.2 A:
    their mean 0.12 A, unsure by their half difference and half of the mean together."""
    for late_a, amps, unsure_a in ((0.2, 0.2, 0.1), (0.04, 0.12, np.hypot(0.08, 0.06))):
        track = _with_a_gap(0.2, late_a)
        gap = int(np.argmax(track.dt_s))
        assert track.dt_s[gap] == pytest.approx(7200.0)
        assert track.current_a[gap] == pytest.approx(amps, rel=0.02)
        unsure = unsure_a * 2.0 / CELL.capacity_ah
        assert np.sqrt(track.charge_var[gap]) == pytest.approx(unsure, rel=0.03)


def test_a_gap_that_would_empty_the_bank_says_nothing_of_it() -> None:
    """1 A for two hours are the whole cell: a charger must have run, and nothing is guessed."""
    track = _with_a_gap(-1.0, -1.0)
    gap = int(np.argmax(track.dt_s))
    assert track.current_a[gap] == 0.0
    assert np.sqrt(track.charge_var[gap]) == pytest.approx(MOST_IN_GAP, rel=1e-6)
    assert np.ptp([0.0, 1.0]) / np.sqrt(12.0) < MOST_IN_GAP  # wider than "anything from 0 to 1"


def test_means_leave_out_what_was_not_measured() -> None:
    """Voltage means over the finite rows of a step; NaN where a step has none."""
    time_s = np.arange(0.0, 181.0, 10.0)
    log = make_log(time_s)
    log.voltage_v[1:4] = np.nan  # rows 1..6 are the first step
    log.voltage_v[7:13] = np.nan  # all of the second
    track = track_of(log)
    assert track.voltage_v[0] == pytest.approx(log.voltage_v[4:7].mean())
    assert np.isnan(track.voltage_v[1])
    assert track.voltage_v[2] == pytest.approx(log.voltage_v[13:19].mean())


def test_bank_is_scaled_to_a_cell() -> None:
    """Four in series, 200 Ah of 2.0745 Ah cells: voltage a quarter, current by the capacities."""
    log = make_log(np.arange(0.0, 601.0, 10.0))
    bank = Log("bank", log.time_s, 96.4 * log.current_a, 4.0 * log.voltage_v)
    one = track_of(log)
    many = track_of(bank, scale=Scale.of(4, 96.4 * CELL.capacity_ah, CELL))
    np.testing.assert_allclose(many.current_a, one.current_a)
    np.testing.assert_allclose(many.voltage_v, one.voltage_v)


def test_hour_of_day() -> None:
    """The hour given before the log's own clock (UTC); wrapped at midnight."""
    time_s = np.arange(0.0, 7201.0, 600.0)
    by_hand = track_of(make_log(time_s), step_s=600.0, hour=23.0)
    assert by_hand.hour[0] == pytest.approx(23.0 + 300.0 / 3600.0)
    assert by_hand.hour[-1] == pytest.approx(1.0 - 300.0 / 3600.0)
    log = make_log(time_s, unix_time_s=1_700_000_000.0 + time_s)  # 22:13:20 UTC
    clock = track_of(log, step_s=600.0)
    assert clock.hour[0] == pytest.approx((22 + 13 / 60 + 20 / 3600 + 300 / 3600) % 24)
    assert track_of(log, step_s=600.0, hour=5.0).hour[0] == pytest.approx(5.0 + 300.0 / 3600.0)


def setup_at(**present) -> Setup:
    bank = {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 200}
    return setup_from_table({"bank": bank, "present": {"clock": "10:30"} | present})


@pytest.mark.parametrize(
    ("starts", "offset_h"),
    [("2026-07-14T22:00:00+02:00", 2), ("2026-01-14T22:00:00+01:00", 1)],  # summer and winter time
)
def test_hour_on_the_wall_by_the_setups_time_zone(starts: str, offset_h: int) -> None:
    """A log that begins at 22:00 in Vienna begins at 22 h; without a zone the seconds are UTC."""
    time_s = np.arange(0.0, 7201.0, 600.0)
    log = make_log(time_s, unix_time_s=datetime.fromisoformat(starts).timestamp() + time_s)
    vienna = setup_at(timezone="Europe/Vienna")
    assert hour_of_first_row(log, vienna) == pytest.approx(22.0)
    assert hour_of_first_row(log, vienna, present_at_end=True) == pytest.approx(22.0)
    assert hour_of_first_row(log, setup_at()) == pytest.approx(22.0 - offset_h)
    assert hour_of_first_row(log) == pytest.approx(22.0 - offset_h)
    on_the_wall = replace(log, clock_is_local=True)  # its dates named no zone
    assert hour_of_first_row(on_the_wall, vienna) == pytest.approx(22.0 - offset_h)


def test_a_log_without_a_clock_takes_the_setups() -> None:
    """Two hours that begin or end at 10:30; the first row may lie in the day before."""
    log = make_log(np.arange(0.0, 7201.0, 600.0))
    assert hour_of_first_row(log, setup_at()) == pytest.approx(10.5)
    assert hour_of_first_row(log, setup_at(), present_at_end=True) == pytest.approx(8.5)
    early = setup_at(clock="00:30")
    assert hour_of_first_row(log, early, present_at_end=True) == pytest.approx(22.5)
    assert hour_of_first_row(log) == 0.0


def test_suspects_and_balance_take_the_hour_on_the_wall() -> None:
    """A log with a clock by its zone; one without ends where the setup's present is."""
    time_s = np.arange(0.0, 7201.0, 60.0)
    bank = Log("bank", time_s, np.full(len(time_s), -5.0), np.full(len(time_s), 13.2))
    starts = datetime.fromisoformat("2026-07-14T22:00:00+02:00").timestamp()
    clocked = replace(bank, unix_time_s=starts + time_s)
    vienna, cell = setup_at(timezone="Europe/Vienna"), load_cell("lfp-prismatic-100ah")
    for log, hour in ((clocked, 22.0), (bank, 8.5)):
        columns = LogColumns(log, vienna, cell, ModelSettings(step_s=60.0))
        assert columns.track.hour[0] == pytest.approx(hour + 30.0 / 3600.0)
    balance = balance_of(clocked, np.array([0, 60]), hour_of_first_row(clocked, vienna))
    assert np.flatnonzero(balance.hours_by_clock[0]).tolist() == [22]


def test_patterns_count_the_share_of_a_step() -> None:
    """Over a whole day the shares add up to the hours of the window; the steady one is always."""
    day = track_of(make_log(np.arange(0.0, 86401.0, 60.0)), step_s=600.0)
    night = Pattern(Hours(((0, 7 * 60), (22 * 60, 1440))))
    steady, at_night = day.patterns_on((STEADY, night))
    assert (steady == 1.0).all()
    assert np.sum(at_night * day.dt_s) / 3600.0 == pytest.approx(9.0, abs=0.05)
    assert at_night[day.hour > 23.5].min() == 1.0
    assert at_night[(day.hour > 8) & (day.hour < 21)].max() == 0.0


def test_the_counter_is_believed_before_the_samples() -> None:
    """With an instrument's own counter, the charge of the steps is the counter's."""
    log = make_log(np.arange(0.0, 3601.0, 10.0))
    counter = np.concatenate([[0.0], np.cumsum(-0.7 * np.diff(log.time_s))]) / 3600.0
    counted = Log("c", log.time_s, log.current_a, log.voltage_v, net_charge_ah=counter)
    np.testing.assert_allclose(track_of(counted).current_a, -0.7)


def test_what_came_before_leans_to_how_a_log_begins() -> None:
    """Closed forms: 20 min at -0.4 A and 20 at -0.1 A are (20·0.4 + 10·0.1)/30 A in the first half
    hour; of an even prior u³ leaves 1/2 in the middle at 2/8 - 1 and a mean of 2/4 - 1."""
    time_s = 60.0 * np.arange(121)
    current_a = np.where(time_s <= 1200.0, -0.4, -0.1)
    log = Log("made", time_s, current_a, np.full(121, 3.3))
    down = track_of(log)
    assert down.first_a == pytest.approx(-(20 * 0.4 + 10 * 0.1) / 30)
    h = np.linspace(-1.0, 1.0, 20_001)
    leaning = down.leaning(h, CELL.capacity_ah)
    assert leaning[[0, 10_000, -1]] == pytest.approx([-1.0, 2 / 8 - 1, 1.0])
    assert np.trapezoid(leaning, h) / 2 == pytest.approx(2 / 4 - 1, abs=1e-6)
    up = track_of(Log("made", time_s, -current_a, log.voltage_v))
    np.testing.assert_allclose(up.leaning(-h, CELL.capacity_ah), -leaning, atol=1e-12)
    rest = track_of(Log("made", time_s, np.zeros(121), log.voltage_v))
    assert rest.leaning(h, CELL.capacity_ah) is h
