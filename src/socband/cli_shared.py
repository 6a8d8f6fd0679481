"""What the commands share: writing results, progress, checking where results shall go."""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from socband.errors import InputError, Problem, is_read

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.figure import Figure

    from socband.logs import Log
    from socband.models import CellModel
    from socband.site import Setup

SHOWN_AFTER_S = 2.0


def _whole(wanted: type, tokens: Sequence[Any]) -> int:
    """A whole number as typed: 2.5 is none, and is not rounded."""
    text = tokens[0].value
    try:
        return int(text)
    except ValueError:
        raise ValueError(f"found {text!r}; expected a whole number") from None


def _number_in(unit: str, named: str, such_as: str) -> Callable[[type, Sequence[Any]], float]:
    """A number as typed, its unit behind it or not: `46`, `46%`, `46 %`."""

    def convert(wanted: type, tokens: Sequence[Any]) -> float:
        from socband.readings import number_of

        text = tokens[0].value
        try:
            return float(text)  # what is no number of its kind, the command's limits refuse
        except ValueError:
            pass
        try:
            value, given = number_of(text)
        except ValueError:
            given, value = "", None
        if value is None or given.casefold().lstrip("°") not in ("", unit):
            raise ValueError(f"found {text!r}; expected {named} as a number, such as {such_as}")
        return value

    return convert


Percent = Annotated[float, Parameter(converter=_number_in("%", "a percentage", "46"))]
Hours = Annotated[float, Parameter(converter=_number_in("h", "hours", "31"))]
Days = Annotated[float, Parameter(converter=_number_in("d", "days", "7"))]
Celsius = Annotated[
    float,
    Parameter(converter=_number_in("c", "degrees Celsius", "-4"), allow_leading_hyphen=True),
]
Whole = Annotated[int, Parameter(converter=_whole)]


def command_line() -> str:
    """What was typed, for the history of a result."""
    return " ".join(["socband", *sys.argv[1:]])


def _can_be_written(folder: Path) -> bool:
    """Tried, since what the folder says of itself is not the whole truth."""
    try:
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def check_targets(inputs: Iterable[str | Path | None] = (), /, **targets: Path | None) -> None:
    """Refuse, before anything is computed, what could not be written afterwards, and what would
    take the place of a file that is read.

    Args:
        inputs: files that the command reads.
        targets: flag name (without dashes) -> path or None.

    Raises:
        InputError: with every target that cannot be written.
    """
    kinds = {
        "save": (".nc",),
        "plot": (".png", ".svg", ".pdf"),
        "out": (".toml",),
        "report": (".png", ".html"),
    }
    problems: list[Problem] = []
    inputs, earlier = list(inputs), {}
    for name, path in targets.items():
        if path is None:
            continue
        flag, wanted = f"--{name}", kinds.get(name, ())
        if wanted and path.suffix.lower() not in wanted:
            problems.append(Problem(flag, f"{path}", f"a file name ending in {', '.join(wanted)}"))
        elif path.is_dir():
            problems.append(Problem(flag, f"{path}, a folder", "the name of a file"))
        elif path.exists() and not path.is_file():
            problems.append(Problem(flag, f"{path}, a pipe or a device", "the name of a file"))
        elif taken := is_read(flag, path, inputs):
            problems += taken
        elif (real := os.path.realpath(path)) in earlier:
            problems.append(Problem(flag, f"{path}, the file of {earlier[real]}", "one of its own"))
        else:
            earlier[real] = flag
            folder = Path(os.path.realpath(path)).parent  # a link is followed
            if not folder.is_dir():
                problems.append(Problem(flag, f"{path}", "a file in a folder that exists"))
            elif not _can_be_written(folder):
                expected = "a file in a folder that can be written to"
                problems.append(Problem(flag, f"{path}", expected))
    if problems:
        raise InputError(problems)


