"""Calibrate how far the filter trusts a cell model: learning rate, size and memory of its error,
and how far the cell's slow part, its curves along the charge and its lag may differ from it.

    python benchmarks/calibrate.py lfp-26650-2ah            the grid, and what it would store
    python benchmarks/calibrate.py lfp-26650-2ah --write    and store it in the model's file
    python benchmarks/calibrate.py lfp-26650-2ah --walk     on from what the file holds, to look at
    python benchmarks/calibrate.py --pooled                 one setting over the records of all
                                                            cells, from the grids already run
    python benchmarks/calibrate.py my-cell.toml --records house.csv run.csv+end.csv@5 --write
                                                            a model and records of one's own

A model is at its best on the records it was fitted to, so those would make the filter too sure of
it. Where a cell has dynamic records at several temperatures, each inner one is filtered with a
model fitted without it (made when it is not there yet, and kept in `--folder`). Of the open
records only those are read that benchmarks/split.toml names for calibration.

Records of one's own are named as `socband fit` names them. Their true charge is the column
`true_soc`, or lies between two ends: full where most charged, empty after the discharge that
follows (`+END`); one end alone is not good enough to judge a band by. They may be those the model
was fitted to, but then the filter trusts it too much; better are others of the same cell. What
calibrates must not score afterwards.

The whole grid runs with a few faults (`--first`), the best of it with all of them. `--walk` goes on
from what the file holds, one number a step lower or higher at a time (`LADDERS`), with all faults,
for as long as one of the neighbours would be chosen. What it finds fits three or four records too
well (benchmarks/README.md): no shipped model has it.

Chosen is the setting of least CRPS among those whose 90 % band holds the truth in 88 to 93 % of the
time over all records alike, and in 80 % or more on each as far as so few faults can tell (within
one standard error over the faults); if there is none, among those that hold more; if there is none
either, the one that covers the worst record most. A memory of which the longest record does not
hold two independent stretches (of twice the memory each) cannot be told from a constant and is left
out; over all cells, what one of them cannot tell. Records of one steady current each know the lag
of that current and no other: there the lag's share stays as it is.
"""

from __future__ import annotations

import argparse
import itertools
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, astuple, dataclass, fields, replace
from datetime import date
from functools import partial
from pathlib import Path

import numpy as np
from calibration_records import RECORDS, context_of, own_context

from socband.bench import Context
from socband.errors import InputError
from socband.estimators.ensemble import BENCH_SETTINGS, Ensemble
from socband.executors import executor_from
from socband.faults import stream
from socband.identify_command import write_beside
from socband.models import Calibration, CellModel, dump_cell, load_cell
from socband.posterior_settings import LAG_ERROR_SHARE
from socband.report import problems_text
from socband.scoring import LEVELS, score_record
from socband.unknowns import UNCALIBRATED_SLOW_SPREAD

HERE = Path(__file__).resolve().parent
MODELS = HERE.parent / "models"
# As for a cell that nobody calibrated, about: what `--pooled` compares.
UNCALIBRATED = (UNCALIBRATED_SLOW_SPREAD, 0.025, LAG_ERROR_SHARE)
GRID = tuple(
    (*noise, *differs)
    for noise in itertools.product((0.5, 0.25), (0.7, 1.0), (0.5, 2.0, 6.0, 15.0))
    for differs in (
        *itertools.product((0.2, 0.1), (0.025, 0.01, 0.004), (LAG_ERROR_SHARE,)),
        UNCALIBRATED,
    )
)
TAU_SCALE, LAG_SHARE = 2, 5  # where they stand in a setting
# What the walk may try of each number of a setting, in the order of `Outcome`.
LADDERS = (
    (0.125, 0.25, 0.5, 1.0),
    (0.5, 0.7, 1.0, 1.4, 2.0),
    (0.25, 0.5, 1.0, 2.0, 4.0, 6.0, 10.0, 15.0),
    (0.05, 0.1, 0.2, 0.4),
    (0.002, 0.004, 0.01, 0.025),
    (0.0, 0.1, 0.2, 0.4),
)


