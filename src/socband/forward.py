"""From a setup and an ensemble to the arrays of the forward kernel, and the run itself.

`Plan` holds everything that a run needs; `run` carries it ahead with some loads switched off. Two
runs of one plan share every random number, so that their difference is what the switching does.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from socband.bank import Batteries, bank_of
from socband.cell import CellTables, surface_soc, temperature_factors
from socband.demand import Demand, hours_until, moment
from socband.kernels import n_threads
from socband.models import KELVIN, CellModel
from socband.posterior_settings import Settings, error_std_v, lag_error_share
from socband.sources import Sources
from socband.unknowns import Members, Pattern, normal_scores, uniforms

if TYPE_CHECKING:
    from socband.seen_loads import SeenLoads
    from socband.site import Setup

Array = np.ndarray

GRID_S = 900.0
CHUNK = 2500  # at most so many members are worked on together: fifty to a lane
LOW_SOC = 0.1  # where limits are met under load
WARMEST_HOUR = 15.0  # assumed: the air is warmest in mid-afternoon


@dataclass(frozen=True)
class Plan:
    """A forecast laid out for the kernel.

    Attributes:
        setup: where it comes from.
        now: its start.
        horizon_s: how far [s].
        seed: of the switching times.
        grid_s: (g,) times of the stored charge [s].
        cell, table, warmth: the cell, and how it follows the temperature; see `kernels_bank`.
        batteries: state and parameters of every battery.
        limits: (n, L_COUNT).
        ambient: (n, 3).
        demand, sources: loads and sources.
        rated_ah: of the bank [Ah].
        cells_in_series: to scale voltages.
    """

    setup: Setup
    now: datetime
    horizon_s: float
    seed: int
    grid_s: Array
    cell: Array
    table: Array
    warmth: Array
    batteries: Batteries
    limits: Array
    ambient: Array
    demand: Demand
    sources: Sources
    rated_ah: float
    cells_in_series: int

    def __len__(self) -> int:
        return len(self.limits)

    @property
    def soc_shift(self) -> Array:
        """(n,) charge by which the members' voltage curves stand left of the model's."""
        from socband.kernels_bank import B_SHIFT

        return self.batteries.parameters[:, 0, B_SHIFT]


@dataclass(frozen=True)
class Run:
    """What became of every member.

    Attributes:
        report: (n, O_COUNT); see `kernels_columns`.
        soc: (n, g) mean charge of the bank, 0..1, float32.
    """

    report: Array
    soc: Array

    def column(self, index: int) -> Array:
        """(n,) one column of the report."""
        return self.report[:, index]


def cell_vector(cell: CellModel) -> tuple[Array, Array, Array]:
    """A cell model as the kernel's constants, table, and table of what depends on temperature."""
    from socband import kernels_bank as k
    from socband.kernels_lookup import aligned_zeros

    tables = CellTables.from_model(cell)
    s = tables.scalars
    vector = np.array(
        [
            s.capacity_ah,
            s.tau1_s,
            s.tau2_s,
            s.s1_a,
            s.s_lag_c_rate,
            s.decay,
            s.reference_temperature_c + KELVIN,
            s.coulombic_efficiency,
            s.self_discharge_per_day / 86400.0,
            s.heat_capacity_j_per_k,
            s.heat_conductance_w_per_k,
        ]
    )
    if len(vector) != k.C_COUNT:
        raise AssertionError("the kernel's list of cell constants has changed")
    warmth = aligned_zeros((k.WARMTH_ROWS, k.W_COUNT))
    rows_c = k.WARMTH_LOW_C + np.arange(k.WARMTH_ROWS) / k.WARMTH_PER_K
    *resistances, capacity = temperature_factors(tables, rows_c)
    warmth[:, [k.W_K0, k.W_K1, k.W_K2, k.W_LAG]] = np.stack(resistances, axis=1)
    warmth[:, k.W_CAPACITY] = 1.0 / capacity
    table = aligned_zeros(tables.table.shape)
    table[:] = tables.table
    return vector, table, warmth


