"""Which column of a log is what: labels of the Battery Data Format, and others by a mapping."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping

import numpy as np

from socband.errors import InputError, Problem, did_you_mean, shown

# role: labels, best first. Battery Data Format, battery-data-alliance: preferred labels and machine
# names; then the names used inside this program.
LABELS: dict[str, tuple[str, ...]] = {
    "time": ("Test Time / s", "test_time_second", "time_s"),
    "unix_time": ("Unix Time / s", "unix_time_second", "unix_time_s"),
    "current": ("Current / A", "current_ampere", "current_a"),
    "voltage": ("Voltage / V", "voltage_volt", "voltage_v"),
    "temperature": (
        "Surface Temperature / degC",
        "surface_temperature_celsius",
        "Temperature T1 / degC",
        "temperature_t1_celsius",
        "Ambient Temperature / degC",
        "ambient_temperature_celsius",
        "temperature_c",
    ),
    "net_charge": ("Net Capacity / Ah", "net_capacity_ah", "net_charge_ah"),
    "true_soc": ("true_soc",),
}
FIELDS = {
    "time": "time_s",
    "unix_time": "unix_time_s",
    "current": "current_a",
    "voltage": "voltage_v",
    "temperature": "temperature_c",
    "net_charge": "net_charge_ah",
    "true_soc": "true_soc",
}


def _units(short: str, *long: str) -> dict[str, tuple[float, float]]:
    """Names of a unit and of its parts and multiples -> what to multiply with and to add."""
    names = {}
    for mark, word, factor in (
        ("", "", 1.0), ("m", "milli", 1e-3), ("u", "micro", 1e-6), ("μ", "micro", 1e-6),
        ("n", "nano", 1e-9), ("k", "kilo", 1e3),
    ):  # fmt: skip
        names |= {f"{mark}{name}": (factor, 0.0) for name in (short, *long)}
        names |= {f"{word}{name}": (factor, 0.0) for name in long}
    return names


def _names(factor: float, add: float, *names: str) -> dict[str, tuple[float, float]]:
    return {name: (factor, add) for name in names}


# Units that a label may name, without spaces and in small letters.
_TIME = {
    **_units("s", "sec", "secs", "second", "seconds"),
    **_names(60.0, 0.0, "min", "mins", "minute", "minutes"),
    **_names(3600.0, 0.0, "h", "hr", "hrs", "hour", "hours"),
    **_names(86_400.0, 0.0, "d", "day", "days"),
}
_UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "time": _TIME,
    "unix_time": _TIME,
    "current": _units("a", "amp", "amps", "ampere", "amperes"),
    "voltage": _units("v", "volt", "volts"),
    "temperature": {
        **_names(1.0, 0.0, "degc", "°c", "c", "celsius", "degcelsius", "degreescelsius"),
        **_names(5.0 / 9.0, -160.0 / 9.0, "degf", "°f", "f", "fahrenheit", "degreesfahrenheit"),
        **_names(1.0, -273.15, "k", "kelvin"),
    },
    "net_charge": {
        **_units("ah", "amphour", "amphours", "amperehour", "amperehours"),
        **_names(1.0 / 3600.0, 0.0, "as", "coulomb", "coulombs"),
    },
    "true_soc": {**_names(1e-2, 0.0, "%", "percent"), **_names(1.0, 0.0, "1", "01", "fraction")},
}
# the unit used inside, and others that are usual
_EXPECTED: dict[str, tuple[str, ...]] = {
    "time": ("s", "ms", "min", "h", "d"),
    "unix_time": ("s", "ms"),
    "current": ("A", "mA"),
    "voltage": ("V", "mV"),
    "temperature": ("degC", "degF", "K"),
    "net_charge": ("Ah", "mAh"),
    "true_soc": ("1", "%"),
}
# of nothing that a log is read for
_OTHER = {"w", "kw", "mw", "va", "wh", "kwh", "j", "kj", "ohm", "mohm", "ω", "mω", "hz"}
_OF_ANYTHING = _OTHER.union(*_UNITS.values())
# At the end of a name these may be none: phase a, cell_voltage_min, bank c, temperature_1.
_ALSO_NAMES = {"a", "c", "d", "f", "h", "j", "k", "s", "v", "as", "min", "1", "01", "fraction"}


def _plain(label: str) -> str:
    return re.sub(r"\s+", " ", label).strip().casefold()


def matched(header: list[str], columns: Mapping[str, str], name: str) -> dict[str, str]:
    """Role to label as it stands in the file.

    Args:
        header: every label of the file.
        columns: role to label, as asked for; the others are found by `LABELS`.
        name: of the file, for messages.

    Raises:
        InputError: with every role or label that does not fit.
    """
    problems = []
    by_plain = {_plain(label): label for label in reversed(header)}
    found = {}
    for role, label in columns.items():
        if role not in LABELS:
            hint = did_you_mean(role, list(LABELS))
            problems.append(Problem("--column", shown(role), "a role it can have", hint))
        elif _plain(label) not in by_plain:
            hint = did_you_mean(label, header)
            expected = f"a column of {name}"
            problems.append(Problem(f"--column {role}", shown(label), expected, hint))
        else:
            found[role] = by_plain[_plain(label)]
    for role, labels in LABELS.items():
        if role in columns:
            continue
        for label in labels:
            if _plain(label) in by_plain:
                found[role] = by_plain[_plain(label)]
                break
    listed = shown(", ".join(header))
    for role in ("time", "current", "voltage"):
        if role in found or role in columns or (role == "time" and "unix_time" in found):
            continue
        hint = f'name it: --column {role}="its label"'
        problems.append(Problem(name, f"columns {listed}", f"one called {LABELS[role][0]!r}", hint))
    for label in dict.fromkeys(found.values()):
        roles = [role for role, other in found.items() if other == label]
        if len(roles) > 1 and set(roles) != {"time", "unix_time"}:
            where = f"--column {roles[-1]}" if roles[-1] in columns else name
            what = f"{label!r} as {' and as '.join(roles)}"
            problems.append(Problem(where, what, "another column for each of them"))
    doubled = {label for label in found.values() if header.count(label) > 1}
    for label in sorted(doubled):
        problems.append(Problem(name, f"two columns {label!r}", "one such column"))
    if problems:
        raise InputError(problems)
    return found


def is_of_cell(label: str) -> bool:
    """Is a temperature that of the cell itself, not of its surroundings? By its label."""
    return bool(re.search(r"surface|\bt1\b|_t1_|cell", _plain(label)))


def _named_units(label: str) -> tuple[list[tuple[str, bool]], str]:
    """What may be the unit in a label, and whether it can be nothing else: in square brackets or
    behind a stroke by itself; in round ones, or behind a comma, it may be a remark. And the last
    word outside of brackets, which may be one too."""
    found = [(inside, True) for inside in re.findall(r"\[([^\]]*)\]", label)]
    found += [(inside, False) for inside in re.findall(r"\(([^)]*)\)", label)]
    bare = re.sub(r"\[[^\]]*\]|\([^)]*\)", "", label).strip()
    if behind := re.search(r"(\s/\s|[/,])([^/,]*)$", bare):
        found.append((behind[2], behind[1].strip() != behind[1]))
    named = [(text.strip(), sure) for text, sure in found if _unit(text)]
    return named, re.split(r"[\s_]", bare)[-1]


def _unit(text: str) -> str:
    """As the tables above write it."""
    return re.sub(r"[\s_.·*-]", "", unicodedata.normalize("NFKC", text).casefold())


def converted(role: str, label: str, values: np.ndarray) -> tuple[np.ndarray, list[Problem]]:
    """A column in the unit used inside, by the unit in its label.

    Args:
        role: see `LABELS`.
        label: as it stands in the file; without a unit it is taken as in the unit used inside.
        values: (n,) of the column.

    Returns:
        (n,), and what to say of it.

    Raises:
        InputError: the unit is one of something else, or none that is known.
    """
    own, where, inside = _UNITS[role], f"column {label!r}", _EXPECTED[role][0]
    expected = " or ".join([", ".join(_EXPECTED[role][:-1]), _EXPECTED[role][-1]])
    named, last = _named_units(label)
    wrong = [text for text, sure in named if sure or _unit(text) in _OF_ANYTHING]
    if not named and _unit(last) in _OF_ANYTHING - _ALSO_NAMES:
        wrong = [last]
    for text in [*(text for text, _ in named), *(() if named and wrong else (last,))]:
        if (unit := _unit(text)) in own:
            factor, add = own[unit]
            if (factor, add) == (1.0, 0.0):
                return values, []
            note = Problem(where, f"the unit {text}", inside, "converted")
            return factor * values + add, [note]
    if wrong:
        raise InputError(Problem(where, f"the unit {wrong[0]}", expected))
    if named:
        found = f"{named[0][0]!r}, which is no unit known here"
        return values, [Problem(where, found, expected, f"taken as {inside}")]
    return values, []
