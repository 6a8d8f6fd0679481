"""What is believed at the first row of a log: the setup, its display, and what is seldom said.

A setup states what its owner knows, and a bank with half of it disconnected is stated like any
other. So a log's prior gives what may be wrong with bank and shunt its usual chance (`causes`)
beside what is stated; a number given as exactly known is taken as that. Where nothing speaks for a
fault, a log rules most of them out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from socband.causes import CauseSettings, Hypothesis, P, drift_to_a, hypotheses
from socband.cell import R0, R1, CellTables
from socband.models import CellModel
from socband.quantity import Quantity
from socband.snapshot import take_snapshot
from socband.tabulated import Tabulated
from socband.track import SENSOR_STD_K
from socband.unknowns import Unknowns

if TYPE_CHECKING:
    from socband.site import Setup
    from socband.site_parts import Bank

Array = np.ndarray

START_DRAWS = 4000
# Displays given for a log's first row that say nothing of the bank there: read at another moment,
# or set by hand (assumed). Development seeds 1 and 2 of `house_bands.py --houses 40` have 0.95 and
# 0.94 inside the 90 % band with it, 13.2 and 13.6 % wide; 0.95 and 0.92, 13.0 and 13.5 without (by
# hand).
ANYWHERE = 0.03
# Causes of which each changes an unknown of the filter; the others leave bank and shunt as stated.
FAULTS = {
    "offset_a": ("offset",),
    "gain_error": ("gain",),
    "capacity_fraction": ("lost_capacity", "missing_battery"),
    "resistance_factor": ("missing_battery", "connection"),
}
_PARAMETER = {"gain_error": "gain"}  # by another name among the causes


def start_of_log(setup: Setup, cell: CellModel, seed: int, measured: bool) -> Unknowns:
    """The prior at the first row of a log as the setup states it, from what the display said then.

    Args:
        measured: the log has temperatures, so that only a sensor's error remains unknown.
    """
    start = take_snapshot(setup, cell, START_DRAWS, seed).members.soc
    mean, std = float(start.mean()), max(float(start.std()), 1e-4)
    # The snapshot's draws as a beta distribution of the same mean and variance, within 0..1. Its
    # tails reach beyond them on purpose: a display is off upwards too, which no doubt of its setup
    # covers (DEVELOPERS.md).
    mean = float(np.clip(mean, 1e-3, 1.0 - 1e-3))
    size = max(mean * (1.0 - mean) / std**2 - 1.0, 0.5)
    near = Quantity.from_dist("beta", a=mean * size, b=(1.0 - mean) * size)
    soc = Tabulated.mixture([(1.0 - ANYWHERE, near.ppf), (ANYWHERE, np.asarray)])
    unknowns = Unknowns.from_setup(setup, soc, cell)
    if measured:
        source = "assumed: where it is glued"
        sensor = Quantity.from_dist("norm", loc=0.0, scale=SENSOR_STD_K, source=source)
        unknowns = replace(unknowns, temperature_offset_k=sensor)
    return unknowns


def with_faults(unknowns: Unknowns, setup: Setup, cell: CellModel) -> Unknowns:
    """A prior in which bank and shunt may have what is seldom said of them, too.

    Each unknown is widened by itself, with the usual chance of its own faults against all that is
    usual else, whatever the setup states of others. Where it states as much room for a fault of
    this one itself, that is left as it is.

    Args:
        unknowns: as the setup states it.
        setup, cell: bank and monitor.
    """
    settings = CauseSettings()
    every = hypotheses(setup, settings)
    # Statements move the weights of `hypotheses`, of lost capacity none: in its usual weight again.
    usual = settings.weight
    unit = usual["lost_capacity"] / _weight(every, ("lost_capacity",))
    wider = {}
    for name, causes in FAULTS.items():
        stated: Quantity = getattr(unknowns, name)
        if setup.bank.capacity_fraction.is_fixed:
            causes = tuple(cause for cause in causes if cause != "missing_battery")
        weight = _weight(every, causes)
        others = sum(w for cause, w in usual.items() if cause not in causes)
        chance = unit * weight / (unit * weight + others)
        if stated.is_fixed or weight == 0.0 or _stated_room(setup, settings, name) >= chance:
            continue
        parts = [
            (chance * h.weight / weight, partial(_fault_ppf, h, name, stated, setup.bank, cell))
            for h in every
            if h.cause in causes
        ]
        wider[name] = Tabulated.mixture([(1.0 - chance, stated.ppf), *parts])
    return replace(unknowns, **wider)


def _weight(every: Sequence[Hypothesis], causes: Sequence[str]) -> float:
    return sum(one.weight for one in every if one.cause in causes)


def _stated_room(setup: Setup, settings: CauseSettings, name: str) -> float:
    """Chance that an error of the monitor is a fault, by what the file itself states of it."""
    least_a = drift_to_a(settings.material_drift_per_day, setup.bank.rated_capacity_ah)
    least = {"offset_a": least_a, "gain_error": settings.gain_least}.get(name)
    if least is None or setup.assumes(f"monitor.{name}"):
        return 0.0
    stated: Quantity = getattr(setup.monitor, name)
    return 1.0 - float(stated.cdf(least) - stated.cdf(-least))


def _fault_ppf(
    cause: Hypothesis, name: str, stated: Quantity, bank: Bank, cell: CellModel, u: Array
) -> Array:
    """Quantiles of an unknown where this cause is at work; downwards where that is mirrored."""
    from scipy.special import ndtri

    if cause.cause == "connection":
        # a resistance in a lead acts as one in the cells
        ohm = _values(cause, "connection_ohm", ndtri(u))
        found = stated.median + ohm / _bank_ohm(bank, cell)
    else:
        found = _values(cause, _PARAMETER.get(name, name), ndtri(u))
    return np.clip(found, stated.low, stated.high)


def _values(cause: Hypothesis, parameter: str, scores: Array) -> Array:
    return cause.values(np.tile(scores, (len(cause.free), 1)))[P[parameter]]


def _bank_ohm(bank: Bank, cell: CellModel) -> float:
    """Resistance of a bank as its cell model has it, half full and warm, without the slow part."""
    table = CellTables.from_model(cell).table
    ohm = float(table[len(table) // 2, [R0, R1]].sum())
    return ohm * bank.cells_in_series * cell.capacity_ah / bank.rated_capacity_ah
