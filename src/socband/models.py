"""Cell model files: what one LFP cell is like, with a spread and a source for every number.

A model file is TOML. Each section holds numbers and tables, a `spread` (one standard deviation in
the unit of the number; how well it is known for a cell of this kind) and a `source`, both either
one entry for the section or one per key. The tables run over the state of charge, 0 to 1.
`load_cell` reports everything that is wrong with a file at once; `dump_cell` writes the same bytes
for the same numbers. The equations that use these numbers stand in `socband.cell`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from socband.errors import InputError, Problem, did_you_mean, shown
from socband.models_text import read_sections, write_sections
from socband.toml_file import read_toml

KELVIN = 273.15
GAS_J_PER_MOL_K = 8.314462618  # CODATA 2018, exact
BETWEEN_K, BEYOND_K = 15.0, 10.0


@dataclass(frozen=True)
class Curve:
    """A table over the state of charge, joined by straight lines.

    Attributes:
        soc: increasing, 0..1.
        value: as long as `soc`; the unit is that of the quantity.
    """

    soc: tuple[float, ...]
    value: tuple[float, ...]


@dataclass(frozen=True)
class TemperatureCurve:
    """A table over temperature [°C], joined by straight lines, flat beyond its ends."""

    temperature_c: tuple[float, ...]
    value: tuple[float, ...]


@dataclass(frozen=True)
class Resistance:
    """One resistance: ref_ohm · factor(soc) · k(T), k = share + (1−share)·Arrhenius factor.

    Attributes:
        ref_ohm: at the reference temperature [ohm].
        soc, factor: dependence on charge, factor near 1.
        share: 0..1, the part that does not change with temperature.
        activation_kj_mol: of the rest [kJ/mol].
    """

    ref_ohm: float
    soc: tuple[float, ...]
    factor: tuple[float, ...]
    share: float
    activation_kj_mol: float


@dataclass(frozen=True)
class Lag:
    """How far the surface charge lags the mean charge per unit of C-rate.

    Attributes:
        soc, value: λ(soc) [1 per C-rate].
        share, activation_kj_mol: temperature factor as for `Resistance`.
        saturation_c_rate: the drive grows like asinh beyond this C-rate.
    """

    soc: tuple[float, ...]
    value: tuple[float, ...]
    share: float
    activation_kj_mol: float
    saturation_c_rate: float


@dataclass(frozen=True)
class VoltageError:
    """What the voltage model leaves over: an Ornstein-Uhlenbeck process and white noise.

    variance = std_v² + (std_soc·dOCV/dz)² + (std_v_per_c_rate·k·C-rate)², correlation time tau_s,
    with the C-rate of the diffusion current, and k how much more the cell resists than at the
    reference temperature (`cell.polarisation_factor`). All three grow with the distance from the
    temperatures at which the model was fitted, `temperature_c` (see `unfamiliar_factor`).
    """

    std_v: float
    std_soc: float
    std_v_per_c_rate: float
    tau_s: float
    noise_v: float
    temperature_c: tuple[float, ...] = (25.0,)

    def unfamiliar_factor(self, temperature_c: np.ndarray) -> np.ndarray:
        """√(1 + (d/K)²), d the distance to the nearest temperature of the fit; any shape.

        K is 15 K between temperatures of the fit and 10 K beyond them, from calibration records of
        the 2.06 Ah 26650 (`benchmarks/cell_fit.py distance`): left out of the fit, 15 °C and 35 °C
        erred as K of 13 and 17 would have it. Beyond, 45 °C (10 K away) did as 12 would, but
        −25 °C (40 K away) ten times as much as fitted, which is more than this says.
        """
        at = np.asarray(temperature_c)
        apart_k = np.abs(at[..., None] - np.array(self.temperature_c)).min(axis=-1)
        beyond = (at < min(self.temperature_c)) | (at > max(self.temperature_c))
        return np.hypot(1.0, apart_k / np.where(beyond, BEYOND_K, BETWEEN_K))


@dataclass(frozen=True)
class Calibration:
    """How the filter is to trust this model, found once on training records.

    Attributes:
        eta: learning rate of the likelihood, 0..1.
        error_scale, tau_scale: multiply the voltage error's standard deviation and its tau_s.
        date, records: when and on which records.
        slow_spread: of the logarithm of this cell's slow part over its model's (`unknowns`).
        charge_shift: how far its curves may lie along the charge from its model's at 25 °C, 0..1.
        lag_share: how far its surface lags is known to this share of itself, 0..1. These three are
            standard deviations; None: as for a cell that nobody calibrated.
    """

    eta: float
    error_scale: float
    tau_scale: float
    date: str
    records: tuple[str, ...]
    slow_spread: float | None = None
    charge_shift: float | None = None
    lag_share: float | None = None

    @classmethod
    def from_values(cls, values: Mapping[str, Any]) -> Calibration:
        """From the keys of the file's section, dotted."""
        return cls(**{k: values.get(f"calibration.{k}") for k in cls.__dataclass_fields__})


