"""How good are the suspects on real cells? Measured records with one known cause put into each.

    python benchmarks/suspects_records.py                     the frozen scoring records, 400 logs
    python benchmarks/suspects_records.py --split calibration for development
    python benchmarks/suspects_records.py --as-counted        the cycler's counting error stays in

Voltage and true charge are measured (`suspects_truth.py`), the temperature is the chamber's: four
such cells in series, and so many in parallel that they make a bank of some hundred Ah. The cause is
put in exactly:

* current: seen = (1 + gain)·(I - untracked) + offset, noise, steps, dead band; the untracked load
  is a part of the measured current that the monitor does not see;
* failing connection: R·I on top of the measured voltage;
* lost capacity, missing battery: the nameplates promise more than the measured cells hold. Their
  resistance then grows as their capacity shrinks;
* wrong settings of the counter: its display is counted from the seen current;
* false re-zero: the monitor's rule is set so low that the record fulfils it early.

A dead band that swallows a standby load cannot be put in: it needs moments in which nothing but
such a load flows, and the records rest at exactly zero.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from house_truth import FREQUENCY, SIZES, WINDOW_HOURS, House, setup_of
from suspects_scoring import IDENTIFIABLE, report, score_all, score_house, share
from suspects_truth import JOINED, Truth, days_of, truths_of

from socband.errors import InputError
from socband.logs import Log
from socband.monitor import seen_current
from socband.monitor_rule import says_full
from socband.suspects import Options

SERIES = 4
LEAST_MISSING = 0.02  # a full with less missing is a true one
TRUE_RULE = (14.0, 0.04, 180.0)  # of a right counter: volt, rated capacity an hour, seconds


@dataclass(frozen=True)
class Injection:
    """Everything that is put into one log; bank level.

    Attributes:
        cause, size, hours: see `House`.
        strings: batteries of 100 Ah that the nameplates promise.
        bank_per_cell: bank current over cell current.
        fraction: present over rated capacity.
        offset_a, gain, untracked_a, dead_band_a, noise_a, resolution_a: of the monitor.
        window: (begin, end) hour of day of the untracked load; end may lie beyond 24.
        connection_ohm: of all leads.
        assumed, efficiency: settings of the counter: capacity over rated, charge efficiency.
        rule: volt, ampere, seconds at which it declares full.
    """

    cause: str
    size: float
    hours: str
    strings: int
    bank_per_cell: float
    fraction: float
    offset_a: float
    gain: float
    untracked_a: float
    window: tuple[float, float]
    connection_ohm: float
    assumed: float
    efficiency: float
    rule: tuple[float, float, float]
    dead_band_a: float = 0.0
    noise_a: float = 0.05
    resolution_a: float = 0.01

    @property
    def rated_ah(self) -> float:
        """Of the nameplates [Ah]."""
        return 100.0 * self.strings


def draw(cause: str, capacity_ah: float, rng: np.random.Generator) -> Injection:
    """Normal errors and one cause; sizes from the families of `house_truth`."""
    strings = int(rng.choice([2, 2, 3]) if cause == "missing_battery" else rng.integers(1, 4))
    rated = 100.0 * strings
    per_day = rated / 24.0

    def log_uniform(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    def either_sign(x: float) -> float:
        return x if rng.random() < 0.5 else -x

    fraction = float(np.clip(rng.normal(0.94, 0.04), 0.82, 1.05))
    lead_ohm = float(np.exp(rng.normal(np.log(0.0015), 0.4)))
    offset, gain = float(rng.normal(0.0, 0.004) * per_day), float(rng.normal(0.0, 0.004))
    dead_band, efficiency = float(rng.uniform(0.0, 0.02)), float(rng.uniform(0.975, 1.0))
    untracked, window, hours, assumed, size = 0.0, (0.0, 24.0), "", 1.0, 0.0
    rule = (TRUE_RULE[0], TRUE_RULE[1] * rated, TRUE_RULE[2])
    if cause == "untracked_steady":
        size = untracked = per_day * log_uniform(*SIZES[cause])
    elif cause == "untracked_hours":
        length, begin = float(rng.uniform(*WINDOW_HOURS)), float(rng.uniform(0.0, 24.0))
        size = untracked = per_day * log_uniform(*SIZES[cause]) * 24.0 / length
        window = (begin, begin + length)
        hours = f"{begin:.1f}-{(begin + length) % 24.0:.1f}"
    elif cause == "offset":
        size = offset = either_sign(per_day * log_uniform(*SIZES[cause]))
    elif cause == "gain":
        size = gain = either_sign(log_uniform(*SIZES[cause]))
    elif cause == "lost_capacity":
        fraction *= float(rng.uniform(*SIZES[cause]))
        size = fraction / 0.94 - 1.0
    elif cause == "missing_battery":
        fraction *= (strings - 1.0) / strings
        size = -1.0 / strings
    elif cause == "capacity_setting":
        more, less = (
            rng.uniform(*SIZES["setting_too_large"]),
            rng.uniform(*SIZES["setting_too_small"]),
        )
        assumed = 1.0 + float(more if rng.random() < 0.6 else -less)
        size = assumed / fraction - 1.0
    elif cause == "efficiency_setting":
        size = efficiency = float(rng.uniform(*SIZES[cause]))
    elif cause == "false_rezero":
        rule = (float(rng.uniform(*SIZES[cause])), 0.08 * rated, 120.0)
    elif cause == "connection":
        lead_ohm += log_uniform(*SIZES[cause]) / (rated / 5.0)
        size = lead_ohm
    return Injection(
        cause, size, hours, strings, rated * fraction / capacity_ah, fraction, offset, gain,
        untracked, window, lead_ohm, assumed, efficiency, rule, dead_band,
    )  # fmt: skip


def inject(truth: Truth, put: Injection, clock_hour: float, rng: np.random.Generator) -> Log:
    """What the monitor of such a bank would have logged; holds the true charge besides.

    Args:
        truth: of one cell.
        put: what is wrong.
        clock_hour: hour of day of the first row.
        rng: of the noise.
    """
    log = truth.log
    true_a = put.bank_per_cell * log.current_a
    hour = np.mod(clock_hour + log.time_s / 3600.0, 24.0)
    on = np.mod(hour - put.window[0], 24.0) < put.window[1] - put.window[0]
    read_a = seen_current(
        true_a,
        offset_a=put.offset_a,
        gain_error=put.gain,
        untracked_a=put.untracked_a * on,
        noise_a=put.noise_a,
        resolution_a=put.resolution_a,
        dead_band_a=put.dead_band_a,
        rng=rng,
    )
    return Log(
        log.name,
        log.time_s,
        read_a,
        SERIES * log.voltage_v + put.connection_ohm * true_a,
        temperature_c=log.temperature_c,
        true_soc=log.true_soc,
        unix_time_s=log.time_s + 3600.0 * clock_hour,
    )


def counted(seen: Log, put: Injection) -> tuple[float, float]:
    """The counter's display at the end, NaN before its first "full", and what it missed.

    It counts from its own currents, and jumps to 100 % where its rule holds. What it missed is the
    charge missing at its last false full, 0 if all were true.
    """
    above_v, below_a, for_s = put.rule
    full = says_full(seen.voltage_v, seen.current_a, above_v, below_a)
    dt_h = np.diff(seen.time_s, prepend=seen.time_s[0]) / 3600.0
    gained = np.where(seen.current_a > 0.0, put.efficiency, 1.0) * seen.current_a * dt_h
    gained = gained / (put.assumed * put.rated_ah)
    shown, missed, held_s = np.nan, 0.0, 0.0
    assert seen.true_soc is not None
    for k in range(len(seen)):
        shown = min(shown + gained[k], 1.0) if np.isfinite(shown) else shown
        held_s = held_s + 3600.0 * dt_h[k] if full[k] else 0.0
        if held_s > for_s:
            shown, missing = 1.0, 1.0 - float(seen.true_soc[k])
            missed = missing if missing > LEAST_MISSING else missed
    return float(shown), missed


def house_of(kind: str, truths: list[Truth], cause: str, rng: np.random.Generator) -> House:
    """One log with its cause."""
    truth = days_of(truths, rng) if kind == JOINED else truths[0]
    truth = replace(truth, log=replace(truth.log, name=kind))
    clock_hour = float(rng.integers(0, 24))
    for _ in range(20):  # a false full needs a rule that this record fulfils too early
        put = draw(cause, truth.capacity_ah, rng)
        seen = inject(truth, put, clock_hour, rng)
        display, missed = counted(seen, put)
        if cause != "false_rezero" or missed > 0.0:
            break
    size = missed if cause == "false_rezero" else put.size
    if cause == "false_rezero" and missed == 0.0:  # it never did harm: nothing is wrong
        cause, size = "none", 0.0
    assert seen.true_soc is not None
    assert seen.temperature_c is not None
    celsius = float(np.mean(seen.temperature_c))
    return House(
        log=seen,
        setup=setup_of(put.strings, *put.rule, celsius, truth.cell, 2.0 * SERIES),
        display_soc=float(np.round(display, 3)),
        cause=cause,
        size=size,
        hours=put.hours,
        untracked_a=put.untracked_a,
        soc=float(seen.true_soc[-1]),
        parameters={
            "offset_a": put.offset_a,
            "gain": put.gain,
            "untracked_a": put.untracked_a,
            "standby_a": 0.0,
            "capacity_fraction": put.fraction,
            "resistance_factor": 1.0 / put.fraction,
            "connection_ohm": put.connection_ohm,
            "capacity_setting": put.assumed,
            "efficiency_setting": put.efficiency,
        },
        cell=truth.cell,
    )


def make(truths: dict[str, list[Truth]], n: int, seed: int, joined_share: float) -> list[House]:
    """`n` logs: `joined_share` of them of joined runs, the rest shared by the single records."""
    rng = np.random.default_rng([seed, 78])
    names = [name for name in FREQUENCY if name != "dead_band"]
    share_of = np.array([FREQUENCY[name] for name in names])
    singles = [kind for kind in truths if kind != JOINED]
    first = round(n * joined_share) if JOINED in truths else 0
    kinds = [JOINED] * first + [singles[j % len(singles)] for j in range(n - first)]
    causes = rng.choice(names, n, p=share_of / share_of.sum())
    return [
        house_of(kind, truths[kind], str(cause), np.random.default_rng([seed, 79, j]))
        for j, (kind, cause) in enumerate(zip(kinds, causes, strict=True))
    ]


def by_record(rows: list[dict[str, Any]]) -> str:
    """One line a kind of log."""
    lines = ["by record: right, right where identifiable, healthy called faulty, charge inside"]
    for kind in dict.fromkeys(row["record"] for row in rows):
        own = [row for row in rows if row["record"] == kind]
        right = [max(r["probability"], key=r["probability"].get) == r["cause"] for r in own]
        known = [h for h, r in zip(right, own, strict=True)
                 if r.get("identifiable", 0.0) >= IDENTIFIABLE]  # fmt: skip
        wrong = [not h for h, r in zip(right, own, strict=True) if r["cause"] == "none"]
        inside = [r["soc_inside"] for r in own]
        lines.append(f"  {kind}: {share(right)}; {share(known)}; {share(wrong)}; {share(inside)}")
    return "\n".join(lines)


def main() -> None:
    """Read the flags and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--split", default="scoring", choices=("scoring", "calibration"))
    parser.add_argument("--logs", type=int, default=400)
    parser.add_argument("--joined", type=float, default=0.7, help="share of logs of joined runs")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--as-counted", action="store_true", help="counters of runs left open")
    parser.add_argument("--quick", action="store_true", help="no criterion, no tests")
    given = parser.parse_args()
    truths = truths_of(given.split, closed=not given.as_counted)
    logs = make(truths, given.logs, given.seed, given.joined)
    work = partial(score_house, seed=given.seed, options=Options(), quick=given.quick)
    rows = score_all(logs, work, given.processes)
    print(report(rows, "logs"))
    print(by_record(rows))


if __name__ == "__main__":
    try:
        main()
    except InputError as error:
        print(error, file=sys.stderr)
        sys.exit(2)
