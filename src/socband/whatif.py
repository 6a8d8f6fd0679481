"""What a switch-off buys, the smallest set that is enough, charging up, and waking again.

Every comparison runs on one plan: the same members, the same switching times. What is gained is
therefore the effect of the switch-off and not of another draw.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import comb
from typing import TYPE_CHECKING

import numpy as np

from socband.cell import ENTROPY, GAP, OCV, CellTables, look_up, stands_at
from socband.demand import INVERTER
from socband.forecast import asked_hours, chance
from socband.forward import Plan, Run, run
from socband.kernels_columns import L_DELAY, L_DISCONNECT, L_FULL_V, O_FULL, O_LVD, O_SOC, O_WHICH
from socband.models import CellModel
from socband.nights import Nights, optional_loads
from socband.summary import quantiles_of
from socband.unknowns import uniforms

if TYPE_CHECKING:
    import xarray as xr

Array = np.ndarray

AT_ONCE_S = 0.01  # a disconnect so soon after its delay is one at the start


def _nights(nights: Nights | Plan) -> Nights:
    return nights if isinstance(nights, Nights) else Nights(nights)


def _until(nights: Nights | Plan, until_h: float | None) -> float:
    """Hours asked for: as given, or the first of the setup's question."""
    if until_h is not None:
        return until_h
    return next(iter(asked_hours(_nights(nights).plan).values()))


def switch_offs(
    nights: Nights | Plan,
    until_h: float | None = None,
    weight: Array | None = None,
) -> xr.Dataset:
    """What switching off each load buys, best first.

    Args:
        nights: a plan from `prepare`, or what is known of its nights already.
        until_h: hours that bank, and inverter where it counts (`nights.counted_loads`), should
            last; the first of the setup's question if None.
        weight: (n,) of the members.

    Returns:
        Dataset over `load`: `chance` to last until then, `chance_gain`, `median_gain_hours` (mean
        over the members' own gains is `mean_gain_hours`, members beyond the horizon counted at
        it, so that where `beyond`, the share of them, is not 0 the gain is a least one), and
        `inverter_cuts_out`, the chance that the inverter does by itself before then; with
        attributes `until_hours` and `chance_now`.
    """
    import xarray as xr

    nights, until_h = _nights(nights), _until(nights, until_h)
    plan = nights.plan
    horizon_h = plan.horizon_s / 3600.0
    # inf beyond the horizon, which may lie at the very hour asked about
    base = nights.stop_hours(until_h)
    now = chance(base > until_h, weight)
    rows = []
    for name in optional_loads(plan.demand):
        alone = nights.stop_hours(until_h, (name,))
        gain = np.minimum(alone, horizon_h) - np.minimum(base, horizon_h)
        rows.append(
            (
                name,
                chance(alone > until_h, weight),
                float(quantiles_of(gain, [0.5], weight)[0]),
                float(np.average(gain, weights=weight)),
                chance(~np.isfinite(alone), weight),
                chance(nights.cutout_hours((name,)) <= until_h, weight),
            )
        )
    rows.sort(key=lambda row: (-row[1], -row[3], row[0]))
    names, chances, medians, means, beyond, cuts = zip(*rows, strict=True) if rows else ((),) * 6
    chances = np.array(chances, dtype=float)
    return xr.Dataset(
        {
            "chance": ("load", chances, {"units": "1", "long_name": "chance to last, with it off"}),
            "chance_gain": ("load", chances - now, {"units": "1"}),
            "median_gain_hours": ("load", np.array(medians, dtype=float), {"units": "h"}),
            "mean_gain_hours": ("load", np.array(means, dtype=float), {"units": "h"}),
            "beyond": ("load", np.array(beyond, dtype=float), {"units": "1"}),
            "inverter_cuts_out": ("load", np.array(cuts, dtype=float), {"units": "1"}),
        },
        coords={"load": list(names)},
        attrs={"until_hours": until_h, "chance_now": now, "horizon_hours": horizon_h},
    )


MOST_SETS = 120  # switch-offs of a size that are all tried


@dataclass(frozen=True)
class Enough:
    """The smallest set of switch-offs that reaches a wanted chance.

    Attributes:
        off: the loads; empty if none needs to go.
        chance: to last with them off, 0..1.
        reached: whether that is as much as was wanted; if not, `off` is the best there is.
    """

    off: tuple[str, ...]
    chance: float
    reached: bool


