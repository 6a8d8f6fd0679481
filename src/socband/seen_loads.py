"""The loads of a night that nobody has described, as a log has seen them.

What was drawn while nothing charged, by time of day: a house is not drawn from at three in the
morning as it is at eight in the evening. How far the night ahead differs is taken from how far the
log's days do. What the monitor misses counts too: every member corrects the current by its own
offset and gain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from socband.demand import Demand, spans_ahead
from socband.site_fields import MINUTES_A_DAY, Hours
from socband.track import GAP_S
from socband.unknowns import normal_scores

if TYPE_CHECKING:
    from socband.logs import Log
    from socband.unknowns import Members

Array = np.ndarray

AS_LOGGED = "as in the log"  # how the names of such loads begin
PARTS = 8  # of a day
MOST_DAYS = 7.0  # of a log; older ones say little of tonight (assumed)
# What flows in slower than this share of the capacity an hour is the shunt's zero or noise, and no
# charger (assumed); such rows count as they are, for noise averages out.
LEAST_CHARGE_C = 0.005
# A part of the day is known by what was seen then for so long, charging rarely meanwhile: what is
# left of a load that the sun carries is no load. The other parts draw as those known do.
LEAST_S, LEAST_DRAWING = 1800.0, 0.8
LONGEST_STEP = 5.0  # times the usual one; a longer one is a gap, of which one row tells little
# A day's loads over their mean, relative deviation: what is assumed before any day is seen, and for
# how many of them that counts; and of a part of the day that was not seen.
USUAL_SPREAD, USUAL_DAYS, UNSEEN_SPREAD = 0.2, 2.0, 0.5
LEAST_OF_DAY_S = 3 * 3600.0  # seen of a day, or it is none of those
_DAY_S = 86400.0


@dataclass(frozen=True)
class SeenLoads:
    """What a log shows of its loads.

    Attributes:
        part_a: (PARTS,) drawn on average from midnight on, as the monitor showed it [A].
        known: (PARTS,) whether that part of the day was seen.
        spread: relative deviation of a coming day's loads from that.
    """

    part_a: Array
    known: Array
    spread: float

    @classmethod
    def of(
        cls, log: Log, first_hour: float, rated_ah: float, charged: Sequence[Hours] = ()
    ) -> SeenLoads | None:
        """From the last days of a log; None where something charged all the time.

        Args:
            log: as the monitor saw it.
            first_hour: of the day at its first row.
            rated_ah: capacity of the bank.
            charged: hours in which sources may have carried a part of the loads, even where more
                was drawn than they gave; as if not there where they leave nothing.
        """
        dt_s = np.diff(log.time_s, prepend=log.time_s[0])
        end_s = float(log.time_s[-1])
        told = (log.time_s > end_s - MOST_DAYS * _DAY_S) & (dt_s > 0.0)
        told &= dt_s <= max(GAP_S, LONGEST_STEP * float(np.median(dt_s[1:])))
        at_s = log.time_s - 0.5 * dt_s
        part = np.floor((first_hour + at_s / 3600.0) % 24.0 * PARTS / 24.0).astype(int) % PARTS
        drawing = told & (log.current_a <= LEAST_CHARGE_C * rated_ah)
        minute = 60.0 * first_hour + at_s / 60.0
        alone = drawing.copy()
        for hours in charged:
            alone &= ~hours.contains(minute)
        drawing = alone if dt_s[alone].sum() >= LEAST_S else drawing
        if not drawing.any():
            return None
        told_s, drawing_s = (np.bincount(part[rows], dt_s[rows], PARTS) for rows in (told, drawing))
        known = (drawing_s >= LEAST_S) & (drawing_s >= LEAST_DRAWING * told_s)
        if known.any():
            drawing &= known[part]
        dt_s, drawn_a, part = dt_s[drawing], -log.current_a[drawing], part[drawing]
        seen_s, drawn_as = np.bincount(part, dt_s, PARTS), np.bincount(part, drawn_a * dt_s, PARTS)
        part_a = np.full(PARTS, drawn_as.sum() / seen_s.sum())
        part_a[known] = drawn_as[known] / seen_s[known]
        day = ((end_s - at_s[drawing]) / _DAY_S).astype(int)
        usual_as = np.bincount(day, part_a[part] * dt_s)
        good = (np.bincount(day, dt_s) >= LEAST_OF_DAY_S) & (usual_as > 0.0)
        ratio = np.bincount(day, drawn_a * dt_s)[good] / usual_as[good]
        return cls(part_a, known, _spread(ratio, float(seen_s.sum()) / _DAY_S))

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
        n, minutes = len(members), MINUTES_A_DAY // PARTS
        night = _factor(self.spread, seed, AS_LOGGED, n)
        for k in range(PARTS):
            hours = Hours(((k * minutes, (k + 1) * minutes),))
            name = f"{AS_LOGGED} {hours}"
            # I_true = (I_seen - offset)/(1 + gain), charging positive
            drawn_a = (self.part_a[k] + members.offset_a) / (1.0 + members.gain_error)
            factor = night if self.known[k] else night * _factor(UNSEEN_SPREAD, seed, name, n)
            drawn_a = np.maximum(drawn_a * factor, 0.0)
            demand = demand.with_steady(name, drawn_a, spans_ahead(hours, now, horizon_s))
        return demand


def _factor(spread: float, seed: int, name: str, n: int) -> Array:
    """(n,) lognormal factors of mean one."""
    log_std = float(np.sqrt(np.log1p(spread**2)))
    return np.exp(log_std * normal_scores(seed, name, n) - 0.5 * log_std**2)


def _spread(ratio: Array, days: float) -> float:
    """Of one more day about the mean of those seen.

    Args:
        ratio: of each whole day's loads to that mean.
        days: seen in all; less than one knows less of the mean.
    """
    scatter, whole = float(np.sum(np.square(ratio - 1.0))), max(len(ratio), 1)
    variance = (USUAL_DAYS * USUAL_SPREAD**2 + scatter) / (USUAL_DAYS + whole - 1)
    return float(np.sqrt(variance * (1.0 + 1.0 / max(days, 0.1))))
