"""Full-to-full balance: exact where it must be, blind where it must be blind."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from socband.balance import (
    FullRule,
    balance_of,
    drift_current,
    full_rows,
    lowest_full_soc,
    true_full_std,
)
from socband.cell import simulate
from socband.logs import Log
from socband.models import Curve, load_cell
from socband.site_fields import Hours
from socband.unknowns import Pattern

ROOT = Path(__file__).resolve().parent.parent
NIGHT = Pattern(Hours.from_texts(["22:00-06:00"]))


def made_log(days=4, step_s=60.0, full_hours=(13.0,), true_net_ah=0.0):
    """True current that returns to full exactly at given hours of each day; voltage marks them."""
    n = int(days * 86400 / step_s)
    t = np.arange(n + 1) * step_s
    hour = np.mod(t / 3600.0, 24.0)
    true_a = np.where((hour >= 8.0) & (hour < 13.0), 14.0, -3.0) + 4.0 * np.sin(hour)
    voltage_v = np.full(n + 1, 13.2)
    rows = np.flatnonzero(np.isin(np.round(hour * 3600), [h * 3600 for h in full_hours]))
    # Make the trapezoid sum of each interval exactly the wanted net charge.
    for a, b in itertools.pairwise(rows):
        mean = 0.5 * (true_a[a:b] + true_a[a + 1 : b + 1])
        miss_ah = true_net_ah - mean.sum() * step_s / 3600.0
        middle = (a + b) // 2
        true_a[middle] += miss_ah * 3600.0 / step_s
    for row in rows:
        voltage_v[max(row - 10, 0) : row + 1] = 14.2
    return t, hour, true_a, voltage_v, rows


def as_log(t, seen_a, voltage_v):
    return Log("made", t, seen_a, voltage_v, unix_time_s=t.copy())


def test_offset_plus_untracked_is_recovered_exactly_without_noise():
    # Closed form: counted over a true full-to-full interval = (offset + untracked) · hours.
    t, _, true_a, voltage_v, rows = made_log()
    offset_a, untracked_a = 0.07, 0.65
    log = as_log(t, true_a + untracked_a + offset_a, voltage_v)
    drift, std = drift_current(balance_of(log, rows), full_std_ah=2.0)
    assert drift == pytest.approx(offset_a + untracked_a, abs=1e-12)
    assert std == pytest.approx(np.sqrt(2.0) * 2.0 / 72.0)  # 3 days, the two ends alone


def test_gain_error_scales_the_untracked_load_but_does_not_show_alone():
    t, _, true_a, voltage_v, rows = made_log()
    gain = 0.05
    alone, _ = drift_current(balance_of(as_log(t, (1 + gain) * true_a, voltage_v), rows), 1.0)
    assert alone == pytest.approx(0.0, abs=1e-12)
    both = as_log(t, (1 + gain) * (true_a + 0.5) + 0.1, voltage_v)
    assert drift_current(balance_of(both, rows), 1.0)[0] == pytest.approx(1.05 * 0.5 + 0.1)


def test_a_wrong_sign_would_be_noticed():
    t, _, true_a, voltage_v, rows = made_log()
    log = as_log(t, -(true_a + 0.5), voltage_v)
    assert drift_current(balance_of(log, rows), 1.0)[0] == pytest.approx(-0.5)


def test_full_rows_take_the_end_of_each_hold_and_join_close_ones():
    t = np.arange(0, 86400, 60.0)
    voltage_v, current_a = np.full(len(t), 13.3), np.full(len(t), 5.0)
    for a, b in ((100, 160), (200, 240), (900, 990)):  # the second follows within two hours
        voltage_v[a:b], current_a[a:b] = 14.0, 1.0
    rule = FullRule.of_cells(4, 100.0)
    assert full_rows(as_log(t, current_a, voltage_v), rule).tolist() == [239, 989]
    voltage_v[:] = 13.3
    assert full_rows(as_log(t, current_a, voltage_v), rule).size == 0


@pytest.mark.parametrize("path", sorted((ROOT / "models").glob("lfp-*.toml")), ids=lambda p: p.stem)
def test_a_full_by_the_rule_is_within_its_own_doubt(path):
    """Charged at C/20 by the readable simulation, each shipped model meets the rule's voltage where
    `lowest_full_soc` says, above 96 %, and within two of its standard deviations of full."""
    cell = load_cell(path.stem)
    rate_a = 0.05 * cell.capacity_ah
    t = np.arange(0.0, 3.99 * 3600.0, 5.0)  # from 80 % upwards
    start = dict(h0=1.0, i1_0_a=rate_a, i2_0_a=rate_a, i3_0_a=rate_a)
    run = simulate(cell, t, np.full(len(t), rate_a), cell.reference_temperature_c, 0.8, **start)
    met = run.soc[np.argmax(run.voltage_v >= 3.43)]
    lowest = lowest_full_soc(cell)
    assert lowest == pytest.approx(met, abs=5e-4)
    assert lowest > 0.96
    std = true_full_std(cell, 0.01)
    assert std >= 0.01
    assert 1.0 - lowest <= 2.0 * std
    assert true_full_std(cell, 0.05) == 0.05


def test_the_doubt_is_wider_where_the_voltage_says_less():
    """A curve that rises three percent earlier: it may miss more than the least doubt."""
    flat = load_cell("lfp-18650-2ah")
    early = np.interp(np.minimum(1.03 * np.array(flat.ocv.soc), 1.0), flat.ocv.soc, flat.ocv.value)
    steep = replace(flat, ocv=Curve(flat.ocv.soc, tuple(early + 1e-5 * np.array(flat.ocv.soc))))
    assert true_full_std(steep, 0.01) > 1.5 * true_full_std(flat, 0.01)
    assert true_full_std(flat, 0.01) == 0.01


def test_gaps_and_zeros_are_counted():
    t = np.concatenate([np.arange(0, 36000, 60.0), 43200 + np.arange(0, 36000, 60.0)])
    current_a = np.zeros(len(t))
    balance = balance_of(as_log(t, current_a, np.full(len(t), 13.3)), np.array([0, len(t) - 1]))
    assert balance.gap_hours[0] == pytest.approx((43200 - 35940) / 3600)
    assert balance.zero_hours[0] == pytest.approx(balance.hours[0])
    assert balance.hours_by_clock.sum() == pytest.approx(balance.hours[0])
