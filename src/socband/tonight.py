"""How much is really left, and until when: snapshot, forecast and the widest unknown together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.budget import variance_shares
from socband.cell import temperature_factors
from socband.evidence import Evidence
from socband.forecast import dataset_of
from socband.forward import Plan, Run, prepare, run
from socband.kernels_columns import O_LVD
from socband.models import CellModel
from socband.site import Setup
from socband.site_parts import Load
from socband.snapshot import check_still_on, take_snapshot
from socband.summary import QUANTILES, as_percentiles, plain, quantiles_of, with_attributes
from socband.unknowns import uniforms
from socband.whatif import (
    Nights,
    after_disconnect,
    comes_back,
    full_hours,
    smallest_set,
    still_on,
    switch_offs,
    wake_hours,
)

if TYPE_CHECKING:
    import xarray as xr

    from socband.unknowns import Members, Pattern

WHAT_IF_MEMBERS = 4000  # a chance to half a percent is enough to rank switch-offs by
AFTERWARDS_MEMBERS = 400  # the morning after a disconnect is told to the hour
MOST_AFTERWARDS_H = 14 * 24.0
DRAWS_NOW = "what draws now"
NEARLY_EMPTY_V = 3.2  # of a cell that wakes

CAUTIONS = (
    "An estimate, no measurement: never let a life-supporting device depend on it.",
    "Lithium banks can deliver thousands of amperes: work on them only with the bank isolated and "
    "insulated tools, and leave mains wiring to a licensed electrician.",
    "Do not charge an LFP bank below 0 °C unless its maker allows it. A swollen, hot or smelling "
    "battery: switch off, keep away, call for help.",
    "“Disconnects” is the first time. A bank whose voltage recovers at rest may switch on again by "
    "itself for a while; what it gives then is not counted.",
    "Local electrical codes and the battery maker's manual come first.",
)


def tonight(
    setup: Setup,
    cell: CellModel,
    members: int,
    seed: int,
    want: float | None = None,
    evidence: Sequence[Evidence] = (),
) -> xr.Dataset:
    """The answer to "how much do I really have left tonight?".

    Args:
        setup: its `present` section is now.
        cell: cell model of the bank.
        members: size of the ensemble; less those that would be off by the first moment.
        seed: of everything random.
        want: how sure the owner wants to be of lasting until the first hour asked, 0..1; the
            setup's own wish if None.
        evidence: taken now, besides what the setup says.

    Returns:
        The forecast's Dataset, with

        - `soc_now`, `charge_left_ah` (member); `variance_share` (cause); `promised_soc` (time; see
          there);
        - what a switch-off buys (load): `off_chance`, `off_gain_hours`, and `off_beyond`, the share
          that then lasts beyond the horizon, at which its gain is cut; the fewest that are enough,
          in the attributes `enough_off`, `enough_chance`, `enough_reached`;
        - the time to wake after a disconnect, `wake_off_hours`, `wake_on_hours` (member); whether
          the bank would come back by itself, `comes_back` (member; nothing it gives then is counted
          anywhere); `believable_hours` (afterwards): from plugging in after a disconnect until the
          display can be believed again, by the first shore charger of the setup, loads off; no
          entries without one, infinite if it never gets there;

        and attributes `timezone` (of `start`; "" if not said), `display_soc`,
        `hours_since_full_assumed`, `widest_unknown` ("" without a display, which then is it itself,
        and where no unknown counts), `loads_described` (0: the setup names none, and the night is
        reckoned with `draws_now_a` going on), `too_cold_to_charge` (chance that the sources
        described bring nothing now because a battery is too cold; 0 without sources),
        `shore_rests_above_soc` (1: never), `shore_a` (what that charger gives in bulk [A],
        infinite where none is named), `batteries` in parallel, `untracked_hours` (in which an
        untracked load is taken to draw; "" if all day or if there is none).
    """
    import xarray as xr

    drawn = take_snapshot(setup, cell, members, seed, evidence)
    described = bool(setup.loads)
    setup = with_what_draws_now(setup)
    draws_now_a = 0.0 if described or not setup.loads else setup.loads[0].current_a.median
    patterns = drawn.patterns
    plan = prepare(setup, cell, drawn.members, seed=seed, patterns=patterns)
    night = run(plan)
    # a bank that would be off by the first moment is none that is on now
    on = still_on(plan, night)
    check_still_on(on.sum())
    snapshot = drawn.take(np.flatnonzero(on))
    theirs = Run(night.report[on], night.soc[on])
    ahead = dataset_of(replace(plan, ambient=plan.ambient[on]), theirs, snapshot.members, cell)
    few = min(members, WHAT_IF_MEMBERS)
    # a member's numbers do not depend on how many others there are: its night is known already
    nights = Nights(
        prepare(setup, cell, drawn.members.take(np.arange(few)), seed=seed, patterns=patterns),
        known={frozenset(): night.column(O_LVD)[:few] / 3600.0},
    )
    weight = on[:few].astype(float)
    bought = switch_offs(nights, weight=weight)
    want = setup.question.want if want is None else want
    enough = smallest_set(nights, want, weight=weight)
    off_hours, on_hours = (hours[on] for hours in _waking(setup, plan, drawn.capacity_ah))
    believable = _believable_hours(setup, cell, snapshot.members, off_hours, seed)
    promised = promised_soc(setup, cell, snapshot.members, patterns, seed)
    shares = variance_shares(snapshot.causes, snapshot.members.soc)
    display = setup.present.display_soc
    dataset = ahead.assign(
        soc_now=xr.DataArray(
            snapshot.members.soc, dims="member", attrs={"long_name": "true state of charge now"}
        ),
        charge_left_ah=xr.DataArray(
            np.maximum(snapshot.members.soc, 0.0) * snapshot.capacity_ah, dims="member"
        ),
        promised_soc=xr.DataArray(
            promised,
            dims="time",
            attrs={"units": "1", "long_name": "what the display promises"},
        ),
        variance_share=xr.DataArray(
            list(shares.values()), dims="cause", coords={"cause": list(shares)}
        ),
        off_chance=xr.DataArray(
            bought["chance"].values, dims="load", coords={"load": bought["load"].values}
        ),
        off_gain_hours=xr.DataArray(bought["mean_gain_hours"].values, dims="load"),
        off_beyond=xr.DataArray(
            bought["beyond"].values,
            dims="load",
            attrs={"units": "1", "long_name": "chance to last beyond the horizon, with it off"},
        ),
        wake_off_hours=xr.DataArray(off_hours, dims="member"),
        wake_on_hours=xr.DataArray(on_hours, dims="member"),
        believable_hours=xr.DataArray(
            believable,
            dims="afterwards",
            attrs={"units": "h", "long_name": "from plugging in to a believable display"},
        ),
        comes_back=xr.DataArray(
            comes_back(plan, night, cell)[on],
            dims="member",
            attrs={"units": "1", "long_name": "whether it would switch on again by itself"},
        ),
    ).assign_attrs(
        want=want,
        enough_off="; ".join(enough.off),
        enough_chance=enough.chance,
        enough_reached=int(enough.reached),
        title=f"The night ahead: {setup.about.title}",
        display_soc=np.nan if display is None else display,
        widest_unknown="" if display is None or max(shares.values()) == 0.0 else next(iter(shares)),
        draws_now_a=draws_now_a,
        loads_described=int(described),
        too_cold_to_charge=_too_cold(plan),
        temperature_assumed=int(setup.assumes("ambient.temperature_c")),
        batteries=setup.bank.strings_in_parallel,
        shore_a=_charger_a(setup),
        shore_rests_above_soc=_shore_rests_above(setup),
        charge_min_c=cell.charge_min_c,
        members=len(snapshot.members),
        rated_capacity_ah=setup.bank.rated_capacity_ah,
        hours_since_full=setup.present.hours_since_full.median,
        hours_since_full_assumed=int(setup.assumes("present.hours_since_full")),
        temperature_c=setup.ambient.temperature_c.median,
        timezone=setup.present.timezone or "",
        untracked_hours=_untracked_hours(setup),
    )
    return with_attributes(dataset, dataset.attrs["title"], seed)


def with_what_draws_now(setup: Setup) -> Setup:
    """A setup without loads, whose display shows a current drawn now: that it goes on."""
    current = setup.present.current_a
    if setup.loads or current is None or current.median >= 0.0:
        return setup
    now = Load(
        name=DRAWS_NOW,
        current_a=-current.median,
        duty=1.0,
        hours=["00:00-24:00"],
        essential=True,  # of what it is, nobody knows what may go off
    )
    return replace(setup, loads=(now,))


def promised_soc(
    setup: Setup, cell: CellModel, members: Members, patterns: Sequence[Pattern], seed: int
) -> np.ndarray:
    """(t,) what the display promises for the night: the bank that it believes in, carried ahead.

    It begins at the display, holds the capacity set in the monitor, and feeds no load but those
    that the monitor sees. The middle of a few members while it is on; NaN after that, and where the
    setup knows no display.
    """
    few = members.take(np.arange(min(len(members), AFTERWARDS_MEMBERS)))
    shown, n = setup.present.display_soc, len(few)
    nothing = np.zeros(n)
    air_c = setup.ambient.temperature_c.median + few.temperature_offset_k
    rated_ah = setup.bank.rated_capacity_ah * temperature_factors(cell, air_c)[4]
    assumed_ah = setup.monitor.assumed_capacity_ah.median
    believed = few.replaced(
        soc=nothing + (0.0 if shown is None else shown),
        capacity_fraction=assumed_ah / rated_ah,
        untracked_a=nothing,
    )
    cold = tuple(replace(battery, heater_w=None) for battery in setup.batteries)
    plan = prepare(replace(setup, batteries=cold), cell, believed, seed=seed, patterns=patterns)
    night = run(plan)
    on = np.median(night.column(O_LVD)) > plan.grid_s
    known = on & (shown is not None)
    return np.where(known, np.median(night.soc, axis=0), np.nan)


def _untracked_hours(setup: Setup) -> str:
    load = setup.untracked_load
    return "" if load.hours.is_always or load.probability == 0.0 else str(load.hours)


def _too_cold(plan: Plan) -> float:
    """Share of the members in which some battery is now too cold to be charged, 0..1."""
    from socband.kernels_bank import B_COLD, S_T

    batteries = plan.batteries
    if not plan.sources.names:
        return 0.0
    cold = batteries.state[:, :, S_T] < batteries.parameters[:, :, B_COLD]
    return float(np.mean(cold.any(axis=1)))


def _waking(setup: Setup, plan: Plan, capacity_ah: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(n,) hours to wake on a shore charger after a disconnect, loads off and loads on [h].

    Loads on is what each member's loads draw from the bank on average over the horizon: inverter,
    one-off events and untracked load included. Loads off is all of them off.
    """
    bank_v = NEARLY_EMPTY_V * setup.bank.cells_in_series
    load_w = plan.demand.mean_power_w(bank_v, plan.horizon_s, plan.ambient[:, 0]).sum(axis=1)
    load_a = load_w / bank_v
    batteries = setup.bank.strings_in_parallel
    n = len(capacity_ah)
    u = uniforms(plan.seed, "wake trickle", n), uniforms(plan.seed, "wake reserve", n)
    charger_a = _charger_a(setup)
    return (
        wake_hours(capacity_ah, batteries, 0.0, u, charger_a),
        wake_hours(capacity_ah, batteries, load_a, u, charger_a),
    )


