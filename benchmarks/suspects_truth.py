"""Measured records as the truth that `suspects_records.py` puts causes into.

The dynamic runs have three parts: the profile from full to low voltage, the rest of the charge down
to the cell's end, and the recharge until the cell takes no more. Such a run is one interval from
full to full of 18 hours or more, and runs follow one another into logs of days. Between the parts
the cell rested for a time that the files do not tell; here they follow at once, which concerns only
voltages outside of what the suspects use. The hold at 2 V is left out: a house would be switched
off.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from socband.datasets import KNOWN, BenchRecord, bench_record, set_file
from socband.faults import step_means
from socband.layouts import read_record
from socband.logs import Log, charge_ah, sliced
from socband.open_sets import OPEN_SETS

Array = np.ndarray
HERE = Path(__file__).resolve().parent
STEP_S = 60.0
HELD_AT_V = 2.005  # the cell's lower limit: a run's second part ends here
ROOM_C = 25.0  # second and third part of the dynamic runs, by the published method
RUNS = (3, 7)  # a joined log has so many runs, the last number included
JOINED = "dynamic runs joined"


@dataclass(frozen=True)
class Truth:
    """A measured record of one cell at steps of `STEP_S`, or several joined.

    Attributes:
        log: with `true_soc` and `temperature_c`; current_a[k] is the mean over the step that ends
            at row k, by the cycler's counters.
        cell: cell model that never saw it.
        capacity_ah: that `true_soc` counts against.
    """

    log: Log
    cell: str
    capacity_ah: float


def full_to_full(parts: list[Log], cell: str, temperature_c: float, closed: bool = True) -> Truth:
    """The three parts of a dynamic run as one interval from full to full.

    The counters do not close: in the recharge some 5 mA (a quarter of a percent of the capacity an
    hour) are counted on for hours after the cell is full. What they have too much is taken off the
    recharge as one steady current: it is taken for an error of the instrument's zero (assumed; by
    one run alone, charge lost in the cell looks the same).

    Args:
        parts: of one cell: profile from full, discharge to the lower limit, recharge to full.
        cell: its model.
        temperature_c: of the first part; the others are at `ROOM_C`.
        closed: False leaves that error in the current, as the error of the monitor; the true charge
            is without it in any case.

    Returns:
        Capacity is what came out from full to empty; true charge is 1 at both ends.
    """
    held = np.flatnonzero(parts[1].voltage_v <= HELD_AT_V)
    stop = int(held[0]) + 1 if held.size else len(parts[1])
    raw = [step_means(part, STEP_S) for part in (parts[0], sliced(parts[1], stop=stop), parts[2])]
    out_ah = -float(charge_ah(raw[0])[-1] + charge_ah(raw[1])[-1])
    too_much_ah = float(charge_ah(raw[2])[-1]) - out_ah
    share = raw[2].time_s / raw[2].time_s[-1]
    recharge = replace(
        raw[2],
        current_a=raw[2].current_a - 3600.0 * too_much_ah / raw[2].time_s[-1],
        net_charge_ah=charge_ah(raw[2]) - too_much_ah * share,
    )
    celsius = [
        np.full(len(log), c) for log, c in zip(raw, (temperature_c, ROOM_C, ROOM_C), strict=True)
    ]
    log = joined([raw[0], raw[1], recharge], "run")
    log = replace(
        log,
        temperature_c=np.concatenate(celsius),
        true_soc=1.0 + charge_ah(log) / out_ah,
    )
    if not closed:
        log = replace(log, current_a=joined(raw, "run").current_a)
    return Truth(log, cell, out_ah)


def joined(logs: list[Log], name: str) -> Log:
    """Logs one after another, `STEP_S` apart; no current flows at a seam, the counter runs on."""
    starts = np.cumsum([0.0] + [float(log.time_s[-1]) + STEP_S for log in logs[:-1]])
    counts = np.cumsum([0.0] + [float(charge_ah(log)[-1]) for log in logs[:-1]])

    def column(key: str) -> Array | None:
        values = [getattr(log, key) for log in logs]
        return None if any(v is None for v in values) else np.concatenate(values)

    current = [np.concatenate([[0.0], log.current_a[1:]]) for log in logs]
    return Log(
        name,
        np.concatenate([log.time_s + t for log, t in zip(logs, starts, strict=True)]),
        np.concatenate(current),
        np.concatenate([log.voltage_v for log in logs]),
        temperature_c=column("temperature_c"),
        true_soc=column("true_soc"),
        net_charge_ah=np.concatenate(
            [charge_ah(log) + q for log, q in zip(logs, counts, strict=True)]
        ),
    )


def single(record: BenchRecord) -> Truth:
    """A record on its own, with what comes before its full charge, as far as that was recorded."""
    known = KNOWN[record.name]
    log = read_record(set_file(OPEN_SETS[known.open_set], known.file))
    charge = charge_ah(log)
    # by the same rule as `datasets`: full where counted highest, or empty where lowest
    empty = record.name.endswith("_Charge")
    soc = (charge - charge.min()) if empty else (charge - charge.max()) + record.capacity_ah
    log = replace(log, true_soc=soc / record.capacity_ah)
    log = step_means(log, STEP_S)
    celsius = ROOM_C if record.temperature_c is None else record.temperature_c
    log = replace(log, temperature_c=np.full(len(log), celsius))
    return Truth(log, record.cell, record.capacity_ah)


def truths_of(part: str, closed: bool = True) -> dict[str, list[Truth]]:
    """The records that benchmarks/split.toml names under `part`: runs to join, and single ones."""
    split = tomllib.loads((HERE / "split.toml").read_text(encoding="utf-8"))
    out: dict[str, list[Truth]] = {JOINED: []}
    for name in split[part]["records"]:
        record = bench_record(name)
        if "_DYN_" not in name:
            out[name] = [single(record)]
            continue
        known = KNOWN[name]
        files = [known.file.replace("_s1", f"_s{k}") for k in (1, 2, 3)]
        parts = [read_record(set_file(OPEN_SETS[known.open_set], file)) for file in files]
        out[JOINED].append(full_to_full(parts, record.cell, known.temperature_c, closed))
    return {kind: truths for kind, truths in out.items() if truths}


def days_of(runs: list[Truth], rng: np.random.Generator) -> Truth:
    """Runs in random order one after another, all of them before one comes again.

    The log begins in the first third of the first and ends anywhere in the last.
    """
    wanted = int(rng.integers(RUNS[0], RUNS[1] + 1))
    order: list[int] = []
    while len(order) < wanted:
        order += list(rng.permutation(len(runs)))
    used = [runs[j] for j in order[:wanted]]
    whole = joined([run.log for run in used], JOINED)
    first = int(rng.uniform(0.0, 1.0 / 3.0) * len(used[0].log))
    last = len(whole) - int(rng.uniform(0.0, 0.9) * len(used[-1].log))
    capacity_ah = float(np.mean([run.capacity_ah for run in used]))
    return Truth(sliced(whole, first, last), used[0].cell, capacity_ah)
