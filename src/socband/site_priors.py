"""What is taken for a number that the setup file leaves out: one table, each with its reason.

A prior is written just as it would stand in the setup file. It should be wide enough that an owner
who says nothing is not told more than anybody can know. "Memory" marks a number recalled by the
authors, not read in a source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from socband.errors import InputError
from socband.quantity import Quantity
from socband.site_full_rule import early_full_probability, early_full_shortfall


@dataclass(frozen=True)
class Assumption:
    """Something the setup file does not say.

    Attributes:
        key: key path, e.g. "monitor.offset_a".
        description: what is taken instead, in words with its unit.
        source: why, or where the number comes from.
    """

    key: str
    description: str
    source: str

    def __str__(self) -> str:
        return f"{self.key} = {self.description} ({self.source})"


class _Prior(NamedTuple):
    value: Any  # as in the file, or a function of the tree returning that, None if it cannot
    source: str
    quiet: bool = False  # a plain default, not worth a line among the assumptions


def _get(tree: Mapping[str, Any], section: str, key: str) -> float | None:
    part = tree.get(section)
    value = part.get(key) if isinstance(part, Mapping) else None
    good = isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < 1e9
    return value if good else None


def _per_cell(volt: float) -> Callable[[Mapping[str, Any]], float | None]:
    def value(tree: Mapping[str, Any]) -> float | None:
        cells = _get(tree, "bank", "cells_in_series")
        return None if cells is None else round(volt * cells, 6)

    return value


def _of_capacity(table: Any, *scaled: str) -> Callable[[Mapping[str, Any]], Any]:
    """A value in hours⁻¹ times the rated capacity."""

    def value(tree: Mapping[str, Any]) -> Any:
        capacity = _get(tree, "bank", "rated_capacity_ah")
        if capacity is None:
            return None
        if not isinstance(table, dict):
            return table * capacity
        return {k: v * capacity if k in scaled else v for k, v in table.items()}

    return value


def _untracked_probability(tree: Mapping[str, Any]) -> float:
    return 1.0 if "current_a" in tree.get("untracked_load", {}) else 0.2


def _rested_hours(tree: Mapping[str, Any]) -> float | None:
    return 1.0 if "rested_voltage_v" in tree.get("present", {}) else None


_PRIORS: dict[str, _Prior] = {
    "bank.capacity_fraction": _Prior(
        # the law of the weakest of many: a string holds what its weakest cell does, and a bank that
        # has lost a third must not be next to impossible before anybody has looked
        {"dist": "gumbel_l", "loc": 0.97, "scale": 0.05},
        "assumed: between new and some years old; few banks in service are below 80 %",
    ),
    "bank.resistance_factor": _Prior(
        {"dist": "lognorm", "s": 0.3, "scale": 1.15},
        "assumed: resistance grows with age and differs between makes",
    ),
    "bank.connection_resistance_ohm": _Prior(
        {"dist": "lognorm", "s": 0.5, "scale": 0.0015},
        "assumed: leads, fuse, terminals and shunt together, from below 1 to a few milliohm",
    ),
    "monitor.offset_a": _Prior(
        {"dist": "t", "df": 2.5, "loc": 0.0, "scale": 0.05},
        "assumed: a few steps of a 16-bit reading over ±500 A, 15.3 mA each (computed); now and "
        "then far more, as where zero was set under a load",
    ),
    "monitor.gain_error": _Prior(
        {"dist": "norm", "loc": 0.0, "scale": 0.005},
        "assumed: shunt accuracy classes run from 0.1 to 1 % (IEC 60051, memory)",
    ),
    "monitor.dead_band_a": _Prior(
        {"dist": "uniform", "loc": 0.0, "scale": 0.1},
        "assumed: a setting, often near zero; without a log it may hide all of itself or nothing",
    ),
    "monitor.assumed_capacity_ah": _Prior(
        _of_capacity(1.0), "assumed: the rated capacity was entered"
    ),
    "monitor.assumed_charge_efficiency": _Prior(
        {"dist": "uniform", "loc": 0.97, "scale": 0.03},
        "assumed: a setting, for lithium near 1; not used without a log but by `suspects`",
    ),
    "monitor.drift_a_per_k": _Prior(
        {"dist": "norm", "loc": 0.0, "scale": 0.0005}, "assumed: about 10 mA over 20 K"
    ),
    "monitor.re_zero.above_v": _Prior(_per_cell(3.5), "assumed: a setting, 3.5 V a cell"),
    "monitor.re_zero.below_a": _Prior(_of_capacity(0.04), "assumed: a setting, 4 % of capacity"),
    "monitor.re_zero.for_s": _Prior(180.0, "assumed: a setting, three minutes"),
    "monitor.re_zero.false_probability": _Prior(
        early_full_probability,
        "assumed: one full charge in ten is declared too early, more below 3.4 V a cell",
    ),
    "monitor.re_zero.shortfall": _Prior(
        early_full_shortfall,
        "assumed: 2 to 20 % of capacity still missing then, more by a rule below 3.4 V a cell",
    ),
    "untracked_load.probability": _Prior(
        _untracked_probability, "assumed: one bank in five has one; certain if its current is given"
    ),
    "untracked_load.current_a": _Prior(
        _of_capacity({"dist": "expon", "loc": 0.0, "scale": 0.004}, "scale"),
        "assumed: a small device, on average 0.4 % of capacity per hour",
    ),
    "untracked_load.hours": _Prior(["00:00-24:00"], "assumed: day and night, and that for sure"),
    "ambient.temperature_c": _Prior(
        {"dist": "norm", "loc": 15.0, "scale": 8.0}, "assumed: nothing is said of the weather"
    ),
    "present.hours_since_full": _Prior(
        {"dist": "uniform", "loc": 0.0, "scale": 168.0}, "assumed: some time in the last week"
    ),
    "present.rested_hours": _Prior(_rested_hours, "assumed: about an hour"),
    "limits.disconnect_v": _Prior(
        _per_cell(2.5), "assumed: a setting, 2.5 V a cell as in cell data sheets; look it up"
    ),
    "limits.delay_s": _Prior(10.0, "assumed: a setting, ten seconds"),
    "limits.reconnect_v": _Prior(
        _per_cell(3.1), "assumed: a setting, 3.1 V a cell (12 to 12.8 V on four cells, memory)"
    ),
    "question.until": _Prior("07:00", "assumed: until the morning"),
    "question.horizon_hours": _Prior(72.0, "assumed: three days ahead"),
    "question.want": _Prior(0.9, "assumed: nine nights in ten", quiet=True),
}

# filled only where the section is there, or a load runs through the inverter
_INVERTER: dict[str, _Prior] = {
    "inverter.efficiency": _Prior(
        {"dist": "uniform", "loc": 0.82, "scale": 0.12}, "assumed: usual range (memory)"
    ),
    "inverter.idle_w": _Prior(
        {"dist": "uniform", "loc": 5.0, "scale": 20.0}, "assumed: usual range, 5 to 25 W (memory)"
    ),
    "inverter.cutout_v": _Prior(
        _per_cell(2.625), "assumed: a setting, 10.5 V on four cells (memory); look it up"
    ),
}

# filled for every load
_LOAD: dict[str, _Prior] = {
    "duty": _Prior(1.0, "assumed: on all the time", quiet=True),
    "hours": _Prior(["00:00-24:00"], "assumed: day and night", quiet=True),
}

# What a load that has the first key lasts for, where it does not say so in the second [min].
_LASTS = (
    ("at", "for_min", 5.0, "assumed: a short one"),
    ("duty", "cycle_min", 60.0, "assumed: on and off once an hour"),
)
CHARGER_V = 3.55  # where a charger holds its voltage [V per cell]

# filled for every source
_SOURCE: dict[str, _Prior] = {
    "voltage_limit_v": _Prior(
        _per_cell(CHARGER_V), "assumed: a setting, 14.2 V on four cells (memory); look it up"
    ),
}
# of a charger that can be unplugged, whether it is there decides the night
_PLUGGED: dict[str, _Prior] = {
    "hours": _Prior(["00:00-24:00"], "assumed: day and night; say when, it decides the night"),
    "probability": _Prior(1.0, "assumed: it will be there for sure"),
}
# of panels, which alone need a sun
_SOLAR: dict[str, _Prior] = {
    "hours": _Prior(["00:00-24:00"], "assumed: day and night", quiet=True),
    "probability": _Prior(1.0, "assumed: it is there", quiet=True),
    "sunrise": _Prior("06:00", "assumed: mean over the year"),
    "sunset": _Prior("18:00", "assumed: mean over the year"),
    "clearness": _Prior(
        {"dist": "uniform", "loc": 0.15, "scale": 0.85}, "assumed: nothing is said of the weather"
    ),
    "performance_ratio": _Prior(
        {"dist": "uniform", "loc": 0.75, "scale": 0.10}, "assumed: usual range (memory)"
    ),
}
# filled for a battery that has the key on the left
_BATTERY: dict[str, dict[str, _Prior]] = {
    "name": {
        "capacity_factor": _Prior(1.0, "assumed: as the other batteries of this bank"),
        "resistance_factor": _Prior(1.0, "assumed: as the other batteries of this bank"),
        "lead_resistance_ohm": _Prior(0.0, "assumed: all leads counted with the bank's"),
        "warmer_k": _Prior(0.0, "assumed: as warm as the bank", quiet=True),
    },
    "cutoff_v": {
        "cutoff_delay_s": _Prior(5.0, "assumed: a few seconds"),
    },
    "heater_w": {
        "heater_on_c": _Prior(2.0, "assumed: before charging must stop at 0 °C"),
        "heater_off_c": _Prior(5.0, "assumed: a few kelvin above"),
    },
}
# what no number can be filled in for: said all the same, where the first key is there
_UNSAID: tuple[tuple[str, str, str, str], ...] = (
    ("name", "cutoff_v", "none", "assumed: its BMS does not open before the bank disconnects"),
    ("cutoff_v", "reconnect_v", "none", "assumed: once open, it closes when it is charged"),
)

LEAST_LOST = 0.005  # of the rated capacity: less is none

_UNITS = {
    "a_per_k": "A/K",
    "per_k": "per K",
    "fraction": "of rated",
    "ohm": "ohm",
    "hours": "h",
    "hours_since_full": "h",
    "ah": "Ah",
    "w": "W",
    "a": "A",
    "v": "V",
    "c": "°C",
    "s": "s",
    "k": "K",
    "min": "min",
}


def unit_of(key: str) -> str:
    """The unit that a key's name ends in; "" for a mere number."""
    return next((unit for tail, unit in _UNITS.items() if f"_{key}".endswith(f"_{tail}")), "")