def smallest_set(
    nights: Nights | Plan,
    want: float,
    until_h: float | None = None,
    weight: Array | None = None,
) -> Enough:
    """The fewest loads to switch off so that bank and inverter last with chance `want`.

    See `nights.counted_loads` for when the inverter counts. Of sets equally small that are enough
    the one that takes away least (`Nights.sacrifice`); where there are more than `MOST_SETS` of a
    size, those that add one load to the best of one fewer. The inverter counts as one.

    In the frost sets without a heater come first, however large. All optional loads off is taken
    for the best there is, and looked at first. More load lengthens a night only where it trips
    something: an inverter that cuts out drops what is behind it and its own draw, a charger that
    rested sets in. That is no set to advise. Where the inverter does not count, a bank may also
    last because that cuts out: `Nights.cutout_hours` tells.

    Args:
        want: 0..1.
        until_h: see `switch_offs`.
    """
    nights, until_h = _nights(nights), _until(nights, until_h)

    def reached(off: Sequence[str]) -> float:
        return chance(nights.lasts(until_h, off), weight)

    now = reached(())
    if now >= want:
        return Enough((), now, True)
    demand = nights.plan.demand
    every = optional_loads(demand)
    # with the inverter off, what is behind it need not be switched off as well
    implied = demand.all_off((INVERTER,)) - {INVERTER} if INVERTER in every else frozenset()

    def without_implied(names: Sequence[str]) -> tuple[str, ...]:
        return tuple(n for n in names if INVERTER not in names or n not in implied)

    # in the frost a heater goes off only where nothing else is enough, however many that are
    warm = tuple(name for name in every if not nights.chills((name,)))
    for names in dict.fromkeys((warm, every)):
        everything = without_implied(names)
        best = reached(everything)
        if best >= want:
            break
    else:
        return Enough(everything, best, False)
    off: tuple[str, ...] = ()
    for size in range(1, len(everything) + 1):  # as many others may give up less than everything
        if comb(len(names), size) <= MOST_SETS:
            sets = list(combinations(names, size))
        else:  # one more than the best of one fewer
            sets = [tuple(n for n in names if n in off or n == one) for one in names]
        sets = [
            one
            for one in sets
            if len(one) == size and (INVERTER not in one or implied.isdisjoint(one))
        ]
        values = {one: reached(one) for one in sets}
        enough = [one for one, value in values.items() if value >= want]
        if enough:
            off = min(enough, key=lambda one: nights.sacrifice(until_h, one))
            return Enough(off, values[off], True)
        off = max(values, key=lambda one: values[one])
    return Enough(everything, best, True)


# ---------------------------------------------------------------- after the disconnect

# Common practice, no source: waking a bank on a shore charger takes one to two hours, longer with
# more batteries or with loads on. The model: until the BMS lets the full current through it takes
# only a trickle, and comes back once it has gathered a small reserve. The two numbers below give
# 1.0 to 1.9 h (5 to 95 %) for one battery with loads off; they are assumed, not measured.
WAKE_TRICKLE_C = (0.015, 0.030)  # [C-rate of the whole bank] uniform
WAKE_RESERVE = (0.026, 0.034)  # [share of capacity] uniform


def times_as_long(batteries: int) -> float:
    """What waking so many batteries in parallel takes, over waking one. They wake one after another
    as far as the trickle is shared: half of it is (assumed)."""
    return 0.5 * (1.0 + batteries)


def wake_hours(
    capacity_ah: Array,
    batteries: int,
    load_a: Array,
    u: tuple[Array, Array],
    charger_a: float = np.inf,
) -> Array:
    """Time from plugging in a shore charger to a bank that answers again [h].

    Every battery takes its reserve at the trickle its BMS allows. A charger whose size is known
    carries the loads first and gives what is left of it; of an unknown one the loads are taken to
    eat from the trickle. More batteries take longer, see `times_as_long`.

    Args:
        capacity_ah: (n,) of the bank [Ah].
        batteries: in parallel.
        load_a: (n,) or a number: what the loads draw meanwhile [A]; 0 with loads off.
        u: two (n,) uniform numbers, for the trickle and the reserve.
        charger_a: what the charger can give [A]; infinite if unknown.

    Returns:
        (n,) hours; infinite where the loads take all that the charger gives, or that trickles in.
    """
    trickle = WAKE_TRICKLE_C[0] + (WAKE_TRICKLE_C[1] - WAKE_TRICKLE_C[0]) * u[0]
    reserve = WAKE_RESERVE[0] + (WAKE_RESERVE[1] - WAKE_RESERVE[0]) * u[1]
    if np.isfinite(charger_a):
        net = np.minimum(trickle * capacity_ah, charger_a - load_a)
    else:
        net = trickle * capacity_ah - load_a
    with np.errstate(divide="ignore"):
        hours = np.where(net > 0.0, reserve * capacity_ah / np.maximum(net, 1e-12), np.inf)
    return hours * times_as_long(batteries)


