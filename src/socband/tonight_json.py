"""The answer of `tonight` as one object of plain numbers. Nothing is computed here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from socband import cautions
from socband.narrowing import MOST_STRAINED
from socband.present import ends_off
from socband.pulled import pulled_json
from socband.summary import QUANTILES, as_percentiles, plain, quantiles_of

if TYPE_CHECKING:
    import xarray as xr


LATER = ("until", "until_off", "until_chance", "until_reached", "until_with_inverter")


def tonight_json(dataset: xr.Dataset) -> dict[str, Any]:
    """The answer as one object of plain numbers."""
    lvd = dataset["lvd_hours"].values

    def of(name: str) -> dict[str, float | None]:
        return as_percentiles(quantiles_of(dataset[name].values))

    return plain(
        {
            "display_soc": dataset.attrs["display_soc"],
            "soc": of("soc_now"),
            "charge_left_ah": of("charge_left_ah"),
            "usable_charge_ah": as_percentiles(_where_all_end(dataset["usable_charge_ah"].values)),
            "usable_at_least_ah": of("usable_least_ah"),
            "lvd_hours": of("lvd_hours"),
            "first_battery_open_hours": of("first_battery_open_hours"),
            "lvd_not_within_horizon": float(np.mean(np.isinf(lvd))),
            "comes_back_by_itself": float(np.mean(dataset["comes_back"].values)),
            "lasts_until": dict(
                zip(dataset["until"].values, dataset["lasts_until"].values, strict=True)
            ),
            "served_until": dict(
                zip(dataset["until"].values, dataset["served_until"].values, strict=True)
            ),
            "inverter": _inverter_json(dataset),
            "switch_offs": [
                {
                    "load": str(name),
                    "chance": float(dataset["off_chance"].values[j]),
                    "gain_hours": float(dataset["off_gain_hours"].values[j]),
                    "beyond_horizon": float(dataset["off_beyond"].values[j]),
                    "inverter_cuts_out": float(dataset["off_inverter_cuts_out"].values[j]),
                }
                for j, name in enumerate(dataset["load"].values)
            ],
            "enough": {
                "want": dataset.attrs["want"],
                "off": [name for name in dataset.attrs["enough_off"].split("; ") if name],
                "chance": dataset.attrs["enough_chance"],
                "reached": bool(dataset.attrs["enough_reached"]),
                "with_inverter": bool(dataset.attrs["enough_with_inverter"]),
                "inverter_cuts_out": dataset.attrs["enough_inverter_cuts_out"],
                "later": {
                    str(until): {
                        "off": [name for name in str(off).split("; ") if name],
                        "chance": float(chance),
                        "reached": bool(reached),
                        "with_inverter": bool(inverter),
                    }
                    for until, off, chance, reached, inverter in zip(
                        *(dataset[key].values[1:] for key in LATER), strict=True
                    )
                },
            },
            "wake_hours": {
                "loads_off": of("wake_off_hours"),
                "loads_on": of("wake_on_hours"),
            },
            "believable_after_disconnect_hours": (
                of("believable_hours") if dataset.sizes["afterwards"] else None
            ),
            "shore_rests_above_soc": dataset.attrs["shore_rests_above_soc"],
            "too_cold_to_charge": dataset.attrs["too_cold_to_charge"],
            "too_cold_to_wake": dataset.attrs["too_cold_to_wake"],
            "too_cold_to_discharge": dataset.attrs["too_cold_to_discharge"],
            "battery_heaters": {
                "took_since_full_ah": of("heater_before_ah"),
                "draw_ahead_a": of("heater_ahead_a"),
            },
            "widest_unknown": dataset.attrs["widest_unknown"] or None,
            "variance_share": dict(
                zip(dataset["cause"].values, dataset["variance_share"].values, strict=True)
            ),
            **_log_json(dataset),
            "horizon_hours": dataset.attrs["horizon_hours"],
            "quantiles": list(QUANTILES),
            "members": dataset.attrs["members"],
            "seed": dataset.attrs["seed"],
            "cautions": list(cautions.TONIGHT),
        }
    )


def _log_json(dataset: xr.Dataset) -> dict[str, Any]:
    """Where the charge is that at the end of a log: which, how far its voltages fit, and what it
    pulls."""
    attrs = dataset.attrs
    if not attrs["log"]:
        return {}
    told = {"name": attrs["log"], "hours": attrs["log_hours"]}
    told |= {"ends_v": attrs["log_ends_v"], "ends_off": ends_off(attrs)}
    told |= {"strained_share": attrs["strained_share"], "strained_from": MOST_STRAINED}
    return {
        "log": told,
        "present_taken_at": "the log's last row",
        "pulled_beyond_setup": pulled_json(dataset),
    }


def _inverter_json(dataset: xr.Dataset) -> dict[str, Any] | None:
    """When the inverter stops, by its own cut-out or with the bank; None without loads on it."""
    behind = dataset.attrs["behind_inverter"]
    if not behind:
        return None
    cutout = dataset["inverter_cutout_hours"].values
    stops = np.minimum(cutout, dataset["lvd_hours"].values)
    return {
        "loads": behind.split("; "),
        "counts_for": [name for name in dataset.attrs["inverter_counts_for"].split("; ") if name],
        "cuts_out_before": dict(
            zip(dataset["until"].values, dataset["inverter_cuts_out"].values, strict=True)
        ),
        "cuts_out_within_horizon": float(np.mean(np.isfinite(cutout))),
        "stops_hours": as_percentiles(quantiles_of(stops)),
    }


def _where_all_end(values: np.ndarray) -> np.ndarray:
    """Quantiles, or NaN where some nights outlast the horizon: those that end are no sample."""
    return quantiles_of(values if np.isfinite(values).all() else np.full(len(values), np.nan))
