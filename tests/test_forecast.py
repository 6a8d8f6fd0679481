"""The answers: quantiles, chance to last, what a switch-off buys, the smallest set, waking."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from socband import forecast as f
from socband import kernels_columns as k
from socband import nights as of_night
from socband import whatif as w
from socband.cell import voltage
from socband.forward import prepare, run
from socband.models import load_cell
from socband.quantity import Quantity
from socband.site import setup_from_table
from socband.site_fields import Hours
from socband.summary import quantiles_of
from socband.unknowns import Pattern, Unknowns

CELL = load_cell("lfp-prismatic-100ah")
NOW = datetime(2026, 11, 24, 21, 30)


def table(**sections):
    return {
        "bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 200.0},
        "loads": [
            {"name": "fridge", "power_w": 55.0, "duty": 0.4, "cycle_min": 30.0},
            {"name": "heater", "power_w": 120.0, "duty": 0.5, "cycle_min": 40.0},
            {"name": "lamps", "power_w": 15.0, "hours": ["18:00-23:00"]},
            {"name": "day fan", "power_w": 30.0, "hours": ["12:00-15:00"]},
            {"name": "breathing aid", "power_w": 20.0, "essential": True},
        ],
        "ambient": {"temperature_c": 12.0},
        "present": {"display_soc": 0.6, "hours_since_full": 20.0, "clock": "21:30"},
        "limits": {"disconnect_v": 10.8, "delay_s": 10.0, "reconnect_v": 12.4},
        "question": {"until": ["07:00", "12:00"], "horizon_hours": 30.0},
        **sections,
    }


def members_of(setup, n=400, centre=0.45):
    return Unknowns.from_setup(setup, Quantity.from_dist("norm", loc=centre, scale=0.06)).draw(n, 2)


@pytest.fixture(scope="module")
def night():
    setup = setup_from_table(table())
    return prepare(setup, CELL, members_of(setup), NOW, seed=1)


def test_quantiles_of_the_empirical_distribution():
    # the definition itself (inverse of the empirical distribution function), numpy has it too
    values = np.random.default_rng(0).normal(size=(101, 3))
    want = np.quantile(values, [0.05, 0.5, 0.95], axis=0, method="inverted_cdf")
    np.testing.assert_array_equal(quantiles_of(values, [0.05, 0.5, 0.95]), want)
    weighted = quantiles_of(values, [0.05, 0.5, 0.95], np.full(101, 0.3))
    np.testing.assert_array_equal(weighted, want)
    counts = np.random.default_rng(1).integers(0, 4, 101)
    repeated = np.repeat(values, counts, axis=0)
    np.testing.assert_array_equal(
        quantiles_of(values, [0.1, 0.8], counts),
        np.quantile(repeated, [0.1, 0.8], axis=0, method="inverted_cdf"),
    )


def test_infinite_times_are_beyond_the_horizon():
    hours = np.array([1.0, 2.0, 3.0, np.inf])
    assert quantiles_of(hours, [0.95])[0] == np.inf
    assert quantiles_of(hours, [0.5])[0] == 2.0


def test_forecast_dataset():
    setup = setup_from_table(table())
    members = members_of(setup)
    ds = f.forecast(setup, CELL, members, NOW, seed=1)
    assert list(ds["until"].values) == ["07:00", "12:00"]
    np.testing.assert_allclose(ds["until_hours"], [9.5, 14.5])
    lvd = ds["lvd_hours"].values
    np.testing.assert_allclose(ds["lasts_until"], [np.mean(lvd > 9.5), np.mean(lvd > 14.5)])
    assert 0.02 < ds["lasts_until"].values[0] < 0.98
    survival = ds["survival"].values
    assert survival[0] == 1.0
    assert np.all(np.diff(survival) <= 0.0)
    inside = np.isfinite(lvd)
    usable = ds["usable_charge_ah"].values
    left, least = ds["charge_left_ah"].values, ds["usable_least_ah"].values
    assert np.all(usable[inside] <= left[inside])
    assert np.all(np.isinf(usable[~inside]))
    np.testing.assert_array_equal(least[inside], usable[inside])
    assert np.all((least > 0.0) & (least <= left))
    again = f.forecast(setup, CELL, members, NOW, seed=1, threads=1)
    np.testing.assert_array_equal(again["lvd_hours"], lvd)
    other = f.forecast(setup, CELL, members, NOW, seed=2)
    assert not np.array_equal(other["lvd_hours"], lvd)


def test_closed_form_of_a_steady_load():
    """Charge ÷ current: all of it is used, so the time can be said without any cell model."""
    setup = setup_from_table(
        table(
            loads=[{"name": "steady", "current_a": 8.0}],
            untracked_load={"probability": 0.0},
            limits={"disconnect_v": 8.4, "delay_s": 1.0, "reconnect_v": 12.4},
        )
    )
    members = members_of(setup, 50)
    ds = f.forecast(setup, CELL, members, NOW, seed=1, horizon_h=60.0)
    want = ds["charge_left_ah"].values / 8.0
    got = ds["lvd_hours"].values
    # the model's own error along the charge axis, std_soc, moves the end; six of these
    scale = CELL.calibration.error_scale if CELL.calibration else 1.0
    slack = 6 * scale * CELL.voltage_error.std_soc * 200.0 / 8.0 + 0.02 * 200.0 / 8.0
    np.testing.assert_array_less(np.abs(got - want), slack)
    assert abs(np.median(got / want) - 1.0) < 0.03


def test_usable_is_what_is_there_now_and_not_what_the_sun_brings():
    """80 Ah at 10 A, with 5 A coming in: gone in some 16 h, in which the loads get twice as much;
    what they get of the charge itself is what a night without the source takes out of it."""
    steady = {"loads": [{"name": "steady", "current_a": 10.0}],
              "untracked_load": {"probability": 0.0},
              "sources": [{"name": "shore", "kind": "shore", "current_a": 5.0}],
              "limits": {"disconnect_v": 8.4, "delay_s": 1.0, "reconnect_v": 12.4}}  # fmt: skip
    setup = setup_from_table(table(**steady))
    members = members_of(setup, 60)
    ds = f.forecast(setup, CELL, members, NOW, seed=1)
    hours, left = ds["lvd_hours"].values, ds["charge_left_ah"].values
    assert np.isfinite(hours).all()
    assert np.median(10.0 * hours / left) > 1.8  # of which half comes from the source
    np.testing.assert_allclose(
        ds["usable_charge_ah"], np.minimum(5.0 * hours, left), rtol=0.01, atol=0.1
    )
    # where nothing ends within an hour, what was drawn until then is known
    short = setup_from_table(table(**steady, question={"until": ["22:00"], "horizon_hours": 1.0}))
    ds = f.forecast(short, CELL, members, NOW, seed=1)
    assert np.isinf(ds["usable_charge_ah"]).all()
    np.testing.assert_allclose(ds["usable_least_ah"], 5.0, rtol=0.02)


def test_switch_offs_ranked_on_common_random_numbers(night):
    ds = w.switch_offs(night, until_h=14.5)
    names = list(ds["load"].values)
    assert set(names) == {"fridge", "heater", "lamps", "day fan"}  # the essential one stays
    assert names[0] == "heater"
    gain = ds["mean_gain_hours"].sel(load=names).values
    assert np.all(gain >= -1e-6)
    assert gain[0] > gain[names.index("lamps")] > 0
    assert float(ds["chance_gain"].sel(load="heater")) > 0.2
    base = run(night).column(0)
    off = run(night, ["heater"]).column(0)
    gained = np.minimum(off, night.horizon_s) - np.minimum(base, night.horizon_s)
    # common random numbers: every single member gains
    assert np.all(gained >= -1.0)


def test_a_load_that_is_off_buys_nothing():
    setup = setup_from_table(table(question={"until": ["07:00"], "horizon_hours": 14.0}))
    plan = prepare(setup, CELL, members_of(setup, 200), NOW, seed=1)
    one, two = run(plan), run(plan, ["day fan"])
    np.testing.assert_array_equal(one.report[:, :10], two.report[:, :10])


def test_smallest_set(night):
    now = w.smallest_set(night, 0.01, until_h=9.5)
    assert now.off == ()
    found = w.smallest_set(night, 0.9, until_h=14.5)
    assert found.reached
    assert found.chance >= 0.9
    assert found.off == ("heater",)
    never = w.smallest_set(night, 0.999, until_h=29.9)
    assert never.reached == (never.chance >= 0.999)


def test_waking_takes_one_to_two_hours_longer_with_batteries_or_loads():
    # common practice, no source (check-values G): one to two hours
    rng = np.random.default_rng(1)
    u = rng.random(5000), rng.random(5000)
    alone = w.wake_hours(100.0, 1, 0.0, u)
    assert 0.7 < np.quantile(alone, 0.05) < np.median(alone) < np.quantile(alone, 0.95) < 2.0
    assert np.all(w.wake_hours(300.0, 3, 0.0, u) > alone)
    assert np.all(w.wake_hours(100.0, 1, 0.5, u) > alone)
    assert np.all(np.isinf(w.wake_hours(100.0, 1, 5.0, u)))


def test_full_again_after_a_disconnect():
    setup = setup_from_table(table(question={"horizon_hours": 40.0}))
    plan = prepare(setup, CELL, members_of(setup, 60), NOW, seed=1)
    hours = w.full_hours(w.after_disconnect(plan, charger_w=400.0))
    assert np.all(np.isfinite(hours))
    capacity = 200.0 * plan.batteries.parameters[:, 0, 0] / CELL.capacity_ah
    # no faster than the charge over the charger's greatest current, at the lowest voltage
    assert np.all(hours > 0.93 * capacity / (400.0 / 11.5) * 0.9)
    assert np.all(hours < 1.6 * capacity / (400.0 / 14.6))


def test_no_night_is_run_twice_and_a_short_look_says_the_same(night, monkeypatch):
    ran = []

    def counted(plan, off=(), threads=None):
        ran.append((tuple(off), plan.horizon_s))
        return run(plan, off, threads)

    monkeypatch.setattr(of_night, "run", counted)
    nights = w.Nights(night)
    w.switch_offs(nights, until_h=14.5)
    w.smallest_set(nights, 0.9, until_h=14.5)
    assert len(ran) == len(set(ran)) == 6  # base, four loads, all of them off
    for off in ((), ("heater",)):
        short = w.Nights(night).lasts(14.5, off)
        np.testing.assert_array_equal(short, nights.lvd_hours(off) > 14.5)


def test_a_member_draws_its_own_untracked_load_in_its_own_hours():
    """From the equation of charge: current times the hours of the pattern ahead, nothing else."""
    setup = setup_from_table(
        table(loads=[], question={"until": ["07:00"], "horizon_hours": 24.0},
              limits={"disconnect_v": 8.4, "delay_s": 10.0, "reconnect_v": 12.4},
              present={"display_soc": 0.6, "hours_since_full": 20.0, "clock": "21:30"})
    )  # fmt: skip
    patterns = (Pattern(), Pattern(Hours.from_texts(["23:00-05:00"]), size=4.0))
    n = 40
    members = members_of(setup, n, centre=0.8).replaced(
        untracked_a=np.linspace(0.0, 2.0, n), untracked_pattern=np.arange(n) % 2
    )
    plan = prepare(setup, CELL, members, NOW, seed=1, patterns=patterns)
    drawn_ah = run(plan).column(k.O_OUT)
    hours = np.where(members.untracked_pattern == 0, 24.0, 6.0)
    np.testing.assert_allclose(drawn_ah, members.untracked_a * hours, rtol=1e-9, atol=1e-9)
    # while it does not draw, the bank rests: no charge goes in the first hour and a half
    resting = members.untracked_pattern == 1
    assert np.all(np.abs(run(plan).soc[resting, 6] - members.soc[resting]) < 1e-3)


def test_what_comes_back_by_itself_rests_above_its_reconnect_voltage():
    """Against the cell's own voltage without current, and at settings that leave no doubt."""

    def share(reconnect_v):
        limits = {"disconnect_v": 10.8, "delay_s": 10.0, "reconnect_v": reconnect_v}
        setup = setup_from_table(table(limits=limits))
        plan = prepare(setup, CELL, members_of(setup, 200, centre=0.2), NOW, seed=1)
        night = run(plan)
        return w.comes_back(plan, night, CELL), plan, night

    always, plan, night = share(11.0)
    ended = np.isfinite(night.column(k.O_LVD))
    assert ended.all()
    assert np.mean(always) > 0.95  # the voltage recovers by more than 0.2 V without the loads
    assert not share(13.6)[0].any()
    # their curves stand where they stood as the limit was met: a shift fades out towards empty
    left = night.column(k.O_SOC)
    fades = np.where(plan.soc_shift > 0.0, np.clip(left / 0.05, 0.0, 1.0), 1.0)
    soc = left + plan.soc_shift * fades
    rest_v = voltage(CELL, soc, 0.0, 0.0, -1.0, 0.0, plan.ambient[:, 0])
    rest_v += 10.8 / 4 - plan.limits[:, k.L_DISCONNECT]
    middle_v = float(np.median(rest_v))
    np.testing.assert_array_equal(share(4 * middle_v)[0], rest_v >= middle_v)


