"""How long a log's load will last: the ensemble conditioned on the log, carried ahead.

Nothing is known of the load to come but what the log has shown. Each group of members lives through
the log's own load once more, from a moment of it (one in each eighth) and round again, in a few
levels that keep its mean; so heavy hours come after quiet ones as they did, and it is at a peak of
a heavy hour that the voltage meets its limit. Its mean is as uncertain as the means of the log's
sixths make that of the whole log, and the steps of a log hide peaks shorter than they are. What the
monitor misses counts too: every member corrects the current by its own offset and gain, and draws
its own untracked load in its own hours of the day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from socband.demand import Demand, days_of_spans, stream_of
from socband.estimators import Prior
from socband.estimators.ensemble import track_of, unknowns_of
from socband.forward import prepare, run
from socband.kernels_columns import O_LVD
from socband.logs import Log
from socband.models import CellModel
from socband.posterior import Settings, condition
from socband.scoring import QUANTILES
from socband.site import Setup, setup_from_table
from socband.site_fields import Hours
from socband.summary import quantiles_of
from socband.unknowns import normal_scores, uniforms

if TYPE_CHECKING:
    from socband.unknowns import Members

Array = np.ndarray

PARTS = 6  # the log is cut into so many to see how its mean current varies
LEAST_SPREAD = 0.01  # of the mean current, relative
LEVELS = (0.25, 0.5, 0.75, 0.9, 0.97)  # shares of the log's rows below which a level ends
MOST_HIDDEN = 5.0  # times what the highest step exceeds the mean by (assumed; 2.3 seen in records)
GROUPS = 8  # of members, each with its own moment at which the log's load begins anew
SHORTEST_S = 1.0  # of a draw that a disconnect notices
HIDDEN = "hidden peaks"
ALWAYS_S = np.array([[0.0, np.inf]])


@dataclass(frozen=True)
class SeenLoad:
    """What a log shows of its load; currents [A] positive = drawn.

    Attributes:
        dt_s: (n,) the log's steps [s].
        level: (n,) of each step.
        level_a: (k,) mean current of each level, ascending.
        excess_a: of the highest step over the mean.
        growth: by how much that excess grows if it is averaged over half as long, as a power.
        spread: relative standard deviation of the log's mean about that of all time.
    """

    dt_s: Array
    level: Array
    level_a: Array
    excess_a: float
    growth: float
    spread: float

    @classmethod
    def of(cls, log: Log) -> SeenLoad:
        """From a log: its time-weighted mean is kept."""
        dt = np.diff(log.time_s)
        drawn = -log.current_a[1:]
        charge = np.concatenate([[0.0], np.cumsum(drawn * dt)])
        until = np.concatenate([[0.0], np.cumsum(dt)])
        mean = charge[-1] / until[-1]
        level = np.searchsorted(np.unique(np.quantile(drawn, LEVELS)), drawn)
        level = np.unique(level, return_inverse=True)[1]
        level_a = np.bincount(level, drawn * dt) / np.bincount(level, dt)
        # Pairs of steps tell whether a peak is shorter than a step.
        pair_a = (charge[2:] - charge[:-2]) / (until[2:] - until[:-2])
        excess, paired = float(np.max(drawn) - mean), float(np.max(pair_a, initial=mean) - mean)
        growth = np.log2(excess / paired) if paired > 0.0 else 0.0
        edges = np.linspace(0.0, until[-1], PARTS + 1)
        parts = np.diff(np.interp(edges, until, charge)) / np.diff(edges)
        # How far the log's mean may lie from that of all time; how the time to come differs from
        # that again is lived by the groups of members.
        spread = float(np.std(parts)) / max(abs(mean), 1e-9) / np.sqrt(PARTS)
        return cls(dt, level, level_a, excess, float(np.clip(growth, 0.0, 1.0)),
                   float(np.clip(spread, LEAST_SPREAD, 0.5)))  # fmt: skip

    def spans(self, level: int, begin: float, horizon_s: float) -> Array:
        """(k, 2) spans [s] from now at that level or above, if the log's load is lived again.

        Args:
            begin: where in the log that starts, as a share of its rows.
            horizon_s: how far it goes; round and round [s].
        """
        first = int(begin * len(self.level))
        rounds = int(np.ceil(horizon_s / self.dt_s.sum()))
        on = np.tile(np.roll(self.level, -first) >= level, rounds)
        until_s = np.cumsum(np.tile(np.roll(self.dt_s, -first), rounds))
        turns = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
        return np.concatenate([[0.0], until_s])[turns].reshape(-1, 2)


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
    *,
    begin: float = 0.0,
    horizon_s: float = 48 * 3600.0,
) -> Demand:
    """The load of every member: the seen one, corrected by what its monitor gets wrong.

    Args:
        patterns: name and spans [s] of what `members.untracked_pattern` counts.
        begin, horizon_s: see `SeenLoad.spans`.
    """
    from socband.kernels_demand import K_COUNT, K_JITTER, K_STREAM

    n = len(members.soc)
    factor = np.maximum(1.0 + seen.spread * normal_scores(seed, "load to come", n), 0.2)
    factor /= 1.0 + members.gain_error
    # I_true = (I_seen − offset)/(1 + gain) − untracked, with currents positive into the battery
    steady = seen.level_a[0] * factor + members.offset_a / (1.0 + members.gain_error)
    more_a = [step_a * factor for step_a in np.diff(seen.level_a)]
    level_spans = [seen.spans(k, begin, horizon_s) for k in range(1, len(seen.level_a))]
    # How much of the growth towards shorter means goes on below the log's steps, nobody knows.
    step_s = float(np.median(seen.dt_s))
    finer = max(step_s / SHORTEST_S, 1.0)
    goes_on = uniforms(seed, "peaks within a step", n)
    hidden_a = seen.excess_a * factor
    hidden_a *= np.minimum(finer ** (seen.growth * goes_on), MOST_HIDDEN) - 1.0
    hides = bool(more_a) and bool(np.any(hidden_a > 0.0))
    if hides:
        more_a[-1] = more_a[-1] - hidden_a / finer
    loads = [("steady", steady, 1.0, 3600.0, ALWAYS_S)]
    for k, (amps, spans) in enumerate(zip(more_a, level_spans, strict=True), start=1):
        loads.append((f"level {k}", amps, 1.0, 3600.0, spans))
    if hides:
        loads.append((HIDDEN, hidden_a, 1.0 / finer, step_s, level_spans[-1]))
    for k, (name, spans) in enumerate(patterns):
        untracked = np.where(members.untracked_pattern == k, members.untracked_a, 0.0)
        if np.any(untracked != 0.0):
            loads.append((f"untracked, {name}", untracked, 1.0, 3600.0, spans))
    names, current, duty, cycle_s, spans = zip(*loads, strict=True)
    kind = np.zeros((len(names), K_COUNT))
    # a peak as short as a switching may be would be lengthened on average by a spread about it
    kind[:, K_JITTER] = [0.0 if name == HIDDEN else 0.5 for name in names]
    kind[:, K_STREAM] = [stream_of(name) for name in names]
    return Demand(
        tuple(names),
        np.zeros((n, len(names))),
        np.stack(current, axis=1),
        np.tile(np.array(duty), (n, 1)),
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
        step_s: the log is coarsened to steps of this length [s].
        horizon_h: how far it looks [h].
    """

    members: int = 400
    step_s: float = 60.0
    horizon_h: float = 48.0

    def hours_left(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> tuple[Array, Array]:
        """Probabilities (k,) and quantiles (k,) [h] at the log's last row."""
        seed = int(rng.integers(2**31))
        track = track_of(log, cell, prior, self.step_s)
        settings = Settings(members=self.members, seed=seed)
        unknowns = unknowns_of(prior, cell)
        members = condition(track, cell, unknowns, settings).members
        hour = float(np.mod(track.time_s[-1] / prior.day_s, 1.0)) * 24.0
        patterns = [
            (str(p.hours), spans_of(p.hours, hour, prior.day_s, 3600.0 * self.horizon_h))
            for p in unknowns.patterns
        ]
        warmer_k = float(track.temperature_c[-1]) - prior.temperature_c
        seen, setup = SeenLoad.of(log), one_cell(cell, prior.cutoff_v, prior.temperature_c)
        hours = []
        for k, again in enumerate(rng.integers(2**31, size=GROUPS)):
            group = members.take(np.arange(k, len(members), GROUPS))
            begin = (k + rng.random()) / GROUPS
            demand = demand_of(seen, group, int(again), patterns, begin=begin,
                               horizon_s=3600.0 * self.horizon_h)  # fmt: skip
            plan = prepare(setup, cell, group, horizon_h=self.horizon_h, seed=int(again),
                           demand=demand, warmer_k=warmer_k)  # fmt: skip
            hours.append(run(plan).column(O_LVD) / 3600.0)
        hours = np.concatenate(hours)
        return np.array(QUANTILES), quantiles_of(hours, QUANTILES)
