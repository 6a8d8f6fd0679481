"""What is unknown, and the ensemble drawn from it.

Every unknown lives on a *normal score*: a standard normal number that its quantile function turns
into the quantity. The prior of the whole ensemble is then a standard normal in as many dimensions
as there are unknowns, whatever the single distributions are (a spike at "no untracked load" and a
choice between hours of the day included), and the moves of `posterior` need no other prior. The
scores come from a counter-based generator, one stream for each (seed, name): drawing more members,
in other chunks or on other cores, changes no member already drawn.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from socband.cell import polarisation_factor
from socband.kernels_layout import CURVE_NODES
from socband.models import GAS_J_PER_MOL_K, KELVIN, CellModel
from socband.quantity import Distribution, Quantity
from socband.site_fields import Hours

if TYPE_CHECKING:
    from socband.site import Setup

Array = np.ndarray

# The order is that of the rows of a score matrix.
NAMES = (
    "start_soc",
    "offset_a",
    "gain_error",
    "untracked_a",
    "untracked_pattern",
    "capacity_fraction",
    "resistance_factor",
    "diffusion_factor",
    "hysteresis_start",
    "temperature_offset_k",
    "voltage_offset_v",
    "charge_shift",
    "hysteresis_factor",
    "decay_factor",
    "slow_current_start",  # no quantity of a bank: the filter's slow branch before the log began
    *(f"curve_{node}" for node in range(CURVE_NODES)),
)


def uniforms(seed: int, name: str, n: int) -> Array:
    """Uniform numbers in (0, 1) from the stream of (seed, name).

    Args:
        seed: any non-negative integer.
        name: what they are for; another name is another, independent stream.
        n: how many.

    Returns:
        (n,) float64; the first k of a longer draw are the same numbers.
    """
    key = (int(seed) << 32) ^ zlib.crc32(name.encode())
    raw = np.random.Philox(key=key).random_raw(n)
    # 53 bits, moved by half a step so that neither 0 nor 1 occurs (their normal score is infinite).
    return ((raw >> np.uint64(11)).astype(float) + 0.5) * 2.0**-53


def normal_scores(seed: int, name: str, n: int) -> Array:
    """(n,) standard normal numbers from the stream of (seed, name)."""
    from scipy.special import ndtri

    return ndtri(uniforms(seed, name, n))


def score_matrix(seed: int, n: int, names: Sequence[str] = NAMES) -> Array:
    """(d, n) standard normal scores, one row for each name."""
    return np.stack([normal_scores(seed, name, n) for name in names])


ALWAYS = Hours()
# However well one cell was measured, the next of its kind differs by as much along the charge and
# in voltage, a house's voltmeter included (assumed). How far the cell that a model was calibrated
# on may shift, its calibration says (`charge_shift`): told the true current, calibration records
# shift by 0.2 % rms (26650), 0.8 (18650) and 1.1 (steps cell; `benchmarks/told_current.py`).
LEAST_VOLTAGE_SPREAD_V, LEAST_SHIFT = 0.006, 0.015
# The slow part of a cell that nobody calibrated differs by this at least; one that was calibrated
# has its own number (`Calibration.slow_spread`), which grows to this at most.
UNCALIBRATED_SLOW_SPREAD = 0.4
# Half gap and decay of its hysteresis: deviations of their logarithms. Chosen on simulated
# houses whose truth is another hysteresis (`benchmarks/simulated_truth.py`).
UNCALIBRATED_GAP_SPREAD, UNCALIBRATED_DECAY_SPREAD = 0.3, 0.7
# Assumed for a cell that nobody measured: the curves of the two 26650 cells lie 0 to 3 % apart at
# 12 to 36 % charge, where they are steep.
MOST_SHIFT = 0.03
MOST_SLOW_SPREAD = 1.0  # a factor of e either way: a wider lognormal says nothing
# What a curve lies above its model's bends within so much of the charge (assumed; the residuals of
# the 26650 turn from one sign to the other within a tenth to a fifth).
CURVE_LENGTH = 0.12
NO_OFFSET = Quantity.from_number(0.0)
AS_MODELLED = Quantity.from_number(1.0)
SLOW_PART = Quantity.from_dist(
    "lognorm", s=0.3, source="assumed: the slow part differs more between cells than the fast one"
)


@dataclass(frozen=True)
class Pattern:
    """Hours of the day in which an untracked load draws.

    Attributes:
        hours: the hours; the whole day is the steady pattern.
        weight: prior probability against the other patterns.
        size: multiplies the untracked current while it draws; with 1 over the share of the day, the
            prior of the daily charge is the same as that of a steady load.
    """

    hours: Hours = ALWAYS
    weight: float = 1.0
    size: float = 1.0

    def active(self, hour: Array) -> Array:
        """1.0 where `hour` of the day [h] lies inside, else 0.0; any shape."""
        return self.hours.contains(np.asarray(hour) * 60.0).astype(float)


STEADY = Pattern()


@dataclass(frozen=True)
class Members:
    """The ensemble: one entry of each array is one member, one draw of everything unknown.

    All (n,) float64. Currents are those of the bank; positive charges it.

    Attributes:
        soc: true state of charge, 0..1.
        offset_a: what the monitor reads at zero current [A].
        gain_error: relative; the monitor reads (1 + gain_error) times the current it sees.
        untracked_a: what draws unseen while it draws, as a positive magnitude [A].
        untracked_pattern: index into the patterns; int64.
        capacity_fraction: present over rated capacity.
        resistance_factor: present over the cell model's resistance, the ohmic part and the first
            branch.
        diffusion_factor: the same for what is slow: slow resistance and surface lag.
        h: hysteresis state, -1..1.
        temperature_offset_k: cell temperature less what was given or measured [K].
        voltage_offset_v: measured less modelled voltage of a cell, constant: the meter, and how
            this cell differs from its model [V].
        charge_shift: how far this cell's voltage curves lie to the left of its model's, 0..1.
        hysteresis_factor, decay_factor: this cell's half gap, and the decay of its hysteresis, over
            its model's.
        curve: (n, CURVE_NODES) what this cell's OCV lies above its model's at nodes of the charge,
            in deviations (`posterior_settings.lasting_std_v`).
        i1_a, i2_a, i3_a: branch currents, bank level [A]: of the fast branch, and the slow and the
            fast mode of the diffusion current.
    """

    soc: Array
    offset_a: Array
    gain_error: Array
    untracked_a: Array
    untracked_pattern: Array
    capacity_fraction: Array
    resistance_factor: Array
    diffusion_factor: Array
    h: Array
    temperature_offset_k: Array
    voltage_offset_v: Array
    charge_shift: Array
    hysteresis_factor: Array
    decay_factor: Array
    curve: Array
    i1_a: Array
    i2_a: Array
    i3_a: Array

    def __len__(self) -> int:
        return len(self.soc)

    def take(self, index: Array) -> Members:
        """The members at `index`, in that order."""
        return Members(**{name: getattr(self, name)[index] for name in self.__dataclass_fields__})

    def replaced(self, **changes: Array) -> Members:
        """A copy with some arrays exchanged."""
        return replace(self, **changes)


@dataclass(frozen=True)
class Unknowns:
    """Prior of one bank and monitor: a distribution for every name in `NAMES`.

    Attributes:
        start_soc: true charge where the story starts, 0..1.
        offset_a, gain_error, capacity_fraction, resistance_factor, temperature_offset_k,
            diffusion_factor, voltage_offset_v, charge_shift, hysteresis_factor, decay_factor: see
            `Members`.
        untracked_probability: that there is an untracked load at all, 0..1.
        untracked_a: its size if there is one [A], positive.
        patterns: when it may draw; the first is the steady one by custom.
        hysteresis_start: hysteresis state at the start, -1..1.
    """

    start_soc: Quantity
    offset_a: Distribution
    gain_error: Distribution
    untracked_probability: float
    untracked_a: Quantity
    capacity_fraction: Distribution
    resistance_factor: Distribution
    hysteresis_start: Quantity
    temperature_offset_k: Quantity
    diffusion_factor: Quantity = SLOW_PART
    voltage_offset_v: Quantity = NO_OFFSET
    charge_shift: Quantity = NO_OFFSET
    hysteresis_factor: Quantity = AS_MODELLED
    decay_factor: Quantity = AS_MODELLED
    patterns: tuple[Pattern, ...] = (STEADY,)

    @classmethod
    def from_setup(
        cls, setup: Setup, start_soc: Quantity | None = None, cell: CellModel | None = None
    ) -> Unknowns:
        """The prior that a setup file describes.

        Args:
            setup: as read.
            start_soc: charge at the start; anywhere if not given.
            cell: its spreads are how far the bank's cells may differ from it; None = not at all.
        """
        monitor, bank, untracked = setup.monitor, setup.bank, setup.untracked_load
        ambient = setup.ambient.temperature_c
        return cls(
            start_soc=start_soc or Quantity.from_dist("uniform", loc=0.0, scale=1.0),
            offset_a=monitor.offset_a,
            gain_error=monitor.gain_error,
            untracked_probability=untracked.probability,
            untracked_a=untracked.current_a,
            capacity_fraction=bank.capacity_fraction,
            resistance_factor=bank.resistance_factor,
            hysteresis_start=Quantity.from_dist("uniform", loc=-1.0, scale=2.0),
            temperature_offset_k=_centred(ambient),
            patterns=(Pattern(untracked.hours),),
            **({} if cell is None else cell_unknowns(cell, ambient.median, LEAST_VOLTAGE_SPREAD_V)),
        )

    def members(self, scores: Array) -> Members:
        """The quantities that stand at a matrix of normal scores.

        Args:
            scores: (len(NAMES), n).
        """
        from scipy.special import ndtr

        u = dict(zip(NAMES, ndtr(scores), strict=True))
        n = scores.shape[1]
        untracked_a, pattern = self.untracked(scores)
        return Members(
            soc=self.start_soc.ppf(u["start_soc"]),
            offset_a=self.offset_a.ppf(u["offset_a"]),
            gain_error=self.gain_error.ppf(u["gain_error"]),
            untracked_a=untracked_a,
            untracked_pattern=pattern,
            capacity_fraction=self.capacity_fraction.ppf(u["capacity_fraction"]),
            resistance_factor=self.resistance_factor.ppf(u["resistance_factor"]),
            h=self.hysteresis_start.ppf(u["hysteresis_start"]),
            temperature_offset_k=self.temperature_offset_k.ppf(u["temperature_offset_k"]),
            diffusion_factor=self.diffusion_factor.ppf(u["diffusion_factor"]),
            charge_shift=self.charge_shift.ppf(u["charge_shift"]),
            voltage_offset_v=self.voltage_offset_v.ppf(u["voltage_offset_v"]),
            hysteresis_factor=self.hysteresis_factor.ppf(u["hysteresis_factor"]),
            decay_factor=self.decay_factor.ppf(u["decay_factor"]),
            curve=scores[-CURVE_NODES:].T @ _curve_root().T,
            i1_a=np.zeros(n),
            i2_a=np.zeros(n),
            i3_a=np.zeros(n),
        )

    def untracked(self, scores: Array) -> tuple[Array, Array]:
        """(n,) current [A] and (n,) pattern of the untracked loads alone; see `members`."""
        from scipy.special import ndtr

        u, which = ndtr(scores[[NAMES.index("untracked_a"), NAMES.index("untracked_pattern")]])
        none = 1.0 - self.untracked_probability
        # The spike: scores below it have no untracked load, those above share the rest of (0, 1).
        inside = (u - none) / max(self.untracked_probability, 1e-12)
        size = self.untracked_a.ppf(np.clip(inside, 1e-12, 1.0 - 1e-12))
        cumulative = np.cumsum([p.weight for p in self.patterns])
        pattern = np.searchsorted(cumulative / cumulative[-1], which)
        pattern = np.minimum(pattern, len(self.patterns) - 1).astype(np.int64)
        size = size * np.array([p.size for p in self.patterns])[pattern]
        return np.where(inside > 0.0, size, 0.0), pattern

    def draw(self, n: int, seed: int) -> Members:
        """`n` members of the prior; the first k of more members are the same."""
        return self.members(score_matrix(seed, n))


def cell_unknowns(
    cell: CellModel, temperature_c: float, least_v: float = 0.0
) -> dict[str, Quantity]:
    """How far the cells at hand may differ from their model, from the spreads in its file.

    Args:
        cell: the model.
        temperature_c: where the slow part's activation energy and dU/dT, if wrong, have been
            multiplied up, and the surface lag is as far from known as this is from the temperatures
            of the fit and from warmth.
        least_v: of the voltage's spread [V]: a house's voltmeter is none of a laboratory's.

    Returns:
        `diffusion_factor`, `voltage_offset_v` and `charge_shift` of `Unknowns`; for a cell without
        calibration `hysteresis_factor` and `decay_factor` too.
    """
    kelvin, reference = temperature_c + KELVIN, cell.reference_temperature_c + KELVIN
    per_kj = abs(1.0 / kelvin - 1.0 / reference) * 1e3 / GAS_J_PER_MOL_K
    # Away from the temperatures of a fit the surface lags by more or less than modelled; at worst
    # slow part and curves are as little known as those of another cell.
    away = float(cell.voltage_error.unfamiliar_factor(np.array(temperature_c)))
    found = cell.calibration
    calibrated, shift = (None, None) if found is None else (found.slow_spread, found.charge_shift)
    if calibrated is None:
        slow = max(cell.relative_spread("resistance.r2.ref_ohm"), UNCALIBRATED_SLOW_SPREAD)
    else:
        slow = _grown(calibrated, away, UNCALIBRATED_SLOW_SPREAD)
    slow = np.hypot(slow, cell.spread["resistance.r2.activation_kj_mol"] * per_kj)
    slow = min(float(slow), MOST_SLOW_SPREAD)
    # A cell that was calibrated is known as its file says where the fit was, and from there on by
    # what dU/dT is known to.
    volts = max(cell.spread["ocv.voltage_v"], LEAST_VOLTAGE_SPREAD_V)
    if found is not None:
        warmer_k = temperature_c - cell.reference_temperature_c
        drifted_v = cell.spread["entropy.slope_v_per_k"] * warmer_k
        volts = max(float(np.hypot(away * cell.spread["ocv.voltage_v"], drifted_v)), least_v)
    # In the cold the lag is longer, and with it what it errs by along the charge: the calibration
    # record at -25 degC was covered 74 % of the time with the shift of the warmth, 84 % with
    # `MOST_SHIFT`, its CRPS 3.0 and 2.9 % (by hand).
    colder = max(1.0, float(polarisation_factor(cell, np.array(temperature_c))))
    if shift is None:
        shift = max(cell.spread["ocv.soc"], LEAST_SHIFT)
    shift = _grown(shift, away * colder, MOST_SHIFT)
    hysteresis = {
        "hysteresis_factor": Quantity.from_dist("lognorm", s=UNCALIBRATED_GAP_SPREAD),
        "decay_factor": Quantity.from_dist("lognorm", s=UNCALIBRATED_DECAY_SPREAD),
    }
    return (hysteresis if found is None else {}) | {
        "diffusion_factor": Quantity.from_dist("lognorm", s=slow, source="cell model"),
        "voltage_offset_v": Quantity.from_dist("norm", loc=0.0, scale=volts, source="cell model"),
        "charge_shift": Quantity.from_dist("norm", loc=0.0, scale=shift, source="cell model"),
    }


def _curve_root() -> Array:
    """(CURVE_NODES, CURVE_NODES) root of the covariance of a smooth random curve at its nodes."""
    at = np.linspace(0.0, 1.0, CURVE_NODES) / CURVE_LENGTH
    covariance = np.exp(-0.5 * np.square(at[:, None] - at))
    return np.linalg.cholesky(covariance + 1e-9 * np.eye(CURVE_NODES))


def _grown(spread: float, factor: float, most: float) -> float:
    """`factor` times a spread, but no further than `most`, and never less than it was."""
    return max(spread, min(factor * spread, most))


def _centred(quantity: Quantity) -> Quantity:
    """A quantity's deviation from its median: the same distribution, moved."""
    if quantity.is_fixed:
        return Quantity.from_number(0.0, quantity.source)
    by = quantity.median
    moved = tuple((k, v - by) if k == "loc" else (k, v) for k, v in quantity.parameters)
    return replace(quantity, parameters=moved, low=quantity.low - by, high=quantity.high - by)
