"""Estimators of the state of charge behind one small protocol, and the prior they are given.

An estimator sees what a monitor saw (`log`: current with its faults, measured voltage), the cell
model, and what an installer would know beforehand (`prior`); it never sees the true charge. All
baselines use the same cell model as the ensemble, so that the bench compares ways of inference and
not models. What they are not: tuned to the scoring records (see `NOISE` in `filter_model`).
"""

from __future__ import annotations

import importlib
import importlib.util
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

import numpy as np

from socband.errors import InputError, Problem, did_you_mean, shown
from socband.logs import Log
from socband.scoring import QUANTILES

if TYPE_CHECKING:
    import xarray as xr

    from socband.models import CellModel

Array = np.ndarray

#: name → where its class lives; loaded only when asked for.
ESTIMATORS: dict[str, str] = {
    "display": "socband.estimators.display:Display",
    "rested_voltage": "socband.estimators.rested_voltage:RestedVoltage",
    "ekf": "socband.estimators.ekf:Ekf",
    "ukf": "socband.estimators.ukf:Ukf",
    "particle": "socband.estimators.particle:Particle",
    "ekf_bias": "socband.estimators.ekf_bias:EkfBias",
    "open_loop": "socband.estimators.open_loop:OpenLoop",
    "ensemble": "socband.estimators.ensemble:Ensemble",
}


@dataclass(frozen=True)
class RezeroRule:
    """When the monitor declares full: cell voltage above and current below, for a while."""

    voltage_v: float = 3.45
    current_a: float = math.inf
    hold_s: float = 120.0


@dataclass(frozen=True)
class Prior:
    """What is known before the log: the very distribution that the bench draws its faults from.

    I_true = (I_seen − offset − drift(t))/(1 + gain) − untracked(t), untracked ≥ 0 drawn unseen.
    Currents are per cell, positive into the cell.

    Attributes:
        soc0_mean: charge on the display where the log starts, 0..1.
        soc0_std: standard deviation of the true charge there about it. What a normal has beyond 0
            and 1, estimators deal with each as it can: `open_loop` cuts it off, which is exact
            where no display was clipped; `ensemble` and `particle` lay it onto the ends, as of a
            bank whose charger stopped at full; `rested_voltage` clips its quantiles; a Kalman
            filter knows nothing but a normal, and clips its mean. With the tails cut off the
            ensemble's CRPS was 3 to 5 % smaller on three calibration records and 15 % larger on a
            fourth, by one fault of eight (by hand), which decides nothing.
        offset_std_a: of the monitor's offset, mean 0 [A].
        gain_std: of its relative gain error, mean 0.
        drift_std_a: of the amplitude of a daily sinusoidal offset, temperature drift, mean 0 [A].
        untracked_probability: that there is an untracked load.
        untracked_mean_a: mean over the record of its current if there is one; exponential [A].
        untracked_hours_probability: that it draws in some hours only, if there is one.
        untracked_duty: lowest and highest share of a day in which it then draws; uniform. The
            window begins anywhere in the day; while on, it draws its mean over the record / share.
        day_s: length of what stands for a day (daily drift, hours) [s].
        assumed_capacity_ah: set in the monitor, for the temperature of the record [Ah].
        capacity_std: relative; assumed = true·(1 + ε), ε normal.
        rezero: the monitor's rule.
        resolution_a, dead_band_a, noise_a: of its reading, from its data sheet [A].
        clock_std: of the relative error of its clock.
        temperature_c: of the cell, where the log has none [°C].
        cutoff_v: of one cell, at which its loads are cut off [V].
    """

    soc0_mean: float
    offset_std_a: float
    untracked_mean_a: float
    drift_std_a: float
    day_s: float
    assumed_capacity_ah: float
    temperature_c: float
    resolution_a: float
    dead_band_a: float
    noise_a: float
    rezero: RezeroRule
    soc0_std: float = 0.08
    gain_std: float = 0.005
    untracked_probability: float = 0.5
    untracked_hours_probability: float = 0.5
    untracked_duty: tuple[float, float] = (0.2, 0.6)
    capacity_std: float = 0.05
    clock_std: float = 1e-3
    cutoff_v: float = 2.0

    @classmethod
    def for_record(cls, log: Log, cell: CellModel, capacity_ah: float | None = None) -> Prior:
        """The prior scaled to a record, so that its hours stand for days on a house bank.

        Over the record the offset moves the count by σ = 4 % of capacity, an untracked load by
        10 % on average if there is one, the daily drift by at most a fifth of the offset's. The
        reading has steps of C/5000 and noise of C/1000 (common practice for a shunt of five times
        the bank's C/1, no source).

        Args:
            log: the whole record (its length sets the scale).
            cell: cell model.
            capacity_ah: usable capacity in this record; None: the model's at its temperature.
        """
        temperature_c = cell.reference_temperature_c
        if log.temperature_c is not None:
            temperature_c = float(np.mean(log.temperature_c))
        if capacity_ah is None:
            from socband.cell import temperature_factors

            capacity_ah = cell.capacity_ah * float(temperature_factors(cell, temperature_c)[4])
        hours = (log.time_s[-1] - log.time_s[0]) / 3600.0
        offset_std_a = 0.04 * capacity_ah / hours
        return cls(
            soc0_mean=1.0,
            offset_std_a=offset_std_a,
            untracked_mean_a=0.10 * capacity_ah / hours,
            drift_std_a=0.2 * offset_std_a,
            day_s=hours * 3600.0 / 3.0,
            assumed_capacity_ah=capacity_ah,
            temperature_c=temperature_c,
            resolution_a=capacity_ah / 5000.0,
            dead_band_a=0.0,
            noise_a=capacity_ah / 1000.0,
            rezero=RezeroRule(current_a=0.05 * capacity_ah),
        )

    def with_display(self, soc: float, assumed_capacity_ah: float | None = None) -> Prior:
        """The same prior with another display at the start of the log, and another setting."""
        capacity = self.assumed_capacity_ah if assumed_capacity_ah is None else assumed_capacity_ah
        return replace(self, soc0_mean=float(np.clip(soc, 0.0, 1.0)), assumed_capacity_ah=capacity)

    @property
    def bias_mean_a(self) -> float:
        """Mean of what must be subtracted from the seen current: offset + untracked [A]."""
        return self.untracked_probability * self.untracked_mean_a

    @property
    def bias_std_a(self) -> float:
        """Standard deviation of offset + untracked load, as a constant [A]."""
        p, mean = self.untracked_probability, self.untracked_mean_a
        untracked = p * 2.0 * mean**2 - (p * mean) ** 2  # exponential: E x² = 2·mean²
        return math.sqrt(self.offset_std_a**2 + untracked)


