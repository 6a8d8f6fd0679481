"""Batteries in parallel against a circuit solved with scipy; cascade, sources, heater, cut-out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import fsolve

from socband import kernels_columns as k
from socband.cell import FAST_TIME, diffusion_current, temperature_factors, voltage
from socband.forward import prepare, run
from socband.kernels_bank import B_CAPACITY, B_DIFFUSION, B_PARALLEL, B_RESISTANCE, B_SHIFT, S_T
from socband.models import load_cell
from socband.quantity import Quantity
from socband.site import setup_from_table
from socband.sources import half_sine_slots
from socband.unknowns import Unknowns

CELL = load_cell("lfp-prismatic-100ah")
HOUR = 3600.0


def planned(n=4, soc=0.5, horizon=12.0, **sections):
    base = {
        "bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 200.0,
                 "connection_resistance_ohm": 0.0, "capacity_fraction": 1.0,
                 "resistance_factor": 1.0},
        "untracked_load": {"probability": 0.0},
        "ambient": {"temperature_c": 25.0},
        "present": {"display_soc": 0.6, "clock": "20:00", "hours_since_full": 10.0},
        "limits": {"disconnect_v": 8.4, "delay_s": 10.0, "reconnect_v": 12.4},
        "question": {"until": ["07:00"], "horizon_hours": horizon},
    }  # fmt: skip
    setup = setup_from_table({**base, **sections})
    members = Unknowns.from_setup(setup, Quantity.from_number(soc)).draw(n, 1)
    plan = prepare(setup, CELL, members, horizon_h=horizon, seed=2)
    plan.batteries.state[:, :, 0] = soc  # without the model's own error
    plan.batteries.parameters[:, :, B_SHIFT] = 0.0
    return plan


BATTERIES = [
    {"name": "old", "rated_capacity_ah": 100.0, "capacity_factor": 0.7, "resistance_factor": 2.0,
     "lead_resistance_ohm": 0.004, "cutoff_v": 10.8, "cutoff_delay_s": 2.0, "reconnect_v": 14.0},
    {"name": "new", "rated_capacity_ah": 100.0, "lead_resistance_ohm": 0.001, "cutoff_v": 10.8,
     "cutoff_delay_s": 2.0, "reconnect_v": 14.0},
]  # fmt: skip


def circuit(plan, power_w, dt_s=2.0):
    """The same two batteries by stepping Kirchhoff's laws with fsolve; returns opening times [s].

    Independent of the kernel: unknowns are both currents and the terminal voltage, cell voltages
    come from `socband.cell.voltage`, time runs in explicit midpoint-free steps of `dt_s`.
    """
    par, state = plan.batteries.parameters[0], plan.batteries.state[0].copy()
    z, i1, i2, i3, h = (state[:, j].copy() for j in range(5))
    temperature = state[0, 5]
    opened, below, t = [np.inf, np.inf], [np.inf, np.inf], 0.0
    last = np.array([-power_w / 2 / 13, -power_w / 2 / 13, 13.0])
    factor = temperature_factors(CELL, temperature)[4]
    while np.isinf(opened).any() and t < 8 * HOUR:
        closed = [b for b in range(2) if np.isinf(opened[b])]
        # open-circuit side and resistance of each, per battery of four cells
        e, r = np.zeros(2), np.zeros(2)
        for b in closed:
            rf = par[b, B_RESISTANCE]
            slow = diffusion_current(i2[b], i3[b]) * par[b, B_DIFFUSION]
            base = voltage(CELL, z[b], i1[b], slow, h[b], 0.0, temperature)
            # the slow resistance and the drive of the surface lag see the scaled current alone
            more = voltage(CELL, z[b], i1[b] * 1.0, slow, h[b], 1.0, temperature)
            plain = voltage(CELL, z[b], 0.0, slow, h[b], 0.0, temperature)
            e[b] = plain + rf * (base - plain)
            r[b] = rf * (more - base)

        def laws(x, e=e, r=r, closed=closed):
            out = []
            for b in range(2):
                if b in closed:
                    drop = 4 * r[b] * x[b] / par[b, 2] + 4 * par[b, 3] * x[b]
                    out.append(x[2] - 4 * e[b] - drop)
                else:
                    out.append(x[b])
            return [*out, (x[0] + x[1]) * x[2] + power_w]

        last = fsolve(laws, last, xtol=1e-12)
        t += dt_s
        for b in closed:
            i = last[b] / par[b, 2]
            z[b] += i * dt_s / (3600 * par[b, 0] * factor)
            a1, a2 = np.exp(-dt_s / CELL.tau1_s), np.exp(-dt_s / CELL.tau2_s)
            i1[b], i2[b] = a1 * i1[b] + (1 - a1) * i, a2 * i2[b] + (1 - a2) * i
            a3 = np.exp(-dt_s / (FAST_TIME * CELL.tau2_s))
            i3[b] = a3 * i3[b] + (1 - a3) * i
            keep = np.exp(-abs(CELL.hysteresis_decay * i) * dt_s / (3600 * par[b, 0] * factor))
            h[b] = keep * h[b] - (1 - keep)
            cell_v = last[2] / 4 - par[b, 3] * last[b]
            if cell_v < par[b, 4]:
                below[b] = min(below[b], t)
                if t >= below[b] + 2.0:
                    opened[b] = t
            else:
                below[b] = np.inf
    return np.array(opened), z


def test_cascade_against_a_circuit_solved_with_scipy():
    plan = planned(n=1, soc=0.35, batteries=BATTERIES, loads=[{"name": "load", "power_w": 350.0}])
    plan.cell[10] = 1e6  # conductance: held at 25 °C, as in the circuit
    plan.cell[8] = 0.0  # no self-discharge there either
    got = run(plan)
    opened, _ = circuit(plan, 350.0)
    assert got.column(k.O_WHICH)[0] == 2.0
    first, last = np.sort(opened)
    assert first < last < 8 * HOUR
    # explicit steps of 2 s in the circuit, delay of 2 s: a few steps
    assert got.column(k.O_FIRST_BMS)[0] == pytest.approx(first, abs=15.0)
    assert got.column(k.O_LVD)[0] == pytest.approx(last, abs=15.0)


def test_one_battery_named_is_the_same_as_none():
    loads = [{"name": "load", "power_w": 300.0}]
    whole = run(planned(loads=loads), general=True)
    pair = [
        {"name": "a", "rated_capacity_ah": 120.0},
        {"name": "b", "rated_capacity_ah": 80.0},
    ]
    split = run(planned(loads=loads, batteries=pair))
    np.testing.assert_allclose(split.column(k.O_LVD), whole.column(k.O_LVD), rtol=1e-6)


def test_limits_without_a_delay_end_the_night():
    """A limit may be crossed within a microsecond of a step's begin: no shorter step finds it."""
    now = {"cutoff_v": 10.0, "cutoff_delay_s": 0.0}
    pair = [{"name": "a", "rated_capacity_ah": 120.0, **now},
            {"name": "b", "rated_capacity_ah": 80.0, **now}]  # fmt: skip
    loads = [{"name": "lamp", "power_w": 120.0},
             {"name": "pump", "power_w": 300.0, "duty": 0.3, "cycle_min": 20.0}]  # fmt: skip
    bms = run(planned(n=200, soc=0.3, batteries=pair, loads=loads))
    assert np.all(bms.column(k.O_WHICH) == 2.0)
    limits = {"disconnect_v": 10.8, "delay_s": 0.0, "reconnect_v": 12.4}
    plan = planned(n=200, soc=0.3, limits=limits, loads=loads)
    alone, other = run(plan, general=True).column(k.O_LVD), run(plan).column(k.O_LVD)
    assert np.all(np.isfinite(alone))
    np.testing.assert_allclose(alone, other, atol=0.1)  # the lanes kernel counts its tries