def check_folder(flag: str, folder: Path | None, names: Sequence[str] = ()) -> None:
    """Refuse, before anything is computed, a folder that pictures could not be drawn into.

    Args:
        flag: that names it.
        folder: made if missing; None: nothing is drawn.
        names: of the files that will be written into it.

    Raises:
        InputError: a file of that name, or of that of a folder above it; no right to write.
    """
    if folder is None:
        return
    there = next((part for part in (folder, *folder.parents) if os.path.lexists(part)), Path())
    if not there.is_dir():
        raise InputError(Problem(flag, f"{there}, no folder", "the name of a folder"))
    if not _can_be_written(there):
        raise InputError(Problem(flag, f"{folder}", "a folder that can be written to"))
    blocked = [Problem(flag, f"{folder / name}, a folder", "a folder without one of that name")
               for name in names if (folder / name).is_dir()]  # fmt: skip
    if blocked:
        raise InputError(blocked)


def spare(inputs: Iterable[str | Path | None], **targets: Sequence[Path]) -> None:
    """Refuse what would take the place of a file that is read, where that is known later.

    Args:
        inputs: files that the command reads.
        targets: flag name (without dashes) -> every file it writes.

    Raises:
        InputError: with every such target.
    """
    inputs = list(inputs)
    taken = [
        problem
        for name, paths in targets.items()
        for path in paths
        for problem in is_read(f"--{name}", path, inputs)
    ]
    if taken:
        raise InputError(taken)


def files_read(setup: Path, log: Path | None = None) -> Iterator[str | Path | None]:
    """The files a command reads: setup, log and the cell model that the setup names."""
    from socband.models import cell_file
    from socband.site import cell_named

    yield from (setup, log)
    if setup.is_file():  # what it is otherwise is said where it is read
        yield cell_file(cell_named(setup))


def at_least(flag: str, value: int, least: int, most: int) -> None:
    """Refuse a count outside its limits.

    Raises:
        InputError: naming the flag.
    """
    if not least <= value <= most:
        raise InputError(Problem(flag, str(value), f"a whole number from {least} to {most}"))


def check_run(
    least_members: int,
    members: int,
    seed: int,
    save: Path | None,
    plot: Path | None,
    setup: Path,
    log: Path | None = None,
) -> None:
    """What every command that asks the ensemble checks before it computes anything.

    Raises:
        InputError: a target that cannot be written, or a count outside its limits.
    """
    asked = save is not None or plot is not None
    check_targets(files_read(setup, log) if asked else (), save=save, plot=plot)
    at_least("--members", members, least_members, 1_000_000)
    at_least("--seed", seed, 0, 2**31 - 1)


def percent_meant(flag: str, value: float, low: float, high: float) -> str:
    """A hint for a share that was given where percent are wanted; "" where none is meant."""
    percent = 100.0 * value
    return f"it is in percent: {flag} {percent:g}" if value < low <= percent <= high else ""


def within_limits(flag: str, value: float, low: float, high: float, unit: str) -> None:
    """Refuse a number outside its limits, or none.

    Raises:
        InputError: naming the flag.
    """
    if not low <= value <= high:
        hint = percent_meant(flag, value, low, high) if unit == "percent" else ""
        raise InputError(Problem(flag, f"{value:g}", f"{low:g} to {high:g} {unit}", hint))


class Progress:
    """A progress bar that shows itself after two seconds, and only on a terminal."""

    def __init__(self, label: str) -> None:
        self.label, self.started, self.bar = label, time.monotonic(), None
        self.wanted = sys.stderr.isatty()

    def __call__(self, done: int, total: int) -> None:
        """So much of so much is done."""
        if not self.wanted:
            return
        if self.bar is None and time.monotonic() - self.started > SHOWN_AFTER_S:
            from tqdm import tqdm

            self.bar = tqdm(total=total, desc=self.label, file=sys.stderr, leave=False, ncols=78)
        if self.bar is not None:
            self.bar.update(done - self.bar.n)
            if done >= total:
                self.bar.close()


def show(
    dataset: xr.Dataset,
    *,
    text: Callable[[xr.Dataset], str],
    as_json: Callable[[xr.Dataset], Mapping[str, Any]],
    json_wanted: bool,
    save: Path | None,
    plot: Path | None,
    figure: Callable[[xr.Dataset], Figure],
) -> None:
    """All views of a result: files first, so that nothing is printed if one cannot be written."""
    from socband.summary import save_netcdf

    if save is not None:
        save_netcdf(dataset, save, command_line())
    if plot is not None:
        save_figure(lambda: figure(dataset), plot)
    if json_wanted:
        print(json.dumps(as_json(dataset), indent=2, allow_nan=False))
    else:
        print(text(dataset))