def _charger_a(setup: Setup) -> float:
    """What the shore charger gives in bulk [A]; infinite where none is named."""
    charger = setup.source("shore")
    if charger is None:
        return np.inf
    bank_v = NEARLY_EMPTY_V * setup.bank.cells_in_series
    amps = charger.current_a.median if charger.power_w is None else charger.power_w.median / bank_v
    limit_a = charger.current_limit_a
    return amps if limit_a is None else min(amps, limit_a)


def _shore_rests_above(setup: Setup) -> float:
    """True charge above which the shore charger does nothing; 1 if it always works."""
    charger = setup.source("shore")
    rests = None if charger is None else charger.idle_above_soc
    return 1.0 if rests is None else rests


def _believable_hours(
    setup: Setup, cell: CellModel, members: Members, wake_off_hours: np.ndarray, seed: int
) -> np.ndarray:
    """(few,) hours from plugging in the shore charger after a disconnect to a full bank, loads off.

    Only a full bank sets the display right; that a charger may rest before it is told apart. Empty
    without a shore charger in the setup.
    """
    charger = setup.source("shore")
    if charger is None:
        return np.zeros(0)
    few = np.arange(min(len(members), AFTERWARDS_MEMBERS))
    charger_a = max(_charger_a(setup), 1e-3)
    horizon_h = 24.0 + 2.0 * setup.bank.rated_capacity_ah / charger_a
    plan = prepare(
        setup, cell, members.take(few), horizon_h=min(horizon_h, MOST_AFTERWARDS_H), seed=seed
    )
    # a limit that nobody named is taken to fit the monitor
    assumed = setup.assumes(f"({charger.name}).voltage_limit_v")
    watt = charger_a * NEARLY_EMPTY_V * setup.bank.cells_in_series
    morning = after_disconnect(plan, watt, None if assumed else charger.voltage_limit_v)
    return wake_off_hours[few] + full_hours(morning)


