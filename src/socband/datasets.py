"""Open records by name: where they are, under which licence, and what their true charge is.

A set is read from a local copy (`SOCBAND_DATA`, else a folder shared beside the checkout) or, where
its address is known, fetched by pooch (extra `[data]`), which checks every file against the
checksum here. The licence and the way to cite are printed before the first download. No data comes
with this package.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np

from socband.errors import InputError, Problem, did_you_mean, shown
from socband.layouts import read_record
from socband.logs import (
    Log,
    charge_ah,
    charge_moved_ah,
    emptied_ah,
    end_point_capacity_ah,
    sliced,
    with_true_soc,
)
from socband.open_sets import OPEN_SETS, OpenSet

FOLDER_VARIABLE = "SOCBAND_DATA"
_STOPPED_WITHIN_V = 0.1


class Cutoff(NamedTuple):
    """Low-voltage disconnect in a record: voltage of one cell [V], and how long before its end."""

    voltage_v: float
    before_end_s: float

    @classmethod
    def found(cls, log: Log, voltage_v: float) -> Cutoff | None:
        """Where a log first meets a voltage; None if it never does.

        A tester stops between two readings. Where the load stops within `_STOPPED_WITHIN_V` above
        the voltage, and never runs again, that is the cut-off.
        """
        drawn_a = -log.current_a
        met = np.flatnonzero((log.voltage_v <= voltage_v) & (drawn_a > 0.0))
        if len(met):
            return cls(voltage_v, float(log.time_s[-1] - log.time_s[met[0]]))
        under_load = np.flatnonzero(drawn_a > 1e-3 * max(float(np.max(drawn_a)), 0.0))
        if len(under_load) and log.voltage_v[under_load[-1]] <= voltage_v + _STOPPED_WITHIN_V:
            return cls(voltage_v, float(log.time_s[-1] - log.time_s[under_load[-1]]))
        return None


@dataclass(frozen=True, eq=False)
class BenchRecord:
    """A record whose truth is known, ready for the bench.

    Attributes:
        name: its short name.
        log: with `true_soc`.
        cell: name or path of the cell model that stands for it; it was never fitted to the
            scoring records (benchmarks/split.toml).
        capacity_ah: usable capacity that true_soc counts against [Ah].
        temperature_c: of the chamber [°C]; None where only the log or the model can say.
        cutoff: where low-voltage disconnect lies in it, so that the time until then is known at
            each earlier row; None: nowhere, or not known.
        cell_scaled_to_ah: the cell model is of another size: scale it to this [Ah]; None: not.
    """

    name: str
    log: Log
    cell: str
    capacity_ah: float
    temperature_c: float | None = None
    cutoff: Cutoff | None = None
    cell_scaled_to_ah: float | None = None


# ---------------------------------------------------------------- where files are


def data_folder() -> Path | None:
    """The local copy of the open sets, or None: `SOCBAND_DATA`, else ../shared/data of a checkout.

    Raises:
        InputError: `SOCBAND_DATA` names no folder.
    """
    given = os.environ.get(FOLDER_VARIABLE)
    if given:
        if not Path(given).is_dir():
            raise InputError(Problem(FOLDER_VARIABLE, shown(given), "an existing folder"))
        return Path(given)
    beside = Path(__file__).resolve().parents[3] / "shared" / "data"
    return beside if beside.is_dir() else None


def set_file(
    open_set: OpenSet,
    file: str,
    *,
    folder: Path | None = None,
    cache: Path | None = None,
    say: Callable[[str], object] = lambda text: None,
) -> Path:
    """Path of one file of a set, fetched if it is not here yet.

    Args:
        open_set: the set.
        file: path inside it.
        folder: that holds the sets' folders; None: `data_folder()`.
        cache: where downloads go; None: the user's cache folder.
        say: called with the licence notice before the set's first download.

    Raises:
        InputError: no such file, no local copy and no address, or a wrong checksum.
    """
    folder = data_folder() if folder is None else folder
    if folder is not None and (folder / open_set.name / file).is_file():
        return folder / open_set.name / file
    if file not in open_set.checksums:
        hint = did_you_mean(file, list(open_set.checksums))
        raise InputError(Problem(open_set.name, shown(file), "a file of this set", hint))
    if not open_set.address:
        expected = f"a local copy of {open_set.name} in the folder that {FOLDER_VARIABLE} names"
        hint = "no address is known to fetch it from"
        raise InputError(Problem(f"{open_set.name}/{file}", "no such file", expected, hint))
    try:
        import pooch
    except ImportError:
        found, expected = "pooch is not installed", "pip install 'socband[data]', or a local copy"
        raise InputError(Problem(f"{open_set.name}/{file}", found, expected)) from None
    target = Path(cache or pooch.os_cache("socband")) / open_set.name / file
    if not target.is_file():
        say(open_set.notice())
    pooch.get_logger().setLevel("ERROR")
    try:
        return Path(
            pooch.retrieve(
                url=open_set.url(file),
                known_hash=f"sha256:{open_set.checksums[file]}",
                fname=target.name,
                path=target.parent,
            )
        )
    except Exception as error:  # pooch passes on whatever requests or the file system raise
        raise InputError(
            Problem(f"{open_set.name}/{file}", f"{error}", "a download with the right checksum")
        ) from None


# ---------------------------------------------------------------- records


@dataclass(frozen=True)
class _Known:
    """How one record's truth is made: set, file, cell model, and the rule below."""

    open_set: str
    file: str
    cell: str
    rule: Callable[..., tuple[Log, float]]
    references: tuple[str, ...] = ()
    temperature_c: float = 25.0
    cutoff_v: float = 2.0
    scaled: bool = False
    full_start: tuple[str, ...] = ()  # reference of `_full_at_start`, where the rule is another


