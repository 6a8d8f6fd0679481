"""Simulated houses: the truth that `suspects_houses.py` asks about.

Written apart from the package on purpose: another cell (three RC branches, two hysteresis rates, a
bent OCV curve, a linear diffusion lag), a charger, loads and a monitor, all houses side by side in
one loop over time. Only the nominal OCV and resistance tables of the model file are shared, bent
for each house. Every number is invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from socband.balance import FullRule
from socband.cell import GAP, OCV, R0, R1, R2, CellTables
from socband.logs import Log
from socband.models import load_cell
from socband.monitor_rule import says_full
from socband.site import Setup, setup_from_table

Array = np.ndarray
CELL = "lfp-prismatic-100ah"
STEP_S = 60.0

# How often each cause occurs; the sizes come from other families than the priors.
FREQUENCY = {
    "none": 0.30,
    "untracked_steady": 0.14,
    "untracked_hours": 0.08,
    "offset": 0.12,
    "gain": 0.05,
    "lost_capacity": 0.08,
    "capacity_setting": 0.04,
    "efficiency_setting": 0.02,
    "false_rezero": 0.06,
    "dead_band": 0.04,
    "missing_battery": 0.03,
    "connection": 0.04,
}

# Smallest and largest; log-uniform where a ratio matters (currents, gain, connection).
SIZES = {
    "untracked_steady": (0.02, 0.30),  # share of the capacity a day
    "untracked_hours": (0.03, 0.25),
    "offset": (0.015, 0.2),
    "gain": (0.03, 0.2),
    "lost_capacity": (0.45, 0.82),  # of what is left otherwise
    "setting_too_large": (0.1, 0.5),
    "setting_too_small": (0.1, 0.3),
    "efficiency_setting": (0.82, 0.94),
    "false_rezero": (13.25, 13.4),  # the rule's voltage [V]
    "dead_band": (0.015, 0.06),
    "connection": (0.06, 0.6),  # volt lost in it at a fifth of the capacity an hour
}
WINDOW_HOURS = (4.0, 11.0)  # of an untracked load of certain hours


@dataclass(frozen=True)
class House:
    """One house: what the technician has, and the truth.

    Attributes:
        log, setup, display_soc: given.
        cause, size, hours: the truth; size in the unit of `socband.causes.UNITS`.
        untracked_a: true untracked load [A], 0 if none.
        soc: true charge at the end.
        parameters: true values by their names in `socband.causes.PARAMETERS`, for regression.
        cell: name of the cell model that the inference is given.
    """

    log: Log
    setup: Setup
    display_soc: float
    cause: str
    size: float
    hours: str
    untracked_a: float
    soc: float
    parameters: dict[str, float]
    cell: str = CELL


def make_houses(
    n: int, seed: int, causes: list[str] | None = None, longest_days: float = 14.0
) -> list[House]:
    """`n` houses; `causes` fixes the cause of each (default: drawn by `FREQUENCY`)."""
    rng = np.random.default_rng([seed, 77])
    names = list(FREQUENCY)
    share = np.array(list(FREQUENCY.values()))
    if causes is None:
        causes = [names[j] for j in rng.choice(len(names), n, p=share / share.sum())]
    return _run(np.array(causes), rng, longest_days)


def _either_sign(rng: np.random.Generator, x: Array) -> Array:
    return x * np.where(rng.random(len(x)) < 0.5, -1.0, 1.0)


def _run(cause: Array, rng: np.random.Generator, longest_days: float) -> list[House]:
    n = len(cause)

    def uniform(low: float, high: float) -> Array:
        return rng.uniform(low, high, n)

    def log_uniform(low: float, high: float) -> Array:
        return np.exp(rng.uniform(np.log(low), np.log(high), n))

    # ---- the bank
    strings = np.where(cause == "missing_battery", rng.choice([2, 2, 3], n), rng.integers(1, 4, n))
    rated = 100.0 * strings
    per_day = rated / 24.0  # a drift of 100 % a day as a current [A]
    fraction = np.clip(rng.normal(0.94, 0.04, n), 0.82, 1.05)
    resistance = np.exp(rng.normal(np.log(1.1), 0.2, n))
    lead_ohm = np.exp(rng.normal(np.log(0.0015), 0.4, n))
    # ---- normal errors
    offset = rng.normal(0.0, 0.004, n) * per_day
    gain = rng.normal(0.0, 0.004, n)
    untracked, dead_band = np.zeros(n), uniform(0.0, 0.02)
    assumed, efficiency = rated.copy(), uniform(0.975, 1.0)
    above_v, below_a, for_s = np.full(n, 14.0), 0.04 * rated, np.full(n, 180.0)
    window = np.zeros((n, 2))
    window[:, 1] = 24.0
    standby = np.zeros(n)
    # ---- one cause each
    size = np.zeros(n)

    def where(name: str) -> Array:
        return cause == name

    m = where("untracked_steady")
    untracked[m] = (per_day * log_uniform(*SIZES["untracked_steady"]))[m]
    m = where("untracked_hours")
    length = uniform(*WINDOW_HOURS)
    begin = uniform(0.0, 24.0)
    window[m] = np.stack([begin, begin + length], 1)[m]
    untracked[m] = (per_day * log_uniform(*SIZES["untracked_hours"]) * 24.0 / length)[m]
    size = np.where(where("untracked_steady") | where("untracked_hours"), untracked, size)
    m = where("offset")
    offset[m] = _either_sign(rng, per_day * log_uniform(*SIZES["offset"]))[m]
    size[m] = offset[m]
    m = where("gain")
    gain[m] = _either_sign(rng, log_uniform(*SIZES["gain"]))[m]
    size[m] = gain[m]
    m = where("lost_capacity")
    fraction[m] *= uniform(*SIZES["lost_capacity"])[m]
    size[m] = (fraction / 0.94 - 1.0)[m]
    m = where("missing_battery")
    left = (strings - 1.0) / strings
    fraction[m] *= left[m]
    resistance[m] /= left[m]
    size[m] = (left - 1.0)[m]
    m = where("capacity_setting")
    too_large = rng.random(n) < 0.6
    more, less = uniform(*SIZES["setting_too_large"]), uniform(*SIZES["setting_too_small"])
    assumed[m] = (rated * (1.0 + np.where(too_large, more, -less)))[m]
    size[m] = (assumed / (rated * fraction) - 1.0)[m]
    m = where("efficiency_setting")
    efficiency[m] = uniform(*SIZES["efficiency_setting"])[m]
    size[m] = efficiency[m]
    m = where("false_rezero")
    above_v[m], below_a[m], for_s[m] = uniform(*SIZES["false_rezero"])[m], (0.08 * rated)[m], 120.0
    m = where("dead_band")
    standby[m] = (per_day * uniform(*SIZES["dead_band"]))[m]
    dead_band[m] = (standby * uniform(1.3, 2.0))[m]
    size[m] = standby[m]
    m = where("connection")
    lead_ohm[m] += (log_uniform(*SIZES["connection"]) / (rated / 5.0))[m]
    size[m] = lead_ohm[m]

    # ---- the cells of each house
    tables = CellTables.from_model(load_cell(CELL))
    grid = np.linspace(0.0, 1.0, 1025)
    bend = np.zeros((n, 1025))
    for k in range(1, 7):
        bend += rng.normal(0.0, 0.0035 / np.sqrt(k), n)[:, None] * np.sin(
            np.pi * k * grid + rng.uniform(0, 2 * np.pi, n)[:, None]
        )
    stretch = 1.0 + rng.normal(0.0, 0.01, n)
    ocv = np.stack([np.interp(grid ** stretch[j], grid, tables.table[:, OCV]) for j in range(n)])
    ocv += np.where(grid < 0.985, bend, bend * 0.3)
    hysteresis = tables.table[:, GAP] * np.exp(rng.normal(0.0, 0.25, n))[:, None]
    flat = np.arange(n) * 1025

    def at(table: Array, z: Array) -> Array:
        p = np.clip(z, 0.0, 1.0) * 1024.0
        k = np.minimum(p.astype(int), 1023)
        f = np.clip(z, -0.1, 1.1) * 1024.0 - k
        t = table.ravel()
        return t[flat + k] + f * (t[flat + k + 1] - t[flat + k])

    vary = np.exp(rng.normal(0.0, 0.15, (4, n)))
    r0 = 4.0 * s_ohm(tables, R0) * vary[0] * resistance * 100.0 / rated
    r_fast = 4.0 * s_ohm(tables, R1) * vary[1] * resistance * 100.0 / rated
    r_middle = 4.0 * s_ohm(tables, R2) * 0.3 * vary[2] * resistance * 100.0 / rated
    r_slow = 4.0 * s_ohm(tables, R2) * 0.7 * vary[3] * resistance * 100.0 / rated
    lag = 0.3 * np.exp(rng.normal(0.0, 0.3, n)) / rated

    # ---- weather and habits
    days = uniform(3.0, longest_days)
    steps = int(longest_days * 86400.0 / STEP_S)
    clock0 = rng.integers(0, 24, n).astype(float)
    mean_c, swing_c = uniform(6.0, 26.0), uniform(1.0, 5.0)
    scale = rated / 200.0
    base = np.where(cause == "dead_band", standby, uniform(0.3, 1.8) * scale)
    fridge = np.where(cause == "dead_band", 0.0, uniform(2.5, 5.0) * scale)
    fridge_s, duty = uniform(1200.0, 2400.0), uniform(0.25, 0.5)
    evening = uniform(2.0, 12.0) * scale
    heavy = uniform(20.0, 70.0) * scale
    heavy_hours = rng.uniform(6.0, 22.0, (n, 2))
    daily = (base + fridge * duty + evening * 5.5 / 24.0 + heavy * 0.4 / 24.0) * 24.0
    daily = daily + untracked * (window[:, 1] - window[:, 0])
    # what a clear day brings, over what a day takes
    plenty = np.where(rng.random(n) < 0.8, uniform(1.8, 3.5), uniform(1.2, 1.7))
    # a false full does harm where the day is too short for a true one
    plenty = np.where(cause == "false_rezero", uniform(0.95, 1.3), plenty)
    peak = daily * plenty / (10.0 * 2.0 / np.pi)
    cloud_day = rng.beta(3.0, 1.5, (n, 16))
    absorb_v = uniform(14.1, 14.4)
    drift = rng.normal(0.0, 0.0005, n)

    z = uniform(0.5, 1.0)
    i1, i2, i3 = np.zeros(n), np.zeros(n), np.zeros(n)
    h_fast, h_slow = np.zeros(n), np.zeros(n)
    tail_s, floating, off = np.zeros(n), np.zeros(n, bool), np.zeros(n, bool)
    counted, full_s = np.full(n, np.nan), np.zeros(n)
    shortfall = np.full(n, np.nan)
    zero_hours = np.zeros(n)
    flicker = np.ones(n)
    capacity = rated * fraction
    a1, a2, a3 = (np.exp(-STEP_S / tau) for tau in (20.0, 250.0, 3500.0))
    seen_log, volt_log = np.empty((steps, n)), np.empty((steps, n))
    display_log, soc_log = np.empty((steps, n)), np.empty((steps, n))
    for k in range(steps):
        t = k * STEP_S
        hour = np.mod(clock0 + t / 3600.0, 24.0)
        day = ((clock0 * 3600.0 + t) // 86400).astype(int)
        celsius = mean_c + swing_c * np.sin(2.0 * np.pi * (hour - 9.0) / 24.0)
        warm = 1.0 / (celsius + 273.15) - 1.0 / 298.15
        factor = np.exp(2000.0 * warm)
        load = base + fridge * (np.mod(t + 500.0 * np.arange(n), fridge_s) < duty * fridge_s)
        load += evening * ((hour > 17.5) & (hour < 23.0))
        for j in range(2):
            load += heavy * (np.abs(hour - heavy_hours[:, j]) < 0.1)
        load *= 1.0 + 0.03 * rng.standard_normal(n)
        load = np.where(off, 0.0, load)
        flicker += 0.02 * (1.0 - flicker) + 0.05 * rng.standard_normal(n)
        sun = np.sin(np.pi * np.clip((hour - 7.5) / 10.0, 0.0, 1.0))
        solar = peak * sun * cloud_day[np.arange(n), day] * np.clip(flicker, 0.2, 1.2)
        inside = np.mod(hour - window[:, 0], 24.0) < window[:, 1] - window[:, 0]
        hidden = np.where(off & (solar <= 0.0), 0.0, untracked * inside)
        # ---- voltage source behind a resistance, and a charger that holds its limit
        z_s = z + lag * i3
        e = 4.0 * (at(ocv, z_s) + at(hysteresis, z_s) * (0.6 * h_fast + 0.4 * h_slow))
        e += factor * (r_fast * i1 + r_middle * i2 + r_slow * i3)
        r = r0 * (0.6 + 0.4 * factor) + lead_ohm
        limit = np.where(floating, 13.5, absorb_v)
        most = (limit - e) / r + hidden
        net = np.minimum(solar - load, np.maximum(most, -load))
        amps = net - hidden  # into the cells
        u = e + r * amps
        taper = (u > absorb_v - 0.05) & (net < 0.02 * rated)
        tail_s = np.where(taper, tail_s + STEP_S, 0.0)
        floating = (floating | (tail_s > 1200.0)) & (sun > 0.0)
        off = np.where(off, z < 0.15, u < 10.8)  # latched, until the sun has brought some charge
        # ---- the monitor
        pre = (1.0 + gain) * net + offset + drift * (celsius - 25.0) + rng.normal(0.0, 0.05, n)
        seen = np.where(np.abs(pre) < dead_band, 0.0, np.round(pre / 0.01) * 0.01)
        zero_hours += (seen == 0.0) * STEP_S / 3600.0 * (k * STEP_S < days * 86400.0)
        volt = np.round((u + 0.003 * rng.standard_normal(n)) / 0.01) * 0.01
        gained = np.where(seen > 0.0, efficiency, 1.0) * seen * STEP_S / 3600.0
        counted = np.minimum(counted + gained / assumed, 1.0)
        full = says_full(volt, seen, above_v, below_a)
        full_s = np.where(full, full_s + STEP_S, 0.0)
        fires = full_s > for_s
        counted = np.where(fires, 1.0, counted)
        within = k * STEP_S < days * 86400.0
        shortfall = np.where(fires & within, 1.0 - z, shortfall)
        # ---- move on
        z = z + np.where(amps > 0.0, 0.9992, 1.0) * amps * STEP_S / 3600.0 / capacity
        i1, i2, i3 = (a * i + (1 - a) * amps for a, i in ((a1, i1), (a2, i2), (a3, i3)))
        for rate, h in ((4.0, h_fast), (1.2, h_slow)):
            b = np.exp(-np.abs(rate * amps) * STEP_S / 3600.0 / capacity)
            h *= b
            h += (1.0 - b) * np.sign(amps)
        seen_log[k], volt_log[k], display_log[k], soc_log[k] = seen, volt, counted, z
    houses = []
    for j in range(n):
        stop = int(days[j] * 86400.0 / STEP_S)
        name, its_size = str(cause[j]), float(size[j])
        if name == "false_rezero":
            its_size = float(shortfall[j])
            if not its_size > 0.02:  # the lax rule never did harm: nothing is wrong yet
                name, its_size = "none", 0.0
        if (
            name == "dead_band"
            and zero_hours[j] / (days[j] * 24.0) * standby[j] < 0.01 * per_day[j]
        ):
            name, its_size = "none", 0.0
        t = np.arange(stop) * STEP_S
        log = Log(
            f"house {j}",
            t,
            seen_log[:stop, j],
            volt_log[:stop, j],
            temperature_c=np.round(
                mean_c[j]
                + swing_c[j] * np.sin(2 * np.pi * (clock0[j] + t / 3600.0 - 9.0) / 24.0)
                + rng.normal(0.0, 1.0)
            ),
            true_soc=soc_log[:stop, j].copy(),
            unix_time_s=t + clock0[j] * 3600.0,
        )
        display = display_log[stop - 1, j]
        w = window[j] % 24.0
        houses.append(
            House(
                log=log,
                setup=setup_of(strings[j], above_v[j], below_a[j], for_s[j], mean_c[j]),
                display_soc=float(np.round(display, 3)),
                cause=name,
                size=its_size,
                hours="" if name != "untracked_hours" else f"{w[0]:.1f}-{w[1]:.1f}",
                untracked_a=float(untracked[j]),
                soc=float(soc_log[stop - 1, j]),
                parameters={
                    "offset_a": float(offset[j]),
                    "gain": float(gain[j]),
                    "untracked_a": float(untracked[j]),
                    "standby_a": float(standby[j]),
                    "capacity_fraction": float(fraction[j]),
                    "resistance_factor": float(resistance[j]),
                    "connection_ohm": float(lead_ohm[j]),
                    "capacity_setting": float(assumed[j] / rated[j]),
                    "efficiency_setting": float(efficiency[j]),
                },
            )
        )
    return houses


def s_ohm(tables: CellTables, column: int) -> float:
    """Middle value of a resistance table [ohm]."""
    return float(np.median(tables.table[:, column]))


def setup_of(
    strings: int,
    above_v: float,
    below_a: float,
    for_s: float,
    celsius: float,
    cell: str = CELL,
    disconnect_v: float = 10.8,
) -> Setup:
    """What a technician would write down about a house of so many 100 Ah batteries."""
    return setup_from_table(
        {
            "about": {"title": "a simulated house"},
            "bank": {
                "cell": cell,
                "cells_in_series": 4,
                "strings_in_parallel": int(strings),
                "rated_capacity_ah": 100.0 * float(strings),
                "capacity_fraction": {"dist": "norm", "loc": 0.94, "scale": 0.05},
            },
            "monitor": {
                "assumed_capacity_ah": {
                    "dist": "norm",
                    "loc": 100.0 * float(strings),
                    "scale": 0.5 * float(strings),
                },
                "re_zero": {
                    "above_v": float(above_v),
                    "below_a": float(below_a),
                    "for_s": float(for_s),
                },
            },
            "ambient": {"temperature_c": float(np.round(celsius))},
            "present": {"clock": "12:00"},
            "limits": {"disconnect_v": disconnect_v},
        },
        name="house.toml",
    )


def true_fulls(house: House) -> FullRule:
    """The cells' own rule for this house."""
    bank = house.setup.bank
    return FullRule.of_cells(bank.cells_in_series, bank.rated_capacity_ah)
