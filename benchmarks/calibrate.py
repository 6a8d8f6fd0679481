"""Calibrate how far the filter trusts a cell model: learning rate, size and memory of its error,
and how far the cell's slow part may differ from it.

    python benchmarks/calibrate.py lfp-26650-2ah            the grid, and what it would store
    python benchmarks/calibrate.py lfp-26650-2ah --write    and store it in the model's file
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

Chosen is the setting of least CRPS among those whose 90 % band holds the truth in 88 to 93 % of the
time over all records alike, and in 80 % or more on each as far as so few faults can tell (within
one standard error over the faults); if there is none, among those that hold more; if there is none
either, the one that covers the worst record most. A memory of which the longest record does not
hold two independent stretches (of twice the memory each) cannot be told from a constant and is left
out; over all cells, what one of them cannot tell.
"""

from __future__ import annotations

import argparse
import itertools
import json
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, fields, replace
from datetime import date
from pathlib import Path

import numpy as np

from socband.bench import Context, make_context
from socband.datasets import BenchRecord, bench_record, bench_records, set_file
from socband.errors import InputError, Problem
from socband.estimators.ensemble import BENCH_SETTINGS, Ensemble
from socband.executors import executor_from
from socband.faults import stream
from socband.identify_command import write_beside
from socband.identify_source import Source, anchored_capacity_ah
from socband.layouts import read_record
from socband.logs import charge_ah, with_true_soc
from socband.models import Calibration, CellModel, dump_cell, load_cell
from socband.open_sets import OPEN_SETS
from socband.report import problems_text
from socband.scoring import LEVELS, score_record
from socband.unknowns import UNCALIBRATED_SLOW_SPREAD

HERE = Path(__file__).resolve().parent
MODELS = HERE.parent / "models"
GRID = tuple(
    itertools.product(
        (0.5, 0.25), (0.7, 1.0), (0.5, 2.0, 6.0, 15.0), (0.2, UNCALIBRATED_SLOW_SPREAD)
    )
)
SEED = 2000  # other faults than any that score

# The inner temperatures of the 2.06 Ah cell: filtered with a model fitted without them.
LEFT_OUT = {"A123_DYN_45_P15_s1": "P15", "A123_DYN_50_P35_s1": "P35"}
TEMPERATURES = {"N25": -25.0, "P15": 15.0, "P35": 35.0, "P45": 45.0}
RECORDS = {
    "lfp-26650-2ah": (
        "A123_DYN_10_N25_s1",
        "A123_DYN_45_P15_s1",
        "A123_DYN_50_P35_s1",
        "A123_DYN_50_P45_s1",
    ),
    "lfp-18650-2ah": ("LFP_25degC_Co2", "LFP_25degC_1C", "LFP_25degC_2C"),
    "lfp-26650-2.5ah": ("COS_0.1A_Charge", "EIS_0.05A_Charge", "COS_0.05A_Discharge"),
}


@dataclass(frozen=True)
class Outcome:
    """One setting on the calibration records: coverage of 50 and 90 %, width, CRPS, each 0..1.

    `worst_90` is the least coverage of a record, `worst_error` its standard error.
    """

    eta: float
    error_scale: float
    tau_scale: float
    slow_spread: float
    coverage_50: float
    coverage_90: float
    worst_90: float
    worst_error: float
    width_90: float
    crps: float

    @property
    def setting(self) -> tuple[float, ...]:
        """As in `GRID`."""
        return (self.eta, self.error_scale, self.tau_scale, self.slow_spread)


def calibration_records() -> set[str]:
    """Names that the frozen split allows here."""
    split = tomllib.loads((HERE / "split.toml").read_text(encoding="utf-8"))
    return set(split["calibration"]["records"])


def scoring_records() -> set[str]:
    """Names that the frozen split keeps for scoring, and the parts of their runs."""
    split = tomllib.loads((HERE / "split.toml").read_text(encoding="utf-8"))
    return {*split["scoring"]["records"], *split["scoring"]["closed"]}


