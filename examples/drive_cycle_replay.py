"""A real cell, a monitor with errors put in on purpose: does the band hold the true charge?

The record is the drive cycle of an open 2 Ah 18650 LFP cell (About:Energy Ltd, BPX
parameterisation, 2022, CC BY-SA 4.0), read from SOCBAND_DATA or ../shared/data. The cell model was
fitted to other records of the cell, never to this one.

The monitor's view is made from it:
    seen = true current + untracked load (which draws unseen) + offset
with an offset of 1 % of 1C and an untracked load of 2 % of 1C. Both make the display too high, by
(offset + untracked) * hours / capacity. The view is written as a Battery Data Format CSV into a
temporary folder and goes through the same functions as `socband replay`.

    python examples/drive_cycle_replay.py [--members 4000] [--seed 0] [--plot FILE.png]
"""

from __future__ import annotations

import argparse
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from socband.layouts import read_record
from socband.logs import Log, read_log, with_true_soc
from socband.models import load_cell
from socband.posterior import Settings
from socband.replay import replay
from socband.site import read_setup

HERE = Path(__file__).resolve().parent
RECORD = Path("cell-18650-2ah") / "LFP_25degC_DriveCycle.csv"
CAPACITY_AH = 2.0745  # of the same cell at C/20, to 2.0 V (its C/20 record)
OFFSET_A = 0.01 * CAPACITY_AH
UNTRACKED_A = 0.02 * CAPACITY_AH


@dataclass(frozen=True)
class Outcome:
    """What the example prints; charges 0..1.

    Attributes:
        display_soc, true_soc: at the end of the record.
        display_off_by: display less truth at the end.
        closed_form: what offset and untracked load must do to a count in that time.
        low, likely, high: the 90 % band at the end and its middle.
        inside_at_end: does the band hold the truth there?
        inside_share: share of the time in which it does.
        dataset: everything, as `socband replay --save` writes it.
    """

    display_soc: float
    true_soc: float
    display_off_by: float
    closed_form: float
    low: float
    likely: float
    high: float
    inside_at_end: bool
    inside_share: float
    dataset: object


def data_folder() -> Path:
    """Folder of the open cell records."""
    named = os.environ.get("SOCBAND_DATA")
    return Path(named) if named else HERE.parent.parent / "shared" / "data"


def write_view(record: Log, path: Path) -> None:
    """What the monitor would have logged, with the true charge in a column of its own."""
    seen_a = record.current_a + UNTRACKED_A + OFFSET_A
    table = np.column_stack([record.time_s, seen_a, record.voltage_v, record.true_soc])
    header = "Test Time / s,Current / A,Voltage / V,true_soc"
    np.savetxt(path, table, delimiter=",", header=header, comments="", fmt="%.9g")


def run(folder: Path, members: int = 4000, seed: int = 0) -> Outcome:
    """Make the view, replay it, compare."""
    # The record starts after a full charge; how full is not stated, so 100 % is an assumption.
    record = with_true_soc(read_record(folder / RECORD), 1.0, CAPACITY_AH)
    setup = read_setup(HERE / "drive-cycle.toml")
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "seen.csv"
        write_view(record, path)
        log = read_log(path, cells_in_series=setup.bank.cells_in_series)
    dataset = replay(setup, load_cell(setup.bank.cell), log, Settings(members=members, seed=seed))
    display = dataset["display_soc"].values
    true = dataset["true_soc"].values
    low, likely, high = dataset["soc_quantile"].sel(quantile=[0.05, 0.5, 0.95]).values.T
    hours = (record.time_s[-1] - record.time_s[0]) / 3600.0
    inside = (low <= true) & (true <= high)
    return Outcome(
        display_soc=float(display[-1]),
        true_soc=float(true[-1]),
        display_off_by=float(display[-1] - true[-1]),
        closed_form=(OFFSET_A + UNTRACKED_A) * hours / CAPACITY_AH,
        low=float(low[-1]),
        likely=float(likely[-1]),
        high=float(high[-1]),
        inside_at_end=bool(inside[-1]),
        inside_share=float(inside.mean()),
        dataset=dataset,
    )


def main() -> None:
    """Run the example and print what came out."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--members", type=int, default=4000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--plot", type=Path)
    asked = parser.parse_args()
    folder = data_folder()
    if not (folder / RECORD).is_file():
        raise SystemExit(f"no record {RECORD} in {folder}: set SOCBAND_DATA to its folder")
    out = run(folder, asked.members, asked.seed)
    print(f"True charge at the end      {100 * out.true_soc:6.1f} %")
    print(f"The display says            {100 * out.display_soc:6.1f} %")
    print(
        f"The display is off by       {100 * out.display_off_by:6.2f} %"
        f"   (closed form: {100 * out.closed_form:.2f} %)"
    )
    print(
        f"socband, likely             {100 * out.likely:6.1f} %"
        f"   (90 % band: {100 * out.low:.1f} to {100 * out.high:.1f} %)"
    )
    print(f"True charge in the band     {'yes' if out.inside_at_end else 'NO':>6}     at the end")
    print(f"                            {100 * out.inside_share:6.0f} %   of the time")
    if asked.plot is not None:
        from socband.cli_shared import save_figure
        from socband.plots import replay_figure

        save_figure(lambda: replay_figure(out.dataset), asked.plot)


if __name__ == "__main__":
    main()