def prepare(
    setup: Setup,
    cell: CellModel,
    members: Members,
    now: datetime | None = None,
    horizon_h: float | None = None,
    seed: int = 0,
    patterns: Sequence[Pattern] = (),
    demand: Demand | None = None,
    warmer_k: float = 0.0,
    seen: SeenLoads | None = None,
) -> Plan:
    """Lay out a forecast.

    Every member's cells differ from the model by its own `voltage_offset_v`, `charge_shift` and
    `diffusion_factor`. The voltage model is wrong near the cut-off beyond that: every member meets
    its limits with a drawn error added to the offset as a constant, and on a curve moved along the
    charge axis by another `std_soc` and by a share of how far the surface lags under the load.

    Args:
        members: the ensemble now.
        now: start; the setup's clock otherwise.
        horizon_h: how far [h]; the setup's horizon otherwise.
        seed: of everything random in it.
        patterns: what `members.untracked_pattern` counts.
        demand: in place of the setup's loads.
        warmer_k: than its surroundings, by its own losses, the bank begins [K].
        seen: loads that a log has seen, besides.
    """
    from socband.kernels_bank import B_CUTOFF, B_RECONNECT, B_SHIFT, S_SOC, S_T
    from socband.kernels_columns import (
        L_COUNT,
        L_CUTOUT,
        L_CUTOUT_DELAY,
        L_DELAY,
        L_DISCONNECT,
        L_FULL_A,
        L_FULL_S,
        L_FULL_V,
        L_LEAD,
    )

    n = len(members.soc)
    now = moment(setup, now)
    # never short of an hour that is asked about: a member beyond the horizon counts as lasting
    asked = [hours_until(clock.minute, now) for clock in setup.question.until]
    horizon_s = 3600.0 * (horizon_h or max([setup.question.horizon_hours, *asked]))
    if demand is None:
        demand = Demand.from_setup(
            setup, n, seed, now, horizon_s, members.untracked_a, members.untracked_pattern, patterns
        )
    if seen is not None:
        demand = seen.added_to(demand, members, seed, now, horizon_s)
    series = setup.bank.cells_in_series
    vector, table, warmth = cell_vector(cell)

    def draw(name: str, quantity) -> Array:
        return quantity.ppf(uniforms(seed, name, n))

    scale = Settings().resolved(cell).error_scale
    nominal_v = float(np.interp(0.5, cell.ocv.soc, cell.ocv.value))
    ambient_c = setup.ambient.temperature_c.median + members.temperature_offset_k
    mean_w = demand.mean_power_w(nominal_v * series, horizon_s, ambient_c).sum(axis=1)
    # the records behind the error's growth with the current end at some 3 C
    c_rate = np.minimum(mean_w / (nominal_v * series * setup.bank.rated_capacity_ah), 3.0)
    # where the curve is steep the error is a shift along it: below
    std_v = error_std_v(cell, scale, 0.0, c_rate, 0.0, ambient_c)
    error_v = std_v * normal_scores(seed, "forecast.voltage_error", n) + members.voltage_offset_v
    # along the charge axis, as the filter has it: the model's own error, and a share of the lag
    slow_a = -c_rate * cell.capacity_ah * members.diffusion_factor
    lag = LOW_SOC - surface_soc(cell, np.full(n, LOW_SOC), slow_a, ambient_c)
    along = np.hypot(scale * cell.voltage_error.std_soc, lag_error_share(cell) * lag)
    soc_shift = along * normal_scores(seed, "forecast.soc_shift", n)
    soc_shift *= cell.voltage_error.unfamiliar_factor(ambient_c)
    soc_shift += members.charge_shift

    limits = np.zeros((n, L_COUNT))
    limits[:, L_DISCONNECT] = draw("limits.disconnect_v", setup.limits.disconnect_v) / series
    limits[:, L_DISCONNECT] -= error_v
    limits[:, L_DELAY] = draw("limits.delay_s", setup.limits.delay_s)
    limits[:, L_CUTOUT] = -np.inf
    if setup.inverter is not None and any(load.through_inverter for load in setup.loads):
        limits[:, L_CUTOUT] = draw("inverter.cutout_v", setup.inverter.cutout_v) / series - error_v
        limits[:, L_CUTOUT_DELAY] = 1.0  # assumed: an inverter lets about a second of sag pass
    limits[:, L_LEAD] = (
        draw("bank.connection_resistance_ohm", setup.bank.connection_resistance_ohm) / series
    )
    re_zero = setup.monitor.re_zero
    limits[:, L_FULL_V] = draw("monitor.re_zero.above_v", re_zero.above_v) / series
    limits[:, L_FULL_A] = draw("monitor.re_zero.below_a", re_zero.below_a)
    limits[:, L_FULL_S] = draw("monitor.re_zero.for_s", re_zero.for_s)

    hour = now.hour + now.minute / 60.0 + now.second / 3600.0
    swing = setup.ambient.swing_k
    ambient = np.zeros((n, 3))
    ambient[:, 0] = ambient_c
    ambient[:, 1] = 0.0 if swing is None else draw("ambient.swing_k", swing)
    ambient[:, 2] = 3600.0 * ((WARMEST_HOUR - hour) % 24.0)

    batteries = bank_of(setup, cell, members, ambient_c, seed)
    batteries.state[:, :, S_SOC] += soc_shift[:, None]
    batteries.state[:, :, S_T] += warmer_k
    batteries.parameters[:, :, B_SHIFT] = soc_shift[:, None]
    # measured = modelled + error: a limit on the one is a limit less the error on the other
    batteries.parameters[:, :, [B_CUTOFF, B_RECONNECT]] -= error_v[:, None, None]
    return Plan(
        setup,
        now,
        horizon_s,
        int(seed),
        np.arange(0.0, horizon_s + 1.0, GRID_S),
        vector,
        table,
        warmth,
        batteries,
        limits,
        ambient,
        demand,
        Sources.from_setup(setup, n, seed, now, horizon_s),
        setup.bank.rated_capacity_ah,
        series,
    )


