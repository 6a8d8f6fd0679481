"""The forward kernels: against each other, against fine steps, against scipy and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from socband import forward
from socband import kernels_bank as kb
from socband import kernels_columns as k
from socband.cell import simulate, temperature_factors, voltage
from socband.forward import cell_vector, prepare, run
from socband.models import load_cell
from socband.quantity import Quantity
from socband.site import setup_from_table
from socband.unknowns import Unknowns

CELL = load_cell("lfp-prismatic-100ah")
SWINGING = {"temperature_c": 15.0, "swing_k": 8.0}


def table(**sections):
    base = {
        "bank": {
            "cell": "lfp-prismatic-100ah",
            "cells_in_series": 4,
            "rated_capacity_ah": 200.0,
            "connection_resistance_ohm": 0.001,
            "capacity_fraction": 0.9,
            "resistance_factor": 1.2,
        },
        "loads": [
            {"name": "fridge", "power_w": 55.0, "duty": 0.4, "cycle_min": 30.0, "surge": 3.0,
             "surge_s": 1.0},
            {"name": "router", "power_w": 6.0},
            {"name": "blower", "current_a": 9.0, "duty": 0.35, "cycle_min": 18.0,
             "hours": ["20:00-08:00"]},
        ],
        "untracked_load": {"probability": 0.0},
        "ambient": {"temperature_c": 15.0},
        "present": {"display_soc": 0.6, "hours_since_full": 20.0, "clock": "21:30"},
        "limits": {"disconnect_v": 10.8, "delay_s": 10.0, "reconnect_v": 12.4},
        "question": {"until": ["07:00"], "horizon_hours": 48.0},
    }  # fmt: skip
    return {**base, **sections}


def planned(n=100, soc=(0.35, 0.1), demand=None, changes=None, **sections):
    setup = setup_from_table(table(**sections))
    start = Quantity.from_dist("uniform", loc=soc[0], scale=soc[1]) if soc[1] else None
    members = Unknowns.from_setup(setup, start or Quantity.from_number(soc[0])).draw(n, 3)
    members = members.replaced(**{name: np.full(n, x) for name, x in (changes or {}).items()})
    horizon_h = setup.question.horizon_hours
    return prepare(setup, CELL, members, None, horizon_h, 5, demand=demand), members


def test_two_kernels_agree():
    plan, _ = planned(200)
    fast, slow = run(plan), run(plan, general=True)
    assert np.all(np.isfinite(slow.column(k.O_LVD)))
    lvd = np.abs(fast.column(k.O_LVD) - slow.column(k.O_LVD))
    # the rest: a limit that is crossed by a hair decides whether a step is taken back, and the one
    # kernel interpolates its moment from voltages that the other rounds otherwise
    assert np.median(lvd) < 0.05
    # a sag that just does or just does not last the delay decides over a whole cycle of a load
    assert np.quantile(lvd, 0.97) < 2.0
    same = lvd < 2.0
    assert np.max(np.abs(fast.soc - slow.soc)[same]) < 2e-5
    # beginning near full, where a shift of the curves fades; also one wider than it fades over
    for shift in (-0.05, 0.03, 0.08):
        plan, _ = planned(50, (0.88, 0.12), changes={"charge_shift": shift}, ambient=SWINGING)
        fast_near, slow_near = run(plan), run(plan, general=True)
        assert np.max(np.abs(fast_near.soc - slow_near.soc)[:, :12]) < 2e-5
    np.testing.assert_allclose(fast.column(k.O_OUT)[same], slow.column(k.O_OUT)[same], rtol=3e-5)


def test_kernels_agree_where_the_inverter_cuts_out_under_way():
    """The lanes have laid the loads out ahead when it does, with what is behind it."""
    behind = {"duty": 0.4, "cycle_min": 30.0, "through_inverter": True}
    loads = [
        {"name": "pump", "power_w": 55.0, **behind},
        {"name": "fridge", "power_w": 155.0, "surge": 3.0, "surge_s": 1.0, **behind},
        {"name": "blower", "current_a": 9.0, "duty": 0.35, "cycle_min": 18.0},
        {"name": "lamps", "power_w": 9.0, "hours": ["20:00-08:00"]},
    ]
    plan, _ = planned(
        100, (0.3, 0.3), loads=loads, inverter={"cutout_v": 12.7}, question={"horizon_hours": 24.0}
    )
    fast, slow = run(plan), run(plan, general=True)
    cut, end = (
        [night.column(column) for night in (fast, slow)] for column in (k.O_INVERTER, k.O_LVD)
    )
    assert np.mean(np.isfinite(cut[1])) > 0.9
    assert np.median(cut[1]) > 1800.0
    near = np.isclose(*cut, rtol=0, atol=2.0)
    assert np.mean(near) > 0.97
    near &= np.isclose(*end, rtol=0, atol=2.0)  # see above on sags that just last the delay
    assert np.mean(near) > 0.97
    # what is not behind it goes on as it would have
    np.testing.assert_allclose(fast.column(k.O_OUT)[near], slow.column(k.O_OUT)[near], rtol=3e-5)


def test_kernels_agree_on_the_temperature_at_the_end():
    """With a warm afternoon ahead the night's coldest moment is not its end."""
    plan, _ = planned(50, (0.7, 0.2), ambient=SWINGING, question={"horizon_hours": 17.0})
    fast, slow = run(plan), run(plan, general=True)
    lasts = np.isinf(fast.column(k.O_LVD)) & np.isinf(slow.column(k.O_LVD))
    assert np.sum(lasts) > 20
    ends = [night.column(k.O_TEMPERATURE)[lasts] for night in (fast, slow)]
    # lanes take the air as it was when a load last switched: up to some minutes at 2 K an hour,
    # against 15 K between the coldest moment and the end
    np.testing.assert_allclose(*ends, atol=0.1)


