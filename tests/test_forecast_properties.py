"""Properties that hold for every member, whatever the loads (hypothesis)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from socband import kernels_columns as k
from socband.forward import prepare, run
from socband.models import load_cell
from socband.quantity import Quantity
from socband.site import setup_from_table
from socband.unknowns import Unknowns

CELL = load_cell("lfp-prismatic-100ah")
# a step of the grid decides when a limit is looked at: two runs may differ by what
# tests/test_forward_kernel.py allows for the steps themselves
STEP_S = 5.0
QUICK = settings(
    max_examples=25, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip

watts = st.floats(5.0, 400.0)
loads = st.lists(
    st.tuples(watts, st.floats(0.1, 1.0), st.floats(8.0, 90.0), st.booleans()),
    min_size=1,
    max_size=4,
)


def planned(parts, soc=0.4, capacity=200.0, strings=2, n=12, seed=0):
    listed = [
        {"name": f"load {j}", "power_w": watt, "duty": duty, "cycle_min": cycle,
         **({"hours": ["18:00-06:00"]} if night else {})}
        for j, (watt, duty, cycle, night) in enumerate(parts)
    ]  # fmt: skip
    setup = setup_from_table(
        {
            "bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4,
                     "strings_in_parallel": strings, "rated_capacity_ah": capacity,
                     "connection_resistance_ohm": 0.0},
            "loads": listed,
            "untracked_load": {"probability": 0.0},
            "ambient": {"temperature_c": 15.0},
            "present": {"display_soc": 0.6, "clock": "21:00", "hours_since_full": 9.0},
            "limits": {"disconnect_v": 10.8, "delay_s": 5.0, "reconnect_v": 12.4},
            "question": {"until": ["07:00"], "horizon_hours": 30.0},
        }
    )  # fmt: skip
    members = Unknowns.from_setup(setup, Quantity.from_dist("norm", loc=soc, scale=0.05))
    return prepare(setup, CELL, members.draw(n, seed), seed=seed)


def lvd(plan, off=()):
    return np.minimum(run(plan, off).column(k.O_LVD), plan.horizon_s)


@QUICK
@given(parts=loads, more=st.floats(1.02, 2.0))
def test_more_load_never_lengthens_the_time(parts, more):
    plan = planned(parts)
    heavier = replace(plan, demand=plan.demand.scaled(more))
    assert np.all(lvd(heavier) <= lvd(plan) + STEP_S)


@QUICK
@given(parts=loads, more=st.floats(1.02, 1.6))
def test_more_capacity_never_shortens_the_time(parts, more):
    plan = planned(parts)
    larger = replace(
        plan,
        batteries=replace(plan.batteries, parameters=plan.batteries.parameters.copy()),
    )
    larger.batteries.parameters[:, :, 0] *= more
    assert np.all(lvd(larger) >= lvd(plan) - STEP_S)


@QUICK
@given(parts=loads, watt=watts)
def test_switching_off_what_is_off_buys_nothing(parts, watt):
    # the added load's duty is nought: it never runs
    plan = planned([*parts, (watt, 0.0, 30.0, False)])
    np.testing.assert_array_equal(lvd(plan), lvd(plan, [f"load {len(parts)}"]))


@QUICK
@given(parts=loads)
def test_twice_the_strings_with_twice_the_load_is_the_same(parts):
    one = planned(parts, capacity=100.0, strings=1)
    two = planned([(2 * watt, *rest) for watt, *rest in parts], capacity=200.0, strings=2)
    np.testing.assert_allclose(lvd(two), lvd(one), rtol=1e-9, atol=1e-3)


@QUICK
@given(parts=loads)
def test_any_switch_off_never_shortens_the_time(parts):
    plan = planned(parts)
    for name in plan.demand.names:
        assert np.all(lvd(plan, [name]) >= lvd(plan) - STEP_S)
