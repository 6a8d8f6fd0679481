"""Posterior draws over all causes, and what each of them predicts for a reading by hand.

The same predictions serve twice: as a likelihood once a reading is there, and to ask beforehand
what a reading would teach (`next_measurement`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from socband import cell as c
from socband.causes import Hypothesis, P
from socband.posterior_resample import effective_sample_size
from socband.readings import CLAMP_STD_A, CLAMP_STD_SHARE

if TYPE_CHECKING:
    from socband.models import CellModel
    from socband.site import Setup

Array = np.ndarray

# how long a reading took where nobody says [h] (assumed)
ASSUMED_HOURS = {"capacity": 10.0, "night": 24.0, "rested": 2.0}


@dataclass(frozen=True)
class Meters:
    """How good readings by hand are: one standard deviation each. Common practice, no source.

    Attributes:
        clamp_a, clamp_share: of a clamp meter, fixed part [A] and share of the reading.
        display_a: last digit and flicker of the displayed current [A].
        display_soc: of the displayed charge, 0..1.
        rested_v: of a rested voltage, per cell: meter and what has not relaxed [V].
        sag_v: of a fall in voltage, whole bank [V].
        full_std: how far from full a watched full charge is, 0..1.
        capacity_share: of a discharge to cut-off.
        load_share: how well a "known" load is known.
        lead_share, lead_share_std: what the battery that carries least carries, over the share it
            should have of the one that carries most, where all take part (leads, contacts and cells
            differ), and the standard deviation of that.
    """

    clamp_a: float = CLAMP_STD_A
    clamp_share: float = CLAMP_STD_SHARE
    display_a: float = 0.02
    display_soc: float = 0.006
    rested_v: float = 0.004
    sag_v: float = 0.02
    full_std: float = 0.008
    capacity_share: float = 0.02
    load_share: float = 0.03
    lead_share: float = 0.85
    lead_share_std: float = 0.15


GOOD_METERS = Meters()


@dataclass(frozen=True)
class Draws:
    """Equally weighted draws of cause, parameters and present charge.

    Attributes:
        hypotheses: all of them.
        index: (n,) which hypothesis each draw belongs to.
        values: (len(PARAMETERS), n).
        soc: (n,) true charge now.
        shortfall: (n,) charge missing at a declared full; of several in a log their mean.
        last_shortfall: (n,) charge missing at the last of them; without any, as `shortfall`.
        display_soc: (n,) what the display would show now, NaN where nobody can say.
        clock_hour: hour of day now.
        zero_share: share of the time the display shows zero.
        origin: (n,) number of what each was made from: beside a log its draw of the fit, which many
            share.
    """

    hypotheses: tuple[Hypothesis, ...]
    index: Array
    values: Array
    soc: Array
    shortfall: Array
    last_shortfall: Array
    display_soc: Array
    clock_hour: float
    zero_share: float
    origin: Array

    def __len__(self) -> int:
        return len(self.index)

    def take(self, keep: Array) -> Draws:
        """The draws at `keep`, in that order."""
        return replace(
            self,
            index=self.index[keep],
            values=self.values[:, keep],
            soc=self.soc[keep],
            shortfall=self.shortfall[keep],
            last_shortfall=self.last_shortfall[keep],
            display_soc=self.display_soc[keep],
            origin=self.origin[keep],
        )

    def effective(self, share: Array) -> float:
        """Effective number of draws under weights (n,) that sum to 1, those of one origin once."""
        return float(effective_sample_size(np.bincount(self.origin, share)))

    @property
    def causes(self) -> Array:
        """(n,) name of the cause of each draw."""
        return np.array([h.cause for h in self.hypotheses])[self.index]

    def untracked_at(self, hour: float) -> Array:
        """(n,) untracked current at an hour of day [A]."""
        on = np.array([float(h.hours.contains(hour * 60.0)) for h in self.hypotheses])
        return self.values[P["untracked_a"]] * on[self.index]

    def untracked_mean(self) -> Array:
        """(n,) untracked current, mean over the day [A]."""
        share = np.array([h.hours.fraction for h in self.hypotheses])
        return self.values[P["untracked_a"]] * share[self.index]

    def capacity_ah(self, setup: Setup, cell: CellModel) -> Array:
        """(n,) present capacity at the temperature of the setup [Ah]."""
        factor = c.temperature_factors(cell, setup.ambient.temperature_c.median)[4]
        return setup.bank.rated_capacity_ah * self.values[P["capacity_fraction"]] * float(factor)


Prediction = tuple[Array, Array]  # (n,) mean and (n,) standard deviation


def shown_current(draws: Draws, clamp_a: float, hour: float) -> Array:
    """(n,) what the display shows while a clamp meter at the post reads `clamp_a` [A]."""
    v = draws.values
    at_shunt = clamp_a + draws.untracked_at(hour)
    shown = (1.0 + v[P["gain"]]) * at_shunt + v[P["offset_a"]]
    swallowed = (v[P["standby_a"]] > 0.0) & (np.abs(at_shunt) <= 1.3 * v[P["standby_a"]])
    return np.where(swallowed, 0.0, shown)


def predictions(
    draws: Draws,
    readings: Mapping[str, float],
    setup: Setup,
    cell: CellModel,
    meters: Meters = GOOD_METERS,
) -> dict[str, Prediction]:
    """What each draw says a reading should be, for all readings it can say something about.

    Args:
        draws: see there.
        readings: names of the readings wanted; values matter only for conditions (hours, the
            clamp reading that goes with a display).
    """
    v, n = draws.values, len(draws)
    bank = setup.bank
    rated = bank.rated_capacity_ah
    out: dict[str, Prediction] = {}

    def put(name: str, mean: Array, std: Array | float) -> None:
        out[name] = (np.asarray(mean, dtype=float), np.broadcast_to(np.asarray(std, float), (n,)))

    gain, offset = 1.0 + v[P["gain"]], v[P["offset_a"]]
    capacity = draws.capacity_ah(setup, cell)
    if "display" in readings and "clamp" in readings:
        clamp = readings["clamp"]
        std = np.hypot(np.hypot(meters.clamp_a, meters.clamp_share * clamp), meters.display_a)
        put("display", shown_current(draws, clamp, readings.get("hour", draws.clock_hour)), std)
    if "display_off" in readings:
        put("display_off", offset, meters.display_a)
    if "clamp_off" in readings:
        hour = readings.get("hour", draws.clock_hour)
        put("clamp_off", -draws.untracked_at(hour) - v[P["standby_a"]], meters.clamp_a)
    if "night" in readings:
        hours = readings.get("night_hours", ASSUMED_HOURS["night"])
        counted = (offset + gain * draws.untracked_mean()) * hours
        counted = counted + v[P["standby_a"]] * hours * draws.zero_share
        # a false full at both ends cancels, but not exactly
        wide = np.where(draws.shortfall > 0.0, 0.03, meters.full_std)
        put("night", counted, np.sqrt(2.0) * wide * rated)
    if "capacity" in readings:
        hours = readings.get("capacity_hours", ASSUMED_HOURS["capacity"])
        brought = capacity * (0.98 - draws.shortfall)
        counted = gain * (brought - draws.untracked_mean() * hours) - offset * hours
        put("capacity", counted, meters.capacity_share * rated)
    if "rested" in readings:
        soc = np.clip(draws.soc, 0.0, 1.0)
        tables = c.CellTables.from_model(cell)
        gap = c.look_up(tables, c.GAP, soc)
        # what a percent of charge makes of the OCV, up or down: no slope at the very ends
        ends = (c.look_up(tables, c.OCV, soc + side) for side in (0.01, -0.01))
        per_percent_v = 0.5 * np.abs(np.subtract(*ends))
        hours = readings.get("rested_hours", ASSUMED_HOURS["rested"])
        left = 0.01 * np.exp(-hours * 3600.0 / cell.tau2_s)
        error = cell.voltage_error
        model_v = error.std_v * error.unfamiliar_factor(setup.ambient.temperature_c.median)
        std = np.sqrt(
            meters.rested_v**2 + model_v**2 + left**2 + (0.5 * gap) ** 2 + per_percent_v**2
        )
        mean = c.look_up(tables, c.OCV, soc) - 0.5 * gap
        put("rested", bank.cells_in_series * mean, bank.cells_in_series * std)
    if "load" in readings:
        amps = readings["load"]
        if "load_display" in readings:
            std = np.hypot(meters.load_share * amps, 2.0 * meters.display_a)
            put("load_display", gain * amps, std)
        if "load_sag" in readings:
            ohm = bank_ohm(draws, setup, cell)
            # cells of this kind differ in resistance beyond what the resistance factor says
            std = np.hypot(meters.sag_v, 0.1 * ohm * amps)
            put("load_sag", ohm * amps, std)
    if "lead_most" in readings and "lead_least" in readings and bank.strings_in_parallel > 1:
        most = readings["lead_most"]
        share = np.where(draws.causes == "missing_battery", 0.0, least_share(setup))
        meter_a = np.hypot(meters.clamp_a, meters.clamp_share * most)
        put("lead_least", share * meters.lead_share * most,
            np.hypot(meter_a, share * meters.lead_share_std * most))  # fmt: skip
    if "display_soc" in readings and np.all(np.isfinite(draws.display_soc)):
        put("display_soc", 100.0 * draws.display_soc, 100.0 * meters.display_soc)
    return out


def least_share(setup: Setup) -> float:
    """Current of the smallest battery in parallel over that of the largest, 0..1: batteries of one
    voltage share a current as their conductances, so as their sizes over their resistances."""
    sizes = [
        b.rated_capacity_ah / (b.resistance_factor.median if b.resistance_factor else 1.0)
        for b in setup.batteries
    ]
    return min(sizes) / max(sizes) if sizes else 1.0


def bank_ohm(draws: Draws, setup: Setup, cell: CellModel) -> Array:
    """(n,) resistance of the bank with its connections, within seconds of a load [ohm]."""
    bank = setup.bank
    celsius = setup.ambient.temperature_c.median
    k0, k1 = (float(x) for x in c.temperature_factors(cell, celsius)[:2])
    per_cell = cell.r0.ref_ohm * k0 + 0.3 * cell.r1.ref_ohm * k1
    scale = bank.cells_in_series * cell.capacity_ah / bank.rated_capacity_ah
    v = draws.values
    return per_cell * scale * v[P["resistance_factor"]] + v[P["connection_ohm"]]


def log_density(x: Array | float, prediction: Prediction) -> Array:
    """Log density of a reading: Gaussian, with one reading in fifty taken five times as loosely."""
    mean, std = prediction
    z = (x - mean) / std
    return np.logaddexp(
        np.log(0.98) - 0.5 * z**2 - np.log(std), np.log(0.02) - 0.5 * (z / 5) ** 2 - np.log(5 * std)
    ) - 0.5 * np.log(2.0 * np.pi)


def log_weights(
    draws: Draws,
    readings: Mapping[str, float],
    setup: Setup,
    cell: CellModel,
    meters: Meters = GOOD_METERS,
) -> Array:
    """(n,) log likelihood of all readings."""
    total = np.zeros(len(draws))
    for name, prediction in predictions(draws, readings, setup, cell, meters).items():
        total += log_density(readings[name], prediction)
    return total
