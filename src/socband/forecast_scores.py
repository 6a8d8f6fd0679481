"""Scores of forecasts of the time until low-voltage disconnect, on records that reach it.

Where a record's voltage meets a cut-off, the time that was left is known at each row before.
At random times a forecaster is given the faulty log up to then and states quantiles of the hours
left. It knows nothing of the load to come but what the log has shown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from socband.bench import Context
from socband.estimators import Prior
from socband.estimators.display import Display
from socband.faults import stream
from socband.logs import Log, sliced
from socband.scoring import QUANTILES, disconnect_scores

if TYPE_CHECKING:
    import xarray as xr

    from socband.models import CellModel

Array = np.ndarray

#: Forecasts beyond this many lengths of the record count as this long, so that a "never" of a
#: forecaster costs much but not infinitely much.
HORIZON = 3.0


class Forecaster(Protocol):
    """Anything that states how long a log's load will last."""

    def hours_left(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> tuple[Array, Array]:
        """Probabilities (k,) and quantiles (k,) [h] at the log's last row; infinite if never."""
        ...


@dataclass(frozen=True)
class Naive:
    """Displayed charge ÷ present current: what one can work out from a display alone.

    `window_s`: the present current is the mean the monitor saw over this long; a few minutes
    (common practice, no source). States no band.
    """

    window_s: float = 300.0

    def hours_left(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> tuple[Array, Array]:
        """See `Forecaster`."""
        shown = Display().estimate(log, cell, prior, rng)["soc_quantile"].values[-1, 0]
        recent = log.time_s > log.time_s[-1] - self.window_s
        drawn_a = -float(np.mean(log.current_a[recent]))
        left_ah = float(shown) * prior.assumed_capacity_ah
        hours = left_ah / drawn_a if drawn_a > 0 else np.inf
        return np.array(QUANTILES), np.full(len(QUANTILES), hours)


FORECASTERS: dict[str, Forecaster] = {
    "naive": Naive(),
    "naive_mean_so_far": Naive(window_s=np.inf),
}


def score_disconnect(
    context: Context,
    forecasters: Mapping[str, Forecaster] = FORECASTERS,
    faults: int = 20,
    times: int = 5,
) -> xr.Dataset:
    """Forecast at random times on every record that reaches a cut-off, and score.

    Args:
        context: from `bench.make_context`.
        forecasters: by name.
        faults: a record.
        times: forecasts a fault, at uniformly random times between the first tenth of what precedes
            the cut-off and it.

    Returns:
        mae_hours, coverage_90, pinball_hours and never (share of forecasts without an end) over
        forecaster and record; `truth_hours` and the median, cut off at `HORIZON`, over forecasts.
    """
    import xarray as xr

    cutoffs = {name: r.cutoff for name, r in context.records.items() if r.cutoff is not None}
    records = list(cutoffs)
    shape = (len(forecasters), len(records))
    scores = {
        k: np.full(shape, np.nan) for k in ("mae_hours", "coverage_90", "pinball_hours", "never")
    }
    truth = np.full((len(records), faults * times), np.nan)
    median = np.full((*shape, faults * times), np.nan)
    for j, record in enumerate(records):
        answers: dict[str, list[Array]] = {name: [] for name in forecasters}
        probabilities: dict[str, Array] = {}
        for fault in range(faults):
            _, view = context.view(record, fault)
            to_end_s = view.dt_s.sum() - np.cumsum(view.dt_s)  # on the true clock
            left = (to_end_s - cutoffs[record].before_end_s) / 3600.0
            before = int(np.count_nonzero(left > 0.0))
            if before < 4:
                raise ValueError(f"{record}: its cut-off lies in its first rows")
            at = stream(context.seed, "forecast", record, fault).uniform(0.1, 1.0, times)
            rows = np.clip((np.sort(at) * before).astype(int), 2, before - 1)
            truth[j, fault * times : (fault + 1) * times] = left[rows]
            for name, forecaster in forecasters.items():
                for k, row in enumerate(rows):
                    so_far = replace(sliced(view.log, 0, int(row) + 1), net_charge_ah=None)
                    rng = stream(context.seed, "hours left", record, fault, k, name)
                    probabilities[name], hours = forecaster.hours_left(
                        so_far, context.cells[record], view.prior, rng
                    )
                    answers[name].append(hours)
        for i, name in enumerate(forecasters):
            stated = np.array(answers[name])
            middle = int(np.argmin(np.abs(probabilities[name] - 0.5)))
            never = float(np.mean(~np.isfinite(stated[:, middle])))
            log = context.records[record].log
            stated = np.minimum(stated, HORIZON * (log.time_s[-1] - log.time_s[0]) / 3600.0)
            result = disconnect_scores(truth[j], stated, probabilities[name])
            for key, value in {**result, "never": never}.items():
                scores[key][i, j] = value
            median[i, j] = stated[:, middle]
    units = {"mae_hours": "h", "coverage_90": "1", "pinball_hours": "h", "never": "1"}
    grid = ("forecaster", "record")
    return xr.Dataset(
        {
            **{key: (grid, values, {"units": units[key]}) for key, values in scores.items()},
            "truth_hours": (("record", "forecast"), truth, {"units": "h"}),
            "median_hours": ((*grid, "forecast"), median, {"units": "h"}),
        },
        coords={"forecaster": list(forecasters), "record": records},
    )
