"""Loads as on-off processes, hours of the day across midnight and clock changes, the shelf."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from socband.demand import Demand, hours_until, spans_ahead, stream_of
from socband.errors import InputError
from socband.kernels_demand import hashed, switches
from socband.shelf import shelf
from socband.site import setup_from_table
from socband.site_fields import Hours

HOUR = 3600.0
NIGHT = Hours.from_texts(["22:00-07:00"])
VIENNA = ZoneInfo("Europe/Vienna")


def test_hours_across_midnight():
    now = datetime(2026, 7, 1, 21, 30)
    spans = spans_ahead(NIGHT, now, 36 * HOUR)
    np.testing.assert_allclose(spans / HOUR, [[0.5, 9.5], [24.5, 33.5]])
    inside = spans_ahead(NIGHT, datetime(2026, 7, 1, 3, 0), 10 * HOUR)
    np.testing.assert_allclose(inside / HOUR, [[0.0, 4.0]])


@pytest.mark.parametrize(("day", "length_h"), [((2026, 3, 28), 8.0), ((2026, 10, 24), 10.0)])
def test_a_night_with_a_clock_change(day, length_h):
    # EU summer time: clocks go forward on 2026-03-29 and back on 2026-10-25 (last Sundays), tz
    # database; 22:00 to 07:00 is then an hour shorter or longer than nine.
    now = datetime(*day, 22, 0, tzinfo=VIENNA)
    spans = spans_ahead(NIGHT, now, 20 * HOUR)
    np.testing.assert_allclose(spans / HOUR, [[0.0, length_h]])
    assert hours_until(7 * 60, now) == pytest.approx(length_h)


def test_hours_until_is_the_next_time():
    now = datetime(2026, 7, 1, 21, 30)
    assert hours_until(7 * 60, now) == pytest.approx(9.5)
    assert hours_until(21 * 60 + 30, now) == pytest.approx(24.0)


def on_share(duty, cycle_s, jitter=0.3, members=300, horizon=40 * HOUR):
    spans = np.array([[0.0, horizon]])
    share, starts = [], []
    for member in range(members):
        out = np.empty(2000)
        n = switches(1, member, duty, cycle_s, jitter, 77, spans, horizon, out)
        at = np.append(out[:n], horizon)[: 2 * ((n + 1) // 2)]
        share.append(np.sum(at[1::2] - at[0::2]) / horizon)
        starts.append(n > 0 and out[0] == 0.0)
    return np.array(share), np.array(starts)


@pytest.mark.parametrize("duty", [0.1, 0.4, 0.8])
def test_duty_is_kept_and_the_start_is_stationary(duty):
    share, starts = on_share(duty, 1800.0)
    error = share.std() / np.sqrt(len(share))
    assert share.mean() == pytest.approx(duty, abs=6 * error + 1e-3)
    # on at the start with the chance of the duty: six standard errors of a proportion
    assert starts.mean() == pytest.approx(duty, abs=6 * np.sqrt(duty * (1 - duty) / len(starts)))


def test_regular_cycle_without_jitter():
    out = np.empty(100)
    n = switches(0, 4, 0.25, 1200.0, 0.0, 5, np.array([[0.0, 6000.0]]), 6000.0, out)
    gaps = np.diff(out[1:n])
    assert np.all(np.isclose(gaps, 300.0) | np.isclose(gaps, 900.0))


def test_streams_are_independent_and_uniform():
    u = np.array([hashed(3, m, stream_of("fridge"), c) for m in range(200) for c in range(50)])
    v = np.array([hashed(3, m, stream_of("pump"), c) for m in range(200) for c in range(50)])
    n = len(u)
    assert abs(u.mean() - 0.5) < 6 / np.sqrt(12 * n)
    assert abs(np.corrcoef(u, v)[0, 1]) < 6 / np.sqrt(n)
    assert abs(np.corrcoef(u[1:], u[:-1])[0, 1]) < 6 / np.sqrt(n)
    counts = np.histogram(u, bins=20, range=(0, 1))[0]
    chi2 = np.sum((counts - n / 20) ** 2 / (n / 20))
    assert chi2 < 50.8  # χ² with 19 degrees of freedom, p = 1e-4 (scipy.stats.chi2.isf)


BASE = {
    "bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 100.0},
    "present": {"display_soc": 0.6, "clock": "21:30"},
}


def test_events_and_inverter():
    setup = setup_from_table(
        BASE
        | {
            "loads": [
                {"name": "kettle", "power_w": 1800.0, "at": ["06:30"], "for_min": 4.0,
                 "through_inverter": True},
            ],
            "inverter": {"efficiency": 0.9, "idle_w": 10.0},
        }
    )  # fmt: skip
    demand = Demand.from_setup(setup, 3, 0, datetime(2026, 7, 1, 21, 30), 24 * HOUR)
    assert demand.names == ("kettle", "the inverter itself")
    np.testing.assert_allclose(demand.power_w[:, 0], 2000.0)
    np.testing.assert_allclose(demand.spans[0] / HOUR, [9.0, 9.0 + 4.0 / 60.0])
    assert demand.essential[1]


def test_untracked_load_by_pattern():
    setup = setup_from_table(BASE)
    demand = Demand.from_setup(
        setup, 2, 0, datetime(2026, 7, 1, 21, 30), 24 * HOUR, np.array([0.0, 1.5]), np.zeros(2)
    )
    assert demand.names == ("untracked load",)
    np.testing.assert_array_equal(demand.current_a[:, 0], [0.0, 1.5])
    assert not demand.tracked[0]


def test_shelf_loads_are_read_and_can_be_overruled():
    assert {"router", "modem", "laptop", "led-lamp", "small-fridge", "furnace-blower",
            "water-pump", "diesel-heater"} <= set(shelf())  # fmt: skip
    loads = [{"like": name, "name": f"my {name}"} for name in sorted(shelf())]
    setup = setup_from_table(BASE | {"loads": [*loads, {"like": "router", "power_w": 9.0}]})
    assert setup.loads[-1].name == "router"
    assert setup.loads[-1].power_w.median == 9.0
    fridge = next(load for load in setup.loads if load.name == "my small-fridge")
    assert fridge.duty.interval(0.999)[0] >= 0.38  # check-values G: 0.38-0.44
    assert fridge.duty.interval(0.999)[1] <= 0.44
    assert all(entry["source"] for entry in shelf().values())


def test_unknown_shelf_load_names_the_nearest():
    with pytest.raises(InputError) as caught:
        setup_from_table(BASE | {"loads": [{"like": "ruter"}]})
    assert "did you mean 'router'?" in str(caught.value)


def test_bad_supply_sections_are_all_reported():
    with pytest.raises(InputError) as caught:
        setup_from_table(
            BASE
            | {
                "sources": [{"name": "roof", "kind": "sun", "power_w": 100.0}, {"name": "b",
                             "kind": "shore"}],
                "batteries": [{"name": "x", "rated_capacity_ah": 30.0}],
                "present": {"clock": "21:30", "timezone": "Europe/Vienne"},
            }
        )  # fmt: skip
    text = str(caught.value)
    for part in ("sources[1] (roof).kind", "power_w and current_a", "30 Ah in all", "timezone"):
        assert part in text
