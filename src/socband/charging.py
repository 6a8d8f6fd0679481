"""Is the missing charge current a fault, or is the bank near full, cold, or without supply?

The rule "a source idles above some 90 %" holds for the true charge, which is what nobody knows; so
it is asked of draws of the bank (`charging_state`). Each says what a sound source would give at its
own charge and temperature; other explanations say nothing would come. The readings weigh them:

    sound: idle above the threshold, nothing when too cold, else bulk current, tapering where
           (limit - open-circuit voltage) / resistance is less;
    no_supply, open_path, dead_charger: no current, each with its own signs;
    asleep: the battery's protection has opened, no current, a voltage far below any cell's or none;
    held: a live source at its limit, and a battery that refuses charge.

A current beyond all that a source of the kind can give tells nothing of it: `other_source`. A
smaller one speaks against a source that gives nothing, unless another may give it.

The bank's voltage is evidence of its charge and of a live source (`charging_weigh`). Where most of
the posterior lies with banks that the display does not allow, the two contradict each other.

Current measured into a bank below its cells' charging limit is no refusal but a hazard: lithium
plates onto the anode. It is an explanation of its own and an alarm, whatever else is likely.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from socband.bank import charge_limit_c
from socband.charging_rules import DEFAULT_RULES, KINDS, Rules
from socband.charging_state import (
    BankNow,
    Sound,
    bank_now,
    in_the_sun,
    last_temperature_c,
    resting,
    sound_source,
    sun_hours,
)
from socband.charging_weigh import volts_of, weigh
from socband.errors import InputError, Problem, did_you_mean, shown
from socband.posterior_resample import systematic
from socband.readings import with_readings
from socband.track import moment_of_present
from socband.whatif import times_as_long

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
    "other_source",
)
FAULTS = ("cold_charge", "low_current", "no_supply", "open_path", "dead_charger")
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
        log: narrows the true charge, and its last temperature, if it has any, stands before that of
            the setup file; so does the hour of its last row for a panel; or None.
        readings: amps, volts, temperature, panel_volts, fuse_in and fuse_out, display_soc,
            since_full. Without amps all is said for the complaint itself, that no current flows.
        seed, members: of the ensemble.
        source: "shore", "vehicle" or "solar".
        rules: rules of thumb.

    Raises:
        InputError: an unknown source, a panel's voltage where no panel is asked about, or a reading
            that cannot be used with this log.
    """
    import xarray as xr

    from socband.summary import QUANTILES, quantiles_of, with_attributes

    if source not in KINDS:
        hint = did_you_mean(source, KINDS)
        raise InputError(Problem("--source", shown(source), "one of " + ", ".join(KINDS), hint))
    if "panel_volts" in readings and source != "solar":
        found = f"a panel's voltage, and a {source} charger"
        raise InputError(Problem("--reading panel_volts", found, "--source solar with it"))
    bank = bank_now(setup, cell, log, readings, seed, members, rules)
    panel_v = readings.get("panel_volts", 0.0)
    sunny, whose_hour = in_the_sun(setup, log)

    def sound(at: BankNow, **ways: float) -> Sound:
        return sound_source(sunny, cell, source, at, seed, rules, panel_v, **ways)

    amps = readings.get("amps", 0.0)
    clear_a = min(rules.cold_current_a, rules.cold_current_per_h * setup.bank.rated_capacity_ah)
    flows = amps > clear_a
    rest = resting(setup, source, rules)
    odds = {1.0: rest.probability, 0.0: 1.0 - rest.probability}
    # where current flows nothing refuses: what the source gives where the cold stops it not
    sounds = [(p, sound(bank, refuses=not flows, idles=idles)) for idles, p in odds.items() if p]
    found = weigh(setup, cell, source, readings, bank, sounds, seed, rules)
    weight, explanation = found.weight, found.explanation
    # sums of many weights may miss 0 and 1 by rounding
    probability = [min(float(weight[explanation == e].sum()), 1.0) for e in EXPLANATIONS]
    faulty = sum(p for e, p in zip(EXPLANATIONS, probability, strict=True) if e in FAULTS)
    grid_c = np.array([-15.0, -5.0, 0.0, 5.0, 15.0, 25.0, 35.0])

    def given(**changes: Array | float) -> Array:
        whole = {name: np.full(members, value) for name, value in changes.items()}
        return quantiles_of(sound(bank.at(**whole)).current_a)

    by_soc, by_temperature = (
        [given(soc=z) for z in SOC_GRID],
        [given(temperature_c=t) for t in grid_c],
    )
    by_draw = weight.reshape(-1, len(bank)).sum(axis=0)
    after = quantiles_of(bank.soc, weight=by_draw)
    # what the source should give at the charge that all readings leave
    rng = np.random.default_rng([seed, 32])
    left = rng.permutation(systematic(by_draw, rng, members))
    now = given(soc=bank.soc[left])
    dataset = xr.Dataset(
        {
            "probability": ("explanation", probability,
                            {"units": "1", "long_name": "posterior probability"}),
            "soc_before": ("quantile", quantiles_of(bank.soc[~bank.beside]),
                           {"units": "1", "long_name": "true charge before the readings"}),
            "soc_after": ("quantile", after,
                          {"units": "1", "long_name": "true charge with the readings"}),
            "expected_a": ("quantile", now,
                           {"units": "A", "long_name": "current of a sound source now"}),
            "expected_by_soc_a": (("soc", "quantile"), np.stack(by_soc),
                                  {"units": "A", "long_name": "current of a sound source"}),
            "expected_by_temperature_a": (("temperature_c", "quantile"), np.stack(by_temperature),
                                          {"units": "A", "long_name": "the same, by temperature"}),
        },
        coords={
            "explanation": list(EXPLANATIONS),
            "quantile": list(QUANTILES),
            "soc": SOC_GRID,
            "temperature_c": grid_c,
        },
    )  # fmt: skip
    mine = setup.source(source)
    shown_soc = with_readings(setup, readings).present.display_soc if log is None else None
    volts = volts_of(readings)
    refuses_c = charge_limit_c(cell, seed, members)
    cold = float(np.mean(bank.temperature_c[~bank.beside] < refuses_c))
    now_c = readings.get("temperature", float(np.median(bank.temperature_c)))
    logged_c = last_temperature_c(log)
    others = [other for other in setup.sources if other.kind != source]
    dataset.attrs = {
        "source_kind": source,
        "amps": amps,
        "amps_given": int("amps" in readings),
        "volts": float("nan") if volts is None else volts,
        "log_ends_at_a": float("nan") if log is None else float(log.current_a[-1]),
        "not_a_fault": min(max(1.0 - faulty, 0.0), 1.0),
        "held_up": found.held_up,
        "contradiction": found.contradiction,
        "from_elsewhere": found.elsewhere,
        "soc_by_voltage": found.soc_by_voltage,
        "display_soc": float("nan") if shown_soc is None else shown_soc,
        "temperature_p50": now_c,
        "log_temperature_c": logged_c,
        "temperature_assumed": int(
            "temperature" not in readings
            and not np.isfinite(logged_c)
            and setup.assumes("ambient.temperature_c")
        ),
        "chance_cold": max(cold, probability[EXPLANATIONS.index("too_cold")]),
        "most_a": float(quantiles_of(sounds[-1][1].most_a)[4]),
        **(sun_hours(sunny, mine) if source == "solar" and not panel_v else {}),
        "sun_hour_of": whose_hour,
        "cold_charge": int(flows and now_c < cell.charge_min_c),
        "charge_min_c": cell.charge_min_c,
        "rests_probability": rest.probability,
        "rests_above_soc": rest.above_soc,
        "rests_stated": int(rest.stated),
        "source_is_assumed": int(mine is None),
        "bulk_per_h": rules.bulk_per_h[source],
        "other_sources": ", ".join(other.name for other in others),
        "other_kinds": " ".join(dict.fromkeys(other.kind for other in others)),
        "batteries": setup.bank.strings_in_parallel,
        "wake_from_h": rules.wake_hours[0] * times_as_long(setup.bank.strings_in_parallel),
        "wake_to_h": rules.wake_hours[1] * times_as_long(setup.bank.strings_in_parallel),
        "rated_capacity_ah": float(setup.bank.rated_capacity_ah),
        "cells_in_series": setup.bank.cells_in_series,
        "readings": ", ".join(f"{k}={v:g}" for k, v in readings.items()),
    }
    if log is not None:
        dataset.attrs |= moment_of_present(log, setup, at_end=True)
    return with_attributes(dataset, f"is the charging sound? {setup.about.title}", seed)