@dataclass(frozen=True, eq=False)
class CellModel:
    """One cell; see `socband.cell` for the equations. All numbers are per cell.

    Attributes:
        name, title, notes: what it is; notes say what is missing or assumed.
        capacity_ah: at the reference temperature and a low rate [Ah].
        reference_temperature_c: of OCV, resistances and capacity [°C].
        ocv: [V]; strictly increasing; the mean of the charge and discharge branches.
        hysteresis: half gap M between the branches [V].
        entropy: dU/dT [V/K].
        r0, r1, r2, tau1_s, tau2_s, saturation_1_c_rate: ohmic part and the two RC branches.
        lag: surface charge.
        hysteresis_decay: γ; h turns over within a charge of 1/γ of the capacity.
        capacity_temperature: usable share of the capacity.
        coulombic_efficiency: charge kept of the charge put in, on charge only.
        self_discharge_per_day: of the capacity.
        heat_capacity_j_per_k, heat_conductance_w_per_k: lumped, per cell, to the surroundings.
        lower_v, upper_v: cell voltage limits [V].
        charge_min_c, discharge_min_c: coldest temperature for each [°C].
        voltage_error: see there.
        calibration: None until the filter was calibrated.
        spread: dotted key of the file → standard deviation in the unit of the number.
        sources: dotted key of the file → source, or "assumed: reason".
    """

    name: str
    title: str
    capacity_ah: float
    reference_temperature_c: float
    ocv: Curve
    hysteresis: Curve
    entropy: Curve
    r0: Resistance
    r1: Resistance
    r2: Resistance
    tau1_s: float
    tau2_s: float
    saturation_1_c_rate: float
    lag: Lag
    hysteresis_decay: float
    capacity_temperature: TemperatureCurve
    coulombic_efficiency: float
    self_discharge_per_day: float
    heat_capacity_j_per_k: float
    heat_conductance_w_per_k: float
    lower_v: float
    upper_v: float
    charge_min_c: float
    discharge_min_c: float
    voltage_error: VoltageError
    calibration: Calibration | None = None
    notes: tuple[str, ...] = ()
    spread: Mapping[str, float] = field(default_factory=dict)
    sources: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "spread", MappingProxyType(dict(self.spread)))
        object.__setattr__(self, "sources", MappingProxyType(dict(self.sources)))

    @classmethod
    def from_tree(cls, tree: Mapping[str, Any], origin: str = "") -> CellModel:
        """From the parsed TOML.

        Raises:
            InputError: with every problem of the file.
        """
        problems: list[Problem] = []
        flat = read_sections(tree, problems)
        if problems:
            raise InputError(problems, origin)
        values, spread, sources = flat
        return _assemble(values, spread, sources)

    def value(self, key: str) -> float | tuple[float, ...]:
        """The number or table that stands in the file under this dotted key."""
        return _tree_values(self)[key]

    def relative_spread(self, key: str) -> float:
        """Standard deviation over the number itself (over the mean size of a table)."""
        value = self.value(key)
        size = sum(map(abs, value)) / len(value) if isinstance(value, tuple) else abs(value)
        return self.spread[key] / size if size else 0.0


# ---------------------------------------------------------------------- reading


def available_cells() -> list[str]:
    """Names of the models that come with the package."""
    paths = [path for folder in _folders() for path in folder.glob("*.toml")]
    return sorted({path.stem for path in paths if path.name != "loads.toml"})  # loads: see shelf


def load_cell(name_or_path: str | Path) -> CellModel:
    """A cell model by its name or by the path of its file.

    Raises:
        InputError: no such model, or every problem of its file.
    """
    path = _find(name_or_path)
    tree = read_toml(path, "a cell model file")
    return CellModel.from_tree(tree, str(path))


def _folders() -> list[Path]:
    here = Path(__file__).resolve()
    # An installed package carries models/ inside; a checkout has it at the top.
    places = (here.parent / "models", here.parents[2] / "models")
    return [folder for folder in places if folder.is_dir()]


def cell_file(name_or_path: str | Path | None) -> Path | None:
    """The file that `load_cell` reads; None where there is none."""
    try:
        return None if name_or_path is None else _find(name_or_path)
    except InputError:
        return None


def _find(name_or_path: str | Path) -> Path:
    text = str(name_or_path)
    given = Path(text)
    if given.suffix == ".toml" or given.parent != Path("."):
        if given.is_file():
            return given
        raise InputError(Problem(text, "no such file", "the path of a cell model file"))
    for folder in _folders():
        if (folder / f"{text}.toml").is_file():
            return folder / f"{text}.toml"
    names = available_cells()
    raise InputError(
        Problem(
            "cell model",
            shown(text),
            "the name of a model that comes with socband or the path of a .toml file",
            did_you_mean(text, names),
        )
    )


