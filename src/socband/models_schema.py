"""What stands in a cell model file: sections, keys, units and limits."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from socband.errors import shown

Complaint = tuple[str, str, str]  # key, found, expected


@dataclass(frozen=True)
class Entry:
    """One key of a section.

    Attributes:
        key: its name.
        kind: "number", "table", "text", "texts".
        low, high: limits of the number or of every number of the table, both allowed.
        has_spread: does it need a spread and a source?
        required: must it be there?
    """

    key: str
    kind: str = "number"
    low: float = -math.inf
    high: float = math.inf
    has_spread: bool = True
    required: bool = True

    @property
    def expected(self) -> str:
        """In words."""
        if self.kind == "text":
            return "text"
        if self.kind == "texts":
            return "a list of texts"
        what = "a number" if self.kind == "number" else "a list of numbers"
        if math.isinf(self.low) and math.isinf(self.high):
            return what
        if math.isinf(self.high):
            return f"{what}, at least {self.low:g}"
        return f"{what} between {self.low:g} and {self.high:g}"

    def problem(self, raw: object) -> tuple[str, str] | None:
        """(found, expected), or None when `raw` can be used."""
        if self.kind == "text":
            good = isinstance(raw, str) and bool(raw.strip())
        elif self.kind == "texts":
            good = isinstance(raw, list) and all(isinstance(item, str) for item in raw)
        elif self.kind == "number":
            good = self._number(raw)
        else:
            good = isinstance(raw, list) and len(raw) > 0 and all(map(self._number, raw))
            if isinstance(raw, list) and not good and raw:
                bad = next(item for item in raw if not self._number(item))
                return f"{shown(bad)} in the list", self.expected
        return None if good else (shown(raw), self.expected)

    def _number(self, raw: object) -> bool:
        if isinstance(raw, bool) or not isinstance(raw, int | float):
            return False
        return math.isfinite(raw) and self.low <= raw <= self.high

    def convert(self, raw: Any) -> Any:
        """The value as it is kept."""
        if self.kind == "number":
            return float(raw)
        if self.kind == "table":
            return tuple(map(float, raw))
        return tuple(raw) if self.kind == "texts" else raw


@dataclass(frozen=True)
class Section:
    """One section; `table` looks for what is wrong between its keys."""

    entries: tuple[Entry, ...]
    table: Callable[[str, Mapping[str, Any]], list[Complaint]] | None = None
    measured: bool = True
    optional: bool = False


def _table_check(axis: str, *columns: str, whole: bool = True, rising: bool = False) -> Any:
    def check(name: str, values: Mapping[str, Any]) -> list[Complaint]:
        x = values[f"{name}.{axis}"]
        found = []
        if any(b <= a for a, b in itertools.pairwise(x)):
            found.append((axis, "steps back or repeats", "strictly increasing numbers"))
        if whole and (x[0] != 0.0 or x[-1] != 1.0):
            found.append((axis, f"{x[0]:g} to {x[-1]:g}", "a table from 0 to 1"))
        for column in columns:
            y = values[f"{name}.{column}"]
            if len(y) != len(x):
                found.append((column, f"{len(y)} numbers", f"{len(x)}, as many as `{axis}`"))
            elif rising and any(b <= a for a, b in itertools.pairwise(y)):
                at = next(x[k + 1] for k in range(len(y) - 1) if y[k + 1] <= y[k])
                found.append((column, f"a fall or a repeat at {axis} {at:g}", "rising numbers"))
        return found

    return check


def _resistance(*more: Entry) -> Section:
    return Section(
        (
            Entry("ref_ohm", low=1e-9, high=1e4),
            Entry("share", low=0, high=1),
            Entry("activation_kj_mol", low=0, high=150),
            *more,
            Entry("soc", "table", 0, 1, has_spread=False),
            Entry("factor", "table", 0.01, 100),
        ),
        _table_check("soc", "factor"),
    )


SECTIONS: dict[str, Section] = {
    "about": Section(
        (
            Entry("name", "text", has_spread=False),
            Entry("title", "text", has_spread=False),
            Entry("notes", "texts", has_spread=False, required=False),
        ),
        measured=False,
    ),
    "capacity": Section(
        (
            Entry("capacity_ah", low=0.01, high=1e5),
            Entry("coulombic_efficiency", low=0.9, high=1),
            Entry("self_discharge_per_day", low=0, high=0.05),
            Entry("temperature_c", "table", -60, 100, has_spread=False),
            Entry("fraction", "table", 0.05, 1.5),
        ),
        _table_check("temperature_c", "fraction", whole=False),
    ),
    "ocv": Section(
        (
            Entry("reference_temperature_c", low=-40, high=60, has_spread=False),
            Entry("soc", "table", 0, 1),
            Entry("voltage_v", "table", 1.0, 4.5),
        ),
        _table_check("soc", "voltage_v", rising=True),
    ),
    "hysteresis": Section(
        (
            Entry("decay", low=0, high=1e4),
            Entry("soc", "table", 0, 1, has_spread=False),
            Entry("half_gap_v", "table", 0, 0.3),
        ),
        _table_check("soc", "half_gap_v"),
    ),
    "entropy": Section(
        (
            Entry("soc", "table", 0, 1, has_spread=False),
            Entry("slope_v_per_k", "table", -0.01, 0.01),
        ),
        _table_check("soc", "slope_v_per_k"),
    ),
    "resistance.r0": _resistance(),
    "resistance.r1": _resistance(
        Entry("tau_s", low=0.1, high=1e6), Entry("saturation_c_rate", low=1e-4, high=1e6)
    ),
    "resistance.r2": _resistance(Entry("tau_s", low=0.1, high=1e6)),
    "surface_lag": Section(
        (
            Entry("share", low=0, high=1),
            Entry("activation_kj_mol", low=0, high=150),
            Entry("saturation_c_rate", low=1e-4, high=1e6),
            Entry("soc", "table", 0, 1, has_spread=False),
            Entry("lag_per_c_rate", "table", 0, 100),
        ),
        _table_check("soc", "lag_per_c_rate"),
    ),
    "thermal": Section(
        (
            Entry("heat_capacity_j_per_k", low=1e-6, high=1e8),
            Entry("heat_conductance_w_per_k", low=1e-4, high=1e4),
        )
    ),
    # Of one LFP cell, each beyond its flat part of 3.2 to 3.35 V. It is discharged to 2.0 or 2.5 V,
    # and below 3.0 V at rest some 5 % are left; full it rests at 3.4 V, is charged to 3.6 or
    # 3.65 V, and is not kept above 3.8 V.
    "limits": Section(
        (
            Entry("lower_v", low=1.5, high=3.0),
            Entry("upper_v", low=3.4, high=3.8),
            Entry("charge_min_c", low=-60, high=60),
            Entry("discharge_min_c", low=-60, high=60),
        ),
    ),
    "voltage_error": Section(
        (
            Entry("std_v", low=0, high=1),
            Entry("std_soc", low=0, high=1),
            Entry("std_v_per_c_rate", low=0, high=1),
            Entry("tau_s", low=1, high=1e6),
            Entry("noise_v", low=0, high=1),
            Entry("temperature_c", "table", -60, 100, has_spread=False, required=False),
        )
    ),
    "calibration": Section(
        (
            Entry("eta", low=0, high=1, has_spread=False),
            Entry("error_scale", low=0, high=100, has_spread=False),
            Entry("tau_scale", low=0, high=1000, has_spread=False),
            Entry("slow_spread", low=0.01, high=1, has_spread=False, required=False),
            Entry("charge_shift", low=0.001, high=0.2, has_spread=False, required=False),
            Entry("lag_share", low=0, high=1, has_spread=False, required=False),
            Entry("date", "text", has_spread=False),
            Entry("records", "texts", has_spread=False),
        ),
        measured=False,
        optional=True,
    ),
}


# What goes with the size of a cell: (section, key, lowest and highest at 1 Ah, power of the
# capacity, unit at 1 Ah). Measured cells of 2 to 2.5 Ah have 0.012 to 0.11 ohm Ah and 19 to 37
# J/(K Ah); these limits are orders of magnitude around that (assumed): they find a wrong unit.
_SIZED = (
    *((f"resistance.{r}", "ref_ohm", 1e-5, 10.0, -1, "ohm Ah") for r in ("r0", "r1", "r2")),
    ("thermal", "heat_capacity_j_per_k", 0.5, 1000.0, 1, "J/(K Ah)"),
)


def size_complaints(values: Mapping[str, Any]) -> list[Complaint]:
    """Numbers that no cell of this capacity has; of those that were read, by dotted key."""
    capacity_ah = values.get("capacity.capacity_ah")
    found = []
    for section, key, low, high, power, unit in _SIZED:
        value = values.get(f"{section}.{key}")
        if value is None or capacity_ah is None:
            continue
        at_1_ah = value / capacity_ah**power
        if not low <= at_1_ah <= high:
            what = f"{value:g} for a cell of {capacity_ah:g} Ah, {at_1_ah:.3g} {unit}"
            found.append((f"{section}.{key}", what, f"{low:g} to {high:g} {unit}"))
    return found


def entries(section: str) -> tuple[Entry, ...]:
    """The keys of one section, in the order in which they are written."""
    return SECTIONS[section].entries
