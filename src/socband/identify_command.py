"""What `socband fit` does, as functions of texts and paths: fit, write beside, rename."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from socband.errors import InputError, Problem, is_read
from socband.identify import Fitted, fit_cell
from socband.identify_ocv import GRID
from socband.identify_source import Source
from socband.layouts import read_record
from socband.logs import Log
from socband.models import CellModel, dump_cell
from socband.models_schema import entries
from socband.summary import beside

RecordFile = str | Path | Source
_SHOWN_WARNINGS = 3  # of one record
_NEAR_K = 5.0  # a cell warms itself by as much
_FLAGS = ("--ocv-discharge", "--ocv-charge", "--dynamic", "--score")


def fit_command(
    *,
    name: str,
    dynamic: Sequence[RecordFile] | RecordFile,
    ocv_discharge: Sequence[RecordFile] | RecordFile = (),
    ocv_charge: Sequence[RecordFile] | RecordFile = (),
    score: Sequence[RecordFile] | RecordFile = (),
    columns: Mapping[str, str] | None = None,
    discharge_positive: bool = False,
    temperature_c: float = 25.0,
    title: str = "",
    source: str = "",
    like: str = "lfp-26650-2ah",
    bpx: str | Path | None = None,
    lower_v: float | None = None,
    upper_v: float | None = None,
    rounds: int = 40,
    out: str | Path | None = None,
) -> Fitted:
    """Fit a cell and write its model file.

    Args:
        name: of the model.
        dynamic, ocv_discharge, ocv_charge, score: record files, one or several, each a path,
            `FILE@TEMPERATURE`, with the discharge that empties the cell after it
            `FILE+END_POINT@TEMPERATURE`, or a `Source`.
        columns, discharge_positive: how the files are read, as for `logs.read_log`.
        temperature_c: of the files that do not say theirs [°C].
        title, source: go into the model file.
        like: the model whose OCV shape stands in where none was measured.
        bpx: a BPX file of the same cell: its diffusion time constant replaces the family's prior,
            and its OCV has a say in the hysteresis where only a discharge branch was measured.
        lower_v, upper_v: voltage limits of the cell [V], if they are not 2.0 and 3.65.
        rounds: most iterations of the least squares.
        out: where to write the TOML; None writes nothing.

    Returns:
        the fit; its notes also say what was mended on reading the records.

    Raises:
        InputError: every file that is missing, or what is wrong with the records, all at once.
    """
    groups = dict(zip(_FLAGS, (ocv_discharge, ocv_charge, dynamic, score), strict=True))
    problems = _wrong_words(name, lower_v, upper_v, out)
    if not -60 <= temperature_c <= 100:
        problems.append(Problem("--temperature", f"{temperature_c:g}", "-60 to 100 °C"))
    parsed: dict[str, list[Source]] = {}
    for flag, given in groups.items():
        parsed[flag] = []
        for item in (given,) if isinstance(given, RecordFile) else given:
            try:
                part = Source.of(item, temperature_c)
            except InputError as error:
                problems += [p.at(flag) for p in error.problems]
                continue
            for file in part.files:
                if not file.is_file():
                    expected = "a record" if file == part.path else "the discharge after a record"
                    problems.append(Problem(f"{flag} {file}", "no such file", expected))
            parsed[flag].append(part)
    if not groups["--dynamic"]:
        problems.append(Problem("--dynamic", "nothing", "at least one record to fit"))
    paths = {flag: [part.path for part in parts] for flag, parts in parsed.items()}
    problems += _given_twice(paths)
    if out is not None:
        read = [file for parts in parsed.values() for part in parts for file in part.files]
        problems += is_read("--out", Path(out), [*read, bpx])
    if problems:
        raise InputError(problems)
    logs = _read_all([p for parts in parsed.values() for p in parts], columns, discharge_positive)
    twice = _same_rows(paths, logs)
    if twice:
        raise InputError(dict.fromkeys(twice))
    elsewhere = [
        note for parts in parsed.values() for p in parts if (note := _elsewhere(p, logs[p.path]))
    ]
    diffusion_s = published_ocv_v = None
    if bpx is not None:
        from socband.bpx_import import diffusion_time_s, full_cell

        diffusion_s = diffusion_time_s(bpx)
        published_ocv_v = full_cell(bpx, GRID)[0]
    fitted = fit_cell(
        name,
        ocv_discharge=parsed["--ocv-discharge"],
        ocv_charge=parsed["--ocv-charge"],
        dynamic=parsed["--dynamic"],
        score=parsed["--score"],
        title=title,
        like=like,
        source=source,
        diffusion_s=diffusion_s,
        published_ocv_v=published_ocv_v,
        rounds=rounds,
        read=logs.__getitem__,
    )
    cell = _with_limits(fitted.cell, lower_v, upper_v)
    write_cell(cell, out)
    counted = [*paths["--dynamic"], *paths["--score"]]
    untold = [note for path in counted if (note := _untold(logs[path]))]
    mended = [note for path, log in logs.items() for note in _mended(log, path in counted)]
    return replace(fitted, cell=cell, notes=(*fitted.notes, *untold, *mended, *elsewhere))


def import_command(
    *,
    name: str,
    bpx: str | Path,
    title: str = "",
    source: str = "",
    lower_v: float | None = None,
    upper_v: float | None = None,
    out: str | Path | None = None,
) -> CellModel:
    """A cell model from a BPX file alone, without any record; arguments as for `fit_command`.

    Raises:
        InputError: what is wrong with the file or the arguments.
    """
    from socband.bpx_import import cell_from_bpx

    problems = _wrong_words(name, lower_v, upper_v, out)
    if problems:
        raise InputError(problems)
    cell = cell_from_bpx(bpx, name, title, source)
    cell = _with_limits(cell, lower_v, upper_v)
    write_cell(cell, out)
    return cell


def _wrong_words(
    name: str, lower_v: float | None, upper_v: float | None, out: str | Path | None
) -> list[Problem]:
    """What would make a model file that cannot be written or read back."""
    problems = []
    if not name.strip():
        problems.append(Problem("--name", "nothing", "a name"))
    for entry in entries("limits"):
        given = {"lower_v": lower_v, "upper_v": upper_v}.get(entry.key)
        wrong = None if given is None else entry.problem(given)
        if wrong is not None:
            expected = f"{entry.low:g} to {entry.high:g} V, as of one LFP cell"
            hint = "of one cell, not of the bank" if given > entry.high + 1.0 else ""
            flag = f"--{entry.key.replace('_', '-')}"
            problems.append(Problem(flag, f"{wrong[0]} V", expected, hint))
    if out is not None and not Path(out).resolve().parent.is_dir():
        problems.append(Problem(f"--out {out}", "no such folder", "a folder that exists"))
    return problems


def _given_twice(files: Mapping[str, Sequence[Path]]) -> list[Problem]:
    """Files that would count twice, by any path or link: within a flag, or fitted and scored."""
    problems = []
    for flag, paths in files.items():
        whole = [path.resolve() for path in paths]
        problems += [
            Problem(f"{flag} {path}", "the same file twice", "each record once")
            for k, path in enumerate(paths)
            if whole[k] in whole[:k]
        ]
    used = {path.resolve() for flag in _FLAGS[:3] for path in files[flag]}
    return problems + [
        Problem(f"--score {path}", "a record that is fitted too", "one that is not")
        for path in files["--score"]
        if path.resolve() in used
    ]


def _same_rows(files: Mapping[str, Sequence[Path]], logs: Mapping[Path, Log]) -> list[Problem]:
    """Records under two names, as copies are, packed or not, that would count twice."""
    problems = []
    for fitted in _FLAGS[:3]:
        first: dict[tuple[bytes, ...], Path] = {}
        for where, path in [(flag, p) for flag in (fitted, "--score") for p in files[flag]]:
            log = logs[path]
            rows = tuple(x.tobytes() for x in (log.time_s, log.current_a, log.voltage_v))
            other = first.setdefault(rows, path)
            if other != path:
                found = f"row for row what is in {other}"
                problems.append(Problem(f"{where} {path}", found, "each record once", "a copy?"))
    return problems


def _with_limits(cell: CellModel, lower_v: float | None, upper_v: float | None) -> CellModel:
    """The cell with limits of its own, whose source is who gave them."""
    given = {k: v for k, v in (("lower_v", lower_v), ("upper_v", upper_v)) if v is not None}
    sources = {f"limits.{key}": f"given with --{key.replace('_', '-')}" for key in given}
    return replace(cell, sources={**cell.sources, **sources}, **given)


def _read_all(
    parts: Sequence[Source], columns: Mapping[str, str] | None, discharge_positive: bool
) -> dict[Path, Log]:
    """Every file once, before the long fit, so that all that is wrong is said together."""
    logs: dict[Path, Log] = {}
    problems: list[Problem] = []
    for file in dict.fromkeys(file for part in parts for file in part.files):
        try:
            logs[file] = read_record(file, columns, discharge_positive)
        except InputError as error:
            problems += error.located
    if problems:
        raise InputError(dict.fromkeys(problems))  # what is wrong with a flag, once for all files
    return logs


def _no_truth(problem: Problem) -> bool:
    """Was a column of true charge left out on reading, for there is nothing in it?"""
    return problem.where == "true_soc"


def _untold(log: Log) -> str:
    """Said of a record whose column of true charge is empty; else nothing."""
    if not any(map(_no_truth, log.warnings)):
        return ""
    return (
        f"{log.name}: it has a column true_soc, but no number in it: its true charge is taken from"
        " its ends or its voltages instead, as if it had none"
    )


def _mended(log: Log, counted: bool) -> list[str]:
    """What reading had to leave out or bridge, for people; of an empty true charge `_untold` speaks
    where it would have been used."""
    warnings = [p for p in log.warnings if not (counted and _no_truth(p))]
    said = [f"{log.name}: {problem}" for problem in warnings[:_SHOWN_WARNINGS]]
    more = len(warnings) - len(said)
    return [*said, f"{log.name}: {more} more such places"] if more else said


def _elsewhere(part: Source, log: Log) -> str:
    """Said when a file's own temperatures are not those the fit takes it for; else nothing."""
    if log.temperature_c is None:
        return ""
    usual_c = float(np.median(log.temperature_c))
    if abs(usual_c - part.temperature_c) <= _NEAR_K:
        return ""
    return (
        f"{log.name}: fitted as a record at {part.temperature_c:g} °C, its own column is at"
        f" {usual_c:.0f} °C most of the time (say it behind the file: @{usual_c:.0f})"
    )


def write_cell(cell: CellModel, out: str | Path | None) -> None:
    """Write a model file, if it is wanted; it reads back as the same model."""
    text = dump_cell(cell)
    CellModel.from_tree(tomllib.loads(text), f"the model of {cell.name}")
    if out is not None:
        write_beside(Path(out), text)


def write_beside(path: Path, text: str) -> None:
    """Write a text beside its target, then rename."""
    with beside(path) as scratch:
        scratch.write_text(text, encoding="utf-8")


def fit_json(fitted: Fitted) -> dict[str, Any]:
    """What `socband fit --json` prints."""
    return {
        "name": fitted.cell.name,
        "capacity_ah": fitted.cell.capacity_ah,
        "notes": list(fitted.notes),
        "records": fitted.records,
    }
