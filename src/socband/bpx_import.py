"""Import of a BPX file (Battery Parameter eXchange, open standard) as a cell model.

The open-circuit voltage of the full cell is that of its electrodes between their stoichiometry
limits: U(z) = U_p(y(z)) − U_n(x(z)), with x = x_min + z·(x_max − x_min) and
y = y_max − z·(y_max − y_min). Entropy coefficients combine alike. What BPX has no number for
(time constants, hysteresis, lag) comes from the family's priors, with their wide spreads. Needs
the `bpx` package: `pip install socband[bpx]`.
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np

from socband import identify_family as family
from socband.cell import SLOWEST_SQUARE
from socband.errors import InputError, Problem
from socband.identify_ocv import GRID, refuse_other_chemistry
from socband.models import CellModel, _assemble
from socband.models_schema import SECTIONS
from socband.unknowns import MOST_SHIFT

Array = np.ndarray

# The slowest part of a sphere's surface lag after a step of current decays with R²/(λ₁²·D),
# tan λ₁ = λ₁ (Crank, The Mathematics of Diffusion, chapter 6).
_SLOWEST = 1.0 / SLOWEST_SQUARE
# Resistances times capacity [ohm·Ah] at 25 °C and half charge, about the geometric means of the
# three measured cells in models/ (0.028, 0.043 and 0.026), which lie 0.4 to 1.4 apart from them in
# the logarithm.
_OHM_AH = {"r0": 0.03, "r1": 0.045, "r2": 0.03}
_OHM_SPREAD = 0.7


def _read(path: str | Path) -> Any:
    try:
        import bpx
    except ImportError:
        hint = "pip install socband[bpx]"
        raise InputError(Problem(str(path), "no `bpx` package", "it installed", hint)) from None
    if not Path(path).is_file():
        raise InputError(Problem(str(path), "no such file", "a BPX file"))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of older versions of the format
            if Path(path).suffix in (".yml", ".yaml"):
                return bpx.parse_bpx_file(str(path))
            # Read here, not by bpx: some editors put a byte order mark in front.
            return bpx.parse_bpx_str(Path(path).read_bytes().decode("utf-8-sig"))
    except Exception as error:  # bpx and pydantic raise many kinds
        lines = str(error).strip().splitlines() or [type(error).__name__]
        raise InputError(Problem(str(path), lines[0], "a valid BPX file")) from None


def _function(part: Any) -> Any:
    """A BPX function, table or constant as a callable of the stoichiometry."""
    if part is None:
        return lambda x: np.zeros_like(x)
    if isinstance(part, int | float):
        return lambda x: np.full_like(x, float(part))
    if hasattr(part, "x") and hasattr(part, "y"):
        return lambda x: np.interp(x, part.x, part.y)
    return np.vectorize(part.to_python_function(), otypes=[float])


def _stoichiometries(parameters: Any, soc: Array) -> tuple[Array, Array]:
    """Of the negative electrode, which fills with the charge, and the positive, which empties."""
    negative, positive = parameters.negative_electrode, parameters.positive_electrode
    least, most = negative.minimum_stoichiometry, negative.maximum_stoichiometry
    x = least + soc * (most - least)
    least, most = positive.minimum_stoichiometry, positive.maximum_stoichiometry
    return x, most - soc * (most - least)


def full_cell(path: str | Path, soc: Array) -> tuple[Array, Array]:
    """OCV [V] and dU/dT [V/K] of the full cell at each state of charge.

    Raises:
        InputError: no BPX file, or one without the electrodes.
    """
    parameters = _read(path).parameterisation
    negative, positive = parameters.negative_electrode, parameters.positive_electrode
    if negative is None or positive is None:
        raise InputError(Problem(str(path), "no electrodes", "electrode functions"))
    x, y = _stoichiometries(parameters, np.asarray(soc, dtype=float))
    ocv = _function(positive.ocp)(y) - _function(negative.ocp)(x)
    entropy = [_function(e.dudt) for e in (negative, positive)]
    return ocv, entropy[1](y) - entropy[0](x)


def diffusion_time_s(path: str | Path) -> float:
    """Slowest time constant of diffusion [s] in the electrode that bends the low end.

    That is the one whose potential moves more between 2 and 10 % of charge; in LFP cells the
    graphite runs empty.

    Raises:
        InputError: a diffusivity that is no constant, or no such file.
    """
    parameters = _read(path).parameterisation
    electrodes = parameters.negative_electrode, parameters.positive_electrode
    places = _stoichiometries(parameters, np.array([0.02, 0.10]))
    found = []
    for electrode, place in zip(electrodes, places, strict=True):
        diffusivity = electrode.diffusivity
        if not isinstance(diffusivity, int | float):
            raise InputError(Problem(str(path), "a diffusivity that varies", "a constant"))
        time_s = _SLOWEST * float(electrode.particle_radius) ** 2 / float(diffusivity)
        moved_v = float(abs(np.diff(_function(electrode.ocp)(place))[0]))
        found.append((moved_v, time_s))
    return max(found)[1]


def cell_from_bpx(path: str | Path, name: str, title: str = "", source: str = "") -> CellModel:
    """A cell model from a BPX file; wide spreads where BPX has no number.

    Args:
        path: the file.
        name, title: of the model; the title is the file's own if none is given.
        source: citation of the file, besides its own title.

    Raises:
        InputError: what is wrong with the file.
    """
    parsed = _read(path)
    cell = parsed.parameterisation.cell
    soc = np.array(family.OCV_SOC)
    ocv, _ = full_cell(path, soc)
    _, entropy = full_cell(path, np.array(family.ENTROPY_SOC))
    refuse_other_chemistry(np.interp(GRID, soc, ocv))
    volts = np.round(ocv, 5)
    for k in range(1, len(volts)):
        volts[k] = max(volts[k], round(float(volts[k - 1]) + 1e-5, 5))
    capacity = float(cell.nominal_cell_capacity)
    if capacity <= 0.0:
        found, expected = f"a nominal capacity of {capacity:g} Ah", "above 0"
        raise InputError(Problem(str(path), found, expected))
    told = f"BPX file: {(parsed.header.title or Path(path).name)}" + (source and f"; {source}")
    prior = {k: p.median for k, p in family.PRIORS.items()}
    ones = [1.0] * len(family.R_SOC)
    values: dict[str, Any] = {
        "about.name": name,
        "about.title": title or str(parsed.header.title or name),
        "about.notes": ("imported from BPX: dynamics, hysteresis and lag are priors",),
        "capacity.capacity_ah": capacity,
        "capacity.coulombic_efficiency": 0.999,
        "capacity.self_discharge_per_day": 0.0003,
        "capacity.temperature_c": [-20.0, 0.0, 25.0, 55.0],
        "capacity.fraction": [0.95, 0.98, 1.0, 1.0],
        "ocv.reference_temperature_c": 25.0,
        "ocv.soc": list(family.OCV_SOC),
        "ocv.voltage_v": [float(v) for v in volts],
        "hysteresis.decay": prior["decay"],
        "hysteresis.soc": list(family.GAP_SOC),
        "hysteresis.half_gap_v": list(family.GAP_V),
        "entropy.soc": list(family.ENTROPY_SOC),
        "entropy.slope_v_per_k": [float(round(v, 7)) for v in entropy],
        "surface_lag.share": prior["share_lag"],
        "surface_lag.activation_kj_mol": prior["activation_lag"],
        "surface_lag.saturation_c_rate": prior["saturation_lag_c_rate"],
        "surface_lag.soc": list(family.LAG_SOC),
        "surface_lag.lag_per_c_rate": [family.LAG_MEDIAN] * len(family.LAG_SOC),
        "resistance.r1.tau_s": prior["tau1_s"],
        "resistance.r1.saturation_c_rate": prior["saturation_1_c_rate"],
        "resistance.r2.tau_s": prior["tau2_s"],
        "thermal.heat_capacity_j_per_k": float(f"{prior['heat_capacity'] * capacity:.3g}"),
        "thermal.heat_conductance_w_per_k": float(
            f"{prior['heat_conductance'] * (capacity / 2.0) ** (2 / 3):.3g}"
        ),
        "limits.lower_v": float(cell.lower_voltage_cutoff),
        "limits.upper_v": float(cell.upper_voltage_cutoff),
        "limits.charge_min_c": 0.0,
        "limits.discharge_min_c": -20.0,
        "voltage_error.std_v": 0.008,
        "voltage_error.std_soc": 0.02,
        "voltage_error.std_v_per_c_rate": 0.02,
        "voltage_error.tau_s": 1200.0,
        "voltage_error.noise_v": 0.001,
    }
    for k, part in enumerate(("r0", "r1", "r2")):
        at = f"resistance.{part}."
        values |= {
            at + "ref_ohm": float(f"{_OHM_AH[part] / capacity:.4g}"),
            at + "soc": list(family.R_SOC),
            at + "factor": ones,
            at + "share": prior[f"share{k}"],
            at + "activation_kj_mol": prior[f"activation{k}"],
        }
    spread, sources = {}, {}
    for section, layout in SECTIONS.items():
        for entry in layout.entries:
            key = f"{section}.{entry.key}"
            if not entry.has_spread:
                continue
            value = values[key]
            size = float(np.mean(np.abs(value)))
            spread[key] = float(f"{0.5 * size:.2g}")
            sources[key] = "assumed: prior of the LFP family, not in the BPX format"
    known = {
        **{f"resistance.{r}.ref_ohm": _OHM_SPREAD * ohm / capacity for r, ohm in _OHM_AH.items()},
        "capacity.capacity_ah": 0.02 * capacity,
        "ocv.soc": MOST_SHIFT, "ocv.voltage_v": 0.006,
        "entropy.slope_v_per_k": family.ENTROPY_SPREAD, "limits.lower_v": 0.0,
        "limits.upper_v": 0.0,
    }  # fmt: skip
    spread |= {
        "capacity.coulombic_efficiency": 0.001,
        "capacity.fraction": 0.05,
        "limits.charge_min_c": 2.0,
        "limits.discharge_min_c": 5.0,
        **{key: float(f"{value:.2g}") for key, value in known.items()},
    }
    sources |= dict.fromkeys(known, told)
    frozen = {k: tuple(v) if isinstance(v, list) else v for k, v in values.items()}
    return _assemble(frozen, spread, sources)