def _assemble(
    v: Mapping[str, Any], spread: Mapping[str, float], sources: Mapping[str, str]
) -> CellModel:
    def resistance(name: str) -> Resistance:
        at = f"resistance.{name}."
        return Resistance(
            v[at + "ref_ohm"],
            v[at + "soc"],
            v[at + "factor"],
            v[at + "share"],
            v[at + "activation_kj_mol"],
        )

    lag = "surface_lag."
    err = "voltage_error."
    calibration = None
    if "calibration.eta" in v:
        calibration = Calibration.from_values(v)
    return CellModel(
        name=v["about.name"],
        title=v["about.title"],
        notes=v.get("about.notes", ()),
        capacity_ah=v["capacity.capacity_ah"],
        reference_temperature_c=v["ocv.reference_temperature_c"],
        ocv=Curve(v["ocv.soc"], v["ocv.voltage_v"]),
        hysteresis=Curve(v["hysteresis.soc"], v["hysteresis.half_gap_v"]),
        entropy=Curve(v["entropy.soc"], v["entropy.slope_v_per_k"]),
        r0=resistance("r0"),
        r1=resistance("r1"),
        r2=resistance("r2"),
        tau1_s=v["resistance.r1.tau_s"],
        tau2_s=v["resistance.r2.tau_s"],
        saturation_1_c_rate=v["resistance.r1.saturation_c_rate"],
        lag=Lag(
            v[lag + "soc"],
            v[lag + "lag_per_c_rate"],
            v[lag + "share"],
            v[lag + "activation_kj_mol"],
            v[lag + "saturation_c_rate"],
        ),
        hysteresis_decay=v["hysteresis.decay"],
        capacity_temperature=TemperatureCurve(v["capacity.temperature_c"], v["capacity.fraction"]),
        coulombic_efficiency=v["capacity.coulombic_efficiency"],
        self_discharge_per_day=v["capacity.self_discharge_per_day"],
        heat_capacity_j_per_k=v["thermal.heat_capacity_j_per_k"],
        heat_conductance_w_per_k=v["thermal.heat_conductance_w_per_k"],
        lower_v=v["limits.lower_v"],
        upper_v=v["limits.upper_v"],
        charge_min_c=v["limits.charge_min_c"],
        discharge_min_c=v["limits.discharge_min_c"],
        voltage_error=VoltageError(
            *(v[err + k] for k in ("std_v", "std_soc", "std_v_per_c_rate", "tau_s", "noise_v")),
            v.get(err + "temperature_c", (25.0,)),
        ),
        calibration=calibration,
        spread=spread,
        sources=sources,
    )


# ---------------------------------------------------------------------- writing


def _tree_values(cell: CellModel) -> dict[str, Any]:
    """The inverse of `_assemble`: dotted key → number, table or text."""
    v: dict[str, Any] = {
        "about.name": cell.name,
        "about.title": cell.title,
        "about.notes": cell.notes,
        "capacity.capacity_ah": cell.capacity_ah,
        "capacity.coulombic_efficiency": cell.coulombic_efficiency,
        "capacity.self_discharge_per_day": cell.self_discharge_per_day,
        "capacity.temperature_c": cell.capacity_temperature.temperature_c,
        "capacity.fraction": cell.capacity_temperature.value,
        "ocv.reference_temperature_c": cell.reference_temperature_c,
        "ocv.soc": cell.ocv.soc,
        "ocv.voltage_v": cell.ocv.value,
        "hysteresis.soc": cell.hysteresis.soc,
        "hysteresis.half_gap_v": cell.hysteresis.value,
        "hysteresis.decay": cell.hysteresis_decay,
        "entropy.soc": cell.entropy.soc,
        "entropy.slope_v_per_k": cell.entropy.value,
        "resistance.r1.tau_s": cell.tau1_s,
        "resistance.r2.tau_s": cell.tau2_s,
        "resistance.r1.saturation_c_rate": cell.saturation_1_c_rate,
        "surface_lag.soc": cell.lag.soc,
        "surface_lag.lag_per_c_rate": cell.lag.value,
        "surface_lag.share": cell.lag.share,
        "surface_lag.activation_kj_mol": cell.lag.activation_kj_mol,
        "surface_lag.saturation_c_rate": cell.lag.saturation_c_rate,
        "thermal.heat_capacity_j_per_k": cell.heat_capacity_j_per_k,
        "thermal.heat_conductance_w_per_k": cell.heat_conductance_w_per_k,
        "limits.lower_v": cell.lower_v,
        "limits.upper_v": cell.upper_v,
        "limits.charge_min_c": cell.charge_min_c,
        "limits.discharge_min_c": cell.discharge_min_c,
    }
    for name in ("r0", "r1", "r2"):
        part = getattr(cell, name)
        for key in ("ref_ohm", "soc", "factor", "share", "activation_kj_mol"):
            v[f"resistance.{name}.{key}"] = getattr(part, key)
    for key in ("std_v", "std_soc", "std_v_per_c_rate", "tau_s", "noise_v", "temperature_c"):
        v[f"voltage_error.{key}"] = getattr(cell.voltage_error, key)
    if cell.calibration is not None:
        given = asdict(cell.calibration)
        v |= {f"calibration.{key}": value for key, value in given.items() if value is not None}
    return v


def dump_cell(cell: CellModel) -> str:
    """The TOML text of a model: the same numbers give the same bytes.

    `CellModel.from_tree(tomllib.loads(dump_cell(cell)))` is the same model.
    """
    return write_sections(_tree_values(cell), cell.spread, cell.sources)