def run(
    plan: Plan,
    off: Sequence[str] = (),
    threads: int | None = None,
    coarse: float = 1.0,
    general: bool = False,
) -> Run:
    """Carry every member of a plan ahead.

    Args:
        plan: see `prepare`.
        off: names of loads that are switched off.
        threads: how many; all cores if None. Does not change any number.
        coarse: multiplies the lengths of steps; for tests of the steps themselves.
        general: use the general kernel even where the faster one would do.

    Raises:
        ValueError: a number of the plan is NaN.
    """
    from socband.kernels_columns import O_COUNT

    n = len(plan)
    demand, sources, batteries = plan.demand, plan.sources, plan.batteries
    numbers = (batteries.state, batteries.parameters, plan.limits, plan.ambient, demand.power_w,
               demand.current_a, demand.duty, demand.cycle_s, sources.scale)  # fmt: skip
    if any(np.isnan(part).any() for part in numbers):
        # a clock that is no number would never reach the horizon
        raise ValueError("a plan holds NaN: every number of every member must be known")
    gone = demand.all_off(off)
    enabled = np.array([name not in gone for name in demand.names], dtype=bool)
    soc = np.empty((n, len(plan.grid_s)), dtype=np.float32)
    series = plan.cells_in_series
    loads = (
        demand.power_w / series, demand.current_a, demand.duty, demand.cycle_s, demand.kind,
        demand.span_ptr, demand.spans, enabled,
    )  # fmt: skip

    usual = len(batteries.names) == 1 and not sources.names and coarse == 1.0
    if usual and batteries.plain and not general:
        from socband.kernels_lanes import carry_lanes
        from socband.kernels_lanes_layout import LANES, SIZE, report_of, room_of, starts
        from socband.kernels_lookup import with_rises

        table, warmth = with_rises(plan.table), with_rises(plan.warmth)
        begin = starts(batteries.state, batteries.parameters, plan.limits)
        ends = np.empty((n, SIZE // LANES))

        def part(bounds: tuple[int, int]) -> None:
            carry_lanes(
                *bounds, plan.seed, plan.horizon_s, plan.grid_s, plan.cell, table, warmth, *begin,
                plan.ambient, loads, soc, ends, room_of(len(demand.names)),
            )  # fmt: skip

        _in_parts(carry_lanes, part, n, threads)
        report = report_of(ends)
    else:
        from socband.kernels_forward import carry, room_of

        report = np.empty((n, O_COUNT))

        def part(bounds: tuple[int, int]) -> None:
            carry(
                *bounds, plan.seed, plan.horizon_s, plan.grid_s, plan.cell, plan.table,
                plan.warmth, batteries.state, batteries.parameters, plan.limits, plan.ambient,
                loads, sources.scale, sources.kind, sources.shape,
                sources.slot_s, float(coarse), soc, report,
                room_of(len(batteries.names), len(sources.names), len(demand.names)),
            )  # fmt: skip

        _in_parts(carry, part, n, threads)
    np.clip(soc, 0.0, 1.0, out=soc)
    return Run(report, soc)


def _in_parts(kernel, part: Callable[[tuple[int, int]], None], n: int, threads: int | None) -> None:
    """Call `part`, which calls a compiled kernel, on ranges that together cover 0..n."""
    threads = threads or n_threads()
    # as many parts for every thread; no number depends on how members are parted
    parts = threads * -(-n // (threads * CHUNK))
    edges = [round(k * n / parts) for k in range(parts + 1)]
    bounds = list(pairwise(edges))
    # The compiler makes a million objects that all stay: to look for garbage among them takes a
    # tenth of its time.
    paused = gc.isenabled() and not kernel.signatures
    if paused:
        gc.disable()
    try:
        if threads == 1 or len(bounds) == 1:
            for pair in bounds:
                part(pair)
        else:
            with ThreadPoolExecutor(threads) as pool:
                list(pool.map(part, bounds))
    finally:
        if paused:
            gc.enable()
