"""The present at the end of a log: what `tonight` goes on from where one is given.

The setup's `present` is then the log's last row, as it is for `suspects` and `charging`. Display
and hours since full are counted back to the first row (`posterior_log`); from there on the log
speaks.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from socband.cell import temperature_factors
from socband.errors import InputError, Problem
from socband.evidence import Evidence, FullCharge
from socband.models import CellModel
from socband.posterior import Settings
from socband.posterior_log import Conditioned, posterior_of_log, present_at_first_row
from socband.quantity import Quantity
from socband.site import Setup
from socband.site_fields import ClockTime
from socband.snapshot_draw import Snapshot
from socband.track import hour_of_first_row, owners_clock_counts

if TYPE_CHECKING:
    from socband.logs import Log

MOST_MEMBERS = 4000  # conditioned on a log; a forecast has no use for more
LAST_HOUR_S = 3600.0


class EndOfLog(NamedTuple):
    """What is known when a log ends.

    Attributes:
        setup: as it is then, its clock the log's, and its temperature where the log has one.
        snapshot: the members.
        known: what came of the log, behind them.
    """

    setup: Setup
    snapshot: Snapshot
    known: Conditioned


def at_end_of_log(
    setup: Setup,
    cell: CellModel,
    log: Log,
    n: int,
    seed: int,
    evidence: Sequence[Evidence] = (),
    progress: Callable[[int, int], None] | None = None,
) -> EndOfLog:
    """Condition on a log and stay at its end.

    Args:
        setup: its `present` is the log's last row.
        cell: model of the bank's cells.
        log: at bank level, as the monitor saw it.
        n: members wanted; at most `MOST_MEMBERS` are taken.
        seed: of everything random.
        evidence: taken now; the setup's own rested voltage is left to the log's rows.
        progress: see `posterior.condition`.

    Raises:
        InputError: evidence not taken now, or such that hardly any member explains it.
    """
    present, end_s = setup.present, float(log.time_s[-1])
    for piece in evidence:
        if piece.time_s != 0.0 or isinstance(piece, FullCharge):
            when = f" at {piece.time_s / 3600.0:g} h" if piece.time_s else ""
            expected = "a reading taken when the log ends, without @"
            hint = "`replay` takes others, full charges too"
            raise InputError(Problem("--evidence", f"{piece.label}{when}", expected, hint))
    if owners_clock_counts(log, setup):
        log = replace(log, unix_time_s=None)
    found = posterior_of_log(
        present_at_first_row(setup, log),
        cell,
        log,
        Settings(members=min(n, MOST_MEMBERS), seed=seed),
        [replace(piece, time_s=end_s) for piece in evidence],
        progress=progress,
    )
    hour = (hour_of_first_row(log, setup, present_at_end=True) + end_s / 3600.0) % 24.0
    setup = replace(setup, present=replace(present, clock=ClockTime.from_hour(hour)))
    if log.temperature_c is not None:
        last = log.time_s >= end_s - LAST_HOUR_S
        measured = Quantity.from_number(float(np.mean(log.temperature_c[last])), "the log")
        setup = replace(setup, ambient=replace(setup.ambient, temperature_c=measured))
    members = found.posterior.members
    temperature_c = setup.ambient.temperature_c.median + members.temperature_offset_k
    factor = temperature_factors(cell, temperature_c)[4]
    snapshot = Snapshot(
        members,
        setup.bank.rated_capacity_ah * members.capacity_fraction * factor,
        temperature_c,
        {
            "shunt offset": members.offset_a,
            "gain error": members.gain_error,
            "untracked load": members.untracked_a,
            "capacity": members.capacity_fraction,
        },
        float(found.posterior.ess[-1]),
        found.stated.patterns,
    )
    return EndOfLog(setup, snapshot, found)
