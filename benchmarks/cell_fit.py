"""Voltage error of the cell models on records that were not fitted, against the figures to reach.

    python benchmarks/cell_fit.py            every row (each fits a cell: about a minute a row)
    python benchmarks/cell_fit.py 26650-25   the rows named
    python benchmarks/cell_fit.py truth      capacity of the dynamic runs by the two ways to count
    python benchmarks/cell_fit.py distance   error at a temperature that was left out of the fit

Needs the open records (SOCBAND_DATA, else ../shared/data). The true charge is the cycler's: counted
between full and, where the discharge that follows is known, empty.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from socband.datasets import KNOWN, bench_record
from socband.identify import Fitted, fit_cell
from socband.identify_source import Source

ROOT = Path(__file__).resolve().parent.parent
_WARM = {"N25": -25.0, "N05": -5.0, "P15": 15.0, "P25": 25.0, "P35": 35.0, "P45": 45.0}


def data_dir() -> Path:
    """Where the records are."""
    named = os.environ.get("SOCBAND_DATA")
    folder = Path(named) if named else ROOT.parent / "shared" / "data"
    if not folder.is_dir():
        raise SystemExit(f"no open cell records: set SOCBAND_DATA (looked in {folder})")
    return folder


def _ocv(code: str, part: int) -> Source:
    folder = data_dir() / "cell-26650-2p1ah-temperatures" / "ocv"
    end_point = folder / f"A123_OCV_{code}_S2.csv.gz" if part == 1 else None
    return Source(folder / f"A123_OCV_{code}_S{part}.csv.gz", _WARM[code], end_point)


def _dynamic(code: str) -> Source:
    folder = data_dir() / "cell-26650-2p1ah-temperatures" / "dynamic"
    profile, end_point = (next(folder.glob(f"A123_DYN_*_{code}_s{k}.csv.gz")) for k in (1, 2))
    return Source(profile, _WARM[code], end_point)


def _temperatures(fit: tuple[str, ...], score: str) -> Fitted:
    return fit_cell(
        "26650",
        ocv_discharge=[_ocv(code, 1) for code in fit],
        ocv_charge=[_ocv(code, 3) for code in fit if _WARM[code] > 0],
        dynamic=[_dynamic(code) for code in fit],
        score=[_dynamic(score), replace(_dynamic(score), end_point=None)],
    )


def _drive_cycle() -> Fitted:
    from socband.bpx_import import diffusion_time_s, full_cell
    from socband.identify_ocv import GRID

    folder = data_dir() / "cell-18650-2ah"
    part = {n: Source(folder / f"LFP_25degC_{n}.csv", 25.0)
            for n in ("Co20", "Co2", "1C", "2C", "DriveCycle")}  # fmt: skip
    return fit_cell(
        "18650",
        ocv_discharge=[part["Co20"]],
        dynamic=[part["Co2"], part["1C"], part["2C"]],
        score=[part["DriveCycle"]],
        diffusion_s=diffusion_time_s(folder / "lfp_18650_cell_BPX.json"),
        published_ocv_v=full_cell(folder / "lfp_18650_cell_BPX.json", GRID)[0],
    )


def _steps() -> Fitted:
    folder = data_dir() / "cell-26650-2p5ah-steps"
    return fit_cell(
        "steps",
        dynamic=[
            Source(folder / f"{n}.mat", 25.0) for n in ("COS_0.05A_Charge", "EIS_0.1A_Charge")
        ],
        score=[Source(folder / "COS_0.1A_Discharge.mat", 25.0)],
    )


# name: how to fit, what is scored, [(figure, range, at most mV)]
ROWS: dict[str, tuple[Callable[[], Fitted], list[tuple[str, str, float]]]] = {
    "18650-drive": (
        _drive_cycle,
        [("rms_mv", "10-95", 15.0), ("rms_mv", "20-95", 10.0), ("rms_mv", "2-10", 60.0)],
    ),
    "26650-25": (
        lambda: _temperatures(("P15", "P35"), "P25"),
        [("rms_mv", "10-95", 12.0), ("raw_rms_mv", "10-95", 20.0), ("rms_mv", "2-10", 60.0)],
    ),
    "26650-minus5": (
        lambda: _temperatures(("N25", "P15", "P35", "P45"), "N05"),
        [("rms_mv", "10-95", 30.0), ("rms_mv", "2-10", 60.0)],
    ),
    "steps-rested": (_steps, [("rested_rms_mv", "10-95", 8.0)]),
}


def print_truth() -> None:
    """Capacity between a run's own two ends, and of the low-rate test at the same temperature."""
    for name, known in KNOWN.items():
        if known.full_start:
            own, other = (bench_record(name, full_start_only=x).capacity_ah for x in (False, True))
            print(f"{name:20s} {own:.4f} Ah between its ends, low-rate test {other:.4f} Ah, "
                  f"{100.0 * (1.0 - own / other):.1f} % less")  # fmt: skip


