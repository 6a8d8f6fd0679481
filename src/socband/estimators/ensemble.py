"""The ensemble of this project, on the bench: an adapter, nothing is computed here."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from socband.estimators import Prior, band_dataset, cell_temperature
from socband.logs import Log
from socband.posterior import Settings, condition
from socband.quantity import Quantity
from socband.scoring import QUANTILES
from socband.site_fields import Hours
from socband.track import Scale, Track
from socband.unknowns import STEADY, Pattern, Unknowns, cell_unknowns

if TYPE_CHECKING:
    import xarray as xr

    from socband.models import CellModel

# Windows that stand for "some hours only": every start in steps of three hours, two lengths.
_STARTS_H = range(0, 24, 3)
_SHARES = (0.3, 0.5)
# Of the logarithm of a cell's ohmic part and fast branch over its model's: told the true current,
# calibration records want 0.04 rms (18650), 0.05 (26650) and 0.10 (steps cell, whose temperature no
# record holds); `benchmarks/told_current.py`.
_RESISTANCE_SPREAD = 0.1


class ClippedNormal(Quantity):
    """A normal whose tails beyond 0 and 1 sit on 0 and 1.

    A charger stops at full, so a bank that may hold more than it can is full: the mass beyond 1
    belongs to 1, just as the display's own count is clipped there.
    """

    @classmethod
    def of(cls, mean: float, std: float) -> ClippedNormal:
        """Mean and standard deviation before clipping."""
        return cls.from_dist("norm", loc=mean, scale=std)

    def ppf(self, u: np.ndarray) -> np.ndarray:
        """Quantile function."""
        return np.clip(super().ppf(u), 0.0, 1.0)


def unknowns_of(prior: Prior, cell: CellModel) -> Unknowns:
    """The bench's prior in the ensemble's own terms."""
    windows = [
        Pattern(_window(start, share), size=1.0 / share) for start in _STARTS_H for share in _SHARES
    ]
    some_hours = prior.untracked_hours_probability
    patterns = (
        replace(STEADY, weight=1.0 - some_hours),
        *(replace(w, weight=some_hours / len(windows)) for w in windows),
    )
    capacity = prior.assumed_capacity_ah / _capacity_at(cell, prior.temperature_c)
    return Unknowns(
        start_soc=ClippedNormal.of(prior.soc0_mean, prior.soc0_std),
        offset_a=Quantity.from_dist("norm", loc=0.0, scale=prior.offset_std_a),
        gain_error=Quantity.from_dist("norm", loc=0.0, scale=prior.gain_std),
        untracked_probability=prior.untracked_probability,
        untracked_a=Quantity.from_dist("expon", loc=0.0, scale=prior.untracked_mean_a),
        capacity_fraction=Quantity.from_dist(
            "norm", loc=capacity, scale=max(prior.capacity_std * capacity, 1e-6)
        ),
        resistance_factor=Quantity.from_dist("lognorm", s=_RESISTANCE_SPREAD),
        hysteresis_start=Quantity.from_dist("uniform", loc=-1.0, scale=2.0),
        temperature_offset_k=Quantity.from_dist("norm", loc=0.0, scale=1.5),
        patterns=patterns,
        **cell_unknowns(cell, prior.temperature_c),
    )


def _window(start_h: float, share: float) -> Hours:
    start, end = start_h * 60, start_h * 60 + round(share * 1440)
    spans = ((start, end),) if end <= 1440 else ((0, end - 1440), (start, 1440))
    return Hours(tuple((int(a), int(b)) for a, b in spans))


def _capacity_at(cell: CellModel, temperature_c: float) -> float:
    from socband.cell import temperature_factors

    return cell.capacity_ah * float(temperature_factors(cell, np.array(temperature_c))[4])


def track_of(log: Log, cell: CellModel, prior: Prior, step_s: float) -> Track:
    """A bench log as the filter's steps of `step_s` [s], warmed by its losses, on bench days."""
    log = replace(log, temperature_c=cell_temperature(log, cell, prior))
    track = Track.from_log(log, cell, Scale(), prior.temperature_c, step_s)
    # What stands for a day on the bench is `day_s` long.
    middle = track.time_s - 0.5 * track.dt_s
    return replace(track, hour=np.mod(middle / prior.day_s, 1.0) * 24.0)


def since_step(log: Log, track: Track, capacity_ah: float) -> tuple[np.ndarray, np.ndarray]:
    """What an answer at a row of a log is made of: what was known at the end of the last step, and
    what was counted since. Rows within the first step count back from its end.

    Args:
        log, track: the rows, and the steps they were coarsened to.
        capacity_ah: that the count is over [Ah].

    Returns:
        (n,) step, and (n,) charge moved since it ended, 0..1.
    """
    ended = np.searchsorted(track.time_s, log.time_s * (1.0 + 1e-12), side="right") - 1
    step = np.maximum(ended, 0)
    counted_ah = np.cumsum(log.current_a * np.diff(log.time_s, prepend=log.time_s[0])) / 3600.0
    then_ah = np.interp(track.time_s[step], log.time_s, counted_ah)
    return step, (counted_ah - then_ah) / capacity_ah


BENCH_SETTINGS = Settings(members=1000, probabilities=QUANTILES)


@dataclass(frozen=True)
class Ensemble:
    """`posterior.condition` with the bench's prior.

    Attributes:
        settings: of the conditioning; its seed is drawn from the bench's generator.
        step_s: the log is coarsened to steps of this length [s].
    """

    settings: Settings = BENCH_SETTINGS
    step_s: float = 60.0

    def estimate(
        self, log: Log, cell: CellModel, prior: Prior, rng: np.random.Generator
    ) -> xr.Dataset:
        """See `socband.estimators.Estimator`."""
        track = track_of(log, cell, prior, self.step_s)
        settings = replace(self.settings, seed=int(rng.integers(2**31)))
        posterior = condition(track, cell, unknowns_of(prior, cell), settings)
        step, moved = since_step(log, track, prior.assumed_capacity_ah)
        return band_dataset(
            log,
            posterior.quantiles[step] + moved[:, None],
            mean=posterior.mean[step] + moved,
            std=posterior.std[step],
            ess=posterior.ess[step],
        )
