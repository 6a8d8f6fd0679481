"""How much is really left, and until when: snapshot, forecast and the widest unknown together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from socband.afterwards import believable_hours, charger_a_of, shore_rests_above, waking
from socband.budget import variance_shares
from socband.cell import temperature_factors
from socband.evidence import ClampReading, Evidence
from socband.forecast import chance, dataset_of
from socband.forward import Plan, Run, prepare, run
from socband.kernels_columns import O_INVERTER, O_LVD, O_SOURCE_J
from socband.models import CellModel
from socband.nights import (
    Nights,
    counted_loads,
    frost_chance,
    heater_draw_a,
    idle_in_the_cold,
    of_all,
)
from socband.present import known_now
from socband.pulled import with_pulled
from socband.since_full import USUAL_CELL_V
from socband.site import Setup
from socband.site_full_rule import full_rule_note
from socband.site_parts import Load
from socband.site_priors import LEAST_LOST, item_name
from socband.snapshot import LARGE_PART, check_still_on
from socband.snapshot_draw import HEATER
from socband.summary import with_attributes
from socband.whatif import comes_back, smallest_set, still_on, switch_offs

if TYPE_CHECKING:
    import xarray as xr

    from socband.logs import Log
    from socband.seen_loads import SeenLoads
    from socband.unknowns import Members, Pattern

WHAT_IF_MEMBERS = 4000  # a chance to half a percent is enough to rank switch-offs by
PROMISE_MEMBERS = 400  # the middle of what the display promises
DRAWS_NOW = "what draws now"
LITTLE = 0.25  # share of the doubt below which no unknown is worth naming beside a log (assumed)


def tonight(
    setup: Setup,
    cell: CellModel,
    members: int,
    seed: int,
    want: float | None = None,
    evidence: Sequence[Evidence] = (),
    log: Log | None = None,
    progress: Callable[[int, int], None] | None = None,
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
        log: that ends now; the charge is then what `replay` says of its last row.
        progress: of the conditioning on a log, see `posterior.condition`.

    Returns:
        The forecast's Dataset, with

        - `soc_now`, `charge_left_ah` (member); `variance_share` (cause); `promised_soc` (time; see
          there);
        - `served_until` (until): the chance that what counts lasts until then, the bank and, where
          `nights.counted_loads` names a load, its inverter too; `inverter_counts_for` (an
          attribute, "; " between) names them for the first hour, and `inverter_counts_always` says
          whether they are essential;
        - the fewest switch-offs that are enough for each hour asked, `until_off` ("; " between),
          and with them `until_chance`, `until_reached` and `until_with_inverter` (until), as the
          attributes below say of the first;
        - what a switch-off buys (load), in lasting as in `served_until`: `off_chance`,
          `off_gain_hours`, and `off_beyond`, the share that then lasts beyond the horizon, at which
          its gain is cut; the fewest that are enough, in the attributes `enough_off`,
          `enough_chance`, `enough_reached`, and `enough_with_inverter`, whether the inverter still
          counts then; by how much the chance changes, `off_chance_change`; the chance that the
          inverter cuts out by itself before the first hour asked, `off_inverter_cuts_out`, and with
          the fewest off, `enough_inverter_cuts_out`;
        - the time to wake after a disconnect, `wake_off_hours`, `wake_on_hours` (member); whether
          the bank would come back by itself, `comes_back` (member; nothing it gives then is counted
          anywhere); `believable_hours` (afterwards): from plugging in after a disconnect until the
          display can be believed again, by the first shore charger of the setup, loads off; no
          entries without one, infinite if it never gets there;
        - what the batteries' own heaters took since full, past the display, `heater_before_ah`, and
          draw until the last hour asked, `heater_ahead_a` (member); of a log what it pulls beyond
          the setup, see `pulled.with_pulled`; the attributes
          `heaters_took_much` and `heaters_take_much` say whether that is a large part of what is
          gone, and of what is left;
        - `idle_duty` beside `usual_duty` (idle_load): see `nights.idle_in_the_cold`;

        and attributes `timezone` (of `start`; "" if not said), `display_soc`,
        `hours_since_full_assumed`, `widest_unknown` ("" without a display, which then is it itself,
        and where no unknown counts), `loads_described` (0: the setup names none, and the night is
        reckoned with `draws_now_a`, which goes on, or is the mean of what a log showed of the hours
        until the first one asked), `stated_draw_a` (what the display says is drawn now; 0 if
        nothing is), `clamp_in_a` (what a clamp says flows in), `charges_now_a` (what the display
        says does, from which the voltage starts, and no more; 0 if nothing), `sources_described`,
        `sources_at_any_hour` (names of those of which nobody says when they run, "; " between),
        `sources_bring_ah_per_day` (all together while the bank is on, what goes straight to loads
        with it; the middle of the members, 0 without any, NaN where most are off within a day),
        `too_cold_to_charge` (chance that the sources described bring nothing now because every
        battery is too cold; 0 without sources), `too_cold_to_wake` (the same, whatever the sources:
        a bank that has disconnected wakes by charge), `too_cold_to_discharge`, `heaters` (names of
        loads that heat, "; " between), `kept_by_name` (of those that its name alone keeps on),
        `frost` (chance of air near 0 °C within the day, see `nights.frost_chance`),
        `shore_rests_above_soc` (1: never), `shore_a` (what that charger gives in bulk [A],
        infinite where none is named), `batteries` in parallel, `behind_inverter` (names of the
        loads through it, "; " between) and its `inverter_cutout_v`, `untracked_hours` (in which an
        untracked load is taken to draw; "" if all day or if there is none), `full_rule_note` (see
        there), and
        `capacity_by_factors_ah` (what the bank likely holds, where the file says no more of it than
        its batteries' capacity factors; else NaN); and of a log `log` (its name, "" without),
        `log_hours`, `log_ends_v`, `log_ends_a`, `log_off_hours` (see `Log.off_at_end_s`),
        `log_charged_ah_per_day`, `strained_share` (see `narrowing`), `drawn_in_log`
        (whether `draws_now_a` is what its loads drew), `stated_temperature_c` (where the setup file
        states one, NaN else; the log's own goes before it) and those of `track.moment_of_present`.
    """
    import xarray as xr

    setup, drawn, seen, pulled, of_log = known_now(
        setup, cell, members, seed, evidence, log, progress
    )
    members = min(members, len(drawn.members))
    described = bool(setup.loads)
    if seen is None:
        setup = with_what_draws_now(setup)
    draws_now_a = 0.0 if described or not setup.loads else setup.loads[0].current_a.median
    given = {"seed": seed, "patterns": drawn.patterns, "seen": seen}
    plan = prepare(setup, cell, drawn.members, **given)
    night = run(plan)
    # a bank that would be off by the first moment is none that is on now
    on = still_on(plan, night)
    check_still_on(on.sum(), drawn)
    snapshot = drawn.take(np.flatnonzero(on))
    theirs = Run(night.report[on], night.soc[on])
    ahead = dataset_of(replace(plan, ambient=plan.ambient[on]), theirs, snapshot.members, cell)
    cuts = float(ahead["inverter_cuts_out"][0])
    asked = [float(hours) for hours in ahead["until_hours"].values]
    counted = [counted_loads(plan.demand, hours) for hours in asked]
    served = np.where(
        [bool(names) for names in counted], ahead["inverter_lasts_until"], ahead["lasts_until"]
    )
    few = min(members, WHAT_IF_MEMBERS)
    # a member's numbers do not depend on how many others there are: its night is known already
    nights = Nights(
        prepare(setup, cell, drawn.members.take(np.arange(few)), **given),
        known={frozenset(): night.column(O_LVD)[:few] / 3600.0},
        cutouts={frozenset(): night.column(O_INVERTER)[:few] / 3600.0},
    )
    weight = on[:few].astype(float)
    bought = switch_offs(nights, weight=weight)
    want = setup.question.want if want is None else want
    enoughs = [smallest_set(nights, want, hours, weight) for hours in asked]
    off_hours, on_hours = (hours[on] for hours in waking(setup, plan, drawn.capacity_ah))
    believable = believable_hours(setup, cell, snapshot.members, off_hours, seed)
    promised = promised_soc(setup, cell, snapshot.members, **given)
    if seen is not None:
        hour = plan.now.hour + plan.now.minute / 60.0
        draws_now_a = seen.mean_a(hour, asked[0])
    shares = variance_shares(snapshot.causes, snapshot.members.soc)
    display, current = setup.present.display_soc, setup.present.current_a
    idle = idle_in_the_cold(setup)
    left_ah = np.maximum(snapshot.members.soc, 0.0) * snapshot.capacity_ah
    took_ah = snapshot.causes.get(HEATER, np.zeros(len(snapshot.members)))
    take_a = heater_draw_a(plan, cell, asked[-1])[on]
    gone_ah = float(np.median(snapshot.capacity_ah - left_ah))
    enough = {
        "off": ["; ".join(each.off) for each in enoughs],
        "chance": [
            float(of_all(each.chance, chance(nights.lasts(hours), weight), float(all_of_them)))
            for each, hours, all_of_them in zip(enoughs, asked, served, strict=True)
        ],
        "reached": [int(each.reached) for each in enoughs],
        "with_inverter": [
            int(bool(counted_loads(plan.demand, hours, each.off)))
            for each, hours in zip(enoughs, asked, strict=True)
        ],
    }

    def cut_out(off: Sequence[str] = ()) -> float:
        return chance(nights.cutout_hours(off) <= bought.attrs["until_hours"], weight)

    too_cold = _too_cold(plan)
    dataset = ahead.assign(
        served_until=("until", served),
        **{f"until_{key}": ("until", values) for key, values in enough.items()},
        soc_now=xr.DataArray(
            snapshot.members.soc, dims="member", attrs={"long_name": "true state of charge now"}
        ),
        charge_left_ah=xr.DataArray(left_ah, dims="member"),
        heater_before_ah=("member", took_ah),
        heater_ahead_a=("member", take_a),
        promised_soc=xr.DataArray(
            promised,
            dims="time",
            attrs={"units": "1", "long_name": "what the display promises"},
        ),
        variance_share=xr.DataArray(
            list(shares.values()), dims="cause", coords={"cause": list(shares)}
        ),
        off_chance=xr.DataArray(
            of_all(bought["chance"].values, bought.attrs["chance_now"], float(served[0])),
            dims="load",
            coords={"load": bought["load"].values},
        ),
        off_gain_hours=xr.DataArray(bought["mean_gain_hours"].values, dims="load"),
        off_chance_change=xr.DataArray(bought["chance_gain"].values, dims="load"),
        off_inverter_cuts_out=xr.DataArray(
            of_all(bought["inverter_cuts_out"].values, cut_out(), cuts), dims="load"
        ),
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
        idle_duty=xr.DataArray(
            [now for now, _ in idle.values()],
            dims="idle_load",
            coords={"idle_load": np.array([*idle], dtype=str)},
        ),
        usual_duty=xr.DataArray([usual for _, usual in idle.values()], dims="idle_load"),
        comes_back=xr.DataArray(
            comes_back(plan, night, cell)[on],
            dims="member",
            attrs={"units": "1", "long_name": "whether it would switch on again by itself"},
        ),
    ).assign_attrs(
        want=want,
        **{f"enough_{key}": values[0] for key, values in enough.items()},
        enough_inverter_cuts_out=float(of_all(cut_out(enoughs[0].off), cut_out(), cuts)),
        inverter_counts_for="; ".join(counted[0]),
        inverter_counts_always=int(
            any(load.must_stay for load in setup.loads if load.through_inverter)
        ),
        behind_inverter="; ".join(load.name for load in setup.loads if load.through_inverter),
        inverter_cutout_v=np.nan if setup.inverter is None else setup.inverter.cutout_v.median,
        title=f"The night ahead: {setup.about.title}",
        display_soc=np.nan if display is None else display,
        widest_unknown=_widest(shares, display is not None, log is not None),
        draws_now_a=draws_now_a,
        stated_draw_a=0.0 if current is None else max(-current.median, 0.0),
        clamp_in_a=max((e.current_a for e in evidence if isinstance(e, ClampReading)), default=0.0),
        charges_now_a=0.0 if current is None else max(current.median, 0.0),
        sources_described=int(bool(setup.sources)),
        sources_at_any_hour="; ".join(_at_any_hour(setup)),
        sources_bring_ah_per_day=_brought_ah_per_day(plan, theirs),
        disconnect_v=setup.limits.disconnect_v.median,
        loads_described=int(described),
        too_cold_to_charge=too_cold if plan.sources.names else 0.0,
        too_cold_to_wake=too_cold,
        too_cold_to_discharge=_too_cold(plan, cell.discharge_min_c),
        discharge_min_c=cell.discharge_min_c,
        heaters_took_much=int(
            display is not None and np.median(took_ah) > LARGE_PART * max(gone_ah, 0.0)
        ),
        heaters_take_much=int(np.median(take_a) * asked[-1] > LARGE_PART * np.median(left_ah)),
        heaters="; ".join(load.name for load in setup.loads if load.is_heater),
        kept_by_name="; ".join(load.name for load in setup.loads if load.vital_by_name),
        frost=frost_chance(plan.ambient[on]),
        temperature_assumed=int(setup.assumes("ambient.temperature_c")),
        batteries=setup.bank.strings_in_parallel,
        shore_a=charger_a_of(setup),
        shore_rests_above_soc=shore_rests_above(setup),
        charge_min_c=cell.charge_min_c,
        members=len(snapshot.members),
        rated_capacity_ah=setup.bank.rated_capacity_ah,
        capacity_by_factors_ah=_by_factors_ah(setup),
        hours_since_full=setup.present.hours_since_full.median,
        hours_since_full_assumed=int(setup.assumes("present.hours_since_full")),
        temperature_c=setup.ambient.temperature_c.median,
        timezone=setup.present.timezone or "",
        untracked_hours=_untracked_hours(setup),
        full_rule_note=full_rule_note(setup),
        **of_log,
    )
    return with_attributes(with_pulled(dataset, pulled), dataset.attrs["title"], seed)


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
    setup: Setup,
    cell: CellModel,
    members: Members,
    patterns: Sequence[Pattern],
    seed: int,
    seen: SeenLoads | None = None,
) -> np.ndarray:
    """(t,) what the display promises for the night: the bank that it believes in, carried ahead.

    It begins at the display, holds the capacity set in the monitor, and feeds no load but those
    that the monitor sees. The middle of a few members while it is on; NaN after that, and where the
    setup knows no display.
    """
    few = members.take(np.arange(min(len(members), PROMISE_MEMBERS)))
    shown, n = setup.present.display_soc, len(few)
    nothing = np.zeros(n)
    air_c = setup.ambient.temperature_c.median + few.temperature_offset_k
    rated_ah = setup.bank.rated_capacity_ah * temperature_factors(cell, air_c)[4]
    assumed_ah = setup.monitor.assumed_capacity_ah.median
    believed = few.replaced(
        soc=nothing + (0.0 if shown is None else shown),
        capacity_fraction=assumed_ah / rated_ah,
        untracked_a=nothing,
        offset_a=nothing,
        gain_error=nothing,
    )
    cold = tuple(replace(battery, heater_w=None) for battery in setup.batteries)
    given = {"seed": seed, "patterns": patterns, "seen": seen}
    plan = prepare(replace(setup, batteries=cold), cell, believed, **given)
    night = run(plan)
    on = np.median(night.column(O_LVD)) > plan.grid_s
    known = on & (shown is not None)
    return np.where(known, np.median(night.soc, axis=0), np.nan)


