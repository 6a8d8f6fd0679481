"""Where the Metropolis-Hastings moves of `posterior` propose to go.

Both proposals work on normal scores, whose prior is the standard normal. Each comes with the
logarithm of what multiplies the ratio of likelihoods: prior times proposal density, there and back.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from socband.unknowns import NAMES

Array = np.ndarray

_KEPT = (0.0, 0.4, 0.8)  # how much of where a member stands a move keeps
_WIDER = 1.3  # variance of proposals over the members': else tails are hardly ever proposed
MOST_SCORE = 8.0
_OFFSET, _LOAD, _PATTERN = map(NAMES.index, ("offset_a", "untracked_a", "untracked_pattern"))


def towards_all(scores: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """A proposal that keeps a mean m and a covariance C, the members' own but for `_WIDER`.

    In units in which N(m, C) is standard normal, x' = r x + sqrt(1 - r^2) noise, from near
    (r = 0.8) to an independent draw (r = 0). It is reversible with respect to N(m, C), so that only
    the ratio of target to N(m, C) decides, and steps may be large in any number of dimensions (the
    autoregressive proposal of Cotter et al. 2013, Stat. Sci. 28, 424-446, with the members'
    moments).

    Args:
        scores: (d, n) of the members.

    Returns:
        (d, n) proposed scores, (n,) log ratio.
    """
    from scipy.linalg import solve_triangular

    d, n = scores.shape
    # The covariance of few members in many dimensions is too narrow in some; the prior's helps.
    few = d / (n + d)
    root = np.linalg.cholesky(_WIDER * ((1.0 - few) * np.cov(scores) + few * np.eye(d)))
    middle = scores.mean(axis=1, keepdims=True)
    r = rng.choice(_KEPT, n)
    old = solve_triangular(root, scores - middle, lower=True)
    new = r * old + np.sqrt(1.0 - r**2) * rng.standard_normal((d, n))
    proposed = middle + root @ new
    ratio = (scores**2 - proposed**2).sum(axis=0) + (new**2 - old**2).sum(axis=0)
    return _within(scores, proposed, 0.5 * ratio)


def load_for_offset(
    scores: Array,
    untracked: Callable[[Array], Array],
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Another untracked load, drawn from its prior, and an offset that makes up for it on average.

    The voltages tell the sum of the two and hardly its parts: a long narrow ridge that bends where
    there is no load at all, along which `towards_all` gets nowhere. The load's new scores are drawn
    from their prior, which therefore cancels; the offset's score moves by a function of the load
    alone, and back by the same: its Jacobian is 1, and its prior is what is left to judge.

    Args:
        scores: (d, n) of the members.
        untracked: from scores to (n,) the members' mean untracked current in deviations of the
            offset between members; how exact it is decides how many moves are taken, and no more.

    Returns:
        (d, n) proposed scores, (n,) log ratio.
    """
    proposed = scores.copy()
    proposed[[_LOAD, _PATTERN]] = rng.standard_normal((2, scores.shape[1]))
    proposed[_OFFSET] += untracked(scores) - untracked(proposed)
    ratio = 0.5 * (scores[_OFFSET] ** 2 - proposed[_OFFSET] ** 2)
    return _within(scores, proposed, ratio)


def _within(scores: Array, proposed: Array, ratio: Array) -> tuple[Array, Array]:
    """No quantile function is asked beyond `MOST_SCORE`: such a proposal is none."""
    beyond = np.abs(proposed).max(axis=0) > MOST_SCORE
    return np.where(beyond, scores, proposed), np.where(beyond, -np.inf, ratio)
