"""What `tonight` begins from: the present by display and setup alone, or as a log ends."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from socband.evidence import Evidence
from socband.models import CellModel
from socband.narrowing import strained_share
from socband.posterior import Settings
from socband.pulled import Pulled, pulled_by_log
from socband.seen_loads import SeenLoads
from socband.site import Setup
from socband.site_fields import Hours
from socband.snapshot import take_snapshot
from socband.snapshot_draw import Snapshot
from socband.snapshot_log import at_end_of_log
from socband.track import hour_of_first_row, moment_of_present

if TYPE_CHECKING:
    from socband.logs import Log

WITHOUT_LOG = {
    "log": "",
    "strained_share": np.nan,
    "drawn_in_log": 0,
    "stated_temperature_c": np.nan,
}


class KnownNow(NamedTuple):
    """What is known now.

    Attributes:
        setup: as it is now; after a log its clock and its temperature.
        snapshot: the members.
        seen: what the log saw of the loads, where the file names none; None without.
        pulled: what a log pulls beyond the setup, see there.
        of_log: attributes of a result that say of a log what `tonight` names.
    """

    setup: Setup
    snapshot: Snapshot
    seen: SeenLoads | None
    pulled: dict[str, Pulled]
    of_log: dict[str, Any]


def known_now(
    setup: Setup,
    cell: CellModel,
    members: int,
    seed: int,
    evidence: Sequence[Evidence] = (),
    log: Log | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> KnownNow:
    """The present; arguments and errors as of `tonight.tonight`."""
    if log is None:
        snapshot = take_snapshot(setup, cell, members, seed, evidence)
        return KnownNow(setup, snapshot, None, {}, dict(WITHOUT_LOG))
    end = at_end_of_log(setup, cell, log, members, seed, evidence, progress)
    first_hour = hour_of_first_row(log, setup, present_at_end=True)
    seen = None
    if not setup.loads:
        rated_ah = setup.bank.rated_capacity_ah
        seen = SeenLoads.of(log, first_hour, rated_ah, _charging_hours(setup))
    error_scale = Settings().resolved(cell).error_scale
    of_log = WITHOUT_LOG | {
        "log": log.name,
        "log_hours": float(log.time_s[-1]) / 3600.0,
        "log_ends_v": float(log.voltage_v[np.isfinite(log.voltage_v)][-1]),
        "log_ends_a": float(log.current_a[-1]),
        "log_off_hours": log.off_at_end_s / 3600.0,
        "log_charged_ah_per_day": _charged_ah_per_day(log),
        "strained_share": strained_share(end.known.posterior, error_scale),
        "drawn_in_log": int(seen is not None),
        **moment_of_present(log, setup, at_end=True),
    }
    if not setup.assumes("ambient.temperature_c"):
        of_log["stated_temperature_c"] = setup.ambient.temperature_c.median
    pulled = pulled_by_log(end.known, seed, evidence)
    return KnownNow(end.setup, end.snapshot, seen, pulled, of_log)


def _charging_hours(setup: Setup) -> list[Hours]:
    """Hours of the sources of which it is known that they have some."""
    hours = [
        Hours(((source.sunrise.minute, source.sunset.minute),))
        if source.kind == "solar"
        else source.hours
        for source in setup.sources
    ]
    return [each for each in hours if not each.is_always]


def ends_off(attrs: Mapping[str, Any]) -> bool:
    """Whether a log ends at a voltage of a bank that is off, by the attributes of a night."""
    return bool(attrs["log_off_hours"] > 0.0 or attrs["log_ends_v"] < attrs["disconnect_v"])


def _charged_ah_per_day(log: Log) -> float:
    dt_h = np.diff(log.time_s, prepend=log.time_s[0]) / 3600.0
    return float(dt_h @ np.maximum(log.current_a, 0.0)) / (dt_h.sum() / 24.0)
