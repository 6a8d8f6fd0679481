"""Cell identification: from measured records to a cell model with a spread for every number.

One way: records → OCV branches (or rested voltages) → starting values scaled by capacity and step
resistance → least squares over all records at once → what is left over → `CellModel`. Missing
parts widen the spreads and are written into the model's notes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from socband import identify_family as family
from socband.cell import OCV, CellScalars, CellTables
from socband.errors import InputError, Problem
from socband.identify_anchor import Anchor, anchor, rested_full_v
from socband.identify_capacity import Capacities
from socband.identify_doubts import doubts_on, doubts_on_size
from socband.identify_dynamic import Fit, Frame, Record, fit_dynamic, ocv_doubt_v, tables_of
from socband.identify_meter import notes_on_meters, notes_on_scored_meters, with_meter_doubt
from socband.identify_model import cell_from_fit
from socband.identify_notes import note_on_low_end, notes_on, notes_on_scores, notes_on_truth
from socband.identify_ocv import (
    GRID,
    Branch,
    fitted_entropy,
    gap_from_published,
    ocv_and_gap,
    refuse_other_chemistry,
    refuse_other_voltages,
)
from socband.identify_place import placed_by_voltage, scored
from socband.identify_residual import score_records, voltage_error_of
from socband.identify_rest import few_rests, rested_ocv, rests_of
from socband.identify_source import Reader, Source, anchored_capacity_ah, left_over_ah
from socband.identify_steps import is_dynamic, start_state, steps_at_25_c
from socband.layouts import read_record
from socband.logs import Log
from socband.models import CellModel, load_cell

Array = np.ndarray
_SOFT_STEADY = 30.0  # constant-current records hold no outliers, only their own low end
_PUBLISHED_OCV_V = 0.006  # spread of a published OCV of the same type of cell
_COLD_C = 5.0  # warmer records say little of resistances in the cold, which rise steeply there
_COLDEST_OCV_C = 5.0  # colder, low-rate branches are far from rest
# Spread of an OCV from such branches: the middle between those of the open 26650 at -5 and -25 °C
# lies 6 and 13 mV below that at 25 °C (half charge).
_COLD_OCV_V = 0.010


@dataclass(frozen=True)
class Fitted:
    """A fitted cell and how it did.

    Attributes:
        cell: the model, numbers rounded as in its file.
        records: one row a record: name, used_for, temperature_c, rms_mv and raw_rms_mv by range of
            charge [mV], rested_rms_mv where it has rests, true_charge (how it is known), guessed
            (whether that is a guess); of a scored one whose place is, see `identify_place.scored`.
        fit: the raw parameter vector and its covariance.
        notes: what is missing or assumed: the model's own, and what its scores may be worth.
    """

    cell: CellModel
    records: list[dict[str, Any]]
    fit: Fit
    notes: tuple[str, ...]


def fit_cell(
    name: str,
    *,
    ocv_discharge: Sequence[Source | str | Path] = (),
    ocv_charge: Sequence[Source | str | Path] = (),
    dynamic: Sequence[Source | str | Path] = (),
    score: Sequence[Source | str | Path] = (),
    title: str = "",
    like: str = "lfp-26650-2ah",
    diffusion_s: float | None = None,
    published_ocv_v: Array | None = None,
    source: str = "",
    rounds: int = 40,
    read: Reader = read_record,
) -> Fitted:
    """Fit a cell model.

    Args:
        name: of the model.
        ocv_discharge, ocv_charge: low-rate branches, as sources or as texts that name them (25 °C,
            as with the other two); without any, OCV comes from rested voltages in `dynamic`, its
            shape between them from the model `like`.
        dynamic: records to fit: drive cycles, pulses, constant current.
        score: records that are only scored. Where a record has an end point, its true charge is
            anchored at both ends, else at its full or empty end alone.
        title: one line.
        like: a cell model whose OCV shape stands in where none was measured.
        diffusion_s: published diffusion time constant; None takes the family's.
        published_ocv_v: (1025,) published OCV of this cell; has a say in the hysteresis where only
            a discharge branch was measured.
        source: citation of the records, goes into the model file.
        rounds: most iterations of the least squares.
        read: gives the log of a path.

    Raises:
        InputError: no record to fit, or records that cannot be used.
    """
    ocv_discharge, ocv_charge, dynamic, score = (
        [Source.of(part) for part in group] for group in (ocv_discharge, ocv_charge, dynamic, score)
    )
    if not dynamic:
        raise InputError(Problem("--dynamic", "nothing", "at least one record to fit"))
    load_cell(like)  # a name that is none is said now, needed or not
    read = cache(read)
    refuse_other_voltages(
        [read(part.path) for part in (*ocv_discharge, *ocv_charge, *dynamic, *score)]
    )
    notes: list[str] = []
    branches = _branches(ocv_discharge, ocv_charge, read)
    left = left_over_ah(ocv_discharge, read)
    logs = [(read(part.path), part.temperature_c) for part in dynamic]
    capacities = Capacities.from_records(branches, logs, notes)
    capacities.refuse_other_sizes([read(part.path) for part in (*dynamic, *score)])
    capacity = capacities.reference_ah
    steps, step_doubt = steps_at_25_c(branches, logs)
    step_ohm = float(np.median(steps)) if steps else 0.15 / capacity
    if not steps:
        notes.append("no current step in the records: resistance starts from 0.15 ohm·Ah, assumed")
    moving = any(is_dynamic(log) for log, _ in logs)
    if not moving:
        notes.append(
            "constant-current records only: they cannot tell time constants, which are priors"
        )
    # Those that are only scored too: what is wrong with them is said before the long fit.
    tied = [
        _record(part, read(part.path), capacities, branches, left, read)
        for part in (*dynamic, *score)
    ]
    records = [record for record, _ in tied[: len(dynamic)]]
    before = len(notes)
    frame, ocv_spread_v = _frame(
        branches, records, capacities, step_ohm, like, published_ocv_v, notes
    )
    coarse = all(float(np.median(np.diff(log.time_s))) > 2.0 for log, _ in logs)
    r0 = frame.priors["r0"]
    # The step holds a part of the fast branch, was not seen at all, or was seen at 25 °C nowhere.
    wide = 0.6 if coarse or not steps else float(np.hypot(r0.spread, step_doubt))
    frame = replace(frame, priors=frame.priors | {"r0": r0._replace(spread=wide)})
    if not moving:
        priors = frame.priors | family.STEADY
        if diffusion_s is not None:
            priors["tau2_s"] = priors["tau2_s"]._replace(median=diffusion_s)
        frame = replace(frame, priors=priors, soft=_SOFT_STEADY, r_spread=family.R_SPREAD_STEADY)
    tied = placed_by_voltage(tied, frame) if branches else tied
    if moving and branches:
        # Not where rests are the curve, nor by constant current, which cannot tell it from what it
        # loses itself, and not while records are placed along the curve that they would move.
        frame = replace(frame, ocv_moves_v=ocv_spread_v)
    records = [record for record, _ in tied[: len(dynamic)]]
    anchors = [(record.name, at) for record, at in tied[: len(dynamic)]]
    notes[before:before] = notes_on(anchors)
    fitted_logs = [log for log, _ in logs]
    low_rate = [read(part.path) for part in (*ocv_discharge, *ocv_charge)]
    for_ocv = low_rate or fitted_logs
    notes += notes_on_meters(for_ocv, fitted_logs if low_rate else ())
    guessed = capacities.guessed or any(at.guessed for _, at in anchors)
    notes += filter(None, [note_on_low_end(records, "" if branches else like, guessed)])
    if guessed:
        frame = replace(frame, charge_assumed=True)
        ocv_spread_v = float(np.hypot(ocv_spread_v, ocv_doubt_v(frame)))
    fit = fit_dynamic(records, frame, rounds=rounds)
    tables = tables_of(fit.p, frame)
    refuse_other_chemistry(tables.table[:, OCV])
    both_ends = all(at.how in ("both ends", "file") for _, at in tied[: len(records)])
    error = voltage_error_of(tables, records, 1.0 if moving else 2.0, both_ends)
    cell = cell_from_fit(
        name, title or name, fit, frame, tables, error, branches, records, capacities,
        ocv_spread_v=ocv_spread_v, moving=moving, notes=tuple(notes), source=source,
    )  # fmt: skip
    cell = with_meter_doubt(cell, for_ocv, frame.gap_measured)
    rows = score_records(cell, records, "fit")
    unseen = tied[len(records) :]
    rows += [scored(cell, record, at) for record, at in unseen]
    rows = [
        row | {"true_charge": at.how, "guessed": at.guessed}
        for row, (_, at) in zip(rows, tied, strict=True)
    ]
    doubts = doubts_on(rows, fit, moving and bool(branches), frame.charge_assumed)
    cell = replace(cell, notes=(*cell.notes, *doubts, *doubts_on_size(cell)))
    on_scores = notes_on_scores([(record.name, at) for record, at in unseen])
    on_truth = notes_on_truth([(record.name, at) for record, at in tied])
    on_meters = notes_on_scored_meters([record.log for record, _ in unseen])
    return Fitted(cell, rows, fit, (*cell.notes, *on_scores, *on_truth, *on_meters))


def _record(
    part: Source,
    log: Log,
    capacities: Capacities,
    branches: list[Branch],
    left: dict[float, float],
    read: Reader,
) -> tuple[Record, Anchor]:
    capacity = capacities.at(part.temperature_c)
    if part.end_point is not None:
        capacity = anchored_capacity_ah(part, log, left, capacity, read)
    full_v = rested_full_v(branches, part.temperature_c)
    known = capacities.spread_at(part.temperature_c)
    at = anchor(log, capacity, part.end_point is not None, full_v, part.temperature_c, known)
    record = Record.from_log(log, part.temperature_c, capacity, at.start_soc, start_state(log))
    return record, at


def _branches(down: Sequence[Source], up: Sequence[Source], read: Reader) -> list[Branch]:
    branches = [Branch.from_log(read(s.path), s.temperature_c) for s in down]
    full = {b.temperature_c: b.capacity_ah for b in branches}
    nearest = sorted(full)
    for part in up:
        capacity = full.get(part.temperature_c)
        if capacity is None and nearest:
            closest = min(nearest, key=lambda t: abs(t - part.temperature_c))
            capacity = full[closest]
        branches.append(Branch.from_log(read(part.path), part.temperature_c, capacity))
    wrong = [
        Problem(b.name, f"a mean current of {b.current_a:g} A", f"a {word} branch", "swapped?")
        for b, word in zip(branches, ["discharge"] * len(down) + ["charge"] * len(up), strict=True)
        if (b.current_a > 0) != (word == "charge")
    ]
    if wrong:
        raise InputError(wrong)
    return branches


def _frame(
    branches: list[Branch],
    records: list[Record],
    capacities: Capacities,
    step_ohm: float,
    like: str,
    published_ocv_v: Array | None,
    notes: list[str],
) -> tuple[Frame, float]:
    prior = np.interp(GRID, family.ENTROPY_SOC, family.ENTROPY_V_PER_K)
    gap = np.interp(GRID, family.GAP_SOC, family.GAP_V)
    warm = [b for b in branches if b.temperature_c > _COLDEST_OCV_C]
    cold = not warm
    used = warm or branches
    entropy, entropy_spread = fitted_entropy(used, prior, family.ENTROPY_SPREAD)
    down = any(b.current_a < 0 for b in used)
    up = any(b.current_a > 0 for b in used)
    gap_measured = down and up and not cold
    if branches:
        spread_v = 0.002 if gap_measured else _COLD_OCV_V if cold else 0.005
        if cold:
            notes.append(
                f"low-rate branches at {_COLDEST_OCV_C:g} °C and below only, far from rest:"
                " hysteresis from published values, spread wide"
            )
        elif not gap_measured:
            notes.append("one low-rate branch only: hysteresis from published values, spread wide")

        with_published = published_ocv_v is not None and down and not up
        if with_published:
            notes.append("the published OCV of the cell has a say in its hysteresis")

        def rest(tables: CellTables) -> tuple[Array, Array]:
            found = ocv_and_gap(used, tables, entropy, gap, gap_measured)
            if not with_published:
                return found
            return gap_from_published(*found, published_ocv_v, family.GAP_SPREAD, _PUBLISHED_OCV_V)

    else:
        points = [point for record in records for point in rests_of(record)]
        if not points:
            raise InputError(
                Problem("--ocv-discharge", "nothing, and no rest of an hour in the records",
                        "a low-rate branch, or records with long rests")
            )  # fmt: skip
        shape = load_cell(like)
        middle = [np.sign(p.direction) for p in points if 0.1 <= p.soc <= 0.95]
        gap_measured = min(middle.count(1.0), middle.count(-1.0)) >= 4
        what, whose = ("OCV and hysteresis", "their") if gap_measured else ("OCV", "its")
        notes.append(
            f"no low-rate branch: {what} from {len(points)} rested"
            f" voltage{'s' * (len(points) > 1)}, {whose} shape between them from {like}"
        )
        notes += filter(None, [few_rests(points)])
        ocv, gap, spread_v = rested_ocv(points, shape, gap, gap_measured)
        refuse_other_chemistry(ocv)
        if not gap_measured:
            notes.append("rests after one direction only: hysteresis from published values")

        def rest(tables: CellTables) -> tuple[Array, Array]:
            return ocv, gap

    if len({b.temperature_c for b in branches if b.temperature_c > _COLDEST_OCV_C}) < 2:
        notes.append("dU/dT from a published cell, not from these records")
    priors = dict(family.PRIORS)
    measured_c = sorted({r.temperature_c for r in records})
    if len(measured_c) < 2:
        notes.append("one temperature: activation energies are priors")
        priors = family.at_one_temperature(priors)
    elif measured_c[0] > _COLD_C:
        notes.append(
            f"records at {measured_c[0]:g} to {measured_c[-1]:g} °C alone: what lies beyond, above"
            " all the cold, goes by activation energies that they hardly tell, mostly assumed"
        )
    bare = CellScalars(*([0.0] * len(CellScalars._fields)))._replace(
        reference_temperature_c=25.0, coulombic_efficiency=1.0
    )
    table = capacities.by_temperature_ah
    frame = Frame(
        capacities.reference_ah,
        step_ohm,
        entropy,
        rest,
        bare,
        np.array(list(table)),
        np.array(list(table.values())) / capacities.reference_ah,
        priors=priors,
        entropy_spread=entropy_spread,
        gap_measured=gap_measured,
    )
    return frame, spread_v
