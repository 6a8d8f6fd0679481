"""From a fit to a cell model: rounded numbers, a spread and a source for each."""

from __future__ import annotations

from typing import Any

import numpy as np

from socband import identify_family as family
from socband.cell import ENTROPY, GAP, OCV, CellTables
from socband.identify_capacity import Capacities
from socband.identify_dynamic import Fit, Frame, Record
from socband.identify_ocv import GRID, Branch
from socband.identify_parameters import LAG_NODES, NAMES, factor_nodes, factors, numbers
from socband.models import CellModel, VoltageError, _assemble
from socband.unknowns import LEAST_SHIFT, MOST_SHIFT

_LIMITS = "cell data seen: charge 3.65 V, cut-off 2.0..2.5 V, charge above 0 degC, down to -20 degC"
_EFFICIENCY = "published range 0.998..0.9999 (memory)"
_SELF = "published: at most 3 % a month; a third of that assumed"
# Beyond the covariance of the fit: what another cell of the kind and the model's form add.
_FORM = {"ohm": 0.05, "tau": 0.2, "share": 0.1, "lag": 0.2}


def _r(x: float, digits: int = 4) -> float:
    return float(f"{x:.{digits}g}")


def _list(values: Any, digits: int = 4) -> list[float]:
    return [_r(float(x), digits) for x in values]