def tonight_json(dataset: xr.Dataset) -> dict[str, Any]:
    """The answer as one object of plain numbers."""
    lvd = dataset["lvd_hours"].values
    return plain(
        {
            "display_soc": dataset.attrs["display_soc"],
            "soc": as_percentiles(quantiles_of(dataset["soc_now"].values)),
            "charge_left_ah": as_percentiles(quantiles_of(dataset["charge_left_ah"].values)),
            "lvd_hours": as_percentiles(quantiles_of(lvd)),
            "first_battery_open_hours": as_percentiles(
                quantiles_of(dataset["first_battery_open_hours"].values)
            ),
            "lvd_not_within_horizon": float(np.mean(np.isinf(lvd))),
            "comes_back_by_itself": float(np.mean(dataset["comes_back"].values)),
            "lasts_until": dict(
                zip(dataset["until"].values, dataset["lasts_until"].values, strict=True)
            ),
            "switch_offs": [
                {
                    "load": str(name),
                    "chance": float(dataset["off_chance"].values[j]),
                    "gain_hours": float(dataset["off_gain_hours"].values[j]),
                    "beyond_horizon": float(dataset["off_beyond"].values[j]),
                }
                for j, name in enumerate(dataset["load"].values)
            ],
            "enough": {
                "want": dataset.attrs["want"],
                "off": [name for name in dataset.attrs["enough_off"].split("; ") if name],
                "chance": dataset.attrs["enough_chance"],
                "reached": bool(dataset.attrs["enough_reached"]),
            },
            "wake_hours": {
                "loads_off": as_percentiles(quantiles_of(dataset["wake_off_hours"].values)),
                "loads_on": as_percentiles(quantiles_of(dataset["wake_on_hours"].values)),
            },
            "believable_after_disconnect_hours": (
                as_percentiles(quantiles_of(dataset["believable_hours"].values))
                if dataset.sizes["afterwards"]
                else None
            ),
            "shore_rests_above_soc": dataset.attrs["shore_rests_above_soc"],
            "too_cold_to_charge": dataset.attrs["too_cold_to_charge"],
            "widest_unknown": dataset.attrs["widest_unknown"] or None,
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
