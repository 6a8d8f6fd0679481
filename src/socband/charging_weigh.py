"""What the readings say for each state of the installation and each draw of the bank.

The bank's voltage under the current that was read is evidence of two things. Of its charge, as far
as the curve is known: curve, resistance, hysteresis, meter and what has not settled yet are all in
doubt. And of a source: without one no bank stands above what a full one rests at, with one it may
stand at the source's limit, which is doubtful too unless the setup file says it. All of that enters
as densities, so what is said changes smoothly with the voltage.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband import cell as c
from socband.charging_state import (
    OFF_PLATE,
    RESTED_FULL_V,
    SETTLED_FULL_V,
    BankNow,
    Sound,
    limit_v,
)
from socband.posterior_resample import normalised
from socband.summary import quantiles_of
from socband.unknowns import normal_scores, uniforms

if TYPE_CHECKING:
    from socband.charging_rules import Rules
    from socband.models import CellModel
    from socband.site import Setup

Array = np.ndarray

LOG_ODD = float(np.log(0.03)) - 8.0  # of a voltage that a state does not explain
ODD_AMPS = 0.03  # probability of a current that a state does not explain (assumed)
# What is read though nothing flows, over what loads and shunt may else make of a reading: the shunt
# alone (assumed).
AT_NOTHING = 0.3
BEYOND = 3.0  # standard deviations above what the source could give: none of its own (assumed)
GIVES_NOTHING = ("no_supply", "open_path", "dead_charger")  # states in which no current comes
ASLEEP_BELOW_V = 2.5  # per cell: a bank whose protection has opened shows anything below (assumed)


@dataclass(frozen=True)
class Weighed:
    """The posterior over (state of the installation × draw of the bank), flat, states first.

    A sound source that may idle or not is two states; each state comes once more where the current
    is beyond anything its source could give.

    Attributes:
        weight: (s·n,) sums to 1.
        explanation: (s·n,) of `charging.EXPLANATIONS`.
        held_up: probability that a source holds the bank at its limit.
        contradiction: probability that voltage and display do not fit together: the bank is none
            that the display allows, or refuses charge, or the voltage is explained by nothing.
        soc_by_voltage: what voltage and current alone say of the charge, 0..1, half way; NaN
            without a voltage, or with one that no charge explains.
        elsewhere: probability that this source gives nothing, and another what was read.
    """

    weight: Array
    explanation: Array
    held_up: float
    contradiction: float
    soc_by_voltage: float
    elsewhere: float


def volts_of(readings: Mapping[str, float]) -> float | None:
    """The bank's voltage [V], or that on its side of a fuse; None where nobody measured."""
    return readings.get("volts", readings.get("fuse_out"))


