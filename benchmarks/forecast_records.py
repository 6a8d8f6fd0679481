"""How good and how honest is the forecast of the time left, on real discharge records?

    python benchmarks/forecast_records.py [--faults 20] [--times 5] [--members 400] [--calibration]
    python benchmarks/forecast_records.py --only 1C 2C      these records alone

At random moments of a record that reaches a cut-off (2.0 V a cell; the -5 degC record, whose load
ends before, 2.5 V) a forecaster is given the log of a faulty
monitor up to then (faults drawn from a known prior, `socband.faults`) and states quantiles of the
hours left. The naive answer is displayed charge ÷ present current. This project's answer conditions
its ensemble on the log and carries it ahead with the loads that the log has shown.

Targets: 90 % interval covers 85-95 %, pinball loss at most half of the naive one. A record that the
shipped model was fitted on is forecast with a model fitted without it ("left out"; made when it is
not there yet, and kept in `--folder`), but with the filter's setting, which was calibrated on it.
The coldest and the warmest of `--calibration` have no such model and are "fitted on".
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from calibration_records import LEFT_OUT, left_out_model, without_rate

from socband.ahead import Ahead
from socband.bench import make_context
from socband.datasets import bench_record, known_records
from socband.forecast_scores import Naive, score_disconnect
from socband.models import CellModel

# (record's place in the list of known records is found by these words) and what was fitted on it
RECORDS = {
    "Co2": "left out",
    "1C": "left out",
    "2C": "left out",
    "DriveCycle": "held out",
    "P25": "held out",
    "N05": "held out",
}
# Records that may decide how a forecast is made.
CALIBRATION = {"N25": "fitted on", "P15": "left out", "P35": "left out", "P45": "fitted on"}


def without(name: str, shipped: CellModel, folder: Path) -> CellModel:
    """The shipped model fitted without a record, with the shipped one's calibration."""
    left = (
        left_out_model(LEFT_OUT[name], folder) if name in LEFT_OUT else without_rate(name, folder)
    )
    return replace(left, calibration=shipped.calibration)


def chosen(wanted: dict[str, str]) -> dict[str, str]:
    """Known records of a list above, with what was fitted on them."""
    names = {}
    for word, note in wanted.items():
        for name in known_records():
            if word.lower() in name.lower().replace("/", "_"):
                names.setdefault(name, note)
    return names


def main(argv: Sequence[str] | None = None) -> None:
    """Read the flags, forecast, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--faults", type=int, default=20)
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--members", type=int, default=400)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--calibration", action="store_true", help="on calibration records instead")
    parser.add_argument("--only", nargs="+", metavar="WORD", help="records whose name has it")
    parser.add_argument("--folder", type=Path, default=Path(".calibration-models"))
    args = parser.parse_args(argv)
    wanted = CALIBRATION if args.calibration else RECORDS
    notes = chosen({w: note for w, note in wanted.items() if w in (args.only or wanted)})
    if not notes:
        parser.error(f"--only of {', '.join(wanted)}")
    context = make_context([bench_record(name) for name in notes], seed=args.seed)
    args.folder.mkdir(exist_ok=True)
    cells = {
        name: without(name, context.cells[name], args.folder)
        for name, note in notes.items()
        if note == "left out"
    }
    context = replace(context, cells={**context.cells, **cells})
    start = time.perf_counter()
    scores = score_disconnect(
        context,
        {"naive": Naive(), "naive, mean so far": Naive(np.inf), "ensemble": Ahead(args.members)},
        faults=args.faults,
        times=args.times,
    )
    print(f"{args.faults} faults × {args.times} times a record, {args.members} members, "
          f"seed {args.seed}, {time.perf_counter() - start:.0f} s")  # fmt: skip
    print("| record | model | forecaster | MAE h | covers 90 % | pinball h | over naive | never |")
    print("|---|---|---|---|---|---|---|---|")
    for record in scores["record"].values:
        naive = float(scores["pinball_hours"].sel(record=record, forecaster="naive"))
        for name in scores["forecaster"].values:
            row = scores.sel(record=record, forecaster=name)
            loss = float(row["pinball_hours"])
            covers = float(row["coverage_90"])
            print(
                f"| {record} | {notes.get(str(record), '')} | {name} "
                f"| {float(row['mae_hours']):.3f} | {covers:.0%} | {loss:.4f} "
                f"| {loss / naive:.2f} | {float(row['never']):.0%} |"
            )
    pooled = scores["coverage_90"].sel(forecaster="ensemble").mean()
    print(f"coverage of the ensemble, mean over records: {float(pooled):.1%}")


if __name__ == "__main__":
    main()