def left_out_model(code: str, folder: Path) -> CellModel:
    """The 2.06 Ah cell fitted without one temperature; fitted once, then read from `folder`."""
    path = folder / f"lfp-26650-2ah-without-{code}.toml"
    if not path.is_file():
        from socband.identify_command import fit_command

        kept = [c for c in TEMPERATURES if c != code]
        part = OPEN_SETS["cell-26650-2p1ah-temperatures"]
        dynamic = {name[-6:-3]: name.removesuffix("_s1") for name in RECORDS["lfp-26650-2ah"]}

        def files(codes: Iterable[str], *patterns: str) -> list[str]:
            return [
                "+".join(str(set_file(part, p.format(c=c, name=dynamic[c]))) for p in patterns)
                + f"@{TEMPERATURES[c]:g}"
                for c in codes
            ]

        fit_command(
            name=path.stem,
            ocv_discharge=files(kept, "ocv/A123_OCV_{c}_S1.csv.gz", "ocv/A123_OCV_{c}_S2.csv.gz"),
            ocv_charge=files([c for c in kept if c != "N25"], "ocv/A123_OCV_{c}_S3.csv.gz"),
            dynamic=files(kept, "dynamic/{name}_s1.csv.gz", "dynamic/{name}_s2.csv.gz"),
            out=path,
        )
    return load_cell(path)


def model_for(name: str, cell: CellModel, folder: Path) -> CellModel:
    """What a record is to be filtered with: its cell's model, or that fitted without it."""
    return left_out_model(LEFT_OUT[name], folder) if name in LEFT_OUT else cell


def context_of(model: str, folder: Path) -> Context:
    """The calibration records of a cell with the models they are to be filtered with."""
    names = RECORDS[model]
    forbidden = set(names) - calibration_records()
    if forbidden:
        raise SystemExit(f"not for calibration: {', '.join(sorted(forbidden))}")
    context = make_context([bench_record(name) for name in names], SEED)
    cells = {}
    for name in names:
        cells[name] = replace(model_for(name, context.cells[name], folder), calibration=None)
    return replace(context, cells=cells)


def _stem(path: Path) -> str:
    return Path(path.name.removesuffix(".gz")).stem


def own_record(text: str, cell: CellModel, model: str) -> BenchRecord:
    """A record of one's own with its true charge.

    Raises:
        InputError: no such file, a record that scores here, or one whose charge nothing tells.
    """
    part = Source.from_text(text)
    missing = [f for f in part.files if not f.is_file()]
    if missing:
        raise InputError([Problem(f"--records {f}", "no such file", "a record") for f in missing])
    if {_stem(file).casefold() for file in part.files} & {n.casefold() for n in scoring_records()}:
        found, expected = "a record that scores", "one that benchmarks/split.toml does not keep"
        raise InputError(Problem(f"--records {text}", found, expected))
    log = read_record(part.path)
    if log.true_soc is not None:
        [record] = bench_records(part.path, model)
        return replace(record, name=_stem(part.path), temperature_c=part.temperature_c)
    if part.end_point is None:
        expected = "a column `true_soc`, or the discharge that empties the cell after it"
        raise InputError(Problem(log.name, "no true charge", expected, "FILE+END"))
    table = cell.capacity_temperature
    usual = np.interp(part.temperature_c, table.temperature_c, table.value) * cell.capacity_ah
    capacity_ah = anchored_capacity_ah(part, log, {}, float(usual))
    charge = charge_ah(log)
    log = with_true_soc(log, 1.0 - (float(charge.max()) - charge[0]) / capacity_ah, capacity_ah)
    return BenchRecord(_stem(part.path), log, model, capacity_ah, part.temperature_c)


