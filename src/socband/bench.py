"""The measuring bench: estimators × records × injected faults, scored and pooled.

Every grid cell (one estimator on one record with one fault) is worked out alone from its labels:
the fault from (seed, record, number), the estimator's random numbers from (seed, record, number,
estimator). So the result does not depend on executor, order or on what else is on the bench, and a
run can be resumed or enlarged. Finished cells go line by line into a journal beside the result.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from socband.datasets import MOST_MOVED, BenchRecord
from socband.errors import InputError, Problem
from socband.estimators import Estimator, Prior, load_estimator, load_estimators
from socband.executors import Executor, Serial
from socband.faults import Fault, MonitorView, apply_fault, step_means, stream
from socband.logs import Log, charge_moved_ah, sliced
from socband.scoring import score_record

if TYPE_CHECKING:
    from pathlib import Path

    import xarray as xr

    from socband.models import CellModel

Array = np.ndarray


class GridCell(NamedTuple):
    """One estimator on one record with one fault."""

    estimator: str
    record: str
    fault: int


@dataclass(frozen=True, eq=False)
class Context:
    """What every grid cell needs; sent to each worker once.

    Attributes:
        records, cells, priors: by record name; records on the bench's time step.
        seed: of everything random.
        estimators: those not named in the registry, ready made; by name.
    """

    records: Mapping[str, BenchRecord]
    cells: Mapping[str, CellModel]
    priors: Mapping[str, Prior]
    seed: int
    estimators: Mapping[str, Estimator] = field(default_factory=dict)

    def estimator(self, name: str) -> Estimator:
        """Ready made, or from the registry."""
        return self.estimators[name] if name in self.estimators else load_estimator(name)

    def view(self, record: str, fault: int) -> tuple[Fault, MonitorView]:
        """Fault number `fault` of that record, and what the monitor then logs."""
        prior = self.priors[record]
        drawn = Fault.draw(prior, stream(self.seed, "fault", record, fault))
        return drawn, apply_fault(self.records[record].log, drawn, prior)


def make_context(
    records: Sequence[BenchRecord],
    seed: int = 0,
    step_s: float | None = None,
    estimators: Mapping[str, Estimator] | None = None,
) -> Context:
    """Records brought to one time step, with their cell models and priors.

    Args:
        records: their names must differ.
        seed: of everything random.
        step_s: length of a step of the bench [s]; 0 = as recorded; None = `usual_step_s`.
        estimators: ready made ones, for instance with other settings; the registry has the rest.

    Raises:
        InputError: a cell model that cannot be read or is of another size, or a name twice.
    """
    names = [record.name for record in records]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice or not names:
        found = ", ".join(twice) if twice else "nothing"
        raise InputError(Problem("--records", found, "at least one record, each once"))
    cells = {record.name: record_cell(record) for record in records}
    _refuse_other_sizes(records, cells)
    priors = {}
    for record in records:
        prior = Prior.for_record(record.log, cells[record.name], record.capacity_ah)
        if record.log.temperature_c is None and record.temperature_c is not None:
            prior = replace(prior, temperature_c=record.temperature_c)
        if record.cutoff is not None:
            prior = replace(prior, cutoff_v=record.cutoff.voltage_v)
        priors[record.name] = prior
    stepped = {}
    for record in records:
        step = usual_step_s(record.log) if step_s is None else step_s
        stepped[record.name] = replace(record, log=step_means(record.log, step))
    return Context(stepped, cells, priors, seed, dict(estimators or {}))


_OF_ITS_CELL = (0.5, MOST_MOVED)  # what a record says its cell holds, over what the model holds


def _refuse_other_sizes(records: Sequence[BenchRecord], cells: Mapping[str, CellModel]) -> None:
    """A record that moves more than its cell model holds, or whose true charge is counted in much
    more or less, is of another cell; all of them are said at once."""
    least, most = _OF_ITS_CELL
    problems = []
    for record in records:
        own_ah, cell = record.capacity_ah, cells[record.name]
        moved_ah = charge_moved_ah(record.log)
        expected = f"at most the {cell.capacity_ah:.4g} Ah of {cell.name}"
        where, hint = f"--records {record.name}", "of another cell?"
        if moved_ah > most * cell.capacity_ah:
            problems.append(Problem(where, f"{moved_ah:.4g} Ah moved", expected, hint))
        elif not least <= own_ah / cell.capacity_ah <= most:
            found = f"a true charge that makes it a cell of {own_ah:.4g} Ah"
            expected = f"about the {cell.capacity_ah:.4g} Ah of {cell.name}"
            problems.append(Problem(where, found, expected, hint))
    if problems:
        raise InputError(problems)


def usual_step_s(log: Log) -> float:
    """10, 20, 30 or 60 s: about 2,000 steps a record, so that the Python filters stay affordable.

    On coarser steps the mean voltage drifts away from what the mean current explains: at 60 s by
    some 3 mV on a drive cycle, as much as the cell model itself is off.
    """
    wanted = (log.time_s[-1] - log.time_s[0]) / 2000.0
    return next((step for step in (10.0, 20.0, 30.0) if step >= wanted), 60.0)


def record_cell(record: BenchRecord) -> CellModel:
    """The cell model of a record, scaled if it stands for a cell of another size.

    Scaling is that of more or less electrode area: resistances by the inverse, heat by the ratio of
    capacities; everything per C-rate stays.
    """
    from socband.models import load_cell

    cell = load_cell(record.cell)
    if record.cell_scaled_to_ah is None:
        return cell
    ratio = record.cell_scaled_to_ah / cell.capacity_ah
    return replace(
        cell,
        name=f"{cell.name}-scaled",
        capacity_ah=record.cell_scaled_to_ah,
        heat_capacity_j_per_k=cell.heat_capacity_j_per_k * ratio,
        heat_conductance_w_per_k=cell.heat_conductance_w_per_k * ratio,
        **{r: replace(getattr(cell, r), ref_ohm=getattr(cell, r).ref_ohm / ratio) for r in _RS},
    )


_SAME_SOC = 1e-9  # quantiles apart by less are rounding
_RS = ("r0", "r1", "r2")


# ---------------------------------------------------------------- one grid cell


def run_cell(context: Context, cell: GridCell) -> dict[str, Any]:
    """Scores of one grid cell, as plain numbers and lists; `failed` says why there are none.

    Everything but `us_per_step` depends on the cell's labels and the seed alone.
    """
    _, view = context.view(cell.record, cell.fault)
    rng = stream(context.seed, "estimate", cell.record, cell.fault, cell.estimator)
    estimator = context.estimator(cell.estimator)
    _warm_up(context, cell, estimator, view)
    begin = time.perf_counter()
    try:
        answer = estimator.estimate(view.log, context.cells[cell.record], view.prior, rng)
        seconds = time.perf_counter() - begin
        quantiles = answer["soc_quantile"].transpose("time", "quantile").to_numpy()
        refuse_disorder(quantiles, answer["quantile"].to_numpy())
        scores = score_record(
            view.truth_soc,
            quantiles,
            answer["quantile"].to_numpy(),
            view.dt_s,
            **{k: answer[k].to_numpy() for k in ("mean", "std", "ess") if k in answer},
        )
    except _ITS_OWN as error:  # whatever an estimator does wrong must not stop the bench
        return {"failed": f"{type(error).__name__}: {error}"}
    row = {k: v.tolist() if isinstance(v, np.ndarray) else v for k, v in scores.items()}
    row["us_per_step"] = 1e6 * seconds / len(view.log)
    row["hours"] = float(view.dt_s.sum() / 3600.0)
    return row


def refuse_disorder(soc_quantile: Array, probabilities: Array) -> None:
    """Refuse quantiles that are none: scored as they stand, they would give numbers all the same.

    Args:
        soc_quantile: (n, k) as an estimator states them; NaN is refused by the scores.
        probabilities: (k,) theirs.

    Raises:
        ValueError: probabilities that do not ascend between 0 and 1, or quantiles that fall.
    """
    p = np.asarray(probabilities, dtype=float)
    if not (p.size and np.all(np.diff(p) > 0.0) and p[0] > 0.0 and p[-1] < 1.0):
        told = ", ".join(f"{x:g}" for x in p[:6])
        raise ValueError(f"probabilities {told or 'none'}; expected ascending ones within 0 and 1")
    falls = int(np.count_nonzero((np.diff(soc_quantile, axis=-1) < -_SAME_SOC).any(axis=-1)))
    if falls:
        raise ValueError(
            f"quantiles that fall as their probability rises, in {falls} of {len(soc_quantile)}"
            " rows; expected ascending ones"
        )


_warm: set[str] = set()
# What an estimator may raise; that it leaves the program too is a failure of its own.
_ITS_OWN = (Exception, SystemExit)


def _warm_up(context: Context, cell: GridCell, estimator: Estimator, view: MonitorView) -> None:
    """A few steps once in each process, so that no cost holds imports or compiling."""
    if cell.estimator in _warm:
        return
    _warm.add(cell.estimator)
    rng = stream(context.seed, "warm up")
    try:
        estimator.estimate(sliced(view.log, 0, 8), context.cells[cell.record], view.prior, rng)
    except _ITS_OWN:  # it shows in the run itself, if it matters
        return


def grid(names: Sequence[str], records: Sequence[str], faults: int) -> Iterator[GridCell]:
    """Every grid cell, fault by fault, so that an unfinished run is balanced."""
    for fault in range(faults):
        for record in records:
            for name in names:
                yield GridCell(name, record, fault)


# ---------------------------------------------------------------- the whole grid


def run_bench(
    context: Context,
    names: Sequence[str],
    faults: int = 50,
    executor: Executor | None = None,
    save: str | Path | None = None,
    progress: Callable[[int, int], object] | None = None,
) -> xr.Dataset:
    """Run the grid and return every score.

    Args:
        context: from `make_context`.
        names: estimators, see `socband.estimators.estimator_names`.
        faults: a record.
        executor: None: in process.
        save: NetCDF file; a run that finds it, or the journal of an unfinished run beside it, takes
            over every grid cell that is there.
        progress: called with (done, total) after every grid cell.

    Returns:
        Dataset over estimator, record, fault (and level, soc_range, pit_bin); see `bench_store`.

    Raises:
        InputError: an unknown estimator, or `save` belongs to another bench.
    """
    from socband.bench_store import Store

    if faults < 1:
        raise InputError(Problem("--faults", str(faults), "1 or more"))
    load_estimators([name for name in names if name not in context.estimators])
    store = Store.open(context, names, faults, save)
    records = list(context.records)
    total = len(names) * len(records) * faults
    done = store.finished
    if progress is not None:
        progress(done, total)
    missing = (cell for cell in grid(names, records, faults) if cell not in store)
    with store:
        for cell, result in (executor or Serial()).run(run_cell, context, missing):
            row = {"failed": str(result)} if isinstance(result, Exception) else result
            store.put(cell, row)
            done += 1
            if progress is not None:
                progress(done, total)
        return store.finish()


def record_bands(
    context: Context, names: Sequence[str], record: str, fault: int
) -> xr.Dataset | None:
    """Every estimator's quantiles on one record with one fault, beside the truth, for a picture.

    Returns:
        soc_quantile[estimator, time, quantile] at 0.05, 0.5 and 0.95, truth_soc[time]; estimators
        that fail are left out, None if all do.
    """
    import xarray as xr

    _, view = context.view(record, fault)
    parts, shown = [], []
    for name in names:
        rng = stream(context.seed, "estimate", record, fault, name)
        try:
            answer = context.estimator(name).estimate(
                view.log, context.cells[record], view.prior, rng
            )
        except _ITS_OWN:  # counted among the failures of the bench already
            continue
        shown.append(name)
        parts.append(
            answer["soc_quantile"]
            .sel(quantile=[0.05, 0.5, 0.95], method="nearest")
            .assign_coords(quantile=[0.05, 0.5, 0.95], time=view.log.time_s)
        )
    if not parts:
        return None
    bands = xr.concat(parts, dim=xr.Variable("estimator", shown))
    return xr.Dataset(
        {"soc_quantile": bands, "truth_soc": ("time", view.truth_soc, {"units": "1"})},
        attrs={"record": record, "fault": fault, "seed": context.seed},
    )
