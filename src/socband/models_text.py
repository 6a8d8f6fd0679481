"""The TOML of cell model files: checked on reading, the same bytes for the same numbers."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from socband.errors import Problem, did_you_mean, shown
from socband.models_schema import SECTIONS, Entry, entries, size_complaints

_HEAD = "# Cell model of socband. Spreads are standard deviations in the unit of the number."


def read_sections(
    tree: Mapping[str, Any], problems: list[Problem]
) -> tuple[dict[str, Any], dict[str, float], dict[str, str]]:
    """Values, spreads and sources by dotted key; what is wrong is added to `problems`."""
    values: dict[str, Any] = {}
    spread: dict[str, float] = {}
    sources: dict[str, str] = {}
    tops = sorted({name.split(".")[0] for name in SECTIONS})
    for key in tree:
        if key not in tops:
            problems.append(
                Problem(
                    key,
                    "an unknown section",
                    "a section of a cell model file",
                    did_you_mean(key, tops),
                )
            )
    unknown = [k for k in tree.get("resistance", {}) if k not in ("r0", "r1", "r2")]
    problems += [Problem(f"resistance.{k}", "an unknown section", "r0, r1 and r2") for k in unknown]
    for name, section in SECTIONS.items():
        raw: Any = tree
        for part in name.split("."):
            raw = raw.get(part) if isinstance(raw, Mapping) else None
        if raw is None:
            if not section.optional:
                problems.append(Problem(name, "nothing", f"the section [{name}]"))
            continue
        if not isinstance(raw, Mapping):
            problems.append(Problem(name, shown(raw), f"a section [{name}]"))
            continue
        _read_section(name, raw, values, spread, sources, problems)
    problems += [
        Problem(w, f, e, "of one cell, in this unit?") for w, f, e in size_complaints(values)
    ]
    return values, spread, sources


def _read_section(
    name: str,
    raw: Mapping[str, Any],
    values: dict[str, Any],
    spread: dict[str, float],
    sources: dict[str, str],
    problems: list[Problem],
) -> None:
    section = SECTIONS[name]
    before = len(problems)
    known = [entry.key for entry in section.entries]
    for key in raw:
        if key not in known and not (section.measured and key in ("spread", "source")):
            problems.append(
                Problem(
                    f"{name}.{key}",
                    "an unknown key",
                    ", ".join(known),
                    did_you_mean(key, known, listed=0),
                )
            )
    if section.measured:
        doubt = [entry.key for entry in section.entries if entry.has_spread]
        for table in ("spread", "source"):
            given = raw.get(table)
            problems += [
                Problem(
                    f"{name}.{table}.{key}",
                    "an unknown key",
                    ", ".join(doubt),
                    did_you_mean(key, doubt, listed=0),
                )
                for key in (given if isinstance(given, Mapping) else ())
                if key not in doubt
            ]
    for entry in section.entries:
        dotted = f"{name}.{entry.key}"
        if entry.key in raw:
            problem = entry.problem(raw[entry.key])
            if problem is None:
                values[dotted] = entry.convert(raw[entry.key])
            else:
                problems.append(Problem(dotted, *problem))
        elif entry.required:
            problems.append(Problem(dotted, "nothing", entry.expected))
        if section.measured and entry.has_spread:
            _read_doubt(name, entry, raw, spread, sources, problems)
    if len(problems) == before and section.table is not None:
        problems += [Problem(f"{name}.{w}", f, e) for w, f, e in section.table(name, values)]


def _read_doubt(
    name: str,
    entry: Entry,
    raw: Mapping[str, Any],
    spread: dict[str, float],
    sources: dict[str, str],
    problems: list[Problem],
) -> None:
    """Spread and source of one number."""
    dotted = f"{name}.{entry.key}"
    given = raw.get("spread", {})
    value = given.get(entry.key) if isinstance(given, Mapping) else given
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e6:
        problems.append(
            Problem(f"{name}.spread.{entry.key}", shown(value), "a standard deviation, 0 or more")
        )
    else:
        spread[dotted] = float(value)
    given = raw.get("source", {})
    text = given.get(entry.key) if isinstance(given, Mapping) else given
    if not isinstance(text, str) or not text.strip():
        problems.append(
            Problem(f"{name}.source.{entry.key}", shown(text), 'a source, or "assumed: reason"')
        )
    else:
        sources[dotted] = text


def write_sections(
    values: Mapping[str, Any], spread: Mapping[str, float], sources: Mapping[str, str]
) -> str:
    """The inverse of `read_sections`: TOML text, stable byte for byte."""
    blocks = []
    for name, section in SECTIONS.items():
        keys = [e.key for e in section.entries if f"{name}.{e.key}" in values]
        if not keys:
            continue
        lines = [f"[{name}]"]
        lines += [f"{key} = {_toml(values[f'{name}.{key}'])}" for key in keys]
        if section.measured:
            doubt = [e.key for e in entries(name) if e.has_spread]
            texts = [sources.get(f"{name}.{k}", "") for k in doubt]
            if len(set(texts)) == 1:
                lines.append(f"source = {_toml(texts[0])}")
            lines += ["", f"[{name}.spread]"]
            lines += [f"{k} = {_toml(spread.get(f'{name}.{k}', 0.0))}" for k in doubt]
            if len(set(texts)) > 1:
                lines += ["", f"[{name}.source]"]
                lines += [f"{k} = {_toml(t)}" for k, t in zip(doubt, texts, strict=True)]
        blocks.append("\n".join(lines))
    return _HEAD + "\n\n" + "\n\n".join(blocks) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, str):
        # JSON's escapes are TOML's too, but for one character that only TOML forbids.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, tuple):
        items = [_toml(item) for item in value]
        line = f"[{', '.join(items)}]"
        if len(line) <= 88:
            return line
        rows, row = [], "   "
        for item in items:
            if len(row) + len(item) + 2 > 98:
                rows.append(row)
                row = "   "
            row += f" {item},"
        return "[\n" + "\n".join([*rows, row]) + "\n]"
    return repr(float(value))
