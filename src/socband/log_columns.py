"""Which column of a log is what: labels of the Battery Data Format, and others by a mapping."""

from __future__ import annotations

import re
from collections.abc import Mapping

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
# a label's own unit, where it is not the one used inside
_UNITS: dict[str, dict[str, float]] = {
    "time": {"ms": 1e-3, "min": 60.0, "h": 3600.0},
    "unix_time": {"ms": 1e-3},
    "current": {"ma": 1e-3},
    "voltage": {"mv": 1e-3},
    "net_charge": {"mah": 1e-3},
    "true_soc": {"%": 1e-2, "percent": 1e-2},
}


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


def factor_of(role: str, label: str) -> float:
    """What a column is multiplied with, by the unit in its label."""
    unit = re.search(r"(?:[/\[(_]\s*)([A-Za-z%]+)\s*[\])]?\s*$", label)
    return _UNITS.get(role, {}).get(unit[1].casefold(), 1.0) if unit else 1.0
