"""The loads of a night that nobody has described, as a log has seen them.

What was drawn while nothing charged, by time of day: a house is not drawn from at three in the
morning as it is at eight in the evening. How far the night ahead differs is taken from how far the
log's days do. What the monitor misses counts too: every member corrects the current by its own
offset and gain.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from socband.demand import Demand, spans_ahead
from socband.site_fields import MINUTES_A_DAY, Hours
from socband.unknowns import normal_scores

if TYPE_CHECKING:
    from socband.logs import Log
    from socband.unknowns import Members

Array = np.ndarray

PARTS = 8  # of a day
MOST_DAYS = 7.0  # of a log; older ones say little of tonight (assumed)
# A part of the day is drawn from by what was seen then for so long, else by what the others were.
LEAST_S = 1800.0
LONGEST_STEP = 5.0  # times the usual one; a longer one is a gap, of which one row tells little
# A day's loads over their mean, relative deviation: what is assumed before any day is seen, and for
# how many of them that counts.
USUAL_SPREAD, USUAL_DAYS = 0.2, 2.0
LEAST_OF_DAY_S = 3 * 3600.0  # seen of a day, or it is none of those
_DAY_S = 86400.0


@dataclass(frozen=True)
class SeenLoads:
    """What a log shows of its loads.

    Attributes:
        part_a: (PARTS,) drawn on average from midnight on, positive [A].
        spread: relative deviation of a coming day's loads from that.
    """

    part_a: Array
    spread: float

    @classmethod
    def of(cls, log: Log, first_hour: float) -> SeenLoads | None:
        """From the last days of a log; None where nothing was drawn while nothing charged.

        Args:
            log: as the monitor saw it.
            first_hour: of the day at its first row.
        """
        dt_s = np.diff(log.time_s, prepend=log.time_s[0])
        end_s = float(log.time_s[-1])
        seen = (log.current_a <= 0.0) & (log.time_s > end_s - MOST_DAYS * _DAY_S)
        seen &= dt_s <= LONGEST_STEP * np.median(dt_s[1:])
        dt_s, drawn_a, at_s = dt_s[seen], -log.current_a[seen], (log.time_s - 0.5 * dt_s)[seen]
        total_s = float(dt_s.sum())
        if total_s <= 0.0 or drawn_a @ dt_s <= 0.0:
            return None
        part = np.floor((first_hour + at_s / 3600.0) % 24.0 * PARTS / 24.0).astype(int) % PARTS
        seconds = np.bincount(part, dt_s, PARTS)
        known = seconds >= LEAST_S
        mean_a = float(drawn_a @ dt_s) / total_s
        part_a = np.full(PARTS, mean_a)
        part_a[known] = np.bincount(part, drawn_a * dt_s, PARTS)[known] / seconds[known]
        day = ((end_s - at_s) / _DAY_S).astype(int)
        of_day_s = np.bincount(day, dt_s)
        usual = np.bincount(day, part_a[part] * dt_s)
        good = (of_day_s >= LEAST_OF_DAY_S) & (usual > 0.0)
        ratio = np.bincount(day, drawn_a * dt_s)[good] / usual[good]
        return cls(part_a, _spread(ratio))

    def mean_a(self, hour: float, hours: float) -> float:
        """Mean of what is drawn over so many hours from an hour of the day on [A]."""
        minutes = np.arange(0.5, max(60.0 * hours, 1.0))
        part = ((hour + minutes / 60.0) % 24.0 * PARTS / 24.0).astype(int)
        return float(self.part_a[part].mean())

    def added_to(
        self, demand: Demand, members: Members, seed: int, now: datetime, horizon_s: float
    ) -> Demand:
        """A demand with these loads besides, as each member's monitor saw them.

        Args:
            demand: of the same members.
            seed: of how far a member's night differs from those of the log.
            now, horizon_s: see `demand.spans_ahead`.
        """
        # a lognormal factor of mean one; I_true = (I_seen - offset)/(1 + gain), charging positive
        log_std = float(np.sqrt(np.log1p(self.spread**2)))
        factor = np.exp(log_std * normal_scores(seed, "loads as in the log", len(members)))
        factor *= np.exp(-0.5 * log_std**2)
        drawn_a = self.part_a[:, None] * factor + members.offset_a
        drawn_a = np.maximum(drawn_a / (1.0 + members.gain_error), 0.0)
        minutes = MINUTES_A_DAY // PARTS
        for k in range(PARTS):
            hours = Hours(((k * minutes, (k + 1) * minutes),))
            name = f"as in the log, {hours}"
            demand = demand.with_steady(name, drawn_a[k], spans_ahead(hours, now, horizon_s))
        return demand


def _spread(ratio: Array) -> float:
    """Of one more day about the mean of those seen, from their ratios to it."""
    seen = max(len(ratio), 1)
    scatter = float(np.sum(np.square(ratio - 1.0)))
    variance = (USUAL_DAYS * USUAL_SPREAD**2 + scatter) / (USUAL_DAYS + seen - 1)
    return float(np.sqrt(variance * (1.0 + 1.0 / seen)))