def _full_at_start(log: Log, reference: Log) -> tuple[Log, float]:
    """Full at the first row; capacity is what the reference, a low-rate discharge, gave."""
    capacity_ah = -float(charge_ah(reference)[-1])
    return with_true_soc(log, 1.0, capacity_ah), capacity_ah


def _full_to_end_point(log: Log, rest: Log, reference_rest: Log) -> tuple[Log, float]:
    """Full at the first row, empty at the end of the discharge after it: both ends are anchored.

    That discharge is run in the warmth and takes more than a low-rate discharge at the record's
    temperature would: what one leaves is told by the same discharge after the low-rate reference.
    """
    capacity_ah = end_point_capacity_ah(log, rest, emptied_ah(reference_rest))
    return with_true_soc(log, 1.0, capacity_ah), capacity_ah


def _full_where_counted_highest(log: Log, reference: Log) -> tuple[Log, float]:
    """Full where the counter is highest: the end of the charge at constant voltage. Begins there.

    Capacity: the largest charge counted from full to empty in the reference.
    """
    capacity_ah = charge_moved_ah(reference)
    part = sliced(log, int(np.argmax(charge_ah(log))))
    return with_true_soc(part, 1.0, capacity_ah), capacity_ah


def _empty_where_counted_lowest(log: Log, reference: Log) -> tuple[Log, float]:
    """Empty where the counter is lowest: the end of the discharge to 2 V. Begins there."""
    capacity_ah = charge_moved_ah(reference)
    part = sliced(log, int(np.argmin(charge_ah(log))))
    return with_true_soc(part, 0.0, capacity_ah), capacity_ah


_SMALL, _MEDIUM, _LARGE = (
    *("cell-18650-2ah", "cell-26650-2p1ah-temperatures", "cell-26650-2p5ah-steps"),
)
_CODES = {
    **{"10_N25": -25.0, "30_N05": -5.0, "45_P15": 15.0},
    **{"50_P25": 25.0, "50_P35": 35.0, "50_P45": 45.0},
}


def _known() -> dict[str, _Known]:
    records: dict[str, _Known] = {}
    for part in ("Co2", "1C", "2C", "DriveCycle"):
        name = f"LFP_25degC_{part}"
        records[name] = _Known(
            _SMALL, f"{name}.csv", "lfp-18650-2ah", _full_at_start, ("LFP_25degC_Co20.csv",)
        )
    for code, temperature_c in _CODES.items():
        name = f"A123_DYN_{code}_s1"
        records[name] = _Known(
            _MEDIUM,
            f"dynamic/{name}.csv.gz",
            "lfp-26650-2ah",
            _full_to_end_point,
            (f"dynamic/A123_DYN_{code}_s2.csv.gz", f"ocv/A123_OCV_{code[-3:]}_S2.csv.gz"),
            temperature_c,
            full_start=(f"ocv/A123_OCV_{code[-3:]}_S1.csv.gz",),
            # Its load ends as planned, at 2.65 V; what it meets on its way there is 2.5 V.
            cutoff_v=2.5 if code == "30_N05" else 2.0,
        )
    for way in ("COS_0.05A", "COS_0.1A", "EIS_0.05A", "EIS_0.1A"):
        for end, rule in (
            ("Discharge", _full_where_counted_highest),
            ("Charge", _empty_where_counted_lowest),
        ):
            records[f"{way}_{end}"] = _Known(
                _LARGE,
                f"{way}_{end}.mat",
                "lfp-26650-2.5ah",
                rule,
                ("EIS_0.1A_Discharge.mat",),
            )
    return records


