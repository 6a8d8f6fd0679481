"""The hindsight band: what is known at the end of a log about the charge at every step before."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import numpy as np

from socband import kernels as k
from socband.kernels_band import bands, look_back_range
from socband.posterior_settings import Settings
from socband.track import Track
from socband.unknowns import normal_scores

Array = np.ndarray

LOOK_BACK_STEPS = 512  # of the smoother at a time: bounds its memory


def look_back(
    track: Track,
    settings: Settings,
    state: Array,
    parameters: Array,
    pattern: Array,
    before_gaps: Mapping[int, Array],
    patterns_on: Array,
    factors: Array,
    common: Array,
) -> Array:
    """Quantiles of the charge at every step, given all evidence up to the end.

    Given its static unknowns and its final draw, a member's past charge is determined by the log:
    the process has no noise but in gaps. So the smoother is the count, run backwards; across a gap
    what the count says meets what the member's filter knew before it.

    Args:
        track, settings: of the run.
        state, parameters, pattern: of equally weighted members after the last step.
        before_gaps: (STATE_ROWS, n) of the same members before each step that is a gap.
        patterns_on, factors, common: the kernel's inputs.

    Returns:
        (t, q) at the settings' probabilities.
    """
    n, t_all = state.shape[1], len(track)
    draw = state.copy()
    deviation = cloud_draw(state, settings.seed)
    draw[k.Z] += deviation[:, 0]
    draw[k.B] += deviation[:, 1]
    levels = np.array(settings.probabilities)
    quantiles = np.empty((t_all, len(levels)))
    unused = np.empty((3, t_all))
    zeros = np.zeros(n)
    rng = np.random.default_rng([settings.seed, 21])
    cuts = sorted({*range(t_all, 0, -LOOK_BACK_STEPS), *before_gaps, 0}, reverse=True)
    for last, first in itertools.pairwise(cuts):
        part = slice(first, last)
        z = np.empty((last - first, n))
        k.over_members(
            look_back_range,
            n,
            draw,
            parameters,
            pattern,
            track.dt_s[part],
            np.ascontiguousarray(track.current_a[part]),
            track.temperature_c[part],
            np.ascontiguousarray(patterns_on[:, part]),
            factors,
            common,
            z,
        )
        flat = np.zeros_like(z)
        bands(z, flat, flat, zeros, 1.0, zeros, levels, quantiles[part], *unused[:, part])
        if first in before_gaps:
            draw[k.Z] = across_gap(
                draw, before_gaps[first], track.charge_var[first], rng.standard_normal(n)
            )
    return quantiles


def across_gap(draw: Array, known: Array, variance: float, xi: Array) -> Array:
    """(n,) charge before a gap, drawn given what was known then and the charge behind it.

    Before the gap a member's filter knew the charge and the constant current error b as a Gaussian;
    the draw has settled b, and the count from behind gives the charge but for the gap's own
    variance: a product of two Gaussians (Rauch, Tung & Striebel 1965, AIAA J. 3, 1445-1450, for
    one step).

    Args:
        draw: (STATE_ROWS, n) counted back to before the gap.
        known: (STATE_ROWS, n) the members' filters there.
        variance: that the gap adds to the charge.
        xi: (n,) standard normal.
    """
    zz, zb = known[k.P0], known[k.P0 + 4]
    slope = zb / np.maximum(known[k.P0 + 14], 1e-300)
    mean = known[k.Z] + slope * (draw[k.B] - known[k.B])
    rest = np.maximum(zz - slope * zb, 0.0)
    share = rest / (rest + variance)
    return mean + share * (draw[k.Z] - mean) + np.sqrt(share * variance) * xi


def drawn_together(x: Array, mean: float, std: float, cloud: float) -> Array:
    """Draws of (mean, std) moved towards the mean, so that with clouds about them they are as wide.

    Args:
        x: (n,) the draws.
        mean, std: of what they are drawn from.
        cloud: standard deviation of each member's own cloud.
    """
    if std <= 0.0:
        return x
    return mean + (x - mean) * np.sqrt(1.0 - (cloud / std) ** 2)


def cloud_draw(state: Array, seed: int) -> Array:
    """(n, 2) one draw of (z, b) from each member's cloud, less its mean."""
    n = state.shape[1]
    covariance = np.empty((n, 2, 2))
    covariance[:, 0, 0] = np.maximum(state[k.P0], 1e-16)
    covariance[:, 0, 1] = covariance[:, 1, 0] = state[k.P0 + 4]
    covariance[:, 1, 1] = np.maximum(state[k.P0 + 14], 1e-16)
    covariance[:, [0, 1], [0, 1]] *= 1.0 + 1e-9
    xi = np.stack([normal_scores(seed, "final z", n), normal_scores(seed, "final b", n)], -1)
    return np.einsum("nij,nj->ni", np.linalg.cholesky(covariance), xi)