@dataclass(frozen=True)
class Outcome:
    """One setting on the calibration records: coverage of 50 and 90 %, width, CRPS, each 0..1.

    `worst_90` is the least coverage of a record, `worst_error` its standard error.
    """

    eta: float
    error_scale: float
    tau_scale: float
    slow_spread: float
    charge_shift: float
    lag_share: float
    coverage_50: float
    coverage_90: float
    worst_90: float
    worst_error: float
    width_90: float
    crps: float

    @property
    def setting(self) -> tuple[float, ...]:
        """As in `GRID`."""
        return astuple(self)[: len(LADDERS)]


def scores(job: tuple[Context, str, int, int], item: tuple[float, ...]) -> list[float]:
    """Coverage of 50 and 90 %, width and CRPS of one setting on one record with one fault."""
    context, record, fault, members = job
    _, view = context.view(record, fault)
    rng = stream(context.seed, "estimate", record, fault, "ensemble")
    cell = replace(context.cells[record], calibration=calibration(item, (record,)))
    settings = replace(BENCH_SETTINGS, members=members)
    answer = Ensemble(settings).estimate(view.log, cell, view.prior, rng)
    row = score_record(
        view.truth_soc,
        answer["soc_quantile"].transpose("time", "quantile").to_numpy(),
        answer["quantile"].to_numpy(),
        view.dt_s,
    )
    coverage = np.asarray(row["coverage"])
    levels = LEVELS.index(0.5), LEVELS.index(0.9)
    return [*(float(coverage[k]) for k in levels), float(row["width_90"]), float(row["crps"])]


def calibration(setting: tuple[float, ...], names: Sequence[str]) -> Calibration:
    """A setting of the grid as a model file holds it."""
    eta, error_scale, tau_scale, *differs = setting
    today = date.today().isoformat()
    return Calibration(eta, error_scale, tau_scale, today, tuple(names), *differs)


def outcomes(
    context: Context, settings: Sequence[tuple[float, ...]], faults: int, members: int, workers: int
) -> list[Outcome]:
    """Settings over all records of a cell, each record counting alike."""
    executor = executor_from(workers)
    found: dict[tuple[float, ...], list[np.ndarray]] = {setting: [] for setting in settings}
    for record in context.records:
        rows: dict[tuple[float, ...], list[list[float]]] = {setting: [] for setting in settings}
        for fault in range(faults):
            job = (context, record, fault, members)
            for setting, row in executor.run(scores, job, iter(settings)):
                if isinstance(row, Exception):
                    raise row
                rows[setting].append(row)
        for setting in settings:
            values = np.array(rows[setting])
            error = values[:, 1].std(ddof=1) / np.sqrt(faults) if faults > 1 else 0.0
            found[setting].append(np.append(values.mean(axis=0), error))
    answer = []
    for setting, per_record in found.items():
        mean = np.mean(per_record, axis=0)
        worst = min(per_record, key=lambda row: row[1])
        answer.append(Outcome(*setting, mean[0], mean[1], worst[1], worst[4], mean[2], mean[3]))
    return answer


def pooled(folder: Path) -> list[Outcome]:
    """Every setting over the records of all cells, each record counting alike.

    With slow part and shift as of cells that nobody calibrated, as the setting is for those.
    """
    tables = []
    for name in RECORDS:
        path = folder / f"{name}.json"
        if not path.is_file():
            raise SystemExit(f"no grid of {name} yet: run calibrate.py {name} first")
        stored = json.loads(path.read_text(encoding="utf-8"))
        keys = {field.name for field in fields(Outcome)}
        if any(set(row) != keys for row in stored):
            raise SystemExit(
                f"the grid of {name} is of an older kind: run calibrate.py {name} again"
            )
        rows = [Outcome(**row) for row in stored]
        tables.append([row for row in rows if row.setting[3:] == UNCALIBRATED])
    share = np.array([len(records) for records in RECORDS.values()], float)
    share /= share.sum()
    answer = []
    for same in zip(*tables, strict=True):
        if len({o.setting for o in same}) > 1:
            raise SystemExit("the grids differ: run calibrate.py again for each model")
        mean = share @ np.array([(o.coverage_50, o.coverage_90, o.width_90, o.crps) for o in same])
        worst = min(same, key=lambda o: o.worst_90)
        answer.append(
            replace(worst, coverage_50=mean[0], coverage_90=mean[1], width_90=mean[2], crps=mean[3])
        )
    return answer