@dataclass(frozen=True)
class _Voltage:
    """Log densities of the measured voltage, over the top of that of a bank by itself.

    Attributes:
        by_itself: (n,) by the bank's own charge and current.
        at_limit: (n,) if a source holds the bank at its limit.
        asleep: behind an open protection.
    """

    by_itself: Array
    at_limit: Array
    asleep: float

    @classmethod
    def of(
        cls,
        setup: Setup,
        cell: CellModel,
        kind: str,
        readings: Mapping[str, float],
        bank: BankNow,
        seed: int,
        rules: Rules,
    ) -> _Voltage | None:
        volts, n, series = volts_of(readings), len(bank), setup.bank.cells_in_series
        if volts is None:
            return None
        amps, error = readings.get("amps", 0.0), cell.voltage_error
        scale = error.unfamiliar_factor(np.median(bank.temperature_c))
        # The curve's error along the charge by draws: where the curve bends no slope tells of it.
        soc = bank.soc + scale * error.std_soc * normal_scores(seed, "curve along the charge", n)
        soc = np.clip(soc, 0.0, 1.0)
        tables = c.CellTables.from_model(cell)
        side = 2.0 * uniforms(seed, "charged or discharged before", n) - 1.0
        open_v = series * (c.look_up(tables, c.OCV, soc) + side * c.look_up(tables, c.GAP, soc))
        settled = uniforms(seed, "settled after full", n)
        full_v = SETTLED_FULL_V + (RESTED_FULL_V - SETTLED_FULL_V) * settled
        own_v = np.clip(open_v, series * ASLEEP_BELOW_V, series * full_v)
        own_v = own_v + amps * bank.resistance_ohm
        meter_v = series * rules.meter_v_per_cell
        if "volts" not in readings:
            meter_v = np.hypot(meter_v, rules.fuse_alike_v)  # there are leads between
        per_c_rate = error.std_v_per_c_rate * amps / setup.bank.rated_capacity_ah
        model_v = np.hypot(scale * np.hypot(error.std_v, per_c_rate), rules.unsettled_v_per_cell)
        width_v = float(np.hypot(series * model_v, meter_v))

        def log_density(at: Array, width: float) -> Array:
            return -0.5 * ((volts - at) / width) ** 2 - np.log(width / width_v)

        at_limit = log_density(limit_v(setup, kind, seed, n, rules), meter_v)
        asleep = -np.inf
        if volts < ASLEEP_BELOW_V * series:
            asleep = float(np.log(np.sqrt(2.0 * np.pi) * width_v / (ASLEEP_BELOW_V * series)))
        return cls(log_density(own_v, width_v), at_limit, asleep)

    def under(self, state: str, sound: Sound) -> tuple[Array, Array, Array]:
        """(n,) log density of the voltage in a state, and the shares of it that are due to a source
        at its limit and to nothing that is known."""
        n = len(self.by_itself)
        odd = LOG_ODD  # none is ruled out by one reading
        if state == "asleep":
            own, limit = np.full(n, self.asleep), np.full(n, -np.inf)
            odd -= 3.0  # but this one nearly by that of a live bank
        else:
            live = {"sound": sound.at_limit, "held": np.ones(n)}.get(state, np.zeros(n))
            with np.errstate(divide="ignore"):
                own, limit = np.log1p(-live) + self.by_itself, np.log(live) + self.at_limit
        known = np.log(0.97)
        total = np.logaddexp(known + np.logaddexp(own, limit), odd)
        return total, np.exp(known + limit - total), np.exp(odd - total)


def weigh(
    setup: Setup,
    cell: CellModel,
    kind: str,
    readings: Mapping[str, float],
    bank: BankNow,
    sounds: Sequence[tuple[float, Sound]],
    seed: int,
    rules: Rules,
) -> Weighed:
    """The readings' weights; without a reading of the current the complaint is taken for one.

    Args:
        sounds: what a sound source may do, each with its probability.
    """
    n, series, amps = len(bank), setup.bank.cells_in_series, readings.get("amps", 0.0)
    voltage = _Voltage.of(setup, cell, kind, readings, bank, seed, rules)
    weights, reasons, held_up, contradicts, elsewhere = [], [], [], [], []
    another = any(other.kind != kind for other in setup.sources)
    states = [
        (state, prior * share, sound)
        for state, prior in rules.prior.items()
        for share, sound in (sounds if state == "sound" else [(1.0, sounds[0][1])])
    ]
    for state, prior, sound in states:
        total = np.log(prior) + bank.log_prior
        limited, odd = np.zeros(n), np.zeros(n)
        if voltage is not None:
            log_volts, limited, odd = voltage.under(state, sound)
            total = total + log_volts
        elif state == "asleep":
            # it opens where the bank is empty; seldom else: too cold, or asked too much
            total = total + np.where(bank.soc < 0.1, 0.0, -3.0)
        if "fuse_in" in readings:
            apart = readings["fuse_in"] - readings["fuse_out"]
            width = {"open_path": 0.35 * series}.get(state, rules.fuse_alike_v)
            total = total - 0.5 * (apart / width) ** 2 - np.log(width)
        if "panel_volts" in readings and kind == "solar":
            scale = series / 4.0
            sunny = (rules.panel_sun_v + rules.panel_spread_v) * scale
            dead = sound.dark | (state == "no_supply")  # a dark panel has some volts or none
            middle = np.where(dead, 0.4 * sunny, sunny)
            width = np.where(dead, 0.3 * sunny, rules.panel_spread_v * scale)
            total = total - 0.5 * ((readings["panel_volts"] - middle) / width) ** 2 - np.log(width)
        reason = sound.why.copy() if state == "sound" else np.full(n, state, dtype="<U12")
        if state == "sound":
            # a sound source that gives far less than it should is a fault of its own kind
            reason[(sound.why == "charging") & (amps < 0.5 * sound.current_a)] = "low_current"
        log_amps, odd_a, beyond = _log_amps(
            state, amps, sound, setup.bank.rated_capacity_ah, rules, another
        )
        other = np.where(beyond, odd_a, 0.0)
        other[reason == "cold_charge"] = 0.0  # a hazard, whatever the current comes from
        not_its_own = np.full(n, "other_source", dtype="<U12")
        silent = state in GIVES_NOTHING and amps > 0.0
        if silent:
            hazard = sound.why == "cold_charge"
            other[hazard], not_its_own[hazard] = odd_a[hazard], "cold_charge"
        with np.errstate(divide="ignore"):
            parts = [(reason, np.log1p(-other))]
            if other.any():
                parts.append((not_its_own, np.log(other)))
        for why, log_share in parts:
            weights.append(total + log_amps + log_share)
            reasons.append(why)
            held_up.append(limited)
            elsewhere.append(np.where(silent & (why == state) & (other == 0.0), odd_a, 0.0))
            contradicts.append(np.ones(n) if state == "held" else np.maximum(odd, bank.stranger))
    weight = normalised(np.concatenate(weights))
    return Weighed(
        weight,
        np.concatenate(reasons),
        float(weight @ np.concatenate(held_up)),
        0.0 if voltage is None else float(weight @ np.concatenate(contradicts)),
        float("nan") if voltage is None else _by_voltage(voltage, bank, sounds[-1][1]),
        float(weight @ np.concatenate(elsewhere)),
    )


