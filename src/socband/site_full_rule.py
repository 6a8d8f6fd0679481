"""A rule for "full" that a bank far from full meets: how often it is false then, and a note on it.

Near full an LFP cell's voltage rises steeply; on the plateau below it stands at 3.3 V and a little
more whatever its charge. A rule with its voltage there takes a bank for full that only rests.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.errors import InputError
from socband.quantity import Quantity

if TYPE_CHECKING:
    from socband.site import Setup

SOUND_V = (3.45, 3.6)  # of a rule, per cell: between plateau and what a charger holds (assumed)
# Voltage of a rule per cell; how likely its last "full" was false; what was missing then at most.
# The generic cell, 8 to 25 °C, with a current of 4 % of its capacity an hour into it reaches these
# voltages from 7, 26, 70 and 98 % of charge on (computed from its model); a cell of 10 mV more or
# less some 10 to 15 % sooner or later. How often a house is there: assumed.
_RULE_V = (3.20, 3.30, 3.34, 3.40)
_FALSE = (0.8, 0.6, 0.5, 0.1)
_MISSING = (0.9, 0.7, 0.45, 0.20)
LEAST_MISSING = 0.02
REACHED_AT_REST_V = _RULE_V[-1]  # below it, per cell


def early_full_probability(tree: Mapping[str, Any]) -> float:
    """What is assumed for the chance that the last "full" came too early, by a tree, 0..1."""
    return round(float(np.interp(_rule_v(tree), _RULE_V, _FALSE)), 3)


def early_full_shortfall(tree: Mapping[str, Any]) -> dict[str, Any]:
    """What is assumed to be missing at such a one, as in a setup file, 0..1 of capacity."""
    most = round(float(np.interp(_rule_v(tree), _RULE_V, _MISSING)), 3)
    return {"dist": "uniform", "loc": LEAST_MISSING, "scale": round(most - LEAST_MISSING, 3)}


def _rule_v(tree: Mapping[str, Any]) -> float:
    """Voltage of the rule per cell [V]; infinite where the tree does not say, or not well."""
    try:
        cells = Quantity.from_value(tree["bank"]["cells_in_series"]).median
        return Quantity.from_value(tree["monitor"]["re_zero"]["above_v"]).median / cells
    except (InputError, KeyError, TypeError, ZeroDivisionError):
        return np.inf  # what is wrong is reported where it is checked


def met_at_rest(setup: Setup) -> bool:
    """Whether a bank far from full meets the rule for "full" by its voltage."""
    above_v = setup.monitor.re_zero.above_v.median
    return above_v / setup.bank.cells_in_series < REACHED_AT_REST_V


def full_rule_note(setup: Setup) -> str:
    """What a rule for "full" that is met at rest does to the answers; "" where it is not."""
    cells, above_v = setup.bank.cells_in_series, setup.monitor.re_zero.above_v.median
    if not met_at_rest(setup):
        return ""
    low, high = (f"{cells * volt:.3g}" for volt in SOUND_V)
    return (
        f"monitor.re_zero.above_v is {above_v:.4g} V, {above_v / cells:.3g} V a cell. A bank at "
        "rest, or gently charged, stands there with much still missing: the display may jump to "
        "100 % far from full, at any time, and is too high from then on. For "
        f"{cells} cells set {low} to {high} V ({SOUND_V[0]:g} to {SOUND_V[1]:g} V a cell), just "
        "below what the charger holds; if the monitor is set so already, correct the file."
    )