def honest(found: list[Outcome]) -> list[Outcome]:
    """Those settings whose band covers what it says, or else more than that; see the module."""
    enough = [o for o in found if o.coverage_90 >= 0.88 and o.worst_90 + o.worst_error >= 0.80]
    return [o for o in enough if o.coverage_90 <= 0.93] or enough


def most_memory(context: Context) -> float:
    """Longest memory, in times the model's own, that the records can tell from a constant."""
    return max(
        float(record.log.time_s[-1]) / 4.0 / context.cells[name].voltage_error.tau_s
        for name, record in context.records.items()
    )


def tells_lag(context: Context) -> bool:
    """Whether the current of a record changes: varies by more than a third of its mean size."""

    def varies(current_a: np.ndarray) -> bool:
        return bool(np.std(current_a) > np.mean(np.abs(current_a)) / 3.0)

    return any(varies(record.log.current_a) for record in context.records.values())


def told(found: list[Outcome], most_tau_scale: float) -> list[Outcome]:
    """Those whose memory records can tell; a grid of long memories only is taken as it is."""
    return [o for o in found if o.tau_scale <= most_tau_scale] or found


def finalists(found: list[Outcome], count: int) -> list[Outcome]:
    """What goes on to all faults: the least CRPS where a few faults cannot rule out an honest band.

    They know its coverage to some per cent, so 85 to 96 % of the time; then those that hold more,
    the least CRPS first; then those that hold less, from the one that holds most.
    """

    def rank(o: Outcome) -> tuple[int, float]:
        if o.coverage_90 < 0.85:
            return 2, -o.coverage_90
        return int(o.coverage_90 > 0.96), o.crps

    return sorted(found, key=rank)[:count]


def chosen(found: list[Outcome]) -> Outcome:
    """See the module."""
    if honest(found):
        return min(honest(found), key=lambda o: o.crps)
    return max(found, key=lambda o: o.worst_90)


def stored_setting(cell: CellModel) -> tuple[float, ...]:
    """Where a walk begins alone: what the model's file holds."""
    if cell.calibration is None:
        raise SystemExit(f"{cell.name} has no calibration to walk on from: run without --walk")
    known = cell.calibration
    noise = known.eta, known.error_scale, known.tau_scale
    differs = known.slow_spread, known.charge_shift, known.lag_share
    pairs = zip(differs, UNCALIBRATED, strict=True)
    return (*noise, *(b if a is None else a for a, b in pairs))


def neighbours(
    setting: tuple[float, ...], most_tau_scale: float, lag: bool
) -> list[tuple[float, ...]]:
    """Settings that differ by one number, by the next step of its ladder down or up."""
    found = []
    for k, (ladder, now) in enumerate(zip(LADDERS, setting, strict=True)):
        if k == LAG_SHARE and not lag:
            continue
        below, above = [x for x in ladder if x < now], [x for x in ladder if x > now]
        for value in (*below[-1:], *above[:1]):
            if k != TAU_SCALE or value <= most_tau_scale:
                found.append((*setting[:k], value, *setting[k + 1 :]))
    return found


def walk(
    found: list[Outcome],
    run: Callable[[Sequence[tuple[float, ...]]], list[Outcome]],
    most_tau_scale: float,
    lag: bool = True,
) -> list[Outcome]:
    """`found`, and all that a walk from the one chosen of it has tried; it ends where none of the
    neighbours would be chosen.

    Args:
        run: gives the outcomes of settings.
        most_tau_scale: longer memories are not tried; lag: whether the lag's share is.
    """
    found = list(found)
    while True:
        best = chosen(found)
        known = {o.setting for o in found}
        new = [s for s in neighbours(best.setting, most_tau_scale, lag) if s not in known]
        found += run(new)
        if chosen(found) is best:
            return found


