"""Which unknown widens the band: variance shares from the ensemble itself.

The first-order sensitivity index of an unknown X is Var(E[Y | X]) / Var(Y) (Sobol 1993; Saltelli et
al. 2010, 10.1016/j.cpc.2009.09.018). With the members at hand it is the correlation ratio of Y over
slices of X ("given data": Plischke, Borgonovo & Smith 2013, 10.1016/j.ejor.2012.11.047), so no
model run is needed, and what evidence has already taught is counted.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

Array = np.ndarray


def first_order_share(x: Array, y: Array, slices: int = 25) -> float:
    """Share of the variance of `y` that goes with `x`, 0..1.

    Args:
        x, y: (n,) one entry for each member.
        slices: groups of equal size along x; a value that repeats (a spike) is a group of its own.

    Returns:
        The correlation ratio, corrected for the number of slices as an unbiased variance is.
    """
    n = len(x)
    total = float(np.var(y))
    if total == 0.0 or np.ptp(x) == 0.0:
        return 0.0
    edges = np.quantile(x, np.linspace(0.0, 1.0, slices + 1))
    spikes = edges[1:][np.diff(edges) == 0.0]
    edges = np.unique(np.concatenate([edges, np.nextafter(spikes, -np.inf)]))
    group = np.searchsorted(edges[1:-1], x, side="left")
    count = np.bincount(group)
    used = count > 0
    mean = np.bincount(group, y)[used] / count[used]
    between = float(np.sum(count[used] * (mean - y.mean()) ** 2))
    within = total * n - between
    groups = int(used.sum())
    if n <= groups or groups < 2:
        return 0.0
    # epsilon squared (Kelley 1935): expectation zero when x does not matter
    epsilon = (between - (groups - 1) * within / (n - groups)) / (total * n)
    return float(np.clip(epsilon, 0.0, 1.0))


def variance_shares(causes: Mapping[str, Array], y: Array) -> dict[str, float]:
    """First-order share of each cause in the variance of `y`, largest first."""
    shares = {name: first_order_share(x, y) for name, x in causes.items()}
    return dict(sorted(shares.items(), key=lambda item: -item[1]))
