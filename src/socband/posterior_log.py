"""The posterior of a log and of what was taken by hand beside it, for whoever asks about it.

The setup's `present` section describes the moment at which the log begins, or the one at which it
ends: then what it says is counted back to the first row (`present_at_first_row`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from socband.errors import InputError, Problem
from socband.evidence import Evidence, RestedVoltage
from socband.models import CellModel
from socband.monitor import counted_soc, moved_soc
from socband.posterior import Posterior, Settings, condition
from socband.prior_of_log import start_of_log, with_faults
from socband.quantity import Quantity
from socband.site import Setup
from socband.site_check import RESTED_V, bank_voltage_problems
from socband.site_fields import ClockTime
from socband.snapshot import MOST_DEVIATIONS, doubts_about
from socband.track import Scale, Track, hour_of_first_row
from socband.unknowns import Unknowns

if TYPE_CHECKING:
    from socband.logs import Log

# Fewer effective members than these behind a piece of evidence, and it contradicts the log: one in
# a thousand (assumed), as of a sharp reading 3 standard deviations off; and never one alone.
LEAST_SHARE, LEAST_MEMBERS = 1e-3, 2.0
# A voltage taken by hand after a rest, and the log's own rows just before (assumed): a meter, leads
# and a small load make less.
JUST_BEFORE_S, MOST_AT_REST_C, MOST_APART_V = 300.0, 0.05, 0.03
NEARLY = 0.02  # of charge by which a display counted back may pass its ends (assumed)
# Just full, what a display shows then, and how far from 100 % it stands at it (assumed).
_JUST_H, _FULL, _AT_FULL = 1.0, 0.95, 0.005


class Conditioned(NamedTuple):
    """A setup on a log, and what came of it.

    Attributes:
        setup: with the clock of the first row.
        track: the log as it was conditioned on.
        stated: the prior at its first row, as the setup states it.
        prior: the same with the usual chances of faults that nobody states.
        posterior: of that.
    """

    setup: Setup
    track: Track
    stated: Unknowns
    prior: Unknowns
    posterior: Posterior


def posterior_of_log(
    setup: Setup,
    cell: CellModel,
    log: Log,
    settings: Settings,
    evidence: Sequence[Evidence] = (),
    step_s: float = 60.0,
    progress: Callable[[int, int], None] | None = None,
) -> Conditioned:
    """Condition the ensemble on a log.

    Args:
        setup: its `present` is the log's first row.
        cell: model of the bank's cells.
        log: at bank level, as the monitor saw it.
        settings: of the conditioning.
        evidence: beyond the log.
        step_s: the log is coarsened to steps of this length.
        progress: see `posterior.condition`.

    Raises:
        InputError: evidence from outside the log, or such that hardly any member explains.
    """
    _check_pieces(setup, log, evidence)
    scale = Scale.of(setup.bank.cells_in_series, setup.bank.rated_capacity_ah, cell)
    hour = hour_of_first_row(log, setup)
    # the log's own clock goes before the setup's, also for what drew before its first row
    present = replace(setup.present, clock=ClockTime.from_hour(hour))
    setup = replace(setup, present=present)
    track = Track.from_log(
        _at_the_cells(log, setup), cell, scale, setup.ambient.temperature_c.median, step_s, hour
    )
    stated = start_of_log(setup, cell, settings.seed, measured=log.temperature_c is not None)
    prior = with_faults(stated, setup, cell)
    posterior = condition(track, cell, prior, settings, evidence, progress)
    _refuse_contradictions(posterior, evidence, settings.members, setup, cell)
    return Conditioned(setup, track, stated, prior, posterior)


def present_at_first_row(setup: Setup, log: Log) -> Setup:
    """A setup whose `present` is the log's last row, with the present of its first.

    The display is counted back along the log. Where it was full within the log, where nobody says
    when it was, or where the count ends beyond full or empty, nothing is known of it there; nor
    where it stood at 100 % in between, unless it began there: a display that an unseen load or an
    offset has driven up stays at 100 %, and has forgotten by how much it would have passed it.
    """
    present, monitor = setup.present, setup.monitor
    hours = float(log.time_s[-1]) / 3600.0
    since = present.hours_since_full
    clock = ClockTime.from_hour(hour_of_first_row(log, setup, present_at_end=True))
    told = present.display_soc is not None and not setup.assumes("present.hours_since_full")
    shown = np.nan
    if told and since.median >= hours:
        counts = {
            "assumed_capacity_ah": monitor.assumed_capacity_ah.median,
            "assumed_charge_efficiency": monitor.assumed_charge_efficiency.median,
            "dead_band_a": monitor.dead_band_a.median,
        }
        shown = present.display_soc - moved_soc(log.time_s, log.current_a, **counts)
        if since.median - hours < _JUST_H and shown < _FULL:
            shown = 1.0  # it was full then: did it count down from there to what it shows?
        begun = float(np.clip(shown, 0.0, 1.0))
        counted = counted_soc(log.time_s, log.current_a, start_soc=begun, **counts)
        stood = begun < _FULL and counted.max() > 1.0 - _AT_FULL
        if stood or abs(counted[-1] - present.display_soc) > NEARLY:
            shown = np.nan
    known = -NEARLY <= shown <= 1.0 + NEARLY
    earlier = replace(
        present,
        clock=clock,
        current_a=None,
        rested_voltage_v=None,
        rested_hours=None,
        display_soc=float(np.clip(shown, 0.0, 1.0)) if known else None,
        hours_since_full=_less(since, hours) if known else since,
    )
    return replace(setup, present=earlier)


def _less(since: Quantity, hours: float) -> Quantity:
    """Hours since full, so many hours earlier; never below none."""
    if since.is_fixed:
        return Quantity.from_number(max(since.mean - hours, 0.0))
    middle = max(since.median - hours, 0.0)
    return Quantity.from_dist("norm", loc=middle, scale=since.std).within(low=0.0)


def row_of(time_s: np.ndarray, piece: Evidence) -> int:
    """The step after which a piece is applied, -1 before the first: as in `posterior`."""
    return int(np.searchsorted(time_s, piece.time_s, side="right")) - 1


def lead_ohm(setup: Setup) -> float:
    """What the file states of leads, fuse and shunt; 0 where it says nothing, for that is then
    found with the resistance of the cells."""
    stated = not setup.assumes("bank.connection_resistance_ohm")
    return setup.bank.connection_resistance_ohm.median if stated else 0.0


def _at_the_cells(log: Log, setup: Setup) -> Log:
    """A log without what its current loses on the way to the cells."""
    return replace(log, voltage_v=log.voltage_v - lead_ohm(setup) * log.current_a)


def _check_pieces(setup: Setup, log: Log, evidence: Sequence[Evidence]) -> None:
    end_h = log.time_s[-1] / 3600.0
    problems = [
        Problem(
            "--evidence",
            f"{piece.label} at {piece.time_s / 3600.0:g} h",
            f"a time within the log, 0 to {end_h:.4g} h",
        )
        for piece in evidence
        if not 0.0 <= piece.time_s <= log.time_s[-1] * (1.0 + 1e-9)
    ]
    for piece in evidence:
        if isinstance(piece, RestedVoltage):
            problems += bank_voltage_problems(
                "--evidence rested", piece.voltage_v, setup.bank.cells_in_series, RESTED_V
            ) or _rest_against_log(setup, log, piece)
    if problems:
        raise InputError(problems)


def _rest_against_log(setup: Setup, log: Log, piece: RestedVoltage) -> list[Problem]:
    """Was there a rest, and did the log see that voltage too?"""
    rows = slice(*np.searchsorted(log.time_s, piece.time_s + np.array([-JUST_BEFORE_S, 1.0])))
    if rows.start == rows.stop:
        return []  # the log is silent then
    amps, volts = float(np.mean(log.current_a[rows])), float(np.mean(log.voltage_v[rows]))
    hour, where = f"at {piece.time_s / 3600.0:.4g} h", "--evidence rested"
    most_a = MOST_AT_REST_C * setup.bank.rated_capacity_ah
    if abs(amps) > most_a:
        found = f"a rested voltage {hour}, where the log has {amps:+.3g} A"
        return [Problem(where, found, f"at most {most_a:g} A in a rest", "is the time right?")]
    most_v = MOST_APART_V * setup.bank.cells_in_series
    if abs(piece.voltage_v - volts) > most_v:
        found = f"{piece.voltage_v:g} V {hour}, where the log has {volts:.4g} V at {amps:+.2g} A"
        return [Problem(where, found, f"at most {most_v:g} V apart", "is the time right?")]
    return []


def _refuse_contradictions(
    posterior: Posterior,
    evidence: Sequence[Evidence],
    members: int,
    setup: Setup,
    cell: CellModel,
) -> None:
    """Evidence that next to no member explains contradicts the log and the setup, as in
    `snapshot`."""
    least = max(LEAST_MEMBERS, LEAST_SHARE * members)
    problems = []
    for row in sorted({row_of(posterior.time_s, piece) for piece in evidence}):
        if posterior.ess[max(row, 0)] < least or posterior.missed.get(row, 0.0) > MOST_DEVIATIONS:
            pieces = [p for p in evidence if row_of(posterior.time_s, p) == row]
            what = ", ".join(f"{p.label} at {p.time_s / 3600.0:.4g} h" for p in pieces)
            problems.append(
                Problem(
                    "--evidence",
                    f"{what}, which hardly any bank explains that the log and the monitor's errors "
                    "allow",
                    "readings that fit together, or wider uncertainties",
                    f"is the time right? {doubts_about(pieces, setup, cell)}".strip(),
                )
            )
    if problems:
        raise InputError(problems)