def show(found: list[Outcome], best: Outcome) -> None:
    """What was run with all faults as a table, best first by CRPS."""
    print("  eta  error memory   slow  shift   lag  in 50 % in 90 %      worst  width   CRPS")
    print("           x      x      ±    ± %     ±        %       %          %      %      %")
    for o in sorted(found, key=lambda o: o.crps):
        print(
            f" {o.eta:4.2g}   {o.error_scale:4.2f} {o.tau_scale:6.2f}   {o.slow_spread:4.2f}"
            f"  {100 * o.charge_shift:5.1f}  {o.lag_share:4.2f}   {100 * o.coverage_50:6.1f}  "
            f"{100 * o.coverage_90:6.1f}  {100 * o.worst_90:5.1f}±{100 * o.worst_error:4.1f}"
            f" {100 * o.width_90:6.1f}  {100 * o.crps:5.2f} {'<' if o is best else ''}".rstrip()
        )


def caution(found: list[Outcome], cell: CellModel, names: Sequence[str]) -> str:
    """What a setting found on records of one's own is not good for; a line each, or nothing."""
    lines = []
    if not honest(found):
        lines.append("No setting is honest on these records: the one marked covers the worst most.")
    seen = [name for name in names if any(f"{name}." in s for s in cell.sources.values())]
    if seen:
        lines.append(f"The model was fitted to {', '.join(seen)}: it is less sure of others.")
    return "".join(f"{line}\n" for line in lines)


def main(argv: Sequence[str] | None = None) -> None:
    """Read the flags, run the grid, print, store."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "model", nargs="?", help=f"{', '.join(RECORDS)}; with --records, any model or its file"
    )
    parser.add_argument("--pooled", action="store_true", help="see above")
    parser.add_argument(
        "--records",
        nargs="+",
        metavar="FILE[+END][@T]",
        help="records of one's own: fitted ones or, better, others; never ones that score",
    )
    parser.add_argument("--faults", type=int, default=10, help="drawn for each record")
    parser.add_argument("--first", type=int, default=3, help="of them in the first round")
    parser.add_argument("--finalists", type=int, default=12, help="settings of the second round")
    parser.add_argument("--members", type=int, default=400, help="of the ensemble")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument(
        "--folder", type=Path, default=Path(".calibration-models"), help="for models and grids"
    )
    parser.add_argument("--write", action="store_true", help="store the setting in the model file")
    parser.add_argument("--walk", action="store_true", help="on from what the file holds, see above")
    given = parser.parse_args(argv)
    if given.pooled:
        given.folder.mkdir(exist_ok=True)
        found = pooled(given.folder)
        most = min(most_memory(context_of(name, given.folder)) for name in RECORDS)
        found = told(found, most)
        show(found, chosen(found))
        return
    if given.model is None:
        parser.error("a model, or --pooled")
    if min(given.faults, given.first, given.finalists) < 1 or given.members < 10:
        parser.error("--faults, --first, --finalists of at least 1, --members of at least 10")
    if given.records:
        if given.write and not given.model.endswith(".toml"):
            parser.error("--write with --records needs the path of your own model file (.toml)")
        try:
            context = own_context(given.model, given.records)
        except InputError as error:
            parser.error(problems_text(error))
        path, names = Path(given.model), tuple(context.records)
    else:
        if given.model not in RECORDS:
            parser.error(f"for {given.model}: name records with --records")
        given.folder.mkdir(exist_ok=True)
        context = context_of(given.model, given.folder)
        path, names = MODELS / f"{given.model}.toml", RECORDS[given.model]
    run = partial(outcomes, context, members=given.members, workers=given.workers)
    most = most_memory(context)
    with_all = partial(run, faults=given.faults)
    if given.walk:
        settings = [stored_setting(load_cell(path))]
    else:
        first = run(settings=GRID, faults=min(given.first, given.faults))
        if not given.records:
            grid = json.dumps([asdict(o) for o in first], indent=1)
            (given.folder / f"{given.model}.json").write_text(grid, encoding="utf-8")
        settings = [o.setting for o in finalists(told(first, most), given.finalists)]
    found = with_all(settings)
    if given.walk:
        found = walk(found, with_all, most, tells_lag(context))
    best = chosen(found)
    print(f"{len(found)} settings, {given.faults} faults a record, after ", end="")
    print("what the file holds:" if given.walk else f"a grid of {len(GRID)}:")
    show(found, best)
    if given.records:
        print(caution(found, load_cell(path), names), end="")
    if given.write:
        cell = replace(load_cell(path), calibration=calibration(best.setting, names))
        write_beside(path, dump_cell(cell))
        print(f"stored in {path.name}")


if __name__ == "__main__":
    main()
