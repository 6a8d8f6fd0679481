"""How much is really left, and until when: snapshot, forecast and the widest unknown together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from socband.budget import variance_shares
from socband.forecast import forecast
from socband.models import CellModel
from socband.site import Setup
from socband.snapshot import take_snapshot
from socband.summary import QUANTILES, as_percentiles, plain, quantiles_of, with_attributes

if TYPE_CHECKING:
    import xarray as xr

CAUTIONS = (
    "An estimate, no measurement: never let a life-supporting device depend on it.",
    "Lithium banks can deliver thousands of amperes: work on them only with the bank isolated and "
    "insulated tools, and leave mains wiring to a licensed electrician.",
    "Do not charge an LFP bank below 0 °C unless its maker allows it. A swollen, hot or smelling "
    "battery: switch off, keep away, call for help.",
    "Local electrical codes and the battery maker's manual come first.",
)


def tonight(
    setup: Setup, cell: CellModel, members: int, seed: int, load_names_off: tuple[str, ...] = ()
) -> xr.Dataset:
    """The answer to "how much do I really have left tonight?".

    Args:
        setup: its `present` section is now.
        cell: cell model of the bank.
        members: size of the ensemble.
        seed: of everything random.
        load_names_off: loads taken as switched off.

    Returns:
        The forecast's Dataset, with `soc_now` and `charge_left_ah` (member), `variance_share`
        (cause), and attributes `display_soc` and `widest_unknown`.
    """
    import xarray as xr

    snapshot = take_snapshot(setup, cell, members, seed)
    ahead = forecast(setup, cell, snapshot.members, seed=seed, off=load_names_off)
    shares = variance_shares(snapshot.causes, snapshot.members.soc)
    display = setup.present.display_soc
    dataset = ahead.assign(
        soc_now=xr.DataArray(
            snapshot.members.soc, dims="member", attrs={"long_name": "true state of charge now"}
        ),
        charge_left_ah=xr.DataArray(
            np.maximum(snapshot.members.soc, 0.0) * snapshot.capacity_ah, dims="member"
        ),
        variance_share=xr.DataArray(
            list(shares.values()), dims="cause", coords={"cause": list(shares)}
        ),
    ).assign_attrs(
        title=f"The night ahead: {setup.about.title}",
        display_soc=np.nan if display is None else display,
        widest_unknown=next(iter(shares)),
        members=members,
        rated_capacity_ah=setup.bank.rated_capacity_ah,
        hours_since_full=setup.present.hours_since_full.median,
        temperature_c=setup.ambient.temperature_c.median,
        clock=str(setup.present.clock),
    )
    return with_attributes(dataset, dataset.attrs["title"], seed)


def tonight_json(dataset: xr.Dataset) -> dict[str, Any]:
    """The answer as one object of plain numbers."""
    lvd = dataset["lvd_hours"].values
    return plain(
        {
            "display_soc": dataset.attrs["display_soc"],
            "soc": as_percentiles(quantiles_of(dataset["soc_now"].values)),
            "charge_left_ah": as_percentiles(quantiles_of(dataset["charge_left_ah"].values)),
            "lvd_hours": as_percentiles(quantiles_of(lvd)),
            "lvd_not_within_horizon": float(np.mean(np.isinf(lvd))),
            "lasts_until": dict(
                zip(dataset["until"].values, dataset["lasts_until"].values, strict=True)
            ),
            "widest_unknown": dataset.attrs["widest_unknown"],
            "variance_share": dict(
                zip(dataset["cause"].values, dataset["variance_share"].values, strict=True)
            ),
            "horizon_hours": dataset.attrs["horizon_hours"],
            "quantiles": list(QUANTILES),
            "members": dataset.attrs["members"],
            "seed": dataset.attrs["seed"],
            "cautions": list(CAUTIONS),
        }
    )
