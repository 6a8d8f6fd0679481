"""How long a log's load will last: the ensemble conditioned on the log, carried ahead.

Nothing is known of the load to come but what the log has shown. It is taken as a steady part and a
part that switches (a two-level process with the log's mean current and its peaks, because it is at
a peak that the voltage meets its limit), and its mean as uncertain as the log's own means over
parts as long as what is asked. What the monitor misses counts too: every member corrects the
current by its own offset and gain, and draws its own untracked load in its own hours of the day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from socband.demand import Demand, days_of_spans, stream_of
from socband.estimators import Prior
from socband.estimators.ensemble import unknowns_of
from socband.forecast import weighted_quantiles
from socband.forward import prepare, run
from socband.logs import Log
from socband.models import CellModel
from socband.posterior import Settings, condition
from socband.scoring import QUANTILES
from socband.site import Setup, setup_from_table
from socband.site_fields import Hours
from socband.track import Scale, Track
from socband.unknowns import normal_scores

if TYPE_CHECKING:
    from socband.unknowns import Members

Array = np.ndarray

PARTS = 6  # the log is cut into so many to see how its mean current varies
LEAST_SPREAD = 0.01  # of the mean current, relative
ALWAYS_S = np.array([[0.0, np.inf]])


@dataclass(frozen=True)
class SeenLoad:
    """What a log shows of its load; currents [A] positive = drawn.

    Attributes:
        steady_a: drawn all the time.
        peak_a: drawn on top for `duty` of the time, in cycles of `cycle_s`.
        spread: relative standard deviation of the mean to come.
    """

    steady_a: float
    peak_a: float
    duty: float
    cycle_s: float
    spread: float

    @classmethod
    def of(cls, log: Log) -> SeenLoad:
        """From a log: its time-weighted mean is kept."""
        dt = np.diff(log.time_s, prepend=log.time_s[0])
        drawn = -log.current_a
        total = max(float(np.sum(dt)), 1e-9)
        mean = float(np.sum(drawn * dt) / total)
        # the steps of a bench record hide what is shorter than they are; that stays unknown
        high = float(np.quantile(drawn, 0.98))
        above = drawn > 0.5 * (high + mean)
        duty = float(np.sum(dt[above]) / total)
        size = high - mean
        if mean <= 0.0 or size < 0.02 * abs(mean) or not 0.0 < duty < 0.9:
            steady, peak, duty, cycle = mean, 0.0, 0.5, 600.0
        else:
            peak = size / (1.0 - duty)
            steady = mean - duty * peak
            starts = np.count_nonzero(np.diff(above.astype(int)) > 0)
            cycle = float(np.clip(total / max(starts, 1), 20.0, 7200.0))
        edges = np.linspace(0.0, total, PARTS + 1)
        charge = np.interp(edges, np.cumsum(dt), np.cumsum(drawn * dt))
        parts = np.diff(charge) / np.diff(edges)
        spread = float(np.std(parts)) / max(abs(mean), 1e-9) / np.sqrt(PARTS / 2.0)
        return cls(steady, peak, duty, cycle, float(np.clip(spread, LEAST_SPREAD, 0.5)))


def spans_of(hours: Hours, hour: float, day_s: float, horizon_s: float) -> Array:
    """(k, 2) spans [s] from now in which hours of the day lie ahead.

    Args:
        hour: of the day now [h].
        day_s: length of a day; of a bench record's it is not 86400 s.
        horizon_s: how far to look [s].
    """

    def from_now(day: int, minute: int) -> float:
        return (day + (minute / 60.0 - hour) / 24.0) * day_s

    return days_of_spans(hours, from_now, int(horizon_s / day_s) + 2, horizon_s)


def demand_of(
    seen: SeenLoad,
    members: Members,
    seed: int,
    patterns: Sequence[tuple[str, Array]] = (("always", ALWAYS_S),),
) -> Demand:
    """The load of every member: the seen one, corrected by what its monitor gets wrong.

    Args:
        patterns: name and spans [s] of what `members.untracked_pattern` counts.
    """
    from socband.kernels_demand import K_COUNT, K_JITTER, K_STREAM

    n = len(members.soc)
    factor = np.maximum(1.0 + seen.spread * normal_scores(seed, "load to come", n), 0.2)
    # I_true = (I_seen − offset)/(1 + gain) − untracked, with currents positive into the battery
    steady = (seen.steady_a * factor + members.offset_a) / (1.0 + members.gain_error)
    peak = seen.peak_a * factor / (1.0 + members.gain_error)
    loads = [
        ("steady", steady, np.ones(n), 3600.0, ALWAYS_S),
        ("peak", peak, np.full(n, seen.duty), seen.cycle_s, ALWAYS_S),
    ]
    for k, (name, spans) in enumerate(patterns):
        untracked = np.where(members.untracked_pattern == k, members.untracked_a, 0.0)
        if np.any(untracked != 0.0):
            on = (untracked != 0.0).astype(float)
            loads.append((f"untracked, {name}", untracked, on, 3600.0, spans))
    names, current, duty, cycle_s, spans = zip(*loads, strict=True)
    kind = np.zeros((len(names), K_COUNT))
    kind[:, K_JITTER] = 0.5
    kind[:, K_STREAM] = [stream_of(name) for name in names]
    return Demand(
        tuple(names),
        np.zeros((n, len(names))),
        np.stack(current, axis=1),
        np.stack(duty, axis=1),
        np.tile(np.array(cycle_s), (n, 1)),
        kind,
        np.concatenate([[0], np.cumsum([len(part) for part in spans])]),
        np.concatenate(spans),
        np.ones(len(names), dtype=bool),
        np.ones(len(names), dtype=bool),
    )


def one_cell(cell: CellModel, cutoff_v: float, temperature_c: float) -> Setup:
    """A setup for a single cell that ends when it falls below its cut-off."""
    return setup_from_table(
        {
            "bank": {
                "cell": cell.name,
                "cells_in_series": 1,
                "rated_capacity_ah": cell.capacity_ah,
                "connection_resistance_ohm": 0.0,
            },
            "ambient": {"temperature_c": temperature_c},
            "limits": {"disconnect_v": cutoff_v, "delay_s": 0.5, "reconnect_v": cutoff_v + 1.0},
            "present": {"clock": "12:00"},
        },
        name="one cell",
    )


@dataclass(frozen=True)
class Ahead:
    """The forecast of this project, as a `socband.forecast_scores.Forecaster`.

    Attributes:
        members: size of the ensemble.
        cutoff_v: where a record ends [V per cell]; both open sets end at 2.0 V (PROVENANCE).
        step_s: the log is coarsened to steps of this length [s].
        horizon_h: how far it looks [h].
    """

    members: int = 400
    cutoff_v: float = 2.0
    step_s: float = 60.0
    horizon_h: float = 48.0

    def hours_left(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> tuple[Array, Array]:
        """Probabilities (k,) and quantiles (k,) [h] at the log's last row."""
        seed = int(rng.integers(2**31))
        track = Track.from_log(log, cell, Scale(), prior.temperature_c, self.step_s)
        middle = track.time_s - 0.5 * track.dt_s
        track = replace(track, hour=np.mod(middle / prior.day_s, 1.0) * 24.0)
        settings = Settings(members=self.members, seed=seed)
        unknowns = unknowns_of(prior, cell)
        members = condition(track, cell, unknowns, settings).members
        hour = float(np.mod(track.time_s[-1] / prior.day_s, 1.0)) * 24.0
        patterns = [
            (str(p.hours), spans_of(p.hours, hour, prior.day_s, 3600.0 * self.horizon_h))
            for p in unknowns.patterns
        ]
        demand = demand_of(SeenLoad.of(log), members, seed, patterns)
        setup = one_cell(cell, self.cutoff_v, prior.temperature_c)
        plan = prepare(setup, cell, members, horizon_h=self.horizon_h, seed=seed, demand=demand)
        hours = run(plan).report[:, 0] / 3600.0
        return np.array(QUANTILES), weighted_quantiles(hours, QUANTILES)