def print_distance() -> None:
    """Fits without one temperature against the fit with all, at that temperature (60 s means).

    The records of the fit alone; see `VoltageError.unfamiliar_factor`, whose kelvin these are.
    """
    codes = ("N25", "P15", "P35", "P45")

    def rms_mv(fitted: Fitted, code: str, used_for: str) -> float:
        row = next(r for r in fitted.records if code in r["name"] and r["used_for"] == used_for)
        return row["rms_mv"]["10-95"]

    whole = _temperatures(codes, codes[0])
    for code in codes:
        kept = tuple(c for c in codes if c != code)
        apart_k = min(abs(_WARM[code] - _WARM[c]) for c in kept)
        inside = rms_mv(whole, code, "fit")
        outside = rms_mv(_temperatures(kept, code), code, "score")
        ratio = outside / inside
        kelvin = apart_k / np.sqrt(ratio**2 - 1.0) if ratio > 1.0 else np.inf
        print(
            f"{_WARM[code]:4.0f} degC, {apart_k:3.0f} K from the next: {inside:5.1f} mV fitted, "
            f"{outside:5.1f} mV left out, {ratio:4.2f} times: {kelvin:4.0f} K",
            flush=True,
        )


def main(names: list[str]) -> int:
    """Print one line a figure; the exit code is 0 whether reached or missed."""
    if names == ["truth"]:
        print_truth()
        return 0
    if names == ["distance"]:
        print_distance()
        return 0
    unknown = [n for n in names if n not in ROWS]
    if unknown:
        print(f"unknown rows {', '.join(unknown)}; there are {', '.join(ROWS)}")
        return 2
    print(f"{'row':14s} {'scored record':28s} {'figure':26s} {'mV':>7s} {'at most':>8s}")
    for name in names or ROWS:
        fit, targets = ROWS[name]
        start = time.perf_counter()
        fitted = fit()
        spent = time.perf_counter() - start
        row, *again = (r for r in fitted.records if r["used_for"] == "score")
        for key, span, most in targets:
            value = row[key] if key == "rested_rms_mv" else row[key][span]
            words = {"rms_mv": "60 s means", "raw_rms_mv": "raw samples"}.get(key, "rested 2 h")
            verdict = "" if value is not None and value <= most else "  MISSED"
            shown = np.nan if value is None else value
            print(f"{name:14s} {row['name'][:28]:28s} {words + ' ' + span + ' %':26s} "
                  f"{shown:7.1f} {most:8.0f}{verdict}", flush=True)  # fmt: skip
        for other in again:  # what the second anchor of the true charge does to the score
            means = ", ".join(f"{v:.1f} ({span} %)" for span, v in other["rms_mv"].items())
            print(f"{'':14s} the same counted from full alone, 60 s means: {means}")
        print(f"{'':14s} fitted in {spent:.0f} s, {fitted.fit.evaluations} evaluations")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