@pytest.mark.parametrize("general", [False, True])
@pytest.mark.parametrize(
    ("name", "less", "more"),
    [("diffusion_factor", 1.0, 5.0), ("voltage_offset_v", 0.0, -0.1), ("charge_shift", 0.0, -0.1)],
)
def test_what_a_cell_differs_by_brings_the_disconnect_forward(general, name, less, more):
    """Slower diffusion, a lower voltage, curves further right: from the model's equations."""
    nights = [
        run(planned(40, changes={name: size})[0], general=general).column(k.O_LVD)
        for size in (less, more)
    ]
    assert np.all(np.isfinite(nights[0]))
    assert np.all(nights[1] < nights[0] - 60.0)


def test_resistance_and_diffusion_multiply_what_they_do_in_the_filter():
    """Against socband.cell, where the slow part of a cell sees nothing but a scaled current."""
    plan, _ = planned(1, changes={"resistance_factor": 1.0, "diffusion_factor": 1.0})
    z, t_c = 0.1, 15.0  # where the curve is steep

    def evaluated(resistance, diffusion, shift=0.0):
        bank = np.zeros((1, kb.V_COUNT))
        bank[0, : kb.B_COUNT] = plan.batteries.parameters[0, 0]
        bank[0, [kb.B_RESISTANCE, kb.B_DIFFUSION, kb.B_SHIFT]] = resistance, diffusion, shift
        bank[0, kb.V_SOC : kb.V_T + 1] = z + shift, -2.0, -40.0, -40.0, -1.0, t_c
        kb.evaluate.py_func(plan.cell, plan.table, plan.warmth, bank)
        kb.instant.py_func(bank)
        return bank[0]

    for diffusion in (1.0, 3.0):
        got = evaluated(2.0, diffusion)
        slow = diffusion * -40.0
        without = voltage(CELL, z, 0.0, slow, -1.0, 0.0, t_c)
        fast = voltage(CELL, z, -2.0, slow, -1.0, 0.0, t_c) - without
        ohmic = voltage(CELL, z, 0.0, slow, -1.0, 1.0, t_c) - without
        assert got[kb.E_E] == pytest.approx(without + 2.0 * fast, abs=1e-6)
        assert got[kb.E_R] == pytest.approx(2.0 * ohmic, rel=1e-6)
    shifted = voltage(CELL, z + 0.05, -2.0, -40.0, -1.0, 0.0, t_c)
    assert evaluated(1.0, 1.0, 0.05)[kb.E_E] == pytest.approx(shifted, abs=1e-6)


