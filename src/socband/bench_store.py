"""Where the bench keeps its scores: arrays in memory, a journal while running, NetCDF at the end.

The journal (`out.nc.part`) holds one JSON object a line: first what bench it belongs to, then one
finished grid cell each. A line that was cut off by a crash is left out on reading. The arrays take
a few hundred bytes a grid cell; no series is ever kept. A rerun keeps what the file holds of other
estimators and more faults; scores of an estimator whose settings or file changed are left behind.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import is_dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from socband.errors import InputError, Problem, shown
from socband.scoring import LEVELS, PIT_BINS, SOC_RANGES, soc_range_name
from socband.summary import ATTRIBUTES, name_file, write_netcdf

if TYPE_CHECKING:
    import xarray as xr

    from socband.bench import Context, GridCell

Array = np.ndarray

#: Numbers of a grid cell: name → (unit, long name).
SCALARS: dict[str, tuple[str, str]] = {
    "mae": ("1", "mean absolute error of the charge"),
    "rmse": ("1", "root mean square error of the charge"),
    "max_error": ("1", "largest absolute error of the charge"),
    "bias": ("1", "mean error of the charge, estimate less truth"),
    "width_90": ("1", "mean width of the 90 % interval"),
    "interval_score_90": ("1", "interval score of the 90 % interval"),
    "crps": ("1", "continuous ranked probability score"),
    "nees": ("1", "normalised estimation error squared"),
    "ess_p05": ("1", "5th percentile of the effective sample size"),
    "us_per_step": ("us", "cost of one step"),
    "hours": ("h", "length of the log"),
}
#: Lists of a grid cell: name → (coordinate, length, long name); all are shares of time.
_LISTS: dict[str, tuple[str, int, str]] = {
    "coverage": ("level", len(LEVELS), "share of time with the truth in the central interval"),
    "coverage_90_by_soc": (
        *("soc_range", len(SOC_RANGES)),
        "share of the time in a range of charge with the truth in the 90 % interval",
    ),
    "share_by_soc": ("soc_range", len(SOC_RANGES), "share of time in a range of true charge"),
    "pit": ("pit_bin", PIT_BINS, "share of time with the probability of the truth in that bin"),
}
_SHOWN_FAILURES = 20


def fingerprint(context: Context) -> str:
    """What a bench's scores depend on beside their labels: records, cells, priors, seed, version.

    The number of faults and the choice of estimators are not in it: a bench may be enlarged.
    """
    from socband import __version__
    from socband.models import dump_cell

    digest = hashlib.sha256(f"{__version__} {context.seed}".encode())
    for name in sorted(context.records):
        log = context.records[name].log
        digest.update(f"{name} {context.priors[name]} {dump_cell(context.cells[name])}".encode())
        for values in (log.time_s, log.current_a, log.voltage_v, log.true_soc, log.temperature_c):
            if values is not None:
                digest.update(np.ascontiguousarray(values).tobytes())
    return digest.hexdigest()[:16]


class Store:
    """Scores of a grid; a context manager that closes the journal."""

    def __init__(
        self, context: Context, names: Sequence[str], faults: int, save: Path | None
    ) -> None:
        self._names, self._records = list(names), list(context.records)
        self._shape = (len(self._names), len(self._records), faults)
        self._index = {
            (e, r): (i, j) for i, e in enumerate(self._names) for j, r in enumerate(self._records)
        }
        self._values = {name: np.full(self._shape, np.nan) for name in SCALARS}
        for name, (_, size, _) in _LISTS.items():
            self._values[name] = np.full((*self._shape, size), np.nan)
        self._state = np.zeros(self._shape, dtype=np.int8)  # 0 missing, 1 scored, 2 failed
        self._failures: dict[tuple[str, str], str] = {}  # one of each kind
        self._context, self._save = context, save
        self._sources = {} if save is None else {n: _source(context, n) for n in self._names}
        self._journal: IO[str] | None = None

    @classmethod
    def open(
        cls, context: Context, names: Sequence[str], faults: int, save: str | Path | None
    ) -> Store:
        """A store that holds every grid cell already found in `save` or its journal.

        Raises:
            InputError: what is there belongs to another bench, or the folder does not exist.
        """
        if save is None:
            return cls(context, names, faults, None)
        path = Path(save)
        if not path.parent.is_dir():
            raise InputError(Problem("--save", shown(str(path)), "a file in an existing folder"))
        mark = fingerprint(context)
        part = _part(path)
        also, most = _found(path, part)
        store = cls(context, [*dict.fromkeys([*names, *also])], max(faults, most), path)
        if path.is_file():
            store._take_dataset(path, mark)
        if part.is_file():
            store._take_journal(part, mark)
            store._journal = part.open("a", encoding="utf-8")
            store._journal.write("\n")  # ends a line that a crash may have cut off
        else:
            store._journal = part.open("w", encoding="utf-8")
            store._write({"bench": mark})
        return store

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        journal, self._journal = self._journal, None
        if journal is not None:
            journal.close()

    def __contains__(self, cell: GridCell) -> bool:
        i, j = self._index[cell.estimator, cell.record]
        return bool(self._state[i, j, cell.fault])

    @property
    def finished(self) -> int:
        """Grid cells that are there."""
        return int(np.count_nonzero(self._state))

    def put(self, cell: GridCell, row: Mapping[str, Any]) -> None:
        """Keep one grid cell, in memory and in the journal."""
        if self._take(cell.estimator, cell.record, cell.fault, row):
            source = self._sources.get(cell.estimator)
            self._write({"cell": cell, "row": row, "source": source})

    def finish(self) -> xr.Dataset:
        """All scores; written to `save` beside it first, then renamed, then the journal goes."""
        dataset = self.dataset()
        if self._save is not None:
            write_netcdf(dataset, self._save)
            self.__exit__()
            _part(self._save).unlink(missing_ok=True)
        return dataset

    def dataset(self) -> xr.Dataset:
        """Every score over estimator, record, fault; NaN where missing or failed."""
        import xarray as xr

        from socband import __version__

        grid = ("estimator", "record", "fault")
        variables: dict[str, Any] = {}
        for name, (unit, long_name) in SCALARS.items():
            attrs = {"units": unit, "long_name": long_name}
            variables[name] = (grid, self._values[name], attrs)
        for name, (dim, _, long_name) in _LISTS.items():
            attrs = {"units": "1", "long_name": long_name}
            variables[name] = ((*grid, dim), self._values[name], attrs)
        attrs = {"units": "1", "long_name": "0 missing, 1 scored, 2 the estimator failed"}
        variables["state"] = (grid, self._state, attrs)
        whole = xr.Dataset(
            variables,
            coords={
                "estimator": self._names,
                "record": self._records,
                "fault": np.arange(self._shape[2]),
                "level": list(LEVELS),
                "soc_range": [soc_range_name(bounds) for bounds in SOC_RANGES],
                "pit_bin": (np.arange(PIT_BINS) + 0.5) / PIT_BINS,
            },
            attrs={
                "Conventions": "CF-1.12",
                "title": "accuracy and honesty of estimators of the state of charge",
                "history": f"socband {__version__} bench, seed {self._context.seed}",
                "bench": fingerprint(self._context),
                "failures": json.dumps(list(self._failures.values())),
                "sources": json.dumps(self._sources),
            },
        )
        for name, variable in whole.coords.items():
            variable.attrs.update(ATTRIBUTES[str(name)])
        return whole

    # ------------------------------------------------------------ private

    def _take(self, estimator: str, record: str, fault: int, row: Mapping[str, Any]) -> bool:
        at = self._index.get((estimator, record))
        if at is None or fault >= self._shape[2]:
            return False
        where = (*at, fault)
        if "failed" in row:
            self._state[where] = 2
            first = str(row["failed"]).splitlines()[0]
            text = f"{estimator}: {first}, first on {record}, fault {fault}"
            if len(self._failures) < _SHOWN_FAILURES:
                self._failures.setdefault((estimator, first), text)
            return True
        for name, values in self._values.items():
            values[where] = row[name]
        self._state[where] = 1
        return True

    def _write(self, line: Mapping[str, Any]) -> None:
        if self._journal is not None:
            try:
                self._journal.write(json.dumps(line) + "\n")
                self._journal.flush()
            except OSError as error:
                name_file(error, Path(self._journal.name))
                with suppress(OSError):  # closing tries to write what is left once more
                    self.__exit__()
                raise

    def _take_journal(self, part: Path, mark: str) -> None:
        for number, line in enumerate(_lines(part)):
            if number == 0 and line.get("bench") != mark:
                raise _other_bench(part)
            if "cell" in line and line["source"] == self._sources[line["cell"][0]]:
                self._take(*line["cell"], line["row"])

    def _take_dataset(self, path: Path, mark: str) -> None:
        old = _read(path)
        if old.attrs.get("bench") != mark:
            raise _other_bench(path)
        sources = json.loads(old.attrs["sources"])
        for i, estimator in enumerate(old["estimator"].values.tolist()):
            if sources[estimator] != self._sources[estimator]:
                continue
            for j, record in enumerate(old["record"].values.tolist()):
                at = self._index[estimator, record]
                # A failed cell is tried again: it may have been mended.
                scored = np.flatnonzero(old["state"].values[i, j] == 1)
                for name, values in self._values.items():
                    values[at][scored] = old[name].values[i, j, scored]
                self._state[at][scored] = 1


def _lines(part: Path) -> Iterator[dict[str, Any]]:
    with part.open(encoding="utf-8") as lines:
        for text in lines:
            try:
                yield json.loads(text)
            except json.JSONDecodeError:
                continue


def _read(path: Path) -> xr.Dataset:
    import xarray as xr

    try:
        with xr.open_dataset(path, engine="h5netcdf") as opened:
            return opened.load()
    except (OSError, ValueError) as error:
        expected = "a result of `socband bench`, or a new file"
        raise InputError(Problem(str(path), f"{error}", expected)) from None


def _found(path: Path, part: Path) -> tuple[list[str], int]:
    """Estimators and number of faults in what an earlier run left."""
    names: list[str] = []
    faults = 0
    if path.is_file():
        old = _read(path)
        if "bench" in old.attrs:
            names += old["estimator"].values.tolist()
            faults = old.sizes["fault"]
    if part.is_file():
        for line in _lines(part):
            if "cell" in line:
                names.append(line["cell"][0])
                faults = max(faults, line["cell"][2] + 1)
    return names, faults


def _source(context: Context, name: str) -> str:
    """What an estimator's scores depend on: its settings, and the file of a `path.py:Class`.

    Not its code: scores of an older program are told by the version in the fingerprint alone.
    """
    path = Path(name.rpartition(":")[0])
    digest = hashlib.sha256()
    try:
        estimator = context.estimator(name)
    except (InputError, ImportError):
        return "gone"
    if is_dataclass(estimator):
        digest.update(repr(estimator).encode())
    if path.suffix == ".py" and path.is_file():
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _part(path: Path) -> Path:
    return path.with_name(path.name + ".part")


def kept_in(save: Path) -> list[Path]:
    """The files that a bench writes to keep its scores in `save`."""
    return [save, _part(save)]


def _other_bench(path: Path) -> InputError:
    found = "scores of another bench (other records, cell model, seed, step or version)"
    hint = "take another file, or delete this one"
    return InputError(Problem(str(path), found, "scores of this one, or no file", hint))
