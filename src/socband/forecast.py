"""The night ahead: how long the bank lasts, how likely until an hour, what a switch-off buys.

`forecast` carries the ensemble ahead under the loads of the setup and returns a Dataset;
`switch_offs` repeats that with loads off, on the same random numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from socband.demand import hours_until
from socband.forward import Plan, Run, prepare, run
from socband.models import CellModel
from socband.seen_loads import AS_LOGGED
from socband.summary import QUANTILES, quantiles_of
from socband.unknowns import Members, Pattern

if TYPE_CHECKING:
    import xarray as xr

    from socband.site import Setup

Array = np.ndarray


def chance(event: Array, weight: Array | None = None) -> float:
    """Weighted share of members for which `event` (n,) holds."""
    return float(np.average(np.asarray(event, dtype=float), weights=weight))


def asked_hours(plan: Plan) -> dict[str, float]:
    """The hours of the question: "HH:MM" → elapsed hours from now."""
    return {str(c): hours_until(c.minute, plan.now) for c in plan.setup.question.until}


def forecast(
    setup: Setup,
    cell: CellModel,
    members: Members,
    now: datetime | None = None,
    horizon_h: float | None = None,
    seed: int = 0,
    *,
    patterns: Sequence[Pattern] = (),
    weight: Array | None = None,
    off: Sequence[str] = (),
    threads: int | None = None,
) -> xr.Dataset:
    """Carry the ensemble ahead; see `prepare` for the arguments.

    Args:
        weight: (n,) of the members; equal if None.
        off: names of loads that are switched off.

    Returns:
        Dataset; see `dataset_of`.
    """
    plan = prepare(setup, cell, members, now, horizon_h, seed, patterns)
    return dataset_of(plan, run(plan, off, threads), members, cell, weight)


def dataset_of(
    plan: Plan, result: Run, members: Members, cell: CellModel, weight: Array | None = None
) -> xr.Dataset:
    """A run as a Dataset.

    Variables: `lvd_hours` (member; inf beyond the horizon), `which_limit` (member; flags),
    `inverter_cutout_hours`, `first_battery_open_hours`, `full_hours` (member), `soc` (quantile,
    time), `survival` (time), `inverter_survival` (time; neither bank nor inverter has cut out),
    `lasts_until`, `inverter_lasts_until` (until; neither has by then), `inverter_cuts_out` (until;
    it does before), `lvd_quantile_hours` (quantile),
    `charge_left_ah` (member; above empty, at this temperature), `usable_charge_ah` (member; what
    of that the loads get until the disconnect, without what sources bring; inf if it lies beyond
    the horizon), `usable_least_ah` (member; the same, or what was drawn within the horizon),
    `usable_energy_wh` (member; all that the loads get until then, of sources too).
    """
    import xarray as xr

    from socband import kernels_columns as k
    from socband.cell import temperature_factors

    lvd = result.column(k.O_LVD) / 3600.0
    inside = np.isfinite(lvd)
    asked = asked_hours(plan)
    cold = temperature_factors(cell, plan.ambient[:, 0])[4]
    left = members.soc * members.capacity_fraction * plan.rated_ah * cold
    # of the charge that is there now, the most that is missing on the way
    fell = (members.soc - result.soc.min(axis=1)) * members.capacity_fraction * plan.rated_ah * cold
    spent = np.minimum(np.maximum(fell, -result.column(k.O_CHARGE)), result.column(k.O_OUT))
    least = np.clip(spent, 0.0, np.maximum(left, 0.0))
    usable = np.where(inside, least, np.inf)
    energy = np.where(inside, result.column(k.O_LOAD_J) * plan.cells_in_series / 3600.0, np.inf)
    time_h = plan.grid_s / 3600.0
    survival = np.array([chance(lvd > t, weight) for t in time_h])
    lasts = np.array([chance(lvd > h, weight) for h in asked.values()])
    cutout = result.column(k.O_INVERTER) / 3600.0
    inverter = np.array([chance(np.minimum(lvd, cutout) > t, weight) for t in time_h])
    both = np.array([chance(np.minimum(lvd, cutout) > h, weight) for h in asked.values()])
    cuts = np.array([chance(cutout <= h, weight) for h in asked.values()])
    hours = {"units": "h"}
    ds = xr.Dataset(
        {
            "lvd_hours": ("member", lvd, hours | {"long_name": "time to disconnect"}),
            "which_limit": (
                "member",
                result.column(k.O_WHICH).astype(np.int8),
                {
                    "long_name": "what ends the supply",
                    "flag_values": np.arange(3, dtype=np.int8),
                    "flag_meanings": "none low_voltage_disconnect every_battery_open",
                },
            ),
            "inverter_cutout_hours": ("member", cutout, hours),
            "first_battery_open_hours": ("member", result.column(k.O_FIRST_BMS) / 3600.0, hours),
            "full_hours": ("member", result.column(k.O_FULL) / 3600.0, hours),
            "charge_left_ah": ("member", left, {"units": "A h", "long_name": "charge left"}),
            "usable_charge_ah": (
                "member",
                usable,
                {
                    "units": "A h",
                    "long_name": "of the charge now, what the loads get until the disconnect",
                },
            ),
            "usable_least_ah": ("member", least, {"units": "A h"}),
            "usable_energy_wh": ("member", energy, {"units": "W h"}),
            "soc": (
                ("quantile", "time"),
                quantiles_of(result.soc, QUANTILES, weight).astype(float),
                {"units": "1", "long_name": "state of charge"},
            ),
            "survival": ("time", survival, {"units": "1", "long_name": "chance of still running"}),
            "inverter_survival": ("time", inverter, {"units": "1"}),
            "inverter_lasts_until": ("until", both, {"units": "1"}),
            "inverter_cuts_out": ("until", cuts, {"units": "1"}),
            "lvd_quantile_hours": ("quantile", quantiles_of(lvd, QUANTILES, weight), hours),
            "lasts_until": ("until", lasts, {"units": "1", "long_name": "chance to last"}),
            "until_hours": ("until", list(asked.values()), hours),
        },
        coords={
            "time": ("time", time_h, {"units": "h", "long_name": "hours from now"}),
            "quantile": ("quantile", np.array(QUANTILES), {"units": "1"}),
            "until": ("until", list(asked)),
        },
        attrs={
            "Conventions": "CF-1.12",
            "title": "socband forecast",
            "start": plan.now.isoformat(timespec="minutes"),
            "horizon_hours": plan.horizon_s / 3600.0,
            "seed": plan.seed,
            "loads": ", ".join(n for n in plan.demand.names if not n.startswith(AS_LOGGED)),
        },
    )
    if weight is not None:
        ds["weight"] = ("member", np.asarray(weight), {"units": "1"})
    return ds