@dataclass(frozen=True)
class Window:
    """A part of each `day_s` in which something runs; start and length as shares of that day."""

    day_s: float
    start: float | Array
    duty: float | Array

    def active(self, time_s: Array) -> Array:
        """True where it runs; `time_s` counts from the start of the log [s]."""
        return np.mod(np.asarray(time_s) / self.day_s - self.start, 1.0) < self.duty

    def active_s(self, time_s: Array) -> Array:
        """How long it has run until `time_s`, counted from 0; broadcasts with array fields [s]."""

        def turned(days: Array) -> Array:
            whole = np.floor(days)
            return whole * self.duty + np.minimum(days - whole, self.duty)

        days = np.asarray(time_s) / self.day_s - self.start
        return self.day_s * (turned(days) - turned(np.asarray(-self.start, dtype=float)))


@runtime_checkable
class Estimator(Protocol):
    """Anything that puts a band around the charge of a log."""

    def estimate(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> xr.Dataset:
        """`soc_quantile[time, quantile]`, one row per row of the log; perhaps mean, std, ess.

        The coordinate `quantile` holds the probabilities, ascending, and no row of the quantiles
        falls along it.
        """
        ...


# ---------------------------------------------------------------- choosing


def estimator_names(asked: str | Sequence[str] = "all") -> list[str]:
    """Names behind `all` or a comma-separated list; `path.py:Class` stands for itself.

    Raises:
        InputError: every name that is not known.
    """
    names = asked.split(",") if isinstance(asked, str) else list(asked)
    names = [name.strip() for name in names if name.strip()]
    chosen: list[str] = []
    problems = []
    for name in names:
        if name == "all":
            chosen += [known for known in ESTIMATORS if _exists(known)]
        elif name in ESTIMATORS or ".py:" in name:
            chosen.append(name)
        else:
            choices = ["all", *ESTIMATORS]
            expected = "`all`, a name, or path.py:Class"
            problems.append(
                Problem("--estimators", shown(name), expected, did_you_mean(name, choices))
            )
    if not names:
        problems.append(Problem("--estimators", "nothing", "`all`, a name, or path.py:Class"))
    if problems:
        raise InputError(problems)
    return list(dict.fromkeys(chosen))


def _exists(name: str) -> bool:
    return importlib.util.find_spec(ESTIMATORS[name].split(":")[0]) is not None


def load_estimator(name: str) -> Estimator:
    """The estimator of that name, or of `path.py:Class` (made without arguments).

    Raises:
        InputError: no such estimator, file or class, or one that does not fit the protocol.
    """
    if name in ESTIMATORS:
        module, attribute = ESTIMATORS[name].split(":")
        return getattr(importlib.import_module(module), attribute)()
    path, _, attribute = name.rpartition(":")
    if not path.endswith(".py"):
        expected = "a name or path.py:Class"
        raise InputError(
            Problem("estimator", shown(name), expected, did_you_mean(name, [*ESTIMATORS]))
        )
    if not Path(path).is_file():
        raise InputError(Problem("estimator", shown(name), f"a Python file at {path}"))
    spec = importlib.util.spec_from_file_location(f"socband_user_{Path(path).stem}", path)
    assert spec is not None
    assert spec.loader is not None
    module_object = importlib.util.module_from_spec(spec)
    try:
        spec.loader.exec_module(module_object)
        made: Any = getattr(module_object, attribute)()
    except (Exception, SystemExit) as error:
        found = f"{type(error).__name__}: {error}"
        raise InputError(Problem(name, found, "a class that can be made without arguments")) from (
            error
        )
    if not isinstance(made, Estimator):
        found = "a class without `estimate`"
        raise InputError(Problem(name, found, "estimate(log, cell, prior, rng) -> Dataset"))
    return made


def load_estimators(names: Sequence[str]) -> Mapping[str, Estimator]:
    """Every named estimator, all problems at once."""
    loaded, problems = {}, []
    for name in names:
        try:
            loaded[name] = load_estimator(name)
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return loaded


# ---------------------------------------------------------------- results


def band_dataset(
    log: Log,
    soc_quantile: Array,
    *,
    mean: Array | None = None,
    std: Array | None = None,
    ess: Array | None = None,
    probabilities: Sequence[float] = QUANTILES,
) -> xr.Dataset:
    """An estimator's answer in the form the bench reads.

    Args:
        log: gives the times.
        soc_quantile: (n, k) quantiles of the charge, clipped here to 0..1.
        mean, std: (n,) moments, before clipping.
        ess: (n,) effective sample size.
        probabilities: (k,).
    """
    import xarray as xr

    variables: dict[str, Any] = {
        "soc_quantile": (("time", "quantile"), np.clip(soc_quantile, 0.0, 1.0)),
    }
    for name, values in (("mean", mean), ("std", std), ("ess", ess)):
        if values is not None:
            variables[name] = (("time",), np.asarray(values, dtype=float))
    dataset = xr.Dataset(
        variables, coords={"time": log.time_s, "quantile": np.asarray(probabilities)}
    )
    dataset["soc_quantile"].attrs = {"units": "1", "long_name": "state of charge"}
    dataset["time"].attrs = {"units": "s", "long_name": "time since the start of the log"}
    return dataset


def normal_band(log: Log, mean: Array, std: Array) -> xr.Dataset:
    """The band of N(mean, std²), as a Kalman filter states it."""
    from scipy.special import ndtri

    quantile = mean[:, None] + std[:, None] * ndtri(np.array(QUANTILES))
    return band_dataset(log, quantile, mean=mean, std=std)


def cell_temperature(log: Log, cell: CellModel, prior: Prior) -> Array:
    """(n,) temperature of the cell [°C]: the log's, else that of a cell warming in `temperature_c`.

    Without a sensor the cell's own warming is worked out from the seen current, with
    `socband.cell.simulate`; a small cell under a brisk load is several degrees warmer than the air,
    and its resistance lower by as many tens of percent.
    """
    if log.temperature_c is not None:
        return log.temperature_c
    from socband.cell import simulate, temperature_factors

    air_c = prior.temperature_c
    capacity_ah = prior.assumed_capacity_ah / float(temperature_factors(cell, air_c)[4])
    return simulate(
        cell,
        log.time_s,
        log.current_a,
        air_c,
        prior.soc0_mean,
        capacity_ah=capacity_ah,
        self_heating=True,
    ).temperature_c


def step_s(log: Log) -> Array:
    """(n,) length of the step that ends at each row; 0 for the first [s]."""
    return np.diff(log.time_s, prepend=log.time_s[0])