def save_figure(draw: Callable[[], Figure], path: Path) -> None:
    """Draw a picture and write it beside its target, then rename."""
    import matplotlib

    from socband.summary import beside

    with matplotlib.rc_context({"text.parse_math": False}):  # a title may hold dollar signs
        figure = draw()
        with beside(path) as scratch:
            figure.savefig(scratch, dpi=180)


def read_inputs(
    setup: Path,
    log: Path | None,
    column: list[str] | None,
    discharge_positive: bool,
    reading: list[str] | None = None,
    question: str = "",
    overrides: Mapping[str, Any] | None = None,
) -> tuple[Setup, CellModel, Log | None, dict[str, float]]:
    """Setup, cell model, log and readings by hand, of the command `question`; `overrides` as of
    `site.read_setup`.

    Raises:
        InputError: with every problem of all of them at once.
    """
    from socband.logs import read_log
    from socband.readings import against_setup, parse_readings

    recorded, readings = None, {}
    read, cell, problems = _setup_and_cell(setup, overrides)
    try:
        cells = read.bank.cells_in_series if read else None
        readings = parse_readings(reading or (), question, cells)
        problems += against_setup(readings, read) if read else []
    except InputError as error:
        problems += error.located
    for flag, given in (("--column", column), ("--discharge-positive", discharge_positive)):
        if given and log is None:
            problems.append(Problem(flag, "no log", "a log that it is said of"))
    if log is not None:
        try:
            recorded = read_log(
                log,
                columns=column_mapping(column),
                discharge_positive=discharge_positive,
                cells_in_series=read.bank.cells_in_series if read else None,
                rated_capacity_ah=read.bank.rated_capacity_ah if read else None,
                timezone=read.present.timezone if read else None,
            )
        except InputError as error:
            problems += error.located
    if problems:
        raise InputError(problems)
    return read, cell, recorded, readings


def read_bank(setup: Path, overrides: Mapping[str, Any]) -> tuple[Setup, CellModel]:
    """Setup and cell model; `overrides` as of `site.read_setup`.

    Raises:
        InputError: with every problem of both at once.
    """
    read, cell, problems = _setup_and_cell(setup, overrides)
    if problems:
        raise InputError(problems)
    return read, cell


def _setup_and_cell(
    path: Path, overrides: Mapping[str, Any] | None = None
) -> tuple[Setup | None, CellModel | None, list[Problem]]:
    """Both, None where one cannot be used, and all that is wrong with them, each with its place.

    A cell model that a setup file names is looked for whatever else is wrong with that file.
    """
    from socband.models import load_cell
    from socband.site import cell_named, read_setup

    read, cell, problems = None, None, []
    try:
        read = read_setup(path, overrides)
        name = read.bank.cell
    except InputError as error:
        problems += error.located
        name = cell_named(path)
    if name:
        try:
            cell = load_cell(name)
        except InputError as error:
            if error.origin:  # what is wrong within a model file stands there
                problems += error.located
            else:
                problems += [_as_named(problem, path) for problem in error.problems]
    return read, cell, problems


def _as_named(problem: Problem, setup: Path) -> Problem:
    """That there is no such model, said of the key that names it."""
    found = problem.found
    if problem.where != "cell model":
        found = f"{problem.where}, {found}"
    return replace(problem, where=f"{setup.name}, bank.cell", found=found)


def column_mapping(columns: list[str] | None) -> dict[str, str] | None:
    """`--column current="I[A]"` as a mapping.

    Raises:
        InputError: one without an equals sign, or a role twice.
    """
    if not columns:
        return None
    wrong = [text for text in columns if "=" not in text]
    if wrong:
        raise InputError(
            [Problem("--column", repr(t), 'a pair such as current="I[A]"') for t in wrong]
        )
    pairs = [(key.strip(), label) for key, label in (text.split("=", 1) for text in columns)]
    roles = [role for role, _ in pairs]
    twice = sorted({role for role in roles if roles.count(role) > 1})
    if twice:
        raise InputError([Problem("--column", f"{role} twice", "each role once") for role in twice])
    return dict(pairs)
