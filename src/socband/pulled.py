"""What a log pulls beyond its setup: numbers that the file gave hardly any chance.

The prior of a log knows of faults that nobody states (`prior_of_log`). Where a log then finds one,
its owner should hear of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from socband.evidence import CapacityTest, Evidence
from socband.posterior_log import Conditioned
from socband.prior_of_log import START_DRAWS
from socband.unknowns import score_matrix

if TYPE_CHECKING:
    import xarray as xr

# Where more than that share of the members lie beyond this share of what the setup holds for
# possible of a number, at either end, and more than so many times as many as before the log, it is
# said to pull the number there; all assumed. What else can explain a log (a load in place of a lost
# capacity) may well hold the others.
PULLED_SHARE, PULLED, PULLED_TIMES = 0.2, 0.01, 2.0
PULLABLE = ("capacity_fraction", "offset_a", "gain_error")


class Pulled(NamedTuple):
    """Where a log pulls a number.

    Attributes:
        probability: that it lies where the setup holds next to nothing for possible, 0..1.
        median: of where, in the number's own unit.
    """

    probability: float
    median: float


def pulled_by_log(
    known: Conditioned, seed: int, evidence: Sequence[Evidence] = ()
) -> dict[str, Pulled]:
    """Those of `PULLABLE` that a log pulls beyond its setup.

    Args:
        known: what came of the log.
        seed: of the draws that the posterior is compared with.
        evidence: taken beside the log: a capacity that was measured is pulled by nothing.
    """
    scores, members = score_matrix(seed, START_DRAWS), known.posterior.members
    before, begun = known.stated.members(scores), known.prior.members(scores)
    pulled = {}
    for name in PULLABLE:
        now, usual, held = (getattr(each, name) for each in (members, begun, before))
        beyond = _beyond(now, held)
        if beyond.probability > max(PULLED_SHARE, PULLED_TIMES * _beyond(usual, held).probability):
            pulled[name] = beyond
    if any(isinstance(piece, CapacityTest) for piece in evidence):
        pulled.pop("capacity_fraction", None)
    return pulled


def _beyond(now: np.ndarray, before: np.ndarray) -> Pulled:
    """Share of the members where hardly anybody looked for a number, and their median of it."""
    low, high = np.quantile(before, [PULLED, 1.0 - PULLED])
    beyond = now[(now < low) | (now > high)] if low < high else now[:0]
    return Pulled(len(beyond) / len(now), float(np.median(beyond)) if len(beyond) else float("nan"))


def with_pulled(dataset: xr.Dataset, pulled: Mapping[str, Pulled]) -> xr.Dataset:
    """The same with `pulled_probability` and `pulled_median` over `pulled`, the names."""
    found = pulled.values()
    return dataset.assign(
        pulled_probability=("pulled", np.array([each.probability for each in found])),
        pulled_median=("pulled", np.array([each.median for each in found])),
    ).assign_coords(pulled=np.array([*pulled], dtype=str))


def pulled_in(dataset: xr.Dataset) -> dict[str, Pulled]:
    """What `with_pulled` put in."""
    names = ("pulled", "pulled_probability", "pulled_median")
    rows = zip(*(dataset[name].values for name in names), strict=True)
    return {str(name): Pulled(float(p), float(to)) for name, p, to in rows}


def pulled_json(dataset: xr.Dataset) -> dict[str, Any]:
    """The same as plain numbers."""
    return {name: each._asdict() for name, each in pulled_in(dataset).items()}