def _widest(shares: Mapping[str, float], displayed: bool, logged: bool) -> str:
    """The unknown with the largest share of the doubt; "" where none counts, where without display
    or log it is the charge itself, and where a log leaves doubt about other things than these."""
    least = LITTLE if logged else 0.0
    return next(iter(shares)) if (displayed or logged) and max(shares.values()) > least else ""


def _at_any_hour(setup: Setup) -> list[str]:
    """Sources, the sun apart, of which nobody says when they run."""
    return [
        source.name
        for i, source in enumerate(setup.sources)
        if source.kind != "solar"
        and setup.assumes(f"{item_name('sources', i, {'name': source.name})}.hours")
    ]


def _brought_ah_per_day(plan: Plan, night: Run) -> float:
    """NaN where most banks are on for less than a day, of which no day's worth can be said."""
    if not plan.sources.names:
        return 0.0
    on_days = np.minimum(night.column(O_LVD), plan.horizon_s) / 86400.0
    if np.median(on_days) < 1.0:
        return np.nan
    brought_ah = night.column(O_SOURCE_J) / (3600.0 * USUAL_CELL_V)
    return float(np.median((brought_ah / np.maximum(on_days, 1e-6))[on_days >= 1.0]))


def _by_factors_ah(setup: Setup) -> float:
    """What the bank likely holds [Ah] where its batteries' capacity factors decide it; else NaN."""
    if setup.share_by_factors > 1.0 - LEAST_LOST or not setup.assumes("bank.capacity_fraction"):
        return np.nan
    return setup.bank.capacity_fraction.median * setup.bank.rated_capacity_ah


def _untracked_hours(setup: Setup) -> str:
    load = setup.untracked_load
    return "" if load.hours.is_always or load.probability == 0.0 else str(load.hours)


def _too_cold(plan: Plan, below_c: float | None = None) -> float:
    """Share of the members, 0..1, of which every battery is now colder; too cold to be charged."""
    from socband.kernels_bank import B_COLD, S_T

    batteries = plan.batteries
    limit_c = batteries.parameters[:, :, B_COLD] if below_c is None else below_c
    cold = batteries.state[:, :, S_T] < limit_c
    return float(np.mean(cold.all(axis=1)))
