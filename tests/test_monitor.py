"""The simulated monitor against the closed forms of coulomb counting.

Source of the forms and of the checked numbers: the four error sources of Movassagh, Raihan,
Balasingam, Pattipati 2021, 10.3390/en14144074; the percentages were computed from them beforehand
(check-values C), not by this program.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from socband import monitor as m
from socband.balance import FullRule, full_rows
from socband.logs import Log

HOUR = 3600.0


def rest_log(days: float, dt_s: float = 600.0) -> np.ndarray:
    return np.arange(0.0, days * 86400.0 + 1.0, dt_s)


@pytest.mark.parametrize(
    ("offset_a", "capacity_ah", "days", "percent"),
    [(0.010, 100, 30, 7.2), (0.050, 100, 7, 8.4), (0.100, 100, 7, 16.8), (0.020, 200, 30, 7.2)],
)
def test_offset_drift(offset_a, capacity_ah, days, percent):
    time_s = rest_log(days)
    seen = m.seen_current(np.zeros(len(time_s)), offset_a=-offset_a)
    display = m.counted_soc(time_s, seen, start_soc=0.9, assumed_capacity_ah=capacity_ah)
    assert 100.0 * (0.9 - display[-1]) == pytest.approx(percent, abs=1e-9)
    assert 100.0 * offset_a * days * 24 / capacity_ah == pytest.approx(percent)
    # the other sign must not pass
    wrong = m.counted_soc(
        time_s, m.seen_current(0.0 * time_s, offset_a=offset_a), start_soc=0.5,
        assumed_capacity_ah=capacity_ah,
    )  # fmt: skip
    assert wrong[-1] > 0.5


def test_shunt_offset_of_a_microvolt():
    # 500 A / 50 mV: 1 µV reads as 10 mA, 0.24 % a day on 100 Ah (check-values C, computed)
    amps = 1e-6 / (50e-3 / 500.0)
    assert amps == pytest.approx(0.010)
    assert 100.0 * amps * 24.0 / 100.0 == pytest.approx(0.24)
    assert 1000.0 / 2**16 == pytest.approx(0.0153, abs=5e-5)  # 16 bit over ±500 A


def test_gain_drift():
    time_s = np.arange(0.0, 10 * HOUR + 1, 10.0)
    seen = m.seen_current(np.full(len(time_s), -5.0), gain_error=0.01)
    display = m.counted_soc(time_s, seen, start_soc=1.0, assumed_capacity_ah=100.0)
    drift = 0.01 * -50.0 / 100.0  # gain error times net charge over capacity
    assert display[-1] - 0.5 == pytest.approx(drift, abs=1e-12)
    assert drift == pytest.approx(-0.005)


def test_untracked_load_is_a_missing_discharge():
    time_s = np.arange(0.0, 20 * HOUR + 1, 60.0)
    true = np.full(len(time_s), -3.0)
    seen = m.seen_current(true, untracked_a=1.0)
    display = m.counted_soc(time_s, seen, start_soc=1.0, assumed_capacity_ah=100.0)
    assert display[-1] == pytest.approx(1.0 - 0.40, abs=1e-12)  # the truth is 1 − 0.60


def test_white_noise_drifts_with_the_root_of_time():
    rng = np.random.default_rng(7)
    dt_s, hours, sigma, capacity = 60.0, 18.0, 0.2, 1.0
    time_s = np.arange(0.0, hours * HOUR + 1, dt_s)
    ends = []
    for _ in range(400):
        seen = m.seen_current(np.zeros(len(time_s)), noise_a=sigma, rng=rng)
        shown = m.counted_soc(time_s, seen, start_soc=0.5, assumed_capacity_ah=capacity * 1000)
        ends.append(shown[-1] - 0.5)
    expected = sigma * (dt_s / HOUR) * np.sqrt(hours * HOUR / dt_s) / (capacity * 1000)
    # the standard deviation of 400 draws is known to σ/√(2·399); six of these
    assert np.std(ends) == pytest.approx(expected, abs=6.0 * expected / np.sqrt(798.0))


def test_a_load_below_the_dead_band_acts_as_an_offset():
    time_s = rest_log(7)
    seen = m.seen_current(np.full(len(time_s), -0.05), dead_band_a=0.1)
    display = m.counted_soc(time_s, seen, start_soc=1.0, assumed_capacity_ah=100.0)
    assert display[-1] == 1.0  # the display misses all of the 8.4 % (check-values C)
    by_count = m.counted_soc(
        time_s, np.full(len(time_s), -0.05), start_soc=1.0, assumed_capacity_ah=100.0,
        dead_band_a=0.1,
    )  # fmt: skip
    np.testing.assert_array_equal(by_count, display)


@pytest.mark.parametrize("current_a", [-0.3, -0.1, 0.0, 0.05, 0.2])
def test_dead_band_under_noise_closed_form(current_a):
    rng = np.random.default_rng(3)
    sigma, band, n = 0.08, 0.12, 400_000
    seen = m.seen_current(np.full(n, current_a), noise_a=sigma, dead_band_a=band, rng=rng)
    # with x ~ N(I, s^2), the mean of x outside the band is
    # I (1 - P) + s (phi((d - I)/s) - phi((-d - I)/s)), P the chance of a reading inside it
    low, high = (-band - current_a) / sigma, (band - current_a) / sigma
    inside = norm.cdf(high) - norm.cdf(low)
    mean = current_a * (1.0 - inside) + sigma * (norm.pdf(high) - norm.pdf(low))
    error = np.std(seen) / np.sqrt(n)
    assert np.mean(seen) == pytest.approx(mean, abs=6.0 * error + 1e-12)


def test_resolution_and_drift_with_temperature():
    seen = m.seen_current(np.array([1.0071, -0.0071]), resolution_a=0.0153)
    np.testing.assert_allclose(seen / 0.0153, np.round(seen / 0.0153), atol=1e-9)
    assert seen[1] == 0.0
    cold = m.seen_current(0.0, drift_a_per_k=0.001, temperature_c=5.0)
    assert cold == pytest.approx(-0.020)


def test_noise_needs_a_generator():
    with pytest.raises(ValueError, match="rng"):
        m.seen_current(0.0, noise_a=0.1)


def test_re_zero_rule():
    time_s = np.arange(0.0, 1801.0, 60.0)
    current = np.full(len(time_s), 2.0)
    voltage = np.where(time_s >= 600.0, 14.2, 13.5)
    rule = {"start_soc": 0.7, "assumed_capacity_ah": 100.0, "above_v": 14.0, "for_s": 180.0}
    full = m.counted_soc(time_s, current, voltage, below_a=4.0, **rule)
    assert full[np.searchsorted(time_s, 780.0)] == 1.0  # held from 600 on
    assert full[np.searchsorted(time_s, 720.0)] < 0.75
    never = m.counted_soc(time_s, current, voltage, below_a=1.0, **rule)  # current too large
    assert never[-1] < 0.75
    no_voltage = m.counted_soc(time_s, current, below_a=4.0, **rule)
    assert no_voltage[-1] < 0.75


@pytest.mark.parametrize("for_s", [0.0, 60.0, 240.0, 300.0])
def test_a_hold_is_one_length_for_the_display_and_for_the_balance(for_s):
    """Four minutes seen to hold, by hand, and one row behind a night of silence: what nobody saw is
    no hold, for neither."""
    time_s = np.concatenate([np.arange(0.0, 1200.0, 60.0), [40000.0, 40060.0]])
    high = (time_s >= 600.0) & (time_s <= 840.0) | (time_s == 40000.0)
    voltage = np.where(high, 14.2, 13.5)
    rule = {"above_v": 14.0, "below_a": 4.0, "for_s": for_s}
    shown = m.counted_soc(
        time_s,
        np.full(len(time_s), -1.0),
        voltage,
        start_soc=0.7,
        assumed_capacity_ah=100.0,
        **rule,
    )
    said = time_s[
        full_rows(Log("x", time_s, np.full(len(time_s), -1.0), voltage), FullRule(**rule))
    ]
    if for_s <= 240.0:
        assert time_s[shown == 1.0][0] == 600.0 + for_s
    assert time_s[shown == 1.0].tolist() == [
        at for at in time_s[high] if 600.0 + for_s <= at <= 840.0 or (at > 840.0 and for_s == 0.0)
    ]
    assert said.tolist() == [840.0] * (for_s <= 240.0) + [40000.0] * (for_s == 0.0)


def test_charge_efficiency_counts_on_charge_only():
    time_s = np.array([0.0, HOUR, 2 * HOUR])
    display = m.counted_soc(
        time_s, np.array([0.0, 10.0, -10.0]), start_soc=0.5, assumed_capacity_ah=100.0,
        assumed_charge_efficiency=0.9,
    )  # fmt: skip
    np.testing.assert_allclose(display, [0.5, 0.59, 0.49])
