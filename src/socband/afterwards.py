"""After a disconnect: how long waking takes, and until when the display must not be believed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from socband.forward import Plan, prepare
from socband.models import CellModel
from socband.site import Setup
from socband.unknowns import uniforms
from socband.whatif import after_disconnect, full_hours, wake_hours

if TYPE_CHECKING:
    from socband.unknowns import Members

AFTERWARDS_MEMBERS = 400  # the morning after a disconnect is told to the hour
MOST_AFTERWARDS_H = 14 * 24.0
NEARLY_EMPTY_V = 3.2  # of a cell that wakes


def waking(setup: Setup, plan: Plan, capacity_ah: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(n,) hours to wake on a shore charger after a disconnect, loads off and loads on [h].

    Loads on is what each member's loads draw from the bank on average over the horizon: inverter,
    one-off events and untracked load included. Loads off is all of them off.
    """
    bank_v = NEARLY_EMPTY_V * setup.bank.cells_in_series
    load_w = plan.demand.mean_power_w(bank_v, plan.horizon_s, plan.ambient[:, 0]).sum(axis=1)
    load_a = load_w / bank_v
    batteries = setup.bank.strings_in_parallel
    n = len(capacity_ah)
    u = uniforms(plan.seed, "wake trickle", n), uniforms(plan.seed, "wake reserve", n)
    charger_a = charger_a_of(setup)
    return (
        wake_hours(capacity_ah, batteries, 0.0, u, charger_a),
        wake_hours(capacity_ah, batteries, load_a, u, charger_a),
    )


def charger_a_of(setup: Setup) -> float:
    """What the shore charger gives in bulk [A]; infinite where none is named."""
    charger = setup.source("shore")
    if charger is None:
        return np.inf
    bank_v = NEARLY_EMPTY_V * setup.bank.cells_in_series
    amps = charger.current_a.median if charger.power_w is None else charger.power_w.median / bank_v
    limit_a = charger.current_limit_a
    return amps if limit_a is None else min(amps, limit_a)


def shore_rests_above(setup: Setup) -> float:
    """True charge above which the shore charger does nothing; 1 if it always works."""
    charger = setup.source("shore")
    rests = None if charger is None else charger.idle_above_soc
    return 1.0 if rests is None else rests


def believable_hours(
    setup: Setup, cell: CellModel, members: Members, wake_off_hours: np.ndarray, seed: int
) -> np.ndarray:
    """(few,) hours from plugging in the shore charger after a disconnect to a full bank, loads off.

    Only a full bank sets the display right; that a charger may rest before it is told apart. Empty
    without a shore charger in the setup.
    """
    charger = setup.source("shore")
    if charger is None:
        return np.zeros(0)
    few = np.arange(min(len(members), AFTERWARDS_MEMBERS))
    charger_a = max(charger_a_of(setup), 1e-3)
    horizon_h = 24.0 + 2.0 * setup.bank.rated_capacity_ah / charger_a
    plan = prepare(
        setup, cell, members.take(few), horizon_h=min(horizon_h, MOST_AFTERWARDS_H), seed=seed
    )
    # a limit that nobody named is taken to fit the monitor
    assumed = setup.assumes(f"({charger.name}).voltage_limit_v")
    watt = charger_a * NEARLY_EMPTY_V * setup.bank.cells_in_series
    morning = after_disconnect(plan, watt, None if assumed else charger.voltage_limit_v)
    return wake_off_hours[few] + full_hours(morning)