def share_by_factors(batteries: Iterable[tuple[float, float]]) -> float:
    """What their own capacity factors leave of the rated capacity of batteries, at most 1.

    Args:
        batteries: rated capacity [Ah] and capacity factor of each.
    """
    pairs = list(batteries)
    total = sum(rated for rated, _ in pairs)
    return min(sum(rated * factor for rated, factor in pairs) / total, 1.0) if total else 1.0


def _capacity_prior(tree: Mapping[str, Any]) -> _Prior:
    """The prior of the bank's capacity, where one says of its batteries that they are weak.

    Who writes 0.4 for a worn battery means what is printed on it: were factors but ratios here too,
    the sound batteries would be promised to hold what that one has lost.
    """
    prior = _PRIORS["bank.capacity_fraction"]
    pairs = []
    for item in tree.get("batteries", ()):
        rated = item.get("rated_capacity_ah") if isinstance(item, Mapping) else None
        try:
            factor = Quantity.from_value(item.get("capacity_factor", 1.0)).median
            pairs.append((Quantity.from_value(rated).median, factor))
        except (InputError, AttributeError):
            return prior  # it is reported where it is checked
    share = share_by_factors(pairs)
    if share > 1.0 - LEAST_LOST:
        return prior
    middle_ah = share * sum(rated for rated, _ in pairs) * Quantity.from_value(prior.value).median
    value = {k: v * share if k in ("loc", "scale") else v for k, v in prior.value.items()}
    why = (
        f"{prior.source}; of that {share:.2g}, as the capacity_factors of the [[batteries]] say: "
        f"some {middle_ah:.0f} Ah in all. Give this key if you know what the whole bank holds"
    )
    return _Prior(value, why)