def test_factors_share_the_capacity_of_the_bank_and_do_not_change_it():
    """A rested bank of 200 Ah: what all its batteries hold, and what they lose for a charge."""
    spread = {"dist": "uniform", "loc": 0.7, "scale": 0.4}
    halved = [{"name": "a", "rated_capacity_ah": 100.0, "capacity_factor": 0.5},
              {"name": "b", "rated_capacity_ah": 60.0, "capacity_factor": spread},
              {"name": "c", "rated_capacity_ah": 40.0}]  # fmt: skip
    plan = planned(n=50, soc=0.8, horizon=4.0, batteries=halved,
                   loads=[{"name": "lamp", "current_a": 10.0}])  # fmt: skip
    held = plan.batteries.parameters[:, :, [B_CAPACITY, B_PARALLEL]].prod(axis=2)
    np.testing.assert_allclose(held.sum(axis=1), 200.0, rtol=1e-12)
    np.testing.assert_allclose(held[:, 0] / held[:, 2], 0.5 * 100.0 / 40.0, rtol=1e-12)
    plan.cell[8] = 0.0  # no self-discharge
    np.testing.assert_allclose((0.8 - run(plan).column(k.O_SOC)) * 200.0, 40.0, rtol=1e-3)


def test_inverter_cuts_out_before_the_disconnect():
    plan = planned(
        soc=0.4, horizon=60.0,
        loads=[{"name": "microwave", "power_w": 1400.0, "duty": 0.2, "cycle_min": 30.0,
                "through_inverter": True}, {"name": "lamp", "power_w": 20.0}],
        inverter={"efficiency": 0.9, "idle_w": 10.0, "cutout_v": 11.4},
    )  # fmt: skip
    got = run(plan)
    cut, lvd = got.column(k.O_INVERTER), got.column(k.O_LVD)
    assert np.all(np.isfinite(cut))
    assert np.all(lvd > cut + HOUR)  # the lamp goes on for long
    slow = run(plan, general=True)
    np.testing.assert_allclose(slow.column(k.O_INVERTER), cut, atol=3.0)


