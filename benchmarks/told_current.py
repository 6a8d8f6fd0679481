"""Told the true current: how far would the filter move each cell from its model?

    python benchmarks/told_current.py                     the calibration records of all cells
    python benchmarks/told_current.py lfp-26650-2ah       of one

Charge, capacity and current are given as they were; what the voltages then ask for is how this cell
differs from its model: a shift of its curves along the charge, a constant voltage, a factor on the
slow part (slow resistance and surface lag) and one on the rest. Those are the unknowns of
`socband.unknowns.cell_unknowns`, and their spreads there, or in the cells' calibrations, are to be
seen against these figures; here all cells get the same wide ones.

Only records that benchmarks/split.toml names for calibration are read. Inner temperatures of the
2.06 Ah cell are filtered with a model fitted without them, as in calibrate.py.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from calibration_records import RECORDS, SEED, calibration_records, model_for

from socband.bench import make_context
from socband.datasets import KNOWN, bench_record
from socband.estimators import Prior
from socband.estimators.ensemble import BENCH_SETTINGS, track_of, unknowns_of
from socband.executors import executor_from
from socband.faults import Fault, apply_fault
from socband.logs import Log
from socband.models import CellModel, load_cell
from socband.posterior import Settings, condition
from socband.quantity import Quantity

# Spreads wide enough for any cell here: shift along the charge, voltage [V], log of the slow part.
SHIFT, OFFSET_V, SLOW = 0.02, 0.006, 0.4
STARTS = (0.0, 0.1, 0.3)  # shares of the record: from rest, and out of its middle
STEP_S = 60.0


@dataclass(frozen=True)
class Wanted:
    """What the filter made of one record: posterior means.

    Attributes:
        start_soc: true charge where the log starts, 0..1.
        charge_shift: along the charge, 0..1.
        voltage_offset_v: measured less modelled [V].
        log_slow, log_resistance: logarithms of the factors.
    """

    start_soc: float
    charge_shift: float
    voltage_offset_v: float
    log_slow: float
    log_resistance: float


def wanted(
    log: Log, cell: CellModel, prior: Prior, start: float, settings: Settings = BENCH_SETTINGS
) -> Wanted:
    """Condition on a record's voltages with its true current, charge and capacity.

    Args:
        log: with `true_soc`.
        cell: the model.
        prior: of the bench; its capacity is the record's own.
        start: share of the record at which the log starts, 0..1.
        settings: of the conditioning.
    """
    view = apply_fault(log, replace(Fault.none(prior), start=start), prior)
    track = track_of(view.log, cell, view.prior, STEP_S)
    unknowns = unknowns_of(view.prior, cell)
    number = Quantity.from_number
    told = replace(
        unknowns,
        start_soc=number(float(view.truth_soc[0])),
        offset_a=number(0.0),
        gain_error=number(0.0),
        untracked_probability=0.0,
        capacity_fraction=number(float(unknowns.capacity_fraction.mean)),
        charge_shift=Quantity.from_dist("norm", scale=SHIFT),
        voltage_offset_v=Quantity.from_dist("norm", scale=OFFSET_V),
        diffusion_factor=Quantity.from_dist("lognorm", s=SLOW),
    )
    members = condition(track, cell, told, settings).members
    return Wanted(
        float(view.truth_soc[0]),
        float(members.charge_shift.mean()),
        float(members.voltage_offset_v.mean()),
        float(np.log(members.diffusion_factor).mean()),
        float(np.log(members.resistance_factor).mean()),
    )


def names_of(model: str) -> tuple[str, ...]:
    """The calibration records of a cell, all of them."""
    return tuple(sorted(name for name in calibration_records() if KNOWN[name].cell == model))


def _one(folder: Path, item: tuple[str, str, float]) -> Wanted:
    model, name, start = item
    shipped = load_cell(model)
    cell = replace(model_for(name, shipped, folder), calibration=shipped.calibration)
    context = make_context([bench_record(name)], SEED)
    return wanted(context.records[name].log, cell, context.priors[name], start)


def _row(label: str, start: str, shift: float, volts: float, slow: float, rest: float) -> str:
    return f"{label:<22} {start:>6} {100 * shift:8.2f} {1e3 * volts:9.1f} {slow:10.2f} {rest:8.2f}"


def main(argv: Sequence[str] | None = None) -> None:
    """Read the flags, run, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("model", nargs="*", help=f"{', '.join(RECORDS)}; default all")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument(
        "--folder", type=Path, default=Path(".calibration-models"), help="for models"
    )
    given = parser.parse_args(argv)
    unknown = set(given.model) - set(RECORDS)
    if unknown:
        parser.error(f"{', '.join(sorted(unknown))}: one of {', '.join(RECORDS)}")
    given.folder.mkdir(exist_ok=True)
    print("record                 starts  shift % offset mV   log slow log rest")
    for model in given.model or RECORDS:
        items = [(model, name, start) for name in names_of(model) for start in STARTS]
        for name in names_of(model):  # fitted once, not by every worker
            model_for(name, load_cell(model), given.folder)
        found = dict(executor_from(given.workers).run(_one, given.folder, iter(items)))
        rows = []
        for item in items:
            one = found[item]
            if isinstance(one, Exception):
                raise one
            values = (one.charge_shift, one.voltage_offset_v, one.log_slow, one.log_resistance)
            rows.append(values)
            print(_row(item[1], f"{100 * one.start_soc:.0f} %", *values))
        print(_row(f"{model}, rms", "", *np.sqrt(np.mean(np.square(rows), axis=0))))


if __name__ == "__main__":
    main()
