"""A bench's scores pooled: one entry per estimator and record, one per estimator over all records.

Inside a record every fault counts the same, over records every record does. Intervals are 90 %
bootstrap intervals over faults (and records, where pooled); see `scoring.bootstrap_interval`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from socband.scoring import SOC_RANGES, bootstrap_interval, pool_mean, soc_range_name

if TYPE_CHECKING:
    import xarray as xr

Array = np.ndarray

POOLED = "all"
_MEANS = ("mae", "width_90", "interval_score_90", "crps", "nees", "ess_p05", "bias")
_WITH_INTERVAL = ("mae", "width_90", "crps")
_COVERAGES = {"50": 0.5, "90": 0.9, "95": 0.95}


def pooled_scores(scores: xr.Dataset, draws: int = 500) -> dict[str, Any]:
    """What `socband bench --json` prints.

    Args:
        scores: from `bench.run_bench`.
        draws: of the bootstrap; its random numbers are always the same ones.

    Returns:
        `scores` (one entry per estimator and record), `pooled` (one per estimator, record "all"),
        `failures`. Fractions are 0..1; None where a score is undefined (NEES of a point).
    """
    records = scores["record"].values.tolist()
    entries, pooled = [], []
    for name in scores["estimator"].values.tolist():
        of_estimator = scores.sel(estimator=name)
        if not np.any(of_estimator["state"].values == 1):
            continue
        for record in records:
            entry = _entry(of_estimator, [record], draws)
            if entry["n_faults"]:
                entries.append({"estimator": name, "record": record, **entry})
        pooled.append({"estimator": name, "record": POOLED, **_entry(of_estimator, records, draws)})
    return {"scores": entries, "pooled": pooled, "failures": failures(scores)}


def failures(scores: xr.Dataset) -> list[str]:
    """Messages of estimators that failed, one of each kind, and how many grid cells it cost."""
    import json

    count = int(np.count_nonzero(scores["state"].values == 2))
    return [*json.loads(scores.attrs.get("failures", "[]")), f"{count} in all"] if count else []


def _entry(scores: xr.Dataset, records: list[str], draws: int) -> dict[str, Any]:
    chosen = scores.sel(record=records)
    scored = chosen["state"].values == 1

    def by_record(values: Array) -> dict[str, Array]:
        return {r: values[j][scored[j]] for j, r in enumerate(records) if np.any(scored[j])}

    def number(value: float) -> float | None:
        return float(value) if np.isfinite(value) else None

    def interval(values: dict[str, Array], weight: dict[str, Array] | None = None) -> list[Any]:
        rng = np.random.default_rng(0)
        return [number(x) for x in bootstrap_interval(values, rng, weight, draws=draws)]

    entry: dict[str, Any] = {"n_faults": int(scored.sum())}
    if not entry["n_faults"]:
        return entry
    for name in _MEANS:
        values = by_record(chosen[name].values)
        entry[name] = number(pool_mean(values))
        if name in _WITH_INTERVAL:
            entry[f"{name}_interval"] = interval(values)
    # The median over faults: a first call carries imports and compiling.
    cost = by_record(chosen["us_per_step"].values)
    entry["us_per_step"] = float(np.mean([np.median(values) for values in cost.values()]))
    squares = by_record(chosen["rmse"].values ** 2)
    entry["rmse"] = number(float(np.sqrt(pool_mean(squares))))
    entry["max_error"] = number(float(np.max(chosen["max_error"].values[scored])))
    entry["coverage"], entry["coverage_interval"] = {}, {}
    for label, level in _COVERAGES.items():
        values = by_record(chosen["coverage"].sel(level=level).values)
        entry["coverage"][label] = number(pool_mean(values))
        entry["coverage_interval"][label] = interval(values)
    entry["coverage_90_by_soc"] = {}
    for k, bounds in enumerate(SOC_RANGES):
        values = by_record(chosen["coverage_90_by_soc"].values[..., k])
        share = by_record(chosen["share_by_soc"].values[..., k])
        entry["coverage_90_by_soc"][soc_range_name(bounds)] = number(pool_mean(values, share))
    entry["coverage_curve"] = {
        f"{100 * level:g}": number(pool_mean(by_record(chosen["coverage"].values[..., k])))
        for k, level in enumerate(chosen["level"].values.tolist())
    }
    bins = chosen.sizes["pit_bin"]
    entry["pit"] = [number(pool_mean(by_record(chosen["pit"].values[..., k]))) for k in range(bins)]
    return entry
