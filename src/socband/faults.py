"""Injected monitor faults: from a true record, what a monitor with faults would have logged.

I_seen = (1 + gain)·(I − I_untracked) + offset + drift(t) + noise, rounded to the steps it reads and
zero inside its dead band; the monitor's clock runs fast or slow and samples get lost. The voltage
stays the measured one. The record is cut at a start point in its first third; there the display
starts from the true charge plus an error.

Every fault is one draw from `estimators.Prior`, the same that the estimators are given, so an
estimator that uses it rightly can be honest. What is not in that prior and stays the cell's own:
the misfit of the cell model.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

import numpy as np

from socband import monitor
from socband.estimators import Prior, RezeroRule, Window, step_s
from socband.logs import Log, charge_ah, sliced

Array = np.ndarray


def stream(seed: int, *labels: str | int) -> np.random.Generator:
    """The random numbers that belong to these labels, whoever asks and in whatever order."""
    words = [int(seed) & 0xFFFFFFFF, int(seed) >> 32]
    for label in labels:
        if isinstance(label, str):
            digest = hashlib.sha256(label.encode()).digest()
            words += [int.from_bytes(digest[k : k + 4], "little") for k in (0, 4)]
        else:
            words.append(int(label))
    return np.random.Generator(np.random.Philox(np.random.SeedSequence(words)))


@dataclass(frozen=True)
class Fault:
    """One draw of everything a monitor may have wrong.

    Attributes:
        start: share of the record's length at which the log starts, 0..1/3.
        soc0_error: display less truth at the start, before the display is clipped to 0..1.
        offset_a, gain: of the reading [A], relative.
        drift_a, drift_phase: amplitude [A] and phase [rad] of the daily drift of the offset.
        untracked_a: what the untracked load draws while on, ≥ 0; 0 is none [A].
        window: when it draws; None = always.
        capacity_error: assumed over true capacity, less one.
        rezero: the monitor's rule, perhaps too eager (a false full).
        resolution_a, dead_band_a, noise_a: of the reading [A].
        clock_error: relative; positive = runs fast.
        gaps: (begin, end) of lost samples as shares of the log's length.
        noise_seed: of the reading's noise.
    """

    start: float
    soc0_error: float
    offset_a: float
    gain: float
    drift_a: float
    drift_phase: float
    untracked_a: float
    window: Window | None
    capacity_error: float
    rezero: RezeroRule
    resolution_a: float
    dead_band_a: float
    noise_a: float
    clock_error: float
    gaps: tuple[tuple[float, float], ...]
    noise_seed: int

    @classmethod
    def none(cls, prior: Prior) -> Fault:
        """A monitor without faults that starts with the record."""
        return cls(*(0.0,) * 7, None, 0.0, prior.rezero, 0.0, 0.0, 0.0, 0.0, gaps=(), noise_seed=0)

    @classmethod
    def draw(cls, prior: Prior, rng: np.random.Generator) -> Fault:
        """One fault from the prior.

        Beyond the prior's own numbers (assumed, no source): one monitor in five has a re-zero
        voltage set on the plateau (3.28–3.36 V a cell, a false full at rest); the dead band is
        uniform up to twice the offset's σ for half of the monitors and none for the rest; gaps
        are Poisson with mean 2, each exponential with mean 1 % of the log.
        """
        has_load = rng.random() < prior.untracked_probability
        mean_a = prior.untracked_mean_a * rng.exponential()
        in_hours = rng.random() < prior.untracked_hours_probability
        window = Window(prior.day_s, rng.random(), rng.uniform(*prior.untracked_duty))
        load_a = mean_a / window.duty if in_hours else mean_a
        eager, too_low_v = rng.random() < 0.2, rng.uniform(3.28, 3.36)
        banded, band_a = rng.random() < 0.5, rng.uniform(0.0, 2.0 * prior.offset_std_a)
        gaps = []
        for begin, length in zip(rng.random(8), rng.exponential(0.01, 8), strict=True):
            gaps.append((float(begin), float(begin + length)))
        return cls(
            start=float(rng.uniform(0.0, 1.0 / 3.0)),
            soc0_error=float(prior.soc0_std * rng.standard_normal()),
            offset_a=float(prior.offset_std_a * rng.standard_normal()),
            gain=float(prior.gain_std * rng.standard_normal()),
            drift_a=float(prior.drift_std_a * rng.standard_normal()),
            drift_phase=float(2.0 * np.pi * rng.random()),
            untracked_a=float(load_a) if has_load else 0.0,
            window=window if has_load and in_hours else None,
            capacity_error=float(prior.capacity_std * rng.standard_normal()),
            rezero=replace(prior.rezero, voltage_v=float(too_low_v)) if eager else prior.rezero,
            resolution_a=prior.resolution_a,
            dead_band_a=float(band_a) if banded else prior.dead_band_a,
            noise_a=prior.noise_a,
            clock_error=float(prior.clock_std * rng.standard_normal()),
            gaps=tuple(sorted(gaps[: min(int(rng.poisson(2.0)), 8)])),
            noise_seed=int(rng.integers(2**32)),
        )

    def untracked(self, time_s: Array) -> Array:
        """(n,) current of the untracked load, ≤ 0 as it discharges [A]; `time_s` from the start."""
        on = np.ones(np.shape(time_s)) if self.window is None else self.window.active(time_s)
        return -self.untracked_a * on


@dataclass(frozen=True)
class MonitorView:
    """A faulty monitor's log and, apart from it, the truth.

    Attributes:
        log: what the estimators see; holds no truth and no counter.
        truth_soc: (n,) true charge at each of its rows.
        dt_s: (n,) true length of the step that ends there [s].
        prior: what the estimators are told.
    """

    log: Log
    truth_soc: Array
    dt_s: Array
    prior: Prior


def seen_current(log: Log, fault: Fault, day_s: float) -> Array:
    """(n,) what the faulty monitor reads [A]; the equation of the module."""
    time_s = log.time_s - log.time_s[0]
    drift_a = fault.drift_a * np.sin(2.0 * np.pi * time_s / day_s + fault.drift_phase)
    return monitor.seen_current(
        log.current_a,
        offset_a=fault.offset_a + drift_a,
        gain_error=fault.gain,
        untracked_a=-fault.untracked(time_s),
        noise_a=fault.noise_a,
        resolution_a=fault.resolution_a,
        dead_band_a=fault.dead_band_a,
        rng=np.random.Generator(np.random.Philox(fault.noise_seed)),
    )


def apply_fault(log: Log, fault: Fault, prior: Prior) -> MonitorView:
    """The monitor's view of a true record.

    Args:
        log: with `true_soc`; current_a[k] is the mean over the step that ends at row k.
        fault: a draw, or `Fault.none(prior)`.
        prior: of the record; its display and its settings are replaced by this monitor's.

    Raises:
        ValueError: the record has no true charge.
    """
    if log.true_soc is None:
        raise ValueError(f"{log.name}: a record without true_soc cannot be a truth")
    length_s = log.time_s[-1] - log.time_s[0]
    first = int(np.searchsorted(log.time_s - log.time_s[0], fault.start * length_s))
    part = sliced(log, first)
    share = part.time_s / part.time_s[-1]
    kept = np.ones(len(part), dtype=bool)
    for begin, end in fault.gaps:
        kept &= ~((share > begin) & (share < end))
    kept[[0, -1]] = True
    seen = seen_current(part, fault, prior.day_s)
    assert part.true_soc is not None
    told = replace(
        prior.with_display(
            part.true_soc[0] + fault.soc0_error,
            prior.assumed_capacity_ah * (1.0 + fault.capacity_error),
        ),
        rezero=fault.rezero,
        dead_band_a=fault.dead_band_a,
    )
    view = Log(
        name=log.name,
        time_s=part.time_s[kept] * (1.0 + fault.clock_error),
        current_a=seen[kept],
        voltage_v=part.voltage_v[kept],
        temperature_c=None if part.temperature_c is None else part.temperature_c[kept],
    )
    dt_s = step_s(replace(view, time_s=part.time_s[kept]))
    return MonitorView(view, part.true_soc[kept], dt_s, told)


def step_means(log: Log, step_s: float) -> Log:
    """The record on coarser steps, its charge kept exactly.

    Each new row ends at the last old row of its step: current is the net charge over the step (by
    the counters, where there are any) divided by its length, voltage and temperature are means,
    true charge and counter are those at the end. The first row stays.

    Args:
        log: any record.
        step_s: length of the new steps [s]; 0 keeps the record as it is.
    """
    if step_s <= 0:
        return log
    # The small shift puts a row that falls on an edge into the step that ends there.
    bins = np.ceil((log.time_s - log.time_s[0]) / step_s - 1e-6).astype(np.int64)
    last = np.append(np.flatnonzero(np.diff(bins)), len(log) - 1)
    first = np.append(0, last[:-1] + 1)
    count = last - first + 1

    def mean(values: Array | None) -> Array | None:
        return None if values is None else np.add.reduceat(values, first) / count

    charge = charge_ah(log)[last]
    time_s = log.time_s[last] - log.time_s[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        current = 3600.0 * np.diff(charge, prepend=0.0) / np.diff(time_s, prepend=0.0)
    current[0] = log.current_a[0]
    voltage = mean(log.voltage_v)
    assert voltage is not None
    return Log(
        name=log.name,
        time_s=time_s,
        current_a=current,
        voltage_v=voltage,
        temperature_c=mean(log.temperature_c),
        true_soc=None if log.true_soc is None else log.true_soc[last],
        unix_time_s=None if log.unix_time_s is None else log.unix_time_s[last],
        net_charge_ah=charge,
        warnings=log.warnings,
    )