def test_solar_gives_a_half_sine():
    plan = planned(
        soc=0.3, horizon=24.0,
        sources=[{"name": "roof", "kind": "solar", "power_w": 100.0, "sunrise": "06:00",
                  "sunset": "18:00", "clearness": 0.5, "performance_ratio": 0.8}],
    )  # fmt: skip
    got = run(plan)
    # energy of a half-sine: 2/π · peak · length
    want = 100.0 * 0.5 * 0.8 * 12.0 * 2.0 / np.pi
    np.testing.assert_allclose(got.column(k.O_SOURCE_J) * 4 / HOUR, want, rtol=1e-9)
    source = plan.setup.sources[0]
    assert np.sum(half_sine_slots(source, plan.now, 24 * HOUR)) / 4 == pytest.approx(24.0 / np.pi)


def charging(**extra):
    source = {"name": "shore", "kind": "shore", "current_a": 40.0, "voltage_limit_v": 14.2, **extra}
    return source


def test_charger_tapers_and_the_bank_is_full():
    plan = planned(soc=0.7, horizon=12.0, sources=[charging()])
    plan.limits[:, k.L_FULL_V], plan.limits[:, k.L_FULL_A] = 3.5, 8.0
    got = run(plan)
    full = got.column(k.O_FULL) / HOUR
    # 60 Ah at 40 A take 1.5 h less what the taper holds back
    assert np.all((full > 1.3) & (full < 2.5))
    assert np.all(got.column(k.O_CHARGE) < 70.0)


def test_a_hold_that_is_broken_begins_anew():
    """Held for 45 min at a time at most, where a kettle pulls the voltage down every half hour."""
    kettle = {"name": "kettle", "power_w": 2000.0, "for_min": 2.0,
              "at": [f"{h:02d}:{m}" for h in range(24) for m in ("10", "40")]}  # fmt: skip
    held = {}
    for minutes in (20.0, 45.0):
        plan = planned(soc=0.99, horizon=6.0, sources=[charging()], loads=[kettle])
        plan.limits[:, k.L_FULL_V], plan.limits[:, k.L_FULL_A] = 3.5, 50.0
        plan.limits[:, k.L_FULL_S] = 60.0 * minutes
        held[minutes] = run(plan).column(k.O_FULL)
    assert np.all(np.isfinite(held[20.0]))
    assert np.all(np.isinf(held[45.0]))


def test_charger_idles_above_its_threshold():
    plan = planned(soc=0.7, horizon=12.0, sources=[charging(idle_above_soc=0.9)])
    got = run(plan)
    assert np.all(np.isinf(got.column(k.O_FULL)))
    np.testing.assert_allclose(got.soc[:, -1], 0.9, atol=0.01)