def cell_from_fit(
    name: str,
    title: str,
    fit: Fit,
    frame: Frame,
    tables: CellTables,
    error: tuple[VoltageError, float],
    branches: list[Branch],
    records: list[Record],
    capacities: Capacities,
    *,
    ocv_spread_v: float,
    moving: bool,
    notes: tuple[str, ...],
    source: str,
) -> CellModel:
    """Round, attach spreads and sources, and assemble the model."""
    v = numbers(fit.p, frame.priors)
    f0, f1, f2, lag = factors(fit.p, frame.r_spread)
    s = tables.scalars
    deviation = np.sqrt(np.diag(fit.covariance))
    told = [r.name for r in records]
    fitted = f"fitted to {', '.join(told)}" if len(told) <= 4 else f"fitted to {len(told)} records"
    fitted += f"; {source}" if source else ""
    low_rate = f"low-rate records {', '.join(b.name for b in branches)}" + (
        f"; {source}" if source else ""
    )
    ocv_source = low_rate if branches else f"rested voltages of the records; {source}"
    moved = "; moved by the records of the fit" if frame.ocv_moves_v else ""
    soc = np.array(family.OCV_SOC)
    volts = np.round(np.interp(soc, GRID, tables.table[:, OCV]), 5)
    for k in range(1, len(volts)):  # rounding must not undo the rise
        volts[k] = max(volts[k], round(volts[k - 1] + 1e-5, 5))
    gap_soc = np.array([0, 0.025, 0.05, 0.1, *np.arange(0.15, 0.96, 0.05), 0.975, 1.0])
    values: dict[str, Any] = {
        "about.name": name,
        "about.title": title,
        "about.notes": tuple(notes),
        "capacity.capacity_ah": _r(frame.capacity_ah, 5),
        "capacity.coulombic_efficiency": 0.9990,
        "capacity.self_discharge_per_day": 0.0003,
        "ocv.reference_temperature_c": 25.0,
        "ocv.soc": [float(x) for x in soc],
        "ocv.voltage_v": [float(x) for x in volts],
        "hysteresis.decay": _r(v["decay"]),
        "hysteresis.soc": [float(round(x, 4)) for x in gap_soc],
        "hysteresis.half_gap_v": [
            float(round(x, 5)) for x in np.interp(gap_soc, GRID, tables.table[:, GAP])
        ],
        "entropy.soc": list(family.ENTROPY_SOC),
        "entropy.slope_v_per_k": [
            float(round(x, 7))
            for x in np.interp(family.ENTROPY_SOC, GRID, tables.table[:, ENTROPY])
        ],
        "resistance.r1.tau_s": _r(v["tau1_s"]),
        "resistance.r1.saturation_c_rate": _r(v["saturation_1_c_rate"]),
        "resistance.r2.tau_s": _r(v["tau2_s"]),
        "surface_lag.share": _r(v["share_lag"], 3),
        "surface_lag.activation_kj_mol": _r(v["activation_lag"], 3),
        "surface_lag.saturation_c_rate": _r(v["saturation_lag_c_rate"]),
        "surface_lag.soc": list(family.LAG_SOC),
        "surface_lag.lag_per_c_rate": _list(lag),
        "thermal.heat_capacity_j_per_k": _r(s.heat_capacity_j_per_k, 3),
        "thermal.heat_conductance_w_per_k": _r(s.heat_conductance_w_per_k, 3),
        "limits.lower_v": 2.0,
        "limits.upper_v": 3.65,
        "limits.charge_min_c": 0.0,
        "limits.discharge_min_c": -20.0,
    }
    by_c = capacities.by_temperature_ah
    values["capacity.temperature_c"] = list(by_c)
    values["capacity.fraction"] = [_r(by_c[t] / frame.capacity_ah) for t in by_c]
    fraction = (family.ASSUMED_CAPACITY_SPREAD, family.ASSUMED_CAPACITY_SOURCE)
    if capacities.measured_over_temperature:
        fraction = (0.005, low_rate)
    shift = max(LEAST_SHIFT, family.SHIFT_PER_ERROR * error[0].std_soc)
    if frame.charge_assumed:
        shift = max(shift, MOST_SHIFT)
    spread = {
        "capacity.capacity_ah": _r(capacities.spread * frame.capacity_ah, 2),
        "capacity.coulombic_efficiency": 0.001,
        "capacity.self_discharge_per_day": 0.0003,
        "capacity.fraction": fraction[0],
        "ocv.soc": _r(shift, 2),
        "ocv.voltage_v": _r(ocv_spread_v, 2),
        "hysteresis.half_gap_v": 0.002 if frame.gap_measured else family.GAP_SPREAD,
        "entropy.slope_v_per_k": _r(frame.entropy_spread, 2),
        "limits.lower_v": 0.0,
        "limits.upper_v": 0.0,
        "limits.charge_min_c": 0.0,
        "limits.discharge_min_c": 0.0,
    }
    sources = {
        "capacity.capacity_ah": low_rate
        if capacities.told_by is None
        else f"{capacities.told_by}; {source}",
        "capacity.coulombic_efficiency": _EFFICIENCY,
        "capacity.self_discharge_per_day": _SELF,
        "capacity.fraction": fraction[1],
        "ocv.soc": ocv_source,
        "ocv.voltage_v": ocv_source + moved,
        "hysteresis.half_gap_v": ocv_source if frame.gap_measured else family.GAP_SOURCE,
        "entropy.slope_v_per_k": (
            low_rate + " with " if frame.entropy_spread < family.ENTROPY_SPREAD else ""
        )
        + family.ENTROPY_SOURCE
        + moved,
        **dict.fromkeys(
            (f"limits.{k}" for k in ("lower_v", "upper_v", "charge_min_c", "discharge_min_c")),
            _LIMITS,
        ),
    }
    for k, (part, factor) in enumerate((("r0", f0), ("r1", f1), ("r2", f2))):
        at = f"resistance.{part}."
        values |= {
            at + "ref_ohm": _r(frame.step_ohm * v[part]),
            at + "soc": list(family.R_SOC),
            at + "factor": _list(factor),
            at + "share": _r(v[f"share{k}"], 3),
            at + "activation_kj_mol": _r(v[f"activation{k}"], 3),
        }
        spread[at + "factor"] = _r(
            float(np.mean(deviation[factor_nodes(k)])) * frame.r_spread[k] * float(np.mean(factor)),
            2,
        )
        sources[at + "factor"] = fitted
    temperatures_c = sorted({r.temperature_c for r in records})
    alone_c = temperatures_c[0] if len(temperatures_c) == 1 else None
    own = np.hypot(_FORM["lag"], np.mean(deviation[LAG_NODES]) * family.LAG_SPREAD * 0.5)
    spread["surface_lag.lag_per_c_rate"] = _r(
        float(np.mean(lag)) * float(np.hypot(own, _carried("_lag", alone_c))), 2
    )
    sources["surface_lag.lag_per_c_rate"] = fitted
    _attach(values, spread, sources, frame, deviation, fitted, moving, alone_c)
    told_error, relative = error
    note = "" if moving else "; doubled: no dynamic record"
    for key in ("std_v", "std_soc", "std_v_per_c_rate", "tau_s", "noise_v"):
        value = _r(getattr(told_error, key), 3)
        values[f"voltage_error.{key}"] = value
        spread[f"voltage_error.{key}"] = _r(
            max(relative, 0.3 if key == "tau_s" else 0.1) * value, 2
        )
        sources[f"voltage_error.{key}"] = "60 s means of what the fit leaves" + note
    values["voltage_error.temperature_c"] = temperatures_c
    frozen = {k: tuple(x) if isinstance(x, list) else x for k, x in values.items()}
    return _assemble(frozen, spread, sources)


