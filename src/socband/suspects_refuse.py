"""Readings that no cause goes with: refused, or counted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from socband.errors import InputError, Problem
from socband.readings import KINDS
from socband.suspects_draws import Draws, Meters, predictions

if TYPE_CHECKING:
    from socband.models import CellModel
    from socband.site import Setup

Array = np.ndarray

FITS = 2.5  # standard deviations within which a draw goes with a reading (assumed)
MISFIT = 4.0  # standard deviations; by chance one sound reading in 16,000


def check_usable(readings: Mapping[str, float], declared: int) -> None:
    """Refuse what a log with so many full charges on the display leaves nothing to compare with."""
    problems = []
    if "since_full" in readings:
        found = f"{readings['since_full']:g} h, beside a log"
        expected = "either of them: a log shows by itself when the display said full"
        problems.append(Problem("--reading since_full", found, expected))
    if "display_soc" in readings and not declared:
        found = f"{readings['display_soc']:g} %, beside a log in which the display never says full"
        expected = "a log with a full charge by monitor.re_zero, or this reading without a log"
        hint = "what the display counted from is not known before its first full charge"
        problems.append(Problem("--reading display_soc", found, expected, hint))
    if problems:
        raise InputError(problems)


def refuse_impossible(
    draws: Draws,
    likely: Array,
    readings: Mapping[str, float],
    setup: Setup,
    cell: CellModel,
    meters: Meters,
) -> None:
    """Refuse a reading that no draw makes, and that lies further beyond the likely ones, (n,) of
    bool, than these lie apart.

    Two causes at once may lead out of what each of them makes alone, but not that far (assumed).
    The draw that comes nearest would take all the weight, and the band have no width. What the
    display says of the charge may have been set by hand, and is refused nowhere.
    """
    problems = []
    for name, (mean, std) in predictions(draws, readings, setup, cell, meters).items():
        value, unit = readings[name], KINDS[name].unit
        low, high = mean - MISFIT * std, mean + MISFIT * std
        if name == "display_soc" or low.min() <= value <= high.max():
            continue
        least, most = low[likely].min(), high[likely].max()
        if not 2.0 * least - most <= value <= 2.0 * most - least:
            found = f"{value:g} {unit}, which contradicts every cause considered"
            expected = f"{least:.3g} to {most:.3g} {unit}, as far as they go with all else known"
            hint = "check unit, sign and decimal point, and the setup's own numbers"
            problems.append(Problem(f"--reading {name}", found, expected, hint))
    if problems:
        raise InputError(problems)


def fitting_draws(
    draws: Draws, readings: Mapping[str, float], setup: Setup, cell: CellModel, meters: Meters
) -> int:
    """Number of draws that come within `FITS` deviations of every reading at once."""
    fits = np.ones(len(draws), dtype=bool)
    for name, (mean, std) in predictions(draws, readings, setup, cell, meters).items():
        fits &= np.abs(readings[name] - mean) <= FITS * std
    return int(fits.sum())