def test_who_lasts_does_not_come_back():
    setup = setup_from_table(table(question={"until": ["07:00"], "horizon_hours": 1.0}))
    plan = prepare(setup, CELL, members_of(setup, 30, centre=0.8), NOW, seed=1)
    assert not w.comes_back(plan, run(plan), CELL).any()


def test_the_end_is_doubted_along_the_charge_as_the_filter_doubts_it():
    """std_soc, and a fifth of the lag: here that of the cell's own table, worked out beside.

    z_s = z e^(-x/z) with x = lag·asinh-saturated C-rate (`socband.cell`, Plett 2015 for the
    notation); a heavier load is met with more doubt.
    """
    from dataclasses import replace

    error = replace(CELL.voltage_error, std_soc=0.0, temperature_c=(12.0,))
    quiet = replace(CELL, voltage_error=error)
    spreads = []
    for amps in (10.0, 40.0):
        setup = setup_from_table(table(loads=[{"name": "load", "current_a": amps}]))
        members = members_of(setup, n=2000)
        members = members.replaced(
            charge_shift=np.zeros(2000),
            diffusion_factor=np.ones(2000),
            temperature_offset_k=np.zeros(2000),
        )
        plan = prepare(setup, quiet, members, seed=3)
        warm = setup.ambient.temperature_c.median
        rate = amps / setup.bank.rated_capacity_ah
        k_lag = quiet.lag.share + (1 - quiet.lag.share) * np.exp(
            quiet.lag.activation_kj_mol / 8.314462618e-3 * (1 / (warm + 273.15) - 1 / 298.15)
        )
        s = quiet.lag.saturation_c_rate
        x = np.interp(0.1, quiet.lag.soc, quiet.lag.value) * s * np.arcsinh(k_lag * rate / s)
        lag = 0.1 * (1 - np.exp(-x / 0.1))
        spreads.append(plan.soc_shift.std() / (0.2 * lag))
    assert spreads == pytest.approx([1.0, 1.0], rel=0.06)  # 2,000 draws: 1.6 %