def comes_back(plan: Plan, result: Run, cell: CellModel) -> Array:
    """(n,) whether the bank would switch on again by itself after its disconnect.

    A bank that rests recovers. The voltage that it settles at is the open-circuit voltage on the
    discharge branch at the charge where it ended, with the member's own error of the model, as for
    the disconnect. Above its reconnect voltage the loads come back, for a while: what they get then
    is in no other answer, all of which end with the first disconnect. False for members that last.
    """
    limits, series = plan.setup.limits, plan.cells_in_series

    def drawn_v(name: str) -> Array:
        quantity = getattr(limits, name)
        return quantity.ppf(uniforms(plan.seed, f"limits.{name}", len(plan))) / series

    tables = CellTables.from_model(cell)
    soc, _ = stands_at(result.column(O_SOC), plan.soc_shift)
    warmer = plan.ambient[:, 0] - cell.reference_temperature_c
    rest_v = look_up(tables, OCV, soc) - look_up(tables, GAP, soc)
    rest_v = rest_v + warmer * look_up(tables, ENTROPY, soc)
    error_v = drawn_v("disconnect_v") - plan.limits[:, L_DISCONNECT]
    return np.isfinite(result.column(O_LVD)) & (rest_v + error_v >= drawn_v("reconnect_v"))


def still_on(plan: Plan, result: Run) -> Array:
    """(n,) whether a member's limits hold as the night begins, under the loads that then run.

    If not, its disconnect comes after no more than the delay of the limit: the bank is off already,
    and whoever asks about a bank that is on does not ask about this one.
    """
    from socband.kernels_bank import B_DELAY

    delay_s = np.where(
        result.column(O_WHICH) == 1.0,
        plan.limits[:, L_DELAY],
        plan.batteries.parameters[:, :, B_DELAY].max(axis=1),
    )
    return result.column(O_LVD) > delay_s + AT_ONCE_S


def full_hours(plan: Plan, threads: int | None = None) -> Array:
    """(n,) hours until the bank is full and the display can be believed again; inf if not."""
    return run(plan, (), threads).column(O_FULL) / 3600.0


def after_disconnect(
    plan: Plan, charger_w: float, limit_v: float | None = None, soc: float = 0.02
) -> Plan:
    """The plan of the morning after: every battery near empty, loads off, a shore charger on.

    Its `full_hours` say until when the display must not be believed.

    Args:
        charger_w: power of the charger at the bank [W].
        limit_v: where it holds the bank [V]; None: a little above where the monitor looks for a
            full one.
        soc: true charge it starts from.
    """
    from socband.kernels_bank import S_I1, S_I3, S_SOC
    from socband.site_priors import CHARGER_V
    from socband.sources import Sources

    n, series = len(plan), plan.cells_in_series
    state = plan.batteries.state.copy()
    state[:, :, S_SOC] = soc + plan.soc_shift[:, None]
    state[:, :, S_I1 : S_I3 + 1] = 0.0
    demand = plan.demand
    none = replace(
        demand,
        power_w=np.zeros_like(demand.power_w),
        current_a=np.zeros_like(demand.current_a),
    )
    if limit_v is None:
        cell_v = max(CHARGER_V, float(plan.limits[:, L_FULL_V].max()) + 0.01)
    else:
        cell_v = limit_v / series
    shore = Sources(
        ("shore charger",),
        np.full((n, 1), charger_w / series),
        np.array([[1.0, np.inf, cell_v, np.inf, np.inf]]),
        np.ones((1, int(np.ceil(plan.horizon_s / 900.0)))),
    )
    limits = plan.limits.copy()
    limits[:, L_DISCONNECT] = -np.inf
    return replace(
        plan,
        batteries=replace(plan.batteries, state=state),
        demand=none,
        sources=shore,
        limits=limits,
    )
