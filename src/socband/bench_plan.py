"""What a bench is to run, from flags or from a plan in TOML.

    cell = "lfp-26650-2ah"
    records = ["A123_DYN_50_P25_s1", "own-record.csv"]
    estimators = ["ekf", "open_loop", "own.py:Own"]
    faults = 50
    seed = 0
    step_s = 60
    columns = { current = "I[A]" }    # labels of files that are not the Battery Data Format's
    discharge_positive = true

Paths in a plan are relative to its folder.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from socband.bench import Context, make_context
from socband.datasets import KNOWN, BenchRecord, bench_records
from socband.errors import InputError, Problem, did_you_mean, shown
from socband.estimators import estimator_names, load_estimators
from socband.toml_file import read_toml

MOST_FAULTS = 100_000
MOST_STEP_S = 3600.0
_RESULTS = (".nc", ".part", ".png")  # what the bench itself writes
LEAST_STEPS = 10  # of a record: on fewer there is nothing to score (assumed)


@dataclass(frozen=True)
class Plan:
    """A bench to run.

    Attributes:
        records: files with `true_soc`, folders or names of open sets, names of open records.
        cell: cell model for records that are files; open records bring theirs, unless
            `cell_for_all`.
        estimators: names or path.py:Class.
        faults: a record.
        seed: of everything random.
        step_s: records are brought to steps of this length [s]; 0 = as recorded; None = 10 to 60 s
            by the length of the record (`bench.usual_step_s`).
        columns, discharge_positive: how files are read, as for `logs.read_log`.
    """

    records: tuple[str, ...]
    cell: str = ""
    cell_for_all: bool = False
    estimators: tuple[str, ...] = ("all",)
    faults: int = 50
    seed: int = 0
    step_s: float | None = None
    columns: Mapping[str, str] | None = None
    discharge_positive: bool = False

    @classmethod
    def from_tree(cls, tree: Mapping[str, Any], folder: Path, origin: str = "") -> Plan:
        """From a parsed TOML file; paths are looked up beside it.

        Raises:
            InputError: with every problem of the file.
        """
        problems = []
        values: dict[str, Any] = {}
        for key, raw in tree.items():
            if key not in _KINDS:
                hint = did_you_mean(key, list(_KINDS))
                problems.append(Problem(key, "an unknown key", ", ".join(_KINDS), hint))
                continue
            kind, expected = _KINDS[key]
            value = kind(raw)
            if value is None:
                problems.append(Problem(key, shown(raw), expected))
            else:
                values[key] = value
        if "records" not in tree:
            problems.append(Problem("records", "nothing", _KINDS["records"][1]))
        if problems:
            raise InputError(problems, origin)
        values["records"] = tuple(_beside(word, folder) for word in values["records"])
        if "cell" in values:
            values["cell"] = _beside(values["cell"], folder)
        if "estimators" in values:
            values["estimators"] = tuple(
                str(_beside(name.rpartition(":")[0], folder)) + name[name.rindex(":") :]
                if ".py:" in name
                else name
                for name in values["estimators"]
            )
        return cls(**values)

    def context(self, say: Callable[[str], object] = lambda text: None) -> Context:
        """Everything read and checked, ready for `bench.run_bench`.

        Args:
            say: gets the licence notice before a download.

        Raises:
            InputError: every record, model or estimator that cannot be used.
        """
        problems: list[Problem] = []
        records: list[BenchRecord] = []
        for word in self.records:
            try:
                found = bench_records(
                    word,
                    self.cell,
                    columns=self.columns,
                    discharge_positive=self.discharge_positive,
                    say=say,
                )
                if self.cell and self.cell_for_all:
                    found = [replace(r, cell=self.cell, cell_scaled_to_ah=None) for r in found]
                if not self.cell and any(record.cell == "" for record in found):
                    expected = "the name or the file of a cell model for this record"
                    problems.append(Problem("--cell", "nothing", expected))
                records += found
            except InputError as error:
                problems += error.located
        asked = [("--column", self.columns), ("--discharge-positive", self.discharge_positive)]
        if records and not any(Path(str(word)).is_file() for word in self.records):
            problems += [
                Problem(
                    flag, "open records alone", "a file of your own; open ones need no such word"
                )
                for flag, value in asked
                if value
            ]
        try:
            load_estimators(self.names())
        except InputError as error:
            problems += error.located
        for flag, key, value in (("--faults", "faults", self.faults), ("--seed", "seed", self.seed),
                                 ("--step", "step_s", self.step_s)):  # fmt: skip
            kind, expected = _KINDS[key]
            if value is not None and kind(value) is None:
                problems.append(Problem(flag, f"{value:g}", expected))
        if problems:
            raise InputError(problems)
        context = make_context(records, self.seed, self.step_s)
        problems = [
            Problem("--step", f"{len(record.log)} steps in {name}", f"{LEAST_STEPS} or more")
            for name, record in context.records.items()
            if len(record.log) < LEAST_STEPS
        ]
        if problems:
            raise InputError(problems)
        return context

    def files(self) -> list[Path]:
        """The files that the bench reads, as far as they exist: records, cell model, estimators."""
        from socband.models import cell_file

        found = [cell_file(self.cell or None)]
        for word in self.records:
            there = Path(word)
            found += there.rglob("*") if there.is_dir() else [there]
        found += [Path(name.rpartition(":")[0]) for name in self.estimators if ".py:" in name]
        # A result may lie among the records of a folder; one that is named is read.
        return [
            file
            for file in found
            if file is not None
            and file.is_file()
            and (str(file) in self.records or file.suffix.lower() not in _RESULTS)
        ]

    def names(self) -> list[str]:
        """The estimators asked for, spelled out."""
        return estimator_names(self.estimators)


def read_plan(path: str | Path) -> Plan:
    """A plan from a TOML file.

    Raises:
        InputError: no such file, broken TOML, or every problem of its keys.
    """
    path = Path(path)
    tree = read_toml(path, "a plan")
    return Plan.from_tree(tree, path.resolve().parent, path.name)


def _beside(word: str, folder: Path) -> str:
    """`word`, or the path of the file of that name beside the plan."""
    there = folder / word
    return str(there) if word not in KNOWN and there.exists() and word else word


def _texts(raw: Any) -> tuple[str, ...] | None:
    items = [raw] if isinstance(raw, str) else raw
    fits = isinstance(items, list) and items and all(isinstance(x, str) and x for x in items)
    return tuple(items) if fits else None


def _text(raw: Any) -> str | None:
    return raw if isinstance(raw, str) and raw else None


def _labels(raw: Any) -> dict[str, str] | None:
    fits = isinstance(raw, dict) and raw and all(isinstance(x, str) and x for x in raw.values())
    return dict(raw) if fits else None


def _flag(raw: Any) -> bool | None:
    return raw if isinstance(raw, bool) else None


def _whole(least: int, most: int) -> Callable[[Any], int | None]:
    def read(raw: Any) -> int | None:
        fits = isinstance(raw, int) and not isinstance(raw, bool) and least <= raw <= most
        return raw if fits else None

    return read


def _seconds(raw: Any) -> float | None:
    number = isinstance(raw, int | float) and not isinstance(raw, bool)
    return float(raw) if number and (raw == 0 or 1 <= raw <= MOST_STEP_S) else None


_KINDS: dict[str, tuple[Callable[[Any], Any], str]] = {
    "records": (_texts, "a list of files, folders or names of open records"),
    "cell": (_text, "the name or the file of a cell model"),
    "cell_for_all": (_flag, "true or false"),
    "estimators": (_texts, "a list of names or path.py:Class"),
    "faults": (_whole(1, MOST_FAULTS), f"a whole number from 1 to {MOST_FAULTS}"),
    "seed": (_whole(0, 2**31 - 1), f"a whole number from 0 to {2**31 - 1}"),
    "columns": (_labels, 'a table of labels, such as { current = "I[A]" }'),
    "discharge_positive": (_flag, "true or false"),
    "step_s": (_seconds, f"0 (as recorded), or 1 to {MOST_STEP_S:g} s"),
}
