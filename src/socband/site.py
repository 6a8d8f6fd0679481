"""The setup file: bank, monitor, loads, what is known now and what is asked.

`read_setup` turns a TOML file into a `Setup`, or raises one `InputError` with every problem found.
A value left out is filled from the table in `site_priors`; `Setup.assumptions` says which.
To extend it: a dataclass in `site_parts`, an entry in `_SECTIONS`, priors in `site_priors`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from socband.errors import InputError, Problem, did_you_mean, shown
from socband.quantity import Quantity
from socband.shelf import from_shelf, taken_from_shelf
from socband.site_check import cross_checks
from socband.site_fields import ClockTime, Hours
from socband.site_hints import WHERE_TO_LOOK, with_hint
from socband.site_parts import (
    About,
    Ambient,
    Bank,
    Inverter,
    Limits,
    Load,
    Monitor,
    Present,
    Question,
    ReZero,
    UntrackedLoad,
)
from socband.site_priors import Assumption, fill_missing, item_name, share_by_factors
from socband.site_supply import Battery, Source, supply_problems
from socband.toml_file import read_toml

__all__ = [
    "About",
    "Ambient",
    "Assumption",
    "Bank",
    "Battery",
    "ClockTime",
    "Hours",
    "Inverter",
    "Limits",
    "Load",
    "Monitor",
    "Present",
    "Question",
    "ReZero",
    "Setup",
    "Source",
    "UntrackedLoad",
    "read_setup",
    "setup_from_table",
]


@dataclass(frozen=True)
class Setup:
    """Everything a setup file says, complete: no number is missing, none is invented silently.

    Attributes:
        name: file name, for messages and histories.
        loads: may be empty.
        inverter: None if there is none.
        assumptions: what was not said and therefore assumed, each with its reason.
        sources: what charges; may be empty.
        batteries: the single batteries in parallel, empty if the bank counts as one.
    """

    name: str
    about: About
    bank: Bank
    monitor: Monitor
    loads: tuple[Load, ...]
    inverter: Inverter | None
    untracked_load: UntrackedLoad
    ambient: Ambient
    present: Present
    limits: Limits
    question: Question
    assumptions: tuple[Assumption, ...]
    sources: tuple[Source, ...] = ()
    batteries: tuple[Battery, ...] = ()

    def source(self, kind: str) -> Source | None:
        """The first source of a kind; None without one."""
        return next((source for source in self.sources if source.kind == kind), None)

    @property
    def share_by_factors(self) -> float:
        """What the capacity factors of its batteries leave of the rated capacity, at most 1."""
        return share_by_factors(
            (battery.rated_capacity_ah, 1.0 if factor is None else factor.median)
            for battery in self.batteries
            for factor in (battery.capacity_factor,)
        )

    def assumes(self, key: str) -> bool:
        """Whether a key, or one that ends so, was left out and filled in."""
        return any(assumption.key.endswith(key) for assumption in self.assumptions)

    def with_quantities(self, **changes: Quantity) -> Setup:
        """A copy with some values replaced: `with_quantities(monitor__offset_a=q)`."""
        setup = self
        for path, value in changes.items():
            setup = _replaced(setup, path.split("__"), value)
        return setup


def _replaced(node: Any, path: list[str], value: Any) -> Any:
    head, *rest = path
    inner = _replaced(getattr(node, head), rest, value) if rest else value
    return dataclasses.replace(node, **{head: inner})


# ---------------------------------------------------------------- reading

_SECTIONS: dict[str, type] = {
    "about": About,
    "bank": Bank,
    "monitor": Monitor,
    "loads": Load,
    "inverter": Inverter,
    "untracked_load": UntrackedLoad,
    "ambient": Ambient,
    "present": Present,
    "limits": Limits,
    "question": Question,
    "sources": Source,
    "batteries": Battery,
}

# sections that may stand several times, in double brackets
_LISTS = ("loads", "sources", "batteries")

# flag of the command line: (the key it overrides)
_FLAGS: dict[str, tuple[str, str, str]] = {
    "display": ("--display", "present", "display_soc"),
    "since_full": ("--since-full", "present", "hours_since_full"),
    "temperature": ("--temperature", "ambient", "temperature_c"),
    "until": ("--until", "question", "until"),
    "now": ("--now", "present", "clock"),
}


def read_setup(
    path: str | Path, overrides: Mapping[str, Any] | None = None, now: datetime | None = None
) -> Setup:
    """Read and check a setup file.

    Args:
        path: the TOML file.
        overrides: from the command line, None values ignored: `display` [%], `since_full` [h],
            `temperature` [°C], `until` and `now` ("HH:MM").
        now: what the clock is where neither file nor override says; the computer's by default.

    Raises:
        InputError: with every problem of file and overrides.
    """
    path = Path(path)
    return setup_from_table(_table_of(path), overrides, name=path.name, now=now)


def cell_named(path: str | Path) -> str | None:
    """Name or path of the cell model that a setup file names, whatever else is wrong with it; None
    where it names none."""
    try:
        bank = _table_of(Path(path)).get("bank")
    except InputError:
        return None
    cell = bank.get("cell") if isinstance(bank, dict) else None
    return cell if isinstance(cell, str) and cell.strip() else None


def _table_of(path: Path) -> dict[str, Any]:
    table = read_toml(path, "a setup file")
    bank = table.get("bank")
    if isinstance(bank, dict) and isinstance(cell := bank.get("cell"), str):
        if cell.endswith(".toml"):
            bank["cell"] = str(path.parent / cell)  # a path is meant from the setup file's folder
    return table


def setup_from_table(
    table: Mapping[str, Any],
    overrides: Mapping[str, Any] | None = None,
    name: str = "setup",
    now: datetime | None = None,
) -> Setup:
    """The same from tables already in memory; see `read_setup`."""
    problems: list[Problem] = []
    tree: dict[str, Any] = {}
    for key, value in table.items():
        if key not in _SECTIONS:
            expected = "a section this program knows"
            hint = did_you_mean(key, list(_SECTIONS))
            problems.append(Problem(f"[{key}]", "an unknown section", expected, hint))
        elif key in _LISTS:
            tree[key] = _tables(key, value, problems)
        elif isinstance(value, Mapping):
            tree[key] = {k: dict(v) if isinstance(v, Mapping) else v for k, v in value.items()}
        else:
            problems.append(Problem(key, shown(value), f"a section: [{key}]"))
    if "bank" not in table:
        problems.append(Problem("[bank]", "nothing", "this section", "no bank, no answer"))
    flags = _apply_overrides(tree, overrides or {}, problems)
    filled = fill_missing(tree, now or datetime.now())
    parts: dict[str, Any] = {}
    for key, kind in _SECTIONS.items():
        if key in _LISTS:
            items = [
                _validated(kind, raw, item_name(key, i, raw), filled.keys, flags, problems)
                for i, raw in enumerate(filled.tree.get(key, ()))
            ]
            parts[key] = tuple(item for item in items if item is not None)
        elif key in filled.tree and (key != "bank" or "bank" in table):
            parts[key] = _validated(kind, filled.tree[key], key, filled.keys, flags, problems)
        else:
            parts[key] = None
    assumed = {assumption.key for assumption in filled.assumptions}
    for problem in cross_checks(parts, assumed) + supply_problems(parts):
        problems.append(dataclasses.replace(problem, where=flags.get(problem.where, problem.where)))
    if problems:
        raise InputError(problems, name)
    if parts["batteries"]:
        count = len(parts["batteries"])
        parts["bank"] = dataclasses.replace(parts["bank"], strings_in_parallel=count)
    vital = [
        Assumption(f"loads.{load.name}.essential", "true", "its name says so; false to deny it")
        for load in parts["loads"]
        if load.vital_by_name
    ]
    assumptions = (*filled.assumptions, *_generic_loads(table.get("loads", ())), *vital)
    return Setup(name=name, assumptions=assumptions, **parts)


def _generic_loads(loads: Sequence[Mapping[str, Any]]) -> list[Assumption]:
    """What the loads of a setup file take from the shelf, load by load."""
    each = [
        taken_from_shelf(raw, item_name("loads", i, {"name": raw.get("like"), **raw}))
        for i, raw in enumerate(loads)
    ]
    return [taken for taken in each if taken is not None]


def _tables(section: str, value: Any, problems: list[Problem]) -> list[dict[str, Any]]:
    if isinstance(value, list) and all(isinstance(item, Mapping) for item in value):
        if section != "loads":
            return [dict(item) for item in value]
        return [
            from_shelf(item, item_name("loads", i, item), problems) for i, item in enumerate(value)
        ]
    hint = "two brackets on each side" if isinstance(value, Mapping) else ""
    expected = f"sections [[{section}]], one for each of them"
    if section == "loads":
        expected = "sections [[loads]], one for each load"
    problems.append(Problem(section, shown(value), expected, hint))
    return []


def _apply_overrides(
    tree: dict[str, Any], overrides: Mapping[str, Any], problems: list[Problem]
) -> dict[str, str]:
    """Put overrides into the tree; return which key path came from which flag."""
    flags = {}
    for key, value in overrides.items():
        if value is None:
            continue
        if key not in _FLAGS:
            raise TypeError(f"unknown override {key!r}")  # a programmer's mistake, not a user's
        flag, section, field = _FLAGS[key]
        if key == "display":
            value = _from_percent(flag, value, problems)
        flags[f"{section}.{field}"] = flag
        tree.setdefault(section, {})[field] = value
    return flags


def _from_percent(flag: str, value: Any, problems: list[Problem]) -> Any:
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if good and (value == 0 or 1 <= value <= 100):
        return value / 100.0
    hint = ""
    if good and 0 < value < 1:
        hint = f"the flag takes percent, the file 0 to 1: {flag} {100 * value:g}"
    problems.append(Problem(flag, shown(value), "a percentage from 0 to 100", hint))
    return 0.5  # only so that the other keys are still looked at


@cache
def _adapter(kind: type) -> TypeAdapter:
    return TypeAdapter(kind)


def _validated(
    kind: type,
    raw: Any,
    where: str,
    assumed: frozenset[str],
    flags: Mapping[str, str],
    problems: list[Problem],
) -> Any:
    """The section as its dataclass, or None after adding to `problems`."""
    try:
        return _adapter(kind).validate_python(raw)
    except ValidationError as error:
        for entry in error.errors(include_url=False):
            path = ".".join([where, *(str(step) for step in entry["loc"])])
            if entry["type"] == "missing" and path in assumed:
                continue  # its prior hangs on a key that is itself wrong and reported
            problems += _problems_of(kind, entry, flags.get(path, path))
        return None


def _elsewhere(key: str) -> str:
    """A hint to the section that does know this key, or nothing."""
    homes = [
        f"[[{section}]]" if section in _LISTS else f"[{section}]"
        for section, kind in {**_SECTIONS, "monitor.re_zero": ReZero}.items()
        if key in {field.name for field in dataclasses.fields(kind)}
    ]
    return f"it belongs in {' or '.join(homes)}" if homes else ""


def _problems_of(kind: type, entry: Mapping[str, Any], where: str) -> list[Problem]:
    if entry["type"] == "socband":
        key, found = str(entry["loc"][-1]), entry["ctx"]["problems"]
        return [
            dataclasses.replace(p, where=f"{where}.{p.where}" if p.where else where)
            for p in (with_hint(one, key, entry["input"]) for one in found)
        ]
    owner = ReZero if "re_zero" in entry["loc"][:-1] else kind
    names = [field.name for field in dataclasses.fields(owner)]
    if entry["type"] == "unexpected_keyword_argument":
        key = str(entry["loc"][-1])
        hint = _elsewhere(key) or did_you_mean(key, names)
        return [Problem(where, "an unknown key", "a key of this section", hint)]
    if entry["type"] == "missing":
        hint = WHERE_TO_LOOK.get(str(entry["loc"][-1]), "")
        return [Problem(where, "nothing", "this key, which has no sensible default", hint)]
    return [Problem(where, shown(entry["input"]), "a table of keys")]
