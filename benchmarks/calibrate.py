"""Calibrate how far the filter trusts a cell model: learning rate, size and memory of its error.

    python benchmarks/calibrate.py lfp-26650-2ah            the grid, and what it would store
    python benchmarks/calibrate.py lfp-26650-2ah --write    and store it in the model's file
    python benchmarks/calibrate.py --pooled                 one setting over the records of all
                                                            cells, from the grids already run

A model is at its best on the records it was fitted to, so those would make the filter too sure of
it. Where a cell has dynamic records at several temperatures, each inner one is filtered with a
model fitted without it (made when it is not there yet, and kept in `--folder`). Only records
that benchmarks/split.toml names for calibration are read.

Chosen is the setting of least CRPS among those whose 90 % band holds the truth in 88 % of the time
or more over all records alike, and in 80 % or more on each as far as so few faults can tell (within
one standard error over the faults); if there is none, the one that covers the worst record most.
CRPS itself speaks against a band that is too wide.
"""

from __future__ import annotations

import argparse
import itertools
import json
import tomllib
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np

from socband.bench import Context, make_context
from socband.datasets import bench_record, set_file
from socband.estimators.ensemble import BENCH_SETTINGS, Ensemble
from socband.executors import executor_from
from socband.faults import stream
from socband.models import Calibration, CellModel, dump_cell, load_cell
from socband.open_sets import OPEN_SETS
from socband.scoring import LEVELS, score_record

HERE = Path(__file__).resolve().parent
MODELS = HERE.parent / "models"
GRID = tuple(itertools.product((0.5, 0.25), (0.7, 1.0), (0.5, 2.0, 6.0, 15.0)))
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
    coverage_50: float
    coverage_90: float
    worst_90: float
    worst_error: float
    width_90: float
    crps: float


def calibration_records() -> set[str]:
    """Names that the frozen split allows here."""
    split = tomllib.loads((HERE / "split.toml").read_text(encoding="utf-8"))
    return set(split["calibration"]["records"])


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


def context_of(model: str, folder: Path) -> Context:
    """The calibration records of a cell with the models they are to be filtered with."""
    names = RECORDS[model]
    forbidden = set(names) - calibration_records()
    if forbidden:
        raise SystemExit(f"not for calibration: {', '.join(sorted(forbidden))}")
    context = make_context([bench_record(name) for name in names], SEED)
    cells = {}
    for name in names:
        cell = left_out_model(LEFT_OUT[name], folder) if name in LEFT_OUT else context.cells[name]
        cells[name] = replace(cell, calibration=None)
    return replace(context, cells=cells)


def scores(job: tuple[Context, str, int, int], item: tuple[float, float, float]) -> list[float]:
    """Coverage of 50 and 90 %, width and CRPS of one setting on one record with one fault."""
    context, record, fault, members = job
    eta, error_scale, tau_scale = item
    settings = replace(
        BENCH_SETTINGS, members=members, eta=eta, error_scale=error_scale, tau_scale=tau_scale
    )
    _, view = context.view(record, fault)
    rng = stream(context.seed, "estimate", record, fault, "ensemble")
    answer = Ensemble(settings).estimate(view.log, context.cells[record], view.prior, rng)
    row = score_record(
        view.truth_soc,
        answer["soc_quantile"].transpose("time", "quantile").to_numpy(),
        answer["quantile"].to_numpy(),
        view.dt_s,
    )
    coverage = np.asarray(row["coverage"])
    levels = LEVELS.index(0.5), LEVELS.index(0.9)
    return [*(float(coverage[k]) for k in levels), float(row["width_90"]), float(row["crps"])]


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
    """Every setting over the records of all cells, each record counting alike."""
    tables = []
    for name in RECORDS:
        path = folder / f"{name}.json"
        if not path.is_file():
            raise SystemExit(f"no grid of {name} yet: run calibrate.py {name} first")
        tables.append([Outcome(**row) for row in json.loads(path.read_text(encoding="utf-8"))])
    share = np.array([len(records) for records in RECORDS.values()], float)
    share /= share.sum()
    answer = []
    for same in zip(*tables, strict=True):
        if len({(o.eta, o.error_scale, o.tau_scale) for o in same}) > 1:
            raise SystemExit("the grids differ: run calibrate.py again for each model")
        mean = share @ np.array([(o.coverage_50, o.coverage_90, o.width_90, o.crps) for o in same])
        worst = min(same, key=lambda o: o.worst_90)
        answer.append(
            replace(worst, coverage_50=mean[0], coverage_90=mean[1], width_90=mean[2], crps=mean[3])
        )
    return answer


def chosen(found: list[Outcome]) -> Outcome:
    """See the module."""
    honest = [o for o in found if o.coverage_90 >= 0.88 and o.worst_90 + o.worst_error >= 0.80]
    if honest:
        return min(honest, key=lambda o: o.crps)
    return max(found, key=lambda o: o.worst_90)


def show(found: list[Outcome], best: Outcome) -> None:
    """The grid as a table, best first by CRPS."""
    print("  eta  error x  memory x   in 50 %  in 90 %     worst    width 90   CRPS")
    for o in sorted(found, key=lambda o: o.crps):
        print(
            f" {o.eta:4.2f}  {o.error_scale:7.2f}  {o.tau_scale:8.2f}   "
            f"{100 * o.coverage_50:6.1f}  {100 * o.coverage_90:7.1f}  "
            f"{100 * o.worst_90:5.1f}±{100 * o.worst_error:4.1f}  "
            f"{100 * o.width_90:7.1f}  "
            f"{100 * o.crps:6.2f} {'<' if o is best else ''}"
        )


def main() -> None:
    """Read the flags, run the grid, print, store."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("model", nargs="?", choices=tuple(RECORDS))
    parser.add_argument("--pooled", action="store_true")
    parser.add_argument("--faults", type=int, default=10)
    parser.add_argument("--members", type=int, default=400)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=Path(".calibration-models"))
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    given.folder.mkdir(exist_ok=True)
    if given.pooled:
        found = pooled(given.folder)
        show(found, chosen(found))
        return
    if given.model is None:
        parser.error("a model, or --pooled")
    context = context_of(given.model, given.folder)
    found = outcomes(context, given.faults, given.members, given.workers)
    best = chosen(found)
    show(found, best)
    grid = json.dumps([asdict(o) for o in found], indent=1)
    (given.folder / f"{given.model}.json").write_text(grid, encoding="utf-8")
    if given.write:
        path = MODELS / f"{given.model}.toml"
        calibration = Calibration(
            best.eta,
            best.error_scale,
            best.tau_scale,
            date.today().isoformat(),
            RECORDS[given.model],
        )
        text = dump_cell(replace(load_cell(path), calibration=calibration))
        path.write_text(text, encoding="utf-8")
        print(f"stored in {path.name}")


if __name__ == "__main__":
    main()