def test_a_charger_that_never_rests_carries_the_loads_of_a_full_bank():
    """`idle_above_soc = 1` is no threshold at full, below which 5 % would have to be used first."""
    lamp = [{"name": "lamp", "power_w": 60.0}]
    never, silent = (
        run(planned(soc=1.0, horizon=6.0, sources=[charging(**more)], loads=lamp))
        for more in ({"idle_above_soc": 1.0}, {})
    )
    np.testing.assert_array_equal(never.soc, silent.soc)
    assert never.soc[:, -1].min() > 0.98


def test_no_charge_when_cold_but_the_loads_are_carried():
    plan = planned(
        soc=0.5, horizon=6.0, ambient={"temperature_c": -8.0}, sources=[charging()],
        loads=[{"name": "lamp", "power_w": 60.0}],
    )  # fmt: skip
    plan.batteries.state[:, :, S_T] = -8.0
    got = run(plan)
    assert np.all(np.abs(got.column(k.O_CHARGE)) < 0.3)
    np.testing.assert_allclose(got.column(k.O_SOURCE_J) * 4 / HOUR, 360.0, rtol=1e-2)


def test_one_warm_battery_still_takes_charge():
    """Each battery's own protection refuses its own charge: -8 °C beside 12 °C that cools."""
    pair = [
        {"name": "cold", "rated_capacity_ah": 100.0},
        {"name": "warm", "rated_capacity_ah": 100.0, "warmer_k": 20.0},
    ]
    plan = planned(
        soc=0.3, horizon=6.0, ambient={"temperature_c": -8.0}, batteries=pair,
        sources=[charging()],
    )  # fmt: skip
    plan.batteries.state[:, :, S_T] = [-8.0, 12.0]
    full = run(plan).column(k.O_CHARGE)
    plan.batteries.state[:, :, S_T] = -8.0
    refused = run(plan).column(k.O_CHARGE)
    assert np.all(full > 1.0)
    assert np.all(np.abs(refused) < 0.3)


def test_heater_draws_what_the_shunt_never_sees():
    heated = [{"name": "a", "rated_capacity_ah": 200.0, "heater_w": 40.0, "heater_on_c": 5.0,
               "heater_off_c": 8.0}]  # fmt: skip
    plan = planned(soc=0.6, horizon=10.0, ambient={"temperature_c": -15.0}, batteries=heated)
    plan.batteries.state[:, :, S_T] = 2.0
    got = run(plan)
    assert np.all(np.abs(got.column(k.O_CHARGE)) < 1e-9)  # nothing through the terminals
    used = 0.6 - got.soc[:, -1]
    # at most 40 W for ten hours at no less than 12.4 V, at least a third of it in such cold
    assert np.all((used * 200.0 > 10.0) & (used * 200.0 < 400.0 / 12.4))
    assert np.all(got.column(k.O_TEMPERATURE) > -15.0)


def test_a_source_that_may_not_come():
    plan = planned(n=400, soc=0.3, horizon=6.0, sources=[charging(probability=0.3)])
    got = run(plan)
    came = np.mean(got.column(k.O_SOURCE_J) > 0)
    assert came == pytest.approx(0.3, abs=6 * np.sqrt(0.21 / 400))


@pytest.mark.parametrize("general", [False, True])
@pytest.mark.parametrize(("watt", "delay_s"), [(1000.0, 3600.0), (50e3, 10.0)])
def test_an_empty_bank_gives_nothing(watt: float, delay_s: float, general: bool) -> None:
    """No charge comes from nowhere: a load beyond the bank ends it for every member."""
    loads = [{"name": "heater", "power_w": watt}]
    plan = planned(40, 0.4, loads=loads, limits={"disconnect_v": 10.0, "delay_s": delay_s})
    got = run(plan, general=general)
    assert np.all(got.column(k.O_LVD) < 6.0 * HOUR)
    assert np.all(got.soc <= 0.4 + 1e-6)


def test_an_hour_asked_about_is_within_the_horizon() -> None:
    """07:00 is eleven hours off: a horizon of five would count every member as lasting."""
    question = {"until": ["07:00"], "horizon_hours": 5.0}
    plan = planned(4, horizon=None, question=question)
    assert plan.horizon_s == pytest.approx(11.0 * HOUR)