_FITTED = {
    "r0": ("resistance.r0.ref_ohm", "ohm"),
    "r1": ("resistance.r1.ref_ohm", "ohm"),
    "r2": ("resistance.r2.ref_ohm", "ohm"),
    "tau1_s": ("resistance.r1.tau_s", "tau"),
    "tau2_s": ("resistance.r2.tau_s", "tau"),
    "saturation_1_c_rate": ("resistance.r1.saturation_c_rate", "tau"),
    "saturation_lag_c_rate": ("surface_lag.saturation_c_rate", "tau"),
    "decay": ("hysteresis.decay", "tau"),
    "share0": ("resistance.r0.share", "share"),
    "share1": ("resistance.r1.share", "share"),
    "share2": ("resistance.r2.share", "share"),
    "share_lag": ("surface_lag.share", "share"),
    "activation0": ("resistance.r0.activation_kj_mol", "ohm"),
    "activation1": ("resistance.r1.activation_kj_mol", "ohm"),
    "activation2": ("resistance.r2.activation_kj_mol", "ohm"),
    "activation_lag": ("surface_lag.activation_kj_mol", "ohm"),
    "heat_capacity": ("thermal.heat_capacity_j_per_k", "tau"),
    "heat_conductance": ("thermal.heat_conductance_w_per_k", "tau"),
}


def _carried(part: str, alone_c: float | None) -> float:
    """Relative doubt of a number at 25 °C that was measured at one other temperature alone."""
    return 0.0 if alone_c is None else family.factor_at(part, alone_c)[1]


def _attach(
    values: dict[str, Any],
    spread: dict[str, float],
    sources: dict[str, str],
    frame: Frame,
    deviation: Any,
    fitted: str,
    moving: bool,
    alone_c: float | None,
) -> None:
    """Spread from the covariance and the model's form; the source says prior where it is one.

    `alone_c`: the only temperature of the records, if there is but one.
    """
    for k, name in enumerate(NAMES):
        key, form = _FITTED[name]
        held = not moving and name in ("tau1_s", "tau2_s")
        thermal = name.startswith(("share", "activation"))
        # A held number keeps the family's doubt, not that of the hold.
        if held:
            wide = 0.7
        elif thermal and alone_c is not None:
            wide = family.PRIORS[name].spread
        else:
            # Against a charge that is a guess a fit is surer than it may be.
            sure = 1.0 if frame.charge_assumed else min(float(deviation[k]), 1.0)
            wide = frame.priors[name].spread * sure
        if name in ("r0", "r1", "r2"):
            wide = float(np.hypot(wide, _carried(name[1], alone_c)))
        if form == "share":
            share = values[key]
            value = float(np.hypot(wide * share * (1.0 - share), _FORM["share"] / 2))
        else:
            value = values[key] * float(np.hypot(wide, _FORM[form]))
        spread[key] = _r(value, 2)
        alone = held or deviation[k] > 0.8 or (thermal and alone_c is not None)
        sources[key] = frame.priors[name].source if alone else fitted
        if held:
            sources[key] = "assumed: held at a prior, constant current cannot tell time constants"