def own_context(model: str, texts: Sequence[str]) -> Context:
    """Records of one's own with the model they are to be filtered with.

    Raises:
        InputError: everything that is wrong with the model and the records.
    """
    cell = load_cell(model)
    problems: list[Problem] = []
    records = []
    for text in texts:
        try:
            records.append(own_record(text, cell, model))
        except InputError as error:
            problems += error.located
    if problems:
        raise InputError(problems)
    context = make_context(records, SEED)
    return replace(context, cells={r.name: replace(cell, calibration=None) for r in records})


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
    eta, error_scale, tau_scale, slow_spread = setting
    today = date.today().isoformat()
    return Calibration(eta, error_scale, tau_scale, today, tuple(names), slow_spread)


def outcomes(context: Context, faults: int, members: int, workers: int) -> list[Outcome]:
    """Every setting of the grid over all records of a cell, each record counting alike."""
    executor = executor_from(workers)
    found: dict[tuple[float, ...], list[np.ndarray]] = {setting: [] for setting in GRID}
    for record in context.records:
        rows: dict[tuple[float, ...], list[list[float]]] = {setting: [] for setting in GRID}
        for fault in range(faults):
            job = (context, record, fault, members)
            for setting, row in executor.run(scores, job, iter(GRID)):
                if isinstance(row, Exception):
                    raise row
                rows[setting].append(row)
        for setting in GRID:
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

    With the slow part of cells that nobody calibrated, as the setting is for those.
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
        tables.append([row for row in rows if row.slow_spread == UNCALIBRATED_SLOW_SPREAD])
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


def chosen(found: list[Outcome], most_tau_scale: float = np.inf) -> Outcome:
    """See the module; a grid of long memories only is taken as it is."""
    found = [o for o in found if o.tau_scale <= most_tau_scale] or found
    if honest(found):
        return min(honest(found), key=lambda o: o.crps)
    return max(found, key=lambda o: o.worst_90)


def show(found: list[Outcome], best: Outcome) -> None:
    """The grid as a table, best first by CRPS."""
    print("  eta  error x  memory x  slow ±   in 50 %  in 90 %     worst    width 90   CRPS")
    for o in sorted(found, key=lambda o: o.crps):
        print(
            f" {o.eta:4.2f}  {o.error_scale:7.2f}  {o.tau_scale:8.2f}  {o.slow_spread:6.2f}   "
            f"{100 * o.coverage_50:6.1f}  {100 * o.coverage_90:7.1f}  "
            f"{100 * o.worst_90:5.1f}±{100 * o.worst_error:4.1f}  "
            f"{100 * o.width_90:7.1f}  "
            f"{100 * o.crps:6.2f} {'<' if o is best else ''}"
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
    parser.add_argument("--members", type=int, default=400, help="of the ensemble")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument(
        "--folder", type=Path, default=Path(".calibration-models"), help="for models and grids"
    )
    parser.add_argument("--write", action="store_true", help="store the setting in the model file")
    given = parser.parse_args(argv)
    if given.pooled:
        given.folder.mkdir(exist_ok=True)
        found = pooled(given.folder)
        most = min(most_memory(context_of(name, given.folder)) for name in RECORDS)
        show(found, chosen(found, most))
        return
    if given.model is None:
        parser.error("a model, or --pooled")
    if given.faults < 1 or given.members < 10:
        parser.error("--faults of at least 1, --members of at least 10")
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
    found = outcomes(context, given.faults, given.members, given.workers)
    best = chosen(found, most_memory(context))
    show(found, best)
    if given.records:
        print(caution(found, load_cell(path), names), end="")
    else:
        grid = json.dumps([asdict(o) for o in found], indent=1)
        (given.folder / f"{given.model}.json").write_text(grid, encoding="utf-8")
    if given.write:
        cell = replace(load_cell(path), calibration=calibration(best.setting, names))
        write_beside(path, dump_cell(cell))
        print(f"stored in {path.name}")


if __name__ == "__main__":
    main()