@pytest.mark.parametrize("name", ["lfp-prismatic-100ah", "lfp-18650-2ah", "lfp-26650-2.5ah"])
def test_table_of_temperature_factors(name):
    """Straight lines between its rows err by less than 1e-4 of a factor, -40 to 60 °C."""
    cell = load_cell(name)
    _, _, warmth = cell_vector(cell)
    at_c = np.linspace(-40.0, 60.0, 2711)
    rows_c = kb.WARMTH_LOW_C + np.arange(kb.WARMTH_ROWS) / kb.WARMTH_PER_K
    exact = temperature_factors(cell, at_c)
    for column, factor in zip((kb.W_K0, kb.W_K1, kb.W_K2, kb.W_LAG), exact, strict=False):
        np.testing.assert_allclose(np.interp(at_c, rows_c, warmth[:, column]), factor, rtol=1e-4)
    got = 1.0 / np.interp(at_c, rows_c, warmth[:, kb.W_CAPACITY])
    np.testing.assert_allclose(got, exact[4], rtol=1e-4)


def test_graded_steps_against_tenth_of_a_second():
    plan, _ = planned(24, soc=(0.12, 0.04))
    fine = run(plan, coarse=0.1 / 300.0)  # no step longer than 0.1 s
    np.testing.assert_array_less(fine.column(k.O_LVD) / 0.1, fine.column(k.O_STEPS) * 1.0001)
    for general in (False, True):
        coarse = run(plan, general=general)
        error = np.abs(coarse.column(k.O_LVD) - fine.column(k.O_LVD))
        assert np.median(error) <= 1.0  # the figure
        assert np.max(error) < 10.0


@pytest.mark.parametrize("general", [False, True])
def test_chunks_and_threads_change_nothing(general, monkeypatch):
    plan, _ = planned(150)
    one = run(plan, threads=1, general=general)
    monkeypatch.setattr(forward, "CHUNK", 41)
    for threads in (1, 2):
        other = run(plan, threads=threads, general=general)
        np.testing.assert_array_equal(one.report, other.report)
        np.testing.assert_array_equal(one.soc, other.soc)


def new_cells(amps):
    bank = table()["bank"] | {"resistance_factor": 1.0, "capacity_fraction": 0.9}
    return planned(
        6, soc=(0.5, 0.2), bank=bank, loads=[{"name": "load", "current_a": amps}],
        limits={"disconnect_v": 10.4, "delay_s": 10.0, "reconnect_v": 12.4},
        changes={"diffusion_factor": 1.0},
    )  # fmt: skip