KNOWN: Mapping[str, _Known] = _known()


def known_records() -> list[str]:
    """Names of the open records that the bench can make a truth for."""
    return list(KNOWN)


def bench_record(
    name: str,
    *,
    folder: Path | None = None,
    full_start_only: bool = False,
    say: Callable[[str], object] = lambda text: None,
) -> BenchRecord:
    """An open record by its name (that of its file, without the ending), with its true charge.

    Args:
        name: see `known_records`.
        folder: that holds the sets' folders; None: `data_folder()`.
        full_start_only: count from the full start against the low-rate capacity alone, also where
            an end point is known.
        say: gets the licence notice before a download.

    Raises:
        InputError: unknown name, or its files cannot be had.
    """
    if name not in KNOWN:
        hint = did_you_mean(name, list(KNOWN))
        raise InputError(Problem("record", shown(name), "the name of an open record", hint))
    known = KNOWN[name]
    open_set = OPEN_SETS[known.open_set]
    log = read_record(set_file(open_set, known.file, folder=folder, say=say))
    rule, references = known.rule, known.references
    if full_start_only and known.full_start:
        rule, references = _full_at_start, known.full_start
    read = [read_record(set_file(open_set, f, folder=folder, say=say)) for f in references]
    log, capacity_ah = rule(log, *read)
    return BenchRecord(
        name=name,
        log=log,
        cell=known.cell,
        capacity_ah=capacity_ah,
        temperature_c=known.temperature_c,
        cutoff=Cutoff.found(log, known.cutoff_v),
        cell_scaled_to_ah=capacity_ah if known.scaled else None,
    )


def bench_records(
    asked: str | Path,
    cell: str,
    *,
    columns: Mapping[str, str] | None = None,
    discharge_positive: bool = False,
    say: Callable[[str], object] = lambda text: None,
) -> list[BenchRecord]:
    """Records behind one `--records` word.

    Args:
        asked: a CSV file with a `true_soc` column, a folder or the name of an open set (all of its
            known records), or the name of one open record.
        cell: cell model for a CSV file; open records bring their own.
        columns, discharge_positive: how a CSV file is read, as for `logs.read_log`.
        say: gets the licence notice before a download.

    Raises:
        InputError: none of these, or a file without a usable true charge.
    """
    text = str(asked)
    if text in KNOWN:
        return [bench_record(text, say=say)]
    set_name = Path(text).name
    if set_name in OPEN_SETS and not Path(text).is_file():
        folder = Path(text).absolute().parent if Path(text).is_dir() else None
        return [
            bench_record(n, folder=folder, say=say)
            for n, k in KNOWN.items()
            if k.open_set == set_name
        ]
    path = Path(text)
    if not path.is_file():
        choices = [*KNOWN, *OPEN_SETS]
        expected = "a file, a folder of an open set, or the name of an open record"
        raise InputError(Problem("--records", shown(text), expected, did_you_mean(text, choices)))
    log = read_record(path, columns, discharge_positive)
    if log.true_soc is None:
        hint = f"open records by name: {', '.join(KNOWN)}"
        empty = any(problem.where == "true_soc" for problem in log.warnings)
        found = "no number in its column true_soc" if empty else "no true charge"
        raise InputError(Problem(path.name, found, "a column `true_soc`, 0 to 1", hint))
    return [BenchRecord(path.stem, log, cell, counted_capacity_ah(log, path.name))]


MOST_MOVED = 1.2  # of a cell's capacity: a record that moves more is of another cell


def counted_capacity_ah(log: Log, name: str) -> float:
    """Capacity that the stated true charge implies: the slope of charge over true_soc [Ah]."""
    assert log.true_soc is not None
    soc = log.true_soc - np.mean(log.true_soc)
    charge = charge_ah(log)
    moved = float(soc @ soc)
    slope = float(soc @ (charge - charge.mean())) / moved if moved > 0 else 0.0
    if np.ptp(log.true_soc) < 0.05 or slope <= 0:
        found = f"true_soc from {log.true_soc.min():.3f} to {log.true_soc.max():.3f}"
        expected = "a true charge that moves by 5 % or more, upwards when charged"
        raise InputError(Problem(name, found, expected))
    return slope