class Filled(NamedTuple):
    """A tree with its gaps filled; `keys` are the key paths that priors answer for."""

    tree: dict[str, Any]
    assumptions: tuple[Assumption, ...]
    keys: frozenset[str]


def fill_missing(tree: Mapping[str, Any], now: datetime) -> Filled:
    """Fill the gaps of a setup tree from the table of priors.

    Args:
        tree: sections as read; values that are wrong stay as they are.
        now: what the clock is if the file does not say.
    """
    priors = dict(_PRIORS)
    priors["bank.capacity_fraction"] = _capacity_prior(tree)
    priors["present.clock"] = _Prior(now.strftime("%H:%M"), "assumed: this computer's clock")
    loads = [load for load in tree.get("loads", ()) if isinstance(load, Mapping)]
    if "inverter" in tree or any(load.get("through_inverter") is True for load in loads):
        priors |= _INVERTER
    filled: dict[str, Any] = {k: v if isinstance(v, list) else dict(v) for k, v in tree.items()}
    filled.setdefault("about", {})
    filled["loads"] = [{**{k: p.value for k, p in _LOAD.items()}, **load} for load in loads]
    assumptions = []
    for path, prior in priors.items():
        *sections, key = path.split(".")
        node: Any = filled
        for section in sections:
            node = node.setdefault(section, {}) if isinstance(node, dict) else None
        if not isinstance(node, dict) or key in node:
            continue
        value = prior.value(tree) if callable(prior.value) else prior.value
        if value is None:
            continue
        node[key] = value
        if not prior.quiet:
            assumptions.append(Assumption(path, described(key, value), prior.source))
    keys = set(priors)
    for i, load in enumerate(filled["loads"]):
        for given, missing, minutes, source in _LASTS:
            if given in loads[i] and missing not in load:
                where = f"{item_name('loads', i, load)}.{missing}"
                load[missing] = minutes
                keys.add(where)
                assumptions.append(Assumption(where, f"{minutes:g} min", source))
    if not loads:
        why = "assumed: tonight reckons with what a log drew, without one with present.current_a "
        why += "if given, else with no load"
        assumptions.append(Assumption("loads", "none", why))
    for section in ("sources", "batteries"):
        items = [item for item in tree.get(section, ()) if isinstance(item, Mapping)]
        filled[section] = [
            _filled_item(tree, section, i, item, keys, assumptions) for i, item in enumerate(items)
        ]
        if section not in tree:
            del filled[section]
    return Filled(filled, tuple(assumptions), frozenset(keys))