@pytest.mark.parametrize("general", [False, True])
def test_constant_current_against_the_reference_cell(general):
    """The same equations in plain numpy (socband.cell, tested against solve_ivp), 2 s steps."""
    plan, members = new_cells(40.0)
    # curves that stand right of the model's keep their shift down to empty, as the reference does
    plan.batteries.state[:, :, kb.S_SOC] -= (plan.soc_shift + np.abs(plan.soc_shift))[:, None]
    plan.batteries.parameters[:, :, kb.B_SHIFT] = -np.abs(plan.soc_shift)[:, None]
    got = run(plan, general=general)
    fine = run(plan, coarse=1.0 / 300.0)  # no step longer than 1 s
    row_s = 2.0
    rows = np.arange(0.0, 4 * 3600.0 + 1.0, row_s)
    want = simulate(
        CELL, rows, np.full((6, len(rows)), -20.0), plan.ambient[:, :1] + 0.0 * rows,
        members.soc + plan.soc_shift, h0=members.h, capacity_ah=90.0, self_heating=True,
    )  # fmt: skip
    bank_v = 4.0 * (want.voltage_v - plan.limits[:, k.L_LEAD, None] * 40.0)
    for m in range(6):
        below = 4.0 * plan.limits[m, k.L_DISCONNECT] - bank_v[m]
        first = np.argmax(below > 0.0)
        assert first > 0
        # straight line within the row, then the delay of 10 s
        at = rows[first - 1] - below[first - 1] * row_s / (below[first] - below[first - 1]) + 10.0
        # the rest is the reference's own heat, explicit over its rows
        assert fine.column(k.O_LVD)[m] == pytest.approx(at, abs=2.0)
        # steps of 300 s with nothing that switches, warming by 8 K on the way
        assert got.column(k.O_LVD)[m] == pytest.approx(at, abs=6.0)
        n = int(at // 900.0)
        soc = got.soc[m, : n + 1] + plan.soc_shift[m]
        np.testing.assert_allclose(soc[soc > 0.03], want.soc[m, : 450 * n + 1 : 450][soc > 0.03],
                                   atol=1e-4)  # fmt: skip


def test_energy_balance():
    sections = {
        "batteries": [
            {"name": "a", "rated_capacity_ah": 120.0, "lead_resistance_ohm": 0.002},
            {"name": "b", "rated_capacity_ah": 80.0, "lead_resistance_ohm": 0.001},
        ],
        "sources": [{"name": "roof", "kind": "solar", "power_w": 150.0}],
        "limits": {"disconnect_v": 11.6, "delay_s": 10.0, "reconnect_v": 12.8},
    }
    plan, _ = planned(50, soc=(0.3, 0.3), **sections)
    got = run(plan)
    load, source = got.column(k.O_LOAD_J), got.column(k.O_SOURCE_J)
    loss, battery = got.column(k.O_LOSS_J), got.column(k.O_BATTERY_J)
    throughput = load + source + np.abs(battery)
    assert np.mean(source > 0) > 0.8  # the others end before sunrise
    np.testing.assert_array_less(np.abs(source - load - loss - battery) / throughput, 1e-9)


def test_loads_get_the_energy_they_ask_for():
    loads = [{"name": "lamp", "power_w": 60.0}]
    plan, _ = planned(20, soc=(0.6, 0.3), loads=loads, question={"horizon_hours": 6.0})
    for general in (False, True):
        got = run(plan, general=general)
        assert np.all(np.isinf(got.column(k.O_LVD)))
        np.testing.assert_allclose(got.column(k.O_LOAD_J) * 4.0, 60.0 * 6.0 * 3600.0, rtol=1e-9)


def test_charge_balance():
    plan, members = planned(30, soc=(0.5, 0.3), question={"horizon_hours": 5.0})
    plan = replace(plan, cell=np.where(np.arange(len(plan.cell)) == 8, 0.0, plan.cell))  # no leak
    for general in (False, True):
        got = run(plan, general=general)
        capacity = 200.0 * 0.9 * temperature_factors(CELL, 15.0)[4]
        moved = (members.soc - got.column(k.O_SOC)) * capacity
        np.testing.assert_allclose(moved, got.column(k.O_OUT), rtol=2e-3)


@pytest.mark.parametrize("general", [False, True])
def test_thermal_step_response(general):
    """No current: T(t) = T_a + (T_0 − T_a)·exp(−t·hA/C), in closed form."""
    plan, _ = planned(8, soc=(0.5, 0.3), loads=[], question={"horizon_hours": 2.0})
    plan.batteries.state[:, :, kb.S_T] = 35.0
    plan.ambient[:, 0] = -5.0
    setup_batteries = plan.batteries
    got = run(plan, general=general)
    rate = CELL.heat_conductance_w_per_k / CELL.heat_capacity_j_per_k
    expected = -5.0 + 40.0 * np.exp(-2 * 3600.0 * rate)
    np.testing.assert_allclose(got.column(k.O_TEMPERATURE), expected, rtol=1e-6)
    assert setup_batteries.state[0, 0, kb.S_T] == 35.0  # the plan itself is not changed


def test_demand_can_be_exchanged():
    plan, _ = planned(40)
    double = run(replace(plan, demand=plan.demand.scaled(2.0)))
    assert np.all(double.column(k.O_LVD) < run(plan).column(k.O_LVD))


def test_a_plan_with_nan_is_refused():
    plan, _ = planned(3)
    plan.limits[1, 0] = np.nan
    with pytest.raises(ValueError, match="NaN"):
        run(plan)