def _log_amps(
    state: str, amps: float, sound: Sound, rated_capacity_ah: float, rules: Rules, another: bool
) -> tuple[Array, Array, Array]:
    """(n,) log density of the current that was read, but for a constant; the share of it that the
    state does not explain; and whether no source of this kind gives as much.

    Args:
        another: is there a source of another kind, which may give what this one does not?
    """
    loads_a = rules.loads_std_a(rated_capacity_ah)
    anyhow_a = rules.anyhow_per_h * rated_capacity_ah
    odd = np.full(len(sound.current_a), np.log(ODD_AMPS) - np.log(anyhow_a))
    most_a = sound.most_a + BEYOND * np.hypot(loads_a, OFF_PLATE * sound.most_a)
    beyond = amps > most_a
    mean, std, side = np.zeros(len(odd)), np.full(len(odd), loads_a), 1.0
    if state == "sound":
        mean, std = sound.current_a, sound.spread_a
        odd[sound.at_limit == 1.0] -= 5.0  # Ohm's law says what flows there, whatever the source
    elif state == "held":
        odd -= 5.0  # a bank that takes a current does not refuse it
    elif amps > 0.0 and (state == "asleep" or not another):
        odd[~beyond] -= 5.0  # into an open protection, or out of nothing, no current flows
        side = AT_NOTHING  # and loads left on only take from it; one density, no step at 0 A
    fits = np.log(1.0 - ODD_AMPS) - 0.5 * ((amps - mean) / (side * std)) ** 2 - np.log(std)
    total = np.logaddexp(fits, odd)
    return total, np.exp(odd - total), beyond


def _by_voltage(voltage: _Voltage, bank: BankNow, sound: Sound) -> float:
    """Median charge of the draws beside the display, by the voltage, sound source or none."""
    log_weight = np.logaddexp(
        np.logaddexp(np.log1p(-np.minimum(sound.at_limit, 0.999)) + voltage.by_itself,
                     np.log(np.maximum(sound.at_limit, 0.001)) + voltage.at_limit),
        voltage.by_itself,
    )  # fmt: skip
    if log_weight.max() < LOG_ODD:
        return float("nan")
    weight = normalised(np.where(bank.beside, log_weight, -np.inf))
    return float(quantiles_of(bank.soc, (0.5,), weight)[0])
