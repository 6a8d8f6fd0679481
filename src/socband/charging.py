"""Is the missing charge current a fault, or is the bank near full, cold, or without supply?

The rule "a source idles above some 90 %" holds for the true charge, which is what nobody knows; so
it is asked of the ensemble of `snapshot` (or of a log's posterior). Each member says what a sound
source would give at its own charge and temperature; other explanations say nothing would come. The
readings weigh them:

    sound: idle above the threshold, nothing when too cold, else bulk current, tapering where
           (limit - open-circuit voltage) / resistance is less;
    no_supply, open_path, dead_charger: no current, each with its own signs;
    asleep: the battery's protection has opened, no current, a voltage far below any cell's or none.

A bank held at the source's voltage limit is proof of a live source, whatever little it takes: it is
full, or one of its batteries refuses charge (held). Which of them no reading says, so the charge of
the ensemble is not moved by it.

Current measured into a bank below its cells' charging limit is no refusal but a hazard: lithium
plates onto the anode. It is an explanation of its own and an alarm, whatever else is likely.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from socband import cell as c
from socband.charging_rules import DEFAULT_RULES, KINDS, Rules
from socband.errors import InputError, Problem, did_you_mean, shown
from socband.posterior_resample import normalised
from socband.unknowns import normal_scores, uniforms

if TYPE_CHECKING:
    import xarray as xr

    from socband.logs import Log
    from socband.models import CellModel
    from socband.site import Setup

Array = np.ndarray

EXPLANATIONS = (
    "near_full",
    "too_cold",
    "weak_sun",
    "charging",
    "cold_charge",
    "low_current",
    "no_supply",
    "open_path",
    "dead_charger",
    "asleep",
    "held",
)
FAULTS = ("cold_charge", "low_current", "no_supply", "open_path", "dead_charger")
LOG_ODD = float(np.log(0.03)) - 8.0  # of a voltage that a state does not explain
ASLEEP_BELOW_V = 2.5  # per cell: a bank whose protection has opened shows anything below (assumed)
RESTED_FULL_V = 3.45  # per cell: no bank rests above; a source with a lower limit proves nothing
HELD_WITHIN_V = 0.03  # per cell: so near its limit a source is holding the bank there
SOC_GRID = np.round(np.arange(0.05, 1.001, 0.05), 2)


def charging(
    setup: Setup,
    cell: CellModel,
    log: Log | None,
    readings: Mapping[str, float],
    seed: int = 0,
    members: int = 8000,
    source: str = "shore",
    rules: Rules = DEFAULT_RULES,
) -> xr.Dataset:
    """What explains the charge current, and what should be expected.

    Args:
        setup, cell: the bank; a source of this kind in the setup file gives current and limits.
        log: narrows the true charge, or None.
        readings: amps, volts, temperature, panel_volts, fuse_in and fuse_out, display_soc,
            since_full. Without amps the complaint itself, no current, is taken for the reading.
        seed, members: of the ensemble.
        source: "shore", "vehicle" or "solar".
        rules: rules of thumb.

    Raises:
        InputError: an unknown source, or a panel's voltage where no panel is asked about.
    """
    import xarray as xr

    from socband.summary import QUANTILES, quantiles_of, with_attributes

    if source not in KINDS:
        hint = did_you_mean(source, KINDS)
        raise InputError(Problem("--source", shown(source), "one of " + ", ".join(KINDS), hint))
    if "panel_volts" in readings and source != "solar":
        found = f"a panel's voltage, and a {source} charger"
        raise InputError(Problem("--reading panel_volts", found, "--source solar with it"))
    soc, temperature_c, resistance = _state(setup, cell, log, readings, seed, members)
    n = len(soc)
    panel_v = readings.get("panel_volts", 0.0)

    def sound(z: Array, celsius: Array) -> tuple[Array, Array]:
        return _sound(setup, cell, source, z, celsius, resistance, seed, rules, panel_v)

    expected, why = sound(soc, temperature_c)
    amps = readings.get("amps", 0.0)
    clear_a = min(rules.cold_current_a, rules.cold_current_per_h * setup.bank.rated_capacity_ah)
    flows = amps > clear_a
    flowing = (expected, why)
    if flows:  # nothing refuses: what the source gives where the cold stops it not
        flowing = _sound(
            setup, cell, source, soc, temperature_c, resistance, seed, rules, panel_v, refuses=False
        )
    log_weight, explanation = _weigh(
        setup, cell, source, readings, amps, soc, resistance, *flowing, rules
    )
    weight = normalised(log_weight)
    # sums of many weights may miss 0 and 1 by rounding
    probability = [min(float(weight[explanation == e].sum()), 1.0) for e in EXPLANATIONS]
    faulty = sum(p for e, p in zip(EXPLANATIONS, probability, strict=True) if e in FAULTS)
    charge = np.tile(soc, len(rules.prior))
    by_soc = np.stack([quantiles_of(sound(np.full(n, z), temperature_c)[0]) for z in SOC_GRID])
    grid_c = np.array([-15.0, -5.0, 0.0, 5.0, 15.0, 25.0, 35.0])
    by_temperature = np.stack([quantiles_of(sound(soc, np.full(n, t))[0]) for t in grid_c])
    order = np.argsort(charge)
    cumulative = np.cumsum(weight[order])
    after = charge[order][np.searchsorted(cumulative, np.array(QUANTILES) * cumulative[-1])]
    dataset = xr.Dataset(
        {
            "probability": ("explanation", probability,
                            {"units": "1", "long_name": "posterior probability"}),
            "soc_before": ("quantile", quantiles_of(soc),
                           {"units": "1", "long_name": "true charge before the readings"}),
            "soc_after": ("quantile", after,
                          {"units": "1", "long_name": "true charge with the readings"}),
            "expected_a": ("quantile", quantiles_of(expected),
                           {"units": "A", "long_name": "current of a sound source now"}),
            "expected_by_soc_a": (("soc", "quantile"), by_soc,
                                  {"units": "A", "long_name": "current of a sound source"}),
            "expected_by_temperature_a": (("temperature_c", "quantile"), by_temperature,
                                          {"units": "A", "long_name": "the same, by temperature"}),
        },
        coords={
            "explanation": list(EXPLANATIONS),
            "quantile": list(QUANTILES),
            "soc": SOC_GRID,
            "temperature_c": grid_c,
        },
    )  # fmt: skip
    idle = _idle(setup, source, rules)
    dataset.attrs = {
        "source_kind": source,
        "amps": amps,
        "amps_given": int("amps" in readings),
        "log_ends_at_a": float("nan") if log is None else float(log.current_a[-1]),
        "not_a_fault": min(max(1.0 - faulty, 0.0), 1.0),
        "temperature_p50": float(np.median(temperature_c)),
        "cold_charge": int(flows and np.median(temperature_c) < cell.charge_min_c),
        "charge_min_c": cell.charge_min_c,
        "idle_above_soc": float("nan") if idle is None else idle,
        "idle_is_rule": int(setup.source(source) is None),
        "cells_in_series": setup.bank.cells_in_series,
        "readings": ", ".join(f"{k}={v:g}" for k, v in readings.items()),
    }  # fmt: skip
    return with_attributes(dataset, f"is the charging sound? {setup.about.title}", seed)


def _state(
    setup: Setup,
    cell: CellModel,
    log: Log | None,
    readings: Mapping[str, float],
    seed: int,
    n: int,
) -> tuple[Array, Array, Array]:
    """Draws of true charge, temperature [°C] and bank resistance [ohm]."""
    from dataclasses import replace

    from socband.quantity import Quantity
    from socband.snapshot import take_snapshot

    present = setup.present
    if "display_soc" in readings:
        present = replace(present, display_soc=readings["display_soc"] / 100.0)
    if "since_full" in readings:
        hours = Quantity.from_number(readings["since_full"])
        present = replace(present, hours_since_full=hours)
    setup = replace(setup, present=present)
    if log is None:
        snapshot = take_snapshot(setup, cell, n, seed)
        members, temperature_c = snapshot.members, snapshot.temperature_c
        soc = members.soc
        factor = members.resistance_factor
    else:
        from socband.suspects import judge

        draws = judge(setup, cell, log, {}, seed, 2 * n).draws
        keep = np.random.default_rng([seed, 31]).integers(0, len(draws), n)
        soc, factor = draws.soc[keep], draws.values[5][keep]
        warmer = setup.ambient.temperature_c
        temperature_c = warmer.ppf(uniforms(seed, "charging temperature", n))
    if "temperature" in readings:
        temperature_c = readings["temperature"] + normal_scores(seed, "thermometer", n)
    bank = setup.bank
    scale = bank.cells_in_series * cell.capacity_ah / bank.rated_capacity_ah
    k0, k1, k2, _, _ = c.temperature_factors(cell, temperature_c)
    ohm = (cell.r0.ref_ohm * k0 + cell.r1.ref_ohm * k1 + cell.r2.ref_ohm * k2) * scale * factor
    lead = bank.connection_resistance_ohm.ppf(uniforms(seed, "connection", n))
    return soc, temperature_c, ohm + lead


def _idle(setup: Setup, kind: str, rules: Rules) -> float | None:
    """True charge above which the source idles, None = never: as the setup file says; the rule of
    thumb only where it describes no source of this kind."""
    mine = setup.source(kind)
    return rules.idle_above_soc[kind] if mine is None else mine.idle_above_soc


def _sound(
    setup: Setup,
    cell: CellModel,
    kind: str,
    soc: Array,
    temperature_c: Array,
    resistance_ohm: Array,
    seed: int,
    rules: Rules,
    panel_v: float = 0.0,
    refuses: bool = True,
) -> tuple[Array, Array]:
    """(n,) current of a sound source [A], and why it is what it is (of `EXPLANATIONS`).

    Without `refuses` the battery's protection lets the current through in the cold.
    """
    n = len(soc)
    series = setup.bank.cells_in_series
    source = setup.source(kind)
    volt = series * c.look_up(c.CellTables.from_model(cell), c.OCV, np.clip(soc, 0.0, 1.0))
    limit_v = _limit_v(setup, kind, rules)
    # Full is where the current dies away at the limit: the last bit of the curve leads up to it.
    volt = volt + np.clip((soc - 0.985) / 0.015, 0.0, 1.0) * np.maximum(limit_v - volt, 0.0)
    spread = np.exp(rules.bulk_spread * normal_scores(seed, f"bulk {kind}", n))
    bulk = rules.bulk_a[kind] * spread
    sun = np.ones(n)
    if source is not None:
        u = uniforms(seed, f"source {kind}", n)
        bulk = source.current_a.ppf(u) if source.current_a else source.power_w.ppf(u) / volt
        if kind == "solar":
            bulk = bulk * source.performance_ratio.ppf(uniforms(seed, "ratio", n))
        if source.current_a is not None and source.current_a.is_fixed:
            bulk = bulk * np.exp(rules.plate_spread * normal_scores(seed, f"plate {kind}", n))
        if source.current_limit_a:
            bulk = np.minimum(bulk, source.current_limit_a)
    if kind == "solar":
        sun = _sun(setup, source, seed, n)
        if panel_v >= 0.9 * rules.panel_sun_v * series / 4.0:
            # the panel itself says that the sun shines, whatever clock and weather say
            sun = 0.3 + 0.7 * uniforms(seed, "clearness", n)
    taper = np.maximum((limit_v - volt) / resistance_ohm, 0.0)
    current = np.minimum(bulk * sun, taper)
    why = np.full(n, "charging", dtype="<U12")
    why[bulk * sun < 0.3 * bulk] = "weak_sun"
    why[taper < 0.5 * bulk * sun] = "near_full"
    idle = _idle(setup, kind, rules)
    if idle is not None:
        threshold = idle + rules.idle_spread * normal_scores(seed, f"idle {kind}", n)
        idling = soc > threshold
        current = np.where(idling, 0.0, current)
        why[idling] = "near_full"
    # a battery's own protection is at the cells' limit, give or take a kelvin
    cold = temperature_c < cell.charge_min_c + normal_scores(seed, "cold limit", n)
    if not refuses:
        why[cold] = "cold_charge"
        return current, why
    why[cold] = "too_cold"
    return np.where(cold, 0.0, current), why


def _limit_v(setup: Setup, kind: str, rules: Rules) -> float:
    """Where the source holds the bank [V]."""
    source = setup.source(kind)
    usual_v = rules.limit_v_per_cell * setup.bank.cells_in_series
    return (source and source.voltage_limit_v) or usual_v


def _holding(setup: Setup, kind: str, readings: Mapping[str, float], rules: Rules) -> bool:
    """Does a measured voltage show the source at its limit, where no bank rests?"""
    series, limit_v = setup.bank.cells_in_series, _limit_v(setup, kind, rules)
    close = abs(readings.get("volts", 0.0) - limit_v) <= HELD_WITHIN_V * series
    return close and limit_v >= RESTED_FULL_V * series


def _log_asleep(volts: float, series: int, width_v: float) -> float:
    """Log likelihood of a voltage behind an open protection: any below `ASLEEP_BELOW_V` a cell.
    Above it none, but for an odd reading.

    Over that of the other states, whose normal density of the same width is taken as 1 at its top.
    """
    if volts >= ASLEEP_BELOW_V * series:
        return -np.inf
    return float(np.log(np.sqrt(2.0 * np.pi) * width_v / (ASLEEP_BELOW_V * series)))


def _sun(setup: Setup, source: Any, seed: int, n: int) -> Array:
    """(n,) share of full sun now: half-sine of the day times what clouds let through."""
    rise, fall = (6.0, 18.0)
    clear = 0.15 + 0.85 * uniforms(seed, "clearness", n)
    if source is not None:
        rise, fall = source.sunrise.minute / 60.0, source.sunset.minute / 60.0
        clear = source.clearness.ppf(uniforms(seed, "clearness", n))
    hour = setup.present.clock.minute / 60.0
    height = np.sin(np.pi * np.clip((hour - rise) / (fall - rise), 0.0, 1.0))
    return np.maximum(height, 0.0) * clear


def _weigh(
    setup: Setup,
    cell: CellModel,
    kind: str,
    readings: Mapping[str, float],
    amps: float,
    soc: Array,
    resistance_ohm: Array,
    expected: Array,
    why: Array,
    rules: Rules,
) -> tuple[Array, Array]:
    """Log weights of (state of the installation × member), and the explanation of each."""
    series, n = setup.bank.cells_in_series, len(soc)
    limit_v, holding = _limit_v(setup, kind, rules), _holding(setup, kind, readings, rules)
    sound_amps = np.hypot(1.0, 0.15 * expected)  # loads, and sources that differ from their plate
    tables = c.CellTables.from_model(cell)
    rest_v = series * c.look_up(tables, c.OCV, np.clip(soc, 0.0, 1.0))
    weights, reasons = [], []
    for state, prior in rules.prior.items():
        total = np.full(n, np.log(prior / n))
        mean = expected if state == "sound" else np.zeros(n)
        std = sound_amps if state == "sound" else np.full(n, 1.0)
        z = (amps - mean) / std
        if state == "sound" and holding:
            z = np.maximum(z, 0.0)  # at its limit it gives what the bank takes, and not more
        total += np.logaddexp(np.log(0.97) - 0.5 * z**2 - np.log(std), np.log(0.03) - np.log(30.0))
        if "volts" in readings:
            at = limit_v if state == "sound" and holding else rest_v + amps * resistance_ohm
            width = series * 0.015 + 0.05
            fit = -0.5 * ((readings["volts"] - at) / width) ** 2
            odd = LOG_ODD  # none is ruled out by one reading
            if state == "asleep":
                fit = np.full(n, _log_asleep(readings["volts"], series, width))
                odd -= 3.0  # but this one nearly by that of a live bank
            total += np.logaddexp(np.log(0.97) + fit, odd)
        elif state == "asleep":
            # it opens where the bank is empty; seldom else: too cold, or asked too much
            total += np.where(soc < 0.1, 0.0, -3.0)
        if "fuse_in" in readings:
            apart = readings["fuse_in"] - readings["fuse_out"]
            width = {"open_path": 0.35 * series}.get(state, rules.fuse_alike_v)
            total += -0.5 * (apart / width) ** 2 - np.log(width)
        if "panel_volts" in readings and kind == "solar":
            scale = series / 4.0
            sunny = (rules.panel_sun_v + rules.panel_spread_v) * scale
            middle, width = (0.4 * sunny, 0.3 * sunny) if state == "no_supply" else (
                sunny, rules.panel_spread_v * scale)  # fmt: skip
            total += -0.5 * ((readings["panel_volts"] - middle) / width) ** 2 - np.log(width)
        reason = why.copy() if state == "sound" else np.full(n, state, dtype="<U12")
        if state == "sound":
            # a sound source that gives far less than it should is a fault of its own kind
            missing = (why == "charging") & (amps < 0.5 * expected)
            reason[missing] = "held" if holding else "low_current"
            reason[(why == "weak_sun") & holding] = "held"
        weights.append(total)
        reasons.append(reason)
    return np.concatenate(weights), np.concatenate(reasons)