def _filled_item(
    tree: Mapping[str, Any],
    section: str,
    index: int,
    item: Mapping[str, Any],
    keys: set[str],
    assumptions: list[Assumption],
) -> dict[str, Any]:
    """One source or battery with its gaps filled; adds to `keys` and `assumptions`."""
    where = item_name(section, index, item)
    if section == "sources":
        priors = _SOURCE | (_SOLAR if item.get("kind") == "solar" else _PLUGGED)
        hidden = {k: p for k, p in _SOLAR.items() if k not in priors}
    else:
        priors = {k: p for needs, more in _BATTERY.items() if needs in item
                  for k, p in more.items()}  # fmt: skip
        hidden = {}
    filled = dict(item)
    for key, prior in {**priors, **hidden}.items():
        if key in item:
            continue
        value = prior.value(tree) if callable(prior.value) else prior.value
        keys.add(f"{where}.{key}")
        if value is None:
            continue
        filled[key] = value
        if not prior.quiet and key in priors:
            assumptions.append(Assumption(f"{where}.{key}", described(key, value), prior.source))
    if section == "batteries":
        for needs, key, said, why in _UNSAID:
            if needs in item and key not in item:
                assumptions.append(Assumption(f"{where}.{key}", said, why))
    return filled


def item_name(section: str, index: int, raw: Mapping[str, Any]) -> str:
    """What one of several sections of a kind is called: sources[1] (roof)."""
    name = raw.get("name")
    return f"{section}[{index + 1}]" + (f" ({name})" if isinstance(name, str) else "")


def described(key: str, value: Any) -> str:
    """A value as it stands in a setup file, in words with the unit that its key names."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str | list):
        return value if isinstance(value, str) else ", ".join(value)
    return Quantity.from_value(value).describe(unit_of(key))
