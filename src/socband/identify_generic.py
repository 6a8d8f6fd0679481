"""The generic 100 Ah prismatic cell: what published numbers and the measured cells agree on.

A bank whose exact cell nobody measured is the normal case. Its OCV is the mean of the measured
cells' and its spreads are what they differ by; its size and resistance are published numbers.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from socband import identify_family as family
from socband.models import CellModel, _assemble, load_cell
from socband.models_schema import SECTIONS
from socband.unknowns import MOST_SHIFT

MEASURED = ("lfp-18650-2ah", "lfp-26650-2ah", "lfp-26650-2.5ah")
_ALL = "mean of the measured cells " + ", ".join(MEASURED) + "; spread: what they differ by"
_R0_OHM = 0.5e-3  # published range 0.3..0.8 mohm
_CAPACITY_AH = 100.0


def _r(x: float, digits: int = 3) -> float:
    return float(f"{x:.{digits}g}")


def _geometric(values: list[float]) -> tuple[float, float]:
    """Geometric mean and the spread of the logarithm, never below 0.2 with three cells."""
    logs = np.log(values)
    return float(np.exp(logs.mean())), max(0.2, float(logs.std(ddof=1)))


def generic_prismatic(name: str = "lfp-prismatic-100ah") -> CellModel:
    """Assemble the model from the measured cells' files and published numbers."""
    cells = [load_cell(n) for n in MEASURED]
    soc = np.array(family.OCV_SOC)
    ocvs = np.stack([np.interp(soc, c.ocv.soc, c.ocv.value) for c in cells])
    middle = (soc > 0.1) & (soc < 0.95)
    ocv_spread = float(np.sqrt(np.mean(ocvs.var(axis=0, ddof=1)[middle])))
    volts = np.round(ocvs.mean(axis=0), 5)
    for k in range(1, len(volts)):
        volts[k] = max(volts[k], round(float(volts[k - 1]) + 1e-5, 5))
    gap_soc = cells[1].hysteresis.soc
    gaps = np.stack([np.interp(gap_soc, c.hysteresis.soc, c.hysteresis.value) for c in cells])
    gap_spread = max(family.GAP_SPREAD, float(np.sqrt(np.mean(gaps.var(axis=0, ddof=1)))))
    values: dict[str, Any] = {
        "about.name": name,
        "about.title": "generic 100 Ah prismatic LFP cell",
        "about.notes": (
            "nobody measured this cell: published numbers, and what three other cells agree on",
        ),
        "capacity.capacity_ah": _CAPACITY_AH,
        "capacity.coulombic_efficiency": 0.999,
        "capacity.self_discharge_per_day": 0.0003,
        "capacity.temperature_c": (-20.0, 0.0, 25.0, 55.0),
        "capacity.fraction": (0.94, 0.97, 1.0, 1.0),
        "ocv.reference_temperature_c": 25.0,
        "ocv.soc": family.OCV_SOC,
        "ocv.voltage_v": tuple(float(v) for v in volts),
        "hysteresis.soc": gap_soc,
        "hysteresis.half_gap_v": tuple(float(round(v, 5)) for v in gaps.mean(axis=0)),
        "entropy.soc": family.ENTROPY_SOC,
        "entropy.slope_v_per_k": family.ENTROPY_V_PER_K,
        "surface_lag.soc": family.LAG_SOC,
        "thermal.heat_capacity_j_per_k": 1900.0,
        "thermal.heat_conductance_w_per_k": 1.0,
        "limits.lower_v": 2.5,
        "limits.upper_v": 3.65,
        "limits.charge_min_c": 0.0,
        "limits.discharge_min_c": -20.0,
    }
    spread: dict[str, float] = {
        "capacity.capacity_ah": 3.0,
        "capacity.coulombic_efficiency": 0.001,
        "capacity.self_discharge_per_day": 0.0003,
        "capacity.fraction": 0.05,
        "ocv.soc": MOST_SHIFT,
        "ocv.voltage_v": _r(max(ocv_spread, 0.004), 2),
        "hysteresis.half_gap_v": _r(gap_spread, 2),
        "entropy.slope_v_per_k": family.ENTROPY_SPREAD,
        "thermal.heat_capacity_j_per_k": 400.0,
        "thermal.heat_conductance_w_per_k": 0.6,
        "limits.lower_v": 0.1,
        "limits.upper_v": 0.02,
        "limits.charge_min_c": 2.0,
        "limits.discharge_min_c": 5.0,
    }
    limits = "cell data seen: charge 3.65 V, cut-off 2.5 V, charge 0..45 degC, discharge -20 degC"
    sources: dict[str, str] = {
        "capacity.capacity_ah": "nominal; assumed: new cells lie within some per cent of it",
        "capacity.coulombic_efficiency": "published range 0.998..0.9999 (memory)",
        "capacity.self_discharge_per_day": "published: at most 3 % a month; a third assumed",
        "capacity.fraction": "assumed: low-rate share of the open 26650 records, less for caution;"
        " published minima at C/3: 0.70 at -20, 0.80 at 0 degC, 0.95 at 55 degC",
        "ocv.soc": _ALL,
        "ocv.voltage_v": _ALL,
        "hysteresis.half_gap_v": _ALL,
        "entropy.slope_v_per_k": family.ENTROPY_SOURCE,
        "thermal.heat_capacity_j_per_k": "999 J/kg/K (BPX, estimated) on about 1.9 kg, assumed",
        "thermal.heat_conductance_w_per_k": "assumed: 5 to 15 W/m2/K over 0.1 m2 of a packed cell",
        **{f"limits.{k}": limits for k in ("lower_v", "upper_v", "charge_min_c",
                                            "discharge_min_c")},
    }  # fmt: skip
    steps = [c.r0.ref_ohm for c in cells]
    for part in ("r0", "r1", "r2"):
        at = f"resistance.{part}."
        parts = [getattr(c, part) for c in cells]
        ratio, ratio_log = _geometric([p.ref_ohm / s for p, s in zip(parts, steps, strict=True)])
        if part == "r0":
            ratio, ratio_log = 1.0, 0.35
        factor = np.exp(np.mean([np.log(np.interp(family.R_SOC, p.soc, p.factor)) for p in parts],
                                axis=0))  # fmt: skip
        share = float(np.mean([p.share for p in parts]))
        energy = float(np.mean([p.activation_kj_mol for p in parts]))
        _put(values, spread, sources, at + "ref_ohm", _R0_OHM * ratio, 0.35 + 0.5 * ratio_log,
             "published: 0.3..0.8 mohm of 100 Ah prismatic cells (memory); ratios of the measured"
             " cells")  # fmt: skip
        _put(values, spread, sources, at + "share", share, 0.3, _ALL)
        _put(values, spread, sources, at + "activation_kj_mol", energy, 0.3, _ALL)
        values[at + "soc"] = family.R_SOC
        values[at + "factor"] = tuple(_r(float(f)) for f in factor)
        spread[at + "factor"], sources[at + "factor"] = 0.2, _ALL
    published = "published: RC time constants 10..60 s and 100..1000 s (memory)"
    _put(values, spread, sources, "resistance.r1.tau_s", math.sqrt(10 * 60), 0.5, published)
    _put(values, spread, sources, "resistance.r2.tau_s", math.sqrt(100 * 1000), 0.7, published)
    for key, numbers in {
        "resistance.r1.saturation_c_rate": [c.saturation_1_c_rate for c in cells],
        "surface_lag.saturation_c_rate": [c.lag.saturation_c_rate for c in cells],
        "surface_lag.activation_kj_mol": [c.lag.activation_kj_mol for c in cells],
        "hysteresis.decay": [c.hysteresis_decay for c in cells],
    }.items():
        mean, log_spread = _geometric(numbers)
        _put(values, spread, sources, key, mean, log_spread, _ALL)
    _put(values, spread, sources, "surface_lag.share",
         float(np.mean([c.lag.share for c in cells])), 0.5, _ALL)  # fmt: skip
    lags = np.stack([np.interp(family.LAG_SOC, c.lag.soc, c.lag.value) for c in cells])
    lag = np.exp(np.log(np.maximum(lags, 1e-3)).mean(axis=0))
    values["surface_lag.lag_per_c_rate"] = tuple(_r(float(v)) for v in lag)
    spread["surface_lag.lag_per_c_rate"] = _r(0.5 * float(lag.mean()), 2)
    sources["surface_lag.lag_per_c_rate"] = _ALL
    # The voltage error of a cell that nobody measured: the measured cells' own, and what their
    # resistances differ by at the same current; the OCV's difference is a spread of its own.
    worst = [max(getattr(c.voltage_error, k) for c in cells)
             for k in ("std_v", "std_soc", "std_v_per_c_rate")]  # fmt: skip
    longest = max(c.voltage_error.tau_s for c in cells)
    why = "assumed: the worst of the measured cells, half as much again"
    for key, value in zip(("std_v", "std_soc", "std_v_per_c_rate"), worst, strict=True):
        floor = {"std_v": 0.005, "std_soc": 0.01, "std_v_per_c_rate": 0.01}[key]
        _put(values, spread, sources, f"voltage_error.{key}", max(1.5 * value, floor), 0.4, why)
    _put(values, spread, sources, "voltage_error.tau_s", max(longest, 900.0), 0.5, why)
    _put(values, spread, sources, "voltage_error.noise_v", 0.001, 0.5, "assumed: 1 mV a cell")
    values["voltage_error.temperature_c"] = tuple(
        sorted({t for c in cells for t in c.voltage_error.temperature_c})
    )
    missing = [
        f"{s}.{e.key}"
        for s, layout in SECTIONS.items()
        for e in layout.entries
        if e.has_spread and f"{s}.{e.key}" not in spread
    ]
    if missing:
        raise AssertionError(f"no spread for {missing}")
    return _assemble(values, spread, sources)


def _put(
    values: dict[str, Any],
    spread: dict[str, float],
    sources: dict[str, str],
    key: str,
    value: float,
    relative: float,
    source: str,
) -> None:
    values[key] = _r(value)
    spread[key] = _r(relative * value, 2)
    sources[key] = source


def main(arguments: list[str]) -> int:
    """Write the model to the path given."""
    from pathlib import Path

    from socband.identify_command import write_beside
    from socband.models import dump_cell

    if len(arguments) != 1:
        print("usage: python -m socband.identify_generic FILE.toml")
        return 2
    write_beside(Path(arguments[0]), dump_cell(generic_prismatic()))
    return 0


if __name__ == "__main__":
    import sys

    raise SystemExit(main(sys.argv[1:]))
