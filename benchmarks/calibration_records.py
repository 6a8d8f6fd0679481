"""The records that calibrate, each with the model it is to be filtered with; see `calibrate`."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from socband.bench import Context, make_context
from socband.datasets import BenchRecord, bench_record, bench_records, set_file
from socband.errors import InputError, Problem
from socband.identify_source import Source, anchored_capacity_ah
from socband.layouts import read_record
from socband.logs import charge_ah, with_true_soc
from socband.models import CellModel, load_cell
from socband.open_sets import OPEN_SETS

HERE = Path(__file__).resolve().parent
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


def without_rate(name: str, folder: Path) -> CellModel:
    """The 2 Ah cell fitted without one of its constant-current records; as `left_out_model`."""
    path = folder / f"lfp-18650-2ah-without-{name.removeprefix('LFP_25degC_')}.toml"
    if not path.is_file():
        from socband.identify_command import fit_command

        part = OPEN_SETS["cell-18650-2ah"]
        low_rate = set_file(part, "LFP_25degC_Co20.csv")
        kept = [other for other in RECORDS["lfp-18650-2ah"] if other != name]
        fit_command(
            name=path.stem,
            ocv_discharge=[str(low_rate)],
            dynamic=[str(set_file(part, f"{other}.csv")) for other in kept],
            bpx=low_rate.parent / "lfp_18650_cell_BPX.json",
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
